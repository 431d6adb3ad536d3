//! A run folder: created or continued, bound to its target, seed and what it measures.

use crate::console::exit::{Exit, Failure};
use crate::folder::eye_summaries::CACHE;
use crate::inputs::plan_file::PlanFile;
use crate::store::{Meta, Store, StoreError, StoreReader, Target};
use plan::Plan;
use plan::keys::JobKeys;
use simulator::target::MODEL_VERSION;
use std::path::Path;
use std::time::SystemTime;

/// Folder of the extra jobs within a run folder: a run folder of its own.
pub const EXTRA_JOBS: &str = "extra-jobs";

/// Version of the program, as stored and printed.
pub const TOOL_VERSION: &str = env!("CARGO_PKG_VERSION");

/// Keys of a plan's jobs on a target: what the simulated target gives hangs on the version of its model, what a bench
/// gives does not.
///
/// # Errors
/// Exit 2 when a value of the plan has no place in a key.
pub fn keys_of<'p>(plan: &'p Plan, target: &Target) -> Result<JobKeys<'p>, Failure> {
    match target {
        Target::Simulated => {
            JobKeys::new(plan, MODEL_VERSION).map_err(|error| Failure::invalid(error.to_string()))
        }
        Target::Bench(_) => bench_keys(plan),
    }
}

/// Keys of a plan's jobs on any bench.
///
/// # Errors
/// As [`keys_of`].
pub fn bench_keys(plan: &Plan) -> Result<JobKeys<'_>, Failure> {
    JobKeys::new(plan, "bench").map_err(|error| Failure::invalid(error.to_string()))
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Failure {
        let exit = match error {
            StoreError::NoFolder { .. } | StoreError::Missing { .. } => Exit::Invalid,
            _ => Exit::Store,
        };
        let archive = match &error {
            StoreError::Missing { path } => Path::new(path).parent().filter(|dir| dir.is_file()),
            _ => None,
        };
        let words = match archive {
            Some(file) => format!(
                "{0} is a file, no run folder. If it is an archive: `nightbench report {0} --verify NUMBER` checks it, and \
                 unpacked (`tar -xf`) it is a run folder",
                file.display()
            ),
            None => error.to_string(),
        };
        Failure::new(exit, words)
    }
}

/// Opens a run folder for a plan, creating it where there is none; the folder above must exist.
///
/// # Errors
/// Exit 2 when the folder belongs to another seed or target, or measured something else under the same names;
/// exit 74 for the store.
pub fn open_for(dir: &Path, file: &PlanFile, seed: u64) -> Result<Store, Failure> {
    open_on(dir, file, seed, Target::Simulated)
}

/// As [`open_for`], on a target.
///
/// # Errors
/// As [`open_for`].
pub fn open_on(dir: &Path, file: &PlanFile, seed: u64, target: Target) -> Result<Store, Failure> {
    if !Store::exists(dir)? {
        // A store is written before anything else: what stands beside a lost one is all that is left of its run.
        if let Some(left) = ["report.html", CACHE].iter().find(|name| dir.join(name).exists()) {
            return Err(Failure::new(
                Exit::Store,
                format!(
                    "{} holds a {left} and no results: its results.sqlite was lost or emptied; put it back from a \
                     copy, or name another folder",
                    dir.display()
                ),
            ));
        }
        let meta = Meta {
            tool_version: TOOL_VERSION.into(),
            title: file.plan.title.clone(),
            plan_text: file.text.clone(),
            seed,
            target,
            created_utc: crate::store::utc_text(SystemTime::now()),
        };
        return Store::create(dir, &meta).map_err(Failure::from);
    }
    let store = Store::open(dir)?;
    let meta = store.reader().meta()?;
    refuse_other_run(dir, &meta, &file.plan, seed, &target, store.reader())?;
    Ok(store)
}

/// Opens a run folder for reading and looks through the whole of it: what is handed on must rest on sound results and
/// on the log as it was written.
///
/// # Errors
/// Exit 2: no results there; exit 74: damage, or anything that was changed after it was written.
pub fn open_whole(dir: &Path) -> Result<StoreReader, Failure> {
    let reader = Store::open_read_only(dir)?;
    reader.verify()?;
    Ok(reader)
}

fn refuse_other_run(
    dir: &Path,
    meta: &Meta,
    plan: &Plan,
    seed: u64,
    target: &Target,
    reader: &StoreReader,
) -> Result<(), Failure> {
    let name = dir.display();
    let refuse = |words: String| Err(Failure::invalid(words));
    if meta.target != *target {
        let held = meta.target.words();
        return refuse(format!(
            "{name} holds results of {held}; simulated and measured results, and those of different benches, never mix: \
             name another folder"
        ));
    }
    if meta.seed != seed {
        return refuse(format!(
            "{name} was run with seed {}; now it is {seed}: continue with --seed {} or name another folder",
            meta.seed, meta.seed
        ));
    }
    let earlier = Plan::read_stored(&meta.plan_text).map_err(|mistakes| {
        Failure::new(
            Exit::Store,
            format!("{name}: the stored plan cannot be read by this version ({} mistakes)", mistakes.len()),
        )
    })?;
    let stored_version = reader
        .identities()?
        .into_iter()
        .map(|identity| identity.agent_version)
        .find(|version| *target == Target::Simulated && !version.is_empty() && version != MODEL_VERSION);
    if let Some(version) = stored_version {
        return refuse(format!(
            "{name} was measured by `{version}`, this is `{MODEL_VERSION}`: results would not compare; name another \
             folder"
        ));
    }
    let changes = keys_of(plan, target)?.changes_since(&keys_of(&earlier, target)?);
    if !changes.is_empty() {
        return refuse(format!(
            "{name} already holds results that were measured differently. Changed since then: {}. Restore it, give \
             the changed thing another name, or name another folder. (Limits, decision, order and added levels may \
             change.)",
            changes.join(", ")
        ));
    }
    Ok(())
}
