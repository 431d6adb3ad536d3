//! Lists of the page: conditions, training, what was left out or went wrong, budgets, limits and provenance.

use super::attachments;
use super::eyes::metric_row;
use super::words::*;
use super::{Options, predicted};
use judge::judged::{Budget, JobNote, JudgedCondition, JudgedRun, RunFacts, Superseded, Verdict};
use nightbench_core::condition::ConditionState;
use plan::limits::Limit;
use serde::Serialize;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

/// A line of the table of conditions.
#[derive(Debug, Serialize)]
pub(super) struct ConditionRow {
    pub id: String,
    pub link: String,
    pub name: String,
    pub levels: String,
    pub class: &'static str,
    pub verdict: String,
    /// Margin as a share of its limit.
    pub share: String,
    pub worst: String,
    pub probability: String,
    pub notes: String,
    pub rank: usize,
    pub order: usize,
    /// Listed on paper, too.
    pub printed: bool,
}

/// Conditions listed on paper: those that do not pass, up to this many.
const MOST_PRINTED: usize = 60;

/// The table of conditions, worst first.
#[derive(Debug, Serialize)]
pub(super) struct ConditionsView {
    pub rows: Vec<ConditionRow>,
    pub note: String,
    /// What the paper leaves out.
    pub paper: String,
}

/// Conditions that get a row: the worst ones up to the cap.
pub(super) fn listed(run: &JudgedRun, options: &Options) -> Vec<usize> {
    let mut order = predicted::measured_first(run);
    order.truncate(options.most_rows);
    order
}

/// Builds the rows; a condition with an eye card links to it, the others carry their own anchor.
pub(super) fn conditions(
    run: &JudgedRun,
    listed: &[usize],
    carded: &BTreeSet<usize>,
    anchors: &[String],
    reviewed: &BTreeMap<usize, Vec<String>>,
) -> ConditionsView {
    let rows = listed.iter().enumerate().filter_map(|(rank, index)| {
        let judged = run.conditions.get(*index)?;
        let anchor = anchors.get(*index).cloned().unwrap_or_default();
        let card = carded.contains(index);
        Some(ConditionRow {
            id: if card { String::new() } else { anchor.clone() },
            link: if card { anchor } else { String::new() },
            name: judged.name.clone(),
            levels: level_code(&judged.condition),
            class: class(judged.verdict),
            verdict: format!(
                "{} {}{}",
                glyph(judged.verdict),
                verdict_words(judged),
                if judged.passes_read_below().is_some() { "\u{2021}" } else { "" }
            ),
            share: judged
                .worst()
                .filter(|worst| worst.limit > 0.0)
                .map_or_else(String::new, |m| format!("{} %", signed(100.0 * m.margin / m.limit, 0))),
            worst: judged.worst().map_or_else(
                || judged.reason().into_owned(),
                |m| {
                    let spread = plain(m.expanded_uncertainty, 1);
                    let read = metric_row(m).read.map_or_else(String::new, |read| {
                        format!("; as read {}\u{a0}{}", read.margin, m.metric.base_unit())
                    });
                    format!("{} \u{b1} {spread} ({}){read}", margin(m), metric_place(m))
                },
            ),
            probability: judged.worst().map_or_else(String::new, |m| percent(m.conformance_probability)),
            notes: {
                let own = notes(judged);
                let read = reviewed.get(index).into_iter().flatten().cloned();
                read.chain((!own.is_empty()).then_some(own)).collect::<Vec<_>>().join("; ")
            },
            rank,
            order: *index,
            printed: run.conditions.len() <= MOST_PRINTED
                || (judged.verdict != Some(Verdict::Pass) && rank < MOST_PRINTED),
        })
    });
    let rows: Vec<ConditionRow> = rows.collect();
    let all = run.conditions.iter().filter(|judged| judged.predicted.is_none()).count();
    let note = if rows.len() < all {
        format!(
            "The {} worst conditions of {} are listed; the others stand in the matrix and in the exports.",
            rows.len(),
            all
        )
    } else {
        String::new()
    };
    let printed = rows.iter().filter(|row| row.printed).count();
    let paper = match printed == rows.len() {
        true => String::new(),
        false => format!(
            "On paper: the worst {printed} of {} without the verdict pass; every condition stands in the matrix (section 2) with \
             its verdict and margin, and in the file of this report.",
            count(
                run.conditions
                    .iter()
                    .filter(|c| c.verdict != Some(Verdict::Pass) && c.predicted.is_none())
                    .count(),
                "condition",
                "conditions"
            )
        ),
    };
    ConditionsView { rows, note, paper }
}

