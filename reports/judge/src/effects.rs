//! Which factor eats the margin, and how much rate each module and channel has to spare.

use super::sample;
use crate::audit::{EffectLine, EffectTable, Headroom};
use crate::judged::{JudgedRun, Verdict};
use plan::Plan;
use plan::limits::Metric;
use plan::matrix::Factor;
use statistics::factorial::{Factor as Column, Terms, factorial};
use std::collections::BTreeMap;

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
    // By setup and rate: does every condition with that rate pass?
    let mut rates: BTreeMap<(usize, usize), BTreeMap<u32, bool>> = BTreeMap::new();
    for judged in &run.conditions {
        let (module, channel) =
            (judged.condition.level(Factor::Module), judged.condition.level(Factor::Channel));
        let rate = judged.condition.rate(plan).nominal();
        let passes = judged.verdict == Some(Verdict::Pass);
        let slot = rates.entry((module, channel)).or_default().entry(rate).or_insert(true);
        *slot &= passes;
    }
    rates
        .into_iter()
        .filter_map(|((module, channel), rates)| {
            let rated = plan.modules.get(*plan.matrix.modules.get(module)?)?.rated.nominal();
            let rated_mts = f64::from(rated);
            let passing: Vec<u32> =
                rates.iter().take_while(|(_, passes)| **passes).map(|(rate, _)| *rate).collect();
            let passing_mts = passing.last().map(|rate| f64::from(*rate));
            Some(Headroom {
                module: plan.level_name(Factor::Module, module),
                channel: plan.level_name(Factor::Channel, channel),
                rated_mts,
                passing_mts,
                percent: passing_mts.map(|rate| 100.0 * (rate / rated_mts - 1.0)),
                at_least: passing.len() == rates.len(),
            })
        })
        .collect()
}
