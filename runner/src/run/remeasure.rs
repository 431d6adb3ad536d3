//! Measuring again: which finished jobs get another attempt, and why. Older attempts stay, marked superseded.

use crate::console::exit::{Exit, Failure};
use crate::run::pending::PendingJob;
use crate::store::{GivenUp, JobKey, Store, StoreReader};
use std::collections::{HashMap, HashSet};

const NOTE: &str = "request to measure again";

/// What a request to measure again comes to.
#[derive(Debug, PartialEq)]
pub enum Choice {
    /// These jobs are to be superseded first.
    New(Vec<PendingJob>),
    /// The same request was cut off: these jobs are still to be measured.
    Continued(Vec<PendingJob>),
}

/// A request to measure again.
#[derive(Debug, Clone, Copy)]
pub struct Request<'a> {
    /// Its selections, as given.
    pub texts: &'a [String],
    pub reason: &'a str,
}

impl Request<'_> {
    fn to_text(self) -> String {
        serde_json::json!({ "again": self.texts, "reason": self.reason }).to_string()
    }
}

/// Chooses the jobs of a request among `selected`, whose attempt numbers are those of the next attempt; `wanted` tells, when
/// the request is a new one, which keys the results chosen by allow.
///
/// The same selection with the same reason goes on where an earlier request was cut off; it begins anew only when that
/// one came to its end.
///
/// # Errors
/// Exit 2 without a reason, and what `wanted` fails with; exit 4 when no finished job is selected.
pub fn choose(
    request: &Request<'_>,
    selected: &[PendingJob],
    wanted: impl FnOnce() -> Result<Option<HashSet<JobKey>>, Failure>,
    given_up: &HashMap<JobKey, GivenUp>,
    done: &HashSet<JobKey>,
    reader: &StoreReader,
) -> Result<Choice, Failure> {
    if request.reason.trim().is_empty() {
        return Err(Failure::invalid("--reason is empty; say why the jobs are measured again"));
    }
    let pending: Vec<PendingJob> = selected
        .iter()
        .filter(|pending| {
            !done.contains(&pending.key)
                && given_up.get(&pending.key).is_some_and(|last| last.reason == request.reason)
        })
        .copied()
        .collect();
    if !pending.is_empty() || open(reader)?.is_some_and(|noted| noted == request.to_text()) {
        return Ok(Choice::Continued(pending));
    }
    let wanted = wanted()?;
    let again: Vec<PendingJob> = selected
        .iter()
        .filter(|pending| {
            done.contains(&pending.key) && wanted.as_ref().is_none_or(|keys| keys.contains(&pending.key))
        })
        .copied()
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
pub fn open_request(store: &mut Store, request: Request<'_>) -> Result<(), Failure> {
    store.note(NOTE, &request.to_text()).map_err(Failure::from)
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
