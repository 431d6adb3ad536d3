//! Having a setup mounted: hands within attended hours, everything verified off, and the mounting check before they may leave.

use super::attended::AttendedHours;
use super::beginning::HandsNow;
use super::identities::KnownIdentities;
use super::queue::{Queue, Staff};
use super::record::{HANDS_READING, MOUNTING_CHECK_READING, Record, WAITING_READING};
use super::retry::Again;
use super::site::Site;
use crate::console::exit::Failure;
use crate::run::execute::Executor;
use crate::run::mounting_check::{CALL_LIMIT, MountingReport, NextStep, check_mounting, next_step};
use crate::run::operator::{Again as MountAgain, EndsBy, Hands, Latest};
use crate::run::pending::{Mounting, PendingJob};
use contract::{DriverError, FaultKind};
use nightbench_core::events::Event;
use nightbench_core::faults::Fault;
use nightbench_core::units::Celsius;
use plan::attended::dated_words;
use plan::bench_file::EventKind;
use std::time::Duration;

/// Times a mounting check is made again by itself after a fault of the conversation.
const SAME_AGAIN: u32 = 3;
/// How often waiting for attended hours looks for a stop, wall time.
const LOOK: Duration = Duration::from_millis(20);

/// How the wish to have something mounted ended.
pub(super) enum Mounted {
    /// It is mounted and answers.
    Ready,
    /// Nobody was there, or they left it out.
    LeftOut,
    /// Nothing that is measured now would end in time; was something changed before?
    TooLate { changed: bool },
    /// It was mounted and does not work: its jobs are not measured.
    GivenUp(Fault),
    /// The bench could not be made ready for hands.
    HandsAway(DriverError),
    /// The mounting check met a fault of the bench.
    BenchFault(DriverError),
    /// A stop was asked for.
    Stop,
}

/// Whoever mounts things, and when.
pub(super) struct Operator<'a> {
    pub hands: &'a mut dyn Hands,
    pub hours: AttendedHours,
}

/// What a mounting check needs beside the bench and its record.
pub(super) struct Checks<'a> {
    pub executor: &'a Executor<'a>,
    pub queue: &'a Queue<'a>,
    pub known: &'a KnownIdentities<'a>,
}

