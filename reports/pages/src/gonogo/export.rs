//! A lot for other programs: one row a unit; keys name their units.

use crate::export::csv::text;
use judge::gonogo::{LineTest, LotUnit};
use serde_json::json;

/// One row.
fn row(
    test: &LineTest,
    unit: &LotUnit,
    corner: Option<f64>,
    simulated: bool,
) -> [(String, serde_json::Value); 14] {
    let metric =
        format!("{}_{}", test.metric.name(), if test.metric.unit() == "UI" { "ui" } else { "percent_vddq" });
    let judgement = &unit.judgement;
    let key = |text: &str| text.to_string();
    [
        (key("target"), json!(if simulated { "SIMULATED" } else { "measured" })),
        (key("serial"), json!(unit.serial)),
        (key("decision"), json!(judgement.decision.words())),
        (key("reason"), json!(judgement.reason.to_string())),
        (format!("predicted_{metric}"), json!(judgement.predicted)),
        (format!("limit_{metric}"), json!(test.limit)),
        (format!("go_from_{metric}"), json!(test.go_from())),
        (format!("no_go_below_{metric}"), json!(test.no_go_below)),
        (key("drawn_for_corner_test"), json!(unit.drawn)),
        (format!("corner_{metric}"), json!(corner)),
        (key("boot_s"), json!(unit.times.boot_s)),
        (key("training_s"), json!(unit.times.training_s)),
        (key("supplies_s"), json!(unit.times.supplies_s)),
        (key("test_s"), json!(unit.times.test_s)),
    ]
}

/// One JSON object a line.
pub fn jsonl(
    test: &LineTest,
    units: &[LotUnit],
    corner: &dyn Fn(&str) -> Option<f64>,
    simulated: bool,
) -> String {
    let line = |unit: &LotUnit| {
        let object: serde_json::Map<_, _> =
            row(test, unit, corner(&unit.serial), simulated).into_iter().collect();
        format!("{}\n", serde_json::Value::Object(object))
    };
    units.iter().map(line).collect()
}

/// Comma-separated, with a header; texts are quoted where they need it (RFC 4180).
pub fn csv(
    test: &LineTest,
    units: &[LotUnit],
    corner: &dyn Fn(&str) -> Option<f64>,
    simulated: bool,
) -> String {
    let mut out = String::new();
    for (at, unit) in units.iter().enumerate() {
        let row = row(test, unit, corner(&unit.serial), simulated);
        if at == 0 {
            out.push_str(&row.iter().map(|(key, _)| key.as_str()).collect::<Vec<_>>().join(","));
            out.push('\n');
        }
        let mut line = String::new();
        row.iter().for_each(|(_, value)| cell(&mut line, value));
        out.push_str(&line[1..]);
        out.push('\n');
    }
    out
}

fn cell(line: &mut String, value: &serde_json::Value) {
    match value {
        serde_json::Value::Null => line.push(','),
        serde_json::Value::String(words) => drop(text(line, words)),
        other => line.push_str(&format!(",{other}")),
    }
}
