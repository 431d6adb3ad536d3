//! What a previewed plan goes on from: its run folder, the jobs selected and those of them that are still to be done.

use super::measure::{Named, Wanted};
use crate::console::exit::Failure;
use crate::evaluate::left::uncounted;
use crate::folder::run_folder::keys_of;
use crate::forecast::Forecast;
use crate::forecast::bench_clock::BenchClock;
use crate::forecast::job_counts::JobCounts;
use crate::run::bench_run::unmeasured;
use crate::run::foreseen_hours::{AskedHours, ForeseenHours};
use crate::run::hours::{seconds_of, walked_nights};
use crate::run::known::Known;
use crate::run::pending::{PendingJob, every_job};
use crate::run::prediction::choosing::Basis;
use crate::run::prediction::foreseen::Foretold;
use crate::run::rate_search::positions;
use crate::store::{Store, StoreReader, Target};
use plan::Plan;
use schedule::Learned;
use serde_json::{Value, json};
use std::collections::HashSet;
use std::path::PathBuf;

/// A plan with its run folder, as `run` would find it.
pub struct PreviewFolder {
    dir: PathBuf,
    reader: Option<StoreReader>,
    /// Of the whole plan: it gives every job its place.
    whole: Forecast,
    all: Vec<PendingJob>,
    selected: Vec<PendingJob>,
    pending: Vec<PendingJob>,
    /// Levels that are selected, as they are written.
    levels: Vec<String>,
    /// Only conditions that have come to certain results are selected.
    by_results: bool,
}

/// What a folder holds of a plan already.
pub struct Begun {
    dir: PathBuf,
    counts: JobCounts,
    /// Bench time done and left, and the end.
    time: String,
}

impl PreviewFolder {
    /// Of a plan, narrowed by `only`.
    ///
    /// # Errors
    /// What `run` refuses: exit 2 for a plan or folder that does not fit, exit 4 where nothing is selected, exit 74 for a store that cannot
    /// be read.
    pub fn of(
        plan: &Plan,
        only: &[String],
        dir: PathBuf,
        learned: &Learned,
    ) -> Result<PreviewFolder, Failure> {
        let wanted = Wanted::read(plan, Named::only(only))?;
        let reader = if Store::exists(&dir)? { Some(Store::open_read_only(&dir)?) } else { None };
        let mut whole = Forecast::new(plan, &[])?;
        whole.learned = learned.clone();
        let target = match &reader {
            Some(reader) => reader.meta()?.target,
            None => Target::Simulated,
        };
        let all = every_job(&whole, &keys_of(plan, &target)?);
        let mut selected = wanted.select(plan, &whole, &all)?;
        let pending = match &reader {
            Some(reader) => {
                // What is foreseen rests on them.
                reader.verify()?;
                wanted.keep_results(&dir, reader, plan, &mut selected)?;
                let again = if target == Target::Simulated { HashSet::new() } else { unmeasured(reader)? };
                wanted.todo(&dir, reader, plan, &selected, &again)?.pending
            }
            None => {
                wanted.refuse_without_results(&dir)?;
                selected.clone()
            }
        };
        let (levels, by_results) = (wanted.levels(), wanted.by_results());
        Ok(PreviewFolder { dir, reader, whole, all, selected, pending, levels, by_results })
    }

    /// Is nothing of the plan left out?
    pub fn is_everything(&self) -> bool {
        self.levels.is_empty() && !self.by_results
    }

    /// The forecast of the whole plan.
    pub fn whole(&self) -> &Forecast {
        &self.whole
    }

    /// What it holds; `None` where it holds nothing.
    pub fn reader(&self) -> Option<&StoreReader> {
        self.reader.as_ref()
    }

    /// The order of what is selected.
    ///
    /// # Errors
    /// As [`Forecast::new`].
    pub fn selected_forecast(&self, plan: &Plan) -> Result<Forecast, Failure> {
        let mut forecast = match self.by_results {
            true => {
                let conditions: HashSet<_> = self.selected.iter().map(|one| one.condition.levels).collect();
                Forecast::of_conditions(plan, |one| conditions.contains(&one.levels))?
            }
            false if self.levels.is_empty() => self.whole.clone(),
            false => Forecast::new(plan, &self.levels)?,
        };
        forecast.learned = self.whole.learned.clone();
        Ok(forecast)
    }

    /// Jobs that are done already.
    pub fn done(&self) -> usize {
        self.selected.len() - self.pending.len()
    }

    /// What a run of some hours would do.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come; exit 74.
    pub fn hours<'p>(
        &'p self,
        plan: &'p Plan,
        hours: f64,
        basis: Option<&Basis<'p>>,
    ) -> Result<ForeseenHours<'p>, Failure> {
        let asked = AskedHours {
            plan,
            forecast: &self.whole,
            hours,
            all: &self.all,
            selected: &self.selected,
            pending: &self.pending,
            basis,
        };
        ForeseenHours::walk(asked, self.reader.as_ref().map(|reader| (self.dir.as_path(), reader)))
    }

    /// What is done of what was begun, and what is left; `None` where nothing was.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come; exit 74.
    pub fn begun(&self, plan: &Plan, basis: Option<&Basis<'_>>) -> Result<Option<Begun>, Failure> {
        let Some(reader) = self.reader.as_ref().filter(|_| self.done() > 0) else { return Ok(None) };
        let mut known = Known::new(plan, &self.whole.expansion);
        known.read(&self.dir, reader, &self.all)?;
        let judged = known.judged();
        // Of a selection everything that is named is done.
        let counts = match self.is_everything() {
            true => JobCounts::of(&judged, &self.whole.jobs, self.done()),
            false => JobCounts::unjudged(self.selected.len(), self.done()),
        };
        let open: HashSet<u64> = positions(&self.pending).into_iter().collect();
        let (to_do, counts): (HashSet<u64>, JobCounts) = match basis {
            Some(basis) => {
                let to_come = self.to_come(basis, reader, &known)?;
                let counts = counts.foretold(to_come.len());
                (to_come, counts)
            }
            None => (
                open.difference(&uncounted(&judged, &self.whole).into_iter().collect()).copied().collect(),
                counts,
            ),
        };
        let clock = BenchClock::of_run(
            (plan, &self.whole),
            (reader, walked_nights(reader, &self.whole)?),
            (&positions(&self.pending), &positions(&self.selected)),
        )?;
        let time = clock.only(to_do.into_iter()).words(None);
        Ok(Some(Begun { dir: self.dir.clone(), counts, time }))
    }

    /// Places of what is still to come of a plan with predictions, as far as it is known now.
    fn to_come(
        &self,
        basis: &Basis<'_>,
        reader: &StoreReader,
        known: &Known<'_>,
    ) -> Result<HashSet<u64>, Failure> {
        let seconds = seconds_of(&self.whole, reader)?;
        let foretold = Foretold::of_folder(basis, (&self.all, &self.pending), reader, (known, &seconds))?;
        Ok(foretold.rest().iter().map(|one| one.position).collect())
    }
}

impl Begun {
    /// For people.
    pub fn words(&self) -> String {
        format!("{} holds results: {}; {}", self.dir.display(), self.counts.words(), self.time)
    }

    /// For machines.
    pub fn machine(&self) -> Value {
        json!(self.counts)
    }
}
