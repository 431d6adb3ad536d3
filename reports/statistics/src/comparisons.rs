//! Comparing two sets of values: t tests, equivalence (two one-sided tests) and non-inferiority.

use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::{t_sf, t_upper_quantile};
use super::summary::{Interval, mean, standard_deviation};

/// Mean, standard deviation and number of values of one sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Mean.
    pub mean: f64,
    /// Standard deviation (n-1).
    pub standard_deviation: f64,
    /// Number of values, at least 2.
    pub n: usize,
}

impl Sample {
    /// Summary of raw values; needs two.
    pub fn of(values: &[f64]) -> Result<Self> {
        Ok(Self { mean: mean(values)?, standard_deviation: standard_deviation(values)?, n: values.len() })
    }

    fn variance_of_mean(&self) -> f64 {
        self.standard_deviation * self.standard_deviation / self.n as f64
    }

    fn check(&self) -> Result<()> {
        if self.n < 2 {
            return Err(StatisticsError::TooFewValues { what: "comparison of means", have: self.n, need: 2 });
        }
        check_range("mean", self.mean, true, "a finite number")?;
        let s = self.standard_deviation;
        check_range("standard deviation", s, s >= 0.0, "0 or more")
    }
}

/// A difference with its standard uncertainty and degrees of freedom (may be infinite).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Difference.
    pub value: f64,
    /// Standard uncertainty, above 0.
    pub standard_uncertainty: f64,
    /// Degrees of freedom.
    pub dof: f64,
}

impl Difference {
    /// Mean of a minus mean of b, unequal variances (Welch, Satterthwaite degrees of freedom).
    pub fn welch(a: &Sample, b: &Sample) -> Result<Self> {
        a.check()?;
        b.check()?;
        let (va, vb) = (a.variance_of_mean(), b.variance_of_mean());
        let total = va + vb;
        if total <= 0.0 {
            return Err(StatisticsError::ZeroVariance { what: "comparison of means" });
        }
        let (ra, rb) = (va / total, vb / total);
        let dof = 1.0 / (ra * ra / (a.n - 1) as f64 + rb * rb / (b.n - 1) as f64);
        Ok(Self { value: a.mean - b.mean, standard_uncertainty: total.sqrt(), dof })
    }

    /// Mean of a minus mean of b, equal variances (pooled).
    pub fn pooled(a: &Sample, b: &Sample) -> Result<Self> {
        a.check()?;
        b.check()?;
        let dof = (a.n + b.n - 2) as f64;
        let sd = pooled_sd(a, b)?;
        let u = sd * (1.0 / a.n as f64 + 1.0 / b.n as f64).sqrt();
        Ok(Self { value: a.mean - b.mean, standard_uncertainty: u, dof })
    }

    /// Mean of paired differences a - b. Needs two pairs.
    pub fn paired(a: &[f64], b: &[f64]) -> Result<Self> {
        if a.len() != b.len() {
            return Err(StatisticsError::Shape { what: "paired values", have: b.len(), need: a.len() });
        }
        let d: Vec<f64> = a.iter().zip(b).map(|(x, y)| x - y).collect();
        let s = Sample::of(&d)?;
        if s.standard_deviation == 0.0 {
            return Err(StatisticsError::ZeroVariance { what: "paired comparison" });
        }
        let u = s.variance_of_mean().sqrt();
        Ok(Self { value: s.mean, standard_uncertainty: u, dof: (s.n - 1) as f64 })
    }

    /// Mean of one sample minus a reference value (one-sample t).
    pub fn from_reference(a: &Sample, reference: f64) -> Result<Self> {
        a.check()?;
        check_range("reference value", reference, true, "a finite number")?;
        if a.standard_deviation == 0.0 {
            return Err(StatisticsError::ZeroVariance { what: "comparison with a reference" });
        }
        let u = a.variance_of_mean().sqrt();
        Ok(Self { value: a.mean - reference, standard_uncertainty: u, dof: (a.n - 1) as f64 })
    }

    fn check(&self) -> Result<()> {
        check_range("difference", self.value, true, "a finite number")?;
        let u = self.standard_uncertainty;
        check_range(
            "uncertainty of a difference",
            u,
            u > 0.0,
            "above 0: no decision without an uncertainty",
        )?;
        if self.dof > 0.0 { Ok(()) } else { check_range("degrees of freedom", self.dof, false, "above 0") }
    }

    /// t statistic of this difference against `reference`.
    pub fn t(&self, reference: f64) -> f64 {
        (self.value - reference) / self.standard_uncertainty
    }

    /// Two-sided p of no difference.
    pub fn p_two_sided(&self) -> Result<f64> {
        self.check()?;
        Ok(2.0 * t_sf(self.t(0.0).abs(), self.dof)?)
    }

    /// p of "not greater than `reference`": small when the difference is clearly above it.
    pub fn p_greater(&self, reference: f64) -> Result<f64> {
        self.check()?;
        t_sf(self.t(reference), self.dof)
    }

    /// p of "not less than `reference`": small when the difference is clearly below it.
    pub fn p_less(&self, reference: f64) -> Result<f64> {
        self.check()?;
        t_sf(-self.t(reference), self.dof)
    }

