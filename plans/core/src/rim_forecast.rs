//! How many places the rims of some lanes' eyes are expected to take: wide interfaces differ in skew, and fast ones have small
//! eyes.
//!
//! Fitted to exact captures of invented DDR4 and DDR5 interfaces of 4 to 80 lanes, 2133 to 5600 MT/s (`cargo bench -p runner
//! --bench audit -- only hours` counts again): the logarithm of what a capture takes scatters by 0.18 about it.

/// Skew from bit to bit and from strobe to strobe, ps rms (the simulated target's estimates, drivers/simulator/MODEL.md).
const SKEW_PS: (f64, f64) = (6.0, 10.0);
/// Part of a bit time that is closed whatever the rate, ps.
const CLOSED_PS: f64 = 158.0;
/// Least part of a bit time that is taken for open.
const LEAST_OPEN: f64 = 0.1;
/// Places measured per tap and step of the sweep: of one lane, and more for each tap to either side that lanes differ.
const PLACES: (f64, f64) = (0.9, 3.78);

/// Lanes captured together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lanes {
    /// Number.
    pub lanes: usize,
    /// Lanes that share a strobe.
    pub of_a_strobe: usize,
}

/// Expected range of so many normal values, in standard deviations (d2 of control charts, ISO 7870-2; between by Blom's scores:
/// Statistical Estimates and Transformed Beta-Variables, 1958).
fn expected_range(count: usize) -> f64 {
    const OF_POWERS: [f64; 8] = [0.0, 1.128, 2.059, 2.847, 3.532, 4.13, 4.67, 5.17];
    let place = (count.max(1) as f64).log2().min((OF_POWERS.len() - 1) as f64);
    let at = (place as usize).min(OF_POWERS.len() - 2);
    OF_POWERS[at] + (place - at as f64) * (OF_POWERS[at + 1] - OF_POWERS[at])
}

/// Places measured per tap and step of a sweep of one bit time, for [`super::capture_cost::CapturePlan::rim`].
pub fn rim(lanes: Lanes, ui_ps: f64, tap_ps: f64) -> f64 {
    let strobes = lanes.lanes.div_ceil(lanes.of_a_strobe.max(1));
    let skew = (SKEW_PS.0 * expected_range(lanes.lanes)).hypot(SKEW_PS.1 * expected_range(strobes));
    let open = (1.0 - CLOSED_PS / ui_ps).max(LEAST_OPEN);
    open * (PLACES.0 + PLACES.1 * 0.5 * skew / tap_ps)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// d2 as control chart tables print it.
    #[test]
    fn ranges_are_those_of_the_tables() {
        for (count, d2) in
            [(2, 1.128), (3, 1.693), (5, 2.326), (8, 2.847), (10, 3.078), (16, 3.532), (25, 3.931)]
        {
            assert!((expected_range(count) - d2).abs() < 0.1, "{count}: {}", expected_range(count));
        }
        assert_eq!(expected_range(1), 0.0);
        assert!(expected_range(10_000).is_finite());
    }

    #[test]
    fn wide_interfaces_take_more_and_fast_ones_less() {
        let of = |lanes, ui: f64| rim(Lanes { lanes, of_a_strobe: 8 }, ui, 6.5);
        let rims: Vec<f64> = [1, 4, 8, 16, 36, 72].map(|lanes| of(lanes, 416.7)).to_vec();
        assert!(rims.windows(2).all(|two| two[0] < two[1]), "{rims:?}");
        assert!(of(8, 341.0) < of(8, 416.7));
        assert!(of(8, 100.0) > 0.0);
    }
}
