//! Where a run on a bench is written down and told: store, command log, terminal, the user's own command.

use super::session::{BenchSession, now};
use super::site::Site;
use crate::console::exit::Failure;
use crate::run::pending::PendingJob;
use crate::run::progress::Progress;
use crate::store::{Attachment, PackedJob, Reading, Store};
use bench::{CUT_READING, ModuleIdentity, RAMP_READING, SOAK_READING};
use nightbench_core::events::Event;
use nightbench_core::results::{Identity, JobResult};
use plan::Plan;
use plan::bench_file::{EventKind, KnownBy};

/// Reading: bench seconds that hands took, their mounting check, waiting for them, and the way to where they are safe.
pub(super) const HANDS_READING: &str = "change-over: hands";
/// See [`HANDS_READING`].
pub(super) const MOUNTING_CHECK_READING: &str = "change-over: mounting check";
/// See [`HANDS_READING`].
pub(super) const WAITING_READING: &str = "change-over: waiting";

/// Bench seconds of one stretch of the run, from mounting to mounting, by kind.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct StretchSeconds {
    /// Hands and mounting checks.
    pub hands: f64,
    /// On the way to temperatures.
    pub ramps: f64,
    /// Soaking there.
    pub soak: f64,
    pub training: f64,
    pub measuring: f64,
}

/// When a job began: UTC, and bench seconds of this run.
pub(super) struct Begun {
    utc: String,
    elapsed_s: f64,
}

impl Begun {
    /// Now.
    pub fn at(site: &Site<'_>) -> Begun {
        Begun { utc: now(), elapsed_s: site.elapsed_s() }
    }
}

/// The record of a run.
pub(super) struct Record<'a, 'f> {
    pub session: &'a BenchSession,
    pub plan: &'a Plan,
    pub store: &'a mut Store,
    pub progress: &'a mut Progress<'f>,
    /// What the present stretch has taken so far.
    pub stretch: StretchSeconds,
    /// Bench seconds that the folder waited for attended hours.
    pub waited_s: f64,
    /// What was last noted of the mounted module.
    pub module: Option<ModuleIdentity>,
    /// Serial number of the chip that answered last in this run.
    pub chip: Option<String>,
}

impl Record<'_, '_> {
    /// Notes an event in the log.
    pub fn note(&mut self, event: &Event) -> Result<(), Failure> {
        self.store.append_event(&now(), event).map_err(Failure::from)
    }

    /// Notes how the mounted module is known, when that is news; says so where it is known by nobody's reading.
    pub fn note_module(&mut self, site: &mut Site<'_>) -> Result<(), Failure> {
        let Some(identity) = site.driver.take_module_identity() else { return Ok(()) };
        if self.module.as_ref() == Some(&identity) {
            return Ok(());
        }
        let event = Event::ModuleIdentified {
            module: identity.module.clone(),
            known_by: identity.known_by.name().into(),
            facts: identity.facts.clone(),
        };
        self.note(&event)?;
        if identity.known_by != KnownBy::Spd {
            let rest = match identity.known_by {
                KnownBy::Serial => "by its serial number alone",
                _ => "by the word of whoever mounted it",
            };
            self.say(&format!(
                "warning: the module `{}` is known {rest}; `[bench_limits] modules_known_by = \"SPD\"` in the plan refuses that",
                identity.module
            ));
        }
        self.module = Some(identity);
        Ok(())
    }

    /// Remembers the chip that answers on the bench. Says so where the run begins with another one than the bench had last: somebody
    /// changed it, or the plan is about another.
    pub fn note_chip(&mut self, found: &Identity) {
        if self.chip.as_ref() == Some(&found.chip_serial) {
            return;
        }
        let custody = self.session.custody();
        let before = custody.last_chip().filter(|before| *before != found.chip_serial);
        if let (None, Some(before)) = (&self.chip, before) {
            self.say(&format!(
                "warning: another chip than the last on this bench: {before} before, {} now. Stop (Ctrl-C) if that is not meant",
                found.chip_serial
            ));
        }
        if let Err(words) = custody.remember_chip(&found.chip_serial) {
            self.session.log().note("bench", '-', &words);
        }
        self.chip = Some(found.chip_serial.clone());
    }

    /// Says something at the terminal.
    pub fn say(&self, words: &str) {
        self.session.terminal().note(words);
    }

    /// Tells the user's own command.
    pub fn tell(&self, kind: EventKind, words: &str) {
        self.session.tell(kind, words);
    }

    /// Stores bench seconds spent between jobs since a moment.
    pub fn spent(&mut self, site: &Site<'_>, name: &str, since_s: f64) -> Result<(), Failure> {
        let now = site.elapsed_s();
        match name {
            HANDS_READING | MOUNTING_CHECK_READING => self.stretch.hands += now - since_s,
            RAMP_READING => self.stretch.ramps += now - since_s,
            WAITING_READING => self.waited_s += now - since_s,
            _ => {}
        }
        let reading = Reading {
            bench_s: site.in_folder_s(now),
            name: name.into(),
            value: now - since_s,
            unit: "s".into(),
        };
        self.store.record_readings(vec![reading]).map_err(Failure::from)
    }

    /// Stores the bench seconds of a job that was cut, and of what kind they were as far as that is known: nothing else tells of them.
    pub fn cut(&mut self, site: &mut Site<'_>) -> Result<(), Failure> {
        let bench_s = site.in_folder_s(site.elapsed_s());
        let mut on_the_way = 0.0;
        for reading in site.driver.take_readings() {
            if [RAMP_READING, SOAK_READING, CUT_READING].contains(&reading.name.as_str()) {
                on_the_way += reading.value;
            }
        }
        // It teaches nothing: it belongs to no mounting.
        let reading = Reading { bench_s, name: CUT_READING.into(), value: on_the_way, unit: "s".into() };
        self.store.record_readings(vec![reading]).map_err(Failure::from)
    }

    /// Stores a job's result with everything read while it ran.
    pub fn job(
        &mut self,
        site: &mut Site<'_>,
        one: &PendingJob,
        result: &JobResult,
        begun: Begun,
        attachments: Vec<Attachment>,
    ) -> Result<(), Failure> {
        let mut row = one.row(self.plan);
        row.started_utc = begun.utc;
        row.started_bench_s = site.in_folder_s(begun.elapsed_s);
        row.ended_utc = now();
        row.ended_bench_s = site.in_folder_s(site.elapsed_s());
        self.stretch.training += result.times.training_s;
        self.stretch.measuring += result.times.measuring_s;
        let mut readings = Vec::new();
        for reading in site.driver.take_readings() {
            match reading.name.as_str() {
                RAMP_READING => self.stretch.ramps += reading.value,
                SOAK_READING => self.stretch.soak += reading.value,
                _ => {}
            }
            readings.push(Reading {
                bench_s: site.in_folder_s(reading.bench_s),
                name: reading.name,
                value: reading.value,
                unit: reading.unit.into(),
            });
        }
        let packed = PackedJob::new(&row, result, &readings)?;
        self.store.record_packed(packed.with_attachments(attachments)).map_err(Failure::from)
    }
}
