//! How much the lanes of an eye differ within their strobes: pooled over the conditions of a rate, each limit (and so each direction) by itself.

use super::aggregate::{ConditionTally, Eye, LaneTally};
use super::budget::Inputs;
use super::centring::{Centred, Falls, Lane, centred};
use super::eye_summary::TRAINING_SCATTER;
use super::eye_summary::mask_of;
use super::verdict::{Bench, common_of, strobe_lanes};
use nightbench_core::results::EyeName;
use plan::expand::Condition;
use plan::matrix::Factor;
use statistics::minimum::{Noisy, Sample, Spread, low_outliers};
use statistics::special::normal_upper_quantile;
use std::collections::BTreeMap;

/// Chance that any lane of a healthy eye of a strobe or less is taken for an outlier and left as read, which errs on the side of
/// rejecting.
const OUTLIER_LEVEL: f64 = 0.05;
/// How far healthy lanes lie apart before any was seen, in standard deviations of a single job's reading: half of the prior lies
/// below (estimate: invented chips have 0.3 to 1.1; calibrated by counting, REPORT.md).
const APART: f64 = 0.5;
/// Most conditions of a rate that the spread is taken from.
const MOST: usize = 500;

/// The spread of every limit at every rate.
#[derive(Debug, Default)]
pub struct BetweenLanes(BTreeMap<(usize, u16), Spread>);

/// A sample of silicon: the same lanes at several conditions are one.
type Silicon = (usize, u16, [u16; 3], EyeName);

/// Sums of degrees of freedom, variance between lanes, variance of a reading and of a single job's, with their number.
type Sums = [f64; 5];

impl BetweenLanes {
    /// Over conditions and what was measured there.
    pub fn of<'t>(
        bench: &Bench<'_>,
        measured: impl ExactSizeIterator<Item = (&'t Condition, &'t ConditionTally)>,
    ) -> BetweenLanes {
        let rates = bench.plan.matrix.rates.len().max(1);
        let step = super::sample::step(measured.len(), MOST * rates, bench.plan);
        let mut sums: BTreeMap<Silicon, Sums> = BTreeMap::new();
        for (condition, tally) in measured.step_by(step) {
            let rate = condition.rate(bench.plan);
            for name in tally.eyes() {
                let eye = Eye::of(tally, name);
                let limits = bench.criteria.limits.iter().enumerate();
                for (number, limit) in limits.filter(|(_, limit)| limit.applies(name.direction, rate)) {
                    let Some((_, first)) = eye.captures.first() else { continue };
                    let mask = mask_of(limit, &first.grid);
                    let (common, inputs) = common_of(bench, &eye, limit, mask.as_ref(), (0.0, 0.0));
                    let Some(inputs) = inputs else { continue };
                    let lanes = eye.lanes(limit.metric, mask.as_ref());
                    let own = |value: f64| common.by_lanes(value).0;
                    let strobe = strobe_lanes(bench.plan, condition);
                    let group = |lane: usize| first.lanes.get(lane).map_or(0, |lane| lane / strobe);
                    let readings = readings(&lanes, group, &TrainingOf::of(&inputs), own);
                    // What lanes differ by within their strobe: where its edges lie in a tap gives all of them more or less height.
                    let mut seen: Vec<(u16, f64, f64, f64)> = Vec::new();
                    for (lane, reading) in readings.into_iter().enumerate() {
                        if let Some(reading) = reading.filter(|one| !one.apart && lanes[lane].is_seen()) {
                            seen.push((group(lane), reading.value, reading.variance, reading.as_read));
                        }
                    }
                    let low = low_outliers(
                        &about_others(seen.iter().map(|one| (one.0, one.1))),
                        outlier_level(seen.len()),
                    );
                    let mut groups: BTreeMap<u16, [f64; 5]> = BTreeMap::new();
                    for (_, (group, value, variance, as_read)) in
                        seen.iter().enumerate().filter(|(at, _)| !low.contains(at))
                    {
                        // Welford's update within the strobe.
                        let [n, mean, squares, noise, single] = groups.entry(*group).or_default();
                        *n += 1.0;
                        let off = value - *mean;
                        *mean += off / *n;
                        *squares += off * (value - *mean);
                        *noise += variance;
                        *single += as_read;
                    }
                    let sum = |of: usize| groups.values().map(|group| group[of]).sum::<f64>();
                    let (count, freedom) = (sum(0), sum(0) - groups.len() as f64);
                    if freedom < 2.0 {
                        continue;
                    }
                    let (between, noise) = (sum(2) / freedom, sum(3) / count);
                    let single = sum(4) / count * eye.captures.len() as f64;
                    let [chip, module, channel] = [Factor::Chip, Factor::Module, Factor::Channel]
                        .map(|factor| condition.levels[factor as usize]);
                    let key =
                        (number, condition.levels[Factor::Rate as usize], [chip, module, channel], name);
                    let sum = sums.entry(key).or_default();
                    let one = [freedom, between, noise, single, 1.0];
                    sum.iter_mut().zip(one).for_each(|(sum, one)| *sum += one);
                }
            }
        }
        let mut samples: BTreeMap<(usize, u16), (Vec<Sample>, f64)> = BTreeMap::new();
        for ((limit, rate, ..), [freedom, between, noise, single, count]) in sums {
            let (samples, sum) = samples.entry((limit, rate)).or_default();
            samples.push((freedom / count, between / count, noise / count));
            *sum += single / count;
        }
        let spreads = samples.into_iter().filter_map(|(key, (samples, single))| {
            let scale = APART * (single / samples.len() as f64).sqrt();
            Some((key, Spread::of(&samples, scale)?))
        });
        BetweenLanes(spreads.collect())
    }

    /// The spread of a limit (its number) at a condition.
    pub fn spread(&self, limit: usize, condition: &Condition) -> Option<&Spread> {
        self.0.get(&(limit, condition.levels[Factor::Rate as usize]))
    }
}

