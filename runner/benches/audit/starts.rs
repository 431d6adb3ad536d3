//! Rows on failed starts: does the interval of their rate hold the rate over many mountings, and how often is an unchanged
//! setup called worse?

use crate::cases::bad_joint;
use crate::rows::{Claim, Row};
use crate::truth::{FIRST_SEED, options};
use contract::{Call, CancelToken, Driver};
use judge::comparison::FailureRate;
use plan::Plan;
use plan::expand::{Job, expand, jobs};
use plan::keys::JobKeys;
use plan::selection::Selection;
use runner::run::execute::Executor;
use simulator::target::{MODEL_VERSION, SimulatedTarget};
use statistics::clustered::{Cluster, permuted_rise};
use std::time::Duration;

/// Mountings and starts of each that make a run.
const RUNS: [(usize, usize); 2] = [(4, 5), (2, 10)];
/// Mountings that truth is averaged over, and starts of each.
const TRUTH: (u64, u32) = (96, 4);
/// Rates that are counted: where nothing or everything fails no interval is at stake.
const COUNTED: (f64, f64) = (0.02, 0.98);
/// Windows that training asks for, taps, and the error ratio that passes there: near what these chips have, so that some
/// starts fail.
const WINDOWS: [(u32, f64); 2] = [(16, 2e-7), (17, 2e-6)];
/// The same where one lane is behind a bad joint.
const WINDOWS_OF_A_BAD_LANE: [(u32, f64); 2] = [(15, 2e-7), (16, 2e-6)];

fn plan(chip: &str, (window, pass_ber): (u32, f64), bad: bool) -> Plan {
    let text = format!(
        "title = \"Audit\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 8\n[[chip]]\nname = \"{chip}\"\n[[module]]\n\
         name = \"module of {chip}\"\nkind = \"UDIMM\"\nrated = 3200\n[[channel]]\nname = \"risers\"\nrisers = 2\n\
         fits = [\"UDIMM\"]\n[matrix]\nrate = [2666]\n[training]\nfewest_taps = {window}\npass_ber = {pass_ber}\n\
         [[limit]]\nmetric = \"width\"\ndirection = \"read\"\nminimum = 100\nunit = \"ps\"\nsource = \"invented\"\n"
    );
    let text = if bad { bad_joint(&text) } else { text };
    Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

/// Failed starts and starts of a mounting.
struct Bench<'p> {
    executor: Executor<'p>,
    plan: &'p Plan,
    expansion: &'p plan::expand::Expansion,
    job: Job,
}

impl Bench<'_> {
    fn mounting(&self, seed: u64, mounting: u16, starts: u32) -> Cluster {
        let mut target = SimulatedTarget::new(options(self.plan, seed));
        let condition = self.expansion.conditions[self.job.condition as usize];
        let mut failed = 0;
        for start in 0..starts {
            let job = Job { mounting, start: start as u16, ..self.job };
            let call = Call::within(Duration::from_secs(100), &CancelToken::new());
            target.apply(&self.executor.setting(&condition, &job, 1), &call).expect("applied");
            let training = target.train(&self.executor.training_request(), &call).expect("a training");
            failed += u64::from(!training.passed);
        }
        (failed, u64::from(starts))
    }
}

/// The rows of one chip, `repetitions` times.
pub fn rows(chip: u64, bad: bool, repetitions: u64) -> Vec<Row> {
    let windows = if bad { WINDOWS_OF_A_BAD_LANE } else { WINDOWS };
    windows.iter().flat_map(|window| of_window(chip, *window, bad, repetitions)).collect()
}

fn of_window(chip: u64, window: (u32, f64), bad: bool, repetitions: u64) -> Vec<Row> {
    let plan = plan(&format!("starts {chip}"), window, bad);
    let expansion = expand(&plan, &Selection::default());
    let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
    let job = jobs(&plan, &expansion)[0];
    let bench =
        Bench { executor: Executor::new(&plan, &expansion, &keys), plan: &plan, expansion: &expansion, job };
    let sum = |clusters: &[Cluster]| clusters.iter().fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    // A short look first: most chips fail always or never.
    let look: Vec<Cluster> = (0..10).map(|seed| bench.mounting(FIRST_SEED - 1 - seed, 0, 2)).collect();
    if [0, 20].contains(&sum(&look).0) {
        return Vec::new();
    }
    let truth: Vec<Cluster> =
        (0..TRUTH.0).map(|seed| bench.mounting(FIRST_SEED + seed, 0, TRUTH.1)).collect();
    let (failed, starts) = sum(&truth);
    let truth = failed as f64 / starts as f64;
    if truth < COUNTED.0 || truth > COUNTED.1 {
        return Vec::new();
    }
    let mut rows = Vec::new();
    for (mountings, starts) in RUNS {
        let words = format!("{mountings} mountings of {starts}{}", if bad { ", a bad lane" } else { "" });
        let mut covered = Row::new(format!("failed starts, {words}: interval"), Claim::Share(0.95, 0.995));
        let mut alarm =
            Row::new(format!("failed starts, {words}: a rise of an unchanged setup"), Claim::AtMost(0.05));
        let mut before: Option<Vec<Cluster>> = None;
        for seed in 1..=repetitions {
            let run: Vec<Cluster> =
                (0..mountings).map(|mounting| bench.mounting(seed, mounting as u16, starts as u32)).collect();
            let rate = FailureRate::new(&run);
            covered.count(rate.lower <= truth && truth <= rate.upper);
            before = match before {
                Some(before) => {
                    let p = permuted_rise(&[(before, run)]);
                    alarm.count(p.is_some_and(|p| p <= 0.05));
                    None
                }
                None => Some(run),
            };
        }
        rows.extend([covered, alarm]);
    }
    rows
}
