//! How far a derivation's risks lie from the true ones: the whole derivation made again from samples that the smoothed sample gives.
//!
//! A test is fitted, its spread estimated and its guard bands measured in that spread on one sample: all of it would come out
//! otherwise on another one. Resampling residuals with the fit held still knows nothing of this: its interval held 2 of 3
//! derivations. Here each drawn sample gets a fit of its own, and its estimate is compared with what its test does to the
//! population that it was drawn from.

use super::guard_bands::{steps, thresholds};
use super::prediction::Model;
use statistics::StatisticsError;
use statistics::predicted_risk::{RiskSpread, Sampled, Shares, SmoothResiduals, Thresholds};
use statistics::summary::standard_deviation;
use statistics::tolerance::uniform;

/// Samples drawn, and units that stand for the population.
const SAMPLES: usize = 200;
const POPULATION: usize = 8000;
/// Seed of what is drawn.
const SEED: u64 = 1;
/// Jitter of a unit's numbers, as a share of their spread.
const JITTER: f64 = 0.1;
/// What is drawn this way lies too close together: counted over 120 derivations from one pool of 6,000 units, intervals without
/// this factor held 91 % of them, with it 95 %.
const WIDENED: f64 = 1.25;
/// Escapes below this are none.
const NONE: f64 = 1e-7;

/// Numbers in 0..1, one after the other.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(1);
        uniform(self.0)
    }
    fn below(&mut self, count: usize) -> usize {
        ((self.next() * count as f64) as usize).min(count - 1)
    }
}

/// The smoothed sound units: numbers of one of them, jittered along the difference of two others, which has the sample's own
/// covariance; and a smoothed residual apart from them.
struct World<'a> {
    rows: &'a [Vec<f64>],
    means: Vec<f64>,
    model: &'a Model,
    residuals: SmoothResiduals,
}

impl World<'_> {
    fn row(&self, numbers: &mut Numbers) -> Vec<f64> {
        let [own, one, other] = [(); 3].map(|()| &self.rows[numbers.below(self.rows.len())]);
        let jitter = JITTER / 2.0f64.sqrt();
        let shrink = 1.0 / (1.0 + JITTER * JITTER).sqrt();
        let value =
            |at: usize| self.means[at] + shrink * (own[at] - self.means[at] + jitter * (one[at] - other[at]));
        (0..self.means.len()).map(value).collect()
    }

    /// A sample like the one at hand.
    fn sample(&self, numbers: &mut Numbers) -> Result<(Vec<Vec<f64>>, Vec<f64>), StatisticsError> {
        let rows: Vec<Vec<f64>> = self.rows.iter().map(|_| self.row(numbers)).collect();
        let corner = |row: &Vec<f64>| -> Result<f64, StatisticsError> {
            let (which, jitter) = (numbers.next(), numbers.next());
            Ok(self.model.predict(row) + self.residuals.draw(which, jitter)?)
        };
        let corners: Result<Vec<f64>, StatisticsError> = rows.iter().map(corner).collect();
        Ok((rows, corners?))
    }
}

/// How far estimated risks of sound units lie from true ones, at each guard band.
///
/// # Errors
/// No spread.
pub(super) fn spread(
    rows: &[Vec<f64>],
    model: &Model,
    limit: f64,
) -> Result<Vec<RiskSpread>, StatisticsError> {
    let columns = rows.first().map_or(0, Vec::len);
    let means = (0..columns).map(|at| rows.iter().map(|row| row[at]).sum::<f64>() / rows.len() as f64);
    let residuals: Vec<f64> = model.pairs.iter().map(|(predicted, corner)| corner - predicted).collect();
    let residuals = SmoothResiduals::of(&residuals)?;
    let world = World { rows, means: means.collect(), model, residuals };
    let mut numbers = Numbers(SEED.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    // Odds of being bad, for each unit of the population.
    let population: Vec<(Vec<f64>, f64)> = (0..POPULATION)
        .map(|_| {
            let row = world.row(&mut numbers);
            let bad = world.residuals.below(limit - model.predict(&row));
            (row, bad)
        })
        .collect();
    let guards = steps().count();
    let mut apart: Vec<[Vec<f64>; 3]> = vec![Default::default(); guards];
    for _ in 0..SAMPLES {
        let (rows, corners) = world.sample(&mut numbers)?;
        let drawn = Model::new(&rows, &corners)?;
        let (at, guard_bands) = thresholds(limit, drawn.residual_sd);
        let items = drawn.items();
        let sampled = Sampled { sound: &items, faulty: &[], faulty_share: 0.0 };
        let estimated = sampled.parts(at, &guard_bands)?.sound;
        let truly = truth(&drawn, &population, at, &guard_bands);
        for ((apart, estimated), truly) in apart.iter_mut().zip(&estimated).zip(&truly) {
            let ratio = (truly.escapes + NONE) / (estimated.escapes + NONE);
            apart[0].push(ratio.ln());
            apart[1].push(truly.sent_on - estimated.sent_on);
            apart[2].push(truly.overkill_alone() - estimated.overkill_alone());
        }
    }
    let sd = |list: &Vec<f64>| standard_deviation(list).map(|sd| WIDENED * sd);
    apart
        .iter()
        .map(|[escapes, sent_on, overkill]| {
            Ok(RiskSpread { ln_escapes: sd(escapes)?, sent_on: sd(sent_on)?, overkill_alone: sd(overkill)? })
        })
        .collect()
}

/// What a test does to the population.
fn truth(model: &Model, population: &[(Vec<f64>, f64)], at: Thresholds, guards: &[f64]) -> Vec<Shares> {
    let each = 1.0 / population.len() as f64;
    let mut all = vec![Shares::default(); guards.len()];
    for (row, bad) in population {
        let predicted = model.predict(row);
        for (shares, guard) in all.iter_mut().zip(guards) {
            shares.bad += each * bad;
            if predicted >= at.limit + guard {
                shares.escapes += each * bad;
                shares.accepted_good += each * (1.0 - bad);
            } else if predicted >= at.reject_below {
                shares.sent_on += each;
            }
        }
    }
    all
}
