//! What is left of a run on a bench, and planning it anew when reality departs from the plan.

use super::record::StretchSeconds;
use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::run::pending::PendingJob;
use schedule::remaining::predicted_stretches;
use schedule::{Calendar, CalendarEffort, Effort, Learned, Minutes, Reality, Standing, replan, walk_from};
use std::collections::{HashMap, VecDeque};
use std::ops::Add;

/// Most jobs whose order is searched while the bench waits, and trials of the calendar above that.
const SEARCHED_JOBS: usize = 10_000;
const LARGE_TRIALS: usize = 4;
/// A stretch this many minutes off what was expected, and this share, is a departure from the plan.
const DEPARTURE_MIN: f64 = 10.0;
const DEPARTURE_SHARE: f64 = 0.1;

/// The jobs that are left, in order.
pub(super) struct Remaining<'f> {
    forecast: &'f Forecast,
    left: VecDeque<PendingJob>,
    given_up: Vec<u32>,
    learned: Learned,
    /// Jobs of the present stretch and where it began.
    stretch: Vec<u32>,
    from: Standing,
    departed: bool,
}

impl<'f> Remaining<'f> {
    /// Everything is left; the run stands somewhere.
    pub fn new(forecast: &'f Forecast, pending: &[PendingJob], from: Standing) -> Remaining<'f> {
        Remaining {
            forecast,
            left: pending.iter().copied().collect(),
            given_up: Vec::new(),
            learned: forecast.learned.clone(),
            stretch: Vec::new(),
            from,
            departed: false,
        }
    }

    /// The next job.
    pub fn first(&self) -> Option<&PendingJob> {
        self.left.front()
    }

    /// The jobs that are left.
    pub fn jobs(&self) -> impl Iterator<Item = &PendingJob> {
        self.left.iter()
    }

    /// These jobs are left, too.
    pub fn put_back(&mut self, jobs: Vec<PendingJob>) {
        self.left.extend(jobs);
    }

    /// These jobs are to be done after all: first those of what is mounted, the others where planning anew puts them.
    pub fn take_in(&mut self, jobs: Vec<PendingJob>, is_mounted: impl Fn(&PendingJob) -> bool) {
        let (here, elsewhere): (Vec<PendingJob>, Vec<PendingJob>) = jobs.into_iter().partition(is_mounted);
        self.departed |= !elsewhere.is_empty();
        here.into_iter().rev().for_each(|one| self.left.push_front(one));
        self.left.extend(elsewhere);
    }

    /// Only these are left, in this order: no departure from the plan.
    pub fn replace(&mut self, jobs: Vec<PendingJob>) {
        self.left = jobs.into();
    }

    /// How fast this bench has been.
    pub fn learned(&self) -> &Learned {
        &self.learned
    }

    /// Takes the first job that meets a condition.
    pub fn take(&mut self, meets: impl FnMut(&PendingJob) -> bool) -> Option<PendingJob> {
        let place = self.left.iter().position(meets)?;
        let taken = self.left.remove(place)?;
        self.stretch.extend(self.job(&taken));
        Some(taken)
    }

    /// Takes out every job of a mounting that will not be made.
    pub fn give_up(&mut self, mut belongs: impl FnMut(&PendingJob) -> bool) -> Vec<PendingJob> {
        let (out, left): (Vec<PendingJob>, Vec<PendingJob>) =
            self.left.iter().partition(|pending| belongs(pending));
        self.left = left.into();
        let mountings: Vec<u32> = out.iter().filter_map(|pending| self.scheduled_mounting(pending)).collect();
        for mounting in mountings {
            if !self.given_up.contains(&mounting) {
                self.given_up.push(mounting);
            }
        }
        self.departed |= !out.is_empty();
        out
    }

    /// Takes out jobs that turned out not to be needed: no departure from the plan.
    pub fn leave_out(&mut self, unwanted: impl FnMut(&PendingJob) -> bool) -> Vec<PendingJob> {
        let mut unwanted = unwanted;
        let (out, left): (Vec<PendingJob>, Vec<PendingJob>) =
            self.left.drain(..).partition(|pending| unwanted(pending));
        self.left = left.into();
        out
    }

    fn job(&self, pending: &PendingJob) -> Option<u32> {
        let place = usize::try_from(pending.position).ok()?;
        self.forecast.schedule.sequence.get(place).copied()
    }

    /// The mounting of a job in the ordering problem.
    pub fn scheduled_mounting(&self, pending: &PendingJob) -> Option<u32> {
        self.forecast.problem.mounting_of(self.job(pending)?)
    }

    /// Does the job measure again what the order has measured before (the baseline at the end, a reference job)? Its
    /// place in the order is what it is for.
    pub fn is_measured_again(&self, pending: &PendingJob) -> bool {
        let sequence = &self.forecast.schedule.sequence;
        let place = usize::try_from(pending.position).unwrap_or(usize::MAX).min(sequence.len());
        self.job(pending).is_some_and(|job| sequence[..place].contains(&job))
    }

    /// A stretch is over: learns from it how fast this bench is. `now` is where the run stands.
    pub fn stretch_ended(&mut self, seconds: StretchSeconds, now: Standing) {
        let jobs = std::mem::take(&mut self.stretch);
        let from = std::mem::replace(&mut self.from, now);
        if jobs.is_empty() {
            return;
        }
        let expected = predicted_stretches(&self.forecast.problem, &jobs, from)
            .into_iter()
            .reduce(Minutes::add)
            .unwrap_or_default();
        let observed = observed(&expected, seconds);
        self.learned.observe_stretch(&expected, &observed);
        let off = (observed.total() - expected.total()).abs();
        self.departed |= off > DEPARTURE_MIN && off > DEPARTURE_SHARE * expected.total();
    }

    /// Plans what is left anew, where reality departed from the plan; what changed, in words for the log.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn plan_anew(&mut self, now: Standing, calendar: &Calendar) -> Result<Option<String>, Failure> {
        self.from = now;
        if self.left.is_empty() || !std::mem::take(&mut self.departed) {
            return Ok(None);
        }
        let left: Vec<u32> = self.left.iter().filter_map(|pending| self.job(pending)).collect();
        if left.len() != self.left.len() {
            return Ok(None);
        }
        let invalid = |error: schedule::OrderError| Failure::invalid(error.to_string());
        let problem = &self.forecast.problem;
        let reality = Reality { given_up: &self.given_up, standing: now, learned: &self.learned };
        // Nobody waits at a bench for a search over a very long plan.
        let (effort, nights) = match left.len() > SEARCHED_JOBS {
            true => (
                Effort { kicks: 0, compare_nestings: false, ..Effort::default() },
                CalendarEffort { trials: LARGE_TRIALS, ..CalendarEffort::default() },
            ),
            false => (Effort::default(), CalendarEffort::default()),
        };
        let planned = replan(problem, &left, &reality, calendar, effort, nights).map_err(invalid)?;
        let gone = std::mem::take(&mut self.given_up);
        if planned.changed {
            self.follow(&planned.schedule.sequence);
        }
        let mut words = planned.words;
        if !gone.is_empty() && words.is_empty() {
            // Their jobs were taken out before: what is left is shorter for it.
            let end = walk_from(problem, &left, calendar, now).map_err(invalid)?.finish_min;
            words = format!(
                "{} are left out; {}, about {:.0} min of bench time",
                if gone.len() == 1 {
                    "the jobs of a mounting".into()
                } else {
                    format!("{} mountings", gone.len())
                },
                match left.len() {
                    1 => "1 other job stays".into(),
                    jobs => format!("the other {jobs} jobs keep their order"),
                },
                end - now.now_min
            );
        }
        Ok((!words.is_empty()).then_some(words))
    }

