//! `run`: runs a plan, or continues it, and writes the report.

use super::extra_jobs;
use super::run_summary::{closing_words, exit_of, explain, nothing_counts};
use crate::cli::RunArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::slow_notice::SlowNotice;
use crate::console::teller::Teller;
use crate::console::terminal::{Terminal, folded};
use crate::evaluate::by_result;
use crate::evaluate::criteria;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::evaluate::live::{LivePage, Told};
use crate::folder::eye_summaries::CacheUse;
use crate::folder::run_folder::{bench_keys, keys_of, open_for, open_on};
use crate::forecast::Forecast;
use crate::forecast::bench_clock::BenchClock;
use crate::forecast::folder_facts::{PlanSize, digest, keep_shard, shard_of};
use crate::forecast::shard::{Shard, split};
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::{
    BenchEnd, BenchRun, BenchSession, Choosing, not_safe_words, refused, state_folder,
};
use crate::run::disk_space::refuse_without_space;
use crate::run::execute::Executor;
use crate::run::hours::{self, HoursNote};
use crate::run::known::Known;
use crate::run::mountings::check_mountings;
use crate::run::pending::{PendingJob, every_job};
use crate::run::prediction::choosing::{Basis, Visiting};
use crate::run::prediction::expected::kept_expected;
use crate::run::prediction::note::{Chosen, Kept};
use crate::run::progress::{Doing, Progress};
use crate::run::rate_search::RateSearch;
use crate::run::remeasure::{self, Choice, Request, choose};
use crate::run::rounds::Rounds;
use crate::run::signals::Watch;
use crate::run::simulated_run::Night;
use crate::store::{Holder, LimitSet, Store, Target, utc_text};
use contract::{CancelToken, Driver};
use nightbench_core::events::Event;
use nightbench_core::text::counted;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::selection::Selection;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

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
    telling.watch.over();
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

/// What a run left.
pub struct Measured {
    /// Its folder.
    pub dir: PathBuf,
    /// The folder's store, still open.
    pub store: Store,
    /// What was selected of the plan.
    pub selection: Selection,
    pub selected: Vec<PendingJob>,
    /// The signal that stopped it.
    pub stopped: Option<Exit>,
    /// How the bench ended, where there was one.
    pub on_bench: Option<BenchEnd>,
    /// What a simulated run had no time left for, in words.
    pub no_time_left: Option<String>,
    /// The page that tells of it until the report is there.
    pub live: LivePage,
    /// Tells what goes on, and hears signals.
    pub telling: Telling,
}

/// While it lives nobody waits for the terminal, and signals are heard.
pub struct Telling {
    watch: Watch,
    _teller: Option<Teller>,
}

/// How much of what is selected is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// What the plan needs: it may search for the highest rates.
    AsPlanned,
    /// All of it.
    Everything,
}

/// Measures what is selected and not yet done, and stores it.
///
/// # Errors
/// Every refusal of `run`.
pub fn measure(terminal: &Terminal, arguments: &RunArguments, extent: Extent) -> Result<Measured, Failure> {
    let file = PlanFile::read(&arguments.plan, terminal.colour_err)?;
    measure_file(
        terminal,
        arguments,
        &file,
        run_folder_of(&arguments.plan, arguments.into.as_deref()),
        extent,
    )
}

