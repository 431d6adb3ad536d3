//! What a run teaches about its own speed, and when it will end: a factor for each kind of work, and P10, P50
//! and P90 of the finish through the calendar.

use super::calendar::Calendar;
use super::cost::{Minutes, Standing, Walker};
use super::model::{OrderError, Problem};
use nightbench_core::random::SplitMix64;

/// Kinds of work that share a factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Work {
    /// Hands, mounting check and boot.
    Hands,
    /// Ramps upwards.
    Up,
    /// Ramps downwards.
    Down,
    /// Soak and settling.
    Soak,
    /// Measuring and training.
    Measure,
}

const KINDS: usize = 5;
/// Weight of the prior, in observations.
const PRIOR_COUNT: f64 = 3.0;
/// Spread of single observations before any are known (relative), and its weight in observations (common
/// practice, no source).
const FIRST_NOISE: f64 = 0.10;
const NOISE_COUNT: f64 = 1.0;

/// Factors learned from predicted and observed durations.
///
/// The factor of a kind is exp(sum log(observed / predicted) / (n + 3)): steady from the first stretch on,
/// pulled towards 1 as if by three stretches that went as predicted. That pull is known, so the range of the
/// finish does not repeat it: there the logarithm of a factor has its normal posterior, from a prior with
/// mean 0 and standard deviation of at least 0.25 and the spread of the stretches as observed (`posterior`).
/// Observe one total per stretch and kind, not every job: the jobs of a stretch err together.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    prior_sd: f64,
    n: [f64; KINDS],
    sum: [f64; KINDS],
    square: [f64; KINDS],
}

impl Learned {
    /// Nothing observed yet. `prior_sd`: standard deviation of the logarithm of a factor before observations;
    /// at least 0.25 is used.
    pub fn new(prior_sd: f64) -> Learned {
        let prior_sd = if prior_sd.is_finite() { prior_sd.clamp(0.25, 3.0) } else { 0.25 };
        Learned { prior_sd, n: [0.0; KINDS], sum: [0.0; KINDS], square: [0.0; KINDS] }
    }

    /// Adds one observation, min. Durations that are not positive and finite teach nothing and are left out
    /// (`false`).
    pub fn observe(&mut self, kind: Work, predicted_min: f64, observed_min: f64) -> bool {
        let log = (observed_min / predicted_min).ln();
        if !(predicted_min > 0.0 && observed_min > 0.0 && log.is_finite()) {
            return false;
        }
        let k = kind as usize;
        self.n[k] += 1.0;
        self.sum[k] += log;
        self.square[k] += log * log;
        true
    }

    /// Adds all kinds of one stretch, leaving out those it predicted nothing for.
    pub fn observe_stretch(&mut self, predicted: &Minutes, observed: &Minutes) {
        for (kind, p, o) in [
            (Work::Hands, predicted.hands_on + predicted.boot, observed.hands_on + observed.boot),
            (Work::Up, predicted.ramps_up, observed.ramps_up),
            (Work::Down, predicted.ramps_down, observed.ramps_down),
            (Work::Soak, predicted.soak + predicted.settle, observed.soak + observed.settle),
            (Work::Measure, predicted.measuring + predicted.training, observed.measuring + observed.training),
        ] {
            self.observe(kind, p, o);
        }
    }

    /// The factor for predictions.
    pub fn factor(&self, kind: Work) -> f64 {
        let k = kind as usize;
        (self.sum[k] / (self.n[k] + PRIOR_COUNT)).exp()
    }

    /// Predicted minutes with the factor of each kind; waiting stays as it is.
    pub fn scaled(&self, predicted: &Minutes) -> Minutes {
        let (hands, soak, measure) =
            (self.factor(Work::Hands), self.factor(Work::Soak), self.factor(Work::Measure));
        Minutes {
            measuring: predicted.measuring * measure,
            training: predicted.training * measure,
            ramps_up: predicted.ramps_up * self.factor(Work::Up),
            ramps_down: predicted.ramps_down * self.factor(Work::Down),
            soak: predicted.soak * soak,
            settle: predicted.settle * soak,
            hands_on: predicted.hands_on * hands,
            boot: predicted.boot * hands,
            waiting: predicted.waiting,
        }
    }

    /// Mean and standard deviation of the logarithm of the factor, given what was observed.
    pub fn posterior(&self, kind: Work) -> (f64, f64) {
        let k = kind as usize;
        let noise = self.noise(kind).powi(2);
        let weight = self.n[k] + noise / (self.prior_sd * self.prior_sd);
        (self.sum[k] / weight, (noise / weight).sqrt())
    }

    /// Spread of a single stretch around the factor (standard deviation of the logarithm).
    pub fn noise(&self, kind: Work) -> f64 {
        let k = kind as usize;
        let about_mean =
            if self.n[k] > 0.0 { self.square[k] - self.sum[k] * self.sum[k] / self.n[k] } else { 0.0 };
        let count = (self.n[k] - 1.0).max(0.0) + NOISE_COUNT;
        ((about_mean.max(0.0) + NOISE_COUNT * FIRST_NOISE * FIRST_NOISE) / count).sqrt()
    }
}

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
    let zero = Minutes::default();
    // a - (0 - b) is a + b.
    stages(p, sequence, from).iter().map(|s| s.work.minus(&zero.minus(&s.leave))).collect()
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
    let kinds = [Work::Hands, Work::Up, Work::Down, Work::Soak, Work::Measure];
    let mut ends = Vec::with_capacity(draws.max(50));
    let mut noise = [0.0; KINDS];
    for k in kinds {
        noise[k as usize] = learned.noise(k);
    }
    for _ in 0..draws.max(50) {
        let mut factor = [1.0; KINDS];
        for k in kinds {
            let (mean, sd) = learned.posterior(k);
            factor[k as usize] = (mean + sd * normal(&mut rng)).exp();
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
