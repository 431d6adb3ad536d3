//! `run`: runs a plan, or continues it, and writes the report.

use crate::again::{Choice, choose};
use crate::bench_clock::BenchClock;
use crate::bench_run::BenchRun;
use crate::cli::RunArguments;
use crate::digests::CacheUse;
use crate::execute::Executor;
use crate::exit::{Exit, Failure, Outcome};
use crate::fitted::check_fittings;
use crate::folder_facts::{PlanSize, keep_shard};
use crate::forecast::Forecast;
use crate::judging::{JudgedBy, JudgedFolder, worst};
use crate::night::{Night, Todo, simulate};
use crate::plan_file::PlanFile;
use crate::progress::Progress;
use crate::room::refuse_without_room;
use crate::run_folder::{bench_keys, open_for, open_on, store_failure};
use crate::shard::{Shard, split};
use crate::signals::Watch;
use crate::store::{Holder, LimitSet, Store, utc_text};
use crate::term_sets;
use crate::terminal::{Terminal, duration, table};
use drivers::contract::{CancelToken, Driver};
use drivers::simulated::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget};
use plans::expand::{JobKeys, Selection};
use plans::plan::Plan;
use plans::plan::terms::Terms;
use reports::judge::every_verdict_passes;
use reports::judged::Verdict;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

