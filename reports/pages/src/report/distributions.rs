//! Distributions of margin: histogram, empirical distribution, normal probability plot and a box a factor level.

use super::lanes::capital;
use super::plot::{AREA, Path, Plot, Scale, range};
use super::words::*;
use judge::judged::{JudgedMetric, JudgedRun};
use nightbench_core::results::Direction;
use plan::limits::Metric;
use plan::matrix::Factor;
use statrs::distribution::{ContinuousCDF, Normal};

/// Below this many values every one is drawn.
const RAW_POINTS_BELOW: usize = 50;
/// Most boxes of one plot; a factor with more levels shows those with the lowest medians.
const MOST_BOXES: usize = 16;

/// The worst margin of one metric in one direction at every condition measured.
pub(super) struct Margins {
    pub metric: Metric,
    pub direction: Direction,
    /// Condition index and margin, ps or mV.
    pub values: Vec<(usize, f64)>,
    /// Smallest, median and largest guard band.
    pub guard: (f64, f64, f64),
    /// Values that are lower bounds.
    pub bounds: usize,
}

/// Margins of every judged metric in each direction, in the plan's order of metrics; what was never measured is absent.
pub(super) fn margins(run: &JudgedRun) -> Vec<Margins> {
    let each = |metric| Direction::ALL.map(|(_, direction)| margins_of(run, metric, direction));
    Metric::ALL.iter().flat_map(|(_, metric)| each(*metric)).flatten().collect()
}

fn margins_of(run: &JudgedRun, metric: Metric, direction: Direction) -> Option<Margins> {
    let (mut values, mut guards, mut bounds) = (Vec::new(), Vec::new(), 0);
    for (index, judged) in run.conditions.iter().enumerate() {
        let of =
            |m: &&JudgedMetric| m.metric == metric && m.eye.direction == direction && m.margin.is_finite();
        let worst = judged.metrics.iter().filter(of);
        if let Some(worst) = worst.min_by(|a, b| a.margin.total_cmp(&b.margin)) {
            values.push((index, worst.margin));
            guards.push(worst.guard_band);
            bounds += usize::from(worst.at_least);
        }
    }
    guards.sort_by(f64::total_cmp);
    let guard = (*guards.first()?, *guards.get(guards.len() / 2)?, *guards.last()?);
    Some(Margins { metric, direction, values, guard, bounds })
}

impl Margins {
    /// `Width margin, read`.
    pub fn title(&self) -> String {
        format!("{} margin, {}", capital(self.metric.name()), self.direction)
    }

    fn sorted(&self) -> Vec<f64> {
        let mut sorted: Vec<f64> = self.values.iter().map(|(_, value)| *value).collect();
        sorted.sort_by(f64::total_cmp);
        sorted
    }

    /// What the dashed line and the shaded band are, with n.
    pub fn words(&self) -> String {
        let unit = self.metric.base_unit();
        let (low, middle, high) = self.guard;
        let spread = if high - low > 0.05 {
            format!(" (between {} and {})", plain(low, 1), plain(high, 1))
        } else {
            String::new()
        };
        let bounds = match self.bounds {
            0 => String::new(),
            some => format!(" {some} of them are lower bounds."),
        };
        format!(
            "n = {}. Dashed: limit; shaded: guard band, median {} {unit}{spread}.{bounds}",
            count(self.values.len(), "condition", "conditions"),
            plain(middle, 1)
        )
    }
}

/// The plots of every metric: three views of the whole, then one plot of boxes a varied factor.
pub(super) fn plots(run: &JudgedRun, margins: &[Margins], simulated: bool) -> Vec<Plot> {
    let mut plots = Vec::new();
    for metric in margins {
        let sorted = metric.sorted();
        let unit = metric.metric.base_unit();
        let (low, high) = range(sorted.iter().copied(), &[0.0, -metric.guard.1, metric.guard.1]);
        let x = Scale::new(low, high, AREA.left, AREA.right);
        let named = |kind: &str| format!("{}: {kind}", metric.title());
        let start = |kind: &str| {
            let mut plot = Plot::new(named(kind), metric.words(), simulated);
            plot.x_label = format!("margin, {unit}");
            plot.x_ticks = x.ticks(6);
            plot.limit_across(x, metric.guard.1, AREA);
            plot
        };
        plots.push(histogram(start("histogram and empirical distribution"), &sorted, x));
        if let Some(plot) = probability_plot(start("normal probability plot"), &sorted, x) {
            plots.push(plot);
        }
        for factor in varied(run) {
            let mut plot = Plot::new(named(&format!("by {}", factor.name())), metric.words(), simulated);
            plot.x_label = format!("margin, {unit}");
            plot.x_ticks = x.ticks(6);
            boxes(&mut plot, run, metric, factor, x);
            plots.push(plot);
        }
    }
    plots
}

