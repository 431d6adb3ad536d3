//! The uncertainty budget of a metric (GUM, JCGM 100:2008): which contributions, how large, and what they add up to.

mod scatter;

use super::aggregate::Scatter;
use super::tap_size::{STATED, STATED_WITHIN, TapSize};
use crate::judged::{Budget, BudgetRow};
use nightbench_core::results::{CaptureMode, Direction, Grid};
use nightbench_core::text::counted;
use plan::budget::{BudgetLine, LineUnit};
use plan::limits::Metric;
use statistics::StatisticsError;
use statistics::gum::{combine, coverage_factor};
use std::borrow::Cow;

/// Peak-to-peak nonlinearity of a delay line, taps (estimate).
const NONLINEARITY_PP_TAPS: f64 = 0.6;
/// Mean square of what that does to a mask, in squares of it (counted on 104 invented chips: off by 0.29 and 0.33 taps, and 0.03 of a tap wide on
/// each side, since training finds the middle in taps).
const OF_A_MASK: f64 = 0.36;
/// Tolerance of a set Vref relative to another, +- percent of VDDQ (DDR4 datasheets: valid tolerance 0.15 %).
const VREF_TOLERANCE_PERCENT: f64 = 0.15;
/// How far the fitted curve may be off an edge, grid steps, as standard uncertainty (seen on synthetic edges).
const FIT_MODEL_STEPS: f64 = 0.05;
/// How much a mask may be too small where the rim about it was inferred between every second tap and step, taps: not less by
/// repeats (the capture bench's shapes, exact less fast: +0.14 on average, 0.2 by shape, 0.34 with the lanes' own).
const INFERRED_RIM: f64 = 0.3;
/// Relative change of an eye's width or height a kelvin and a percent of VDDQ (estimates: 2 to 5 % over 70 K; an
/// edge rate and driver that follow the supply).
const SENSITIVITY: (f64, f64) = (0.0007, 0.01);
/// How far a reading of the achieved condition may be off, K and percent of VDDQ (half-widths, estimates).
const READING_TOLERANCE: (f64, f64) = (1.0, 0.3);

/// What a budget of one metric at one condition is made from.
#[derive(Debug, Clone, Copy)]
pub struct Inputs<'a> {
    pub metric: Metric,
    pub direction: Direction,
    /// Axes.
    pub grid: &'a Grid,
    /// How the captures' points were chosen.
    pub mode: CaptureMode,
    /// Jobs averaged.
    pub jobs: u16,
    /// Mountings among them.
    pub mountings: u16,
    /// Standard deviation of the mean over jobs, as a share of that between mountings: sqrt(sum of (jobs of a mounting
    /// / all jobs)^2).
    pub mounting_weight: f64,
    /// What the run's own repeats and re-seats say.
    pub scatter: Scatter,
    /// Standard deviation of one job from the scatter of training, as the captures' neighbouring rows and columns show it,
    /// ps or mV; 0 where they do not.
    pub training: f64,
    /// Size of a tap as a sweep shows it.
    pub tap: Option<TapSize>,
    /// Lines of the plan and of studies.
    pub lines: &'a [BudgetLine],
    /// Largest difference of achieved temperature and set point, K.
    pub off_kelvin: f64,
    /// Largest difference of achieved VDDQ and set point, percent.
    pub off_percent: f64,
}

/// How a line grows with the value.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Amount {
    /// u = input x sensitivity.
    Fixed,
    /// u = input x sensitivity x value.
    OfValue,
}

/// Which lanes of an eye a contribution puts off together.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Together {
    /// Each lane by itself.
    None,
    /// Those that share a strobe and its delay line.
    Strobe,
    /// All of them.
    All,
}

#[derive(Debug, Clone, PartialEq)]
struct Row {
    name: Cow<'static, str>,
    kind: char,
    input: f64,
    unit: &'static str,
    sensitivity: f64,
    amount: Amount,
    freedom: Option<f64>,
    /// Cancels in a difference of two runs with the same chip and delay line.
    common: bool,
    /// An estimate for what neither this run nor a study says.
    assumed: bool,
    together: Together,
    source: String,
}

impl Row {
    fn u(&self, value: f64) -> f64 {
        self.input
            * self.sensitivity
            * match self.amount {
                Amount::Fixed => 1.0,
                Amount::OfValue => value.abs(),
            }
    }
}

/// Coverage probability of U, with its factor where every line's degrees of freedom are infinite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    probability: f64,
    normal_k: f64,
}

impl Coverage {
    /// Of a probability.
    ///
    /// # Errors
    /// A probability outside 0 to 1.
    pub fn new(probability: f64) -> Result<Coverage, StatisticsError> {
        Ok(Coverage { probability, normal_k: coverage_factor(probability, f64::INFINITY)? })
    }

