//! Predicted verdicts: what stands beside the measured ones, how far it can be believed, and what cannot be seen.

use super::words::*;
use super::{Options, rank};
use judge::expected_in_words;
use judge::judged::{
    JudgedCondition, JudgedRun, Predicted, PredictedMargin, PredictedVerdict, PredictionNote,
};
use judge::prediction::Audits;
use serde::Serialize;
use std::collections::BTreeMap;

/// The style of predicted cells: printed on pages that have some.
pub(super) const STYLE: &str = include_str!("predicted.css");

/// Predicted conditions listed on paper.
const MOST_PRINTED: usize = 40;

/// What blocks said that were measured whatever the model expected.
#[derive(Debug, Serialize)]
pub(super) struct AuditRow {
    pub of: &'static str,
    pub blocks: usize,
    pub conditions: usize,
    pub wrong: String,
    pub expected: String,
    pub bound: String,
    pub held: String,
}

/// A predicted condition.
#[derive(Debug, Serialize)]
pub(super) struct PredictedRow {
    pub id: String,
    pub name: String,
    pub levels: String,
    pub class: &'static str,
    pub word: String,
    pub p_wrong: String,
    pub margin: String,
    pub interval: String,
    pub others: String,
    pub rests_on: String,
    pub rank: usize,
    pub order: usize,
    /// Listed on paper, too.
    pub printed: bool,
}

#[derive(Debug, Serialize)]
pub(super) struct PredictedView {
    /// In one sentence.
    pub sentence: String,
    pub facts: Vec<(&'static str, String)>,
    pub audits: Vec<AuditRow>,
    pub quarantined: Vec<String>,
    pub in_quarantine: String,
    /// What no prediction can see.
    pub unseen: String,
    pub rows: Vec<PredictedRow>,
    pub note: String,
    /// What the paper leaves out.
    pub paper: String,
}

/// Builds what is said of predictions; `None` where the plan asks for none.
pub(super) fn predicted(run: &JudgedRun, anchors: &[String], options: &Options) -> Option<PredictedView> {
    let note = run.audit.predictions.as_ref()?;
    let listed = listed(run, options);
    let all = run.conditions.iter().filter(|judged| judged.predicted.is_some()).count();
    let mut measured: BTreeMap<(u16, u16, u16), usize> = BTreeMap::new();
    for judged in run.conditions.iter().filter(|judged| judged.verdict.is_some()) {
        *measured.entry(judged.condition.setup()).or_default() += 1;
    }
    let rows = listed.iter().enumerate().filter_map(|(place, index)| {
        let judged = run.conditions.get(*index)?;
        let setup = judged.condition.setup();
        let rests_on = (measured.values().sum(), measured.get(&setup).copied().unwrap_or(0));
        Some(row(judged, judged.predicted.as_ref()?, (place, *index), rests_on, anchors))
    });
    Some(PredictedView {
        sentence: sentence(run, note),
        facts: facts(run, note),
        audits: [
            ("blocks drawn at random before the start", &note.drawn),
            ("these and the cover", &note.mandatory),
        ]
        .into_iter()
        .filter(|_| note.finished)
        .map(|(of, audits)| audit(of, audits))
        .collect(),
        quarantined: note.quarantined.clone(),
        in_quarantine: count(note.in_quarantine, "condition is", "conditions are"),
        unseen: unseen(note),
        rows: rows.collect(),
        paper: match listed.len() > MOST_PRINTED {
            true => format!(
                "On paper: the {MOST_PRINTED} most doubtful; every margin and interval stands in the matrix (section 2)."
            ),
            false => String::new(),
        },
        note: match listed.len() < all {
            true => format!(
                "The {} most doubtful of {all} predicted conditions are listed; the exports hold every one.",
                listed.len()
            ),
            false => String::new(),
        },
    })
}

/// Predicted conditions that get a row: the most doubtful ones up to the cap.
pub(super) fn listed(run: &JudgedRun, options: &Options) -> Vec<usize> {
    let mut order: Vec<(usize, f64)> = run
        .conditions
        .iter()
        .enumerate()
        .filter_map(|(index, judged)| Some((index, judged.predicted.as_ref()?.p_wrong)))
        .collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1));
    order.truncate(options.most_rows);
    order.into_iter().map(|(index, _)| index).collect()
}

