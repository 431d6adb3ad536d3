//! The loop over jobs: fitted or not, measured or not and why, planned anew where reality departs from the plan.

use super::attended::{AttendedHours, local_minutes};
use super::mounting::Fitted;
use super::remaining::{Rest, StretchSeconds};
use super::retry::Again;
use super::session::{BenchEnd, BenchRun, BenchSession, now};
use crate::console::exit::{Exit, Failure};
use crate::run::clock::{ClockWatch, Moment};
use crate::run::mounting_check::FitVerdict;
use crate::run::operator::{Fitting, Hands};
use crate::run::progress::Progress;
use crate::run::simulated_run::{PendingJob, row};
use crate::store::{Attachment, Attempts, PackedJob, Reading, Store, hex};
use bench::driver::within;
use bench::{BenchDriver, RAMP_READING, SOAK_READING};
use contract::{Call, CancelToken, Driver, FaultKind};
use nightbench_core::results::{Identity, JobOutcome, JobResult};
use nightbench_core::text::counted;
use plan::bench_file::EventKind;
use schedule::Standing;
use std::collections::HashMap;
use std::time::Duration;

/// The loop.
pub(super) struct Loop<'a> {
    pub session: &'a BenchSession,
    pub run: &'a BenchRun<'a>,
    pub hands: &'a mut dyn Hands,
    pub cancel: &'a CancelToken,
    pub rest: Rest<'a>,
    pub hours: AttendedHours,
    pub end: BenchEnd,
    pub identities: HashMap<(String, String), Identity>,
    /// Bench seconds that earlier sittings took: the folder's time goes on.
    pub base_s: f64,
    /// What the present visit has taken so far.
    pub visit: StretchSeconds,
    start_local_min: f64,
    fitted: Option<Fitting>,
    mounting: Option<u32>,
    chamber_c: f64,
    clock: ClockWatch,
    measured: usize,
    faults_in_a_row: u32,
    /// Jobs of what is fitted that faulted: they are tried once more before it is taken out.
    second_round: Vec<PendingJob>,
    /// Jobs of what is fitted go on out of their turn, because nobody is there to change it.
    out_of_turn: bool,
}

/// What comes next.
enum Next {
    Job(Box<PendingJob>),
    /// A job that faulted before, once more.
    Again(Box<PendingJob>),
    End,
}

