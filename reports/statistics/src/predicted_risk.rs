//! Global risks (JCGM 106:2012, 3.3.15, 3.3.16) of a decision that rests on a prediction: from a sample of items whose true
//! value and prediction are both known, by smooth bootstrap (Efron and Tibshirani 1993, ch. 16; variance kept as in Silverman
//! 1986, 6.4.1).
//!
//! A normal model has no faulty items in it and flatters. Here the population is the sample itself. Sound items: predictions and
//! residuals drawn apart from each other, predictions jittered by a tenth of their standard deviation, residuals by a whole one:
//! the tail of 200 residuals hangs from two or three of them, and half sample, half normal it is known a third better. Faulty items
//! as they are, prediction and true value each jittered by a quarter of the residual's standard deviation.

use super::error::{Result, StatisticsError, check_probability, check_range, check_values};
use super::special::{normal_cdf, normal_quantile};
use super::summary::{Interval, mean, quantile_of_sorted, standard_deviation};
use super::tolerance::uniform;

const WHAT: &str = "risks of a predicted decision";
/// Jitter of a sound item's prediction and residual, as shares of their standard deviations.
const PREDICTED: f64 = 0.1;
const RESIDUAL: f64 = 1.0;
/// Jitter of a faulty item, as a share of the standard deviation of the residuals.
const FAULTY: f64 = 0.25;
/// Cells of the grid in one jitter of the smaller kind.
const CELLS: f64 = 3.0;
/// Reach of a kernel, in jitters.
const REACH: f64 = 5.0;
/// Most cells of a grid.
const MOST_CELLS: usize = 200_000;
/// Draws for an interval.
const DRAWS: usize = 4000;

/// One item: its prediction, and by how much its true value exceeds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Item {
    pub predicted: f64,
    pub residual: f64,
    /// It is sent on for another reason, whatever is predicted.
    pub set_apart: bool,
}

/// Where a prediction leads: accepted from `limit` + guard band on, rejected below `reject_below`, else a further test settles
/// it. Items are bad below `limit`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    pub limit: f64,
    pub reject_below: f64,
}

/// Risks at one guard band. All but `overkill` and `overkill_alone` are shares of all items.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PredictedRisk {
    /// Accepted and bad.
    pub escapes: f64,
    /// Sent to the further test.
    pub sent_on: f64,
    /// Good items that are rejected without it, as a share of the good ones.
    pub overkill: f64,
    /// The same if there were no further test: everything not accepted is rejected.
    pub overkill_alone: f64,
    /// Rejected without the further test.
    pub rejected: f64,
    pub bad: f64,
}

/// What becomes of one kind of items, as shares of them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Shares {
    pub escapes: f64,
    pub sent_on: f64,
    pub rejected: f64,
    pub rejected_good: f64,
    pub accepted_good: f64,
    pub bad: f64,
}

impl Shares {
    fn add(&mut self, weight: f64, other: &Shares) {
        self.escapes += weight * other.escapes;
        self.sent_on += weight * other.sent_on;
        self.rejected += weight * other.rejected;
        self.rejected_good += weight * other.rejected_good;
        self.accepted_good += weight * other.accepted_good;
        self.bad += weight * other.bad;
    }

    /// Good items that are not accepted, as a share of the good ones.
    pub fn overkill_alone(&self) -> f64 {
        (1.0 - self.accepted_good / (1.0 - self.bad).max(f64::MIN_POSITIVE)).max(0.0)
    }

    fn risk(&self) -> PredictedRisk {
        PredictedRisk {
            escapes: self.escapes,
            sent_on: self.sent_on,
            overkill: self.rejected_good / (1.0 - self.bad).max(f64::MIN_POSITIVE),
            overkill_alone: self.overkill_alone(),
            rejected: self.rejected,
            bad: self.bad,
        }
    }
}

/// A sample of a population.
#[derive(Debug, Clone, Copy)]
pub struct Sampled<'a> {
    pub sound: &'a [Item],
    pub faulty: &'a [Item],
    /// Share of faulty items in the population, 0 to 1.
    pub faulty_share: f64,
}

