//! A model's parameters from error counts: weighted binomial likelihood with Gaussian priors, by scoring.
//!
//! The model speaks on the scale z on which a Gaussian tail is straight: the error ratio is Q(z). There the logarithm of the
//! likelihood of every count is concave, so that the curvature in z is that of the counts themselves; how z hangs on the
//! parameters is taken as straight for each step (Gauss-Newton), and a step that does not gain is halved.

use crate::nonnegative::{Symmetric, solve_held};
use crate::special::{normal_pdf, normal_sf, normal_upper_quantile};

/// Counts of one point, and how much they count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counts {
    bits: f64,
    errors: f64,
    /// z of their own ratio, and the information they hold about it.
    z: f64,
    information: f64,
    weight: f64,
}

/// From so many errors on, the logarithm of the likelihood is taken as quadratic in z about their own ratio: near it that is
/// so, and far from it the step of a fit stays sound however many errors there are.
const MANY: f64 = 10.0;

impl Counts {
    /// Counts that a model may be off by `floor` in z: their likelihood weighs 1 / (1 + I floor^2), I the information they hold.
    /// Without it one point of many errors decides. I is taken from the counts, never from the model: a fit would run away
    /// from its points.
    pub fn new(bits: f64, errors: f64, floor: f64) -> Counts {
        let ratio = (errors.max(0.3) / bits.max(1.0)).min(0.499);
        let z = normal_upper_quantile(ratio).unwrap_or(0.0);
        let information = bits * normal_pdf(z).powi(2) / (ratio * (1.0 - ratio));
        Counts { bits, errors, z, information, weight: 1.0 / (1.0 + information * floor * floor) }
    }

    /// Counts whose error ratio a model may be off by a share `share` (0.03: 3 %): as [`Counts::new`], with the information in the logarithm
    /// of the ratio, which for small ratios is the number of errors.
    pub fn with_share(bits: f64, errors: f64, share: f64) -> Counts {
        let counts = Counts::new(bits, errors, 0.0);
        let ratio = (errors.max(0.3) / bits.max(1.0)).min(0.499);
        let information = bits * ratio / (1.0 - ratio);
        Counts { weight: 1.0 / (1.0 + information * share * share), ..counts }
    }

    /// Logarithm of the weighted likelihood where the model says z, less that of a model that meets the counts; with its slope and
    /// its curvature (positive).
    pub fn likelihood(&self, z: f64) -> (f64, f64, f64) {
        of_count(self, z)
    }

    /// The first of [`Counts::likelihood`] alone, for less.
    pub fn value(&self, z: f64) -> f64 {
        if self.errors >= MANY {
            return -0.5 * self.weight * self.information * (z - self.z).powi(2);
        }
        let z = z.clamp(RANGE.0, RANGE.1);
        if self.errors == 0.0 && z > NOTHING {
            return 0.0;
        }
        self.weight * exact(self, z, normal_sf(z), normal_sf(-z))
    }

    pub fn bits(&self) -> f64 {
        self.bits
    }

    pub fn errors(&self) -> f64 {
        self.errors
    }
}

/// What is known of a parameter beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
    /// May not become negative.
    pub held: bool,
}

/// What the model says at some parameters.
#[derive(Debug, Clone, Default)]
pub struct Said {
    /// z of every point.
    pub z: Vec<f64>,
    /// Its derivatives, parameter by parameter for each point.
    pub slopes: Vec<f64>,
}

/// A fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    pub parameters: Vec<f64>,
    /// Curvature of the logarithm of the posterior at the end: its inverse is the parameters' covariance.
    pub curvature: Symmetric,
    /// Logarithm of the weighted likelihood, less that of a model that meets every count.
    pub ln_likelihood: f64,
    /// The same with the priors' share.
    pub ln_posterior: f64,
    /// No step gained any more within the steps allowed.
    pub settled: bool,
}

/// Largest and smallest z that counts can tell apart.
const RANGE: (f64, f64) = (-8.0, 30.0);

/// From here on Q(z) times any number of bits is nothing: 1e-28.
const NOTHING: f64 = 11.0;

/// Logarithm of the likelihood of a count at z less that at its own ratio; with Q(z) and Q(-z).
fn exact(counts: &Counts, z: f64, upper: f64, lower: f64) -> f64 {
    let (bad, good) = (counts.errors, counts.bits - counts.errors);
    let ratio = bad / counts.bits;
    // All wrong or all right: what has no count has no part.
    let part = |count: f64, ln: f64| if count > 0.0 { count * ln } else { 0.0 };
    let own = part(bad, ratio.ln()) + part(good, (-ratio).ln_1p());
    part(bad, upper.ln()) + good * if z > 0.0 { (-upper).ln_1p() } else { lower.ln() } - own
}

