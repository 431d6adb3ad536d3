//! Sampling jitter: two-point duty-cycle distortion, uniform bounded jitter and Gaussian random jitter, as weights on a
//! grid of 1/256 unit interval.

use super::gauss::normal_plus_uniform_tail;

/// Grid points in a unit interval.
pub const GRID_PER_UI: usize = 256;
/// Random jitter is cut at this many deviations.
const CUT_SD: f64 = 9.0;

/// The same when only every second bit is compared: the duty cycle moves all of them by `shift_s`.
fn one_parity(unit_interval_s: f64, rj_s: f64, shift_s: f64, dj_s: f64) -> Vec<f64> {
    let step = unit_interval_s / GRID_PER_UI as f64;
    let reach = shift_s.abs() + 0.5 * dj_s + CUT_SD * rj_s;
    let half = ((reach / step).ceil() as isize).clamp(1, GRID_PER_UI as isize);
    let tail = |t: f64| normal_plus_uniform_tail(t - shift_s, rj_s, 0.5 * dj_s);
    let mut out: Vec<f64> = (-half..=half)
        .map(|j| (tail((j as f64 - 0.5) * step) - tail((j as f64 + 0.5) * step)).max(0.0))
        .collect();
    let total: f64 = out.iter().sum();
    // What lies beyond the cut is next to nothing; the weights add up to 1.
    out.iter_mut().for_each(|weight| *weight /= total);
    out
}

/// Exact probability of each grid bin, centred on zero and symmetric; odd length, sum 1. `compared` is 0 where all bits are
/// compared, else +1 or -1: the even or the odd ones only.
///
/// The distribution is half-half delta(+-dcd/2) * uniform(dj wide) * Gaussian(rj); the mass of bin j is the difference of
/// its distribution function at (j +- 1/2) grid steps, taken from the nearer tail.
#[must_use]
pub fn weights(unit_interval_s: f64, rj_s: f64, dcd_s: f64, dj_s: f64, compared: f64) -> Vec<f64> {
    if compared != 0.0 {
        return one_parity(unit_interval_s, rj_s, 0.5 * dcd_s * compared, dj_s);
    }
    let step = unit_interval_s / GRID_PER_UI as f64;
    let reach = 0.5 * (dcd_s + dj_s) + CUT_SD * rj_s;
    // Beyond one unit interval the error ratio is flat at one half; longer weights would change nothing.
    let half = ((reach / step).ceil() as usize).clamp(1, GRID_PER_UI);
    let tail = |t: f64| {
        0.5 * (normal_plus_uniform_tail(t - 0.5 * dcd_s, rj_s, 0.5 * dj_s)
            + normal_plus_uniform_tail(t + 0.5 * dcd_s, rj_s, 0.5 * dj_s))
    };
    let edges: Vec<f64> = (0..=half).map(|j| tail((j as f64 + 0.5) * step)).collect();
    let mut upper: Vec<f64> = edges.windows(2).map(|pair| (pair[0] - pair[1]).max(0.0)).collect();
    // What lies beyond the last bin belongs to it, so that the weights add up to 1.
    if let (Some(last), Some(rest)) = (upper.last_mut(), edges.last()) {
        *last += rest;
    }
    let centre = (1.0 - 2.0 * edges.first().copied().unwrap_or(0.0)).max(0.0);
    let mut out: Vec<f64> = upper.iter().rev().copied().collect();
    out.push(centre);
    out.extend(upper);
    out
}