/// What becomes of the sound items, and of each faulty one, at each guard band.
#[derive(Debug, Clone, PartialEq)]
pub struct Parts {
    pub sound: Vec<Shares>,
    /// By item, by guard band.
    pub faulty: Vec<Vec<Shares>>,
    pub faulty_share: f64,
}

/// How well a sample knows the risks of sound items at one guard band: standard deviations over samples like it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RiskSpread {
    /// Of the logarithm of true escapes over estimated ones.
    pub ln_escapes: f64,
    /// Of true less estimated shares.
    pub sent_on: f64,
    pub overkill_alone: f64,
}

/// Intervals of the risks at one guard band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RiskIntervals {
    /// Of the share that is counted over [`Known::counted`] items.
    pub escapes: Interval,
    /// The true share lies below at [`Known::sure`].
    pub escapes_below: f64,
    pub sent_on: Interval,
    pub overkill_alone: Interval,
}

/// How intervals are stated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    pub confidence: f64,
    /// Items over which escapes would be counted: chance of its own.
    pub counted: f64,
    /// One-sided confidence.
    pub sure: f64,
    pub seed: u64,
}

/// The smoothed sound items on a grid of predictions: in each cell the share of items, and of bad ones.
struct Grid {
    from: f64,
    step: f64,
    all: Vec<f64>,
    bad: Vec<f64>,
    /// Set apart: all, and bad ones.
    apart: (f64, f64),
}

/// A value drawn together towards its mean, so that value and jitter have the sample's own variance.
fn kept(mean: f64, value: f64, jitter: f64) -> f64 {
    mean + (value - mean) / (1.0 + jitter * jitter).sqrt()
}

/// Mean and standard deviation; the latter is more than 0.
fn spread_of(items: &[Item], value: fn(&Item) -> f64) -> Result<(f64, f64)> {
    let values: Vec<f64> = items.iter().map(value).collect();
    let sd = standard_deviation(&values)?;
    if sd <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    Ok((mean(&values)?, sd))
}

/// The residuals smoothed: odds that one lies below a value.
#[derive(Debug, Clone, PartialEq)]
pub struct SmoothResiduals {
    centres: Vec<f64>,
    jitter: f64,
}

impl SmoothResiduals {
    /// # Errors
    /// Fewer than two, or all alike.
    pub fn of(residuals: &[f64]) -> Result<SmoothResiduals> {
        let (mean, sd) = (mean(residuals)?, standard_deviation(residuals)?);
        if sd <= 0.0 {
            return Err(StatisticsError::ZeroVariance { what: WHAT });
        }
        let centres = residuals.iter().map(|residual| kept(mean, *residual, RESIDUAL)).collect();
        Ok(SmoothResiduals { centres, jitter: sd * RESIDUAL / (1.0 + RESIDUAL * RESIDUAL).sqrt() })
    }

    pub fn below(&self, value: f64) -> f64 {
        let odds = |centre: &f64| match (value - centre) / self.jitter {
            far if far > 8.0 => 1.0,
            far if far < -8.0 => 0.0,
            z => normal_cdf(z),
        };
        self.centres.iter().map(odds).sum::<f64>() / self.centres.len() as f64
    }

    /// One of them, by two numbers in 0..1.
    ///
    /// # Errors
    /// A second number of 0 or 1.
    pub fn draw(&self, which: f64, jitter: f64) -> Result<f64> {
        let at = ((which * self.centres.len() as f64) as usize).min(self.centres.len() - 1);
        Ok(self.centres[at] + self.jitter * normal_quantile(jitter)?)
    }
}

