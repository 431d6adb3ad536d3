//! A bench at which a run goes on, seen from outside: what is mounted by what the folder holds, and for what hands are asked next. What
//! cannot be known is not said.

use crate::console::exit::Failure;
use crate::folder::run_folder::keys_of;
use crate::forecast::Forecast;
use crate::run::bench_run::{Beginning, local_minutes};
use crate::run::hours::{HoursNote, scheduled};
use crate::run::pending::{MountingId, PendingJob, every_job};
use crate::store::{Attempts, Meta, StoreReader, utc_seconds};
use nightbench_core::events::{CheckVerdict, Event};
use nightbench_core::faults::FaultKind;
use nightbench_core::results::JobOutcome;
use plan::Plan;
use schedule::{
    Calendar, CalendarEffort, Effort, FinishRange, Learned, Pace, Problem, Reality, Standing, Walk,
    finish_range, replan,
};
use std::collections::{HashSet, VecDeque};
use std::time::{SystemTime, UNIX_EPOCH};

/// Draws for the range of the finish.
const DRAWS: usize = 200;

/// What is known of a run that goes on.
pub struct BenchNow {
    /// A job of this run has ended.
    pub measured: bool,
    /// Hands come; without them the run ends when what is mounted is through.
    hands: bool,
    mounted: Option<MountingId>,
    /// The job done last, where what it was measured in is still mounted.
    last: Option<PendingJob>,
    /// Jobs that are left, in the order of the plan; `None` where something else than that order decides what comes next.
    left: Option<Vec<PendingJob>>,
    /// When the newest of it was recorded, local time, min, and by how much it is later now, at least.
    now_min: f64,
    since_min: f64,
}

/// What comes next.
pub struct Ahead {
    /// When hands are asked for, local time, min; `None`: at a moment that is not known.
    pub hands_min: Option<f64>,
    /// For what, as the ordering problem counts mountings.
    pub mounting: u32,
}

