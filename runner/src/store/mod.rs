//! The run folder's store: every job's raw counts, whole or absent, in one SQLite database.
//!
//! [`Store`] writes (one at a time, guarded by a lock), [`StoreReader`] reads, also while a run writes. The
//! tables are documented in `STORE.md`.
//!
//! Invariant: a job is written in one transaction, so its result is whole or absent.
//! Invariant: a result counts until the one that takes its place is written, in the same transaction.
//! Invariant: what is read does not depend on the order in which jobs were written.
//! Invariant: while a run writes less than [`MOST_LOG_BYTES`], the database file itself stays as it was when the
//! run was opened (changes go to the log beside it), so a plain copy of the folder is a whole store.

mod attachments;
mod bytes;
mod columns;
mod commit;
mod dates;
mod digest;
mod disk;
mod error;
mod events;
#[cfg(test)]
mod generated;
mod lock;
mod newest;
mod notes;
mod opening;
mod packing;
mod reader;
mod recording;
mod reports;
mod rows;
mod schema;
mod sealed;
mod upgrade;
mod writer;

#[cfg(test)]
mod fault_tests;
#[cfg(test)]
pub(crate) mod samples;
#[cfg(test)]
mod tests;

pub use attachments::{Attachment, MOST_ATTACHMENT};
pub use dates::{utc_seconds, utc_text};
pub use disk::{StoredAmount, disk_space_estimate, free_disk_bytes};
pub use error::StoreError;
pub use events::{EventCheck, StoredEvent};
pub(crate) use lock::FolderLock;
pub use lock::Holder;
pub use notes::GivenUp;
pub use packing::{PackingError, pack_visits, unpack_visits};
pub use reader::{Attempts, Jobs, Progress, StoreReader};
pub use reports::IssuedReport;
pub use rows::{JobKey, JobRow, LimitSet, Meta, PackedCounts, PackedJob, Reading, StoredJob, Target, hex};
pub use schema::FORMAT_VERSION;
pub use sealed::HeadParts;
pub(crate) use upgrade::TemporaryFolder;

use disk::{Ballast, Place};
use std::collections::{HashMap, HashSet};
use std::time::{Duration, Instant};
use writer::Entry;

/// Name of the database in a run folder.
pub const STORE_FILE: &str = "results.sqlite";
/// Longest time a finished job of a simulated run waits for its transaction.
pub const GROUP_TIME: Duration = Duration::from_millis(100);
/// Bytes of waiting jobs that end the wait early.
const GROUP_BYTES: u64 = 8 << 20;
/// Size of the log of changes at which it is folded into the database during a run.
pub const MOST_LOG_BYTES: u64 = 1 << 30;

/// When finished jobs are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// Each job at once: it is safe when [`Store::record`] returns. The default on a bench.
    EachJob,
    /// Several jobs in a transaction, after [`GROUP_TIME`] at the latest. The default of simulated runs, where
    /// a lost job is computed again.
    Grouped,
}

/// A write error to be produced on purpose, for tests of what a run does about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WriteFault {
    /// Transactions that still succeed.
    pub after: u32,
    /// Transactions that fail then.
    pub times: u32,
    /// How they fail.
    pub kind: WriteFaultKind,
}

/// Kind of a [`WriteFault`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WriteFaultKind {
    /// No space left.
    Full,
    /// The medium fails.
    Io,
    /// The medium turned read-only.
    ReadOnly,
}

/// The writing end of a run folder; at most one exists for a folder at a time.
///
/// [`close`](Store::close) it: a store that is only dropped forgets jobs that still wait for their transaction,
/// as a crash would.
#[derive(Debug)]
pub struct Store {
    reader: StoreReader,
    durability: Durability,
    waiting: Vec<Entry>,
    waiting_keys: HashSet<JobKey>,
    /// Waiting jobs that bring their attempt number along.
    waiting_taken: HashSet<JobKey>,
    /// Jobs whose next result takes the place of the one that counts, and why.
    replacing: HashMap<JobKey, String>,
    waiting_bytes: u64,
    oldest: Option<Instant>,
    ballast: Ballast,
    place: Place,
    fault: Option<WriteFault>,
    // Last, so that the database is closed before the folder is free for others.
    lock: FolderLock,
}

impl Store {
    /// Read access to the same folder. Jobs that still wait for their transaction are not seen.
    pub fn reader(&self) -> &StoreReader {
        &self.reader
    }

    /// The process that held the folder before and ended without closing it.
    pub fn left_by(&self) -> Option<&Holder> {
        self.lock.left_by.as_ref()
    }
}
