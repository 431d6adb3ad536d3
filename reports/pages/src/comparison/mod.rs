//! The page of a comparison: one self-contained HTML file.

use crate::own::Own;
use crate::report::plot::{AREA, Plot, Scale, corners, range};
use crate::report::{STYLE, running_rules, value};
use judge::comparison::{Answer, ComparedCondition, Comparison, LaneChange, PooledChange};
use judge::judged::{EyePicture, RunFacts};
use minijinja::{Environment, UndefinedBehavior};
use nightbench_core::results::Identity;
use nightbench_core::text::counted;
use serde::Serialize;
use serde_json::json;

/// Rows listed, at most; the worst are kept.
const MOST_ROWS: usize = 500;
/// Conditions without a partner listed of each run, at most.
const MOST_ALONE: usize = 50;

/// Single lanes listed, at most.
const MOST_LANES: usize = 40;

/// One of the two runs, as the page names it.
#[derive(Debug, Clone)]
pub struct RunSide<'a> {
    pub facts: &'a RunFacts,
    /// Who answered.
    pub identities: &'a [Identity],
}

/// The eyes of one condition in both runs.
#[derive(Debug, Clone)]
pub struct EyePair {
    /// Condition.
    pub name: String,
    /// Before and after.
    pub pictures: (EyePicture, EyePicture),
    /// Limits that both are judged by, as closed outlines about the operating point, ps and mV.
    pub limits: Vec<Vec<(f64, f64)>>,
}

#[derive(Serialize)]
struct Build {
    title: String,
    report_id: String,
    simulated: bool,
    lines: Vec<String>,
}

#[derive(Serialize)]
struct Row {
    name: String,
    answer: &'static str,
    class: &'static str,
    metric: String,
    before: String,
    after: String,
    difference: String,
    interval: String,
    allowed: String,
    p: String,
    reason: String,
}

/// A lane, or a mean over lanes.
#[derive(Serialize)]
struct LaneRow {
    lane: String,
    answer: &'static str,
    class: &'static str,
    metric: String,
    conditions: usize,
    difference: String,
    interval: String,
    allowed: String,
}

/// Conditions of one run without a partner in the other.
#[derive(Serialize)]
struct Alone {
    run: &'static str,
    words: String,
    names: Vec<String>,
    more: usize,
}

#[derive(Serialize)]
struct Overlay {
    plot: Plot,
    /// The limits, and the operating point.
    limits: String,
    point: (String, String),
    before: Outline,
    after: Outline,
}

#[derive(Serialize)]
struct Outline {
    path: String,
    transform: String,
}

/// Builds the page. `words` are remarks on how the runs were brought together.
///
/// # Errors
/// The template engine's words.
pub fn build(
    comparison: &Comparison,
    before: &RunSide<'_>,
    after: &RunSide<'_>,
    eyes: &[EyePair],
    words: &[String],
) -> Result<String, String> {
    let fault = |error: minijinja::Error| format!("{error:#}");
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.add_template("compare.html", include_str!("compare.html")).map_err(fault)?;
    environment.add_template("macros.html", include_str!("../report/macros.html")).map_err(fault)?;
    let simulated = before.facts.simulated || after.facts.simulated;
    let running =
        running_rules(&format!("{} against {}", after.facts.report_id, before.facts.report_id), simulated);
    let page = json!({
        "mark": if simulated { "SIMULATED - not measured" } else { "" },
        "own": Own::new([STYLE, include_str!("style.css"), &running].concat(), ""),
        "builds": [build_of(before), build_of(after)],
        "worse": comparison.count(Answer::Worse),
        "undecided": comparison.count(Answer::Undecided),
        "not_worse": comparison.count(Answer::NotWorse),
        "alone": [
            alone("Baseline", "of the baseline", &comparison.unmatched.0),
            alone("Run", "of the run", &comparison.unmatched.1),
        ],
        "demands": comparison.demands,
        "rows": comparison.conditions.iter().take(MOST_ROWS).map(row).collect::<Vec<_>>(),
        "left_out": comparison.conditions.len().saturating_sub(MOST_ROWS),
        "lanes_words": lanes_words(comparison),
        "lane_rows": comparison.by_lanes.changes.iter().take(MOST_LANES).map(lane_row).collect::<Vec<_>>(),
        "pooled": comparison.by_lanes.pooled.iter().take(MOST_ROWS).map(pooled_row).collect::<Vec<_>>(),
        "training": comparison.training,
        "rates": [comparison.failure_rates.0.words(), comparison.failure_rates.1.words()],
        "rise_p": comparison.failure_rise_p.map(|p| format!("{p:.4}")),
        "overlays": eyes.iter().map(|pair| overlay(pair, simulated)).collect::<Vec<_>>(),
        "words": words,
    });
    environment.get_template("compare.html").and_then(|template| template.render(value(page))).map_err(fault)
}

