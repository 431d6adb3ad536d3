//! The verdict of one condition: its worst lane in every judged metric, against limit and guard band.

use super::budget::{Common, Repeatability};
use super::gather::{ConditionTally, EyeTally, LaneTally};
use crate::judged::{Budget, JudgedCondition, JudgedMetric, Verdict};
use crate::statistics::conformity::{Measured, Tolerance, conformance, four_word_verdict};
use plans::expand::Condition;
use plans::plan::Plan;
use plans::plan::judge::{DecisionRule, Limit, Metric};
use plans::results::Grid;
use std::collections::BTreeMap;

/// What every condition is judged with.
pub struct Bench<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// Limits.
    pub limits: &'a [Limit],
    /// Decision rule.
    pub rule: &'a DecisionRule,
    /// Repeatability known from this run.
    pub repeatability: &'a BTreeMap<Metric, Repeatability>,
    /// Jobs a condition was planned with.
    pub jobs_per_condition: usize,
}

/// Typical figures of each judged metric, for the printed budgets.
#[derive(Debug, Default)]
pub struct Typical {
    seen: BTreeMap<Metric, Vec<(f64, f64, Grid, u16)>>,
}

impl Typical {
    fn add(&mut self, metric: Metric, value: f64, edges_u: f64, grid: Grid, jobs: u16) {
        self.seen.entry(metric).or_default().push((value, edges_u, grid, jobs));
    }

    /// The budget of each metric at its median value over the conditions.
    pub fn budgets(
        self,
        plan: &Plan,
        rule: &DecisionRule,
        repeatability: &BTreeMap<Metric, Repeatability>,
    ) -> Vec<Budget> {
        let mut budgets = Vec::new();
        for (metric, mut seen) in self.seen {
            seen.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
            let Some((value, edges_u, grid, jobs)) = seen.get(seen.len() / 2).copied() else { continue };
            let known = repeatability.get(&metric).copied();
            let common = Common::new(metric, &grid, value, jobs, known, &plan.budget);
            budgets.extend(common.table(metric, edges_u, rule.coverage));
        }
        budgets
    }
}

/// Judges a condition on everything its jobs measured.
pub fn judge_condition(
    bench: &Bench<'_>,
    condition: &Condition,
    tally: &ConditionTally,
    typical: &mut Typical,
) -> JudgedCondition {
    let mut judged = JudgedCondition {
        condition: *condition,
        name: condition.describe(bench.plan),
        anchor: tally.notes.first().map_or_else(
            || format!("not-run-{}", condition.levels.map(|level| level.to_string()).join("-")),
            |note| format!("c-{}", note.key),
        ),
        beyond_rating: condition.beyond_rating(bench.plan),
        verdict: None,
        reason: String::new(),
        metrics: Vec::new(),
        lanes: Vec::new(),
        jobs: Vec::new(),
    };
    let mut troubles: Vec<String> = tally.faults.clone();
    for eye in &tally.eyes {
        for (metric, lanes) in &eye.metrics {
            for limit in bench.limits {
                let rate = condition.rate(bench.plan);
                if limit.metric != *metric || !limit.applies(eye.eye.direction, rate) {
                    continue;
                }
                match judge_metric(bench, eye, *metric, lanes, limit, typical) {
                    Ok(metric) => judged.metrics.push(metric),
                    Err(words) => troubles.push(words),
                }
            }
        }
    }
    judged.metrics.sort_by(|a, b| {
        a.conformance_probability
            .total_cmp(&b.conformance_probability)
            .then(b.verdict.cmp(&a.verdict))
            .then((a.margin / a.standard_uncertainty).total_cmp(&(b.margin / b.standard_uncertainty)))
            .then(a.eye.cmp(&b.eye))
            .then(a.metric.cmp(&b.metric))
    });
    if tally.failed_trainings > 0 {
        judged.verdict = Some(Verdict::Fail);
        judged.reason = "training".into();
        judged.metrics.clear();
    } else if !troubles.is_empty() {
        troubles.dedup();
        judged.reason = format!("not measured: {}", troubles.join("; "));
    } else if tally.notes.is_empty() {
        judged.reason = "not measured: not run yet".into();
    } else if tally.notes.len() < bench.jobs_per_condition {
        judged.reason =
            format!("not measured: {} of {} jobs done", tally.notes.len(), bench.jobs_per_condition);
    } else if judged.metrics.is_empty() {
        judged.reason = "not measured: no limit applies at this rate and direction".into();
    } else {
        judged.verdict = judged.metrics.iter().map(|metric| metric.verdict).max();
    }
    judged
}

