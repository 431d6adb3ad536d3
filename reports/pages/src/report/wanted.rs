//! Which eyes deserve a picture: every page has room for some, never for all.

use super::rank;
use judge::judged::{JudgedMetric, JudgedRun, Verdict};
use nightbench_core::results::EyeName;
use plan::matrix::Factor;
use std::collections::{BTreeMap, BTreeSet};

/// Pairs of channels drawn for comparison, at most.
const PAIRS: usize = 3;
/// Passing conditions drawn because they come closest to a limit.
const NEAREST_PASSES: usize = 6;

/// Eyes to be drawn, most wanted first, at most `most`: the worst and the best condition, the deciding eye of each
/// direction and rank, the same condition through other channels, then every fail and conditional verdict (worst first)
/// and the passes nearest to a limit. But for the second of these, a condition is drawn by the eye that decides it.
pub fn wanted_pictures(run: &JudgedRun, most: usize) -> Vec<(usize, EyeName)> {
    let mut list = Vec::new();
    let mut seen = BTreeSet::new();
    let mut add = |condition: Option<usize>, eye: Option<EyeName>| {
        let Some(index) = condition else { return };
        let Some(judged) = run.conditions.get(index) else { return };
        let deciding = judged.worst().map(|worst| worst.eye);
        let has = |eye: EyeName| judged.lanes.iter().any(|values| values.eye == eye);
        if let Some(eye) = eye.filter(|eye| has(*eye)).or(deciding)
            && list.len() < most
            && seen.insert((index, eye))
        {
            list.push((index, eye));
        }
    };
    add(run.worst(), None);
    add(rank::best(run), None);
    for (index, eye) in deciding_eyes(run) {
        add(Some(index), Some(eye));
    }
    for (base, other, eye) in channel_pairs(run, PAIRS) {
        add(Some(base), Some(eye));
        add(Some(other), Some(eye));
    }
    let mut passes = 0;
    for index in rank::worst_first(run) {
        match run.conditions.get(index).and_then(|condition| condition.verdict) {
            Some(Verdict::Pass) if passes < NEAREST_PASSES => {
                passes += 1;
                add(Some(index), None);
            }
            Some(Verdict::Pass) | None => {}
            Some(_) => add(Some(index), None),
        }
    }
    list
}

/// The worst eye of each direction, rank and sub-channel with its condition, in the order of the eyes: by what was judged
/// of it, and where no limit applies to such eyes by its narrowest lane. Conditions that do not count come last.
pub fn deciding_eyes(run: &JudgedRun) -> Vec<(usize, EyeName)> {
    struct Candidate<'a> {
        index: usize,
        beyond: bool,
        metric: Option<&'a JudgedMetric>,
        narrowest: f32,
    }
    impl Candidate<'_> {
        fn worse(&self, other: &Candidate<'_>) -> bool {
            let by_metric = match (self.metric, other.metric) {
                (Some(a), Some(b)) => a.compare_worst(b),
                (a, b) => b.is_some().cmp(&a.is_some()),
            };
            let order = self.beyond.cmp(&other.beyond).then(by_metric);
            order.then(self.narrowest.total_cmp(&other.narrowest)).is_lt()
        }
    }
    let mut worst: BTreeMap<EyeName, Candidate<'_>> = BTreeMap::new();
    for (index, judged) in run.conditions.iter().enumerate() {
        for values in &judged.lanes {
            let candidate = Candidate {
                index,
                beyond: !run.counts(judged),
                metric: judged.metrics.iter().find(|metric| metric.eye == values.eye),
                narrowest: values.width_ps.iter().copied().fold(f32::INFINITY, f32::min),
            };
            match worst.get_mut(&values.eye) {
                Some(known) if candidate.worse(known) => *known = candidate,
                Some(_) => {}
                None => {
                    worst.insert(values.eye, candidate);
                }
            }
        }
    }
    worst.into_iter().map(|(eye, candidate)| (candidate.index, eye)).collect()
}

/// Eyes to be drawn as outlines only, worst first, leaving out those that have a picture.
pub fn wanted_outlines(run: &JudgedRun, pictured: &[(usize, EyeName)], most: usize) -> Vec<(usize, EyeName)> {
    let pictured: BTreeSet<usize> = pictured.iter().map(|(index, _)| *index).collect();
    rank::worst_first(run)
        .into_iter()
        .filter(|index| !pictured.contains(index))
        .filter_map(|index| run.conditions.get(index)?.worst().map(|worst| (index, worst.eye)))
        .take(most)
        .collect()
}

/// Pairs of conditions that differ in the channel alone, the first in the plan's order against the last, one pair a
/// module, those with the worse end first; with the eye that decides the worse one.
fn channel_pairs(run: &JudgedRun, most: usize) -> Vec<(usize, usize, EyeName)> {
    let mut groups: BTreeMap<Vec<u16>, Vec<usize>> = BTreeMap::new();
    for (index, condition) in run.conditions.iter().enumerate().filter(|(_, c)| c.worst().is_some()) {
        groups.entry(without_channel(&condition.condition.levels)).or_default().push(index);
    }
    let place: BTreeMap<usize, usize> =
        rank::worst_first(run).into_iter().enumerate().map(|(place, index)| (index, place)).collect();
    let mut pairs = Vec::new();
    for members in groups.values() {
        let channel =
            |index: &usize| run.conditions.get(*index).map_or(0, |c| c.condition.level(Factor::Channel));
        let (Some(base), Some(other)) =
            (members.iter().min_by_key(|i| channel(i)), members.iter().max_by_key(|i| channel(i)))
        else {
            continue;
        };
        if channel(base) == channel(other) {
            continue;
        }
        let at = |index: &usize| place.get(index).copied().unwrap_or(usize::MAX);
        let worse = if at(base) < at(other) { base } else { other };
        let judged = run.conditions.get(*worse);
        if let Some((judged, worst)) = judged.and_then(|judged| Some((judged, judged.worst()?))) {
            pairs.push((at(worse), judged.condition.level(Factor::Module), *base, *other, worst.eye));
        }
    }
    pairs.sort_by_key(|pair| pair.0);
    let mut modules = BTreeSet::new();
    pairs.retain(|pair| modules.insert(pair.1));
    pairs.into_iter().take(most).map(|(_, _, base, other, eye)| (base, other, eye)).collect()
}

/// Levels of every factor but the channel: conditions with the same ones are compared.
pub(super) fn without_channel(levels: &[u16]) -> Vec<u16> {
    let skipped = Factor::Channel as usize;
    levels.iter().enumerate().filter(|(index, _)| *index != skipped).map(|(_, level)| *level).collect()
}
