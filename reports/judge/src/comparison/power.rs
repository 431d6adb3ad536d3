//! What a comparison will be able to see: from the uncertainties of a baseline, the odds of a run with so many jobs.

use super::{Demands, Pair, upper_quantile};
use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun};
use serde::Serialize;
use statistics::comparisons::power;
use std::collections::BTreeSet;

/// Odds that an unchanged condition should be shown not worse, and that a loss should be seen.
pub const ENOUGH: (f64, f64) = (0.8, 0.9);
/// The loss that should be seen, in units of the loss allowed.
pub const LOSS: f64 = 2.0;
/// Most jobs that are thought of.
const MOST_JOBS: u32 = 64;

/// Jobs of a condition, and mountings they are spread over.
pub type Jobs = (f64, f64);

/// What a comparison with a baseline will be able to see.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Foresight {
    /// Conditions of the baseline that have a value to compare with.
    pub conditions: usize,
    /// Of them, those that are shown not worse with 80 % at least, where nothing has changed.
    pub shown_not_worse: usize,
    /// Of them, those where twice the loss allowed is seen with 90 % at least.
    pub loss_seen: usize,
    /// The loss that is seen with 90 % at half of the conditions, in units of the loss allowed.
    pub visible_loss: f64,
    /// Jobs of every condition, each in a mounting of its own and in both runs, with which both hold everywhere; `None`
    /// where not even very many would do.
    pub jobs_needed: Option<u32>,
}

/// Jobs and mountings of a judged condition.
fn jobs_of(judged: &JudgedCondition) -> Jobs {
    let mountings: BTreeSet<u16> = judged.jobs.iter().map(|job| job.mounting).collect();
    (judged.jobs.len().max(1) as f64, mountings.len().max(1) as f64)
}

/// Standard uncertainty and degrees of freedom of the mean difference over the lanes, were both runs to have such jobs.
fn uncertainty(metric: &JudgedMetric, had: Jobs, runs: [Jobs; 2]) -> (f64, f64) {
    let lanes = f64::from(metric.lanes).max(2.0);
    let shared = metric.parts.shared.powi(2) * had.1;
    let own = (metric.parts.independent.powi(2) - metric.parts.shared.powi(2)).max(0.0) * had.0 / lanes;
    // Each further mounting tells more of how mountings scatter.
    let freedom = |run: Jobs| {
        metric.parts.shared_freedom.map_or(f64::INFINITY, |freedom| freedom + (run.1 - had.1).max(0.0))
    };
    let parts = [
        (own * runs.iter().map(|run| 1.0 / run.0).sum::<f64>(), lanes - 1.0),
        (shared / runs[0].1, freedom(runs[0])),
        (shared / runs[1].1, freedom(runs[1])),
    ];
    let variance: f64 = parts.iter().map(|(variance, _)| variance).sum();
    let below: f64 = parts.iter().map(|(variance, freedom)| variance * variance / freedom).sum();
    (variance.sqrt(), if below > 0.0 { (variance * variance / below).max(1.0) } else { f64::INFINITY })
}

/// What is to be compared at a condition: its metrics with the loss allowed.
struct Compared<'j> {
    judged: &'j JudgedCondition,
    metrics: Vec<(&'j JudgedMetric, f64)>,
}

/// The odds of a condition: unchanged, it is shown not worse in every metric (the least one's); the loss is seen in some
/// metric (the best one's, as all of them lose); and the loss seen with enough odds.
fn odds(one: &Compared<'_>, runs: [Jobs; 2], level: f64, family: f64) -> Option<(f64, f64, f64)> {
    let had = jobs_of(one.judged);
    let mut found: Option<(f64, f64, f64)> = None;
    for (metric, allowed) in &one.metrics {
        let (u, freedom) = uncertainty(metric, had, runs);
        let not_worse = power(*allowed, u, freedom, level).ok()?;
        let seen = power((LOSS - 1.0) * allowed, u, freedom, level / family).ok()?;
        let reach =
            upper_quantile(level / family, freedom).ok()? + upper_quantile(1.0 - ENOUGH.1, freedom).ok()?;
        let visible = 1.0 + reach * u / allowed;
        found =
            Some(found.map_or((not_worse, seen, visible), |(a, b, c)| {
                (a.min(not_worse), b.max(seen), c.min(visible))
            }));
    }
    found
}

/// What a run with such jobs will see against a baseline; of the pairs the baseline's side and units are asked.
pub fn foresee<'b>(baseline: &'b JudgedRun, pairs: &[Pair], jobs: Jobs, demands: &Demands) -> Foresight {
    let compared: Vec<Compared<'b>> = pairs
        .iter()
        .filter_map(|pair| {
            let judged = baseline.conditions.get(pair.before)?;
            let allowed = |metric: &JudgedMetric| {
                if metric.metric.is_time() { demands.loss_ps(pair) } else { demands.loss_mv(pair) }
            };
            let metrics: Vec<_> = judged
                .metrics
                .iter()
                .filter(|metric| !metric.at_least)
                .map(|metric| (metric, allowed(metric)))
                .filter(|(_, allowed)| *allowed > 0.0)
                .collect();
            (!metrics.is_empty()).then_some(Compared { judged, metrics })
        })
        .collect();
    let family = 2.0 * compared.iter().map(|one| one.metrics.len() as f64).sum::<f64>();
    let of = |runs: &dyn Fn(&Compared<'_>) -> [Jobs; 2]| -> Vec<(f64, f64, f64)> {
        compared.iter().filter_map(|one| odds(one, runs(one), demands.level, family.max(2.0))).collect()
    };
    let now = of(&|one| [jobs_of(one.judged), jobs]);
    let enough = |odds: &[(f64, f64, f64)]| {
        !odds.is_empty() && odds.iter().all(|one| one.0 >= ENOUGH.0 && one.1 >= ENOUGH.1)
    };
    let mut visible: Vec<f64> = now.iter().map(|one| one.2).collect();
    visible.sort_by(f64::total_cmp);
    let needed = (1..=MOST_JOBS).find(|jobs| {
        let jobs = f64::from(*jobs);
        enough(&of(&|_| [(jobs, jobs); 2]))
    });
    Foresight {
        conditions: now.len(),
        shown_not_worse: now.iter().filter(|one| one.0 >= ENOUGH.0).count(),
        loss_seen: now.iter().filter(|one| one.1 >= ENOUGH.1).count(),
        visible_loss: visible.get(visible.len() / 2).copied().unwrap_or(f64::NAN),
        jobs_needed: needed,
    }
}
