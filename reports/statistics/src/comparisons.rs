//! Non-inferiority of a difference.

use super::error::{Result, check_probability, check_range};
use super::special::{noncentral_t_sf, normal_sf, t_sf, t_upper_quantile};
use super::summary::Interval;

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

    /// p of "not greater than `reference`": small when the difference is clearly above it.
    pub(crate) fn p_greater(&self, reference: f64) -> Result<f64> {
        self.check()?;
        t_sf(self.t(reference), self.dof)
    }

    /// p of "not less than `reference`": small when the difference is clearly below it.
    pub(crate) fn p_less(&self, reference: f64) -> Result<f64> {
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

/// Probability that a difference of standard uncertainty `u` with `dof` degrees of freedom is shown, at one-sided level
/// `alpha`, to lie beyond a place that the true value lies `beyond` above (noncentral t).
///
/// # Errors
/// An uncertainty that is not above 0, degrees of freedom below 1, or a level outside 0 to 1.
pub fn power(beyond: f64, u: f64, dof: f64, alpha: f64) -> Result<f64> {
    check_range("uncertainty of a difference", u, u > 0.0, "above 0: no decision without an uncertainty")?;
    let reach = t_upper_quantile(alpha, dof)?;
    if dof.is_infinite() {
        Ok(normal_sf(reach - beyond / u))
    } else {
        noncentral_t_sf(reach, dof, beyond / u)
    }
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
        let d = Difference { value: 0.0, standard_uncertainty: 0.0, dof: 5.0 };
        assert!(non_inferiority(&d, 1.0, 0.05).is_err());
        let ok = Difference { value: 0.0, standard_uncertainty: 1.0, dof: 5.0 };
        assert!(non_inferiority(&ok, -1.0, 0.05).is_err());
    }
}
