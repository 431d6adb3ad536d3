//! `merge`: shards, or parts measured on several benches, become one run folder.

use super::run::ending;
use crate::digests::CacheUse;
use crate::exit::{Exit, Outcome};
use crate::judging::{JudgedBy, JudgedFolder};
use crate::merge::{Merged, merge as merge_folders};
use crate::run_folder::store_failure;
use crate::terminal::Terminal;
use reports::judge::every_verdict_passes;
use std::path::{Path, PathBuf};

/// Merges run folders and writes the report of the whole.
pub fn merge(terminal: &Terminal, out: &Path, parts: &[PathBuf], as_json: bool) -> Outcome {
    let (store, merged) = merge_folders(out, parts)?;
    for words in notes(&merged) {
        terminal.note(&words);
    }
    let folder = JudgedFolder::read(out, store.reader(), JudgedBy::plan(CacheUse::Keep))?;
    let report = folder.write_page(out, store.reader())?;
    store.close().map_err(|error| store_failure(&error))?;
    if as_json {
        let mut summary = folder.summary(&report);
        summary["missing_jobs"] = merged.missing_jobs.into();
        summary["missing_shards"] =
            merged.missing_shards.iter().map(|(shard, _)| shard.to_string()).collect::<Vec<_>>().into();
        summary["duplicates"] = merged.duplicates.into();
        terminal.out(&summary.to_string());
    } else {
        terminal.out(&ending(&folder, &report));
    }
    Ok(if merged.missing_jobs > 0 || folder.run.not_measured > 0 {
        Exit::Incomplete
    } else if every_verdict_passes(&folder.run) {
        Exit::Pass
    } else {
        Exit::NotAllPass
    })
}

fn notes(merged: &Merged) -> Vec<String> {
    let mut notes = vec![format!("{} jobs taken over", merged.taken)];
    for dir in &merged.without_results {
        notes.push(format!("{}: no results of a run here", dir.display()));
    }
    if merged.duplicates > 0 {
        notes.push(format!("{} held by more than one folder, taken once", merged.duplicates));
    }
    for (shard, jobs) in &merged.missing_shards {
        notes.push(format!("missing: {jobs} jobs of shard {shard}; run it and merge again"));
    }
    if merged.missing_jobs > 0 && merged.missing_shards.is_empty() {
        notes.push(format!("missing: {} jobs of the plan are in none of the folders", merged.missing_jobs));
    }
    notes
}
