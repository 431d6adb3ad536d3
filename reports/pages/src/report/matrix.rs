//! The matrix of verdicts: two factors as rows, one as columns, the others as facets.

use super::words::*;
use super::{Options, predicted, rank};
use judge::judged::{JudgedCondition, JudgedRun};
use nightbench_core::condition::ConditionState;
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

#[derive(Debug, Serialize)]
pub(super) struct Cell {
    pub class: &'static str,
    /// Anchor to jump to; empty = none.
    pub link: String,
    /// Sign of the verdict; empty for a combination that is not run.
    pub glyph: &'static str,
    /// The verdict, or why there is none.
    pub word: String,
    /// How the eye is known, where it is no full eye.
    pub evidence: &'static str,
    /// The sign alone says it, where the page has no room: a verdict, or nothing yet.
    pub sign_alone: bool,
    /// Beyond the module's rating.
    pub beyond: bool,
    /// It passes though a lane read below its limit.
    pub read_below: bool,
    /// The plan leaves it out.
    pub skipped: bool,
    /// What decides and by how much, a line each.
    pub rest: String,
    /// Levels for the script's filter; empty for a combination that is not run.
    pub levels: String,
    /// The cell's own anchor, where nothing else on the page carries it.
    pub id: String,
}

/// A row header cell.
#[derive(Debug, Serialize)]
pub(super) struct Head {
    pub name: String,
    pub span: usize,
}

#[derive(Debug, Serialize)]
pub(super) struct Row {
    pub heads: Vec<Head>,
    pub cells: Vec<Cell>,
}

/// One table: the matrix at fixed levels of the other factors.
#[derive(Debug, Serialize)]
pub(super) struct Facet {
    pub caption: String,
    pub heads: Vec<String>,
    pub columns: Vec<String>,
    pub rows: Vec<Row>,
}

/// The whole matrix.
#[derive(Debug, Serialize)]
pub(super) struct MatrixView {
    pub facets: Vec<Facet>,
    pub factors: String,
    /// Single-level factors, printed once.
    pub fixed: String,
    pub left_out: String,
    pub beyond: bool,
    pub at_least: bool,
    /// A combination in it is left out by the plan.
    pub skips: bool,
    pub lone: bool,
    /// Conditions in it may be predicted.
    pub predicts: bool,
    /// Some pass though a lane read below its limit.
    pub read_below: bool,
}

/// What a cell links to, by condition index.
pub(super) struct Links<'a> {
    /// Anchor of each condition.
    pub anchors: &'a [String],
    /// Conditions with an eye card or a row on the page.
    pub shown: &'a BTreeSet<usize>,
}

/// Builds the matrix; facets beyond the cap are left out, the worst ones kept.
pub(super) fn matrix(run: &JudgedRun, links: &Links<'_>, options: &Options) -> MatrixView {
    let rows: Vec<Factor> = options.rows.iter().copied().filter(|f| *f != options.columns).collect();
    let others: Vec<Factor> = varied(run)
        .into_iter()
        .filter(|factor| !rows.contains(factor) && *factor != options.columns)
        .collect();
    let mut facets: BTreeMap<Vec<usize>, Vec<usize>> = BTreeMap::new();
    for (index, condition) in run.conditions.iter().enumerate() {
        let key = others.iter().map(|factor| condition.condition.level(*factor)).collect();
        facets.entry(key).or_default().push(index);
    }
    let left_out: BTreeSet<[u16; plan::matrix::FACTORS]> =
        run.left_out.iter().map(|left| left.condition.levels).collect();
    let (kept, note) = keep_worst(run, &facets, options.most_cells);
    let facets: Vec<Facet> = facets
        .iter()
        .filter(|(key, _)| kept.contains(*key))
        .map(|(_, members)| facet(run, members, &rows, &others, &left_out, links, options))
        .collect();
    let title = |factors: &[Factor]| factors.iter().map(|f| f.name()).collect::<Vec<_>>().join(" and ");
    let single: Vec<Factor> = Factor::ALL
        .iter()
        .map(|(_, factor)| *factor)
        .filter(|f| levels(run, *f) == 1 && !rows.contains(f) && *f != options.columns)
        .collect();
    MatrixView {
        skips: facets
            .iter()
            .flat_map(|facet| &facet.rows)
            .flat_map(|row| &row.cells)
            .any(|cell| cell.skipped),
        facets,
        factors: format!("Rows: {}; columns: {}.", title(&rows), options.columns.name()),
        fixed: single
            .iter()
            .map(|factor| format!("{} {}", factor.name(), level_name(run, *factor, 0)))
            .collect::<Vec<_>>()
            .join(", "),
        left_out: note,
        beyond: run.conditions.iter().any(|condition| condition.beyond_rating),
        at_least: run.conditions.iter().filter_map(JudgedCondition::worst).any(|worst| worst.at_least),
        lone: run.conditions.is_empty(),
        predicts: predicted::has_some(run),
        read_below: run.conditions.iter().any(|one| one.passes_read_below().is_some()),
    }
}

