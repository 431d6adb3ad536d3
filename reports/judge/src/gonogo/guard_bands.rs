//! Guard bands that are tried, in residual standard deviations.

use statistics::predicted_risk::Thresholds;

/// Below the limit by so many residual standard deviations a prediction is a no-go without a corner test: 2.5 rejected one good unit in 10,000.
pub(super) const NO_GO_SDS: f64 = 3.0;
/// From 0 to so many, in steps of this.
pub(super) const WIDEST_SDS: f64 = 4.0;
const STEP_SDS: f64 = 0.25;

/// Those tried.
pub(super) fn steps() -> impl Iterator<Item = f64> {
    (0..=(WIDEST_SDS / STEP_SDS).round() as usize).map(|step| step as f64 * STEP_SDS)
}

/// Thresholds of a test with this residual, and its guard bands in the metric's unit.
pub(super) fn thresholds(limit: f64, residual_sd: f64) -> (Thresholds, Vec<f64>) {
    let at = Thresholds { limit, reject_below: limit - NO_GO_SDS * residual_sd };
    (at, steps().map(|sds| sds * residual_sd).collect())
}
