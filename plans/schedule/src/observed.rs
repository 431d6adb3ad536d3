//! Observed durations instead of expected ones: the bench time of what is done, composed in the plan's order
//! with every change-over (whatever order or threads computed it), and what it teaches about the rest.

use super::calendar::{Calendar, HandsOn, Scheduled, walk, walk_from};
use super::cost::Standing;
use super::learned::{Learned, Night, Work};
use super::model::{Job, OrderError, Problem};
use super::remaining::{FinishRange, finish_range, predicted_stretches};

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
    /// What it teaches about the rest.
    pub learned: Learned,
}

/// How the rest of a run joins what is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rest {
    /// In its turn of the order, between jobs that may be done already: a simulated run, or a bench that goes on.
    InTurn,
    /// After a stop: the bench begins again where the last job left it.
    AfterStop,
}

/// Draws for the range of the finish.
const DRAWS: usize = 200;

/// Composes what is done of a sequence: `seconds[k]` is what position `k` took, `None` where it is still to
/// be done (also positions beyond the list). What is learned about the rest begins with what is known `before`; `night`: what the bench's own
/// clock shows of this run, where it has one. Jobs done out of turn are composed in the sequence's order; what is
/// left joins them as `rest` says.
///
/// # Errors
/// Attended hours that never come.
pub fn observe(
    p: &Problem,
    sequence: &[u32],
    seconds: &[Option<JobSeconds>],
    calendar: &Calendar,
    start_min: f64,
    (before, night): (&Learned, Option<&Night>),
    rest: Rest,
) -> Result<Observed, OrderError> {
    let took = |k: usize| seconds.get(k).copied().flatten();
    let known = |j: u32| (j as usize) < p.jobs.len();
    let (mut done, mut left) = (Vec::new(), Vec::new());
    let mut as_observed = without_jobs(p);
    for (k, &j) in sequence.iter().enumerate().filter(|(_, j)| known(**j)) {
        match took(k) {
            Some(took) => {
                as_observed.jobs.push(lasting(p, j, took));
                done.push(j);
            }
            None => left.push(j),
        }
    }
    let scheduled = walk(&as_observed, &positions(&as_observed), calendar, start_min)?;
    let fresh = Standing { now_min: start_min, mounted: None, chamber_c: p.bench.start_c };
    let mut learned = before.clone();
    if let Some(night) = night {
        learned.observe_night(night);
    } else {
        let stretches = predicted_stretches(p, &done, fresh);
        for (expected, observed) in
            stretches.iter().zip(predicted_stretches(&as_observed, &positions(&as_observed), fresh))
        {
            learned.observe_stretch(expected, &observed);
        }
    }
    let standing = Standing {
        now_min: scheduled.finish_min,
        mounted: done.last().map(|&j| p.jobs[j as usize].mounting),
        chamber_c: done.last().map_or(p.bench.start_c, |&j| p.temp_c(p.jobs[j as usize].temperature)),
    };
    if left.is_empty() {
        let at = scheduled.finish_min;
        let finish = FinishRange { p10_min: at, p50_min: at, p90_min: at };
        return Ok(Observed { done: scheduled, left_min: 0.0, finish, moments: Vec::new(), learned });
    }
    let left_min: f64 =
        predicted_stretches(p, &left, standing).iter().map(|m| learned.scaled(m).total()).sum();
    let finish = finish_range(p, &left, calendar, standing, &learned, DRAWS, 1)?;
    let walked = walk_from(p, &left, calendar, standing)?;
    if rest == Rest::AfterStop {
        return Ok(Observed { done: scheduled, left_min, finish, moments: walked.moments, learned });
    }
    let measuring = learned.factor(Work::Measure);
    let mut whole = without_jobs(p);
    let mut is_left = Vec::new();
    for (k, &j) in sequence.iter().enumerate().filter(|(_, j)| known(**j)) {
        let job = p.jobs[j as usize];
        let expected = JobSeconds {
            measuring_s: f64::from(job.measure_s) * measuring,
            training_s: f64::from(job.train_s) * measuring,
        };
        whole.jobs.push(lasting(p, j, took(k).unwrap_or(expected)));
        is_left.push(took(k).is_none());
    }
    let order = positions(&whole);
    let composed = walk(&whole, &order, calendar, start_min)?;
    let work = |scheduled: &Scheduled| scheduled.cost.minutes.total() - scheduled.cost.minutes.waiting;
    let in_turn_min = (work(&composed) - work(&scheduled)).max(0.0);
    // As wide as after a stop, by what is left.
    let share = in_turn_min / left_min.max(f64::MIN_POSITIVE);
    let at = |end: f64| (composed.finish_min + (end - walked.finish_min) * share).max(scheduled.finish_min);
    let finish =
        FinishRange { p10_min: at(finish.p10_min), p50_min: at(finish.p50_min), p90_min: at(finish.p90_min) };
    // A moment belongs to what is left where nothing of its mounting is done.
    let mountings =
        order.chunk_by(|&a, &b| whole.jobs[a as usize].mounting == whole.jobs[b as usize].mounting);
    let moments = mountings
        .zip(composed.moments)
        .filter(|(jobs, _)| jobs.iter().all(|&job| is_left[job as usize]))
        .map(|(_, moment)| moment)
        .collect();
    Ok(Observed { done: scheduled, left_min: in_turn_min, finish, moments, learned })
}

