//! `export`: results as a table, as JSON lines or as test results.

use crate::cli::ExportFormat;
use crate::digests::CacheUse;
use crate::exit::{Exit, Failure, Outcome};
use crate::judging::{JudgedBy, JudgedFolder};
use crate::run_folder::store_failure;
use crate::store::Store;
use crate::terminal::Terminal;
use plans::expand::Selection;
use reports::export;
use std::path::Path;

/// Writes the export of a run folder to a file or stdout.
pub fn export(
    terminal: &Terminal,
    dir: &Path,
    format: ExportFormat,
    out: Option<&Path>,
    only: &[String],
) -> Outcome {
    let reader = Store::open_read_only(dir).map_err(|error| store_failure(&error))?;
    let mut folder = JudgedFolder::read(dir, &reader, JudgedBy::plan(CacheUse::Look))?;
    let selection = Selection::read(&folder.file.plan, only).map_err(Failure::invalid)?;
    folder.run.conditions.retain(|condition| selection.contains(&condition.condition));
    folder.run.left_out.retain(|left_out| selection.contains(&left_out.condition));
    if folder.run.conditions.is_empty() && folder.run.left_out.is_empty() {
        return Err(Failure::new(Exit::NothingSelected, "nothing to export: the selection is empty"));
    }
    let mut text = String::new();
    let written = match format {
        ExportFormat::Csv => {
            export::csv::write(&folder.run, &folder.facts, &mut text).map_err(|e| e.to_string())
        }
        ExportFormat::Jsonl => {
            export::jsonl::write(&folder.run, &folder.facts, &mut text).map_err(|e| e.to_string())
        }
        ExportFormat::Junit => {
            export::junit::write(&folder.run, &folder.facts, &mut text).map_err(|e| e.to_string())
        }
    };
    written.map_err(|words| Failure::new(Exit::Store, words))?;
    match out {
        Some(path) => {
            std::fs::write(path, text)
                .map_err(|error| Failure::new(Exit::Store, format!("{}: {error}", path.display())))?;
            terminal.note(&format!("written: {}", path.display()));
        }
        None => terminal.out(text.trim_end_matches('\n')),
    }
    Ok(Exit::Pass)
}
