//! Noncentral t, by integration over the distribution of the sample standard deviation.

use super::gamma::poisson_weight;
use super::normal::{normal_cdf, normal_sf, normal_upper_quantile};
use super::quadrature::integrate_with_step;
use super::roots::{bracket_increasing, find_root};
use crate::error::{Result, check_probability, check_range};

/// Density of s/sigma for a sample standard deviation with `dof` degrees of freedom.
fn relative_sd_density(s: f64, dof: f64) -> f64 {
    if s <= 0.0 { 0.0 } else { poisson_weight(0.5 * dof, 0.5 * dof * s * s) * dof / s }
}

/// Interval that holds all but about 1e-16 of s/sigma.
fn relative_sd_range(dof: f64) -> (f64, f64) {
    let reach = 9.0 / dof.sqrt();
    ((1.0 - reach).max(0.0), 1.0 + reach)
}

fn check_dof(dof: f64) -> Result<()> {
    check_range("degrees of freedom", dof, dof >= 1.0, "at least 1 and finite")
}

fn check_noncentral(t: f64, dof: f64, noncentrality: f64) -> Result<()> {
    check_dof(dof)?;
    check_range("noncentral t value", t, true, "a finite number")?;
    check_range("noncentrality", noncentrality, true, "a finite number")
}

/// E over s of tail(t s - noncentrality).
pub(super) fn noncentral_tail(t: f64, dof: f64, noncentrality: f64, tail: fn(f64) -> f64) -> f64 {
    let (lo, hi) = relative_sd_range(dof);
    let f = |s: f64| relative_sd_density(s, dof) * tail(t * s - noncentrality);
    if t == 0.0 {
        return tail(-noncentrality);
    }
    integrate_with_step(lo, hi, 12, noncentrality / t, 1.0 / t.abs(), f)
}

/// Upper tail of the noncentral t distribution.
pub(crate) fn noncentral_t_sf(t: f64, dof: f64, noncentrality: f64) -> Result<f64> {
    check_noncentral(t, dof, noncentrality)?;
    Ok(noncentral_tail(t, dof, noncentrality, normal_sf))
}

/// Noncentral t quantile of lower probability `p`.
pub(crate) fn noncentral_t_quantile(p: f64, dof: f64, noncentrality: f64) -> Result<f64> {
    check_probability("probability of a noncentral t quantile", p)?;
    check_noncentral(0.0, dof, noncentrality)?;
    let z = -normal_upper_quantile(p)?;
    let start = noncentrality + z * (1.0 + noncentrality * noncentrality / (2.0 * dof)).sqrt();
    let f = |t: f64| {
        if p > 0.5 {
            (1.0 - p) - noncentral_tail(t, dof, noncentrality, normal_sf)
        } else {
            noncentral_tail(t, dof, noncentrality, normal_cdf) - p
        }
    };
    let (lo, hi) = bracket_increasing("noncentral t quantile", start, 0.1 * (1.0 + start.abs()), f)?;
    find_root("noncentral t quantile", lo, hi, 1e-13, f)
}
