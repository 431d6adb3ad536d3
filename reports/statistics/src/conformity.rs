//! Conformance probability, decision rules and verdicts (JCGM 106:2012, ILAC-G8:09/2019, ISO 14253-1:2017).

use std::fmt;

use super::error::{Result, StatisticsError, check_range};
use super::special::{normal_cdf, normal_sf, t_tails};

/// Where a true value is allowed to lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Tolerance {
    /// At or above this limit.
    Lower(f64),
    /// At or below this limit.
    Upper(f64),
    /// Between two limits.
    Both {
        /// Lower tolerance limit.
        lower: f64,
        /// Upper tolerance limit.
        upper: f64,
    },
}

impl Tolerance {
    /// Checks that the limits are finite and in order.
    pub fn check(&self) -> Result<()> {
        let (lower, upper) = match *self {
            Self::Lower(limit) => (limit, f64::MAX),
            Self::Upper(limit) => (f64::MIN, limit),
            Self::Both { lower, upper } => (lower, upper),
        };
        for (index, v) in [lower, upper].into_iter().enumerate() {
            if !v.is_finite() {
                return Err(StatisticsError::NotFinite { what: "tolerance limits", index });
            }
        }
        if lower >= upper {
            return Err(StatisticsError::LimitOrder { what: "tolerance limits", lower, upper });
        }
        Ok(())
    }

    /// Lower and upper end, infinite where there is no limit.
    pub fn ends(&self) -> (f64, f64) {
        match *self {
            Self::Lower(limit) => (limit, f64::INFINITY),
            Self::Upper(limit) => (f64::NEG_INFINITY, limit),
            Self::Both { lower, upper } => (lower, upper),
        }
    }

    /// The limits moved inwards by `guard_band` (outwards when it is negative). Errors when they would cross.
    pub(crate) fn tightened(&self, guard_band: f64) -> Result<Self> {
        let moved = match *self {
            Self::Lower(limit) => Self::Lower(limit + guard_band),
            Self::Upper(limit) => Self::Upper(limit - guard_band),
            Self::Both { lower, upper } => {
                Self::Both { lower: lower + guard_band, upper: upper - guard_band }
            }
        };
        moved.check()?;
        Ok(moved)
    }

    /// Whether a value lies within the limits (the limits belong to it).
    pub fn contains(&self, value: f64) -> bool {
        let (lower, upper) = self.ends();
        value >= lower && value <= upper
    }
}

/// A measured value with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty u, same unit; above 0.
    pub standard_uncertainty: f64,
    /// Degrees of freedom of u; infinite for a normal distribution (JCGM 106 default).
    pub dof: f64,
}

impl Measured {
    /// A value with a normal distribution.
    pub fn normal(value: f64, standard_uncertainty: f64) -> Self {
        Self { value, standard_uncertainty, dof: f64::INFINITY }
    }

    fn check(&self) -> Result<()> {
        check_range("measured value", self.value, true, "a finite number")?;
        let u = self.standard_uncertainty;
        check_range("standard uncertainty", u, u > 0.0, "above 0: no verdict without an uncertainty")?;
        if self.dof >= 1.0 {
            Ok(())
        } else {
            check_range("degrees of freedom", self.dof, false, "at least 1")
        }
    }

    /// P(true value < limit) and P(true value > limit), each with an accurate tail.
    fn tails(&self, limit: f64) -> Result<(f64, f64)> {
        let z = (limit - self.value) / self.standard_uncertainty;
        if self.dof.is_infinite() { Ok((normal_cdf(z), normal_sf(z))) } else { t_tails(z, self.dof) }
    }
}

/// Probability that the true value conforms (JCGM 106 clause 7), and its complement with an accurate tail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conformance {
    /// p_c, probability of conformity.
    pub conforming: f64,
    /// 1 - p_c, computed from the tails.
    pub nonconforming: f64,
}