impl Operator<'_> {
    /// Who could mount something at a local time.
    pub fn staff(&self, now_min: f64) -> Staff {
        if !self.hands.present() {
            return Staff::Nobody;
        }
        match self.hours.next(now_min) {
            Some(next) if next <= now_min => Staff::There,
            _ => Staff::Away,
        }
    }

    /// Has what a job needs mounted and checked; nothing is switched on for it after `latest`.
    pub fn mount(
        &mut self,
        (one, latest): (&PendingJob, &Latest),
        checks: &Checks<'_>,
        site: &mut Site<'_>,
        record: &mut Record<'_, '_>,
    ) -> Result<Mounted, Failure> {
        let wanted = one.mounting_by_name(record.plan);
        let left_out = |site: &Site<'_>| match site.cancel.is_cancelled() {
            true => Mounted::Stop,
            false => Mounted::LeftOut,
        };
        if !self.hands.present() {
            return Ok(left_out(site));
        }
        match self.attended(&wanted, site, record)? {
            Ok(true) => {}
            Ok(false) => return Ok(left_out(site)),
            Err(error) => return Ok(Mounted::HandsAway(error)),
        }
        let mut attempts: Vec<MountingReport> = Vec::new();
        let mut again = MountAgain::default();
        loop {
            let task = format!(
                "mount chip {}, module {}, channel {}{}",
                wanted.chip,
                wanted.module,
                wanted.channel,
                if again.reasons.is_empty() { "" } else { " again" }
            );
            if let Err(error) = record.session.custody().may_switch_on() {
                return Ok(Mounted::BenchFault(error));
            }
            let sensors = match ready_for_hands(site, record)? {
                Ok(sensors) => sensors,
                Err(error) => return Ok(Mounted::HandsAway(error)),
            };
            if latest.is_over() {
                return Ok(Mounted::TooLate { changed: !attempts.is_empty() });
            }
            // Only now: whoever comes finds everything off.
            record.tell(EventKind::HandsNeeded, &task);
            record.progress.doing(&format!("Waiting for hands: {task}"));
            let until = Some(latest.words.clone()).filter(|_| latest.ends_by == EndsBy::Hours);
            let mount = format!("{} on {}", wanted.module, wanted.channel);
            HandsNow { mount, until }.keep(record.store)?;
            let begin = site.elapsed_s();
            let done = self.hands.change(&wanted, &sensors, &again, latest);
            let codes = if done { self.hands.codes(&wanted, latest) } else { Vec::new() };
            HandsNow::over(record.store)?;
            record.spent(site, HANDS_READING, begin)?;
            site.driver.mounted_anew();
            record.note(&Event::Hands { task, done })?;
            let late = latest.is_over() && !site.cancel.is_cancelled();
            if !done && !late {
                return Ok(left_out(site));
            }
            if late {
                let (module, channel, when) = (&wanted.module, &wanted.channel, &latest.words);
                let answered = if done {
                    "was mounted, but nothing"
                } else {
                    "was not mounted: nobody answered, and nothing"
                };
                let what = format!("module {module} on {channel} {answered} would end in time after {when}");
                record.say(&what);
                record.note(&Event::HandsNeeded { what })?;
                self.hands.may_leave("Nothing is switched on for it.");
                return Ok(Mounted::TooLate { changed: done || !attempts.is_empty() });
            }
            record.module = None;
            if !codes.is_empty() {
                let mounting = format!("{} on {}", wanted.module, wanted.channel);
                record.note(&Event::PartsNoted { mounting, codes })?;
            }
            let Some(report) = mounting_checked(one, checks, site, record)? else { return Ok(Mounted::Stop) };
            attempts.push(report);
            match next_step(&attempts) {
                NextStep::Go { noted } => {
                    self.may_leave(&wanted, &noted);
                    return Ok(Mounted::Ready);
                }
                NextStep::ReSeat { reasons } => {
                    record.say(&format!("mounting check: {}", reasons.join("; ")));
                    let is_another = attempts.last().is_some_and(MountingReport::is_another);
                    again = MountAgain { reasons, is_another };
                }
                NextStep::StopRun(error) => {
                    self.hands.may_leave(&format!(
                        "{error}. That is a fault of the bench, not of what was mounted: leave it as it is; the run \
                         ends."
                    ));
                    return Ok(Mounted::BenchFault(error));
                }
                NextStep::SkipSetup(fault) => {
                    self.hands.may_leave(&format!("{fault}. The setup's jobs are left out."));
                    return Ok(Mounted::GivenUp(fault));
                }
            }
        }
    }

    /// Says that a mounting was checked, and what stays wrong with it.
    pub fn may_leave(&mut self, wanted: &Mounting, noted: &[String]) {
        let but = match noted {
            [] => String::new(),
            _ => format!(" (what stays wrong will show as results: {})", noted.join("; ")),
        };
        self.hands.may_leave(&format!(
            "Module {} on {} was checked{but}: you may leave.",
            wanted.module, wanted.channel
        ));
    }

    /// Waits for attended hours with everything off; false when they do not come within this run. The inner error says
    /// what could not be switched off.
    fn attended(
        &mut self,
        wanted: &Mounting,
        site: &mut Site<'_>,
        record: &mut Record<'_, '_>,
    ) -> Result<Result<bool, DriverError>, Failure> {
        let now = site.local_min();
        let Some(next) = self.hours.next(now) else {
            let what = "the attended hours of plan and bench never meet".to_string();
            record.note(&Event::HandsNeeded { what })?;
            return Ok(Ok(false));
        };
        if next <= now {
            return Ok(Ok(true));
        }
        let name = format!("module {} on {}", wanted.module, wanted.channel);
        let left_h = site.file.unattended.most_hours - site.elapsed_s() / 3600.0;
        if (next - now) / 60.0 > left_h {
            let what = format!(
                "{name} needs hands, who come at {}: later than this run may last",
                dated_words(next)
            );
            record.say(&what);
            record.tell(EventKind::HandsNeeded, &what);
            record.note(&Event::HandsNeeded { what })?;
            return Ok(Ok(false));
        }
        let what = format!(
            "{name} needs hands, and it is {}: outside attended hours. Nothing else can be done without them; everything \
             is switched off until {}",
            dated_words(now),
            dated_words(next)
        );
        record.say(&what);
        record.progress.doing(&what);
        record.tell(EventKind::Waiting, &format!("{name} at {}", dated_words(next)));
        record.note(&Event::Waiting { what })?;
        let begin = site.elapsed_s();
        if let Err(error) = site.make_safe() {
            return Ok(Err(error));
        }
        while site.local_min() < next && !site.cancel.is_cancelled() {
            std::thread::sleep(LOOK);
        }
        record.spent(site, WAITING_READING, begin)?;
        Ok(Ok(!site.cancel.is_cancelled()))
    }
}

