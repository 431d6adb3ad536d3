//! The extra jobs of a run folder, found by the condition that they explain.

use crate::console::exit::{Exit, Failure};
use crate::folder::run_folder::{EXTRA_JOBS, keys_of, open_whole};
use crate::inputs::plan_file::PlanFile;
use crate::run::execute::Executor;
use crate::store::{JobKey, Store, StoreReader, hex};
use contract::Setting;
use nightbench_core::results::Capture;
use plan::Plan;
use plan::diagnosis::lower_rate;
use plan::expand::{Condition, Expansion, Job, expand, jobs};
use plan::matrix::Factor;
use plan::selection::Selection;
use std::path::Path;

/// What tells extra jobs of a condition from one another.
const OWN: [Factor; 2] = [Factor::Rate, Factor::Pattern];

/// The folder of a run's extra jobs.
pub struct ExtraJobs {
    reader: StoreReader,
    file: PlanFile,
    expansion: Expansion,
}

/// One extra job of a condition.
pub struct ExtraJob {
    /// Digest of what it measured.
    pub counts: String,
    pub setting: Setting,
    pub captures: Vec<Capture>,
}

impl ExtraJobs {
    /// Those of a run folder; `None` where none were measured.
    ///
    /// # Errors
    /// Exit 74: they cannot be read, or were changed.
    pub fn open(dir: &Path) -> Result<Option<ExtraJobs>, Failure> {
        let dir = dir.join(EXTRA_JOBS);
        if !Store::exists(&dir)? {
            return Ok(None);
        }
        let reader = open_whole(&dir)?;
        let text = reader.meta()?.plan_text;
        let file = PlanFile::from_text(text, &format!("plan stored in {}", dir.display()), false)
            .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
        let expansion = expand(&file.plan, &Selection::default());
        Ok(Some(ExtraJobs { reader, file, expansion }))
    }

    /// The extra jobs of a plan's condition that were measured, in the order of their keys: the same in a folder that holds those of other
    /// conditions as well.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn of(&self, plan: &Plan, condition: &Condition) -> Result<Vec<ExtraJob>, Failure> {
        let target = self.reader.meta()?.target;
        let (own, base) = (keys_of(&self.file.plan, &target)?, keys_of(plan, &target)?);
        let executor = Executor::new(&self.file.plan, &self.expansion, &own);
        let text = base.condition_text(condition, &OWN);
        let mut wanted = Vec::new();
        for job in jobs(&self.file.plan, &self.expansion) {
            let extra = &self.expansion.conditions[job.condition as usize];
            if own.condition_text(extra, &OWN) == text && self.explains(extra, plan, condition) {
                wanted.push((own.key(extra, &job), extra, job));
            }
        }
        wanted.sort_unstable_by_key(|(key, ..)| *key);
        let mut found = Vec::new();
        for (key, extra, job) in wanted {
            found.extend(self.read(key, &executor, extra, &job)?);
        }
        Ok(found)
    }

    /// The condition's own pattern at its lower rate, or another pattern at its own rate.
    fn explains(&self, extra: &Condition, plan: &Plan, base: &Condition) -> bool {
        let (rate, pattern) = (extra.rate(&self.file.plan), extra.pattern(&self.file.plan));
        match pattern == base.pattern(plan) {
            true => lower_rate(base.rate(plan)) == Some(rate),
            false => {
                rate == base.rate(plan)
                    && self.file.plan.training.pattern.as_ref() == Some(base.pattern(plan))
            }
        }
    }

    fn read(
        &self,
        key: JobKey,
        executor: &Executor<'_>,
        condition: &Condition,
        job: &Job,
    ) -> Result<Option<ExtraJob>, Failure> {
        let Some(stored) = self.reader.job(&key)? else { return Ok(None) };
        let damaged = |words: String| {
            Failure::new(Exit::Store, format!("extra job {} in the store is damaged: {words}", hex(&key)))
        };
        let captures = self.reader.counts(&stored)?.captures().map_err(damaged)?;
        let setting = executor.setting(condition, job, 1);
        let counts = hex(&stored.content_sha256);
        Ok((!captures.is_empty()).then_some(ExtraJob { counts, setting, captures }))
    }

    /// Digests of everything measured.
    ///
    /// # Errors
    /// As [`ExtraJobs::of`].
    pub fn digests(&self) -> Result<Vec<String>, Failure> {
        let target = self.reader.meta()?.target;
        let keys = keys_of(&self.file.plan, &target)?;
        let mut digests = Vec::new();
        for job in jobs(&self.file.plan, &self.expansion) {
            let key = keys.key(&self.expansion.conditions[job.condition as usize], &job);
            digests.extend(self.reader.job(&key)?.map(|stored| hex(&stored.content_sha256)));
        }
        Ok(digests)
    }
}