/// As [`measure`], of a plan that was read, into a folder.
///
/// # Errors
/// As [`measure`].
pub fn measure_file(
    terminal: &Terminal,
    arguments: &RunArguments,
    file: &PlanFile,
    dir: PathBuf,
    extent: Extent,
) -> Result<Measured, Failure> {
    let notice = SlowNotice::start(terminal, "working out the order of the jobs ...");
    let plan = &file.plan;
    // The whole plan gives every job its place; selection and shard say which of them are run now.
    let forecast = Forecast::new(plan, &[])?;
    drop(notice);
    let (only_results, only_levels) = by_result::part(&arguments.only.only)?;
    let selection = Selection::read(plan, &only_levels).map_err(Failure::invalid)?;
    let (again_results, again_levels) = by_result::part(&arguments.again)?;
    let again = Selection::read(plan, &again_levels).map_err(Failure::invalid)?;
    let keys = match &arguments.bench {
        Some(_) => bench_keys(plan)?,
        None => keys_of(plan, &Target::Simulated)?,
    };
    let all = every_job(&forecast, &keys);
    let places: Vec<([u8; 32], u64)> = all.iter().map(|pending| (pending.key, pending.position)).collect();
    let mut selected = select(plan, &forecast, all, &selection, arguments.shard)?;
    prepare_place(arguments, &dir)?;
    if !Store::exists(&dir)? {
        if !only_results.is_empty() {
            return Err(Failure::new(
                Exit::NothingSelected,
                format!("--only asks for results, and {} holds none yet", dir.display()),
            ));
        }
        if !arguments.again.is_empty() {
            return Err(Failure::new(
                Exit::NothingSelected,
                format!("nothing to measure again: {} holds no results yet", dir.display()),
            ));
        }
        refuse_without_space(plan, &selected, &dir)?;
    }
    // A study that is not there is found out before anything is measured.
    let criteria = criteria::resolve(AcceptanceCriteria::of(plan), arguments.plan.parent())?;
    let bench = match &arguments.bench {
        Some(path) => {
            let state = state_folder()?;
            let session = BenchSession::prepare(terminal, path, file, &forecast, &keys, &dir, &state)?;
            let program = std::env::current_exe()
                .map_err(|error| refused(format!("no watchdog: this program cannot be found: {error}")))?;
            Some(session.guarded_by(program, path, &dir)?)
        }
        None => None,
    };
    if let (Some(_), Some(shard)) = (plan.predicted, arguments.shard) {
        return Err(Failure::invalid(format!(
            "--shard {shard}: [predicted] chooses what is measured by the results of the whole plan, and a shard has only its own; \
             run it without --shard, or remove [predicted]"
        )));
    }
    let mut store = match &bench {
        Some(session) => open_on(&dir, file, arguments.seed, session.target())?,
        None => open_for(&dir, file, arguments.seed)?,
    };
    if bench.is_some() {
        crate::run::bench_run::reopen_unmeasured(&mut store, &selected)?;
    }
    if let Some(shard) = arguments.shard
        && let Some(held) = shard_of(store.reader())?
        && held != shard.to_string()
    {
        return Err(Failure::invalid(format!(
            "{} holds shard {held}, not {shard}: each shard has a folder of its own, and `merge` makes them whole",
            dir.display()
        )));
    }
    if !only_results.is_empty() {
        let keys = by_result::jobs(&dir, store.reader(), plan, &selected, &only_results)?;
        selected.retain(|pending| keys.contains(&pending.key));
        if selected.is_empty() {
            return Err(Failure::new(
                Exit::NothingSelected,
                "--only: no condition has come to such a result",
            ));
        }
    }
    let done_keys = store.reader().done_keys()?;
    let given_up = store.reader().given_up()?;
    for pending in &mut selected {
        pending.attempt = given_up.get(&pending.key).map_or(1, |last| last.attempt + 1);
    }
    let mut superseded = Vec::new();
    let pending = match &arguments.reason {
        Some(reason) => {
            let request = Request { texts: &arguments.again, reason };
            let chosen: Vec<PendingJob> =
                selected.iter().filter(|pending| again.contains(&pending.condition)).copied().collect();
            let wanted = || match again_results.as_slice() {
                [] => Ok(None),
                results => by_result::jobs(&dir, store.reader(), plan, &chosen, results).map(Some),
            };
            match choose(&request, &chosen, wanted, &given_up, &done_keys, store.reader())? {
                Choice::Continued(pending) => {
                    terminal.note("continuing an earlier request to measure again");
                    pending
                }
                Choice::New(mut again) => {
                    // The attempt that counts now has the number that would be next without it.
                    again.iter_mut().for_each(|pending| pending.attempt += 1);
                    superseded.extend(again.iter().map(|pending| pending.key));
                    again
                }
            }
        }
        None => selected.iter().filter(|pending| !done_keys.contains(&pending.key)).copied().collect(),
    };
    refuse_without_space(plan, &pending, &dir)?;
    // Everything that could refuse has had its say.
    for warning in &file.warnings {
        terminal.note(&format!("warning: {warning}"));
    }
    // A look at what is on record draws at once.
    let begins = !(pending.is_empty() && extent == Extent::Everything);
    if begins {
        terminal.note(&banner(arguments, plan, selected.len(), &dir));
    }
    if let Some(words) = nothing_counts(plan, selected.iter().map(|pending| &pending.condition)) {
        terminal.note(folded(&words, "", "  ").trim_end());
    }
    remember(&mut store, file, &criteria, places, &forecast)?;
    if let Some(shard) = arguments.shard {
        keep_shard(&mut store, &shard.to_string())?;
    }
    let done_before = if arguments.reason.is_some() { 0 } else { selected.len() - pending.len() };
    if done_before > 0 && begins {
        let verb = if done_before == 1 { "is" } else { "are" };
        let total = counted(selected.len(), "job");
        terminal.note(&format!("continuing: {done_before} of {total} {verb} done already"));
    }
    if let (Some(reason), false) = (&arguments.reason, superseded.is_empty()) {
        store.supersede_all(&superseded, reason)?;
        let event = Event::MeasuredAgain { jobs: superseded.len() as u64, reason: reason.clone() };
        log(&mut store, &event)?;
    }
    if let (Some(reason), false) = (&arguments.reason, pending.is_empty()) {
        remeasure::open_request(&mut store, Request { texts: &arguments.again, reason })?;
    }
    log_start(&mut store, &pending, done_before)?;
    let cancel = CancelToken::new();
    // On a bench the points at hand may finish; a simulated job cut anywhere is simply computed again.
    let drop_point = if bench.is_some() { CancelToken::new() } else { cancel.clone() };
    // From here on nobody waits for the terminal.
    let teller = Teller::start();
    let watch = Watch::start(&cancel, &drop_point)
        .map_err(|error| Failure::new(Exit::Store, format!("cannot watch for signals: {error}")))?;
    let clock = BenchClock::of_store(plan, &forecast, store.reader())?;
    let clock = clock.only(selected.iter().map(|todo| todo.position));
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
    let hours = if extent == Extent::AsPlanned { hours::given(plan, arguments.hours) } else { None };
    if hours.is_none() {
        HoursNote::forget(&mut store)?;
    }
    let mut no_time_left = None;
    // What is asked for again is measured, whatever a search makes of it.
    let search = match (&arguments.reason, extent) {
        (Some(_), _) | (None, Extent::Everything) => None,
        (None, Extent::AsPlanned) => RateSearch::new(plan, &forecast.expansion, &selected),
    };
    // What is named is measured, and so is what is asked for again.
    let predicts = plan
        .predicted
        .filter(|_| arguments.reason.is_none() && extent == Extent::AsPlanned)
        .filter(|_| selection.is_everything() && only_results.is_empty());
    let whole = every_job(&forecast, &keys);
    let basis = match predicts {
        Some(asked) => {
            let of = (plan, &forecast, &executor);
            let prior = kept_expected(terminal, of, &file.measured, &mut store, threads, &cancel)?;
            Some(Basis::new(plan, &forecast, asked, &prior, arguments.seed))
        }
        None => None,
    };
    let visiting = match &basis {
        Some(basis) => {
            let meta = store.reader().meta()?;
            let chosen = Kept::of(store.reader(), &meta)?.map_or_else(Chosen::default, |kept| kept.chosen);
            Some(Visiting::begin(basis, chosen, &mut store, (&whole, &pending))?)
        }
        None => None,
    };
    let doing = Doing::default();
    let live = LivePage::start(
        &dir,
        Told {
            doing: doing.clone(),
            allowed: bench.iter().flat_map(BenchSession::allowed).collect(),
            alarms: match &bench {
                Some(session) => Box::new(session.alarms()),
                None => Box::new(Vec::new),
            },
        },
    );
    let ran = match bench {
        Some(session) => {
            if let Some(hours) = hours {
                HoursNote::on_bench(hours).keep(&mut store)?;
            }
            let choosing = match (search, hours, visiting) {
                (None, None, None) => None,
                (mut search, hours, visiting) => {
                    let mut known = Known::new(plan, &forecast.expansion);
                    known.read(&dir, store.reader(), &whole)?;
                    if let Some(search) = &mut search {
                        search.begin(&known);
                    }
                    Some(Choosing { known, search, hours, visiting })
                }
            };
            let executor = executor.with_drop_point(drop_point);
            let mut progress = Progress::new(*terminal, done_before, done_before + pending.len())
                .with_clock(clock)
                .told_to(doing)
                .announced(None);
            let run = BenchRun { plan, forecast: &forecast, executor, pending: &pending, choosing };
            let ended = session.run(run, &mut store, &cancel, &mut progress);
            progress.finish();
            ended.map(Some)
        }
        None => {
            let checked = check_mountings(plan, &executor, &options, &pending, threads, &cancel)?;
            for note in &checked.notes {
                terminal.note(&format!("mounting check: {note}"));
            }
            executor.give_up(checked.given_up);
            let options = Arc::new(options);
            let open = || -> Box<dyn Driver> { Box::new(SimulatedTarget::new(Arc::clone(&options))) };
            let mut progress = Progress::new(*terminal, done_before, done_before + pending.len())
                .with_clock(clock)
                .told_to(doing)
                .announced(Some(guess(plan, &pending, threads)));
            let night = Night { dir: &dir, plan, executor: &executor, open: &open, threads };
            let rounds =
                Rounds { forecast: &forecast, all: &whole, pending: &pending, search, hours, visiting };
            let outcome =
                rounds.run(&night, &mut store, &cancel, &mut progress, || utc_text(SystemTime::now()));
            progress.finish();
            outcome.map(|left| {
                no_time_left = left;
                None
            })
        }
    };
    let on_bench = ran?;
    if let (Some(hours), Some(ended)) = (hours, &on_bench)
        && watch.exit().is_none()
    {
        HoursNote::on_bench(hours).end(&mut store, ended.no_time_left.clone())?;
    }
    let stopped = watch.exit();
    log(&mut store, if stopped.is_some() { &Event::StoppedBySignal } else { &Event::RunEnded })?;
    if arguments.reason.is_some() && stopped.is_none() {
        remeasure::close_request(&mut store)?;
    }
    Ok(Measured {
        dir,
        store,
        selection,
        selected,
        stopped,
        on_bench,
        no_time_left,
        live,
        telling: Telling { watch, _teller: teller },
    })
}

