//! Training failures of two runs: which appeared or disappeared, and the failure rates over starts. The starts of a mounting
//! share its contacts, so that whole mountings are counted and permuted, never single starts.

use super::Pair;
use crate::judged::{JudgedCondition, JudgedRun};
use plan::matrix::Factor;
use serde::Serialize;
use statistics::clustered::{Cluster, Stratum, clustered_rate, permuted_rise};
use statistics::proportion::exact_interval;
use std::collections::BTreeMap;

/// Failed starts of a run with the 95 % interval of their rate: over the mountings that could be made (beta-binomial), or, of
/// a single mounting, in this mounting alone (Clopper and Pearson).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FailureRate {
    /// Failed starts.
    pub failed: u64,
    pub starts: u64,
    /// Mountings that they were made in; of one the interval says nothing beyond it.
    pub mountings: u64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

impl FailureRate {
    /// Of failed starts and starts, by mounting.
    pub fn new(mountings: &[Cluster]) -> FailureRate {
        let started = || mountings.iter().filter(|mounting| mounting.1 > 0);
        let (failed, starts) = started().fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
        let (lower, upper) = match started().count() {
            // Without a start anything is possible.
            0 => (0.0, 1.0),
            1 => exact_interval(failed, starts, 0.95).map_or((0.0, 1.0), |found| (found.lower, found.upper)),
            _ => clustered_rate(mountings, 0.95).map_or((0.0, 1.0), |found| (found.lower, found.upper)),
        };
        FailureRate { failed, starts, mountings: started().count() as u64, lower, upper }
    }

    /// In words, without a full stop.
    pub fn words(&self) -> String {
        let (failed, starts) = (self.failed, self.starts);
        let percent = |share: f64| {
            let percent = 100.0 * share;
            if percent > 0.0 && percent < 0.1 { format!("{percent:.2}") } else { format!("{percent:.1}") }
        };
        match self.mountings {
            0 => "no start".into(),
            1 => format!(
                "{failed} of {starts} starts failed (95 %, in this mounting alone: {} to {} %)",
                percent(self.lower),
                percent(self.upper)
            ),
            mountings => format!(
                "{failed} of {starts} starts failed in {mountings} mountings (95 %: {} to {} %)",
                percent(self.lower),
                percent(self.upper)
            ),
        }
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

/// Failed starts and starts of a condition, by mounting; jobs that were not measured are no starts.
pub(super) fn by_mounting(judged: &JudgedCondition) -> BTreeMap<u16, Cluster> {
    let mut mountings: BTreeMap<u16, Cluster> = BTreeMap::new();
    for job in judged.jobs.iter().filter(|job| job.trained || job.valid) {
        let (failed, starts) = mountings.entry(job.mounting).or_default();
        (*failed, *starts) = (*failed + u64::from(!job.trained), *starts + 1);
    }
    mountings
}

/// Failed starts and starts of a condition.
pub(super) fn starts(judged: &JudgedCondition) -> Cluster {
    by_mounting(judged).values().fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1))
}

/// p that the failure rate of one condition did not rise, mountings permuted; `None` of too few mountings.
pub(super) fn rise(old: &JudgedCondition, new: &JudgedCondition) -> Option<f64> {
    let of = |judged| by_mounting(judged).into_values().collect();
    permuted_rise(&[(of(old), of(new))])
}

/// Compares the pairs: changes, rates of both, and p that the rate did not rise.
pub(super) fn compare(
    before: &JudgedRun,
    after: &JudgedRun,
    pairs: &[Pair],
) -> (Vec<TrainingChange>, (FailureRate, FailureRate), Option<f64>) {
    let mut changes = Vec::new();
    // A mounting holds every condition of its setup.
    let mut setups: BTreeMap<[u16; 3], [BTreeMap<u16, Cluster>; 2]> = BTreeMap::new();
    for pair in pairs {
        let (Some(old), Some(new)) = (before.conditions.get(pair.before), after.conditions.get(pair.after))
        else {
            continue;
        };
        let setup = [Factor::Chip, Factor::Module, Factor::Channel]
            .map(|factor| old.condition.levels[factor as usize]);
        let sides = setups.entry(setup).or_default();
        for (side, judged) in sides.iter_mut().zip([old, new]) {
            for (mounting, (failed, starts)) in by_mounting(judged) {
                let sum = side.entry(mounting).or_default();
                *sum = (sum.0 + failed, sum.1 + starts);
            }
        }
        let (was, is) = (starts(old), starts(new));
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
    let strata: Vec<Stratum> = setups
        .into_values()
        .map(|[old, new]| (old.into_values().collect(), new.into_values().collect()))
        .collect();
    let of = |side: fn(&Stratum) -> &Vec<Cluster>| {
        FailureRate::new(&strata.iter().flat_map(side).copied().collect::<Vec<_>>())
    };
    (changes, (of(|one| &one.0), of(|one| &one.1)), permuted_rise(&strata))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_mounting_speaks_of_itself_alone() {
        // Clopper-Pearson, 4 of 20 at 95 %: 0.0573340 .. 0.4366140 (scipy).
        let rate = FailureRate::new(&[(4, 20)]);
        assert!((rate.lower - 0.057_334_0).abs() < 1e-6 && (rate.upper - 0.436_614_0).abs() < 1e-6);
        assert_eq!(rate.words(), "4 of 20 starts failed (95 %, in this mounting alone: 5.7 to 43.7 %)");
        let none = FailureRate::new(&[(0, 59)]);
        assert_eq!(none.lower, 0.0);
        assert!((none.upper - (1.0 - 0.025f64.powf(1.0 / 59.0))).abs() < 1e-9);
        assert_eq!(FailureRate::new(&[]).upper, 1.0);
        assert_eq!(FailureRate::new(&[(0, 0)]).words(), "no start");
        // The same counts over four mountings reach further: all failures came from one of them.
        let four = FailureRate::new(&[(4, 5), (0, 5), (0, 5), (0, 5)]);
        assert!(four.upper > 0.45 && four.mountings == 4, "{four:?}");
    }
}
