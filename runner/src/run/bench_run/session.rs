//! A bench session: read, checked, locked, run, and made safe whatever happens.

use super::beginning::Beginning;
use super::deliveries::tell;
use super::device::Bench;
use super::hours::bench_hours;
use super::jobs::Loop;
use super::ownership::{BenchLock, custody, know, latch_not_safe, latched, lock_bench, not_safe};
use super::stated::{narrowed, overdue, read_bench, refuse_beyond, refused, tell_doubts};
use super::supervisor::{SHORTEST, Supervisor};
use crate::console::exit::{Exit, Failure};
use crate::console::terminal::Terminal;
use crate::forecast::Forecast;
use crate::inputs::plain_file::read_text;
use crate::inputs::plan_file::PlanFile;
use crate::run::clock::{Awake, Clocks, ReadClocks};
use crate::run::execute::Executor;
use crate::run::hours::HandsNote;
use crate::run::known::Known;
use crate::run::operator::{Hands, TerminalHands};
use crate::run::pending::PendingJob;
use crate::run::prediction::choosing::Visiting;
use crate::run::progress::Progress;
use crate::run::rate_search::RateSearch;
use crate::run::watchdog::Watchdog;
use crate::store::{Attempts, JobKey, Store, StoreReader, Target, utc_text};
use bench::driver::within;
use bench::{BenchDriver, CommandLog, Custody, StateFolder};
use contract::{CancelToken, DriverError, Setting};
use nightbench_core::devices::ControlPoint;
use nightbench_core::events::Event;
use nightbench_core::faults::{Fault, FaultKind};
use nightbench_core::results::JobOutcome;
use plan::Plan;
use plan::bench_file::{BenchFile, EventKind};
use plan::keys::JobKeys;
use std::collections::HashSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, SystemTime};

/// Log of every command, in the run folder.
const COMMAND_LOG: &str = "commands.log";

/// Jobs whose results say that they could not be measured: they are tried again.
///
/// # Errors
/// Exit 74.
pub fn unmeasured(reader: &StoreReader) -> Result<HashSet<JobKey>, Failure> {
    let mut keys = HashSet::new();
    for stored in reader.jobs(Attempts::Counting) {
        let stored = stored?;
        if matches!(stored.outcome, JobOutcome::NotMeasured(_)) {
            keys.insert(stored.row.key);
        }
    }
    Ok(keys)
}

/// How a session ended.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct BenchEnd {
    /// What could not be made safe, or is off and beyond its limits.
    pub not_safe: Option<Fault>,
    /// Why the run ended early, if it did.
    pub ended_early: Option<String>,
    /// Jobs left because hands were needed and nobody was there.
    pub waiting_for_hands: usize,
    /// Jobs not measured for another reason.
    pub not_measured: usize,
    /// Places of the jobs that no time was left for in the hours of the run.
    pub no_time_left: Vec<u64>,
    /// Those of them that would have ended in time, had somebody been there.
    pub nobody_there: Option<HandsNote>,
    /// The alarm that ended the run.
    pub alarm: Option<String>,
    /// Nothing was measured, because what is mounted is not what the plan says.
    pub wrong_mounting: bool,
}

impl BenchEnd {
    /// Did it end as it should, so that more may be measured?
    pub fn is_sound(&self) -> bool {
        self.not_safe.is_none() && self.alarm.is_none() && self.ended_early.is_none() && !self.wrong_mounting
    }

    /// The exit code, given that of the verdicts over everything selected.
    pub fn exit(&self, verdicts: Exit) -> Exit {
        if self.wrong_mounting {
            return Exit::BenchRefused;
        }
        // A night-only plan has no job that waits for hands.
        if verdicts == Exit::Pass && self.waiting_for_hands > 0 { Exit::Incomplete } else { verdicts }
    }
}

/// What is run on a bench.
pub struct BenchRun<'a> {
    pub plan: &'a Plan,
    /// Its jobs in order.
    pub forecast: &'a Forecast,
    /// Runs one job.
    pub executor: Executor<'a>,
    /// The jobs that are to be done.
    pub pending: &'a [PendingJob],
    /// Who chooses among them; `None`: all are done.
    pub choosing: Option<Choosing<'a>>,
}

/// What chooses among the jobs of a run by the results so far.
pub struct Choosing<'a> {
    /// What is known of the run.
    pub known: Known<'a>,
    /// Which jobs are asked for, where the plan searches.
    pub search: Option<RateSearch<'a>>,
    /// The bench hours it is given, if any.
    pub hours: Option<f64>,
    /// Chooses what is measured, where the plan predicts the rest.
    pub visiting: Option<Visiting<'a>>,
}

