//! What is stored goes into the event log as a digest, in the same transaction; looking through a store compares them.
//!
//! A change of anything after it was written then breaks the log's chain, or differs from it. Who rewrites rows, digests
//! and log together is found out by a head noted elsewhere.

use super::dates::utc_text;
use super::digest::{self, Digest, FoundResult, WalkFault, each_result};
use super::error::StoreError;
use super::events::{self, EventCheck, HEAD, StoredEvent};
use super::reader::StoreReader;
use super::rows::hex;
use super::schema;
use nightbench_core::events::{Event, Stored};
use rusqlite::{Connection, params};
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeMap, VecDeque};
use std::path::Path;
use std::time::SystemTime;

/// Beginning of the names of notes in `meta`.
pub(super) const NOTE: &str = "note ";

/// Appends the digest of something stored to the log, within the caller's transaction.
fn append(
    connection: &Connection,
    what: Stored,
    name: Option<&str>,
    (first, last): (i64, i64),
    sha256: &Digest,
) -> rusqlite::Result<()> {
    let number = |value: i64| u64::try_from(value).unwrap_or(0);
    let event = Event::Stored {
        what,
        name: name.map(str::to_owned),
        first: number(first),
        last: number(last),
        sha256: hex(sha256),
    };
    let parts = StoredEvent::parts(&event)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
    events::append(connection, &utc_text(SystemTime::now()), &parts)
}

/// The last rows before a transaction.
#[derive(Debug, Clone, Copy)]
pub(super) struct Marks {
    job: i64,
    reading: i64,
}

impl Marks {
    pub(super) fn now(connection: &Connection) -> rusqlite::Result<Marks> {
        let last = |sql: &str| connection.prepare_cached(sql)?.query_row([], |row| row.get(0));
        Ok(Marks {
            job: last("SELECT coalesce(max(id), 0) FROM jobs")?,
            reading: last("SELECT coalesce(max(id), 0) FROM readings")?,
        })
    }

    /// Seals the results and readings that were written since.
    pub(super) fn seal_since(self, connection: &Connection) -> rusqlite::Result<()> {
        let now = Marks::now(connection)?;
        if now.job > self.job {
            results(connection, (self.job + 1, now.job))?;
        }
        if now.reading > self.reading {
            between_jobs(connection, (self.reading + 1, now.reading))?;
        }
        Ok(())
    }
}

fn results(connection: &Connection, range: (i64, i64)) -> rusqlite::Result<()> {
    let mut found = Vec::new();
    let walked = each_result(connection, range, |result| {
        found.push(result);
        Ok(())
    });
    if let Err(fault) = walked {
        return Err(match fault {
            WalkFault::Database(error) => error,
            WalkFault::Orphan(table) => rusqlite::Error::InvalidColumnName(table.into()),
        });
    }
    let mut note =
        connection.prepare_cached("UPDATE jobs SET content_sha256 = ?, result_sha256 = ? WHERE id = ?")?;
    for one in &found {
        note.execute(params![one.content, one.result, one.id])?;
    }
    append(
        connection,
        Stored::Results,
        None,
        range,
        &digest::of_digests(found.iter().map(|one| &one.result)),
    )?;
    append(connection, Stored::States, None, range, &digest::of_digests(found.iter().map(|one| &one.state)))
}

fn between_jobs(connection: &Connection, range: (i64, i64)) -> rusqlite::Result<()> {
    let sql = format!("{BETWEEN_JOBS} AND id BETWEEN {} AND {} ORDER BY id", range.0, range.1);
    let rows = digest::rows(connection, &sql)?;
    if rows.is_empty() {
        return Ok(());
    }
    let sha256 = digest::of_digests(rows.iter().map(|(_, digest)| digest));
    append(connection, Stored::Readings, None, range, &sha256)
}

const BETWEEN_JOBS: &str = "SELECT * FROM readings WHERE job_id IS NULL";

/// Seals the places of all results and which of them count, after a change.
pub(super) fn states(connection: &Connection) -> rusqlite::Result<()> {
    let states = digest::states(connection)?;
    let Some((last, _)) = states.last() else { return Ok(()) };
    let sha256 = digest::of_digests(states.iter().map(|(_, digest)| digest));
    append(connection, Stored::States, None, (1, *last), &sha256)
}

/// Tables whose rows are never changed, each row sealed by itself, with the name of their first column.
const SINGLE_ROWS: [(Stored, &str, &str); 3] = [
    (Stored::Plan, "plans", "sequence"),
    (Stored::Limits, "limit_sets", "id"),
    (Stored::Report, "reports", "id"),
];

