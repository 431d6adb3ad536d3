//! A run without the command line: the same steps as `run`, with targets and stores that a test may spoil.

use contract::{CancelToken, Driver};
use nightbench_core::results::JobResult;
use plan::keys::JobKeys;
use runner::console::exit::Failure;
use runner::console::terminal::Terminal;
use runner::folder::run_folder::open_for;
use runner::forecast::Forecast;
use runner::inputs::plan_file::PlanFile;
use runner::run::execute::Executor;
use runner::run::pending::PendingJob;
use runner::run::progress::Progress;
use runner::run::simulated_run::{Night, simulate};
use runner::store::{Attempts, JobKey, Store};
use simulator::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// Seed of every run of the rig.
pub const SEED: u64 = 7;

/// A plan with its order.
pub struct Rig {
    pub file: PlanFile,
    /// Its jobs in order.
    pub forecast: Forecast,
    /// What simulated targets share.
    pub options: Arc<SimulatedOptions>,
}

/// What a run did.
pub struct Sitting<'a> {
    pub threads: usize,
    /// Opens a target.
    pub open: &'a (dyn Fn() -> Box<dyn Driver> + Sync),
    /// Asks for a stop.
    pub cancel: &'a CancelToken,
    /// Spoils the store before the first job.
    pub spoil: &'a dyn Fn(&mut Store),
}

impl Rig {
    /// For a plan.
    pub fn new(text: &str) -> Rig {
        let file = PlanFile::from_text(text.to_string(), "plan of a test", false).expect("a sound plan");
        let forecast = Forecast::new(&file.plan, &[]).expect("an order");
        let options = Arc::new(SimulatedOptions {
            interface: file.plan.interface.clone(),
            model: file.plan.model.clone(),
            directions: file.plan.capture.directions.clone(),
            measured: BTreeMap::new(),
            seed: SEED,
        });
        Rig { file, forecast, options }
    }

    /// A faultless target.
    pub fn target(&self) -> SimulatedTarget {
        SimulatedTarget::new(Arc::clone(&self.options))
    }

    /// Every job, first attempts.
    pub fn jobs(&self) -> Vec<PendingJob> {
        let keys = JobKeys::new(&self.file.plan, MODEL_VERSION).expect("finite numbers");
        (0..)
            .zip(&self.forecast.jobs)
            .map(|(position, job)| {
                let condition = self.forecast.expansion.conditions[job.condition as usize];
                PendingJob { job: *job, condition, key: keys.key(&condition, job), position, attempt: 1 }
            })
            .collect()
    }

    /// Begins or continues the run in a folder; the number of jobs done now.
    pub fn sit(&self, dir: &Path, sitting: &Sitting<'_>) -> Result<usize, Failure> {
        let plan = &self.file.plan;
        let keys = JobKeys::new(plan, MODEL_VERSION).expect("finite numbers");
        let executor = Executor::new(plan, &self.forecast.expansion, &keys);
        let mut store = open_for(dir, &self.file, SEED)?;
        let done = store.reader().done_keys().expect("a readable store");
        let pending: Vec<PendingJob> =
            self.jobs().into_iter().filter(|pending| !done.contains(&pending.key)).collect();
        (sitting.spoil)(&mut store);
        // "Animated" off a terminal shows nothing at all.
        let quiet = Terminal { colour_out: false, colour_err: false, animated: true };
        let mut progress = Progress::new(quiet, 0, pending.len());
        let night = Night { dir, plan, executor: &executor, open: sitting.open, threads: sitting.threads };
        let count = simulate(night, &pending, &mut store, sitting.cancel, &mut progress)?;
        store.close().expect("a store that can be closed");
        Ok(count)
    }

    /// One faultless run from beginning to end, or to the end of one that was cut.
    pub fn finish(&self, dir: &Path) -> usize {
        let open = || -> Box<dyn Driver> { Box::new(self.target()) };
        let sitting = Sitting { threads: 2, open: &open, cancel: &CancelToken::new(), spoil: &|_| {} };
        self.sit(dir, &sitting).unwrap_or_else(|failure| panic!("{failure}"))
    }
}

/// Every attempt in a folder, in order, with everything it left behind.
pub fn contents(dir: &Path) -> Vec<(JobKey, u32, bool, JobResult)> {
    let reader = Store::open_read_only(dir).expect("a store");
    reader.check().expect("an undamaged store");
    reader
        .jobs(Attempts::All)
        .map(|stored| {
            let stored = stored.expect("a readable job");
            let result = reader.result(&stored).expect("a whole result");
            (stored.row.key, stored.attempt, stored.superseded.is_none(), result)
        })
        .collect()
}

/// A plan whose jobs take a millisecond each: eight lanes on the coarsest grid.
pub const TINY: &str = r#"
title = "Tiny"

[interface]
generation = "DDR4"
lanes = 8

[interface.read]
taps = 16
taps_per_ui = 8
vref_steps = 10
vref_start_percent = 50.0
vref_step_percent = 4.0

[[module]]
name = "Amber"
kind = "UDIMM"
rated = 2666

[[channel]]
name = "direct"
fits = ["UDIMM"]

[matrix]
rate = [2133, 2400]
temperature_degc = [25, 60]

[training]
fewest_taps = 1
fewest_steps = 1

[capture]
mode = "raster"
ber_limit = 1e-3

[repeats]
repeats = 3

[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"
"#;