/// A checked and locked bench.
pub struct BenchSession {
    start_local_min: Option<f64>,
    path: PathBuf,
    bench: Arc<BenchFile>,
    log: CommandLog,
    terminal: Terminal,
    open: Open,
    state: StateFolder,
    custody: Custody,
    lock: BenchLock,
    /// The program that is started as watchdog, where there is to be one, and what it needs.
    watchdog: Option<(PathBuf, String, PathBuf)>,
    clocks: ReadClocks,
}

type Open = Box<dyn Fn(BenchDriver) -> Box<dyn Bench>>;

impl BenchSession {
    /// Reads the bench, checks every condition of the plan against its limits, and locks it. Opens no connection.
    ///
    /// # Errors
    /// Exit 2 for the file; exit 5 for a bench that refuses.
    pub fn prepare(
        terminal: &Terminal,
        path: &Path,
        file: &PlanFile,
        forecast: &Forecast,
        keys: &JobKeys<'_>,
        dir: &Path,
        state: &StateFolder,
    ) -> Result<BenchSession, Failure> {
        let executor = Executor::new(&file.plan, &forecast.expansion, keys);
        let settings = forecast.jobs.iter().map(|job| {
            let condition = &forecast.expansion.conditions[job.condition as usize];
            executor.setting(condition, job, 1)
        });
        BenchSession::for_settings(terminal, path, &file.plan, settings, dir, state)
    }

    /// As [`BenchSession::prepare`], for other work than a plan's jobs: every setting is checked against the limits.
    ///
    /// # Errors
    /// As [`BenchSession::prepare`].
    pub fn for_settings(
        terminal: &Terminal,
        path: &Path,
        plan: &Plan,
        settings: impl Iterator<Item = Setting>,
        dir: &Path,
        state: &StateFolder,
    ) -> Result<BenchSession, Failure> {
        let bench = Arc::new(narrowed(read_bench(path, terminal.colour_err)?, plan)?);
        tell_doubts(terminal, &bench, plan);
        let prepared = || -> Result<BenchSession, Failure> {
            refuse_beyond(&bench, settings)?;
            let lock = lock_bench(&bench, state)?;
            let custody = custody(&bench, state)?;
            if let Some(latch) = custody.latch().map_err(refused)? {
                return Err(latched(&latch, path));
            }
            let told = *terminal;
            let log = open_log(dir)?.told_to(move |words| told.note(words));
            let open: Open = Box::new(|driver| Box::new(driver));
            Ok(BenchSession {
                start_local_min: None,
                open,
                path: path.to_owned(),
                bench: Arc::clone(&bench),
                log,
                terminal: *terminal,
                state: state.clone(),
                custody,
                lock,
                watchdog: None,
                clocks: Arc::new(Clocks::now),
            })
        };
        // Whoever started it for the night is not there to read a refusal.
        let log = CommandLog::in_memory();
        prepared().inspect_err(|failure| {
            tell(&bench.events, &log, terminal, EventKind::Finished, &failure.words);
        })
    }

    /// The run is guarded by a watchdog: this program, started again in a session of its own. `path` is the bench file, `dir` the run
    /// folder.
    ///
    /// # Errors
    /// Exit 2: the file cannot be read again.
    pub fn guarded_by(self, program: PathBuf, path: &Path, dir: &Path) -> Result<BenchSession, Failure> {
        let text = read_text(path, "a bench file (TOML)")?;
        Ok(BenchSession { watchdog: Some((program, text, dir.join(COMMAND_LOG))), ..self })
    }

    /// The run begins at this local time (minutes since 1970-01-01 00:00), not now: for trying out attended hours.
    pub fn starting_at(self, local_min: f64) -> BenchSession {
        BenchSession { start_local_min: Some(local_min), ..self }
    }

    /// The bench is driven through what `wrap` makes of its driver: for tests.
    pub fn driven_by(self, wrap: impl Fn(BenchDriver) -> Box<dyn Bench> + 'static) -> BenchSession {
        BenchSession { open: Box::new(wrap), ..self }
    }

    /// The computer's clocks are read by `clocks`: for tests of a computer that was suspended.
    pub fn by_clocks(self, clocks: impl Fn() -> Clocks + Send + Sync + 'static) -> BenchSession {
        BenchSession { clocks: Arc::new(clocks), ..self }
    }

