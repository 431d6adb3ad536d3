//! Lanes: width and height of each lane as one strip an eye, and the weakest lanes over the whole run.

use super::plot::{AREA, Path, Plot, Scale, range};
use super::words::*;
use judge::judged::{JudgedCondition, JudgedRun, LaneValues};
use nightbench_core::results::EyeName;
use plan::limits::Metric;
use serde::Serialize;
use std::collections::BTreeMap;

const LEFT: f64 = 46.0;
const RIGHT: f64 = 314.0;
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
            words.push(format!("smallest {label} {} on lane {lane}", with_unit(value, metric)));
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

/// Lowest margin and median margin of every lane over all conditions, one plot a metric.
pub(super) fn overview(run: &JudgedRun, simulated: bool) -> Vec<Plot> {
    [Metric::Width, Metric::Height].into_iter().filter_map(|metric| weakest(run, metric, simulated)).collect()
}

fn weakest(run: &JudgedRun, metric: Metric, simulated: bool) -> Option<Plot> {
    let mut lanes: BTreeMap<u16, Vec<f64>> = BTreeMap::new();
    let mut eyes = 0;
    for judged in &run.conditions {
        for values in &judged.lanes {
            let judged_metric = judged.metrics.iter().find(|m| m.eye == values.eye && m.metric == metric);
            let Some(limit) = judged_metric.map(|m| m.limit) else { continue };
            let series = if metric == Metric::Width { &values.width_ps } else { &values.height_mv };
            eyes += 1;
            for (lane, value) in values.lanes.iter().zip(series).filter(|(_, value)| value.is_finite()) {
                lanes.entry(*lane).or_default().push(f64::from(*value) - limit);
            }
        }
    }
    let mut lowest = Vec::new();
    let mut median = Vec::new();
    for (lane, margins) in &mut lanes {
        margins.sort_by(f64::total_cmp);
        let (Some(low), Some(middle)) = (margins.first(), margins.get(margins.len() / 2)) else { continue };
        lowest.push((f64::from(*lane), *low));
        median.push((f64::from(*lane), *middle));
    }
    let (first, last) = (*lanes.keys().next()?, *lanes.keys().next_back()?);
    let weakest = lowest.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let (low, high) = range(lowest.iter().chain(&median).map(|(_, value)| *value), &[0.0]);
    let x = Scale::new(f64::from(first) - 1.0, f64::from(last) + 1.0, AREA.left, AREA.right);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    let unit = metric.base_unit();
    let mut plot = Plot::new(
        format!("{} margin by lane", capital(metric.name())),
        format!(
            "Bars reach down to the lowest margin of each lane over all conditions; the dots are medians. n = {eyes} \
             eyes. Weakest: lane {}, {} {unit}.",
            weakest.0,
            signed(weakest.1, 1)
        ),
        simulated,
    );
    plot.limit_along(y, 0.0, AREA);
    let (mut bars, mut dots) = (Path::default(), Path::default());
    for ((lane, low), (_, middle)) in lowest.iter().zip(&median) {
        bars.line(&[(x.at(*lane), y.at(*middle)), (x.at(*lane), y.at(*low))]);
        dots.dot(x.at(*lane), y.at(*middle));
    }
    plot.draw(bars, "range");
    plot.draw(dots, "dots");
    plot.x_ticks = x.ticks(8);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "lane (DQ)".into();
    plot.y_label = format!("margin, {unit}");
    Some(plot)
}

/// With a capital first letter.
pub(super) fn capital(text: &str) -> String {
    let mut characters = text.chars();
    characters.next().map_or_else(String::new, |first| first.to_uppercase().chain(characters).collect())
}
