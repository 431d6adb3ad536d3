//! Order and calendar: which job when, so that the bench wastes the least time, with a proven bound beside
//! it.
//!
//! [`model`] says what is to be ordered, [`cost`] what a sequence costs, [`stretches`] builds the order,
//! [`bound`] proves how good it is, [`nestings`] costs the loops as written, [`search`] improves tours,
//! [`calendar`] walks an order through attended hours, [`nights`] plans it so that nights are filled,
//! [`learned`] learns from what was observed, tonight and before, [`remaining`] says when the run ends, [`observed`] puts observed
//! durations in the place of expected ones, [`mod@replan`] plans again what is left when reality departs from
//! the plan, [`until`] chooses what fits before an end, [`bench_walk`] walks a bench job by job, [`covering`] conditions when not all are run. Everything is pure: no clock, no files,
//! and random numbers only from a seed given by the caller.

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod bench_walk;
pub mod bound;
pub mod calendar;
pub mod cost;
pub mod covering;
pub mod exact;
pub mod learned;
pub mod model;
pub mod nestings;
pub mod nights;
pub mod observed;
pub mod remaining;
pub mod replan;
pub mod search;
pub mod steps;
pub mod stretches;
pub mod until;

mod pieces;
mod postman;

pub use bench_walk::{Pace, Walk};
pub use bound::{Bound, lower_bound};
pub use calendar::{Calendar, HandsOn, Scheduled, finish_bound, walk, walk_from};
pub use cost::{Cost, Hours, Minutes, Standing, cost_of};
pub use learned::{Learned, Night, Sums, Work};
pub use model::{BenchTimes, JobInput, Mounting, OrderError, Problem, Rules};
pub use nestings::{Loop, Nesting, best_nesting, nested};
pub use nights::{CalendarEffort, plan_calendar};
pub use observed::{JobSeconds, Observed, Rest, observe};
pub use remaining::{FinishRange, finish_range};
pub use replan::{Reality, Replan, replan};
pub use steps::{ByHand, ChangeOver, change_overs};
pub use stretches::{Effort, Order, Origin, Stretch, plan_order, stretches_of};
pub use until::{Candidate, Until, most_valuable};
