//! A lot under way: which unit is next, what is done with its counts, and what the operator sees.

use super::lot::{golden_stop, is_drawn};
use super::lot_folder::{Entry, LotFolder, Purpose, UnitEntry};
use super::setup::Turn;
use super::test_file::TestFile;
use crate::console::exit::Failure;
use crate::console::terminal::{Terminal, shown};
use crate::run::operator::{next_line, typed_lines};
use contract::CancelToken;
use judge::gonogo::{Decision, Judgement};
use nightbench_core::line::{UnitOutcome, UnitTimes};
use nightbench_core::text::counted;
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::Path;

/// Mountings of golden units begin here: the first ones are those of the gauge study.
const GOLDEN_MOUNTING: u32 = 10;
/// Longest serial number, characters.
const LONGEST: usize = 200;
/// What is typed when there is no further unit: Enter alone is a scanner's or a tired hand's slip.
pub const END: &str = "end";

/// A lot under way.
pub struct Running<'a> {
    pub terminal: &'a Terminal,
    pub file: &'a TestFile,
    pub digest: String,
    pub folder: LotFolder,
    pub golden_every: u32,
    pub machine: bool,
    /// Decisions of this call.
    pub seen: [usize; 4],
}

/// A unit to be measured.
#[derive(Debug, Clone)]
pub struct Task {
    pub serial: String,
    pub purpose: Purpose,
    pub turn: Turn,
}

/// A name that may stand in a file's name and on a page.
///
/// # Errors
/// Exit 2.
pub fn check_name(what: &str, name: &str) -> Result<(), Failure> {
    let bad = |c: char| c.is_control() || matches!(c, '/' | '\\');
    if name.trim() != name
        || name.is_empty()
        || name.starts_with('.')
        || name.chars().count() > LONGEST
        || name.contains(bad)
    {
        return Err(Failure::invalid(format!(
            "{what} `{name}`: give 1 to {LONGEST} characters without a slash, a blank at an end or a control character"
        )));
    }
    Ok(())
}

impl Running<'_> {
    /// Says what begins.
    pub fn banner(&self, dir: &Path, simulated: bool) {
        let done = self.folder.lines.measurements().filter(|one| one.purpose == Purpose::Unit).count();
        let target = if simulated { "SIMULATED - not measured: " } else { "" };
        let goes_on = if done > 0 {
            format!(", continuing: {} on record", counted(done, "measurement"))
        } else {
            String::new()
        };
        self.terminal.note(&format!(
            "{target}lot {} into {}{goes_on}",
            self.folder.lines.begin.lot,
            dir.display()
        ));
    }

    /// What a serial number asks for now.
    pub fn task(&self, serial: &str) -> Task {
        let golden = self.is_golden(serial);
        let before = self.folder.lines.measurements().filter(|one| one.serial == serial).count() as u32;
        let from = if golden { GOLDEN_MOUNTING } else { 0 };
        Task {
            serial: serial.into(),
            purpose: if golden { Purpose::Golden } else { Purpose::Unit },
            turn: Turn { mounting: from + before, repeat: 0 },
        }
    }

    /// Golden units that are due: none measured yet since the begin or a restart, or too many units since.
    pub fn golden_due(&self) -> Vec<&str> {
        if self.golden_every == 0 || self.file.golden.sd.is_none() {
            return Vec::new();
        }
        let mut due: Vec<&str> = self.file.golden.unit.iter().map(|golden| golden.name.as_str()).collect();
        let mut units = 0;
        for entry in self.folder.lines.since_restart().iter().rev() {
            let Entry::Unit(one) = entry else { continue };
            match one.purpose {
                Purpose::Golden if units < self.golden_every => due.retain(|name| *name != one.serial),
                Purpose::Unit => units += 1,
                _ => {}
            }
        }
        due
    }

    /// Does the serial number belong to a golden unit?
    pub fn is_golden(&self, serial: &str) -> bool {
        self.file.golden.unit.iter().any(|golden| golden.name == serial)
    }

    /// A unit that the lot has already is asked about; `None` when there is no answer.
    pub fn may_measure(&self, prompt: &mut Prompt<'_>, serial: &str, again: bool) -> Option<bool> {
        let Some(judged) = self.earlier(serial).filter(|_| !again && !self.is_golden(serial)) else {
            return Some(true);
        };
        let question = format!(
            "{serial} was measured before: {}. Does the new measurement count instead? y or N",
            judged.decision.words()
        );
        Some(matches!(prompt.line(&question)?.as_str(), "y" | "Y" | "yes"))
    }

    /// The earlier decision on a serial number, where there is one that counts.
    pub fn earlier(&self, serial: &str) -> Option<Judgement> {
        let of_unit = |one: &&UnitEntry| one.serial == serial && one.purpose == Purpose::Unit;
        let last = self.folder.lines.measurements().filter(of_unit).last()?;
        Some(self.file.test.judge(&last.outcome)).filter(|judged| judged.decision != Decision::NotMeasured)
    }

    /// Judges, stores and shows a measurement; false when the lot stops by it.
    ///
    /// # Errors
    /// Exit 74.
    pub fn take(
        &mut self,
        task: &Task,
        (outcome, times): (UnitOutcome, UnitTimes),
        ended_utc: String,
    ) -> Result<bool, Failure> {
        let judged = self.file.test.judge(&outcome);
        let begin = &self.folder.lines.begin;
        let unit = task.purpose == Purpose::Unit;
        let drawn = unit
            && judged.decision == Decision::Go
            && is_drawn(&begin.lot, &self.digest, &task.serial, begin.draw);
        self.folder.add(vec![Entry::Unit(UnitEntry {
            serial: task.serial.clone(),
            purpose: task.purpose,
            mounting: task.turn.mounting,
            repeat: task.turn.repeat,
            outcome,
            times,
            decision: Some(judged.decision),
            predicted: judged.predicted,
            drawn,
            ended_utc,
        })])?;
        if unit {
            self.seen[judged.decision as usize] += 1;
        }
        self.show(task, &judged, &times, drawn);
        if unit {
            return Ok(true);
        }
        let Some(words) = golden_stop(self.file, &self.folder.lines) else { return Ok(true) };
        self.terminal.note(&format!("THE LOT STOPS: {words}"));
        self.folder.add(vec![Entry::Stopped { words }])?;
        Ok(false)
    }

    fn show(&self, task: &Task, judged: &Judgement, times: &UnitTimes, drawn: bool) {
        let test = &self.file.test;
        let (unit, digits) = (test.metric.unit(), test.metric.digits());
        if self.machine {
            let value = json!({
                "serial": task.serial, "golden": task.purpose == Purpose::Golden, "decision": judged.decision.words(),
                "reason": judged.reason.to_string(), "predicted": judged.predicted, "unit": unit,
                "drawn_for_corner_test": drawn, "seconds": times.total_s(),
            });
            self.terminal.out(&value.to_string());
            return;
        }
        let predicted = judged.predicted.map_or("-".to_string(), |value| {
            let reach = 2.0 * test.residual_sd;
            format!("{value:.digits$} {unit} ({:.digits$} to {:.digits$})", value - reach, value + reach)
        });
        let (word, colour) = match (task.purpose, judged.decision) {
            (Purpose::Golden, _) => ("golden", "\u{1b}[7m"),
            (_, Decision::Go) => ("go", "\u{1b}[30;42m"),
            (_, Decision::NoGo) => ("no-go", "\u{1b}[97;41m"),
            (_, Decision::ToCorner) => ("to corner test", "\u{1b}[30;43m"),
            (_, Decision::NotMeasured) => ("not measured", "\u{1b}[30;47m"),
        };
        let reason = match &judged.reason {
            judge::gonogo::Reason::Predicted => String::new(),
            other => format!("  {other}"),
        };
        let draw = if drawn { "  drawn for the corner test" } else { "" };
        let (colour, plain) = if self.terminal.colour_out { (colour, "\u{1b}[0m") } else { ("", "") };
        self.terminal.out_coloured(&format!(
            "{:<24} {colour} {word:<14} {plain} {predicted}  {:.1} s{reason}{draw}",
            task.serial,
            times.total_s()
        ));
        // Somebody tired hears it as well.
        if self.terminal.animated && task.purpose == Purpose::Unit && judged.decision != Decision::Go {
            let _ = write!(std::io::stderr(), "\u{7}");
        }
    }
}

