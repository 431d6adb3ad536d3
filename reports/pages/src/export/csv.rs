//! CSV after RFC 4180: tidy, one row a job, eye and lane, written job by job so that memory stays flat. A job without
//! lanes (failed training, not measured) has one row, and so has a condition without jobs.

use super::{FACTOR_KEYS, level, outcome, predicted, ten_digits};
use eye::counts::CaptureView;
use eye::metrics::{LaneMetrics, Wanted, lane_metrics};
use eye::value::{EyeMetric, EyeState, Reading};
use judge::eye_summary::masks_for;
use judge::judged::{JobNote, JudgedCondition, JudgedMetric, JudgedRun, RunFacts};
use nightbench_core::condition::ConditionState;
use nightbench_core::rates::DataRate;
use nightbench_core::results::{Capture, EyeName};
use nightbench_core::text::hides;
use plan::limits::Metric;
use std::fmt::{Result, Write};

/// Columns after the factors' own and before the judged metrics. Numbers are empty where there are none; a column of words
/// has a word in every row, so that readers that guess types from parts of a file guess alike.
const COLUMNS: [&str; 35] = [
    "condition_id",
    "condition_state",
    "condition_verdict",
    "condition_reason",
    "condition_beyond_rating",
    "condition_conformance_probability",
    "condition_jobs",
    "job_id",
    "mounting",
    "repeat",
    "start",
    "outcome",
    "trouble",
    "temperature_achieved_degc",
    "vddq_achieved_v",
    "training_time_s",
    "measuring_time_s",
    "started_utc",
    "ended_utc",
    "direction",
    "rank",
    "sub_channel",
    "lane",
    "state",
    "operating_tap",
    "operating_vref_step",
    "width_ps",
    "width_at_least",
    "height_mv",
    "height_at_least",
    "early_margin_ps",
    "late_margin_ps",
    "upper_margin_mv",
    "lower_margin_mv",
    "evidence",
];

/// Metrics that may be judged. Each has the lane's own distance from the limit, and what the verdict on the eye rests on:
/// the mean over the jobs of the condition's worst lane.
const JUDGED: [Metric; 7] = [
    Metric::Width,
    Metric::Height,
    Metric::Mask,
    Metric::EarlyMargin,
    Metric::LateMargin,
    Metric::UpperMargin,
    Metric::LowerMargin,
];
/// Figures of the condition in each of them; the first four are quantities.
const FIGURES: [&str; 6] = ["limit", "margin", "expanded_uncertainty", "guard_band", "verdict", "worst_lane"];

/// Stands where a column of words has nothing to say.
const NOTHING: &str = "none";

/// One stored job, with the condition it belongs to.
#[derive(Debug, Clone, Copy)]
pub struct JobRows<'a> {
    pub judged: &'a JudgedCondition,
    pub note: &'a JobNote,
    /// When it began and ended, UTC, ISO 8601; empty for simulated runs.
    pub utc: (&'a str, &'a str),
    /// The eyes it captured.
    pub captures: &'a [Capture],
    pub rate: DataRate,
}

/// Writes the line of column names of a run.
///
/// # Errors
/// Only those of `out`.
pub fn header(run: &JudgedRun, out: &mut dyn Write) -> Result {
    out.write_str("target,report_id")?;
    for name in FACTOR_KEYS.iter().map(|(name, _)| *name).chain(COLUMNS) {
        write!(out, ",{name}")?;
    }
    out.write_str(",mask_ps,mask_at_least")?;
    for metric in JUDGED {
        let name = metric.name().replace(' ', "_");
        let unit = if metric.is_time() { "ps" } else { "mv" };
        write!(out, ",{name}_to_limit_{unit}")?;
        for (index, figure) in FIGURES.iter().enumerate() {
            if index < 4 {
                write!(out, ",condition_{name}_{figure}_{unit}")?;
            } else {
                write!(out, ",condition_{name}_{figure}")?;
            }
        }
    }
    if predicted::are_written(run) {
        for name in predicted::FIELDS {
            write!(out, ",{name}")?;
        }
    }
    out.write_str("\r\n")
}