fn build_of(side: &RunSide<'_>) -> Build {
    let mut lines: Vec<String> = side
        .identities
        .iter()
        .map(|identity| {
            format!(
                "chip {}, firmware {} ({}), settings {}, {}",
                identity.chip_serial,
                identity.firmware_build,
                identity.firmware_hash.chars().take(12).collect::<String>(),
                identity.settings_hash.chars().take(12).collect::<String>(),
                identity.agent_version
            )
        })
        .collect();
    if lines.is_empty() {
        lines.push("no device has answered".into());
    }
    Build {
        title: side.facts.title.clone(),
        report_id: side.facts.report_id.clone(),
        simulated: side.facts.simulated,
        lines,
    }
}

fn alone(run: &'static str, of_run: &str, names: &[String]) -> Alone {
    let has = if names.len() == 1 { "has" } else { "have" };
    Alone {
        run,
        words: format!("{} {of_run} {has} no partner", counted(names.len(), "condition")),
        names: names.iter().take(MOST_ALONE).cloned().collect(),
        more: names.len().saturating_sub(MOST_ALONE),
    }
}

/// What is shown of single lanes, and what would decide the rest, in words.
fn lanes_words(comparison: &Comparison) -> String {
    let by_lanes = &comparison.by_lanes;
    let mut words = if by_lanes.none_is_worse() {
        format!(
            "No lane lost more than allowed: shown of each of {}, each metric by itself.",
            counted(by_lanes.lanes, "lane")
        )
    } else {
        format!(
            "Of {} (over all conditions, each metric by itself): {} worse, {} shown not to be; {} undecided, which the \
             command's exit code does not tell.",
            counted(by_lanes.lanes, "lane"),
            by_lanes.worse,
            by_lanes.not_worse,
            by_lanes.lanes.saturating_sub(by_lanes.worse + by_lanes.not_worse)
        )
    };
    if let Some(jobs) = comparison.jobs_to_decide {
        words.push_str(&format!(
            " About {jobs} jobs of each condition in both runs, each in a mounting of its own, would decide half of what \
             is undecided."
        ));
    }
    words
}

fn class_of(answer: Answer) -> &'static str {
    match answer {
        Answer::Worse => "vf",
        Answer::Undecided => "vn",
        Answer::NotWorse => "vp",
    }
}

fn lane_row(change: &LaneChange) -> LaneRow {
    LaneRow {
        lane: format!("lane {}, {}", change.lane, change.setup),
        answer: change.answer.words(),
        class: class_of(change.answer),
        metric: format!("{}, {}, {}", change.metric.name(), change.metric.base_unit(), change.eye),
        conditions: change.conditions,
        difference: format!("{:+.1}", change.difference),
        interval: format!("{:+.1} to {:+.1}", change.interval.0, change.interval.1),
        allowed: format!("{:.1}", change.allowed),
    }
}

fn pooled_row(change: &PooledChange) -> LaneRow {
    LaneRow {
        lane: change.of.clone(),
        answer: "",
        class: "",
        metric: format!("{} {}, {}", change.direction, change.metric.name(), change.metric.base_unit()),
        conditions: change.conditions,
        difference: format!("{:+.1}", change.difference),
        interval: format!("{:+.1} to {:+.1}", change.interval.0, change.interval.1),
        allowed: format!("{:.3}", change.p),
    }
}

