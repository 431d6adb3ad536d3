//! The fit checks of a simulated run: every fitting that has jobs to do is checked once, in parallel, before its jobs run.

use crate::console::exit::{Exit, Failure};
use crate::run::execute::Executor;
use crate::run::mounting_check::{FitReport, FitVerdict, NextStep, fit_check, next_step};
use crate::run::simulated_run::PendingJob;
use contract::{CancelToken, Driver};
use nightbench_core::faults::Fault;
use plan::Plan;
use plan::matrix::Factor;
use rayon::prelude::*;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A fitting: levels of chip, module and channel, and the number of the mounting.
pub type Fitting = (u16, u16, u16, u16);

/// The fitting of a job.
pub fn mounting_of(todo: &PendingJob) -> Fitting {
    let (chip, module, channel) = todo.condition.setup();
    (chip, module, channel, todo.job.mounting)
}

/// What the fit checks say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Checked {
    /// Fittings given up, and why.
    pub given_up: BTreeMap<Fitting, Fault>,
    /// What an operator at the bench would have been told, in the order of the run.
    pub notes: Vec<String>,
}

/// Checks every fitting of the jobs. A simulated device that does not answer is given up; one whose training fails at its slowest
/// rate is run all the same: that is a result, and no re-seat can change a simulated contact.
///
/// # Errors
/// Exit 74: threads cannot be started.
pub fn check_mountings(
    plan: &Plan,
    executor: &Executor<'_>,
    options: &SimulatedOptions,
    todo: &[PendingJob],
    threads: usize,
    cancel: &CancelToken,
) -> Result<Checked, Failure> {
    let mut order: Vec<Fitting> = Vec::new();
    let mut gentlest: BTreeMap<Fitting, &PendingJob> = BTreeMap::new();
    for one in todo {
        let fitting = mounting_of(one);
        match gentlest.get_mut(&fitting) {
            None => {
                order.push(fitting);
                gentlest.insert(fitting, one);
            }
            Some(known) if gentleness(plan, one) < gentleness(plan, known) => *known = one,
            Some(_) => {}
        }
    }
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|error| Failure::new(Exit::Store, format!("cannot start {threads} threads: {error}")))?;
    let options = Arc::new(options.clone());
    let request = executor.training_request();
    let reports: Vec<Option<FitReport>> = pool.install(|| {
        order
            .par_iter()
            .map(|fitting| {
                let one = gentlest.get(fitting)?;
                let mut driver = SimulatedTarget::new(Arc::clone(&options));
                let setting = executor.setting(&one.condition, &one.job, one.attempt);
                let report = fit_check(&mut driver, &setting, None, &request, cancel).ok();
                // A fitted device is left as it was found.
                let _ = driver.make_safe(&contract::Call::within(std::time::Duration::from_secs(10), cancel));
                report
            })
            .collect()
    });
    let mut checked = Checked::default();
    for (fitting, report) in order.iter().zip(reports) {
        let (Some(report), Some(one)) = (report, gentlest.get(fitting)) else { continue };
        if report.verdict == FitVerdict::Pass {
            continue;
        }
        let name = format!("{} on {}", one.condition.module(plan).name, one.condition.channel(plan).name);
        checked.notes.push(format!("{name}: {}", report.reasons.join("; ")));
        if report.answered {
            continue;
        }
        // The same again: a simulated fault does not go away by fitting it twice.
        if let NextStep::SkipSetup(fault) = next_step(&[report.clone(), report]) {
            checked.given_up.insert(*fitting, fault);
        }
    }
    Ok(checked)
}

/// Slowest rate first, then the temperature nearest to where hands are safe, then the first supply.
pub(crate) fn gentleness(plan: &Plan, todo: &PendingJob) -> (u64, i64, u16) {
    let condition = &todo.condition;
    let temperature = condition.temperature(plan).0;
    let away = (temperature - plan.times.nearest_touch_safe_c(temperature)).abs();
    (
        condition.rate(plan).mega_transfers().round() as u64,
        (away * 1000.0).round() as i64,
        condition.levels[Factor::Supply as usize],
    )
}
