//! Units, plan vocabulary, matrix, order and result values: pure, no input or output.

pub mod bench_file;
pub mod capture_cost;
pub mod expand;
pub mod eye_confidence;
pub mod eye_labels;
pub mod jedec;
pub mod order;
pub mod plan;
pub mod point_odds;
pub mod point_rule;
pub mod rates;
pub mod results;
pub mod spd;
pub mod timetable;
pub mod units;
