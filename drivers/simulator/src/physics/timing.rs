//! Delay line and reference voltage: from tap and step numbers to instants and volts.

use super::conditions::Drifted;
use super::parameters::Parameters;
use super::variation::BitVariation;
use nightbench_core::generations::Signalling;
use std::f64::consts::TAU;

/// Integral nonlinearity of the delay line at `tap`, in taps: a slow and a fast periodic part, `inl_pp_tap` and half
/// of it peak to peak, with the bit's own phase.
#[must_use]
pub fn nonlinearity(p: &Parameters, tap: usize, phase_rad: f64) -> f64 {
    let n = tap as f64;
    0.5 * p.inl_pp_tap * (TAU * n / 19.0 + phase_rad).sin()
        + 0.25 * p.inl_pp_tap * (TAU * n / 5.3 + 2.0 * phase_rad).sin()
}

/// Sampling instants of all taps in unit intervals from the pulse's maximum:
/// (n - n_taps/2 + INL)(1 + tap_off)/taps_per_ui - (skew - drift)/UI.
#[must_use]
pub fn tap_instants_ui(
    p: &Parameters,
    drifted: &Drifted,
    bit: &BitVariation,
    unit_interval_s: f64,
) -> Vec<f64> {
    let shift_s = drifted.tap_shift_s + bit.delay_tc_s_per_k * drifted.dt_k - bit.skew_s;
    let middle = (p.taps() / 2) as f64;
    (0..p.taps())
        .map(|n| {
            (n as f64 - middle + nonlinearity(p, n, bit.inl_phase_rad)) * (1.0 + p.tap_off) / p.taps_per_ui
                + shift_s / unit_interval_s
        })
        .collect()
}

/// Decision thresholds of all reference steps in V: VDDQ (vref_lo + m vref_step) + the bit's offset.
#[must_use]
pub fn thresholds_v(p: &Parameters, vddq_v: f64, bit: &BitVariation) -> Vec<f64> {
    (0..p.vref_steps()).map(|m| vddq_v * (p.vref_lo + m as f64 * p.vref_step) + bit.offset_v).collect()
}

/// Lowest level and the middle of a line, V, from the transfer at 0 Hz. Without series losses H0 = Rtt/(Ron + Rtt).
#[must_use]
pub fn levels_v(signalling: Signalling, vddq_v: f64, h0: f64) -> (f64, f64) {
    (vddq_v * signalling.low(h0), vddq_v * signalling.middle(h0))
}
