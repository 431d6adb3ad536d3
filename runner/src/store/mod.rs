//! The run folder's store: every job's raw counts, whole or absent, in one SQLite database.
//!
//! [`Store`] writes (one at a time, guarded by a lock), [`StoreReader`] reads, also while a run writes. The
//! tables are documented in `STORE.md`.
//!
//! Invariant: a job is written in one transaction, so its result is whole or absent.
//! Invariant: what is read does not depend on the order in which jobs were written.
//! Invariant: while a run writes less than [`MOST_LOG_BYTES`], the database file itself stays as it was when the
//! run was opened (changes go to the log beside it), so a plain copy of the folder is a whole store.

mod attachments;
mod bytes;
mod columns;
mod dates;
mod digest;
mod disk;
mod error;
mod events;
#[cfg(test)]
mod generated;
mod lock;
mod notes;
mod packing;
mod reader;
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
use nightbench_core::events::{Event, Stored};
use nightbench_core::results::JobResult;
use rusqlite::{Connection, ErrorCode, Transaction, TransactionBehavior, params};
use schema::Found;
use sealed::Marks;
use sha2::{Digest, Sha256};
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use writer::{Entry, WriteFailure};

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
    waiting_bytes: u64,
    oldest: Option<Instant>,
    ballast: Ballast,
    place: Place,
    fault: Option<WriteFault>,
    // Last, so that the database is closed before the folder is free for others.
    lock: FolderLock,
}