/// Seals the last row of such a table.
pub(super) fn last_row(connection: &Connection, what: Stored) -> rusqlite::Result<()> {
    for (_, table, number) in SINGLE_ROWS.iter().filter(|(of, ..)| *of == what) {
        let sql = format!("SELECT * FROM {table} ORDER BY {number} DESC LIMIT 1");
        for (id, sha256) in digest::rows(connection, &sql)? {
            append(connection, what, None, (id, id), &digest::of_digests([&sha256]))?;
        }
    }
    Ok(())
}

/// Seals what the folder is bound to.
pub(super) fn settings(connection: &Connection) -> rusqlite::Result<()> {
    append(connection, Stored::Settings, None, (0, 0), &settings_digest(connection)?)
}

/// Refuses a store whose settings are not those that were sealed last: an upgrade would seal them anew.
pub(super) fn check_settings(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let database = |error| StoreError::database(path, error);
    let mut events = Vec::new();
    events::each_event(connection, path, |event, _| {
        events.extend(event.event());
        Ok(())
    })?;
    let found = hex(&settings_digest(connection).map_err(database)?);
    if Seals::of(events.into_iter()).settings != Some(found) {
        let what = "target, seed, version or date in the table meta: changed".into();
        return Err(StoreError::Changed { path: path.display().to_string(), what });
    }
    Ok(())
}

fn settings_digest(connection: &Connection) -> rusqlite::Result<Digest> {
    let values = meta(connection)?;
    let own = values.iter().filter(|(key, _)| *key != HEAD && !key.starts_with(NOTE));
    Ok(digest::of_texts(own.flat_map(|(key, value)| [key.as_str(), value.as_str()])))
}

/// Seals a note.
pub(super) fn note(connection: &Connection, name: &str, text: &str) -> rusqlite::Result<()> {
    append(connection, Stored::Note, Some(name), (0, 0), &digest::of_texts([text]))
}

fn meta(connection: &Connection) -> rusqlite::Result<BTreeMap<String, String>> {
    let mut statement = connection.prepare_cached("SELECT key, value FROM meta")?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    rows.collect()
}

/// Seals everything there is: after an upgrade.
pub(super) fn everything(connection: &Connection) -> rusqlite::Result<()> {
    settings(connection)?;
    for (key, value) in meta(connection)? {
        if let Some(name) = key.strip_prefix(NOTE) {
            note(connection, name, &value)?;
        }
    }
    for (what, table, number) in SINGLE_ROWS {
        for (id, sha256) in digest::rows(connection, &format!("SELECT * FROM {table} ORDER BY {number}"))? {
            append(connection, what, None, (id, id), &digest::of_digests([&sha256]))?;
        }
    }
    // Without any row there is nothing since.
    Marks { job: 0, reading: 0 }.seal_since(connection)?;
    states(connection)
}

/// Rows that the log sealed, in the order of their numbers, and how far they were compared.
struct Sealed {
    what: &'static str,
    ranges: VecDeque<(i64, i64, String)>,
    hash: Sha256,
}

impl Sealed {
    fn new(what: &'static str) -> Sealed {
        Sealed { what, ranges: VecDeque::new(), hash: Sha256::new() }
    }

    /// The next row; an error in words.
    fn row(&mut self, id: i64, digest: &Digest) -> Result<(), String> {
        while self.ranges.front().is_some_and(|(_, last, _)| *last < id) {
            self.close()?;
        }
        if self.ranges.front().is_none_or(|(first, ..)| *first > id) {
            return Err(format!("{} {id} was added", self.what));
        }
        self.hash.update(digest);
        Ok(())
    }

    fn close(&mut self) -> Result<(), String> {
        let Some((first, last, sealed)) = self.ranges.pop_front() else { return Ok(()) };
        if hex(&std::mem::take(&mut self.hash).finalize()) == sealed {
            return Ok(());
        }
        let which = if first == last { first.to_string() } else { format!("{first} to {last}") };
        Err(format!("{} {which}: changed, missing or exchanged", self.what))
    }

    fn end(mut self) -> Result<(), String> {
        while !self.ranges.is_empty() {
            self.close()?;
        }
        Ok(())
    }
}

/// What the log says of the rest of the store.
struct Seals {
    results: Sealed,
    states: Sealed,
    readings: Sealed,
    single: [Sealed; SINGLE_ROWS.len()],
    settings: Option<String>,
    notes: BTreeMap<String, String>,
}

