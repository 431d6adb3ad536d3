//! Which conditions a run measures next, visit by visit, until nothing is worth its hours any more.
//!
//! What is chosen is noted before it runs. A run that goes on hands the walk the same visits in the same order, each condition by its own
//! jobs alone, so that it chooses what an uninterrupted run would have chosen, whatever threads did.

use super::ahead::{Ahead, JobsOf, in_order};
use super::foreseen::{Foretold, SoFar};
use super::note::{Because, Chosen, Marks, NotedVisit, keep_chosen};
use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::forecast::full_eye::FullEyes;
use crate::run::hours::{measuring_at, scheduled, seconds_of, spent};
use crate::run::known::Known;
use crate::run::pending::{MountingId, PendingJob};
use crate::store::Store;
use judge::prediction::{Field, Known as Found, Prior, Terms, Walk};
use judge::terms;
use nightbench_core::results::{CaptureMode, JobTimes};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::predicted::Predicted;
use schedule::{Calendar, Hours, JobSeconds, Problem, Standing, Walk as BenchWalk, cost_of};
use std::collections::{BTreeSet, HashSet};

/// What no measurement changes.
pub struct Basis<'p> {
    plan: &'p Plan,
    forecast: &'p Forecast,
    field: Field,
    terms: Terms,
    /// Hours of a full eye after rows and columns, by condition, and of one that follows a verdict in doubt; empty where eyes are full.
    full_eye_h: Vec<f64>,
    after_doubt_h: Vec<f64>,
    marks: Marks,
}

impl<'p> Basis<'p> {
    /// Of a plan that asks for predictions.
    pub fn new(
        plan: &'p Plan,
        forecast: &'p Forecast,
        asked: Predicted,
        (prior, marks): (&Prior, Marks),
        seed: u64,
    ) -> Basis<'p> {
        let field = Field::new(plan, &forecast.expansion, &AcceptanceCriteria::of(plan), prior);
        let terms = terms(asked, seed);
        let eyes = FullEyes::new(plan, plan.capture.rule);
        let lines = plan.capture.mode == CaptureMode::RowAndColumn;
        let conditions = || forecast.expansion.conditions.iter().filter(|_| lines);
        let after_doubt = |one| if eyes.follows_doubt(one) { eyes.hours(one) } else { 0.0 };
        let full_eye_h = conditions().map(|one| eyes.hours(one)).collect();
        let after_doubt_h = conditions().map(after_doubt).collect();
        Basis { plan, forecast, field, terms, full_eye_h, after_doubt_h, marks }
    }

    /// The walk before anything is measured.
    pub fn walk(&self) -> Walk<'_> {
        let order: Vec<u32> = self.forecast.jobs.iter().map(|job| job.condition).collect();
        Walk::new(&self.field, self.terms, &order)
    }

    /// The plan it is of.
    pub fn plan(&self) -> &'p Plan {
        self.plan
    }

    /// What its notes belong to.
    pub fn marks(&self) -> &Marks {
        &self.marks
    }

    /// Its forecast.
    pub fn forecast(&self) -> &'p Forecast {
        self.forecast
    }

    /// Where a simulated bench stands at the begin.
    pub fn begin(&self) -> Stands {
        let forecast = self.forecast;
        Stands {
            problem: forecast.problem.clone(),
            calendar: forecast.calendar.clone(),
            from: Standing {
                now_min: forecast.schedule.start_min,
                mounted: None,
                chamber_c: forecast.problem.bench().start_c,
            },
            last: None,
            spent_h: 0.0,
            only: None,
            condition: None,
        }
    }
}

/// Where a bench stands when something is chosen.
pub struct Stands {
    /// The forecast's problem on a bench as fast as this one.
    pub problem: Problem,
    pub calendar: Calendar,
    pub from: Standing,
    /// The job just measured in what is mounted, as the ordering problem numbers it.
    pub last: Option<u32>,
    /// Hours since the run began, waiting included.
    pub spent_h: f64,
    /// What is mounted, where nobody can change it.
    pub only: Option<MountingId>,
    /// A condition of what is mounted: the last that was measured, where there is one.
    pub condition: Option<u32>,
}

