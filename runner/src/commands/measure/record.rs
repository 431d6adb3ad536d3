//! What the store is told before anything is measured.

use super::wanted::Todo;
use crate::cli::RunArguments;
use crate::console::exit::Failure;
use crate::evaluate::criteria;
use crate::forecast::Forecast;
use crate::forecast::folder_facts::{PlanSize, digest, keep_shard, shard_of};
use crate::inputs::plan_file::PlanFile;
use crate::run::pending::PendingJob;
use crate::run::remeasure::{self, Request};
use crate::store::{Holder, LimitSet, Store, StoreReader, utc_text};
use nightbench_core::events::Event;
use plan::criteria::AcceptanceCriteria;
use std::path::Path;
use std::time::SystemTime;

/// Notes an event with the time it has now.
///
/// # Errors
/// Exit 74.
pub fn log(store: &mut Store, event: &Event) -> Result<(), Failure> {
    store.append_event(&utc_text(SystemTime::now()), event).map_err(Failure::from)
}

/// Each shard has a folder of its own.
///
/// # Errors
/// Exit 2 when the folder holds another one; exit 74.
pub fn refuse_other_shard(dir: &Path, reader: &StoreReader, arguments: &RunArguments) -> Result<(), Failure> {
    if let Some(shard) = arguments.shard
        && let Some(held) = shard_of(reader)?
        && held != shard.to_string()
    {
        return Err(Failure::invalid(format!(
            "{} holds shard {held}, not {shard}: each shard has a folder of its own, and `merge` makes them whole",
            dir.display()
        )));
    }
    Ok(())
}

/// Stores the plan as it is now, the jobs' places and the limits it would be judged by.
///
/// # Errors
/// Exit 74.
pub fn keep_plan(
    store: &mut Store,
    file: &PlanFile,
    criteria: &AcceptanceCriteria,
    all: &[PendingJob],
    forecast: &Forecast,
) -> Result<(), Failure> {
    let utc = utc_text(SystemTime::now());
    let meta = store.reader().meta()?;
    if meta.plan_text != file.text {
        let event = Event::PlanChanged {
            title: file.plan.title.clone(),
            sha256: digest(&file.text),
            before_title: meta.title,
            before_sha256: digest(&meta.plan_text),
        };
        log(store, &event)?;
        let places = all.iter().map(|pending| (pending.key, pending.position));
        store.extend_plan(&utc, &file.plan.title, &file.text, places)?;
    }
    PlanSize::new(&file.text, forecast).keep(store)?;
    let fresh = store.reader().done_keys()?.is_empty();
    let (known, _) = criteria::recorded(store.reader(), &file.plan)?;
    if known.iter().any(|set| set.criteria == *criteria) {
        return Ok(());
    }
    let limits_text = criteria::recorded_text("the plan", criteria);
    store
        .record_limits(&LimitSet { limits_text, agreed_before_measuring: fresh, recorded_utc: utc })
        .map_err(Failure::from)
}

/// The shard, what is measured again, and that the run begins.
///
/// # Errors
/// Exit 74.
pub fn keep_beginning(
    store: &mut Store,
    arguments: &RunArguments,
    todo: &Todo,
    done_before: u64,
) -> Result<(), Failure> {
    if let Some(shard) = arguments.shard {
        keep_shard(store, &shard.to_string())?;
    }
    if let Some((keys, reason)) = &todo.replacing {
        store.replace(keys, reason);
    }
    if let Some(reason) = &arguments.reason
        && !todo.pending.is_empty()
    {
        if !todo.continued {
            let jobs = todo.pending.len() as u64;
            log(store, &Event::MeasuredAgain { jobs, reason: reason.clone() })?;
        }
        remeasure::open_request(store, Request { texts: &arguments.again, reason }, &todo.pending)?;
    }
    if let Some(holder) = store.left_by() {
        let by = holder.to_string();
        log(store, &Event::FoundOpen { by })?;
    }
    let by = Holder::current().to_string();
    log(store, &Event::RunStarted { jobs: todo.pending.len() as u64, done_before, by })
}
