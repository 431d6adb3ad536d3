//! Runs jobs on a bench, one after the other: safe at every exit, honest about what was not measured.

mod jobs;
mod session;

pub(crate) use session::lock_bench;
pub use session::{BenchEnd, BenchSession, make_safe_now, overdue, read_bench, refused, reopen_unmeasured};

/// Kind of the event that names an instrument, its answer and its calibration date.
pub const INSTRUMENT_EVENT: &str = "instrument";
