//! Uncertainty budget by the law of propagation (GUM, JCGM 100:2008), with effective degrees of freedom,
//! correlated inputs and a printable table of contributions.

use std::fmt;

use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::{normal_upper_quantile, t_upper_quantile};
use super::summary;

/// How an input's uncertainty was evaluated (GUM 4.2, 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Evaluation {
    /// By statistics of repeated observations.
    TypeA,
    /// By other knowledge: data sheet, certificate, resolution.
    TypeB,
}

/// What is known about an input; each yields a standard uncertainty in the input's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Distribution {
    /// Expanded uncertainty from a certificate, divided by its coverage factor.
    Normal {
        /// Expanded uncertainty.
        expanded: f64,
        /// Coverage factor it was stated with.
        coverage_factor: f64,
    },
    /// Anywhere within +- half width: a/sqrt(3).
    Rectangular {
        /// Half width a.
        half_width: f64,
    },
    /// Symmetric triangle within +- half width: a/sqrt(6).
    Triangular {
        /// Half width a.
        half_width: f64,
    },
    /// Reading rounded to a step: d/sqrt(12) (GUM F.2.2.1).
    ResolutionStep {
        /// Step d.
        step: f64,
    },
    /// Standard uncertainty already known.
    Standard {
        /// Standard uncertainty.
        standard_uncertainty: f64,
    },
}

impl Distribution {
    /// Standard uncertainty of the input. Errors on a negative or non-finite width.
    pub fn standard_uncertainty(&self) -> Result<f64> {
        let (name, width, divisor) = match *self {
            Self::Normal { expanded, coverage_factor } => {
                check_range("coverage factor", coverage_factor, coverage_factor > 0.0, "above 0")?;
                ("expanded uncertainty", expanded, coverage_factor)
            }
            Self::Rectangular { half_width } => ("half width", half_width, 3.0_f64.sqrt()),
            Self::Triangular { half_width } => ("half width", half_width, 6.0_f64.sqrt()),
            Self::ResolutionStep { step } => ("resolution step", step, 12.0_f64.sqrt()),
            Self::Standard { standard_uncertainty } => ("standard uncertainty", standard_uncertainty, 1.0),
        };
        check_range(name, width, width >= 0.0, "0 or more and finite")?;
        Ok(width / divisor)
    }

    fn word(&self) -> &'static str {
        match self {
            Self::Normal { .. } => "normal",
            Self::Rectangular { .. } => "rectangular",
            Self::Triangular { .. } => "triangular",
            Self::ResolutionStep { .. } => "resolution",
            Self::Standard { .. } => "standard",
        }
    }
}

/// One line of a budget: an input quantity and its weight in the result.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Name of the input.
    pub name: String,
    /// Best estimate, in the input's unit.
    pub value: f64,
    /// Type A or B.
    pub evaluation: Evaluation,
    /// What is known about its spread.
    pub distribution: Distribution,
    /// Sensitivity coefficient: change of the result per unit of the input.
    pub sensitivity: f64,
    /// Degrees of freedom; infinite when the uncertainty is taken as known.
    pub dof: f64,
}

impl Line {
    /// A type B line with sensitivity 1 and infinite degrees of freedom.
    pub fn type_b(name: impl Into<String>, value: f64, distribution: Distribution) -> Self {
        let evaluation = Evaluation::TypeB;
        Self { name: name.into(), value, evaluation, distribution, sensitivity: 1.0, dof: f64::INFINITY }
    }

    /// A type A line from a standard uncertainty and its degrees of freedom, sensitivity 1.
    pub fn type_a(name: impl Into<String>, value: f64, standard_uncertainty: f64, dof: f64) -> Self {
        let distribution = Distribution::Standard { standard_uncertainty };
        let evaluation = Evaluation::TypeA;
        Self { name: name.into(), value, evaluation, distribution, sensitivity: 1.0, dof }
    }

    /// A type A line for the mean of repeated observations: u = s/sqrt(n), n-1 degrees of freedom (GUM 4.2.3).
    /// Needs two values.
    pub fn from_observations(name: impl Into<String>, observations: &[f64]) -> Result<Self> {
        let s = summary::standard_deviation(observations)?;
        let n = observations.len() as f64;
        Ok(Self::type_a(name, summary::mean(observations)?, s / n.sqrt(), n - 1.0))
    }