/// The problem with a job for every position, because a job that is measured again may take a different time.
fn without_jobs(p: &Problem) -> Problem {
    Problem {
        bench: p.bench.clone(),
        temperatures_c: p.temperatures_c.clone(),
        mountings: p.mountings.clone(),
        jobs: Vec::new(),
        rules: p.rules.clone(),
    }
}

/// A job that takes these seconds.
fn lasting(p: &Problem, job: u32, took: JobSeconds) -> Job {
    Job { measure_s: took.measuring_s as f32, train_s: took.training_s as f32, ..p.jobs[job as usize] }
}

fn positions(p: &Problem) -> Vec<u32> {
    (0..p.jobs.len() as u32).collect()
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

    /// Observed around the clock, on a bench of which no earlier night is known.
    fn without_nights(p: &Problem, sequence: &[u32], seconds: &[Option<JobSeconds>], rest: Rest) -> Observed {
        observe(p, sequence, seconds, &Calendar::always(), 0.0, (&Learned::new(0.25), None), rest).unwrap()
    }

    #[test]
    fn a_run_that_goes_as_expected_takes_what_was_planned() {
        let p = problem();
        let order = plan_order(&p, Effort::default()).unwrap();
        let seconds = vec![Some(JobSeconds { measuring_s: 300.0, training_s: 3.0 }); order.sequence.len()];
        let all = without_nights(&p, &order.sequence, &seconds, Rest::AfterStop);
        assert!((all.done.cost.minutes.total() - order.cost.minutes.total()).abs() < 1e-6);
        assert_eq!(all.done.cost.changes, order.cost.changes, "the baseline at the end is mounted again");
        assert_eq!(all.left_min, 0.0);
        let none = without_nights(&p, &order.sequence, &[], Rest::AfterStop);
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
        let slow = without_nights(&p, &order.sequence, &seconds, Rest::AfterStop);
        let even: Vec<_> =
            seconds.iter().map(|s| s.map(|_| JobSeconds { measuring_s: 300.0, training_s: 3.0 })).collect();
        let even = without_nights(&p, &order.sequence, &even, Rest::AfterStop);
        assert_eq!(even.moments.len(), order.stretches.len() - 2, "the insertions that are still to come");
        assert_eq!(even.moments[0].mounting, order.stretches[2].mounting);
        assert!(even.moments[0].start_min >= even.done.finish_min);
        assert!(slow.left_min > 1.1 * even.left_min, "{} and {}", slow.left_min, even.left_min);
        assert!(slow.finish.p50_min > even.finish.p50_min);
        assert!((slow.done.cost.minutes.ramps() - even.done.cost.minutes.ramps()).abs() < 1e-9);
    }

    #[test]
    fn what_is_left_joins_what_is_done_out_of_turn() {
        let p = problem();
        let order = plan_order(&p, Effort::default()).unwrap();
        let whole = order.cost.minutes.total();
        let mut seconds = vec![None; order.sequence.len()];
        // Every seventh, then every fifth, as threads may come to them.
        for at in (0..seconds.len()).step_by(7).chain((0..seconds.len()).step_by(5)) {
            seconds[at] = Some(JobSeconds { measuring_s: 300.0, training_s: 3.0 });
            let now = without_nights(&p, &order.sequence, &seconds, Rest::InTurn);
            let sum = now.done.cost.minutes.total() + now.left_min;
            assert!((sum - whole).abs() < 1e-3, "at {at}: {sum} of {whole} min");
            assert!(now.finish.p10_min < whole && whole < now.finish.p90_min, "{:?}", now.finish);
        }
        // A bench that goes on does not soak again.
        let half = order.sequence.len() / 2;
        let took = |k: usize| (k < half).then_some(JobSeconds { measuring_s: 300.0, training_s: 3.0 });
        let seconds: Vec<_> = (0..order.sequence.len()).map(took).collect();
        let left = |rest: Rest| without_nights(&p, &order.sequence, &seconds, rest).left_min;
        assert!(left(Rest::InTurn) <= left(Rest::AfterStop));
    }
}