/// Lines as somebody types or scans them.
pub struct Prompt<'a>(Answers<'a>);

type Answers<'a> = Box<dyn FnMut(&str) -> Option<String> + 'a>;

impl<'a> Prompt<'a> {
    /// At standard input; a stop that is asked for ends it.
    pub fn new(cancel: &CancelToken) -> Prompt<'static> {
        let lines = typed_lines();
        let (cancel, shows) = (cancel.clone(), std::io::stderr().is_terminal());
        Prompt(Box::new(move |question| {
            if shows {
                let _ = write!(std::io::stderr(), "{}\n> ", shown(question));
            }
            next_line(&lines, || cancel.is_cancelled())
        }))
    }

    /// Somebody else answers: for tests.
    pub fn answered_by(answer: impl FnMut(&str) -> Option<String> + 'a) -> Prompt<'a> {
        Prompt(Box::new(answer))
    }

    /// The next line; `None` when there will be none.
    pub fn line(&mut self, question: &str) -> Option<String> {
        (self.0)(question).map(|line| line.trim().to_string())
    }
}

/// The next unit by its serial number: golden ones where they are due, and nothing twice without asking.
pub fn next_serial(running: &Running<'_>, prompt: &mut Prompt<'_>, again: bool) -> Option<String> {
    loop {
        let due = running.golden_due();
        let question = match due.as_slice() {
            [] => format!("serial number of the next unit; `{END}` when there is none"),
            due => {
                format!(
                    "golden units are due: {}. Serial number of one of them; `{END}` stops here",
                    due.join(", ")
                )
            }
        };
        let serial = prompt.line(&question)?;
        if serial == END {
            return None;
        }
        if serial.is_empty() {
            running.terminal.note(&format!("no serial number: type or scan one; `{END}` ends"));
            continue;
        }
        if let Err(failure) = check_name("serial number", &serial) {
            running.terminal.note(&failure.words);
            continue;
        }
        let golden = running.is_golden(&serial);
        if !due.is_empty() && !golden {
            running
                .terminal
                .note(&format!("{serial} is not measured: golden units come first ({})", due.join(", ")));
            continue;
        }
        match running.may_measure(prompt, &serial, again)? {
            true => return Some(serial),
            false => running.terminal.note(&format!("{serial}: left as it is")),
        }
    }
}
