//! What can be wrong with the input of the physics model.

use std::fmt;

/// A refused input: names the thing, its value, the limit and the remedy.
#[derive(Debug, Clone, PartialEq)]
pub enum PhysicsError {
    /// No model parameter of that name; `nearest` lists the closest known names, best first.
    UnknownParameter {
        /// The name as given.
        name: String,
        /// Closest known names, at most four, best first.
        nearest: Vec<&'static str>,
    },
    /// A number outside its allowed range (limits in the same unit as the value).
    OutOfRange {
        /// What the number is.
        name: String,
        /// The number given.
        value: f64,
        /// Smallest allowed value.
        low: f64,
        /// Largest allowed value.
        high: f64,
        /// Unit of value and limits; empty for a pure number.
        unit: &'static str,
    },
    /// A description that contradicts itself; the text says what and how to mend it.
    Inconsistent(String),
}

impl PhysicsError {
    /// Refuses `value` (in `unit`) unless it is finite and within `low..=high`.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] when it is not.
    pub fn check_range(
        name: &str,
        value: f64,
        low: f64,
        high: f64,
        unit: &'static str,
    ) -> Result<f64, PhysicsError> {
        if value.is_finite() && value >= low && value <= high {
            Ok(value)
        } else {
            Err(PhysicsError::OutOfRange { name: name.to_owned(), value, low, high, unit })
        }
    }
}

impl fmt::Display for PhysicsError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PhysicsError::UnknownParameter { name, nearest } => {
                write!(out, "the model has no parameter '{name}'")?;
                match nearest.as_slice() {
                    [] => Ok(()),
                    [one] => write!(out, "; did you mean '{one}'?"),
                    many => write!(out, "; did you mean one of '{}'?", many.join("', '")),
                }
            }
            PhysicsError::OutOfRange { name, value, low, high, unit } => {
                let space = if unit.is_empty() { "" } else { " " };
                write!(out, "{name} is {value}{space}{unit}; give a number from {low} to {high}{space}{unit}")
            }
            PhysicsError::Inconsistent(text) => out.write_str(text),
        }
    }
}

impl std::error::Error for PhysicsError {}
