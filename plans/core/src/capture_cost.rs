//! What a capture costs: the seconds of one visit, and a forecast for a whole capture.

use crate::point_rule::PointRule;
use crate::results::CaptureMode;

/// Cost of visits to points on one device.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VisitCost {
    /// Compared bits per lane and second: less than the data rate, since refresh and turnaround take their
    /// share.
    pub compared_bits_per_second: f64,
    /// Fixed time of a visit, seconds.
    pub visit_overhead_s: f64,
    /// Time a change of Vref takes to settle, seconds.
    pub vref_settle_s: f64,
}

impl VisitCost {
    /// Seconds of a visit of `bits` bits, with or without a change of Vref before it.
    pub fn seconds(&self, bits: u64, vref_changes: bool) -> f64 {
        self.visit_overhead_s
            + if vref_changes { self.vref_settle_s } else { 0.0 }
            + bits as f64 / self.compared_bits_per_second
    }

    /// Dwell of a point of `bits` bits over the visit overhead: (N / rate) / overhead. Infinite without
    /// overhead.
    pub fn dwell_ratio(&self, bits: u64) -> f64 {
        let dwell_s = bits as f64 / self.compared_bits_per_second;
        if self.visit_overhead_s > 0.0 { dwell_s / self.visit_overhead_s } else { f64::INFINITY }
    }
}

/// What a forecast needs to know of a capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CapturePlan {
    /// How the points are chosen.
    pub mode: CaptureMode,
    /// The rule that decides them.
    pub rule: PointRule,
    /// Delay taps of the sweep.
    pub taps: u16,
    /// Vref steps of the sweep.
    pub vref_steps: u16,
    /// Spread of the lanes' eyes, taps to either side; `None` takes 2 % of the sweep.
    pub lane_spread_taps: Option<f64>,
    /// Contour points per tap and step of the sweep, where more is known of the eyes than that
    /// ([`super::rim_forecast::rim`]).
    pub rim: Option<f64>,
    pub cost: VisitCost,
}

/// Expected cost of a capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CaptureForecast {
    /// Bench seconds.
    pub seconds: f64,
    pub visits: f64,
    /// Points measured at full dwell.
    pub full_dwell_points: f64,
}

