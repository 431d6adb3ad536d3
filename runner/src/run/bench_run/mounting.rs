//! Having a setup fitted: hands within attended hours, everything verified off, and the fit check before they may leave.

use super::attended::clock_words;
use super::jobs::Loop;
use super::retry::Again;
use crate::console::exit::Failure;
use crate::run::execute::empty_result;
use crate::run::mounting_check::{FitReport, FitVerdict, NextStep, fit_check, next_step};
use crate::run::mountings::gentleness;
use crate::run::operator::Fitting;
use crate::run::simulated_run::PendingJob;
use crate::store::{Reading, Store};
use bench::BenchDriver;
use bench::driver::within;
use contract::{DriverError, FaultKind};
use nightbench_core::faults::Fault;
use nightbench_core::results::JobOutcome;
use nightbench_core::units::Celsius;
use plan::bench_file::EventKind;
use std::time::Duration;

/// Longest the bench's instruments are given to be switched off, wall time.
const SAFE_LIMIT: Duration = Duration::from_secs(60);
/// Times a fit check is made again by itself after a fault of the conversation.
const SAME_AGAIN: u32 = 3;
/// How often waiting for attended hours looks for a stop, wall time.
const LOOK: Duration = Duration::from_millis(20);

/// Reading: bench seconds that hands took, their fit check, waiting for them, and the way to where they are safe.
pub(super) const HANDS_READING: &str = "change-over: hands";
/// See [`HANDS_READING`].
pub(super) const FIT_CHECK_READING: &str = "change-over: fit check";
/// See [`HANDS_READING`].
pub(super) const WAITING_READING: &str = "change-over: waiting";

/// How the wish to have something fitted ended.
pub(super) enum Fitted {
    /// It is fitted and answers.
    Ready,
    /// Nobody was there, or they left it out.
    LeftOut,
    /// It was fitted and does not work: its jobs are not measured.
    GivenUp(Fault),
    /// A stop was asked for, or nothing may go on.
    Stop,
}