fn row(condition: &ComparedCondition) -> Row {
    let class = class_of(condition.answer);
    let with = |f: &dyn Fn(&judge::comparison::MetricChange) -> String| {
        condition.worst.as_ref().map(f).unwrap_or_default()
    };
    Row {
        name: condition.name.clone(),
        answer: condition.answer.words(),
        class,
        metric: with(&|worst| {
            let (old, new) = worst.lanes;
            let lanes = match worst.mean_of {
                0 if old == new => format!("lane {old}"),
                0 => format!("lanes {old}, {new}"),
                lanes => format!("mean of {}", counted(lanes, "lane")),
            };
            format!("{}, {}, {} ({lanes})", worst.metric.name(), worst.metric.base_unit(), worst.eye)
        }),
        before: with(&|worst| format!("{:+.1}", worst.margins.0)),
        after: with(&|worst| format!("{:+.1}", worst.margins.1)),
        difference: with(&|worst| format!("{:+.1}", worst.difference)),
        interval: with(&|worst| format!("{:+.1} to {:+.1}", worst.interval.0, worst.interval.1)),
        allowed: with(&|worst| format!("{:.1}", worst.allowed)),
        p: condition.adjusted_p.map_or_else(String::new, |(worse, not)| format!("{worse:.3} / {not:.3}")),
        reason: condition.reason.clone(),
    }
}

fn overlay(pair: &EyePair, simulated: bool) -> Overlay {
    let (old, new) = &pair.pictures;
    // Both about their own operating point, on one scale that holds both eyes and the limits.
    let about = |picture: &EyePicture| {
        let (across, up) = (picture.grid.tap_step.0, picture.grid.vref_step.0);
        let (tap, step) = (f64::from(picture.operating.tap), f64::from(picture.operating.vref));
        let place = move |(x, y): (f64, f64)| ((x - tap) * across, (y - step) * up);
        corners(&picture.all_lanes_path).into_iter().map(place).collect::<Vec<_>>()
    };
    let places: Vec<(f64, f64)> =
        [about(old), about(new)].into_iter().flatten().chain(pair.limits.iter().flatten().copied()).collect();
    let (left, right) = range(places.iter().map(|place| place.0), &[-10.0, 10.0]);
    let (low, high) = range(places.iter().map(|place| place.1), &[-10.0, 10.0]);
    let x = Scale::new(left, right, AREA.left, AREA.right);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    let mut plot = Plot::new(
        pair.name.clone(),
        format!(
            "{}: outline common to all lanes about each run's own operating point (cross). Dashed: baseline; full: run{}.",
            old.eye,
            if pair.limits.is_empty() { "" } else { "; dotted: the baseline's limits" }
        ),
        simulated,
    );
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "from the operating point, ps".into();
    plot.y_label = "from the operating point, mV".into();
    let outline = |picture: &EyePicture| {
        let (across, up) = (x.unit() * picture.grid.tap_step.0, y.unit() * picture.grid.vref_step.0);
        let (tap, vref) = (f64::from(picture.operating.tap), f64::from(picture.operating.vref));
        Outline {
            path: picture.all_lanes_path.clone(),
            transform: format!(
                "matrix({across:.5} 0 0 {up:.5} {:.3} {:.3})",
                x.at(0.0) - tap * across,
                y.at(0.0) - vref * up
            ),
        }
    };
    let mut limits = String::new();
    for shape in &pair.limits {
        for (place, (ps, mv)) in shape.iter().enumerate() {
            let command = if place == 0 { 'M' } else { 'L' };
            limits.push_str(&format!("{command}{:.1} {:.1}", x.at(*ps), y.at(*mv)));
        }
        limits.push('z');
    }
    Overlay {
        limits,
        point: (format!("{:.1}", x.at(0.0)), format!("{:.1}", y.at(0.0))),
        before: outline(old),
        after: outline(new),
        plot,
    }
}

#[cfg(test)]
mod tests;
