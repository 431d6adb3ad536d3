//! Predicted verdicts: what conditions that were not measured would say, inferred from those that were.
//!
//! [`Field`] is everything that stands before the first measurement: the conditions as [`Point`]s, what is judged of each, and what
//! the channel model expects ([`Prior`], stored with the run so that a report needs no simulator). [`Model`] learns from
//! [`Measured`] conditions how the bench differs from that; [`Predictions`] is what a report prints; [`Walk`] decides what is
//! measured next. All of it is a function of stored inputs: no file, no clock, no random number but from a given seed.
//!
//! Predicted are width and height, each the worst eye of a direction. A condition that any other metric or a mask is judged of, or
//! for which the model has no answer, is never predicted.

mod calibration;
mod faults;
mod field;
mod measured;
mod model;
mod mountings;
mod outcome;
mod prior;
mod visits;
mod walk;

pub use calibration::NEAR_LIMIT;
pub use field::{Asked, Field, Point, Quantity};
pub use measured::{Known, Measured, Reading};
pub use model::Model;
pub use outcome::{
    Audits, Doubt, Predicted, PredictedMargin, PredictedVerdict, Predictions, Quarantine, Shared, Side,
    share_bound,
};
pub use prior::{Expected, EyeSize, Prior, Size, eye_size};
pub use visits::{Block, Mandatory, mandatory};
pub use walk::{Clock, Terms, Visit, Walk, Why};

#[cfg(test)]
mod fault_tests;
#[cfg(test)]
mod tests;
