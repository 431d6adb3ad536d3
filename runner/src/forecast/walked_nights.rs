//! Runs that were given hours, on the simulated target: each walked its own way out and home, and so it counts.

use crate::console::exit::Failure;
use crate::forecast::Forecast;
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
        let mut walk = Walk::new(&forecast.problem, self.begin, None, &forecast.calendar);
        for place in &self.jobs {
            let at = usize::try_from(*place).unwrap_or(usize::MAX);
            let job = forecast.schedule.sequence.get(at);
            if let (Some(seconds), Some(job)) = (seconds.get(at).copied().flatten(), job) {
                // It was walked when it was done.
                let _ = walk.take(*job, Some(seconds));
            }
        }
        walk.minutes_home()
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
