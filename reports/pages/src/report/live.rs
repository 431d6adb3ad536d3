//! The live page: how far a run is, what it shows so far, and what the bench does. Written again and again while the run
//! goes on, and a last time when it ends.

use super::plot::{AREA, Path, Plot, SLOTS, Scale, range};
use super::words::*;
use super::{Options, PageError, eyes, matrix, predicted, render, style_of};
use crate::own::Own;
use judge::judged::{EyePicture, JudgedRun, PredictedVerdict, RunFacts, Verdict};
use serde::Serialize;
use std::collections::BTreeSet;

/// Conditions in the matrix of a page that is looked at in passing.
const MOST_CELLS: usize = 400;

/// A reading over time.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveLine {
    /// Sensor or rail.
    pub name: String,
    /// `degC` or `V`.
    pub unit: String,
    /// Bench hours and value, in order.
    pub points: Vec<(f64, f64)>,
    /// The lowest and the highest that is allowed, where known.
    pub limits: (Option<f64>, Option<f64>),
}

/// What is known of a run beside its judged results.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Live {
    /// When the page was written, UTC.
    pub written_utc: String,
    /// Seconds until the page is worth loading again; `None` once nothing more comes.
    pub refresh_s: Option<u64>,
    /// What goes on, in words.
    pub now: String,
    pub done: usize,
    pub planned: usize,
    /// P10, P50 and P90 of the end.
    pub finish: Option<[String; 3]>,
    /// What is still to come, in words.
    pub left: String,
    /// When hands are wanted next, and for what.
    pub hands: Option<(String, String)>,
    /// Latched alarms, and what could not be made safe.
    pub alarms: Vec<String>,
    /// The newest lines of the log, newest first: time and words.
    pub log: Vec<(String, String)>,
    pub lines: Vec<LiveLine>,
    /// The report is there to be read.
    pub reported: bool,
}

#[derive(Serialize)]
struct LivePage<'a> {
    facts: &'a RunFacts,
    mark: &'static str,
    own: Own,
    refresh_s: Option<u64>,
    written_utc: &'a str,
    now: &'a str,
    done: String,
    /// Share of the jobs done, percent.
    share: String,
    finish: &'a Option<[String; 3]>,
    left: &'a str,
    hands: &'a Option<(String, String)>,
    alarms: &'a [String],
    log: &'a [(String, String)],
    plots: Vec<Plot>,
    reported: bool,
    tiles: Vec<(&'static str, usize, String)>,
    matrix: matrix::MatrixView,
    eyes: eyes::EyesView,
}

/// Builds the page; `newest` is the newest eye with the index of its condition.
///
/// # Errors
/// [`PageError`]: a picture that does not fit.
pub fn build_live(
    run: &JudgedRun,
    facts: &RunFacts,
    live: &Live,
    newest: Option<(usize, EyePicture)>,
) -> Result<String, PageError> {
    let anchors = anchors(run);
    let pictures: Vec<(usize, EyePicture)> = newest.into_iter().collect();
    let options = Options { most_cells: MOST_CELLS, ..Options::default() };
    let links = matrix::Links { anchors: &anchors, shown: &BTreeSet::new() };
    let waiting =
        run.conditions.iter().filter(|one| one.verdict.is_none() && one.predicted.is_none()).count();
    let mut tiles: Vec<(&'static str, usize, String)> = Verdict::ALL
        .into_iter()
        .map(|verdict| {
            let words = format!("{} {}", glyph(Some(verdict)), verdict.words());
            (class(Some(verdict)), run.verdicts.of(verdict) + run.beyond_rating.of(verdict), words)
        })
        .collect();
    for verdict in PredictedVerdict::ALL.into_iter().filter(|_| predicted::has_some(run)) {
        let (glyph, class) = predicted_mark(verdict);
        let number = run.predicted.of(verdict) + run.predicted_beyond_rating.of(verdict);
        tiles.push((class, number, format!("{glyph} {}", predicted::tile_words(verdict))));
    }
    tiles.push((class(None), waiting, format!("{} no verdict yet", glyph(None))));
    let page = LivePage {
        facts,
        mark: if facts.simulated { SIMULATED } else { "" },
        own: Own::new(style_of(run), ""),
        refresh_s: live.refresh_s,
        written_utc: &live.written_utc,
        now: &live.now,
        done: format!("{} of {}", live.done, count(live.planned, "job", "jobs")),
        share: plain(100.0 * live.done as f64 / live.planned.max(1) as f64, 0),
        finish: &live.finish,
        left: &live.left,
        hands: &live.hands,
        alarms: &live.alarms,
        log: &live.log,
        plots: plots(&live.lines, facts.simulated),
        reported: live.reported,
        tiles,
        matrix: matrix::matrix(run, &links, &options),
        eyes: eyes::eyes(run, facts, &pictures, &anchors)?,
    };
    render("live.html", &page)
}

/// Temperatures in one plot, each rail in its own.
fn plots(lines: &[LiveLine], simulated: bool) -> Vec<Plot> {
    let (temperatures, rails): (Vec<&LiveLine>, Vec<&LiveLine>) =
        lines.iter().filter(|line| !line.points.is_empty()).partition(|line| line.unit == "degC");
    let mut plots = Vec::new();
    if !temperatures.is_empty() {
        plots.push(plot("Temperatures", "\u{b0}C", &temperatures, simulated));
    }
    plots.extend(rails.iter().map(|rail| plot(&rail.name, "V", &[*rail], simulated)));
    plots
}

fn plot(title: &str, unit: &str, lines: &[&LiveLine], simulated: bool) -> Plot {
    let points = || lines.iter().flat_map(|line| &line.points);
    let limits: Vec<f64> = lines.iter().flat_map(|line| [line.limits.0, line.limits.1]).flatten().collect();
    let (from, to) = range(points().map(|point| point.0), &[]);
    let (low, high) = range(points().map(|point| point.1), &limits);
    let (x, y) = (Scale::new(from, to, AREA.left, AREA.right), Scale::new(low, high, AREA.bottom, AREA.top));
    let mut plot = Plot::new(title.to_string(), String::new(), simulated);
    let mut across = Path::default();
    for limit in &limits {
        across.line(&[(AREA.left, y.at(*limit)), (AREA.right, y.at(*limit))]);
    }
    plot.draw(across, "limit");
    for (slot, line) in lines.iter().take(SLOTS).enumerate() {
        let mut path = Path::default();
        let drawn: Vec<(f64, f64)> =
            line.points.iter().map(|(hour, value)| (x.at(*hour), y.at(*value))).collect();
        path.line(&drawn);
        plot.draw(path, format!("line s{slot}"));
        plot.legend.push((slot, line.name.clone()));
    }
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "bench time, h".into();
    plot.y_label = unit.into();
    let newest: Vec<String> = lines
        .iter()
        .filter_map(|line| {
            line.points.last().map(|(_, value)| format!("{} {} {unit}", line.name, significant(*value)))
        })
        .collect();
    plot.words = format!(
        "Last read: {}.{}",
        newest.join(", "),
        if limits.is_empty() { "" } else { " Dashed: the limits." }
    );
    plot
}