/// Seconds of one core for a lane of one eye, where it was measured: before the first job is done there is nothing better.
const LANE_S: f64 = 0.004;

/// Seconds that the jobs may take on this computer, before the first is done.
fn guess(plan: &Plan, todo: &[PendingJob], threads: usize) -> f64 {
    let directions = plan.capture.directions.len() as f64;
    let lanes = |todo: &PendingJob| {
        let module = todo.condition.module(plan);
        module.lanes().iter().count() as f64 * f64::from(module.ranks) * directions
    };
    todo.iter().map(lanes).sum::<f64>() * LANE_S / threads.max(1) as f64
}

/// What begins, in words.
fn banner(arguments: &RunArguments, plan: &Plan, jobs: usize, dir: &Path) -> String {
    let target = match &arguments.bench {
        Some(bench) => format!("the bench of {}", bench.display()),
        None => format!("the simulated target, seed {}", arguments.seed),
    };
    // What is measured is chosen while it runs.
    let most = if plan.predicted.is_some() { " at most" } else { "" };
    format!("{}: {}{most} on {target}, into {}", plan.title, counted(jobs, "job"), dir.display())
}

/// The run folder of a plan: the one asked for, or runs/NAME.
pub fn run_folder_of(plan: &Path, into: Option<&Path>) -> PathBuf {
    into.map_or_else(|| Path::new("runs").join(plan.file_stem().unwrap_or_default()), Path::to_owned)
}

