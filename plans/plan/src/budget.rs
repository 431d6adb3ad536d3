//! Lines of the uncertainty budget that a plan states: `[[uncertainty]]`, by figure or by the study run they
//! come from.

use super::limits::Metric;
use super::section::{Placed, Section};
use nightbench_core::results::Direction;
use nightbench_core::text::nearest;
use serde::Serialize;

/// What a line's standard uncertainty is given in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum LineUnit {
    #[serde(rename = "ps")]
    Picoseconds,
    #[serde(rename = "mV")]
    Millivolts,
    /// Of the value itself.
    #[serde(rename = "%")]
    Percent,
}

impl LineUnit {
    /// As it is written behind a figure.
    pub fn words(self) -> &'static str {
        match self {
            LineUnit::Picoseconds => "ps",
            LineUnit::Millivolts => "mV",
            LineUnit::Percent => "% of the value",
        }
    }

    /// The end of the key that gives it in a plan.
    pub(crate) fn key(self) -> &'static str {
        match self {
            LineUnit::Picoseconds => "standard_uncertainty_ps",
            LineUnit::Millivolts => "standard_uncertainty_mv",
            LineUnit::Percent => "standard_uncertainty_percent",
        }
    }
}

/// A line that a plan adds to the uncertainty budget, or sets instead of the tool's own line of that name.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BudgetLine {
    pub name: String,
    /// Figures in ps belong to metrics along the delay axis, in mV to those along the voltage axis.
    pub unit: LineUnit,
    /// The one metric it belongs to; `None` = every metric along its axis.
    pub metric: Option<Metric>,
    /// The one direction it belongs to; `None` = every one.
    pub direction: Option<Direction>,
    /// Standard uncertainty.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; `None` = infinite (a type B estimate).
    pub degrees_of_freedom: Option<f64>,
    /// Where the figure comes from.
    pub source: String,
}

impl BudgetLine {
    /// Does the line belong in the budget of a metric of a direction?
    pub fn applies(&self, metric: Metric, direction: Direction) -> bool {
        let along = match self.unit {
            LineUnit::Picoseconds => metric.is_time(),
            LineUnit::Millivolts => !metric.is_time(),
            LineUnit::Percent => metric.is_time() || !OF_TAPS.contains(&self.name.as_str()),
        };
        along
            && self.metric.is_none_or(|own| own == metric)
            && self.direction.is_none_or(|own| own == direction)
    }
}

/// What `[[uncertainty]]` states.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct BudgetConfig {
    /// Lines by figure.
    pub lines: Vec<BudgetLine>,
    /// Run folders whose study gives lines.
    pub studies: Vec<String>,
}

/// The tool's line of how large a tap is.
pub const TAP_SIZE: &str = "size of a tap";
/// Lines that no voltage has.
const OF_TAPS: [&str; 3] = ["tap step", TAP_SIZE, "tap nonlinearity"];

/// Names of the tool's own lines: a line of the plan with such a name stands in its place.
pub const TOOL_LINES: [&str; 12] = [
    "sampling",
    "tap step",
    "Vref step",
    "edge fit",
    TAP_SIZE,
    "tap nonlinearity",
    "Vref tolerance",
    "repeatability",
    "re-seating",
    "temperature",
    "supply",
    "extrapolation",
];

/// Warns of a name that is nearly one of the tool's lines: it would be counted beside that line instead of in its place.
fn warn_of_near_names(name: &Placed<String>, section: &Section<'_>) {
    if TOOL_LINES.contains(&name.value.as_str()) {
        return;
    }
    let letters =
        |text: &str| text.chars().filter(|c| c.is_alphanumeric()).collect::<String>().to_lowercase();
    let same = TOOL_LINES.into_iter().find(|line| letters(line) == letters(&name.value));
    if let Some(line) = same.or_else(|| nearest(&name.value, TOOL_LINES)) {
        section.mistakes().warn(
            name.span.clone(),
            format!("the line `{}` is counted beside the tool's own line `{line}`", name.value),
            format!("write `name = \"{line}\"` to put it in its place, or another name if it is another contribution"),
        );
    }
}

/// Reads every `[[uncertainty]]`.
pub fn read_budget(sections: Vec<Section<'_>>) -> BudgetConfig {
    let mut budget = BudgetConfig::default();
    for section in sections {
        if let Some(study) = section.text("study") {
            for key in [
                "name",
                "metric",
                "direction",
                "standard_uncertainty_ps",
                "standard_uncertainty_mv",
                "standard_uncertainty_percent",
                "degrees_of_freedom",
            ] {
                if section.has(key) {
                    section.mistake(key, "a study gives its own lines", "remove this key, or remove `study`");
                }
            }
            let _ = section.text("source");
            section.finish();
            budget.studies.push(study.value);
            continue;
        }
        let name = section.required_text("name", "re-seating");
        if let Some(name) = &name {
            warn_of_near_names(name, &section);
        }
        let metric = section.choice("metric", &Metric::ALL);
        let direction = section.choice("direction", &Direction::ALL);
        let units = [
            (LineUnit::Picoseconds, 1e5, "ps"),
            (LineUnit::Millivolts, 1e5, "mV"),
            (LineUnit::Percent, 100.0, "%"),
        ];
        let given = units.into_iter().filter(|(unit, ..)| section.has(unit.key())).count();
        let value = units
            .into_iter()
            .filter_map(|(unit, most, words)| Some((unit, section.number(unit.key(), 0.0..=most, words)?)))
            .last();
        let freedom = section.number("degrees_of_freedom", 1.0..=1e9, "");
        let source = section.required_text("source", "study of re-seating, run folder name");
        // A value that is no such number has its mistake already.
        if given != 1 {
            section.mistake(
                "name",
                format!("{} needs one standard uncertainty", section.title),
                "give one of `standard_uncertainty_ps`, `standard_uncertainty_mv` and `standard_uncertainty_percent` (of the value)",
            );
        }
        let value = value.filter(|_| given == 1);
        if let (Some(metric), Some((unit, _))) = (metric, value)
            && unit != LineUnit::Percent
            && metric.is_time() != (unit == LineUnit::Picoseconds)
        {
            section.mistake(
                "metric",
                format!("a {} is measured in {}", metric.name(), metric.base_unit()),
                "give the standard uncertainty in that unit",
            );
        }
        section.finish();
        if let (Some(name), Some((unit, standard_uncertainty)), Some(source)) = (name, value, source) {
            budget.lines.push(BudgetLine {
                name: name.value,
                unit,
                metric,
                direction,
                standard_uncertainty,
                degrees_of_freedom: freedom,
                source: source.value,
            });
        }
    }
    budget
}
