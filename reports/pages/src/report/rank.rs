//! Worst first: the one order used by lists, links and the choice of pictures.

use judge::judged::{JudgedCondition, JudgedRun, Verdict};
use std::cmp::Ordering;

/// Severity of a verdict: 0 is the worst; what was not measured comes last.
fn severity(condition: &JudgedCondition) -> u8 {
    match condition.verdict {
        Some(Verdict::Fail) => 0,
        Some(Verdict::ConditionalFail) => 1,
        Some(Verdict::ConditionalPass) => 2,
        Some(Verdict::Pass) => 3,
        None => 4,
    }
}

/// Worse metrics first; a failed training has none and is worse than any.
fn by_metric(a: &JudgedCondition, b: &JudgedCondition) -> Ordering {
    match (a.worst(), b.worst()) {
        (Some(a), Some(b)) => a.compare_worst(b),
        (a, b) => a.is_some().cmp(&b.is_some()),
    }
}

/// Indices of the conditions, worst first: verdict, those that count for the decision, then their deciding metrics; equals stay in the
/// plan's order.
pub(super) fn worst_first(run: &JudgedRun) -> Vec<usize> {
    let mut order: Vec<(usize, &JudgedCondition)> = run.conditions.iter().enumerate().collect();
    order.sort_by(|(_, a), (_, b)| {
        severity(a)
            .cmp(&severity(b))
            .then_with(|| run.counts(b).cmp(&run.counts(a)))
            .then_with(|| by_metric(a, b))
    });
    order.into_iter().map(|(index, _)| index).collect()
}

/// The condition furthest above its limits.
pub(super) fn best(run: &JudgedRun) -> Option<usize> {
    by_margin(run).into_iter().rev().find(|index| {
        run.conditions.get(*index).is_some_and(|c| c.worst().is_some() && c.verdict == Some(Verdict::Pass))
    })
}

fn by_margin(run: &JudgedRun) -> Vec<usize> {
    let mut order: Vec<(usize, &JudgedCondition)> =
        run.conditions.iter().enumerate().filter(|(_, condition)| condition.worst().is_some()).collect();
    order.sort_by(|(_, a), (_, b)| by_metric(a, b));
    order.into_iter().map(|(index, _)| index).collect()
}
