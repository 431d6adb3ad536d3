//! Worst first: the one order used by lists, links and the choice of pictures.

use crate::judged::{JudgedCondition, JudgedRun, Verdict};
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

/// Margin in standard uncertainties, which orders conditions whose probabilities round to the same figure.
fn distance(condition: &JudgedCondition) -> f64 {
    match condition.worst() {
        Some(metric) if metric.standard_uncertainty > 0.0 => metric.margin / metric.standard_uncertainty,
        Some(metric) => metric.margin,
        // A failed training has no margin and is worse than any.
        None => f64::NEG_INFINITY,
    }
}

/// Worse conditions first: verdict, those that count for the decision, then conformance probability, then margin in standard uncertainties.
pub(super) fn compare(a: &JudgedCondition, b: &JudgedCondition) -> Ordering {
    let probability =
        |condition: &JudgedCondition| condition.worst().map_or(-1.0, |w| w.conformance_probability);
    severity(a)
        .cmp(&severity(b))
        .then_with(|| a.beyond_rating.cmp(&b.beyond_rating))
        .then_with(|| probability(a).total_cmp(&probability(b)))
        .then_with(|| distance(a).total_cmp(&distance(b)))
}

/// Indices of the conditions, worst first; equals stay in the plan's order.
pub(super) fn worst_first(run: &JudgedRun) -> Vec<usize> {
    let mut order: Vec<(usize, &JudgedCondition)> = run.conditions.iter().enumerate().collect();
    order.sort_by(|(_, a), (_, b)| compare(a, b));
    order.into_iter().map(|(index, _)| index).collect()
}

/// The condition with the lowest conformance probability, those that count for the decision before the others.
pub(super) fn worst(run: &JudgedRun) -> Option<usize> {
    let measured = |index: &usize| run.conditions.get(*index).is_some_and(|c| c.worst().is_some());
    let counts = |index: &usize| run.conditions.get(*index).is_some_and(|c| !c.beyond_rating);
    let order: Vec<usize> = by_probability(run).into_iter().filter(measured).collect();
    order.iter().copied().find(counts).or_else(|| order.first().copied())
}

/// The condition furthest above its limits.
pub(super) fn best(run: &JudgedRun) -> Option<usize> {
    by_probability(run).into_iter().rev().find(|index| {
        run.conditions.get(*index).is_some_and(|c| c.worst().is_some() && c.verdict == Some(Verdict::Pass))
    })
}

fn by_probability(run: &JudgedRun) -> Vec<usize> {
    let mut order: Vec<(usize, &JudgedCondition)> =
        run.conditions.iter().enumerate().filter(|(_, condition)| condition.worst().is_some()).collect();
    order.sort_by(|(_, a), (_, b)| {
        let probability = |c: &JudgedCondition| c.worst().map_or(2.0, |w| w.conformance_probability);
        probability(a).total_cmp(&probability(b)).then_with(|| distance(a).total_cmp(&distance(b)))
    });
    order.into_iter().map(|(index, _)| index).collect()
}
