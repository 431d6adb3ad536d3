//! Control charts for reference jobs: individuals and moving range, with run rules.

use super::error::{Result, StatisticsError, check_values};
use super::summary::{mean_unchecked, quantile_of_sorted};

/// d2 of two values, 2/sqrt(pi): mean moving range over sigma.
const D2: f64 = std::f64::consts::FRAC_2_SQRT_PI;

/// Upper limit of the moving range over its mean, D4 of two values: 1 + 3 d3/d2 with d3 = sqrt(2 - 4/pi).
const D4: f64 = 3.266_531_919_288_601_3;

/// Limits of an individuals and moving-range chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ControlLimits {
    /// Centre line of the individuals.
    pub centre: f64,
    /// Sigma from the mean moving range.
    pub sigma: f64,
    /// Lower 3-sigma limit.
    pub lower: f64,
    /// Upper 3-sigma limit.
    pub upper: f64,
    /// Centre line of the moving ranges.
    pub moving_range_centre: f64,
    /// Upper limit of the moving ranges.
    pub moving_range_upper: f64,
    /// Number of baseline values.
    pub n: usize,
}

/// Limits from the median of the moving ranges (divided by its expectation 0.9539), which one disturbed reference in
/// the baseline cannot inflate.
pub fn robust_control_limits(baseline: &[f64]) -> Result<ControlLimits> {
    const WHAT: &str = "control limits";
    check_values(WHAT, baseline, 3)?;
    let mut ranges: Vec<f64> = moving_ranges(baseline).collect();
    ranges.sort_by(f64::total_cmp);
    // Median of |difference of two standard normals| is 0.953873; d2/0.953873 turns it into a mean range.
    let moving_range_centre = quantile_of_sorted(&ranges, 0.5) * D2 / 0.953_872_552_416;
    if moving_range_centre <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    let sigma = moving_range_centre / D2;
    let centre = mean_unchecked(baseline);
    Ok(ControlLimits {
        centre,
        sigma,
        lower: centre - 3.0 * sigma,
        upper: centre + 3.0 * sigma,
        moving_range_centre,
        moving_range_upper: D4 * moving_range_centre,
        n: baseline.len(),
    })
}

fn moving_ranges(values: &[f64]) -> impl Iterator<Item = f64> + '_ {
    values.windows(2).map(|w| match *w {
        [a, b] => (b - a).abs(),
        _ => 0.0,
    })
}

/// A rule that a point broke.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ControlRule {
    /// The value lies beyond a 3-sigma limit.
    BeyondLimit,
    /// Two of the last three values beyond 2 sigma on one side.
    TwoOfThreeBeyondTwoSigma,
    /// Four of the last five values beyond 1 sigma on one side.
    FourOfFiveBeyondOneSigma,
    /// Eight values in a row on one side of the centre.
    EightOnOneSide,
    /// The moving range lies above its limit.
    MovingRange,
}

impl ControlRule {
    /// The rule in words.
    pub fn words(&self) -> &'static str {
        match self {
            Self::BeyondLimit => "beyond a 3-sigma limit",
            Self::TwoOfThreeBeyondTwoSigma => "two of three beyond 2 sigma on one side",
            Self::FourOfFiveBeyondOneSigma => "four of five beyond 1 sigma on one side",
            Self::EightOnOneSide => "eight in a row on one side of the centre",
            Self::MovingRange => "change from the value before above its limit",
        }
    }
}

/// A point that is out of control, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signal {
    /// Position of the value, counted from 0.
    pub index: usize,
    /// Rule it broke.
    pub rule: ControlRule,
}

/// Checks values in time order against the limits: 3-sigma limits, moving range and the Western Electric run rules
/// (e-Handbook 6.3.2). Signals come in order of position; a point can break several rules.
pub fn signals(values: &[f64], limits: &ControlLimits) -> Result<Vec<Signal>> {
    check_values("control chart", values, 1)?;
    if limits.sigma.is_nan() || limits.sigma <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "control chart" });
    }
    let z: Vec<f64> = values.iter().map(|v| (v - limits.centre) / limits.sigma).collect();
    let ranges = [0.0].into_iter().chain(moving_ranges(values));
    let mut found = Vec::new();
    for (index, ((now, range), value)) in z.iter().zip(ranges).zip(values).enumerate() {
        let side = now.signum();
        // The point itself must take part in the run it completes.
        let run = |length: usize, beyond: f64, need: usize| {
            let Some(first) = (index + 1).checked_sub(length) else { return false };
            let hits = z.iter().take(index + 1).skip(first).filter(|v| **v * side > beyond).count();
            now * side > beyond && hits >= need
        };
        let rules = [
            (*value < limits.lower || *value > limits.upper, ControlRule::BeyondLimit),
            (run(3, 2.0, 2), ControlRule::TwoOfThreeBeyondTwoSigma),
            (run(5, 1.0, 4), ControlRule::FourOfFiveBeyondOneSigma),
            (run(8, 0.0, 8), ControlRule::EightOnOneSide),
            (range > limits.moving_range_upper, ControlRule::MovingRange),
        ];
        found.extend(rules.into_iter().filter(|(hit, _)| *hit).map(|(_, rule)| Signal { index, rule }));
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit() -> ControlLimits {
        ControlLimits {
            centre: 0.0,
            sigma: 1.0,
            lower: -3.0,
            upper: 3.0,
            moving_range_centre: D2,
            moving_range_upper: D4 * D2,
            n: 30,
        }
    }

    fn rules(values: &[f64]) -> Vec<(usize, ControlRule)> {
        signals(values, &unit()).unwrap().into_iter().map(|s| (s.index, s.rule)).collect()
    }

    #[test]
    fn constants_follow_from_the_normal_distribution() {
        use std::f64::consts::PI;
        assert!((D2 - 2.0 / PI.sqrt()).abs() < 1e-15);
        assert!((D4 - (1.0 + 3.0 * (2.0 - 4.0 / PI).sqrt() / D2)).abs() < 1e-12);
        // Median of |X - Y|: sqrt(2) times the upper quartile of the normal distribution.
        let median = 2.0_f64.sqrt() * crate::special::normal_quantile(0.75).unwrap();
        assert!((median - 0.953_872_552_416).abs() < 1e-10);
    }

    #[test]
    fn every_rule_fires_alone() {
        assert_eq!(rules(&[0.5, 3.01]), [(1, ControlRule::BeyondLimit)]);
        assert_eq!(rules(&[2.1, 0.5, 2.1]), [(2, ControlRule::TwoOfThreeBeyondTwoSigma)]);
        assert_eq!(rules(&[1.1, 1.1, -0.1, 1.1, 1.1]), [(4, ControlRule::FourOfFiveBeyondOneSigma)]);
        assert_eq!(rules(&[0.1; 8]), [(7, ControlRule::EightOnOneSide)]);
        assert_eq!(rules(&[-1.9, 1.9]), [(1, ControlRule::MovingRange)]);
        assert_eq!(rules(&[2.1, -2.1 + 0.6, 2.05 - 0.1]), []);
    }

    #[test]
    fn limits_of_a_baseline() {
        assert!(robust_control_limits(&[1.0, 1.0, 1.0]).is_err());
        assert!(robust_control_limits(&[1.0, 2.0]).is_err());
        // One spike among alternating values leaves the limits as they were.
        let quiet: Vec<f64> = (0..20).map(|i| f64::from(i % 2)).collect();
        let mut spiked = quiet.clone();
        spiked[10] = 50.0;
        let sigma = |values: &[f64]| robust_control_limits(values).unwrap().sigma;
        assert_eq!(sigma(&spiked), sigma(&quiet));
    }
}