impl Store {
    /// Creates a run folder, or an empty store in a folder that has none. The folder above must exist.
    ///
    /// # Errors
    /// There is a store already; the folder cannot be written; the disk is full; somebody else creates it.
    pub fn create(dir: &Path, meta: &Meta) -> Result<Store, StoreError> {
        match std::fs::create_dir(dir) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Err(StoreError::NoFolder { path: dir.display().to_string() });
            }
            Err(error) if error.kind() != std::io::ErrorKind::AlreadyExists => {
                return Err(StoreError::system(dir, &error));
            }
            _ => {}
        }
        let lock = FolderLock::take(dir)?;
        let path = dir.join(STORE_FILE);
        let connection = connect(&path)?;
        if schema::recognise(&connection, &path)? != Found::Empty {
            return Err(StoreError::AlreadyThere { path: path.display().to_string() });
        }
        set_up(&connection)
            .and_then(|()| write_new(&connection, meta))
            .map_err(|error| StoreError::database(&path, error))?;
        Store::finish_opening(connection, path, dir, lock, Some(&meta.target))
    }

    /// Opens a run folder to go on writing, after looking through it for damage and changes.
    ///
    /// # Errors
    /// No store in the folder; a newer format; damage or changes; somebody else writes to it; it cannot be written.
    pub fn open(dir: &Path) -> Result<Store, StoreError> {
        Store::open_with(dir, true)
    }

    /// Opens a run folder to add a few words to it: as [`open`](Store::open), without room kept for more.
    ///
    /// # Errors
    /// As [`open`](Store::open).
    pub fn open_to_note(dir: &Path) -> Result<Store, StoreError> {
        Store::open_with(dir, false)
    }

    fn open_with(dir: &Path, ballast: bool) -> Result<Store, StoreError> {
        let path = dir.join(STORE_FILE);
        if let Err(error) = std::fs::metadata(&path) {
            return Err(StoreError::system(&path, &error));
        }
        let lock = FolderLock::take(dir)?;
        let mut connection = connect(&path)?;
        if schema::recognise(&connection, &path)? == Found::Empty {
            return Err(StoreError::Missing { path: path.display().to_string() });
        }
        upgrade::upgrade(&mut connection, &path)?;
        set_up(&connection).map_err(|error| StoreError::database(&path, error))?;
        let reader = StoreReader::new(connection, path.clone());
        reader.verify()?;
        let target = reader.meta()?.target;
        Store::finish_opening(reader.connection, path, dir, lock, ballast.then_some(&target))
    }

    /// Opens a run folder for reading only, also while a run writes to it. It is not looked through for damage:
    /// see [`StoreReader::verify`].
    ///
    /// # Errors
    /// No store in the folder, or a newer format.
    pub fn open_read_only(dir: &Path) -> Result<StoreReader, StoreError> {
        StoreReader::open(&dir.join(STORE_FILE))
    }

    /// Is there a store in the folder?
    ///
    /// # Errors
    /// There is a file of its name that cannot be read or is something else.
    pub fn exists(dir: &Path) -> Result<bool, StoreError> {
        match Store::open_read_only(dir) {
            Ok(_) => Ok(true),
            Err(StoreError::Missing { .. }) => Ok(false),
            Err(error) => Err(error),
        }
    }

    fn finish_opening(
        connection: Connection,
        path: PathBuf,
        dir: &Path,
        lock: FolderLock,
        target: Option<&Target>,
    ) -> Result<Store, StoreError> {
        let (durability, ballast) = match target {
            Some(Target::Simulated) => (Durability::Grouped, Some(disk::SMALL_BALLAST_BYTES)),
            Some(Target::Bench(_)) => (Durability::EachJob, Some(disk::BALLAST_BYTES)),
            None => (Durability::EachJob, None),
        };
        let place = Place::of(&path)?;
        let mut store = Store {
            reader: StoreReader::new(connection, path),
            durability,
            waiting: Vec::new(),
            waiting_keys: HashSet::new(),
            waiting_taken: HashSet::new(),
            waiting_bytes: 0,
            oldest: None,
            ballast: ballast.map_or_else(|| Ok(Ballast::none()), |bytes| Ballast::fill(dir, bytes))?,
            place,
            fault: None,
            lock,
        };
        // What a run that was killed left in the log of changes. Without room for it, it stays there.
        match store.fold_log() {
            Err(error) if !error.is_full() => Err(error),
            _ => Ok(store),
        }
    }

    /// Read access to the same folder. Jobs that still wait for their transaction are not seen.
    pub fn reader(&self) -> &StoreReader {
        &self.reader
    }

    /// The process that held the folder before and ended without closing it.
    pub fn left_by(&self) -> Option<&Holder> {
        self.lock.left_by.as_ref()
    }

    /// Chooses when finished jobs are written.
    ///
    /// # Errors
    /// Jobs that waited cannot be written.
    pub fn set_durability(&mut self, durability: Durability) -> Result<(), StoreError> {
        self.durability = durability;
        self.commit()
    }

    /// Records a finished job; with [`Durability::EachJob`] it is safe on the disk when this returns.
    ///
    /// # Errors
    /// [`StoreError::AlreadyDone`]; numbers or counts that cannot be stored; a write error, after which the job
    /// still waits and [`commit`](Store::commit) tries again.
    pub fn record(
        &mut self,
        row: &JobRow,
        result: &JobResult,
        readings: &[Reading],
    ) -> Result<(), StoreError> {
        self.record_packed(PackedJob::new(row, result, readings)?)
    }

    /// Records a job packed elsewhere, for example by the thread that measured it, or taken from another store.
    ///
    /// # Errors
    /// As [`record`](Store::record).
    pub fn record_packed(&mut self, job: PackedJob) -> Result<(), StoreError> {
        writer::position(&job.row)?;
        // Taken from another store: its number must be free among the jobs that wait as well.
        let taken = job.attempt.is_some();
        if self.waiting_taken.contains(job.key()) || (taken && self.waiting_keys.contains(job.key())) {
            self.commit()?;
        }
        if (job.superseded.is_none() && self.is_done(job.key())?) || self.reader.has_attempt(&job)? {
            return Err(StoreError::AlreadyDone { job: hex(job.key()) });
        }
        if job.superseded.is_none() {
            self.waiting_keys.insert(*job.key());
        }
        if taken {
            self.waiting_taken.insert(*job.key());
        }
        self.push(Entry::Job(Box::new(job)))
    }

    /// Appends readings taken between jobs.
    ///
    /// # Errors
    /// A number that is not finite, or a write error.
    pub fn record_readings(&mut self, readings: Vec<Reading>) -> Result<(), StoreError> {
        if let Some(reading) = readings.iter().find(|one| !one.value.is_finite() || !one.bench_s.is_finite())
        {
            return Err(StoreError::Value {
                what: format!("reading {} ({})", reading.name, reading.unit),
                value: format!("{} at {} s", reading.value, reading.bench_s),
                limit: "numbers must be finite",
            });
        }
        self.push(Entry::Readings(readings))
    }

    /// Appends an event to the log.
    ///
    /// # Errors
    /// A write error, after which the event still waits.
    pub fn append_event(&mut self, utc: &str, event: &Event) -> Result<(), StoreError> {
        self.push(Entry::Event { utc: utc.to_owned(), parts: StoredEvent::parts(event)? })
    }

    /// Appends an event of another log as it stands there.
    ///
    /// # Errors
    /// A write error, after which the event still waits.
    pub fn copy_event(&mut self, event: StoredEvent) -> Result<(), StoreError> {
        self.push(Entry::Event { utc: event.utc, parts: [event.kind, event.facts, event.text] })
    }

    /// Has the job a result that counts, written or waiting?
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn is_done(&self, key: &JobKey) -> Result<bool, StoreError> {
        Ok(self.waiting_keys.contains(key) || self.reader.is_done(key)?)
    }

    /// Marks the result of a job as superseded, so that the job can be measured again; the old attempt stays.
    ///
    /// # Errors
    /// [`StoreError::NoSuchJob`], or a write error.
    pub fn supersede(&mut self, key: &JobKey, reason: &str) -> Result<(), StoreError> {
        self.commit()?;
        let changed = self.change(|transaction| {
            transaction.execute(
                "UPDATE jobs SET superseded = 1, superseded_reason = ? WHERE job_key = ? AND superseded = 0",
                params![reason, key],
            )
            .and_then(|changed| sealed::states(transaction).map(|()| changed))
        })?;
        if changed == 0 { Err(StoreError::NoSuchJob { job: hex(key) }) } else { Ok(()) }
    }

    /// Records the plan of a continued run and the places of its jobs; jobs not named keep their place.
    ///
    /// # Errors
    /// A write error; nothing is changed then.
    pub fn extend_plan(
        &mut self,
        utc: &str,
        title: &str,
        plan_text: &str,
        places: impl IntoIterator<Item = (JobKey, u64)>,
    ) -> Result<(), StoreError> {
        self.commit()?;
        self.change(|transaction| {
            insert_plan(transaction, utc, title, plan_text)?;
            let mut place = transaction.prepare_cached(
                "UPDATE jobs SET plan_position = ?1 WHERE job_key = ?2 AND plan_position <> ?1",
            )?;
            for (key, position) in places {
                place.execute(params![i64::try_from(position).unwrap_or(i64::MAX), key])?;
            }
            sealed::states(transaction)
        })
    }

    /// Records limits that results are judged by, unless the same were recorded last.
    ///
    /// # Errors
    /// A write error.
    pub fn record_limits(&mut self, limits: &LimitSet) -> Result<(), StoreError> {
        let last = self.reader.limit_sets()?.pop();
        if last.is_some_and(|last| {
            last.limits_text == limits.limits_text
                && last.agreed_before_measuring == limits.agreed_before_measuring
        }) {
            return Ok(());
        }
        self.commit()?;
        self.change(|transaction| {
            transaction.execute(
                "INSERT INTO limit_sets (recorded_utc, agreed_before_measuring, limits_sha256, limits_text) \
                 VALUES (?, ?, ?, ?)",
                params![
                    limits.recorded_utc,
                    limits.agreed_before_measuring,
                    sha256_hex(&limits.limits_text),
                    limits.limits_text
                ],
            )?;
            sealed::last_row(transaction, Stored::Limits)
        })
    }

    /// Time until [`commit`](Store::commit) is due; `None` when nothing waits. A writer that waits for the next
    /// job waits no longer than this.
    pub fn commit_due_in(&self) -> Option<Duration> {
        self.oldest.map(|oldest| GROUP_TIME.saturating_sub(oldest.elapsed()))
    }

    /// Writes everything that waits, in one transaction. On a full disk the ballast is given up and the
    /// transaction tried once more; [`disk_is_full`](Store::disk_is_full) then asks for a clean stop.
    ///
    /// # Errors
    /// A write error; everything still waits.
    pub fn commit(&mut self) -> Result<(), StoreError> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        match self.write_waiting() {
            Err(error) if error.is_full() && self.ballast.release() => self.write_waiting(),
            other => other,
        }?;
        self.waiting.clear();
        self.waiting_keys.clear();
        self.waiting_taken.clear();
        self.waiting_bytes = 0;
        self.oldest = None;
        self.place.look()?;
        self.fold_long_log()
    }

    /// Was the ballast given up because the disk is full? The run should stop now: what is recorded is safe.
    pub fn disk_is_full(&self) -> bool {
        self.ballast.is_given_up()
    }

    /// Writes what waits, folds the log of changes into the database and gives the folder up.
    ///
    /// # Errors
    /// What waits cannot be written. A disk too full to fold the log is no error: the log stays and is read.
    pub fn close(mut self) -> Result<(), StoreError> {
        self.commit()?;
        self.place.look()?;
        self.ballast.release();
        match self.fold_log() {
            Err(error) if !error.is_full() => Err(error),
            _ => Ok(()),
        }
    }

    /// Makes coming transactions fail, for tests of what a run does about it.
    pub fn inject_fault(&mut self, fault: WriteFault) {
        self.fault = Some(fault);
    }

    /// Lets the database grow by at most this many pages of 4096 bytes from now on, for tests of a full disk.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn limit_growth(&mut self, pages: u32) -> Result<(), StoreError> {
        let connection = &self.reader.connection;
        connection
            .query_row("PRAGMA page_count", [], |row| row.get::<_, i64>(0))
            .and_then(|now| {
                let most = now + i64::from(pages);
                connection.query_row(&format!("PRAGMA max_page_count = {most}"), [], |_| Ok(()))
            })
            .map_err(|error| self.reader.error(error))
    }

    fn push(&mut self, entry: Entry) -> Result<(), StoreError> {
        self.waiting_bytes += entry.size_bytes();
        self.waiting.push(entry);
        let oldest = *self.oldest.get_or_insert_with(Instant::now);
        let due = self.durability == Durability::EachJob
            || self.waiting_bytes >= GROUP_BYTES
            || oldest.elapsed() >= GROUP_TIME;
        if due { self.commit() } else { Ok(()) }
    }

    fn write_waiting(&mut self) -> Result<(), StoreError> {
        let fault = self.next_fault();
        let connection = &self.reader.connection;
        let transaction = Transaction::new_unchecked(connection, TransactionBehavior::Immediate)
            .map_err(|error| self.reader.error(error))?;
        let before = Marks::now(connection).map_err(|error| self.reader.error(error))?;
        for entry in &self.waiting {
            entry.write(connection).map_err(|failure| match (failure, entry) {
                (WriteFailure::Database(error), Entry::Job(job))
                    if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) =>
                {
                    StoreError::AlreadyDone { job: hex(job.key()) }
                }
                (WriteFailure::Database(error), _) => self.reader.error(error),
                (WriteFailure::Store(error), _) => error,
            })?;
        }
        before.seal_since(connection).map_err(|error| self.reader.error(error))?;
        self.end(transaction, fault)
    }

    /// Runs changes outside the queue in a transaction of their own.
    fn change<T>(
        &mut self,
        changes: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let fault = self.next_fault();
        let transaction = Transaction::new_unchecked(&self.reader.connection, TransactionBehavior::Immediate)
            .map_err(|error| self.reader.error(error))?;
        let value = changes(&transaction).map_err(|error| self.reader.error(error))?;
        self.end(transaction, fault)?;
        self.place.look()?;
        Ok(value)
    }

    /// Commits, or fails on purpose; a transaction that is not committed is rolled back.
    fn end(&self, transaction: Transaction<'_>, fault: Option<WriteFaultKind>) -> Result<(), StoreError> {
        let path = self.reader.path().display().to_string();
        let detail = "made to fail by a test".to_owned();
        match fault {
            None => transaction.commit().map_err(|error| self.reader.error(error)),
            Some(WriteFaultKind::Full) => Err(StoreError::Full { path }),
            Some(WriteFaultKind::Io) => Err(StoreError::Io { path, detail }),
            Some(WriteFaultKind::ReadOnly) => Err(StoreError::ReadOnly { path, detail }),
        }
    }

    fn next_fault(&mut self) -> Option<WriteFaultKind> {
        let fault = self.fault.as_mut()?;
        if fault.after > 0 {
            fault.after -= 1;
            return None;
        }
        fault.times = fault.times.checked_sub(1)?;
        Some(fault.kind)
    }

    fn fold_long_log(&mut self) -> Result<(), StoreError> {
        let long = reader::log_bytes(self.reader.path()) >= MOST_LOG_BYTES;
        match if long { self.fold_log() } else { Ok(()) } {
            // The jobs are safe in the log; it is folded when there is room.
            Err(error) if !error.is_full() => Err(error),
            _ => Ok(()),
        }
    }

    /// Folds the log of changes into the database, as far as readers let it.
    fn fold_log(&mut self) -> Result<(), StoreError> {
        self.reader
            .connection
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
            .map_err(|error| self.reader.error(error))?;
        self.place.folded()
    }
}

