//! Digests of what is stored, over every column of every row: computed from the database as a reader finds it.
//!
//! Nothing is left out by forgetting: columns are taken as the tables have them, and [`role`] names the few that
//! are clocks, row numbers or may change later.

use rusqlite::fallible_streaming_iterator::FallibleStreamingIterator;
use rusqlite::types::ValueRef;
use rusqlite::{CachedStatement, Connection, Row, Rows, params};
use sha2::{Digest as _, Sha256};
use std::collections::HashMap;

/// SHA-256 of something.
pub type Digest = [u8; 32];

/// What a column of a result is to its digests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Role {
    /// What was measured, and under which condition: the same wherever and whenever it was measured.
    Content,
    /// Row numbers and clocks: sealed with the result, but no part of its content.
    Record,
    /// What may change while the result stays: its place, and whether it counts.
    State,
    /// A digest itself.
    Digest,
}

fn role(table: &str, column: &str) -> Role {
    match (table, column) {
        ("jobs", "plan_position" | "superseded" | "superseded_reason" | "summary_sha256") => Role::State,
        ("jobs", "content_sha256" | "result_sha256") => Role::Digest,
        (
            _,
            "id" | "job_id" | "identity_id" | "bench_s" | "started_utc" | "ended_utc" | "started_bench_s"
            | "ended_bench_s",
        ) => Role::Record,
        _ => Role::Content,
    }
}

/// Feeds a value: its kind, then its bytes (numbers as 8 bytes, lowest first; texts with their length before them).
fn feed(hash: &mut Sha256, value: ValueRef<'_>) {
    match value {
        ValueRef::Null => hash.update([0]),
        ValueRef::Integer(number) => {
            hash.update([1]);
            hash.update(number.to_le_bytes());
        }
        ValueRef::Real(number) => {
            hash.update([2]);
            hash.update(number.to_bits().to_le_bytes());
        }
        ValueRef::Text(bytes) | ValueRef::Blob(bytes) => {
            hash.update([if matches!(value, ValueRef::Text(_)) { 3 } else { 4 }]);
            hash.update((bytes.len() as u64).to_le_bytes());
            hash.update(bytes);
        }
    }
}

/// The digest of texts, each with its length.
pub(super) fn of_texts<'t>(texts: impl IntoIterator<Item = &'t str>) -> Digest {
    let mut hash = Sha256::new();
    texts.into_iter().for_each(|text| feed(&mut hash, ValueRef::Text(text.as_bytes())));
    hash.finalize().into()
}

/// A result as it is stored, with the digests that its rows have now.
pub(super) struct FoundResult {
    pub id: i64,
    pub key: Vec<u8>,
    pub attempt: i64,
    /// Over what was measured.
    pub content: Digest,
    /// Over all of it, clocks and row numbers included.
    pub result: Digest,
    /// Over its place and whether it counts.
    pub state: Digest,
    /// `content` and `result` as its row says.
    pub noted: [Option<Digest>; 2],
}

/// A walk through results ends here.
pub(super) enum WalkFault {
    Database(rusqlite::Error),
    /// Rows of this table belong to no result.
    Orphan(&'static str),
}

impl From<rusqlite::Error> for WalkFault {
    fn from(error: rusqlite::Error) -> WalkFault {
        WalkFault::Database(error)
    }
}

/// Tables whose rows belong to a result, with their order.
const PARTS: [(&str, &str); 4] = [
    ("trainings", "job_id, sequence"),
    ("captures", "job_id, sequence"),
    ("readings", "job_id, id"),
    ("attachments", "job_id, name"),
];

/// Rows of one table in the order of the results they belong to.
struct Part<'s> {
    table: &'static str,
    rows: Rows<'s>,
    roles: Vec<Role>,
    job_column: usize,
    /// Result of the row at hand.
    job: Option<i64>,
}

impl<'s> Part<'s> {
    fn new(
        table: &'static str,
        statement: &'s mut CachedStatement<'_>,
        range: (i64, i64),
    ) -> rusqlite::Result<Part<'s>> {
        let roles = roles(table, statement);
        let job_column = statement.column_index("job_id")?;
        let rows = statement.query(params![range.0, range.1])?;
        let mut part = Part { table, rows, roles, job_column, job: None };
        part.advance()?;
        Ok(part)
    }

    fn advance(&mut self) -> rusqlite::Result<()> {
        self.rows.advance()?;
        self.job = match self.rows.get() {
            Some(row) => Some(row.get(self.job_column)?),
            None => None,
        };
        Ok(())
    }

    /// Feeds the rows of a result.
    fn take(&mut self, job: i64, hashes: &mut Hashes) -> Result<(), WalkFault> {
        if self.job.is_some_and(|at| at < job) {
            return Err(WalkFault::Orphan(self.table));
        }
        hashes.content.update([self.table.len() as u8]);
        while let (true, Some(row)) = (self.job == Some(job), self.rows.get()) {
            hashes.content.update([0xff]);
            hashes.row(row, &self.roles)?;
            self.advance()?;
        }
        Ok(())
    }
}