impl Stands {
    /// As [`Stands::did`]; what was measured beside the choice takes nothing of its hours.
    pub(super) fn visited(
        &mut self,
        because: Because,
        (basis, jobs): (&Basis<'_>, &[PendingJob]),
        seconds: &[Option<JobSeconds>],
        pace: f64,
    ) {
        let (now_min, spent_h) = (self.from.now_min, self.spent_h);
        self.did(basis, jobs, seconds, pace);
        if because == Because::Before {
            (self.from.now_min, self.spent_h) = (now_min, spent_h);
        }
    }

    /// Jobs are done, with what they really took; `pace`: measuring in units of the forecast from now on.
    pub(super) fn did(
        &mut self,
        basis: &Basis<'_>,
        jobs: &[PendingJob],
        seconds: &[Option<JobSeconds>],
        pace: f64,
    ) {
        let forecast = basis.forecast;
        let mut walk = BenchWalk::new(&forecast.problem, self.from, self.last, &self.calendar);
        for one in jobs {
            let job = scheduled(forecast, one);
            let took = usize::try_from(one.position).ok().and_then(|at| seconds.get(at).copied().flatten());
            if walk.take(job, took).is_ok() {
                self.last = Some(job);
                self.condition = Some(one.job.condition);
                self.from.mounted = forecast.problem.mounting_of(job);
            }
        }
        self.spent_h += (walk.now_min() - self.from.now_min) / 60.0;
        self.from.now_min = walk.now_min();
        if let Some(condition) = self.condition.and_then(|at| forecast.expansion.conditions.get(at as usize))
        {
            self.from.chamber_c = condition.temperature(basis.plan).0;
        }
        self.problem = forecast.problem.paced(&measuring_at(pace));
    }
}

impl Chosen {
    /// The choice goes on from here: what was measured beside it is known to it as well. `done`: places of the jobs that have a result.
    pub(super) fn go_on(&mut self, jobs: &JobsOf, done: &HashSet<u64>) {
        let noted: BTreeSet<u32> = self.visits.iter().flat_map(|visit| &visit.conditions).copied().collect();
        let before: Vec<u32> = jobs
            .iter()
            .filter(|(condition, _)| !noted.contains(condition))
            .filter(|(_, jobs)| jobs.iter().all(|one| done.contains(&one.position)))
            .map(|(condition, _)| *condition)
            .collect();
        if !before.is_empty() {
            self.visits.push(NotedVisit { because: Because::Before, conditions: before });
        }
        self.finished = false;
    }
}

impl NotedVisit {
    /// Its jobs as they were done: what was measured beside the choice, in the plan's order.
    pub(super) fn jobs(&self, jobs: &JobsOf) -> Vec<PendingJob> {
        let mut own = in_order(jobs, &self.conditions);
        if self.because == Because::Before {
            own.sort_by_key(|one| one.position);
        }
        own
    }
}

/// Places of the jobs that are done, in the order in which they were chosen and then in the plan's, and the bench hours of that: with
/// what each job took (`seconds`, by place), waiting for attended hours left out.
pub fn in_order_chosen(
    forecast: &Forecast,
    chosen: &Chosen,
    seconds: &[Option<JobSeconds>],
) -> (Vec<u64>, Hours) {
    let mut jobs = JobsOf::new();
    for (position, job) in (0..).zip(&forecast.jobs) {
        let condition = forecast.expansion.conditions[job.condition as usize];
        let one = PendingJob { job: *job, condition, key: [0; 32], position, attempt: 1 };
        if seconds.get(position as usize).is_some_and(Option::is_some) {
            jobs.entry(job.condition).or_default().push(one);
        }
    }
    let mut order: Vec<PendingJob> = Vec::new();
    for visit in &chosen.visits {
        order.extend(visit.jobs(&jobs));
        visit.conditions.iter().for_each(|condition| {
            jobs.remove(condition);
        });
    }
    // What was measured beside the choice.
    let mut rest: Vec<PendingJob> = jobs.into_values().flatten().collect();
    rest.sort_by_key(|one| one.position);
    order.extend(rest);
    let sequence: Vec<u32> = order.iter().map(|one| scheduled(forecast, one)).collect();
    let mut minutes = cost_of(&forecast.problem, &sequence).minutes;
    let sum = |of: fn(&JobSeconds) -> f64| seconds.iter().flatten().map(of).sum::<f64>() / 60.0;
    (minutes.measuring, minutes.training) = (sum(|took| took.measuring_s), sum(|took| took.training_s));
    (order.iter().map(|one| one.position).collect(), Hours::from(&minutes))
}

/// The choice while a run goes on.
pub struct Visiting<'b> {
    basis: &'b Basis<'b>,
    walk: Walk<'b>,
    chosen: Chosen,
    /// Every job of the plan.
    jobs: JobsOf,
    /// Places of the jobs that have a result.
    done: HashSet<u64>,
    seconds: Vec<Option<JobSeconds>>,
    /// Visits that the walk has heard of, and those that it was asked for.
    heard: usize,
    asked: usize,
    /// Where a simulated bench stands.
    stands: Stands,
    /// Seconds that jobs took, and those that they were expected to take.
    took_s: (f64, f64),
    /// Something was chosen in this run.
    begun: bool,
    /// Places of jobs that nobody mounted in this run.
    aside: HashSet<u64>,
}

