//! Tests of normality: Anderson-Darling with fitted mean and standard deviation, and Shapiro-Wilk.

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_3, PI};

use super::error::{Result, StatisticsError, check_range, check_values};
use super::special::{ln_normal_cdf, normal_quantile, normal_sf};
use super::summary::{compensated_sum, mean_unchecked, squared_deviations};

/// Result of a test of normality.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NormalityTest {
    /// The statistic: A^2 or W.
    pub statistic: f64,
    /// Probability of a statistic at least this unfavourable for normal data.
    pub p: f64,
}

fn sorted(what: &'static str, values: &[f64], need: usize) -> Result<(Vec<f64>, f64, f64)> {
    check_values(what, values, need)?;
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let squares = squared_deviations(values);
    if squares <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what });
    }
    Ok((sorted, mean_unchecked(values), squares))
}

/// Anderson-Darling test, mean and standard deviation estimated. `statistic` is A^2; p is Stephens' formula on
/// A^2 (1 + 0.75/n + 2.25/n^2). Needs eight different values.
pub fn anderson_darling(values: &[f64]) -> Result<NormalityTest> {
    let (x, mean, squares) = sorted("Anderson-Darling test", values, 8)?;
    let n = x.len() as f64;
    let sd = (squares / (n - 1.0)).sqrt();
    let terms = x.iter().zip(x.iter().rev()).enumerate().map(|(i, (low, high))| {
        (2.0 * i as f64 + 1.0) * (ln_normal_cdf((low - mean) / sd) + ln_normal_cdf(-(high - mean) / sd))
    });
    let a2 = -n - compensated_sum(terms) / n;
    Ok(NormalityTest { statistic: a2, p: stephens_p(modified_a2(a2, x.len())) })
}

/// Stephens' modification for sample size, to be compared with the critical values 0.631, 0.752, 0.873, 1.035 at
/// 10, 5, 2.5 and 1 %.
pub(crate) fn modified_a2(a2: f64, n: usize) -> f64 {
    let n = n as f64;
    a2 * (1.0 + 0.75 / n + 2.25 / (n * n))
}

fn stephens_p(a: f64) -> f64 {
    // D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), table 4.9.
    let p = if a >= 0.6 {
        // The fitted parabola turns up beyond a = 150; no data set that far out has a readable p.
        let a = a.min(100.0);
        (1.2937 - 5.709 * a + 0.0186 * a * a).exp()
    } else if a > 0.34 {
        (0.9177 - 4.279 * a - 1.38 * a * a).exp()
    } else if a > 0.2 {
        1.0 - (-8.318 + 42.796 * a - 59.938 * a * a).exp()
    } else {
        1.0 - (-13.436 + 101.14 * a - 223.73 * a * a).exp()
    };
    p.clamp(0.0, 1.0)
}

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Shapiro-Wilk test for 3 to 5000 values (Royston, AS R94, Applied Statistics 44, 1995).
pub fn shapiro_wilk(values: &[f64]) -> Result<NormalityTest> {
    let (x, mean, squares) = sorted("Shapiro-Wilk test", values, 3)?;
    let count = x.len();
    check_range(
        "values in a Shapiro-Wilk test",
        count as f64,
        count <= 5000,
        "at most 5000; use Anderson-Darling",
    )?;
    let half = weights(count)?;
    let n = count as f64;
    let numerator: f64 =
        half.iter().zip(x.iter().zip(x.iter().rev())).map(|(a, (low, high))| a * (high - low)).sum();
    let norm: f64 = 2.0 * half.iter().map(|a| a * a).sum::<f64>();
    let w = (numerator * numerator / (norm * squares)).min(1.0);
    // 1 - W from the residuals of the regression on the weights, which does not cancel for nearly normal data.
    let scale = (norm * squares).sqrt();
    let residual = |value: f64, weight: f64| {
        ((value - mean) / squares.sqrt() - weight * (numerator / scale) / norm.sqrt()).powi(2)
    };
    let mut one_minus_w: f64 = half
        .iter()
        .zip(x.iter().zip(x.iter().rev()))
        .map(|(a, (low, high))| residual(*low, -a) + residual(*high, *a))
        .sum();
    if count % 2 == 1
        && let Some(middle) = x.get(count / 2)
    {
        one_minus_w += residual(*middle, 0.0);
    }
    if count == 3 {
        let p = 6.0 / PI * (w.sqrt().min(1.0).asin() - FRAC_PI_3);
        return Ok(NormalityTest { statistic: w, p: p.clamp(0.0, 1.0) });
    }
    let ln_w = one_minus_w.max(f64::MIN_POSITIVE).ln();
    let ln_n = n.ln();
    let (y, centre, sd) = if count <= 11 {
        let gamma = -2.273 + 0.459 * n;
        if ln_w >= gamma {
            return Ok(NormalityTest { statistic: w, p: 1e-99 });
        }
        (
            -(gamma - ln_w).ln(),
            polynomial(&[0.544, -0.39978, 0.025054, -6.714e-4], n),
            polynomial(&[1.3822, -0.77857, 0.062767, -0.0020322], n).exp(),
        )
    } else {
        (
            ln_w,
            polynomial(&[-1.5861, -0.31082, -0.083751, 0.0038915], ln_n),
            polynomial(&[-0.4803, -0.082676, 0.0030302], ln_n).exp(),
        )
    };
    Ok(NormalityTest { statistic: w, p: normal_sf((y - centre) / sd) })
}

