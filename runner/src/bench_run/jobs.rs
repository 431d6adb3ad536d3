//! The loop over jobs: fitted or not, tried again or not, measured or not and why.

use super::session::{BenchEnd, BenchSession, now};
use crate::clock::{ClockWatch, Moment};
use crate::execute::Executor;
use crate::exit::{Exit, Failure};
use crate::hands::{Fitting, Hands};
use crate::night::{Todo, row};
use crate::progress::Progress;
use crate::run_folder::store_failure;
use crate::store::{Reading, Store, hex};
use drivers::bench::BenchDriver;
use drivers::bench::driver::within;
use drivers::contract::{CancelToken, Driver, ErrorKind};
use plans::bench_file::EventKind;
use plans::plan::Plan;
use plans::results::{Identity, JobOutcome, JobResult};
use std::collections::HashMap;
use std::time::Duration;

/// Most bytes of one attachment.
const MOST_ATTACHMENT: usize = 256 << 10;
/// Lines of the command log kept with a fault.
const LOG_LINES: usize = 400;

/// What the reason of a job that was not measured says about trying again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Again {
    /// The conversation failed: everything is set anew and the job is tried again.
    Yes,
    /// An alarm: once more at most.
    Once,
    /// It would end the same.
    No,
}

fn again(reason: &str) -> Again {
    let begins = |kind: ErrorKind| reason.starts_with(kind.words());
    if reason.contains("could not make safe") || reason.contains("temperature not reached") {
        return Again::No;
    }
    if begins(ErrorKind::Interlock) || begins(ErrorKind::OutOfRange) {
        return Again::Once;
    }
    let transient = [
        ErrorKind::TimeOut,
        ErrorKind::Communication,
        ErrorKind::Protocol,
        ErrorKind::Instrument(0),
        ErrorKind::NotSettled,
        ErrorKind::WrongOrder,
    ];
    if transient.into_iter().any(begins) { Again::Yes } else { Again::No }
}

/// The loop.
pub(super) struct Loop<'a> {
    session: &'a BenchSession,
    plan: &'a Plan,
    executor: &'a Executor<'a>,
    hands: &'a mut dyn Hands,
    cancel: &'a CancelToken,
    fitted: Option<Fitting>,
    identities: HashMap<(String, String), Identity>,
    end: BenchEnd,
    clock: ClockWatch,
}

