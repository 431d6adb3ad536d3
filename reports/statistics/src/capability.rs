//! Process capability indices with their confidence intervals, and the reject rates they imply.

use super::conformity::Tolerance;
use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::{normal_sf, normal_upper_quantile};
use super::summary::{Interval, mean, standard_deviation};

/// Capability indices; an index that needs a limit that is not there is `None`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Cp = (USL - LSL)/(6 s); two-sided tolerances only.
    pub cp: Option<f64>,
    /// Cpu = (USL - mean)/(3 s).
    pub cpu: Option<f64>,
    /// Cpl = (mean - LSL)/(3 s).
    pub cpl: Option<f64>,
    /// Cpk, the smaller of Cpu and Cpl.
    pub cpk: f64,
    /// Share outside the limits if the process is normal with exactly these mean and s.
    pub reject_rate: f64,
}

/// Indices from mean and standard deviation (e-Handbook 6.1.6).
pub fn capability(mean: f64, standard_deviation: f64, tolerance: &Tolerance) -> Result<Capability> {
    tolerance.check()?;
    check_range("process mean", mean, true, "a finite number")?;
    check_range("process standard deviation", standard_deviation, standard_deviation > 0.0, "above 0")?;
    let (lower, upper) = tolerance.ends();
    let index = |distance: f64| distance.is_finite().then_some(distance / (3.0 * standard_deviation));
    let (cpu, cpl) = (index(upper - mean), index(mean - lower));
    let cpk = cpu.into_iter().chain(cpl).fold(f64::INFINITY, f64::min);
    Ok(Capability {
        cp: index(0.5 * (upper - lower)),
        cpu,
        cpl,
        cpk,
        reject_rate: cpu.into_iter().chain(cpl).map(|c| normal_sf(3.0 * c)).sum(),
    })
}

/// Indices of raw values; needs two different ones.
pub fn capability_of(values: &[f64], tolerance: &Tolerance) -> Result<Capability> {
    let s = standard_deviation(values)?;
    if s == 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "process capability" });
    }
    capability(mean(values)?, s, tolerance)
}

fn check(n: usize, index: f64, confidence: f64) -> Result<()> {
    if n < 2 {
        return Err(StatisticsError::TooFewValues {
            what: "interval of a capability index",
            have: n,
            need: 2,
        });
    }
    check_range("capability index", index, true, "a finite number")?;
    check_probability("confidence", confidence)
}

fn bissell_sd(cpk: f64, n: usize) -> f64 {
    let n = n as f64;
    (1.0 / (9.0 * n) + cpk * cpk / (2.0 * (n - 1.0))).sqrt()
}

/// Two-sided approximate interval of Cpk from n values (Bissell 1990).
pub fn cpk_interval(cpk: f64, n: usize, confidence: f64) -> Result<Interval> {
    check(n, cpk, confidence)?;
    let half = normal_upper_quantile(0.5 * (1.0 - confidence))? * bissell_sd(cpk, n);
    Ok(Interval { lower: cpk - half, upper: cpk + half })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_sided_tolerances_have_no_cp() {
        let c = capability(5.0, 1.0, &Tolerance::Lower(2.0)).unwrap();
        assert_eq!((c.cp, c.cpu, c.cpl, c.cpk), (None, None, Some(1.0), 1.0));
        assert!((c.reject_rate - normal_sf(3.0)).abs() < 1e-16);
    }

    #[test]
    fn refusals() {
        let t = Tolerance::Both { lower: 0.0, upper: 1.0 };
        assert!(matches!(capability_of(&[0.5, 0.5], &t), Err(StatisticsError::ZeroVariance { .. })));
        assert!(capability(0.5, f64::NAN, &t).is_err());
        assert!(cpk_interval(1.0, 1, 0.95).is_err());
    }
}