/// That chance among so many lanes: the least of many noisy ones lies further below what is true, and left as read costs more
/// (72 lanes at 5 %: of eyes with a lane left so U covered half, which took 4 % off all).
fn outlier_level(lanes: usize) -> f64 {
    const STROBE: f64 = 8.0;
    OUTLIER_LEVEL * (STROBE / lanes.max(1) as f64).sqrt().min(1.0)
}

/// Weight of the mean over lanes in a lane's own mean square of changes, against 1 for itself.
const STEADY: f64 = 0.2;

/// Of training's variance, what a lane has that only reaches the border: one of its two edges moves, and the border does not. With the whole of
/// it a few such lanes seemed to hide one that lies 8 to 15 mV lower (counted on invented chips, DDR4 writes at 2400).
const AT_BORDER: f64 = 0.25;

/// What the scatter of training does to the lanes of an eye in one metric.
pub struct TrainingOf {
    /// Variance of a single job that the captures let expect, and the part of it that is the operating point's own move, which every
    /// lane has alike.
    pub variance: f64,
    pub moves: f64,
    /// How a lane follows its own operating point along the row.
    pub falls: Falls,
}

impl TrainingOf {
    pub fn of(inputs: &Inputs<'_>) -> TrainingOf {
        use plan::limits::Metric;
        let unit = if inputs.metric.is_time() { inputs.grid.tap_step.0 } else { inputs.grid.vref_step.0 };
        let moves = match inputs.metric {
            Metric::Width | Metric::Height | Metric::Mask => 0.0,
            _ => (TRAINING_SCATTER * unit).powi(2),
        };
        let falls = match inputs.metric {
            Metric::Height | Metric::LowerMargin | Metric::UpperMargin => {
                Falls::Height { most: (inputs.training.powi(2) - moves).max(0.0).sqrt() / TRAINING_SCATTER }
            }
            Metric::Mask => Falls::Mask { most: inputs.training / TRAINING_SCATTER },
            // A row's own Vref is the device's, and its lanes' middles truly differ there.
            Metric::Width | Metric::EarlyMargin | Metric::LateMargin => Falls::No,
        };
        TrainingOf { variance: inputs.training.powi(2), moves, falls }
    }
}

/// A lane as the estimate of the worst one reads it.
#[derive(Debug, Clone, Copy)]
struct Reading {
    /// Brought to where the lanes of its strobe lie on average, where that is told.
    value: f64,
    variance: f64,
    /// Variance of the truth about it, and that of the value as it was read.
    about: f64,
    as_read: f64,
    /// Its part in the variance that the strobe's lanes have in common for it.
    shared: f64,
    /// It is no sample of the others: training's scatter did not put its operating point where it is, or may close it.
    apart: bool,
}

