//! Which jobs of the plan are measured now: what is selected, what is done already, what is asked for again.

use crate::cli::RunArguments;
use crate::console::exit::{Exit, Failure};
use crate::evaluate::by_result::{self, Known};
use crate::forecast::Forecast;
use crate::forecast::shard::{Shard, split};
use crate::run::pending::PendingJob;
use crate::run::remeasure::{Choice, Held, Request, choose};
use crate::store::{JobKey, StoreReader};
use plan::Plan;
use plan::selection::Selection;
use std::collections::HashSet;
use std::path::Path;

/// What the command line names.
#[derive(Clone, Copy)]
pub struct Named<'a> {
    only: &'a [String],
    again: &'a [String],
    reason: Option<&'a str>,
    shard: Option<Shard>,
}

impl<'a> Named<'a> {
    /// A selection, and nothing else.
    pub fn only(only: &'a [String]) -> Named<'a> {
        Named { only, again: &[], reason: None, shard: None }
    }
}

impl<'a> From<&'a RunArguments> for Named<'a> {
    fn from(arguments: &'a RunArguments) -> Named<'a> {
        Named {
            only: &arguments.only.only,
            again: &arguments.again,
            reason: arguments.reason.as_deref(),
            shard: arguments.shard,
        }
    }
}

/// What the command line asks for.
pub struct Wanted<'a> {
    named: Named<'a>,
    /// The levels of `--only`.
    pub selection: Selection,
    /// The results of `--only`.
    only_results: Vec<Known>,
    again: Selection,
    again_results: Vec<Known>,
}

/// The jobs that are measured now.
pub struct Todo {
    pub pending: Vec<PendingJob>,
    /// Keys of those whose results take the place of results that count, and why.
    pub replacing: Option<(Vec<JobKey>, String)>,
    /// An earlier request to measure again goes on.
    pub continued: bool,
}

impl<'a> Wanted<'a> {
    /// # Errors
    /// Exit 2 for words that the plan does not know.
    pub fn read(plan: &Plan, named: Named<'a>) -> Result<Wanted<'a>, Failure> {
        let (only_results, only_levels) = by_result::part(named.only)?;
        let (again_results, again_levels) = by_result::part(named.again)?;
        Ok(Wanted {
            named,
            selection: Selection::read(plan, &only_levels).map_err(Failure::invalid)?,
            only_results,
            again: Selection::read(plan, &again_levels).map_err(Failure::invalid)?,
            again_results,
        })
    }

    /// The levels of `--only`, as they are written.
    pub fn levels(&self) -> Vec<String> {
        by_result::part(self.named.only).map_or(Vec::new(), |(_, levels)| levels)
    }

    /// Does it name results?
    pub fn by_results(&self) -> bool {
        !self.only_results.is_empty()
    }

    /// Is nothing of the plan left out?
    pub fn is_everything(&self) -> bool {
        self.selection.is_everything() && self.only_results.is_empty()
    }

    /// The jobs of the selection and of the shard, in the order they run.
    ///
    /// # Errors
    /// Exit 4 when there are none.
    pub fn select(
        &self,
        plan: &Plan,
        forecast: &Forecast,
        all: &[PendingJob],
    ) -> Result<Vec<PendingJob>, Failure> {
        let shard = self.named.shard;
        let shards = shard.map(|shard| split(plan, forecast, shard.count));
        let selected: Vec<PendingJob> = all
            .iter()
            .enumerate()
            .filter(|(place, pending)| {
                self.selection.contains(&pending.condition)
                    && match (shard, &shards) {
                        (Some(shard), Some(shards)) => shards.get(*place) == Some(&shard.index),
                        _ => true,
                    }
            })
            .map(|(_, pending)| *pending)
            .collect();
        if selected.is_empty() {
            return Err(Failure::new(Exit::NothingSelected, nothing_to_run(shard)));
        }
        Ok(selected)
    }

    /// Refuses what can only be asked of a folder with results.
    ///
    /// # Errors
    /// Exit 4.
    pub fn refuse_without_results(&self, dir: &Path) -> Result<(), Failure> {
        let words = if !self.only_results.is_empty() {
            format!("--only asks for results, and {} holds none yet", dir.display())
        } else if !self.named.again.is_empty() {
            format!("nothing to measure again: {} holds no results yet", dir.display())
        } else {
            return Ok(());
        };
        Err(Failure::new(Exit::NothingSelected, words))
    }

    /// Keeps the jobs that have come to the results of `--only`, and numbers their attempts.
    ///
    /// # Errors
    /// Exit 4 when there are none; exit 74.
    pub fn keep_results(
        &self,
        dir: &Path,
        reader: &StoreReader,
        plan: &Plan,
        selected: &mut Vec<PendingJob>,
    ) -> Result<(), Failure> {
        if !self.only_results.is_empty() {
            let keys = by_result::jobs(dir, reader, plan, selected, &self.only_results)?;
            selected.retain(|pending| keys.contains(&pending.key));
            if selected.is_empty() {
                let words = "--only: no condition has come to such a result";
                return Err(Failure::new(Exit::NothingSelected, words));
            }
        }
        let newest = reader.newest_attempts()?;
        for pending in selected {
            pending.attempt = newest.get(&pending.key).map_or(1, |last| last + 1);
        }
        Ok(())
    }

    /// What of the selected jobs is to be done. `unmeasured`: jobs whose results say that they were not measured, and that are tried again.
    ///
    /// # Errors
    /// What `--again` refuses; exit 74.
    pub fn todo(
        &self,
        dir: &Path,
        reader: &StoreReader,
        plan: &Plan,
        selected: &[PendingJob],
        unmeasured: &HashSet<JobKey>,
    ) -> Result<Todo, Failure> {
        let done = reader.done_keys()?;
        let replacing = |pending: &[PendingJob], reason: &str| {
            let keys = pending.iter().map(|one| one.key).filter(|key| done.contains(key));
            let keys: Vec<JobKey> = keys.collect();
            (!keys.is_empty()).then(|| (keys, reason.to_owned()))
        };
        let Some(reason) = self.named.reason else {
            let is_due = |one: &&PendingJob| !done.contains(&one.key) || unmeasured.contains(&one.key);
            let pending: Vec<PendingJob> = selected.iter().filter(is_due).copied().collect();
            let replacing = replacing(&pending, UNMEASURED);
            return Ok(Todo { pending, replacing, continued: false });
        };
        let request = Request { texts: self.named.again, reason };
        let chosen: Vec<PendingJob> =
            selected.iter().filter(|pending| self.again.contains(&pending.condition)).copied().collect();
        let wanted = || match self.again_results.as_slice() {
            [] => Ok(None),
            results => by_result::jobs(dir, reader, plan, &chosen, results).map(Some),
        };
        let held = Held { reader, done: &done, given_up: &reader.given_up()? };
        let (pending, continued) = match choose(&request, &chosen, wanted, held)? {
            Choice::Continued(pending) => (pending, true),
            Choice::New(pending) => (pending, false),
        };
        let replacing = replacing(&pending, reason);
        Ok(Todo { pending, replacing, continued })
    }
}

/// Why the result of a job that was not measured is replaced.
const UNMEASURED: &str = "not measured: measured again";

fn nothing_to_run(shard: Option<Shard>) -> String {
    match shard {
        Some(shard) => format!(
            "nothing to run: shard {shard} holds no job of the selection (a plan has no more shards than \
             mountings); `merge` does not miss it"
        ),
        None => "nothing to run: the selection is empty".to_string(),
    }
}
