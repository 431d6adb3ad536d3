//! Statistics and metrology core: pure functions from numbers to numbers.
//!
//! Nothing here knows about eyes, plans or pages. Every function either answers with a finite result or with a
//! [`StatisticsError`] that says what is wrong and what would help. Check values with their sources are in the
//! `published` tests.
//!
//! ```
//! use statistics::conformity::{Measured, Tolerance, conformance};
//!
//! // A width of 12.0 ps with u = 1.0 ps against a lower limit of 10.0 ps: two standard uncertainties inside.
//! let width = Measured::normal(12.0, 1.0);
//! let odds = conformance(&width, &Tolerance::Lower(10.0)).unwrap();
//! assert!((odds.conforming - 0.97725).abs() < 1e-5); // Phi(2)
//! ```

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod anova;
pub mod capability;
pub mod clustered;
pub mod comparisons;
pub mod conformity;
pub mod control;
pub mod distributions;
pub mod eigen;
pub mod error;
pub mod factorial;
pub mod gauge;
pub mod gaussian_process;
pub mod global_risk;
pub mod gum;
pub mod minimum;
pub mod multiplicity;
pub mod nonnegative;
pub mod normality;
pub mod outliers;
pub mod predicted_risk;
pub mod proportion;
pub mod rank;
pub mod regression;
pub mod scoring;
pub mod special;
pub mod summary;
pub mod tolerance;

#[cfg(test)]
mod properties;
#[cfg(test)]
mod published;

pub use error::StatisticsError;
