//! Gaussian-process regression with a mean of zero whose covariance is a sum of given parts, each with an amplitude of its own, and
//! the split conformal quantile by which its intervals are checked.
//!
//! Rasmussen, Williams, Gaussian Processes for Machine Learning (2006), algorithm 2.1 and equation 5.9 (from memory); checked against
//! scikit-learn.

use super::error::{Result, StatisticsError, check_probability, check_values};
use super::nonnegative::Symmetric;
use std::f64::consts::TAU;

const WHAT: &str = "Gaussian process";

/// Added to the diagonal as a share of its mean, so that a covariance without noise can be factored.
const JITTER: f64 = 1e-10;

/// Steps of the search for amplitudes.
const STEPS: usize = 80;
/// Steps of a logarithm of an amplitude: the first, the least and the largest.
const STEP: (f64, f64, f64) = (0.2, 1e-4, 0.7);
/// A gradient of less than this everywhere ends the search.
const FLAT: f64 = 1e-3;

/// What is known once values were seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    size: usize,
    /// Lower triangle L of the covariance L L', row by row, `size` a row.
    factor: Vec<f64>,
    /// Covariance^-1 y.
    weights: Vec<f64>,
    log_likelihood: f64,
}

/// Sum of products; four sums side by side, which a processor adds at once.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (mut left, mut right) = (a.chunks_exact(4), b.chunks_exact(4));
    for (a, b) in (&mut left).zip(&mut right) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum += a * b;
        }
    }
    let rest: f64 = left.remainder().iter().zip(right.remainder()).map(|(a, b)| a * b).sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

impl Posterior {
    /// After values `y` with this covariance, their noise included.
    ///
    /// # Errors
    /// Shapes that do not agree, numbers that are not finite, a covariance that is not positive definite.
    pub fn new(covariance: &Symmetric, y: &[f64]) -> Result<Posterior> {
        let size = covariance.size;
        if y.len() != size || covariance.entries.len() != size * size {
            return Err(StatisticsError::Shape { what: WHAT, have: y.len(), need: size });
        }
        check_values(WHAT, y, 0)?;
        check_values(WHAT, &covariance.entries, 0)?;
        let mean_diagonal = (0..size).map(|at| covariance.at(at, at)).sum::<f64>() / size.max(1) as f64;
        let mut factor = vec![0.0; size * size];
        let mut log_determinant = 0.0;
        for row in 0..size {
            let (above, below) = factor.split_at_mut(row * size);
            let own = &mut below[..size];
            for column in 0..row {
                let before = dot(&own[..column], &above[column * size..column * size + column]);
                own[column] = (covariance.at(row, column) - before) / above[column * size + column];
            }
            let rest = covariance.at(row, row) + JITTER * mean_diagonal - dot(&own[..row], &own[..row]);
            if !rest.is_finite() || rest <= 0.0 {
                let why = "the covariance is not positive definite; give values some noise";
                return Err(StatisticsError::NotDetermined { what: WHAT, why });
            }
            own[row] = rest.sqrt();
            log_determinant += own[row].ln();
        }
        let mut posterior = Posterior { size, factor, weights: Vec::new(), log_likelihood: 0.0 };
        let mut weights = posterior.forward(y);
        let square: f64 = dot(&weights, &weights);
        for row in (0..size).rev() {
            let value = weights[row] / posterior.factor[row * size + row];
            weights[row] = value;
            let own = &posterior.factor[row * size..row * size + row];
            weights[..row].iter_mut().zip(own).for_each(|(weight, own)| *weight -= own * value);
        }
        posterior.weights = weights;
        posterior.log_likelihood = -0.5 * square - log_determinant - 0.5 * size as f64 * TAU.ln();
        Ok(posterior)
    }

    /// L^-1 y.
    fn forward(&self, y: &[f64]) -> Vec<f64> {
        let mut solved: Vec<f64> = Vec::with_capacity(self.size);
        for (row, y) in y.iter().enumerate() {
            let own = &self.factor[row * self.size..];
            let value = (y - dot(&own[..row], &solved)) / own[row];
            solved.push(value);
        }
        solved
    }

    /// Logarithm of the marginal likelihood of the values.
    pub fn log_likelihood(&self) -> f64 {
        self.log_likelihood
    }

    /// Mean and variance at a new place. `cross`: its covariance with each value; `own`: its variance, with the noise of a new
    /// value where that is wanted.
    pub fn predict(&self, cross: &[f64], own: f64) -> (f64, f64) {
        let explained = self.forward(cross);
        (dot(cross, &self.weights), (own - dot(&explained, &explained)).max(0.0))
    }

