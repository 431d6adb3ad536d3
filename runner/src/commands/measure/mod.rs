//! Measures what is asked for of a plan: refuses what cannot be done, keeps what begins, has it carried out.

mod carry_out;
mod record;
mod wanted;

use super::run_summary::nothing_counts;
use crate::cli::RunArguments;
use crate::console::exit::{Exit, Failure};
use crate::console::slow_notice::SlowNotice;
use crate::console::teller::Teller;
use crate::console::terminal::{Terminal, duration, folded};
use crate::evaluate::criteria;
use crate::evaluate::live::{LivePage, Told};
use crate::folder::run_folder::{bench_keys, keys_of, open_for, open_on};
use crate::forecast::bench_clock::BenchClock;
use crate::forecast::{Forecast, PRIOR_SD};
use crate::inputs::plan_file::PlanFile;
use crate::run::asked;
use crate::run::bench_run::{BenchEnd, BenchSession, refused, state_folder, unmeasured};
use crate::run::disk_space::refuse_without_space;
use crate::run::earlier_nights::EarlierNights;
use crate::run::execute::Executor;
use crate::run::hours::{self, HoursNote, walked_nights};
use crate::run::known::Known;
use crate::run::pending::{PendingJob, every_job};
use crate::run::prediction::choosing::{Basis, Visiting};
use crate::run::prediction::expected::kept_expected;
use crate::run::prediction::foreseen::{Foretold, SoFar};
use crate::run::prediction::note::{Marks, chosen_so_far};
use crate::run::progress::{Doing, Progress};
use crate::run::rate_search::{RateSearch, positions};
use crate::run::remeasure;
use crate::run::signals::Watch;
use crate::store::{Store, Target};
use carry_out::Work;
use contract::CancelToken;
use nightbench_core::events::Event;
use nightbench_core::text::counted;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::selection::Selection;
use simulator::target::SimulatedOptions;
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use wanted::Todo;
pub use wanted::{Named, Wanted};

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