impl<'a> Loop<'a> {
    pub fn new(
        session: &'a BenchSession,
        plan: &'a Plan,
        executor: &'a Executor<'a>,
        hands: &'a mut dyn Hands,
        cancel: &'a CancelToken,
    ) -> Loop<'a> {
        let end = BenchEnd {
            not_safe: None,
            ended_early: None,
            waiting_for_hands: 0,
            not_measured: 0,
            wrong_fitting: false,
        };
        let clock = ClockWatch::new(Moment::now());
        Loop { session, plan, executor, hands, cancel, fitted: None, identities: HashMap::new(), end, clock }
    }

    fn note(&self, store: &mut Store, kind: &str, text: &str) -> Result<(), Failure> {
        store.append_event(&now(), kind, text).map_err(|error| store_failure(&error))
    }

    fn wanted(&self, todo: &Todo) -> Fitting {
        let module = todo.condition.module(self.plan);
        Fitting {
            chip: todo.condition.chip(self.plan).name.clone(),
            module: module.name.clone(),
            serial: module.serial.clone(),
            channel: todo.condition.channel(self.plan).name.clone(),
            mounting: u32::from(todo.job.mounting),
        }
    }

    /// The operator's statement of what is fitted holds for the first mounting of that setup that is still to do.
    fn as_declared(&self, todo: &[Todo]) -> Option<Fitting> {
        let declared = self.session.bench().fitted.as_ref()?;
        todo.iter().map(|one| self.wanted(one)).find(|wanted| {
            wanted.chip == declared.chip
                && wanted.module == declared.module
                && wanted.channel == declared.channel
        })
    }

    fn read_identities(&mut self, store: &Store) -> Result<(), Failure> {
        for stored in store.reader().jobs(crate::store::Attempts::All) {
            let stored = stored.map_err(|error| store_failure(&error))?;
            if !stored.identity.chip_serial.is_empty() {
                self.identities.entry((stored.row.chip, stored.row.firmware)).or_insert(stored.identity);
            }
        }
        Ok(())
    }

    /// Runs everything that can be run.
    pub fn run(
        &mut self,
        driver: &mut BenchDriver,
        todo: &[Todo],
        store: &mut Store,
        progress: &mut Progress,
    ) -> Result<BenchEnd, Failure> {
        self.fitted = self.as_declared(todo);
        self.read_identities(store)?;
        let limits = self.session.bench().unattended;
        let mut faults_in_a_row = 0;
        let mut left_out: Option<Fitting> = None;
        let mut measured = 0usize;
        for one in todo {
            if self.cancel.is_cancelled() {
                break;
            }
            if let Some(step) = self.clock.look(Moment::now()) {
                self.note(store, "clock step", &step.words())?;
            }
            if driver.elapsed().0 > limits.most_hours * 3600.0 {
                self.end.ended_early = Some(format!("the run reached its {} hours", limits.most_hours));
                break;
            }
            let wanted = self.wanted(one);
            if self.fitted.as_ref() != Some(&wanted) {
                if left_out.as_ref() == Some(&wanted) || !self.fit(driver, &wanted, store)? {
                    if self.end.not_safe.is_some() {
                        break;
                    }
                    left_out = Some(wanted);
                    self.end.waiting_for_hands += 1;
                    continue;
                }
                self.fitted = Some(wanted.clone());
            }
            let begun = (now(), driver.elapsed().0);
            self.session.log().note("runner", '-', &format!("job {}", hex(&one.key)));
            let Some(result) = self.tried(driver, one, store)? else { break };
            if let JobOutcome::NotMeasured { reason } = &result.outcome {
                if reason.starts_with(ErrorKind::WrongIdentity.words()) {
                    // Nothing of this setup can be measured: no result, and hands are needed.
                    self.note(store, "fault", reason)?;
                    self.session.terminal().note(reason);
                    self.session.tell(EventKind::Fault, reason);
                    self.fitted = None;
                    self.end.waiting_for_hands += 1;
                    self.end.wrong_fitting = measured == 0;
                    left_out = (!self.hands.present()).then_some(wanted);
                    continue;
                }
                if reason.contains("could not make safe") {
                    self.end.not_safe = Some(reason.clone());
                }
                faults_in_a_row += 1;
                self.end.not_measured += 1;
                self.session.tell(EventKind::Fault, reason);
            } else {
                faults_in_a_row = 0;
                measured += 1;
            }
            self.store(driver, one, &result, begun, store)?;
            let words = match &result.outcome {
                JobOutcome::Measured => "measured".to_string(),
                JobOutcome::TrainingFailed => "training failed".to_string(),
                JobOutcome::NotMeasured { reason } => format!("not measured: {reason}"),
            };
            progress.job(&format!("{}: {words}", one.condition.describe(self.plan)));
            if self.end.not_safe.is_some() {
                break;
            }
            if faults_in_a_row >= limits.most_consecutive_faults {
                self.end.ended_early = Some(format!("{faults_in_a_row} faults in a row"));
                break;
            }
            if store.disk_is_full() {
                return Err(Failure::new(Exit::Store, "the disk is full: what was measured is stored"));
            }
        }
        self.finish(driver, store)
    }

    fn finish(&mut self, driver: &mut BenchDriver, store: &mut Store) -> Result<BenchEnd, Failure> {
        if self.end.waiting_for_hands > 0 {
            let words = format!("{} jobs wait for hands", self.end.waiting_for_hands);
            self.note(store, "hands needed", &words)?;
            self.session.terminal().note(&words);
            self.session.tell(EventKind::HandsNeeded, &words);
        }
        if let Some(words) = self.end.ended_early.clone() {
            self.note(store, "ended early", &words)?;
            self.session.terminal().note(&words);
        }
        if self.end.not_safe.is_none() && !self.cancel.is_cancelled() {
            // Runs end warm: off first, then to ambient until nothing is cold.
            let warm = driver
                .make_safe(&within(Duration::from_secs(60)))
                .and_then(|()| driver.wait_touch_safe(&self.long_call()).map(|_| ()));
            if let Err(error) = warm {
                self.note(store, "fault", &format!("not yet at ambient: {error}"))?;
                self.session
                    .terminal()
                    .note(&format!("{error}: keep the chamber closed until it is at ambient"));
            }
        }
        let blank = BenchEnd {
            not_safe: None,
            ended_early: None,
            waiting_for_hands: 0,
            not_measured: 0,
            wrong_fitting: false,
        };
        Ok(std::mem::replace(&mut self.end, blank))
    }

    fn long_call(&self) -> drivers::contract::Call {
        let bench = self.session.bench();
        let limit = Duration::from_secs_f64(bench.settle.time_out_s / bench.time_scale + 30.0);
        drivers::contract::Call::within(limit, self.cancel)
    }

    /// Has what a job needs fitted: only by hands, only when verified off and within the band.
    fn fit(
        &mut self,
        driver: &mut BenchDriver,
        wanted: &Fitting,
        store: &mut Store,
    ) -> Result<bool, Failure> {
        if !self.hands.present() {
            return Ok(false);
        }
        let words = format!("fit chip {}, module {}, channel {}", wanted.chip, wanted.module, wanted.channel);
        self.session.tell(EventKind::HandsNeeded, &words);
        let ready = driver
            .make_safe(&within(Duration::from_secs(60)))
            .and_then(|()| driver.wait_touch_safe(&self.long_call()));
        let sensors = match ready {
            Ok(sensors) => sensors,
            Err(error) => {
                if error.words.contains("could not make safe") {
                    self.end.not_safe = Some(error.to_string());
                }
                self.note(store, "fault", &format!("hands were not asked for: {error}"))?;
                self.session.terminal().note(&format!("hands must stay away: {error}"));
                return Ok(false);
            }
        };
        let done = self.hands.change(wanted, &sensors);
        driver.refitted();
        self.note(store, "hands", &format!("{words}: {}", if done { "done" } else { "left out" }))?;
        Ok(done)
    }

    /// One job, tried again where that can help; `None` when a stop was asked for.
    fn tried(
        &mut self,
        driver: &mut BenchDriver,
        one: &Todo,
        store: &mut Store,
    ) -> Result<Option<JobResult>, Failure> {
        let attempts = self.session.bench().unattended.attempts;
        let mut tries = 0;
        loop {
            tries += 1;
            let Ok(mut result) = self.executor.run_attempt(driver, &one.job, one.attempt, self.cancel) else {
                return Ok(None);
            };
            if !matches!(result.outcome, JobOutcome::NotMeasured { .. })
                && let Some(words) = self.other_identity(one, &result.identity)
            {
                result.captures.clear();
                result.outcome = JobOutcome::NotMeasured { reason: words };
            }
            let JobOutcome::NotMeasured { reason } = &result.outcome else { return Ok(Some(result)) };
            self.attach(driver, one, reason);
            let most = match again(reason) {
                Again::Yes => attempts,
                Again::Once => attempts.min(2),
                Again::No => 1,
            };
            let words =
                format!("{}: {reason} (attempt {tries} of {most})", one.condition.describe(self.plan));
            self.note(store, "fault", &words)?;
            self.session.terminal().note(&format!("fault: {words}"));
            if tries >= most || self.cancel.is_cancelled() {
                return Ok(Some(result));
            }
            // What was read during an attempt that does not count is not kept with the job.
            driver.take_readings();
        }
    }

    /// A chip or firmware that changed inside a run folder gives no result in it.
    fn other_identity(&mut self, one: &Todo, found: &Identity) -> Option<String> {
        let firmware =
            one.condition.firmware(self.plan).map_or("as loaded".into(), |image| image.name.clone());
        let key = (one.condition.chip(self.plan).name.clone(), firmware);
        let known = self.identities.entry(key).or_insert_with(|| found.clone());
        (known != found).then(|| {
            format!(
                "{}: this folder holds results of {} {} (settings {}), now {} {} (settings {}) answers; name another \
                 folder, or give the changed thing another name in the plan",
                ErrorKind::WrongIdentity.words(),
                known.chip_serial,
                known.firmware_hash,
                known.settings_hash,
                found.chip_serial,
                found.firmware_hash,
                found.settings_hash
            )
        })
    }

    /// Keeps the commands, the agent's log and its registers beside the results, capped.
    fn attach(&self, driver: &mut BenchDriver, one: &Todo, reason: &str) {
        let call = within(Duration::from_secs(3));
        let mut text =
            format!("{reason}\n\n== commands\n{}\n", self.session.log().latest(LOG_LINES).join("\n"));
        for method in ["log", "registers"] {
            text.push_str(&format!("\n== agent: {method}\n{}\n", driver.agent_text(method, &call)));
        }
        let mut end = MOST_ATTACHMENT.min(text.len());
        while !text.is_char_boundary(end) {
            end -= 1;
        }
        let dir = self.session.dir().join("attachments");
        let path = dir.join(format!("{}.txt", &hex(&one.key)[..16]));
        // An attachment that cannot be written is no reason to lose the job.
        let _ = std::fs::create_dir_all(&dir).and_then(|()| std::fs::write(path, &text[..end]));
    }

    fn store(
        &self,
        driver: &mut BenchDriver,
        one: &Todo,
        result: &JobResult,
        begun: (String, f64),
        store: &mut Store,
    ) -> Result<(), Failure> {
        let mut row = row(self.plan, one);
        row.started_utc = begun.0;
        row.started_bench_s = begun.1;
        row.ended_utc = now();
        row.ended_bench_s = driver.elapsed().0;
        let readings: Vec<Reading> = driver
            .take_readings()
            .into_iter()
            .map(|one| Reading {
                bench_s: one.bench_s,
                name: one.name,
                value: one.value,
                unit: one.unit.into(),
            })
            .collect();
        store.record(&row, result, &readings).map_err(|error| store_failure(&error))
    }
}
