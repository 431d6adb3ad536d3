//! Uncertainty budget by the law of propagation (GUM, JCGM 100:2008) for independent lines, with effective degrees of
//! freedom.

use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::{normal_upper_quantile, t_upper_quantile};

/// Combined result of a budget.
#[derive(Debug, Clone, PartialEq)]
pub struct CombinedUncertainty {
    /// Share of each line in the combined variance, in the order of the lines; all add up to 1.
    pub shares: Vec<f64>,
    /// Combined standard uncertainty u_c.
    pub standard_uncertainty: f64,
    /// Welch-Satterthwaite effective degrees of freedom (may be infinite).
    pub effective_dof: f64,
    /// Coverage factor k.
    pub coverage_factor: f64,
    /// Expanded uncertainty U = k u_c.
    pub expanded: f64,
}

/// Welch-Satterthwaite formula (GUM G.2b) for independent contributions c u and their degrees of freedom.
/// Infinite when every term is.
pub fn effective_dof(contributions: &[(f64, f64)]) -> f64 {
    let variance: f64 = contributions.iter().map(|(u, _)| u * u).sum();
    // Normalised first, so that fourth powers cannot underflow.
    let denominator: f64 = contributions
        .iter()
        .filter(|(u, dof)| dof.is_finite() && *u != 0.0)
        .map(|(u, dof)| (u * u / variance).powi(2) / dof)
        .sum();
    if denominator > 0.0 { 1.0 / denominator } else { f64::INFINITY }
}

/// Two-sided coverage factor for `coverage` (0.95 for 95 %): effective degrees of freedom are truncated to the next
/// lower whole number before the t quantile is taken (GUM G.4.1 note 1); infinite means normal.
///
/// They are rounded to hundredths first, as nothing finer is known about them: GUM G.4.1 itself takes 18.9987 as 19.0.
pub fn coverage_factor(coverage: f64, effective_dof: f64) -> Result<f64> {
    check_probability("coverage probability", coverage)?;
    let tail = 0.5 * (1.0 - coverage);
    if effective_dof == f64::INFINITY {
        return normal_upper_quantile(tail);
    }
    let ok = effective_dof >= 1.0;
    check_range(
        "effective degrees of freedom",
        effective_dof,
        ok,
        "at least 1; add repeats or drop the weakest input",
    )?;
    let hundredths = (effective_dof * 100.0).round() / 100.0;
    t_upper_quantile(tail, hundredths.floor())
}

/// Combines independent contributions c u, each with its degrees of freedom (infinite when u is taken as known).
///
/// Errors on an empty budget, a negative contribution or degrees of freedom below 1 in total.
pub fn combine(lines: &[(f64, f64)], coverage: f64) -> Result<CombinedUncertainty> {
    if lines.is_empty() {
        return Err(StatisticsError::TooFewValues { what: "uncertainty budget", have: 0, need: 1 });
    }
    for &(u, dof) in lines {
        check_range("standard uncertainty of a budget line", u, u >= 0.0, "0 or more and finite")?;
        if dof.is_nan() || dof <= 0.0 {
            return Err(StatisticsError::OutOfRange {
                name: "degrees of freedom of a budget line",
                value: dof,
                allowed: "above 0 (infinite when the uncertainty is taken as known)",
            });
        }
    }
    let variance: f64 = lines.iter().map(|(u, _)| u * u).sum();
    if variance == 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "uncertainty budget" });
    }
    let dof = effective_dof(lines);
    let coverage_factor = coverage_factor(coverage, dof)?;
    let standard_uncertainty = variance.sqrt();
    Ok(CombinedUncertainty {
        shares: lines.iter().map(|(u, _)| u * u / variance).collect(),
        standard_uncertainty,
        effective_dof: dof,
        coverage_factor,
        expanded: coverage_factor * standard_uncertainty,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_add_up() {
        let r = combine(&[(0.35, f64::INFINITY), (0.5, 9.0), (0.23, f64::INFINITY)], 0.95).unwrap();
        assert!((r.shares.iter().sum::<f64>() - 1.0).abs() < 1e-14);
    }

    #[test]
    fn truncation_is_not_fooled_by_rounding() {
        // 39.9999999 is 40 computed in floating point; 39.98 is not.
        assert_eq!(coverage_factor(0.95, 40.0 - 1e-9).unwrap(), coverage_factor(0.95, 40.0).unwrap());
        assert_eq!(coverage_factor(0.95, 39.98).unwrap(), coverage_factor(0.95, 39.0).unwrap());
    }

    #[test]
    fn bad_budgets_are_refused() {
        assert!(combine(&[], 0.95).is_err());
        assert!(matches!(combine(&[(0.0, 5.0)], 0.95), Err(StatisticsError::ZeroVariance { .. })));
        assert!(combine(&[(-1.0, 5.0)], 0.95).is_err());
        assert!(combine(&[(1.0, f64::NAN)], 0.95).is_err());
        assert!(combine(&[(1.0, 0.5)], 0.95).is_err());
    }
}