impl BenchNow {
    /// Of a folder in which a run on a bench goes on.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn of(
        reader: &StoreReader,
        meta: &Meta,
        (plan, forecast): (&Plan, &Forecast),
        not_needed: &HashSet<u64>,
    ) -> Result<BenchNow, Failure> {
        let beginning = Beginning::of(reader)?;
        let all = every_job(forecast, &keys_of(plan, &meta.target)?);
        let mut seen = Seen::default();
        for stored in reader.events()? {
            if let Some(event) = stored.event() {
                seen.hear(stored.utc, event);
            }
        }
        let (mut done, mut newest) = (HashSet::new(), None::<(String, PendingJob)>);
        for stored in reader.jobs(Attempts::Counting) {
            let stored = stored?;
            done.insert(stored.row.key);
            let of_this_run = stored.row.started_utc >= seen.begun;
            if !of_this_run || matches!(stored.outcome, JobOutcome::NotMeasured(_)) {
                continue;
            }
            if newest.as_ref().is_none_or(|(utc, _)| *utc <= stored.row.started_utc)
                && let Some(one) = all.iter().find(|one| one.key == stored.row.key)
            {
                seen.recorded(&stored.row.ended_utc);
                newest = Some((stored.row.started_utc, *one));
            }
        }
        let open =
            || all.iter().filter(|one| !done.contains(&one.key) && !not_needed.contains(&one.position));
        let last = newest.as_ref().filter(|(utc, _)| seen.still_mounted_since(utc)).map(|(_, one)| *one);
        let hands = beginning.as_ref().is_none_or(|beginning| beginning.hands);
        let mounted = match (&last, &seen.check) {
            (Some(one), _) => Some(one.mounting()),
            (None, Some((_, module, channel))) => only(open().filter(|one| {
                one.condition.module(plan).name == *module && one.condition.channel(plan).name == *channel
            })),
            (None, None) => beginning.as_ref().and_then(|beginning| {
                let [chip, module, channel] = beginning.declared.as_ref()?;
                let same = |one: &&PendingJob| {
                    one.condition.chip(plan).name == *chip
                        && one.condition.module(plan).name == *module
                        && one.condition.channel(plan).name == *channel
                };
                let untouched = !hands && newest.is_none() && seen.changed.is_none();
                open().find(same).filter(|_| untouched).map(PendingJob::mounting)
            }),
        };
        // Hours, predictions and searches choose as the run goes on; a narrower selection is known to the run alone.
        let chosen =
            plan.predicted.is_some() || plan.highest_rate.is_some() || HoursNote::of(reader)?.is_some();
        let asked = seen.asked.is_some_and(|asked| asked >= all.len() as u64);
        let told = beginning.is_some_and(|beginning| !beginning.own_hours || !beginning.hands);
        let left = (!chosen && asked && told && !(hands && plan.order.night_only))
            .then(|| open().copied().collect());
        let now_s = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_secs_f64();
        let since_min = utc_seconds(&seen.newest).map_or(0.0, |then| (now_s - then).max(0.0) / 60.0);
        // People come by the clock on the wall.
        let now_min = local_minutes() - since_min;
        Ok(BenchNow { measured: newest.is_some(), hands, mounted, last, left, now_min, since_min })
    }

    fn standing(&self, forecast: &Forecast) -> Standing {
        let celsius = self.last.and_then(|one| forecast.problem.temperature_of(scheduled(forecast, &one)));
        let job =
            self.left.iter().flatten().chain(&self.last).find(|one| Some(one.mounting()) == self.mounted);
        Standing {
            now_min: self.now_min,
            mounted: job.and_then(|one| forecast.problem.mounting_of(scheduled(forecast, one))),
            chamber_c: celsius.unwrap_or(forecast.problem.bench().start_c),
        }
    }

    /// When the run ends and what hands are asked for next; each only where it is known.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn ahead(
        &self,
        forecast: &Forecast,
        learned: &Learned,
    ) -> Result<(Option<FinishRange>, Option<Ahead>), Failure> {
        let Some(left) = &self.left else { return Ok((None, None)) };
        let problem = forecast.problem.paced(&Pace::from(learned));
        let standing = self.standing(forecast);
        let (order, next) = self.walked(forecast, &problem, standing, left);
        let finish = match self.hands {
            true => {
                let (problem, calendar) = (&forecast.problem, &forecast.calendar);
                let range = finish_range(problem, &order, calendar, standing, learned, DRAWS, 1);
                Some(range.map_err(|error| Failure::invalid(error.to_string()))?)
            }
            // When it ends hangs on nobody, but what is left then does.
            false => None,
        };
        Ok((finish, next))
    }

    /// The order in which a run takes the jobs that are left, as `run/bench_run/queue.rs` does, and the first change of it.
    fn walked(
        &self,
        forecast: &Forecast,
        problem: &Problem,
        standing: Standing,
        left: &[PendingJob],
    ) -> (Vec<u32>, Option<Ahead>) {
        let sequence = &forecast.schedule.sequence;
        let again = |one: &PendingJob| {
            let place = usize::try_from(one.position).unwrap_or(usize::MAX).min(sequence.len());
            sequence[..place].contains(&scheduled(forecast, one))
        };
        let here = |one: &PendingJob| Some(one.mounting()) == self.mounted;
        let (always, plan_hours) = (Calendar::always(), &forecast.calendar);
        let calendar = if self.hands { plan_hours } else { &always };
        let last = self.last.map(|one| scheduled(forecast, &one));
        let mut walk = Walk::new(problem, standing, last, calendar);
        let mut queue: VecDeque<PendingJob> = left.iter().copied().collect();
        let mut order = Vec::new();
        let mut take = |queue: &mut VecDeque<PendingJob>, walk: &mut Walk<'_>, place: usize| {
            if let Some(one) = queue.remove(place) {
                let job = scheduled(forecast, &one);
                // What is mounted needs no hands.
                let _ = walk.take(job, None);
                order.push(job);
            }
        };
        let mut next = None;
        while let Some(first) = queue.front() {
            if here(first) {
                take(&mut queue, &mut walk, 0);
                continue;
            }
            let now = walk.now_min();
            let come = if self.hands { calendar.next_attended(now, 0.0).ok().map(|(t, _)| t) } else { None };
            let goes_on = match come {
                Some(come) if come <= now => None,
                _ => queue.iter().position(|one| here(one) && (!self.hands || !again(one))),
            };
            if let Some(place) = goes_on {
                take(&mut queue, &mut walk, place);
                continue;
            }
            let wanted = forecast.problem.mounting_of(scheduled(forecast, first));
            // What is declared to be mounted may not have been noted yet.
            let wanted = wanted.filter(|_| self.mounted.is_some());
            next = wanted.map(|mounting| (come.unwrap_or(now).max(walk.home_min()), mounting));
            break;
        }
        let rest: Vec<u32> = queue.iter().map(|one| scheduled(forecast, one)).collect();
        let stands = Standing { now_min: walk.now_min(), ..standing };
        order.extend(&rest);
        let next = next.filter(|(_, mounting)| self.is_sure_of(*mounting, forecast, &rest, stands));
        let ahead = next.map(|(hands_min, mounting)| Ahead {
            // What lies in the past has not come about yet.
            hands_min: Some(hands_min).filter(|at| *at > self.now_min + self.since_min),
            mounting,
        });
        (order, ahead)
    }

    /// A run that finds itself off its plan may plan the rest anew: would it ask for the same mounting then?
    fn is_sure_of(&self, mounting: u32, forecast: &Forecast, rest: &[u32], stands: Standing) -> bool {
        let reality = Reality { given_up: &[], standing: stands, learned: &forecast.learned };
        let (effort, nights) = (Effort::default(), CalendarEffort::default());
        let planned = replan(&forecast.problem, rest, &reality, &forecast.calendar, effort, nights);
        let first = planned.ok().and_then(|planned| planned.schedule.sequence.first().copied());
        !self.hands || first.and_then(|job| forecast.problem.mounting_of(job)) == Some(mounting)
    }
}