fn roles(table: &str, statement: &CachedStatement<'_>) -> Vec<Role> {
    statement.column_names().map(|column| role(table, column)).collect()
}

#[derive(Default)]
struct Hashes {
    content: Sha256,
    record: Sha256,
    state: Sha256,
}

impl Hashes {
    fn row(&mut self, row: &Row<'_>, roles: &[Role]) -> rusqlite::Result<()> {
        for (column, role) in roles.iter().enumerate() {
            let hash = match role {
                Role::Content => &mut self.content,
                Role::Record => &mut self.record,
                Role::State => &mut self.state,
                Role::Digest => continue,
            };
            feed(hash, row.get_ref(column)?);
        }
        Ok(())
    }
}

/// Walks through the results whose row numbers lie between two, in their order.
pub(super) fn each_result(
    connection: &Connection,
    range: (i64, i64),
    mut each: impl FnMut(FoundResult) -> Result<(), WalkFault>,
) -> Result<(), WalkFault> {
    let identities = identities(connection)?;
    let mut statements = Vec::new();
    for (table, order) in PARTS {
        let sql = format!("SELECT * FROM {table} WHERE job_id BETWEEN ? AND ? ORDER BY {order}");
        statements.push((table, connection.prepare_cached(&sql)?));
    }
    let mut parts = Vec::new();
    for (table, statement) in &mut statements {
        parts.push(Part::new(table, statement, range)?);
    }
    let mut jobs = connection.prepare_cached("SELECT * FROM jobs WHERE id BETWEEN ? AND ? ORDER BY id")?;
    let roles = roles("jobs", &jobs);
    let column = |name: &str| jobs.column_index(name);
    let (id, key, attempt) = (column("id")?, column("job_key")?, column("attempt")?);
    let (identity, content, result) =
        (column("identity_id")?, column("content_sha256")?, column("result_sha256")?);
    let mut rows = jobs.query(params![range.0, range.1])?;
    while let Some(row) = rows.next()? {
        let mut hashes = Hashes::default();
        hashes.row(row, &roles)?;
        let id: i64 = row.get(id)?;
        // Somebody who is not there answers with zeros.
        hashes.content.update(identities.get(&row.get(identity)?).copied().unwrap_or_default());
        for part in &mut parts {
            part.take(id, &mut hashes)?;
        }
        let found: Digest = hashes.content.finalize().into();
        let mut whole = Sha256::new_with_prefix(b"nightbench result 1\n");
        whole.update(found);
        whole.update(hashes.record.finalize());
        // Which row it is, and how it stands now.
        hashes.state.update(id.to_le_bytes());
        each(FoundResult {
            id,
            key: row.get(key)?,
            attempt: row.get(attempt)?,
            content: found,
            result: whole.finalize().into(),
            state: hashes.state.finalize().into(),
            noted: [row.get(content).ok(), row.get(result).ok()],
        })?;
    }
    match parts.iter().find(|part| part.job.is_some()) {
        Some(part) => Err(WalkFault::Orphan(part.table)),
        None => Ok(()),
    }
}

/// Digest of everybody who answered, by row.
fn identities(connection: &Connection) -> rusqlite::Result<HashMap<i64, Digest>> {
    let mut statement = connection.prepare_cached("SELECT * FROM identities")?;
    let id = statement.column_index("id")?;
    let columns = statement.column_count();
    let rows = statement.query_map([], |row| {
        let mut hash = Sha256::new();
        for column in (0..columns).filter(|column| *column != id) {
            feed(&mut hash, row.get_ref(column)?);
        }
        Ok((row.get(id)?, hash.finalize().into()))
    })?;
    rows.collect()
}

/// Digests of the rows of a query, every column of each.
pub(super) fn rows(connection: &Connection, sql: &str) -> rusqlite::Result<Vec<(i64, Digest)>> {
    let mut statement = connection.prepare_cached(sql)?;
    let columns = statement.column_count();
    let rows = statement.query_map([], |row| {
        let mut hash = Sha256::new();
        for column in 0..columns {
            feed(&mut hash, row.get_ref(column)?);
        }
        Ok((row.get(0)?, hash.finalize().into()))
    })?;
    rows.collect()
}

/// The digest of digests in their order.
pub(super) fn of_digests<'d>(digests: impl IntoIterator<Item = &'d Digest>) -> Digest {
    let mut hash = Sha256::new();
    digests.into_iter().for_each(|digest| hash.update(digest));
    hash.finalize().into()
}

/// Number and state of every result.
pub(super) fn states(connection: &Connection) -> rusqlite::Result<Vec<(i64, Digest)>> {
    let mut statement = connection.prepare_cached("SELECT * FROM jobs ORDER BY id")?;
    let roles = roles("jobs", &statement);
    let rows = statement.query_map([], |row| {
        let mut hash = Sha256::new();
        for (column, _) in roles.iter().enumerate().filter(|(_, role)| **role == Role::State) {
            feed(&mut hash, row.get_ref(column)?);
        }
        let id: i64 = row.get(0)?;
        hash.update(id.to_le_bytes());
        Ok((id, hash.finalize().into()))
    })?;
    rows.collect()
}
