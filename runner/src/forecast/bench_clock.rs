//! The bench time of a run: what is done, composed in the plan's order with every change-over (runs of given hours as they were
//! walked), and what is left.
//!
//! Simulated jobs run in parallel and out of turn; on a bench they would follow each other. So their own durations are put into the
//! plan's order, and a dry run of a twelve-hour night shows twelve bench hours.

use crate::console::exit::Failure;
use crate::console::terminal::duration;
use crate::forecast::Forecast;
use crate::forecast::walked_nights::{WalkedNight, minutes};
use crate::store::{Attempts, StoreReader};
use nightbench_core::results::{JobOutcome, JobTimes};
use plan::Plan;
use plan::attended::dated_words;
use schedule::{
    Calendar, FinishRange, JobSeconds, Learned, Minutes, Night, Observed, OrderError, Rest, Standing,
    finish_range, walk_from,
};

/// Draws for the range of the finish.
const DRAWS: usize = 200;

/// A bench at some local time, where a run goes on, or would go on now.
pub struct FromNow {
    /// When what is left ends.
    pub finish: FinishRange,
    /// When hands are wanted first, local time, min, and for which mounting, as the ordering problem counts them.
    pub hands: Option<(f64, u32)>,
}

/// Durations of the jobs of a forecast, as they become known.
pub struct BenchClock<'f> {
    plan: &'f Plan,
    forecast: &'f Forecast,
    seconds: Vec<Option<JobSeconds>>,
    /// What is to be done at all, in the order of the jobs; `None` = everything.
    selected: Option<Vec<bool>>,
    /// What a bench's own clock shows of the run.
    night: Option<Night>,
    /// Runs of given hours, which were not done in the plan's order.
    nights: Vec<WalkedNight>,
}

