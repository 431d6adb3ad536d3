//! How much the lanes of an eye differ: pooled over the conditions of a rate, each limit (and so each direction) by itself.

use super::aggregate::{ConditionTally, Eye, LaneTally};
use super::eye_summary::mask_of;
use super::verdict::{Bench, common_of};
use nightbench_core::results::EyeName;
use plan::expand::Condition;
use plan::matrix::Factor;
use statistics::minimum::{Noisy, Sample, Spread, low_outliers};
use statistics::special::normal_upper_quantile;
use std::collections::BTreeMap;

/// Chance that any lane of a healthy eye is taken for an outlier and left as read, which errs on the side of rejecting.
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
                    let (common, _) = common_of(bench, &eye, limit, mask.as_ref(), (0.0, 0.0));
                    let lanes = eye.lanes(limit.metric, mask.as_ref());
                    let seen: Vec<(f64, f64)> = lanes
                        .iter()
                        .filter(|lane| lane.is_seen())
                        .filter_map(|lane| {
                            let value = lane.value()?;
                            let (sampling, step) = lane.edges();
                            Some((value, common.by_lanes(value).0 + sampling + step))
                        })
                        .collect();
                    let values: Vec<f64> = seen.iter().map(|(value, _)| *value).collect();
                    let low = low_outliers(&values, OUTLIER_LEVEL);
                    let kept =
                        || seen.iter().enumerate().filter(|(at, _)| !low.contains(at)).map(|(_, one)| one);
                    let count = kept().count() as f64;
                    if count < 3.0 {
                        continue;
                    }
                    let mean = kept().map(|(value, _)| value).sum::<f64>() / count;
                    let between =
                        kept().map(|(value, _)| (value - mean).powi(2)).sum::<f64>() / (count - 1.0);
                    let noise = kept().map(|(_, variance)| variance).sum::<f64>() / count;
                    let [chip, module, channel] = [Factor::Chip, Factor::Module, Factor::Channel]
                        .map(|factor| condition.levels[factor as usize]);
                    let key =
                        (number, condition.levels[Factor::Rate as usize], [chip, module, channel], name);
                    let sum = sums.entry(key).or_default();
                    let single = noise * eye.captures.len() as f64;
                    let one = [count - 1.0, between, noise, single, 1.0];
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

/// The lanes of an eye as the estimate of the worst one takes them; `own` gives a lane's variance at a value. Lanes that only
/// have a lower bound stand alone, and so do those that lie further below the others than their spread explains.
pub fn lanes(
    tallies: &[LaneTally],
    spread: Option<&Spread>,
    group: impl Fn(usize) -> u16,
    own: impl Fn(f64) -> f64,
) -> Vec<Noisy> {
    let mut all = Vec::with_capacity(tallies.len());
    let mut seen = Vec::with_capacity(tallies.len());
    for (lane, tally) in tallies.iter().enumerate() {
        let Some(value) = tally.value() else { continue };
        let (sampling, step) = tally.edges();
        let alone = spread.is_none() || !tally.is_seen();
        if !alone {
            seen.push(all.len());
        }
        all.push(Noisy { value, variance: own(value) + sampling + step, group: group(lane), alone });
    }
    let Some(spread) = spread else { return all };
    let values: Vec<f64> = seen.iter().map(|at| all[*at].value).collect();
    let count = values.len() as f64;
    for low in low_outliers(&values, OUTLIER_LEVEL) {
        all[seen[low]].alone = true;
    }
    let rest = || seen.iter().map(|at| all[*at]).filter(|one| !one.alone);
    let kept = rest().count() as f64;
    let (mean, Ok(furthest)) =
        (rest().map(|one| one.value).sum::<f64>() / kept, normal_upper_quantile(OUTLIER_LEVEL / count))
    else {
        return all;
    };
    let tau = spread.middle();
    for at in seen {
        let one = &mut all[at];
        let far = furthest * ((tau * tau + one.variance) * (1.0 + 1.0 / kept)).sqrt();
        one.alone |= mean - one.value > far;
    }
    all
}
