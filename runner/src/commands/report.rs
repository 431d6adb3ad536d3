//! `report`: rebuilds the page from the stored counts alone.

use super::run::ending;
use crate::exit::{Exit, Outcome};
use crate::eye_page;
use crate::judging::JudgedFolder;
use crate::run_folder::store_failure;
use crate::store::Store;
use crate::terminal::Terminal;
use reports::judge::every_verdict_passes;
use std::path::Path;

/// Rebuilds DIR/report.html, or draws the eyes of one job.
pub fn report(terminal: &Terminal, dir: &Path, eye: Option<&str>, as_json: bool) -> Outcome {
    let reader = Store::open_read_only(dir).map_err(|error| store_failure(&error))?;
    let folder = JudgedFolder::read(dir, &reader)?;
    if let Some(job) = eye {
        let (path, job) = eye_page::write(&folder, dir, &reader, job)?;
        let path = path.display().to_string();
        terminal.out(&if as_json {
            serde_json::json!({"simulated": folder.facts.simulated, "job": job, "page": path}).to_string()
        } else {
            format!("eyes of job {job}: {path}")
        });
        return Ok(Exit::Pass);
    }
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
