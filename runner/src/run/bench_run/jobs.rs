//! The loop over jobs: mounted or not, measured or not and why, until nothing is left or nothing may go on.

use super::attended::{AttendedHours, local_minutes};
use super::device::Bench;
use super::given_hours::GivenHours;
use super::identities::KnownIdentities;
use super::mounting::{Checks, Mounted, Operator, mounting_checked, ready_for_hands};
use super::queue::{Queue, Staff, Step};
use super::record::{Begun, Record, StretchSeconds, WAITING_READING};
use super::retry::{Again, tried};
use super::session::{BenchEnd, BenchRun, BenchSession, Choosing};
use super::site::Site;
use crate::console::exit::{Exit, Failure};
use crate::run::clock::{ClockWatch, Moment};
use crate::run::execute::empty_result;
use crate::run::hours::scheduled;
use crate::run::known::Known;
use crate::run::mounting_check::{NextStep, next_step};
use crate::run::operator::{EndsBy, Hands};
use crate::run::pending::PendingJob;
use crate::run::prediction::choosing::{Stands, Visiting};
use crate::run::progress::Progress;
use crate::run::rate_search::positions;
use crate::store::{Attempts, Store, StoreReader, hex};
use bench::RAMP_READING;
use contract::{CancelToken, DriverError, FaultKind};
use nightbench_core::events::{CheckVerdict, Event};
use nightbench_core::faults::Fault;
use nightbench_core::results::{JobOutcome, JobResult};
use plan::bench_file::EventKind;
use schedule::{Pace, Standing};

/// Why a run ends whose mounting check met a fault of the bench.
const BENCH_FAULT: &str = "the bench has a fault";

pub(super) struct Loop<'a, 'f> {
    run: &'a BenchRun<'a>,
    queue: Queue<'a>,
    site: Site<'a>,
    record: Record<'a, 'f>,
    operator: Operator<'a>,
    known: KnownIdentities<'a>,
    /// What the run says so far, where something is chosen by it.
    results: Option<Known<'a>>,
    hours: Option<GivenHours<'a>>,
    visiting: Option<Visiting<'a>>,
    end: BenchEnd,
    measured: usize,
    faults_in_a_row: u32,
    /// The job that was run last.
    last: Option<PendingJob>,
}