/// Runs or continues a plan.
pub fn run(terminal: &Terminal, arguments: &RunArguments) -> Outcome {
    let file = PlanFile::read(&arguments.plan, terminal.colour_err)?;
    for warning in &file.warnings {
        terminal.note(&format!("warning: {warning}"));
    }
    let plan = &file.plan;
    let dir = folder(arguments);
    // The whole plan gives every job its place; selection and shard say which of them are run now.
    let forecast = Forecast::new(plan, &[])?;
    let selection = Selection::read(plan, &arguments.only.only).map_err(Failure::invalid)?;
    let keys = match &arguments.bench {
        Some(_) => bench_keys(plan),
        None => JobKeys::new(plan, MODEL_VERSION),
    };
    let all = in_order(&forecast, &keys);
    let places: Vec<([u8; 32], u64)> = all.iter().map(|todo| (todo.key, todo.position)).collect();
    let mut selected = select(plan, &forecast, all, &selection, arguments.shard)?;
    prepare_place(arguments, &dir)?;
    if !Store::exists(&dir).map_err(|error| store_failure(&error))? {
        if !arguments.again.is_empty() {
            return Err(Failure::new(
                Exit::NothingSelected,
                format!("nothing to measure again: {} holds no results yet", dir.display()),
            ));
        }
        refuse_without_room(plan, &selected, &dir)?;
    }
    terminal.note(&format!(
        "{}: {} jobs on {}, into {}",
        plan.title,
        selected.len(),
        match &arguments.bench {
            Some(bench) => format!("the bench of {}", bench.display()),
            None => format!("the simulated target, seed {}", arguments.seed),
        },
        dir.display()
    ));
    // A study that is not there is found out before anything is measured.
    let terms = term_sets::resolve(Terms::of(plan), arguments.plan.parent())?;
    let bench = match &arguments.bench {
        Some(path) => {
            Some(crate::bench_run::BenchSession::prepare(terminal, path, &file, &forecast, &keys, &dir)?)
        }
        None => None,
    };
    let mut store = match &bench {
        Some(session) => open_on(&dir, &file, arguments.seed, session.target())?,
        None => open_for(&dir, &file, arguments.seed)?,
    };
    if bench.is_some() {
        crate::bench_run::reopen_unmeasured(&mut store, &selected)?;
    }
    let done_keys = store.reader().done_keys().map_err(|error| store_failure(&error))?;
    let given_up = store.reader().given_up().map_err(|error| store_failure(&error))?;
    for todo in &mut selected {
        todo.attempt = given_up.get(&todo.key).map_or(1, |last| last.attempt + 1);
    }
    let mut superseded = Vec::new();
    let todo = match &arguments.reason {
        Some(reason) => {
            match choose(plan, &arguments.again, reason, &selected, &given_up, &done_keys, store.reader())? {
                Choice::Continued(pending) => pending,
                Choice::New(mut again) => {
                    // The attempt that counts now has the number that would be next without it.
                    again.iter_mut().for_each(|todo| todo.attempt += 1);
                    superseded.extend(again.iter().map(|todo| todo.key));
                    again
                }
            }
        }
        None => selected.iter().filter(|todo| !done_keys.contains(&todo.key)).copied().collect(),
    };
    refuse_without_room(plan, &todo, &dir)?;
    remember(&mut store, &file, &terms, places, &forecast)?;
    if let Some(shard) = arguments.shard {
        keep_shard(&mut store, &shard.to_string())?;
    }
    let done_before = if arguments.reason.is_some() { 0 } else { selected.len() - todo.len() };
    if done_before > 0 {
        terminal.note(&format!("continuing: {done_before} of {} jobs are done already", selected.len()));
    }
    if let (Some(reason), false) = (&arguments.reason, superseded.is_empty()) {
        store.supersede_all(&superseded, reason).map_err(|error| store_failure(&error))?;
        log(&mut store, "measured again", &format!("{} jobs: {reason}", superseded.len()))?;
    }
    log_start(&mut store, &todo, done_before)?;
    let cancel = CancelToken::new();
    // On a bench the points at hand may finish; a simulated job cut anywhere is simply computed again.
    let drop_point = if bench.is_some() { CancelToken::new() } else { cancel.clone() };
    let watch = Watch::start(&cancel, &drop_point)
        .map_err(|error| Failure::new(Exit::Store, format!("cannot watch for signals: {error}")))?;
    let mut executor = Executor::new(plan, &forecast.expansion, &keys);
    let options = SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: file.measured.clone(),
        seed: arguments.seed,
    };
    let threads = arguments.threads.map_or_else(
        || std::thread::available_parallelism().map_or(1, std::num::NonZeroUsize::get),
        usize::from,
    );
    let ran = match bench {
        Some(session) => {
            let executor = executor.with_drop_point(drop_point);
            let mut progress = Progress::new(*terminal, done_before, done_before + todo.len())
                .with_clock(BenchClock::of_store(plan, &forecast, store.reader())?);
            let run = BenchRun { plan, forecast: &forecast, executor, todo: &todo };
            let ended = session.run(run, &mut store, &cancel, &mut progress);
            progress.finish();
            ended.map(Some)
        }
        None => {
            let checked = check_fittings(plan, &executor, &options, &todo, threads, &cancel)?;
            for note in &checked.notes {
                terminal.note(&format!("fit check: {note}"));
            }
            executor.give_up(checked.given_up);
            let options = Arc::new(options);
            let open = || -> Box<dyn Driver> { Box::new(SimulatedTarget::new(Arc::clone(&options))) };
            let mut progress = Progress::new(*terminal, done_before, done_before + todo.len())
                .with_clock(BenchClock::of_store(plan, &forecast, store.reader())?);
            let outcome = simulate(
                Night { plan, executor: &executor, open: &open, threads },
                &todo,
                &mut store,
                &cancel,
                &mut progress,
            );
            progress.finish();
            outcome.map(|_| None)
        }
    };
    let on_bench = ran?;
    let stopped = watch.exit();
    log(&mut store, if stopped.is_some() { "stopped by a signal" } else { "run ended" }, "")?;
    let folder = JudgedFolder::read(&dir, store.reader(), JudgedBy::plan(CacheUse::Keep))?;
    let report = folder.write_page(&dir, store.reader())?;
    store.close().map_err(|error| store_failure(&error))?;
    if arguments.json.json {
        terminal.out(&folder.summary(&report).to_string());
    } else {
        terminal.out(&ending(&folder, &report));
    }
    let verdicts = exit_of(plan, &folder, &selection, arguments.shard.map(|_| &selected[..]));
    if let Some(ended) = &on_bench {
        if let Some(words) = &ended.not_safe {
            terminal
                .note(&format!("\n*** COULD NOT MAKE SAFE ***\n{words}\nSwitch the bench off by hand now."));
            return Ok(Exit::NotSafe);
        }
        return Ok(stopped.unwrap_or_else(|| ended.exit(verdicts)));
    }
    Ok(stopped.unwrap_or(verdicts))
}

fn folder(arguments: &RunArguments) -> PathBuf {
    arguments.into.clone().unwrap_or_else(|| {
        let stem = arguments.plan.file_stem().unwrap_or_default();
        Path::new("runs").join(stem)
    })
}

/// Every job of the plan in the order it runs.
fn in_order(forecast: &Forecast, keys: &JobKeys<'_>) -> Vec<Todo> {
    (0..)
        .zip(&forecast.jobs)
        .map(|(position, job)| {
            let condition = forecast.expansion.conditions[job.condition as usize];
            Todo { job: *job, condition, key: keys.key(&condition, job), position, attempt: 1 }
        })
        .collect()
}

