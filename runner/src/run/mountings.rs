//! The mounting checks of a simulated run: every mounting that has jobs to do is checked once, in parallel, before its jobs run.

use crate::console::exit::{Exit, Failure};
use crate::run::execute::{Executor, NO_LIMIT};
use crate::run::mounting_check::{MountingReport, NextStep, check_mounting, next_step};
use crate::run::pending::{MountingId, PendingJob};
use contract::{CancelToken, Driver};
use nightbench_core::events::CheckVerdict;
use nightbench_core::faults::Fault;
use plan::Plan;
use rayon::prelude::*;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What the mounting checks say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Checked {
    /// Mountings given up, and why.
    pub given_up: BTreeMap<MountingId, Fault>,
    /// What an operator at the bench would have been told, in the order of the run.
    pub notes: Vec<String>,
}

/// Checks every mounting of the jobs. A simulated device that does not answer is given up; one whose training fails at its slowest
/// rate is run all the same: that is a result, and no re-seat can change a simulated contact.
///
/// # Errors
/// Exit 74: threads cannot be started.
pub fn check_mountings(
    plan: &Plan,
    executor: &Executor<'_>,
    options: &SimulatedOptions,
    pending: &[PendingJob],
    threads: usize,
    cancel: &CancelToken,
) -> Result<Checked, Failure> {
    let mut order: Vec<MountingId> = Vec::new();
    let mut gentlest: BTreeMap<MountingId, &PendingJob> = BTreeMap::new();
    for one in pending {
        let mounting = one.mounting();
        match gentlest.get_mut(&mounting) {
            None => {
                order.push(mounting);
                gentlest.insert(mounting, one);
            }
            Some(known) if one.gentleness(plan) < known.gentleness(plan) => *known = one,
            Some(_) => {}
        }
    }
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|error| Failure::new(Exit::Store, format!("cannot start {threads} threads: {error}")))?;
    let options = Arc::new(options.clone());
    let request = executor.training_request();
    let reports: Vec<Option<MountingReport>> = pool.install(|| {
        order
            .par_iter()
            .map(|mounting| {
                let one = gentlest.get(mounting)?;
                let mut driver = SimulatedTarget::new(Arc::clone(&options));
                let setting = executor.setting(&one.condition, &one.job, one.attempt);
                let report = check_mounting(&mut driver, &setting, None, &request, NO_LIMIT, cancel).ok();
                // A fitted device is left as it was found.
                let _ = driver.make_safe(&contract::Call::within(std::time::Duration::from_secs(10), cancel));
                report
            })
            .collect()
    });
    let mut checked = Checked::default();
    for (mounting, report) in order.iter().zip(reports) {
        let (Some(report), Some(one)) = (report, gentlest.get(mounting)) else { continue };
        if report.verdict == CheckVerdict::Pass {
            continue;
        }
        let name = format!("{} on {}", one.condition.module(plan).name, one.condition.channel(plan).name);
        checked.notes.push(format!("{name}: {}", report.reasons.join("; ")));
        if report.answered {
            continue;
        }
        // The same again: a simulated fault does not go away by a re-seat.
        if let NextStep::SkipSetup(fault) = next_step(&[report.clone(), report]) {
            checked.given_up.insert(*mounting, fault);
        }
    }
    Ok(checked)
}
