//! The run along its hours: temperature set and achieved, change-overs, hands-on changes and faults, job by job.

use super::attachments;
use super::plot::{Area, Label, Path, Plot, Scale, range};
use super::words::*;
use judge::judged::{JudgedRun, RunFacts, TimelineStep};
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::BTreeSet;

const AREA: Area = Area { left: 48.0, top: 22.0, right: 848.0, bottom: 206.0 };
/// Strips below the temperatures: change-overs and jobs.
const CHANGE_OVERS: f64 = 214.0;
const JOBS: f64 = 222.0;

/// Something that happened once on the line.
#[derive(Debug, Serialize)]
pub(super) struct Moment {
    pub hour: String,
    pub what: String,
    pub link: String,
    /// Place of what the agent said about it.
    pub said: String,
}

/// The section.
#[derive(Debug, Serialize)]
pub(super) struct TimelineView {
    pub plot: Option<Plot>,
    pub words: Vec<String>,
    pub fittings: Vec<Moment>,
    pub fittings_note: String,
    pub faults: Vec<Moment>,
    pub faults_note: String,
}

/// Draws the time line; a run without jobs has no plot.
pub(super) fn timeline(
    run: &JudgedRun,
    facts: &RunFacts,
    shown: &BTreeSet<usize>,
    anchors: &[String],
    most: usize,
) -> TimelineView {
    let steps = &facts.timeline;
    let moment = |step: &TimelineStep, hour_h: f64, what: String| Moment {
        hour: plain(hour_h, 2),
        what,
        link: match shown.contains(&step.condition) {
            true => anchors.get(step.condition).cloned().unwrap_or_default(),
            false => String::new(),
        },
        said: attachments::link(facts, &step.key, most),
    };
    let name = |step: &TimelineStep| run.conditions.get(step.condition);
    let fitted: Vec<(&TimelineStep, f64)> =
        steps.iter().filter_map(|step| Some((step, step.hands?.hour_h))).collect();
    let faulty: Vec<&TimelineStep> = steps.iter().filter(|step| step.fault).collect();
    let setup = |step: &TimelineStep| {
        name(step).map_or_else(String::new, |judged| {
            let of = |factor| level(run, &judged.condition, factor);
            let chip = if levels(run, Factor::Chip) > 1 {
                format!("chip {}, ", of(Factor::Chip))
            } else {
                String::new()
            };
            format!("{chip}{}, {}", of(Factor::Module), of(Factor::Channel))
        })
    };
    let fault = |step: &TimelineStep| {
        name(step).map_or_else(String::new, |judged| {
            let job = judged.jobs.iter().find(|job| job.key == step.key);
            format!("{}: {}", judged.name, job.map_or("not measured", |job| job.trouble.as_str()))
        })
    };
    let left = |all: usize, what: &str| match all > most {
        true => format!("The first {most} {what} of {all} are listed."),
        false => String::new(),
    };
    TimelineView {
        plot: (!steps.is_empty()).then(|| plot(steps, facts.simulated)),
        words: words(steps, facts),
        fittings: fitted.iter().take(most).map(|(step, hour_h)| moment(step, *hour_h, setup(step))).collect(),
        fittings_note: left(fitted.len(), "hands-on changes"),
        faults: faulty.iter().take(most).map(|step| moment(step, step.begin_h, fault(step))).collect(),
        faults_note: left(faulty.len(), "faults"),
    }
}

/// A span of time; minutes below an hour.
fn long(hours: f64) -> String {
    if hours < 1.0 { format!("{} min", plain(60.0 * hours, 1)) } else { format!("{} h", plain(hours, 1)) }
}

/// What the line shows, in numbers.
fn words(steps: &[TimelineStep], facts: &RunFacts) -> Vec<String> {
    let Some(last) = steps.last() else { return Vec::new() };
    let sum = |hours: fn(&TimelineStep) -> f64| steps.iter().map(hours).sum::<f64>();
    let number = |kind: fn(&&TimelineStep) -> bool| steps.iter().filter(kind).count();
    let span_h = last.end_h - steps.first().map_or(0.0, |first| first.from_h);
    let (jobs_h, between_h) = (sum(|step| step.end_h - step.begin_h), sum(|step| step.begin_h - step.from_h));
    // Each run of given hours ends where hands are safe: what is no job and no change-over was its way there.
    let home_h = if facts.simulated { (facts.bench_hours - jobs_h - between_h).max(0.0) } else { 0.0 };
    let (whole_h, home) = match home_h > 0.01 {
        true => (jobs_h + between_h + home_h, format!(", {} of ways home", long(home_h))),
        false => (span_h, String::new()),
    };
    let mut words = vec![format!(
        "{} in {}: {} of jobs, {} of change-overs{home}; {}; {}.",
        count(steps.len(), "job", "jobs"),
        long(whole_h),
        long(jobs_h),
        long(between_h),
        count(number(|step| step.hands.is_some()), "hands-on change", "hands-on changes"),
        match number(|step| step.fault) {
            0 => "no fault".into(),
            faults => count(faults, "fault", "faults"),
        },
    )];
    let apart: Vec<f64> = steps.iter().filter_map(|step| Some(step.achieved_degc? - step.set_degc)).collect();
    if !apart.is_empty() {
        let (low, high) = apart.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
            (low.min(*value), high.max(*value))
        });
        words.push(format!(
            "Achieved temperature minus set temperature: mean {} K, from {} to {} K, n = {}.",
            signed(apart.iter().sum::<f64>() / apart.len() as f64, 2),
            signed(low, 2),
            signed(high, 2),
            apart.len()
        ));
    }
    if !facts.timeline_source.is_empty() {
        words.push(facts.timeline_source.clone());
    }
    words
}

