//! Maximum likelihood fits: normal, Weibull (right censored), Gumbel and generalised extreme value (GEV) of maxima
//! and minima, with quantiles and return levels.

use std::f64::consts::PI;

use statrs::function::gamma::gamma;

use super::error::{Result, StatisticsError, check_probability, check_range, check_values};
use super::optimise::minimise;
use super::special::roots::{bracket_increasing, find_root};
use super::special::{normal_cdf, normal_quantile};
use super::summary::{compensated_sum, mean_unchecked, squared_deviations};

/// Euler's constant.
const EULER: f64 = 0.577_215_664_901_532_9;

/// Below this |shape| a GEV is evaluated as a Gumbel distribution.
const GUMBEL_SHAPE: f64 = 1e-9;

/// A distribution with its parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Model {
    /// Normal.
    Normal {
        /// Mean.
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
    /// Gumbel distribution of maxima.
    GumbelMaxima {
        /// Location (mode).
        location: f64,
        /// Scale.
        scale: f64,
    },
    /// Gumbel distribution of minima: the mirror image.
    GumbelMinima {
        /// Location (mode).
        location: f64,
        /// Scale.
        scale: f64,
    },
    /// Generalised extreme value distribution of maxima; shape xi < 0 has an upper end (Coles' sign).
    GevMaxima {
        /// Location.
        location: f64,
        /// Scale.
        scale: f64,
        /// Shape xi.
        shape: f64,
    },
    /// Generalised extreme value distribution of minima: -x follows `GevMaxima` with location -`location`.
    GevMinima {
        /// Location.
        location: f64,
        /// Scale.
        scale: f64,
        /// Shape xi; below 0 there is a lower end.
        shape: f64,
    },
}

/// GEV reduced variable: -ln(-ln F) at x; infinite outside the support.
fn gev_reduced(x: f64, location: f64, scale: f64, shape: f64) -> f64 {
    let z = (x - location) / scale;
    if shape.abs() < GUMBEL_SHAPE {
        return z;
    }
    let t = shape * z;
    if t <= -1.0 {
        return if shape > 0.0 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    t.ln_1p() / shape
}

fn gev_quantile(reduced: f64, location: f64, scale: f64, shape: f64) -> f64 {
    let z = if shape.abs() < GUMBEL_SHAPE { reduced } else { (shape * reduced).exp_m1() / shape };
    location + scale * z
}

impl Model {
    /// Cumulative probability at x.
    pub fn cdf(&self, x: f64) -> f64 {
        let gumbel = |reduced: f64| (-(-reduced).exp()).exp();
        let mirrored = |reduced: f64| -(-(-reduced).exp()).exp_m1();
        match *self {
            Self::Normal { mean, sd } => normal_cdf((x - mean) / sd),
            Self::Weibull { shape, scale } => {
                if x <= 0.0 {
                    0.0
                } else {
                    -(-(x / scale).powf(shape)).exp_m1()
                }
            }
            Self::GumbelMaxima { location, scale } => gumbel((x - location) / scale),
            Self::GumbelMinima { location, scale } => mirrored((location - x) / scale),
            Self::GevMaxima { location, scale, shape } => gumbel(gev_reduced(x, location, scale, shape)),
            Self::GevMinima { location, scale, shape } => mirrored(gev_reduced(-x, -location, scale, shape)),
        }
    }

    /// Quantile of lower probability `p`.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        check_probability("probability of a quantile", p)?;
        let reduced = -(-p.ln()).ln();
        let reduced_minimum = -(-(-p).ln_1p()).ln();
        Ok(match *self {
            Self::Normal { mean, sd } => mean + sd * normal_quantile(p)?,
            Self::Weibull { shape, scale } => scale * (-(-p).ln_1p()).powf(1.0 / shape),
            Self::GumbelMaxima { location, scale } => location + scale * reduced,
            Self::GumbelMinima { location, scale } => location - scale * reduced_minimum,
            Self::GevMaxima { location, scale, shape } => gev_quantile(reduced, location, scale, shape),
            Self::GevMinima { location, scale, shape } => {
                -gev_quantile(reduced_minimum, -location, scale, shape)
            }
        })
    }

    /// Level passed on average once in `period` values: exceeded for maxima and the other distributions, undercut for
    /// minima. `period` above 1.
    pub fn return_level(&self, period: f64) -> Result<f64> {
        check_range("return period", period, period > 1.0, "above 1")?;
        match self {
            Self::GumbelMinima { .. } | Self::GevMinima { .. } => self.quantile(1.0 / period),
            _ => self.quantile(1.0 - 1.0 / period),
        }
    }

    /// Log density at x; minus infinity outside the support.
    pub fn ln_density(&self, x: f64) -> f64 {
        let extreme = |reduced: f64, scale: f64, shape: f64| {
            if reduced.is_infinite() {
                return f64::NEG_INFINITY;
            }
            -scale.ln() - (1.0 + shape) * reduced - (-reduced).exp()
        };
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
            Self::GumbelMaxima { location, scale } => extreme((x - location) / scale, scale, 0.0),
            Self::GumbelMinima { location, scale } => extreme((location - x) / scale, scale, 0.0),
            Self::GevMaxima { location, scale, shape } => {
                extreme(gev_reduced(x, location, scale, shape), scale, shape)
            }
            Self::GevMinima { location, scale, shape } => {
                extreme(gev_reduced(-x, -location, scale, shape), scale, shape)
            }
        }
    }

    /// Mean; `None` where it is not finite (GEV with shape 1 or more).
    pub fn mean(&self) -> Option<f64> {
        match *self {
            Self::Normal { mean, .. } => Some(mean),
            Self::Weibull { shape, scale } => Some(scale * gamma(1.0 + 1.0 / shape)),
            Self::GumbelMaxima { location, scale } => Some(location + EULER * scale),
            Self::GumbelMinima { location, scale } => Some(location - EULER * scale),
            Self::GevMaxima { location, scale, shape } => gev_mean(location, scale, shape),
            Self::GevMinima { location, scale, shape } => gev_mean(-location, scale, shape).map(|m| -m),
        }
    }

    /// Standard deviation; `None` where it is not finite (GEV with shape 1/2 or more).
    pub fn standard_deviation(&self) -> Option<f64> {
        match *self {
            Self::Normal { sd, .. } => Some(sd),
            Self::Weibull { shape, scale } => {
                let (g1, g2) = (gamma(1.0 + 1.0 / shape), gamma(1.0 + 2.0 / shape));
                Some(scale * (g2 - g1 * g1).max(0.0).sqrt())
            }
            Self::GumbelMaxima { scale, .. } | Self::GumbelMinima { scale, .. } => {
                Some(scale * PI / 6.0_f64.sqrt())
            }
            Self::GevMaxima { scale, shape, .. } | Self::GevMinima { scale, shape, .. } => {
                if shape >= 0.5 {
                    return None;
                }
                if shape.abs() < 1e-5 {
                    return Some(scale * PI / 6.0_f64.sqrt());
                }
                let (g1, g2) = (gamma(1.0 - shape), gamma(1.0 - 2.0 * shape));
                Some(scale * (g2 - g1 * g1).max(0.0).sqrt() / shape.abs())
            }
        }
    }

    /// Number of fitted parameters.
    pub fn parameters(&self) -> usize {
        if matches!(self, Self::GevMaxima { .. } | Self::GevMinima { .. }) { 3 } else { 2 }
    }
}

