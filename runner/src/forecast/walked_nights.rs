//! Runs that were given hours, on the simulated target: each walked its own way out and home, and so it counts.

use crate::console::exit::Failure;
use crate::forecast::Forecast;
use plan::Plan;
use schedule::calendar::DAY_MIN;
use schedule::{JobSeconds, Minutes, Rest, Standing, Walk};

/// One such run.
#[derive(Debug, Clone, PartialEq)]
pub struct WalkedNight {
    pub begin: Standing,
    /// Places of the jobs it did, in that order.
    pub jobs: Vec<u64>,
}

impl WalkedNight {
    /// What it took until it was back where hands are safe.
    pub fn minutes(&self, forecast: &Forecast, seconds: &[Option<JobSeconds>]) -> Minutes {
        self.walk(forecast, seconds).minutes_home()
    }

    /// When the run after it begins, min.
    pub fn next_min(&self, plan: &Plan, forecast: &Forecast, seconds: &[Option<JobSeconds>]) -> f64 {
        next_begin_min(plan, self.begin.now_min, self.walk(forecast, seconds).home_min())
    }

    /// Its jobs, walked with what they took.
    pub fn walk<'f>(&self, forecast: &'f Forecast, seconds: &[Option<JobSeconds>]) -> Walk<'f> {
        let mut walk = Walk::new(&forecast.problem, self.begin, None, &forecast.calendar);
        for place in &self.jobs {
            let at = usize::try_from(*place).unwrap_or(usize::MAX);
            let job = forecast.schedule.sequence.get(at);
            if let (Some(seconds), Some(job)) = (seconds.get(at).copied().flatten(), job) {
                // It was walked when it was done.
                let _ = walk.take(*job, Some(seconds));
            }
        }
        walk
    }
}

/// When a simulated run begins after one that began and came home at these minutes: at the same hour of a later day, where hours of the
/// day matter.
pub fn next_begin_min(plan: &Plan, begin_min: f64, home_min: f64) -> f64 {
    match plan.attended {
        Some(_) => begin_min + DAY_MIN * ((home_min - begin_min) / DAY_MIN).ceil().max(1.0),
        None => home_min,
    }
}

/// Bench time of everything done: the nights as they were walked, and what other runs did in the plan's order.
///
/// # Errors
/// Exit 2: attended hours that never come.
pub fn minutes(
    nights: &[WalkedNight],
    forecast: &Forecast,
    seconds: &[Option<JobSeconds>],
) -> Result<Minutes, Failure> {
    let mut others = seconds.to_vec();
    for place in nights.iter().flat_map(|night| &night.jobs) {
        if let Some(slot) = usize::try_from(*place).ok().and_then(|at| others.get_mut(at)) {
            *slot = None;
        }
    }
    let others = forecast.observed(&others, None, Rest::InTurn, None)?.done.cost.minutes;
    Ok(nights.iter().map(|night| night.minutes(forecast, seconds)).fold(others, |sum, one| sum + one))
}