    /// Two-sided confidence interval.
    pub fn interval(&self, confidence: f64) -> Result<Interval> {
        self.check()?;
        check_probability("confidence", confidence)?;
        let half = t_upper_quantile(0.5 * (1.0 - confidence), self.dof)? * self.standard_uncertainty;
        Ok(Interval { lower: self.value - half, upper: self.value + half })
    }
}

/// Pooled standard deviation of two samples.
pub fn pooled_sd(a: &Sample, b: &Sample) -> Result<f64> {
    a.check()?;
    b.check()?;
    let (da, db) = ((a.n - 1) as f64, (b.n - 1) as f64);
    let variance = (da * a.standard_deviation.powi(2) + db * b.standard_deviation.powi(2)) / (da + db);
    if variance <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "pooled standard deviation" });
    }
    Ok(variance.sqrt())
}

/// Result of two one-sided tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equivalence {
    /// t against the lower bound, and its p.
    pub lower: (f64, f64),
    /// t against the upper bound, and its p.
    pub upper: (f64, f64),
    /// Interval at confidence 1 - 2 alpha; equivalent exactly when it lies inside the bounds.
    pub interval: Interval,
    /// Whether the difference is shown to lie within the bounds at level alpha.
    pub equivalent: bool,
}

/// Two one-sided tests: is the difference within [lower, upper] at level `alpha`?
pub fn equivalence(difference: &Difference, lower: f64, upper: f64, alpha: f64) -> Result<Equivalence> {
    if lower.is_nan() || upper.is_nan() || lower >= upper {
        return Err(StatisticsError::LimitOrder { what: "equivalence bounds", lower, upper });
    }
    check_range("significance level", alpha, alpha > 0.0 && alpha < 0.5, "between 0 and 0.5")?;
    let p_lower = difference.p_greater(lower)?;
    let p_upper = difference.p_less(upper)?;
    Ok(Equivalence {
        lower: (difference.t(lower), p_lower),
        upper: (difference.t(upper), p_upper),
        interval: difference.interval(1.0 - 2.0 * alpha)?,
        equivalent: p_lower <= alpha && p_upper <= alpha,
    })
}

/// Answer of a comparison with an earlier state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Change {
    /// Shown to be not worse by more than the margin allowed.
    NotWorse,
    /// Neither shown.
    Undecided,
    /// Shown to be worse by more than the margin allowed.
    Worse,
}

/// Result of a non-inferiority test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NonInferiority {
    /// Decision.
    pub change: Change,
    /// p of "worse by at least the margin": small shows not worse.
    pub p_not_worse: f64,
    /// p of "not worse by the margin": small shows worse.
    pub p_worse: f64,
    /// One-sided confidence limits of the difference at 1 - alpha, lower and upper.
    pub interval: Interval,
}

/// Non-inferiority of new minus old, where larger is better: not worse when the difference is shown to be above
/// -`allowed`, worse when shown to be below it, both at one-sided level `alpha`; `allowed` is 0 or more.
pub fn non_inferiority(difference: &Difference, allowed: f64, alpha: f64) -> Result<NonInferiority> {
    check_range("allowed loss", allowed, allowed >= 0.0, "0 or more")?;
    check_range("significance level", alpha, alpha > 0.0 && alpha < 0.5, "between 0 and 0.5")?;
    let p_not_worse = difference.p_greater(-allowed)?;
    let p_worse = difference.p_less(-allowed)?;
    let change = if p_not_worse <= alpha {
        Change::NotWorse
    } else if p_worse <= alpha {
        Change::Worse
    } else {
        Change::Undecided
    };
    Ok(NonInferiority { change, p_not_worse, p_worse, interval: difference.interval(1.0 - 2.0 * alpha)? })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_answers_of_a_comparison() {
        let at = |value| {
            let d = Difference { value, standard_uncertainty: 1.0, dof: f64::INFINITY };
            non_inferiority(&d, 2.0, 0.05).unwrap().change
        };
        // z(0.95) = 1.645
        assert_eq!(at(-0.3), Change::NotWorse);
        assert_eq!(at(-0.4), Change::Undecided);
        assert_eq!(at(-3.6), Change::Undecided);
        assert_eq!(at(-3.7), Change::Worse);
    }

    #[test]
    fn refusals() {
        let a = Sample { mean: 1.0, standard_deviation: 0.0, n: 5 };
        assert!(matches!(Difference::welch(&a, &a), Err(StatisticsError::ZeroVariance { .. })));
        assert!(Difference::paired(&[1.0, 2.0], &[1.0]).is_err());
        let d = Difference { value: 0.0, standard_uncertainty: 0.0, dof: 5.0 };
        assert!(d.p_two_sided().is_err());
        let ok = Difference { value: 0.0, standard_uncertainty: 1.0, dof: 5.0 };
        assert!(matches!(equivalence(&ok, 1.0, -1.0, 0.05), Err(StatisticsError::LimitOrder { .. })));
        assert!(non_inferiority(&ok, -1.0, 0.05).is_err());
    }

    #[test]
    fn paired_equals_one_sample_of_differences() {
        let d = Difference::paired(&[2.0, 3.0, 5.0], &[1.0, 1.0, 1.0]).unwrap();
        let s = Difference::from_reference(&Sample::of(&[1.0, 2.0, 4.0]).unwrap(), 0.0).unwrap();
        assert_eq!(d, s);
    }
}