/// The mounting of all these jobs; `None` where they are of several.
fn only<'a>(mut jobs: impl Iterator<Item = &'a PendingJob>) -> Option<MountingId> {
    let first = jobs.next()?.mounting();
    jobs.all(|one| one.mounting() == first).then_some(first)
}

/// What the log says of a run.
#[derive(Default)]
struct Seen {
    /// When it began, UTC.
    begun: String,
    /// Jobs that were selected for it.
    asked: Option<u64>,
    /// The newest that was recorded, UTC.
    newest: String,
    /// When what was mounted before was changed last, UTC.
    changed: Option<String>,
    /// The mounting check that was passed last, where nothing was changed since: when, module, channel.
    check: Option<(String, String, String)>,
}

impl Seen {
    fn hear(&mut self, utc: String, event: Event) {
        self.recorded(&utc);
        match event {
            Event::RunStarted { jobs, done_before, .. } => {
                *self = Seen {
                    begun: utc.clone(),
                    asked: Some(jobs + done_before),
                    newest: utc,
                    ..Seen::default()
                };
            }
            Event::MountingCheck { module, channel, verdict, .. } => {
                self.check = (verdict == CheckVerdict::Pass).then(|| (utc.clone(), module, channel));
                self.changed = Some(utc);
            }
            Event::Hands { .. } | Event::SetupLeftOut { .. } => self.is_changed(utc),
            Event::Fault { fault, .. } if fault.kind == FaultKind::WrongIdentity => self.is_changed(utc),
            _ => {}
        }
    }

    fn is_changed(&mut self, utc: String) {
        (self.changed, self.check) = (Some(utc), None);
    }

    fn recorded(&mut self, utc: &str) {
        if *self.newest < *utc {
            utc.clone_into(&mut self.newest);
        }
    }

    /// Is what was mounted at a moment mounted still?
    fn still_mounted_since(&self, utc: &str) -> bool {
        self.changed.as_deref().is_none_or(|changed| changed <= utc)
    }
}
