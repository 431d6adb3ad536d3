//! The least of many noisy values: where the true minimum lies, given that the lowest reading is partly low by chance.
//!
//! Values measured alike are a sample of a population whose spread is known from the values themselves (an empirical Bayes
//! estimate of the normal-normal model, as in Efron and Morris, J. Am. Stat. Assoc. 70 (1975) 311; the between-value
//! standard deviation with a half-Cauchy prior, as Gelman, Bayesian Analysis 1 (2006) 515, has it for few values: with a flat one
//! eight values that are all alike seem to lie half their noise apart, and their least far too low). Values that stand alone,
//! because they were found to be outliers, are taken as read: nothing draws them to the others.
//!
//! Everything is by quadrature: the answer is a fixed function of the numbers given.

use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::{ln_normal_cdf, normal_cdf, normal_pdf, normal_quantile};
use std::sync::LazyLock;

/// Nodes of the between-value deviation, equally weighted.
const NODES: usize = 5;
/// Places at which a distribution is kept.
const POINTS: usize = 64;
/// Standard deviations to either side that are kept.
const REACH: f64 = 6.0;
/// Places of the deviation's posterior distribution.
const FINE: usize = 200;
/// Values that are no sample of the others, among all of them and at most as a share, and how many of their standard deviations
/// below the mean such a value may lie: what an outlier too near to be told is allowed for (estimates; calibrated by counting,
/// reports/AUDIT.md). Were it a share alone, the least of 72 values would nearly always be taken for one.
const APART: f64 = 0.5;
const MOST_APART: f64 = 0.06;
const APART_REACH: f64 = 10.0;
/// Chances of being such a value that are left aside.
const HARDLY: f64 = 1e-3;

/// One of many values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noisy {
    /// As read.
    pub value: f64,
    /// Variance of what the other values do not share.
    pub variance: f64,
    /// Variance of the truth about the value, which is a best estimate already (Berkson, J. Am. Stat. Assoc. 45 (1950) 164): no reason to draw
    /// it to the others.
    pub about: f64,
    /// Values of one group share an error.
    pub group: u16,
    /// An outlier: not drawn to the others.
    pub alone: bool,
}

/// A sample of read values: degrees of freedom, variance seen between the values, and mean variance of a reading.
pub type Sample = (f64, f64, f64);

/// The standard deviation between true values, with what is known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    nodes: [f64; NODES],
}

impl Spread {
    /// From samples of read values; `None` without any degree of freedom.
    ///
    /// Posterior density of the deviation t: 1 / (1 + (t / scale)^2) before anything was seen, times
    /// (t^2 + v)^(-d/2) exp(-d s^2 / (2 (t^2 + v))) for each sample.
    pub fn of(samples: &[Sample], scale: f64) -> Option<Spread> {
        let samples: Vec<_> = samples.iter().filter(|(freedom, ..)| *freedom > 0.0).collect();
        let freedom: f64 = samples.iter().map(|(freedom, ..)| freedom).sum();
        if freedom <= 0.0 {
            return None;
        }
        let seen = samples.iter().map(|(freedom, seen, _)| freedom * seen).sum::<f64>() / freedom;
        let noise = samples.iter().map(|(freedom, _, noise)| freedom * noise).sum::<f64>() / freedom;
        if seen + noise <= 0.0 || scale <= 0.0 {
            return Some(Spread { nodes: [0.0; NODES] });
        }
        // A chi-square of few degrees of freedom has a long tail: four standard deviations of its logarithm and more.
        let most = (seen + noise).sqrt() * (1.0 + 6.0 / freedom.sqrt());
        let places = (0..FINE).map(|at| most * (at as f64 + 0.5) / FINE as f64);
        let logs: Vec<f64> = places
            .clone()
            .map(|t| {
                let of = |(freedom, seen, noise): &&Sample| {
                    let total = (t * t + noise).max(1e-12 * (seen + noise));
                    -0.5 * freedom * (total.ln() + seen / total)
                };
                samples.iter().map(of).sum::<f64>() - (t / scale).powi(2).ln_1p()
            })
            .collect();
        let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = logs.iter().map(|log| (log - highest).exp()).collect();
        let sum: f64 = weights.iter().sum();
        let mut nodes = [most; NODES];
        let (mut at, mut below) = (0, 0.0);
        for (place, weight) in places.zip(weights) {
            below += weight / sum;
            while at < NODES && below >= (at as f64 + 0.5) / NODES as f64 {
                nodes[at] = place;
                at += 1;
            }
        }
        Some(Spread { nodes })
    }

