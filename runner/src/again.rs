//! Measuring again: which finished jobs get another attempt, and why. Older attempts stay, marked superseded.

use crate::exit::{Exit, Failure};
use crate::night::Todo;
use crate::run_folder::store_failure;
use crate::store::{Attempts, GivenUp, JobKey, StoreReader};
use plans::expand::Selection;
use plans::plan::Plan;
use plans::results::JobOutcome;
use std::collections::{HashMap, HashSet};

/// The word that selects jobs without a valid measurement.
pub const NOT_MEASURED: &str = "not-measured";

/// What a request to measure again comes to.
#[derive(Debug, PartialEq)]
pub enum Choice {
    /// These jobs are to be superseded first.
    New(Vec<Todo>),
    /// The same request was cut off: these jobs are still to be measured.
    Continued(Vec<Todo>),
}

/// Chooses the jobs of a request among `selected`, whose attempt numbers are those of the next attempt.
///
/// The same selection with the same reason goes on where an earlier request was cut off; it begins anew only when
/// nothing of it is left.
///
/// # Errors
/// Exit 2 for a selection that names nothing of the plan; exit 4 when no finished job is selected.
pub fn choose(
    plan: &Plan,
    texts: &[String],
    reason: &str,
    selected: &[Todo],
    given_up: &HashMap<JobKey, GivenUp>,
    done: &HashSet<JobKey>,
    reader: &StoreReader,
) -> Result<Choice, Failure> {
    if reason.trim().is_empty() {
        return Err(Failure::invalid("--reason is empty; say why the jobs are measured again"));
    }
    let (words, levels): (Vec<String>, Vec<String>) =
        texts.iter().cloned().partition(|text| text.trim() == NOT_MEASURED);
    let selection = Selection::read(plan, &levels).map_err(|words| {
        Failure::invalid(format!("{words} (`{NOT_MEASURED}` selects jobs without a result)"))
    })?;
    let chosen: Vec<Todo> =
        selected.iter().filter(|todo| selection.contains(&todo.condition)).copied().collect();
    let pending: Vec<Todo> = chosen
        .iter()
        .filter(|todo| {
            !done.contains(&todo.key) && given_up.get(&todo.key).is_some_and(|last| last.reason == reason)
        })
        .copied()
        .collect();
    if !pending.is_empty() {
        return Ok(Choice::Continued(pending));
    }
    let without = if words.is_empty() { None } else { Some(not_measured(reader)?) };
    let again: Vec<Todo> = chosen
        .into_iter()
        .filter(|todo| {
            done.contains(&todo.key) && without.as_ref().is_none_or(|keys| keys.contains(&todo.key))
        })
        .collect();
    if again.is_empty() {
        return Err(Failure::new(
            Exit::NothingSelected,
            "nothing to measure again: no finished job is selected; `status` and `export` show what is there",
        ));
    }
    Ok(Choice::New(again))
}

fn not_measured(reader: &StoreReader) -> Result<HashSet<JobKey>, Failure> {
    let mut keys = HashSet::new();
    for stored in reader.jobs(Attempts::Counting) {
        let stored = stored.map_err(|error| store_failure(&error))?;
        if matches!(stored.outcome, JobOutcome::NotMeasured { .. }) {
            keys.insert(stored.row.key);
        }
    }
    Ok(keys)
}
