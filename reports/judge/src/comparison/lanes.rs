//! Lanes compared with themselves: what a lane had before and has now, at the same condition, direction and rank. What the
//! lanes of an eye do not share (counting, training) shows in how far their differences scatter; what they share (re-seating,
//! temperature, supply) comes from the budgets.

use super::{Answer, Demands, Pair};
use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun};
use nightbench_core::results::EyeName;
use plan::limits::Metric;
use plan::matrix::Factor;
use serde::Serialize;
use statistics::comparisons::{Difference, non_inferiority};
use statistics::multiplicity::{Correction, adjusted_p};
use std::collections::BTreeMap;

/// Fewest lanes from whose scatter one of them can be told.
const FEWEST: usize = 4;
/// Lanes kept of those that are not worse, the largest losses first.
const MOST_LANES: usize = 20;
/// Lanes of a byte lane.
const BYTE: u16 = 8;

/// The differences of one eye in one metric at one condition.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LaneDifferences {
    pub eye: EyeName,
    pub metric: Metric,
    /// Chip, module and channel.
    setup: [u16; 3],
    /// Levels of every factor in the baseline.
    levels: Vec<u16>,
    /// Lane and its value now less its value before.
    lanes: Vec<(u16, f64)>,
    /// Variance of what all lanes share, and its degrees of freedom.
    shared: (f64, f64),
    pub allowed: f64,
}

/// One lane over every condition of its setup.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LaneChange {
    /// Chip, module and channel, in words.
    pub setup: String,
    pub eye: EyeName,
    pub metric: Metric,
    /// Lane (DQ).
    pub lane: u16,
    /// Conditions compared.
    pub conditions: usize,
    /// Mean over them, after minus before, ps or mV.
    pub difference: f64,
    pub standard_uncertainty: f64,
    /// One-sided limits: the lower at the confidence of an answer, the upper at that of the whole family (Bonferroni). They
    /// decide.
    pub interval: (f64, f64),
    /// Loss allowed, mean over the conditions.
    pub allowed: f64,
    pub answer: Answer,
}

/// The mean over lanes of some conditions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PooledChange {
    /// Of what: everything, a level of a factor, or a byte lane.
    pub of: String,
    pub direction: &'static str,
    pub metric: Metric,
    pub conditions: usize,
    /// After minus before, ps or mV.
    pub difference: f64,
    /// Two-sided confidence limits at 1 - 2 x level.
    pub interval: (f64, f64),
    /// p that nothing was lost, adjusted over all lines (Holm).
    pub p: f64,
}

/// Every lane, and the means.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct ByLanes {
    /// Lanes compared (of every setup, eye and metric).
    pub lanes: usize,
    /// Of them, lanes shown to have lost more than allowed.
    pub worse: usize,
    /// Of them, lanes shown not to have lost more than allowed.
    pub not_worse: usize,
    /// Worse lanes, then those with the largest losses.
    pub changes: Vec<LaneChange>,
    /// Means: of everything, by level, by byte lane.
    pub pooled: Vec<PooledChange>,
}

impl ByLanes {
    /// No lane lost more than allowed: shown of every one, each at the confidence of an answer, so that all of them
    /// together are (intersection-union).
    pub fn none_is_worse(&self) -> bool {
        self.lanes > 0 && self.not_worse == self.lanes
    }
}

/// Lanes seen in both runs with their differences; `None` where either has no lanes of this metric.
pub(super) fn differences(
    (old, new): (&JudgedCondition, &JudgedCondition),
    (earlier, later): (&JudgedMetric, &JudgedMetric),
    pair: &Pair,
    demands: &Demands,
) -> Option<LaneDifferences> {
    let of = |judged: &JudgedCondition| {
        let values = judged.lanes.iter().find(|values| values.eye == earlier.eye)?;
        let seen: BTreeMap<u16, f64> = values
            .lanes
            .iter()
            .zip(values.of(earlier.metric)?)
            .enumerate()
            .filter(|(place, _)| !values.unseen.contains(&(earlier.metric, *place as u16)))
            .map(|(_, (lane, value))| (*lane, f64::from(*value)))
            .collect();
        Some(seen)
    };
    let (before, after) = (of(old)?, of(new)?);
    let lanes: Vec<(u16, f64)> =
        before.iter().filter_map(|(lane, was)| Some((*lane, after.get(lane)? - was))).collect();
    let part = |judged: &JudgedMetric| {
        if demands.same_chip {
            (judged.parts.shared, judged.parts.shared_freedom)
        } else {
            (judged.parts.shared_otherwise, judged.parts.degrees_of_freedom)
        }
    };
    let both = [part(earlier), part(later)];
    let variance: f64 = both.iter().map(|(u, _)| u * u).sum();
    let denominator: f64 =
        both.iter().map(|(u, freedom)| freedom.map_or(0.0, |freedom| u.powi(4) / freedom)).sum();
    let freedom = if denominator > 0.0 { variance * variance / denominator } else { f64::INFINITY };
    let levels = old.condition.levels;
    Some(LaneDifferences {
        eye: earlier.eye,
        metric: earlier.metric,
        setup: [Factor::Chip, Factor::Module, Factor::Channel].map(|factor| levels[factor as usize]),
        levels: levels.to_vec(),
        lanes,
        shared: (variance, freedom),
        allowed: if earlier.metric.is_time() { demands.loss_ps(pair) } else { demands.loss_mv(pair) },
    })
}