    /// Second-order term for a product of two inputs whose best estimates make the first-order term vanish:
    /// |coefficient| u_a u_b (GUM 5.1.2 note, H.1.7).
    pub fn second_order(name: impl Into<String>, coefficient: f64, u_a: f64, u_b: f64) -> Self {
        let standard_uncertainty = (coefficient * u_a * u_b).abs();
        Self::type_b(name, 0.0, Distribution::Standard { standard_uncertainty })
    }

    /// The same line with another sensitivity coefficient.
    #[must_use]
    pub fn with_sensitivity(mut self, sensitivity: f64) -> Self {
        self.sensitivity = sensitivity;
        self
    }

    /// The same line with stated degrees of freedom (GUM G.4.2 for type B).
    #[must_use]
    pub fn with_dof(mut self, dof: f64) -> Self {
        self.dof = dof;
        self
    }
}

/// One line of a combined budget.
#[derive(Debug, Clone, PartialEq)]
pub struct Contribution {
    /// Name of the input.
    pub name: String,
    /// Type A or B.
    pub evaluation: Evaluation,
    /// Word for the distribution.
    pub distribution: &'static str,
    /// Standard uncertainty of the input, in its unit.
    pub standard_uncertainty: f64,
    /// Sensitivity coefficient.
    pub sensitivity: f64,
    /// Signed contribution c u, in the unit of the result.
    pub contribution: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Share of the combined variance, 0..1; with correlated inputs each covariance is split evenly between its two
    /// lines, so a share can be negative. All shares add up to 1.
    pub variance_share: f64,
}

