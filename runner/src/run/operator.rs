//! Hands at the bench: asked for on a terminal only, and only when everything is verified off and neither hot nor cold.

use crate::console::terminal::shown;
use crate::run::pending::Mounting;
use contract::CancelToken;
use nightbench_core::units::Celsius;
use std::io::{BufRead, IsTerminal, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// Cautions printed where hands come near.
pub const CAUTIONS: &str = "\
CAUTION before you reach in. These words do not replace your laboratory's own rules or the training and licences that
they ask for; software is no hardware interlock: rely on the independent over-temperature cut-out, the over-voltage
protection and the emergency stop.
  heat and cold   bare metal above about 43 °C burns in time, below 0 °C it freezes skin; parts you cannot see may
                  be warmer or colder than the sensors
  static          wear a grounded wrist strap; isolated conductors below 35 V; parts are damaged from 100 V (human body)
  supply          never mount or pull a module while a rail is up, whatever a display says: measure
  nitrogen        1 L of liquid gives about 695 L of gas; leave the room when the oxygen alarm sounds (below 19.5 %)
  unattended      after you leave, the bench heats, cools and powers up by itself";

/// Longest serial number or bar code that is kept, characters.
const LONGEST_CODE: usize = 200;
/// How often a waiting prompt looks whether a stop was asked for.
const LOOK: Duration = Duration::from_millis(50);

/// What ends a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndsBy {
    /// The hours that it was given.
    Hours,
    /// Nothing but the longest that any run on its bench may last.
    MostHours,
}

/// When a change is of no use any more: nothing that is measured after it would end in time.
#[derive(Debug, Clone)]
pub struct Latest {
    pub at: Instant,
    pub ends_by: EndsBy,
    /// By the clock on the wall.
    pub words: String,
}

impl Latest {
    pub fn is_over(&self) -> bool {
        Instant::now() >= self.at
    }
}

/// Why something that was just mounted is asked for again.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Again {
    /// What is wrong; empty: it is asked for the first time.
    pub reasons: Vec<String>,
    /// It answers and is another than the plan names: no seating helps.
    pub is_another: bool,
}

/// Somebody who can change what is mounted, or nobody.
pub trait Hands {
    /// Is somebody there to ask?
    fn present(&self) -> bool;

    /// Asks for a change. Called only with the rails verified off and these sensors within the safe band; `again` says
    /// why what was just mounted must be taken out. Returns whether it was
    /// done; there is no answer but a person's, and none is waited for after `latest`.
    fn change(
        &mut self,
        wanted: &Mounting,
        sensors: &[(String, Celsius)],
        again: &Again,
        latest: &Latest,
    ) -> bool;

    /// Asks for serial numbers or bar codes of what was just mounted, until `latest`: part and code of each; none where nobody gives any.
    fn codes(&mut self, _wanted: &Mounting, _latest: &Latest) -> Vec<(String, String)> {
        Vec::new()
    }

    /// Says that what was mounted answers and that nobody is needed for now.
    fn may_leave(&mut self, words: &str);
}

/// A person at this terminal.
pub struct TerminalHands {
    cancel: CancelToken,
    lines: Option<Receiver<String>>,
}

impl TerminalHands {
    /// At this terminal; a stop that is asked for ends a prompt without an answer.
    pub fn new(cancel: &CancelToken) -> TerminalHands {
        TerminalHands { cancel: cancel.clone(), lines: None }
    }

    /// The next line typed; `None` when there will be none, or none in time.
    fn line(&mut self, latest: &Latest) -> Option<String> {
        let over = || self.cancel.is_cancelled() || latest.is_over();
        next_line(self.lines.get_or_insert_with(typed_lines), over)
    }
}

