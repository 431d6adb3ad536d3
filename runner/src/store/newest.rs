//! What a store holds that is new: for those who look on while a run goes on.

use super::error::StoreError;
use super::reader::StoreReader;
use super::rows::{JobKey, Reading};
use rusqlite::OptionalExtension;

impl StoreReader {
    /// The job measured last.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn newest_measured(&self) -> Result<Option<JobKey>, StoreError> {
        self.prepare(
            "SELECT job_key FROM jobs WHERE superseded = 0 AND outcome = 'measured' ORDER BY id DESC LIMIT 1",
        )?
        .query_row([], |row| row.get(0))
        .optional()
        .map_err(|error| self.error(error))
    }

    /// Readings in a unit since a moment of bench time, in order of time.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn readings_since(&self, bench_s: f64, unit: &str) -> Result<Vec<Reading>, StoreError> {
        let mut statement = self.prepare(
            "SELECT bench_s, name, value, unit FROM readings WHERE bench_s >= ? AND unit = ? ORDER BY bench_s, id",
        )?;
        let rows = statement
            .query_map((bench_s, unit), |row| {
                Ok(Reading { bench_s: row.get(0)?, name: row.get(1)?, value: row.get(2)?, unit: row.get(3)? })
            })
            .map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }
}