    pub fn middle(&self) -> f64 {
        self.nodes[NODES / 2]
    }
}

/// ln of the normal distribution function, tabulated: it is needed by the million.
struct Table {
    values: Vec<f64>,
}

const TABLE_STEP: f64 = 1.0 / 64.0;
const TABLE_END: f64 = 9.0;

static TABLE: LazyLock<Table> = LazyLock::new(|| {
    let count = (2.0 * TABLE_END / TABLE_STEP) as usize + 2;
    Table { values: (0..count).map(|at| ln_normal_cdf(at as f64 * TABLE_STEP - TABLE_END)).collect() }
});

impl Table {
    fn ln_cdf(&self, z: f64) -> f64 {
        let place = (z + TABLE_END) / TABLE_STEP;
        if place >= (self.values.len() - 1) as f64 {
            return 0.0;
        }
        if place < 0.0 {
            return -0.5 * z * z - z.abs().ln() - 0.918_938_533_204_672_7;
        }
        let at = place as usize;
        let (a, b) = (self.values[at], self.values[at + 1]);
        a + (place - at as f64) * (b - a)
    }
}

/// Where the true minimum lies.
#[derive(Debug, Clone, PartialEq)]
pub struct Minimum {
    start: f64,
    step: f64,
    /// Probability that the minimum lies above each place.
    above: [f64; POINTS],
    /// And below it, with an accurate tail.
    below: [f64; POINTS],
}

/// A value drawn to the others.
#[derive(Debug, Clone, Copy)]
struct Drawn {
    at: f64,
    deviation: f64,
    group: u16,
    /// Standard deviation of what its group still shares.
    of_group: f64,
    /// Chance that it is no sample of the others, and then what it is: place and standard deviation as read.
    apart: f64,
    as_read: (f64, f64),
}

impl Minimum {
    /// Of true values read as `values`, spread as `spread` (`None` leaves every value alone), with an error of variance
    /// `by_group` that the values of a group share, and one of variance `common` that all share.
    ///
    /// # Errors
    /// No value, or a number that is none.
    pub fn new(values: &[Noisy], spread: Option<&Spread>, by_group: f64, common: f64) -> Result<Minimum> {
        if values.is_empty() {
            return Err(StatisticsError::TooFewValues { what: "minimum", have: 0, need: 1 });
        }
        for one in values {
            check_range("value", one.value, true, "a finite number")?;
            check_range("variance of a value", one.variance, one.variance >= 0.0, "0 or more")?;
            check_range("variance about a value", one.about, one.about >= 0.0, "0 or more")?;
        }
        for variance in [by_group, common] {
            check_range("shared variance", variance, variance >= 0.0, "0 or more")?;
        }
        let nodes: &[f64] = spread.map_or(&[f64::INFINITY], |spread| &spread.nodes);
        // How far the mean of the others is known is shared by all drawn to it.
        let mut shared = common;
        let drawn: Vec<Vec<Drawn>> = nodes
            .iter()
            .map(|tau| {
                let (lanes, own) = draw(values, *tau, by_group);
                shared += own / nodes.len() as f64;
                lanes
            })
            .collect();
        let shared = shared.sqrt();
        let wide = |deviation: f64, group: f64| REACH * (deviation.hypot(group)).hypot(shared);
        let all = || drawn.iter().flatten();
        let end = all().map(|one| one.at + wide(one.deviation, one.of_group)).fold(f64::INFINITY, f64::min);
        let low = |one: &Drawn| {
            let low = one.at - wide(one.deviation, one.of_group);
            if one.apart > 0.0 { low.min(one.as_read.0 - wide(one.as_read.1, one.of_group)) } else { low }
        };
        let lowest = all().map(low).fold(f64::INFINITY, f64::min);
        let scale = end.abs().max(1.0);
        let start = lowest.min(end - 1e-9 * scale);
        let step = (end - start) / (POINTS - 1) as f64;
        let mut found = Minimum { start, step, above: [0.0; POINTS], below: [0.0; POINTS] };
        for lanes in &drawn {
            let one = found.of_node(lanes);
            for (sum, ln_above) in found.below.iter_mut().zip(one) {
                *sum += -ln_above.exp_m1() / nodes.len() as f64;
            }
        }
        found.below = found.blurred(&found.below, shared);
        for (above, below) in found.above.iter_mut().zip(&found.below) {
            *above = 1.0 - below;
        }
        Ok(found)
    }