/// The lines of standard input as they are typed or scanned.
pub(crate) fn typed_lines() -> Receiver<String> {
    let (sender, lines) = channel();
    // Reading cannot be broken off, so it has a thread of its own, which ends with the program.
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            if sender.send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// The next of them; `None` when there will be none, or it is over first.
pub(crate) fn next_line(lines: &Receiver<String>, over: impl Fn() -> bool) -> Option<String> {
    loop {
        match lines.recv_timeout(LOOK) {
            Ok(line) => return Some(line),
            Err(RecvTimeoutError::Disconnected) => return None,
            Err(RecvTimeoutError::Timeout) if over() => return None,
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

impl Hands for TerminalHands {
    fn present(&self) -> bool {
        std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
    }

    fn change(
        &mut self,
        wanted: &Mounting,
        sensors: &[(String, Celsius)],
        again: &Again,
        latest: &Latest,
    ) -> bool {
        // What was typed before the question is no answer to it.
        if let Some(lines) = &self.lines {
            while lines.try_recv().is_ok() {}
        }
        let _ = writeln!(std::io::stderr(), "\n{CAUTIONS}\n\n{}", shown(&question(wanted, sensors, again)));
        let until = match latest.ends_by {
            EndsBy::Hours => format!("After {} nothing would end in time any more", latest.words),
            EndsBy::MostHours => {
                format!(
                    "After {} the run has lasted as long as its bench allows (`most_hours`)",
                    latest.words
                )
            }
        };
        let _ =
            writeln!(std::io::stderr(), "{until}: the run goes on without, and switches nothing on for it.");
        loop {
            let _ = write!(std::io::stderr(), "> ");
            match self.line(latest) {
                None => return false,
                Some(line) if line.trim().is_empty() => return false,
                Some(line) if line.trim() == wanted.module => return true,
                Some(_) => {
                    let _ = writeln!(std::io::stderr(), "That is not `{}`.", shown(&wanted.module));
                }
            }
        }
    }

    fn codes(&mut self, wanted: &Mounting, latest: &Latest) -> Vec<(String, String)> {
        let _ = writeln!(
            std::io::stderr(),
            "Serial numbers or bar codes for the report, typed or scanned; Enter alone leaves one out."
        );
        let mut codes = Vec::new();
        for (part, name) in
            [("module", &wanted.module), ("channel parts", &wanted.channel), ("chip", &wanted.chip)]
        {
            let _ = write!(std::io::stderr(), "{part} ({}):\n> ", shown(name));
            let Some(line) = self.line(latest) else { return codes };
            let code: String = line.trim().chars().take(LONGEST_CODE).collect();
            if !code.is_empty() {
                codes.push((part.to_string(), code));
            }
        }
        codes
    }

    fn may_leave(&mut self, words: &str) {
        let _ = writeln!(std::io::stderr(), "{}", shown(words));
    }
}

fn question(wanted: &Mounting, sensors: &[(String, Celsius)], again: &Again) -> String {
    let readings: Vec<String> = sensors.iter().map(|(name, value)| format!("{name} {value}")).collect();
    let serial = wanted.serial.as_ref().map(|serial| format!(" (serial {serial})")).unwrap_or_default();
    let task = match again.reasons.as_slice() {
        [] if wanted.number > 0 => "Take it out and seat it again, even if it is mounted. Mount".to_string(),
        [] => "Mount".to_string(),
        why if again.is_another => {
            format!(
                "The mounting check failed: {}.\nTake it out, and mount what is asked for. Mount",
                why.join("; ")
            )
        }
        why => format!(
            "The mounting check failed: {}.\nTake it out, look at contacts and cables, and seat it again. Mount",
            why.join("; ")
        ),
    };
    format!(
        "Every rail was measured off; {}.\n{task}: chip `{}`, module `{}`{serial}, channel `{}`.\nThen stay until the \
         mounting check has passed. Type the module's name and Enter when it is mounted; an empty line leaves these jobs out.",
        readings.join(", "),
        wanted.chip,
        wanted.module,
        wanted.channel,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_question_names_what_to_fit_and_why_it_is_asked_again() {
        let wanted = Mounting {
            chip: "K1".into(),
            module: "Amber".into(),
            serial: Some("A-17".into()),
            channel: "risers".into(),
            number: 0,
        };
        let sensors = [("chip".to_string(), Celsius(23.5))];
        let first = question(&wanted, &sensors, &Again::default());
        for words in
            ["measured off; chip 23.5", "module `Amber` (serial A-17), channel `risers`", "stay until"]
        {
            assert!(first.contains(words), "{words}: {first}");
        }
        assert!(!first.contains("again"), "{first}");
        let seat = question(&Mounting { number: 1, ..wanted.clone() }, &sensors, &Again::default());
        assert!(seat.contains("seat it again, even if"), "{seat}");
        let mut why = Again { reasons: vec!["lanes 3 of read rank 0 see nothing".into()], is_another: false };
        let again = question(&wanted, &sensors, &why);
        assert!(again.contains("The mounting check failed: lanes 3 of read rank 0 see nothing."), "{again}");
        assert!(again.contains("look at contacts and cables, and seat it again"), "{again}");
        // The wrong module is no matter of contacts.
        why = Again { reasons: vec!["`Amber` is mounted, not `Cedar`".into()], is_another: true };
        let other = question(&wanted, &sensors, &why);
        assert!(other.contains("not `Cedar`.\nTake it out, and mount what is asked for."), "{other}");
        assert!(!other.contains("contacts") && !other.contains("seat it"), "{other}");
    }
}
