//! Which of the jobs that are left are done in some hours: the most valuable ones that end in time. A function of plan, results and hours.

use crate::forecast::Forecast;
use crate::run::pending::PendingJob;
use judge::{Decides, Worth};
use plan::Plan;
use schedule::{Calendar, Candidate, Pace, Problem, Standing, Until, Walk, most_valuable};
use std::collections::{BTreeMap, HashSet};

/// What is left because nobody is there to change what is mounted.
pub struct ForHands {
    /// When somebody comes, min.
    pub come_min: f64,
    /// Places of the jobs.
    pub places: HashSet<u64>,
}

/// What a choice is made from.
#[derive(Clone, Copy)]
pub struct Choice<'a> {
    pub plan: &'a Plan,
    pub forecast: &'a Forecast,
    /// The forecast's problem on a bench as fast as this one.
    pub problem: &'a Problem,
    pub calendar: &'a Calendar,
    pub from: Standing,
    /// The job that was done last in what is mounted, whose condition still holds.
    pub last: Option<u32>,
    pub end_min: f64,
    /// Somebody can change what is mounted.
    pub hands: bool,
}

impl Choice<'_> {
    /// Chooses among jobs, which are in the plan's order, by what their conditions are worth.
    pub fn choose(&self, jobs: &[PendingJob], worths: &[Worth]) -> Vec<PendingJob> {
        let visits = self.visits();
        let candidates: Vec<Candidate> = jobs
            .iter()
            .map(|one| {
                let place = one.position as usize;
                // A repeat is worth its share of the verdict that all of them give.
                let share = self.plan.repeats.jobs().max(1) as f64;
                let value = worths.get(one.job.condition as usize).map_or(0.0, |worth| worth.value / share);
                Candidate { job: self.job(one), visit: visits.get(place).copied().unwrap_or(u32::MAX), value }
            })
            .collect();
        let Choice { from, last, end_min, calendar, hands, .. } = *self;
        let order = most_valuable(self.problem, &candidates, &Until { from, last, end_min, calendar, hands });
        order.iter().map(|at| jobs[*at]).collect()
    }

    /// What waits for hands of what is left: what would fit in time if somebody were there at any hour. `None` where nothing would, or somebody
    /// is there.
    pub fn waits_for_hands(&self, left: &[PendingJob], worths: &[Worth]) -> Option<ForHands> {
        let (come_min, _) = self.calendar.next_attended(self.from.now_min, 0.0).ok()?;
        if come_min <= self.from.now_min {
            return None;
        }
        let always = Calendar::always();
        let jobs = Choice { calendar: &always, ..*self }.choose(left, worths);
        let places: HashSet<u64> = jobs.iter().map(|one| one.position).collect();
        (!places.is_empty()).then_some(ForHands { come_min, places })
    }

    /// The fewest hours in which something of what is left would be done, to a hundredth.
    pub fn least_hours(&self, left: &[PendingJob], worths: &[Worth]) -> Option<f64> {
        let walk = Walk::new(self.problem, self.from, self.last, self.calendar);
        let home = left.iter().map(|one| walk.home_after_min(self.job(one), None));
        let least_min = home.min_by(f64::total_cmp).filter(|home| home.is_finite())? - self.from.now_min;
        let hours = (least_min / 60.0 * 100.0).ceil() / 100.0;
        let then = Choice { end_min: self.from.now_min + 60.0 * hours, ..*self };
        (!then.choose(left, worths).is_empty()).then_some(hours)
    }

    fn job(&self, one: &PendingJob) -> u32 {
        scheduled(self.forecast, one)
    }

    /// The number of the stretch of each place of the order.
    fn visits(&self) -> Vec<u32> {
        let mut visits = vec![u32::MAX; self.forecast.jobs.len()];
        for (number, stretch) in (0..).zip(self.forecast.stretches()) {
            visits[stretch.first..stretch.end].iter_mut().for_each(|visit| *visit = number);
        }
        visits
    }
}

/// A job as the ordering problem numbers it.
pub fn scheduled(forecast: &Forecast, one: &PendingJob) -> u32 {
    let place = usize::try_from(one.position).unwrap_or(usize::MAX);
    forecast.schedule.sequence.get(place).copied().unwrap_or(u32::MAX)
}

/// A pace at which only measuring differs.
pub fn measuring_at(pace: f64) -> Pace {
    Pace { hands: 1.0, up: 1.0, down: 1.0, soak: 1.0, measure: pace }
}

/// What is learnt by some jobs: conditions by what they decide.
pub fn learnt(jobs: &[PendingJob], worths: &[Worth]) -> BTreeMap<Decides, usize> {
    let conditions: HashSet<u32> = jobs.iter().map(|one| one.job.condition).collect();
    let mut counts: BTreeMap<Decides, usize> = BTreeMap::new();
    for condition in conditions {
        if let Some(worth) = worths.get(condition as usize) {
            *counts.entry(worth.why).or_default() += 1;
        }
    }
    counts
}
