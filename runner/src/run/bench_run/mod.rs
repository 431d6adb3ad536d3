//! Runs jobs on a bench, one after the other: safe at every exit, honest about what was not measured.

mod attended;
mod beginning;
mod deliveries;
mod device;
mod given_hours;
mod hours;
mod identities;
mod jobs;
mod mounting;
mod nights;
mod ownership;
mod queue;
mod record;
mod remaining;
mod retry;
mod session;
mod site;
mod stated;
mod supervisor;
mod texts;

pub(crate) use attended::local_minutes;
pub(crate) use beginning::{Beginning, HandsNow};
pub use device::Bench;
pub(crate) use hours::{bench_hours, hours_in_words};
pub(crate) use nights::nights_of;
pub use ownership::state_folder;
pub(crate) use ownership::{custody, know, lock_bench, make_safe_from_outside, not_safe, not_safe_words};
pub(crate) use session::Journal;
pub use session::{BenchEnd, BenchRun, BenchSession, Choosing, unmeasured};
pub(crate) use site::Site;
pub use stated::{narrowed, overdue, read_bench, refuse_beyond, refused, tell_doubts};
pub(crate) use texts::{MOST_TEXTS, failure_texts};
