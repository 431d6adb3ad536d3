//! `report`: rebuilds the page from the stored counts alone.

use super::run::ending;
use crate::exit::{Exit, Outcome};
use crate::judging::JudgedFolder;
use crate::run_folder::store_failure;
use crate::store::Store;
use crate::terminal::Terminal;
use reports::judge::every_verdict_passes;
use std::path::Path;

/// Rebuilds DIR/report.html.
pub fn report(terminal: &Terminal, dir: &Path, as_json: bool) -> Outcome {
    let reader = Store::open_read_only(dir).map_err(|error| store_failure(&error))?;
    let folder = JudgedFolder::read(dir, &reader)?;
    let path = folder.write_page(dir, &reader)?;
    if as_json {
        terminal.out(&folder.summary(&path).to_string());
    } else {
        terminal.out(&ending(&folder, &path));
    }
    Ok(if folder.run.not_measured > 0 {
        Exit::Incomplete
    } else if every_verdict_passes(&folder.run) {
        Exit::Pass
    } else {
        Exit::NotAllPass
    })
}