fn sentence(run: &JudgedRun, note: &PredictionNote) -> String {
    if !note.finished {
        return "Nothing is predicted yet: what is measured is still being chosen.".into();
    }
    let all = run.predicted.total() + run.predicted_beyond_rating.total();
    let (pass, fail) = (
        run.predicted.pass + run.predicted_beyond_rating.pass,
        run.predicted.fail + run.predicted_beyond_rating.fail,
    );
    match all {
        0 if note.audits_everything => format!("No condition is predicted: {}.", note.nothing_left_words()),
        0 if run.not_measured == 0 => "No condition is predicted: each was measured.".into(),
        0 => "No condition is predicted.".into(),
        _ => format!(
            "{all} of {} not measured, and predicted from the others: {pass} predicted pass, {fail} predicted fail.",
            count(run.planned, "condition was", "conditions were"),
        ),
    }
}

fn facts(run: &JudgedRun, note: &PredictionNote) -> Vec<(&'static str, String)> {
    let mut facts = vec![(
        "Price",
        format!(
            "{} h of the bench for one wrong verdict: a condition was measured where the wrong verdicts expected without it are \
             worth more than its hours.",
            significant(note.price_hours)
        ),
    )];
    if !note.finished {
        return facts;
    }
    if let Some((whole, done)) = note.hours {
        // As both are printed.
        let tenths = |hours: f64| (10.0 * hours).round() / 10.0;
        let saved = tenths(whole) - tenths(done);
        let words = match saved > 0.0 {
            true => format!(
                "{} h of the bench in the order in which it was chosen; everything would have taken {} h by the forecast: {} h less ({:.0} %).",
                plain(done, 1),
                plain(whole, 1),
                plain(saved, 1),
                100.0 * saved / whole
            ),
            false => format!(
                "{} h of the bench in the order in which it was chosen; everything would have taken {} h by the forecast: nothing was saved.",
                plain(done, 1),
                plain(whole, 1)
            ),
        };
        facts.push(("Hours", words));
    }
    let bound = match note.drawn.bounds().or_else(|| note.mandatory.bounds()) {
        Some((conditions, blocks)) => format!(
            " The audits bound the share of wrong ones at {} of the conditions, taken one by one, and of the blocks with a wrong one at {} \
             (95 % confidence).",
            percent(conditions),
            percent(blocks)
        ),
        None => " No block was audited: nothing bounds it from outside the model.".into(),
    };
    facts.push((
        "Expected wrong",
        format!(
            "{} by the model's own account (the sum of their probabilities).{bound}",
            expected_in_words(note.sum_p_wrong)
        ),
    ));
    if !note.factors.is_empty() {
        let near = |of: &str| {
            let found = note.factors_near_limit.iter().find(|(known, _)| known == of);
            found.map_or_else(String::new, |(_, factor)| {
                format!(" (near the limit × {})", significant(*factor))
            })
        };
        let words: Vec<String> = note
            .factors
            .iter()
            .map(|(of, factor)| format!("{of} × {}{}", significant(*factor), near(of)))
            .collect();
        facts.push((
            "Widened",
            format!(
                "standard deviations by a factor, so that measured blocks lie within them: {}.",
                words.join(", ")
            ),
        ));
    }
    if note.undecidable > 0 {
        facts.push((
            "Undecidable",
            format!(
                "{} not predicted: a measurement would be undecided there, since the guard band of what was measured is wider than \
                 the limit itself.",
                count(note.undecidable, "condition is", "conditions are")
            ),
        ));
    }
    if note.perhaps_conditional > 0 {
        facts.push((
            "Guard band",
            format!(
                "{} of the predicted passes may lie within the guard band of measured margins: a measurement could give a conditional pass, \
                 and they count as no pass.",
                note.perhaps_conditional
            ),
        ));
    }
    facts.push((
        "Release",
        match (note.counts(), note.counts_for_release) {
            (true, _) => "predicted verdicts count for the decision and the exit code, as the plan says.".into(),
            (false, true) => format!(
                "the plan lets predicted verdicts count, and they do not: {}. The run is incomplete until they are measured.",
                note.floor_words()
            ),
            (false, false) => "predicted verdicts decide nothing: the run is incomplete until they are measured, or the plan admits them."
                .into(),
        },
    ));
    let beyond = run.predicted_beyond_rating.total();
    if beyond > 0 {
        facts.push(("Beyond rating", format!("{beyond} of the predicted conditions, which do not count.")));
    }
    facts
}

