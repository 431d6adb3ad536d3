//! JSON lines: one object a condition, with its levels by name, every judged metric, lane and job.

use super::{FACTOR_KEYS, level, predicted, ten_digits};
use judge::judged::{JudgedRun, RunFacts};
use serde_json::{Map, Value, json};
use std::fmt::Write;

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum JsonlError {
    /// The output refused.
    #[error("the JSON lines could not be written")]
    Output(#[from] std::fmt::Error),
    /// A value has no JSON form.
    #[error("a condition has no JSON form: {0}")]
    Json(#[from] serde_json::Error),
}

/// Writes one line a condition. Units stand in the keys of `condition`; metrics are in ps (width, early and late margin) or
/// mV (height, upper and lower margin), as `unit` says.
///
/// # Errors
/// Those of `out`, and a value without a JSON form.
pub fn write(run: &JudgedRun, facts: &RunFacts, out: &mut dyn Write) -> Result<(), JsonlError> {
    for judged in &run.conditions {
        let mut levels = Map::new();
        for (key, factor) in FACTOR_KEYS {
            let name = level(run, judged, factor);
            let number = key.contains('_').then(|| name.parse::<f64>().ok()).flatten();
            levels.insert(key.into(), number.map_or_else(|| json!(name), |number| json!(number)));
        }
        let mut metrics = Vec::with_capacity(judged.metrics.len());
        for metric in &judged.metrics {
            let mut value = serde_json::to_value(metric)?;
            if let Value::Object(map) = &mut value {
                map.insert("unit".into(), json!(metric.metric.base_unit()));
                map.insert("wrong_decision_risk".into(), json!(known_digits(metric.wrong_decision_risk)));
            }
            metrics.push(value);
        }
        let mut jobs = Vec::with_capacity(judged.jobs.len());
        for job in &judged.jobs {
            let mut value = serde_json::to_value(job)?;
            // Counted from 1 wherever people read them.
            for (key, number) in [("mounting", job.mounting), ("repeat", job.repeat), ("start", job.start)] {
                value[key] = json!(u32::from(number) + 1);
            }
            jobs.push(value);
        }
        let mut line = json!({
            "simulated": facts.simulated,
            "target": if facts.simulated { "SIMULATED - not measured" } else { facts.target.as_str() },
            "report_id": facts.report_id,
            "condition_id": judged.anchor,
            "condition": levels,
            "beyond_rating": judged.beyond_rating,
            "state": judged.state,
            "verdict": judged.verdict,
            "evidence": judged.verdict.map(|_| judged.evidence()),
            "reason": judged.reason(),
            "metrics": metrics,
            "lanes": judged.lanes,
            "unjudged": judged.unjudged,
            "jobs": jobs,
        });
        if predicted::are_written(run) {
            let numbers = predicted::numbers(judged).map(|value| json!(value));
            let words = [json!(predicted::class(judged)), json!(predicted::verdict(judged))];
            for (name, value) in predicted::FIELDS.iter().zip(words.into_iter().chain(numbers)) {
                line[*name] = value;
            }
        }
        to_ten_digits(&mut line);
        writeln!(out, "{}", serde_json::to_string(&line)?)?;
    }
    Ok(())
}

/// Every figure in a value; whole numbers stay.
fn to_ten_digits(value: &mut Value) {
    match value {
        Value::Number(number) if number.is_f64() => {
            if let Some(figure) = number.as_f64() {
                *value = json!(ten_digits(figure));
            }
        }
        Value::Array(values) => values.iter_mut().for_each(to_ten_digits),
        Value::Object(values) => values.values_mut().for_each(to_ten_digits),
        _ => {}
    }
}

/// A small probability is what another leaves of 1, whose own last bits hide it: to 1e-12, and two digits at least.
fn known_digits(risk: f64) -> f64 {
    let digits = (12.0 + risk.log10()).clamp(2.0, 10.0) as usize;
    format!("{risk:.*e}", digits - 1).parse().unwrap_or(risk)
}
