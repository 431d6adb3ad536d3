//! What U of one eye is made of: a bar and a short list under its picture.

use super::words::*;
use judge::judged::{Budget, BudgetRow, JudgedMetric, JudgedRun};
use nightbench_core::results::EyeName;
use serde::Serialize;

/// What the uncertainty of one metric of an eye is made of.
#[derive(Debug, Serialize)]
pub(super) struct OwnBudget {
    pub metric: &'static str,
    pub words: String,
    /// Parts of a bar of 100: begin, length, style slot.
    pub bar: Vec<(String, String, usize)>,
    /// The parts in words, in the order of the bar.
    pub parts: Vec<String>,
}

/// What U is made of, for every judged metric of an eye whose budget was worked out.
pub(super) fn own_budgets(run: &JudgedRun, index: usize, eye: EyeName) -> Vec<OwnBudget> {
    let own = run.audit.budgets.iter().filter(|own| own.condition == index && own.eye == eye);
    let judged = run.conditions.get(index);
    own.map(|own| {
        let metrics = judged.into_iter().flat_map(|judged| &judged.metrics);
        let metric = metrics.into_iter().find(|known| known.eye == eye && known.metric == own.budget.metric);
        own_budget(&own.budget, metric)
    })
    .collect()
}

/// Contributions below this share of the variance are added up.
const SMALL_SHARE: f64 = 0.03;

fn own_budget(budget: &Budget, judged: Option<&JudgedMetric>) -> OwnBudget {
    let unit = budget.metric.base_unit();
    let mut rows: Vec<&BudgetRow> = budget.rows.iter().collect();
    rows.sort_by(|a, b| b.share.total_cmp(&a.share));
    let shown = rows.iter().take_while(|row| row.share >= SMALL_SHARE).count().min(6);
    let (shown, rest) = rows.split_at(shown);
    let (mut bar, mut parts, mut from) = (Vec::new(), Vec::new(), 0.0);
    for (slot, row) in shown.iter().enumerate() {
        bar.push((coordinate(100.0 * from), coordinate(100.0 * row.share), slot));
        parts.push(format!(
            "{} {} {unit}, {:.0} %{}",
            row.name,
            plain(row.standard_uncertainty, 2),
            100.0 * row.share,
            if row.assumed { " (assumed)" } else { "" }
        ));
        from += row.share;
    }
    if !rest.is_empty() {
        parts.push(format!("the rest {:.0} %", 100.0 * rest.iter().map(|row| row.share).sum::<f64>()));
    }
    let alone = format!(
        "U {} {unit} = {} x {} {unit}",
        plain(budget.expanded, 1),
        plain(budget.k, 2),
        plain(budget.combined, 2)
    );
    // Two figures of U under one picture need a word each.
    let words = match judged {
        Some(metric) if plain(metric.expanded_uncertainty, 1) != plain(budget.expanded, 1) => format!(
            "judged with U {} {unit}: the lowest of {} lanes, estimated from all of them. Lane {} by itself has {alone}, made of",
            plain(metric.expanded_uncertainty, 1),
            metric.lanes,
            metric.lane
        ),
        _ => alone,
    };
    OwnBudget { metric: budget.metric.name(), words, bar, parts }
}