    /// The computer's clocks.
    pub(super) fn clocks(&self) -> &ReadClocks {
        &self.clocks
    }

    /// The local time the run is said to begin at, minutes.
    pub(super) fn start_local_min(&self) -> Option<f64> {
        self.start_local_min
    }

    /// Names of what is read during the run, each with the lowest and the highest that is allowed.
    pub fn allowed(&self) -> Vec<(String, f64, f64)> {
        let limits = &self.bench.limits;
        let sensors = self.bench.sensors.iter().map(|sensor| {
            let (low, high) = match sensor.point {
                ControlPoint::Air => (limits.air_low, limits.air_high),
                _ => (limits.device_low, limits.device_high),
            };
            (format!("{} temperature", sensor.point.name()), low.0, high.0)
        });
        let rails = self.bench.rails.iter().map(|rail| (rail.name.clone(), rail.low.0, rail.high.0));
        sensors.chain(rails).collect()
    }

    /// Alarms that are latched whenever it is asked, and who made the bench safe from outside.
    pub fn alarms(&self) -> impl Fn() -> Vec<String> + Send + Sync + use<> {
        let custody = self.custody.clone();
        move || {
            let latched = match custody.latch() {
                Ok(latch) => latch.map(|latch| format!("{}, latched: {}", latch.kind.words(), latch.words)),
                Err(words) => Some(words),
            };
            let outside = custody.made_safe_since().ok().flatten();
            latched.into_iter().chain(outside.map(|who| format!("made safe from outside: {who}"))).collect()
        }
    }

    /// What the run folder is bound to.
    pub fn target(&self) -> Target {
        Target::Bench(self.bench.name.clone())
    }

    /// Runs the jobs, asking a person at the terminal for changes.
    ///
    /// # Errors
    /// Exit 5 when the bench refuses before the first job; exit 74 for the store.
    pub fn run(
        self,
        run: BenchRun<'_>,
        store: &mut Store,
        cancel: &CancelToken,
        progress: &mut Progress,
    ) -> Result<BenchEnd, Failure> {
        self.run_with(&mut TerminalHands::new(cancel), run, store, cancel, progress)
    }

    /// As [`BenchSession::run`], with other hands.
    ///
    /// # Errors
    /// As [`BenchSession::run`].
    pub fn run_with(
        self,
        hands: &mut dyn Hands,
        run: BenchRun<'_>,
        store: &mut Store,
        cancel: &CancelToken,
        progress: &mut Progress,
    ) -> Result<BenchEnd, Failure> {
        let mut run = BenchRun { executor: run.executor.with_apply_limit(self.apply_limit()), ..run };
        let choosing = run.choosing.take();
        let earlier_s = 3600.0 * bench_hours(store.reader())?.total;
        Beginning::on(&self.bench, hands.present(), earlier_s).keep(store)?;
        self.guarded(store, cancel, |session, driver, store| {
            Loop::new(session, (&run, choosing), (driver, hands), (store, progress), cancel)?.run()
        })
    }

    /// Longest that a condition may take to be reached.
    pub(crate) fn apply_limit(&self) -> Duration {
        let settle_s = self.bench.settle.time_out_s / self.bench.time_scale;
        Duration::from_secs_f64(2.0 * settle_s + 120.0)
    }