impl Sampled<'_> {
    fn check(&self) -> Result<()> {
        for items in [self.sound, self.faulty] {
            let values: Vec<f64> = items.iter().flat_map(|item| [item.predicted, item.residual]).collect();
            check_values(WHAT, &values, 0)?;
        }
        if self.sound.len() < 10 {
            return Err(StatisticsError::TooFewValues { what: WHAT, have: self.sound.len(), need: 10 });
        }
        let share = self.faulty_share;
        check_range("share of faulty items", share, (0.0..=1.0).contains(&share), "between 0 and 1")
    }

    /// The sound items smoothed about `limit`.
    fn smoothed(&self, limit: f64) -> Result<Grid> {
        let (centre, sd) = spread_of(self.sound, |item| item.predicted)?;
        let residuals: Vec<f64> = self.sound.iter().map(|item| item.residual).collect();
        let residuals = SmoothResiduals::of(&residuals)?;
        let wide = PREDICTED * sd / (1.0 + PREDICTED * PREDICTED).sqrt();
        let step = wide.min(FAULTY * residuals.jitter) / CELLS;
        let ends = self.sound.iter().map(|item| item.predicted);
        let low = ends.clone().fold(limit, f64::min) - REACH * wide;
        let high = ends.fold(limit, f64::max) + REACH * wide;
        let cells = ((high - low) / step).ceil() as usize + 1;
        check_range(
            "cells of a population",
            cells as f64,
            cells <= MOST_CELLS,
            "at most 200000; \
            remove predictions that lie absurdly far from the others",
        )?;
        // The limit lies on a border of cells.
        let from = limit - ((limit - low) / step).ceil() * step;
        let mut grid =
            Grid { from, step, all: vec![0.0; cells + 1], bad: vec![0.0; cells + 1], apart: (0.0, 0.0) };
        let bad: Vec<f64> =
            (0..grid.all.len()).map(|cell| residuals.below(limit - grid.centre(cell))).collect();
        let weight = 1.0 / self.sound.len() as f64;
        for item in self.sound {
            let at = kept(centre, item.predicted, PREDICTED);
            grid.spread(at, wide, item.set_apart, |cell, part| (weight * part, bad[cell]));
        }
        Ok(grid)
    }

    /// What becomes of each part at each guard band.
    ///
    /// # Errors
    /// Fewer than ten sound items, no spread, numbers that are not finite.
    pub fn parts(&self, at: Thresholds, guard_bands: &[f64]) -> Result<Parts> {
        self.check()?;
        let grid = self.smoothed(at.limit)?;
        let (_, sd) = spread_of(self.sound, |item| item.residual)?;
        let of_faulty = |item: &Item| -> Vec<Shares> {
            let above = |from: f64| normal_cdf((item.predicted - from) / (FAULTY * sd));
            let bad = normal_cdf((at.limit - item.predicted - item.residual) / (FAULTY * sd));
            let shares = |guard: &f64| {
                let accept = at.limit + guard;
                let accepted = if item.set_apart { 0.0 } else { above(accept) };
                let rejected = if item.set_apart { 0.0 } else { 1.0 - above(at.reject_below.min(accept)) };
                Shares {
                    escapes: accepted * bad,
                    sent_on: 1.0 - accepted - rejected,
                    rejected,
                    rejected_good: rejected * (1.0 - bad),
                    accepted_good: accepted * (1.0 - bad),
                    bad,
                }
            };
            guard_bands.iter().map(shares).collect()
        };
        Ok(Parts {
            sound: guard_bands.iter().map(|guard| grid.shares(at, *guard)).collect(),
            faulty: self.faulty.iter().map(of_faulty).collect(),
            faulty_share: if self.faulty.is_empty() { 0.0 } else { self.faulty_share },
        })
    }
}

impl Parts {
    /// Risks of the whole population at each guard band.
    pub fn risks(&self) -> Vec<PredictedRisk> {
        let alike = vec![1.0 / self.faulty.len().max(1) as f64; self.faulty.len()];
        (0..self.sound.len()).map(|guard| self.mixed(guard, &alike).risk()).collect()
    }

    fn mixed(&self, guard: usize, weights: &[f64]) -> Shares {
        let mut mixed = Shares::default();
        mixed.add(1.0 - self.faulty_share, &self.sound[guard]);
        for (item, weight) in self.faulty.iter().zip(weights) {
            mixed.add(self.faulty_share * weight, &item[guard]);
        }
        mixed
    }

