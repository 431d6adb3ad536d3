//! What a plan's captures would take in exact and fast mode at each bit error ratio limit, and which of them a night can hold.

use crate::console::exit::Failure;
use crate::forecast::{Expected, Forecast};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::CaptureMode;
use plan::Plan;
use schedule::{JobSeconds, Rest, Scheduled};

/// Limits shown beside the plan's own.
const LIMITS: [f64; 4] = [1e-6, 1e-7, 1e-8, 1e-9];

/// One way to capture and what the plan would take with it, in the plan's order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CaptureHours {
    /// How points are chosen.
    pub mode: CaptureMode,
    /// Bit error ratio limit of a point.
    pub ber_limit: f64,
    /// Capturing alone, hours.
    pub measuring_h: f64,
    /// Everything but waiting for attended hours, hours.
    pub work_h: f64,
    /// Longest stretch between two hands-on moments, hours.
    pub longest_hands_free_h: f64,
    /// This is what the plan asks for.
    pub planned: bool,
}

impl CaptureHours {
    /// Whether every stretch between hands fits into a night of so many minutes.
    pub fn fits(&self, night_min: f64) -> bool {
        self.longest_hands_free_h * 60.0 <= night_min
    }
}

/// Every way to capture, exact first, in the order of the limits.
///
/// # Errors
/// Exit 2: attended hours that never come.
pub fn capture_hours(plan: &Plan, forecast: &Forecast) -> Result<Vec<CaptureHours>, Failure> {
    let mut limits = LIMITS.to_vec();
    if !limits.iter().any(|limit| same(*limit, plan.capture.ber_limit)) {
        limits.push(plan.capture.ber_limit);
        limits.sort_by(|a, b| b.total_cmp(a));
    }
    let mut modes = vec![CaptureMode::Exact, CaptureMode::Fast, CaptureMode::RowAndColumn];
    if plan.capture.mode == CaptureMode::Raster {
        modes.push(CaptureMode::Raster);
    }
    let mut rows = Vec::new();
    for mode in modes {
        for limit in &limits {
            let planned = mode == plan.capture.mode && same(*limit, plan.capture.ber_limit);
            if mode == CaptureMode::Raster && !planned {
                continue;
            }
            let rule = if planned {
                plan.capture.rule
            } else {
                PointRule::sequential(*limit, plan.capture.confidence)
            };
            let expected = Expected::with_capture(plan, mode, rule);
            let seconds: Vec<Option<JobSeconds>> = (0..forecast.jobs.len())
                .map(|position| {
                    let times = expected.of(forecast.condition(position));
                    Some(JobSeconds { measuring_s: times.measuring_s, training_s: times.training_s })
                })
                .collect();
            let done = forecast.observed(&seconds, None, Rest::InTurn, None)?.done;
            rows.push(CaptureHours {
                mode,
                ber_limit: *limit,
                measuring_h: done.cost.minutes.measuring / 60.0,
                work_h: (done.cost.minutes.total() - done.cost.minutes.waiting) / 60.0,
                longest_hands_free_h: longest_hands_free_min(&done) / 60.0,
                planned,
            });
        }
    }
    Ok(rows)
}

/// Longest time between an operator's leaving and the next call for hands (or the end), min.
pub fn longest_hands_free_min(schedule: &Scheduled) -> f64 {
    schedule.moments.iter().map(|moment| moment.hands_free_until_min - moment.leave_min).fold(0.0, f64::max)
}

fn same(a: f64, b: f64) -> bool {
    (a / b - 1.0).abs() < 1e-9
}
