//! Invented chips measured many times.

use crate::kept::{Kept, Measured, Numbers};
use crate::truth::{Effort, options, truths};
use contract::CancelToken;
use judge::eye_summary::{JobSummary, masks_for};
use nightbench_core::rates::DataRate;
use nightbench_core::results::{JobOutcome, JobResult};
use plan::Plan;
use plan::expand::{Job, expand, jobs};
use plan::keys::JobKeys;
use plan::selection::Selection;
use runner::run::execute::Executor;
use simulator::target::{MODEL_VERSION, SimulatedTarget};
use std::path::Path;

/// One kind of run.
pub struct Case {
    pub name: &'static str,
    /// The plan of a chip of this name.
    pub plan: fn(&str) -> String,
    pub chips: u64,
    /// Mountings drawn, each with contacts and training of its own.
    pub seeds: u64,
    /// Runs in each of them, retrained and counted anew: they share what is slow, the surfaces, and the error of re-seating.
    pub retrained: u16,
    pub effort: Effort,
}

/// Measures a chip, or takes it from the folder where it was kept.
pub fn measure(case: &Case, chip: u64, keep: Option<&Path>) -> Measured {
    let name = format!("{} {chip}", case.name);
    let plan = Plan::read(&(case.plan)(&name)).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let expansion = expand(&plan, &Selection::default());
    let file = keep.map(|keep| keep.join(format!("{name}.{}x{}.json", case.seeds, case.retrained)));
    let kept = file.as_ref().and_then(|file| std::fs::read(file).ok());
    let numbers = kept.and_then(|bytes| serde_json::from_slice::<Numbers>(&bytes).ok());
    let numbers = numbers.unwrap_or_else(|| {
        let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
        let truths = truths(&plan, &expansion, &keys, case.effort);
        let runs = (1..=case.seeds).flat_map(|seed| runs(case, &name, seed)).collect();
        let numbers = Numbers { truths, runs };
        if let Some(file) = &file {
            std::fs::write(file, serde_json::to_vec(&numbers).expect("text")).expect("written");
        }
        numbers
    });
    Measured { plan, truths: numbers.truths, runs: numbers.runs }
}

/// The runs of a mounting, each with the jobs that the plan asks for.
fn runs(case: &Case, name: &str, seed: u64) -> Vec<Vec<Kept>> {
    let mut text = (case.plan)(name);
    if case.retrained > 1 {
        text += &format!("[repeats]\nrepeats = {}\n", case.retrained);
    }
    let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let expansion = expand(&plan, &Selection::default());
    let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(&plan, &expansion, &keys);
    let mut target = SimulatedTarget::new(options(&plan, seed));
    let mut list = jobs(&plan, &expansion);
    // Jobs of one condition and mounting share their physics.
    list.sort_by_key(|job| (job.condition, job.mounting, job.repeat, job.start));
    let mut runs: Vec<Vec<Kept>> = (0..case.retrained).map(|_| Vec::new()).collect();
    for job in list {
        let condition = &expansion.conditions[job.condition as usize];
        let result = executor.run(&mut target, &job, &CancelToken::new()).expect("no stop");
        let (run, repeat) = if case.retrained > 1 { (usize::from(job.repeat), 0) } else { (0, job.repeat) };
        let job_of_run = Job { repeat, ..job };
        runs[run].push(kept(&plan, condition.rate(&plan), &job_of_run, keys.key(condition, &job), &result));
    }
    runs
}

fn kept(plan: &Plan, rate: DataRate, job: &Job, key: [u8; 32], result: &JobResult) -> Kept {
    let digest = JobSummary::of(&result.trainings, &result.captures, |capture| {
        masks_for(&plan.limits, capture.eye, &capture.grid, rate)
    });
    let readback = result.readback.as_ref().expect("a reading");
    assert!(!matches!(result.outcome, JobOutcome::NotMeasured(_)), "{:?}", result.outcome);
    Kept {
        job: (job.condition, job.mounting, job.repeat, job.start),
        key,
        measured: result.outcome == JobOutcome::Measured,
        temperature_degc: readback.temperature.0,
        rails_v: readback.rails.iter().map(|(name, volts)| (name.clone(), volts.0)).collect(),
        chip: result.identity.chip_serial.clone(),
        digest: digest.to_bytes(),
    }
}