/// Royston's weights for the upper half of the sample, largest value first, positive.
fn weights(count: usize) -> Result<Vec<f64>> {
    if count == 3 {
        return Ok(vec![FRAC_1_SQRT_2]);
    }
    let n = count as f64;
    let scores: Vec<f64> = (1..=count / 2)
        .map(|i| Ok(-normal_quantile((i as f64 - 0.375) / (n + 0.25))?))
        .collect::<Result<_>>()?;
    let total = 2.0 * scores.iter().map(|m| m * m).sum::<f64>();
    let root = 1.0 / n.sqrt();
    let first_score = scores.first().copied().unwrap_or(0.0);
    let second_score = scores.get(1).copied().unwrap_or(0.0);
    let first = polynomial(&[0.0, 0.221157, -0.147981, -2.07119, 4.434685, -2.706056], root)
        + first_score / total.sqrt();
    let second = polynomial(&[0.0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633], root)
        + second_score / total.sqrt();
    let (fixed, scale) = if count > 5 {
        let left = total - 2.0 * (first_score * first_score + second_score * second_score);
        (2, (left / (1.0 - 2.0 * (first * first + second * second))).sqrt())
    } else {
        (1, ((total - 2.0 * first_score * first_score) / (1.0 - 2.0 * first * first)).sqrt())
    };
    Ok(scores
        .iter()
        .enumerate()
        .map(|(i, m)| match i {
            0 => first,
            1 if fixed == 2 => second,
            _ => m / scale,
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constant_or_few_values_are_refused() {
        assert!(matches!(shapiro_wilk(&[1.0; 5]), Err(StatisticsError::ZeroVariance { .. })));
        assert!(matches!(anderson_darling(&[1.0, 2.0]), Err(StatisticsError::TooFewValues { .. })));
        assert!(shapiro_wilk(&[1.0, 2.0]).is_err());
    }

    #[test]
    fn normal_scores_look_normal_and_a_spike_does_not() {
        let mut v: Vec<f64> = (0..40).map(|i| normal_quantile((i as f64 + 0.5) / 40.0).unwrap()).collect();
        assert!(shapiro_wilk(&v).unwrap().p > 0.9);
        assert!(anderson_darling(&v).unwrap().p > 0.9);
        v[0] = -12.0;
        assert!(shapiro_wilk(&v).unwrap().p < 1e-4);
        assert!(anderson_darling(&v).unwrap().p < 1e-2);
    }

    #[test]
    fn stephens_formula_is_nearly_continuous() {
        for edge in [0.2, 0.34, 0.6] {
            assert!((stephens_p(edge - 1e-9) - stephens_p(edge + 1e-9)).abs() < 0.01, "{edge}");
        }
        assert!(stephens_p(1e6) < 1e-100);
    }
}
