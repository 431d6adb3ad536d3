//! The plan: what is characterized, over which factors, against which limits.
//!
//! A text is read with all its mistakes at once ([`section`]), expanded to conditions and jobs ([`expand`]), and put in
//! order ([`timetable`]). Nothing is opened here: the caller reads the files a plan names ([`files`]).
//!
//! ```
//! use plan::Plan;
//! use plan::expand::{Selection, expand, jobs};
//!
//! let text = r#"
//!     title = "First look"
//!     [interface]
//!     generation = "DDR4"
//!     lanes = 64
//!     [[module]]
//!     name = "Amber"
//!     kind = "unbuffered"
//!     rated = 3200
//!     [[channel]]
//!     name = "direct"
//!     fits = ["unbuffered"]
//!     [matrix]
//!     rate = [2400, 3200]
//!     temperature_degc = [25, 85]
//!     [[limit]]
//!     metric = "width"
//!     minimum = 0.22
//!     unit = "UI"
//!     source = "receiver budget"
//! "#;
//! let plan = Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
//! let expansion = expand(&plan, &Selection::default());
//! assert_eq!(jobs(&plan, &expansion).len(), 2 * 2);
//!
//! let mistakes = Plan::read(&text.replace("rated = 3200", "rated = 3201")).unwrap_err();
//! assert!(mistakes[0].message.contains("3201"));
//! ```

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod attended;
pub mod bench_file;
pub mod budget;
mod canonical;
pub mod coverage;
pub mod criteria;
mod earlier_words;
pub mod expand;
pub mod files;
pub mod keys;
pub mod limits;
pub mod matrix;
pub mod measure;
pub mod ordering;
pub mod presets;
mod read_channels;
mod read_devices;
mod read_modules;
pub mod release;
pub mod section;
pub mod selection;
pub mod spd;
pub mod timetable;
mod warnings;

use crate::bench_file::BenchLimits;
use attended::Attended;
use budget::BudgetConfig;
pub use canonical::Unwritable;
use coverage::Coverage;
pub use earlier_words::in_todays_words;
use files::Files;
use limits::{DecisionRule, Limit};
use matrix::{Declared, FACTORS, Factor, Matrix, Skip};
use measure::{CapturePlan, Repeats, Training, TrainingPolicy};
use nightbench_core::devices::{Channel, Chip, Firmware, Interface, ModelValue, Module, Supply};
use nightbench_core::rates::Generation;
use nightbench_core::units::Celsius;
use ordering::OrderConfig;
use release::ReleaseConfig;
use schedule::BenchTimes;
use section::{Mistake, Mistakes, PLAN, Section};
use toml::de::DeTable;

/// A plan, read and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Title, as printed on the report.
    pub title: String,
    /// What the run is for.
    pub purpose: Option<String>,
    /// Laboratory and location, as printed on the report.
    pub laboratory: Option<String>,
    /// The interface under test.
    pub interface: Interface,
    /// Declared chips.
    pub chips: Vec<Chip>,
    /// Declared firmware images.
    pub firmwares: Vec<Firmware>,
    /// Declared modules.
    pub modules: Vec<Module>,
    /// Declared channels.
    pub channels: Vec<Channel>,
    /// Declared supplies.
    pub supplies: Vec<Supply>,
    /// Levels of every factor.
    pub matrix: Matrix,
    /// Combinations left out.
    pub skips: Vec<Skip>,
    /// Training.
    pub training: Training,
    /// Capture.
    pub capture: CapturePlan,
    /// Repeats, re-seats, starts.
    pub repeats: Repeats,
    /// Tolerance limits: every metric with a limit is judged.
    pub limits: Vec<Limit>,
    /// Decision rule.
    pub decision: DecisionRule,
    /// Lines added to the uncertainty budget, and studies that give some.
    pub budget: BudgetConfig,
    /// What a release asks for.
    pub release: ReleaseConfig,
    /// OrderConfig for the order.
    pub wishes: OrderConfig,
    /// Times of the bench.
    pub times: BenchTimes,
    /// Attended hours and begin of the run; `None` = somebody is always there.
    pub attended: Option<Attended>,
    /// How much of the matrix is run.
    pub coverage: Coverage,
    /// Values of the simulated target's model that differ from the defaults.
    pub model: Vec<ModelValue>,
    /// What is allowed, but hardly meant, each with its place.
    pub doubts: Vec<Mistake>,
    /// What the plan narrows of the bench's limits.
    pub bench_limits: BenchLimits,
}

