//! Events of a run's log: the kind of each and its facts, from which the words are made.

use crate::faults::Fault;
use crate::text::counted;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How the check of a mounting ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CheckVerdict {
    /// The operator may leave.
    Pass,
    /// Some lanes are missing: it needs a re-seat.
    ReSeat,
    /// Nothing answers, or no part of it works.
    DeviceFailure,
}

/// Something that a run's store keeps, sealed by its digest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stored {
    /// Results of jobs.
    Results,
    /// Their places in the plan's order, and which of them count.
    States,
    /// Readings between jobs.
    Readings,
    Plan,
    /// Limits on record.
    Limits,
    /// Target, seed and version.
    Settings,
    /// A note of the program to itself.
    Note,
    /// A report that was issued.
    Report,
}

/// An event of a run's log. Stored by its tag, which never changes, and its facts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Event {
    RunStarted {
        /// Jobs to do now.
        jobs: u64,
        /// Jobs done before.
        done_before: u64,
        /// Who runs it: process and computer.
        by: String,
    },
    /// The run came to its end.
    RunEnded,
    /// A signal ended the run.
    StoppedBySignal,
    /// An earlier run ended without closing its folder.
    FoundOpen {
        /// Who left it.
        by: String,
    },
    /// A new plan replaces the earlier one.
    PlanChanged {
        /// Its title and digest.
        title: String,
        sha256: String,
        /// Title and digest of the earlier plan.
        before_title: String,
        before_sha256: String,
    },
    /// Jobs are asked to be measured again.
    MeasuredAgain {
        jobs: u64,
        /// Why, as the user said.
        reason: String,
    },
    /// Parts were merged into this folder.
    Merged {
        /// What was taken from each.
        parts: Vec<String>,
    },
    /// A run on a bench begins.
    BenchRunStarted { bench: String },
    Instrument {
        /// Its name in the bench file.
        name: String,
        /// What it answered.
        identification: String,
        /// Until when it is calibrated, where the bench file says so.
        calibration_due: Option<String>,
    },
    /// Outputs that an earlier run left on.
    LeftOn {
        /// Their names, with what they measure.
        outputs: Vec<String>,
    },
    /// Everything was measured off at the end.
    Safe,
    /// Something could not be made safe at the end.
    CouldNotMakeSafe { fault: Fault },
    /// The computer's clock was set forward or back.
    ClockStep {
        /// Positive when it went forward.
        seconds: f64,
    },
    /// The remaining jobs have a new order.
    PlannedAnew { change: String },
    /// No better order could be found.
    OrderKept { why: String },
    /// The jobs of a mounting are not measured.
    SetupLeftOut { module: String, channel: String, jobs: u64, fault: Fault },
    /// An attempt at a job ended with a fault.
    Fault {
        condition: String,
        fault: Fault,
        /// Which attempt, from 1.
        attempt: u32,
        /// It was the last.
        last: bool,
    },
    /// The bench could not be made ready for hands, so nobody was asked to mount.
    HandsNotAsked { fault: Fault },
    /// The bench was off at the end, but not yet at ambient.
    NotAtAmbient { fault: Fault },
    /// Jobs are left that need hands.
    JobsWaitForHands { jobs: u64 },
    /// Hands are needed while nobody is there.
    HandsNeeded {
        /// For what, and when they come.
        what: String,
    },
    /// Everything is off until hands come.
    Waiting {
        /// For what, and until when.
        what: String,
    },
    /// The operator was asked to do something.
    Hands {
        /// What was asked.
        task: String,
        done: bool,
    },
    /// A mounting was checked.
    MountingCheck {
        module: String,
        channel: String,
        verdict: CheckVerdict,
        /// Bench time it took.
        seconds: f64,
        /// What was wrong.
        reasons: Vec<String>,
    },
    /// The mounted module was identified.
    ModuleIdentified {
        /// The plan's name of it.
        module: String,
        /// By what: `SPD`, `serial` or `nothing`.
        known_by: String,
        /// Name and value of each fact read from it.
        facts: Vec<(String, String)>,
    },
    /// Serial numbers or bar codes typed or scanned at the bench.
    PartsNoted {
        /// Module and channel of the mounting.
        mounting: String,
        /// Part and code.
        codes: Vec<(String, String)>,
    },
    /// What switches off by itself when the bench's computer dies, and what nothing switches off then.
    GuardedAgainstComputer {
        /// Instruments with a timer of their own.
        by_timer: Vec<String>,
        /// Instruments without.
        by_nothing: Vec<String>,
    },
    /// The hours that a run was given are used up.
    NoTimeLeft {
        hours: f64,
        /// Jobs that are left.
        jobs: u64,
        /// Where some of them would fit if somebody changed what is mounted: when hands come.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        hands: Option<String>,
    },
    /// The bench was safe for hands only after the hours that a run was given.
    SafeLate { hours: f64, late_min: f64 },
    /// The run ended before all jobs were done.
    EndedEarly { why: String },
    /// Rows were stored: their digest, so that a later change shows.
    Stored {
        what: Stored,
        /// Its name, where it has one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        name: Option<String>,
        /// First row.
        first: u64,
        /// Last row.
        last: u64,
        /// Over the rows, hexadecimal.
        sha256: String,
    },
    /// The store was brought to another format; digests hold from here on.
    Upgraded {
        /// Format before.
        from: u64,
        /// Format now.
        to: u64,
    },
}