    /// ln of the probability that every value lies above each place.
    fn of_node(&self, lanes: &[Drawn]) -> [f64; POINTS] {
        let mut sum = [0.0; POINTS];
        let end = self.start + self.step * (POINTS - 1) as f64;
        let mut near: Vec<&Drawn> = lanes
            .iter()
            .filter(|one| one.at - 2.0 * REACH * one.deviation.hypot(one.of_group) < end)
            .collect();
        near.sort_by_key(|lane| lane.group);
        for of_group in near.chunk_by(|a, b| a.group == b.group) {
            let mut one = [0.0; POINTS];
            let group = of_group[0].of_group;
            for lane in of_group {
                // A value known exactly still needs a slope that the places can show.
                let above = |(at, deviation): (f64, f64), k: usize| {
                    let scale = 1.0 / deviation.max(0.25 * self.step);
                    TABLE.ln_cdf((at - self.start - k as f64 * self.step) * scale)
                };
                for (k, ln) in one.iter_mut().enumerate() {
                    let drawn = above((lane.at, lane.deviation), k);
                    *ln += if lane.apart > 0.0 {
                        let apart = lane.apart * above(lane.as_read, k).exp();
                        ((1.0 - lane.apart) * drawn.exp() + apart).max(f64::MIN_POSITIVE).ln()
                    } else {
                        drawn
                    };
                }
            }
            if group > 0.0 {
                let below = one.map(|ln: f64| -ln.exp_m1());
                one = self.blurred(&below, group).map(|below| (-below.min(1.0)).ln_1p());
            }
            sum.iter_mut().zip(one).for_each(|(sum, one)| *sum += one);
        }
        sum
    }

    /// A distribution function with a normal error added.
    fn blurred(&self, below: &[f64; POINTS], deviation: f64) -> [f64; POINTS] {
        if deviation < 0.05 * self.step {
            return *below;
        }
        // Mass between two places stands in their middle; what it spreads over inside is taken off the error.
        let inside = self.step * self.step / 12.0;
        let scale = self.step / (deviation * deviation - inside).max(1e-4 * deviation * deviation).sqrt();
        let mut kernel = [0.0; 2 * POINTS];
        for (at, slot) in kernel.iter_mut().enumerate() {
            *slot = normal_cdf((at as f64 - POINTS as f64 + 0.5) * scale);
        }
        let mut out = [0.0; POINTS];
        let mut before = 0.0;
        for (k, value) in below.iter().enumerate() {
            // The mass below the first place stands half a step before it.
            let mass = (value - before).max(0.0);
            before = *value;
            for (j, slot) in out.iter_mut().enumerate() {
                *slot += mass * kernel[j + POINTS - k];
            }
        }
        out
    }

    /// Probability that the true minimum lies below `limit`, and that it lies at or above it.
    pub fn tails(&self, limit: f64) -> (f64, f64) {
        let place = (limit - self.start) / self.step;
        let last = (POINTS - 1) as f64;
        let at = (place.clamp(0.0, last - 1e-9)) as usize;
        let odds = |k: usize| (self.below[k].max(1e-300).ln()) - (self.above[k].max(1e-16).ln());
        let (a, b) = (odds(at), odds(at + 1));
        let ln_odds = a + (place - at as f64) * (b - a);
        (1.0 / (1.0 + (-ln_odds).exp()), 1.0 / (1.0 + ln_odds.exp()))
    }

    /// Where the true minimum lies below with this probability.
    ///
    /// # Errors
    /// A probability outside 0 to 1.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        check_probability("probability of a minimum", p)?;
        let (mut low, mut high) = (self.start, self.start + self.step * (POINTS - 1) as f64);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if self.tails(middle).0 < p { low = middle } else { high = middle }
        }
        Ok(0.5 * (low + high))
    }

    /// Middle and half of the interval that holds the true minimum with probability `coverage`.
    ///
    /// # Errors
    /// A coverage outside 0 to 1.
    pub fn interval(&self, coverage: f64) -> Result<(f64, f64)> {
        let (low, high) = (self.quantile(0.5 * (1.0 - coverage))?, self.quantile(0.5 * (1.0 + coverage))?);
        Ok((0.5 * (low + high), 0.5 * (high - low)))
    }

    /// How many standard deviations of a normal distribution the limit lies below the minimum.
    ///
    /// # Errors
    /// A limit that is no number.
    pub fn deviations_above(&self, limit: f64) -> Result<f64> {
        check_range("limit", limit, true, "a finite number")?;
        let (below, above) = self.tails(limit);
        if below < above {
            Ok(-normal_quantile(below.max(1e-300))?)
        } else {
            normal_quantile(above.max(1e-300))
        }
    }
}