    /// Puts the jobs into the order of a sequence. Where the sequence measures a job less often than planned, what is over
    /// comes last; nothing is lost.
    fn follow(&mut self, sequence: &[u32]) {
        let mut waiting: HashMap<u32, VecDeque<PendingJob>> = HashMap::new();
        for pending in std::mem::take(&mut self.left) {
            waiting.entry(self.job(&pending).unwrap_or(u32::MAX)).or_default().push_back(pending);
        }
        let mut ordered: Vec<PendingJob> = Vec::new();
        for job in sequence {
            ordered.extend(waiting.get_mut(job).and_then(VecDeque::pop_front));
        }
        let mut over: Vec<PendingJob> = waiting.into_values().flatten().collect();
        over.sort_by_key(|pending| pending.position);
        ordered.extend(over);
        self.left = ordered.into();
    }
}

/// What was observed, by the kinds of the plan. Ramps are told together on a bench: they are shared out as expected.
pub(super) fn observed(expected: &Minutes, seconds: StretchSeconds) -> Minutes {
    let minutes = |s: f64| s.max(0.0) / 60.0;
    let ramps = expected.ramps();
    let up = if ramps > 0.0 { expected.ramps_up / ramps } else { 0.5 };
    Minutes {
        measuring: minutes(seconds.measuring),
        training: minutes(seconds.training),
        ramps_up: minutes(seconds.ramps) * up,
        ramps_down: minutes(seconds.ramps) * (1.0 - up),
        soak: minutes(seconds.soak),
        settle: 0.0,
        hands_on: minutes(seconds.hands),
        boot: 0.0,
        waiting: 0.0,
    }
}

#[cfg(test)]
#[path = "remaining_tests.rs"]
mod tests;