    /// The covariance's inverse.
    fn inverse(&self) -> Vec<f64> {
        let n = self.size;
        // Rows of the inverse of L, transposed: row j holds column j.
        let mut columns = vec![0.0; n * n];
        for j in 0..n {
            let column = &mut columns[j * n..(j + 1) * n];
            column[j] = 1.0 / self.factor[j * n + j];
            for i in j + 1..n {
                let own = &self.factor[i * n..];
                column[i] = -dot(&own[j..i], &column[j..i]) / own[i];
            }
        }
        let mut inverse = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let value = dot(&columns[i * n + i..(i + 1) * n], &columns[j * n + i..(j + 1) * n]);
                inverse[i * n + j] = value;
                inverse[j * n + i] = value;
            }
        }
        inverse
    }

    /// By how much the log likelihood grows with each of these parts of the covariance, a unit of its factor each:
    /// 0.5 tr((a a' - K^-1) part).
    pub fn gradient(&self, parts: &[Symmetric]) -> Vec<f64> {
        let n = self.size;
        let mut inner = self.inverse();
        for (row, a) in inner.chunks_exact_mut(n.max(1)).zip(&self.weights) {
            row.iter_mut().zip(&self.weights).for_each(|(entry, b)| *entry = a * b - *entry);
        }
        parts.iter().map(|part| 0.5 * dot(&inner, &part.entries)).collect()
    }
}

/// Covariance of parts, each times the square of its amplitude.
pub fn covariance(parts: &[Symmetric], amplitudes: &[f64]) -> Symmetric {
    let mut sum = Symmetric::zero(parts.first().map_or(0, |part| part.size));
    for (part, amplitude) in parts.iter().zip(amplitudes) {
        let by = amplitude * amplitude;
        sum.entries.iter_mut().zip(&part.entries).for_each(|(sum, entry)| *sum += by * entry);
    }
    sum
}

/// What is thought of an amplitude beforehand: log-normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AmplitudePrior {
    /// Its median.
    pub median: f64,
    /// Standard deviation of its logarithm.
    pub log_sd: f64,
}

/// The most likely amplitudes of parts (one of them the noise) given values `y`, from `start` on: the largest marginal likelihood times
/// prior that a search by the signs of the gradient finds (Riedmiller, Braun, RPROP, 1993, from memory).
///
/// # Errors
/// As [`Posterior::new`]; amplitudes that are not positive.
pub fn amplitudes(
    parts: &[Symmetric],
    y: &[f64],
    priors: &[AmplitudePrior],
    start: &[f64],
) -> Result<Vec<f64>> {
    if priors.len() != parts.len() || start.len() != parts.len() {
        return Err(StatisticsError::Shape { what: WHAT, have: priors.len(), need: parts.len() });
    }
    let sound = |value: &f64| value.is_finite() && *value > 0.0;
    if !start.iter().all(sound) || !priors.iter().all(|prior| sound(&prior.median) && sound(&prior.log_sd)) {
        let why = "amplitudes and their priors must be positive";
        return Err(StatisticsError::NotDetermined { what: WHAT, why });
    }
    let logarithm = |value: &f64| value.ln();
    let mut at: Vec<f64> = start.iter().map(logarithm).collect();
    let medians: Vec<f64> = priors.iter().map(|prior| prior.median.ln()).collect();
    let look = |at: &[f64]| -> Result<(f64, Vec<f64>)> {
        let amplitudes: Vec<f64> = at.iter().map(|log| log.exp()).collect();
        let posterior = Posterior::new(&covariance(parts, &amplitudes), y)?;
        let mut value = posterior.log_likelihood();
        let mut gradient = posterior.gradient(parts);
        for (j, slope) in gradient.iter_mut().enumerate() {
            let off = (at[j] - medians[j]) / priors[j].log_sd;
            value -= 0.5 * off * off;
            *slope = *slope * 2.0 * amplitudes[j] * amplitudes[j] - off / priors[j].log_sd;
        }
        Ok((value, gradient))
    };
    let mut steps = vec![STEP.0; at.len()];
    let mut before = vec![0.0; at.len()];
    let (mut best, mut best_value) = (at.clone(), f64::NEG_INFINITY);
    for _ in 0..STEPS {
        let (value, gradient) = look(&at)?;
        if value > best_value {
            (best, best_value) = (at.clone(), value);
        }
        if gradient.iter().all(|slope| slope.abs() < FLAT) {
            break;
        }
        for (j, slope) in gradient.into_iter().enumerate() {
            let agree: f64 = slope * before[j];
            before[j] = slope;
            if agree > 0.0 {
                steps[j] = (steps[j] * 1.2).min(STEP.2);
            } else if agree < 0.0 {
                // Beyond a maximum: half the way, and not at once back.
                steps[j] = (steps[j] * 0.5).max(STEP.1);
                before[j] = 0.0;
                continue;
            }
            at[j] += slope.signum() * steps[j];
        }
    }
    Ok(best.into_iter().map(f64::exp).collect())
}