/// Values that are no outliers, by the group whose error they share.
#[derive(Debug, Clone, Copy, Default)]
struct Group {
    group: u16,
    /// Sum of 1 / variance of its values about what they share, and their weighted mean.
    weight: f64,
    mean: f64,
    /// Share of itself that a value keeps, summed, with the number of values.
    keep: (f64, f64),
    /// So far below the other groups that it stands alone.
    alone: bool,
}

/// Level of the test whether a whole group lies below the others.
const GROUP_LEVEL: f64 = 0.05;
/// Places of the deviation between groups.
const OF_GROUPS: usize = 48;

/// Values drawn to the mean of those that do not stand alone, and the variance of that mean's part in them.
///
/// A value is mean + a group's own part + its own part + the group's error + its own error: all normal, the group's error of
/// variance `by_group`, own parts of deviation `tau`. How far groups truly differ is found from their means, given that error; a
/// single group cannot show it, and its error stays whole. A group that lies too far below the others is drawn to nothing but itself.
fn draw(values: &[Noisy], tau: f64, by_group: f64) -> (Vec<Drawn>, f64) {
    let as_read = |one: &Noisy| {
        let deviation = (one.variance + one.about).sqrt();
        let as_read = (one.value, deviation);
        Drawn { at: one.value, deviation, group: one.group, of_group: by_group.sqrt(), apart: 0.0, as_read }
    };
    let pooled = || values.iter().filter(|one| !one.alone);
    let count = pooled().count();
    if !tau.is_finite() || count < 2 {
        return (values.iter().map(as_read).collect(), 0.0);
    }
    let total = |one: &Noisy| (tau * tau + one.variance).max(1e-12);
    let keep = |one: &Noisy| (tau * tau / total(one)).min(1.0);
    let mut groups: Vec<Group> = Vec::new();
    for one in pooled() {
        let place = groups.iter().position(|known| known.group == one.group).unwrap_or_else(|| {
            groups.push(Group { group: one.group, ..Group::default() });
            groups.len() - 1
        });
        let group = &mut groups[place];
        group.weight += 1.0 / total(one);
        group.mean += (one.value - group.mean) / total(one) / group.weight;
        group.keep = (group.keep.0 + keep(one), group.keep.1 + 1.0);
    }
    let means: Vec<f64> = groups.iter().map(|group| group.mean).collect();
    for low in low_outliers(&means, GROUP_LEVEL) {
        groups[low].alone = true;
    }
    let truly = between_groups(&groups, tau, by_group);
    let apart = truly + by_group;
    let kept = || groups.iter().filter(|group| !group.alone);
    let precision = |group: &Group| 1.0 / (apart + 1.0 / group.weight);
    let known: f64 = kept().map(precision).sum();
    let mean = kept().map(|group| group.mean * precision(group)).sum::<f64>() / known;
    let mut own = 0.0;
    let lanes = values
        .iter()
        .map(|one| {
            let read = as_read(one);
            let Some(group) = groups.iter().find(|group| group.group == read.group) else { return read };
            if group.alone {
                // Drawn to the others of its group only.
                let keep = keep(one);
                if one.alone {
                    return read;
                }
                let left = (1.0 - keep).powi(2) / group.weight + by_group;
                let at = group.mean + keep * (one.value - group.mean);
                let deviation = (keep * one.variance + one.about).sqrt();
                return Drawn { at, deviation, of_group: left.sqrt(), ..read };
            }
            // The group's part in all, and how much of it is true.
            let (held, share) = (apart * precision(group), if apart > 0.0 { truly / apart } else { 0.0 });
            let of_group = held * (group.mean - mean);
            let mut left =
                (share - group.keep.0 / group.keep.1).powi(2) * held / group.weight + share * by_group;
            if groups.len() == 1 && by_group == 0.0 {
                // What a single group has left, all have.
                own += left / count as f64;
                left = 0.0;
            }
            let keep = keep(one);
            if one.alone {
                // Its group's error is its own.
                let deviation = (one.variance + one.about + (by_group - left).max(0.0)).sqrt();
                return Drawn { deviation, of_group: left.sqrt(), as_read: (one.value, deviation), ..read };
            }
            own += (1.0 - share * held - keep * (1.0 - held)).powi(2) / known / count as f64;
            let below = (mean + of_group - one.value) / total(one).sqrt();
            let odds = (APART / count as f64).min(MOST_APART);
            let far = odds / APART_REACH;
            let chance = if below > 0.0 { far / (far + (1.0 - odds) * normal_pdf(below)) } else { 0.0 };
            Drawn {
                at: mean + share * of_group + keep * (one.value - mean - of_group),
                deviation: (keep * one.variance + one.about).sqrt(),
                of_group: left.sqrt(),
                apart: if chance > HARDLY { chance } else { 0.0 },
                ..read
            }
        })
        .collect();
    (lanes, own)
}

