//! Values that every crate shares: units, rates, grid, results, faults, point rule, published tables, text,
//! repeatable random numbers.
//!
//! A point of an eye is decided by its counts alone, by the same rule in the driver, the capture and the
//! report:
//!
//! ```
//! use nightbench_core::point_rule::{Decision, PointRule};
//!
//! let rule = PointRule::sequential(1e-6, 0.95);
//! assert_eq!(rule.decide(1_000, 0), None, "too few bits to say anything");
//! assert_eq!(rule.decide(4_000_000, 0), Some(Decision::Pass));
//! assert_eq!(rule.decide(4_000_000, 40), Some(Decision::Fail));
//! ```

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod capture_cost;
pub mod condition;
pub mod devices;
pub mod events;
pub mod eye_confidence;
pub mod faults;
pub mod figure_model;
pub mod generations;
pub mod lane_model;
pub mod line;
pub mod point_odds;
pub mod point_rule;
pub mod random;
pub mod rates;
pub mod results;
pub mod rim_forecast;
pub mod text;
pub mod units;
