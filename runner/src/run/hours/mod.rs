//! A run that is given hours: which jobs it does, when it has to be home, and what is noted of it.
//!
//! The choice is a function of plan, stored results and hours. On a bench the clock decides with it; a simulated run walks its own
//! bench time, job by job in the order chosen, so that a job that would not end in time is not kept whatever this computer did. A forecast
//! walks the same way, each job taking what it is expected to.

mod choice;
mod note;
mod walk;

pub use crate::run::held::{seconds_of, spent};
pub use choice::{Choice, ForHands, learnt, measuring_at, scheduled};
pub use note::{HandsNote, HoursNote, keep_as_earlier, walked_nights};
pub use walk::HoursWalk;

use plan::Plan;

/// The hours a run is given: by the command line, by its plan, or the fewer of both; `None` where neither says any.
pub fn given(plan: &Plan, asked: Option<f64>) -> Option<f64> {
    match (asked, plan.bench_limits.most_hours) {
        (Some(asked), Some(most)) => Some(asked.min(most)),
        (asked, most) => asked.or(most),
    }
}

/// Where a plan allows fewer hours than are asked for, in words.
pub fn fewer_words(plan: &Plan, asked: Option<f64>) -> Option<String> {
    let (asked, most) = (asked?, plan.bench_limits.most_hours?);
    (most < asked)
        .then(|| format!("{asked} h are asked for, and `most_hours` of the plan allows {most} h: these hold"))
}