fn plot(steps: &[TimelineStep], simulated: bool) -> Plot {
    let words = "Line: temperature set for the jobs, and the chamber's at hands-on changes where it is known. Dots: achieved. \
                 Dashed lines: hands-on changes. Crosses at the top: faults. Strips at the foot: change-overs above, \
                 jobs below.";
    let mut plot = Plot::new("Temperature over the run".into(), words.into(), simulated);
    (plot.width, plot.height) = (858.0, 262.0);
    (plot.left, plot.right, plot.top, plot.bottom) = (AREA.left, AREA.right, AREA.top, 228.0);
    let end = steps.iter().map(|step| step.end_h).fold(0.0, f64::max);
    let x = Scale::new(steps.first().map_or(0.0, |step| step.from_h), end, AREA.left, AREA.right);
    let at_hands = |step: &TimelineStep| step.hands.and_then(|hands| hands.chamber_degc);
    let temperatures =
        steps.iter().flat_map(|step| [Some(step.set_degc), step.achieved_degc, at_hands(step)]).flatten();
    let (low, high) = match range(temperatures.clone(), &[]) {
        (low, high) if high - low < 1.0 => (low - 5.0, high + 5.0),
        wide => wide,
    };
    let y = Scale::new(low, high, AREA.bottom, AREA.top + 8.0);
    let (mut set, mut dots, mut hands, mut faults) =
        (Path::default(), Path::default(), Path::default(), Path::default());
    let mut corners: Vec<(f64, f64)> = Vec::new();
    let mut seen: BTreeSet<(i64, i64)> = BTreeSet::new();
    for step in steps {
        let (from, to, level) = (x.at(step.begin_h), x.at(step.end_h), y.at(step.set_degc));
        if let Some(moment) = step.hands {
            let at = x.at(moment.hour_h);
            hands.line(&[(at, AREA.top), (at, AREA.bottom)]);
            match moment.chamber_degc {
                // A corner of its own: nobody reaches into a hot or cold chamber.
                Some(degc) => corners.extend([(at, y.at(degc)), (at, y.at(degc))]),
                // How the chamber got there is not known: the line is broken.
                None => {
                    set.line(&corners);
                    corners.clear();
                }
            }
        }
        match corners.last_mut() {
            // The same temperature goes on: the line is drawn longer instead of again.
            Some(last) if (last.1 - level).abs() < 1e-9 => last.0 = to,
            _ => corners.extend([(from, level), (to, level)]),
        }
        if let Some(achieved) = step.achieved_degc {
            let dot = ((from + to) / 2.0, y.at(achieved));
            // A dot on a dot is not seen.
            if seen.insert(((dot.0 * 2.0).round() as i64, (dot.1 * 2.0).round() as i64)) {
                dots.dot(dot.0, dot.1);
            }
        }
        if step.fault {
            faults.line(&[(from - 3.0, AREA.top), (from + 3.0, AREA.top + 6.0)]);
            faults.line(&[(from - 3.0, AREA.top + 6.0), (from + 3.0, AREA.top)]);
        }
    }
    set.line(&corners);
    plot.draw(hands, "hands");
    plot.draw(set, "fit");
    plot.draw(dots, "small-dots achieved");
    plot.draw(faults, "limit faults");
    plot.draw(strip(steps.iter().map(|step| (step.from_h, step.begin_h)), x, CHANGE_OVERS), "strip s1");
    plot.draw(strip(steps.iter().map(|step| (step.begin_h, step.end_h)), x, JOBS), "strip s0");
    plot.x_ticks = x.ticks(12);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "hours since the run began".into();
    plot.y_label = "temperature, \u{b0}C".into();
    plot.labels = [("change-overs", CHANGE_OVERS), ("jobs", JOBS)]
        .map(|(text, at)| Label {
            x: coordinate(AREA.left - 4.0),
            y: coordinate(at + 3.0),
            text: text.into(),
            anchor: "end",
        })
        .into();
    plot.labels.retain(|label| label.text == "jobs");
    plot
}

/// Stretches of time as thick lines; stretches that touch on the drawing are drawn as one.
fn strip(stretches: impl Iterator<Item = (f64, f64)>, x: Scale, at: f64) -> Path {
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for (from, to) in stretches.filter(|(from, to)| to > from) {
        let (from, to) = (x.at(from), x.at(to));
        match merged.last_mut() {
            Some(last) if from - last.1 < 0.3 => last.1 = to,
            _ => merged.push((from, to)),
        }
    }
    let mut path = Path::default();
    for (from, to) in merged {
        path.line(&[(from, at), (to.max(from + 0.3), at)]);
    }
    path
}