impl Seals {
    fn of(events: impl Iterator<Item = Event>) -> Seals {
        let mut seals = Seals {
            results: Sealed::new("the result in row"),
            states: Sealed::new("the place of a result, or whether it counts, in row"),
            readings: Sealed::new("the reading between jobs in row"),
            single: [
                Sealed::new("the plan in row"),
                Sealed::new("the limits in row"),
                Sealed::new("the issued report in row"),
            ],
            settings: None,
            notes: BTreeMap::new(),
        };
        for event in events {
            let Event::Stored { what, name, first, last, sha256 } = event else { continue };
            let number = |value: u64| i64::try_from(value).unwrap_or(i64::MAX);
            let range = (number(first), number(last), sha256);
            match what {
                Stored::Results => seals.results.ranges.push_back(range),
                Stored::Readings => seals.readings.ranges.push_back(range),
                Stored::States => {
                    // One over all takes the place of those before.
                    if range.0 <= 1 {
                        seals.states.ranges.clear();
                    }
                    seals.states.ranges.push_back(range);
                }
                Stored::Settings => seals.settings = Some(range.2),
                Stored::Note => {
                    seals.notes.insert(name.unwrap_or_default(), range.2);
                }
                Stored::Plan | Stored::Limits | Stored::Report => {
                    for (place, (of, ..)) in SINGLE_ROWS.iter().enumerate() {
                        if *of == what {
                            seals.single[place].ranges.push_back(range.clone());
                        }
                    }
                }
            }
        }
        seals
    }
}

impl StoreReader {
    /// Looks through the whole store for damage and for changes after it was written: the database itself, the chain
    /// of the log, and everything that the log sealed.
    ///
    /// # Errors
    /// [`StoreError::Corrupt`], [`StoreError::ChangedLog`], or [`StoreError::Changed`] with what differs.
    pub fn verify(&self) -> Result<EventCheck, StoreError> {
        self.check()?;
        // One state of the database, whatever a run writes meanwhile.
        let transaction = self.connection.unchecked_transaction().map_err(|error| self.error(error))?;
        let check = self.verify_events()?;
        let [results, states, readings] = self.verify_settings()?;
        let changed = |what: String| StoreError::Changed { path: self.path().display().to_string(), what };
        let rows = digest::rows(&self.connection, &format!("{BETWEEN_JOBS} ORDER BY id"));
        compare(readings, rows.map_err(|error| self.error(error))?).map_err(changed)?;
        self.verify_results(results, states)?;
        drop(transaction);
        Ok(check)
    }

    /// The log, settings, notes, plans, limits and issued reports alone: no results.
    ///
    /// # Errors
    /// [`StoreError::ChangedLog`], or [`StoreError::Changed`] with what differs.
    pub fn verify_notes(&self) -> Result<EventCheck, StoreError> {
        let transaction = self.connection.unchecked_transaction().map_err(|error| self.error(error))?;
        let check = self.verify_events()?;
        self.verify_settings()?;
        drop(transaction);
        Ok(check)
    }

    /// Everything but results, their states and readings between jobs, whose seals it hands back.
    fn verify_settings(&self) -> Result<[Sealed; 3], StoreError> {
        let changed = |what: String| StoreError::Changed { path: self.path().display().to_string(), what };
        let database = |error| self.error(error);
        if let Some(words) = schema::difference(&self.connection).map_err(database)? {
            return Err(changed(words));
        }
        let seals = Seals::of(self.events()?.iter().filter_map(StoredEvent::event));
        let Seals { results, states, readings, single, settings, mut notes } = seals;
        if settings != Some(hex(&settings_digest(&self.connection).map_err(database)?)) {
            return Err(changed("target, seed, version or date in the table meta: changed".into()));
        }
        for (key, value) in meta(&self.connection).map_err(database)? {
            if let Some(name) = key.strip_prefix(NOTE)
                && notes.remove(name) != Some(hex(&digest::of_texts([value.as_str()])))
            {
                return Err(changed(format!("`{key}` in the table meta: changed or added")));
            }
        }
        if let Some(name) = notes.keys().next() {
            return Err(changed(format!("`{NOTE}{name}` in the table meta: missing")));
        }
        let hashes = "SELECT sequence, plan_sha256, plan_text FROM plans \
                      UNION ALL SELECT id, limits_sha256, limits_text FROM limit_sets";
        let mut statement = self.prepare(hashes)?;
        let mut rows = statement.query([]).map_err(database)?;
        while let Some(row) = rows.next().map_err(database)? {
            let read = || Ok((row.get::<_, String>(1)?, row.get::<_, String>(2)?));
            let (noted, text) = read().map_err(database)?;
            if hex(&Sha256::digest(text.as_bytes())) != noted {
                return Err(changed("the text of a plan or of limits does not fit its SHA-256".into()));
            }
        }
        for (sealed, (_, table, number)) in single.into_iter().zip(SINGLE_ROWS) {
            let rows = digest::rows(&self.connection, &format!("SELECT * FROM {table} ORDER BY {number}"));
            compare(sealed, rows.map_err(database)?).map_err(changed)?;
        }
        Ok([results, states, readings])
    }