fn histogram(mut plot: Plot, sorted: &[f64], x: Scale) -> Plot {
    let n = sorted.len();
    let (Some(low), Some(high)) = (sorted.first(), sorted.last()) else { return plot };
    let bins = bins(sorted);
    let wide = ((high - low) / bins as f64).max(1e-9);
    let mut counts = vec![0usize; bins];
    for value in sorted {
        let bin = (((value - low) / wide) as usize).min(bins - 1);
        if let Some(slot) = counts.get_mut(bin) {
            *slot += 1;
        }
    }
    let most = counts.iter().copied().max().unwrap_or(1);
    let y = Scale::new(0.0, most as f64 * 1.08, AREA.bottom, AREA.top);
    let mut bars = Path::default();
    for (bin, many) in counts.iter().enumerate().filter(|(_, many)| **many > 0) {
        let (from, to) = (x.at(low + wide * bin as f64), x.at(low + wide * (bin + 1) as f64));
        let top = y.at(*many as f64);
        bars.rectangle(from, top, (to - from - 0.6).max(0.6), AREA.bottom - top);
    }
    plot.draw(bars, "bars");
    let share = Scale::new(0.0, 1.0, AREA.bottom, AREA.top);
    let mut steps = Path::default();
    // More steps than the drawing has columns would not be seen.
    let stride = n.div_ceil(300).max(1);
    let mut points = vec![(x.at(*low), share.at(0.0))];
    for (index, value) in sorted.iter().enumerate() {
        if index % stride == 0 || index + 1 == n {
            let before = points.last().map_or(AREA.bottom, |point| point.1);
            points.push((x.at(*value), before));
            points.push((x.at(*value), share.at((index + 1) as f64 / n as f64)));
        }
    }
    steps.line(&points);
    plot.draw(steps, "steps");
    if n < RAW_POINTS_BELOW {
        let mut dots = Path::default();
        for value in sorted {
            dots.dot(x.at(*value), AREA.bottom - 3.0);
        }
        plot.draw(dots, "dots");
    }
    plot.y_ticks = y.ticks(4).into_iter().filter(|tick| !tick.text.contains('.')).collect();
    plot.y_label = "conditions (bars)".into();
    plot.right_ticks = [0.0, 0.5, 1.0]
        .iter()
        .map(|at| super::plot::Tick { at: coordinate(share.at(*at)), text: format!("{} %", at * 100.0) })
        .collect();
    plot
}

/// Freedman and Diaconis' rule, at least 5 and at most 40 bins.
fn bins(sorted: &[f64]) -> usize {
    let n = sorted.len();
    let (Some(low), Some(high)) = (sorted.first(), sorted.last()) else { return 5 };
    let quartile = |p: f64| quantile(sorted, p);
    let wide = 2.0 * (quartile(0.75) - quartile(0.25)) / (n as f64).cbrt();
    if wide > 0.0 { (((high - low) / wide).ceil() as usize).clamp(5, 40) } else { 5 }
}

/// Linear interpolation of the order statistics (Hyndman and Fan 1996, type 7).
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let position = p * sorted.len().saturating_sub(1) as f64;
    let low = sorted.get(position.floor() as usize).copied().unwrap_or(0.0);
    let high = sorted.get(position.ceil() as usize).copied().unwrap_or(low);
    low + position.fract() * (high - low)
}