fn keep_worst(
    run: &JudgedRun,
    facets: &BTreeMap<Vec<usize>, Vec<usize>>,
    most: usize,
) -> (BTreeSet<Vec<usize>>, String) {
    if run.conditions.len() <= most {
        return (facets.keys().cloned().collect(), String::new());
    }
    let place: BTreeMap<usize, usize> =
        rank::worst_first(run).into_iter().enumerate().map(|(place, index)| (index, place)).collect();
    let worst = |members: &[usize]| members.iter().filter_map(|i| place.get(i)).min().copied();
    let mut order: Vec<(&Vec<usize>, &Vec<usize>)> = facets.iter().collect();
    order.sort_by_key(|(_, members)| worst(members));
    let (mut kept, mut cells) = (BTreeSet::new(), 0);
    for (key, members) in order {
        if !kept.is_empty() && cells + members.len() > most {
            break;
        }
        cells += members.len();
        kept.insert(key.clone());
    }
    let note = format!(
        "{} of {} tables are shown, those with the worst conditions; {} in the other tables are left out here \
         to keep the page usable. The exports hold every condition.",
        kept.len(),
        facets.len(),
        count(run.conditions.len() - cells, "condition", "conditions"),
    );
    (kept, note)
}

fn facet(
    run: &JudgedRun,
    members: &[usize],
    rows: &[Factor],
    others: &[Factor],
    left_out: &BTreeSet<[u16; plan::matrix::FACTORS]>,
    links: &Links<'_>,
    options: &Options,
) -> Facet {
    let mut table: BTreeMap<Vec<usize>, BTreeMap<usize, usize>> = BTreeMap::new();
    let mut columns = BTreeSet::new();
    for index in members {
        let Some(judged) = run.conditions.get(*index) else { continue };
        let row = rows.iter().map(|factor| judged.condition.level(*factor)).collect();
        let column = judged.condition.level(options.columns);
        columns.insert(column);
        table.entry(row).or_default().insert(column, *index);
    }
    let sample = members.first().and_then(|index| run.conditions.get(*index)).map(|judged| judged.condition);
    let caption = match sample {
        Some(condition) if !others.is_empty() => describe(run, &condition, others),
        _ => "All conditions".into(),
    };
    let mut spans: BTreeMap<usize, usize> = BTreeMap::new();
    for key in table.keys() {
        *spans.entry(key.first().copied().unwrap_or(0)).or_default() += 1;
    }
    let mut view = Vec::new();
    let mut last = None;
    for (key, cells) in &table {
        let mut heads = Vec::new();
        for (place, (factor, level)) in rows.iter().zip(key).enumerate() {
            let outer = place == 0 && rows.len() > 1;
            if outer && last == Some(*level) {
                continue;
            }
            let span = if outer { spans.get(level).copied().unwrap_or(1) } else { 1 };
            heads.push(Head { name: level_name(run, *factor, *level), span });
        }
        last = key.first().copied();
        let cells = columns
            .iter()
            .map(|column| {
                match cells.get(column).and_then(|index| Some((*index, run.conditions.get(*index)?))) {
                    Some((index, judged)) => measured_cell(index, judged, links),
                    None => {
                        let mut levels = sample.map(|condition| condition.levels).unwrap_or_default();
                        for (factor, level) in rows.iter().zip(key) {
                            levels[*factor as usize] = *level as u16;
                        }
                        levels[options.columns as usize] = *column as u16;
                        empty_cell(left_out.contains(&levels))
                    }
                }
            })
            .collect();
        view.push(Row { heads, cells });
    }
    Facet {
        caption,
        heads: rows.iter().map(|factor| factor.name().to_string()).collect(),
        columns: columns.iter().map(|level| level_name(run, options.columns, *level)).collect(),
        rows: view,
    }
}

fn measured_cell(index: usize, judged: &JudgedCondition, links: &Links<'_>) -> Cell {
    let word = match judged.verdict {
        Some(verdict) => short_words(verdict).to_string(),
        None => verdict_words(judged),
    };
    let read_below = judged.passes_read_below();
    let rest = match judged.worst() {
        Some(worst) => {
            let read = read_below.map_or_else(String::new, |below| {
                let off = below.worst_lane.as_read - below.limit;
                format!("\nas read {} {}", signed(off, 1), below.metric.base_unit())
            });
            format!("{}\n{}{read}", deciding(worst), margin(worst))
        }
        None if judged.verdict.is_some() => judged.reason().into_owned(),
        None => judged.predicted.as_ref().map_or_else(String::new, predicted::in_cell),
    };
    let (glyph, class) = mark_of(judged);
    let anchor = links.anchors.get(index).cloned().unwrap_or_default();
    let shown = links.shown.contains(&index);
    Cell {
        class,
        link: if shown { anchor.clone() } else { String::new() },
        glyph,
        word,
        evidence: if judged.verdict.is_some() { judged.evidence().beside().trim() } else { "" },
        sign_alone: judged.verdict.is_some()
            || matches!(judged.state, ConditionState::NotRun | ConditionState::Predicted),
        beyond: judged.beyond_rating,
        read_below: read_below.is_some(),
        skipped: false,
        rest,
        levels: level_code(&judged.condition),
        id: if shown { String::new() } else { anchor },
    }
}

fn empty_cell(left_out: bool) -> Cell {
    Cell {
        class: "vo",
        link: String::new(),
        glyph: if left_out { "\u{b7}" } else { "" },
        word: if left_out { "left out".into() } else { String::new() },
        evidence: "",
        sign_alone: true,
        beyond: false,
        read_below: false,
        skipped: left_out,
        rest: String::new(),
        levels: String::new(),
        id: String::new(),
    }
}
