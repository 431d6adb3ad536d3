//! Which factor eats the margin, and how much rate each module and channel has to spare.

use super::sample;
use crate::audit::{Crossing, EffectLine, EffectTable, Headroom};
use crate::judged::{JudgedRun, Verdict};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::EyeName;
use plan::Plan;
use plan::limits::Metric;
use plan::matrix::Factor;
use statistics::factorial::{Factor as Column, Terms, factorial};
use std::collections::{BTreeMap, BTreeSet};

/// Most conditions analysed with interactions, and at all: beyond it a regular sample is taken.
const MOST: (usize, usize) = (3000, 20_000);

/// One table a metric.
pub fn effects(run: &JudgedRun, plan: &Plan, words: &mut Vec<String>) -> Vec<EffectTable> {
    let mut tables = Vec::new();
    for (name, metric) in Metric::ALL {
        let all: Vec<_> = run
            .conditions
            .iter()
            .filter_map(|condition| {
                let least = condition
                    .metrics
                    .iter()
                    .filter(|judged| judged.metric == metric)
                    .map(|judged| judged.margin)
                    .min_by(f64::total_cmp)?;
                Some((condition.condition, least))
            })
            .collect();
        if all.is_empty() {
            continue;
        }
        let step = sample::step(all.len(), MOST.1, plan);
        let sample: Vec<_> = all.iter().step_by(step).collect();
        let response: Vec<f64> = sample.iter().map(|(_, margin)| *margin).collect();
        let columns: Vec<(&str, Vec<usize>)> = Factor::ALL
            .iter()
            .map(|(word, factor)| (*word, sample.iter().map(|(c, _)| c.level(*factor)).collect::<Vec<_>>()))
            .filter(|(_, levels)| levels.iter().any(|level| Some(level) != levels.first()))
            .collect();
        if columns.is_empty() {
            words.push(format!("effects on {name}: every factor has one level with a value"));
            continue;
        }
        let factors: Vec<Column<'_>> = columns.iter().map(|(name, levels)| Column { name, levels }).collect();
        let mut notes = Vec::new();
        if step > 1 {
            notes.push(format!("every {step}th condition taken"));
        }
        let main = || factorial(&factors, &response, Terms::MainEffects);
        let found = if response.len() > MOST.0 {
            notes.push("interactions left out: too many conditions".into());
            main()
        } else {
            factorial(&factors, &response, Terms::WithTwoWayInteractions).or_else(|error| {
                notes.push(format!("interactions left out: {error}"));
                main()
            })
        };
        match found {
            Ok(table) => {
                let mut lines: Vec<EffectLine> = table
                    .lines
                    .iter()
                    .map(|line| EffectLine {
                        term: line.term.clone(),
                        dof: line.dof,
                        f: line.f,
                        p: line.p,
                        eta_squared: line.eta_squared,
                        omega_squared: line.omega_squared,
                    })
                    .collect();
                lines.sort_by(|a, b| b.eta_squared.total_cmp(&a.eta_squared));
                notes.extend(table.left_out.iter().map(|term| format!("not estimable: {term}")));
                tables.push(EffectTable {
                    metric,
                    conditions: response.len(),
                    lines,
                    r_squared: table.r_squared,
                    words: notes,
                });
            }
            Err(error) => words.push(format!("effects on {name}: {error}")),
        }
    }
    tables
}

/// Rate headroom of each module and channel.
pub fn headroom(run: &JudgedRun, plan: &Plan) -> Vec<Headroom> {
    // A search leaves rates out, and its own table says up to where each series passes; of what is predicted no rate is known.
    if plan.highest_rate.is_some() || plan.predicted.is_some() {
        return Vec::new();
    }
    // By setup and rate: does every condition with that rate pass? `None`: none is known not to, and some have no verdict.
    let mut rates: BTreeMap<(usize, usize), BTreeMap<u32, Option<bool>>> = BTreeMap::new();
    for judged in &run.conditions {
        let (module, channel) =
            (judged.condition.level(Factor::Module), judged.condition.level(Factor::Channel));
        let rate = judged.condition.rate(plan).nominal();
        let passes = judged.verdict.map(|verdict| verdict == Verdict::Pass);
        let slot = rates.entry((module, channel)).or_default().entry(rate).or_insert(Some(true));
        *slot = match (*slot, passes) {
            (Some(false), _) | (_, Some(false)) => Some(false),
            (None, _) | (_, None) => None,
            (Some(true), Some(true)) => Some(true),
        };
    }
    rates
        .into_iter()
        .filter_map(|((module, channel), rates)| {
            let rated = plan.modules.get(*plan.matrix.modules.get(module)?)?.rated.nominal();
            let rated_mts = f64::from(rated);
            let passing: Vec<u32> = rates
                .iter()
                .take_while(|(_, passes)| **passes == Some(true))
                .map(|(rate, _)| *rate)
                .collect();
            let next = rates.values().nth(passing.len());
            let passing_mts = passing.last().map(|rate| f64::from(*rate));
            Some(Headroom {
                module: plan.level_name(Factor::Module, module),
                channel: plan.level_name(Factor::Channel, channel),
                rated_mts,
                passing_mts,
                percent: passing_mts.map(|rate| 100.0 * (rate / rated_mts - 1.0)),
                at_least: next != Some(&Some(false)),
                crossings: crossings(run, plan, (module, channel)),
            })
        })
        .collect()
}