/// Forecasts the cost of one eye's capture.
///
/// The eye is assumed half as wide and half as high as the sweep. One as large as the sweep takes about twice
/// as long, one half that size about half as long. With T taps, V steps, N bits of an error-free point, R
/// contour points:
/// - R = (T + V) (2 + s_tap + s_vref): a contour of length T + V, both sides of it, widened by the spread of
///   the lanes (s_tap as given, s_vref 2 % of V, each at least 1);
/// - S = (T/4 + 1) (V/4 + 1) survey points;
/// - exact: 1.2 R points at N bits; visits S + 1.9 R at long dwell, S + 1.1 R at short dwell, where 0.4 S
///   points of the survey take N bits as well;
/// - fast: the same with 0.28 R, and for the rims of the operating rows and columns 13 (1 + s_tap + s_vref) points at
///   N bits, two visits each;
/// - rows and columns: 1.8 times those of the rims, four visits each, and a look of S visits;
/// - raster: 0.35 T V points at N bits, 1.1 visits per point;
/// - Vref settles in 0.8 V rows of 8 batches (raster: V rows of 2).
///
/// The factors are fitted to the capture bench's generated eyes (within 25 % for eyes of the size assumed).
pub fn predict_seconds(plan: &CapturePlan) -> CaptureForecast {
    const SHORT_DWELL_BELOW: f64 = 8.0;
    let (taps, steps) = (f64::from(plan.taps), f64::from(plan.vref_steps));
    let clean = plan.rule.clean_bits() as f64;
    let short = plan.cost.dwell_ratio(plan.rule.clean_bits()) < SHORT_DWELL_BELOW;
    let spread = |given: Option<f64>, length: f64| given.unwrap_or(0.02 * length).max(1.0);
    let spreads = spread(plan.lane_spread_taps, taps) + spread(None, steps);
    let contour = (taps + steps) * (2.0 + spreads);
    let contour = plan.rim.map_or(contour, |rim| (taps + steps) * rim).min(taps * steps);
    let rims = 13.0 * (1.0 + spreads);
    let survey = (taps / 4.0 + 1.0) * (steps / 4.0 + 1.0);
    let closure = |contour: f64| {
        let (again, surveyed) = if short { (1.1, 0.4 * survey) } else { (1.9, 0.0) };
        (survey + again * contour, 1.2 * contour + surveyed, 6.4 * steps)
    };
    let (visits, full, settles) = match plan.mode {
        CaptureMode::Exact => closure(contour),
        CaptureMode::Fast => {
            let (visits, full, settles) = closure(0.28 * contour);
            (visits + 2.0 * rims, full + rims, settles)
        }
        CaptureMode::RowAndColumn => (survey + 4.0 * rims, 1.8 * rims, 3.0 * steps),
        CaptureMode::Raster => (1.1 * taps * steps, 0.35 * taps * steps, 2.0 * steps),
    };
    let seconds = visits * plan.cost.visit_overhead_s
        + settles * plan.cost.vref_settle_s
        + full * clean / plan.cost.compared_bits_per_second;
    CaptureForecast { seconds, visits, full_dwell_points: full }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn forecast(mode: CaptureMode, size: u16, limit: f64, lane_spread_taps: Option<f64>) -> f64 {
        let cost =
            VisitCost { compared_bits_per_second: 5e9, visit_overhead_s: 0.5e-3, vref_settle_s: 0.2e-3 };
        let rule = PointRule::sequential(limit, 0.95);
        predict_seconds(&CapturePlan {
            mode,
            rule,
            taps: size,
            vref_steps: size,
            lane_spread_taps,
            rim: None,
            cost,
        })
        .seconds
    }

    /// Seconds of the capture bench's cases "wide", "skewed +-6 taps" and "72 lanes, 128 x 128": regressions
    /// of the fit, not independent evidence.
    #[test]
    fn forecasts_agree_with_the_bench() {
        for (mode, size, limit, spread, measured) in [
            (CaptureMode::Exact, 64, 1e-9, None, 459.6),
            (CaptureMode::Fast, 64, 1e-9, None, 158.9),
            (CaptureMode::RowAndColumn, 64, 1e-9, None, 53.3),
            (CaptureMode::RowAndColumn, 64, 1e-9, Some(6.0), 104.8),
            (CaptureMode::RowAndColumn, 64, 1e-7, None, 0.73),
            (CaptureMode::Raster, 64, 1e-9, None, 1022.9),
            (CaptureMode::Exact, 64, 1e-9, Some(6.0), 854.5),
            (CaptureMode::Fast, 64, 1e-9, Some(6.0), 289.2),
            (CaptureMode::Exact, 64, 1e-8, None, 47.6),
            (CaptureMode::Exact, 64, 1e-6, None, 1.1),
            (CaptureMode::Fast, 64, 1e-8, None, 16.3),
            (CaptureMode::Fast, 64, 1e-6, None, 0.5),
            (CaptureMode::Exact, 128, 1e-9, None, 1721.0),
            (CaptureMode::Fast, 128, 1e-9, None, 529.0),
        ] {
            let ratio = forecast(mode, size, limit, spread) / measured;
            assert!((0.75..1.25).contains(&ratio), "{mode:?} {size} {limit:e}: {ratio}");
        }
    }

    #[test]
    fn dwell_uses_compared_bits_and_settling() {
        let cost = VisitCost { compared_bits_per_second: 1e9, visit_overhead_s: 1e-3, vref_settle_s: 2e-3 };
        assert!((cost.seconds(5_000_000, false) - 6e-3).abs() < 1e-12);
        assert!((cost.seconds(5_000_000, true) - 8e-3).abs() < 1e-12);
        assert!((cost.dwell_ratio(5_000_000) - 5.0).abs() < 1e-12);
    }
}