fn audit(of: &'static str, audits: &Audits) -> AuditRow {
    let share = |held: usize, all: usize| match all {
        0 => "none".into(),
        _ => format!("{held} of {all} ({:.0} %)", 100.0 * held as f64 / all as f64),
    };
    AuditRow {
        of,
        blocks: audits.blocks,
        conditions: audits.conditions,
        wrong: match audits.false_passes {
            0 => audits.wrong.to_string(),
            passes => format!("{} (of these predicted pass: {passes})", audits.wrong),
        },
        expected: expected_in_words(audits.expected_wrong),
        bound: audits.bounds().map_or_else(
            || "nothing with a value".into(),
            |(conditions, blocks)| format!("{}; {}", percent(conditions), percent(blocks)),
        ),
        held: match audits.near_margins {
            0 => share(audits.held, audits.margins),
            near => format!(
                "{}; near the limit {}",
                share(audits.held, audits.margins),
                share(audits.near_held, near)
            ),
        },
    }
}

fn unseen(note: &PredictionNote) -> String {
    let (setups, blocks) = note.unvisited;
    let mut words = String::from(
        "What cannot be seen: a fault of one setup, or of one condition, where nothing of it was measured; predictions of it rest on others \
         that do not have that fault.",
    );
    if blocks > 0 {
        words.push_str(&format!(
            " Not visited: {} (a setup at one temperature)",
            count(blocks, "block", "blocks")
        ));
        if setups > 0 {
            words.push_str(&format!(", among them {}", count(setups, "whole setup", "whole setups")));
        }
        words.push('.');
    }
    words
}

fn row(
    judged: &JudgedCondition,
    predicted: &Predicted,
    (rank, order): (usize, usize),
    rests_on: (usize, usize),
    anchors: &[String],
) -> PredictedRow {
    let (glyph, class) = predicted_mark(predicted.verdict);
    let deciding = predicted.worst();
    let others: Vec<String> = predicted
        .margins
        .iter()
        .filter(|one| deciding.is_none_or(|worst| worst.quantity != one.quantity))
        .map(|one| format!("{}: {}, {}", place(one), margin_of(one), interval(one)))
        .collect();
    let (all, own) = rests_on;
    PredictedRow {
        id: anchors.get(order).cloned().unwrap_or_default(),
        name: judged.name.clone(),
        levels: level_code(&judged.condition),
        class,
        word: format!("{glyph} {}", predicted.verdict.words()),
        p_wrong: percent(predicted.p_wrong),
        margin: deciding.map_or_else(String::new, |one| format!("{} ({})", margin_of(one), place(one))),
        interval: deciding.map_or_else(String::new, interval),
        others: others.join("; "),
        rests_on: format!(
            "{}, {own} of its own setup, and the channel model",
            count(all, "measured condition", "measured conditions")
        ),
        rank,
        order,
        printed: rank < MOST_PRINTED,
    }
}

fn place(margin: &PredictedMargin) -> String {
    format!("{}, {}", margin.quantity.metric.name(), margin.quantity.direction.name())
}

fn margin_of(margin: &PredictedMargin) -> String {
    format!("\u{2248} {} {}", signed(margin.margin, 1), margin.quantity.metric.base_unit())
}

/// `+8.0 to +16.5 ps`; open above where the model ends, and below down to a closed eye.
fn interval(margin: &PredictedMargin) -> String {
    let unit = margin.quantity.metric.base_unit();
    // No margin lies lower than that of a closed eye.
    let closed = margin.low <= -margin.limit;
    match (closed, margin.high) {
        (false, Some(high)) => format!("{} to {} {unit}", signed(margin.low, 1), signed(high, 1)),
        (false, None) => format!("above {} {unit}", signed(margin.low, 1)),
        (true, Some(high)) => format!("below {} {unit} (down to a closed eye)", signed(high, 1)),
        (true, None) => "any size (down to a closed eye)".into(),
    }
}

/// What a cell of the matrix says below the word.
pub(super) fn in_cell(predicted: &Predicted) -> String {
    let Some(worst) = predicted.worst() else { return String::new() };
    let of = format!("{} {}", worst.quantity.metric.name(), worst.quantity.direction.name());
    let share = signed(100.0 * worst.margin / worst.limit, 0);
    format!("{of} \u{2248} {share} %\n{}\n{}", margin_of(worst), interval(worst))
}

/// The words of a predicted condition's tile.
pub(super) fn tile_words(verdict: PredictedVerdict) -> String {
    format!("{}, not measured", verdict.words())
}

/// Are there predicted conditions on a page?
pub(super) fn has_some(run: &JudgedRun) -> bool {
    run.audit.predictions.is_some()
}

/// Worst first of what was measured; of what was predicted nothing.
pub(super) fn measured_first(run: &JudgedRun) -> Vec<usize> {
    let mut order = rank::worst_first(run);
    order.retain(|index| run.conditions.get(*index).is_some_and(|judged| judged.predicted.is_none()));
    order
}
