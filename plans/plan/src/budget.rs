//! Lines of the uncertainty budget that a plan states: `[[uncertainty]]`, by figure or by the study run they
//! come from.

use super::limits::Metric;
use super::section::{Placed, Section};
use nightbench_core::text::nearest;
use serde::Serialize;

/// A line that a plan adds to the uncertainty budget, or sets instead of the tool's own line of that name.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BudgetLine {
    pub name: String,
    /// Along the delay axis (ps) or the voltage axis (mV).
    pub is_time: bool,
    /// The one metric it belongs to; `None` = every metric along its axis.
    pub metric: Option<Metric>,
    /// Standard uncertainty in ps or mV.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; `None` = infinite (a type B estimate).
    pub degrees_of_freedom: Option<f64>,
    /// Where the figure comes from.
    pub source: String,
}

impl BudgetLine {
    /// Does the line belong in the budget of a metric?
    pub fn applies(&self, metric: Metric) -> bool {
        self.is_time == metric.is_time() && self.metric.is_none_or(|own| own == metric)
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

/// Names of the tool's own lines: a line of the plan with such a name stands in its place.
pub const TOOL_LINES: [&str; 12] = [
    "sampling",
    "tap step",
    "Vref step",
    "edge fit",
    "size of a tap",
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
            for key in
                ["name", "metric", "standard_uncertainty_ps", "standard_uncertainty_mv", "degrees_of_freedom"]
            {
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
        let ps = section.number("standard_uncertainty_ps", 0.0..=1e5, "ps");
        let mv = section.number("standard_uncertainty_mv", 0.0..=1e5, "mV");
        let freedom = section.number("degrees_of_freedom", 1.0..=1e9, "");
        let source = section.required_text("source", "study of re-seating, run folder name");
        let value = match (ps, mv) {
            (Some(ps), None) => Some((true, ps)),
            (None, Some(mv)) => Some((false, mv)),
            // A value that is not such a number has its mistake already.
            _ if section.has("standard_uncertainty_ps") != section.has("standard_uncertainty_mv") => None,
            _ => {
                section.mistake(
                    "name",
                    format!("{} needs one standard uncertainty", section.title),
                    "give either `standard_uncertainty_ps` or `standard_uncertainty_mv`",
                );
                None
            }
        };
        if let (Some(metric), Some((is_time, _))) = (metric, value)
            && metric.is_time() != is_time
        {
            section.mistake(
                "metric",
                format!("a {} is measured in {}", metric.name(), metric.base_unit()),
                "give the standard uncertainty in that unit",
            );
        }
        section.finish();
        if let (Some(name), Some((is_time, standard_uncertainty)), Some(source)) = (name, value, source) {
            budget.lines.push(BudgetLine {
                name: name.value,
                is_time,
                metric,
                standard_uncertainty,
                degrees_of_freedom: freedom,
                source: source.value,
            });
        }
    }
    budget
}