    pub fn probability(self) -> f64 {
        self.probability
    }

    /// Its factor on a standard uncertainty of infinite degrees of freedom.
    pub fn normal_k(self) -> f64 {
        self.normal_k
    }
}

/// Everything but the edge's own uncertainty, for one metric on one grid.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Common {
    rows: Vec<Row>,
    /// Sums of variances: fixed and per squared value; then the same of lines that do not cancel.
    sums: [f64; 4],
    /// The part of the first two sums that each lane has by itself, and that the lanes of a strobe share.
    apart: [[f64; 2]; 2],
    /// The part of the last two sums that all lanes share, and its Welch-Satterthwaite denominator.
    shared: ([f64; 2], f64),
    /// Welch-Satterthwaite denominator: all lines, and those that do not cancel.
    denominators: [f64; 2],
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
    /// Standard uncertainty of what two runs of the same chip do not share, and its degrees of freedom.
    pub independent: (f64, f64),
}

impl Common {
    /// The lines; their sources are written only where `words` asks for them.
    pub fn new(inputs: &Inputs<'_>, words: bool) -> Common {
        let mut rows = tool_rows(inputs, words);
        for line in inputs.lines.iter().filter(|line| line.applies(inputs.metric, inputs.direction)) {
            let known = rows.iter().position(|known| known.name == line.name);
            let divisor = match line.name.as_str() {
                "repeatability" => f64::from(inputs.jobs.max(1)).sqrt(),
                "re-seating" => 1.0 / inputs.mounting_weight,
                _ => 1.0,
            };
            let (share, unit, amount) = match line.unit {
                LineUnit::Percent => (0.01, "of 1", Amount::OfValue),
                _ => (1.0, inputs.metric.base_unit(), Amount::Fixed),
            };
            let row = Row {
                name: line.name.clone().into(),
                kind: if line.degrees_of_freedom.is_some() { 'A' } else { 'B' },
                input: share * line.standard_uncertainty,
                unit,
                sensitivity: 1.0 / divisor,
                amount,
                freedom: line.degrees_of_freedom,
                common: known.is_some_and(|index| rows[index].common),
                assumed: false,
                together: known.map_or(Together::All, |index| rows[index].together),
                source: if words { format!("plan: {}", line.source) } else { String::new() },
            };
            match known {
                Some(index) => rows[index] = row,
                None => rows.push(row),
            }
        }
        let (mut sums, mut denominators, mut apart) = ([0.0; 4], [0.0; 2], [[0.0; 2]; 2]);
        let mut shared = ([0.0; 2], 0.0);
        for row in &rows {
            let square = (row.input * row.sensitivity).powi(2);
            let place = usize::from(row.amount == Amount::OfValue);
            sums[place] += square;
            if !row.common {
                sums[2 + place] += square;
            }
            if !row.common && row.together == Together::All {
                shared.0[place] += square;
                if let (Some(freedom), Amount::Fixed) = (row.freedom, row.amount) {
                    shared.1 += square * square / freedom;
                }
            }
            match row.together {
                Together::None => apart[0][place] += square,
                Together::Strobe => apart[1][place] += square,
                Together::All => {}
            }
            if let (Some(freedom), Amount::Fixed) = (row.freedom, row.amount) {
                denominators[0] += square * square / freedom;
                if !row.common {
                    denominators[1] += square * square / freedom;
                }
            }
        }
        Common { rows, sums, apart, shared, denominators }
    }

    /// Combined variance at a value whose edges have this variance.
    pub fn variance(&self, value: f64, edges: f64) -> f64 {
        self.sums[0] + self.sums[1] * value * value + edges
    }

    /// The variance at a value without the edges' own: what each lane has by itself, what the lanes of a strobe share, and
    /// what all lanes share.
    pub fn by_lanes(&self, value: f64) -> (f64, f64, f64) {
        let square = value * value;
        let [lane, strobe] = self.apart.map(|part| part[0] + part[1] * square);
        (lane, strobe, (self.variance(value, 0.0) - lane - strobe).max(0.0))
    }

    /// Contributions at a value that neither this run nor a study says, with their standard uncertainty.
    pub fn assumed(&self, value: f64) -> impl Iterator<Item = (&str, f64)> {
        self.rows.iter().filter(|row| row.assumed).map(move |row| (&*row.name, row.u(value).abs()))
    }

    /// Standard uncertainty of what all lanes share and another run of the same chip does not, and its degrees of freedom.
    pub fn shared(&self, value: f64) -> (f64, f64) {
        let ([fixed, of_value], denominator) = self.shared;
        let variance = fixed + of_value * value * value;
        let freedom = if denominator > 0.0 { variance * variance / denominator } else { f64::INFINITY };
        (variance.sqrt(), freedom)
    }