impl Telling {
    /// Only words are left: a signal now ends the program.
    pub fn over(&self) {
        self.watch.over();
    }
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
    let mut forecast = Forecast::new(plan, &[])?;
    drop(notice);
    let wanted = Wanted::read(plan, Named::from(arguments))?;
    let keys = match &arguments.bench {
        Some(_) => bench_keys(plan)?,
        None => keys_of(plan, &Target::Simulated)?,
    };
    let all = every_job(&forecast, &keys);
    let mut selected = wanted.select(plan, &forecast, &all)?;
    prepare_place(arguments, &dir)?;
    if !Store::exists(&dir)? {
        wanted.refuse_without_results(&dir)?;
        refuse_without_space(plan, &selected, &dir)?;
    }
    // A study that is not there is found out before anything is measured.
    let criteria = criteria::resolve(AcceptanceCriteria::of(plan), arguments.plan.parent())?;
    let nights = EarlierNights::read(&arguments.nights)?;
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
    refuse_choosing_shard(plan, arguments)?;
    nights.refuse_others(&bench.as_ref().map_or(Target::Simulated, BenchSession::target))?;
    let mut store = match &bench {
        Some(session) => open_on(&dir, file, arguments.seed, session.target())?,
        None => open_for(&dir, file, arguments.seed)?,
    };
    record::refuse_other_shard(&dir, store.reader(), arguments)?;
    wanted.keep_results(&dir, store.reader(), plan, &mut selected)?;
    let tried_again = match &bench {
        Some(_) => unmeasured(store.reader())?,
        None => HashSet::new(),
    };
    let todo = wanted.todo(&dir, store.reader(), plan, &selected, &tried_again)?;
    refuse_without_space(plan, &todo.pending, &dir)?;
    // Everything that could refuse has had its say.
    let done_before = if arguments.reason.is_some() { 0 } else { selected.len() - todo.pending.len() };
    tell_beginning(terminal, arguments, file, &selected, &todo, (done_before, extent), &dir);
    record::keep_plan(&mut store, file, &criteria, &all, &forecast)?;
    let nights = nights.of_run(&mut store)?;
    forecast.learned = nights.learned(PRIOR_SD);
    if let (true, Some(words)) = (begins(&todo, extent), nights.words(PRIOR_SD)) {
        terminal.note(folded(&words, "", "  ").trim_end());
    }
    record::keep_beginning(&mut store, arguments, &todo, done_before as u64)?;
    let narrowed = if wanted.is_everything() { &[][..] } else { &todo.pending };
    asked::keep(&mut store, narrowed)?;
    let pending = &todo.pending;
    let cancel = CancelToken::new();
    // On a bench the points at hand may finish; a simulated job cut anywhere is simply computed again.
    let drop_point = if bench.is_some() { CancelToken::new() } else { cancel.clone() };
    // From here on nobody waits for the terminal.
    let teller = Teller::start();
    let watch = Watch::start(&cancel, &drop_point)
        .map_err(|error| Failure::new(Exit::Store, format!("cannot watch for signals: {error}")))?;
    let clock = BenchClock::of_run(
        (plan, &forecast),
        (store.reader(), walked_nights(store.reader(), &forecast)?),
        (&positions(pending), &positions(&selected)),
    )?;
    let executor = Executor::new(plan, &forecast.expansion, &keys);
    let threads = arguments.threads.map_or_else(
        || std::thread::available_parallelism().map_or(1, std::num::NonZeroUsize::get),
        usize::from,
    );
    let hours = if extent == Extent::AsPlanned { hours::given(plan, arguments.hours) } else { None };
    if let Some(words) = hours.and_then(|_| hours::fewer_words(plan, arguments.hours)) {
        terminal.note(&words);
    }
    if hours.is_none() {
        HoursNote::forget(&mut store, &forecast)?;
    }
    // What is asked for again is measured, whatever a search or a prediction makes of it.
    let as_planned = arguments.reason.is_none() && extent == Extent::AsPlanned;
    let search = if as_planned { RateSearch::new(plan, &forecast.expansion, &selected) } else { None };
    // What is named is measured as well.
    let basis = match plan.predicted.filter(|_| as_planned && wanted.is_everything()) {
        Some(asked) => {
            let of = (plan, &forecast, &executor);
            let marks = Marks::of(&file.text, &forecast.expansion, &keys);
            let kept = (&mut store, &marks);
            let prior = kept_expected(terminal, of, &file.measured, kept, threads, &cancel)?;
            Some(Basis::new(plan, &forecast, asked, (&prior, marks), arguments.seed))
        }
        None => None,
    };
    let visiting = match &basis {
        Some(basis) => {
            let chosen = chosen_so_far(store.reader(), basis.marks())?;
            Some(Visiting::begin(basis, chosen, &mut store, (&all, pending))?)
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
    let forecast = &forecast;
    let progress = Progress::new(*terminal, done_before, done_before + pending.len());
    let mut progress = progress.with_clock(clock).told_to(doing);
    if let (Some(basis), Some(visiting)) = (&basis, &visiting) {
        let (jobs, hours) = foretold(basis, visiting, (&dir, &store), &all)?;
        let words = match jobs.len() {
            0 => "with what is known now nothing more is worth its hours".to_string(),
            count => format!(
                "with what is known now {count} of these jobs will be measured, in about {}; the verdicts of the others are predicted",
                duration(3600.0 * hours)
            ),
        };
        terminal.note(folded(&words, "", "  ").trim_end());
        progress.foretold(jobs.iter().map(|one| one.position));
    }
    let work =
        Work { terminal, dir: &dir, plan, forecast, all: &all, pending, progress, search, hours, visiting };
    let (on_bench, no_time_left) = match bench {
        Some(session) => {
            let executor = executor.with_drop_point(drop_point);
            (Some(work.on_bench(session, executor, &mut store, &cancel)?), None)
        }
        None => {
            let options = SimulatedOptions {
                interface: plan.interface.clone(),
                model: plan.model.clone(),
                directions: plan.capture.directions.clone(),
                measured: file.measured.clone(),
                seed: arguments.seed,
            };
            (None, work.simulated(options, executor, threads, &mut store, &cancel)?)
        }
    };
    let stopped = watch.exit();
    if let (Some(hours), Some(ended), None) = (hours, &on_bench, stopped) {
        HoursNote::on_bench(hours).end(
            &mut store,
            ended.no_time_left.clone(),
            ended.nobody_there.as_ref(),
        )?;
    }
    record::log(&mut store, if stopped.is_some() { &Event::StoppedBySignal } else { &Event::RunEnded })?;
    if arguments.reason.is_some() && stopped.is_none() {
        remeasure::close_request(&mut store)?;
    }
    Ok(Measured {
        dir,
        store,
        selection: wanted.selection,
        selected,
        stopped,
        on_bench,
        no_time_left,
        live,
        telling: Telling { watch, _teller: teller },
    })
}

/// The jobs that a run with predictions will still do, by what it knows as it begins, and the bench hours of that.
fn foretold(
    basis: &Basis<'_>,
    visiting: &Visiting<'_>,
    (dir, store): (&Path, &Store),
    all: &[PendingJob],
) -> Result<(Vec<PendingJob>, f64), Failure> {
    let (reader, forecast) = (store.reader(), basis.forecast());
    let mut known = Known::new(basis.plan(), &forecast.expansion);
    known.read(dir, reader, all)?;
    let keys = reader.done_keys()?;
    let done = all.iter().filter(|one| keys.contains(&one.key)).map(|one| one.position).collect();
    let seconds = hours::seconds_of(forecast, reader)?;
    let so_far = SoFar { chosen: visiting.chosen(), known: &known, done: &done, seconds: &seconds };
    Ok(Foretold::new(basis, all, Some(so_far)).rest_hours())
}

/// A shard has only its own results.
fn refuse_choosing_shard(plan: &Plan, arguments: &RunArguments) -> Result<(), Failure> {
    let hours = hours::given(plan, arguments.hours);
    match (plan.predicted, hours, arguments.shard) {
        (_, Some(hours), Some(shard)) => Err(Failure::invalid(format!(
            "--shard {shard}: a run of {hours} h chooses what is worth most of the whole plan, and each shard would take its own hours; run it              without --shard, or without --hours and `most_hours` of the plan"
        ))),
        (Some(_), None, Some(shard)) => Err(Failure::invalid(format!(
            "--shard {shard}: [predicted] chooses what is measured by the results of the whole plan, and a shard has only its own; \
             run it without --shard, or remove [predicted]"
        ))),
        _ => Ok(()),
    }
}

/// Is anything measured? A look at what is on record draws at once.
fn begins(todo: &Todo, extent: Extent) -> bool {
    !(todo.pending.is_empty() && extent == Extent::Everything)
}

/// Says what begins, with what the plan's reader should know of it.
fn tell_beginning(
    terminal: &Terminal,
    arguments: &RunArguments,
    file: &PlanFile,
    selected: &[PendingJob],
    todo: &Todo,
    (done_before, extent): (usize, Extent),
    dir: &Path,
) {
    if todo.continued {
        terminal.note("continuing an earlier request to measure again");
    }
    for warning in &file.warnings {
        terminal.note(&format!("warning: {warning}"));
    }
    let begins = begins(todo, extent);
    if begins {
        terminal.note(&banner(arguments, &file.plan, selected.len(), dir));
    }
    if let Some(words) = nothing_counts(&file.plan, selected.iter().map(|pending| &pending.condition)) {
        terminal.note(folded(&words, "", "  ").trim_end());
    }
    if done_before > 0 && begins {
        let verb = if done_before == 1 { "is" } else { "are" };
        let total = counted(selected.len(), "job");
        terminal.note(&format!("continuing: {done_before} of {total} {verb} done already"));
    }
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