fn notes(judged: &JudgedCondition) -> String {
    let mut notes = Vec::new();
    if judged.beyond_rating {
        notes.push("beyond rating".to_string());
    }
    if judged.worst().is_some() && judged.state != ConditionState::Judged {
        notes.push(judged.reason().into_owned());
    }
    if let Some(worst) = judged.worst() {
        let row = metric_row(worst);
        if !row.note.is_empty() {
            notes.push(row.note);
        }
    }
    if let Some(below) = judged.passes_read_below() {
        notes.push(format!(
            "\u{2021} {} read {} {}, limit {}",
            metric_place(below),
            plain(below.worst_lane.as_read, 1),
            below.metric.base_unit(),
            plain(below.limit, 1)
        ));
    }
    if judged.jobs.len() > 1 {
        notes.push(count(judged.jobs.len(), "job", "jobs"));
    }
    let achieved = achieved(&judged.jobs);
    if !achieved.is_empty() {
        notes.push(format!("achieved {achieved}"));
    }
    notes.join("; ")
}

/// Temperature and VDDQ as achieved, over the jobs of a condition.
fn achieved(jobs: &[JobNote]) -> String {
    let span = |values: Vec<f64>, digits: usize, unit: &str| {
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (low_text, high_text) = (plain(low, digits), plain(high, digits));
        match values.is_empty() {
            true => String::new(),
            false if low_text == high_text => format!("{low_text} {unit}"),
            false => format!("{low_text} to {high_text} {unit}"),
        }
    };
    let parts = [
        span(jobs.iter().filter_map(|job| job.temperature_degc).collect(), 1, "\u{b0}C"),
        span(jobs.iter().filter_map(|job| job.vddq_v).collect(), 3, "V"),
    ];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
}

/// A training stage.
#[derive(Debug, Serialize)]
pub(super) struct StageRow {
    pub stage: String,
    pub attempts: u32,
    pub failed: u32,
    pub end_stops: u32,
    pub taps: String,
    pub steps: String,
}

/// A failed training.
#[derive(Debug, Serialize)]
pub(super) struct FailedRow {
    pub condition: String,
    pub link: String,
    pub stage: String,
    pub lanes: String,
    pub causes: Vec<String>,
    /// Place of what the agent said about it.
    pub said: String,
}

#[derive(Debug, Serialize)]
pub(super) struct TrainingView {
    pub stages: Vec<StageRow>,
    pub failed: Vec<FailedRow>,
    pub note: String,
}

/// Training by stage and the failed attempts, as many as the cap allows.
pub(super) fn training(
    run: &JudgedRun,
    facts: &RunFacts,
    shown: &BTreeSet<usize>,
    anchors: &[String],
    most: usize,
) -> TrainingView {
    let optional = |value: Option<f64>, digits: usize| value.map_or_else(String::new, |v| plain(v, digits));
    let stages = run.stages.iter().map(|stage| StageRow {
        stage: stage.stage.clone(),
        attempts: stage.attempts,
        failed: stage.failed,
        end_stops: stage.end_stops,
        taps: optional(stage.narrowest_taps, 1),
        steps: optional(stage.lowest_steps, 1),
    });
    let failed = run.failed_trainings.iter().take(most).map(|failed| FailedRow {
        condition: run
            .conditions
            .get(failed.condition)
            .map_or_else(|| format!("condition {}", failed.condition), |judged| judged.name.clone()),
        link: anchors
            .get(failed.condition)
            .filter(|_| shown.contains(&failed.condition))
            .cloned()
            .unwrap_or_default(),
        stage: failed.stage.clone(),
        lanes: failed.lanes.clone(),
        causes: failed.causes.clone(),
        said: facts
            .texts
            .iter()
            .take(most)
            .find(|texts| texts.condition == failed.condition)
            .map_or_else(String::new, |texts| attachments::anchor(&texts.key)),
    });
    TrainingView {
        stages: stages.collect(),
        failed: failed.collect(),
        note: left_out_note(run.failed_trainings.len(), most, "failed trainings"),
    }
}