fn gev_mean(location: f64, scale: f64, shape: f64) -> Option<f64> {
    if shape >= 1.0 {
        return None;
    }
    let factor = if shape.abs() < 1e-7 { EULER } else { (gamma(1.0 - shape) - 1.0) / shape };
    Some(location + scale * factor)
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

    /// Akaike's information criterion, 2 parameters - 2 ln likelihood.
    pub fn aic(&self) -> f64 {
        2.0 * self.model.parameters() as f64 - 2.0 * self.ln_likelihood
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

/// Gumbel fit of maxima. Needs two different values.
pub fn fit_gumbel_maxima(values: &[f64]) -> Result<Fit> {
    const WHAT: &str = "Gumbel fit";
    let (centre, sd) = spread(WHAT, values, 2)?;
    let smallest = values.iter().copied().fold(f64::INFINITY, f64::min);
    let equation = |ln_scale: f64| {
        let scale = ln_scale.exp();
        let (mut weight, mut weighted) = (0.0, 0.0);
        for v in values {
            let w = (-(v - smallest) / scale).exp();
            weight += w;
            weighted += w * (v - smallest);
        }
        scale - (centre - smallest) + weighted / weight
    };
    let (lo, hi) = bracket_increasing(WHAT, (0.78 * sd).ln(), 0.2, equation)?;
    let scale = find_root(WHAT, lo, hi, 1e-14, equation)?.exp();
    let sum: f64 = values.iter().map(|v| (-(v - smallest) / scale).exp()).sum();
    let location = smallest - scale * (sum / values.len() as f64).ln();
    Ok(Fit::of(Model::GumbelMaxima { location, scale }, values))
}

/// Gumbel fit of minima, by mirroring.
pub fn fit_gumbel_minima(values: &[f64]) -> Result<Fit> {
    let mirrored: Vec<f64> = values.iter().map(|v| -v).collect();
    let mut fit = fit_gumbel_maxima(&mirrored)?;
    if let Model::GumbelMaxima { location, scale } = fit.model {
        fit.model = Model::GumbelMinima { location: -location, scale };
    }
    Ok(fit)
}

/// GEV fit of maxima, shape between -1 and 1 (below -1 the likelihood has no maximum). Needs five values.
pub fn fit_gev_maxima(values: &[f64]) -> Result<Fit> {
    const WHAT: &str = "GEV fit";
    let (centre, sd) = spread(WHAT, values, 5)?;
    let standard: Vec<f64> = values.iter().map(|v| (v - centre) / sd).collect();
    let Model::GumbelMaxima { location, scale } = fit_gumbel_maxima(&standard)?.model else {
        return Err(StatisticsError::NotDetermined { what: WHAT, why: "no start values" });
    };
    let cost = |p: &[f64; 3]| {
        let [location, ln_scale, shape] = *p;
        if shape.abs() >= 1.0 {
            return f64::INFINITY;
        }
        let model = Model::GevMaxima { location, scale: ln_scale.exp(), shape };
        -standard.iter().map(|v| model.ln_density(*v)).sum::<f64>()
    };
    let ([location, ln_scale, shape], value) = minimise([location, scale.ln(), 0.0], [0.2, 0.2, -0.1], cost);
    if !value.is_finite() || shape.abs() > 0.999 {
        return Err(StatisticsError::NotDetermined {
            what: WHAT,
            why: "the likelihood has no maximum with a shape between -1 and 1; use more values or a Gumbel fit",
        });
    }
    let model = Model::GevMaxima { location: centre + sd * location, scale: sd * ln_scale.exp(), shape };
    Ok(Fit::of(model, values))
}

/// GEV fit of minima, by mirroring.
pub fn fit_gev_minima(values: &[f64]) -> Result<Fit> {
    let mirrored: Vec<f64> = values.iter().map(|v| -v).collect();
    let mut fit = fit_gev_maxima(&mirrored)?;
    if let Model::GevMaxima { location, scale, shape } = fit.model {
        fit.model = Model::GevMinima { location: -location, scale, shape };
    }
    Ok(fit)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MODELS: [Model; 6] = [
        Model::Normal { mean: 3.0, sd: 2.0 },
        Model::Weibull { shape: 1.7, scale: 600.0 },
        Model::GumbelMaxima { location: 3.9, scale: 0.2 },
        Model::GumbelMinima { location: 3.9, scale: 0.2 },
        Model::GevMaxima { location: 3.9, scale: 0.2, shape: -0.1 },
        Model::GevMinima { location: 1.6, scale: 0.3, shape: 0.2 },
    ];

    #[test]
    fn quantile_inverts_cdf_and_density_is_its_slope() {
        for model in MODELS {
            for p in [1e-6, 0.1, 0.5, 0.9, 0.999] {
                let x = model.quantile(p).unwrap();
                assert!((model.cdf(x) - p).abs() < 1e-11, "{model:?} {p}");
                let h = 1e-5 * model.standard_deviation().unwrap();
                let slope = (model.cdf(x + h) - model.cdf(x - h)) / (2.0 * h);
                assert!((slope / model.ln_density(x).exp() - 1.0).abs() < 2e-5, "{model:?} {p}");
            }
        }
    }

    #[test]
    fn moments_agree_with_the_quantile_function() {
        for model in MODELS {
            let n = 200_000;
            let xs: Vec<f64> = (0..n).map(|i| model.quantile((i as f64 + 0.5) / n as f64).unwrap()).collect();
            let sd = model.standard_deviation().unwrap();
            assert!((mean_unchecked(&xs) - model.mean().unwrap()).abs() < 1e-3 * sd, "{model:?}");
            assert!(((squared_deviations(&xs) / n as f64).sqrt() / sd - 1.0).abs() < 3e-3, "{model:?}");
        }
    }

    #[test]
    fn fits_are_refused_without_information() {
        assert!(matches!(fit_normal(&[1.0, 1.0]), Err(StatisticsError::ZeroVariance { .. })));
        assert!(fit_weibull(&[1.0, -2.0], &[]).is_err());
        assert!(fit_weibull(&[5.0], &[10.0]).is_err());
        assert!(fit_gev_maxima(&[1.0, 2.0, 3.0]).is_err());
        assert!(fit_gumbel_maxima(&[1.0, f64::INFINITY]).is_err());
        assert!(Model::Normal { mean: 0.0, sd: 1.0 }.return_level(1.0).is_err());
    }
}