    /// Does `work` with the bench under guard: identified, watched over, and made safe whatever happens.
    ///
    /// # Errors
    /// As [`BenchSession::run`].
    pub(crate) fn guarded<J: Journal>(
        mut self,
        journal: &mut J,
        cancel: &CancelToken,
        work: impl FnOnce(&BenchSession, &mut dyn Bench, &mut J) -> Result<BenchEnd, Failure>,
    ) -> Result<BenchEnd, Failure> {
        let stale_after = Duration::from_secs_f64(self.bench.watch.stale_after_s / self.bench.time_scale);
        let awake = Arc::new(Awake::new(Arc::clone(&self.clocks), stale_after.max(SHORTEST)));
        let asked = Arc::clone(&awake);
        self.custody
            .asks(move || asked.stood_still().map(|still| format!("{still}, and nobody watched the bench")));
        let mut driver = BenchDriver::new(Arc::clone(&self.bench), self.log.clone(), false);
        driver.obey(self.custody.clone());
        let mut guard = Guard { driver: (self.open)(driver), safe: false };
        let watchdog = self.start_watchdog();
        if let Err(failure) = self.start(&mut guard, journal) {
            // What belongs to somebody else is left alone.
            let left_alone = std::mem::replace(&mut guard.safe, true);
            let safe = if left_alone { Ok(()) } else { guard.make_safe() };
            if let Some(watchdog) = watchdog {
                watchdog.end();
            }
            if let Ok(Some(latch)) = self.custody.latch() {
                self.tell(EventKind::Alarm, &latch.words);
            }
            return Err(match safe {
                Ok(()) if failure.exit == Exit::NotSafe => {
                    self.tell(EventKind::NotSafe, &failure.words);
                    Failure {
                        words: format!("{}\nTold once more, everything was measured off.", failure.words),
                        ..failure
                    }
                }
                Ok(()) => {
                    self.tell(EventKind::Finished, &failure.words);
                    failure
                }
                Err(error) => {
                    let fault: Fault = error.into();
                    self.latch(&fault);
                    self.tell(EventKind::NotSafe, &fault.detail);
                    not_safe(&fault, &failure.words)
                }
            });
        }
        let done = AtomicBool::new(false);
        let supervisor = Supervisor {
            cancel,
            custody: &self.custody,
            log: &self.log,
            handle: guard.driver.safety_handle(),
            awake: &awake,
            watchdog_gone: watchdog.as_ref().map(Watchdog::gone),
        };
        let outcome = std::thread::scope(|scope| {
            let done = &done;
            scope.spawn(move || supervisor.watch_until(done));
            let ended = catch_unwind(AssertUnwindSafe(|| work(&self, guard.driver.as_mut(), &mut *journal)));
            // Safe first; what the loop had to say comes after.
            let safe = guard.make_safe();
            done.store(true, Ordering::SeqCst);
            (ended, safe)
        });
        let (ended, safe) = outcome;
        let not_safe = safe.err();
        if let Some(watchdog) = watchdog {
            watchdog.end();
        }
        let noted = journal.note(&match &not_safe {
            Some(error) => Event::CouldNotMakeSafe { fault: error.clone().into() },
            None => Event::Safe,
        });
        let not_safe: Option<Fault> = not_safe.map(Fault::from);
        not_safe.iter().for_each(|fault| self.latch(fault));
        let end = match ended {
            Ok(Ok(end)) => Ok(end),
            Ok(Err(failure)) => Err(failure),
            Err(_) => Err(Failure::new(
                Exit::Incomplete,
                "the run ended by an internal fault; the bench was made safe",
            )),
        };
        match (end, not_safe) {
            (Ok(mut end), not_safe) => {
                if let Ok(Some(by)) = self.custody.made_safe_since() {
                    let words = format!("the bench was made safe from outside ({by})");
                    self.terminal.note(&words);
                    end.ended_early.get_or_insert(words);
                }
                // What could not be made safe is told as that, and no second time as an alarm.
                let alarm =
                    self.custody.latch().ok().flatten().filter(|latch| latch.kind != FaultKind::NotSafe);
                end.alarm = alarm.map(|latch| latch.words);
                if let Some(alarm) = &end.alarm {
                    self.tell(EventKind::Alarm, alarm);
                }
                if let Some(fault) = &not_safe {
                    self.tell(EventKind::NotSafe, &fault.detail);
                }
                end.not_safe = not_safe;
                self.tell(EventKind::Finished, end.ended_early.as_deref().unwrap_or("the run ended"));
                match (noted, &end.not_safe) {
                    (Ok(()), _) => Ok(end),
                    (Err(failure), None) => Err(failure),
                    // A store that cannot be written hides no bench that is not safe.
                    (Err(failure), Some(fault)) => Err(super::ownership::not_safe(fault, &failure.words)),
                }
            }
            (Err(failure), Some(fault)) => {
                self.tell(EventKind::NotSafe, &fault.detail);
                Err(super::ownership::not_safe(&fault, &failure.words))
            }
            (Err(failure), None) => {
                self.tell(EventKind::Finished, &failure.words);
                Err(failure)
            }
        }
    }

    /// What could not be made safe is remembered.
    fn latch(&self, fault: &Fault) {
        if let Err(words) = latch_not_safe(&self.custody, fault) {
            self.log.note("bench", '-', &words);
            self.terminal.note(&words);
        }
    }

    fn start_watchdog(&self) -> Option<Watchdog> {
        let (program, text, log) = self.watchdog.as_ref()?;
        match Watchdog::start(program, text, &self.state, log) {
            Ok(watchdog) => Some(watchdog),
            Err(error) => {
                self.terminal.note(&format!(
                    "no watchdog could be started ({error}): if this run is killed, nothing switches the bench off"
                ));
                None
            }
        }
    }