/// Share of the limit that is missing where training fails: all of it.
const NO_EYE: f64 = -1.0;

/// Where a setup's worst margin, as a share of its limit, falls to zero and to the guard band. Every metric of an eye is
/// followed by itself, since their limits differ; the first one to run out counts.
fn crossings(run: &JudgedRun, plan: &Plan, setup: (usize, usize)) -> [Crossing; 2] {
    // By metric and eye, at each rate: the lowest margin, and the lowest margin less guard band, each with its U.
    type Worst = [(f64, f64); 2];
    let mut lines: BTreeMap<(Metric, EyeName), BTreeMap<u32, Worst>> = BTreeMap::new();
    let mut untrained = BTreeSet::new();
    for judged in &run.conditions {
        let levels = (judged.condition.level(Factor::Module), judged.condition.level(Factor::Channel));
        if levels != setup {
            continue;
        }
        let rate = judged.condition.rate(plan).nominal();
        if judged.state == ConditionState::TrainingFailed {
            untrained.insert(rate);
        }
        for metric in judged.metrics.iter().filter(|metric| metric.limit > 0.0) {
            let u = metric.expanded_uncertainty / metric.limit;
            let seen = [metric.margin, metric.margin - metric.guard_band].map(|m| (m / metric.limit, u));
            let rates = lines.entry((metric.metric, metric.eye)).or_default();
            let worst = rates.entry(rate).or_insert([(f64::INFINITY, 0.0); 2]);
            for (known, seen) in worst.iter_mut().zip(seen) {
                if seen.0 < known.0 {
                    *known = seen;
                }
            }
        }
    }
    for rates in lines.values_mut() {
        rates.extend(untrained.iter().map(|rate| (*rate, [(NO_EYE, 0.0); 2])));
    }
    std::array::from_fn(|place| {
        let points = |shift: f64| {
            let of = move |rates: &BTreeMap<u32, Worst>| -> Vec<(f64, f64)> {
                let at = |(rate, worst): (&u32, &Worst)| {
                    (f64::from(*rate), worst[place].0 + shift * worst[place].1)
                };
                rates.iter().map(at).collect()
            };
            lines.values().map(of).collect::<Vec<_>>()
        };
        let lowest =
            |shift: f64| points(shift).iter().filter_map(|line| first_fall(line)).min_by(f64::total_cmp);
        let below = |line: &Vec<(f64, f64)>| line.first().is_some_and(|(_, margin)| *margin < 0.0);
        match (points(0.0).iter().any(below), lowest(0.0)) {
            _ if lines.is_empty() => Crossing::Unknown,
            (true, _) => Crossing::Below,
            (false, None) => Crossing::Above,
            (false, Some(mts)) => Crossing::At {
                mts,
                interval_mts: (lowest(-1.0).filter(|_| !points(-1.0).iter().any(below)), lowest(1.0)),
            },
        }
    })
}

/// Where a line through points (rate, margin) in rising order first falls through zero; straight between two points.
fn first_fall(points: &[(f64, f64)]) -> Option<f64> {
    points.windows(2).find_map(|pair| {
        let ((from, above), (to, below)) = (pair[0], pair[1]);
        (above >= 0.0 && below < 0.0).then(|| from + (to - from) * above / (above - below))
    })
}

#[cfg(test)]
mod tests {
    use super::first_fall;

    #[test]
    fn a_margin_runs_out_between_the_rates_on_either_side() {
        assert_eq!(first_fall(&[(2400.0, 0.3), (2800.0, 0.1), (3200.0, -0.1)]), Some(3000.0));
        assert_eq!(first_fall(&[(2400.0, 0.0), (2800.0, -0.1)]), Some(2400.0));
        // Nothing above the limit, nothing below it, and one rate only: no crossing is seen.
        assert_eq!(first_fall(&[(2400.0, -0.2), (2800.0, -0.1)]), None);
        assert_eq!(first_fall(&[(2400.0, 0.2), (2800.0, 0.1)]), None);
        assert_eq!(first_fall(&[(2400.0, 0.2)]), None);
    }
}
