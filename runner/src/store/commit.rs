//! From what waits to the disk: transactions, sealed as they are written, and the log of changes.

use super::rows::hex;
use super::sealed::{self, Marks};
use super::writer::{Entry, WriteFailure};
use super::{
    Durability, GROUP_BYTES, GROUP_TIME, MOST_LOG_BYTES, Store, StoreError, WriteFault, WriteFaultKind,
    reader,
};
use rusqlite::{ErrorCode, Transaction, TransactionBehavior};
use std::time::{Duration, Instant};

impl Store {
    /// Chooses when finished jobs are written.
    ///
    /// # Errors
    /// Jobs that waited cannot be written.
    pub fn set_durability(&mut self, durability: Durability) -> Result<(), StoreError> {
        self.durability = durability;
        self.commit()
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

    pub(super) fn push(&mut self, entry: Entry) -> Result<(), StoreError> {
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
        if self.waiting.iter().any(Entry::replaces) {
            sealed::states(connection).map_err(|error| self.reader.error(error))?;
        }
        self.end(transaction, fault)
    }

    /// Runs changes outside the queue in a transaction of their own.
    pub(super) fn change<T>(
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
    pub(super) fn fold_log(&mut self) -> Result<(), StoreError> {
        self.reader
            .connection
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
            .map_err(|error| self.reader.error(error))?;
        self.place.folded()
    }
}
