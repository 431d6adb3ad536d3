//! How many taps lie between the places where a lane's eye crosses on either side: one bit time, whatever a tap is said to be.
//!
//! Sampled before its eye a lane answers with the bit before, after it with the one behind: where half of the edges have come,
//! a quarter of the bits differ. Edges between a bit and the next are those between the bit before and it, one bit time later,
//! so jitter, interference and duty cycle move both crossings alike, and the distance is a bit time. A DFE breaks that: its
//! feedback belongs to one of the bits.

use nightbench_core::results::{Capture, Visit, VisitKind};
use statistics::special::{normal_pdf, normal_quantile};

/// Share of bits that differ where the eye crosses.
const CROSSING: f64 = 0.25;
/// Shares that are fitted: about a deviation of the edges to either side of the crossing.
const FITTED: std::ops::RangeInclusive<f64> = 0.06..=0.44;
/// Fitted places reach so far from the crossing, taps.
const NEAR: u16 = 4;

/// Distance of the two crossings of a lane, taps, with its standard uncertainty from counting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    pub taps: f64,
    pub u: f64,
}

/// A place along the row: tap, and the share of bits that differ with the number compared.
type Place = (u16, f64, f64);

/// The distance of a lane's crossings (its position in the capture's lanes); `None` where no sweep of its operating row was
/// measured, or the sweep ends before a crossing.
pub fn span(capture: &Capture, lane: usize) -> Option<Span> {
    let at = capture.operating.get(lane)?;
    let of_row = |visit: &&Visit| visit.kind == VisitKind::Sweep && visit.point.vref == at.vref;
    let mut row: Vec<Place> = Vec::new();
    for visit in capture.visits.iter().filter(of_row).filter(|visit| visit.bits > 0) {
        let errors = *visit.errors.get(lane)?;
        row.push((visit.point.tap, errors as f64 / visit.bits as f64, visit.bits as f64));
    }
    row.sort_by_key(|(tap, ..)| *tap);
    let early: Vec<Place> = row.iter().filter(|(tap, ..)| *tap < at.tap).rev().copied().collect();
    let late: Vec<Place> = row.iter().filter(|(tap, ..)| *tap > at.tap).copied().collect();
    let (first, second) = (crossing(&early)?, crossing(&late)?);
    Some(Span { taps: second.0 - first.0, u: first.1.hypot(second.1) })
}

/// Where a side crosses, from inside outwards: tap and standard uncertainty. The share of edges that have come is taken for a
/// normal distribution of the tap near its middle; a weighted straight line on its scale.
fn crossing(places: &[Place]) -> Option<(f64, f64)> {
    // Beyond a crossing lies the neighbouring bit, half of whose bits differ: a place alone is a hole in the eye.
    let over = (0..places.len()).find(|at| {
        let beyond = places[*at..].iter().take(2);
        beyond.clone().count() == 2 && beyond.into_iter().all(|(_, share, _)| *share >= CROSSING)
    })?;
    let middle = places[over].0;
    let near = places.iter().filter(|(tap, share, _)| tap.abs_diff(middle) <= NEAR && FITTED.contains(share));
    let (mut w, mut wx, mut wz, mut wxx, mut wxz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut sides = [false; 2];
    for (tap, share, bits) in near {
        sides[usize::from(*share >= CROSSING)] = true;
        let z = normal_quantile(1.0 - 2.0 * share).ok()?;
        let weight = bits * (0.5 * normal_pdf(z)).powi(2) / (share * (1.0 - share));
        let x = f64::from(*tap) - f64::from(middle);
        (w, wx, wz) = (w + weight, wx + weight * x, wz + weight * z);
        (wxx, wxz) = (wxx + weight * x * x, wxz + weight * x * z);
    }
    let spread = wxx - wx * wx / w;
    if sides != [true; 2] || spread.is_nan() || spread <= 0.0 {
        return None;
    }
    let slope = (wxz - wx * wz / w) / spread;
    let (x_mean, z_mean) = (wx / w, wz / w);
    let x = x_mean - z_mean / slope;
    let u = (1.0 / w + (x - x_mean).powi(2) / spread).sqrt() / slope.abs();
    (x.is_finite() && u.is_finite()).then(|| (f64::from(middle) + x, u))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cases::capture;
    use nightbench_core::point_rule::PointRule;
    use nightbench_core::results::{LanePoint, Point};
    use statistics::special::normal_sf;

    /// A row whose edges lie at `early` and `early + bit`, spread by `sigma` taps; counts as expected.
    fn swept(taps: u16, early: f64, bit: f64, sigma: f64) -> Capture {
        let mut capture = capture(taps, 4, 1, PointRule::error_free(1e-3, 0.95));
        capture.operating = vec![LanePoint { tap: (early + 0.5 * bit) as u16, vref: 2 }];
        let bits = 20_000u64;
        capture.visits = (0..taps)
            .map(|tap| {
                let before = 0.5 * normal_sf((f64::from(tap) - early) / sigma);
                let behind = 0.5 * normal_sf((early + bit - f64::from(tap)) / sigma);
                let errors = ((before + behind) * bits as f64).round() as u64;
                Visit { point: Point { tap, vref: 2 }, kind: VisitKind::Sweep, bits, errors: vec![errors] }
            })
            .collect();
        capture
    }

    #[test]
    fn a_bit_time_is_found_between_taps() {
        for (early, bit, sigma) in
            [(12.3, 31.4, 1.5), (10.8, 32.0, 0.9), (14.0, 33.7, 2.5), (12.5, 30.0, 4.0)]
        {
            let found = span(&swept(64, early, bit, sigma), 0).unwrap();
            assert!((found.taps - bit).abs() < 0.02, "{early} {bit} {sigma}: {found:?}");
            // Counting alone: sqrt(r (1 - r) / n) over the slope, at each end, with a few points each.
            assert!(found.u > 0.003 && found.u < 0.1, "{found:?}");
        }
    }

    #[test]
    fn a_sweep_that_ends_before_a_crossing_gives_nothing() {
        assert_eq!(span(&swept(40, 12.3, 31.4, 1.5), 0), None, "ends before the late one");
        let mut measured = swept(64, 12.3, 31.4, 1.5);
        measured.visits.iter_mut().for_each(|visit| visit.kind = VisitKind::Drift);
        assert_eq!(span(&measured, 0), None, "no sweep");
        // A hole in the eye is no crossing.
        let mut hole = swept(64, 12.3, 31.4, 1.5);
        hole.visits[32].errors = vec![6000];
        hole.operating[0].tap = 25;
        let found = span(&hole, 0).unwrap();
        assert!((found.taps - 31.4).abs() < 0.02, "{found:?}");
    }
}
