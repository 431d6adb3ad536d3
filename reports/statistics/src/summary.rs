//! Accurate mean, standard deviation, autocorrelation, quantiles and the interval of a mean.

use super::error::{Result, StatisticsError, check_values};

/// Compensated sum (Neumaier), exact to about one rounding for well-scaled data.
pub(crate) fn compensated_sum(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut sum, mut lost) = (0.0_f64, 0.0_f64);
    for value in values {
        let next = sum + value;
        lost += if sum.abs() >= value.abs() { (sum - next) + value } else { (value - next) + sum };
        sum = next;
    }
    sum + lost
}

/// Arithmetic mean: compensated sum, then one correction by the mean residual. Needs one finite value.
pub fn mean(values: &[f64]) -> Result<f64> {
    check_values("mean", values, 1)?;
    Ok(mean_unchecked(values))
}

pub(super) fn mean_unchecked(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let first = compensated_sum(values.iter().copied()) / n;
    first + compensated_sum(values.iter().map(|v| v - first)) / n
}

/// Sum of squared deviations from the mean, two passes, with the correction for the rounding of the mean.
pub(super) fn squared_deviations(values: &[f64]) -> f64 {
    let centre = mean_unchecked(values);
    let residual = compensated_sum(values.iter().map(|v| v - centre));
    let squares = compensated_sum(values.iter().map(|v| (v - centre) * (v - centre)));
    (squares - residual * residual / values.len() as f64).max(0.0)
}

/// Sample variance with n-1. Needs two finite values.
pub fn variance(values: &[f64]) -> Result<f64> {
    check_values("variance", values, 2)?;
    Ok(squared_deviations(values) / (values.len() - 1) as f64)
}

/// Sample standard deviation with n-1. Needs two finite values.
pub fn standard_deviation(values: &[f64]) -> Result<f64> {
    check_values("standard deviation", values, 2)?;
    Ok((squared_deviations(values) / (values.len() - 1) as f64).sqrt())
}

/// Sample quantile by linear interpolation of the order statistics (Hyndman and Fan 1996, type 7).
pub fn quantile(values: &[f64], p: f64) -> Result<f64> {
    check_values("quantile", values, 1)?;
    if !(0.0..=1.0).contains(&p) {
        return Err(StatisticsError::OutOfRange {
            name: "probability of a sample quantile",
            value: p,
            allowed: "between 0 and 1",
        });
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    Ok(quantile_of_sorted(&sorted, p))
}

pub fn median(values: &[f64]) -> Result<f64> {
    quantile(values, 0.5)
}

pub(super) fn quantile_of_sorted(sorted: &[f64], p: f64) -> f64 {
    let position = p * (sorted.len().saturating_sub(1)) as f64;
    let below = position.floor();
    let low = sorted.get(below as usize).copied().unwrap_or(f64::NAN);
    let high = sorted.get(below as usize + 1).copied().unwrap_or(low);
    low + (position - below) * (high - low)
}

/// A two-sided interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_comes_from_nothing() {
        assert!(matches!(mean(&[]), Err(StatisticsError::TooFewValues { have: 0, need: 1, .. })));
        assert!(matches!(standard_deviation(&[1.0]), Err(StatisticsError::TooFewValues { .. })));
        assert!(matches!(mean(&[1.0, f64::NAN]), Err(StatisticsError::NotFinite { index: 1, .. })));
        assert!(quantile(&[1.0], 1.5).is_err());
    }

    #[test]
    fn quantiles_interpolate() {
        // Hyndman and Fan type 7 by hand.
        assert_eq!(quantile(&[4.0, 1.0, 3.0, 2.0], 0.5).unwrap(), 2.5);
        assert_eq!(quantile(&[4.0, 1.0, 3.0, 2.0], 0.25).unwrap(), 1.75);
        assert_eq!(quantile(&[7.0], 0.9).unwrap(), 7.0);
        assert_eq!(quantile(&[1.0, 2.0], 1.0).unwrap(), 2.0);
    }

    #[test]
    fn compensation_keeps_small_terms() {
        assert_eq!(compensated_sum([1e100, 1.0, -1e100]), 1.0);
    }
}
