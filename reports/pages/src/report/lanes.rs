//! Lanes: width and height of each lane as one strip an eye, and the weakest lanes over the whole run.

use super::plot::{AREA, Path, Plot, SLOTS, Scale, range};
use super::words::*;
use judge::judged::{JudgedCondition, JudgedRun, LaneValues};
use nightbench_core::results::EyeName;
use plan::limits::Metric;
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::BTreeMap;

const LEFT: f64 = 46.0;
const RIGHT: f64 = 304.0;
const STRIP: f64 = 34.0;

/// One strip: a bar a lane, those short of the limit in a path of their own.
#[derive(Debug, Serialize)]
pub(super) struct Strip {
    pub label: &'static str,
    pub y: String,
    pub top: String,
    pub most: String,
    pub enough: String,
    pub short: String,
    /// Height of the limit line; empty = not judged.
    pub limit: String,
}

/// The strips of one eye.
#[derive(Debug, Serialize)]
pub(super) struct Strips {
    pub words: String,
    pub strips: Vec<Strip>,
    pub first: u16,
    pub last: u16,
    pub left: String,
    pub right: String,
    /// Width of a bar.
    pub bar: String,
}

/// The strips of an eye, where its lanes were measured.
pub(super) fn strips(judged: &JudgedCondition, eye: EyeName) -> Option<Strips> {
    let values = judged.lanes.iter().find(|values| values.eye == eye)?;
    let (first, last) = (*values.lanes.iter().min()?, *values.lanes.iter().max()?);
    let x = Scale::new(f64::from(first) - 0.5, f64::from(last) + 0.5, LEFT, RIGHT);
    let mut strips = Vec::new();
    let mut words = Vec::new();
    for (label, metric, series) in metrics(values) {
        let limit = judged.metrics.iter().find(|m| m.eye == eye && m.metric == metric).map(|m| m.limit);
        let most = series
            .iter()
            .copied()
            .map(f64::from)
            .filter(|v| v.is_finite())
            .fold(limit.unwrap_or(0.0), f64::max);
        if most <= 0.0 {
            continue;
        }
        let base = 14.0 + (STRIP + 12.0) * strips.len() as f64 + STRIP;
        let y = Scale::new(0.0, most, base, base - STRIP);
        let (mut enough, mut short) = (Path::default(), Path::default());
        let mut lowest: Option<(f64, u16)> = None;
        for (lane, value) in values.lanes.iter().zip(series) {
            let value = f64::from(*value);
            if !value.is_finite() {
                continue;
            }
            if lowest.is_none_or(|(low, _)| value < low) {
                lowest = Some((value, *lane));
            }
            let path = if limit.is_some_and(|limit| value < limit) { &mut short } else { &mut enough };
            let at = x.at(f64::from(*lane));
            path.0.push_str(&format!(
                "M{} {}V{}",
                coordinate(at),
                coordinate(base),
                coordinate(y.held(value))
            ));
        }
        if let Some((value, lane)) = lowest {
            words.push(format!("lowest {label} of any lane: {} on lane {lane}", with_unit(value, metric)));
        }
        strips.push(Strip {
            label,
            y: coordinate(base),
            top: coordinate(base - STRIP),
            most: with_unit(most, metric),
            enough: enough.0,
            short: short.0,
            limit: limit.map(|limit| coordinate(y.held(limit))).unwrap_or_default(),
        });
    }
    if strips.is_empty() {
        return None;
    }
    Some(Strips {
        words: format!("{}: {}.", count(values.lanes.len(), "lane", "lanes"), words.join("; ")),
        strips,
        first,
        last,
        left: coordinate(LEFT),
        right: coordinate(RIGHT),
        bar: format!("{:.2}", (0.72 * x.unit()).min(10.0)),
    })
}