/// Mean and variance about it.
fn moments(values: impl Iterator<Item = f64> + Clone) -> (f64, f64, f64) {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n;
    (n, mean, values.map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0))
}

/// Parts of a variance with their degrees of freedom, combined (Welch-Satterthwaite).
fn difference(value: f64, parts: &[(f64, f64)]) -> Difference {
    let variance: f64 = parts.iter().map(|(variance, _)| variance).sum();
    let denominator: f64 = parts.iter().map(|(variance, freedom)| variance * variance / freedom).sum();
    let dof = if denominator > 0.0 { (variance * variance / denominator).max(1.0) } else { f64::INFINITY };
    Difference { value, standard_uncertainty: variance.sqrt(), dof }
}

impl LaneDifferences {
    /// Lanes seen in both runs.
    pub fn count(&self) -> usize {
        self.lanes.len()
    }

    /// Mean over the lanes; `None` of fewer than two, whose scatter is not seen.
    pub fn mean(&self) -> Option<Difference> {
        if self.lanes.len() < 2 {
            return None;
        }
        let (n, mean, variance) = moments(self.lanes.iter().map(|(_, value)| *value));
        Some(difference(mean, &[(variance / n, n - 1.0), self.shared]))
    }

    /// Variance of a lane's difference as the other lanes show it, with its degrees of freedom.
    fn of_others(&self, lane: u16) -> Option<(f64, f64)> {
        if self.lanes.len() < FEWEST {
            return None;
        }
        let others = self.lanes.iter().filter(move |(other, _)| *other != lane).map(|(_, value)| *value);
        let (n, _, variance) = moments(others);
        Some((variance, n - 1.0))
    }
}

/// Chip, module and channel; eye, metric and lane.
type LaneOfSetup = ([u16; 3], EyeName, Metric, u16);

/// Every lane over its conditions, and the means over lanes.
pub(super) fn by_lanes(all: &[LaneDifferences], run: &JudgedRun, demands: &Demands) -> ByLanes {
    let mut found = ByLanes { pooled: pooled(all, run, demands), ..ByLanes::default() };
    let mut groups: BTreeMap<LaneOfSetup, Vec<(&LaneDifferences, f64)>> = BTreeMap::new();
    for one in all.iter().filter(|one| one.count() >= FEWEST) {
        for (lane, value) in &one.lanes {
            groups.entry((one.setup, one.eye, one.metric, *lane)).or_default().push((one, *value));
        }
    }
    found.lanes = groups.len();
    // Half of the false answers allowed go to the means over lanes, half to single lanes.
    let family = 0.5 * demands.level / found.lanes.max(1) as f64;
    for ((setup, eye, metric, lane), group) in groups {
        let n = group.len() as f64;
        let mean = group.iter().map(|(_, value)| value).sum::<f64>() / n;
        let allowed = group.iter().map(|(one, _)| one.allowed).sum::<f64>() / n;
        let mut parts: Vec<(f64, f64)> = group
            .iter()
            .filter_map(|(one, _)| one.of_others(lane))
            .map(|(variance, freedom)| (variance / (n * n), freedom))
            .collect();
        // One mounting: what it does to the lanes it does at every condition.
        let shared = group.iter().map(|(one, _)| one.shared.0).fold(0.0, f64::max);
        let freedom = group.iter().map(|(one, _)| one.shared.1).fold(f64::INFINITY, f64::min);
        parts.push((shared, freedom));
        let difference = difference(mean, &parts);
        let (Ok(each), Ok(all)) =
            (difference.interval(1.0 - 2.0 * demands.level), difference.interval(1.0 - 2.0 * family))
        else {
            continue;
        };
        let interval = (each.lower, all.upper);
        let answer = decide(interval, allowed);
        found.worse += usize::from(answer == Answer::Worse);
        found.not_worse += usize::from(answer == Answer::NotWorse);
        let names = [Factor::Chip, Factor::Module, Factor::Channel].iter().zip(setup);
        let words: Vec<&str> = names
            .filter_map(|(factor, level)| run.level_names.get(*factor as usize)?.get(usize::from(level)))
            .map(String::as_str)
            .collect();
        found.changes.push(LaneChange {
            setup: words.join(", "),
            eye,
            metric,
            lane,
            conditions: group.len(),
            difference: difference.value,
            standard_uncertainty: difference.standard_uncertainty,
            interval,
            allowed,
            answer,
        });
    }
    let score = |change: &LaneChange| (change.difference + change.allowed) / change.standard_uncertainty;
    let order = |answer: Answer| answer != Answer::Worse;
    found.changes.sort_by(|a, b| {
        order(a.answer).cmp(&order(b.answer)).then(score(a).total_cmp(&score(b))).then(a.lane.cmp(&b.lane))
    });
    found.changes.truncate(found.worse + MOST_LANES);
    found
}

