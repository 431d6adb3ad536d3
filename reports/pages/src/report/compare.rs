//! Eyes over each other: outlines of eyes that differ in the channel alone, and of the worst and the best.

use super::PageError;
use super::plot::{AREA, Path, Plot, Scale, Series, corners};
use super::rank;
use super::wanted::without_channel;
use super::words::*;
use judge::judged::{EyePicture, JudgedCondition, JudgedRun};
use plan::limits::Metric;
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::BTreeMap;

/// Comparisons listed on a page, and eyes in one of them.
const MOST_GROUPS: usize = 6;
const MOST_EYES: usize = 4;

/// A line of the numbers under an overlay.
#[derive(Debug, Serialize)]
pub(super) struct Line {
    pub slot: usize,
    pub anchor: String,
    pub name: String,
    pub verdict: String,
    pub class: &'static str,
    /// The judged metrics with their values.
    pub measured: String,
}

/// One outline of an overlay.
#[derive(Debug, Serialize)]
pub(super) struct Outline {
    pub path: String,
    pub transform: String,
    pub class: String,
}

/// Eyes over each other.
#[derive(Debug, Serialize)]
pub(super) struct Overlay {
    pub plot: Plot,
    pub outlines: Vec<Outline>,
    pub lines: Vec<Line>,
}

/// The comparisons a page lists by itself; worst first.
pub(super) fn overlays(
    run: &JudgedRun,
    pictures: &[(usize, EyePicture)],
    anchors: &[String],
    simulated: bool,
) -> Result<Vec<Overlay>, PageError> {
    let mut groups: BTreeMap<_, Vec<usize>> = BTreeMap::new();
    for (slot, (index, picture)) in pictures.iter().enumerate() {
        if let Some(judged) = run.conditions.get(*index) {
            let key = (without_channel(&judged.condition.levels), picture.eye);
            groups.entry(key).or_default().push(slot);
        }
    }
    let place: BTreeMap<usize, usize> =
        rank::worst_first(run).into_iter().enumerate().map(|(place, index)| (index, place)).collect();
    let condition = |slot: usize| pictures.get(slot).map_or(usize::MAX, |(index, _)| *index);
    let mut sets: Vec<(String, Vec<usize>)> = Vec::new();
    let slot_of = |wanted: usize| pictures.iter().position(|(index, _)| *index == wanted);
    let ends = (run.worst().and_then(slot_of), rank::best(run).and_then(slot_of));
    if let (Some(worst), Some(best)) = ends
        && worst != best
    {
        sets.push(("The worst and the best condition".into(), vec![best, worst]));
    }
    let mut pairs: Vec<(usize, Vec<usize>)> = Vec::new();
    for mut members in groups.into_values() {
        let channel = |slot: &usize| {
            run.conditions.get(condition(*slot)).map_or(0, |c| c.condition.level(Factor::Channel))
        };
        members.sort_by_key(channel);
        members.dedup_by_key(|slot| channel(slot));
        if members.len() > 1 {
            members.truncate(MOST_EYES);
            let worst = members.iter().filter_map(|slot| place.get(&condition(*slot))).min().copied();
            pairs.push((worst.unwrap_or(usize::MAX), members));
        }
    }
    pairs.sort();
    for (_, members) in pairs {
        let Some(first) = members.first().and_then(|slot| run.conditions.get(condition(*slot))) else {
            continue;
        };
        let factors: Vec<Factor> =
            varied(run).into_iter().filter(|factor| *factor != Factor::Channel).collect();
        let same = describe(run, &first.condition, &factors);
        sets.push((
            format!("Channels compared: {}", if same.is_empty() { &first.name } else { &same }),
            members,
        ));
    }
    sets.truncate(MOST_GROUPS);
    sets.into_iter().map(|(title, slots)| overlay(run, pictures, anchors, title, &slots, simulated)).collect()
}

fn overlay(
    run: &JudgedRun,
    pictures: &[(usize, EyePicture)],
    anchors: &[String],
    title: String,
    slots: &[usize],
    simulated: bool,
) -> Result<Overlay, PageError> {
    let chosen: Vec<(usize, &EyePicture)> = slots
        .iter()
        .filter_map(|slot| pictures.get(*slot))
        .map(|(index, picture)| (*index, picture))
        .collect();
    let mut reach = (0.0f64, 0.0f64);
    for (_, picture) in &chosen {
        let (across, up) = (picture.grid.tap_step.0, picture.grid.vref_step.0);
        let (tap, step) = (f64::from(picture.operating.tap), f64::from(picture.operating.vref));
        for (x, y) in corners(&picture.all_lanes_path) {
            reach = (reach.0.max(((x - tap) * across).abs()), reach.1.max(((y - step) * up).abs()));
        }
    }
    if reach.0 <= 0.0 || reach.1 <= 0.0 {
        // No outline in any of them: closed eyes are drawn as the bare axes.
        reach = (reach.0.max(10.0), reach.1.max(10.0));
    }
    let extent = [-1.12 * reach.0, 1.12 * reach.0, -1.12 * reach.1, 1.12 * reach.1];
    let x = Scale::new(extent[0], extent[1], AREA.left, AREA.right);
    let y = Scale::new(extent[2], extent[3], AREA.bottom, AREA.top);
    let words = "Outline common to all lanes, about each eye's own operating point (cross).".to_string();
    let mut plot = Plot::new(title, words, simulated);
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "from the operating point, ps".into();
    plot.y_label = "from the operating point, mV".into();
    let (mut outlines, mut lines) = (Vec::new(), Vec::new());
    for (slot, (index, picture)) in chosen.iter().enumerate() {
        let (tap, step) = (f64::from(picture.operating.tap), f64::from(picture.operating.vref));
        let (across, up) = (picture.grid.tap_step.0, picture.grid.vref_step.0);
        outlines.push(Outline {
            path: super::eyes::check_path(&picture.all_lanes_path, picture)?,
            transform: format!(
                "translate({:.2} {:.2}) scale({:.4} {:.4})",
                x.at(-tap * across),
                y.at(-step * up),
                x.unit() * across,
                y.unit() * up
            ),
            class: format!("line s{slot}"),
        });
        if let Some(judged) = run.conditions.get(*index) {
            lines.push(line(slot, judged, picture, anchors.get(*index).cloned().unwrap_or_default()));
        }
    }
    let mut cross = Path::default();
    let (cx, cy) = (x.at(0.0), y.at(0.0));
    cross.line(&[(cx - 6.0, cy), (cx + 6.0, cy)]);
    cross.line(&[(cx, cy - 6.0), (cx, cy + 6.0)]);
    plot.series.push(Series { path: cross.0, class: "cross".into() });
    Ok(Overlay { plot, outlines, lines })
}

fn line(slot: usize, judged: &JudgedCondition, picture: &EyePicture, anchor: String) -> Line {
    let of =
        |wanted: Metric| judged.metrics.iter().filter(move |m| m.eye == picture.eye && m.metric == wanted);
    let measured: Vec<String> = Metric::ALL
        .iter()
        .flat_map(|(_, metric)| of(*metric))
        .map(|m| {
            let bound = if m.at_least { "\u{2265} " } else { "" };
            format!("{} {bound}{}", m.metric.name(), with_unit(m.value, m.metric))
        })
        .collect();
    Line {
        slot,
        anchor,
        name: format!("{}, {}", judged.name, picture.eye),
        verdict: format!("{} {}", glyph(judged.verdict), verdict_words(judged)),
        class: class(judged.verdict),
        measured: match measured.is_empty() {
            true => "nothing judged".into(),
            false => measured.join(", "),
        },
    }
}
