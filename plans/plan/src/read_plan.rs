//! Reads a plan: its tables first, then what they make together is expanded and checked.

use crate::attended::Attended;
use crate::bench_file::BenchLimits;
use crate::coverage::Coverage;
use crate::diagnosis::{self, Diagnosis, extra_jobs};
use crate::earlier_words::in_todays_words;
use crate::files::{self, Files};
use crate::highest_rate::HighestRate;
use crate::limits::DecisionRule;
use crate::matrix::{self, Declared, FACTORS, Matrix};
use crate::measure::{CapturePlan, MODES, Repeats, Training};
use crate::obstacles::too_few_units;
use crate::ordering::{self, OrderConfig};
use crate::plan::Plan;
use crate::predicted::Predicted;
use crate::release::ReleaseConfig;
use crate::section::{Mistake, Mistakes, PLAN, Section};
use crate::stored_defaults::as_stored;
use crate::validate::{Read, validate};
use crate::{budget, read_channels, read_devices, read_limits, read_modules};
use nightbench_core::rates::Generation;
use nightbench_core::results::MOST_LANES;
use toml::de::DeTable;

impl Plan {
    /// Reads a plan that names no files or carries their content.
    ///
    /// # Errors
    /// Every mistake in the text, in its order, each with its place.
    pub fn read(text: &str) -> Result<Plan, Vec<Mistake>> {
        Plan::read_with(text, &Files::default())
    }

    /// Reads a plan with the content of the files it names ([`named_files`](files::named_files)).
    ///
    /// # Errors
    /// Every mistake in text and files, in the text's order, each with its place.
    pub fn read_with(text: &str, files: &Files) -> Result<Plan, Vec<Mistake>> {
        let (plan, mistakes) = Plan::read_partly(text, files);
        match plan {
            Some(plan) if mistakes.is_empty() => Ok(plan),
            _ => Err(mistakes),
        }
    }

    /// Reads the plan that a run was stored with, which may be in the words of an earlier version.
    ///
    /// # Errors
    /// Every mistake; places are those of [`in_todays_words`].
    pub fn read_stored(text: &str) -> Result<Plan, Vec<Mistake>> {
        Plan::read(&as_stored(in_todays_words(text)))
    }

    /// As [`Plan::read_with`], but gives the plan as far as it could be read beside its mistakes, so that a
    /// caller can look for further ones and show all in one pass. A plan with mistakes is of no other use.
    /// `None`: the text is not TOML.
    pub fn read_partly(text: &str, files: &Files) -> (Option<Plan>, Vec<Mistake>) {
        let mistakes = Mistakes::default();
        let (document, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            mistakes.add(error.span().unwrap_or(0..0), error.message().to_string(), None);
        }
        if !mistakes.is_empty() {
            // If the file is not TOML, every later message would be a guess.
            return (None, mistakes.into_sorted());
        }
        let section = Section::new(PLAN, document.get_ref(), 0..0, &mistakes);
        let mut read = read_tables(&section, files);
        let extra = std::mem::take(&mut read.extra);
        let mut plan = validate(read, &section);
        section.finish();
        if !extra.is_empty() && mistakes.is_empty() {
            plan = extra_jobs(&plan, &extra);
        }
        plan.warnings = mistakes.warnings();
        (Some(plan), mistakes.into_sorted())
    }

    /// Every key that is asked for while this text is read, as (path of the table, key).
    pub fn vocabulary(text: &str) -> Vec<(String, String)> {
        let mistakes = Mistakes::default();
        let (document, _) = DeTable::parse_recoverable(text);
        read_tables(&Section::new(PLAN, document.get_ref(), 0..0, &mistakes), &Files::default());
        mistakes.asked().into_iter().map(|(path, key)| (path, key.to_string())).collect()
    }
}

