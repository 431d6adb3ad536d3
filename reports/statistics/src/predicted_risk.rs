//! Global risks (JCGM 106:2012, 3.3.15, 3.3.16) of a decision that rests on a prediction: from a sample of items whose true
//! value and prediction are both known, by smooth bootstrap (Efron and Tibshirani 1993, ch. 16; variance kept as in Silverman
//! 1986, 6.4.1).
//!
//! A normal model has no faulty items in it and flatters. Here the population is the sample itself: predictions of sound items
//! and their residuals, drawn apart from each other and each jittered by a quarter of its standard deviation; faulty items as
//! they are, prediction and residual together, with the same jitter.

use super::error::{Result, StatisticsError, check_probability, check_range, check_values};
use super::special::normal_cdf;
use super::summary::{Interval, mean, quantile_of_sorted, standard_deviation};
use super::tolerance::uniform;

const WHAT: &str = "risks of a predicted decision";
/// Jitter as a share of the standard deviation.
const JITTER: f64 = 0.25;
/// Cells of the grid in one jitter of the smaller kind.
const CELLS: f64 = 3.0;
/// Reach of a kernel, in jitters.
const REACH: f64 = 5.0;
/// Most cells of a grid.
const MOST_CELLS: usize = 200_000;

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

/// A sample of a population.
#[derive(Debug, Clone, Copy)]
pub struct Sampled<'a> {
    pub sound: &'a [Item],
    pub faulty: &'a [Item],
    /// Share of faulty items in the population, 0 to 1.
    pub faulty_share: f64,
}

/// The smoothed population on a grid of predictions: in each cell the share of items, and of bad ones.
struct Grid {
    from: f64,
    step: f64,
    all: Vec<f64>,
    bad: Vec<f64>,
    /// Set apart: all, and bad ones.
    apart: (f64, f64),
}

/// Spread of the sound items, which gives the jitter: it stays that of the sample when the sample is drawn again.
struct Spread {
    predicted: (f64, f64),
    residual: (f64, f64),
}

impl Spread {
    fn of(sound: &[Item]) -> Result<Spread> {
        let both = |value: fn(&Item) -> f64| -> Result<(f64, f64)> {
            let values: Vec<f64> = sound.iter().map(value).collect();
            let sd = standard_deviation(&values)?;
            if sd <= 0.0 {
                return Err(StatisticsError::ZeroVariance { what: WHAT });
            }
            Ok((mean(&values)?, sd))
        };
        Ok(Spread { predicted: both(|item| item.predicted)?, residual: both(|item| item.residual)? })
    }

