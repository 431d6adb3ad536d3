//! Measuring again: which finished jobs get another attempt, and why. Older attempts stay, marked superseded.

use crate::console::exit::{Exit, Failure};
use crate::run::pending::PendingJob;
use crate::store::{Attempts, GivenUp, JobKey, Store, StoreReader};
use nightbench_core::results::JobOutcome;
use plan::Plan;
use plan::selection::Selection;
use std::collections::{HashMap, HashSet};

/// The word that selects jobs without a valid measurement.
pub const NOT_MEASURED: &str = "not-measured";

const NOTE: &str = "request to measure again";

/// What a request to measure again comes to.
#[derive(Debug, PartialEq)]
pub enum Choice {
    /// These jobs are to be superseded first.
    New(Vec<PendingJob>),
    /// The same request was cut off: these jobs are still to be measured.
    Continued(Vec<PendingJob>),
}

/// Chooses the jobs of a request among `selected`, whose attempt numbers are those of the next attempt.
///
/// The same selection with the same reason goes on where an earlier request was cut off; it begins anew only when that
/// one came to its end.
///
/// # Errors
/// Exit 2 for a selection that names nothing of the plan; exit 4 when no finished job is selected.
pub fn choose(
    plan: &Plan,
    texts: &[String],
    reason: &str,
    selected: &[PendingJob],
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
    let chosen: Vec<PendingJob> =
        selected.iter().filter(|pending| selection.contains(&pending.condition)).copied().collect();
    let pending: Vec<PendingJob> = chosen
        .iter()
        .filter(|pending| {
            !done.contains(&pending.key)
                && given_up.get(&pending.key).is_some_and(|last| last.reason == reason)
        })
        .copied()
        .collect();
    if !pending.is_empty() || open(reader)?.is_some_and(|request| request == self::request(texts, reason)) {
        return Ok(Choice::Continued(pending));
    }
    let without = if words.is_empty() { None } else { Some(not_measured(reader)?) };
    let again: Vec<PendingJob> = chosen
        .into_iter()
        .filter(|pending| {
            done.contains(&pending.key) && without.as_ref().is_none_or(|keys| keys.contains(&pending.key))
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

/// Notes a request whose jobs are superseded, until it comes to its end.
///
/// # Errors
/// Exit 74: the store cannot be written.
pub fn open_request(store: &mut Store, texts: &[String], reason: &str) -> Result<(), Failure> {
    store.note(NOTE, &request(texts, reason)).map_err(Failure::from)
}

/// Notes that the request came to its end: the same one would measure everything anew.
///
/// # Errors
/// Exit 74: the store cannot be written.
pub fn close_request(store: &mut Store) -> Result<(), Failure> {
    store.note(NOTE, "").map_err(Failure::from)
}

/// The request that did not come to its end.
fn open(reader: &StoreReader) -> Result<Option<String>, Failure> {
    let noted = reader.noted(NOTE)?;
    Ok(noted.filter(|request| !request.is_empty()))
}

fn request(texts: &[String], reason: &str) -> String {
    serde_json::json!({ "again": texts, "reason": reason }).to_string()
}

fn not_measured(reader: &StoreReader) -> Result<HashSet<JobKey>, Failure> {
    let mut keys = HashSet::new();
    for stored in reader.jobs(Attempts::Counting) {
        let stored = stored?;
        if matches!(stored.outcome, JobOutcome::NotMeasured(_)) {
            keys.insert(stored.row.key);
        }
    }
    Ok(keys)
}
