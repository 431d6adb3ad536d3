//! The report page: one self-contained HTML file, a pure function of the judged run and its facts.
//!
//! Invariant: no clock, no random number, no unordered map; the same data gives the same bytes. Every text of a plan
//! or a device reaches the page through the templates' HTML escaping; only the page's own style sheet and script are
//! inserted as they are.

mod attachments;
mod compare;
mod details;
mod distributions;
mod drift;
mod eyes;
mod highest;
mod job;
mod lane_map;
mod lanes;
mod legend;
mod live;
mod matrix;
mod notes;
mod own_budget;
mod picture;
pub(crate) mod plot;
mod predicted;
mod rank;
mod reading;
mod rests_on;
mod room;
mod served;
mod summary;
mod tables;
mod timeline;
mod trends;
mod verdicts;
mod wanted;
mod why;
mod words;

#[cfg(test)]
pub(crate) mod predicted_tests;
#[cfg(test)]
pub(crate) mod tests;

pub use eyes::limits_of;
pub use job::{JobEye, build_job};
pub use live::{Live, LiveLine, build_live};
pub use served::{Served, ServedEye, build_served};
pub use wanted::{deciding_eyes, wanted_outlines, wanted_pictures};

use crate::own::Own;
use judge::judged::{EyePicture, JudgedRun, RunFacts};
use minijinja::syntax::SyntaxConfig;
use minijinja::{Environment, UndefinedBehavior, Value};
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use words::SIMULATED;

/// What a page shows and how much of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// Factors of the matrix's rows: one or two.
    pub rows: Vec<Factor>,
    /// Factor of the matrix's columns.
    pub columns: Factor,
    /// Conditions in the matrix, at most; tables beyond it are left out, the worst kept.
    pub most_cells: usize,
    /// Rows in the table of conditions, at most; the worst kept.
    pub most_rows: usize,
    /// Lines of the lists of failed trainings, troubles and log, at most.
    pub most_lines: usize,
}

impl Default for Options {
    fn default() -> Options {
        Options {
            rows: vec![Factor::Module, Factor::Channel],
            columns: Factor::Rate,
            most_cells: 3000,
            most_rows: 200,
            most_lines: 120,
        }
    }
}

/// Why no page could be made.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// A picture names a condition that the run does not have.
    #[error(
        "an eye picture belongs to condition {index}, but the run has {conditions}; judge and draw the same run"
    )]
    Condition {
        /// Index asked for.
        index: usize,
        /// Conditions of the run.
        conditions: usize,
    },
    /// A picture's classes do not fit its grid.
    #[error(
        "the picture of {eye} has {points} points for a grid of {taps} taps by {steps} Vref steps; \
         give one class a point, or none for an eye drawn as outlines only"
    )]
    Picture {
        eye: String,
        /// Classes given.
        points: usize,
        /// Taps of the grid.
        taps: u16,
        /// Vref steps of the grid.
        steps: u16,
    },
    /// An outline is not SVG path data.
    #[error("the outline of {eye} holds `{found}`, which is no part of an SVG path")]
    Outline {
        eye: String,
        /// The first character that does not belong.
        found: char,
    },
    /// The picture could not be written.
    #[error("the picture of {eye} could not be written as PNG: {words}")]
    Png {
        eye: String,
        /// The encoder's words.
        words: String,
    },
    /// The page's own templates are at fault.
    #[error("the page could not be filled in: {0}")]
    Template(String),
}

/// The style sheet that pages share.
pub(crate) const STYLE: &str = include_str!("style.css");

