//! Why a plan cannot release anything, and which of its chips count as units.

use crate::limits::Metric;
use crate::plan::Plan;
use nightbench_core::devices::Chip;
use nightbench_core::text::counted;

/// Chips of the matrix (levels) that count as units: a process-corner label makes a chip a fixed level.
pub fn unit_levels(plan: &Plan) -> Vec<u16> {
    units_of(&plan.matrix.chips, &plan.chips)
}

fn units_of(levels: &[usize], chips: &[Chip]) -> Vec<u16> {
    let levels = levels.iter().enumerate();
    levels
        .filter(|(_, chip)| chips.get(**chip).is_some_and(|chip| chip.corner.is_none()))
        .map(|(level, _)| level as u16)
        .collect()
}

/// In words, that `[release]` asks for more units than the matrix has; `levels` are indices into `chips`.
pub(crate) fn too_few_units(units: u16, levels: &[usize], chips: &[Chip]) -> Option<String> {
    let there = units_of(levels, chips).len();
    (there < usize::from(units)).then(|| {
        format!(
            "[release] asks for {units} units, the matrix has {} without a process-corner label",
            counted(there, "chip")
        )
    })
}

/// Why this plan cannot release anything, whatever is measured; empty where it can.
pub fn obstacles(plan: &Plan) -> Vec<String> {
    let mut reasons = Vec::new();
    let units = plan.release.units;
    reasons.extend(units.and_then(|units| too_few_units(units, &plan.matrix.chips, &plan.chips)));
    if plan.repeats.jobs() < 2 && plan.budget.studies.is_empty() {
        let missing: Vec<&str> = Metric::ALL
            .iter()
            .filter(|(_, metric)| {
                let given = |direction| {
                    let lines = &plan.budget.lines;
                    lines.iter().any(|line| line.name == "repeatability" && line.applies(*metric, direction))
                };
                plan.limits.iter().any(|limit| limit.metric == *metric && !given(limit.direction))
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