/// Writes the rows of a job: lane by lane its own values, beside them the verdict of its condition. `target` is
/// `SIMULATED` or `measured` in every row. Eyes whose counts contradict themselves have no lanes; `trouble` says so.
///
/// # Errors
/// Only those of `out`.
pub fn job(run: &JudgedRun, facts: &RunFacts, rows: &JobRows<'_>, out: &mut dyn Write) -> Result {
    let mut written = false;
    for capture in rows.captures {
        let Ok(view) = CaptureView::new(capture) else { continue };
        let masks = masks_for(&facts.limits, capture.eye, &capture.grid, rows.rate);
        for lane in lane_metrics(&view, &Wanted { masks, ..Wanted::margins() }) {
            row(run, facts, rows.judged, Some(rows), Some((capture, &lane)), out)?;
            written = true;
        }
    }
    if !written {
        row(run, facts, rows.judged, Some(rows), None, out)?;
    }
    Ok(())
}

/// Writes the row of a condition of which no job is in the store.
///
/// # Errors
/// Only those of `out`.
pub fn not_run(run: &JudgedRun, facts: &RunFacts, judged: &JudgedCondition, out: &mut dyn Write) -> Result {
    row(run, facts, judged, None, None, out)
}

fn row(
    run: &JudgedRun,
    facts: &RunFacts,
    judged: &JudgedCondition,
    job: Option<&JobRows<'_>>,
    lane: Option<(&Capture, &LaneMetrics)>,
    out: &mut dyn Write,
) -> Result {
    out.write_str(if facts.simulated { "SIMULATED" } else { "measured" })?;
    text(out, &facts.report_id)?;
    for (_, factor) in FACTOR_KEYS {
        text(out, level(run, judged, factor))?;
    }
    text(out, &judged.anchor)?;
    text(out, state(judged))?;
    text(out, judged.verdict.map_or(NOTHING, |verdict| verdict.words()))?;
    text(out, word(&judged.reason()))?;
    text(out, if judged.beyond_rating { "yes" } else { "no" })?;
    number(out, judged.worst().map(|worst| worst.conformance_probability))?;
    write!(out, ",{}", judged.jobs.len())?;
    match job.map(|job| job.note) {
        Some(note) => {
            text(out, &note.key)?;
            write!(out, ",{},{},{}", note.mounting + 1, note.repeat + 1, note.start + 1)?;
            text(out, outcome(note))?;
            text(out, word(&note.trouble))?;
        }
        None => write!(out, ",{NOTHING},,,,not run,{NOTHING}")?,
    }
    let note = job.map(|job| job.note);
    number(out, note.and_then(|note| note.temperature_degc))?;
    number(out, note.and_then(|note| note.vddq_v))?;
    number(out, note.map(|note| note.times.training_s))?;
    number(out, note.map(|note| note.times.measuring_s))?;
    text(out, word(job.map_or("", |job| job.utc.0)))?;
    text(out, word(job.map_or("", |job| job.utc.1)))?;
    match lane {
        Some((capture, lane)) => lane_cells(capture, lane, out)?,
        None => write!(out, ",{NOTHING},,{NOTHING},,no eye,,,,no,,no,,,,,{NOTHING}")?,
    }
    // The mask of the first limit that applies, scaled in this lane: its width.
    let mask = lane.and_then(|(_, lane)| lane.masks.first());
    let mask_ps = mask.map(|fit| fit.scale * 2.0 * fit.mask.half_width.0);
    number(out, mask_ps)?;
    text(out, if mask.is_some_and(|fit| fit.at_least) { "yes" } else { "no" })?;
    for metric in JUDGED {
        let value = lane.and_then(|(capture, lane)| match eye_metric(metric) {
            Some(of) => lane.value(of, Reading::SubTap).map(|value| value.base_value(&capture.grid)),
            None => mask_ps,
        });
        figures(judged, lane, metric, value, out)?;
    }
    if predicted::are_written(run) {
        text(out, predicted::class(judged))?;
        text(out, predicted::verdict(judged).unwrap_or(NOTHING))?;
        for value in predicted::numbers(judged) {
            number(out, value)?;
        }
    }
    out.write_str("\r\n")
}

/// How far a condition has come, in a word or two.
fn state(judged: &JudgedCondition) -> &'static str {
    match judged.state {
        ConditionState::Judged => "judged",
        ConditionState::TrainingFailed => "training failed",
        ConditionState::NotJudged => "not judged",
        ConditionState::Undecided => "undecided",
        ConditionState::NotMeasured => "not measured",
        ConditionState::NotRun => "not run",
        ConditionState::NoTime => "no time left",
        ConditionState::NoHands => "nobody there",
        ConditionState::NotNeeded => "not needed",
        ConditionState::Predicted => "predicted",
    }
}

