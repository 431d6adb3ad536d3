//! Decision feedback at a DDR5 receiver: four taps, each adding a fixed voltage with the sign of an earlier decision.
//!
//! Tap values follow the register convention: a tap's value is what is added, so a positive post-cursor is cancelled by
//! a negative value. Ranges and step are parameters (defaults from memory). Earlier decisions are taken as right, which
//! is sound at the error ratios where an eye is judged.

use super::parameters::Parameters;
use super::pulse::Response;
use nightbench_core::results::Direction;

/// What the taps of a receiver can be set to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taps {
    /// Step of every tap, V.
    pub step_v: f64,
    /// Lowest and highest value of each, mV.
    ranges_mv: [(f64, f64); 4],
}

impl Taps {
    /// The controller's in a read, the DRAM's in a write.
    #[must_use]
    pub fn of(p: &Parameters, direction: Direction) -> Taps {
        let (step_mv, first, [two, three, four]) = match direction {
            Direction::Read => (
                p.ctl_dfe_step_mv,
                (p.ctl_dfe1_min_mv, p.ctl_dfe1_max_mv),
                [p.ctl_dfe2_mv, p.ctl_dfe3_mv, p.ctl_dfe4_mv],
            ),
            Direction::Write | Direction::Command => {
                (p.dfe_step_mv, (p.dfe1_min_mv, p.dfe1_max_mv), [p.dfe2_mv, p.dfe3_mv, p.dfe4_mv])
            }
        };
        Taps { step_v: step_mv * 1e-3, ranges_mv: [first, (-two, two), (-three, three), (-four, four)] }
    }
}

/// Values of the four taps in V for a bit with this response and a bit amplitude of `amplitude_v` (VDDQ/2): those in
/// range and on the step grid that come closest to cancelling post-cursors 1 to 4 at the pulse's maximum.
#[must_use]
pub fn adapt(range: &Taps, response: &Response, amplitude_v: f64) -> [f64; 4] {
    let (step, ranges) = (range.step_v, range.ranges_mv);
    let mut taps = [0.0; 4];
    for (cursor, (tap, (low_mv, high_mv))) in (1isize..).zip(taps.iter_mut().zip(ranges)) {
        let wanted = -amplitude_v * response.pulse(0, cursor);
        let (low, high) = ((low_mv * 1e-3 / step).ceil(), (high_mv * 1e-3 / step).floor());
        *tap = step * (wanted / step).round().max(low).min(high);
    }
    taps
}