fn metrics(values: &LaneValues) -> [(&'static str, Metric, &[f32]); 2] {
    [("width", Metric::Width, &values.width_ps), ("height", Metric::Height, &values.height_mv)]
}

/// Plots of one page, at most: those with the lowest margins.
const MOST_PLOTS: usize = 12;

/// The lowest margin of every lane, as a share of its limit: one plot for each direction, rank and module, one line a rate.
pub(super) fn overview(run: &JudgedRun, simulated: bool) -> Vec<Plot> {
    // By eye and module, then rate: the lowest share of each lane.
    type Lines = BTreeMap<usize, BTreeMap<u16, f64>>;
    let mut plots: BTreeMap<(EyeName, usize), Lines> = BTreeMap::new();
    for judged in &run.conditions {
        for values in judged.lanes.iter().filter(|values| !values.margin_share.is_empty()) {
            let place = (values.eye, judged.condition.level(Factor::Module));
            let rates = plots.entry(place).or_default();
            let line = rates.entry(judged.condition.level(Factor::Rate)).or_default();
            for (lane, share) in values.lanes.iter().zip(&values.margin_share).filter(|(_, s)| s.is_finite())
            {
                let lowest = line.entry(*lane).or_insert(f64::INFINITY);
                *lowest = lowest.min(f64::from(*share));
            }
        }
    }
    let all = plots.len();
    let lowest =
        |lines: &Lines| lines.values().flat_map(|line| line.values().copied()).fold(f64::INFINITY, f64::min);
    let mut order: Vec<_> = plots.into_iter().collect();
    if all > MOST_PLOTS {
        order.sort_by(|a, b| lowest(&a.1).total_cmp(&lowest(&b.1)));
        order.truncate(MOST_PLOTS);
        order.sort_by_key(|(place, _)| *place);
    }
    let note = if all > MOST_PLOTS {
        format!(
            " The {MOST_PLOTS} of {all} combinations of direction, rank and module with the lowest margins are drawn."
        )
    } else {
        String::new()
    };
    order
        .iter()
        .filter_map(|((eye, module), lines)| by_rate(run, (*eye, *module), lines, &note, simulated))
        .collect()
}

fn by_rate(
    run: &JudgedRun,
    (eye, module): (EyeName, usize),
    lines: &BTreeMap<usize, BTreeMap<u16, f64>>,
    note: &str,
    simulated: bool,
) -> Option<Plot> {
    let points = || {
        let each = |(rate, line): (&usize, &BTreeMap<u16, f64>)| {
            line.iter().map(|(lane, share)| (*rate, *lane, *share)).collect::<Vec<_>>()
        };
        lines.iter().flat_map(each)
    };
    let (first, last) = (points().map(|p| p.1).min()?, points().map(|p| p.1).max()?);
    let (rate, lane, share) = points().min_by(|a, b| a.2.total_cmp(&b.2))?;
    let (low, high) = range(points().map(|p| 100.0 * p.2), &[0.0]);
    let x = Scale::new(f64::from(first) - 1.0, f64::from(last) + 1.0, AREA.left, AREA.right);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    let mut plot = Plot::new(
        format!(
            "{}, {}: lowest margin by lane",
            capital(&eye.to_string()),
            level_name(run, Factor::Module, module)
        ),
        format!(
            "Lowest over the judged metrics and everything varied but the rate. Weakest: lane {lane} at {}, {} % of its \
             limit. n = {}.{note}",
            level_name(run, Factor::Rate, rate),
            signed(100.0 * share, 0),
            count(points().count(), "lane at a rate", "lanes at a rate"),
        ),
        simulated,
    );
    let mut bytes = Path::default();
    for lane in (first..=last).filter(|lane| lane % 8 == 0 && *lane > first) {
        let at = x.at(f64::from(lane) - 0.5);
        bytes.line(&[(at, AREA.top), (at, AREA.bottom)]);
    }
    plot.draw(bytes, "grid");
    plot.limit_along(y, 0.0, AREA);
    for (rate, line) in lines {
        let slot = rate % SLOTS;
        let mut path = Path::default();
        let along: Vec<(f64, f64)> =
            line.iter().map(|(lane, share)| (x.at(f64::from(*lane)), y.at(100.0 * share))).collect();
        path.line(&along);
        plot.draw(path, format!("line s{slot}"));
        plot.legend.push((slot, level_name(run, Factor::Rate, *rate)));
    }
    plot.x_ticks = x.ticks(8);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "lane (DQ); fine lines part byte lanes".into();
    plot.y_label = "margin, % of the limit".into();
    Some(plot)
}

/// With a capital first letter.
pub(super) fn capital(text: &str) -> String {
    let mut characters = text.chars();
    characters.next().map_or_else(String::new, |first| first.to_uppercase().chain(characters).collect())
}
