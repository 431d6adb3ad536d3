//! `run`: runs a plan, or continues it, and writes the report.

use crate::cli::RunArguments;
use crate::digests::CacheUse;
use crate::execute::Executor;
use crate::exit::{Exit, Failure, Outcome};
use crate::forecast::Forecast;
use crate::judging::{JudgedBy, JudgedFolder, worst};
use crate::night::{Night, Todo, simulate};
use crate::plan_file::PlanFile;
use crate::progress::Progress;
use crate::run_folder::{open_for, store_failure};
use crate::signals::Watch;
use crate::store::{LimitSet, Store, utc_text};
use crate::term_sets;
use crate::terminal::{Terminal, table};
use drivers::contract::CancelToken;
use drivers::simulated::target::{MODEL_VERSION, SimulatedOptions};
use plans::expand::{JobKeys, Selection};
use plans::plan::Plan;
use plans::plan::terms::Terms;
use reports::judge::every_verdict_passes;
use reports::judged::Verdict;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Runs or continues a plan.
pub fn run(terminal: &Terminal, arguments: &RunArguments) -> Outcome {
    let file = PlanFile::read(&arguments.plan, terminal.colour_err)?;
    let plan = &file.plan;
    let dir = folder(arguments);
    // The whole plan gives every job its place; the selection says which of them are run now.
    let forecast = Forecast::new(plan, &[])?;
    let selection = Selection::read(plan, &arguments.only.only).map_err(Failure::invalid)?;
    let keys = JobKeys::new(plan, MODEL_VERSION);
    let selected: Vec<Todo> = forecast
        .jobs
        .iter()
        .enumerate()
        .map(|(position, job)| {
            let condition = forecast.expansion.conditions[job.condition as usize];
            Todo { job: *job, condition, key: keys.key(&condition, job), position: position as u64 }
        })
        .collect();
    let places: Vec<([u8; 32], u64)> = selected.iter().map(|todo| (todo.key, todo.position)).collect();
    let selected: Vec<Todo> =
        selected.into_iter().filter(|todo| selection.contains(&todo.condition)).collect();
    if selected.is_empty() {
        return Err(Failure::new(Exit::NothingSelected, "nothing to run: the selection is empty"));
    }
    terminal.note(&format!(
        "{}: {} jobs on the simulated target, seed {}, into {}",
        plan.title,
        selected.len(),
        arguments.seed,
        dir.display()
    ));
    // A study that is not there is found out before anything is measured.
    let terms = term_sets::resolve(Terms::of(plan), arguments.plan.parent())?;
    let mut store = open_for(&dir, &file, arguments.seed)?;
    remember(&mut store, &file, &terms, places)?;
    let done_keys = store.reader().done_keys().map_err(|error| store_failure(&error))?;
    let todo: Vec<Todo> = selected.iter().filter(|todo| !done_keys.contains(&todo.key)).copied().collect();
    let done_before = selected.len() - todo.len();
    if done_before > 0 {
        terminal.note(&format!("continuing: {done_before} of {} jobs are done already", selected.len()));
    }
    let cancel = CancelToken::new();
    let watch = Watch::start(&cancel)
        .map_err(|error| Failure::new(Exit::Store, format!("cannot watch for signals: {error}")))?;
    let executor = Executor::new(plan, &forecast.expansion, &keys);
    let options = SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed: arguments.seed,
    };
    let threads = arguments.threads.map_or_else(
        || std::thread::available_parallelism().map_or(1, std::num::NonZeroUsize::get),
        usize::from,
    );
    let mut progress = Progress::new(*terminal, done_before, selected.len());
    let outcome = simulate(
        Night { plan, executor: &executor, options, threads },
        &todo,
        &mut store,
        &cancel,
        &mut progress,
    );
    progress.finish();
    outcome?;
    let stopped = watch.exit();
    let folder = JudgedFolder::read(&dir, store.reader(), JudgedBy::plan(CacheUse::Keep))?;
    let report = folder.write_page(&dir, store.reader())?;
    store.close().map_err(|error| store_failure(&error))?;
    if arguments.json.json {
        terminal.out(&folder.summary(&report).to_string());
    } else {
        terminal.out(&ending(&folder, &report));
    }
    Ok(stopped.unwrap_or_else(|| exit_of(plan, &folder, &selection)))
}

fn folder(arguments: &RunArguments) -> PathBuf {
    arguments.into.clone().unwrap_or_else(|| {
        let stem = arguments.plan.file_stem().unwrap_or_default();
        Path::new("runs").join(stem)
    })
}

/// Stores the plan as it is now, the jobs' places and the limits it would be judged by.
fn remember(
    store: &mut Store,
    file: &PlanFile,
    terms: &Terms,
    places: Vec<([u8; 32], u64)>,
) -> Result<(), Failure> {
    let utc = utc_text(SystemTime::now());
    let meta = store.reader().meta().map_err(|error| store_failure(&error))?;
    if meta.plan_text != file.text {
        store
            .extend_plan(&utc, &file.plan.title, &file.text, places)
            .map_err(|error| store_failure(&error))?;
    }
    let fresh = store.reader().done_keys().map_err(|error| store_failure(&error))?.is_empty();
    let (known, _) = term_sets::recorded(store.reader(), &file.plan)?;
    if known.iter().any(|set| set.terms == *terms) {
        return Ok(());
    }
    let limits_text = term_sets::recorded_text("the plan", terms);
    store
        .record_limits(&LimitSet { limits_text, agreed_before_measuring: fresh, recorded_utc: utc })
        .map_err(|error| store_failure(&error))
}

/// The exit code of a run: over the conditions that were selected.
fn exit_of(plan: &Plan, folder: &JudgedFolder, selection: &Selection) -> Exit {
    let counts = |condition: &&reports::judged::JudgedCondition| {
        selection.contains(&condition.condition)
            && (!condition.beyond_rating || plan.decision.beyond_rating_counts)
    };
    let mut all_pass = every_verdict_passes(&folder.run) || !selection.is_everything();
    for condition in folder.run.conditions.iter().filter(counts) {
        match condition.verdict {
            None => return Exit::Incomplete,
            Some(verdict) => all_pass &= verdict == Verdict::Pass,
        }
    }
    if all_pass { Exit::Pass } else { Exit::NotAllPass }
}

/// The last words of a run: verdicts, the worst condition, and where the report is.
pub fn ending(folder: &JudgedFolder, report: &Path) -> String {
    let run = &folder.run;
    let mut rows: Vec<Vec<String>> = Verdict::ALL
        .iter()
        .map(|verdict| {
            vec![
                verdict.words().to_string(),
                run.verdicts.of(*verdict).to_string(),
                run.beyond_rating.of(*verdict).to_string(),
            ]
        })
        .collect();
    rows.push(vec!["not measured".into(), run.not_measured.to_string(), String::new()]);
    let mut text = String::new();
    if folder.facts.simulated {
        text.push_str("SIMULATED - not measured\n");
    }
    text.push_str(&table(&["conditions", "within rating", "beyond rating"], &rows, 1));
    if let Some((name, metric)) = worst(run) {
        text.push_str(&format!(
            "\n\nworst: {name}: {} of {}, lane {}: margin {:+.1} {unit} (limit {:.1} {unit}, U {:.1} {unit}), {}",
            metric.metric.name(),
            metric.eye,
            metric.lane,
            metric.margin,
            metric.limit,
            metric.expanded_uncertainty,
            metric.verdict.words(),
            unit = metric.metric.base_unit(),
        ));
    }
    text.push_str(&format!("\n\nreport: {}", report.display()));
    text
}