/// Conformance probability of one measured value. Errors on bad limits or an uncertainty that is not above 0.
pub fn conformance(measured: &Measured, tolerance: &Tolerance) -> Result<Conformance> {
    measured.check()?;
    tolerance.check()?;
    let (conforming, nonconforming) = match *tolerance {
        Tolerance::Lower(limit) => {
            let (below, above) = measured.tails(limit)?;
            (above, below)
        }
        Tolerance::Upper(limit) => measured.tails(limit)?,
        Tolerance::Both { lower, upper } => {
            let (below_lower, above_lower) = measured.tails(lower)?;
            let (below_upper, above_upper) = measured.tails(upper)?;
            // Inside as a difference on the side where the two tails are small.
            let inside = if measured.value < lower {
                above_lower - above_upper
            } else if measured.value > upper {
                below_upper - below_lower
            } else {
                1.0 - (below_lower + above_upper)
            };
            (inside.max(0.0), (below_lower + above_upper).min(1.0))
        }
    };
    Ok(Conformance { conforming, nonconforming })
}

/// A decision rule: how far the acceptance limit is pulled in from the tolerance limit, w = r U.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DecisionRule {
    /// w = 0: simple acceptance (shared risk).
    SimpleAcceptance,
    /// w = U (ILAC-G8).
    IlacG8,
    /// w = 1.65 u, that is 0.83 U at k = 2 (ISO 14253-1:2017, conformity proved at 95 % one-sided).
    Iso14253,
    /// w = 1.5 U.
    ThreeSigma,
    /// w = 3 U.
    SixSigma,
    /// w = -U: fail only when nonconformity is proved.
    Uncritical,
    /// w = r U with a customer's r.
    Multiple {
        /// r; negative for a relaxed acceptance.
        r: f64,
    },
}

impl DecisionRule {
    /// All rules that have a name.
    pub(crate) const NAMED: [Self; 6] = [
        Self::SimpleAcceptance,
        Self::IlacG8,
        Self::Iso14253,
        Self::ThreeSigma,
        Self::SixSigma,
        Self::Uncritical,
    ];

    /// Name as written in a plan.
    pub fn name(&self) -> &'static str {
        match self {
            Self::SimpleAcceptance => "simple acceptance",
            Self::IlacG8 => "ILAC-G8",
            Self::Iso14253 => "ISO 14253-1",
            Self::ThreeSigma => "3 sigma",
            Self::SixSigma => "6 sigma",
            Self::Uncritical => "uncritical",
            Self::Multiple { .. } => "customer defined",
        }
    }

    /// Rule from its name (any case) or from a number r meaning w = r U. `None` when it is neither.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let named = Self::NAMED.into_iter().find(|rule| rule.name().eq_ignore_ascii_case(text));
        named.or_else(|| text.parse().ok().filter(|r: &f64| r.is_finite()).map(|r| Self::Multiple { r }))
    }

    /// Guard band w in the unit of `standard_uncertainty`, for U = `coverage_factor` u.
    pub fn guard_band(&self, standard_uncertainty: f64, coverage_factor: f64) -> f64 {
        let expanded = coverage_factor * standard_uncertainty;
        match *self {
            Self::SimpleAcceptance => 0.0,
            Self::IlacG8 => expanded,
            Self::Iso14253 => 1.65 * standard_uncertainty,
            Self::ThreeSigma => 1.5 * expanded,
            Self::SixSigma => 3.0 * expanded,
            Self::Uncritical => -expanded,
            Self::Multiple { r } => r * expanded,
        }
    }

    /// Worst-case probability of false acceptance Phi(-w/u): the true value sits on the limit's wrong side and the
    /// measured value on the acceptance limit. For `Uncritical` read it as 1 - the probability of false rejection.
    pub(crate) fn worst_case_false_accept(&self, coverage_factor: f64) -> f64 {
        normal_sf(self.guard_band(1.0, coverage_factor))
    }
}

impl fmt::Display for DecisionRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Multiple { r } => write!(f, "customer defined, w = {r} U"),
            _ => f.write_str(self.name()),
        }
    }
}

