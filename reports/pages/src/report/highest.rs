//! The highest rate of each series: rows of setups, columns of temperatures.

use super::words::*;
use judge::judged::{HighestRateNote, JudgedRun};
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::BTreeMap;

/// The answer of one series.
#[derive(Debug, Serialize)]
pub(super) struct RateCell {
    pub class: &'static str,
    /// Glyph and rate, then what bounds it, a line each; empty where the plan has no such series.
    pub text: String,
}

#[derive(Debug, Serialize)]
pub(super) struct RateLine {
    pub name: String,
    pub rated: u32,
    pub cells: Vec<RateCell>,
}

#[derive(Debug, Serialize)]
pub(super) struct HighestView {
    pub temperatures: Vec<String>,
    pub rows: Vec<RateLine>,
    pub words: String,
}

/// Builds the table; `None` where every rate is measured.
pub(super) fn highest(run: &JudgedRun) -> Option<HighestView> {
    let notes = &run.audit.highest_rates;
    if notes.is_empty() {
        return None;
    }
    let mut factors: Vec<Factor> = varied(run);
    factors.retain(|factor| !matches!(factor, Factor::Rate | Factor::Temperature));
    for always in [Factor::Channel, Factor::Module] {
        if !factors.contains(&always) {
            factors.insert(0, always);
        }
    }
    factors.sort_unstable();
    let temperatures = levels(run, Factor::Temperature);
    let mut rows: BTreeMap<Vec<usize>, Vec<Option<&HighestRateNote>>> = BTreeMap::new();
    for note in notes {
        let key = factors.iter().map(|factor| note.condition.level(*factor)).collect();
        let row = rows.entry(key).or_insert_with(|| vec![None; temperatures]);
        if let Some(cell) = row.get_mut(note.condition.level(Factor::Temperature)) {
            *cell = Some(note);
        }
    }
    let line = |cells: Vec<Option<&HighestRateNote>>| {
        let first = cells.iter().flatten().next()?;
        Some(RateLine {
            name: describe(run, &first.condition, &factors),
            rated: first.rated_mts,
            cells: cells.into_iter().map(cell).collect(),
        })
    };
    let asked: usize = notes.iter().map(|note| note.asked).sum();
    let rates: usize = notes.iter().map(|note| note.rates).sum();
    let open = match rates.saturating_sub(asked + run.not_needed) {
        0 => String::new(),
        some => format!(" {} not known yet.", count(some, "condition is", "conditions are")),
    };
    let words = format!(
        "{asked} of {} measured; {} not needed, and nothing is inferred of what lies further out.{open}",
        count(rates, "condition", "conditions"),
        count(run.not_needed, "was", "were")
    );
    Some(HighestView {
        temperatures: (0..temperatures).map(|level| level_name(run, Factor::Temperature, level)).collect(),
        rows: rows.into_values().filter_map(line).collect(),
        words,
    })
}

fn cell(note: Option<&HighestRateNote>) -> RateCell {
    let Some(note) = note else { return RateCell { class: "vo", text: String::new() } };
    let class = match note.passes() {
        Some(true) => "vp",
        Some(false) => "vf",
        None => "vn",
    };
    let mut lines = vec![match (note.highest_mts, note.asked) {
        (Some(rate), _) => format!("{rate} passes"),
        (None, 0) => "not yet run".into(),
        (None, _) if !note.is_known() => "not known yet".into(),
        (None, _) => "none passes".into(),
    }];
    let list = |rates: &[u32]| rates.iter().map(u32::to_string).collect::<Vec<_>>().join(", ");
    if !note.doubtful_mts.is_empty() {
        lines.push(format!("in doubt: {}", list(&note.doubtful_mts)));
    }
    if !note.not_measured_mts.is_empty() {
        lines.push(format!("not measured: {}", list(&note.not_measured_mts)));
    }
    match note.fails_at_mts {
        Some(rate) => lines.push(format!("{rate} fails")),
        None if note.fastest_passes => lines.push("the fastest asked for".into()),
        None => {}
    }
    if let Some(bound) = note.holds_to_mts {
        lines.push(format!("margin to \u{2265} {}", plain(bound, 0)));
    }
    if note.asked > 0 && !note.finished {
        lines.push("not finished".into());
    }
    RateCell { class, text: lines.join("\n") }
}
