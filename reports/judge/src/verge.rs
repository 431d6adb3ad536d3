//! Lanes on the verge of closing: where training lands decides whether their operating point passes at all.
//!
//! Such a lane's value jumps between nothing and what its eye has, so what one start reads says little of the condition. How much is unsure is
//! counted into the lane's variance: an open one by how near its operating point lies to the end of its eye, a closed one by what the other
//! lanes have.

use super::eye_summary::TRAINING_SCATTER;
use statistics::special::normal_sf;

/// Edges further off than this are beyond what training scatters, places.
const NEAR: f32 = 2.5;
/// Less than this share of a square is nothing.
const LEAST: f64 = 1e-4;

/// Mean square of the share of other starts in which a lane is closed whose operating point lies so many taps and Vref steps from its
/// edges.
///
/// Both this start and others scatter by [`TRAINING_SCATTER`] about where training lands on average, so two others are both beyond an edge
/// with the probability of two normal deviates of correlation 1/2 (Owen, Ann. Math. Stat. 27 (1956) 1075).
pub fn closes_elsewhere(reach: &[f32; 4]) -> f64 {
    if reach.iter().all(|reach| *reach >= NEAR) {
        return 0.0;
    }
    let sum: f64 =
        reach.iter().filter(|reach| **reach < NEAR).map(|reach| both_beyond(f64::from(*reach))).sum();
    if sum < LEAST { 0.0 } else { sum.min(1.0) }
}

fn both_beyond(reach: f64) -> f64 {
    let h = reach.max(0.0) / (std::f64::consts::SQRT_2 * TRAINING_SCATTER);
    (normal_sf(h) - 2.0 * owen(h, 1.0 / 3f64.sqrt())).max(0.0)
}

/// Owen's T by Simpson's rule (error below 1e-6 for a below 1).
fn owen(h: f64, a: f64) -> f64 {
    const PARTS: u32 = 16;
    let of = |x: f64| (-0.5 * h * h * (1.0 + x * x)).exp() / (1.0 + x * x);
    let step = a / f64::from(PARTS);
    let sum: f64 = (0..=PARTS)
        .map(|at| {
            let weight = if at == 0 || at == PARTS { 1.0 } else { 2.0 + 2.0 * f64::from(at % 2) };
            weight * of(step * f64::from(at))
        })
        .sum();
    sum * step / 3.0 / std::f64::consts::TAU
}

/// Mean square by which the share of starts that are open lies off what was counted, where nothing else is known of it (a uniform prior).
pub fn share_unsure(open: u16, closed: u16) -> f64 {
    let (open, closed) = (f64::from(open), f64::from(closed));
    let n = open + closed;
    let (a, b) = (open + 1.0, closed + 1.0);
    let mean = a / (a + b);
    mean * (1.0 - mean) / (a + b + 1.0) + (mean - open / n.max(1.0)).powi(2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On the edge itself each other start is closed with a chance that may be anything: the mean square of a uniform one is 1/3.
    #[test]
    fn a_lane_at_its_edge_may_close_and_one_within_does_not() {
        assert!((closes_elsewhere(&[0.0, 9.0, 9.0, 9.0]) - 1.0 / 3.0).abs() < 1e-6);
        assert_eq!(closes_elsewhere(&[2.5, 9.0, 9.0, 9.0]), 0.0);
        // By 1.5 million draws of two deviates of correlation 1/2, both beyond 0.7071 and both beyond 1.4142.
        for (reach, wanted) in [(0.5, 0.1136), (1.0, 0.0232)] {
            let found = closes_elsewhere(&[9.0, 9.0, reach, 9.0]);
            assert!((found - wanted).abs() < 0.0006, "{reach}: {found}");
        }
        let both = closes_elsewhere(&[0.5, 9.0, 0.5, 9.0]);
        assert!((both - 2.0 * 0.1136).abs() < 0.001);
    }

    /// One closed start of one: the share of open ones has the mean square of a Beta(1, 2), which is 1/6.
    #[test]
    fn few_starts_leave_the_share_unsure() {
        assert!((share_unsure(0, 1) - 1.0 / 6.0).abs() < 1e-12);
        assert!((share_unsure(1, 0) - 1.0 / 6.0).abs() < 1e-12);
        assert!(share_unsure(0, 100) < 3e-4 && share_unsure(50, 50) < 0.0026);
    }
}
