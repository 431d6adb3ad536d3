//! `merge`: shards, or parts measured on several benches, become one run folder.

use super::run_summary::{closing_words, exit_of, explain};
use crate::console::exit::{Exit, Outcome};
use crate::console::terminal::Terminal;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::eye_summaries::CacheUse;
use crate::run::merge::{Merged, merge as merge_folders};
use nightbench_core::text::counted;
use plan::selection::Selection;
use std::path::{Path, PathBuf};

/// Merges run folders and writes the report of the whole.
pub fn merge(terminal: &Terminal, out: &Path, parts: &[PathBuf], as_json: bool) -> Outcome {
    let (mut store, merged) = merge_folders(out, parts)?;
    for words in notes(&merged) {
        terminal.note(&words);
    }
    let folder = JudgedFolder::read(out, store.reader(), JudgedBy::plan(CacheUse::Keep))?;
    let report = folder.write_page(out, store.reader())?;
    folder.keep(&mut store)?;
    store.close()?;
    if as_json {
        let mut summary = folder.summary(&report);
        summary["missing_jobs"] = merged.missing_jobs.into();
        summary["missing_shards"] =
            merged.missing_shards.iter().map(|(shard, _)| shard.to_string()).collect::<Vec<_>>().into();
        summary["duplicates"] = merged.duplicates.into();
        summary["extra_jobs"] = merged.extra_jobs.into();
        terminal.out(&summary.to_string());
    } else {
        terminal.out(&closing_words(&folder, &report, &Selection::default()));
    }
    if merged.missing_jobs > 0 {
        return Ok(Exit::Incomplete);
    }
    let everything = Selection::default();
    let exit = exit_of(&folder, folder.file.plan.decision.beyond_rating_counts, &everything, None);
    explain(terminal, exit, &folder, &everything);
    Ok(exit)
}

fn notes(merged: &Merged) -> Vec<String> {
    let mut notes = vec![format!("{} taken over", counted(merged.taken as usize, "job"))];
    if merged.extra_jobs > 0 {
        notes.push(format!("{} of a diagnosis taken over", counted(merged.extra_jobs as usize, "extra job")));
    }
    for dir in &merged.without_results {
        notes.push(format!("{}: no results of a run here", dir.display()));
    }
    if merged.duplicates > 0 {
        notes.push(format!("{} held by more than one folder, taken once", merged.duplicates));
    }
    for (shard, jobs) in &merged.missing_shards {
        notes.push(format!(
            "missing: {} of shard {shard}; run it and merge again",
            counted(*jobs as usize, "job")
        ));
    }
    if merged.missing_jobs > 0 && merged.missing_shards.is_empty() {
        notes.push(format!(
            "missing: {} of the plan in none of the folders",
            counted(merged.missing_jobs as usize, "job")
        ));
    }
    notes
}