fn select(
    plan: &Plan,
    forecast: &Forecast,
    all: Vec<Todo>,
    selection: &Selection,
    shard: Option<Shard>,
) -> Result<Vec<Todo>, Failure> {
    let shards = shard.map(|shard| split(plan, forecast, shard.count));
    let selected: Vec<Todo> = all
        .into_iter()
        .enumerate()
        .filter(|(place, todo)| {
            selection.contains(&todo.condition)
                && match (shard, &shards) {
                    (Some(shard), Some(shards)) => shards.get(*place) == Some(&shard.index),
                    _ => true,
                }
        })
        .map(|(_, todo)| todo)
        .collect();
    if selected.is_empty() {
        let words = match shard {
            Some(shard) => format!(
                "nothing to run: shard {shard} holds no job of the selection (a plan has no more shards than \
                 mountings); `merge` does not miss it"
            ),
            None => "nothing to run: the selection is empty".to_string(),
        };
        return Err(Failure::new(Exit::NothingSelected, words));
    }
    Ok(selected)
}

/// The folder above the run folder: only the default one is made without being asked.
fn prepare_place(arguments: &RunArguments, dir: &Path) -> Result<(), Failure> {
    let above = dir.parent().filter(|above| !above.as_os_str().is_empty());
    match above {
        Some(above) if arguments.into.is_none() => std::fs::create_dir_all(above)
            .map_err(|error| Failure::new(Exit::Store, format!("{}: {error}", above.display()))),
        Some(above) if !above.is_dir() => Err(Failure::invalid(format!(
            "{}: cannot be created, because {} is no folder; create that first",
            dir.display(),
            above.display()
        ))),
        _ => Ok(()),
    }
}

fn log(store: &mut Store, kind: &str, text: &str) -> Result<(), Failure> {
    store.append_event(&utc_text(SystemTime::now()), kind, text).map_err(|error| store_failure(&error))
}

fn log_start(store: &mut Store, todo: &[Todo], done_before: usize) -> Result<(), Failure> {
    if let Some(holder) = store.left_by() {
        let words = format!("{holder} ended without closing the folder");
        log(store, "found", &words)?;
    }
    let words = format!("{} jobs to do, {done_before} done before, by {}", todo.len(), Holder::current());
    log(store, "run started", &words)
}

/// Stores the plan as it is now, the jobs' places and the limits it would be judged by.
fn remember(
    store: &mut Store,
    file: &PlanFile,
    terms: &Terms,
    places: Vec<([u8; 32], u64)>,
    forecast: &Forecast,
) -> Result<(), Failure> {
    let utc = utc_text(SystemTime::now());
    let meta = store.reader().meta().map_err(|error| store_failure(&error))?;
    if meta.plan_text != file.text {
        store
            .extend_plan(&utc, &file.plan.title, &file.text, places)
            .map_err(|error| store_failure(&error))?;
    }
    PlanSize::new(&file.text, forecast).keep(store)?;
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

/// The exit code of a run: over the conditions that were selected. A shard answers for its own jobs: a condition
/// whose other mountings belong to other shards is not held against it.
fn exit_of(plan: &Plan, folder: &JudgedFolder, selection: &Selection, shard: Option<&[Todo]>) -> Exit {
    let mut own: HashMap<u32, usize> = HashMap::new();
    for todo in shard.into_iter().flatten() {
        *own.entry(todo.job.condition).or_default() += 1;
    }
    let counts = |condition: &reports::judged::JudgedCondition| {
        selection.contains(&condition.condition)
            && (!condition.beyond_rating || plan.decision.beyond_rating_counts)
    };
    let mut all_pass = every_verdict_passes(&folder.run) || !selection.is_everything() || shard.is_some();
    for (index, condition) in (0..).zip(&folder.run.conditions) {
        let own_jobs = own.get(&index).copied();
        if !counts(condition) || (shard.is_some() && own_jobs.is_none()) {
            continue;
        }
        match condition.verdict {
            None if own_jobs.is_some_and(|jobs| {
                condition.jobs.len() >= jobs && condition.jobs.iter().all(|job| job.trouble.is_empty())
            }) && condition.jobs.len() < plan.repeats.jobs() as usize => {}
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
            "\n\nworst: {name}\n  {} of {}, lane {}: margin {:+.1} {unit} (limit {:.1}, U {:.1} {unit}), {}",
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
    if let Some(hours) = &folder.hours {
        text.push_str(&format!(
            "\n\nbench time: {} (measuring and training {}, ramps and soak {}, hands {})",
            duration((hours.total - hours.waiting) * 3600.0),
            duration((hours.measuring + hours.training) * 3600.0),
            duration((hours.ramps + hours.soak + hours.settle) * 3600.0),
            duration((hours.hands_on + hours.boot) * 3600.0),
        ));
        if hours.waiting > 0.0 {
            text.push_str(&format!(
                ", and {} of waiting for attended hours",
                duration(hours.waiting * 3600.0)
            ));
        }
    }
    text.push_str(&format!("\n\nreport: {}", report.display()));
    text
}