impl Plan {
    /// Reads a plan that names no files or carries their content.
    ///
    /// # Errors
    /// Every mistake in the text, in its order, each with its place.
    pub fn read(text: &str) -> Result<Plan, Vec<Mistake>> {
        Plan::read_with(text, &Files::default())
    }

    /// Reads a plan with the content of the files it names ([`files::named_files`]).
    ///
    /// # Errors
    /// Every mistake in text and files, in the text's order, each with its place.
    pub fn read_with(text: &str, files: &Files) -> Result<Plan, Vec<Mistake>> {
        let (plan, problems) = Plan::read_partly(text, files);
        match plan {
            Some(plan) if problems.is_empty() => Ok(plan),
            _ => Err(problems),
        }
    }

    /// Reads the plan that a run was stored with, which may be in the words of an earlier version.
    ///
    /// # Errors
    /// Every mistake; places are those of [`in_todays_words`].
    pub fn read_stored(text: &str) -> Result<Plan, Vec<Mistake>> {
        Plan::read(&in_todays_words(text))
    }

    /// As [`Plan::read_with`], but gives the plan as far as it could be read beside its mistakes, so that a caller can look for
    /// further ones and show all in one pass. With mistakes the plan is good for nothing else. `None`: the text is no TOML.
    pub fn read_partly(text: &str, files: &Files) -> (Option<Plan>, Vec<Mistake>) {
        let problems = Mistakes::default();
        let (document, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            problems.add(error.span().unwrap_or(0..0), error.message().to_string(), None);
        }
        if !problems.is_empty() {
            // A file that is no TOML would make every later message a guess.
            return (None, problems.into_sorted());
        }
        let mut plan = read_plan(&Section::new(PLAN, document.get_ref(), 0..0, &problems), files);
        plan.doubts = problems.doubts();
        (Some(plan), problems.into_sorted())
    }

    /// Every key that is asked for while a plan is read, as (path of the table, key): the vocabulary as far as this text leads to it.
    pub fn vocabulary(text: &str) -> Vec<(String, String)> {
        let problems = Mistakes::default();
        let (document, _) = DeTable::parse_recoverable(text);
        read_plan(&Section::new(PLAN, document.get_ref(), 0..0, &problems), &Files::default());
        problems.asked().into_iter().map(|(path, key)| (path, key.to_string())).collect()
    }

    /// Printed name of a level of a factor (index into the matrix's levels).
    pub fn level_name(&self, factor: Factor, level: usize) -> String {
        let matrix = &self.matrix;
        match factor {
            Factor::Chip => self.chips[matrix.chips[level]].name.clone(),
            Factor::Firmware => matrix
                .firmwares
                .get(level)
                .map_or_else(|| "as loaded".into(), |index| self.firmwares[*index].name.clone()),
            Factor::Module => self.modules[matrix.modules[level]].name.clone(),
            Factor::Channel => self.channels[matrix.channels[level]].name.clone(),
            Factor::Rate => matrix.rates[level].to_string(),
            Factor::Temperature => temperature_name(matrix.temperatures[level]),
            Factor::Supply => self.supplies[matrix.supplies[level]].name.clone(),
            Factor::Pattern => matrix.patterns[level].name(),
        }
    }

    /// Printed names of every factor's levels, in the order of [`Factor::ALL`].
    pub fn level_names(&self) -> [Vec<String>; FACTORS] {
        let counts = self.matrix.level_counts();
        std::array::from_fn(|index| {
            (0..counts[index]).map(|level| self.level_name(Factor::ALL[index].1, level)).collect()
        })
    }
}

fn temperature_name(temperature: Celsius) -> String {
    format!("{}", temperature.0)
}

