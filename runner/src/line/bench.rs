//! A line on a bench: hands put unit after unit in, only when everything was measured off and neither hot nor cold; each unit is
//! powered, trained, looked at, and everything is off again before hands are asked for the next.

use super::lot_folder::{Entry, LotFolder, Purpose};
use super::running::{Prompt, Running, Task, next_serial};
use super::sample::{Characterized, sample_entry};
use super::setup::{Line, Turn, Unit};
use super::station::{CallLimits, measure};
use crate::console::exit::{Exit, Failure};
use crate::console::terminal::Terminal;
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::{Bench, BenchEnd, BenchSession, Journal, Site, not_safe_words, state_folder};
use crate::run::operator::CAUTIONS;
use crate::store::{Target, utc_text};
use contract::CancelToken;
use nightbench_core::events::Event;
use nightbench_core::line::ShortLook;
use std::io::IsTerminal;
use std::path::Path;
use std::time::{Duration, SystemTime};

/// Longest a call may take that reaches no condition.
const CALL_LIMIT: Duration = Duration::from_secs(120);

/// A line's bench, checked and locked.
pub struct Station {
    session: BenchSession,
}

impl Journal for LotFolder {
    fn note(&mut self, event: &Event) -> Result<(), Failure> {
        self.add(vec![Entry::Event { utc: utc_text(SystemTime::now()), event: event.clone() }])
    }
}

impl Journal for Running<'_> {
    fn note(&mut self, event: &Event) -> Result<(), Failure> {
        self.folder.note(event)
    }
}

/// Where serial numbers come from.
pub enum Serials {
    /// A list: the operator is told which one to put in.
    Listed(Vec<String>),
    /// Typed or scanned.
    Typed { again: bool },
    /// The device tells its own.
    OfDevice,
}

impl Station {
    /// Reads, checks and locks a bench for a line.
    ///
    /// # Errors
    /// Exit 2 for the file; exit 5 for a bench that refuses, or where nobody is there to put units in.
    pub fn prepare(
        terminal: &Terminal,
        path: &Path,
        file: &PlanFile,
        line: &Line,
        dir: &Path,
    ) -> Result<Station, Failure> {
        let program = std::env::current_exe().map_err(|error| {
            Failure::new(Exit::BenchRefused, format!("no watchdog: this program cannot be found: {error}"))
        })?;
        if !std::io::stdin().is_terminal() || !std::io::stderr().is_terminal() {
            return Err(Failure::new(
                Exit::BenchRefused,
                "a line on a bench needs somebody at a terminal who puts units in; nothing was touched",
            ));
        }
        let unit = line.unit_of_bench("unit");
        let turn = Turn { mounting: 0, repeat: 0 };
        let settings = line.conditions.supplies.iter().map(|supply| line.at_room(&unit, supply, turn));
        let session =
            BenchSession::for_settings(terminal, path, &file.plan, settings, dir, &state_folder()?)?;
        Ok(Station { session: session.guarded_by(program, path, dir)? })
    }

    /// A session that was prepared otherwise: for tests.
    pub fn of(session: BenchSession) -> Station {
        Station { session }
    }

    /// The bench's name.
    pub fn name(&self) -> String {
        match self.session.target() {
            Target::Bench(name) => name,
            Target::Simulated => String::new(),
        }
    }

