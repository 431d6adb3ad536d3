//! The matrix: factors, their levels, and skips.

use super::read_rates::read_rates;
use super::section::Mistakes;
use super::section::{Placed, Section};
use nightbench_core::devices::*;
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::text::{Named, nearest};
use nightbench_core::units::Celsius;
use std::ops::Range;

/// What a plan varies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Factor {
    Chip,
    Firmware,
    Module,
    Channel,
    Rate,
    Temperature,
    Supply,
    Pattern,
}

pub const FACTORS: usize = 8;

impl Factor {
    /// Every factor with the plan's word, outermost loop first.
    pub const ALL: [(&'static str, Factor); FACTORS] = [
        ("chip", Factor::Chip),
        ("firmware", Factor::Firmware),
        ("module", Factor::Module),
        ("channel", Factor::Channel),
        ("rate", Factor::Rate),
        ("temperature", Factor::Temperature),
        ("supply", Factor::Supply),
        ("pattern", Factor::Pattern),
    ];

    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

/// Most levels of a factor: a condition numbers them in two bytes.
pub const MOST_LEVELS: usize = u16::MAX as usize;

/// Levels of every factor. Named things are indices into the plan's lists.
#[derive(Debug, Clone, PartialEq)]
pub struct Matrix {
    pub chips: Vec<usize>,
    /// Empty where the plan declares none.
    pub firmwares: Vec<usize>,
    pub modules: Vec<usize>,
    pub channels: Vec<usize>,
    pub rates: Vec<DataRate>,
    pub temperatures: Vec<Celsius>,
    /// Where temperatures are held.
    pub control_point: ControlPoint,
    pub supplies: Vec<usize>,
    pub patterns: Vec<Pattern>,
    /// Most conditions the expansion may have.
    pub most_conditions: u64,
}

impl Matrix {
    pub(super) fn empty() -> Matrix {
        Matrix {
            chips: Vec::new(),
            firmwares: Vec::new(),
            modules: Vec::new(),
            channels: Vec::new(),
            rates: Vec::new(),
            temperatures: Vec::new(),
            control_point: ControlPoint::Chip,
            supplies: Vec::new(),
            patterns: Vec::new(),
            most_conditions: 1,
        }
    }

    /// Number of levels of each factor, in the order of [`Factor::ALL`]; a factor without levels counts one.
    pub fn level_counts(&self) -> [usize; FACTORS] {
        [
            self.chips.len(),
            self.firmwares.len().max(1),
            self.modules.len(),
            self.channels.len(),
            self.rates.len(),
            self.temperatures.len(),
            self.supplies.len(),
            self.patterns.len(),
        ]
    }

    /// Number of combinations before skips.
    pub fn combinations(&self) -> u128 {
        self.level_counts().iter().map(|count| *count as u128).product()
    }
}

/// Everything declared that a matrix may name.
pub struct Declared<'a> {
    /// Generation of the interface.
    pub generation: Generation,
    pub chips: &'a [Chip],
    pub firmwares: &'a [Firmware],
    pub modules: &'a [Module],
    pub channels: &'a [Channel],
    pub supplies: &'a [Supply],
}

fn named_levels<T: Named>(section: &Section<'_>, key: &'static str, declared: &[T]) -> Vec<usize> {
    let Some(texts) = section.texts(key) else { return (0..declared.len()).collect() };
    let mut levels = Vec::new();
    for text in texts {
        match find(&text, key, declared, &section.title, section.mistakes()) {
            Some(index) if levels.contains(&index) => section.mistakes().add(
                text.span,
                format!("`{key}` in {} names `{}` twice", section.title, text.value),
                Some("remove one of them".into()),
            ),
            Some(index) => levels.push(index),
            None => {}
        }
    }
    levels
}

fn find<T: Named>(
    text: &Placed<String>,
    what: &'static str,
    declared: &[T],
    title: &str,
    mistakes: &Mistakes,
) -> Option<usize> {
    let found = declared.iter().position(|thing| thing.name() == text.value);
    if found.is_none() && !mistakes.is_broken(what, &text.value) {
        let names: Vec<&str> = declared.iter().map(Named::name).collect();
        let remedy = match nearest(&text.value, names.iter().copied()) {
            Some(name) => format!("did you mean `{name}`?"),
            None if names.is_empty() => format!("declare it with [[{what}]]"),
            None => format!("declared: {}", names.join(", ")),
        };
        mistakes.add(
            text.span.clone(),
            format!("{title} names the {what} `{}`, which is not declared", text.value),
            Some(remedy),
        );
    }
    found
}

fn read_pattern(text: &Placed<String>, mistakes: &Mistakes) -> Option<Pattern> {
    let pattern = Pattern::parse(&text.value);
    if pattern.is_none() {
        mistakes.add(
            text.span.clone(),
            format!("`{}` is not a known data pattern", text.value.trim()),
            Some(
                "known: PRBS7, PRBS9, PRBS11, PRBS15, PRBS20, PRBS23, PRBS31, `fixed 01100110` (1 to 64 bits), \
                 victim/aggressor, victim only, data-bus inversion"
                    .into(),
            ),
        );
    }
    pattern
}

/// Reads `[matrix]`. Factors left out take every declared level; the pattern defaults to PRBS31.
pub fn read_matrix(
    section: Option<Section<'_>>,
    plan: &Section<'_>,
    declared: &Declared<'_>,
) -> Option<Matrix> {
    let Some(section) = section else {
        plan.mistake(
            "matrix",
            "the plan has no [matrix]",
            "add `[matrix]` with `rate` and `temperature_degc`",
        );
        return None;
    };
    let chips = named_levels(&section, "chip", declared.chips);
    let firmwares = named_levels(&section, "firmware", declared.firmwares);
    let modules = named_levels(&section, "module", declared.modules);
    let channels = named_levels(&section, "channel", declared.channels);
    let supplies = named_levels(&section, "supply", declared.supplies);
    let rates = read_rates(&section, "rate", declared.generation);
    if !section.has("rate") {
        section.mistake("rate", "[matrix] has no `rate`", "add `rate = [2400, 2666]`");
    }
    let mut temperatures: Vec<Celsius> = Vec::new();
    for level in section.numbers("temperature_degc", -60.0..=150.0, "°C").unwrap_or_default() {
        if temperatures.contains(&Celsius(level.value)) {
            section.mistakes().add(
                level.span,
                format!("`temperature_degc` names {} °C twice", level.value),
                Some("remove one of them".into()),
            );
        } else {
            temperatures.push(Celsius(level.value));
        }
    }
    if !section.has("temperature_degc") {
        temperatures.push(Celsius(25.0));
    }
    let control_point = section.choice("temperature_at", &ControlPoint::ALL).unwrap_or(ControlPoint::Chip);
    let patterns = match section.texts("pattern") {
        Some(texts) => {
            let mut patterns: Vec<Pattern> = Vec::new();
            for text in &texts {
                match read_pattern(text, section.mistakes()) {
                    Some(pattern) if patterns.contains(&pattern) => section.mistakes().add(
                        text.span.clone(),
                        format!("`pattern` names `{}` twice", text.value),
                        Some("remove one of them".into()),
                    ),
                    Some(pattern) => patterns.push(pattern),
                    None => {}
                }
            }
            patterns
        }
        None => vec![Pattern::Prbs(31)],
    };
    let most_conditions =
        section.whole("most_conditions", 1..=10_000_000, "conditions").unwrap_or(1_000_000) as u64;
    let place = section.span.clone();
    section.finish();
    let matrix = Matrix {
        chips,
        firmwares,
        modules,
        channels,
        rates: rates.into_iter().map(|rate| rate.value).collect(),
        temperatures,
        control_point,
        supplies,
        patterns,
        most_conditions,
    };
    for ((name, _), count) in Factor::ALL.into_iter().zip(matrix.level_counts()) {
        if count > MOST_LEVELS {
            plan.mistakes().add(
                place.clone(),
                format!(
                    "the matrix has {count} levels of the factor {name}, more than the limit of {MOST_LEVELS}"
                ),
                Some("name fewer levels, or split the plan".into()),
            );
        }
    }
    if matrix.combinations() > u128::from(most_conditions) {
        plan.mistakes().add(
            place,
            format!(
                "the matrix has {} combinations, more than the limit of {most_conditions} conditions",
                matrix.combinations()
            ),
            Some("name fewer levels, or raise `most_conditions` in [matrix] (at most 10000000)".into()),
        );
    }
    Some(matrix)
}

/// Combinations that are left out, with the reason.
#[derive(Debug, Clone, PartialEq)]
pub struct Skip {
    pub reason: String,
    /// For each factor, which of the matrix's levels it names; `None` = all.
    pub levels: [Option<Vec<bool>>; FACTORS],
    /// Modules it names by kind or property; empty = all.
    pub kinds: Vec<BusKind>,
    /// Place in the plan.
    pub span: Range<usize>,
}

/// Finds the level of a factor named by a word, as printed by [`super::Plan::level_name`].
pub fn level_index(names: &[String], word: &str) -> Option<usize> {
    names.iter().position(|name| name == word)
}

/// Reads which levels a table names of each factor; `None` = it does not name the factor. A factor without
/// levels was declared with a mistake, so nothing more is said about them here.
pub(super) fn read_levels(
    section: &Section<'_>,
    generation: Generation,
    names: &[Vec<String>; FACTORS],
) -> [Option<Vec<bool>>; FACTORS] {
    let mut levels: [Option<Vec<bool>>; FACTORS] = Default::default();
    for (index, (_, factor)) in Factor::ALL.iter().enumerate() {
        let key = if *factor == Factor::Temperature { "temperature_degc" } else { factor.name() };
        let Some(items) = section.items(key) else { continue };
        let mut chosen = vec![false; names[index].len()];
        for item in items {
            let mut word = item.value.words();
            if *factor == Factor::Rate
                && let Some(rate) = DataRate::parse(generation, &word)
            {
                word = rate.to_string();
            }
            match level_index(&names[index], &word) {
                Some(level) => chosen[level] = true,
                None if names[index].is_empty() || section.mistakes().is_broken(key, &word) => {}
                None => {
                    let remedy = match nearest(&word, names[index].iter().map(String::as_str)) {
                        Some(name) if *factor != Factor::Temperature => format!("did you mean `{name}`?"),
                        _ => format!("levels: {}", names[index].join(", ")),
                    };
                    section.mistakes().add(
                        item.span,
                        format!("`{word}` is not a level of `{}` in the matrix", factor.name()),
                        Some(remedy),
                    );
                }
            }
        }
        levels[index] = Some(chosen);
    }
    levels
}

/// Reads one level of each factor that a table names; the others are `None`. A table that lists several
/// levels is a mistake.
pub(super) fn read_one_level_each(
    section: &Section<'_>,
    generation: Generation,
    names: &[Vec<String>; FACTORS],
) -> [Option<u16>; FACTORS] {
    let levels = read_levels(section, generation, names);
    std::array::from_fn(|index| {
        let set = levels[index].as_ref()?;
        let mut chosen = (0..).zip(set).filter(|(_, named)| **named).map(|(level, _)| level);
        let first = chosen.next()?;
        if chosen.next().is_some() {
            let word = Factor::ALL[index].0;
            section.mistakes().add(
                section.span.clone(),
                format!("{} names several levels of `{word}`", section.title),
                Some("name one".into()),
            );
        }
        Some(first)
    })
}

/// Reads every `[[skip]]`. `names` gives the printed level names of each factor, in the order of
/// [`Factor::ALL`].
pub fn read_skips(
    sections: Vec<Section<'_>>,
    generation: Generation,
    names: &[Vec<String>; FACTORS],
) -> Vec<Skip> {
    let mut skips = Vec::new();
    for section in sections {
        let reason = section.required_text("reason", "why these are left out");
        let levels = read_levels(&section, generation, names);
        let kinds = section.choices("kind", &BusKind::ALL).unwrap_or_default();
        if levels.iter().all(Option::is_none) && kinds.is_empty() && !section.has("kind") {
            section.mistake(
                "reason",
                format!("{} names no factor: it would skip everything", section.title),
                "add for example `module = \"...\"` or `rate = 3200`",
            );
        }
        let span = section.span.clone();
        section.finish();
        if let Some(reason) = reason {
            skips.push(Skip { reason: reason.value, levels, kinds, span });
        }
    }
    skips
}
