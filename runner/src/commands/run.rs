//! `run`: runs a plan, or continues it, and writes the report.

use super::extra_jobs;
use super::measure::{Extent, Measured, measure_file, run_folder_of};
use super::run_summary::{closing_words, exit_of, explain};
use crate::cli::RunArguments;
use crate::console::exit::{Exit, Outcome};
use crate::console::terminal::Terminal;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::eye_summaries::CacheUse;
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::{BenchEnd, not_safe_words};

/// Runs or continues a plan, and writes its report.
pub fn run(terminal: &Terminal, arguments: &RunArguments) -> Outcome {
    let file = PlanFile::read(&arguments.plan, terminal.colour_err)?;
    let dir = run_folder_of(&arguments.plan, arguments.into.as_deref());
    let Measured { dir, mut store, selection, selected, stopped, on_bench, no_time_left, live, telling } =
        measure_file(terminal, arguments, &file, dir, Extent::AsPlanned)?;
    let folder = JudgedFolder::read(&dir, store.reader(), JudgedBy::plan(CacheUse::Keep))?;
    let report = folder.write_page(&dir, store.reader())?;
    folder.keep(&mut store)?;
    if let Some(words) = &no_time_left {
        terminal.note(words);
    }
    let words = match no_time_left.filter(|_| stopped.is_none()) {
        Some(words) => format!("The run has ended: {words}"),
        None => ended_words(&folder, stopped, on_bench.as_ref()),
    };
    live.end(&words, &folder, store.reader());
    store.close()?;
    // Only words are left: a terminal that nobody reads may hold them up, and a signal then ends the program.
    telling.over();
    let sound = stopped.is_none() && on_bench.as_ref().is_none_or(BenchEnd::is_sound);
    let extra = if sound && folder.is_complete() {
        drop(telling);
        extra_jobs::measure_for(terminal, arguments, &file, &dir, &folder)?
    } else {
        None
    };
    if arguments.json.json {
        terminal.out(&folder.summary(&report).to_string());
    } else {
        terminal.out(&closing_words(&folder, &report, &selection));
    }
    let verdicts = exit_of(
        &folder,
        folder.file.plan.decision.beyond_rating_counts,
        &selection,
        arguments.shard.map(|_| &selected[..]),
    );
    explain(terminal, verdicts, &folder, &selection);
    if let Some(ended) = &on_bench {
        if let Some(exit) = tell_alarms(terminal, ended) {
            return Ok(exit);
        }
        return Ok(stopped.or(extra).unwrap_or_else(|| ended.exit(verdicts)));
    }
    Ok(stopped.or(extra).unwrap_or(verdicts))
}

/// What the run ended with, for those who look on.
fn ended_words(folder: &JudgedFolder, stopped: Option<Exit>, on_bench: Option<&BenchEnd>) -> String {
    if let Some(fault) = on_bench.and_then(|ended| ended.not_safe.as_ref()) {
        return not_safe_words(fault);
    }
    if let Some(alarm) = on_bench.and_then(|ended| ended.alarm.as_ref()) {
        return format!("The run ended with an alarm: {alarm}");
    }
    if let Some(why) = on_bench.and_then(|ended| ended.ended_early.as_ref()) {
        return format!("The run ended early: {why}");
    }
    match stopped {
        Some(_) => "The run was stopped, and is safe; the same command continues it.".into(),
        None if folder.is_complete() => "Every job is done.".into(),
        None => "The run has ended; jobs are left.".into(),
    }
}

/// Says what a bench ended with that a person must look at; the exit code where it is not safe.
pub fn tell_alarms(terminal: &Terminal, ended: &BenchEnd) -> Option<Exit> {
    if let Some(fault) = &ended.not_safe {
        terminal.note(&format!("\n{}", not_safe_words(fault)));
        return Some(Exit::NotSafe);
    }
    if let Some(alarm) = &ended.alarm {
        terminal.note(&format!(
            "ALARM, latched: {alarm}\nNothing is switched on again before a person has looked at the bench and cleared it: \
             `nightbench bench clear BENCH`"
        ));
    }
    None
}