impl<'a> Loop<'a> {
    pub fn new(
        session: &'a BenchSession,
        run: &'a BenchRun<'a>,
        hands: &'a mut dyn Hands,
        cancel: &'a CancelToken,
    ) -> Loop<'a> {
        let start_local_min = session.start_local_min().unwrap_or_else(local_minutes);
        let chamber_c = session.bench().room.temperature.0;
        let from = Standing { now_min: start_local_min, fitted: None, chamber_c };
        Loop {
            session,
            run,
            hands,
            cancel,
            rest: Rest::new(run.forecast, run.todo, from),
            hours: AttendedHours::new(run.plan, session.bench()),
            end: BenchEnd::default(),
            identities: HashMap::new(),
            base_s: 0.0,
            visit: StretchSeconds::default(),
            start_local_min,
            fitted: None,
            mounting: None,
            chamber_c,
            clock: ClockWatch::new(Moment::now()),
            measured: 0,
            faults_in_a_row: 0,
            second_round: Vec::new(),
            out_of_turn: false,
        }
    }

    pub(super) fn note(&self, store: &mut Store, kind: &str, text: &str) -> Result<(), Failure> {
        store.append_event(&now(), kind, text).map_err(Failure::from)
    }

    pub(super) fn wanted(&self, todo: &PendingJob) -> Fitting {
        let module = todo.condition.module(self.run.plan);
        Fitting {
            chip: todo.condition.chip(self.run.plan).name.clone(),
            module: module.name.clone(),
            serial: module.serial.clone(),
            channel: todo.condition.channel(self.run.plan).name.clone(),
            mounting: u32::from(todo.job.mounting),
        }
    }

    /// Local time by the bench's clock, minutes.
    pub(super) fn local_min(&self, driver: &BenchDriver) -> f64 {
        self.start_local_min + driver.elapsed_s() / 60.0
    }

    fn standing(&self, driver: &BenchDriver) -> Standing {
        Standing { now_min: self.local_min(driver), fitted: self.mounting, chamber_c: self.chamber_c }
    }

    /// The operator's statement of what is fitted holds for the first mounting of that setup that is still to do.
    fn as_declared(&self) -> Option<Fitting> {
        let declared = self.session.bench().fitted.as_ref()?;
        self.rest.jobs().map(|one| self.wanted(one)).find(|wanted| {
            wanted.chip == declared.chip
                && wanted.module == declared.module
                && wanted.channel == declared.channel
        })
    }

    /// Who answered so far, and how many bench seconds the folder holds.
    fn read_folder(&mut self, store: &Store) -> Result<(), Failure> {
        for stored in store.reader().jobs(Attempts::All) {
            let stored = stored?;
            self.base_s = self.base_s.max(stored.row.ended_bench_s);
            // Only what was measured tells who belongs here.
            if !stored.identity.chip_serial.is_empty()
                && !matches!(stored.outcome, JobOutcome::NotMeasured(_))
            {
                self.identities.entry((stored.row.chip, stored.row.firmware)).or_insert(stored.identity);
            }
        }
        for reading in store.reader().readings_between_jobs()? {
            self.base_s = self.base_s.max(reading.bench_s);
        }
        Ok(())
    }

    /// Runs everything that can be run.
    pub fn run(
        &mut self,
        driver: &mut BenchDriver,
        store: &mut Store,
        progress: &mut Progress,
    ) -> Result<BenchEnd, Failure> {
        self.read_folder(store)?;
        self.begin(driver, store)?;
        loop {
            let (one, first) = match self.next(driver, store, progress)? {
                Next::Job(one) => (one, true),
                Next::Again(one) => (one, false),
                Next::End => break,
            };
            if !self.one_job(driver, &one, first, store, progress)? {
                break;
            }
        }
        self.finish(driver, store)
    }

    /// What is declared to be fitted is checked while somebody is there to see to it.
    fn begin(&mut self, driver: &mut BenchDriver, store: &mut Store) -> Result<(), Failure> {
        let Some(declared) = self.as_declared() else { return Ok(()) };
        if self.hands.present() {
            // A device that is still hot from an earlier run is no badly seated one.
            if self.ready_for_hands(driver, store)?.is_none() {
                return Ok(());
            }
            let Some(report) = self.check_fit(driver, &declared, store)? else { return Ok(()) };
            if report.verdict != FitVerdict::Pass {
                // It counts as not fitted: hands are asked for, and the check is made again.
                self.session.terminal().note(&format!("fit check: {}", report.reasons.join("; ")));
                return Ok(());
            }
            self.hands.may_leave(&format!(
                "Module {} on {} was checked: you may leave.",
                declared.module, declared.channel
            ));
        }
        self.mounting = self
            .rest
            .jobs()
            .find(|todo| self.wanted(todo) == declared)
            .and_then(|todo| self.rest.mounting(todo));
        self.fitted = Some(declared);
        Ok(())
    }

    /// Has the next job's setup fitted; jobs of setups that cannot be fitted are left out or not measured.
    fn next(
        &mut self,
        driver: &mut BenchDriver,
        store: &mut Store,
        progress: &mut Progress,
    ) -> Result<Next, Failure> {
        let most_hours = self.session.bench().unattended.most_hours;
        loop {
            if self.cancel.is_cancelled() || self.end.not_safe.is_some() || self.end.ended_early.is_some() {
                return Ok(Next::End);
            }
            if let Some(step) = self.clock.look(Moment::now()) {
                self.note(store, "clock step", &step.words())?;
            }
            if driver.elapsed_s() > most_hours * 3600.0 {
                self.end.ended_early = Some(format!("the run reached its {most_hours} hours"));
                return Ok(Next::End);
            }
            if self.fitted.is_some() && self.fitted == self.rest.first().map(|first| self.wanted(first)) {
                return Ok(self.take_fitted());
            }
            if let Some(mut one) = self.second_round.pop() {
                let why = "not measured: tried again before the setup was taken out";
                store.supersede(&one.key, why)?;
                one.attempt += 1;
                self.end.not_measured -= 1;
                return Ok(Next::Again(Box::new(one)));
            }
            if self.rest.first().is_none() {
                return Ok(Next::End);
            }
            if !self.hands.present() {
                // Only what is fitted can be run: there is nothing to plan.
                if self.fitted.is_some()
                    && self.rest.jobs().any(|todo| self.fitted == Some(self.wanted(todo)))
                {
                    return Ok(self.take_fitted());
                }
                self.end.waiting_for_hands += self.rest.give_up(|_| true).len();
                return Ok(Next::End);
            }
            // A visit ends here: what is left may be planned anew.
            let standing = self.standing(driver);
            self.rest.visited(std::mem::take(&mut self.visit), standing);
            match self.rest.plan_anew(standing, &self.hours.calendar()) {
                Ok(None) => {}
                Ok(Some(words)) => {
                    self.note(store, "planned anew", &words)?;
                    self.session.terminal().note(&format!("planned anew: {words}"));
                }
                // Hours that never come: what can be done without hands is done all the same, in the order as it is.
                Err(failure) => self.note(store, "order kept", &failure.words)?,
            }
            let Some(first) = self.rest.first() else { return Ok(Next::End) };
            let wanted = self.wanted(first);
            if self.fitted.as_ref() == Some(&wanted) {
                return Ok(self.take_fitted());
            }
            // Outside attended hours what is fitted goes on, wherever it stands in the order.
            let now = self.local_min(driver);
            let unattended = self.hands.present() && self.hours.next(now).is_none_or(|next| next > now);
            let more = self
                .rest
                .jobs()
                .find(|todo| self.fitted == Some(self.wanted(todo)) && !self.rest.is_measured_again(todo))
                .map(|todo| todo.key);
            if let (true, Some(key)) = (unattended && self.fitted.is_some(), more) {
                if !std::mem::replace(&mut self.out_of_turn, true) {
                    let words = format!(
                        "outside attended hours: module {} on {} cannot be fitted now, what is fitted goes on",
                        wanted.module, wanted.channel
                    );
                    self.note(store, "planned anew", &words)?;
                    self.session.terminal().note(&words);
                }
                return Ok(self.take(|todo| todo.key == key));
            }
            match self.fit(driver, &wanted, store)? {
                Fitted::Ready => {
                    self.out_of_turn = false;
                    self.mounting = self.rest.first().and_then(|first| self.rest.mounting(first));
                    self.chamber_c = self.session.bench().room.temperature.0;
                    self.fitted = Some(wanted);
                }
                Fitted::Stop => return Ok(Next::End),
                Fitted::LeftOut => self.leave_out(&wanted),
                Fitted::GivenUp(fault) => {
                    let jobs = self.give_up(&wanted);
                    self.note(
                        store,
                        "setup left out",
                        &format!(
                            "{} on {}: {}: {fault}",
                            wanted.module,
                            wanted.channel,
                            counted(jobs.len(), "job")
                        ),
                    )?;
                    self.not_measured(driver, &jobs, &fault, store)?;
                    for one in &jobs {
                        let name = one.condition.describe(self.run.plan);
                        progress.job(&format!("{name}: not measured: {fault}"));
                    }
                    self.fitted = None;
                    self.mounting = None;
                }
            }
        }
    }

    fn take_fitted(&mut self) -> Next {
        let plan = self.run.plan;
        let fitted = self.fitted.clone();
        let same = |todo: &PendingJob| {
            fitted.as_ref().is_some_and(|fitted| {
                todo.condition.chip(plan).name == fitted.chip
                    && todo.condition.module(plan).name == fitted.module
                    && todo.condition.channel(plan).name == fitted.channel
                    && u32::from(todo.job.mounting) == fitted.mounting
            })
        };
        self.take(same)
    }

    fn take(&mut self, fits: impl FnMut(&PendingJob) -> bool) -> Next {
        self.rest.take(fits).map_or(Next::End, |todo| Next::Job(Box::new(todo)))
    }

    fn give_up(&mut self, wanted: &Fitting) -> Vec<PendingJob> {
        let plan = self.run.plan;
        self.rest.give_up(|todo| {
            todo.condition.chip(plan).name == wanted.chip
                && todo.condition.module(plan).name == wanted.module
                && todo.condition.channel(plan).name == wanted.channel
                && u32::from(todo.job.mounting) == wanted.mounting
        })
    }

    fn leave_out(&mut self, wanted: &Fitting) {
        self.end.waiting_for_hands += self.give_up(wanted).len();
    }

    /// Runs a job and stores it; false when the run ends here.
    fn one_job(
        &mut self,
        driver: &mut BenchDriver,
        one: &PendingJob,
        first: bool,
        store: &mut Store,
        progress: &mut Progress,
    ) -> Result<bool, Failure> {
        let begun = (now(), self.base_s + driver.elapsed_s());
        self.session.log().note("runner", '-', &format!("job {}", hex(&one.key)));
        let Some((result, attachments)) = self.tried(driver, one, store)? else { return Ok(false) };
        self.chamber_c = one.condition.temperature(self.run.plan).0;
        if let JobOutcome::NotMeasured(fault) = &result.outcome {
            let reason = fault.to_string();
            if fault.kind == FaultKind::WrongIdentity {
                // Nothing of this setup can be measured: no result, and hands are needed.
                self.note(store, "fault", &reason)?;
                self.session.terminal().note(&reason);
                self.session.tell(EventKind::Fault, &reason);
                self.end.wrong_fitting = self.measured == 0;
                self.end.waiting_for_hands += 1;
                if let Some(fitted) = self.fitted.take() {
                    self.leave_out(&fitted);
                }
                self.second_round.clear();
                self.mounting = None;
                return Ok(true);
            }
            if fault.kind == FaultKind::NotSafe {
                self.end.not_safe = Some(reason.clone());
            }
            self.faults_in_a_row += 1;
            self.end.not_measured += 1;
            if first && Again::after(fault.kind) != Again::No {
                self.second_round.push(*one);
            }
            self.session.tell(EventKind::Fault, &reason);
        } else {
            self.faults_in_a_row = 0;
            self.measured += 1;
        }
        self.visit.training += result.times.training_s;
        self.visit.measuring += result.times.measuring_s;
        self.store(driver, one, &result, begun, attachments, store)?;
        let words = format!("{}: {}", one.condition.describe(self.run.plan), result.outcome);
        if first {
            progress.job(&words);
        } else {
            self.session.terminal().note(&format!("once more: {words}"));
        }
        progress.took(one.position, &result.outcome, result.times);
        if self.faults_in_a_row >= self.session.bench().unattended.most_consecutive_faults {
            self.end.ended_early = Some(format!("{} faults in a row", self.faults_in_a_row));
        }
        if store.disk_is_full() {
            return Err(Failure::new(Exit::Store, "the disk is full: what was measured is stored"));
        }
        Ok(true)
    }

    fn finish(&mut self, driver: &mut BenchDriver, store: &mut Store) -> Result<BenchEnd, Failure> {
        if self.end.waiting_for_hands > 0 {
            let words = match self.end.waiting_for_hands {
                1 => "1 job waits for hands".to_string(),
                jobs => format!("{jobs} jobs wait for hands"),
            };
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
            let begin = driver.elapsed_s();
            let warm = driver
                .make_safe(&within(Duration::from_secs(60)))
                .and_then(|()| driver.wait_touch_safe(&self.long_call()).map(|_| ()));
            self.spent(driver, RAMP_READING, begin, store)?;
            if let Err(error) = warm {
                self.note(store, "fault", &format!("not yet at ambient: {error}"))?;
                self.session
                    .terminal()
                    .note(&format!("{error}: keep the chamber closed until it is at ambient"));
            }
        }
        Ok(std::mem::take(&mut self.end))
    }

    pub(super) fn long_call(&self) -> Call {
        let bench = self.session.bench();
        let limit = Duration::from_secs_f64(bench.settle.time_out_s / bench.time_scale + 30.0);
        Call::within(limit, self.cancel)
    }

    pub(super) fn store(
        &mut self,
        driver: &mut BenchDriver,
        one: &PendingJob,
        result: &JobResult,
        begun: (String, f64),
        attachments: Vec<Attachment>,
        store: &mut Store,
    ) -> Result<(), Failure> {
        let mut row = row(self.run.plan, one);
        row.started_utc = begun.0;
        row.started_bench_s = begun.1;
        row.ended_utc = now();
        row.ended_bench_s = self.base_s + driver.elapsed_s();
        let mut readings = Vec::new();
        for reading in driver.take_readings() {
            match reading.name.as_str() {
                RAMP_READING => self.visit.ramps += reading.value,
                SOAK_READING => self.visit.soak += reading.value,
                _ => {}
            }
            readings.push(Reading {
                bench_s: self.base_s + reading.bench_s,
                name: reading.name,
                value: reading.value,
                unit: reading.unit.into(),
            });
        }
        let packed = PackedJob::new(&row, result, &readings)?;
        store.record_packed(packed.with_attachments(attachments)).map_err(Failure::from)
    }
}
