//! Global consumer's and producer's risk (JCGM 106:2012 clause 9) and the guard band that meets a target.

use super::conformity::Tolerance;
use super::error::{Result, check_range, check_values};
use super::special::quadrature::integrate;
use super::special::{chi2_upper_quantile, gamma_pdf, normal_cdf, normal_pdf, normal_sf};
use super::summary::{mean_unchecked, squared_deviations};

/// What is known about the true values of the items before they are measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Prior<'a> {
    /// Normal process.
    Normal {
        /// Process mean.
        mean: f64,
        /// Process standard deviation, above 0.
        sd: f64,
    },
    /// Gamma process, mean = shape/rate; for quantities that cannot be negative.
    Gamma {
        /// Shape, at least 1.
        shape: f64,
        /// Rate, above 0.
        rate: f64,
    },
    /// Earlier values of the same quantity, each equally probable as a true value. Measured values also carry their
    /// measurement error, which makes this prior wider than the process and the risks larger.
    Observed(&'a [f64]),
}

impl Prior<'_> {
    fn check(&self) -> Result<()> {
        match *self {
            Self::Normal { mean, sd } => {
                check_range("prior mean", mean, true, "a finite number")?;
                check_range("prior standard deviation", sd, sd > 0.0, "above 0")
            }
            Self::Gamma { shape, rate } => {
                check_range("shape of a gamma prior", shape, shape >= 1.0, "at least 1")?;
                check_range("rate of a gamma prior", rate, rate > 0.0, "above 0")
            }
            Self::Observed(values) => check_values("observed prior", values, 1),
        }
    }

    /// Support that holds all but about 1e-20 of the prior, and its standard deviation.
    fn support(&self) -> Result<(f64, f64, f64)> {
        Ok(match *self {
            Self::Normal { mean, sd } => (mean - 10.0 * sd, mean + 10.0 * sd, sd),
            Self::Gamma { shape, rate } => {
                (0.0, 0.5 * chi2_upper_quantile(1e-20, 2.0 * shape)? / rate, shape.sqrt() / rate)
            }
            Self::Observed(values) => {
                let lo = values.iter().copied().fold(f64::INFINITY, f64::min);
                let hi = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let sd = (squared_deviations(values) / values.len() as f64).sqrt();
                (lo.min(mean_unchecked(values)), hi, sd)
            }
        })
    }

    fn density(&self, x: f64) -> f64 {
        match *self {
            Self::Normal { mean, sd } => normal_pdf((x - mean) / sd) / sd,
            Self::Gamma { shape, rate } => gamma_pdf(x, shape, rate).unwrap_or(0.0),
            Self::Observed(_) => 0.0,
        }
    }

    /// Expectation over the prior of `f(true value)` restricted to [lo, hi].
    fn expect(&self, lo: f64, hi: f64, edges: &[f64], u: f64, f: impl Fn(f64) -> f64) -> Result<f64> {
        let (start, end, sd) = self.support()?;
        let (lo, hi) = (lo.max(start), hi.min(end));
        if hi <= lo {
            return Ok(0.0);
        }
        // Cut where the acceptance probability changes, and towards the origin of a gamma density.
        let mut cuts = vec![lo, hi];
        for edge in edges.iter().filter(|e| e.is_finite()) {
            cuts.extend([edge - 10.0 * u, edge + 10.0 * u]);
        }
        if matches!(self, Self::Gamma { .. }) {
            cuts.extend([1e-8, 1e-6, 1e-4, 1e-2, 0.1].map(|fraction| fraction * sd));
        }
        cuts.retain(|c| *c >= lo && *c <= hi);
        cuts.sort_by(f64::total_cmp);
        let mut total = 0.0;
        for piece in cuts.windows(2) {
            let &[a, b] = piece else { continue };
            let near = edges.iter().any(|e| (0.5 * (a + b) - e).abs() <= 10.0 * u);
            let width = if near { u.min(0.5 * sd) } else { 0.5 * sd };
            let panels = ((b - a) / width).ceil().clamp(1.0, 100_000.0) as usize;
            total += integrate(a, b, panels, |x| self.density(x) * f(x));
        }
        Ok(total)
    }
}

/// Global risks of an acceptance procedure. All are probabilities over the whole population of items; consumer's and
/// producer's risk are joint probabilities (JCGM 106 3.3.15, 3.3.16), not conditional ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalRisk {
    /// R_C: nonconforming AND accepted.
    pub consumer: f64,
    /// R_P: conforming AND rejected.
    pub producer: f64,
    /// Nonconforming, before any test.
    pub nonconforming: f64,
    pub accepted: f64,
    /// Nonconforming GIVEN accepted: R_C / P(accepted); what a receiver of passed items sees.
    pub nonconforming_given_accepted: f64,
}