    /// Who is there, is it calibrated, and was anything left on?
    fn start(&mut self, guard: &mut Guard, journal: &mut impl Journal) -> Result<(), Failure> {
        let states = guard.driver.look_around(&within(Duration::from_secs(30)));
        let missing: Vec<&str> =
            states.iter().filter_map(|state| state.answer.as_ref().err().map(String::as_str)).collect();
        if !missing.is_empty() {
            return Err(refused(format!(
                "the bench `{}` is not ready:\n  {}",
                self.bench.name,
                missing.join("\n  ")
            )));
        }
        let identities = states.iter().filter_map(|state| state.answer.clone().ok());
        if let Err(failure) = self.lock.take_identities(&self.bench, &self.state, identities) {
            guard.safe = true;
            return Err(failure);
        }
        know(&self.custody, &self.bench, &self.state, &states)?;
        if let Some(latch) = self.custody.latch().map_err(refused)? {
            guard.safe = true;
            return Err(latched(&latch, &self.path));
        }
        let overdue = overdue(&self.bench);
        if !overdue.is_empty() {
            return Err(refused(format!(
                "calibration ran out: {}. Have them calibrated, or correct `calibration_due`",
                overdue.join(", ")
            )));
        }
        for (state, spec) in states.iter().zip(&self.bench.instruments) {
            let event = Event::Instrument {
                name: state.name.clone(),
                identification: state.answer.clone().unwrap_or_default(),
                calibration_due: spec.calibration_due.map(|date| date.to_string()),
            };
            journal.note(&event)?;
        }
        let left_on: Vec<String> = states
            .iter()
            .flat_map(|state| state.on.iter().map(|on| format!("{}: {on}", state.name)))
            .collect();
        if !left_on.is_empty() {
            self.terminal
                .note(&format!("left on by an earlier run, switched off first: {}", left_on.join("; ")));
            journal.note(&Event::LeftOn { outputs: left_on })?;
        }
        // Whatever the instruments say, a run starts from a state that was made and measured.
        guard
            .driver
            .make_safe(&within(Duration::from_secs(60)))
            .map_err(|error| not_safe(&error.into(), "the run did not begin"))?;
        let guarded = bench::guards::guarded(&self.bench);
        journal.note(&Event::GuardedAgainstComputer {
            by_timer: guarded.by_timer,
            by_nothing: guarded.by_nothing,
        })?;
        journal.note(&Event::BenchRunStarted { bench: self.bench.name.clone() })
    }

    pub(crate) fn bench(&self) -> &BenchFile {
        &self.bench
    }

    /// What this computer remembers of the bench.
    pub(super) fn custody(&self) -> &Custody {
        &self.custody
    }

    pub(super) fn log(&self) -> &CommandLog {
        &self.log
    }

    pub(super) fn terminal(&self) -> &Terminal {
        &self.terminal
    }

    /// Tells the user's command about an event.
    pub(super) fn tell(&self, kind: EventKind, words: &str) {
        tell(&self.bench.events, &self.log, &self.terminal, kind, words);
    }
}

/// Makes the bench safe when it is dropped without having been made safe.
struct Guard {
    driver: Box<dyn Bench>,
    safe: bool,
}

impl Guard {
    /// Everything off, whatever came before.
    fn make_safe(&mut self) -> Result<(), DriverError> {
        self.safe = true;
        self.driver.make_safe(&within(Duration::from_secs(60)))
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        if !self.safe {
            let _ = self.make_safe();
        }
    }
}

/// Where a session's events are kept.
pub(crate) trait Journal {
    /// Keeps an event.
    ///
    /// # Errors
    /// Exit 74.
    fn note(&mut self, event: &Event) -> Result<(), Failure>;
}

impl Journal for Store {
    fn note(&mut self, event: &Event) -> Result<(), Failure> {
        self.append_event(&now(), event).map_err(Failure::from)
    }
}

/// The present time, UTC.
pub(super) fn now() -> String {
    utc_text(SystemTime::now())
}

fn open_log(dir: &Path) -> Result<CommandLog, Failure> {
    let path = dir.join(COMMAND_LOG);
    let file = std::fs::create_dir_all(dir)
        .and_then(|()| std::fs::OpenOptions::new().create(true).append(true).open(&path))
        .map_err(|error| Failure::new(Exit::Store, format!("{}: {error}", path.display())))?;
    Ok(CommandLog::new(Some(Box::new(file)), now))
}
