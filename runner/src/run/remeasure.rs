//! Measuring again: which finished jobs get another attempt, and why. The old attempt counts until the new one is stored, and stays
//! beside it, marked superseded.

use crate::console::exit::{Exit, Failure};
use crate::run::pending::PendingJob;
use crate::store::{GivenUp, JobKey, Store, StoreReader, hex};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap, HashSet};

const NOTE: &str = "request to measure again";

/// What a request to measure again comes to.
#[derive(Debug, PartialEq)]
pub enum Choice {
    /// These jobs are to be measured again.
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

/// A request as a folder notes it, until it comes to its end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Noted {
    again: Vec<String>,
    reason: String,
    /// The jobs' keys and the numbers of the attempts that were asked for.
    #[serde(default)]
    jobs: BTreeMap<String, u32>,
}

impl Noted {
    fn is_of(&self, request: &Request<'_>) -> bool {
        self.again == request.texts && self.reason == request.reason
    }
}

/// What a folder holds of the jobs that are selected.
#[derive(Clone, Copy)]
pub struct Held<'a> {
    pub reader: &'a StoreReader,
    /// Jobs with a result that counts.
    pub done: &'a HashSet<JobKey>,
    /// Attempts that count no more.
    pub given_up: &'a HashMap<JobKey, GivenUp>,
}

/// Chooses the jobs of a request among `selected`, whose attempt numbers are those of the next attempt; `wanted` tells, when
/// the request is a new one, which keys the results chosen by allow.
///
/// The same selection with the same reason goes on where an earlier request was cut off, by a signal or for want of time; it begins
/// anew only when that one came to its end.
///
/// # Errors
/// Exit 2 without a reason, and what `wanted` fails with; exit 4 when no finished job is selected; exit 74.
pub fn choose(
    request: &Request<'_>,
    selected: &[PendingJob],
    wanted: impl FnOnce() -> Result<Option<HashSet<JobKey>>, Failure>,
    held: Held<'_>,
) -> Result<Choice, Failure> {
    let Held { reader, done, given_up } = held;
    if request.reason.trim().is_empty() {
        return Err(Failure::invalid("--reason is empty; say why the jobs are measured again"));
    }
    let noted = open(reader)?.filter(|noted| noted.is_of(request));
    let asked_for = |one: &PendingJob| {
        let asked = noted.as_ref().and_then(|noted| noted.jobs.get(&hex(&one.key)));
        asked.is_some_and(|attempt| one.attempt <= *attempt)
    };
    // Given up before a new result was there, as folders of earlier versions may hold them.
    let withdrawn = |one: &PendingJob| {
        !done.contains(&one.key) && given_up.get(&one.key).is_some_and(|last| last.reason == request.reason)
    };
    let pending: Vec<PendingJob> =
        selected.iter().filter(|one| asked_for(one) || withdrawn(one)).copied().collect();
    if !pending.is_empty() || noted.is_some() {
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

/// Notes a request and its jobs, until it comes to its end.
///
/// # Errors
/// Exit 74: the store cannot be written.
pub fn open_request(store: &mut Store, request: Request<'_>, jobs: &[PendingJob]) -> Result<(), Failure> {
    let noted = Noted {
        again: request.texts.to_vec(),
        reason: request.reason.to_owned(),
        jobs: jobs.iter().map(|one| (hex(&one.key), one.attempt)).collect(),
    };
    let text = serde_json::to_string(&noted).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
    store.note(NOTE, &text).map_err(Failure::from)
}

/// Notes that the request came to its end, where none of its jobs is left: the same one would measure everything anew.
///
/// # Errors
/// Exit 74: the store cannot be read or written.
pub fn close_request(store: &mut Store) -> Result<(), Failure> {
    if still_asked_for(store.reader())?.is_none() {
        store.note(NOTE, "")?;
    }
    Ok(())
}

/// How many jobs a request that did not come to its end still asks for, and why they are measured again.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub fn still_asked_for(reader: &StoreReader) -> Result<Option<(usize, String)>, Failure> {
    let Some(noted) = open(reader)? else { return Ok(None) };
    let newest = reader.newest_attempts()?;
    let is_left =
        |(key, asked): &(JobKey, u32)| noted.jobs.get(&hex(key)).is_some_and(|wanted| asked < wanted);
    let left = newest.iter().map(|(key, attempt)| (*key, *attempt)).filter(is_left).count();
    Ok((left > 0).then_some((left, noted.reason)))
}

/// The request that did not come to its end.
fn open(reader: &StoreReader) -> Result<Option<Noted>, Failure> {
    let noted = reader.noted(NOTE)?.filter(|request| !request.is_empty());
    noted
        .map(|text| {
            serde_json::from_str(&text).map_err(|error| {
                Failure::new(Exit::Store, format!("the note of the {NOTE} is damaged: {error}"))
            })
        })
        .transpose()
}
