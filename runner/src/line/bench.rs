//! A line on a bench: hands put unit after unit in, only when everything was measured off and neither hot nor cold; each unit is
//! powered, trained, looked at, and everything is off again before hands are asked for the next.

use super::lot_folder::{Entry, LotFolder};
use super::running::{END, Prompt, Running, Task, check_name, next_serial};
use super::sample::{Characterized, sample_entry};
use super::setup::{Line, Turn, Unit, UnitFactor};
use super::station::{CallLimits, measure};
use crate::console::exit::{Exit, Failure};
use crate::console::terminal::Terminal;
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::{Bench, BenchEnd, BenchSession, Journal, Site, not_safe_words, state_folder};
use crate::run::operator::CAUTIONS;
use crate::store::{Target, utc_text};
use contract::{Call, CancelToken};
use nightbench_core::events::Event;
use nightbench_core::line::{ShortLook, UnitOutcome};
use nightbench_core::text::counted;
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
    Typed,
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

    /// Unit after unit, until the list or the operator ends; `again` takes what the lot has already without asking.
    ///
    /// # Errors
    /// Exit 5, 6, 74.
    pub fn run(
        self,
        line: &Line,
        running: &mut Running<'_>,
        (serials, again, prompt): (Serials, bool, &mut Prompt<'_>),
        cancel: &CancelToken,
    ) -> Result<(), Failure> {
        let calls = CallLimits { call: CALL_LIMIT, reach: self.session.apply_limit() };
        let terminal = *running.terminal;
        let end = self.session.guarded(running, cancel, |session, driver, running| {
            terminal.note(CAUTIONS);
            let look = running.file.test.look;
            let mut next = Next { serials, again, at: 0 };
            while !cancel.is_cancelled() {
                let Some(sensors) = off_and_cool(session, driver, running, cancel)? else { break };
                let Some((unit, task)) = next.unit(line, running, prompt, &sensors) else { break };
                driver.mounted_anew();
                let asked = (&look, &[look.limit][..]);
                let measured = measure(driver, line, (&unit, task.turn), asked, calls, cancel);
                let told = match line.conditions.units {
                    UnitFactor::Module => driver.take_module_identity().and_then(|known| known.serial),
                    // As the driver knows it from the setting: nothing is asked.
                    UnitFactor::Chip => {
                        let known = driver.identity(&Call::within(calls.call, cancel));
                        known.ok().map(|identity| identity.chip_serial)
                    }
                };
                // Off before anything else, a full disk included.
                off(driver)?;
                let Ok(result) = measured else { break };
                let Some(task) = next.identified((task, &unit), told, running, prompt) else { continue };
                if !running.take(&task, result, utc_text(SystemTime::now()))? {
                    break;
                }
            }
            Ok(BenchEnd::default())
        })?;
        told(&terminal, &end)
    }
}

