//! The extra jobs of `[diagnosis]`: measured when the plan's own jobs are done, into a folder of their own.

use super::measure::{Extent, Measured, measure_file};
use crate::cli::{Json, Only, RunArguments};
use crate::console::exit::{Exit, Failure};
use crate::console::terminal::{Terminal, duration, folded};
use crate::evaluate::judging::JudgedFolder;
use crate::evaluate::why::worst_first;
use crate::folder::run_folder::EXTRA_JOBS;
use crate::forecast::Forecast;
use crate::inputs::plan_file::PlanFile;
use crate::run::hours::given;
use nightbench_core::text::counted;
use plan::Plan;
use plan::diagnosis::{of_conditions, with_extra_jobs};
use plan::matrix::{FACTORS, Factor};
use plan::selection::Selection;
use std::path::Path;

/// Measures the extra jobs of a whole run's worst conditions, as far as they are not done; the signal that ended it, where one did.
/// They reach no verdict: what keeps them from being measured is told and changes no exit code, but a bench that is not safe does.
///
/// # Errors
/// Exit 6: the bench could not be made safe.
pub fn measure_for(
    terminal: &Terminal,
    arguments: &RunArguments,
    file: &PlanFile,
    dir: &Path,
    folder: &JudgedFolder,
) -> Result<Option<Exit>, Failure> {
    let Some(asked) = file.plan.diagnosis else { return Ok(None) };
    if given(&file.plan, arguments.hours).is_some() {
        terminal.note(
            "no extra jobs in a run that is given hours: run the plan again without --hours and most_hours",
        );
        return Ok(None);
    }
    let worst = worst_first(folder, &Selection::default());
    let levels: Vec<[u16; FACTORS]> =
        worst.into_iter().map(|index| folder.run.conditions[index].condition.levels).collect();
    let chosen = asked.chosen(&levels);
    if chosen.is_empty() {
        terminal.note("no extra jobs: no condition has a margin");
        return Ok(None);
    }
    let extra = PlanFile {
        plan: of_conditions(&file.plan, &chosen),
        text: with_extra_jobs(&file.text, &chosen),
        measured: file.measured.clone(),
        warnings: Vec::new(),
    };
    let run = RunArguments {
        plan: arguments.plan.clone(),
        bench: arguments.bench.clone(),
        into: None,
        seed: arguments.seed,
        threads: arguments.threads,
        shard: None,
        hours: None,
        nights: Vec::new(),
        again: Vec::new(),
        reason: None,
        only: Only { only: Vec::new() },
        json: Json { json: false },
    };
    let measured = measure_file(terminal, &run, &extra, dir.join(EXTRA_JOBS), Extent::Everything);
    let measured = measured.and_then(|measured| {
        let Measured { store, stopped, on_bench, .. } = measured;
        store.close()?;
        Ok((stopped, on_bench))
    });
    match measured {
        Ok((stopped, on_bench)) => {
            Ok(on_bench.as_ref().and_then(|ended| super::run::tell_alarms(terminal, ended)).or(stopped))
        }
        Err(failure) if failure.exit == Exit::NotSafe => Err(failure),
        Err(failure) => {
            terminal.note(&format!("the extra jobs were not measured: {}", failure.words));
            Ok(None)
        }
    }
}

/// Number and hours of the extra jobs that a plan asks for: which conditions turn out worst nobody knows, so those of the fastest
/// rates stand for them. `None` where it asks for none.
///
/// # Errors
/// As of a plan's own forecast.
pub fn foreseen(plan: &Plan, forecast: &Forecast) -> Result<Option<(usize, f64)>, Failure> {
    let Some(asked) = plan.diagnosis else { return Ok(None) };
    let mut conditions = forecast.expansion.conditions.clone();
    conditions.sort_by_key(|condition| std::cmp::Reverse(condition.rate(plan)));
    conditions.sort_by_key(|condition| condition.levels[Factor::Pattern as usize]);
    let levels: Vec<_> = conditions.iter().map(|condition| condition.levels).collect();
    let extra = of_conditions(plan, &asked.chosen(&levels));
    let forecast = Forecast::new(&extra, &[])?;
    Ok(Some((forecast.jobs.len(), forecast.schedule.hours().total)))
}

/// The same in words; empty where a plan asks for none.
pub fn foreseen_words(plan: &Plan, foreseen: Option<(usize, f64)>) -> String {
    let (Some(asked), Some((jobs, hours))) = (plan.diagnosis, foreseen) else { return String::new() };
    folded(
        &format!(
            "[diagnosis]: about {} more ({hours:.2} h) for {} of the {}, when the plan's own jobs are done; not in the hours above. \
             They have not been shown to name causes better than the eye alone",
            duration(hours * 3600.0),
            counted(jobs, "extra job"),
            counted(usize::from(asked.worst_conditions), "worst condition"),
        ),
        "\n",
        "  ",
    )
}
