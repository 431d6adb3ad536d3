//! CSV after RFC 4180: tidy, one row a condition, eye and lane; a condition without lanes has one row.

use super::{FACTOR_KEYS, level, reason};
use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun, LaneValues, RunFacts};
use plans::plan::judge::Metric;
use plans::results::EyeName;
use std::fmt::{Result, Write};

/// Columns after the factors' own.
const COLUMNS: [&str; 29] = [
    "condition_id",
    "beyond_rating",
    "verdict",
    "reason",
    "direction",
    "rank",
    "sub_channel",
    "lane",
    "width_ps",
    "width_limit_ps",
    "width_margin_ps",
    "width_expanded_uncertainty_ps",
    "width_guard_band_ps",
    "width_verdict",
    "width_worst_lane",
    "height_mv",
    "height_limit_mv",
    "height_margin_mv",
    "height_expanded_uncertainty_mv",
    "height_guard_band_mv",
    "height_verdict",
    "height_worst_lane",
    "conformance_probability",
    "jobs",
    "temperature_achieved_degc",
    "vddq_achieved_v",
    "bench_time_s",
    "run_started_utc",
    "run_ended_utc",
];

/// Writes the whole run.
///
/// `width_ps` and `height_mv` are the lane's own values (mean over jobs); the columns beside them, up to the worst
/// lane, describe the eye's verdict on that metric. `conformance_probability` is the lowest of the condition.
/// `target` is `SIMULATED` or `measured` in every row.
///
/// # Errors
/// Only those of `out`.
pub fn write(run: &JudgedRun, facts: &RunFacts, out: &mut dyn Write) -> Result {
    out.write_str("target,report_id")?;
    for name in FACTOR_KEYS.iter().map(|(name, _)| *name).chain(COLUMNS) {
        write!(out, ",{name}")?;
    }
    out.write_str("\r\n")?;
    for judged in &run.conditions {
        if judged.lanes.iter().all(|values| values.lanes.is_empty()) {
            row(run, facts, judged, None, out)?;
        }
        for values in &judged.lanes {
            for (index, lane) in values.lanes.iter().enumerate() {
                row(run, facts, judged, Some((values, index, *lane)), out)?;
            }
        }
    }
    Ok(())
}

fn row(
    run: &JudgedRun,
    facts: &RunFacts,
    judged: &JudgedCondition,
    lane: Option<(&LaneValues, usize, u16)>,
    out: &mut dyn Write,
) -> Result {
    out.write_str(if facts.simulated { "SIMULATED" } else { "measured" })?;
    text(out, &facts.report_id)?;
    for (_, factor) in FACTOR_KEYS {
        text(out, level(run, judged, factor))?;
    }
    text(out, &judged.anchor)?;
    text(out, if judged.beyond_rating { "yes" } else { "no" })?;
    text(out, judged.verdict.map_or("", |verdict| verdict.words()))?;
    text(out, reason(judged))?;
    match lane {
        Some((values, _, lane)) => {
            let EyeName { direction, rank, sub_channel } = values.eye;
            text(out, direction.name())?;
            let sub_channel = sub_channel.map(|index| char::from(b'A' + index.min(25)).to_string());
            write!(out, ",{rank},{},{lane}", sub_channel.unwrap_or_default())?;
        }
        None => out.write_str(",,,,")?,
    }
    for (metric, series) in [(Metric::Width, 0), (Metric::Height, 1)] {
        let value = lane.and_then(|(values, index, _)| {
            let series = if series == 0 { &values.width_ps } else { &values.height_mv };
            series.get(index).copied()
        });
        number(out, value.map(f64::from))?;
        let verdict = lane.and_then(|(values, _, _)| of_eye(judged, values.eye, metric));
        number(out, verdict.map(|m| m.limit))?;
        number(out, verdict.map(|m| m.margin))?;
        number(out, verdict.map(|m| m.expanded_uncertainty))?;
        number(out, verdict.map(|m| m.guard_band))?;
        text(out, verdict.map_or("", |m| m.verdict.words()))?;
        write!(out, ",{}", verdict.map_or_else(String::new, |m| m.lane.to_string()))?;
    }
    number(out, judged.worst().map(|worst| worst.conformance_probability))?;
    write!(out, ",{}", judged.jobs.len())?;
    number(out, mean(judged.jobs.iter().filter_map(|job| job.temperature_degc)))?;
    number(out, mean(judged.jobs.iter().filter_map(|job| job.vddq_v)))?;
    let times = judged.jobs.iter().map(|job| job.times.training_s + job.times.measuring_s);
    number(out, (!judged.jobs.is_empty()).then(|| times.sum()))?;
    text(out, facts.started_utc.as_deref().unwrap_or(""))?;
    text(out, facts.ended_utc.as_deref().unwrap_or(""))?;
    out.write_str("\r\n")
}

fn of_eye(judged: &JudgedCondition, eye: EyeName, metric: Metric) -> Option<&JudgedMetric> {
    judged.metrics.iter().find(|m| m.eye == eye && m.metric == metric)
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0usize), |(sum, count), value| (sum + value, count + 1));
    (count > 0).then(|| sum / count as f64)
}

/// A number with all its digits (a lane value with those of its single precision); empty when there is none.
fn number(out: &mut dyn Write, value: Option<f64>) -> Result {
    match value.filter(|value| value.is_finite()) {
        Some(value) if f64::from(value as f32) == value => write!(out, ",{}", value as f32),
        Some(value) => write!(out, ",{value}"),
        None => out.write_char(','),
    }
}

/// A text cell. One that a spreadsheet would take for a formula gets an apostrophe in front, as OWASP advises.
fn text(out: &mut dyn Write, value: &str) -> Result {
    out.write_char(',')?;
    let formula = value
        .starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}']);
    // A level such as `-40` is a number, not a formula.
    let guard = formula && value.parse::<f64>().is_err();
    if !guard && !value.contains([',', '"', '\r', '\n']) {
        return out.write_str(value);
    }
    out.write_char('"')?;
    if guard {
        out.write_char('\'')?;
    }
    out.write_str(&value.replace('"', "\"\""))?;
    out.write_char('"')
}
