//! Outlier tests for normal data: Grubbs and the generalised extreme studentized deviate (Rosner).

use super::error::{Result, StatisticsError, check_probability, check_values};
use super::special::t_upper_quantile;
use super::summary::{mean_unchecked, squared_deviations};

/// Which end of the data may hold an outlier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The smallest value.
    Lowest,
    /// The largest value.
    Highest,
    /// Either.
    Both,
}

/// Result of Grubbs' test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grubbs {
    /// G, the largest studentized deviation on the tested side.
    pub statistic: f64,
    /// Critical value.
    pub critical: f64,
    /// Position of the suspected value in the data.
    pub index: usize,
    /// Whether it is an outlier.
    pub outlier: bool,
}

/// Critical value of the largest studentized deviation of n values at tail probability `tail`.
fn critical(n: f64, tail: f64) -> Result<f64> {
    let t = t_upper_quantile(tail, n - 2.0)?;
    Ok((n - 1.0) * t / (n * (n - 2.0 + t * t)).sqrt())
}

/// The most deviating value: (index, signed deviation in standard deviations).
fn most_deviating(values: &[f64], side: Side) -> Result<(usize, f64)> {
    const WHAT: &str = "outlier test";
    let mean = mean_unchecked(values);
    let sd = (squared_deviations(values) / (values.len() - 1) as f64).sqrt();
    if sd <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    let score = |v: f64| match side {
        Side::Lowest => (mean - v) / sd,
        Side::Highest => (v - mean) / sd,
        Side::Both => (v - mean).abs() / sd,
    };
    let best = values.iter().map(|v| score(*v)).enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
    best.ok_or(StatisticsError::TooFewValues { what: WHAT, have: 0, need: 3 })
}

/// Grubbs' test for one outlier at significance `alpha`. Needs three values (e-Handbook 1.3.5.17.1).
pub fn grubbs(values: &[f64], alpha: f64, side: Side) -> Result<Grubbs> {
    check_values("Grubbs test", values, 3)?;
    check_probability("significance level", alpha)?;
    let (index, statistic) = most_deviating(values, side)?;
    let n = values.len() as f64;
    let critical = critical(n, if side == Side::Both { alpha / (2.0 * n) } else { alpha / n })?;
    Ok(Grubbs { statistic, critical, index, outlier: statistic > critical })
}

/// One step of the generalised ESD test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EsdStep {
    /// Position in the data of the value removed in this step.
    pub index: usize,
    /// R_i.
    pub statistic: f64,
    /// lambda_i.
    pub critical: f64,
}

/// Result of the generalised ESD test.
#[derive(Debug, Clone, PartialEq)]
pub struct GeneralisedEsd {
    /// Steps in order.
    pub steps: Vec<EsdStep>,
    /// Number of outliers: the LARGEST i with R_i > lambda_i, not the first failure (masking).
    pub outliers: usize,
}

impl GeneralisedEsd {
    /// Positions of the outliers in the data, most extreme first.
    pub fn outlier_indices(&self) -> impl Iterator<Item = usize> + '_ {
        self.steps.iter().take(self.outliers).map(|s| s.index)
    }
}

/// Generalised ESD test for up to `most` outliers, two-sided, at significance `alpha` (Rosner 1983; e-Handbook
/// 1.3.5.17.3; reliable from about 25 values). Needs `most` + 3 values.
pub fn generalised_esd(values: &[f64], most: usize, alpha: f64) -> Result<GeneralisedEsd> {
    check_values("generalised ESD test", values, most.saturating_add(3))?;
    check_probability("significance level", alpha)?;
    let mut left: Vec<(usize, f64)> = values.iter().copied().enumerate().collect();
    let mut steps = Vec::with_capacity(most);
    let mut outliers = 0;
    for i in 1..=most {
        let n = left.len() as f64;
        let current: Vec<f64> = left.iter().map(|(_, v)| *v).collect();
        let (position, statistic) = match most_deviating(&current, Side::Both) {
            // The rest is constant: no further outliers can be told apart.
            Err(StatisticsError::ZeroVariance { .. }) if i > 1 => break,
            other => other?,
        };
        let critical = critical(n, alpha / (2.0 * n))?;
        let (index, _) = left.remove(position);
        if statistic > critical {
            outliers = i;
        }
        steps.push(EsdStep { index, statistic, critical });
    }
    Ok(GeneralisedEsd { steps, outliers })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masking_pair_is_found_together() {
        // Two equal outliers mask each other: step 1 fails, step 2 passes; the largest i counts.
        let mut v: Vec<f64> = (0..12).map(|i| f64::from(i) * 0.3).collect();
        v.extend([12.0, 12.1]);
        let r = generalised_esd(&v, 3, 0.05).unwrap();
        assert!(r.steps[0].statistic < r.steps[0].critical, "{r:?}");
        assert_eq!(r.outliers, 2);
        assert_eq!(r.outlier_indices().collect::<Vec<_>>(), [13, 12]);
    }

    #[test]
    fn refusals() {
        assert!(matches!(
            grubbs(&[1.0, 1.0, 1.0], 0.05, Side::Both),
            Err(StatisticsError::ZeroVariance { .. })
        ));
        assert!(grubbs(&[1.0, 2.0], 0.05, Side::Both).is_err());
        assert!(generalised_esd(&[1.0, 2.0, 3.0], 1, 0.05).is_err());
        assert!(generalised_esd(&[1.0, 2.0, 3.0], usize::MAX, 0.05).is_err());
    }
}