impl Loop<'_> {
    /// Has what a job needs fitted and checked.
    pub(super) fn fit(
        &mut self,
        driver: &mut BenchDriver,
        wanted: &Fitting,
        store: &mut Store,
    ) -> Result<Fitted, Failure> {
        if !self.hands.present() || !self.attended(driver, wanted, store)? {
            return Ok(if self.cancel.is_cancelled() { Fitted::Stop } else { Fitted::LeftOut });
        }
        let mut attempts: Vec<FitReport> = Vec::new();
        let mut reseat: Vec<String> = Vec::new();
        loop {
            let what = format!(
                "fit chip {}, module {}, channel {}{}",
                wanted.chip,
                wanted.module,
                wanted.channel,
                if reseat.is_empty() { "" } else { " again" }
            );
            self.session.tell(EventKind::HandsNeeded, &what);
            let Some(sensors) = self.ready_for_hands(driver, store)? else { return Ok(Fitted::Stop) };
            let begin = driver.elapsed_s();
            let done = self.hands.change(wanted, &sensors, &reseat);
            self.spent(driver, HANDS_READING, begin, store)?;
            driver.refitted();
            self.note(store, "hands", &format!("{what}: {}", if done { "done" } else { "left out" }))?;
            if !done {
                return Ok(if self.cancel.is_cancelled() { Fitted::Stop } else { Fitted::LeftOut });
            }
            let Some(report) = self.check_fit(driver, wanted, store)? else { return Ok(Fitted::Stop) };
            attempts.push(report);
            match next_step(&attempts) {
                NextStep::Go { noted } => {
                    let but = if noted.is_empty() {
                        String::new()
                    } else {
                        format!(" (what stays wrong will show as results: {})", noted.join("; "))
                    };
                    self.hands.may_leave(&format!(
                        "Module {} on {} was checked{but}: you may leave.",
                        wanted.module, wanted.channel
                    ));
                    return Ok(Fitted::Ready);
                }
                NextStep::ReSeat { reasons } => {
                    self.session.terminal().note(&format!("fit check: {}", reasons.join("; ")));
                    reseat = reasons;
                }
                NextStep::SkipSetup(fault) => {
                    self.hands.may_leave(&format!("{fault}. The setup's jobs are left out."));
                    return Ok(Fitted::GivenUp(fault));
                }
            }
        }
    }

    /// The fit check of what is fitted, at ambient; noted in the log. `None`: a stop was asked for.
    pub(super) fn check_fit(
        &mut self,
        driver: &mut BenchDriver,
        wanted: &Fitting,
        store: &mut Store,
    ) -> Result<Option<FitReport>, Failure> {
        let gentlest = self
            .rest
            .jobs()
            .filter(|todo| self.wanted(todo) == *wanted)
            .min_by_key(|todo| gentleness(self.run.plan, todo))
            .copied();
        let Some(one) = gentlest else { return Ok(Some(nothing_to_check())) };
        let mut setting = self.run.executor.setting(&one.condition, &one.job, one.attempt);
        setting.temperature = self.session.bench().room.temperature;
        setting.calibrated_at = setting.temperature;
        let request = self.run.executor.training_request();
        let expected = self.known_identity(&one).cloned();
        let mut tries = 0;
        loop {
            tries += 1;
            let begin = driver.elapsed_s();
            driver.check_at_ambient(true);
            let checked = fit_check(driver, &setting, expected.as_ref(), &request, self.cancel);
            driver.check_at_ambient(false);
            let mut report = match checked {
                Ok(report) => report,
                Err(_) => return Ok(None),
            };
            report.bench_s = driver.elapsed_s() - begin;
            driver.take_readings();
            self.spent(driver, FIT_CHECK_READING, begin, store)?;
            let verdict = match report.verdict {
                FitVerdict::Pass => "passed",
                FitVerdict::ReSeat => "failed in part",
                FitVerdict::DeviceFailure => "failed for the whole device",
            };
            let why = if report.reasons.is_empty() {
                String::new()
            } else {
                format!(": {}", report.reasons.join("; "))
            };
            let words =
                format!("{} on {} {verdict} in {:.0} s{why}", wanted.module, wanted.channel, report.bench_s);
            self.note(store, "fit check", &words)?;
            // A fault of the conversation says nothing about how well the module is seated.
            let may_help = report.fault.as_ref().is_some_and(|fault| Again::after(fault.kind) == Again::Yes);
            if !may_help || tries >= SAME_AGAIN || self.cancel.is_cancelled() {
                return Ok(Some(report));
            }
        }
    }

    /// Everything verified off and within the band for hands; `None` when hands must stay away.
    pub(super) fn ready_for_hands(
        &mut self,
        driver: &mut BenchDriver,
        store: &mut Store,
    ) -> Result<Option<Vec<(String, Celsius)>>, Failure> {
        let begin = driver.elapsed_s();
        let ready = safe(driver).and_then(|()| driver.wait_touch_safe(&self.long_call()));
        self.spent(driver, bench::RAMP_READING, begin, store)?;
        match ready {
            Ok(sensors) => Ok(Some(sensors)),
            Err(error) if error.kind == FaultKind::Cancelled => Ok(None),
            Err(error) => {
                if error.kind == FaultKind::NotSafe {
                    self.end.not_safe = Some(error.to_string());
                } else {
                    self.end.ended_early = Some(format!("hands were not asked for: {error}"));
                }
                self.note(store, "fault", &format!("hands were not asked for: {error}"))?;
                self.session.terminal().note(&format!("hands must stay away: {error}"));
                Ok(None)
            }
        }
    }

    /// Waits for attended hours with everything off; false when they do not come within this run.
    fn attended(
        &mut self,
        driver: &mut BenchDriver,
        wanted: &Fitting,
        store: &mut Store,
    ) -> Result<bool, Failure> {
        let now = self.local_min(driver);
        let Some(next) = self.hours.next(now) else {
            self.note(store, "hands needed", "the attended hours of plan and bench never meet")?;
            return Ok(false);
        };
        if next <= now {
            return Ok(true);
        }
        let what = format!("module {} on {}", wanted.module, wanted.channel);
        let left_h = self.session.bench().unattended.most_hours - driver.elapsed_s() / 3600.0;
        if (next - now) / 60.0 > left_h {
            let words = format!(
                "{what} needs hands, who come at {}: later than this run may last",
                clock_words(next)
            );
            self.note(store, "hands needed", &words)?;
            self.session.terminal().note(&words);
            self.session.tell(EventKind::HandsNeeded, &words);
            return Ok(false);
        }
        let words = format!(
            "{what} needs hands, and it is {}: outside attended hours. Nothing else can be done without them; everything \
             is switched off until {}",
            clock_words(now),
            clock_words(next)
        );
        self.note(store, "waiting", &words)?;
        self.session.terminal().note(&words);
        self.session.tell(EventKind::HandsNeeded, &format!("{what} at {}", clock_words(next)));
        let begin = driver.elapsed_s();
        if let Err(error) = safe(driver) {
            self.end.not_safe = Some(error.to_string());
            return Ok(false);
        }
        while self.local_min(driver) < next && !self.cancel.is_cancelled() {
            std::thread::sleep(LOOK);
        }
        self.spent(driver, WAITING_READING, begin, store)?;
        Ok(!self.cancel.is_cancelled())
    }

    /// Stores bench seconds spent between jobs since a moment.
    pub(super) fn spent(
        &mut self,
        driver: &BenchDriver,
        name: &str,
        begin_s: f64,
        store: &mut Store,
    ) -> Result<(), Failure> {
        let now = driver.elapsed_s();
        match name {
            HANDS_READING | FIT_CHECK_READING => self.visit.hands += now - begin_s,
            bench::RAMP_READING => self.visit.ramps += now - begin_s,
            _ => {}
        }
        let reading =
            Reading { bench_s: self.base_s + now, name: name.into(), value: now - begin_s, unit: "s".into() };
        store.record_readings(vec![reading]).map_err(Failure::from)
    }

    /// Records every job of a fitting as not measured for a fault.
    pub(super) fn not_measured(
        &mut self,
        driver: &mut BenchDriver,
        jobs: &[PendingJob],
        fault: &Fault,
        store: &mut Store,
    ) -> Result<(), Failure> {
        for one in jobs {
            let result = empty_result(JobOutcome::NotMeasured(fault.clone()));
            let at = (super::session::now(), self.base_s + driver.elapsed_s());
            self.store(driver, one, &result, at, Vec::new(), store)?;
        }
        self.end.not_measured += jobs.len();
        self.session.tell(EventKind::Fault, &fault.to_string());
        Ok(())
    }
}

fn safe(driver: &mut BenchDriver) -> Result<(), DriverError> {
    contract::Driver::make_safe(driver, &within(SAFE_LIMIT))
}

fn nothing_to_check() -> FitReport {
    FitReport { verdict: FitVerdict::Pass, reasons: Vec::new(), answered: true, fault: None, bench_s: 0.0 }
}
