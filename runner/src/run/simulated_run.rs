//! Runs the jobs that are still to be done on simulated targets, in parallel, and stores them as they finish.

use crate::console::exit::{Exit, Failure};
use crate::folder::eye_summaries::{SummaryCache, SummaryDigest, packed as packed_summary};
use crate::run::execute::Executor;
use crate::run::known::Told;
use crate::run::pending::PendingJob;
use crate::run::progress::Progress;
use crate::store::{PackedJob, Store, StoreError};
use contract::{Call, CancelToken, Driver};
use judge::eye_summary::{JobSummary, masks_for};
use nightbench_core::faults::{Fault, FaultKind};
use nightbench_core::results::{JobOutcome, JobResult, JobTimes};
use plan::Plan;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::Duration;

/// A finished job on its way to the store.
struct Finished {
    packed: PackedJob,
    packed_summary: (Vec<u8>, SummaryDigest),
    summary: JobSummary,
    job: PendingJob,
    /// Its place among the jobs of this run.
    place: usize,
    /// Without trainings and captures: they are packed.
    result: JobResult,
    words: String,
}

/// What becomes of a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    Yes,
    /// It is left as if it had not been begun.
    No,
    /// Neither it nor anything after it.
    NoMore,
}

/// Who hears of each result before it is stored.
pub struct Hearer<'a> {
    /// Results are heard, and stored, in the order of the jobs.
    pub in_order: bool,
    pub hear: &'a mut dyn FnMut(Told<'_>) -> Kept,
}

/// Finished jobs a thread may have waiting for the store: enough to measure on while a transaction is written, few
/// enough for memory (a job takes up to some 100 kB).
const WAITING_A_THREAD: usize = 32;
/// Longest a target may take to become safe.
const SAFE_LIMIT: Duration = Duration::from_secs(30);
/// How often a target is asked to become safe before a person must see to it.
const SAFE_ATTEMPTS: usize = 3;

/// A driver that is made safe whichever way its worker ends, a panic included.
struct MadeSafe<'a> {
    driver: Box<dyn Driver>,
    failed: &'a Mutex<Option<String>>,
}

impl Drop for MadeSafe<'_> {
    fn drop(&mut self) {
        let mut last = None;
        for _ in 0..SAFE_ATTEMPTS {
            // A token of its own: a run that was cancelled must be made safe all the same.
            match self.driver.make_safe(&Call::within(SAFE_LIMIT, &CancelToken::new())) {
                Ok(()) => return,
                Err(error) => last = Some(error.to_string()),
            }
        }
        let mut failed = self.failed.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if failed.is_none() {
            *failed = last;
        }
    }
}

/// What jobs are run with.
#[derive(Clone, Copy)]
pub struct Night<'p> {
    /// The run folder.
    pub dir: &'p Path,
    pub plan: &'p Plan,
    /// Runs one job.
    pub executor: &'p Executor<'p>,
    /// Opens a target; each thread has its own.
    pub open: &'p (dyn Fn() -> Box<dyn Driver> + Sync),
    pub threads: usize,
}

/// Runs jobs on targets, one a thread, and stores each result. Stops early, with what is finished stored, when a
/// stop was asked for; returns the number of jobs done. Every target is made safe at the end.
///
/// # Errors
/// Exit 74 when results cannot be stored: the run stops then. Exit 6, above all others, when a target could not be
/// made safe.
pub fn simulate(
    night: Night<'_>,
    pending: &[PendingJob],
    store: &mut Store,
    cancel: &CancelToken,
    progress: &mut Progress,
) -> Result<usize, Failure> {
    let hearer = Hearer { in_order: false, hear: &mut |_| Kept::Yes };
    simulate_heard(night, pending, store, cancel, progress, hearer)
}

