//! What a capture of rows and columns leaves open, so that the full eye may be taken after all.

use super::aggregate::{ConditionTally, Part};
use super::between_lanes::BetweenLanes;
use super::budget::Coverage;
use super::eye_summary::{EyeSummary, digest, masks_for};
use super::tap_size::TapSizes;
use super::verdict::{Bench, judge_condition};
use crate::judged::{JobNote, JudgedCondition, JudgedMetric};
use nightbench_core::results::{Capture, JobTimes, Readback};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::Condition;
use std::collections::BTreeMap;

/// What a capture of rows and columns leaves open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum LeftOpen {
    Nothing,
    /// A margin lies within its guard band or its U.
    Verdict,
    /// Something that a row and a column do not show: a mask, or how near an eye lies whose operating point fails narrowly.
    Unseen,
}

/// What one job's capture leaves open, by the plan's own limits. An operating point that fails leaves nothing open, unless another start
/// may pass: the full eye then shows how near the lane's eye lies.
pub fn left_open(
    plan: &Plan,
    condition: &Condition,
    readback: Option<&Readback>,
    capture: &Capture,
) -> LeftOpen {
    let criteria = AcceptanceCriteria::of(plan);
    let rate = condition.rate(plan);
    if !masks_for(&criteria.limits, capture.eye, &capture.grid, rate).is_empty() {
        return LeftOpen::Unseen;
    }
    // Counts that contradict themselves are told when the run is judged.
    let Some(judged) = judged_alone(plan, condition, readback, capture) else { return LeftOpen::Nothing };
    let in_doubt = |metric: &JudgedMetric| {
        metric.margin.abs() < metric.guard_band.abs().max(metric.expanded_uncertainty)
    };
    match judged.unjudged.is_empty() {
        false => LeftOpen::Unseen,
        true if judged.metrics.iter().any(in_doubt) => LeftOpen::Verdict,
        true => LeftOpen::Nothing,
    }
}

/// A condition judged on one capture, by the plan's own limits but for masks; `None` where the counts contradict themselves.
pub fn judged_alone(
    plan: &Plan,
    condition: &Condition,
    readback: Option<&Readback>,
    capture: &Capture,
) -> Option<JudgedCondition> {
    Some(judged_of(plan, condition, readback, digest(capture, &[]).ok()?))
}

/// The same of a capture's digest, which other limits do not change.
pub fn judged_of(
    plan: &Plan,
    condition: &Condition,
    readback: Option<&Readback>,
    eye: EyeSummary,
) -> JudgedCondition {
    let criteria = AcceptanceCriteria::of(plan);
    let vddq = readback.and_then(|readback| readback.rails.iter().find(|(name, _)| name == "VDDQ"));
    let note = JobNote {
        key: String::new(),
        mounting: 0,
        repeat: 0,
        start: 0,
        trained: true,
        valid: true,
        trouble: String::new(),
        temperature_degc: readback.map(|readback| readback.temperature.0),
        vddq_v: vddq.map(|(_, volts)| volts.0),
        times: JobTimes::default(),
    };
    let part = Part { place: (0, 0, 0), position: 0, captures: vec![eye] };
    let tally = ConditionTally { parts: vec![part], notes: vec![note], ..ConditionTally::default() };
    let scatter = BTreeMap::new();
    let coverage = Coverage::new(criteria.decision.coverage);
    let taps = TapSizes::default();
    let bench = Bench { plan, criteria: &criteria, scatter: &scatter, taps, jobs_per_condition: 1, coverage };
    // How much its own lanes differ tells most of what the run as a whole will say of them.
    let between = BetweenLanes::of(&bench, std::iter::once((condition, &tally)));
    judge_condition(&bench, &between, condition, &tally, None).0
}
