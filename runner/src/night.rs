//! Runs the jobs that are still to be done on simulated targets, in parallel, and stores them as they finish.

use crate::execute::Executor;
use crate::exit::{Exit, Failure};
use crate::progress::Progress;
use crate::run_folder::store_failure;
use crate::store::{JobRow, PackedJob, Store};
use drivers::contract::CancelToken;
use drivers::simulated::target::{SimulatedOptions, SimulatedTarget};
use plans::expand::{Condition, Job};
use plans::plan::Plan;
use plans::plan::matrix::Factor;
use plans::results::JobOutcome;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::Duration;

/// A job to be done.
#[derive(Debug, Clone, Copy)]
pub struct Todo {
    /// The job.
    pub job: Job,
    /// Its condition.
    pub condition: Condition,
    /// Its key.
    pub key: [u8; 32],
    /// Its place in the plan's order.
    pub position: u64,
}

/// A finished job on its way to the store.
struct Finished {
    packed: PackedJob,
    words: String,
}

/// What simulated jobs are run with.
pub struct Night<'p> {
    /// The plan.
    pub plan: &'p Plan,
    /// Runs one job.
    pub executor: &'p Executor<'p>,
    /// What every simulated target shares.
    pub options: SimulatedOptions,
    /// Threads.
    pub threads: usize,
}

/// Runs jobs on simulated targets and stores each result. Stops early, with what is finished stored, when a stop
/// was asked for; returns the number of jobs done.
///
/// # Errors
/// Exit 74 when results cannot be stored: the run stops then.
pub fn simulate(
    night: Night<'_>,
    todo: &[Todo],
    store: &mut Store,
    cancel: &CancelToken,
    progress: &mut Progress,
) -> Result<usize, Failure> {
    let Night { plan, executor, options, threads } = night;
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|error| Failure::new(Exit::Store, format!("cannot start {threads} threads: {error}")))?;
    let options = Arc::new(options);
    // Jobs of one condition and mounting share their physics: they stay together on one worker.
    let groups: Vec<&[Todo]> = todo
        .chunk_by(|a, b| a.job.condition == b.job.condition && a.job.mounting == b.job.mounting)
        .collect();
    let next = AtomicUsize::new(0);
    let (sender, receiver) = sync_channel::<Result<Finished, Failure>>(2 * threads);
    let mut done = 0;
    let mut outcome = Ok(());
    std::thread::scope(|scope| {
        let (pool, groups, next, options) = (&pool, &groups, &next, &options);
        scope.spawn(move || {
            pool.broadcast(|_| {
                let mut driver = SimulatedTarget::new(Arc::clone(options));
                // Groups are taken in the plan's order, so that an interrupted run has its first part whole.
                while let Some(group) = groups.get(next.fetch_add(1, Ordering::Relaxed)) {
                    for one in *group {
                        if cancel.is_cancelled() {
                            return;
                        }
                        let Ok(result) = executor.run(&mut driver, &one.job, cancel) else { return };
                        let words = match &result.outcome {
                            JobOutcome::Measured => "measured".to_string(),
                            JobOutcome::TrainingFailed => "training failed".to_string(),
                            JobOutcome::NotMeasured { reason } => format!("not measured: {reason}"),
                        };
                        let finished = PackedJob::new(&row(plan, one), &result, &[])
                            .map(|packed| Finished {
                                packed,
                                words: format!("{}: {words}", one.condition.describe(plan)),
                            })
                            .map_err(|error| store_failure(&error));
                        if sender.send(finished).is_err() {
                            return;
                        }
                    }
                }
            });
            drop(sender);
        });
        loop {
            let wait = store.commit_due_in().unwrap_or(Duration::from_secs(3600));
            let stored = match receiver.recv_timeout(wait) {
                Ok(Ok(finished)) => store.record_packed(finished.packed).map(|()| {
                    done += 1;
                    progress.job(&finished.words);
                }),
                Ok(Err(failure)) => {
                    outcome = Err(failure);
                    cancel.cancel();
                    break;
                }
                Err(RecvTimeoutError::Timeout) => store.commit(),
                Err(RecvTimeoutError::Disconnected) => break,
            };
            if let Err(error) = stored {
                outcome = Err(store_failure(&error));
                cancel.cancel();
                break;
            }
            if store.disk_is_full() {
                outcome = Err(Failure::new(
                    Exit::Store,
                    "the disk is full: what was measured is stored. Free some space and run the same command again",
                ));
                cancel.cancel();
                break;
            }
        }
        // Workers may still be sending: drain, so that none waits for ever.
        drop(receiver);
    });
    let written = store.commit().map_err(|error| store_failure(&error));
    outcome?;
    written?;
    Ok(done)
}

fn row(plan: &Plan, todo: &Todo) -> JobRow {
    let condition = &todo.condition;
    let name = |factor: Factor| plan.level_name(factor, condition.level(factor));
    JobRow {
        key: todo.key,
        plan_position: todo.position,
        chip: name(Factor::Chip),
        firmware: name(Factor::Firmware),
        module: name(Factor::Module),
        channel: name(Factor::Channel),
        rate: name(Factor::Rate),
        temperature: name(Factor::Temperature),
        supply: name(Factor::Supply),
        pattern: name(Factor::Pattern),
        rate_mts: condition.rate(plan).mega_transfers(),
        temperature_set_degc: condition.temperature(plan).0,
        mounting: u32::from(todo.job.mounting),
        repeat: u32::from(todo.job.repeat),
        start: u32::from(todo.job.start),
        // A simulated result is a function of plan and seed alone: it carries no clock.
        started_utc: String::new(),
        ended_utc: String::new(),
        started_bench_s: 0.0,
        ended_bench_s: 0.0,
    }
}