    /// Unit after unit, until the list or the operator ends.
    ///
    /// # Errors
    /// Exit 5, 6, 74.
    pub fn run(
        self,
        line: &Line,
        running: &mut Running<'_>,
        (serials, prompt): (Serials, &mut Prompt<'_>),
        cancel: &CancelToken,
    ) -> Result<(), Failure> {
        let calls = CallLimits { call: CALL_LIMIT, reach: self.session.apply_limit() };
        let terminal = *running.terminal;
        let end = self.session.guarded(running, cancel, |session, driver, running| {
            terminal.note(CAUTIONS);
            let look = running.file.test.look;
            let mut next = Next { serials, at: 0 };
            while !cancel.is_cancelled() {
                let Some(sensors) = off_and_cool(session, driver, running, cancel)? else { break };
                let Some((unit, task)) = next.unit(line, running, prompt, &sensors) else { break };
                driver.mounted_anew();
                let asked = (&look, &[look.limit][..]);
                let measured = measure(driver, line, (&unit, task.turn), asked, calls, cancel);
                // Off before anything else, a full disk included.
                off(driver)?;
                let Ok(result) = measured else { break };
                let Some(task) = next.identified(task, driver, running) else { continue };
                if !running.take(&task, result, utc_text(SystemTime::now()))? {
                    break;
                }
            }
            Ok(BenchEnd::default())
        })?;
        told(&terminal, &end)
    }
}

/// Measures a sample on the bench of its run folder.
///
/// # Errors
/// Exit 2, 5, 6, 74.
pub fn measure_sample(
    terminal: &Terminal,
    bench: &Path,
    (from, line): (&Characterized, &Line),
    todo: &[(String, Turn)],
    (look, limits): (&ShortLook, &[f64]),
    (dir, folder): (&Path, &mut LotFolder),
) -> Result<(), Failure> {
    let station = Station::prepare(terminal, bench, &from.file, line, dir)?;
    if Target::Bench(station.name()) != from.target {
        return Err(Failure::invalid(format!(
            "the run folder is of another bench than {}: corners and line must be seen by one receiver",
            station.name()
        )));
    }
    let cancel = CancelToken::new();
    let watch = crate::run::signals::Watch::start(&cancel, &cancel)
        .map_err(|error| Failure::new(Exit::Store, format!("cannot watch for signals: {error}")))?;
    let calls = CallLimits { call: CALL_LIMIT, reach: station.session.apply_limit() };
    let mut prompt = Prompt::new(&cancel);
    let end = station.session.guarded(folder, &cancel, |session, driver, folder| {
        terminal.note(CAUTIONS);
        let mut mounted: Option<(&str, u32)> = None;
        for (name, turn) in todo {
            let unit = line.unit_of_bench(name);
            if mounted != Some((name, turn.mounting)) {
                let Some(sensors) = off_and_cool(session, driver, folder, &cancel)? else { break };
                let question = format!(
                    "{sensors}\nPut in unit {name} (mounting {}): type its serial number; Enter alone ends",
                    turn.mounting
                );
                if !confirmed(&mut prompt, &question, name) {
                    break;
                }
                driver.mounted_anew();
                mounted = Some((name, turn.mounting));
            }
            let measured = measure(driver, line, (&unit, *turn), (look, limits), calls, &cancel);
            off(driver)?;
            let Ok((outcome, times)) = measured else { break };
            folder.add(vec![sample_entry(name, *turn, outcome, times)])?;
        }
        Ok(BenchEnd::default())
    })?;
    told(terminal, &end)?;
    match watch.exit() {
        Some(exit) => Err(Failure::new(exit, "stopped; the bench is safe, and what is measured is stored")),
        None => Ok(()),
    }
}

fn told(terminal: &Terminal, end: &BenchEnd) -> Result<(), Failure> {
    if let Some(words) = &end.not_safe {
        return Err(Failure::new(Exit::NotSafe, not_safe_words(words)));
    }
    if let Some(alarm) = &end.alarm {
        terminal.note(&format!(
            "ALARM, latched: {alarm}\nLook at the bench, then `nightbench bench clear BENCH`"
        ));
        return Err(Failure::new(Exit::BenchRefused, "an alarm ended the line"));
    }
    Ok(())
}

/// Everything off, measured.
fn off(driver: &mut dyn Bench) -> Result<(), Failure> {
    driver
        .make_safe(&bench::driver::within(Duration::from_secs(60)))
        .map_err(|error| Failure::new(Exit::NotSafe, format!("hands must stay away: {error}")))
}

/// The sensors once hands may come near; `None` where they must not.
fn off_and_cool(
    session: &BenchSession,
    driver: &mut dyn Bench,
    journal: &mut impl Journal,
    cancel: &CancelToken,
) -> Result<Option<String>, Failure> {
    let room_min = 0.0;
    let ready = Site::new(driver, session.bench(), cancel, 0.0, room_min).ready_for_hands();
    match ready {
        Ok(sensors) => {
            let readings: Vec<String> =
                sensors.iter().map(|(name, value)| format!("{name} {value}")).collect();
            Ok(Some(format!("Every rail was measured off; {}.", readings.join(", "))))
        }
        Err(error) => {
            journal.note(&Event::HandsNotAsked { fault: error.clone().into() })?;
            if cancel.is_cancelled() {
                Ok(None)
            } else {
                Err(Failure::new(Exit::BenchRefused, format!("hands must stay away: {error}")))
            }
        }
    }
}

/// Does the operator confirm by the unit's own serial number?
fn confirmed(prompt: &mut Prompt<'_>, question: &str, serial: &str) -> bool {
    let mut asked = question.to_string();
    loop {
        match prompt.line(&asked) {
            Some(line) if line == serial => return true,
            Some(line) if line.is_empty() => return false,
            None => return false,
            Some(line) => asked = format!("That is `{line}`, not `{serial}`; Enter alone ends"),
        }
    }
}

struct Next {
    serials: Serials,
    at: usize,
}

impl Next {
    /// The unit that is in the station next.
    fn unit(
        &mut self,
        line: &Line,
        running: &Running<'_>,
        prompt: &mut Prompt<'_>,
        sensors: &str,
    ) -> Option<(Unit, Task)> {
        let due = running.golden_due().first().map(|name| (*name).to_string());
        let serial = match &self.serials {
            Serials::Typed { again } => {
                running.terminal.note(sensors);
                next_serial(running, prompt, *again)?
            }
            _ if due.is_some() => {
                let name = due?;
                let question =
                    format!("{sensors}\nPut in golden unit {name}: type its serial number; Enter alone ends");
                confirmed(prompt, &question, &name).then_some(name)?
            }
            Serials::Listed(list) => {
                while list.get(self.at).is_some_and(|serial| running.earlier(serial).is_some()) {
                    self.at += 1;
                }
                let serial = list.get(self.at)?.clone();
                self.at += 1;
                let question = format!(
                    "{sensors}\nPut in unit {serial}: type or scan its serial number; Enter alone ends"
                );
                confirmed(prompt, &question, &serial).then_some(serial)?
            }
            Serials::OfDevice => {
                let question = format!("{sensors}\nPut in the next unit and type `in`; Enter alone ends");
                confirmed(prompt, &question, "in").then(|| "unit".to_string())?
            }
        };
        let mut unit = line.unit_of_bench(&serial);
        if matches!(self.serials, Serials::OfDevice) && serial == "unit" {
            unit = line.unit_unnamed(&unit);
        }
        Some((unit, running.task(&serial)))
    }

    /// The task by the serial number that the device told; `None` where it told none.
    fn identified(&self, task: Task, driver: &mut dyn Bench, running: &Running<'_>) -> Option<Task> {
        if !matches!(self.serials, Serials::OfDevice) || task.purpose == Purpose::Golden {
            return Some(task);
        }
        let told = driver.take_module_identity();
        let serial = told.and_then(|identity| {
            let fact = identity.facts.into_iter().find(|(name, _)| name.contains("serial"));
            fact.map(|(_, value)| value)
        });
        match serial {
            Some(serial) => Some(running.task(&serial)),
            None => {
                running
                    .terminal
                    .note("the device told no serial number: not taken up; type it (without --from-device)");
                None
            }
        }
    }
}