/// Reads every table, whatever is wrong with the others, so that all mistakes show at once. What is wrong is
/// left empty or at its default.
fn read_tables(plan: &Section<'_>, files: &Files) -> Read {
    let files = files::read_files(plan.tables("file"), files);
    let title = plan.required_text("title", "what is characterized");
    let purpose = plan.text("purpose").map(|text| text.value);
    let laboratory = plan.text("laboratory").map(|text| text.value);
    let interface = read_devices::read_interface(plan.table("interface"), plan);
    // Without an interface the rest is still read, so that every mistake shows at once.
    let generation = interface.as_ref().map_or(Generation::Ddr4, |interface| interface.generation);
    let lanes = interface.as_ref().map_or(MOST_LANES, |interface| interface.lanes);
    let chips = read_devices::read_chips(plan.tables("chip"));
    let firmwares = read_devices::read_firmwares(plan.tables("firmware"));
    let module_sections = plan.tables("module");
    if module_sections.is_empty() {
        plan.mistake(
            "module",
            "the plan declares no module",
            "add [[module]] with `name`, `kind` and `rated`",
        );
    }
    let modules =
        read_modules::read_modules(module_sections, interface.as_ref(), lanes, &files, plan.mistakes());
    let channel_sections = plan.tables("channel");
    if channel_sections.is_empty() {
        plan.mistake("channel", "the plan declares no channel", "add [[channel]] with `name` and `fits`");
    }
    let channels = read_channels::read_channels(channel_sections, &files);
    let supplies = read_devices::read_supplies(plan.tables("supply"), generation);
    let declared = Declared {
        generation,
        chips: &chips,
        firmwares: &firmwares,
        modules: &modules,
        channels: &channels,
        supplies: &supplies,
    };
    let matrix = matrix::read_matrix(plan.table("matrix"), plan, &declared);
    let training = Training::read(plan.table("training"));
    let stored = plan.table("stored").and_then(|section| {
        let mode = section.choice("capture_mode", &MODES);
        section.finish();
        mode
    });
    let extra = plan.table(diagnosis::STORED).and_then(|section| {
        let of = section.texts("of");
        section.finish();
        of
    });
    let capture = CapturePlan::read(plan.table("capture"), stored);
    let repeats = Repeats::read(plan.table("repeats"));
    let limits = read_limits::read_placed_limits(plan.tables("limit"), generation);
    if !plan.has("limit") {
        plan.mistake(
            "limit",
            "the plan has no [[limit]]: nothing could be judged",
            "add [[limit]] with `metric`, `minimum`, `unit` and `source`",
        );
    }
    let decision = DecisionRule::read(plan.table("decision"));
    let budget = budget::read_budget(plan.tables("uncertainty"));
    let release = ReleaseConfig::read(plan.table("release"));
    let highest_rate = HighestRate::read(plan.table("highest_rate"), generation);
    let predicted = Predicted::read(plan.table("predicted"));
    let diagnosis = plan.table("diagnosis").and_then(|section| Diagnosis::read(&section));
    let mut times = ordering::read_times(plan.table("bench_times"));
    ordering::check_range(plan.table("matrix"), &times);
    let (order, reference) = OrderConfig::read(plan.table("order"), &mut times, &modules, &channels);
    let attended = Attended::read(plan.table("attended"), &times, order.night_only);
    let coverage = plan.table("coverage");
    let (model, fitted) =
        plan.table("model").map(|section| read_devices::read_plan_model(section, &files)).unwrap_or_default();
    let bench_limits = BenchLimits::read(plan.table("bench_limits"));
    let skip_sections = plan.tables("skip");
    let matrix_read = matrix.is_some();
    let matrix = matrix.unwrap_or_else(Matrix::empty);
    if let Some(words) =
        release.units.filter(|_| matrix_read).and_then(|units| too_few_units(units, &matrix.chips, &chips))
    {
        let remedy =
            "add a [[chip]] without `corner` for each unit and name them in [matrix], or remove `units`";
        let span = plan.table("release").map_or(0..0, |section| section.place("units"));
        plan.mistakes().warn(span, words, remedy);
    }
    let whole = interface.is_some() && matrix.level_counts().iter().all(|count| *count > 0);
    let interface = interface.unwrap_or_else(|| read_devices::default_interface(generation, lanes));
    let mut read = Plan {
        title: title.map_or_else(String::new, |title| title.value),
        purpose,
        laboratory,
        interface,
        chips,
        firmwares,
        modules,
        channels,
        supplies,
        matrix,
        skips: Vec::new(),
        training,
        capture,
        repeats,
        limits: limits.iter().map(|limit| limit.value.clone()).collect(),
        decision,
        budget,
        release,
        highest_rate,
        predicted,
        diagnosis,
        order,
        times,
        attended,
        coverage: Coverage::default(),
        model,
        fitted,
        bench_limits,
        warnings: Vec::new(),
    };
    let names = read.level_names();
    read.skips = matrix::read_skips(skip_sections, generation, &names);
    read.order.read_reference(reference, generation, &names);
    let baseline = coverage.and_then(|section| read.coverage.read(&section, generation, &names));
    let extra = extra.unwrap_or_default().into_iter().map(|text| text.value).collect();
    Read { extra, plan: read, limits, baseline: baseline.unwrap_or([None; FACTORS]), matrix_read, whole }
}