/// Reads everything, whatever is at fault elsewhere, so that every mistake shows at once. What is at fault is empty or a default.
fn read_plan(plan: &Section<'_>, files: &Files) -> Plan {
    let files = files::read_files(plan.tables("file"), files);
    let title = plan.required_text("title", "what is characterized");
    let purpose = plan.text("purpose").map(|text| text.value);
    let laboratory = plan.text("laboratory").map(|text| text.value);
    let interface = read_devices::read_interface(plan.table("interface"), plan);
    // Without an interface the rest is still read, so that every mistake shows at once.
    let generation = interface.as_ref().map_or(Generation::Ddr4, |interface| interface.generation);
    let lanes = interface.as_ref().map_or(nightbench_core::results::MOST_LANES, |interface| interface.lanes);
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
    let modules = read_modules::read_modules(module_sections, interface.as_ref(), lanes, &files);
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
    let capture = CapturePlan::read(plan.table("capture"));
    let repeats = Repeats::read(plan.table("repeats"));
    let limits = limits::read_placed_limits(plan.tables("limit"), generation);
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
    let mut times = ordering::read_times(plan.table("bench_times"));
    ordering::check_range(plan.table("matrix"), &times);
    let (wishes, reference) = OrderConfig::read(plan.table("order"), &mut times, &modules, &channels);
    let attended = Attended::read(plan.table("attended"), &times, wishes.night_only);
    let coverage = plan.table("coverage");
    let model = plan.table("model").map(read_devices::read_model).unwrap_or_default();
    let bench_limits = BenchLimits::read(plan.table("bench_limits"));
    let skip_sections = plan.tables("skip");
    check_held(&training, matrix.as_ref(), &supplies, plan);
    let matrix = matrix.unwrap_or_else(Matrix::empty);
    let whole = interface.is_some() && matrix.level_counts().iter().all(|count| *count > 0);
    let interface = interface.unwrap_or_else(|| read_devices::default_interface(generation, lanes));
    if whole {
        warnings::limits(&limits, &interface, &matrix, &capture, &supplies, plan);
    }
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
        limits: limits.into_iter().map(|limit| limit.value).collect(),
        decision,
        budget,
        release,
        wishes,
        times,
        attended,
        coverage: Coverage::default(),
        model,
        bench_limits,
        doubts: Vec::new(),
    };
    let names = read.level_names();
    read.skips = matrix::read_skips(skip_sections, generation, &names);
    read.wishes.read_reference(reference, generation, &names);
    read.coverage = Coverage::read(coverage, generation, &read);
    if whole {
        check_circle(&read, plan);
        check_reference(&read, plan);
    }
    plan.finish();
    read
}

fn check_reference(read: &Plan, plan: &Section<'_>) {
    let Some(reference) = &read.wishes.reference else { return };
    if plan.problems().is_empty() && expand::first_condition(read, &reference.levels).is_none() {
        plan.mistake(
            "order",
            "the reference job of [order] is no condition that is run: it is skipped or does not fit",
            "choose other levels in [order.reference]",
        );
    }
}

fn check_circle(read: &Plan, plan: &Section<'_>) {
    if read.wishes.before.is_empty() {
        return;
    }
    let Some(circle) = read.wishes.circle(&expand::setups(read)) else { return };
    let names: Vec<String> = circle
        .iter()
        .chain(circle.first())
        .map(|(module, channel)| {
            format!("{} on {}", read.modules[*module].name, read.channels[*channel].name)
        })
        .collect();
    let span = read.wishes.before.last().map_or(0..0, |last| last.span.clone());
    plan.problems().add(
        span,
        format!("the precedences go round in a circle: {}", names.join(" before ")),
        Some("remove one of the [[order.precedence]] on it (the baseline comes before everything)".into()),
    );
}

fn check_held(training: &Training, matrix: Option<&Matrix>, supplies: &[Supply], plan: &Section<'_>) {
    let (TrainingPolicy::Held { temperature, supply }, Some(matrix)) = (&training.policy, matrix) else {
        return;
    };
    if !matrix.temperatures.contains(&Celsius(*temperature)) {
        let levels: Vec<String> = matrix.temperatures.iter().map(|level| temperature_name(*level)).collect();
        plan.mistake(
            "training",
            format!("training is held from {temperature} °C, which is no temperature of the matrix"),
            format!("choose one of {} °C, or add it to `temperature_degc`", levels.join(", ")),
        );
    }
    if let Some(name) = supply
        && !supplies.iter().any(|supply| supply.name == *name)
        && !plan.problems().is_broken("supply", name)
    {
        plan.mistake(
            "training",
            format!("training is held from the supply `{name}`, which is not declared"),
            "declare it with [[supply]]",
        );
    }
}
