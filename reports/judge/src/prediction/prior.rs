//! What the channel model expects of each condition before anything is measured.

use nightbench_core::results::Direction;
use serde::{Deserialize, Serialize};

/// Size of an eye along one axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Size {
    /// Share of the unit interval (width) or of VDDQ (height); 0 where the eye is closed.
    pub share: f64,
    /// Standard deviation that half a tap (height) or half a Vref step (width) of training scatter gives it, same share.
    pub scatter: f64,
}

/// What the model expects of the narrowest eye of one condition and direction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// Index into the expansion of the whole plan.
    pub condition: u32,
    pub direction: Direction,
    pub width: Size,
    pub height: Size,
    /// Unit interval of this direction and one tap, ps.
    pub ui_ps: f64,
    pub tap_ps: f64,
    /// VDDQ and one Vref step, mV.
    pub vddq_mv: f64,
    pub step_mv: f64,
}

/// The model's answers for a plan; conditions it has no answer for are left out.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Prior {
    pub expected: Vec<Expected>,
}

/// An eye of the model, in taps and Vref steps.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct EyeSize {
    pub width_taps: f64,
    pub height_steps: f64,
    /// Standard deviation of the width from half a Vref step, and of the height from half a tap, of training scatter.
    pub width_scatter_taps: f64,
    pub height_scatter_steps: f64,
}

/// Reads an eye from error ratios, row by row (`taps` a row), at a limit; all zero where no point passes. The operating point is
/// the middle of the eye's row and column, as training leaves it.
pub fn eye_size(ratios: &[f64], taps: usize, ber_limit: f64) -> EyeSize {
    let steps = ratios.len().checked_div(taps).unwrap_or(0);
    let at = |tap: usize, step: usize| ratios[step * taps + tap];
    let best = (0..taps * steps).min_by(|a, b| ratios[*a].total_cmp(&ratios[*b]));
    let Some(best) = best.filter(|best| ratios[*best] <= ber_limit) else { return EyeSize::default() };
    let (mut tap, mut step) = (best % taps, best / taps);
    // From the point of fewest errors to the middle of its row and column, which settles at once in any eye.
    for _ in 0..4 {
        if let Some((low, high)) = run(|place| at(place, step), taps, tap, ber_limit) {
            tap = middle(low, high, taps);
        }
        if let Some((low, high)) = run(|place| at(tap, place), steps, step, ber_limit) {
            step = middle(low, high, steps);
        }
    }
    let width = |step: usize| {
        run(|place| at(place, step), taps, tap, ber_limit).map_or(0.0, |(low, high)| high - low)
    };
    let height = |tap: usize| {
        run(|place| at(tap, place), steps, step, ber_limit).map_or(0.0, |(low, high)| high - low)
    };
    // From the middle to either side: the mean square of what half a place takes off.
    let scatter = |size: &dyn Fn(usize) -> f64, place: usize, places: usize| {
        let here = size(place);
        let sides = [place.checked_sub(1), Some(place + 1).filter(|next| *next < places)];
        let squares: Vec<f64> = sides.into_iter().flatten().map(|side| (here - size(side)).powi(2)).collect();
        0.5 * (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
    };
    EyeSize {
        width_taps: width(step),
        height_steps: height(tap),
        width_scatter_taps: scatter(&width, step, steps),
        height_scatter_steps: scatter(&height, tap, taps),
    }
}

fn middle(low: f64, high: f64, places: usize) -> usize {
    ((0.5 * (low + high)).round().max(0.0) as usize).min(places - 1)
}

/// Ends of the run of passing places about one of them, each end between two places on the logarithm of the ratio; `None` where it
/// does not pass. A run that leaves the grid ends at its border.
fn run(ratio: impl Fn(usize) -> f64, places: usize, from: usize, limit: f64) -> Option<(f64, f64)> {
    let passes = |place: usize| ratio(place) <= limit;
    if !passes(from) {
        return None;
    }
    let low = (0..=from).rev().take_while(|place| passes(*place)).last().unwrap_or(from);
    let high = (from..places).take_while(|place| passes(*place)).last().unwrap_or(from);
    // The model's floor is far below any limit: a ratio of 0 is told by it.
    let decades = |place: usize| ratio(place).max(1e-40).log10();
    let part = |inside: usize, outside: usize| {
        let (a, b) = (decades(inside), decades(outside));
        if b > a { ((limit.log10() - a) / (b - a)).clamp(0.0, 1.0) } else { 0.5 }
    };
    let early = if low == 0 { 0.0 } else { low as f64 - part(low, low - 1) };
    let late = if high + 1 == places { high as f64 } else { high as f64 + part(high, high + 1) };
    Some((early, late))
}