/// Every lane's value and variance: `own` is that of the mean over jobs as it is for all lanes together. A height falls off to one
/// side of its crest, steeper the further it is, so a lane scatters by its own changes beside the operating point (counted on
/// 6,885 lanes: variances of 33 to 123 mV^2, in the proportion of those squares; the slope itself says nothing more of the value).
fn readings(
    tallies: &[LaneTally],
    group: impl Fn(usize) -> u16,
    training: &TrainingOf,
    own: impl Fn(f64) -> f64,
) -> Vec<Option<Reading>> {
    let seen = || tallies.iter().filter(|tally| tally.is_seen());
    let bends = seen().map(LaneTally::bends).fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    let bend = (bends.1 > 0.0).then(|| bends.0 / bends.1);
    let known = || seen().filter_map(|tally| tally.beside(None));
    let square = known().sum::<f64>() / known().count().max(1) as f64;
    let rest = (training.variance - training.moves).max(0.0);
    // A lane of which neither place was seen changes as the others of its strobe do.
    let mut of_strobes: BTreeMap<u16, (f64, f64)> = BTreeMap::new();
    for (lane, tally) in tallies.iter().enumerate().filter(|(_, tally)| tally.is_seen()) {
        if let Some(beside) = tally.beside(bend) {
            let sum = of_strobes.entry(group(lane)).or_default();
            *sum = (sum.0 + beside, sum.1 + 1.0);
        }
    }
    let of_strobe = |lane: usize| of_strobes.get(&group(lane)).map(|(sum, n)| sum / n);
    let of_eye: Vec<Option<Lane>> = tallies
        .iter()
        .enumerate()
        .map(|(lane, tally)| {
            Some((group(lane), tally.value()?, tally.crest, tally.jobs)).filter(|_| tally.is_seen())
        })
        .collect();
    let centred = centred(&of_eye, training.falls, bend);
    tallies
        .iter()
        .enumerate()
        .map(|(lane, tally)| {
            let value = tally.value()?;
            let (sampling, step) = tally.edges();
            let beside = tally.beside(bend).or_else(|| of_strobe(lane));
            // The operating point's own move, and the rest, in what training gives a lane.
            let (moves, rest) = match beside.filter(|_| training.variance > 0.0 && square > 0.0) {
                Some(beside) => {
                    let of_lane = (beside + STEADY * square) / ((1.0 + STEADY) * square);
                    (training.moves / training.variance, rest * of_lane / training.variance)
                }
                None => (0.0, 1.0),
            };
            let rest = if tally.jobs == 0 { AT_BORDER * rest } else { rest };
            let verge = tally.verge(None);
            let (own, edges) = (own(value), sampling + step + verge);
            let as_read = (moves + rest) * own + edges;
            Some(match centred[lane] {
                Centred::Moved { by, error, about, shared } => Reading {
                    value: value + by,
                    variance: (moves + rest * error) * own + edges,
                    about: rest * about * own,
                    as_read,
                    shared: rest * shared * own,
                    apart: verge > own,
                },
                other => Reading {
                    value,
                    variance: as_read,
                    about: 0.0,
                    as_read,
                    shared: 0.0,
                    apart: other == Centred::NoScatter || verge > own,
                },
            })
        })
        .collect()
}

/// Every value less the mean of the others of its strobe, as far off as a single value would be from a mean that is known; a lane that is
/// alone in its strobe is held against all. `seen`: strobe and value.
fn about_others(seen: impl Iterator<Item = (u16, f64)> + Clone) -> Vec<f64> {
    let mut sums: BTreeMap<u16, (f64, f64)> = BTreeMap::new();
    for (group, value) in seen.clone() {
        let sum = sums.entry(group).or_default();
        *sum = (sum.0 + value, sum.1 + 1.0);
    }
    let all = sums.values().fold((0.0, 0.0), |all, one| (all.0 + one.0, all.1 + one.1));
    let of = |(group, value): (u16, f64)| {
        let (sum, n) = sums.get(&group).copied().filter(|(_, n)| *n > 1.0).unwrap_or(all);
        if n > 1.0 { (value - sum / n) * (n / (n - 1.0)).sqrt() } else { 0.0 }
    };
    seen.map(of).collect()
}