impl<'f> BenchClock<'f> {
    /// Nothing is done yet.
    pub fn new(plan: &'f Plan, forecast: &'f Forecast) -> BenchClock<'f> {
        let seconds = vec![None; forecast.jobs.len()];
        BenchClock { plan, forecast, seconds, selected: None, night: None, nights: Vec::new() }
    }

    /// With the jobs that a run folder holds already.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn of_store(
        plan: &'f Plan,
        forecast: &'f Forecast,
        reader: &StoreReader,
    ) -> Result<BenchClock<'f>, Failure> {
        let mut clock = BenchClock::new(plan, forecast);
        for stored in reader.jobs(Attempts::Counting) {
            let stored = stored?;
            clock.took(stored.row.plan_position, &stored.outcome, stored.times);
        }
        Ok(clock)
    }

    /// Of a run that goes on in a folder. `pending`: places of what it is to do of what is `selected`, whatever the folder
    /// holds of it.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn of_run(
        (plan, forecast): (&'f Plan, &'f Forecast),
        (reader, nights): (&StoreReader, Vec<WalkedNight>),
        (pending, selected): (&[u64], &[u64]),
    ) -> Result<BenchClock<'f>, Failure> {
        let clock = BenchClock::of_store(plan, forecast, reader)?.with_nights(nights);
        Ok(clock.anew(pending.iter().copied()).only(selected.iter().copied()))
    }

    /// With what the bench's own clock shows of the run.
    pub fn by_the_bench(mut self, night: Night) -> BenchClock<'f> {
        self.night = Some(night);
        self
    }

    /// With the runs of given hours among what is done.
    pub fn with_nights(mut self, nights: Vec<WalkedNight>) -> BenchClock<'f> {
        self.nights = nights;
        self
    }

    /// What is done, composed: the nights as they were walked, the rest in the plan's order.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn done(&self) -> Result<Minutes, Failure> {
        minutes(&self.nights, self.forecast, &self.seconds)
    }

    /// The jobs at these positions are to be done, whatever a folder holds of them.
    fn anew(mut self, positions: impl Iterator<Item = u64>) -> BenchClock<'f> {
        for place in positions.filter_map(|position| usize::try_from(position).ok()) {
            if let Some(slot) = self.seconds.get_mut(place) {
                *slot = None;
            }
        }
        self
    }

    /// Only the jobs at these positions of the order are left to do.
    pub fn only(mut self, positions: impl Iterator<Item = u64>) -> BenchClock<'f> {
        let mut selected = vec![false; self.seconds.len()];
        for slot in positions.filter_map(|position| usize::try_from(position).ok()) {
            if let Some(slot) = selected.get_mut(slot) {
                *slot = true;
            }
        }
        self.selected = Some(selected);
        self
    }

    /// The jobs at these positions are not left to do.
    pub fn leave_out(&mut self, positions: &[u64]) {
        self.select(positions, false);
    }

    /// The jobs at these positions are to be done after all.
    pub fn take_in(&mut self, positions: &[u64]) {
        self.select(positions, true);
    }

    fn select(&mut self, positions: &[u64], to_do: bool) {
        let selected = self.selected.get_or_insert_with(|| vec![true; self.seconds.len()]);
        for position in positions {
            if let Some(slot) = usize::try_from(*position).ok().and_then(|place| selected.get_mut(place)) {
                *slot = to_do;
            }
        }
    }

    /// The job at a position of the order took this long. Jobs that never came to measuring take no bench time.
    pub fn took(&mut self, position: u64, outcome: &JobOutcome, times: JobTimes) {
        let idle =
            matches!(outcome, JobOutcome::NotMeasured(_)) && times.training_s + times.measuring_s <= 0.0;
        let place = usize::try_from(position).ok().and_then(|position| self.seconds.get_mut(position));
        if let (false, Some(slot)) = (idle, place) {
            *slot = Some(JobSeconds { measuring_s: times.measuring_s, training_s: times.training_s });
        }
    }

    /// What is done and what is left. Where runs of given hours are among what is done, only the rest is composed, as what a run without
    /// hours does is counted: from where the next run begins, with nothing mounted.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn observed(&self, rest: Rest) -> Result<Observed, Failure> {
        let selected = self.selected.as_deref();
        let all = self.forecast.observed(&self.seconds, selected, rest, self.night.as_ref())?;
        let Some(begin_min) = self.begin_after_nights() else { return Ok(all) };
        let (mut seconds, mut selected) = (self.seconds.clone(), self.selected.clone());
        let to_do = selected.get_or_insert_with(|| vec![true; seconds.len()]);
        for place in self.nights.iter().flat_map(|night| &night.jobs) {
            let Ok(at) = usize::try_from(*place) else { continue };
            // What is measured again is still to be done.
            if seconds.get_mut(at).is_some_and(|slot| slot.take().is_some()) {
                to_do[at] = false;
            }
        }
        let mut forecast = self.forecast.clone();
        forecast.learned = all.learned;
        forecast.schedule.start_min = begin_min;
        forecast.observed(&seconds, selected.as_deref(), rest, None)
    }

    /// When a run after those of given hours begins, min.
    fn begin_after_nights(&self) -> Option<f64> {
        self.nights.last().map(|night| night.next_min(self.plan, self.forecast, &self.seconds))
    }

    /// When a run ends that goes on from here, min. `observed`: what is done and left. `done_min`: how long the bench has been at work.
    pub fn end_min(&self, observed: &Observed, at_min: f64, done_min: f64) -> f64 {
        match self.nights.is_empty() {
            // What a bench has lost to faults, or gained, it does not make up for.
            true => at_min + done_min - work_min(observed),
            // Nights are over where what is left begins.
            false => at_min,
        }
    }

    /// What is ahead of a bench at this local time; `None` where nothing is left.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn from_now(
        &self,
        calendar: &Calendar,
        learned: &Learned,
        (now_min, goes_on): (f64, bool),
    ) -> Result<Option<FromNow>, Failure> {
        let (problem, sequence) = (&self.forecast.problem, &self.forecast.schedule.sequence);
        let to_do = |place: usize| {
            self.seconds.get(place).is_none_or(Option::is_none)
                && self.selected.as_ref().is_none_or(|selected| selected.get(place) == Some(&true))
        };
        let left: Vec<u32> =
            sequence.iter().enumerate().filter(|(place, _)| to_do(*place)).map(|(_, job)| *job).collect();
        let Some(first) = left.first() else { return Ok(None) };
        let done =
            (0..sequence.len()).rev().find(|place| self.seconds.get(*place).is_some_and(Option::is_some));
        let mounted = done.filter(|_| goes_on);
        let from = Standing {
            now_min,
            mounted: mounted.and_then(|place| problem.mounting_of(sequence[place])),
            chamber_c: problem.bench().start_c,
        };
        let invalid = |error: OrderError| Failure::invalid(error.to_string());
        let finish = finish_range(problem, &left, calendar, from, learned, DRAWS, 1).map_err(invalid)?;
        let walked = walk_from(problem, &left, calendar, from).map_err(invalid)?;
        let hands = walked.moments.first().map(|moment| moment.start_min).zip(problem.mounting_of(*first));
        Ok(Some(FromNow { finish, hands }))
    }

    /// In words: `bench time 3 h 12 min, about 9 h 05 min left, ends (P50) Tue 2026-11-24 06:40`. A bench says by its own clock how long it
    /// has been at work (seconds, waiting for attended hours left out), and the clock on the wall what time it is (min); else that is composed.
    pub fn words(&self, by_the_bench: Option<(f64, f64)>) -> String {
        let Ok(observed) = self.observed(Rest::InTurn) else { return String::new() };
        let Ok(done) = self.done() else { return String::new() };
        let composed_min = done.total() - done.waiting;
        let done_min = by_the_bench.map_or(composed_min, |(seconds, _)| seconds / 60.0);
        let done = duration(done_min * 60.0);
        if observed.left_min <= 0.0 {
            return format!("bench time {done}");
        }
        let left = duration(observed.left_min * 60.0);
        let end = match by_the_bench {
            Some((_, local_min)) => {
                let now = (local_min, true);
                let Ok(Some(ahead)) = self.from_now(&self.forecast.calendar, &observed.learned, now) else {
                    return format!("bench time {done}, about {left} left");
                };
                dated_words(ahead.finish.p50_min)
            }
            None => {
                let end_min = self.end_min(&observed, observed.finish.p50_min, done_min);
                self.forecast.clock(self.plan, end_min)
            }
        };
        format!("bench time {done}, about {left} left, ends (P50) {end}")
    }
}

/// Bench time of what is done, waiting for attended hours left out, min.
fn work_min(observed: &Observed) -> f64 {
    let minutes = &observed.done.cost.minutes;
    minutes.total() - minutes.waiting
}