    /// A value drawn together towards its mean, so that value and jitter have the sample's own variance.
    fn kept((mean, _): (f64, f64), value: f64) -> f64 {
        mean + (value - mean) / (1.0 + JITTER * JITTER).sqrt()
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

    /// The population smoothed about `limit`.
    fn smoothed(&self, limit: f64, spread: &Spread) -> Result<Grid> {
        let (wide, narrow) = (JITTER * spread.predicted.1, JITTER * spread.residual.1);
        let step = wide.min(narrow) / CELLS;
        let ends = self.sound.iter().chain(self.faulty).map(|item| item.predicted);
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
        let residuals: Vec<f64> =
            self.sound.iter().map(|item| Spread::kept(spread.residual, item.residual)).collect();
        // Odds of being bad at a prediction.
        let odds = |predicted: f64, residual: f64| match (limit - predicted - residual) / narrow {
            far if far > 8.0 => 1.0,
            far if far < -8.0 => 0.0,
            z => normal_cdf(z),
        };
        let of_sound: Vec<f64> = (0..grid.all.len())
            .map(|cell| {
                let at = grid.centre(cell);
                residuals.iter().map(|residual| odds(at, *residual)).sum::<f64>() / residuals.len() as f64
            })
            .collect();
        let share = if self.faulty.is_empty() { 0.0 } else { self.faulty_share };
        let weight = (1.0 - share) / self.sound.len() as f64;
        for item in self.sound {
            let at = Spread::kept(spread.predicted, item.predicted);
            grid.spread(at, wide, item.set_apart, |cell, part| (weight * part, of_sound[cell]));
        }
        let weight = share / self.faulty.len().max(1) as f64;
        for item in self.faulty {
            let (from, step) = (grid.from, grid.step);
            grid.spread(item.predicted, wide, item.set_apart, |cell, part| {
                (weight * part, odds(from + (cell as f64 + 0.5) * step, item.residual))
            });
        }
        Ok(grid)
    }

    /// Risks at each guard band.
    ///
    /// # Errors
    /// Fewer than ten sound items, no spread, numbers that are not finite.
    pub fn risks(&self, at: Thresholds, guard_bands: &[f64]) -> Result<Vec<PredictedRisk>> {
        self.check()?;
        let grid = self.smoothed(at.limit, &Spread::of(self.sound)?)?;
        Ok(guard_bands.iter().map(|guard| grid.risk(at, *guard)).collect())
    }

    /// Risks at each guard band with the interval of escapes, of `sent_on` and of `overkill_alone` at `confidence`:
    /// percentiles over `draws` samples drawn again from this one, a fixed function of `seed`.
    ///
    /// # Errors
    /// As [`Sampled::risks`].
    pub fn with_intervals(
        &self,
        at: Thresholds,
        guard_bands: &[f64],
        (draws, seed, confidence): (usize, u64, f64),
    ) -> Result<Vec<(PredictedRisk, [Interval; 3])>> {
        check_probability("confidence of a bootstrap interval", confidence)?;
        let risks = self.risks(at, guard_bands)?;
        let spread = Spread::of(self.sound)?;
        let mut seen: Vec<[Vec<f64>; 3]> = vec![Default::default(); guard_bands.len()];
        let mut place = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut again = |items: &[Item]| -> Vec<Item> {
            let mut pick = || {
                place = place.wrapping_add(1);
                items[((uniform(place) * items.len() as f64) as usize).min(items.len() - 1)]
            };
            items.iter().map(|_| pick()).collect()
        };
        for _ in 0..draws {
            let (sound, faulty) = (again(self.sound), again(self.faulty));
            let drawn = Sampled { sound: &sound, faulty: &faulty, faulty_share: self.faulty_share };
            let grid = drawn.smoothed(at.limit, &spread)?;
            for (guard, seen) in guard_bands.iter().zip(&mut seen) {
                let risk = grid.risk(at, *guard);
                seen.iter_mut()
                    .zip([risk.escapes, risk.sent_on, risk.overkill_alone])
                    .for_each(|(list, value)| list.push(value));
            }
        }
        let tail = 0.5 - 0.5 * confidence;
        let interval = |list: &mut Vec<f64>| {
            list.sort_by(f64::total_cmp);
            Interval { lower: quantile_of_sorted(list, tail), upper: quantile_of_sorted(list, 1.0 - tail) }
        };
        Ok(risks
            .into_iter()
            .zip(seen)
            .map(|(risk, mut seen)| (risk, std::array::from_fn(|which| interval(&mut seen[which]))))
            .collect())
    }
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

    fn risk(&self, at: Thresholds, guard: f64) -> PredictedRisk {
        let mut risk = PredictedRisk { sent_on: self.apart.0, bad: self.apart.1, ..PredictedRisk::default() };
        let accept = at.limit + guard;
        let reject = at.reject_below.min(accept);
        // The part of a cell above a threshold.
        let above = |cell: usize, threshold: f64| {
            ((self.from + (cell + 1) as f64 * self.step - threshold) / self.step).clamp(0.0, 1.0)
        };
        let mut good = 1.0 - self.apart.1 - self.all.iter().zip(&self.bad).map(|(_, bad)| bad).sum::<f64>();
        good = good.max(f64::MIN_POSITIVE);
        let (mut accepted_good, mut rejected_good) = (0.0, 0.0);
        for (cell, (all, bad)) in self.all.iter().zip(&self.bad).enumerate() {
            let (accepted, kept) = (above(cell, accept), above(cell, reject));
            risk.escapes += accepted * bad;
            risk.bad += bad;
            risk.sent_on += (kept - accepted) * all;
            risk.rejected += (1.0 - kept) * all;
            accepted_good += accepted * (all - bad);
            rejected_good += (1.0 - kept) * (all - bad);
        }
        risk.overkill = rejected_good / good;
        risk.overkill_alone = (1.0 - accepted_good / good).max(0.0);
        risk
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conformity::Tolerance;
    use crate::global_risk::{Prior, global_risk};
    use crate::special::normal_quantile;

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
        for (guard, risk) in guards.iter().zip(sampled.risks(at, &guards).unwrap()) {
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

    /// A faulty item far from the limit counts with its share; one that is set apart never escapes.
    #[test]
    fn faulty_items_come_as_they_are() {
        let n = 100;
        let sound: Vec<Item> = (0..n)
            .map(|k| {
                let z = normal_quantile((f64::from(k) + 0.5) / f64::from(n)).unwrap();
                Item { predicted: 20.0 + z, residual: 0.1 * z, set_apart: false }
            })
            .collect();
        let hidden = Item { predicted: 20.0, residual: -15.0, set_apart: false };
        let at = Thresholds { limit: 10.0, reject_below: 9.0 };
        let with = |faulty: &[Item]| {
            Sampled { sound: &sound, faulty, faulty_share: 0.02 }.risks(at, &[0.5]).unwrap()[0]
        };
        let (seen, apart) = (with(&[hidden]), with(&[Item { set_apart: true, ..hidden }]));
        assert!((seen.escapes - 0.02).abs() < 1e-9 && (seen.bad - 0.02).abs() < 1e-9, "{seen:?}");
        assert!(apart.escapes < 1e-12 && (apart.sent_on - 0.02).abs() < 1e-9, "{apart:?}");
        assert!(Sampled { sound: &sound[..5], faulty: &[], faulty_share: 0.0 }.risks(at, &[0.0]).is_err());
    }
}