    /// Intervals at each guard band: sound items by how well a sample knows them, faulty ones by weights drawn anew (Bayesian
    /// bootstrap, Rubin 1981): a single one that escapes may stand for as good as none. So the lower end of escapes adds the two
    /// parts' own lower ends; the upper one is that of their sum.
    ///
    /// # Errors
    /// Confidences outside 0 to 1, no spread for a guard band.
    pub fn intervals(&self, spread: &[RiskSpread], known: Known) -> Result<Vec<RiskIntervals>> {
        check_probability("confidence of an interval of risks", known.confidence)?;
        check_probability("one-sided confidence of escapes", known.sure)?;
        if spread.len() != self.sound.len() {
            let (have, need) = (spread.len(), self.sound.len());
            return Err(StatisticsError::Shape { what: WHAT, have, need });
        }
        let tail = 0.5 - 0.5 * known.confidence;
        let mut place = known.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut number = || {
            place = place.wrapping_add(1);
            uniform(place)
        };
        let n = self.faulty.len();
        let mut draws: Vec<(f64, Vec<f64>, [f64; 2])> = Vec::with_capacity(DRAWS);
        for _ in 0..DRAWS {
            let z = normal_quantile(number())?;
            let mut weights: Vec<f64> = (0..n).map(|_| -number().ln()).collect();
            let sum: f64 = weights.iter().sum();
            weights.iter_mut().for_each(|weight| *weight /= sum);
            draws.push((z, weights, [number(), number()]));
        }
        let sorted = |mut list: Vec<f64>| {
            list.sort_by(f64::total_cmp);
            list
        };
        let ends = |list: &[f64]| Interval {
            lower: quantile_of_sorted(list, tail),
            upper: quantile_of_sorted(list, 1.0 - tail),
        };
        let mut intervals = Vec::with_capacity(spread.len());
        for (guard, spread) in spread.iter().enumerate() {
            let sound = (1.0 - self.faulty_share) * self.sound[guard].escapes;
            let (mut alone, mut other, mut both, mut counted) = (vec![], vec![], vec![], vec![]);
            let (mut sent_on, mut overkill) = (vec![], vec![]);
            for (z, weights, chance) in &draws {
                let mixed = self.mixed(guard, weights);
                let faulty = (mixed.escapes - sound).max(0.0);
                let of_sound = (sound * (z * spread.ln_escapes).exp()).min(1.0);
                alone.push(count(of_sound * known.counted, chance[0])? / known.counted);
                other.push(faulty);
                both.push(of_sound + faulty);
                counted.push(count((of_sound + faulty) * known.counted, chance[1])? / known.counted);
                sent_on.push((mixed.sent_on + z * spread.sent_on).clamp(0.0, 1.0));
                overkill.push((mixed.overkill_alone() + z * spread.overkill_alone).clamp(0.0, 1.0));
            }
            let lower = ends(&sorted(alone)).lower + ends(&sorted(other)).lower;
            let upper = ends(&sorted(counted)).upper;
            intervals.push(RiskIntervals {
                escapes: Interval { lower: lower.min(upper), upper },
                escapes_below: quantile_of_sorted(&sorted(both), known.sure),
                sent_on: ends(&sorted(sent_on)),
                overkill_alone: ends(&sorted(overkill)),
            });
        }
        Ok(intervals)
    }
}

/// What is counted where so many are expected (Poisson), by a number in 0..1.
fn count(expected: f64, chance: f64) -> Result<f64> {
    if expected > 100.0 {
        return Ok((expected + expected.sqrt() * normal_quantile(chance)?).max(0.0));
    }
    let (mut term, mut number) = ((-expected).exp(), 0.0);
    let mut sum = term;
    while sum < chance && number < 1000.0 {
        number += 1.0;
        term *= expected / number;
        sum += term;
    }
    Ok(number)
}

impl Grid {
    fn centre(&self, cell: usize) -> f64 {
        self.from + (cell as f64 + 0.5) * self.step
    }

