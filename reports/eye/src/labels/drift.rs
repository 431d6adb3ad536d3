//! Drift within a capture: early points measured again at the end.

use nightbench_core::results::{Capture, Point, Visit, VisitKind};

/// One lane of one point, early and late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftCheck {
    /// Where.
    pub point: Point,
    /// Position of the lane in the capture's lane order.
    pub lane: u16,
    /// Bit error ratio of the first visit.
    pub early_ber: f64,
    /// Bit error ratio of the visit at the end.
    pub late_ber: f64,
    /// Difference in standard deviations of counting (late above early is positive).
    pub z: f64,
}

/// Drift shown by a capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// Every comparison with at least 8 errors in one of the two visits.
    pub checks: Vec<DriftCheck>,
    /// Counting noise explains the largest difference with less than 1 % probability, allowing for the number of
    /// comparisons.
    pub significant: bool,
}

/// Compares the drift visits of a capture with the first visits to the same points.
///
/// Counts are compared after the square-root transformation with Anscombe's 3/8 (unit variance of a Poisson count
/// is 1/4): z = 2 (sqrt(b + 3/8) - sqrt(q (a + 3/8))) / sqrt(1 + q), q the ratio of bits. Significant: n comparisons
/// with n exp(-z^2 / 2) < 0.01, an upper bound of the normal tail.
pub fn drift(capture: &Capture) -> Drift {
    const FEWEST_ERRORS: u64 = 8;
    let mut checks = Vec::new();
    for late in capture.visits.iter().filter(|visit| visit.kind == VisitKind::Drift) {
        let first = |visit: &&Visit| visit.kind == VisitKind::Measure && visit.point == late.point;
        let Some(early) = capture.visits.iter().find(first) else { continue };
        if early.bits == 0 || late.bits == 0 {
            continue;
        }
        let q = late.bits as f64 / early.bits as f64;
        for (lane, (&a, &b)) in early.errors.iter().zip(&late.errors).enumerate() {
            if a.max(b) < FEWEST_ERRORS {
                continue;
            }
            let root = |count: u64| (count as f64 + 0.375).sqrt();
            let z = 2.0 * (root(b) - q.sqrt() * root(a)) / (1.0 + q).sqrt();
            let (early_ber, late_ber) = (a as f64 / early.bits as f64, b as f64 / late.bits as f64);
            checks.push(DriftCheck { point: late.point, lane: lane as u16, early_ber, late_ber, z });
        }
    }
    let largest = checks.iter().map(|check| check.z.abs()).fold(0.0, f64::max);
    let significant = checks.len() as f64 * (-largest * largest / 2.0).exp() < 0.01 && !checks.is_empty();
    Drift { checks, significant }
}