/// The lanes of an eye as the estimate of the worst one takes them, and the variance that the lanes of a strobe have in common for having been
/// brought to their mean place; `training` and `own` as of [`readings`]. Lanes that only
/// have a lower bound stand alone, and so do those that lie further below the others than their spread explains.
pub fn lanes(
    tallies: &[LaneTally],
    spread: Option<&Spread>,
    group: impl Fn(usize) -> u16,
    training: &TrainingOf,
    own: impl Fn(f64) -> f64,
) -> (Vec<Noisy>, f64) {
    let mut all = Vec::with_capacity(tallies.len());
    let mut seen = Vec::with_capacity(tallies.len());
    let mut shared = 0.0;
    for (lane, reading) in readings(tallies, &group, training, own).into_iter().enumerate() {
        let Some(reading) = reading else { continue };
        let alone = spread.is_none() || reading.apart || !tallies[lane].is_seen();
        if !alone {
            seen.push(all.len());
        }
        shared += reading.shared;
        let Reading { value, variance, about, .. } = reading;
        all.push(Noisy { value, variance, about, group: group(lane), alone });
    }
    let shared = shared / (all.len() as f64).max(1.0);
    let Some(spread) = spread else { return (all, shared) };
    let tau = spread.middle();
    let total = |one: &Noisy| (tau * tau + one.variance).max(f64::MIN_POSITIVE).sqrt();
    // In their own deviations: a lane whose reading scatters more is no outlier for that.
    let off = about_others(seen.iter().map(|at| (all[*at].group, all[*at].value)));
    let values: Vec<f64> = off.iter().zip(&seen).map(|(off, at)| off / total(&all[*at])).collect();
    for low in low_outliers(&values, outlier_level(seen.len())) {
        all[seen[low]].alone = true;
    }
    let mut rest: BTreeMap<u16, (f64, f64)> = BTreeMap::new();
    for one in seen.iter().map(|at| all[*at]).filter(|one| !one.alone) {
        let sum = rest.entry(one.group).or_default();
        *sum = (sum.0 + one.value, sum.1 + 1.0);
    }
    let Ok(furthest) = normal_upper_quantile(outlier_level(seen.len()) / (seen.len() as f64).max(1.0)) else {
        return (all, shared);
    };
    for at in seen {
        let Some((sum, kept)) = rest.get(&all[at].group) else { continue };
        let far = furthest * total(&all[at]) * (1.0 + 1.0 / kept).sqrt();
        all[at].alone |= sum / kept - all[at].value > far;
    }
    (all, shared)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The scatter of an edge that nobody saw is none of a lane's: many lanes at the border do not seem to hide a low one.
    #[test]
    fn lanes_at_the_border_do_not_look_lower_than_it() {
        use statistics::minimum::Minimum;
        let at = |bound: f64| {
            let mut tally = LaneTally::default();
            tally.at_least = Some(bound);
            tally
        };
        let tallies: Vec<LaneTally> = (0..8).map(|_| at(200.0)).collect();
        let training = TrainingOf { variance: 64.0, moves: 0.0, falls: Falls::No };
        let (noisy, shared) = lanes(&tallies, None, |_| 0, &training, |_| 64.0);
        assert!(noisy.iter().all(|one| one.alone && one.variance == 16.0) && shared == 0.0, "{noisy:?}");
        let (middle, _) = Minimum::new(&noisy, None, 0.0, 0.0).unwrap().interval(0.95).unwrap();
        assert!((192.0..200.0).contains(&middle), "{middle}");
    }

    /// Strobes far apart make no outliers, and do not hide one: a lane of a high strobe that lies at the mean of all.
    #[test]
    fn outliers_are_told_within_their_strobe() {
        let value = |lane: usize| if lane < 8 { 120.0 } else { 100.0 } + (lane % 4) as f64;
        let told = |low: Option<usize>| {
            let less = |lane: usize| if low == Some(lane) { 15.0 } else { 0.0 };
            let lanes = (0..16).map(|lane| ((lane / 8) as u16, value(lane) - less(lane)));
            low_outliers(&about_others(lanes), outlier_level(16))
        };
        assert_eq!(told(None), Vec::<usize>::new());
        assert_eq!(told(Some(3)), [3]);
        assert_eq!(told(Some(12)), [12]);
        assert!(outlier_level(4) == OUTLIER_LEVEL && outlier_level(72) < 0.4 * OUTLIER_LEVEL);
    }
}
