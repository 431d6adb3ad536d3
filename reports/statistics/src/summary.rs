//! Accurate mean, standard deviation, autocorrelation, quantiles and the interval of a mean.

use super::error::{Result, StatisticsError, check_probability, check_values};
use super::special::t_upper_quantile;

/// Compensated sum (Neumaier), exact to about one rounding for well-scaled data.
pub fn compensated_sum(values: impl IntoIterator<Item = f64>) -> f64 {
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

/// Lag-1 autocorrelation sum (y_i-m)(y_(i+1)-m) / sum (y_i-m)^2 (NIST StRD definition). Needs two different values.
pub fn lag1_autocorrelation(values: &[f64]) -> Result<f64> {
    check_values("lag-1 autocorrelation", values, 2)?;
    let centre = mean_unchecked(values);
    let squares = squared_deviations(values);
    if squares == 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "lag-1 autocorrelation" });
    }
    let products = values.windows(2).map(|w| w.iter().map(|v| v - centre).product::<f64>());
    Ok(compensated_sum(products) / squares)
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

/// Median.
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

/// Two-sided t interval of the mean at `confidence` (0.95 for 95 %), from raw values. Needs two values.
pub fn mean_interval(values: &[f64], confidence: f64) -> Result<Interval> {
    mean_interval_from(mean(values)?, standard_deviation(values)?, values.len(), confidence)
}

/// Two-sided t interval of the mean from mean, standard deviation and number of values (e-Handbook 1.3.5.2).
pub fn mean_interval_from(mean: f64, standard_deviation: f64, n: usize, confidence: f64) -> Result<Interval> {
    if n < 2 {
        return Err(StatisticsError::TooFewValues { what: "interval of the mean", have: n, need: 2 });
    }
    check_values("interval of the mean", &[mean, standard_deviation], 2)?;
    check_probability("confidence", confidence)?;
    let t = t_upper_quantile(0.5 * (1.0 - confidence), (n - 1) as f64)?;
    let half = t * standard_deviation / (n as f64).sqrt();
    Ok(Interval { lower: mean - half, upper: mean + half })
}

/// Relative standard deviation of a sample standard deviation of n normal values, sqrt(1-c4^2)/c4 (GUM table E.1).
pub fn relative_sd_of_sd(n: usize) -> Result<f64> {
    if n < 2 {
        return Err(StatisticsError::TooFewValues { what: "uncertainty of s", have: n, need: 2 });
    }
    let n = n as f64;
    let ln_gamma = statrs::function::gamma::ln_gamma;
    let c4 = (2.0 / (n - 1.0)).sqrt() * (ln_gamma(0.5 * n) - ln_gamma(0.5 * (n - 1.0))).exp();
    // Large n: 1 - c4^2 cancels, the series is 1/(2(n-1)).
    Ok(if n > 1e5 { (0.5 / (n - 1.0)).sqrt() } else { (1.0 - c4 * c4).max(0.0).sqrt() / c4 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_comes_from_nothing() {
        assert!(matches!(mean(&[]), Err(StatisticsError::TooFewValues { have: 0, need: 1, .. })));
        assert!(matches!(standard_deviation(&[1.0]), Err(StatisticsError::TooFewValues { .. })));
        assert!(matches!(mean(&[1.0, f64::NAN]), Err(StatisticsError::NotFinite { index: 1, .. })));
        assert!(matches!(lag1_autocorrelation(&[2.0, 2.0]), Err(StatisticsError::ZeroVariance { .. })));
        assert!(quantile(&[1.0], 1.5).is_err());
        assert!(mean_interval(&[1.0, 2.0], 1.0).is_err());
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