pub(super) fn left_out_note(all: usize, most: usize, what: &str) -> String {
    if all > most {
        format!("The first {most} of {all} {what} are listed; the exports hold all.")
    } else {
        String::new()
    }
}

/// Combinations left out for one reason.
#[derive(Debug, Serialize)]
pub(super) struct ReasonRow {
    pub reason: String,
    pub number: usize,
    pub examples: String,
}

/// Something that needs a reason: a condition or a job, and what happened.
#[derive(Debug, Serialize)]
pub(super) struct EventRow {
    pub condition: String,
    pub job: String,
    pub what: String,
}

#[derive(Debug, Serialize)]
pub(super) struct NotRunView {
    pub left_out: Vec<ReasonRow>,
    pub not_measured: Vec<ReasonRow>,
    pub undecided: Vec<ReasonRow>,
    pub not_yet: usize,
    pub troubles: Vec<EventRow>,
    pub troubles_note: String,
    pub repeated: Vec<ReasonRow>,
    pub log: Vec<(String, String)>,
    pub log_note: String,
}

/// Everything that was not measured as planned, grouped by reason.
pub(super) fn not_run(run: &JudgedRun, facts: &RunFacts, most: usize) -> NotRunView {
    let factors = varied(run);
    let mut reasons: BTreeMap<String, (usize, Vec<String>)> = BTreeMap::new();
    for left in &run.left_out {
        add(&mut reasons, &left.reason, || describe(run, &left.condition, &factors));
    }
    let (mut missing, mut undecided) = (BTreeMap::new(), BTreeMap::new());
    let mut repeated = BTreeMap::new();
    let mut troubles = Vec::new();
    let mut trouble_count = 0;
    for judged in &run.conditions {
        for reason in judged.open_questions() {
            add(&mut undecided, &reason, || judged.name.clone());
        }
        if matches!(
            judged.state,
            ConditionState::NotMeasured
                | ConditionState::NotJudged
                | ConditionState::NoTime
                | ConditionState::NoHands
        ) {
            let reason = match judged.state {
                ConditionState::NotJudged => judged.reason(),
                _ => Cow::Borrowed(judged.detail.as_str()),
            };
            let reason = if reason.is_empty() { "no reason recorded" } else { &*reason };
            add(&mut missing, reason, || judged.name.clone());
        }
        if judged.jobs.len() > 1 {
            add(&mut repeated, &kinds(&judged.jobs), || judged.name.clone());
        }
        for job in judged.jobs.iter().filter(|job| !job.trouble.is_empty()) {
            trouble_count += 1;
            if troubles.len() < most {
                troubles.push(EventRow {
                    condition: judged.name.clone(),
                    job: format!(
                        "mounting {}, repeat {}, start {}",
                        job.mounting + 1,
                        job.repeat + 1,
                        job.start + 1
                    ),
                    what: job.trouble.clone(),
                });
            }
        }
    }
    NotRunView {
        left_out: rows(reasons),
        not_measured: rows(missing),
        undecided: rows(undecided),
        not_yet: run.conditions.iter().filter(|judged| judged.state == ConditionState::NotRun).count(),
        troubles,
        troubles_note: left_out_note(trouble_count, most, "jobs with trouble"),
        repeated: rows(repeated),
        log: facts.log.iter().take(most).cloned().collect(),
        log_note: left_out_note(facts.log.len(), most, "log lines"),
    }
}

/// An attempt that does not count any more.
#[derive(Debug, Serialize)]
pub(super) struct SupersededRow {
    pub condition: String,
    pub job: String,
    pub attempt: u32,
    pub reason: String,
}

/// Superseded attempts, as many as the cap allows.
pub(super) fn superseded(run: &JudgedRun, facts: &RunFacts, most: usize) -> Vec<SupersededRow> {
    let name =
        |index: usize| run.conditions.get(index).map_or_else(String::new, |judged| judged.name.clone());
    let row = |attempt: &Superseded| SupersededRow {
        condition: name(attempt.condition),
        job: attempt.key.clone(),
        attempt: attempt.attempt,
        reason: attempt.reason.clone(),
    };
    facts.superseded.iter().take(most).map(row).collect()
}

fn kinds(jobs: &[JobNote]) -> String {
    let different = |value: fn(&JobNote) -> u16| jobs.iter().map(value).collect::<BTreeSet<_>>().len();
    let parts = [
        count(different(|job| job.mounting), "mounting", "mountings"),
        count(different(|job| job.repeat), "repeat", "repeats"),
        count(different(|job| job.start), "start", "starts"),
    ];
    format!("{}: {}", count(jobs.len(), "job", "jobs"), parts.join(", "))
}

