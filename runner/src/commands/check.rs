//! `check`: every mistake in a plan at once.

use crate::exit::{Exit, Failure, Outcome};
use crate::plan_file::PlanFile;
use crate::terminal::Terminal;
use plans::expand::{Selection, expand, jobs};
use std::path::Path;

/// Reads the plan, expands it and says what it holds.
pub fn check(terminal: &Terminal, path: &Path) -> Outcome {
    let file = PlanFile::read(path, terminal.colour_err)?;
    let plan = &file.plan;
    let expansion = expand(plan, &Selection::default());
    if expansion.conditions.is_empty() {
        return Err(Failure::new(
            Exit::NothingSelected,
            format!(
                "{}: all {} conditions are skipped; see [[skip]] and which module kinds each channel `fits`",
                path.display(),
                expansion.skipped.len()
            ),
        ));
    }
    for warning in &file.warnings {
        terminal.note(&format!("warning: {warning}"));
    }
    let beyond = expansion.conditions.iter().filter(|condition| condition.beyond_rating(plan)).count();
    let missing = super::preview::missing_words(plan);
    terminal.out(&format!(
        "{}: no mistakes. {} conditions to run ({beyond} beyond a module's rating), {} skipped, {} jobs.{}{}",
        path.display(),
        expansion.conditions.len(),
        expansion.skipped.len(),
        jobs(plan, &expansion).len(),
        if missing.is_empty() { "" } else { "\n" },
        missing.trim_end()
    ));
    Ok(Exit::Pass)
}
