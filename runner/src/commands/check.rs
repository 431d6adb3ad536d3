//! `check`: every mistake in a plan at once.

use super::run_summary::nothing_counts;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::slow_notice::SlowNotice;
use crate::console::terminal::{Terminal, folded};
use crate::evaluate::criteria;
use crate::folder::run_folder::bench_keys;
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::{narrowed, read_bench, refuse_beyond, tell_doubts};
use crate::run::disk_space::estimate_in_words;
use crate::run::execute::Executor;
use nightbench_core::text::counted;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Job, expand, jobs};
use plan::selection::Selection;
use plan::unused::unused;
use std::path::Path;
use std::sync::Arc;

/// Reads the plan, expands it and says what it holds; with a bench, also what of its limits is doubtful for it, and as `run` refuses what
/// the bench cannot do.
pub fn check(terminal: &Terminal, path: &Path, bench: Option<&Path>) -> Outcome {
    let _notice = SlowNotice::start(terminal, "choosing and counting conditions ...");
    let file = PlanFile::read(path, terminal.colour_err)?;
    let plan = &file.plan;
    // A study that gives no line would be refused by `run` only.
    let terms = criteria::resolve(AcceptanceCriteria::of(plan), path.parent())?;
    let expansion = expand(plan, &Selection::default());
    if expansion.conditions.is_empty() {
        return Err(Failure::new(
            Exit::NothingSelected,
            format!(
                "{}: the plan leaves everything out ({}); see [[skip]] and which module kinds each channel `fits`",
                path.display(),
                counted(expansion.skipped.len(), "condition")
            ),
        ));
    }
    let unused = unused(plan, &expansion);
    for warning in file.warnings.iter().chain(&unused) {
        terminal.note(&format!("warning: {warning}"));
    }
    let jobs = jobs(plan, &expansion);
    if let Some(bench) = bench {
        let bench = Arc::new(narrowed(read_bench(bench, terminal.colour_err)?, plan)?);
        tell_doubts(terminal, &bench, plan);
        let keys = bench_keys(plan)?;
        let executor = Executor::new(plan, &expansion, &keys);
        let setting = |job: &Job| executor.setting(&expansion.conditions[job.condition as usize], job, 1);
        refuse_beyond(&bench, jobs.iter().map(setting))?;
    }
    let beyond = expansion.conditions.iter().filter(|condition| condition.beyond_rating(plan)).count();
    let missing = super::preview::missing_words(plan);
    let warnings = match file.warnings.len() + unused.len() {
        0 => String::new(),
        n => format!(", {}", counted(n, "warning")),
    };
    let total = expansion.conditions.len();
    let mut text = format!(
        "{}: no mistakes{warnings}\n{} to run, {beyond} of them beyond a module's rating\n{} left out\n{}\n{}",
        path.display(),
        counted(total, "condition"),
        counted(expansion.skipped.len(), "condition"),
        counted(jobs.len(), "job"),
        estimate_in_words(plan, jobs.iter().map(|job| &expansion.conditions[job.condition as usize])),
    );
    if let Some(words) = nothing_counts(plan, expansion.conditions.iter()) {
        text.push('\n');
        text.push_str(folded(&words, "", "  ").trim_end());
    }
    if !missing.is_empty() {
        text.push('\n');
        text.push_str(missing.trim_end());
    }
    let assumed = super::preview::assumed_words(plan, &terms);
    if !assumed.is_empty() {
        text.push('\n');
        text.push_str(assumed.trim_end());
    }
    terminal.out(&text);
    Ok(Exit::Pass)
}