/// As [`simulate`], with somebody who hears of each result and may drop it.
///
/// # Errors
/// As [`simulate`].
pub fn simulate_heard(
    night: Night<'_>,
    pending: &[PendingJob],
    store: &mut Store,
    cancel: &CancelToken,
    progress: &mut Progress,
    hearer: Hearer<'_>,
) -> Result<usize, Failure> {
    let Night { dir, plan, executor, open, threads } = night;
    let mut summaries = SummaryCache::open(dir);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|error| Failure::new(Exit::Store, format!("cannot start {threads} threads: {error}")))?;
    let unsafe_now = Mutex::new(None);
    // Jobs of one condition and mounting share their physics: they stay together on one worker.
    let places: Vec<(usize, &PendingJob)> = pending.iter().enumerate().collect();
    let groups: Vec<&[(usize, &PendingJob)]> = places
        .chunk_by(|(_, a), (_, b)| a.job.condition == b.job.condition && a.job.mounting == b.job.mounting)
        .collect();
    let next = AtomicUsize::new(0);
    let enough = AtomicBool::new(false);
    // Results that came before their turn.
    let mut early: BTreeMap<usize, Finished> = BTreeMap::new();
    let mut turn = 0;
    let (sender, receiver) = sync_channel::<Result<Finished, Failure>>(WAITING_A_THREAD * threads);
    let mut done = 0;
    let mut outcome = Ok(());
    let mut panicked = None;
    std::thread::scope(|scope| {
        let (pool, groups, next, unsafe_now, enough) = (&pool, &groups, &next, &unsafe_now, &enough);
        let workers = scope.spawn(move || {
            pool.broadcast(|_| {
                let mut target = MadeSafe { driver: open(), failed: unsafe_now };
                // Groups are taken in the plan's order, so that an interrupted run has its first part whole.
                while let Some(group) = groups.get(next.fetch_add(1, Ordering::Relaxed)) {
                    for (place, one) in *group {
                        if cancel.is_cancelled() || enough.load(Ordering::Relaxed) {
                            return;
                        }
                        let driver = target.driver.as_mut();
                        let Ok(result) = executor.run_attempt(driver, &one.job, one.attempt, cancel) else {
                            return;
                        };
                        if sender.send(finished(plan, *place, one, result)).is_err() {
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
                Ok(Ok(finished)) => {
                    if !hearer.in_order {
                        turn = finished.place;
                    }
                    early.insert(finished.place, finished);
                    let mut stored = Ok(());
                    while let Some(finished) = early.remove(&turn)
                        && stored.is_ok()
                        && !enough.load(Ordering::Relaxed)
                    {
                        turn += 1;
                        let Finished { packed, packed_summary, summary, job, result, words, .. } = finished;
                        let told = Told { job: &job, result: &result, summary: &summary };
                        match (hearer.hear)(told) {
                            Kept::Yes => {}
                            Kept::No => continue,
                            Kept::NoMore => {
                                enough.store(true, Ordering::Relaxed);
                                break;
                            }
                        }
                        stored = store.record_packed(packed).map(|()| {
                            summaries.add(&packed_summary.0, &packed_summary.1);
                            done += 1;
                            progress.job(&words);
                            progress.took(job.position, &result.outcome, result.times, None);
                        });
                    }
                    stored
                }
                Ok(Err(failure)) => {
                    outcome = Err(failure);
                    cancel.cancel();
                    break;
                }
                Err(RecvTimeoutError::Timeout) => store.commit(),
                Err(RecvTimeoutError::Disconnected) => break,
            };
            if let Err(error) = stored {
                outcome = Err(error.into());
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
        panicked = workers.join().err();
    });
    let written = store.commit().map_err(Failure::from);
    if let Some(words) = unsafe_now.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner) {
        return Err(Failure::new(
            Exit::NotSafe,
            format!(
                "a target could not be made safe: {words}. Switch it off by hand before anything is touched"
            ),
        ));
    }
    if let Some(panic) = panicked {
        // A fault of the program: what is finished is stored and every target safe; now it may show.
        std::panic::resume_unwind(panic);
    }
    outcome?;
    written?;
    Ok(done)
}

/// A result packed for the store. One that contradicts itself (counts above the bits, numbers that are not finite)
/// is a fault of its target: the job is not measured and the night goes on.
fn finished(
    plan: &Plan,
    place: usize,
    pending: &PendingJob,
    mut result: JobResult,
) -> Result<Finished, Failure> {
    let row = pending.row(plan);
    let packed = match PackedJob::new(&row, &result, &[]) {
        Err(error @ (StoreError::Value { .. } | StoreError::Packing { .. })) => {
            result = JobResult {
                outcome: JobOutcome::NotMeasured(Fault::new(FaultKind::ImpossibleAnswer, error.to_string())),
                readback: None,
                trainings: Vec::new(),
                captures: Vec::new(),
                times: JobTimes::default(),
                ..result
            };
            PackedJob::new(&row, &result, &[])
        }
        other => other,
    }?;
    let rate = pending.condition.rate(plan);
    let summary = JobSummary::of(&result.trainings, &result.captures, |capture| {
        masks_for(&plan.limits, capture.eye, &capture.grid, rate)
    });
    let packed_summary = packed_summary(&summary);
    let words = format!("{}: {}", pending.condition.describe(plan), result.outcome);
    result.trainings = Vec::new();
    result.captures = Vec::new();
    Ok(Finished {
        packed: packed.with_summary(packed_summary.1),
        packed_summary,
        summary,
        job: *pending,
        place,
        result,
        words,
    })
}
