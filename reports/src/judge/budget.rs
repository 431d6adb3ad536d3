//! The uncertainty budget of a metric: which contributions, how large, and what they add up to.

use crate::judged::{Budget, BudgetRow};
use crate::statistics::StatisticsError;
use crate::statistics::gum::{Line, combine, coverage_factor};
use plans::plan::judge::{BudgetLine, Metric};
use plans::results::Grid;

/// Peak-to-peak nonlinearity of a delay line, taps (estimate).
const NONLINEARITY_PP_TAPS: f64 = 0.6;
/// Tolerance of a set Vref relative to another, +- percent of VDDQ (DDR4 datasheets: valid tolerance 0.15 %).
const VREF_TOLERANCE_PERCENT: f64 = 0.15;
/// Relative change of an eye's width or height a kelvin and a percent of VDDQ (estimates: 2 to 5 % over 70 K; an
/// edge rate and driver that follow the supply).
const SENSITIVITY: (f64, f64) = (0.0007, 0.01);
/// How far an achieved condition may be off, K and percent of VDDQ (half-widths, estimates).
const CONDITION_TOLERANCE: (f64, f64) = (1.0, 0.3);
/// Repeatability where a run has no repeats, taps and Vref steps (estimate until a study replaces it).
const UNKNOWN_REPEATABILITY: f64 = 0.25;

/// What this run itself says about repeatability: standard deviation (ps or mV) and degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeatability {
    /// Standard deviation of one measurement, ps or mV.
    pub deviation: f64,
    /// Degrees of freedom.
    pub freedom: f64,
}

/// Everything but the edge's own uncertainty, for one metric on one grid at one value.
#[derive(Debug, Clone, PartialEq)]
pub struct Common {
    rows: Vec<BudgetRow>,
}

/// Combined figures of a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Standard uncertainty, ps or mV.
    pub standard: f64,
    /// Coverage factor.
    pub k: f64,
    /// Effective degrees of freedom; infinite where no type A line has a say.
    pub freedom: f64,
}

impl Common {
    /// The lines of a metric at a typical value (ps or mV), averaged over `jobs` measurements.
    pub fn new(
        metric: Metric,
        grid: &Grid,
        value: f64,
        jobs: u16,
        repeatability: Option<Repeatability>,
        plan_lines: &[BudgetLine],
    ) -> Common {
        let edges = if matches!(metric, Metric::Width | Metric::Height) { 2.0f64 } else { 1.0 };
        let step = if metric.is_time() { grid.tap_step.0 } else { grid.vref_step.0 };
        let rectangular = |half_width: f64| half_width / 3f64.sqrt();
        let (n, mut rows) = (f64::from(jobs.max(1)), Vec::new());
        let mut add = |name: &str, kind: char, u: f64, freedom: Option<f64>, source: String| {
            rows.push(BudgetRow {
                name: name.into(),
                kind,
                standard_uncertainty: u,
                degrees_of_freedom: freedom,
                share: 0.0,
                source,
            });
        };
        if metric.is_time() {
            let u = rectangular(NONLINEARITY_PP_TAPS / 2.0) * step * edges.sqrt();
            let source =
                format!("{NONLINEARITY_PP_TAPS} taps peak to peak, rectangular, {edges} edges; estimate");
            add("tap nonlinearity", 'B', u, None, source);
        } else {
            let u = rectangular(VREF_TOLERANCE_PERCENT / 100.0 * grid.vddq.0) * edges.sqrt();
            let source =
                format!("+-{VREF_TOLERANCE_PERCENT} % of VDDQ, rectangular, {edges} edges; DDR4 datasheets");
            add("Vref tolerance", 'B', u, None, source);
        }
        match repeatability {
            Some(known) => add(
                "repeatability",
                'A',
                known.deviation / n.sqrt(),
                Some(known.freedom),
                format!("pooled over this run's repeats, mean of {jobs}"),
            ),
            None => add(
                "repeatability",
                'B',
                UNKNOWN_REPEATABILITY * step,
                None,
                format!("no repeats in this run: {UNKNOWN_REPEATABILITY} of a step, estimate"),
            ),
        }
        let (per_kelvin, per_percent) = SENSITIVITY;
        let (kelvin, percent) = CONDITION_TOLERANCE;
        add(
            "temperature",
            'B',
            rectangular(kelvin) * per_kelvin * value.abs(),
            None,
            format!("+-{kelvin} K, {:.2} % a kelvin; estimate", per_kelvin * 100.0),
        );
        add(
            "supply",
            'B',
            rectangular(percent) * per_percent * value.abs(),
            None,
            format!("+-{percent} % of VDDQ, {:.1} % a percent; estimate", per_percent * 100.0),
        );
        for line in plan_lines.iter().filter(|line| line.is_time == metric.is_time()) {
            let row = BudgetRow {
                name: line.name.clone(),
                kind: if line.degrees_of_freedom.is_some() { 'A' } else { 'B' },
                standard_uncertainty: line.standard_uncertainty,
                degrees_of_freedom: line.degrees_of_freedom,
                share: 0.0,
                source: format!("plan: {}", line.source),
            };
            match rows.iter_mut().find(|known| known.name == line.name) {
                Some(known) => *known = row,
                None => rows.push(row),
            }
        }
        Common { rows }
    }

    /// Adds the uncertainty of the edges themselves and combines (GUM 5.1.2, G.4).
    ///
    /// # Errors
    /// A line that is no number.
    pub fn combine(&self, edges_u: f64, coverage: f64) -> Result<Combined, StatisticsError> {
        let mut variance = edges_u * edges_u;
        let mut denominator = 0.0;
        for row in &self.rows {
            let square = row.standard_uncertainty * row.standard_uncertainty;
            variance += square;
            if let Some(freedom) = row.degrees_of_freedom {
                denominator += square * square / freedom;
            }
        }
        // Welch-Satterthwaite, truncated before the factor is looked up (GUM G.4.2).
        let freedom = if denominator > 0.0 {
            (variance * variance / denominator).floor().max(1.0)
        } else {
            f64::INFINITY
        };
        Ok(Combined { standard: variance.sqrt(), k: coverage_factor(coverage, freedom)?, freedom })
    }

    /// The whole budget as a table, with the edges' own line.
    ///
    /// # Errors
    /// A line that is no number.
    pub fn table(&self, metric: Metric, edges_u: f64, coverage: f64) -> Result<Budget, StatisticsError> {
        let mut rows: Vec<BudgetRow> = self.rows.clone();
        rows.insert(
            0,
            BudgetRow {
                name: "sampling, step and edge fit".into(),
                kind: 'A',
                standard_uncertainty: edges_u,
                degrees_of_freedom: None,
                share: 0.0,
                source: "error counts of each eye (median over worst lanes)".into(),
            },
        );
        let lines: Vec<Line> = rows
            .iter()
            .map(|row| {
                Line::type_a(
                    row.name.clone(),
                    0.0,
                    row.standard_uncertainty,
                    row.degrees_of_freedom.unwrap_or(f64::INFINITY),
                )
            })
            .collect();
        let total = combine(&lines, coverage)?;
        for (row, part) in rows.iter_mut().zip(&total.contributions) {
            row.share = part.variance_share;
        }
        Ok(Budget {
            metric,
            rows,
            combined: total.standard_uncertainty,
            degrees_of_freedom: total.effective_dof.is_finite().then_some(total.effective_dof),
            k: total.coverage_factor,
            expanded: total.expanded,
        })
    }
}
