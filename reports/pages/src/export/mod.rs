//! Exports for other tools: CSV, JSON lines and JUnit XML, written piece by piece so that memory stays flat.
//!
//! Invariant: the same data gives the same text; what was not measured is empty or null, never 0.

pub mod csv;
pub mod jsonl;
pub mod junit;
mod predicted;

#[cfg(test)]
mod tests;

use judge::judged::{JobNote, JudgedCondition, JudgedRun};
use plan::matrix::Factor;

/// Column and key of each factor, with its unit.
const FACTOR_KEYS: [(&str, Factor); 8] = [
    ("chip", Factor::Chip),
    ("firmware", Factor::Firmware),
    ("module", Factor::Module),
    ("channel", Factor::Channel),
    ("rate_mtps", Factor::Rate),
    ("temperature_degc", Factor::Temperature),
    ("supply", Factor::Supply),
    ("pattern", Factor::Pattern),
];

/// Printed name of a level of a condition; empty where the run does not name it.
fn level<'a>(run: &'a JudgedRun, judged: &JudgedCondition, factor: Factor) -> &'a str {
    let names = run.level_names.get(factor as usize);
    names.and_then(|names| names.get(judged.condition.level(factor))).map_or("", String::as_str)
}

/// A figure to ten digits. What no measurement could tell is left out, the last bits of exponentials among it, in which systems
/// differ.
fn ten_digits(value: f64) -> f64 {
    format!("{value:.9e}").parse().unwrap_or(value)
}

/// How a job ended, in one word.
fn outcome(note: &JobNote) -> &'static str {
    match (note.valid, note.trained) {
        (false, _) => "not_measured",
        (true, true) => "measured",
        (true, false) => "training_failed",
    }
}