impl<'a, 'f> Loop<'a, 'f> {
    /// For the jobs of a run.
    pub fn new(
        session: &'a BenchSession,
        (run, choosing): (&'a BenchRun<'a>, Option<Choosing<'a>>),
        (driver, hands): (&'a mut dyn Bench, &'a mut dyn Hands),
        (store, progress): (&'a mut Store, &'a mut Progress<'f>),
        cancel: &'a CancelToken,
    ) -> Result<Loop<'a, 'f>, Failure> {
        let start_local_min = session.start_local_min().unwrap_or_else(local_minutes);
        let earlier_s = bench_seconds(store.reader())?;
        let site = Site::new(driver, session, cancel, earlier_s, start_local_min);
        let from = Standing { now_min: start_local_min, mounted: None, chamber_c: site.chamber_c };
        let known = KnownIdentities::read(run.plan, store.reader())?;
        let waited_s = store.reader().reading_total(WAITING_READING)?;
        let operator = Operator { hands, hours: AttendedHours::new(run.plan, session.bench()) };
        let (results, search, hours, visiting) = match choosing {
            Some(Choosing { known, search, hours, visiting }) => (Some(known), search, hours, visiting),
            None => (None, None, None, None),
        };
        // What is measured is chosen visit by visit.
        let pending = if visiting.is_some() { &[] } else { run.pending };
        let hours = hours.map(|hours| {
            let staff = (operator.hours.calendar(), operator.hands.present());
            GivenHours::new((run.plan, run.forecast), hours, staff)
        });
        Ok(Loop {
            run,
            queue: Queue::new(run.plan, run.forecast, pending, from, search),
            site,
            record: Record {
                session,
                plan: run.plan,
                store,
                progress,
                stretch: StretchSeconds::default(),
                waited_s,
                module: None,
                chip: None,
            },
            operator,
            known,
            results,
            hours,
            visiting,
            end: BenchEnd::default(),
            measured: 0,
            faults_in_a_row: 0,
            last: None,
        })
    }

    /// Runs everything that can be run.
    pub fn run(mut self) -> Result<BenchEnd, Failure> {
        let mounted = self.declared();
        self.choose_visit(mounted)?;
        self.begin()?;
        let mut clock = ClockWatch::new(Moment::now());
        while self.may_go_on() {
            if let Some(step) = clock.look(Moment::now()) {
                self.record.note(&Event::ClockStep { seconds: step.seconds })?;
            }
            match self.next()? {
                Step::Job(one) => self.one_job(&one, true)?,
                Step::Again(one) => {
                    let why = "not measured: tried again before the setup was taken out";
                    self.record.store.replace(&[one.key], why);
                    if let Some(results) = &mut self.results {
                        results.forget(&one);
                    }
                    self.end.not_measured -= 1;
                    self.one_job(&one, false)?;
                }
                Step::Mount(one) => {
                    if !self.ask_again(true) {
                        self.mount(&one)?;
                    }
                }
                Step::WaitForHands(jobs) => {
                    self.end.waiting_for_hands += jobs;
                    if !self.ask_again(false) {
                        break;
                    }
                }
                Step::End => {
                    if !self.ask_again(false) && !self.choose_visit(None)? {
                        break;
                    }
                }
            }
        }
        self.finish()
    }

    /// A job of what is declared to be mounted, at the gentlest temperature.
    fn declared(&self) -> Option<PendingJob> {
        let declared = self.site.file.mounted.as_ref()?;
        let plan = self.run.plan;
        let same = |one: &&PendingJob| {
            one.condition.chip(plan).name == declared.chip
                && one.condition.module(plan).name == declared.module
                && one.condition.channel(plan).name == declared.channel
        };
        let away = |one: &&PendingJob| (one.condition.temperature(plan).0 - 25.0).abs();
        let own = self.run.pending.iter().filter(same);
        own.min_by(|a, b| away(a).total_cmp(&away(b))).copied()
    }

    /// Chooses what is measured next, where the plan predicts the rest and what was chosen before is through; is there anything?
    /// `declared`: a job of what is said to be mounted before anything was.
    fn choose_visit(&mut self, declared: Option<PendingJob>) -> Result<bool, Failure> {
        let (Some(visiting), Some(results)) = (&mut self.visiting, &self.results) else { return Ok(false) };
        if visiting.has_begun() && !visiting.due().is_empty() {
            // What is left of it waits for hands, or would not end in time.
            return Ok(false);
        }
        let now_min = self.site.local_min();
        let mounted = self.queue.mounted_id().or(declared.map(|one| one.mounting()));
        let nobody = self.operator.staff(now_min) == Staff::Nobody;
        let stands = Stands {
            problem: self.run.forecast.problem.paced(&Pace::from(self.queue.learned())),
            calendar: self.operator.hours.calendar(),
            from: self.site.standing(self.queue.scheduled()),
            last: self.last.map(|one| scheduled(self.run.forecast, &one)),
            spent_h: self.site.in_folder_s(self.site.elapsed_s()) / 3600.0,
            only: mounted.filter(|_| nobody),
            condition: self
                .last
                .filter(|one| Some(one.mounting()) == mounted)
                .or(declared)
                .map(|one| one.job.condition),
        };
        let jobs = visiting.next_from(results, self.record.store, &stands)?;
        let some = !jobs.is_empty();
        self.queue.take_in(jobs);
        if let Some(hours) = &mut self.hours {
            hours.begin_again();
        }
        Ok(some)
    }

    /// Asks a search again before what is mounted is taken out, or the run ends; is something needed after all? Where hours are given,
    /// each choice does so.
    fn ask_again(&mut self, mounted: bool) -> bool {
        match &self.results {
            Some(results) if self.hours.is_none() => self.queue.ask_again(results, mounted),
            _ => false,
        }
    }

    fn may_go_on(&mut self) -> bool {
        if self.site.cancel.is_cancelled() || self.end.not_safe.is_some() || self.end.ended_early.is_some() {
            return false;
        }
        // A latched alarm, or somebody who made the bench safe from outside: nothing is switched on again.
        if let Err(error) = self.record.session.custody().may_switch_on() {
            self.end.ended_early = Some(error.words);
            return false;
        }
        let most_hours = self.site.file.unattended.most_hours;
        if self.site.elapsed_s() > most_hours * 3600.0 {
            self.end.ended_early = Some(format!("the run reached its {most_hours} hours"));
            return false;
        }
        true
    }

    /// What is declared to be mounted is checked while somebody is there to see to it. The declaration holds for the
    /// first mounting of that setup that is still to do.
    fn begin(&mut self) -> Result<(), Failure> {
        let Some(declared) = self.site.file.mounted.as_ref() else { return Ok(()) };
        let first = self.queue.first_of_setup(&declared.chip, &declared.module, &declared.channel);
        let Some(one) = first else { return Ok(()) };
        if self.operator.hands.present() {
            // A device that is still hot from an earlier run is no badly seated one.
            if let Err(error) = ready_for_hands(&mut self.site, &mut self.record)? {
                self.stop("hands were not asked for", error);
                return Ok(());
            }
            let checks = Checks { executor: &self.run.executor, queue: &self.queue, known: &self.known };
            let checked = mounting_checked(&one, &checks, &mut self.site, &mut self.record)?;
            let Some(report) = checked else { return Ok(()) };
            if let NextStep::StopRun(error) = next_step(std::slice::from_ref(&report)) {
                self.stop(BENCH_FAULT, error);
                return Ok(());
            }
            if report.verdict != CheckVerdict::Pass {
                // It counts as not mounted: hands are asked for, and the check is made again.
                self.record.say(&format!("mounting check: {}", report.reasons.join("; ")));
                return Ok(());
            }
            self.operator.may_leave(&one.mounting_by_name(self.run.plan), &[]);
        }
        self.queue.mounted(&one);
        Ok(())
    }

    /// What comes next, of what ends in time.
    fn next(&mut self) -> Result<Step, Failure> {
        loop {
            if let (Some(hours), Some(results)) = (&mut self.hours, &self.results) {
                if hours.is_over() {
                    return Ok(Step::End);
                }
                if hours.is_due(&self.queue) {
                    hours.choose(&mut self.queue, results, &self.site);
                }
            }
            let step = self.next_in_order()?;
            let Some(hours) = &mut self.hours else { return Ok(step) };
            match &step {
                Step::Job(one) | Step::Again(one) | Step::Mount(one)
                    if !hours.fits(one, &self.queue, &self.site) =>
                {
                    match &step {
                        Step::Job(one) => hours.leave(one),
                        Step::Mount(one) => {
                            self.queue.give_up(one.mounting()).iter().for_each(|one| hours.leave(one));
                        }
                        // It has a result: not measured.
                        _ => {}
                    }
                }
                Step::End if hours.is_due(&self.queue) => {}
                _ => return Ok(step),
            }
        }
    }

    fn next_in_order(&mut self) -> Result<Step, Failure> {
        let now_min = self.site.local_min();
        let standing = self.site.standing(self.queue.scheduled());
        let mut news = Vec::new();
        let step = self.queue.next(
            self.operator.staff(now_min),
            standing,
            &self.operator.hours.calendar(),
            &mut self.record.stretch,
            &mut news,
        );
        self.queue.tell_needs(self.record.progress);
        for event in news {
            if let Event::PlannedAnew { change } = &event {
                self.record.say(&format!("planned anew: {change}"));
            }
            self.record.note(&event)?;
        }
        Ok(step)
    }

    /// Has a mounting made; jobs of one that cannot be made are left out or not measured.
    fn mount(&mut self, one: &PendingJob) -> Result<(), Failure> {
        let checks = Checks { executor: &self.run.executor, queue: &self.queue, known: &self.known };
        let most_min = self.site.end_min(self.site.file.unattended.most_hours);
        let given = self.hours.as_ref();
        let given_min = given.map(|hours| hours.latest_mounting_min(one, &self.queue, &self.site));
        let latest = match given_min {
            Some(given_min) => self.site.latest(given_min.min(most_min), EndsBy::Hours),
            None => self.site.latest(most_min, EndsBy::MostHours),
        };
        match self.operator.mount((one, &latest), &checks, &mut self.site, &mut self.record)? {
            Mounted::Ready => {
                self.queue.mounted(one);
                self.site.chamber_c = self.site.file.room.temperature.0;
            }
            Mounted::Stop => {}
            Mounted::HandsAway(error) => self.stop("hands were not asked for", error),
            Mounted::BenchFault(error) => self.stop(BENCH_FAULT, error),
            Mounted::LeftOut => {
                self.end.waiting_for_hands += self.queue.give_up(one.mounting()).len();
                if let Some(visiting) = &mut self.visiting {
                    visiting.put_aside(one.mounting());
                }
            }
            Mounted::TooLate { changed } => {
                if changed {
                    self.queue.taken_out();
                }
                let jobs = self.queue.give_up(one.mounting());
                match &mut self.hours {
                    Some(hours) => {
                        jobs.iter().for_each(|one| hours.leave(one));
                        hours.nobody_came();
                    }
                    None => self.end.waiting_for_hands += jobs.len(),
                }
            }
            Mounted::GivenUp(fault) => {
                self.queue.taken_out();
                let mut jobs = self.queue.give_up(one.mounting());
                if let Some(visiting) = &mut self.visiting {
                    jobs.extend(visiting.give_up(one.mounting(), self.record.store)?);
                }
                self.not_measured(one, &jobs, &fault)?;
            }
        }
        Ok(())
    }

    /// Nothing more can be run after a fault of the bench.
    fn stop(&mut self, why: &str, error: DriverError) {
        match error.kind {
            FaultKind::Cancelled if self.site.cancel.is_cancelled() => {}
            kind if kind.is_not_safe() => self.end.not_safe = Some(error.into()),
            _ => self.end.ended_early = Some(format!("{why}: {error}")),
        }
    }

    /// Records every job of a mounting as not measured.
    fn not_measured(&mut self, one: &PendingJob, jobs: &[PendingJob], fault: &Fault) -> Result<(), Failure> {
        let wanted = one.mounting_by_name(self.run.plan);
        self.record.note(&Event::SetupLeftOut {
            module: wanted.module,
            channel: wanted.channel,
            jobs: jobs.len() as u64,
            fault: fault.clone(),
        })?;
        let outcome = JobOutcome::NotMeasured(fault.clone());
        for one in jobs {
            let begun = Begun::at(&self.site);
            let result = empty_result(outcome.clone());
            self.record.job(&mut self.site, one, &result, begun, Vec::new())?;
            self.learn(one, &result);
            self.record.progress.job(&format!("{}: {outcome}", one.condition.describe(self.run.plan)));
        }
        self.end.not_measured += jobs.len();
        self.record.tell(EventKind::Fault, &fault.to_string());
        Ok(())
    }

    /// A result may change what is asked for.
    fn learn(&mut self, one: &PendingJob, result: &JobResult) {
        if let Some(results) = &mut self.results {
            results.hear_whole(one, result);
            self.queue.learn(one, results);
        }
        if let Some(visiting) = &mut self.visiting {
            visiting.hear(one, result.times);
        }
    }

    /// Runs a job and stores it.
    fn one_job(&mut self, one: &PendingJob, first: bool) -> Result<(), Failure> {
        let begun = Begun::at(&self.site);
        self.record.progress.doing(&format!("Measuring {}", one.condition.describe(self.run.plan)));
        self.record.session.log().note("runner", '-', &format!("job {}", hex(&one.key)));
        let (executor, known, record) = (&self.run.executor, &mut self.known, &mut self.record);
        let (measured, cut) = match &mut self.hours {
            Some(hours) => hours.in_time(one, (&self.queue, &mut self.site), |site, cancel, reached| {
                tried(executor, site, known, record, one, (cancel, reached))
            }),
            None => {
                let cancel = self.site.cancel;
                (tried(executor, &mut self.site, known, record, one, (cancel, &mut || {})), false)
            }
        };
        let measured = measured?;
        self.record.note_module(&mut self.site)?;
        let Some((result, attachments)) = measured else {
            if let (true, Some(hours)) = (cut, &mut self.hours) {
                self.record
                    .say("no time is left for the job that was begun: it is left as if it had not been");
                hours.cut(one);
            }
            return Ok(());
        };
        self.site.chamber_c = one.condition.temperature(self.run.plan).0;
        match &result.outcome {
            JobOutcome::NotMeasured(fault) => {
                self.record.tell(EventKind::Fault, &fault.to_string());
                match fault.kind {
                    FaultKind::WrongIdentity => {
                        // Nothing of this setup can be measured: no result, and hands are needed.
                        self.record.say(&fault.to_string());
                        self.end.wrong_mounting = self.measured == 0;
                        self.end.waiting_for_hands += 1 + self.queue.unmount().len();
                        return Ok(());
                    }
                    kind if kind.is_not_safe() => self.end.not_safe = Some(fault.clone()),
                    _ => {}
                }
                self.faults_in_a_row += 1;
                self.end.not_measured += 1;
                if first && Again::after(fault.kind) != Again::No {
                    self.queue.try_later(one);
                }
            }
            JobOutcome::Measured | JobOutcome::TrainingFailed => {
                self.faults_in_a_row = 0;
                self.measured += 1;
            }
        }
        self.record.job(&mut self.site, one, &result, begun, attachments)?;
        self.learn(one, &result);
        self.last = Some(*one);
        if let Some(hours) = &mut self.hours {
            hours.learn(one);
        }
        let words = format!("{}: {}", one.condition.describe(self.run.plan), result.outcome);
        if first {
            self.record.progress.job(&words);
        } else {
            self.record.say(&format!("once more: {words}"));
        }
        let at_work_s = self.site.in_folder_s(self.site.elapsed_s()) - self.record.waited_s;
        self.record.progress.took(one.position, &result.outcome, result.times, Some(at_work_s));
        if self.faults_in_a_row >= self.site.file.unattended.most_consecutive_faults {
            self.end.ended_early = Some(format!("{} faults in a row", self.faults_in_a_row));
        }
        if self.record.store.disk_is_full() {
            return Err(Failure::new(Exit::Store, "the disk is full: what was measured is stored"));
        }
        Ok(())
    }

    /// Tells what no time was left for.
    fn end_hours(&mut self) -> Result<(), Failure> {
        let Some(mut hours) = self.hours.take() else { return Ok(()) };
        let given = hours.hours;
        let stopped = self.site.cancel.is_cancelled() || self.end.not_safe.is_some();
        if stopped || self.end.ended_early.is_some() {
            return Ok(());
        }
        let Some(results) = &self.results else { return Ok(()) };
        let mut left = self.queue.take_all(hours.take_waiting(), results);
        let mut predicted = 0;
        if let Some(visiting) = self.visiting.as_ref().filter(|visiting| !visiting.is_finished()) {
            left.extend(visiting.not_chosen());
            // The rest is predicted, as far as it is known now.
            predicted = left.len().saturating_sub(visiting.still_to_come(results).len());
        }
        if !self.operator.hands.present() {
            // Hands are what they wait for, however much time there is.
            let all = left.len();
            left.retain(|one| self.queue.is_mounted(one));
            self.end.waiting_for_hands += all - left.len();
        }
        let places: Vec<u64> = left.iter().map(|one| one.position).collect();
        self.record.progress.not_needed(&places);
        if !places.is_empty() {
            let waits = hours.waits_for_hands(&left, &self.queue, results, &self.site);
            let hands = waits.as_ref().map(|waits| waits.come.clone());
            let jobs = places.len().saturating_sub(predicted) as u64;
            let event = Event::NoTimeLeft { hours: given, jobs, hands };
            self.end.nobody_there = waits;
            self.record.say(&event.to_string());
            self.record.note(&event)?;
        }
        self.end.no_time_left = places;
        Ok(())
    }

    fn finish(mut self) -> Result<BenchEnd, Failure> {
        let given_h = self.hours.as_ref().map(|hours| hours.hours);
        self.end_hours()?;
        if let Some(visiting) = self.visiting.as_ref().filter(|visiting| visiting.is_finished()) {
            self.record.progress.not_needed(&positions(&visiting.not_chosen()));
        }
        if self.end.waiting_for_hands > 0 {
            let event = Event::JobsWaitForHands { jobs: self.end.waiting_for_hands as u64 };
            self.record.note(&event)?;
            self.record.say(&event.to_string());
            self.record.tell(EventKind::HandsNeeded, &event.to_string());
        }
        if let Some(why) = &self.end.ended_early {
            self.record.say(why);
            self.record.note(&Event::EndedEarly { why: why.clone() })?;
        }
        let free = self.record.session.custody().may_switch_on().is_ok();
        if self.end.not_safe.is_none() && free && !self.site.cancel.is_cancelled() {
            // Runs end warm: rails off, to ambient until nothing is cold, then the chamber off. After an alarm it stays off.
            let begin = self.site.elapsed_s();
            let warm = self.site.ready_for_hands();
            self.record.spent(&self.site, RAMP_READING, begin)?;
            if let Err(error) = warm {
                self.record.say(&format!("{error}: keep the chamber closed until it is at ambient"));
                self.record.note(&Event::NotAtAmbient { fault: error.into() })?;
            }
        }
        let now_h = self.site.elapsed_s() / 3600.0;
        if let Some(hours) = given_h.filter(|hours| now_h > *hours) {
            let event = Event::SafeLate { hours, late_min: 60.0 * (now_h - hours) };
            self.record.say(&event.to_string());
            self.record.note(&event)?;
        }
        Ok(self.end)
    }
}

/// Bench seconds that a folder holds.
fn bench_seconds(reader: &StoreReader) -> Result<f64, Failure> {
    let mut end_s: f64 = 0.0;
    for stored in reader.jobs(Attempts::All) {
        end_s = end_s.max(stored?.row.ended_bench_s);
    }
    for reading in reader.readings_between_jobs()? {
        end_s = end_s.max(reading.bench_s);
    }
    Ok(end_s)
}