    /// Combines at a value (GUM 5.1.2, G.4).
    ///
    /// # Errors
    /// A line that is no number.
    pub fn combine(&self, value: f64, edges: f64, coverage: Coverage) -> Result<Combined, StatisticsError> {
        let variance = self.variance(value, edges);
        // Welch-Satterthwaite, truncated before the factor is looked up (GUM G.4.2).
        let freedom = |variance: f64, denominator: f64| {
            if denominator > 0.0 {
                (variance * variance / denominator).floor().max(1.0)
            } else {
                f64::INFINITY
            }
        };
        let all = freedom(variance, self.denominators[0]);
        let apart = self.sums[2] + self.sums[3] * value * value + edges;
        Ok(Combined {
            standard: variance.sqrt(),
            k: if all.is_finite() { coverage_factor(coverage.probability, all)? } else { coverage.normal_k },
            freedom: all,
            independent: (apart.sqrt(), freedom(apart, self.denominators[1])),
        })
    }

    /// The whole budget as a table, with the edges' own lines: variance from counting, and from the step.
    ///
    /// # Errors
    /// A line that is no number.
    pub fn table(
        &self,
        metric: Metric,
        value: f64,
        (sampling, step): (f64, f64),
        coverage: f64,
    ) -> Result<Budget, StatisticsError> {
        let unit = metric.base_unit();
        let edge = |name: &'static str, kind: char, variance: f64, source: &str| Row {
            name: name.into(),
            kind,
            input: variance.sqrt(),
            unit,
            sensitivity: 1.0,
            amount: Amount::Fixed,
            freedom: None,
            common: false,
            assumed: false,
            together: Together::None,
            source: source.into(),
        };
        let step_name = if metric.is_time() { "tap step" } else { "Vref step" };
        let mut rows = vec![
            edge(
                "sampling",
                'A',
                sampling,
                "error counts at the edges of each eye, by the fit of their tail",
            ),
            edge(step_name, 'B', step, "edges known to one step only: 1/sqrt(12) of it (GUM F.2.2.1)"),
        ];
        rows.extend(self.rows.iter().cloned());
        let lines: Vec<(f64, f64)> =
            rows.iter().map(|row| (row.u(value).abs(), row.freedom.unwrap_or(f64::INFINITY))).collect();
        let total = combine(&lines, coverage)?;
        let rows = rows
            .into_iter()
            .zip(&total.shares)
            .map(|(row, &share)| BudgetRow {
                kind: row.kind,
                input: row.input,
                input_unit: row.unit.into(),
                sensitivity: match row.amount {
                    Amount::Fixed => row.sensitivity,
                    Amount::OfValue => row.sensitivity * value.abs(),
                },
                standard_uncertainty: row.u(value),
                degrees_of_freedom: row.freedom,
                share,
                source: row.source,
                assumed: row.assumed,
                range: None,
                name: row.name.into_owned(),
            })
            .collect();
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

fn tool_rows(inputs: &Inputs<'_>, words: bool) -> Vec<Row> {
    let (metric, grid) = (inputs.metric, inputs.grid);
    let edges = if matches!(metric, Metric::Width | Metric::Height) { 2.0f64 } else { 1.0 };
    let (step, unit) = if metric.is_time() { (grid.tap_step.0, "ps") } else { (grid.vref_step.0, "mV") };
    let rectangular = |half_width: f64| half_width / 3f64.sqrt();
    let say = |text: &dyn Fn() -> String| if words { text() } else { String::new() };
    let row = |name: &'static str, input: f64, source: String| Row {
        name: name.into(),
        kind: 'B',
        input,
        unit,
        sensitivity: 1.0,
        amount: Amount::Fixed,
        freedom: None,
        common: false,
        assumed: false,
        together: Together::All,
        source,
    };
    let mut rows = Vec::with_capacity(10);
    let model =
        say(&|| format!("{FIT_MODEL_STEPS} of a step an edge, edges: {edges}; shape of the fitted tail"));
    rows.push(Row {
        sensitivity: edges.sqrt(),
        common: true,
        ..row("edge fit", FIT_MODEL_STEPS * step, model)
    });
    if metric == Metric::Mask && inputs.mode == CaptureMode::Fast {
        let source = say(&|| {
            format!(
                "{INFERRED_RIM} of a step: the rim beside the operating row and column is inferred in fast captures"
            )
        });
        rows.push(row("inferred rim", INFERRED_RIM * step, source));
    }
    if metric.is_time() {
        rows.push(tap_size(inputs, words, &row));
        // A periodic error is most of the time at its extremes (arc sine, JCGM 101 6.4.6). A margin's ends may be opposite ones; a
        // width's are, more or less, by how many taps it spans.
        let opposite = match metric {
            Metric::Width => opposite_ends(grid),
            Metric::Mask => OF_A_MASK,
            _ => 0.5,
        };
        let u = NONLINEARITY_PP_TAPS * opposite.sqrt();
        let source = say(&|| {
            format!(
                "{NONLINEARITY_PP_TAPS} taps peak to peak, arc sine: {u:.2} taps between both ends of a {}; estimate",
                metric.name()
            )
        });
        rows.push(Row {
            common: true,
            together: Together::Strobe,
            ..row("tap nonlinearity", u * step, source)
        });
    } else {
        let source = say(&|| {
            format!("+-{VREF_TOLERANCE_PERCENT} % of VDDQ, rectangular, edges: {edges}; DDR4 data sheets")
        });
        let u = rectangular(VREF_TOLERANCE_PERCENT / 100.0 * grid.vddq.0);
        rows.push(Row { sensitivity: edges.sqrt(), common: true, ..row("Vref tolerance", u, source) });
    }
    rows.push(Row { together: Together::None, ..scatter::repeatability(inputs, step, words, &row) });
    rows.push(scatter::reseating(inputs, step, words, &row));
    let (per_kelvin, per_percent) = SENSITIVITY;
    let (kelvin, percent) = READING_TOLERANCE;
    let source = say(&|| {
        format!(
            "reading +-{kelvin} K, rectangular, and {:.2} K from the set point; {:.2} % a kelvin, estimate",
            inputs.off_kelvin,
            per_kelvin * 100.0
        )
    });
    rows.push(Row {
        unit: "K",
        sensitivity: per_kelvin,
        amount: Amount::OfValue,
        ..row("temperature", rectangular(kelvin).hypot(inputs.off_kelvin), source)
    });
    let source = say(&|| {
        format!(
            "reading +-{percent} %, rectangular, and {:.2} % from the set point; {:.1} % a percent of VDDQ, estimate",
            inputs.off_percent,
            per_percent * 100.0
        )
    });
    rows.push(Row {
        unit: "% of VDDQ",
        sensitivity: per_percent,
        amount: Amount::OfValue,
        ..row("supply", rectangular(percent).hypot(inputs.off_percent), source)
    });
    let source = say(&|| "none: judged at the counted bit error ratio, nothing is extrapolated".into());
    rows.push(row("extrapolation", 0.0, source));
    rows
}