fn judge_metric(
    bench: &Bench<'_>,
    eye: &EyeTally,
    metric: Metric,
    lanes: &[LaneTally],
    limit: &Limit,
    typical: &mut Typical,
) -> Result<JudgedMetric, String> {
    let grid = &eye.grid;
    let bound = limit.in_base_unit(grid.ui, grid.tap_step, grid.vddq, grid.vref_step);
    let unit = metric.base_unit();
    let most = if metric.is_time() {
        f64::from(grid.taps) * grid.tap_step.0
    } else {
        f64::from(grid.vref_steps) * grid.vref_step.0
    };
    if bound > most {
        return Err(format!(
            "the {} limit of {bound:.1} {unit} is more than the grid can show ({most:.1} {unit})",
            metric.name()
        ));
    }
    let known = bench.repeatability.get(&metric).copied();
    let mut worst: Option<(f64, usize, f64, f64, f64)> = None;
    for (index, lane) in lanes.iter().enumerate() {
        let Some(value) = lane.value() else { continue };
        let common = Common::new(metric, grid, value, lane.jobs.max(1), known, &bench.plan.budget);
        let combined = common
            .combine(lane.edges_u(), bench.rule.coverage)
            .map_err(|error| format!("no uncertainty for the {}: {error}", metric.name()))?;
        let score = (value - bound) / combined.standard;
        if worst.is_none_or(|(least, ..)| score < least) {
            worst = Some((score, index, value, combined.standard, combined.k));
        }
    }
    let Some((_, index, value, standard, k)) = worst else {
        return Err(format!("no lane has a {} value", metric.name()));
    };
    let lane = &lanes[index];
    let only_bound = lane.jobs == 0;
    typical.add(metric, value, lane.edges_u(), *grid, lane.jobs.max(1));
    let expanded = k * standard;
    let guard_band = bench.rule.guard_band_factor * expanded;
    let margin = value - bound;
    if only_bound && margin < guard_band {
        return Err(format!(
            "the {} runs off the grid: at least {value:.1} {unit}, which does not decide against {bound:.1} {unit}; \
             sweep a wider range",
            metric.name()
        ));
    }
    let conformance = conformance(&Measured::normal(value, standard), &Tolerance::Lower(bound))
        .map_err(|error| format!("no conformance probability for the {}: {error}", metric.name()))?;
    let mut verdict = four_word_verdict(-margin, guard_band);
    if !bench.rule.four_words {
        verdict = if margin >= guard_band { Verdict::Pass } else { Verdict::Fail };
    }
    let accepted = verdict <= Verdict::ConditionalPass;
    Ok(JudgedMetric {
        eye: eye.eye,
        metric,
        lane: eye.lanes.get(index).copied().unwrap_or(0),
        lanes: eye.lanes.len() as u16,
        value,
        limit: bound,
        margin,
        standard_uncertainty: standard,
        expanded_uncertainty: expanded,
        guard_band,
        conformance_probability: conformance.conforming,
        wrong_decision_risk: if accepted { conformance.nonconforming } else { conformance.conforming },
        at_least: only_bound,
        closed: lane.closed > 0,
        off_centre: lane.off_centre > 0,
        jobs: lane.jobs,
        verdict,
    })
}
