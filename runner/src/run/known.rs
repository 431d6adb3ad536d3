//! What a run knows so far of its own results: read from the folder once, then told job by job.

use crate::console::exit::Failure;
use crate::folder::eye_summaries::{CacheUse, SummarisedFolder, each_summary, facts};
use crate::run::pending::PendingJob;
use crate::store::StoreReader;
use judge::eye_summary::JobSummary;
use judge::highest_rate::Answer;
use judge::judged::{JudgedCondition, JudgedRun};
use judge::{JobFacts, Judge};
use nightbench_core::results::JobResult;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Expansion, Job};
use std::collections::HashMap;
use std::path::Path;

/// A job as it ended; what was counted is in the summary alone.
#[derive(Debug, Clone, Copy)]
pub struct Told<'a> {
    pub job: &'a PendingJob,
    /// Its counts and trainings may have been left out.
    pub result: &'a JobResult,
    pub summary: &'a JobSummary,
}

/// The results of a run, as far as they are known.
pub struct Known<'p> {
    plan: &'p Plan,
    expansion: &'p Expansion,
    judge: Judge<'p>,
}

impl<'p> Known<'p> {
    /// Nothing is known. Nothing that is asked depends on the target.
    pub fn new(plan: &'p Plan, expansion: &'p Expansion) -> Known<'p> {
        Known { plan, expansion, judge: Judge::new(plan, expansion, true) }
    }

    /// Takes everything that a folder holds of some jobs.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn read(&mut self, dir: &Path, reader: &StoreReader, jobs: &[PendingJob]) -> Result<(), Failure> {
        let known: HashMap<[u8; 32], Job> = jobs.iter().map(|one| (one.key, one.job)).collect();
        self.judge = Judge::new(self.plan, self.expansion, true);
        let folder = SummarisedFolder {
            dir,
            reader,
            limits: &self.plan.limits,
            plan: self.plan,
            expansion: self.expansion,
            cache_use: CacheUse::Look,
        };
        let judge = &mut self.judge;
        each_summary(
            &folder,
            |stored| known.get(&stored.row.key).copied(),
            |stored, job, digest| judge.add(job, &stored.row.key, &facts(stored), digest),
        )?;
        self.judge.seal();
        Ok(())
    }

    /// Results that are replaced count no more for what is chosen: their jobs are as good as not done.
    pub fn forget_all(&mut self, jobs: &[PendingJob]) {
        jobs.iter().for_each(|one| self.forget(one));
    }

    /// Takes a job; [`Known::settle`] has to follow before anything is asked.
    pub fn hear(&mut self, told: Told<'_>) {
        let facts = JobFacts {
            position: told.job.position,
            outcome: &told.result.outcome,
            identity: &told.result.identity,
            readback: told.result.readback.as_ref(),
            times: told.result.times,
        };
        self.judge.add(&told.job.job, &told.job.key, &facts, told.summary.clone());
    }

    /// Takes a job that is at hand as a whole, and puts it in order.
    pub fn hear_whole(&mut self, one: &PendingJob, result: &JobResult) {
        self.judge.add_result(&one.job, &one.key, one.position, result);
        self.settle();
    }

    /// Puts what was heard in order.
    pub fn settle(&mut self) {
        self.judge.seal();
    }

    /// The result of a job does not count any more.
    pub fn forget(&mut self, one: &PendingJob) {
        self.judge.forget(&one.job, &one.key);
    }

    /// What a condition (index) says of its rate by its own jobs.
    pub fn answer(&self, condition: u32) -> Option<Answer> {
        self.judge.answer(condition)
    }

    /// A condition (index) by its own jobs alone; `None` where some are still to be done.
    pub fn alone(&self, condition: u32) -> Option<JudgedCondition> {
        self.judge.alone(condition)
    }

    /// What conditions say of their rates with the whole run behind them, as the page judges them.
    pub fn pooled_answers(&self, conditions: &[u32]) -> Vec<Option<Answer>> {
        self.judge.pooled_answers(conditions)
    }

    /// Everything judged by the plan's own limits.
    pub fn judged(&self) -> JudgedRun {
        self.judge.judge(&AcceptanceCriteria::of(self.plan))
    }
}
