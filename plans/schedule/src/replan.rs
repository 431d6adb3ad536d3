//! Plans the rest of a run again when reality departs from the plan: slower or faster work, setups given up,
//! missed mornings.

use super::calendar::{Calendar, Scheduled, walk_from};
use super::cost::{Standing, with_references};
use super::learned::{Learned, Work};
use super::model::{BenchTimes, OrderError, Problem, Rules};
use super::nights::{CalendarEffort, plan_calendar};
use super::stretches::{Effort, plan_order};
use nightbench_core::text::counted;

/// What is known of a run in progress.
#[derive(Debug, Clone)]
pub struct Reality<'a> {
    /// Mountings given up (for example after repeated failures of the mounting check): their jobs are left
    /// out.
    pub given_up: &'a [u32],
    /// Where the run stands.
    pub standing: Standing,
    /// Factors learned so far.
    pub learned: &'a Learned,
}

/// The order of what is left.
#[derive(Debug, Clone, PartialEq)]
pub struct Replan {
    /// Job indices in order, walked through the calendar with the learned durations.
    pub schedule: Scheduled,
    /// Finish of the remaining plan if it were kept, min.
    pub kept_finish_min: f64,
    /// Does the order differ from the remaining plan?
    pub changed: bool,
    /// What changed and why, for the log; empty where nothing did.
    pub words: String,
}

/// Least gain for which the operator's list changes, min: people plan their day by it.
const WORTH_MIN: f64 = 15.0;

/// Plans the remaining jobs again. `left` is what is still to be done in the order planned so far. The plan
/// is kept unless another ends at least a quarter of an hour sooner (or saves a hands-on change's price), or
/// mountings were given up.
///
/// # Errors
/// Attended hours that never come.
pub fn replan(
    p: &Problem,
    left: &[u32],
    reality: &Reality<'_>,
    calendar: &Calendar,
    effort: Effort,
    nights: CalendarEffort,
) -> Result<Replan, OrderError> {
    let mounting = |j: u32| p.jobs[j as usize].mounting;
    let kept: Vec<u32> = left
        .iter()
        .copied()
        .filter(|&j| (j as usize) < p.jobs.len() && !reality.given_up.contains(&mounting(j)))
        .collect();
    // The same jobs on a bench as it turned out to be.
    let real = Problem { bench: real_bench(&p.bench, reality), ..scaled(p, reality.learned) };
    let keep = walk_from(&real, &kept, calendar, reality.standing)?;
    let mut best = keep.clone();
    let (body, tail) = without_baseline_again(p, &kept);
    if !body.is_empty() {
        let (small, jobs) = remaining_problem(&real, body)?;
        let order = plan_order(&small, effort)?;
        let candidates = [order.sequence.clone(), {
            plan_calendar(&small, &order, calendar, reality.standing.now_min, nights)?.sequence
        }];
        for candidate in candidates {
            let mut sequence: Vec<u32> = candidate.iter().map(|&k| jobs[k as usize]).collect();
            // What is mounted goes on first where nothing forbids it: inserting it again later costs one more
            // change.
            if let Some(mounted) = reality.standing.mounted
                && p.rules.before.iter().all(|(_, after)| *after != mounted)
            {
                let (mut first, rest): (Vec<u32>, Vec<u32>) =
                    sequence.iter().partition(|&&j| mounting(j) == mounted);
                first.extend(rest);
                sequence = first;
            }
            sequence.extend(tail);
            let sequence = with_reference_jobs(p, sequence);
            let trial = walk_from(&real, &sequence, calendar, reality.standing)?;
            if score(&real, &trial) < score(&real, &best) {
                best = trial;
            }
        }
    }
    let gain = score(&real, &keep) - score(&real, &best);
    let given_up = kept.len() < left.len();
    if gain < WORTH_MIN {
        best = keep.clone();
    }
    let changed = best.sequence != left;
    let mut words = Vec::new();
    if given_up {
        words.push(format!("left out {} of setups given up", counted(left.len() - kept.len(), "job")));
    }
    if gain >= WORTH_MIN {
        words.push(format!(
            "the rest is planned anew: the end moves by {:+.0} min, {} hands-on changes instead of {}",
            best.finish_min - keep.finish_min,
            best.cost.changes,
            keep.cost.changes
        ));
    }
    Ok(Replan { schedule: best, kept_finish_min: keep.finish_min, changed, words: words.join("; ") })
}

