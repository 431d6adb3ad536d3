//! The setup list: one printable page that says what to mount when, with check boxes, cautions and a timeline of the run.
//! A pure function of its values.

mod timeline;

#[cfg(test)]
mod tests;

pub use timeline::{Segment, SegmentKind, Timeline};

use crate::own::Own;
use minijinja::syntax::SyntaxConfig;
use minijinja::{Environment, UndefinedBehavior};
use serde::Serialize;

/// One hands-on moment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ListedMounting {
    /// From 1, in the order of the run.
    pub number: usize,
    /// When to begin, in words.
    pub when: String,
    /// When the mounting check is over and the operator may leave, in words.
    pub leave: String,
    /// When the next hands are needed, or the run ends, in words.
    pub hands_free_until: String,
    /// How long that is, in words.
    pub hands_free_for: String,
    /// Module to mount (with the chip, where a plan has several).
    pub module: String,
    /// Channel it goes on.
    pub channel: String,
    /// The channel changes too: the longer work.
    pub channel_changes: bool,
    /// What to take out first; `None` at the first mounting.
    pub take_out: Option<String>,
    /// Where the same setup is mounted more than once: how its mountings belong together, in words.
    pub relation: Option<String>,
    /// Jobs until the next mounting.
    pub jobs: usize,
    /// Temperatures of its jobs in the order they come, in words.
    pub temperatures: String,
    /// The last moment of the list: afterwards the run ends.
    pub last: bool,
}

/// Everything on the page.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SetupList {
    /// Title of the plan.
    pub title: String,
    /// What it is for.
    pub purpose: Option<String>,
    /// When the run begins, in words.
    pub begin: String,
    /// When it ends if everything takes its expected time, in words.
    pub expected: String,
    /// When it ends: one in ten, half and nine in ten runs end before, in words.
    pub finish: [String; 3],
    /// The earlier nights that this was learned from, in words.
    pub learned_from: Option<String>,
    /// Facts in pairs: name and value.
    pub facts: Vec<(String, String)>,
    /// Cautions, most important first.
    pub cautions: Vec<String>,
    /// The moments.
    pub mountings: Vec<ListedMounting>,
    /// The picture.
    #[serde(skip)]
    pub timeline: Timeline,
}

#[derive(Serialize)]
struct View<'a> {
    list: &'a SetupList,
    picture: timeline::Picture,
    own: Own,
}

/// Builds the page.
///
/// # Errors
/// The words of the template engine: the page's own template is at fault.
pub fn build(list: &SetupList) -> Result<String, String> {
    let fault = |error: minijinja::Error| format!("the setup list could not be filled in: {error:#}");
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    let syntax = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build();
    environment.set_syntax(syntax.map_err(fault)?);
    environment.add_template("setup_list.html", include_str!("setup_list.html")).map_err(fault)?;
    environment.add_template("macros.html", include_str!("../report/macros.html")).map_err(fault)?;
    let view = View {
        list,
        picture: timeline::picture(&list.timeline),
        own: Own::new(include_str!("style.css").into(), ""),
    };
    let data = serde_json::to_value(&view).map_err(|error| error.to_string())?;
    let template = environment.get_template("setup_list.html").map_err(fault)?;
    template.render(crate::report::value(data)).map_err(fault)
}
