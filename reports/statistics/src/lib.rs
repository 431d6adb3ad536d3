//! Statistics and metrology core: pure functions from numbers to numbers.
//!
//! Nothing here knows about eyes, plans or pages. Every function either answers with a finite result or with a
//! [`StatisticsError`] that says what is wrong and what would help. Check values with their sources are in the
//! `published` tests.

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod anova;
pub mod capability;
pub mod comparisons;
pub mod conformity;
pub mod control;
pub mod distributions;
pub mod error;
pub mod factorial;
pub mod gauge;
pub mod global_risk;
pub mod gum;
pub mod multiplicity;
pub mod normality;
pub mod outliers;
pub mod proportion;
pub mod special;
pub mod summary;
pub mod tolerance;

#[cfg(test)]
mod properties;
#[cfg(test)]
mod published;

pub use error::StatisticsError;
