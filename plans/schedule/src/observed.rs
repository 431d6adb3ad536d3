//! Observed durations instead of expected ones: the bench time of what is done, composed in the plan's order
//! with every change-over (whatever order or threads computed it), and what it teaches about the rest.

use super::calendar::{Calendar, HandsOn, Scheduled, walk, walk_from};
use super::cost::Standing;
use super::model::{OrderError, Problem};
use super::remaining::{FinishRange, Learned, finish_range, predicted_stretches};

#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct JobSeconds {
    pub measuring_s: f64,
    pub training_s: f64,
}

/// A run that is partly done.
#[derive(Debug, Clone, PartialEq)]
pub struct Observed {
    /// What is done, walked through the calendar with the durations observed.
    pub done: Scheduled,
    /// Minutes of work that are left (waiting for attended hours left out), as expected now.
    pub left_min: f64,
    /// When the run ends; where nothing is left, the end of what is done.
    pub finish: FinishRange,
    /// The hands-on moments still to come, every step taking its expected time.
    pub moments: Vec<HandsOn>,
}

/// Draws for the range of the finish.
const DRAWS: usize = 200;

/// Composes what is done of a sequence: `seconds[k]` is what position `k` took, `None` where it is still to
/// be done (also positions beyond the list). Jobs done out of turn are composed in the sequence's order; so
/// are those that are left.
///
/// # Errors
/// Attended hours that never come.
pub fn observe(
    p: &Problem,
    sequence: &[u32],
    seconds: &[Option<JobSeconds>],
    calendar: &Calendar,
    start_min: f64,
    prior: &Learned,
) -> Result<Observed, OrderError> {
    let took = |k: usize| seconds.get(k).copied().flatten();
    let known = |j: u32| (j as usize) < p.jobs.len();
    let (mut done, mut left) = (Vec::new(), Vec::new());
    // Every position becomes a job of its own, because a job that is measured again may take a different
    // time.
    let mut as_observed = Problem {
        bench: p.bench.clone(),
        temperatures_c: p.temperatures_c.clone(),
        mountings: p.mountings.clone(),
        jobs: Vec::new(),
        rules: p.rules.clone(),
    };
    for (k, &j) in sequence.iter().enumerate().filter(|(_, j)| known(**j)) {
        match took(k) {
            Some(took) => {
                let mut job = p.jobs[j as usize];
                job.measure_s = took.measuring_s as f32;
                job.train_s = took.training_s as f32;
                as_observed.jobs.push(job);
                done.push(j);
            }
            None => left.push(j),
        }
    }
    let order: Vec<u32> = (0..as_observed.jobs.len() as u32).collect();
    let scheduled = walk(&as_observed, &order, calendar, start_min)?;
    let fresh = Standing { now_min: start_min, mounted: None, chamber_c: p.bench.start_c };
    let mut learned = prior.clone();
    let stretches = predicted_stretches(p, &done, fresh);
    for (expected, observed) in stretches.iter().zip(predicted_stretches(&as_observed, &order, fresh)) {
        learned.observe_stretch(expected, &observed);
    }
    let standing = Standing {
        now_min: scheduled.finish_min,
        mounted: done.last().map(|&j| p.jobs[j as usize].mounting),
        chamber_c: done.last().map_or(p.bench.start_c, |&j| p.temp_c(p.jobs[j as usize].temperature)),
    };
    if left.is_empty() {
        let at = scheduled.finish_min;
        let finish = FinishRange { p10_min: at, p50_min: at, p90_min: at };
        return Ok(Observed { done: scheduled, left_min: 0.0, finish, moments: Vec::new() });
    }
    let left_min = predicted_stretches(p, &left, standing).iter().map(|m| learned.scaled(m).total()).sum();
    let finish = finish_range(p, &left, calendar, standing, &learned, DRAWS, 1)?;
    let moments = walk_from(p, &left, calendar, standing)?.moments;
    Ok(Observed { done: scheduled, left_min, finish, moments })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stretches::{Effort, plan_order};
    use crate::{BenchTimes, JobInput, Rules};

    fn problem() -> Problem {
        let mut jobs = Vec::new();
        for (module, temperature, rate) in
            (0..4u32).flat_map(|m| (0..3u16).flat_map(move |t| (0..5u16).map(move |r| (m, t, r))))
        {
            jobs.push(JobInput {
                module,
                channel: module / 2,
                mounting_number: 0,
                temperature,
                supply: 0,
                rate,
                measure_s: 300.0,
                train_s: 3.0,
                held: false,
            });
        }
        let p = Problem::new(BenchTimes::default(), vec![-20.0, 25.0, 85.0], &jobs).unwrap();
        p.with_rules(Rules { baseline: Some(0), ..Rules::default() }).unwrap()
    }

    #[test]
    fn a_run_that_goes_as_expected_takes_what_was_planned() {
        let p = problem();
        let order = plan_order(&p, Effort::default()).unwrap();
        let seconds = vec![Some(JobSeconds { measuring_s: 300.0, training_s: 3.0 }); order.sequence.len()];
        let always = Calendar::always();
        let all = observe(&p, &order.sequence, &seconds, &always, 0.0, &Learned::new(0.25)).unwrap();
        assert!((all.done.cost.minutes.total() - order.cost.minutes.total()).abs() < 1e-6);
        assert_eq!(all.done.cost.changes, order.cost.changes, "the baseline at the end is mounted again");
        assert_eq!(all.left_min, 0.0);
        let none = observe(&p, &order.sequence, &[], &always, 0.0, &Learned::new(0.25)).unwrap();
        assert_eq!(none.done.cost.minutes.total(), 0.0);
        assert!((none.left_min - order.cost.minutes.total()).abs() < 1e-6);
        assert!(
            none.finish.p10_min < order.cost.minutes.total()
                && order.cost.minutes.total() < none.finish.p90_min
        );
    }

    #[test]
    fn slow_measuring_lengthens_what_is_left() {
        let p = problem();
        let order = plan_order(&p, Effort::default()).unwrap();
        let half = order.stretches[2].first;
        let took = |k: usize| (k < half).then_some(JobSeconds { measuring_s: 600.0, training_s: 6.0 });
        let seconds: Vec<_> = (0..order.sequence.len()).map(took).collect();
        let slow =
            observe(&p, &order.sequence, &seconds, &Calendar::always(), 0.0, &Learned::new(0.25)).unwrap();
        let even: Vec<_> =
            seconds.iter().map(|s| s.map(|_| JobSeconds { measuring_s: 300.0, training_s: 3.0 })).collect();
        let even =
            observe(&p, &order.sequence, &even, &Calendar::always(), 0.0, &Learned::new(0.25)).unwrap();
        assert_eq!(even.moments.len(), order.stretches.len() - 2, "the insertions that are still to come");
        assert_eq!(even.moments[0].mounting, order.stretches[2].mounting);
        assert!(even.moments[0].start_min >= even.done.finish_min);
        assert!(slow.left_min > 1.1 * even.left_min, "{} and {}", slow.left_min, even.left_min);
        assert!(slow.finish.p50_min > even.finish.p50_min);
        assert!((slow.done.cost.minutes.ramps() - even.done.cost.minutes.ramps()).abs() < 1e-9);
    }
}