/// Everything verified off and within the band for hands; the inner error says why hands must stay away.
pub(super) fn ready_for_hands(
    site: &mut Site<'_>,
    record: &mut Record<'_, '_>,
) -> Result<Result<Vec<(String, Celsius)>, DriverError>, Failure> {
    let begin = site.elapsed_s();
    let ready = site.ready_for_hands();
    record.spent(site, bench::RAMP_READING, begin)?;
    if let Err(error) = &ready
        && !(error.kind == FaultKind::Cancelled && site.cancel.is_cancelled())
    {
        record.note(&Event::HandsNotAsked { fault: error.clone().into() })?;
        record.say(&format!("hands must stay away: {error}"));
    }
    Ok(ready)
}

/// The mounting check of the mounting that a job needs, at ambient; noted in the log. `None`: a stop was asked for.
pub(super) fn mounting_checked(
    one: &PendingJob,
    checks: &Checks<'_>,
    site: &mut Site<'_>,
    record: &mut Record<'_, '_>,
) -> Result<Option<MountingReport>, Failure> {
    let wanted = one.mounting_by_name(record.plan);
    let one = checks.queue.gentlest(one.mounting()).unwrap_or(*one);
    let mut setting = checks.executor.setting(&one.condition, &one.job, one.attempt);
    setting.temperature = site.file.room.temperature;
    setting.calibrated_at = setting.temperature;
    let request = checks.executor.training_request();
    let mut tries = 0;
    loop {
        tries += 1;
        let begin = site.elapsed_s();
        site.driver.check_at_ambient(true);
        let checked =
            check_mounting(site.driver, &setting, checks.known.of(&one), &request, CALL_LIMIT, site.cancel);
        site.driver.check_at_ambient(false);
        record.note_module(site)?;
        let Ok(mut report) = checked else { return Ok(None) };
        report.bench_s = site.elapsed_s() - begin;
        site.driver.take_readings();
        record.spent(site, MOUNTING_CHECK_READING, begin)?;
        record.note(&Event::MountingCheck {
            module: wanted.module.clone(),
            channel: wanted.channel.clone(),
            verdict: report.verdict,
            seconds: report.bench_s,
            reasons: report.reasons.clone(),
        })?;
        // A fault of the conversation says nothing about how well the module is seated.
        let may_help = report.fault.as_ref().is_some_and(|fault| Again::after(fault.kind) == Again::Yes);
        if !may_help || tries >= SAME_AGAIN || site.cancel.is_cancelled() {
            return Ok(Some(report));
        }
    }
}
