//! Reports that were issued: their numbers, and what each was made from.

use super::digest::Digest;
use super::reader::StoreReader;
use super::{Store, StoreError, sealed};
use nightbench_core::events::Stored;
use rusqlite::{Row, params};

/// A report under its number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IssuedReport {
    pub number: String,
    /// Number of the report whose place it takes.
    pub replaces: Option<String>,
    /// When it was issued, UTC.
    pub issued_utc: String,
    /// Every job of the plan was done.
    pub complete: bool,
    /// Head of the results it was made from.
    pub results_head: Digest,
    /// Head of the log then.
    pub log_head: Digest,
    /// Digest of each thing that it says, by name: a JSON object.
    pub made_from: String,
    /// Limits, rule and budget that it judges by.
    pub limits_text: String,
    /// The readers' notes that it shows.
    pub notes_text: String,
}

fn report(row: &Row<'_>) -> rusqlite::Result<IssuedReport> {
    Ok(IssuedReport {
        number: row.get(0)?,
        replaces: row.get(1)?,
        issued_utc: row.get(2)?,
        complete: row.get(3)?,
        results_head: row.get(4)?,
        log_head: row.get(5)?,
        made_from: row.get(6)?,
        limits_text: row.get(7)?,
        notes_text: row.get(8)?,
    })
}

impl Store {
    /// Puts a report on record.
    ///
    /// # Errors
    /// A write error.
    pub fn issue(&mut self, report: &IssuedReport) -> Result<(), StoreError> {
        self.commit()?;
        self.change(|transaction| {
            transaction.execute(
                "INSERT INTO reports (number, replaces, issued_utc, complete, results_head, log_head, made_from, \
                 limits_text, notes_text) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                params![
                    report.number,
                    report.replaces,
                    report.issued_utc,
                    report.complete,
                    report.results_head,
                    report.log_head,
                    report.made_from,
                    report.limits_text,
                    report.notes_text
                ],
            )?;
            sealed::last_row(transaction, Stored::Report)
        })
    }
}

impl StoreReader {
    /// Every report issued, oldest first.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn issued(&self) -> Result<Vec<IssuedReport>, StoreError> {
        let mut statement = self.prepare(
            "SELECT number, replaces, issued_utc, complete, results_head, log_head, made_from, limits_text, notes_text \
             FROM reports ORDER BY id",
        )?;
        let rows = statement.query_map([], report).map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }
}
