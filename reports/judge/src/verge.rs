//! Lanes on the verge of closing: where training lands decides whether their operating point passes at all.
//!
//! Such a lane's value jumps between nothing and what its eye has, so what one start reads says little of the condition. How much is unsure is
//! counted into the lane's variance: an open one by how near its operating point lies to the end of its eye, a closed one by what the other
//! lanes have.

use super::eye_summary::TRAINING_SCATTER;
use statistics::special::{normal_pdf, normal_sf};

/// How far two starts' operating points lie apart, places (standard deviation).
const APART: f64 = std::f64::consts::SQRT_2 * TRAINING_SCATTER;
/// So many of that are beyond what training scatters.
const FURTHEST: f64 = 4.0;
/// What this start may have landed off the middle, places: where its operating point lies further off, others do, too.
const OFF_MIDDLE: f64 = TRAINING_SCATTER;
/// Less than this share of a square is nothing.
const LEAST: f64 = 1e-4;

/// Mean square of the share of other starts in which a lane is closed whose row and column reach so many taps and Vref steps from its
/// operating point.
///
/// Training finds the middle, so that another start lies off the middle of row and column as two starts lie apart; what closes it is the rim of a
/// rhombus through their ends. (By each end's distance alone ten times too many seemed to close: counted on 24 eyes of 40 lanes, 160 of them
/// with a half-height below three steps.)
pub fn closes_elsewhere(reach: &[f32; 4]) -> f64 {
    let half = |a: usize| {
        let (before, after) = (f64::from(reach[a].max(0.0)), f64::from(reach[a + 1].max(0.0)));
        (0.5 * (before + after)).min(before.min(after) + OFF_MIDDLE) / APART
    };
    let (row, column) = (half(0), half(2));
    if row * column >= FURTHEST * row.hypot(column) {
        return 0.0;
    }
    let share = beyond_rhombus(row, column).powi(2);
    if share < LEAST { 0.0 } else { share }
}

/// Probability that a point of two standard normal coordinates lies beyond a rhombus of these half-diagonals (Simpson's rule).
fn beyond_rhombus(a: f64, b: f64) -> f64 {
    const PARTS: u32 = 32;
    let of = |x: f64| normal_pdf(x) * (1.0 - 2.0 * normal_sf(b * (1.0 - x / a)));
    const FAR: f64 = 6.0;
    if a <= 0.0 || b <= 0.0 {
        return 1.0;
    }
    let step = a.min(FAR) / f64::from(PARTS);
    let sum: f64 = (0..=PARTS)
        .map(|at| {
            let weight = if at == 0 || at == PARTS { 1.0 } else { 2.0 + 2.0 * f64::from(at % 2) };
            weight * of(step * f64::from(at))
        })
        .sum();
    (1.0 - 2.0 * sum * step / 3.0).clamp(0.0, 1.0)
}

/// Mean square of the share of other starts beyond a line that lies between the operating point and the place beside it, anywhere alike: both
/// this start and others scatter, so that two others are both beyond it as two normal deviates of correlation 1/2 are.
pub const ONE_BESIDE: f64 = 0.135;

/// Mean square by which the share of starts that are open lies off what was counted, where nothing else is known of it (a uniform prior); so many of the
/// closed ones may be open: their errors do not show a ratio above the limit.
pub fn share_unsure(open: u16, closed: u16, in_doubt: u16) -> f64 {
    let (open, closed, in_doubt) = (f64::from(open), f64::from(closed), f64::from(in_doubt));
    let n = open + closed;
    let (a, b) = (open + in_doubt + 1.0, closed - in_doubt + 1.0);
    let mean = a / (a + b);
    mean * (1.0 - mean) / (a + b + 1.0) + (mean - open / n.max(1.0)).powi(2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use eye::cases::Draws;

    #[test]
    fn what_lies_beyond_a_rhombus_is_what_draws_count() {
        let mut draws = Draws::new(3);
        let points: Vec<[f64; 2]> =
            (0..200_000).map(|_| [draws.normal().abs(), draws.normal().abs()]).collect();
        for (a, b) in [(1.0, 1.0), (1.5, 3.0), (2.5, 2.5), (2.0, 6.0), (40.0, 1.5)] {
            let counted =
                points.iter().filter(|[x, y]| x / a + y / b > 1.0).count() as f64 / points.len() as f64;
            let found = beyond_rhombus(a, b);
            assert!((found - counted).abs() < 0.005, "{a} {b}: {found}, {counted} counted");
        }
        assert_eq!(beyond_rhombus(0.0, 3.0), 1.0);
    }

    #[test]
    fn a_small_eye_may_close_and_a_large_one_does_not() {
        assert_eq!(closes_elsewhere(&[0.0, 0.0, 5.0, 5.0]), 1.0);
        assert_eq!(closes_elsewhere(&[8.0; 4]), 0.0);
        // Where this start is half a place off the middle, others are nearer to it; further off, they are not.
        assert_eq!(closes_elsewhere(&[1.5, 2.5, 2.0, 2.0]), closes_elsewhere(&[2.0; 4]));
        assert!(closes_elsewhere(&[0.2, 8.0, 8.0, 8.0]) > 0.05);
        assert!(
            closes_elsewhere(&[2.0; 4]) > 0.003
                && closes_elsewhere(&[1.0; 4]) > 10.0 * closes_elsewhere(&[2.0; 4])
        );
    }

    /// By draws of the line's place, of this start and of two others.
    #[test]
    fn a_line_before_the_next_place_lies_before_some_starts() {
        let mut draws = Draws::new(4);
        let mut beyond = |_: &u32| {
            let line = draws.uniform() + TRAINING_SCATTER * draws.normal();
            TRAINING_SCATTER * draws.normal() > line && TRAINING_SCATTER * draws.normal() > line
        };
        let counted = (0..200_000u32).filter(|n| beyond(n)).count() as f64 / 200_000.0;
        assert!((counted - ONE_BESIDE).abs() < 0.004, "{counted}");
    }

    /// One closed start of one: the share of open ones has the mean square of a Beta(1, 2), which is 1/6.
    #[test]
    fn few_starts_leave_the_share_unsure() {
        assert!((share_unsure(0, 1, 0) - 1.0 / 6.0).abs() < 1e-12);
        assert!((share_unsure(1, 0, 0) - 1.0 / 6.0).abs() < 1e-12);
        assert!(share_unsure(0, 100, 0) < 3e-4 && share_unsure(50, 50, 0) < 0.0026);
        // A closed start that may be open: of a Beta(2, 1), about nothing.
        assert!((share_unsure(0, 1, 1) - 0.5).abs() < 1e-12);
    }
}
