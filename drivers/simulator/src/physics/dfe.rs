//! Decision feedback at a DDR5 receiver: four taps, each adding a fixed voltage with the sign of an earlier decision.
//!
//! Tap values follow the register convention: a tap's value is what is added, so a positive post-cursor is cancelled by
//! a negative value. Ranges and step are parameters (defaults from memory). Earlier decisions are taken as right, which
//! is sound at the error ratios where an eye is judged.

use super::parameters::Parameters;
use super::pulse::Response;

/// Values of the four taps in V for a bit with this response and a bit amplitude of `amplitude_v` (VDDQ/2): those in
/// range and on the step grid that come closest to cancelling post-cursors 1 to 4 at the pulse's maximum.
#[must_use]
pub fn adapt(p: &Parameters, response: &Response, amplitude_v: f64) -> [f64; 4] {
    let step = p.dfe_step_mv * 1e-3;
    let ranges = [
        (p.dfe1_min_mv, p.dfe1_max_mv),
        (-p.dfe2_mv, p.dfe2_mv),
        (-p.dfe3_mv, p.dfe3_mv),
        (-p.dfe4_mv, p.dfe4_mv),
    ];
    let mut taps = [0.0; 4];
    for (cursor, (tap, (low_mv, high_mv))) in (1isize..).zip(taps.iter_mut().zip(ranges)) {
        let wanted = -amplitude_v * response.pulse(0, cursor);
        let (low, high) = ((low_mv * 1e-3 / step).ceil(), (high_mv * 1e-3 / step).floor());
        *tap = step * (wanted / step).round().max(low).min(high);
    }
    taps
}
