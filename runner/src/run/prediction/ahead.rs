//! What measuring some conditions costs from where a bench stands, for the walk that chooses them.

use crate::forecast::Forecast;
use crate::run::hours::scheduled;
use crate::run::pending::{MountingId, PendingJob};
use judge::prediction::Clock;
use schedule::{Calendar, Problem, Standing, Walk};
use std::collections::BTreeMap;

/// Hours that stand for "never": hands that nobody has.
const NEVER_H: f64 = 1e6;

/// Jobs of each condition, in the plan's order.
pub type JobsOf = BTreeMap<u32, Vec<PendingJob>>;

/// The jobs of conditions in the order in which they are measured: condition by condition, a setup's further mountings after its first.
pub fn in_order(jobs: &JobsOf, conditions: &[u32]) -> Vec<PendingJob> {
    let mut order: Vec<PendingJob> =
        conditions.iter().filter_map(|one| jobs.get(one)).flatten().copied().collect();
    // Stable: setups in the order they are met, and conditions within them.
    let mut setups: Vec<(u16, u16, u16)> = Vec::new();
    for one in &order {
        let setup = one.condition.setup();
        if !setups.contains(&setup) {
            setups.push(setup);
        }
    }
    order.sort_by_key(|one| {
        (setups.iter().position(|setup| *setup == one.condition.setup()), one.job.mounting)
    });
    order
}

/// A bench that stands somewhere.
pub struct Ahead<'a> {
    pub forecast: &'a Forecast,
    /// The forecast's problem on a bench as fast as this one.
    pub problem: &'a Problem,
    pub calendar: &'a Calendar,
    pub from: Standing,
    /// The job just measured in what is mounted, as the ordering problem numbers it.
    pub last: Option<u32>,
    /// What is still to be done of each condition.
    pub open: &'a JobsOf,
    /// Hours gone since the run began.
    pub spent_h: f64,
    /// What is mounted, where nobody can change it.
    pub only: Option<MountingId>,
    /// Hours of a full eye that follows rows and columns in doubt, by condition; empty where none follows.
    pub after_doubt_h: &'a [f64],
}

impl<'a> Ahead<'a> {
    fn bench(&self) -> Walk<'a> {
        Walk::new(self.problem, self.from, self.last, self.calendar)
    }

    /// The bench once conditions have been measured; `None` where that takes hands that nobody has.
    fn after(&self, conditions: &[u32]) -> Option<Walk<'a>> {
        let mut walk = self.bench();
        for one in in_order(self.open, conditions) {
            let reachable = self.only.is_none_or(|mounted| mounted == one.mounting());
            if !reachable || walk.take(scheduled(self.forecast, &one), None).is_err() {
                return None;
            }
        }
        Some(walk)
    }
}

impl Clock for Ahead<'_> {
    fn hours(&self, conditions: &[u32]) -> f64 {
        self.after(conditions).map_or(NEVER_H, |walk| (walk.now_min() - self.from.now_min) / 60.0)
    }

    fn work(&self, conditions: &[u32]) -> f64 {
        let work = |walk: Walk<'_>| (walk.now_min() - walk.waited_min() - self.from.now_min) / 60.0;
        self.after(conditions).map_or(NEVER_H, work)
    }

    fn hands(&self, after_h: f64) -> (f64, f64) {
        let found = self.bench().hands_min(60.0 * after_h);
        found.map_or((NEVER_H.max(after_h), f64::INFINITY), |(from, last)| (from / 60.0, last / 60.0))
    }

    fn spent(&self) -> f64 {
        self.spent_h
    }

    fn after_doubt(&self, condition: u32) -> f64 {
        let jobs = self.open.get(&condition).map_or(0, Vec::len) as f64;
        jobs * self.after_doubt_h.get(condition as usize).copied().unwrap_or(0.0)
    }

    fn full(&self) -> f64 {
        self.forecast.schedule.hours().total
    }
}
