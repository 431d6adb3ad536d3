//! A bench as its file states it: read, narrowed by a plan, its doubts told, its calibrations looked at.

use super::session::now;
use crate::console::exit::{Exit, Failure};
use crate::console::terminal::Terminal;
use crate::inputs::plain_file::read_text;
use crate::inputs::plan_file::render;
use bench::{BenchDriver, CommandLog};
use contract::Setting;
use plan::Plan;
use plan::bench_file::{BenchFile, Date};
use std::path::Path;
use std::sync::Arc;

/// Reads a bench file and shows every mistake in it.
///
/// # Errors
/// Exit 2.
pub fn read_bench(path: &Path, colour: bool) -> Result<BenchFile, Failure> {
    let name = path.display().to_string();
    let text = read_text(path, "a bench file (TOML)")?;
    BenchFile::read(&text).map_err(|mistakes| Failure::invalid(render(&text, &name, &mistakes, colour)))
}

/// A bench with the plan's narrower limits.
///
/// # Errors
/// Exit 5: the plan would widen a limit.
pub fn narrowed(bench: BenchFile, plan: &Plan) -> Result<BenchFile, Failure> {
    let name = bench.name.clone();
    let cannot = |why: Vec<String>| {
        let why = why.join("\n  ");
        refused(format!("the bench `{name}` cannot run this plan:\n  {why}\nnothing was touched"))
    };
    let narrowed = bench.narrowed(&plan.bench_limits).map_err(&cannot)?;
    let beyond = narrowed.beyond_ratings(plan.interface.generation);
    if beyond.is_empty() { Ok(narrowed) } else { Err(cannot(beyond)) }
}

/// Holds every setting of a plan against a bench's limits; opens no connection.
///
/// # Errors
/// Exit 5, naming each that the bench cannot have.
pub fn refuse_beyond(bench: &Arc<BenchFile>, settings: impl Iterator<Item = Setting>) -> Result<(), Failure> {
    let dry = BenchDriver::new(Arc::clone(bench), CommandLog::in_memory(), true);
    let mut words: Vec<String> =
        settings.filter_map(|setting| Some(dry.check_limits(&setting).err()?.to_string())).collect();
    words.sort();
    words.dedup();
    if words.is_empty() {
        return Ok(());
    }
    Err(refused(format!(
        "the bench `{}` cannot run this plan:\n  {}\nnothing was touched",
        bench.name,
        words.join("\n  ")
    )))
}

/// Tells what a bench allows and hardly means, for a plan's generation and temperatures.
pub fn tell_doubts(terminal: &Terminal, bench: &BenchFile, plan: &Plan) {
    for doubt in bench.doubts(Some(plan.interface.generation), &plan.matrix.temperatures) {
        terminal.note(&format!("warning: {doubt}"));
    }
}

/// The bench refused.
pub fn refused(words: impl Into<String>) -> Failure {
    Failure::new(Exit::BenchRefused, words)
}

/// Instruments whose calibration ran out.
pub fn overdue(bench: &BenchFile) -> Vec<String> {
    let Some(today) = Date::parse(&now()) else { return Vec::new() };
    bench
        .instruments
        .iter()
        .filter_map(|one| {
            one.calibration_due.filter(|due| *due < today).map(|due| format!("{} on {due}", one.name))
        })
        .collect()
}
