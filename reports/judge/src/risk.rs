//! Global consumer's and producer's risk over the matrix, the observed margins as prior (JCGM 106:2012, clause 9).

use crate::audit::RiskNote;
use crate::judged::{JudgedMetric, JudgedRun};
use plan::criteria::AcceptanceCriteria;
use statistics::conformity::Tolerance;
use statistics::global_risk::{Prior, global_risk};

/// Fewest conditions that make a prior.
const FEWEST: usize = 5;

/// Risks by metric and of all deciding metrics together. Margins are taken in units of each one's own standard
/// uncertainty, so that conditions of different grids make one prior.
pub fn risks(run: &JudgedRun, criteria: &AcceptanceCriteria, words: &mut Vec<String>) -> Vec<RiskNote> {
    let judged = || run.conditions.iter().filter(|condition| condition.verdict.is_some());
    let mut samples: Vec<(String, Vec<&JudgedMetric>)> =
        vec![("all deciding metrics".into(), judged().filter_map(|condition| condition.worst()).collect())];
    for (name, metric) in plan::limits::Metric::ALL {
        let of: Vec<&JudgedMetric> = judged()
            .filter_map(|condition| condition.metrics.iter().find(|judged| judged.metric == metric))
            .collect();
        if !of.is_empty() {
            samples.push((name.to_string(), of));
        }
    }
    let mut notes = Vec::new();
    for (of, sample) in samples {
        // A lower bound is no value.
        let sample: Vec<&JudgedMetric> = sample.into_iter().filter(|judged| !judged.at_least).collect();
        if sample.len() < FEWEST {
            words.push(format!(
                "global risk of {of}: no prior from so few conditions: {}, {FEWEST} are needed",
                sample.len()
            ));
            continue;
        }
        let margins: Vec<f64> =
            sample.iter().map(|judged| judged.margin / judged.standard_uncertainty).collect();
        let mut factors: Vec<f64> = sample.iter().map(|judged| judged.parts.k).collect();
        factors.sort_by(f64::total_cmp);
        let k = factors.get(factors.len() / 2).copied().unwrap_or(2.0);
        let acceptance = Tolerance::Lower(criteria.decision.guard_band(1.0, k));
        match global_risk(&Prior::Observed(&margins), 1.0, &Tolerance::Lower(0.0), &acceptance) {
            Ok(risk) => notes.push(RiskNote {
                of,
                seen_nonconforming: margins.iter().any(|margin| *margin < 0.0),
                conditions: margins.len(),
                consumer: risk.consumer,
                producer: risk.producer,
                nonconforming_given_accepted: risk.nonconforming_given_accepted,
            }),
            Err(error) => words.push(format!("global risk of {of}: {error}")),
        }
    }
    notes
}