impl<'b> Visiting<'b> {
    /// Begins, or goes on. `all`: every job of the plan; `pending`: those that are still to be done.
    ///
    /// # Errors
    /// Exit 74.
    pub fn begin(
        basis: &'b Basis<'b>,
        mut chosen: Chosen,
        store: &mut Store,
        (all, pending): (&[PendingJob], &[PendingJob]),
    ) -> Result<Visiting<'b>, Failure> {
        let mut jobs = JobsOf::new();
        for one in all {
            jobs.entry(one.job.condition).or_default().push(*one);
        }
        let open: HashSet<u64> = pending.iter().map(|one| one.position).collect();
        let done: HashSet<u64> =
            all.iter().map(|one| one.position).filter(|place| !open.contains(place)).collect();
        chosen.go_on(&jobs, &done);
        keep_chosen(store, &chosen, &basis.marks)?;
        let seconds = seconds_of(basis.forecast, store.reader())?;
        let (walk, stands) = (basis.walk(), basis.begin());
        Ok(Visiting {
            basis,
            walk,
            chosen,
            jobs,
            done,
            seconds,
            heard: 0,
            asked: 0,
            stands,
            took_s: (0.0, 0.0),
            begun: false,
            aside: HashSet::new(),
        })
    }

    /// A job has a result, and is not tried again before the next choice.
    pub fn hear(&mut self, one: &PendingJob, times: JobTimes) {
        self.done.insert(one.position);
        if let Some(slot) = usize::try_from(one.position).ok().and_then(|at| self.seconds.get_mut(at)) {
            *slot = Some(spent(times));
        }
    }

    /// Jobs of what was chosen that have no result yet, in their order.
    pub fn due(&self) -> Vec<PendingJob> {
        let visits = self.chosen.visits.iter().filter(|visit| visit.because == Because::Asked);
        let mut due: Vec<PendingJob> =
            visits.flat_map(|visit| in_order(&self.jobs, &visit.conditions)).collect();
        due.retain(|one| !self.done.contains(&one.position) && !self.aside.contains(&one.position));
        due
    }

    /// A mounting was not made this time: its jobs wait for the next run, and the others go on.
    pub fn put_aside(&mut self, mounting: MountingId) {
        let jobs = self.jobs.values().flatten().filter(|one| one.mounting() == mounting);
        self.aside.extend(jobs.filter(|one| !self.done.contains(&one.position)).map(|one| one.position));
    }

    /// A mounting cannot be made: its jobs that nothing was chosen of count as tried, and are never predicted.
    ///
    /// # Errors
    /// Exit 74.
    pub fn give_up(&mut self, mounting: MountingId, store: &mut Store) -> Result<Vec<PendingJob>, Failure> {
        let jobs: Vec<PendingJob> =
            self.not_chosen().into_iter().filter(|one| one.mounting() == mounting).collect();
        let conditions: BTreeSet<u32> = jobs.iter().map(|one| one.job.condition).collect();
        if !conditions.is_empty() {
            let conditions = conditions.into_iter().collect();
            self.chosen.visits.push(NotedVisit { because: Because::Before, conditions });
            keep_chosen(store, &self.chosen, &self.basis.marks)?;
        }
        Ok(jobs)
    }

    /// Jobs of conditions that nothing was chosen of, in the plan's order.
    pub fn not_chosen(&self) -> Vec<PendingJob> {
        let noted: BTreeSet<u32> =
            self.chosen.visits.iter().flat_map(|visit| &visit.conditions).copied().collect();
        let left = self.jobs.iter().filter(|(condition, _)| !noted.contains(condition));
        let mut left: Vec<PendingJob> = left.flat_map(|(_, jobs)| jobs).copied().collect();
        left.retain(|one| !self.done.contains(&one.position));
        left.sort_by_key(|one| one.position);
        left
    }

    /// Every job that is still to come, as far as it is known now.
    pub fn still_to_come(&self, known: &Known<'_>) -> Vec<PendingJob> {
        let all: Vec<PendingJob> = self.jobs.values().flatten().copied().collect();
        let so_far = SoFar { chosen: &self.chosen, known, done: &self.done, seconds: &self.seconds };
        Foretold::new(self.basis, &all, Some(so_far)).rest()
    }

    /// The jobs that are measured next, where a simulated bench stands; empty at the end.
    ///
    /// # Errors
    /// Exit 74.
    pub fn next(&mut self, known: &Known<'_>, store: &mut Store) -> Result<Vec<PendingJob>, Failure> {
        let due = self.due();
        if !due.is_empty() {
            return Ok(due);
        }
        self.catch_up(known);
        let stands = std::mem::replace(&mut self.stands, self.basis.begin());
        let jobs = self.choose(known, store, &stands);
        self.stands = stands;
        jobs
    }

    /// As [`Visiting::next`], of a bench that stands somewhere.
    ///
    /// # Errors
    /// Exit 74.
    pub fn next_from(
        &mut self,
        known: &Known<'_>,
        store: &mut Store,
        stands: &Stands,
    ) -> Result<Vec<PendingJob>, Failure> {
        self.begun = true;
        let due = self.due();
        if !due.is_empty() {
            return Ok(due);
        }
        self.catch_up(known);
        self.choose(known, store, stands)
    }

    /// Hands the walk what it has not heard of.
    fn catch_up(&mut self, known: &Known<'_>) {
        while let Some(visit) = self.chosen.visits.get(self.heard) {
            if visit.because == Because::Asked && self.asked <= self.heard {
                // It learns when it is asked, and by the same hours as then; what it answers was noted.
                let before: BTreeSet<u32> = self.chosen.visits[..self.heard]
                    .iter()
                    .flat_map(|visit| &visit.conditions)
                    .copied()
                    .collect();
                let open: JobsOf = self
                    .jobs
                    .iter()
                    .filter(|(condition, _)| !before.contains(condition))
                    .map(|(condition, jobs)| (*condition, jobs.clone()))
                    .collect();
                let _ = self.walk.next(self.stands.condition, &ahead(self.basis, &self.stands, &open));
            }
            for condition in &visit.conditions {
                let found = known.alone(*condition).and_then(|judged| Found::of(&judged));
                self.walk.took(*condition, found);
            }
            let jobs = visit.jobs(&self.jobs);
            for one in &jobs {
                let expected = self.basis.forecast.problem.seconds(scheduled(self.basis.forecast, one));
                let took =
                    usize::try_from(one.position).ok().and_then(|at| self.seconds.get(at).copied().flatten());
                if let (Some(expected), Some(took)) = (expected, took) {
                    // A full eye that followed is no slower bench.
                    let eye_h = self.basis.full_eye_h.get(one.job.condition as usize);
                    let eye_s = eye_h.map_or(0.0, |hours| 3600.0 * hours);
                    let followed = took.measuring_s > expected.measuring_s + 0.5 * eye_s;
                    self.took_s.0 += took.measuring_s + took.training_s;
                    self.took_s.1 += expected.measuring_s + expected.training_s;
                    self.took_s.1 += if followed { eye_s } else { 0.0 };
                }
            }
            let pace =
                if self.took_s.0 > 0.0 && self.took_s.1 > 0.0 { self.took_s.0 / self.took_s.1 } else { 1.0 };
            self.stands.visited(visit.because, (self.basis, &jobs), &self.seconds, pace);
            self.heard += 1;
            self.asked = self.asked.max(self.heard);
        }
    }

    fn choose(
        &mut self,
        known: &Known<'_>,
        store: &mut Store,
        stands: &Stands,
    ) -> Result<Vec<PendingJob>, Failure> {
        loop {
            let open = self.open();
            let mut clock = ahead(self.basis, stands, &open);
            if self.chosen.visits.iter().all(|visit| visit.because == Because::Before) {
                // What a bench did beside the choice takes nothing of its hours.
                clock.spent_h = 0.0;
            }
            let visit = self.walk.next(stands.condition, &clock);
            // What was tried is not asked for again: an answer without anything else would go on for ever.
            let noted: BTreeSet<u32> =
                self.chosen.visits.iter().flat_map(|visit| &visit.conditions).copied().collect();
            let Some(mut visit) =
                visit.filter(|visit| visit.conditions.iter().any(|one| !noted.contains(one)))
            else {
                self.chosen.finished = self.aside.is_empty();
                keep_chosen(store, &self.chosen, &self.basis.marks)?;
                return Ok(Vec::new());
            };
            visit.conditions.retain(|one| !noted.contains(one));
            self.chosen.visits.push(NotedVisit { because: Because::Asked, conditions: visit.conditions });
            self.asked = self.chosen.visits.len();
            keep_chosen(store, &self.chosen, &self.basis.marks)?;
            let due = self.due();
            if !due.is_empty() {
                return Ok(due);
            }
            self.catch_up(known);
        }
    }

    fn open(&self) -> JobsOf {
        let left = |jobs: &Vec<PendingJob>| -> Vec<PendingJob> {
            jobs.iter().filter(|one| !self.done.contains(&one.position)).copied().collect()
        };
        self.jobs.iter().map(|(condition, jobs)| (*condition, left(jobs))).collect()
    }

    /// What was chosen so far.
    pub fn chosen(&self) -> &Chosen {
        &self.chosen
    }

    /// Was anything chosen in this run?
    pub fn has_begun(&self) -> bool {
        self.begun
    }

    /// Has the choice come to its end?
    pub fn is_finished(&self) -> bool {
        self.chosen.finished
    }
}

pub(super) fn ahead<'a>(basis: &'a Basis<'a>, stands: &'a Stands, open: &'a JobsOf) -> Ahead<'a> {
    Ahead {
        forecast: basis.forecast,
        problem: &stands.problem,
        calendar: &stands.calendar,
        from: stands.from,
        last: stands.last,
        open,
        spent_h: stands.spent_h,
        only: stands.only,
        after_doubt_h: &basis.after_doubt_h,
    }
}