fn connect(path: &Path) -> Result<Connection, StoreError> {
    let connection = Connection::open(path).map_err(|error| StoreError::database(path, error))?;
    connection
        .busy_timeout(Duration::from_secs(error::BUSY_WAIT_S))
        .map_err(|error| StoreError::database(path, error))?;
    Ok(connection)
}

fn set_up(connection: &Connection) -> rusqlite::Result<()> {
    connection.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get::<_, String>(0))?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    // The log is folded on opening and closing only: see the third invariant.
    connection.query_row("PRAGMA wal_autocheckpoint = 0", [], |_| Ok(()))?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(())
}

fn write_new(connection: &Connection, meta: &Meta) -> rusqlite::Result<()> {
    let transaction = Transaction::new_unchecked(connection, TransactionBehavior::Immediate)?;
    schema::create(&transaction)?;
    let (target, bench) = match &meta.target {
        Target::Simulated => ("simulated", None),
        Target::Bench(name) => ("bench", Some(name.clone())),
    };
    let values = [
        ("format_version", Some(FORMAT_VERSION.to_string())),
        ("tool_version", Some(meta.tool_version.clone())),
        ("seed", Some(meta.seed.to_string())),
        ("target", Some(target.to_owned())),
        ("bench", bench),
        ("created_utc", Some(meta.created_utc.clone())),
    ];
    for (key, value) in values {
        if let Some(value) = value {
            transaction.execute("INSERT INTO meta (key, value) VALUES (?, ?)", params![key, value])?;
        }
    }
    sealed::settings(&transaction)?;
    insert_plan(&transaction, &meta.created_utc, &meta.title, &meta.plan_text)?;
    transaction.commit()
}

fn insert_plan(transaction: &Transaction<'_>, utc: &str, title: &str, text: &str) -> rusqlite::Result<()> {
    transaction.execute(
        "INSERT INTO plans (recorded_utc, title, plan_sha256, plan_text) VALUES (?, ?, ?, ?)",
        params![utc, title, sha256_hex(text), text],
    )?;
    sealed::last_row(transaction, Stored::Plan)
}

fn sha256_hex(text: &str) -> String {
    hex(&Sha256::digest(text.as_bytes()))
}