    fn verify_results(&self, mut results: Sealed, mut states: Sealed) -> Result<(), StoreError> {
        let changed = |what: String| StoreError::Changed { path: self.path().display().to_string(), what };
        let mut fault = None;
        let walked = each_result(&self.connection, (i64::MIN, i64::MAX), |found| {
            let words = row_fault(&found)
                .or_else(|| results.row(found.id, &found.result).err())
                .or_else(|| states.row(found.id, &found.state).err().map(|words| named(&found, &words)));
            match words {
                None => Ok(()),
                Some(words) => {
                    fault = Some(words);
                    Err(WalkFault::Orphan(""))
                }
            }
        });
        if let Some(words) = fault {
            return Err(changed(words));
        }
        match walked {
            Err(WalkFault::Database(error)) => return Err(self.error(error)),
            Err(WalkFault::Orphan(table)) => {
                return Err(changed(format!("rows of the table {table} belong to no result")));
            }
            Ok(()) => {}
        }
        results.end().and_then(|()| states.end()).map_err(changed)?;
        let strangers = "SELECT count(*) FROM identities WHERE NOT EXISTS \
                         (SELECT 1 FROM jobs WHERE identity_id = identities.id)";
        let strangers: i64 =
            self.prepare(strangers)?.query_row([], |row| row.get(0)).map_err(|error| self.error(error))?;
        if strangers > 0 {
            return Err(changed("the table identities names somebody who measured nothing".into()));
        }
        Ok(())
    }

    /// Digests over the results and over the limits on record.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn head_parts(&self) -> Result<HeadParts, StoreError> {
        let over = |sql: &str| -> Result<Digest, StoreError> {
            let rows = digest::rows(&self.connection, sql).map_err(|error| self.error(error))?;
            Ok(digest::of_digests(rows.iter().map(|(_, digest)| digest)))
        };
        Ok(HeadParts {
            results: over(
                "SELECT plan_position, job_key, attempt, superseded, superseded_reason, content_sha256 FROM jobs \
                 ORDER BY plan_position, job_key, attempt",
            )?,
            record: over(
                "SELECT plan_position, job_key, attempt, started_utc, ended_utc, started_bench_s, ended_bench_s FROM jobs \
                 ORDER BY plan_position, job_key, attempt",
            )?,
            limits: over("SELECT agreed_before_measuring, limits_text FROM limit_sets ORDER BY id")?,
        })
    }

    /// The digest of results, limits and notes without any clock: equal for equal results, whenever, in however many
    /// parts and in whatever order they were measured. `notes`: the text of the readers' notes.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn results_head(&self, notes: &str) -> Result<Digest, StoreError> {
        let meta = self.meta()?;
        let target = match &meta.target {
            super::Target::Simulated => "simulated",
            super::Target::Bench(name) => name,
        };
        let seed = meta.seed.to_string();
        let parts = self.head_parts()?;
        let mut head = Sha256::new_with_prefix(b"nightbench results 1\n");
        head.update(digest::of_texts([target, &seed, &meta.plan_text, notes]));
        head.update(parts.results);
        head.update(parts.limits);
        Ok(head.finalize().into())
    }
}

/// Digests of the parts of a store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeadParts {
    /// What was measured, its place, and whether it counts; without clocks.
    pub results: Digest,
    /// The clocks of every result.
    pub record: Digest,
    /// The limits on record.
    pub limits: Digest,
}

fn compare(mut sealed: Sealed, rows: Vec<(i64, Digest)>) -> Result<(), String> {
    for (id, digest) in &rows {
        sealed.row(*id, digest)?;
    }
    sealed.end()
}

/// What is wrong with a result beside its place.
fn row_fault(found: &FoundResult) -> Option<String> {
    let [content, result] = &found.noted;
    if *content != Some(found.content) {
        return Some(named(found, "its counts, training, condition or readings are not those stored"));
    }
    (*result != Some(found.result)).then(|| named(found, "its times or row numbers are not those stored"))
}

fn named(found: &FoundResult, words: &str) -> String {
    format!("job {}, attempt {}: {words}", hex(found.key.get(..8).unwrap_or(&found.key)), found.attempt)
}

#[cfg(test)]
#[path = "sealed_tests.rs"]
mod tests;