fn add(map: &mut BTreeMap<String, (usize, Vec<String>)>, reason: &str, example: impl Fn() -> String) {
    let entry = map.entry(reason.to_string()).or_default();
    entry.0 += 1;
    if entry.1.len() < 4 {
        entry.1.push(example());
    }
}

fn rows(map: BTreeMap<String, (usize, Vec<String>)>) -> Vec<ReasonRow> {
    let row = |(reason, (number, mut examples)): (String, (usize, Vec<String>))| {
        if number > examples.len() {
            examples.push(format!("and {} more", number - examples.len()));
        }
        ReasonRow { reason, number, examples: examples.join("; ") }
    };
    let mut rows: Vec<ReasonRow> = map.into_iter().map(row).collect();
    rows.sort_by_key(|row| std::cmp::Reverse(row.number));
    rows
}

/// A line of an uncertainty budget.
#[derive(Debug, Serialize)]
pub(super) struct BudgetLine {
    pub name: String,
    pub kind: String,
    pub input: String,
    pub sensitivity: String,
    pub value: String,
    pub freedom: String,
    pub share: String,
    /// Share of the variance as a whole number, for the bar.
    pub bar: u32,
    pub source: String,
}

#[derive(Debug, Serialize)]
pub(super) struct BudgetView {
    pub metric: &'static str,
    pub unit: &'static str,
    pub rows: Vec<BudgetLine>,
    pub combined: String,
    pub freedom: String,
    pub k: String,
    pub expanded: String,
}

/// A budget as a table.
pub(super) fn budget(budget: &Budget) -> BudgetView {
    let freedom = |value: Option<f64>| value.map_or_else(|| "\u{221e}".into(), |v| plain(v, 0));
    BudgetView {
        metric: budget.metric.name(),
        unit: budget.metric.base_unit(),
        rows: budget
            .rows
            .iter()
            .map(|row| BudgetLine {
                name: row.name.clone(),
                kind: row.kind.to_string(),
                input: format!("{} {}", significant(row.input), row.input_unit),
                sensitivity: significant(row.sensitivity),
                value: plain(row.standard_uncertainty, 2),
                freedom: freedom(row.degrees_of_freedom),
                share: format!("{:.0} %", 100.0 * row.share),
                bar: (100.0 * row.share).clamp(0.0, 100.0).round() as u32,
                source: row.source.clone(),
            })
            .collect(),
        combined: plain(budget.combined, 2),
        freedom: freedom(budget.degrees_of_freedom),
        k: plain(budget.k, 2),
        expanded: plain(budget.expanded, 2),
    }
}

/// A limit of the plan.
#[derive(Debug, Serialize)]
pub(super) struct LimitRow {
    pub metric: &'static str,
    pub direction: &'static str,
    pub minimum: String,
    pub rates: String,
    pub source: String,
}

/// A limit as a table line.
pub(super) fn limit(limit: &Limit) -> LimitRow {
    let rates: Vec<String> = limit.rates.iter().map(ToString::to_string).collect();
    LimitRow {
        metric: limit.metric.name(),
        direction: limit.direction.name(),
        minimum: format!("{} {}", significant(limit.minimum), limit.unit.name()),
        rates: if rates.is_empty() { "every rate".into() } else { format!("{} MT/s", rates.join(", ")) },
        source: limit.source.clone(),
    }
}

/// A value of the simulated target's model.
#[derive(Debug, Serialize)]
pub(super) struct ModelRow {
    pub name: String,
    pub value: String,
    pub unit: String,
    pub mark: String,
    pub set_by_plan: bool,
}

/// The model's values, those set by the plan first.
pub(super) fn model(facts: &RunFacts) -> Vec<ModelRow> {
    let mut entries: Vec<_> = facts.model.iter().collect();
    entries.sort_by_key(|entry| !entry.set_by_plan);
    let row = |entry: &judge::judged::ModelEntry| ModelRow {
        name: entry.name.clone(),
        value: significant(entry.value),
        unit: entry.unit.clone(),
        mark: entry.mark.clone(),
        set_by_plan: entry.set_by_plan,
    };
    entries.into_iter().map(row).collect()
}