#[derive(Serialize)]
struct Page<'a> {
    facts: &'a RunFacts,
    mark: &'static str,
    own: Own,
    summary: summary::Summary,
    reading: reading::Reading,
    highest: Option<highest::HighestView>,
    predicted: Option<predicted::PredictedView>,
    room: room::Room,
    matrix: matrix::MatrixView,
    factors: Vec<FilterFactor>,
    eyes: eyes::EyesView,
    /// Index into `eyes.pictured` of the worst condition's picture.
    worst_picture: Option<usize>,
    overlays: Vec<compare::Overlay>,
    lane_maps: Vec<lane_map::LaneMap>,
    map_colours: Vec<lane_map::MapColour>,
    lanes: Vec<plot::Plot>,
    spread: Vec<plot::Plot>,
    trends: Vec<plot::Plot>,
    why: why::WhyView,
    conditions: tables::ConditionsView,
    timeline: timeline::TimelineView,
    said: attachments::TextsView,
    superseded: Vec<tables::SupersededRow>,
    superseded_note: String,
    notes: Vec<notes::NoteRow>,
    training: tables::TrainingView,
    not_run: tables::NotRunView,
    annex: verdicts::Annex,
    budgets: Vec<tables::BudgetView>,
    limits: Vec<tables::LimitRow>,
    rule_words: &'a str,
    capture_mode: &'static str,
    point_rule: String,
    model: Vec<tables::ModelRow>,
    identities: &'a [nightbench_core::results::Identity],
    jobs: String,
    bench_hours: String,
}

/// A factor offered by the filter.
#[derive(Serialize)]
struct FilterFactor {
    name: &'static str,
    /// Place in a level code.
    place: usize,
    levels: Vec<String>,
}

/// Builds the page. `pictures` pairs each eye with the index of its condition; an [`EyePicture`] without classes is
/// drawn as outlines only.
///
/// # Errors
/// [`PageError`]: a picture without its condition, of the wrong size, or with an outline that is no SVG path.
pub fn build(
    run: &JudgedRun,
    facts: &RunFacts,
    pictures: &[(usize, EyePicture)],
    options: &Options,
) -> Result<String, PageError> {
    let anchors = words::anchors(run);
    let simulated = facts.simulated;
    let carded: BTreeSet<usize> = pictures.iter().map(|(index, _)| *index).collect();
    let listed = tables::listed(run, options);
    let foretold = predicted::listed(run, options);
    let shown: BTreeSet<usize> = carded.iter().chain(&listed).chain(&foretold).copied().collect();
    let mut eyes = eyes::eyes(run, facts, pictures, &anchors)?;
    for card in eyes.pictured.iter_mut().chain(&mut eyes.outlined) {
        card.notes = notes::beside(facts, card.order);
    }
    let summary = summary::summary(run, facts, &anchors);
    let worst = summary.worst.as_ref().map(|worst| worst.index);
    let margins = distributions::margins(run);
    let reviewed = notes::by_condition(facts);
    let rules = match &facts.what_if {
        Some(_) => running_rules(&format!("What-if question to report {}", facts.report_id), simulated),
        None => print_rules(facts),
    };
    let page = Page {
        facts,
        mark: if simulated { SIMULATED } else { "" },
        own: Own::new(style_of(run) + &rules, include_str!("script.js")),
        worst_picture: worst.and_then(|index| eyes.pictured.iter().position(|card| card.order == index)),
        matrix: matrix::matrix(run, &matrix::Links { anchors: &anchors, shown: &shown }, options),
        factors: words::varied(run)
            .into_iter()
            .map(|factor| FilterFactor {
                name: factor.name(),
                place: factor as usize,
                levels: (0..words::levels(run, factor))
                    .map(|at| words::level_name(run, factor, at))
                    .collect(),
            })
            .collect(),
        overlays: compare::overlays(run, pictures, &anchors, simulated)?,
        lane_maps: lane_map::maps(run, facts)?,
        map_colours: lane_map::colours(),
        lanes: lanes::overview(run, simulated),
        spread: distributions::plots(run, &margins, simulated),
        trends: [trends::plots(run, &margins, simulated), drift::plots(run, facts)].concat(),
        why: why::why(run, facts, &anchors),
        timeline: timeline::timeline(run, facts, &shown, &anchors, options.most_lines),
        said: attachments::texts(run, facts, options.most_lines),
        superseded: tables::superseded(run, facts, options.most_lines),
        superseded_note: tables::left_out_note(
            facts.superseded.len(),
            options.most_lines,
            "superseded attempts",
        ),
        notes: notes::rows(run, facts),
        conditions: tables::conditions(run, &listed, &carded, &anchors, &reviewed),
        training: tables::training(run, facts, &shown, &anchors, options.most_lines),
        not_run: tables::not_run(run, facts, options.most_lines),
        annex: verdicts::annex(run, facts),
        budgets: run.budgets.iter().map(tables::budget).collect(),
        limits: facts.limits.iter().map(tables::limit).collect(),
        rule_words: &run.rule_words,
        capture_mode: run.capture_mode.name(),
        point_rule: run.point_rule.describe(),
        model: tables::model(facts),
        identities: &run.identities,
        jobs: format!("{} of {} planned", run.jobs_done, run.jobs_planned),
        bench_hours: words::plain(facts.bench_hours, 1),
        eyes,
        reading: reading::reading(run, facts),
        highest: highest::highest(run),
        predicted: predicted::predicted(run, &anchors, options),
        room: room::room(run, simulated),
        summary,
    };
    render("page.html", &page)
}