/// Combined result of a budget. Prints as a table.
#[derive(Debug, Clone, PartialEq)]
pub struct CombinedUncertainty {
    /// Contributions in the order of the lines.
    pub contributions: Vec<Contribution>,
    /// Combined standard uncertainty u_c.
    pub standard_uncertainty: f64,
    /// Welch-Satterthwaite effective degrees of freedom (may be infinite); with correlated inputs infinite, because
    /// the formula holds for independent inputs only.
    pub effective_dof: f64,
    /// Coverage probability asked for.
    pub coverage: f64,
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

/// Combines independent lines. Errors on an empty budget, a bad width or degrees of freedom below 1 in total.
pub fn combine(lines: &[Line], coverage: f64) -> Result<CombinedUncertainty> {
    let contributions = evaluate(lines)?;
    let pairs: Vec<(f64, f64)> = contributions.iter().map(|c| (c.contribution, c.dof)).collect();
    let variance = pairs.iter().map(|(u, _)| u * u).sum();
    finish(contributions, variance, effective_dof(&pairs), coverage, |c, _| c.contribution * c.contribution)
}

/// Combines lines with a correlation matrix (row-major, one row a line, 1 on the diagonal; GUM 5.2).
///
/// Errors when the matrix has the wrong size, is not symmetric, or would give a negative variance.
pub fn combine_correlated(
    lines: &[Line],
    correlation: &[Vec<f64>],
    coverage: f64,
) -> Result<CombinedUncertainty> {
    let contributions = evaluate(lines)?;
    check_correlation(lines.len(), correlation)?;
    let independent = correlation
        .iter()
        .enumerate()
        .all(|(i, row)| row.iter().enumerate().all(|(j, r)| i == j || *r == 0.0));
    if independent {
        return combine(lines, coverage);
    }
    let parts: Vec<f64> = contributions.iter().map(|c| c.contribution).collect();
    let row_sum = |row: &[f64]| row.iter().zip(&parts).map(|(r, u)| r * u).sum::<f64>();
    let shares: Vec<f64> = correlation.iter().zip(&parts).map(|(row, u)| u * row_sum(row)).collect();
    let variance = shares.iter().sum::<f64>();
    let share = |_: &Contribution, i: usize| shares.get(i).copied().unwrap_or(0.0);
    finish(contributions, variance, f64::INFINITY, coverage, share)
}

fn evaluate(lines: &[Line]) -> Result<Vec<Contribution>> {
    if lines.is_empty() {
        return Err(StatisticsError::TooFewValues { what: "uncertainty budget", have: 0, need: 1 });
    }
    lines
        .iter()
        .map(|line| {
            let u = line.distribution.standard_uncertainty()?;
            check_range("sensitivity coefficient", line.sensitivity, true, "a finite number")?;
            check_range("value of a budget line", line.value, true, "a finite number")?;
            if line.dof.is_nan() || line.dof <= 0.0 {
                return Err(StatisticsError::OutOfRange {
                    name: "degrees of freedom of a budget line",
                    value: line.dof,
                    allowed: "above 0 (infinite when the uncertainty is taken as known)",
                });
            }
            Ok(Contribution {
                name: line.name.clone(),
                evaluation: line.evaluation,
                distribution: line.distribution.word(),
                standard_uncertainty: u,
                sensitivity: line.sensitivity,
                contribution: line.sensitivity * u,
                dof: line.dof,
                variance_share: 0.0,
            })
        })
        .collect()
}

fn check_correlation(n: usize, correlation: &[Vec<f64>]) -> Result<()> {
    if correlation.len() != n {
        return Err(StatisticsError::Shape { what: "correlation matrix", have: correlation.len(), need: n });
    }
    for (i, row) in correlation.iter().enumerate() {
        if row.len() != n {
            return Err(StatisticsError::Shape { what: "correlation matrix row", have: row.len(), need: n });
        }
        for (j, &r) in row.iter().enumerate() {
            check_range("correlation coefficient", r, r.abs() <= 1.0, "between -1 and 1")?;
            let mirrored = correlation.get(j).and_then(|other| other.get(i)).copied();
            if mirrored != Some(r) || (i == j && r != 1.0) {
                return Err(StatisticsError::OutOfRange {
                    name: "correlation coefficient",
                    value: r,
                    allowed: "the same in both halves of the matrix and 1 on its diagonal",
                });
            }
        }
    }
    Ok(())
}

fn finish(
    mut contributions: Vec<Contribution>,
    variance: f64,
    dof: f64,
    coverage: f64,
    share: impl Fn(&Contribution, usize) -> f64,
) -> Result<CombinedUncertainty> {
    let allowed = "0 or more: the correlation coefficients contradict each other";
    check_range("combined variance", variance, variance >= 0.0, allowed)?;
    if variance == 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "uncertainty budget" });
    }
    for i in 0..contributions.len() {
        if let Some(c) = contributions.get_mut(i) {
            c.variance_share = share(c, i) / variance;
        }
    }
    let coverage_factor = coverage_factor(coverage, dof)?;
    let standard_uncertainty = variance.sqrt();
    Ok(CombinedUncertainty {
        contributions,
        standard_uncertainty,
        effective_dof: dof,
        coverage,
        coverage_factor,
        expanded: coverage_factor * standard_uncertainty,
    })
}

/// Correlation coefficient of the means of paired observations (GUM 5.2.3). Needs two pairs with spread.
pub fn correlation_of_observations(x: &[f64], y: &[f64]) -> Result<f64> {
    if x.len() != y.len() {
        return Err(StatisticsError::Shape { what: "paired observations", have: y.len(), need: x.len() });
    }
    let (mx, my) = (summary::mean(x)?, summary::mean(y)?);
    let spread = summary::standard_deviation(x)? * summary::standard_deviation(y)?;
    if spread == 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "correlation of observations" });
    }
    let products = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my));
    let covariance = summary::compensated_sum(products) / (x.len() - 1) as f64;
    Ok((covariance / spread).clamp(-1.0, 1.0))
}