/// Verdict in the four words of ILAC-G8:09/2019 4.2.3, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Inside the acceptance limit.
    Pass,
    /// Inside the tolerance limit, but not by the guard band.
    ConditionalPass,
    /// Outside the tolerance limit, but not by the guard band.
    ConditionalFail,
    /// Outside by more than the guard band.
    Fail,
}

impl Verdict {
    /// Every verdict, best first.
    pub const ALL: [Verdict; 4] = [Self::Pass, Self::ConditionalPass, Self::ConditionalFail, Self::Fail];

    pub fn words(&self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::ConditionalPass => "conditional pass",
            Self::ConditionalFail => "conditional fail",
            Self::Fail => "fail",
        }
    }
}

/// Verdict of `excess` = how far the value lies outside the tolerance limit (negative inside), guard band `w`.
///
/// With w < 0 (uncritical) there is nothing between the limits to call a conditional fail: inside TL is a pass,
/// between TL and TL + |w| a conditional pass, beyond it a fail.
pub(crate) fn four_word_verdict(excess: f64, w: f64) -> Verdict {
    if w < 0.0 {
        return match excess {
            e if e <= 0.0 => Verdict::Pass,
            e if e <= -w => Verdict::ConditionalPass,
            _ => Verdict::Fail,
        };
    }
    match excess {
        e if e <= -w => Verdict::Pass,
        e if e <= 0.0 => Verdict::ConditionalPass,
        e if e <= w => Verdict::ConditionalFail,
        _ => Verdict::Fail,
    }
}

/// One judged value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// Verdict in four words.
    pub verdict: Verdict,
    /// Binary verdict (ILAC-G8 4.2.1, 4.2.2): within the acceptance limits.
    pub accepted: bool,
    /// Guard band w.
    pub guard_band: f64,
    /// Acceptance limits: the tolerance limits pulled in by w.
    pub acceptance: Tolerance,
    /// Distance to the nearest tolerance limit, positive inside.
    pub margin: f64,
    /// Conformance probability and its complement.
    pub conformance: Conformance,
    /// Specific risk of this decision: probability that an accepted item does not conform, or that a rejected one
    /// does.
    pub specific_risk: f64,
    /// Worst-case probability of false acceptance under the rule, Phi(-w/u).
    pub worst_case_false_accept: f64,
}

