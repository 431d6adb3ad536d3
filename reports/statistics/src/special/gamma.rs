//! Incomplete gamma function, chi-squared and gamma distributions.
//!
//! Not taken from statrs: its incomplete gamma loses six digits at shapes of 1e9 and its loops need not end there (the
//! test `quantiles_are_finite_or_refused` does not).

use std::f64::consts::PI;

use statrs::function::gamma::ln_gamma;

use super::normal::{normal_cdf, normal_sf, normal_upper_quantile};
use super::roots::{bracket_increasing, find_root};
use crate::error::{Result, check_probability, check_range};

const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_7;

/// ln Gamma(z+1) minus Stirling's formula; stays accurate for any z > 0.
pub(super) fn stirling_error(z: f64) -> f64 {
    if z < 15.0 {
        return ln_gamma(z + 1.0) - (z + 0.5) * z.ln() + z - LN_SQRT_2PI;
    }
    let s = 1.0 / (z * z);
    (1.0 / 12.0
        - s * (1.0 / 360.0
            - s * (1.0 / 1260.0 - s * (1.0 / 1680.0 - s * (1.0 / 1188.0 - s * 691.0 / 360_360.0)))))
        / z
}

/// Deviance part x ln(x/m) + m - x without cancellation (C. Loader, Fast and accurate computation of binomial
/// probabilities, 2000).
pub(super) fn deviance_part(x: f64, m: f64) -> f64 {
    if (x - m).abs() < 0.1 * (x + m) {
        let v = (x - m) / (x + m);
        let mut sum = (x - m) * v;
        let mut term = 2.0 * x * v;
        for j in 1..1000 {
            term *= v * v;
            let next = sum + term / (2 * j + 1) as f64;
            if next == sum {
                break;
            }
            sum = next;
        }
        return sum;
    }
    x * (x / m).ln() + m - x
}

/// x^a e^-x / Gamma(a+1).
pub(super) fn poisson_weight(a: f64, x: f64) -> f64 {
    (-stirling_error(a) - deviance_part(a, x)).exp() / (2.0 * PI * a).sqrt()
}

/// Regularised incomplete gamma functions (P, Q) for a > 0, x >= 0, both with relative accuracy in their tail.
pub(super) fn incomplete_gamma(a: f64, x: f64) -> (f64, f64) {
    if x <= 0.0 {
        return (0.0, 1.0);
    }
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    if a > 1e6 && (x - a).abs() < 0.3 * a {
        return large_shape(a, x);
    }
    let weight = poisson_weight(a, x);
    if x < a + 1.0 {
        let (mut term, mut sum, mut n) = (1.0, 1.0, a);
        for _ in 0..100_000 {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term < sum * 1e-17 {
                break;
            }
        }
        let p = (weight * sum).min(1.0);
        return (p, 1.0 - p);
    }
    // Legendre's continued fraction, modified Lentz.
    let tiny = 1e-300;
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / tiny;
    let mut d = 1.0 / b;
    let mut h = d;
    for i in 1..100_000 {
        let an = -(i as f64) * (i as f64 - a);
        b += 2.0;
        d = 1.0 / nonzero(an * d + b, tiny);
        c = nonzero(b + an / c, tiny);
        let factor = d * c;
        h *= factor;
        if (factor - 1.0).abs() < 1e-16 {
            break;
        }
    }
    let q = (weight * a * h).min(1.0);
    (1.0 - q, q)
}

pub(super) fn nonzero(value: f64, tiny: f64) -> f64 {
    if value.abs() < tiny { tiny } else { value }
}

/// Temme's uniform expansion for a large shape (DLMF 8.12.3, first two coefficients; error below 1e-12 here).
fn large_shape(a: f64, x: f64) -> (f64, f64) {
    let half_square = deviance_part(a, x) / a;
    let eta = (2.0 * half_square).sqrt().copysign(x - a);
    let c0 = if eta.abs() < 0.01 {
        -1.0 / 3.0 + eta * (1.0 / 12.0 + eta * (-2.0 / 135.0 + eta / 864.0))
    } else {
        a / (x - a) - 1.0 / eta
    };
    let c1 = -1.0 / 540.0 - eta / 288.0;
    let rest = (-a * half_square).exp() / (2.0 * PI * a).sqrt() * (c0 + c1 / a);
    let z = eta * a.sqrt();
    (normal_cdf(z) - rest, normal_sf(z) + rest)
}

/// Gamma quantile with rate 1, lower (`upper` false) or upper tail probability `p`.
fn unit_gamma_quantile(p: f64, shape: f64, upper: bool) -> Result<f64> {
    check_probability("probability of a gamma quantile", p)?;
    check_range("shape of a gamma distribution", shape, shape > 0.0, "above 0")?;
    // Wilson-Hilferty start; the root is found in ln x on the smaller tail's logarithm.
    let z = normal_upper_quantile(p)? * if upper { 1.0 } else { -1.0 };
    let cube = 1.0 - 1.0 / (9.0 * shape) + z / (3.0 * shape.sqrt());
    let start = if cube > 0.1 { shape * cube * cube * cube } else { shape.min(1.0) * 1e-3 };
    let use_upper = if upper { p <= 0.5 } else { p > 0.5 };
    let target = if use_upper == upper { p } else { 1.0 - p }.ln();
    let f = |ln_x: f64| {
        let (lower_tail, upper_tail) = incomplete_gamma(shape, ln_x.exp());
        if use_upper { target - upper_tail.max(1e-320).ln() } else { lower_tail.max(1e-320).ln() - target }
    };
    let step = (0.05 / shape.sqrt()).min(0.5);
    let (lo, hi) = bracket_increasing("gamma quantile", start.ln(), step, f)?;
    Ok(find_root("gamma quantile", lo, hi, 1e-16, f)?.exp())
}

fn check_dof(dof: f64) -> Result<()> {
    check_range("degrees of freedom", dof, dof > 0.0, "above 0 and finite")
}

/// Chi-squared upper tail P(X > x).
pub(crate) fn chi2_sf(x: f64, dof: f64) -> Result<f64> {
    check_dof(dof)?;
    check_range("chi-squared value", x, true, "a finite number")?;
    Ok(incomplete_gamma(0.5 * dof, 0.5 * x).1)
}

/// Chi-squared quantile of lower probability `p`.
pub fn chi2_quantile(p: f64, dof: f64) -> Result<f64> {
    check_dof(dof)?;
    Ok(2.0 * unit_gamma_quantile(p, 0.5 * dof, false)?)
}

/// Chi-squared quantile of upper tail probability `q`.
pub(crate) fn chi2_upper_quantile(q: f64, dof: f64) -> Result<f64> {
    check_dof(dof)?;
    Ok(2.0 * unit_gamma_quantile(q, 0.5 * dof, true)?)
}

fn check_gamma(shape: f64, rate: f64) -> Result<()> {
    check_range("shape of a gamma distribution", shape, shape > 0.0, "above 0")?;
    check_range("rate of a gamma distribution", rate, rate > 0.0, "above 0")
}

/// Gamma density.
pub(crate) fn gamma_pdf(x: f64, shape: f64, rate: f64) -> Result<f64> {
    check_gamma(shape, rate)?;
    check_range("gamma value", x, true, "a finite number")?;
    Ok(if x <= 0.0 { 0.0 } else { poisson_weight(shape, rate * x) * shape / x })
}
