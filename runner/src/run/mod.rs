//! Running jobs: on simulated targets in parallel, on a bench one after the other; further attempts and merging.

pub mod asked;
pub mod bench_run;
pub mod clock;
pub mod disk_space;
pub mod earlier_nights;
pub mod execute;
pub mod foreseen_hours;
pub mod held;
pub mod hours;
pub mod known;
pub mod merge;
pub mod mounting_check;
pub mod mountings;
pub mod operator;
pub mod pending;
mod possible;
pub mod prediction;
pub mod progress;
pub mod rate_search;
pub mod remeasure;
pub mod rounds;
pub mod signals;
pub mod simulated_rounds;
pub mod simulated_run;
pub(crate) mod watchdog;
