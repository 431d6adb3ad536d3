//! Training failures of two runs: which appeared or disappeared, and the failure rates over starts.

use super::Pair;
use crate::judged::{JudgedCondition, JudgedRun};
use nightbench_core::condition::ConditionState;
use serde::Serialize;
use statistics::proportion::exact_interval;
use statrs::function::gamma::ln_gamma;

/// Failed starts of a run with the exact 95 % interval of their rate (Clopper and Pearson).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FailureRate {
    /// Failed starts.
    pub failed: u64,
    pub starts: u64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

impl FailureRate {
    /// Of so many failed starts.
    pub fn new(failed: u64, starts: u64) -> FailureRate {
        // Without a start anything is possible.
        let (lower, upper) = exact_interval(failed, starts, 0.95).map_or((0.0, 1.0), |i| (i.lower, i.upper));
        FailureRate { failed, starts, lower, upper }
    }
}

/// A condition whose training changed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrainingChange {
    /// Condition.
    pub name: String,
    /// Failed of all starts, before and after.
    pub before: (u64, u64),
    /// See `before`.
    pub after: (u64, u64),
    /// It fails now and did not before.
    pub appeared: bool,
}

/// Failed starts and starts of a condition; jobs that were not measured are no starts.
pub(super) fn starts(judged: &JudgedCondition) -> (u64, u64) {
    let failed = match judged.state {
        ConditionState::TrainingFailed => judged.jobs.iter().filter(|job| !job.trained).count(),
        _ => 0,
    };
    let passed = judged.jobs.iter().filter(|job| job.trained).count();
    (failed as u64, (failed + passed) as u64)
}

/// Compares the pairs: changes, rates of both, and p that the rate did not rise.
pub(super) fn compare(
    before: &JudgedRun,
    after: &JudgedRun,
    pairs: &[Pair],
) -> (Vec<TrainingChange>, (FailureRate, FailureRate), f64) {
    let (mut changes, mut old_sum, mut new_sum) = (Vec::new(), (0, 0), (0, 0));
    for pair in pairs {
        let (Some(old), Some(new)) = (before.conditions.get(pair.before), after.conditions.get(pair.after))
        else {
            continue;
        };
        let (was, is) = (starts(old), starts(new));
        old_sum = (old_sum.0 + was.0, old_sum.1 + was.1);
        new_sum = (new_sum.0 + is.0, new_sum.1 + is.1);
        if was.1 > 0 && is.1 > 0 && (was.0 > 0) != (is.0 > 0) {
            changes.push(TrainingChange {
                name: old.name.clone(),
                before: was,
                after: is,
                appeared: is.0 > 0,
            });
        }
    }
    changes.sort_by(|a, b| b.appeared.cmp(&a.appeared).then(a.name.cmp(&b.name)));
    let rates = (FailureRate::new(old_sum.0, old_sum.1), FailureRate::new(new_sum.0, new_sum.1));
    (changes, rates, fisher_rise(old_sum, new_sum))
}

/// One-sided p of Fisher's exact test: at least so many of all failures in the second sample, given equal rates.
pub(super) fn fisher_rise((a, n): (u64, u64), (b, m): (u64, u64)) -> f64 {
    let all = a + b;
    if all == 0 || n == 0 || m == 0 {
        return 1.0;
    }
    let ln_choose =
        |n: u64, k: u64| ln_gamma(n as f64 + 1.0) - ln_gamma(k as f64 + 1.0) - ln_gamma((n - k) as f64 + 1.0);
    let total = ln_choose(n + m, all);
    (b..=all.min(m))
        .filter(|second| all - second <= n)
        .map(|second| (ln_choose(m, second) + ln_choose(n, all - second) - total).exp())
        .sum::<f64>()
        .min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_have_exact_intervals() {
        // Clopper-Pearson, 4 of 20 at 95 %: 0.0573340 .. 0.4366140 (scipy).
        let rate = FailureRate::new(4, 20);
        assert!((rate.lower - 0.057_334_0).abs() < 1e-6 && (rate.upper - 0.436_614_0).abs() < 1e-6);
        let none = FailureRate::new(0, 59);
        assert_eq!(none.lower, 0.0);
        assert!((none.upper - (1.0 - 0.025f64.powf(1.0 / 59.0))).abs() < 1e-9);
        assert_eq!(FailureRate::new(0, 0).upper, 1.0);
    }

    #[test]
    fn a_rise_of_the_failure_rate_is_tested_exactly() {
        // Lady tasting tea, 3 of 4 against 1 of 4: p = 17/70 (Fisher 1935).
        assert!((fisher_rise((1, 4), (3, 4)) - 17.0 / 70.0).abs() < 1e-12);
        assert_eq!(fisher_rise((0, 10), (0, 10)), 1.0);
    }
}