/// Mean square of what a delay line's nonlinearity does to a width, in squares of its peak to peak: a slow error whose period is taken
/// for 14 to 26 taps (estimate: 96 invented chips with 8 and 9 taps a width were off by 0.40 and 0.48 taps, others with 17 to 19 by
/// 0.2), opposite at both ends where the width is half of it, and a fast one of half its size.
fn opposite_ends(grid: &Grid) -> f64 {
    const PERIODS: std::ops::RangeInclusive<u32> = 14..=26;
    // What healthy eyes have, of a bit time.
    let taps = 0.55 * grid.ui.0 / grid.tap_step.0;
    let of = |period: u32| (std::f64::consts::PI * taps / f64::from(period)).sin().powi(2);
    0.5 * PERIODS.map(of).sum::<f64>() / PERIODS.count() as f64 + 1.0 / 16.0
}

/// Size of a tap: as sweeps of this run show it, where they tell more than the device's own word.
fn tap_size(inputs: &Inputs<'_>, words: bool, row: &impl Fn(&'static str, f64, String) -> Row) -> Row {
    let say = |text: &dyn Fn() -> String| if words { text() } else { String::new() };
    let step = inputs.grid.tap_step.0;
    let (u, kind, freedom, source) = match inputs.tap.filter(|tap| tap.tells_more_than(STATED)) {
        Some(tap) => {
            let source = say(&|| {
                format!(
                    "sweeps of {}: a tap is {:.4} +- {:.4} of the {step:.3} ps stated; no value is corrected, so the difference \
                     counts as uncertainty (GUM F.2.4.5): let the device state {:.3} ps",
                    counted(tap.strobes, "strobe"),
                    tap.scale,
                    tap.u,
                    tap.scale * step
                )
            });
            (tap.uncertainty(), 'A', Some(tap.freedom), source)
        }
        None => {
            let swept = match inputs.tap {
                Some(tap) => format!(
                    "sweeps of {} say no more ({:.4} +- {:.4} of it)",
                    counted(tap.strobes, "strobe"),
                    tap.scale,
                    tap.u
                ),
                None => "estimate until its size is measured (`tap_sweep` in [capture])".into(),
            };
            let source = say(&|| {
                format!("nominal tap of {step:.3} ps, +-{} %, rectangular; {swept}", STATED_WITHIN * 100.0)
            });
            (STATED, 'B', None, source)
        }
    };
    Row {
        kind,
        freedom,
        unit: "of 1",
        amount: Amount::OfValue,
        common: true,
        ..row("size of a tap", u, source)
    }
}

#[cfg(test)]
#[path = "budget_tests.rs"]
mod tests;
