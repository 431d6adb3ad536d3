//! The pages of a go/no-go test: its derivation and a lot. Both are sections of words, plots and tables in one template.

mod derivation;
mod export;
mod lot;

pub use derivation::{DerivationFacts, derivation_page};
pub use export::{csv, jsonl};
pub use lot::{LotFacts, lot_page};

use crate::own::Own;
use crate::report::plot::Plot;
use crate::report::{STYLE, running_rules, value};
use minijinja::{Environment, UndefinedBehavior};
use serde::Serialize;

/// What stands where hands come near.
const CAUTIONS: [&str; 5] = [
    "These words do not replace your laboratory's own rules or the training and licences that they ask for; software is no hardware interlock.",
    "Hands only when every rail was measured off and nothing is hot or cold: bare metal above about 43 °C burns in time. The line asks for a \
     unit only then.",
    "Supply: never mount or pull a unit while a rail is up, whatever a display says: measure.",
    "Static: wear a grounded wrist strap; parts are damaged from 100 V (human body).",
    "A go says what a short test predicts. It is no statement about the corners of this unit: nobody saw them.",
];

#[derive(Serialize)]
pub(crate) struct Tile {
    class: &'static str,
    number: String,
    words: String,
    small: String,
}

#[derive(Serialize)]
pub(crate) struct Row {
    /// Of the last cell.
    pub class: &'static str,
    pub cells: Vec<String>,
}

#[derive(Serialize)]
pub(crate) struct Table {
    pub caption: String,
    pub head: Vec<String>,
    /// Columns that hold words, from 0.
    pub text: &'static [usize],
    pub rows: Vec<Row>,
}

#[derive(Serialize, Default)]
pub(crate) struct Section {
    pub title: &'static str,
    pub warnings: Vec<String>,
    pub words: Vec<String>,
    pub plots: Vec<Plot>,
    pub tables: Vec<Table>,
    pub list: Vec<String>,
}

#[derive(Serialize)]
pub(crate) struct View {
    mark: &'static str,
    /// What stands behind the mark.
    pub banner: &'static str,
    own: Own,
    kind: &'static str,
    title: String,
    id: String,
    pub heading: &'static str,
    pub class: &'static str,
    pub decision: String,
    pub reasons: Vec<String>,
    tiles: Vec<Tile>,
    pub sections: Vec<Section>,
}

impl View {
    pub fn new(kind: &'static str, title: &str, id: String, simulated: bool) -> View {
        View {
            mark: if simulated { "SIMULATED - not measured" } else { "" },
            banner: "Every number of a simulated line comes from a model, none from hardware.",
            own: Own::new([STYLE, &running_rules(&id, simulated)].concat(), ""),
            kind,
            title: title.into(),
            id,
            heading: "",
            class: "vn",
            decision: String::new(),
            reasons: Vec::new(),
            tiles: Vec::new(),
            sections: Vec::new(),
        }
    }

    pub fn tile(&mut self, class: &'static str, number: String, words: &str, small: String) {
        self.tiles.push(Tile { class, number, words: words.into(), small });
    }

    /// # Errors
    /// The template engine's words.
    pub fn render(self) -> Result<String, String> {
        let fault = |error: minijinja::Error| format!("{error:#}");
        let mut environment = Environment::new();
        environment.set_undefined_behavior(UndefinedBehavior::Strict);
        environment.add_template("gonogo.html", include_str!("gonogo.html")).map_err(fault)?;
        environment.add_template("macros.html", include_str!("../report/macros.html")).map_err(fault)?;
        let page = serde_json::to_value(self).map_err(|error| error.to_string())?;
        environment
            .get_template("gonogo.html")
            .and_then(|template| template.render(value(page)))
            .map_err(fault)
    }
}

/// The heads of a table's columns.
pub(crate) fn head(words: &[&str]) -> Vec<String> {
    words.iter().map(|word| (*word).to_string()).collect()
}

fn cautions() -> Section {
    let list = CAUTIONS.map(String::from).to_vec();
    Section { title: "Cautions", list, ..Section::default() }
}

/// A share in percent: two digits that tell.
fn percent(share: f64) -> String {
    let value = 100.0 * share;
    match value.abs() {
        0.0 => "0 %".into(),
        v if v < 0.001 => "< 0.001 %".into(),
        v if v < 0.1 => format!("{value:.3} %"),
        v if v < 1.0 => format!("{value:.2} %"),
        _ => format!("{value:.1} %"),
    }
}

/// Seconds: fractions where they tell.
fn seconds(value: f64) -> String {
    match value {
        v if v < 0.01 => format!("{:.1} ms", 1e3 * v),
        v if v < 1.0 => format!("{:.0} ms", 1e3 * v),
        _ => format!("{value:.1} s"),
    }
}

/// Class of a decision.
fn class_of(decision: judge::gonogo::Decision) -> &'static str {
    use judge::gonogo::Decision;
    match decision {
        Decision::Go => "vp",
        Decision::NoGo => "vf",
        Decision::ToCorner => "vcf",
        Decision::NotMeasured => "vn",
    }
}