/// Split conformal quantile: the ceil((n + 1) coverage)-th smallest of n scores of cases like the next one; infinite where there
/// are too few of them (Lei, G'Sell, Rinaldo, Tibshirani, Wasserman, Distribution-free predictive inference for regression, JASA 113,
/// 2018, from memory).
///
/// # Errors
/// Scores that are not finite; a coverage that is no probability.
pub fn conformal_quantile(scores: &[f64], coverage: f64) -> Result<f64> {
    check_probability("coverage", coverage)?;
    check_values("conformal quantile", scores, 0)?;
    // What a product of decimal fractions is off must not ask for one more.
    let rank = ((scores.len() + 1) as f64 * coverage - 1e-9).ceil() as usize;
    let mut sorted = scores.to_vec();
    sorted.sort_by(f64::total_cmp);
    Ok(sorted.get(rank.max(1) - 1).copied().unwrap_or(f64::INFINITY))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::published::gaussian_processes::{CONFORMAL, PROCESSES};

    fn matrix(size: usize, of: impl Fn(usize, usize) -> f64) -> Symmetric {
        Symmetric { size, entries: (0..size * size).map(|at| of(at / size, at % size)).collect() }
    }

    /// Offset, slope, squared exponential, noise.
    fn parts(x: &[f64]) -> Vec<Symmetric> {
        let n = x.len();
        vec![
            matrix(n, |_, _| 1.0),
            matrix(n, |i, j| x[i] * x[j]),
            matrix(n, |i, j| (-2.0 * (x[i] - x[j]).powi(2)).exp()),
            matrix(n, |i, j| f64::from(u8::from(i == j))),
        ]
    }

    #[test]
    fn means_deviations_likelihoods_and_gradients_are_those_of_scikit_learn() {
        for process in PROCESSES {
            let parts = parts(process.x);
            let [a, b, c, d] = process.amplitudes.map(|amplitude| amplitude * amplitude);
            let posterior = Posterior::new(&covariance(&parts, &process.amplitudes), process.y).unwrap();
            assert!((posterior.log_likelihood() - process.log_likelihood).abs() < 1e-6);
            let gradient = posterior.gradient(&parts).into_iter().zip([a, b, c, d]);
            for ((slope, square), expected) in gradient.zip(process.gradient) {
                assert!(
                    (slope * square - expected).abs() < 1e-6 * (1.0 + expected.abs()),
                    "{slope} {expected}"
                );
            }
            for (at, (mean, sd)) in process.new.iter().zip(process.means.iter().zip(process.sds)) {
                let kernel = |other: f64| a + b * at * other + c * (-2.0 * (at - other).powi(2)).exp();
                let cross: Vec<f64> = process.x.iter().map(|other| kernel(*other)).collect();
                let (found, variance) = posterior.predict(&cross, kernel(*at) + d);
                assert!((found - mean).abs() < 1e-6, "{found} {mean}");
                assert!((variance.sqrt() - sd).abs() < 1e-6, "{} {sd}", variance.sqrt());
            }
        }
    }

    /// At the amplitudes found the slope of likelihood and prior is zero, wherever the search began.
    #[test]
    fn amplitudes_are_where_nothing_is_gained_any_more() {
        let process = &PROCESSES[2];
        let parts = parts(process.x);
        let priors = [AmplitudePrior { median: 0.2, log_sd: 0.8 }; 4];
        let from_below = amplitudes(&parts, process.y, &priors, &[0.2; 4]).unwrap();
        let from_above = amplitudes(&parts, process.y, &priors, &[0.5; 4]).unwrap();
        let posterior = Posterior::new(&covariance(&parts, &from_below), process.y).unwrap();
        for (j, slope) in posterior.gradient(&parts).into_iter().enumerate() {
            let prior = (from_below[j] / 0.2).ln() / (0.8 * 0.8);
            let all = 2.0 * slope * from_below[j] * from_below[j] - prior;
            assert!(all.abs() < 0.05, "{j}: {all}");
            assert!((from_below[j] / from_above[j]).ln().abs() < 0.05, "{from_below:?} {from_above:?}");
        }
        assert!((from_below[0] / 0.2).ln().abs() > 0.05, "the data moved nothing");
    }

    #[test]
    fn conformal_quantiles_are_those_of_the_published_recipe() {
        for (scores, coverage, expected) in CONFORMAL {
            assert_eq!(conformal_quantile(scores, *coverage).unwrap(), *expected);
        }
        assert_eq!(conformal_quantile(&[1.0; 18], 0.95), Ok(f64::INFINITY));
        assert_eq!(conformal_quantile(&[], 0.95), Ok(f64::INFINITY));
        assert!(conformal_quantile(&[f64::NAN; 30], 0.95).is_err());
    }

    #[test]
    fn what_is_no_covariance_is_refused() {
        let indefinite = Symmetric { size: 2, entries: vec![1.0, 2.0, 2.0, 1.0] };
        assert!(matches!(Posterior::new(&indefinite, &[0.0; 2]), Err(StatisticsError::NotDetermined { .. })));
        let odd = Symmetric { size: 1, entries: vec![f64::NAN] };
        assert!(Posterior::new(&odd, &[0.0]).is_err());
        assert!(Posterior::new(&Symmetric::zero(1), &[0.0; 2]).is_err());
        // Without values the prior stands.
        let empty = Posterior::new(&Symmetric::zero(0), &[]).unwrap();
        assert_eq!(empty.predict(&[], 2.0), (0.0, 2.0));
        let priors = [AmplitudePrior { median: 0.2, log_sd: 0.8 }; 4];
        assert!(amplitudes(&parts(&[0.0]), &[0.0], &priors, &[0.0; 4]).is_err());
    }
}
