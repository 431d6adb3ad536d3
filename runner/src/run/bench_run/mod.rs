//! Runs jobs on a bench, one after the other: safe at every exit, honest about what was not measured.

mod attended;
mod hours;
mod jobs;
mod mounting;
mod remaining;
mod retry;
mod session;
mod texts;

pub(crate) use hours::{bench_hours, hours_in_words};
pub(crate) use session::lock_bench;
pub use session::{
    BenchEnd, BenchRun, BenchSession, make_safe_now, narrowed, overdue, read_bench, refused,
    reopen_unmeasured,
};
pub(crate) use texts::{MOST_TEXTS, failure_texts};

/// Kind of the event that names an instrument, its answer and its calibration date.
pub const INSTRUMENT_EVENT: &str = "instrument";
