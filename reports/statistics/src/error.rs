//! What can be wrong with the input of a statistic, in words that name the remedy.

use std::fmt;

/// Why a statistic was refused. Every function of this module answers with this instead of a NaN or a verdict
/// drawn from nothing.
#[derive(Debug, Clone, PartialEq)]
pub enum StatisticsError {
    /// Fewer values than the method needs.
    TooFewValues {
        /// What was to be computed.
        what: &'static str,
        /// Number of values given.
        have: usize,
        /// Smallest number that is enough.
        need: usize,
    },
    /// All values are equal, so nothing can be said about spread.
    ZeroVariance {
        /// What was to be computed.
        what: &'static str,
    },
    /// A value is NaN or infinite.
    NotFinite {
        /// What was to be computed.
        what: &'static str,
        /// Position of the value, counted from 0.
        index: usize,
    },
    /// A lower limit is not below the upper limit.
    LimitOrder {
        /// Which pair of limits.
        what: &'static str,
        /// The lower limit as given.
        lower: f64,
        /// The upper limit as given.
        upper: f64,
    },
    /// A number is outside what the method allows.
    OutOfRange {
        /// The quantity.
        name: &'static str,
        value: f64,
        /// What is allowed, in words.
        allowed: &'static str,
    },
    /// Two inputs that must have the same shape do not.
    Shape {
        /// Which input.
        what: &'static str,
        /// Its length.
        have: usize,
        /// The length needed.
        need: usize,
    },
    /// The data do not determine the answer (an empty cell, a fit without optimum, ...).
    NotDetermined {
        /// What was to be computed.
        what: &'static str,
        /// Why, and what would help.
        why: &'static str,
    },
}

impl fmt::Display for StatisticsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewValues { what, have, need } => {
                let values = if *have == 1 { "value" } else { "values" };
                write!(
                    f,
                    "{what}: {have} {values} given, at least {need} are needed; measure more or leave this figure out"
                )
            }
            Self::ZeroVariance { what } => {
                write!(
                    f,
                    "{what}: all values are equal, so there is no spread to work with; check the resolution of the data"
                )
            }
            Self::NotFinite { what, index } => {
                write!(
                    f,
                    "{what}: value {index} (counted from 0) is not a finite number; remove it or measure it again"
                )
            }
            Self::LimitOrder { what, lower, upper } => {
                write!(
                    f,
                    "{what}: the lower limit {lower} must be below the upper limit {upper}; correct or swap them"
                )
            }
            Self::OutOfRange { name, value, allowed } => {
                write!(f, "{name} is {value}, but must be {allowed}")
            }
            Self::Shape { what, have, need } => {
                write!(f, "{what}: length {have} given, length {need} is needed; give one entry for each")
            }
            Self::NotDetermined { what, why } => write!(f, "{what}: not determined by the data: {why}"),
        }
    }
}

impl std::error::Error for StatisticsError {}

/// Short form of the result type of this module.
pub type Result<T> = std::result::Result<T, StatisticsError>;

/// Checks that every value is finite and that there are at least `need` of them.
pub(super) fn check_values(what: &'static str, values: &[f64], need: usize) -> Result<()> {
    if let Some(index) = values.iter().position(|v| !v.is_finite()) {
        return Err(StatisticsError::NotFinite { what, index });
    }
    if values.len() < need {
        return Err(StatisticsError::TooFewValues { what, have: values.len(), need });
    }
    Ok(())
}

/// Checks that a number is finite and satisfies a condition stated in words.
pub(super) fn check_range(name: &'static str, value: f64, ok: bool, allowed: &'static str) -> Result<()> {
    if value.is_finite() && ok { Ok(()) } else { Err(StatisticsError::OutOfRange { name, value, allowed }) }
}

/// Checks a probability strictly between 0 and 1.
pub(super) fn check_probability(name: &'static str, value: f64) -> Result<()> {
    check_range(name, value, value > 0.0 && value < 1.0, "strictly between 0 and 1")
}
