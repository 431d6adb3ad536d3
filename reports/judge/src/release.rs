//! The release decision: yes, no or undecided, with its reasons, and the tolerance limit over units behind it.

use crate::as_read::passes_in_words;
use crate::audit::{HighestRateNote, UnitsNote};
use crate::judged::{JudgedRun, PredictedVerdict, Release, ReleaseDecision};
use crate::predicted::PredictionNote;
use nightbench_core::text::counted;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::limits::Metric;
use plan::matrix::Factor;
use plan::obstacles::{obstacles, unit_levels};
use serde::Serialize;
use statistics::StatisticsError;
use statistics::tolerance::{lower_limit_of_minima, wilks_order};
use std::collections::{BTreeMap, BTreeSet};

/// What keeps a release undecided; of several, what a reader must know first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Obstacle {
    NothingMeasured,
    /// Whatever was measured, nothing that counts has a verdict.
    NoVerdict,
    /// Conditions that count have no verdict, or need hands.
    NotMeasured,
    /// Measured, and nothing can be said.
    ConditionsUndecided,
    /// The highest rates of some series, or the rate asked for.
    RatesUnknown,
    /// Predicted verdicts that the plan, or what the audits found, does not let count.
    Predicted,
    /// Within the guard band, or perhaps so.
    Conditional,
    /// Everything that counts passes from here on.
    Simulated,
    /// Jobs outside the plan, a suspect reference, units, or what the plan leaves open.
    NotReleasable,
}

impl Obstacle {
    /// The decision in a line.
    pub fn words(self) -> &'static str {
        match self {
            Obstacle::NothingMeasured => "Nothing measured yet",
            Obstacle::NoVerdict => "Undecided: nothing that counts has a verdict",
            Obstacle::NotMeasured => "Undecided: not everything that counts is measured",
            Obstacle::ConditionsUndecided => {
                "Undecided: measured, and nothing can be said of some conditions"
            }
            Obstacle::RatesUnknown => "Undecided: highest rates are not known, or none is asked for",
            Obstacle::Predicted => "Undecided: predicted verdicts do not count",
            Obstacle::Conditional => "Not all pass: some lie within the guard band",
            Obstacle::Simulated => "Passes, and is no release: simulated",
            Obstacle::NotReleasable => "Passes, and is no release: see why below",
        }
    }
}

/// No decision yet.
pub fn undecided() -> Release {
    Release {
        decision: ReleaseDecision::Undecided,
        open: Some(Obstacle::NothingMeasured),
        reasons: Vec::new(),
    }
}

/// Tolerance limit of the worst margin over units, where the plan asks for units.
pub fn units(run: &JudgedRun, plan: &Plan, criteria: &AcceptanceCriteria) -> Option<UnitsNote> {
    let wanted = criteria.release.units?;
    let levels = unit_levels(plan);
    let mut worst: BTreeMap<(Metric, u16), f64> = BTreeMap::new();
    let mut bounds: BTreeMap<Metric, BTreeSet<u16>> = BTreeMap::new();
    let mut measured: Vec<u16> = Vec::new();
    for judged in &run.conditions {
        let unit = judged.condition.levels[Factor::Chip as usize];
        let counts = !judged.beyond_rating || criteria.decision.beyond_rating_counts;
        if !counts || !levels.contains(&unit) || judged.verdict.is_none() {
            continue;
        }
        if !measured.contains(&unit) {
            measured.push(unit);
        }
        for metric in &judged.metrics {
            let slot = worst.entry((metric.metric, unit)).or_insert(f64::INFINITY);
            *slot = slot.min(metric.margin);
            if metric.at_least {
                bounds.entry(metric.metric).or_default().insert(unit);
            }
        }
    }
    let (content, confidence) = (criteria.release.content, criteria.release.confidence);
    // Every metric by itself covers so much that all of them together cover the content (Bonferroni).
    let metrics: BTreeSet<Metric> = worst.keys().map(|(metric, _)| *metric).collect();
    let each = 1.0 - (1.0 - content) / metrics.len().max(1) as f64;
    let (mut limits, mut words) = (Vec::new(), Vec::new());
    // Metrics without a limit by the reason, in the order met.
    let mut without: Vec<(String, Vec<&str>)> = Vec::new();
    let mut none = |name: &'static str, why: String| match without.iter_mut().find(|(known, _)| *known == why)
    {
        Some((_, names)) => names.push(name),
        None => without.push((why, vec![name])),
    };
    for (name, metric) in Metric::ALL {
        let margins: Vec<f64> =
            worst.iter().filter(|((known, _), _)| *known == metric).map(|(_, margin)| *margin).collect();
        if margins.is_empty() {
            continue;
        }
        // A lower bound is no value: what its unit's margin is, nobody saw.
        if let Some(units) = bounds.get(&metric) {
            let units = counted(units.len(), "unit");
            none(name, format!("runs off the grid in {units}"));
            continue;
        }
        if margins.len() < 2 {
            none(name, "a spread takes at least 2 units".into());
            continue;
        }
        // Equal values show a grid too coarse, not units without spread.
        if margins.iter().all(|margin| *margin == margins[0]) {
            none(name, "the units' margins are identical, so that their spread is unknown".into());
            continue;
        }
        match limit_of(&margins, each, confidence) {
            Ok(limit) => {
                limits.push((metric, limit));
                words.push(format!("{name} {limit:+.1} {}", metric.base_unit()));
            }
            Err(error) => none(name, error.to_string()),
        }
    }
    let judged: Vec<Metric> = worst.keys().map(|(metric, _)| *metric).collect();
    let enough = measured.len() >= usize::from(wanted);
    let holds = enough
        && !limits.is_empty()
        && judged.iter().all(|metric| limits.iter().any(|(known, limit)| known == metric && *limit >= 0.0));
    // Shares are decimal fractions: 0.07 is not 7 % in binary.
    let percent = |share: f64| (1e8 * share).round() / 1e6;
    let mut words = format!(
        "Margin that {} % of units exceed with {} % confidence, from {} of {wanted} units: {}.",
        percent(content),
        percent(confidence),
        measured.len(),
        match (words.is_empty(), without.is_empty()) {
            (false, _) => words.join(", "),
            (true, false) => "none can be given".into(),
            (true, true) => "nothing measured".into(),
        }
    );
    for (why, names) in without {
        words.push_str(&format!(" No limit for {}: {why}.", names.join(", ")));
    }
    Some(UnitsNote { wanted, measured: measured.len(), content, confidence, limits, holds, words })
}