/// Global risks for a prior, a measurement uncertainty, a tolerance and an acceptance interval.
pub fn global_risk(
    prior: &Prior<'_>,
    standard_uncertainty: f64,
    tolerance: &Tolerance,
    acceptance: &Tolerance,
) -> Result<GlobalRisk> {
    prior.check()?;
    tolerance.check()?;
    acceptance.check()?;
    let u = standard_uncertainty;
    check_range("standard uncertainty", u, u > 0.0, "above 0")?;
    let (a_lo, a_hi) = acceptance.ends();
    let (t_lo, t_hi) = tolerance.ends();
    let reject = |x: f64| normal_cdf((a_lo - x) / u) + normal_sf((a_hi - x) / u);
    let accept = |x: f64| {
        if x < a_lo {
            normal_sf((a_lo - x) / u) - normal_sf((a_hi - x) / u)
        } else {
            normal_cdf((a_hi - x) / u) - normal_cdf((a_lo - x) / u)
        }
    };
    if let Prior::Observed(values) = prior {
        let n = values.len() as f64;
        let part = |inside: bool, f: &dyn Fn(f64) -> f64| {
            let parts = values.iter().filter(|v| tolerance.contains(**v) == inside).map(|v| f(*v));
            // An empty `sum` would be -0.
            parts.fold(0.0, |sum, part| sum + part) / n
        };
        let (consumer, producer) = (part(false, &accept), part(true, &reject));
        return Ok(finish(consumer, producer, part(false, &|_| 1.0)));
    }
    let edges = [a_lo, a_hi];
    let consumer = prior.expect(f64::NEG_INFINITY, t_lo, &edges, u, accept)?
        + prior.expect(t_hi, f64::INFINITY, &edges, u, accept)?;
    let producer = prior.expect(t_lo, t_hi, &edges, u, reject)?;
    let nonconforming = prior.expect(f64::NEG_INFINITY, t_lo, &[], u, |_| 1.0)?
        + prior.expect(t_hi, f64::INFINITY, &[], u, |_| 1.0)?;
    Ok(finish(consumer, producer, nonconforming))
}

fn finish(consumer: f64, producer: f64, nonconforming: f64) -> GlobalRisk {
    let accepted = (1.0 - nonconforming - producer + consumer).clamp(0.0, 1.0);
    let nonconforming_given_accepted = if accepted > 0.0 { (consumer / accepted).min(1.0) } else { 0.0 };
    GlobalRisk { consumer, producer, nonconforming, accepted, nonconforming_given_accepted }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn observed_prior_agrees_with_the_process_it_came_from() {
        // 2001 equally probable points of a normal process against the integral.
        let values: Vec<f64> = (0..2001)
            .map(|i| super::super::special::normal_quantile((i as f64 + 0.5) / 2001.0).unwrap())
            .collect();
        let t = Tolerance::Both { lower: -1.5, upper: 1.5 };
        let exact = global_risk(&Prior::Normal { mean: 0.0, sd: 1.0 }, 0.25, &t, &t).unwrap();
        let observed = global_risk(&Prior::Observed(&values), 0.25, &t, &t).unwrap();
        assert!((exact.consumer - observed.consumer).abs() < 2e-4);
        assert!((exact.producer - observed.producer).abs() < 2e-4);
        assert!((exact.nonconforming - observed.nonconforming).abs() < 1e-3);
    }

    #[test]
    fn one_sided_mirror() {
        let up = Tolerance::Upper(2.0);
        let down = Tolerance::Lower(-2.0);
        let a = global_risk(&Prior::Normal { mean: 0.5, sd: 1.0 }, 0.3, &up, &up).unwrap();
        let b = global_risk(&Prior::Normal { mean: -0.5, sd: 1.0 }, 0.3, &down, &down).unwrap();
        assert!((a.consumer - b.consumer).abs() < 1e-14 && (a.producer - b.producer).abs() < 1e-14);
    }

    #[test]
    fn small_uncertainty_converges_to_no_risk() {
        let t = Tolerance::Upper(1.0);
        let r = global_risk(&Prior::Normal { mean: 0.0, sd: 1.0 }, 1e-6, &t, &t).unwrap();
        assert!(r.consumer > 0.0 && r.consumer < 1e-6);
        assert!((r.nonconforming - 0.158_655_253_931_457).abs() < 1e-12);
    }

    #[test]
    fn no_risk_without_a_prior() {
        let t = Tolerance::Both { lower: -1.0, upper: 1.0 };
        assert!(global_risk(&Prior::Observed(&[]), 0.1, &t, &t).is_err());
        assert!(global_risk(&Prior::Gamma { shape: 0.5, rate: 1.0 }, 0.1, &t, &t).is_err());
    }
}
