//! Maximum likelihood fits: normal, Weibull (right censored) and Gumbel of minima, with quantiles.

use std::f64::consts::PI;

use super::error::{Result, StatisticsError, check_probability, check_range, check_values};
use super::special::normal_quantile;
use super::special::roots::{bracket_increasing, find_root};
use super::summary::{compensated_sum, mean_unchecked, squared_deviations};

/// A distribution with its parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Model {
    Normal {
        mean: f64,
        /// Standard deviation.
        sd: f64,
    },
    /// Two-parameter Weibull.
    Weibull {
        /// Shape beta.
        shape: f64,
        /// Scale eta (63.2 % point).
        scale: f64,
    },
    /// Gumbel distribution of minima.
    GumbelMinima {
        /// Location (mode).
        location: f64,
        scale: f64,
    },
}

impl Model {
    /// Quantile of lower probability `p`.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        check_probability("probability of a quantile", p)?;
        Ok(match *self {
            Self::Normal { mean, sd } => mean + sd * normal_quantile(p)?,
            Self::Weibull { shape, scale } => scale * (-(-p).ln_1p()).powf(1.0 / shape),
            Self::GumbelMinima { location, scale } => location + scale * (-(-p).ln_1p()).ln(),
        })
    }

    /// Log density at x; minus infinity outside the support.
    pub fn ln_density(&self, x: f64) -> f64 {
        match *self {
            Self::Normal { mean, sd } => {
                let z = (x - mean) / sd;
                -0.5 * z * z - sd.ln() - 0.5 * (2.0 * PI).ln()
            }
            Self::Weibull { shape, scale } => {
                if x <= 0.0 {
                    return f64::NEG_INFINITY;
                }
                let ln_ratio = (x / scale).ln();
                (shape / scale).ln() + (shape - 1.0) * ln_ratio - (shape * ln_ratio).exp()
            }
            Self::GumbelMinima { location, scale } => {
                let reduced = (location - x) / scale;
                -scale.ln() - reduced - (-reduced).exp()
            }
        }
    }
}

/// A fitted distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Distribution with its maximum likelihood parameters.
    pub model: Model,
    /// Maximised log likelihood.
    pub ln_likelihood: f64,
    /// Number of values, censored ones included.
    pub n: usize,
}

impl Fit {
    fn of(model: Model, values: &[f64]) -> Self {
        Self {
            model,
            ln_likelihood: compensated_sum(values.iter().map(|v| model.ln_density(*v))),
            n: values.len(),
        }
    }

    /// Akaike's information criterion, 2 parameters - 2 ln likelihood; every model here has two parameters.
    pub fn aic(&self) -> f64 {
        2.0 * 2.0 - 2.0 * self.ln_likelihood
    }
}

fn spread(what: &'static str, values: &[f64], need: usize) -> Result<(f64, f64)> {
    check_values(what, values, need)?;
    let sd = (squared_deviations(values) / values.len() as f64).sqrt();
    if sd <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what });
    }
    Ok((mean_unchecked(values), sd))
}

/// Normal fit (sd with divisor n). Needs two different values.
pub fn fit_normal(values: &[f64]) -> Result<Fit> {
    let (mean, sd) = spread("normal fit", values, 2)?;
    Ok(Fit::of(Model::Normal { mean, sd }, values))
}

/// Weibull fit of `observed` values and `censored` ones (known only to exceed the given value). All above 0; at least
/// two different observed values.
pub fn fit_weibull(observed: &[f64], censored: &[f64]) -> Result<Fit> {
    const WHAT: &str = "Weibull fit";
    spread(WHAT, observed, 2)?;
    check_values(WHAT, censored, 0)?;
    for &v in observed.iter().chain(censored) {
        check_range("value of a Weibull fit", v, v > 0.0, "above 0")?;
    }
    let largest = observed.iter().chain(censored).copied().fold(0.0, f64::max);
    let logs = || observed.iter().chain(censored).map(|v| (v / largest).ln());
    let mean_log = compensated_sum(observed.iter().map(|v| (v / largest).ln())) / observed.len() as f64;
    // Profile likelihood equation, increasing in the shape.
    let equation = |ln_shape: f64| {
        let shape = ln_shape.exp();
        let (mut weight, mut weighted) = (0.0, 0.0);
        for l in logs() {
            let w = (shape * l).exp();
            weight += w;
            weighted += w * l;
        }
        weighted / weight - 1.0 / shape - mean_log
    };
    let (lo, hi) = bracket_increasing(WHAT, 0.0, 0.5, equation)?;
    let shape = find_root(WHAT, lo, hi, 1e-14, equation)?.exp();
    let total: f64 = logs().map(|l| (shape * l).exp()).sum();
    let scale = largest * (total / observed.len() as f64).powf(1.0 / shape);
    let model = Model::Weibull { shape, scale };
    let mut fit = Fit::of(model, observed);
    fit.ln_likelihood -= censored.iter().map(|v| (v / scale).powf(shape)).sum::<f64>();
    fit.n += censored.len();
    Ok(fit)
}

/// Gumbel fit of minima. Needs two different values.
pub fn fit_gumbel_minima(values: &[f64]) -> Result<Fit> {
    const WHAT: &str = "Gumbel fit";
    let (centre, sd) = spread(WHAT, values, 2)?;
    let largest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let equation = |ln_scale: f64| {
        let scale = ln_scale.exp();
        let (mut weight, mut weighted) = (0.0, 0.0);
        for v in values {
            let w = (-(largest - v) / scale).exp();
            weight += w;
            weighted += w * (largest - v);
        }
        scale - (largest - centre) + weighted / weight
    };
    let (lo, hi) = bracket_increasing(WHAT, (0.78 * sd).ln(), 0.2, equation)?;
    let scale = find_root(WHAT, lo, hi, 1e-14, equation)?.exp();
    let sum: f64 = values.iter().map(|v| (-(largest - v) / scale).exp()).sum();
    let location = largest + scale * (sum / values.len() as f64).ln();
    Ok(Fit::of(Model::GumbelMinima { location, scale }, values))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn density_is_the_slope_of_the_quantile_function() {
        let models = [
            Model::Normal { mean: 3.0, sd: 2.0 },
            Model::Weibull { shape: 1.7, scale: 600.0 },
            Model::GumbelMinima { location: 3.9, scale: 0.2 },
        ];
        for model in models {
            for p in [1e-3_f64, 0.1, 0.5, 0.9, 0.999] {
                let h = 1e-5 * p.min(1.0 - p);
                let x = |p: f64| model.quantile(p).unwrap();
                let slope = 2.0 * h / (x(p + h) - x(p - h));
                assert!((slope / model.ln_density(x(p)).exp() - 1.0).abs() < 2e-5, "{model:?} {p}");
            }
        }
    }

    #[test]
    fn fits_are_refused_without_information() {
        assert!(matches!(fit_normal(&[1.0, 1.0]), Err(StatisticsError::ZeroVariance { .. })));
        assert!(fit_weibull(&[1.0, -2.0], &[]).is_err());
        assert!(fit_weibull(&[5.0], &[10.0]).is_err());
        assert!(fit_gumbel_minima(&[1.0, f64::INFINITY]).is_err());
    }
}
