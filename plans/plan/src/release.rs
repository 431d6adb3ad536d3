//! What a release asks for: `[release]`, and why a plan may be unable to reach a "yes".

use super::Plan;
use super::limits::Metric;
use super::section::Section;
use nightbench_core::text::counted;
use serde::Serialize;

/// `[release]`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReleaseConfig {
    /// Units (chips without a process-corner label) that must be measured; `None`: the result relates to the items
    /// tested only and no tolerance limit is asked for.
    pub units: Option<u16>,
    /// Share of all units that must meet the limit.
    pub content: f64,
    /// Confidence of that statement.
    pub confidence: f64,
}

impl Default for ReleaseConfig {
    fn default() -> ReleaseConfig {
        ReleaseConfig { units: None, content: 0.95, confidence: 0.95 }
    }
}

impl ReleaseConfig {
    /// Reads `[release]`.
    pub fn read(section: Option<Section<'_>>) -> ReleaseConfig {
        let mut wishes = ReleaseConfig::default();
        let Some(section) = section else { return wishes };
        wishes.units = section.whole("units", 2..=10_000, "units").map(|units| units as u16);
        if let Some(content) = section.number("content", 0.5..=0.99999, "") {
            wishes.content = content;
        }
        if let Some(confidence) = section.number("confidence", 0.5..=0.9999, "") {
            wishes.confidence = confidence;
        }
        section.finish();
        wishes
    }
}

/// Chips of the matrix (levels) that count as units: a process-corner label makes a chip a fixed level.
pub fn unit_levels(plan: &Plan) -> Vec<u16> {
    let levels = plan.matrix.chips.iter().enumerate();
    levels
        .filter(|(_, chip)| plan.chips.get(**chip).is_some_and(|chip| chip.corner.is_none()))
        .map(|(level, _)| level as u16)
        .collect()
}

/// Why this plan cannot end in "yes" whatever is measured; empty where it can.
pub fn obstacles(plan: &Plan) -> Vec<String> {
    let mut reasons = Vec::new();
    if let Some(units) = plan.release.units {
        let there = unit_levels(plan).len();
        if there < usize::from(units) {
            reasons.push(format!(
                "[release] asks for {units} units, the matrix has {} without a process-corner label",
                counted(there, "chip")
            ));
        }
    }
    if plan.repeats.jobs() < 2 && plan.budget.studies.is_empty() {
        let missing: Vec<&str> = Metric::ALL
            .iter()
            .filter(|(_, metric)| plan.limits.iter().any(|limit| limit.metric == *metric))
            .filter(|(_, metric)| {
                !plan.budget.lines.iter().any(|line| line.name == "repeatability" && line.applies(*metric))
            })
            .map(|(name, _)| *name)
            .collect();
        if !missing.is_empty() {
            reasons.push(format!(
                "the repeatability of {} would be an estimate: no repeats, no study and no line of the plan gives it",
                missing.join(", ")
            ));
        }
    }
    reasons
}