/// The value of a lane that a metric judges; a mask is no value of its own.
fn eye_metric(metric: Metric) -> Option<EyeMetric> {
    match metric {
        Metric::Width => Some(EyeMetric::Width),
        Metric::Height => Some(EyeMetric::Height),
        Metric::EarlyMargin => Some(EyeMetric::EarlyMargin),
        Metric::LateMargin => Some(EyeMetric::LateMargin),
        Metric::UpperMargin => Some(EyeMetric::UpperMargin),
        Metric::LowerMargin => Some(EyeMetric::LowerMargin),
        Metric::Mask => None,
    }
}

/// How far the lane's `value` in this job is above the limit, and what the condition's verdict on the metric rests on; empty
/// where it is not judged.
fn figures(
    judged: &JudgedCondition,
    lane: Option<(&Capture, &LaneMetrics)>,
    metric: Metric,
    value: Option<f64>,
    out: &mut dyn Write,
) -> Result {
    let verdict = lane.and_then(|(capture, _)| of_eye(judged, capture.eye, metric));
    number(out, verdict.zip(value).map(|(m, value)| value - m.limit))?;
    number(out, verdict.map(|m| m.limit))?;
    number(out, verdict.map(|m| m.margin))?;
    number(out, verdict.map(|m| m.expanded_uncertainty))?;
    number(out, verdict.map(|m| m.guard_band))?;
    text(out, verdict.map_or(NOTHING, |m| m.verdict.words()))?;
    write!(out, ",{}", verdict.map_or_else(String::new, |m| m.lane.to_string()))
}

/// Eye, lane and the lane's own values.
fn lane_cells(capture: &Capture, lane: &LaneMetrics, out: &mut dyn Write) -> Result {
    let EyeName { direction, rank, sub_channel } = capture.eye;
    text(out, direction.name())?;
    let sub_channel = sub_channel.map(|index| char::from(b'A' + index.min(25)).to_string());
    let number_of = lane.lane.map_or_else(String::new, |lane| lane.to_string());
    write!(out, ",{rank},{},{number_of}", sub_channel.as_deref().unwrap_or(NOTHING))?;
    text(
        out,
        match lane.state {
            EyeState::Open => "open",
            EyeState::Closed => "closed",
            EyeState::OffCentre => "off centre",
        },
    )?;
    write!(out, ",{},{}", lane.operating.tap, lane.operating.vref)?;
    let value = |metric| lane.value(metric, Reading::SubTap);
    for metric in [EyeMetric::Width, EyeMetric::Height] {
        let value = value(metric);
        number(out, value.as_ref().map(|value| value.base_value(&capture.grid)))?;
        text(out, if value.is_some_and(|value| value.at_least) { "yes" } else { "no" })?;
    }
    for metric in
        [EyeMetric::EarlyMargin, EyeMetric::LateMargin, EyeMetric::UpperMargin, EyeMetric::LowerMargin]
    {
        number(out, value(metric).map(|value| value.base_value(&capture.grid)))?;
    }
    text(out, capture.mode.evidence().name())
}

/// The text, or the word for nothing.
fn word(text: &str) -> &str {
    if text.is_empty() { NOTHING } else { text }
}

fn of_eye(judged: &JudgedCondition, eye: EyeName, metric: Metric) -> Option<&JudgedMetric> {
    judged.metrics.iter().find(|m| m.eye == eye && m.metric == metric)
}

/// A number; empty when there is none.
fn number(out: &mut dyn Write, value: Option<f64>) -> Result {
    match value.filter(|value| value.is_finite()) {
        Some(value) => write!(out, ",{}", ten_digits(value)),
        None => out.write_char(','),
    }
}

/// A text cell, with the comma before it. One that a spreadsheet would take for a formula gets an apostrophe in front, as OWASP advises.
pub(crate) fn text(out: &mut dyn Write, value: &str) -> Result {
    out.write_char(',')?;
    // No control character reaches the table raw.
    let value = &value.chars().fold(String::with_capacity(value.len()), |mut seen, c| {
        if hides(c) {
            seen.push_str(&format!("[U+{:04X}]", u32::from(c)));
        } else {
            seen.push(c);
        }
        seen
    });
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