/// Judges one measured value against a tolerance under a rule with U = `coverage_factor` u.
///
/// Errors on a missing uncertainty, limits out of order, or a guard band that leaves no acceptance interval.
pub fn judge(
    measured: &Measured,
    tolerance: &Tolerance,
    rule: &DecisionRule,
    coverage_factor: f64,
) -> Result<Judgement> {
    check_range("coverage factor", coverage_factor, coverage_factor > 0.0, "above 0")?;
    let conformance = conformance(measured, tolerance)?;
    let guard_band = rule.guard_band(measured.standard_uncertainty, coverage_factor);
    check_range("guard band", guard_band, true, "a finite number")?;
    let acceptance = tolerance.tightened(guard_band)?;
    let (lower, upper) = tolerance.ends();
    let margin = (measured.value - lower).min(upper - measured.value);
    // The acceptance limit itself decides, so that word and binary verdict cannot differ by a rounding.
    let accepted = acceptance.contains(measured.value);
    let verdict = match (four_word_verdict(-margin, guard_band), guard_band < 0.0) {
        (_, false) if accepted => Verdict::Pass,
        (Verdict::Pass, false) => Verdict::ConditionalPass,
        (_, true) if !accepted => Verdict::Fail,
        (Verdict::Fail, true) => Verdict::ConditionalPass,
        (word, _) => word,
    };
    Ok(Judgement {
        verdict,
        accepted,
        guard_band,
        acceptance,
        margin,
        conformance,
        specific_risk: if accepted { conformance.nonconforming } else { conformance.conforming },
        worst_case_false_accept: rule.worst_case_false_accept(coverage_factor),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_words_at_both_kinds_of_limit() {
        let rule = DecisionRule::IlacG8; // w = U = 2
        let word = |value, tolerance| {
            judge(&Measured::normal(value, 1.0), &tolerance, &rule, 2.0).unwrap().verdict.words()
        };
        let upper = Tolerance::Upper(10.0);
        // Boundaries belong to the better side: pass y <= TL - w, and so on.
        let expected = [
            (8.0, "pass"),
            (8.01, "conditional pass"),
            (10.0, "conditional pass"),
            (10.01, "conditional fail"),
            (12.0, "conditional fail"),
            (12.01, "fail"),
        ];
        for (value, words) in expected {
            assert_eq!(word(value, upper), words, "upper {value}");
            assert_eq!(word(-value, Tolerance::Lower(-10.0)), words, "lower {value}");
        }
    }

    #[test]
    fn binary_follows_the_acceptance_limit() {
        let t = Tolerance::Lower(0.0);
        let accepted = |value, rule| judge(&Measured::normal(value, 1.0), &t, &rule, 2.0).unwrap().accepted;
        assert!(accepted(0.0, DecisionRule::SimpleAcceptance));
        assert!(!accepted(1.6, DecisionRule::Iso14253));
        assert!(accepted(1.65, DecisionRule::Iso14253));
        assert!(accepted(-2.0, DecisionRule::Uncritical));
        assert!(!accepted(-2.1, DecisionRule::Uncritical));
        let relaxed = judge(&Measured::normal(-1.0, 1.0), &t, &DecisionRule::Uncritical, 2.0).unwrap();
        assert_eq!(relaxed.verdict, Verdict::ConditionalPass);
    }

    #[test]
    fn no_verdict_from_nothing() {
        let t = Tolerance::Lower(0.0);
        for bad in
            [Measured::normal(1.0, 0.0), Measured::normal(f64::NAN, 1.0), Measured::normal(1.0, f64::NAN)]
        {
            assert!(judge(&bad, &t, &DecisionRule::IlacG8, 2.0).is_err());
        }
        let swapped = Tolerance::Both { lower: 2.0, upper: 1.0 };
        assert!(matches!(
            judge(&Measured::normal(1.0, 0.1), &swapped, &DecisionRule::IlacG8, 2.0),
            Err(StatisticsError::LimitOrder { .. })
        ));
        let narrow = Tolerance::Both { lower: 0.0, upper: 1.0 };
        assert!(judge(&Measured::normal(0.5, 1.0), &narrow, &DecisionRule::IlacG8, 2.0).is_err());
    }

    #[test]
    fn few_degrees_of_freedom_lower_the_conformance_probability() {
        let t = Tolerance::Lower(0.0);
        let few = Measured { value: 2.0, standard_uncertainty: 1.0, dof: 2.0 };
        // t distribution with 2 dof in closed form: P(T > 2) = (1 - 2/sqrt(6))/2.
        let expected = 0.5 * (1.0 - 2.0 / 6.0_f64.sqrt());
        assert!((conformance(&few, &t).unwrap().nonconforming - expected).abs() < 1e-14);
        let many = conformance(&Measured::normal(2.0, 1.0), &t).unwrap();
        assert!(many.nonconforming < expected);
    }

    #[test]
    fn rules_are_found_by_name_and_number() {
        assert_eq!(DecisionRule::parse("ilac-g8"), Some(DecisionRule::IlacG8));
        assert_eq!(DecisionRule::parse(" 0.5 "), Some(DecisionRule::Multiple { r: 0.5 }));
        assert_eq!(DecisionRule::parse("NaN"), None);
        assert_eq!(DecisionRule::parse("generous"), None);
        for rule in DecisionRule::NAMED {
            assert_eq!(DecisionRule::parse(rule.name()), Some(rule));
        }
    }

    #[test]
    fn tails_stay_accurate() {
        let far = conformance(&Measured::normal(20.0, 1.0), &Tolerance::Lower(0.0)).unwrap();
        assert!(far.nonconforming > 0.0 && far.nonconforming < 1e-88);
        let both = Tolerance::Both { lower: -20.0, upper: 20.0 };
        let outside = conformance(&Measured::normal(50.0, 1.0), &both).unwrap();
        assert!(outside.conforming > 0.0, "far outside the inside probability must not be rounded to 0");
    }
}