    /// Adds an item whose prediction is jittered about `at`; `share` gives a cell's share of all items and the odds of bad.
    fn spread(&mut self, at: f64, jitter: f64, apart: bool, share: impl Fn(usize, f64) -> (f64, f64)) {
        let place = |value: f64| ((value - self.from) / self.step).floor();
        let last = self.all.len() - 1;
        let first = place(at - REACH * jitter).clamp(0.0, last as f64) as usize;
        let end = place(at + REACH * jitter).clamp(0.0, last as f64) as usize;
        let below = |border: usize| normal_cdf((self.from + border as f64 * self.step - at) / jitter);
        let whole = below(end + 1) - below(first);
        let mut before = below(first);
        for cell in first..=end {
            let now = normal_cdf((self.from + (cell + 1) as f64 * self.step - at) / jitter);
            let (all, odds) = share(cell, (now - before) / whole);
            before = now;
            if apart {
                self.apart.0 += all;
                self.apart.1 += all * odds;
            } else {
                self.all[cell] += all;
                self.bad[cell] += all * odds;
            }
        }
    }

    fn shares(&self, at: Thresholds, guard: f64) -> Shares {
        let mut shares = Shares { sent_on: self.apart.0, bad: self.apart.1, ..Shares::default() };
        let accept = at.limit + guard;
        let reject = at.reject_below.min(accept);
        // The part of a cell above a threshold.
        let above = |cell: usize, threshold: f64| {
            ((self.from + (cell + 1) as f64 * self.step - threshold) / self.step).clamp(0.0, 1.0)
        };
        for (cell, (all, bad)) in self.all.iter().zip(&self.bad).enumerate() {
            let (accepted, kept) = (above(cell, accept), above(cell, reject));
            shares.escapes += accepted * bad;
            shares.bad += bad;
            shares.sent_on += (kept - accepted) * all;
            shares.rejected += (1.0 - kept) * all;
            shares.accepted_good += accepted * (all - bad);
            shares.rejected_good += (1.0 - kept) * (all - bad);
        }
        shares
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conformity::Tolerance;
    use crate::global_risk::{Prior, global_risk};

    /// A normal population and a normal residual, as even as 2,000 items can lie: the closed form for a normal process and a
    /// normal measurement is JCGM 106 9.5 (`global_risk` is held against its worked figures). A prediction p and a residual e
    /// apart from each other are a process p + e that is measured by p: seen the other way round, with the prior of the
    /// true values and the error of the best estimate.
    #[test]
    fn the_normal_case_meets_the_closed_form() {
        let n = 2000;
        let z = |k: usize, of: usize| normal_quantile((k as f64 + 0.5) / of as f64).unwrap();
        // Predictions and residuals are used apart, so that both may lie in order.
        let (mean, sd, s, limit) = (10.0, 1.0, 0.3, 8.4);
        let sound: Vec<Item> = (0..n)
            .map(|k| Item { predicted: mean + sd * z(k, n), residual: s * z(k, n), set_apart: false })
            .collect();
        let sampled = Sampled { sound: &sound, faulty: &[], faulty_share: 0.0 };
        let guards = [0.0, 0.3, 0.6];
        let at = Thresholds { limit, reject_below: f64::NEG_INFINITY };
        // T = p + e, p = best estimate of T: regressed back, T is N(mean, sd^2 + s^2), and p = b T + noise.
        let variance = sd * sd + s * s;
        let b = sd * sd / variance;
        let noise = (sd * sd * (1.0 - b)).sqrt();
        for (guard, risk) in guards.iter().zip(sampled.parts(at, &guards).unwrap().risks()) {
            let prior = Prior::Normal { mean, sd: variance.sqrt() };
            // Accepted where p >= limit + guard: p / b - mean (1 - b) / b reads T with an error of noise / b.
            let read = |p: f64| (p - mean * (1.0 - b)) / b;
            let accept = Tolerance::Lower(read(limit + guard));
            let exact = global_risk(&prior, noise / b, &Tolerance::Lower(limit), &accept).unwrap();
            assert!((risk.escapes - exact.consumer).abs() < 2e-4, "{guard}: {risk:?} {exact:?}");
            let alone = exact.producer / (1.0 - exact.nonconforming);
            assert!((risk.overkill_alone - alone).abs() < 1e-3, "{guard}: {risk:?} {alone}");
            assert!((risk.bad - exact.nonconforming).abs() < 5e-4, "{guard}: {risk:?} {exact:?}");
        }
    }

    fn hundred() -> Vec<Item> {
        let z = |k: usize| normal_quantile((k as f64 + 0.5) / 100.0).unwrap();
        let item = |k| Item { predicted: 20.0 + z(k), residual: 0.1 * z(k), set_apart: false };
        (0..100).map(item).collect()
    }

    /// A faulty item far from the limit counts with its share; one that is set apart never escapes.
    #[test]
    fn faulty_items_come_as_they_are() {
        let sound = hundred();
        let hidden = Item { predicted: 20.0, residual: -15.0, set_apart: false };
        let at = Thresholds { limit: 10.0, reject_below: 9.0 };
        let with = |faulty: &[Item]| {
            let sampled = Sampled { sound: &sound, faulty, faulty_share: 0.02 };
            sampled.parts(at, &[0.5]).unwrap().risks()[0]
        };
        let (seen, apart) = (with(&[hidden]), with(&[Item { set_apart: true, ..hidden }]));
        assert!((seen.escapes - 0.02).abs() < 1e-9 && (seen.bad - 0.02).abs() < 1e-9, "{seen:?}");
        assert!(apart.escapes < 1e-12 && (apart.sent_on - 0.02).abs() < 1e-9, "{apart:?}");
        let few = Sampled { sound: &sound[..5], faulty: &[], faulty_share: 0.0 };
        assert!(few.parts(at, &[0.0]).is_err());
    }

    /// Sound items alone: a lognormal about the estimate with the chance of a count in it. One faulty item of ten that escapes
    /// may be as good as none (weight of one in ten of a Dirichlet: a beta distribution, 1 and 9).
    #[test]
    fn intervals_hold_what_is_not_known() {
        let part = |escapes: f64| Shares {
            escapes,
            accepted_good: 1.0 - escapes,
            bad: escapes,
            ..Shares::default()
        };
        let spread = [RiskSpread { ln_escapes: 0.4, sent_on: 0.01, overkill_alone: 0.01 }];
        let known = Known { confidence: 0.95, counted: 1e9, sure: 0.9, seed: 1 };
        let alone = Parts { sound: vec![part(0.001)], faulty: Vec::new(), faulty_share: 0.0 };
        let found = alone.intervals(&spread, known).unwrap()[0];
        let end = |z: f64| 0.001 * (0.4 * z).exp();
        assert!((found.escapes.lower / end(-1.959964) - 1.0).abs() < 0.04, "{found:?}");
        assert!((found.escapes.upper / end(1.959964) - 1.0).abs() < 0.04, "{found:?}");
        assert!((found.escapes_below / end(1.281552) - 1.0).abs() < 0.03, "{found:?}");
        // Counted over few items chance is wider: 5 expected are 1 to 10 for a known share (Poisson, exact).
        let sure = [RiskSpread { ln_escapes: 1e-9, ..spread[0] }];
        let counted = alone.intervals(&sure, Known { counted: 5000.0, ..known }).unwrap()[0];
        assert_eq!((counted.escapes.lower, counted.escapes.upper), (1.0 / 5000.0, 10.0 / 5000.0));
        let faulty = (0..10).map(|at| vec![part(if at == 0 { 1.0 } else { 0.0 })]).collect();
        let mixed = Parts { sound: vec![part(0.0)], faulty, faulty_share: 0.1 };
        let found = mixed.intervals(&spread, known).unwrap()[0];
        let beta = |p: f64| 0.1 * (1.0 - (1.0 - p).powf(1.0 / 9.0));
        assert!((found.escapes.lower / beta(0.025) - 1.0).abs() < 0.25, "{found:?} {}", beta(0.025));
        assert!((found.escapes.upper / beta(0.975) - 1.0).abs() < 0.05, "{found:?} {}", beta(0.975));
    }
}