/// Variance of what groups truly differ by, from their means and the error that each has: the median of its deviation's posterior
/// distribution, which has a half-Cauchy prior whose median is the deviation within a group.
fn between_groups(groups: &[Group], tau: f64, by_group: f64) -> f64 {
    let scale = tau.max(1e-6 * by_group.sqrt());
    let kept: Vec<&Group> = groups.iter().filter(|group| !group.alone).collect();
    let centre = kept.iter().map(|group| group.mean).sum::<f64>() / kept.len().max(1) as f64;
    let seen = kept.iter().map(|group| (group.mean - centre).powi(2)).sum::<f64>() / kept.len().max(1) as f64;
    // Half of a half-Cauchy distribution lies below its scale: places by its own quantiles are a prior of equal weights.
    let most = 4.0 * (seen.sqrt() + scale);
    let turn = (most / scale).atan();
    let place = |at: usize| scale * (turn * (at as f64 + 0.5) / OF_GROUPS as f64).tan();
    let logs: Vec<f64> = (0..OF_GROUPS)
        .map(|at| {
            let variance = |group: &Group| place(at).powi(2) + by_group + 1.0 / group.weight;
            let known: f64 = kept.iter().map(|group| 1.0 / variance(group)).sum();
            let mean = kept.iter().map(|group| group.mean / variance(group)).sum::<f64>() / known;
            let of = |group: &&Group| {
                let variance = variance(group);
                -0.5 * (variance.ln() + (group.mean - mean).powi(2) / variance)
            };
            kept.iter().map(of).sum::<f64>() - 0.5 * known.ln()
        })
        .collect();
    let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = logs.iter().map(|log| (log - highest).exp()).collect();
    let half = 0.5 * weights.iter().sum::<f64>();
    let mut below = 0.0;
    for (at, weight) in weights.iter().enumerate() {
        below += weight;
        if below >= half {
            return place(at).powi(2);
        }
    }
    0.0
}

