//! Values every crate shares: units, rates, grid, results, faults, point rule, published tables, text, repeatable
//! random numbers.

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod capture_cost;
pub mod condition;
pub mod devices;
pub mod eye_confidence;
pub mod faults;
pub mod jedec;
pub mod point_odds;
pub mod point_rule;
pub mod random;
pub mod rates;
pub mod results;
pub mod text;
pub mod units;