/// A unit's margin is the least of many lanes and conditions: by order where there are units enough (Wilks), else by a Gumbel
/// distribution of minima.
///
/// # Errors
/// Too few margins, or margins that are all the same.
pub fn limit_of(margins: &[f64], content: f64, confidence: f64) -> Result<f64, StatisticsError> {
    match wilks_order(margins.len() as u64, content, confidence)? {
        Some(order) => {
            let mut sorted = margins.to_vec();
            sorted.sort_by(f64::total_cmp);
            Ok(sorted[(order as usize - 1).min(sorted.len() - 1)])
        }
        None => lower_limit_of_minima(margins, content, confidence),
    }
}

/// The decision.
pub fn release(run: &JudgedRun, plan: &Plan, criteria: &AcceptanceCriteria, simulated: bool) -> Release {
    let verdicts = run.verdicts;
    let mut reasons = Vec::new();
    let sought = &run.audit.highest_rates;
    // Above the highest rate of a series conditions fail, and that is what was asked.
    let mut bad = match sought.is_empty() {
        true => verdicts.fail + verdicts.conditional_fail,
        false => sought.iter().filter(|one| one.passes() == Some(false)).count(),
    };
    let predicted = run.predicted;
    let note = run.audit.predictions.as_ref();
    let admitted = note.is_some_and(PredictionNote::counts);
    if admitted {
        bad += predicted.fail;
    }
    let mut say = |count: usize, one: &str, many: &str| {
        if count > 0 {
            reasons.push(format!("{} {}", counted(count, "condition"), if count == 1 { one } else { many }));
        }
    };
    if sought.is_empty() {
        say(verdicts.fail, "fails", "fail");
        say(verdicts.conditional_fail, "fails conditionally", "fail conditionally");
        say(verdicts.conditional_pass, "passes only conditionally", "pass only conditionally");
    }
    say(run.not_measured, "not measured", "not measured");
    say(run.not_needed, "not needed and not measured", "not needed and not measured");
    let counts = match note {
        Some(_) if admitted => "counts, as the plan says".to_string(),
        Some(note) if note.counts_for_release => {
            format!("outside the decision, since {}", note.floor_words())
        }
        _ => "outside the decision".to_string(),
    };
    for verdict in PredictedVerdict::ALL {
        let words = format!("not measured, {}: {counts}", verdict.words());
        say(predicted.of(verdict), &words, &words);
    }
    let perhaps = match note {
        Some(note) if admitted => note.perhaps_conditional,
        _ => 0,
    };
    let within = "of these may lie within the guard band: a measurement could pass only conditionally";
    say(perhaps, within, within);
    let undecided = "measured and undecided";
    say(run.undecided, undecided, undecided);
    let needs_hands = run.left_out.iter().filter(|left| left.needs_hands).count();
    let left_out = "of the matrix left out: needs hands";
    say(needs_hands, left_out, left_out);
    let doubtful = perhaps + if sought.is_empty() { verdicts.conditional_pass } else { 0 };
    let mut open: BTreeSet<Obstacle> = BTreeSet::new();
    let mut keep = |is_open: bool, obstacle: Obstacle| {
        if is_open {
            open.insert(obstacle);
        }
    };
    keep(run.jobs_done == 0, Obstacle::NothingMeasured);
    keep(run.not_measured + needs_hands > 0, Obstacle::NotMeasured);
    keep(run.undecided > 0, Obstacle::ConditionsUndecided);
    keep(predicted.total() > 0 && !admitted, Obstacle::Predicted);
    keep(doubtful > 0, Obstacle::Conditional);
    let not_judged = "measured but not judged: no limit applies, outside the decision";
    say(run.not_judged, not_judged, not_judged);
    let below = run.passes_read_below(true);
    if below.total() > 0 {
        reasons.push(format!(
            "{} where a lane read below its limit: judged is what the worst lane has over all starts, not the start measured",
            passes_in_words(below)
        ));
    }
    if !sought.is_empty() {
        reasons.push(sought_words(sought));
        let unknown = sought.iter().any(|one| one.passes().is_none() || one.reaches.is_none());
        keep(unknown, Obstacle::RatesUnknown);
    }
    if let Some(words) = run.outside_plan.words() {
        reasons.push(words);
        keep(true, Obstacle::NotReleasable);
    }
    if verdicts.total() == 0 {
        reasons.push("no condition within rating has a verdict".into());
        keep(true, Obstacle::NoVerdict);
    }
    let suspect: usize = run.audit.charts.iter().map(|chart| chart.suspect_jobs).max().unwrap_or(0);
    if suspect > 0 {
        let jobs = counted(suspect, "job");
        reasons.push(format!("suspect, because the reference condition left its control limits: {jobs}"));
        keep(true, Obstacle::NotReleasable);
    }
    match &run.audit.units {
        Some(units) if units.holds => {
            reasons.push(format!("the tolerance limit over units holds. {}", units.words));
        }
        Some(units) => {
            reasons.push(format!("the tolerance limit over units does not hold. {}", units.words));
            keep(true, Obstacle::NotReleasable);
        }
        None => reasons.push("relates to the items tested only: the plan states no number of units".into()),
    }
    for obstacle in obstacles(plan) {
        reasons.push(obstacle);
        keep(true, Obstacle::NotReleasable);
    }
    if simulated {
        reasons.push("simulated, not measured: a dry run releases nothing".into());
        keep(true, Obstacle::Simulated);
    }
    let beyond = run.conditions.iter().filter(|condition| condition.beyond_rating).count();
    if beyond > 0 && !criteria.decision.beyond_rating_counts {
        reasons.push(format!("{} beyond rating: informative, not counted", counted(beyond, "condition")));
    }
    let decision = match (bad > 0, !open.is_empty()) {
        (true, _) => ReleaseDecision::No,
        (false, true) => ReleaseDecision::Undecided,
        (false, false) => {
            let all = match (sought.is_empty(), predicted.total()) {
                (true, 0) => "every condition that counts was measured and passes under the rule".into(),
                (true, some) => format!(
                    "every condition that counts passes: {} measured, under the rule, and {some} predicted and not measured",
                    verdicts.total()
                ),
                (false, _) => "every series reaches the rate that is asked for under the rule".into(),
            };
            reasons.insert(0, all);
            ReleaseDecision::Yes
        }
    };
    let open = open.first().copied().filter(|_| decision == ReleaseDecision::Undecided);
    Release { decision, open, reasons }
}

/// What the highest rates say for the decision.
fn sought_words(sought: &[HighestRateNote]) -> String {
    let asked = sought.iter().any(|one| one.reaches.is_some());
    let (good, bad) = match asked {
        true => ("reach the rate asked for", "do not reach the rate asked for"),
        false => ("have a rate that passes", "have no rate that passes"),
    };
    let mut parts = Vec::new();
    for (answer, words) in [(Some(true), good), (Some(false), bad), (None, "are not known yet")] {
        match sought.iter().filter(|one| one.passes() == answer).count() {
            0 => {}
            count if count == sought.len() => parts.push(format!("all {count} series of rates {words}")),
            count => parts.push(format!("{count} of {} series of rates {words}", sought.len())),
        }
    }
    if !asked {
        parts.push("[highest_rate] asks for none (`at_least`), so that nothing is decided by it".into());
    }
    parts.join("; ")
}