/// Logarithm of the likelihood of a count at z less that at its own ratio, its slope and its curvature (positive).
fn of_count(counts: &Counts, z: f64) -> (f64, f64, f64) {
    if counts.errors >= MANY {
        let (off, information) = (z - counts.z, counts.weight * counts.information);
        return (-0.5 * information * off * off, -information * off, information);
    }
    let z = z.clamp(RANGE.0, RANGE.1);
    // No error where none is to be expected: nothing is told.
    if counts.errors == 0.0 && z > NOTHING {
        return (0.0, 0.0, 0.0);
    }
    let density = normal_pdf(z);
    let (upper, lower) = (normal_sf(z), normal_sf(-z));
    let (up, down) = (density / upper, density / lower);
    let (bad, good) = (counts.errors, counts.bits - counts.errors);
    let value = exact(counts, z, upper, lower);
    let slope = good * down - bad * up;
    let curvature = bad * up * (up - z) + good * down * (down + z);
    (counts.weight * value, counts.weight * slope, counts.weight * curvature.max(0.0))
}

/// Fits a model's parameters. `model` fills in what it says at some parameters.
///
/// Answers `None` where the priors leave the parameters undetermined or the start has no finite likelihood.
pub fn score(
    counts: &[Counts],
    priors: &[Prior],
    start: &[f64],
    steps: usize,
    mut model: impl FnMut(&[f64], &mut Said),
) -> Option<Scored> {
    let size = priors.len();
    let held: Vec<bool> = priors.iter().map(|prior| prior.held).collect();
    let prior_of = |x: &[f64]| -> f64 {
        x.iter().zip(priors).map(|(x, prior)| -0.5 * ((x - prior.mean) / prior.sd).powi(2)).sum()
    };
    // Value, slope and curvature of every count at what the model says: each place is looked at once.
    let looked = |said: &Said, at: &mut Vec<(f64, f64)>| -> f64 {
        at.clear();
        let mut sum = 0.0;
        for (counts, z) in counts.iter().zip(&said.z) {
            let (value, pull, bend) = of_count(counts, *z);
            sum += value;
            at.push((pull, bend));
        }
        sum
    };
    let mut x = start.to_vec();
    let (mut said, mut trial) = (Said::default(), Said::default());
    let (mut here, mut there_too) = (Vec::new(), Vec::new());
    model(&x, &mut said);
    let mut ln_likelihood = looked(&said, &mut here);
    let mut value = ln_likelihood + prior_of(&x);
    let mut curvature = Symmetric::zero(size);
    let mut settled = false;
    for _ in 0..steps.max(1) {
        curvature = Symmetric::zero(size);
        let mut slope = vec![0.0; size];
        for (place, prior) in priors.iter().enumerate() {
            let information = prior.sd.powi(-2);
            curvature.entries[place * size + place] += information;
            slope[place] -= information * (x[place] - prior.mean);
        }
        for ((pull, bend), row) in here.iter().zip(said.slopes.chunks_exact(size)) {
            if *pull != 0.0 || *bend != 0.0 {
                curvature.add_outer(row, *bend);
                slope.iter_mut().zip(row).for_each(|(sum, part)| *sum += pull * part);
            }
        }
        // For the new place instead of the step, so that zero is where a held parameter ends.
        let right: Vec<f64> = (0..size)
            .map(|row| {
                slope[row] + (0..size).map(|column| curvature.at(row, column) * x[column]).sum::<f64>()
            })
            .collect();
        let wanted = solve_held(&curvature, &right, &held)?;
        let mut share = 1.0;
        let mut gained = 0.0;
        for _ in 0..8 {
            let there: Vec<f64> = x.iter().zip(&wanted).map(|(x, to)| x + share * (to - x)).collect();
            model(&there, &mut trial);
            let alone = looked(&trial, &mut there_too);
            let whole = alone + prior_of(&there);
            if whole.is_finite() && whole > value {
                gained = whole - value;
                (x, value, ln_likelihood) = (there, whole, alone);
                std::mem::swap(&mut said, &mut trial);
                std::mem::swap(&mut here, &mut there_too);
                break;
            }
            share *= 0.5;
        }
        if gained < 1e-3 {
            settled = true;
            break;
        }
    }
    value.is_finite().then_some(Scored {
        parameters: x,
        curvature,
        ln_likelihood,
        ln_posterior: value,
        settled,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A count that was all wrong, of the few bits before a lane stops, is a number like another.
    #[test]
    fn all_wrong_has_a_likelihood() {
        for (bits, errors) in [(8.0, 8.0), (8.0, 0.0), (1e9, 0.0)] {
            let counts = Counts::with_share(bits, errors, 0.3);
            let at = |z: f64| counts.likelihood(z).0;
            assert!((-8..=30).all(|z| at(f64::from(z)).is_finite()), "{errors} of {bits}");
            assert!((at(-3.0) > at(1.0)) == (errors > 0.0), "{errors} of {bits}");
        }
    }
}