/// The style sheet of a page of this run: predictions have a style of their own.
fn style_of(run: &JudgedRun) -> String {
    if predicted::has_some(run) { STYLE.to_owned() + predicted::STYLE } else { STYLE.to_owned() }
}

/// Print rules that carry the report's identifier on every page.
fn print_rules(facts: &RunFacts) -> String {
    running_rules(&format!("Report {}", facts.report_id), facts.simulated)
}

/// Print rules that carry a text, the mark of a simulated run and the number of the page on every page.
pub(crate) fn running_rules(text: &str, simulated: bool) -> String {
    let mark = if simulated { words::css_string(SIMULATED) } else { "\"\"".into() };
    let id = words::css_string(text);
    format!(
        "@page{{@top-left{{content:{id}}}@top-right{{content:{mark}}}\
         @bottom-left{{content:{id}}}@bottom-center{{content:{mark}}}\
         @bottom-right{{content:\"Page \" counter(page) \" of \" counter(pages)}}}}"
    )
}

const TEMPLATES: [(&str, &str); 13] = [
    ("eye.html", include_str!("eye.html")),
    ("live.html", include_str!("live.html")),
    ("served.html", include_str!("served.html")),
    ("page.html", include_str!("page.html")),
    ("macros.html", include_str!("macros.html")),
    ("top.html", include_str!("top.html")),
    ("reading.html", include_str!("reading.html")),
    ("matrix.html", include_str!("matrix.html")),
    ("eyes.html", include_str!("eyes.html")),
    ("lists.html", include_str!("lists.html")),
    ("provenance.html", include_str!("provenance.html")),
    ("verdicts.html", include_str!("verdicts.html")),
    ("why.html", include_str!("why.html")),
];

fn render(name: &str, page: &impl Serialize) -> Result<String, PageError> {
    let fault = |error: minijinja::Error| PageError::Template(format!("{error:#}"));
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    let syntax = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build();
    environment.set_syntax(syntax.map_err(fault)?);
    for (template, source) in TEMPLATES {
        environment.add_template(template, source).map_err(fault)?;
    }
    let data = serde_json::to_value(page).map_err(|error| PageError::Template(error.to_string()))?;
    environment.get_template(name).and_then(|template| template.render(value(data))).map_err(fault)
}

/// The template engine's value of a JSON value; texts stay unsafe, so that they are escaped where they are printed,
/// and characters that would hide or turn round what follows are made visible.
pub(crate) fn value(json: serde_json::Value) -> Value {
    match json {
        serde_json::Value::Null => Value::from(()),
        serde_json::Value::Bool(flag) => Value::from(flag),
        serde_json::Value::Number(number) => match number.as_i64() {
            Some(whole) => Value::from(whole),
            None => Value::from(number.as_f64().unwrap_or(f64::NAN)),
        },
        serde_json::Value::String(text) => Value::from(words::visible(text)),
        serde_json::Value::Array(list) => list.into_iter().map(value).collect(),
        serde_json::Value::Object(map) => Value::from(
            map.into_iter().map(|(key, item)| (key, value(item))).collect::<BTreeMap<String, Value>>(),
        ),
    }
}
