//! The normal distribution with accurate tails.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use libm::erfc;

use crate::error::{Result, check_probability};

/// Standard normal density.
pub fn normal_pdf(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// Standard normal cumulative probability P(Z <= z); accurate in the lower tail.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * FRAC_1_SQRT_2)
}

/// Standard normal upper tail P(Z > z) (the "Q function"); accurate for large z.
pub fn normal_sf(z: f64) -> f64 {
    0.5 * erfc(z * FRAC_1_SQRT_2)
}

/// Natural logarithm of the standard normal cumulative probability, also where the probability underflows.
pub(crate) fn ln_normal_cdf(z: f64) -> f64 {
    if z > 0.0 {
        // ln(1 - sf) keeps the digits when the probability is close to 1.
        (-normal_sf(z)).ln_1p()
    } else if z > -37.0 {
        normal_cdf(z).ln()
    } else {
        // The asymptotic series, Abramowitz & Stegun 26.2.12.
        let square = 1.0 / (z * z);
        -0.5 * z * z - (-z).ln() - 0.5 * (2.0 * PI).ln()
            + (-square * (1.0 - square * (3.0 - 15.0 * square))).ln_1p()
    }
}

/// Standard normal quantile: the z with P(Z <= z) = `p`.
///
/// Errors when `p` is not strictly between 0 and 1.
pub fn normal_quantile(p: f64) -> Result<f64> {
    check_probability("probability of a normal quantile", p)?;
    Ok(if p <= 0.5 { -upper_quantile(p) } else { upper_quantile(1.0 - p) })
}

/// The z with P(Z > z) = `q`; keeps full accuracy for tiny `q` (the inverse Q function).
///
/// Errors when `q` is not strictly between 0 and 1.
pub fn normal_upper_quantile(q: f64) -> Result<f64> {
    check_probability("tail probability of a normal quantile", q)?;
    Ok(if q <= 0.5 { upper_quantile(q) } else { -upper_quantile(1.0 - q) })
}

/// Upper quantile for q in (0, 0.5]: rational start, then Newton steps on ln(sf), which is nearly quadratic.
fn upper_quantile(q: f64) -> f64 {
    if q == 0.5 {
        return 0.0;
    }
    // Start: Abramowitz & Stegun 26.2.23, absolute error below 4.5e-4.
    let t = (-2.0 * q.ln()).sqrt();
    let mut z = t
        - (2.515_517 + 0.802_853 * t + 0.010_328 * t * t)
            / (1.0 + 1.432_788 * t + 0.189_269 * t * t + 0.001_308 * t * t * t);
    let ln_q = q.ln();
    for _ in 0..6 {
        let sf = normal_sf(z);
        // d ln sf / dz = -pdf/sf
        let (ln_sf, hazard) = (sf.ln(), normal_pdf(z) / sf);
        let step = (ln_sf - ln_q) / hazard;
        z += step;
        if step.abs() < 1e-15 * z.abs().max(1e-3) {
            break;
        }
    }
    z
}
