//! When a run will end: P10, P50 and P90 of its finish through the calendar, each kind of work as fast as was learned.

use super::calendar::Calendar;
use super::cost::{Minutes, Standing, Walker};
use super::learned::{KINDS, Learned, Possible, Work};
use super::model::{OrderError, Problem};
use nightbench_core::random::SplitMix64;

/// When the run ends, minutes since 1970-01-01 local.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FinishRange {
    /// One in ten runs ends before this.
    pub p10_min: f64,
    /// Half of them end before this.
    pub p50_min: f64,
    /// Nine in ten end before this.
    pub p90_min: f64,
}

/// Predicted minutes of each remaining stretch: what comes before its hands, and what comes with and after
/// them.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stage {
    leave: Minutes,
    work: Minutes,
    change: bool,
}

fn stages(p: &Problem, sequence: &[u32], from: Standing) -> Vec<Stage> {
    let mut w = Walker::standing(p, from);
    let known: Vec<u32> = sequence.iter().copied().filter(|&j| (j as usize) < p.jobs.len()).collect();
    let mut out = Vec::new();
    for run in known.chunk_by(|&a, &b| p.jobs[a as usize].mounting == p.jobs[b as usize].mounting) {
        let mounting = p.jobs[run[0] as usize].mounting;
        let change = w.mounted != Some(mounting);
        let before = w.cost.minutes;
        if change {
            w.leave();
        }
        let left = w.cost.minutes;
        if change {
            w.fit(mounting);
        }
        run.iter().for_each(|&j| w.measure(j));
        out.push(Stage { leave: left.minus(&before), work: w.cost.minutes.minus(&left), change });
    }
    out
}

/// Predicted minutes of each insertion of a sequence from a standing start, the way to the touch-safe band
/// before it included: what [`Learned::observe_stretch`] is to be given beside the observed ones.
pub fn predicted_stretches(p: &Problem, sequence: &[u32], from: Standing) -> Vec<Minutes> {
    stages(p, sequence, from).iter().map(|s| s.work + s.leave).collect()
}

/// P10, P50 and P90 of the finish of the remaining jobs through the calendar. Factors and the spread of
/// stretches are drawn `draws` times from `seed` (at least 50 draws). Error: attended hours that never come.
pub fn finish_range(
    p: &Problem,
    sequence: &[u32],
    calendar: &Calendar,
    from: Standing,
    learned: &Learned,
    draws: usize,
    seed: u64,
) -> Result<FinishRange, OrderError> {
    let stages = stages(p, sequence, from);
    let mut rng = SplitMix64::new(seed);
    let mut ends = Vec::with_capacity(draws.max(50));
    let noise = Work::ALL.map(|kind| learned.noise(kind));
    let possible = Work::ALL.map(|kind| learned.possible(kind));
    for _ in 0..draws.max(50) {
        let mut factor = [1.0; KINDS];
        for (factor, possible) in factor.iter_mut().zip(&possible) {
            let Possible { mean, sd, .. } = drawn(possible, &mut rng);
            *factor = (mean + sd * normal(&mut rng)).exp();
        }
        ends.push(through(&stages, calendar, from.now_min, |k| {
            let k = k as usize;
            factor[k] * (noise[k] * normal(&mut rng)).exp()
        })?);
    }
    ends.sort_by(f64::total_cmp);
    let at = |q: f64| {
        let x = q * (ends.len() - 1) as f64;
        let (lo, part) = (x.floor() as usize, x.fract());
        let hi = (lo + 1).min(ends.len() - 1);
        ends[lo] + part * (ends[hi] - ends[lo])
    };
    Ok(FinishRange { p10_min: at(0.1), p50_min: at(0.5), p90_min: at(0.9) })
}

/// One of the distributions that are possible, by their weights.
fn drawn(possible: &[Possible], rng: &mut SplitMix64) -> Possible {
    let mut left = if possible.len() > 1 { rng.unit() } else { 0.0 };
    for one in possible {
        left -= one.weight;
        if left <= 0.0 {
            return *one;
        }
    }
    possible[possible.len() - 1]
}

/// Walks the stages through the calendar with every kind's minutes multiplied by `factor(kind)`, asked again
/// for each stretch.
fn through(
    stages: &[Stage],
    calendar: &Calendar,
    now_min: f64,
    mut factor: impl FnMut(Work) -> f64,
) -> Result<f64, OrderError> {
    let mut t = now_min;
    for s in stages {
        let (up, down) = (factor(Work::Up), factor(Work::Down));
        t += s.leave.ramps_up * up + s.leave.ramps_down * down;
        if s.change {
            let need = (s.work.hands_on + s.work.boot) * factor(Work::Hands);
            t = calendar.next_attended(t, need)?.0 + need;
        }
        t += s.work.ramps_up * up
            + s.work.ramps_down * down
            + (s.work.soak + s.work.settle) * factor(Work::Soak)
            + (s.work.measuring + s.work.training) * factor(Work::Measure);
    }
    Ok(t)
}

/// Standard normal (source: Box and Muller, Ann. Math. Stat. 29 (1958) 610).
fn normal(rng: &mut SplitMix64) -> f64 {
    let r = (-2.0 * (1.0 - rng.unit()).ln()).sqrt();
    r * (std::f64::consts::TAU * rng.unit()).cos()
}

#[cfg(test)]
#[path = "remaining_tests.rs"]
mod tests;
