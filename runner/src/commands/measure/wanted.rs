//! Which jobs of the plan are measured now: what is selected, what is done already, what is asked for again.

use crate::cli::RunArguments;
use crate::console::exit::{Exit, Failure};
use crate::evaluate::by_result::{self, Known};
use crate::forecast::Forecast;
use crate::forecast::shard::{Shard, split};
use crate::run::pending::PendingJob;
use crate::run::remeasure::{Choice, Request, choose};
use crate::store::StoreReader;
use plan::Plan;
use plan::selection::Selection;
use std::path::Path;

/// What the command line asks for.
pub struct Wanted<'a> {
    arguments: &'a RunArguments,
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
    /// Keys of the results that they replace.
    pub superseded: Vec<[u8; 32]>,
    /// An earlier request to measure again goes on.
    pub continued: bool,
}

impl<'a> Wanted<'a> {
    /// # Errors
    /// Exit 2 for words that the plan does not know.
    pub fn read(plan: &Plan, arguments: &'a RunArguments) -> Result<Wanted<'a>, Failure> {
        let (only_results, only_levels) = by_result::part(&arguments.only.only)?;
        let (again_results, again_levels) = by_result::part(&arguments.again)?;
        Ok(Wanted {
            arguments,
            selection: Selection::read(plan, &only_levels).map_err(Failure::invalid)?,
            only_results,
            again: Selection::read(plan, &again_levels).map_err(Failure::invalid)?,
            again_results,
        })
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
        let shard = self.arguments.shard;
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
        } else if !self.arguments.again.is_empty() {
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
        let given_up = reader.given_up()?;
        for pending in selected {
            pending.attempt = given_up.get(&pending.key).map_or(1, |last| last.attempt + 1);
        }
        Ok(())
    }

    /// What of the selected jobs is to be done.
    ///
    /// # Errors
    /// What `--again` refuses; exit 74.
    pub fn todo(
        &self,
        dir: &Path,
        reader: &StoreReader,
        plan: &Plan,
        selected: &[PendingJob],
    ) -> Result<Todo, Failure> {
        let done = reader.done_keys()?;
        let Some(reason) = &self.arguments.reason else {
            let pending = selected.iter().filter(|pending| !done.contains(&pending.key)).copied().collect();
            return Ok(Todo { pending, superseded: Vec::new(), continued: false });
        };
        let request = Request { texts: &self.arguments.again, reason };
        let chosen: Vec<PendingJob> =
            selected.iter().filter(|pending| self.again.contains(&pending.condition)).copied().collect();
        let wanted = || match self.again_results.as_slice() {
            [] => Ok(None),
            results => by_result::jobs(dir, reader, plan, &chosen, results).map(Some),
        };
        let given_up = reader.given_up()?;
        Ok(match choose(&request, &chosen, wanted, &given_up, &done, reader)? {
            Choice::Continued(pending) => Todo { pending, superseded: Vec::new(), continued: true },
            Choice::New(mut pending) => {
                // The attempt that counts now has the number that would be next without it.
                pending.iter_mut().for_each(|pending| pending.attempt += 1);
                let superseded = pending.iter().map(|pending| pending.key).collect();
                Todo { pending, superseded, continued: false }
            }
        })
    }
}

fn nothing_to_run(shard: Option<Shard>) -> String {
    match shard {
        Some(shard) => format!(
            "nothing to run: shard {shard} holds no job of the selection (a plan has no more shards than \
             mountings); `merge` does not miss it"
        ),
        None => "nothing to run: the selection is empty".to_string(),
    }
}
