//! How long work took on a bench against its plan, night by night, from what a run folder holds.

use super::record::{HANDS_READING, MOUNTING_CHECK_READING, StretchSeconds};
use super::remaining::observed;
use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::store::{Attempts, Reading, StoreReader, StoredJob};
use bench::{RAMP_READING, SOAK_READING};
use nightbench_core::events::Event;
use nightbench_core::results::JobOutcome;
use schedule::remaining::predicted_stretches;
use schedule::{Minutes, Night, Standing};
use std::ops::Add;

/// The jobs of one mounting, one after the other.
struct Stretch {
    mounting: u32,
    /// Of the ordering problem, each once.
    jobs: Vec<u32>,
    begun_s: f64,
    seconds: StretchSeconds,
}

/// The nights of a bench that a folder holds, each with its begin (UTC): a night is a run on the bench, from its begin to its end;
/// one without results is empty.
/// `forecast` is that of the stored plan. What was not measured, and attempts that do not count, teach nothing.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub(crate) fn nights_of(reader: &StoreReader, forecast: &Forecast) -> Result<Vec<(String, Night)>, Failure> {
    let begins: Vec<String> = reader
        .events()?
        .into_iter()
        .filter(|stored| matches!(stored.event(), Some(Event::BenchRunStarted { .. })))
        .map(|stored| stored.utc)
        .collect();
    let mut jobs: Vec<StoredJob> = reader.jobs(Attempts::Counting).collect::<Result<_, _>>()?;
    jobs.retain(|job| !matches!(job.outcome, JobOutcome::NotMeasured(_)));
    jobs.sort_by(|a, b| a.row.started_bench_s.total_cmp(&b.row.started_bench_s));
    let night_of = |job: &StoredJob| begins.iter().rposition(|begun| *begun <= job.row.started_utc);
    let between = reader.readings_between_jobs()?;
    let mut nights: Vec<(String, Night)> =
        begins.iter().map(|begun| (begun.clone(), Night::default())).collect();
    for of_night in jobs.chunk_by(|a, b| night_of(a) == night_of(b)) {
        let Some(at) = night_of(&of_night[0]) else { continue };
        nights[at].1 = night(forecast, &stretches(reader, forecast, of_night, &between)?);
    }
    Ok(nights)
}

fn stretches(
    reader: &StoreReader,
    forecast: &Forecast,
    jobs: &[StoredJob],
    between: &[Reading],
) -> Result<Vec<Stretch>, Failure> {
    let mut all: Vec<Stretch> = Vec::new();
    for stored in jobs {
        let place = usize::try_from(stored.row.plan_position).ok();
        let Some(&job) = place.and_then(|place| forecast.schedule.sequence.get(place)) else { continue };
        let Some(mounting) = forecast.problem.mounting_of(job) else { continue };
        if all.last().is_none_or(|last| last.mounting != mounting) {
            let begun_s = stored.row.started_bench_s;
            all.push(Stretch { mounting, jobs: Vec::new(), begun_s, seconds: StretchSeconds::default() });
        }
        let Some(last) = all.last_mut() else { continue };
        last.jobs.push(job);
        last.seconds.training += stored.times.training_s;
        last.seconds.measuring += stored.times.measuring_s;
        for reading in reader.readings(stored)? {
            last.seconds.took(&reading);
        }
    }
    // What lies between jobs leads to the next mounting.
    for reading in between {
        if let Some(next) = all.iter_mut().find(|stretch| stretch.begun_s >= reading.bench_s) {
            next.seconds.took(reading);
        }
    }
    Ok(all)
}

impl StretchSeconds {
    fn took(&mut self, reading: &Reading) {
        match reading.name.as_str() {
            HANDS_READING | MOUNTING_CHECK_READING => self.hands += reading.value,
            RAMP_READING => self.ramps += reading.value,
            SOAK_READING => self.soak += reading.value,
            _ => {}
        }
    }
}

fn night(forecast: &Forecast, stretches: &[Stretch]) -> Night {
    let problem = &forecast.problem;
    let mut from = Standing { now_min: 0.0, mounted: None, chamber_c: problem.bench().start_c };
    let mut night = Night::default();
    for stretch in stretches {
        let expected = predicted_stretches(problem, &stretch.jobs, from)
            .into_iter()
            .reduce(Minutes::add)
            .unwrap_or_default();
        night.observe_stretch(&expected, &observed(&expected, stretch.seconds));
        let last = stretch.jobs.last().and_then(|job| problem.temperature_of(*job));
        from =
            Standing { mounted: Some(stretch.mounting), chamber_c: last.unwrap_or(from.chamber_c), ..from };
    }
    night
}
