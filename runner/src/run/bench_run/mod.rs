//! Runs jobs on a bench, one after the other: safe at every exit, honest about what was not measured.

mod attended;
mod device;
mod hours;
mod identities;
mod jobs;
mod mounting;
mod queue;
mod record;
mod remaining;
mod retry;
mod session;
mod site;
mod texts;

pub use device::Bench;
pub(crate) use hours::{bench_hours, hours_in_words};
pub(crate) use session::lock_bench;
pub use session::{
    BenchEnd, BenchRun, BenchSession, make_safe_now, narrowed, overdue, read_bench, refused,
    reopen_unmeasured,
};
pub(crate) use texts::{MOST_TEXTS, failure_texts};
