//! Predicted verdicts: what stands beside the measured ones, how far it can be believed, and what cannot be seen.

use super::words::*;
use super::{Options, rank};
use judge::judged::{
    JudgedCondition, JudgedRun, Predicted, PredictedMargin, PredictedVerdict, PredictionNote,
};
use judge::prediction::{Audits, NEAR_LIMIT};
use judge::{expected_in_words, expected_number};
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
    /// Measured conditions of its own setup.
    pub of_setup: usize,
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
    /// What "near the limit" is.
    pub near: String,
    /// What no prediction can see.
    pub unseen: String,
    pub rows: Vec<PredictedRow>,
    /// What every one of them rests on.
    pub rests_on: String,
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
        let own = measured.get(&setup).copied().unwrap_or(0);
        Some(row(judged, judged.predicted.as_ref()?, (place, *index), own, anchors))
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
        near: format!("near the limit: predicted less than {:.0} % of it away", 100.0 * NEAR_LIMIT),
        unseen: unseen(note),
        rows: rows.collect(),
        rests_on: format!(
            "Each rests on the channel model and {}.",
            count(measured.values().sum(), "measured condition", "measured conditions")
        ),
        paper: match listed.len() > MOST_PRINTED {
            true => format!(
                "On paper: the {MOST_PRINTED} most doubtful; every interval stands in the matrix (section 2)."
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
    let mut facts = vec![("Price", price(run, note))];
    if !note.finished {
        return facts;
    }
    if let Some((whole, done)) = note.hours {
        let words = match saved(note) {
            Some(saved) => format!(
                "{} h of the bench in the order in which it was chosen; everything would have taken {} h by the forecast: {} h less ({:.0} %).",
                plain(done, 1),
                plain(whole, 1),
                plain(saved, 1),
                100.0 * saved / whole
            ),
            None => format!(
                "{} h of the bench in the order in which it was chosen; everything would have taken {} h by the forecast: nothing was saved.",
                plain(done, 1),
                plain(whole, 1)
            ),
        };
        facts.push(("Hours", words));
    }
    facts.extend(wrong(run, note));
    if !note.factors.is_empty() {
        let near = |of: &str| {
            let found = note.factors_near_limit.iter().find(|(known, _)| known == of);
            found.map_or_else(String::new, |(_, factor)| {
                format!(" (near the limit: × {})", significant(*factor))
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

/// What the price had measured and what it left, with numbers.
fn price(run: &JudgedRun, note: &PredictionNote) -> String {
    let price = significant(note.price_hours);
    let rule = format!(
        "{price} h of the bench for one wrong pass, a third of that for one wrong fail: a condition was measured where the wrong verdicts \
         that this prevents are worth more than its hours."
    );
    let left = predicted_in(run).count();
    if !note.finished || left == 0 {
        return rule;
    }
    let (fixed, chosen) = note.measured;
    let hours = saved(note).map_or_else(String::new, |hours| {
        format!("; by the forecast they would have taken {} h", plain(hours, 1))
    });
    format!(
        "{rule} Measured: {}, {fixed} of them cover and audits whatever the price, {chosen} for their doubt or by name. Left to be predicted: {left}, which are \
         worth {} h at this price ({price} h, or a third of it, times the probability of being wrong, less what a measurement would leave){hours}.",
        count(fixed + chosen, "condition", "conditions"),
        hours_of(note.left_worth_hours),
    )
}

/// Hours that everything would have taken beyond those of the run, as both are printed; `None` where nothing was saved.
fn saved(note: &PredictionNote) -> Option<f64> {
    let tenths = |hours: f64| (10.0 * hours).round() / 10.0;
    let (whole, done) = note.hours?;
    Some(tenths(whole) - tenths(done)).filter(|hours| *hours > 0.0)
}

fn hours_of(hours: f64) -> String {
    if hours < 0.01 { "less than 0.01".into() } else { plain(hours, 2) }
}

fn predicted_in(run: &JudgedRun) -> impl Iterator<Item = &Predicted> {
    run.conditions.iter().filter_map(|judged| judged.predicted.as_ref())
}

/// The three probabilities of being wrong in one place, each with what it is of, and one statement of them.
fn wrong(run: &JudgedRun, note: &PredictionNote) -> Vec<(&'static str, String)> {
    let Some(most) = predicted_in(run).map(|one| one.p_wrong).reduce(f64::max) else { return Vec::new() };
    let all = predicted_in(run).count();
    let expected = expected_number(note.sum_p_wrong);
    let one = format!(
        "its own probability stands beside each in section 9; the largest is {} (the model's own account).",
        percent(most)
    );
    let sum = format!(
        "of {all}, {expected} expected to be wrong: the sum of those probabilities (the model's own account). Of two measurements of each, \
         {} would contradict each other.",
        expected_number(note.sum_p_contradicted)
    );
    let audited = [("drawn at random", &note.drawn), ("of the cover, none drawn at random", &note.mandatory)];
    let audited = audited.into_iter().find_map(|(which, audits)| Some((which, audits, audits.bounds()?)));
    let (bound, of_audits) = match audited {
        Some((which, audits, (share, blocks))) => (
            format!(
                "a share of at most {} of them (about {:.0} of {all}) is wrong, with 95 % confidence and whatever the model says: of {} in blocks \
                 {which}, predicted from the rest and measured, {} were wrong ({} expected by the model). That takes conditions one by one; of blocks at most {} have a wrong \
                 one.",
                percent(share),
                share * all as f64,
                count(audits.conditions, "condition", "conditions"),
                if audits.wrong == 0 { "none".to_string() } else { audits.wrong.to_string() },
                expected_number(audits.expected_wrong),
                percent(blocks)
            ),
            format!("the audits exclude a share of more than {} (95 % confidence)", percent(share)),
        ),
        None => (
            "none: no block was audited, and nothing bounds them from outside the model.".into(),
            "no audit bounds how many are".into(),
        ),
    };
    vec![
        ("One wrong", one),
        ("All together", sum),
        ("Bound by audits", bound),
        (
            "In a sentence",
            format!(
                "of {all} predicted verdicts the model expects {expected} to be wrong; {of_audits}; faults as below are not seen."
            ),
        ),
    ]
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
    own: usize,
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
        of_setup: own,
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
    between(margin, unit, |value| signed(value, 1))
        + if is_closed(margin) { " (down to a closed eye)" } else { "" }
}

/// Does the interval reach down to a closed eye? No margin lies lower than that.
fn is_closed(margin: &PredictedMargin) -> bool {
    margin.low <= -margin.limit
}

fn between(margin: &PredictedMargin, unit: &str, write: impl Fn(f64) -> String) -> String {
    match (is_closed(margin), margin.high) {
        (false, Some(high)) => format!("{} to {} {unit}", write(margin.low), write(high)),
        (false, None) => format!("above {} {unit}", write(margin.low)),
        (true, Some(high)) => format!("below {} {unit}", write(high)),
        (true, None) => "any size".into(),
    }
}

/// What a cell of the matrix says below the word: the interval alone, since its middle would read like a measured margin.
pub(super) fn in_cell(predicted: &Predicted) -> String {
    let Some(worst) = predicted.worst() else { return String::new() };
    let of = format!("{} {}", worst.quantity.metric.name(), worst.quantity.direction.name());
    let share = between(worst, "% of limit", |value| signed(100.0 * value / worst.limit, 0));
    match (is_closed(worst), worst.high) {
        (true, None) => format!("{of} {}", interval(worst)),
        _ => format!("{of} {share}\n{}", interval(worst)),
    }
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
