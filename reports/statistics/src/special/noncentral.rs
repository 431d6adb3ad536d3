//! Noncentral t and studentized range, by integration over the distribution of the sample standard deviation.

use super::gamma::poisson_weight;
use super::normal::{normal_cdf, normal_pdf, normal_sf, normal_upper_quantile};
use super::quadrature::{integrate, integrate_with_step};
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
fn noncentral_tail(t: f64, dof: f64, noncentrality: f64, tail: fn(f64) -> f64) -> f64 {
    let (lo, hi) = relative_sd_range(dof);
    let f = |s: f64| relative_sd_density(s, dof) * tail(t * s - noncentrality);
    if t == 0.0 {
        return tail(-noncentrality);
    }
    integrate_with_step(lo, hi, 12, noncentrality / t, 1.0 / t.abs(), f)
}

/// Noncentral t cumulative probability; absolute error about 1e-14.
pub fn noncentral_t_cdf(t: f64, dof: f64, noncentrality: f64) -> Result<f64> {
    check_noncentral(t, dof, noncentrality)?;
    Ok(noncentral_tail(t, dof, noncentrality, normal_cdf).clamp(0.0, 1.0))
}

/// Noncentral t upper tail.
pub fn noncentral_t_sf(t: f64, dof: f64, noncentrality: f64) -> Result<f64> {
    check_noncentral(t, dof, noncentrality)?;
    Ok(noncentral_tail(t, dof, noncentrality, normal_sf).clamp(0.0, 1.0))
}

/// Noncentral t quantile of lower probability `p`.
pub fn noncentral_t_quantile(p: f64, dof: f64, noncentrality: f64) -> Result<f64> {
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

/// Cumulative probability of the range of `groups` standard normal values (in units of sigma).
pub fn normal_range_cdf(width: f64, groups: usize) -> Result<f64> {
    check_range("number of groups", groups as f64, groups >= 2, "at least 2")?;
    check_range("range", width, true, "a finite number")?;
    Ok(range_cdf(width, groups))
}

fn range_cdf(width: f64, groups: usize) -> f64 {
    if width <= 0.0 {
        return 0.0;
    }
    let power = i32::try_from(groups - 1).unwrap_or(i32::MAX);
    let f = |z: f64| normal_pdf(z) * (normal_cdf(z) - normal_cdf(z - width)).powi(power);
    (groups as f64 * integrate(-8.5, 8.5, 12, f)).clamp(0.0, 1.0)
}

/// Studentized range cumulative probability for `groups` means and `dof` (may be infinite) of the pooled
/// standard deviation; used for Tukey's comparisons.
pub fn studentized_range_cdf(q: f64, groups: usize, dof: f64) -> Result<f64> {
    if dof == f64::INFINITY {
        return normal_range_cdf(q, groups);
    }
    check_dof(dof)?;
    normal_range_cdf(q, groups)?;
    let (lo, hi) = relative_sd_range(dof);
    let f = |s: f64| relative_sd_density(s, dof) * range_cdf(q * s, groups);
    Ok(integrate(lo, hi, 8, f).clamp(0.0, 1.0))
}

/// Studentized range quantile of lower probability `p`.
pub fn studentized_range_quantile(p: f64, groups: usize, dof: f64) -> Result<f64> {
    check_probability("probability of a studentized range quantile", p)?;
    studentized_range_cdf(1.0, groups, dof)?;
    let f = |q: f64| studentized_range_cdf(q, groups, dof).map_or(f64::NAN, |cdf| cdf - p);
    let (lo, hi) = bracket_increasing("studentized range quantile", 2.0, 1.0, f)?;
    find_root("studentized range quantile", lo.max(0.0), hi, 1e-10, f)
}
