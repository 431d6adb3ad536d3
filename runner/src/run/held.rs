//! What the jobs of a folder took.

use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::store::{Attempts, StoreReader};
use nightbench_core::results::JobTimes;
use schedule::JobSeconds;

/// A result that a folder holds: what its job took, and which attempt it was.
#[derive(Debug, Clone, Copy)]
pub struct Held {
    pub seconds: JobSeconds,
    pub attempt: u32,
}

/// The results of a folder that count, by place.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub fn held(forecast: &Forecast, reader: &StoreReader) -> Result<Vec<Option<Held>>, Failure> {
    let mut held = vec![None; forecast.jobs.len()];
    for stored in reader.jobs(Attempts::Counting) {
        let stored = stored?;
        let place = usize::try_from(stored.row.plan_position).unwrap_or(usize::MAX);
        if let Some(slot) = held.get_mut(place) {
            *slot = Some(Held { seconds: spent(stored.times), attempt: stored.attempt });
        }
    }
    Ok(held)
}

/// Measured times of a folder's jobs, by place; `None` where they are still to be done.
pub fn seconds_of(forecast: &Forecast, reader: &StoreReader) -> Result<Vec<Option<JobSeconds>>, Failure> {
    Ok(held(forecast, reader)?.into_iter().map(|one| one.map(|one| one.seconds)).collect())
}

/// What a job took.
pub fn spent(times: JobTimes) -> JobSeconds {
    JobSeconds { measuring_s: times.measuring_s, training_s: times.training_s }
}
