//! What a plan with predictions will take from here on: the walk on a bench on which every margin that was not measured is as the model
//! has it by now; before anything is measured, as the channel model expects. A real one differs, and then more is measured.

use super::ahead::{JobsOf, in_order};
use super::choosing::{Basis, Stands, ahead};
use super::note::{Chosen, chosen_so_far};
use crate::console::exit::Failure;
use crate::run::known::Known;
use crate::run::pending::PendingJob;
use crate::store::StoreReader;
use judge::prediction::{Clock, Known as Found, Walk};
use schedule::{Calendar, JobSeconds};
use serde::Serialize;
use std::collections::{BTreeSet, HashSet};

/// Hours of the bench at work, and conditions, of all that the plan has.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Foreseen {
    /// Every module and channel at its extremes, and the blocks drawn at random.
    pub mandatory_hours: f64,
    pub mandatory_conditions: usize,
    /// The walk where the model is right.
    pub hours: f64,
    pub conditions: usize,
    /// Everything.
    pub whole_hours: f64,
    pub whole_conditions: usize,
}

/// What a run has come to.
pub struct SoFar<'a, 'p> {
    pub chosen: &'a Chosen,
    pub known: &'a Known<'p>,
    /// Places of the jobs that have a result.
    pub done: &'a HashSet<u64>,
    /// What jobs took, by place.
    pub seconds: &'a [Option<JobSeconds>],
}

/// The walk from here on, visit by visit.
pub struct Foretold<'b> {
    basis: &'b Basis<'b>,
    walk: Walk<'b>,
    jobs: JobsOf,
    stands: Stands,
    /// Conditions that the walk has heard of.
    heard: BTreeSet<u32>,
    /// Chosen before, and not done yet.
    due: Vec<PendingJob>,
}

impl<'b> Foretold<'b> {
    /// `all`: every job of the plan. Without anything done it begins.
    pub fn new(basis: &'b Basis<'b>, all: &[PendingJob], so_far: Option<SoFar<'_, '_>>) -> Foretold<'b> {
        let mut jobs = JobsOf::new();
        for one in all {
            jobs.entry(one.job.condition).or_default().push(*one);
        }
        let (walk, stands) = (basis.walk(), basis.begin());
        let mut foretold = Foretold { basis, walk, jobs, stands, heard: BTreeSet::new(), due: Vec::new() };
        if let Some(so_far) = so_far {
            let mut chosen = so_far.chosen.clone();
            chosen.go_on(&foretold.jobs, so_far.done);
            foretold.go_on(&chosen, &so_far);
        }
        foretold
    }

    /// From what a folder holds: every job of the plan is done but for those that are pending.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn of_folder(
        basis: &'b Basis<'b>,
        (all, pending): (&[PendingJob], &[PendingJob]),
        reader: &StoreReader,
        (known, seconds): (&Known<'_>, &[Option<JobSeconds>]),
    ) -> Result<Foretold<'b>, Failure> {
        let open: HashSet<u64> = pending.iter().map(|one| one.position).collect();
        let done = all.iter().map(|one| one.position).filter(|place| !open.contains(place)).collect();
        let chosen = chosen_so_far(reader, basis.marks())?;
        Ok(Foretold::new(basis, all, Some(SoFar { chosen: &chosen, known, done: &done, seconds })))
    }

    fn go_on(&mut self, chosen: &Chosen, so_far: &SoFar<'_, '_>) {
        let is_done = |one: &PendingJob| so_far.done.contains(&one.position);
        for visit in &chosen.visits {
            let (done, open): (Vec<PendingJob>, Vec<PendingJob>) =
                visit.jobs(&self.jobs).into_iter().partition(is_done);
            let open_conditions: BTreeSet<u32> = open.iter().map(|one| one.job.condition).collect();
            for condition in visit.conditions.iter().filter(|one| !open_conditions.contains(one)) {
                let found = so_far.known.alone(*condition).and_then(|judged| Found::of(&judged));
                self.walk.took(*condition, found);
                self.heard.insert(*condition);
            }
            self.stands.visited(visit.because, (self.basis, &done), so_far.seconds, 1.0);
            self.due.extend(open);
        }
        let jobs = self.jobs.values_mut();
        jobs.for_each(|jobs| jobs.retain(|one| !is_done(one)));
    }

    /// Jobs of the next visit, in their order; `None` at the end.
    pub fn visit(&mut self) -> Option<Vec<PendingJob>> {
        let due = std::mem::take(&mut self.due);
        if !due.is_empty() {
            let conditions: BTreeSet<u32> = due.iter().map(|one| one.job.condition).collect();
            // It learns what is known before it says what it expects.
            let _ = self.walk.next(self.stands.condition, &ahead(self.basis, &self.stands, &self.jobs));
            self.take(&conditions.into_iter().collect::<Vec<u32>>(), &due);
            return Some(due);
        }
        let visit = self.walk.next(self.stands.condition, &ahead(self.basis, &self.stands, &self.jobs))?;
        if visit.conditions.iter().all(|one| self.heard.contains(one)) {
            return None;
        }
        let now = in_order(&self.jobs, &visit.conditions);
        self.take(&visit.conditions, &now);
        Some(now)
    }

    fn take(&mut self, conditions: &[u32], jobs: &[PendingJob]) {
        for (condition, expected) in self.walk.expects(conditions) {
            self.walk.took(condition, Some(expected));
            self.heard.insert(condition);
            self.jobs.remove(&condition);
        }
        self.stands.did(self.basis, jobs, &[], 1.0);
    }

    /// Every job that is still to come, and the bench hours until then, waiting for attended hours included.
    pub fn rest_hours(mut self) -> (Vec<PendingJob>, f64) {
        let (mut rest, before_h) = (Vec::new(), self.stands.spent_h);
        while let Some(jobs) = self.visit() {
            rest.extend(jobs);
        }
        (rest, self.stands.spent_h - before_h)
    }

    /// Every job that is still to come.
    pub fn rest(self) -> Vec<PendingJob> {
        self.rest_hours().0
    }
}

/// Works it out before anything is measured. `all`: every job of the plan.
pub fn foreseen(basis: &Basis<'_>, all: &[PendingJob]) -> Foreseen {
    let mut foretold = Foretold::new(basis, all, None);
    // Waiting for attended hours is no work of the bench.
    let mut work = Stands { calendar: Calendar::always(), ..basis.begin() };
    let must = foretold.walk.must();
    let mandatory_hours = ahead(basis, &work, &foretold.jobs).hours(&must);
    let whole = basis.forecast().schedule.hours();
    let mut measured: BTreeSet<u32> = BTreeSet::new();
    while let Some(jobs) = foretold.visit() {
        work.did(basis, &jobs, &[], 1.0);
        measured.extend(jobs.iter().map(|one| one.job.condition));
    }
    Foreseen {
        mandatory_hours,
        mandatory_conditions: must.len(),
        hours: work.spent_h,
        conditions: measured.len(),
        whole_hours: whole.total - whole.waiting,
        whole_conditions: basis.forecast().expansion.conditions.len(),
    }
}
