//! The least of many noisy values: where the true minimum lies, given that the lowest reading is partly low by chance.
//!
//! Values measured alike are a sample of a population whose spread is known from the values themselves (an empirical Bayes
//! estimate of the normal-normal model, as in Efron and Morris, J. Am. Stat. Assoc. 70 (1975) 311; the between-value
//! standard deviation with a half-Cauchy prior, as Gelman, Bayesian Analysis 1 (2006) 515, has it for few values: with a flat one
//! eight values that are all alike seem to lie half their noise apart, and their least far too low). Values that stand alone,
//! because they were found to be outliers, are taken as read: nothing draws them to the others.
//!
//! Everything is by quadrature: the answer is a fixed function of the numbers given.

mod draw;
mod normal_table;
mod outliers;
mod spread;

pub use outliers::low_outliers;
pub use spread::{Sample, Spread};

use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::{normal_cdf, normal_quantile};
use draw::{Drawn, draw};
use normal_table::TABLE;

/// Places at which a distribution is kept.
const POINTS: usize = 64;
/// Standard deviations to either side that are kept.
const REACH: f64 = 6.0;

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

#[cfg(test)]
mod tests;