fn select(
    plan: &Plan,
    forecast: &Forecast,
    all: Vec<PendingJob>,
    selection: &Selection,
    shard: Option<Shard>,
) -> Result<Vec<PendingJob>, Failure> {
    let shards = shard.map(|shard| split(plan, forecast, shard.count));
    let selected: Vec<PendingJob> = all
        .into_iter()
        .enumerate()
        .filter(|(place, pending)| {
            selection.contains(&pending.condition)
                && match (shard, &shards) {
                    (Some(shard), Some(shards)) => shards.get(*place) == Some(&shard.index),
                    _ => true,
                }
        })
        .map(|(_, pending)| pending)
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

fn log(store: &mut Store, event: &Event) -> Result<(), Failure> {
    store.append_event(&utc_text(SystemTime::now()), event).map_err(Failure::from)
}

fn log_start(store: &mut Store, pending: &[PendingJob], done_before: usize) -> Result<(), Failure> {
    if let Some(holder) = store.left_by() {
        let by = holder.to_string();
        log(store, &Event::FoundOpen { by })?;
    }
    let by = Holder::current().to_string();
    log(store, &Event::RunStarted { jobs: pending.len() as u64, done_before: done_before as u64, by })
}

/// Stores the plan as it is now, the jobs' places and the limits it would be judged by.
fn remember(
    store: &mut Store,
    file: &PlanFile,
    criteria: &AcceptanceCriteria,
    places: Vec<([u8; 32], u64)>,
    forecast: &Forecast,
) -> Result<(), Failure> {
    let utc = utc_text(SystemTime::now());
    let meta = store.reader().meta()?;
    if meta.plan_text != file.text {
        let event = Event::PlanChanged {
            title: file.plan.title.clone(),
            sha256: digest(&file.text),
            before_title: meta.title,
            before_sha256: digest(&meta.plan_text),
        };
        log(store, &event)?;
        store.extend_plan(&utc, &file.plan.title, &file.text, places)?;
    }
    PlanSize::new(&file.text, forecast).keep(store)?;
    let fresh = store.reader().done_keys()?.is_empty();
    let (known, _) = criteria::recorded(store.reader(), &file.plan)?;
    if known.iter().any(|set| set.criteria == *criteria) {
        return Ok(());
    }
    let limits_text = criteria::recorded_text("the plan", criteria);
    store
        .record_limits(&LimitSet { limits_text, agreed_before_measuring: fresh, recorded_utc: utc })
        .map_err(Failure::from)
}
