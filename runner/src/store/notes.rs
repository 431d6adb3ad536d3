//! Small things beside the results: notes in `meta`, and attempts that were given up together.

use super::sealed::{self, NOTE};
use super::{Store, StoreError, writer};
use crate::store::columns::{JOB_COLUMNS, stored_job};
use crate::store::reader::StoreReader;
use crate::store::rows::{JobKey, StoredJob};
use rusqlite::params;
use std::collections::HashMap;

impl Store {
    /// Keeps a short text under a name in the table `meta`, for later commands on the folder.
    ///
    /// # Errors
    /// A write error.
    pub fn note(&mut self, name: &str, text: &str) -> Result<(), StoreError> {
        let key = format!("{NOTE}{name}");
        if self.reader.meta_value(&key)?.is_some_and(|known| known == text) {
            return Ok(());
        }
        self.commit()?;
        self.change(|transaction| {
            transaction
                .execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", params![key, text])
                .and_then(|_| sealed::note(transaction, name, text))
        })
    }

    /// Marks the results of many jobs as superseded in one transaction: all or none. Jobs without a result that
    /// counts are left as they are; returns how many were marked.
    ///
    /// # Errors
    /// A write error.
    pub fn supersede_all(&mut self, keys: &[JobKey], reason: &str) -> Result<usize, StoreError> {
        self.commit()?;
        self.change(|transaction| {
            let mut marked = 0;
            for key in keys {
                marked += writer::supersede(transaction, key, reason)?;
            }
            sealed::states(transaction)?;
            Ok(marked)
        })
    }
}

impl Store {
    /// Notes which summary in the cache belongs to a result: job, attempt, SHA-256 of the summary.
    ///
    /// # Errors
    /// A write error.
    pub fn note_summaries(&mut self, summaries: &[(JobKey, u32, [u8; 32])]) -> Result<(), StoreError> {
        if summaries.is_empty() {
            return Ok(());
        }
        self.commit()?;
        self.change(|transaction| {
            let mut note = transaction
                .prepare_cached("UPDATE jobs SET summary_sha256 = ? WHERE job_key = ? AND attempt = ?")?;
            for (key, attempt, sha256) in summaries {
                note.execute(params![sha256, key, attempt])?;
            }
            sealed::states(transaction)
        })
    }
}

/// The last attempt of a job that does not count any more.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GivenUp {
    /// Its number, from 1.
    pub attempt: u32,
    /// Why it does not count.
    pub reason: String,
}

impl StoreReader {
    /// A text kept by [`Store::note`].
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn noted(&self, name: &str) -> Result<Option<String>, StoreError> {
        self.meta_value(&format!("{NOTE}{name}"))
    }

    /// Every attempt at a job, oldest first.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn attempts(&self, key: &JobKey) -> Result<Vec<StoredJob>, StoreError> {
        let sql = format!(
            "SELECT {JOB_COLUMNS} FROM jobs JOIN identities ON identities.id = identity_id WHERE job_key = ? \
             ORDER BY attempt"
        );
        let mut statement = self.prepare(&sql)?;
        let rows = statement.query_map([key], stored_job).map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    /// Of every job with results, the number of its last attempt.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn newest_attempts(&self) -> Result<HashMap<JobKey, u32>, StoreError> {
        let mut statement = self.prepare("SELECT job_key, max(attempt) FROM jobs GROUP BY job_key")?;
        let rows = statement
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
            .map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    /// Of every job with superseded attempts, the last of them.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn given_up(&self) -> Result<HashMap<JobKey, GivenUp>, StoreError> {
        // SQLite takes bare columns beside max() from the row of the maximum.
        let mut statement = self.prepare(
            "SELECT job_key, max(attempt), superseded_reason FROM jobs WHERE superseded = 1 GROUP BY job_key",
        )?;
        let rows = statement
            .query_map([], |row| {
                let reason: Option<String> = row.get(2)?;
                Ok((row.get(0)?, GivenUp { attempt: row.get(1)?, reason: reason.unwrap_or_default() }))
            })
            .map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }
}
