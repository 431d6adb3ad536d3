//! Reads a plan file with the files it names and shows every mistake in them with its place.

use crate::console::exit::Failure;
use crate::inputs::named_files;
use crate::inputs::plain_file::read_text;
use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use nightbench_core::text::counted;
use plan::bench_file::BenchLimits;
use plan::expand::expand;
use plan::section::{MOST_TOLD, Mistake};
use plan::selection::Selection;
use plan::{Plan, add_stored_defaults, in_todays_words};
use simulator::assembly;
use simulator::physics::Measured;
use simulator::physics::Parameters;
use std::collections::BTreeMap;
use std::path::Path;

/// A plan with the text it was read from.
#[derive(Debug)]
pub struct PlanFile {
    pub plan: Plan,
    /// Its text, with the content of the files it names added: enough to be read again without them.
    pub text: String,
    /// Measured data by channel; empty for a plan read from a store, which keeps its digest only.
    pub measured: BTreeMap<String, Measured>,
    /// What is doubtful about the files, each a sentence.
    pub warnings: Vec<String>,
}

impl PlanFile {
    /// Reads a plan file.
    ///
    /// # Errors
    /// Exit 2: the file cannot be read, or its mistakes, each with line, column and remedy.
    pub fn read(path: &Path, colour: bool) -> Result<PlanFile, Failure> {
        let text = read_text(path, "a plan file (TOML)")?;
        let origin = path.display().to_string();
        let loaded = named_files::read(&text, path);
        let (plan, mut mistakes) = Plan::read_partly(&text, &loaded.files);
        let (studies, earlier) = named_files::missing_folders(&text, path);
        mistakes.extend(studies);
        let refused = |mut mistakes: Vec<Mistake>| {
            mistakes.sort_by_key(|mistake| (mistake.span.start, mistake.span.end));
            Failure::invalid(render(&text, &origin, &mistakes, colour))
        };
        let Some(plan) = plan else { return Err(refused(mistakes)) };
        mistakes.extend(model_mistakes(&plan));
        let found = named_files::measured(&plan, &loaded);
        mistakes.extend(found.mistakes);
        if !mistakes.is_empty() {
            return Err(refused(mistakes));
        }
        // A stored plan that a run was made with stays readable: only one that is to be run is refused.
        if plan.bench_limits != BenchLimits::default() {
            let forbidden =
                plan.bench_limits.forbidden(&plan, &expand(&plan, &Selection::default()).conditions);
            if !forbidden.is_empty() {
                return Err(refused(forbidden));
            }
        }
        let mut warnings: Vec<String> =
            plan.warnings.iter().chain(&earlier).map(|warning| one_line(&text, &origin, warning)).collect();
        warnings.extend(found.warnings);
        if let Some(fitted) = &plan.fitted {
            warnings.push(fitted.words());
            warnings.extend(fitted.warning(&plan, &expand(&plan, &Selection::default())));
        }
        let text = add_stored_defaults(loaded.files.add_to(&text), plan.capture.mode);
        Ok(PlanFile { plan, text, measured: found.measured, warnings })
    }

    /// Reads a plan from a stored text, which carries what it needs of its files; `origin` names it in messages.
    ///
    /// # Errors
    /// As [`PlanFile::read`].
    pub fn from_text(text: String, origin: &str, colour: bool) -> Result<PlanFile, Failure> {
        let plan = checked(&text, origin, colour)?;
        Ok(PlanFile { plan, text, measured: BTreeMap::new(), warnings: Vec::new() })
    }
}

/// A warning on one line, with its place.
fn one_line(text: &str, origin: &str, warning: &Mistake) -> String {
    let before = &text[..floor_boundary(text, warning.span.start)];
    let line = 1 + before.bytes().filter(|byte| *byte == b'\n').count();
    let remedy = warning.remedy.as_ref().map_or_else(String::new, |remedy| format!("; {remedy}"));
    format!("{origin}:{line}: {}{remedy}", warning.message)
}

/// The plan in a stored text, or all its mistakes.
fn checked(text: &str, origin: &str, colour: bool) -> Result<Plan, Failure> {
    let refused =
        |mistakes: &[Mistake]| Failure::invalid(render(&in_todays_words(text), origin, mistakes, colour));
    let plan = Plan::read_stored(text).map_err(|mistakes| refused(&mistakes))?;
    let mistakes = model_mistakes(&plan);
    if mistakes.is_empty() { Ok(plan) } else { Err(refused(&mistakes)) }
}

/// Model values whose names or sizes the simulated target does not take.
fn model_mistakes(plan: &Plan) -> Vec<Mistake> {
    let lists = std::iter::once(&plan.model)
        .chain(plan.firmwares.iter().map(|firmware| &firmware.overrides))
        .chain(plan.modules.iter().map(|module| &module.overrides))
        .chain(plan.modules.iter().flat_map(|module| module.lane_models.iter().map(|lane| &lane.overrides)))
        .chain(plan.channels.iter().map(|channel| &channel.overrides));
    let mut parameters = Parameters::of(plan.interface.generation);
    let mut mistakes = Vec::new();
    for value in lists.flatten() {
        if assembly::SET_BY_INTERFACE.contains(&value.name.as_str()) {
            mistakes.push(Mistake {
                span: value.span.clone(),
                message: format!("`{}` is set by [interface], not by the model's values", value.name),
                remedy: Some(
                    "use `taps`, `taps_per_ui`, `vref_steps`, `vref_start_percent` and `vref_step_percent` there"
                        .into(),
                ),
            });
            continue;
        }
        if let Err(error) = parameters.set(&value.name, value.value) {
            mistakes.push(Mistake { span: value.span.clone(), message: error.to_string(), remedy: None });
        }
    }
    mistakes
}

/// Renders mistakes with file, line, column and caret; `colour` for a terminal.
pub fn render(text: &str, origin: &str, mistakes: &[Mistake], colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut parts = Vec::new();
    for mistake in mistakes {
        let start = floor_boundary(text, mistake.span.start);
        let mut end = floor_boundary(text, mistake.span.end.max(start));
        // A whole table would underline many lines: its first line is enough.
        if let Some(line_end) = text[start..end].find('\n') {
            end = start + line_end;
        }
        // Only the line that is shown: laying out the whole text for each of many mistakes would take seconds.
        let first = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let last = text[end..].find('\n').map_or(text.len(), |at| end + at);
        let number = 1 + text[..first].bytes().filter(|byte| *byte == b'\n').count();
        let snippet = Snippet::source(&text[first..last])
            .line_start(number)
            .path(origin)
            .annotation(AnnotationKind::Primary.span(start - first..end - first));
        let mut group = Level::ERROR.primary_title(mistake.message.as_str()).element(snippet);
        if let Some(remedy) = &mistake.remedy {
            group = group.element(Level::HELP.message(remedy.as_str()));
        }
        parts.push(renderer.render(&[group]));
    }
    let number = match mistakes.len() {
        // The last says how many more there are.
        many if many > MOST_TOLD => format!("more than {MOST_TOLD} mistakes"),
        few => counted(few, "mistake"),
    };
    parts.push(format!("{origin}: {number}, nothing was touched"));
    parts.join("\n\n")
}

fn floor_boundary(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}