impl Event {
    /// Reads an instrument's event from a store of format 1, which kept the facts as one text.
    pub fn instrument_of_format_1(text: &str) -> Option<Event> {
        let (name, rest) = text.split_once(": ")?;
        let (identification, due) = rest.rsplit_once("; calibration due ")?;
        let dated = due.starts_with(|digit: char| digit.is_ascii_digit());
        Some(Event::Instrument {
            name: name.into(),
            identification: identification.into(),
            calibration_due: dated.then(|| due.into()),
        })
    }
}

impl fmt::Display for Event {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let jobs = |count: &u64| counted(usize::try_from(*count).unwrap_or(usize::MAX), "job");
        match self {
            Event::RunStarted { jobs: to_do, done_before, by } => {
                write!(f, "{} to do, {done_before} done before, by {by}", jobs(to_do))
            }
            Event::RunEnded | Event::StoppedBySignal => Ok(()),
            Event::FoundOpen { by } => write!(f, "{by} ended without closing the folder"),
            Event::PlanChanged { title, sha256, before_title, before_sha256 } => write!(
                f,
                "`{title}` (SHA-256 {sha256}) takes the place of `{before_title}` (SHA-256 {before_sha256})"
            ),
            Event::MeasuredAgain { jobs: count, reason } => write!(f, "{}: {reason}", jobs(count)),
            Event::Merged { parts } => f.write_str(&parts.join("; ")),
            Event::BenchRunStarted { bench } => write!(f, "run on the bench `{bench}` begins"),
            Event::Instrument { name, identification, calibration_due } => {
                let due = calibration_due.as_deref().unwrap_or("no due date");
                write!(f, "{name}: {identification}; calibration due {due}")
            }
            Event::LeftOn { outputs } => f.write_str(&outputs.join("; ")),
            Event::Safe => f.write_str("every rail measured off, chamber to ambient"),
            Event::CouldNotMakeSafe { fault } => f.write_str(&fault.detail),
            Event::ClockStep { seconds } => {
                let way = if *seconds > 0.0 { "forward" } else { "back" };
                write!(f, "the clock went {way} by {:.1} s; durations are not affected", seconds.abs())
            }
            Event::PlannedAnew { change } => f.write_str(change),
            Event::OrderKept { why } | Event::EndedEarly { why } => f.write_str(why),
            Event::NoTimeLeft { hours, jobs: count, hands } => {
                let (words, are) = (jobs(count), if *count == 1 { "is" } else { "are" });
                write!(f, "{words} {are} left: no more of them would end within the {hours} h of this run")?;
                match hands {
                    Some(when) => {
                        write!(f, ", since nobody is there to change what is mounted before {when}")
                    }
                    None => Ok(()),
                }
            }
            Event::SafeLate { hours, late_min } => write!(
                f,
                "the bench was safe {late_min:.1} min after the {hours} h of this run were over: its ramps take longer than \
                 `[bench_times]` of the plan says"
            ),
            Event::SetupLeftOut { module, channel, jobs: count, fault } => {
                write!(f, "{module} on {channel}: {}: {fault}", jobs(count))
            }
            Event::Fault { condition, fault, attempt, last } => {
                let last = if *last { ", the last" } else { "" };
                write!(f, "{condition}: {fault} (attempt {attempt}{last})")
            }
            Event::HandsNotAsked { fault } => write!(f, "hands were not asked for: {fault}"),
            Event::NotAtAmbient { fault } => write!(f, "not yet at ambient: {fault}"),
            Event::JobsWaitForHands { jobs: 1 } => f.write_str("1 job waits for hands"),
            Event::JobsWaitForHands { jobs } => write!(f, "{jobs} jobs wait for hands"),
            Event::HandsNeeded { what } | Event::Waiting { what } => f.write_str(what),
            Event::Hands { task, done } => write!(f, "{task}: {}", if *done { "done" } else { "left out" }),
            Event::Stored { what, name, first, last, sha256 } => {
                let what = match what {
                    Stored::Results => "results",
                    Stored::States => "places of results",
                    Stored::Readings => "readings between jobs",
                    Stored::Plan => "the plan",
                    Stored::Limits => "limits",
                    Stored::Settings => "target and seed",
                    Stored::Note => "the note",
                    Stored::Report => "the report",
                };
                match name {
                    Some(name) => write!(f, "{what} `{name}`: {sha256}"),
                    None => write!(f, "{what}, rows {first} to {last}: {sha256}"),
                }
            }
            Event::Upgraded { from, to } => {
                write!(f, "from format {from} to {to}; digests say what was there at this moment")
            }
            Event::ModuleIdentified { module, known_by, facts } => {
                write!(f, "{module}: known by {known_by}")?;
                let facts: Vec<String> =
                    facts.iter().map(|(name, value)| format!("{name} {value}")).collect();
                if facts.is_empty() { Ok(()) } else { write!(f, ": {}", facts.join(", ")) }
            }
            Event::PartsNoted { mounting, codes } => {
                let codes: Vec<String> = codes.iter().map(|(part, code)| format!("{part} {code}")).collect();
                write!(f, "{mounting}: {}", codes.join(", "))
            }
            Event::GuardedAgainstComputer { by_timer, by_nothing } => {
                let list = |names: &[String]| {
                    if names.is_empty() { "nothing".to_string() } else { names.join(", ") }
                };
                write!(
                    f,
                    "if this computer dies, these switch off by themselves: {}; nothing switches off: {}",
                    list(by_timer),
                    list(by_nothing)
                )
            }
            Event::MountingCheck { module, channel, verdict, seconds, reasons } => {
                let verdict = match verdict {
                    CheckVerdict::Pass => "passed",
                    CheckVerdict::ReSeat => "failed in part",
                    CheckVerdict::DeviceFailure => "failed for the whole device",
                };
                write!(f, "{module} on {channel} {verdict} in {seconds:.0} s")?;
                if reasons.is_empty() { Ok(()) } else { write!(f, ": {}", reasons.join("; ")) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_of_the_clock_is_told_with_its_size_and_way() {
        let words = |seconds: f64| Event::ClockStep { seconds }.to_string();
        assert_eq!(words(3600.0), "the clock went forward by 3600.0 s; durations are not affected");
        assert_eq!(words(-3670.0), "the clock went back by 3670.0 s; durations are not affected");
    }

    #[test]
    fn an_instrument_of_an_old_log_keeps_its_facts() {
        let dated = "supply: ACME,PS-3,17; rev 2; calibration due 2027-05-01";
        let event = Event::instrument_of_format_1(dated).unwrap();
        assert_eq!(event.to_string(), dated);
        let Event::Instrument { name, identification, calibration_due } = event else { panic!("{event:?}") };
        assert_eq!((name.as_str(), identification.as_str()), ("supply", "ACME,PS-3,17; rev 2"));
        assert_eq!(calibration_due.as_deref(), Some("2027-05-01"));
        let undated = Event::instrument_of_format_1("chamber: X; calibration due no due date").unwrap();
        assert!(matches!(undated, Event::Instrument { calibration_due: None, .. }));
        assert_eq!(Event::instrument_of_format_1("chamber"), None);
    }
}