/// Combines a result from a covariance matrix of the inputs and its sensitivities: u_c^2 = c' V c.
pub fn variance_from_covariance(sensitivities: &[f64], covariance: &[Vec<f64>]) -> Result<f64> {
    let n = sensitivities.len();
    if covariance.len() != n {
        return Err(StatisticsError::Shape { what: "covariance matrix", have: covariance.len(), need: n });
    }
    let mut total = 0.0;
    for (row, ci) in covariance.iter().zip(sensitivities) {
        if row.len() != n {
            return Err(StatisticsError::Shape { what: "covariance matrix row", have: row.len(), need: n });
        }
        total += ci * row.iter().zip(sensitivities).map(|(v, cj)| v * cj).sum::<f64>();
    }
    check_range(
        "combined variance",
        total,
        total >= 0.0,
        "0 or more: the matrix is not a covariance matrix",
    )?;
    Ok(total)
}

impl fmt::Display for CombinedUncertainty {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<28} {:>4} {:<12} {:>12} {:>12} {:>12} {:>8} {:>7}",
            "input", "type", "distribution", "u", "sensitivity", "contribution", "dof", "share"
        )?;
        for c in &self.contributions {
            writeln!(
                f,
                "{:<28} {:>4} {:<12} {:>12.5} {:>12.5} {:>12.5} {:>8} {:>6.1}%",
                c.name,
                if c.evaluation == Evaluation::TypeA { "A" } else { "B" },
                c.distribution,
                c.standard_uncertainty,
                c.sensitivity,
                c.contribution,
                dof_text(c.dof),
                100.0 * c.variance_share
            )?;
        }
        write!(
            f,
            "u = {:.5}, effective dof = {}, k = {:.3} ({:.2} %), U = {:.5}",
            self.standard_uncertainty,
            dof_text(self.effective_dof),
            self.coverage_factor,
            100.0 * self.coverage,
            self.expanded
        )
    }
}

fn dof_text(dof: f64) -> String {
    if dof.is_infinite() { "inf".to_owned() } else { format!("{dof:.1}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_add_up_and_print() {
        let lines = [
            Line::type_b("tap step", 0.0, Distribution::ResolutionStep { step: 1.2 }),
            Line::type_a("repeatability", 0.0, 0.5, 9.0),
            Line::type_b("supply", 0.0, Distribution::Rectangular { half_width: 0.01 })
                .with_sensitivity(-40.0),
        ];
        let r = combine(&lines, 0.95).unwrap();
        let total: f64 = r.contributions.iter().map(|c| c.variance_share).sum();
        assert!((total - 1.0).abs() < 1e-14);
        let text = r.to_string();
        assert!(text.contains("tap step") && text.contains("inf") && text.contains("U = "), "{text}");
    }

    #[test]
    fn full_correlation_adds_linearly() {
        let lines = [Line::type_a("a", 0.0, 3.0, 5.0), Line::type_a("b", 0.0, 4.0, 5.0)];
        let r = combine_correlated(&lines, &[vec![1.0, 1.0], vec![1.0, 1.0]], 0.95).unwrap();
        assert!((r.standard_uncertainty - 7.0).abs() < 1e-14);
        let anti = combine_correlated(&lines, &[vec![1.0, -1.0], vec![-1.0, 1.0]], 0.95).unwrap();
        assert!((anti.standard_uncertainty - 1.0).abs() < 1e-14);
        let total: f64 = anti.contributions.iter().map(|c| c.variance_share).sum();
        assert!((total - 1.0).abs() < 1e-12);
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
        let zero = [Line::type_a("a", 0.0, 0.0, 5.0)];
        assert!(matches!(combine(&zero, 0.95), Err(StatisticsError::ZeroVariance { .. })));
        let negative = [Line::type_b("a", 0.0, Distribution::Rectangular { half_width: -1.0 })];
        assert!(combine(&negative, 0.95).is_err());
        assert!(combine(&[Line::type_a("a", 0.0, 1.0, f64::NAN)], 0.95).is_err());
        assert!(combine(&[Line::type_a("a", 0.0, 1.0, 0.5)], 0.95).is_err());
        let two = [Line::type_a("a", 0.0, 1.0, 5.0), Line::type_a("b", 0.0, 1.0, 5.0)];
        assert!(combine_correlated(&two, &[vec![1.0, 0.5], vec![0.4, 1.0]], 0.95).is_err());
        assert!(combine_correlated(&two, &[vec![1.0]], 0.95).is_err());
    }
}