/// Plotting positions (i - 0.375) / (n + 0.25), after Blom; a straight line means a normal distribution.
fn probability_plot(mut plot: Plot, sorted: &[f64], x: Scale) -> Option<Plot> {
    let n = sorted.len();
    if n < 5 {
        return None;
    }
    let normal = Normal::standard();
    let score = |index: usize| normal.inverse_cdf((index as f64 + 0.625) / (n as f64 + 0.25));
    let limit = (-score(0)).max(2.0) * 1.06;
    let y = Scale::new(-limit, limit, AREA.bottom, AREA.top);
    let mean = sorted.iter().sum::<f64>() / n as f64;
    let squares: f64 = sorted.iter().map(|value| (value - mean).powi(2)).sum();
    let deviation = (squares / (n - 1) as f64).sqrt();
    let mut line = Path::default();
    if deviation > 0.0 {
        // The fitted normal distribution, drawn as far as the data's own axis allows.
        let at = |z: f64| (mean + z * deviation, z);
        let (from, to) = (sorted.first().copied().unwrap_or(mean), sorted.last().copied().unwrap_or(mean));
        let inside = |value: f64| ((value - mean) / deviation).clamp(-limit, limit);
        let (a, b) = (at(inside(from)), at(inside(to)));
        line.line(&[(x.at(a.0), y.at(a.1)), (x.at(b.0), y.at(b.1))]);
    }
    plot.draw(line, "fit");
    let mut dots = Path::default();
    let stride = n.div_ceil(400).max(1);
    for (index, value) in sorted.iter().enumerate() {
        // The tails are what is read: they keep every point.
        if index % stride == 0 || index < 50 || index + 50 >= n {
            dots.dot(x.at(*value), y.at(score(index)));
        }
    }
    plot.draw(dots, "dots");
    plot.y_ticks = y.ticks(5);
    plot.y_label = "normal score".into();
    plot.words = format!(
        "{} Points on a straight line would be normally distributed; the line has their mean {} and standard \
         deviation {}.",
        plot.words,
        plain(mean, 1),
        plain(deviation, 1)
    );
    Some(plot)
}

fn boxes(plot: &mut Plot, run: &JudgedRun, margins: &Margins, factor: Factor, x: Scale) {
    let mut groups: Vec<(String, Vec<f64>)> =
        (0..levels(run, factor)).map(|index| (level_name(run, factor, index), Vec::new())).collect();
    for (index, value) in &margins.values {
        let level = run.conditions.get(*index).map_or(usize::MAX, |judged| judged.condition.level(factor));
        if let Some((_, values)) = groups.get_mut(level) {
            values.push(*value);
        }
    }
    groups.retain(|(_, values)| !values.is_empty());
    groups.iter_mut().for_each(|(_, values)| values.sort_by(f64::total_cmp));
    if groups.len() > MOST_BOXES {
        let all = groups.len();
        groups.sort_by(|a, b| quantile(&a.1, 0.5).total_cmp(&quantile(&b.1, 0.5)));
        groups.truncate(MOST_BOXES);
        plot.words.push_str(&format!(" The {MOST_BOXES} levels with the lowest medians of {all}."));
    }
    // The name stands above its box, where it has the whole width.
    let pitch = 32.0;
    let area = plot.with_rows(groups.len(), pitch, AREA.left);
    let x = Scale::new(x.low(), x.high(), area.left, area.right);
    plot.x_ticks = x.ticks(5);
    plot.limit_across(x, margins.guard.1, area);
    let (mut outline, mut whiskers, mut medians, mut dots) =
        (Path::default(), Path::default(), Path::default(), Path::default());
    for (row, (name, values)) in groups.iter().enumerate() {
        let middle = area.top + (row as f64 + 0.5) * pitch + 5.0;
        let at = |p: f64| x.at(quantile(values, p));
        outline.rectangle(at(0.25), middle - 6.0, at(0.75) - at(0.25), 12.0);
        whiskers.line(&[(at(0.0), middle), (at(0.25), middle)]);
        whiskers.line(&[(at(0.75), middle), (at(1.0), middle)]);
        medians.line(&[(at(0.5), middle - 6.0), (at(0.5), middle + 6.0)]);
        if values.len() < RAW_POINTS_BELOW {
            values.iter().for_each(|value| dots.dot(x.at(*value), middle));
        }
        plot.labels.push(super::plot::Label {
            x: coordinate(area.left + 4.0),
            y: coordinate(middle - 9.0),
            text: format!("{} ({})", shorten(name, 48), values.len()),
            anchor: "start",
        });
    }
    plot.draw(outline, "box");
    plot.draw(whiskers, "whisker");
    plot.draw(dots, "small-dots");
    plot.draw(medians, "median");
    plot.words.push_str(
        " Box: quartiles and median; whiskers: smallest and largest; in brackets the number of conditions.",
    );
}

/// The first characters of a name, with an ellipsis where some are left out.
pub(super) fn shorten(name: &str, most: usize) -> String {
    if name.chars().count() <= most {
        return name.to_string();
    }
    let kept: String = name.chars().take(most.saturating_sub(1)).collect();
    format!("{}\u{2026}", kept.trim_end())
}