/// The interval decides: wholly beyond the allowed loss, or wholly on this side of it.
pub(super) fn decide((lower, upper): (f64, f64), allowed: f64) -> Answer {
    if upper < -allowed {
        Answer::Worse
    } else if lower > -allowed {
        Answer::NotWorse
    } else {
        Answer::Undecided
    }
}

fn pooled(all: &[LaneDifferences], run: &JudgedRun, demands: &Demands) -> Vec<PooledChange> {
    let mut kinds: Vec<(Metric, &'static str)> =
        all.iter().map(|one| (one.metric, one.eye.direction.name())).collect();
    kinds.sort();
    kinds.dedup();
    let mut lines = Vec::new();
    for (metric, direction) in kinds {
        let own: Vec<&LaneDifferences> =
            all.iter().filter(|one| one.metric == metric && one.eye.direction.name() == direction).collect();
        let mut add = |of: String, some: Vec<LaneDifferences>| {
            if let Some((difference, conditions)) = mean_of(&some)
                && let Ok(interval) = difference.interval(1.0 - 2.0 * demands.level)
                && let Ok(test) = non_inferiority(&difference, 0.0, demands.level)
            {
                lines.push(PooledChange {
                    of,
                    direction,
                    metric,
                    conditions,
                    difference: difference.value,
                    interval: (interval.lower, interval.upper),
                    p: test.p_worse,
                });
            }
        };
        let whole = |some: &[&LaneDifferences]| some.iter().map(|one| (*one).clone()).collect::<Vec<_>>();
        add("everything".into(), whole(&own));
        for (factor, names) in run.level_names.iter().enumerate().filter(|(_, names)| names.len() > 1) {
            for (level, name) in names.iter().enumerate() {
                let some = own.iter().filter(|one| one.levels.get(factor) == Some(&(level as u16)));
                let title = Factor::ALL.get(factor).map_or("", |(name, _)| name);
                add(format!("{title} {name}"), some.map(|one| (*one).clone()).collect());
            }
        }
        let bytes: std::collections::BTreeSet<u16> =
            own.iter().flat_map(|one| &one.lanes).map(|(lane, _)| lane / BYTE).collect();
        for byte in bytes.iter().filter(|_| bytes.len() > 1) {
            let part = |one: &&LaneDifferences| LaneDifferences {
                lanes: one.lanes.iter().filter(|(lane, _)| lane / BYTE == *byte).copied().collect(),
                ..(*one).clone()
            };
            add(format!("byte lane {byte}"), own.iter().map(part).collect());
        }
    }
    let raw: Vec<f64> = lines.iter().map(|line| line.p.clamp(0.0, 1.0)).collect();
    for (line, p) in lines.iter_mut().zip(adjusted_p(&raw, Correction::Holm).unwrap_or_default()) {
        line.p = p;
    }
    lines
}

/// Mean over lanes and conditions; the conditions of a setup share its mountings.
fn mean_of(some: &[LaneDifferences]) -> Option<(Difference, usize)> {
    let some: Vec<&LaneDifferences> = some.iter().filter(|one| one.count() >= 2).collect();
    let n = some.len() as f64;
    let (mut parts, mut sum) = (Vec::new(), 0.0);
    let mut setups: BTreeMap<[u16; 3], (f64, f64, f64)> = BTreeMap::new();
    for one in &some {
        let (lanes, mean, variance) = moments(one.lanes.iter().map(|(_, value)| *value));
        sum += mean;
        parts.push((variance / lanes / (n * n), lanes - 1.0));
        let slot = setups.entry(one.setup).or_insert((0.0, 0.0, f64::INFINITY));
        *slot = (slot.0 + 1.0, slot.1.max(one.shared.0), slot.2.min(one.shared.1));
    }
    let shared =
        setups.into_values().map(|(count, variance, freedom)| (variance * (count / n).powi(2), freedom));
    parts.extend(shared);
    (!some.is_empty()).then(|| (difference(sum / n, &parts), some.len()))
}