/// Which values lie so far below the others that chance would hardly put them there: generalised extreme studentized
/// deviates on the lower side (Rosner, Technometrics 25 (1983) 165), at most a quarter of them, with a family-wise
/// `alpha`. Of fewer than four values none can be told.
pub fn low_outliers(values: &[f64], alpha: f64) -> Vec<usize> {
    let n = values.len();
    if n < 4 {
        return Vec::new();
    }
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut found = 0;
    for gone in 0..(n / 4).max(1) {
        let rest = &order[gone..];
        let count = rest.len() as f64;
        let mean = rest.iter().map(|at| values[*at]).sum::<f64>() / count;
        let squares: f64 = rest.iter().map(|at| (values[*at] - mean).powi(2)).sum();
        let deviation = (squares / (count - 1.0)).sqrt();
        let Ok(t) = super::special::t_upper_quantile(alpha / count, count - 2.0) else { break };
        let critical = (count - 1.0) * t / (count * (count - 2.0 + t * t)).sqrt();
        if deviation > 0.0 && (mean - values[order[gone]]) / deviation > critical {
            found = gone + 1;
        }
    }
    order.truncate(found);
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alone(value: f64, u: f64) -> Noisy {
        Noisy { value, variance: u * u, about: 0.0, group: 0, alone: true }
    }

    /// One value is itself: the normal distribution comes back.
    #[test]
    fn a_single_value_is_normal() {
        let one = Minimum::new(&[alone(100.0, 3.0)], None, 7.0, 9.0).unwrap();
        let (middle, half) = one.interval(0.95).unwrap();
        assert!((middle - 100.0).abs() < 0.02, "{middle}");
        assert!((half / (1.959_964 * 5.0) - 1.0).abs() < 0.01, "{half}");
        for z in [-4.0, -2.0, -0.5, 0.0, 1.0, 3.0] {
            let found = one.deviations_above(100.0 - 5.0 * z).unwrap();
            assert!((found - z).abs() < 0.06, "{z}: {found}");
        }
    }

    /// The minimum of n equal normal values: P(min > z) = Phi(z)^n.
    #[test]
    fn the_least_of_equal_values() {
        let values = vec![alone(0.0, 1.0); 8];
        let found = Minimum::new(&values, None, 0.0, 0.0).unwrap();
        for z in [-3.0, -2.0, -1.424, -0.5] {
            let expected = normal_cdf(-z).powi(8);
            assert!((found.tails(z).1 - expected).abs() < 2e-3, "{z}: {} {expected}", found.tails(z).1);
        }
        // Expected value of the least of 8 normal values: -1.4236 (order statistics, Harter 1961).
        let mean: f64 = (1..400).map(|k| found.quantile(f64::from(k) / 400.0).unwrap()).sum::<f64>() / 399.0;
        assert!((mean + 1.4236).abs() < 0.01, "{mean}");
    }

    /// Readings that lie closer together than their noise lets expect (a coarse grid): the least of them is hardly below all of
    /// them, where a flat prior of the spread put it a whole U below.
    #[test]
    fn alike_readings_have_a_least_near_them() {
        let values: Vec<Noisy> = (0..8)
            .map(|k| Noisy {
                value: 0.1 * f64::from(k % 3),
                variance: 1.0,
                about: 0.0,
                group: 0,
                alone: false,
            })
            .collect();
        let spread = Spread::of(&[(7.0, 0.01, 1.0)], 0.5).unwrap();
        let (middle, half) = Minimum::new(&values, Some(&spread), 0.0, 0.0).unwrap().interval(0.95).unwrap();
        assert!(middle > -0.6 * half && half > 0.5, "{middle} {half}");
        let flat = Spread::of(&[(7.0, 0.01, 1.0)], 1e3).unwrap();
        let (low, _) = Minimum::new(&values, Some(&flat), 0.0, 0.0).unwrap().interval(0.95).unwrap();
        assert!(low < middle - 0.1, "{low} {middle}");
    }

    #[test]
    fn outliers_are_told_and_stand_alone() {
        let mut values = vec![100.0, 101.0, 99.0, 100.5, 99.5, 100.2, 99.8, 90.0];
        assert_eq!(low_outliers(&values, 0.05), [7]);
        values[7] = 98.9;
        assert!(low_outliers(&values, 0.05).is_empty());
        // Two that hide each other.
        values[6] = 90.0;
        values[7] = 90.2;
        assert_eq!(low_outliers(&values, 0.05), [6, 7]);
        let spread = Spread::of(&[(60.0, 5.0, 4.0)], 1.0).unwrap();
        let of = |alone: bool| {
            let mut all: Vec<Noisy> = (0..7)
                .map(|k| Noisy {
                    value: 100.0 + f64::from(k % 3),
                    variance: 4.0,
                    about: 0.0,
                    group: 0,
                    alone: false,
                })
                .collect();
            all.push(Noisy { value: 85.0, variance: 4.0, about: 0.0, group: 0, alone });
            Minimum::new(&all, Some(&spread), 0.0, 0.0).unwrap()
        };
        assert!((of(true).quantile(0.5).unwrap() - 85.0).abs() < 0.1);
        // Too far off to be one of them, even where nobody told.
        assert!((of(false).quantile(0.5).unwrap() - 85.0).abs() < 2.0);
    }

    /// Eyes of some strobes, each with an error of its own, drawn again and again: how often does the interval hold the true least?
    fn covered(groups: usize, apart: f64, error: f64, runs: u64) -> (u64, f64) {
        use crate::special::normal_quantile;
        let (tau, noise) = (2.5, 2.0);
        let (mut held, mut width) = (0, 0.0);
        for run in 0..runs {
            let draw = |at: u64| normal_quantile(crate::tolerance::uniform(run * 1_000_003 + at)).unwrap();
            let (mut values, mut least) = (Vec::new(), f64::INFINITY);
            for group in 0..groups {
                let (own, off) = (apart * draw(500 + group as u64), error * draw(700 + group as u64));
                for lane in 0..8 {
                    let at = (group * 8 + lane) as u64;
                    let truth = 100.0 + own + tau * draw(at);
                    least = truth.min(least);
                    let value = truth + off + noise * draw(1000 + at);
                    values.push(Noisy {
                        value,
                        variance: noise * noise,
                        about: 0.0,
                        group: group as u16,
                        alone: false,
                    });
                }
            }
            let freedom = 7.0 * groups as f64;
            let spread = Spread::of(&[(freedom, tau * tau + noise * noise, noise * noise)], 1.0).unwrap();
            let found = Minimum::new(&values, Some(&spread), error * error, 0.0).unwrap();
            let (middle, half) = found.interval(0.95).unwrap();
            held += u64::from((middle - least).abs() <= half);
            width += half / runs as f64;
        }
        (held, width)
    }

    /// What a strobe puts off together is told from what its lanes truly have where there are strobes enough.
    #[test]
    fn errors_of_groups_are_told_from_their_values() {
        for (groups, apart, error) in [
            (1, 0.0, 4.0),
            (9, 0.0, 4.0),
            (9, 2.5, 4.0),
            (9, 2.5, 1.0),
            (9, 8.0, 0.0),
            (2, 8.0, 0.0),
            (1, 0.0, 0.0),
        ] {
            let (held, _) = covered(groups, apart, error, 400);
            // 95 % of 400: 380, standard deviation 4.4; more is safe.
            assert!(held >= 366, "{groups} groups, {apart} apart, error {error}: {held} of 400");
        }
        let (few, many) = (covered(1, 0.0, 4.0, 100).1, covered(9, 0.0, 4.0, 100).1);
        assert!(many < 0.75 * few, "{many} {few}");
    }

    /// No strobe is drawn up to the others where it lies further below than its error explains.
    #[test]
    fn a_bad_group_stays_below() {
        let values: Vec<Noisy> = (0..72u16)
            .map(|lane| Noisy {
                value: 100.0 + f64::from(lane % 5) - if lane / 8 == 4 { 20.0 } else { 0.0 },
                variance: 4.0,
                about: 0.0,
                group: lane / 8,
                alone: false,
            })
            .collect();
        let spread = Spread::of(&[(63.0, 6.0, 4.0)], 1.0).unwrap();
        let (middle, half) = Minimum::new(&values, Some(&spread), 9.0, 0.0).unwrap().interval(0.95).unwrap();
        assert!(middle < 82.0 && half > 4.0, "{middle} {half}");
    }

    /// Best estimates with the truth about them are not drawn to each other, and truth that lies about them lowers the least.
    #[test]
    fn best_estimates_are_not_drawn() {
        let of = |variance: f64, about: f64| {
            let values: Vec<Noisy> = (0..8)
                .map(|k| Noisy { value: f64::from(k), variance, about, group: 0, alone: false })
                .collect();
            let spread = Spread::of(&[(7.0, 6.0, variance)], 1.0).unwrap();
            Minimum::new(&values, Some(&spread), 0.0, 0.0).unwrap().interval(0.95).unwrap()
        };
        let (drawn, _) = of(4.0, 0.0);
        let (middle, half) = of(0.01, 4.0);
        // The least of normal values 0, 1, 2 ... with deviation 2: -4.17 to 1.70 by 200,000 draws.
        assert!(drawn > 0.5 && (middle + 1.235).abs() < 0.25, "{drawn} {middle}");
        assert!((half - 2.93).abs() < 0.25, "{half}");
    }

    /// The deviation's posterior: with many degrees of freedom it is the variance seen less that of a reading.
    #[test]
    fn the_spread_is_found() {
        let spread = Spread::of(&[(10_000.0, 25.0, 16.0)], 2.0).unwrap();
        assert!((spread.middle() - 3.0).abs() < 0.15, "{spread:?}");
        let little = Spread::of(&[(7.0, 12.0, 16.0)], 2.0).unwrap();
        assert!(
            little.nodes[0] > 0.0 && little.nodes[0] < 1.0 && little.nodes[NODES - 1] > 2.5,
            "{little:?}"
        );
        assert!(Spread::of(&[], 1.0).is_none());
    }
}
