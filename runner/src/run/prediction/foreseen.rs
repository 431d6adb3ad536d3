//! What a plan with predictions will take, before anything runs: the walk on a bench on which every margin is as the channel model
//! expects. A real one differs, and then more is measured.

use super::ahead::{JobsOf, in_order};
use super::choosing::{Basis, Stands, ahead};
use crate::run::pending::PendingJob;
use judge::prediction::{Asked, Clock, Known, Reading};
use schedule::Calendar;
use serde::Serialize;
use std::collections::BTreeSet;

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

/// A margin as the model has it is read with this standard uncertainty, share of the unit interval or of VDDQ (an estimate: a tap is
/// 0.03 unit intervals).
const READ_TO: f64 = 0.01;

/// Works it out. `all`: every job of the plan.
pub fn foreseen(basis: &Basis<'_>, all: &[PendingJob]) -> Foreseen {
    let mut jobs = JobsOf::new();
    for one in all {
        jobs.entry(one.job.condition).or_default().push(*one);
    }
    let mut walk = basis.walk();
    let mut stands = basis.begin();
    // Waiting for attended hours is no work of the bench.
    let mut work = Stands { calendar: Calendar::always(), ..basis.begin() };
    let field = basis.field();
    let must: Vec<u32> = {
        let mandatory = walk.mandatory();
        let own = field.points.iter().filter(|point| mandatory.contains(point.block()));
        let mut must: Vec<(u32, u16, u32)> =
            own.map(|point| (point.setup, point.temperature, point.condition)).collect();
        must.sort_unstable();
        must.into_iter().map(|(.., condition)| condition).collect()
    };
    let mandatory_hours = ahead(basis, &work, &jobs).hours(&must);
    let whole = basis.forecast().schedule.hours();
    let mut measured: BTreeSet<u32> = BTreeSet::new();
    loop {
        let open: JobsOf = jobs
            .iter()
            .filter(|(condition, _)| !measured.contains(condition))
            .map(|(condition, jobs)| (*condition, jobs.clone()))
            .collect();
        let visit = walk.next(stands.condition, &ahead(basis, &stands, &open));
        let Some(visit) = visit.filter(|visit| visit.conditions.iter().any(|one| !measured.contains(one)))
        else {
            break;
        };
        for condition in &visit.conditions {
            let reading = |asked: &Asked| {
                let value = asked.expected.share * asked.whole;
                let closed = value <= 0.0;
                let u = READ_TO * asked.whole;
                Reading { quantity: asked.quantity, value, u, at_least: false, closed }
            };
            let known = Known::Read(field.asked[*condition as usize].iter().map(reading).collect());
            walk.took(*condition, Some(known));
        }
        let done = in_order(&jobs, &visit.conditions);
        stands.did(basis, &done, &[], 1.0);
        work.did(basis, &done, &[], 1.0);
        measured.extend(visit.conditions);
    }
    Foreseen {
        mandatory_hours,
        mandatory_conditions: must.len(),
        hours: work.spent_h,
        conditions: measured.len(),
        whole_hours: whole.total - whole.waiting,
        whole_conditions: field.points.len(),
    }
}