/// Measures a sample on the bench of its run folder, as far as the operator goes.
///
/// # Errors
/// Exit 2, 5, 6, 74.
pub fn measure_sample(
    terminal: &Terminal,
    station: Station,
    (from, line): (&Characterized, &Line),
    todo: &[(String, Turn)],
    (look, limits): (&ShortLook, &[f64]),
    folder: &mut LotFolder,
    (prompt, cancel): (&mut Prompt<'_>, &CancelToken),
) -> Result<(), Failure> {
    if Target::Bench(station.name()) != from.target {
        return Err(Failure::invalid(format!(
            "the run folder is of another bench than {}: corners and line must be seen by one receiver",
            station.name()
        )));
    }
    let calls = CallLimits { call: CALL_LIMIT, reach: station.session.apply_limit() };
    let end = station.session.guarded(folder, cancel, |session, driver, folder| {
        terminal.note(CAUTIONS);
        let mut mounted: Option<(&str, u32)> = None;
        for (at, (name, turn)) in todo.iter().enumerate() {
            let unit = line.unit_of_bench(name);
            if mounted != Some((name, turn.mounting)) {
                let Some(sensors) = off_and_cool(session, driver, folder, cancel)? else { break };
                let question = format!(
                    "{sensors}\n{} of {}: put in unit {name}{}, then type or scan its serial number; `{END}` stops here",
                    at + 1,
                    counted(todo.len(), "measurement"),
                    if turn.mounting > 1 { " again (take it out first where it is in)" } else { "" }
                );
                if !confirmed(prompt, &question, name) {
                    break;
                }
                driver.mounted_anew();
                mounted = Some((name, turn.mounting));
            }
            let measured = measure(driver, line, (&unit, *turn), (look, limits), calls, cancel);
            off(driver)?;
            let Ok((outcome, times)) = measured else { break };
            if let UnitOutcome::NotMeasured(words) = &outcome {
                terminal.note(&format!("{name} was not measured: {words}"));
            }
            folder.add(vec![sample_entry(name, *turn, outcome, times)])?;
        }
        Ok(BenchEnd::default())
    })?;
    told(terminal, &end)
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
    let ready = Site::new(driver, session, cancel, 0.0, room_min).ready_for_hands();
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

/// Does the operator confirm by this word, the unit's own serial number as a rule?
fn confirmed(prompt: &mut Prompt<'_>, question: &str, word: &str) -> bool {
    let mut asked = question.to_string();
    loop {
        match prompt.line(&asked) {
            Some(line) if line == word => return true,
            Some(line) if line == END => return false,
            None => return false,
            Some(line) => asked = format!("That is `{line}`, not `{word}`; `{END}` stops here"),
        }
    }
}

/// Name of a unit that will tell its own.
const UNNAMED: &str = "unit";

struct Next {
    serials: Serials,
    again: bool,
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
        let put_in = |what: &str, serial: String, prompt: &mut Prompt<'_>| {
            let question = format!(
                "{sensors}\nPut in {what} {serial}, then type or scan its serial number; `{END}` stops here"
            );
            confirmed(prompt, &question, &serial).then_some(serial)
        };
        let due = running.golden_due().first().map(|name| (*name).to_string());
        let serial = match (&self.serials, due) {
            (Serials::Typed, _) => {
                running.terminal.note(sensors);
                next_serial(running, prompt, self.again)?
            }
            (_, Some(name)) => put_in("golden unit", name, prompt)?,
            (Serials::Listed(list), None) => {
                let known = |serial: &String| !self.again && running.earlier(serial).is_some();
                while list.get(self.at).is_some_and(known) {
                    self.at += 1;
                }
                let serial = list.get(self.at)?.clone();
                self.at += 1;
                put_in("unit", serial, prompt)?
            }
            (Serials::OfDevice, None) => {
                let question = format!("{sensors}\nPut in the next unit, then type `in`; `{END}` stops here");
                if !confirmed(prompt, &question, "in") {
                    return None;
                }
                let unit = line.unit_unnamed(&line.unit_of_bench(UNNAMED));
                return Some((unit, running.task(UNNAMED)));
            }
        };
        Some((line.unit_of_bench(&serial), running.task(&serial)))
    }

    /// The task by the serial number that the device told; `None` where it told none that can be used.
    fn identified(
        &self,
        (task, unit): (Task, &Unit),
        serial: Option<String>,
        running: &Running<'_>,
        prompt: &mut Prompt<'_>,
    ) -> Option<Task> {
        if !matches!(self.serials, Serials::OfDevice) || unit.serial != UNNAMED {
            return Some(task);
        }
        let left = |words: &str| {
            running.terminal.note(&format!("{words}: what was measured is not taken up"));
            None
        };
        let Some(serial) = serial else {
            return left("the device told no serial number; call without --from-device and type it");
        };
        if let Err(failure) = check_name("the device's serial number", &serial) {
            return left(&failure.words);
        }
        match running.may_measure(prompt, &serial, self.again) {
            Some(true) => Some(running.task(&serial)),
            _ => left(&serial),
        }
    }
}