fn score(p: &Problem, s: &Scheduled) -> f64 {
    s.finish_min + p.bench.price_min * f64::from(s.cost.changes)
}

/// The bench with the learned factors, its chamber where it is now.
fn real_bench(bench: &BenchTimes, reality: &Reality<'_>) -> BenchTimes {
    let f = |kind| reality.learned.factor(kind);
    let (hands, soak) = (f(Work::Hands), f(Work::Soak));
    let chamber = reality.standing.chamber_c;
    BenchTimes {
        ramp_up_c_per_min: bench.ramp_up_c_per_min / f(Work::Up),
        ramp_down_c_per_min: bench.ramp_down_c_per_min / f(Work::Down),
        soak_s: bench.soak_s * soak,
        settle_s: bench.settle_s * soak,
        supply_change_s: bench.supply_change_s * soak,
        rate_change_s: bench.rate_change_s * soak,
        hands_module_min: bench.hands_module_min * hands,
        hands_channel_min: bench.hands_channel_min * hands,
        boot_s: bench.boot_s * hands,
        mounting_check_s: bench.mounting_check_s * hands,
        start_c: if chamber.is_finite() { chamber } else { bench.start_c },
        ..bench.clone()
    }
}

fn scaled(p: &Problem, learned: &Learned) -> Problem {
    let factor = learned.factor(Work::Measure) as f32;
    let mut scaled = p.clone();
    for job in &mut scaled.jobs {
        job.measure_s *= factor;
        job.train_s *= factor;
    }
    scaled
}

/// A problem of the remaining jobs alone (each once), and the job each of its jobs is.
fn remaining_problem(p: &Problem, kept: &[u32]) -> Result<(Problem, Vec<u32>), OrderError> {
    let mut seen = vec![false; p.jobs.len()];
    let jobs: Vec<u32> =
        kept.iter().copied().filter(|&j| !std::mem::replace(&mut seen[j as usize], true)).collect();
    let mut number = vec![u32::MAX; p.mountings.len()];
    let mut mountings = Vec::new();
    let mut list = Vec::with_capacity(jobs.len());
    for &j in &jobs {
        let mut job = p.jobs[j as usize];
        let old = job.mounting as usize;
        if number[old] == u32::MAX {
            number[old] = mountings.len() as u32;
            mountings.push(p.mountings[old]);
        }
        job.mounting = number[old];
        list.push(job);
    }
    let there = |m: u32| Some(number[m as usize]).filter(|&m| m != u32::MAX);
    let mut before: Vec<(u32, u32)> =
        p.rules.before.iter().filter_map(|&(a, b)| there(a).zip(there(b))).collect();
    if let Some(base) = p.rules.baseline.and_then(there) {
        before.extend((0..mountings.len() as u32).filter(|&m| m != base).map(|m| (base, m)));
    }
    // The baseline's measurement at the end and the reference jobs are put back afterwards.
    let rules = Rules {
        cold_first: p.rules.cold_first,
        baseline: None,
        reference: None,
        before,
        hold_temperature: p.rules.hold_temperature,
    };
    let small = Problem {
        bench: p.bench.clone(),
        temperatures_c: p.temperatures_c.clone(),
        mountings,
        jobs: list,
        rules: Rules::default(),
    };
    Ok((small.with_rules(rules)?, jobs))
}

/// What is left without the baseline's measurement at the very end, and that measurement.
fn without_baseline_again<'k>(p: &Problem, kept: &'k [u32]) -> (&'k [u32], Option<u32>) {
    match (p.rules.baseline, kept.split_last()) {
        (Some(base), Some((last, body)))
            if p.jobs[*last as usize].mounting == base && p.mountings.len() > 1 =>
        {
            (body, Some(*last))
        }
        _ => (kept, None),
    }
}

/// The reference job where it is due; it stays where it is still to be measured for itself.
fn with_reference_jobs(p: &Problem, sequence: Vec<u32>) -> Vec<u32> {
    if p.rules.reference.is_none() {
        return sequence;
    }
    let rules = Rules { baseline: None, ..p.rules.clone() };
    with_references(&Problem { rules, ..p.clone() }, sequence)
}

#[cfg(test)]
#[path = "replan_tests.rs"]
mod tests;
