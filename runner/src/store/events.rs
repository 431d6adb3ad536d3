//! The event log: append-only, each event sealed with the hash of the one before.
//!
//! The hash of an event covers its number, time, kind, facts, words and the hash of the previous event, so a change
//! anywhere breaks the chain from there. The number of events and the last hash are also kept in `meta`, so
//! that events missing at the end are noticed. A report that prints the last hash seals the whole log.

use super::error::StoreError;
use super::reader::StoreReader;
use super::rows::hex;
use nightbench_core::events::Event;
use rusqlite::{Connection, OptionalExtension, params};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::path::Path;

/// One event of the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredEvent {
    /// Number in the log, from 1.
    pub sequence: u64,
    /// When, UTC.
    pub utc: String,
    /// Code of its kind: `run_started`, `fault`.
    pub kind: String,
    /// Its facts, a JSON object.
    pub facts: String,
    /// What happened, for people.
    pub text: String,
    /// Hash of this event and, through its predecessor's, of all before it.
    pub sha256: [u8; 32],
}

impl StoredEvent {
    /// Code, facts and words of an event, as they are stored.
    pub(super) fn parts(event: &Event) -> Result<[String; 3], StoreError> {
        let unwritable = |value: String| StoreError::Value {
            what: "an event of the log".into(),
            value,
            limit: "it must be an object with a kind",
        };
        let value = serde_json::to_value(event).map_err(|error| unwritable(error.to_string()))?;
        let Value::Object(mut facts) = value else { return Err(unwritable("no object".into())) };
        let Some(Value::String(kind)) = facts.remove(TAG) else { return Err(unwritable("no kind".into())) };
        Ok([kind, Value::Object(facts).to_string(), event.to_string()])
    }

    /// The event with its facts; `None` for a kind that this version does not know.
    pub fn event(&self) -> Option<Event> {
        let Ok(Value::Object(mut facts)) = serde_json::from_str(&self.facts) else { return None };
        facts.insert(TAG.into(), Value::String(self.kind.clone()));
        serde_json::from_value(Value::Object(facts)).ok()
    }

    /// Is it there to seal what was stored, and nothing else?
    pub fn is_seal(&self) -> bool {
        self.kind == SEAL
    }

    /// The bench it was noted at, in a folder that several were merged into.
    pub fn bench(&self) -> Option<String> {
        let facts: Value = serde_json::from_str(&self.facts).ok()?;
        facts.get(BENCH)?.as_str().map(str::to_string)
    }

    /// The same event, noted at a bench.
    pub fn at_bench(self, bench: &str) -> StoredEvent {
        let mut facts: Value = serde_json::from_str(&self.facts).unwrap_or(Value::Null);
        if let Value::Object(facts) = &mut facts {
            facts.insert(BENCH.into(), bench.into());
        }
        StoredEvent { facts: facts.to_string(), text: format!("{bench}: {}", self.text), ..self }
    }
}

/// Key of an event's kind among its facts, and of the bench it was noted at.
const TAG: &str = "kind";
const BENCH: &str = "at_bench";
/// Code of [`Event::Stored`].
const SEAL: &str = "stored";

/// The state of a log that was checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EventCheck {
    /// Number of events.
    pub events: u64,
    /// Hash of the last one (zeros for an empty log): seals the log.
    pub head: [u8; 32],
}

/// Key in `meta` of the number of events and the last hash: `3 0a1b...`.
pub(super) const HEAD: &str = "events_head";

/// Hash of an event after `previous`: SHA-256 of a fixed first line, the previous hash, the number, and time,
/// kind, facts and words, each with its length in bytes before it (numbers as 8 bytes, lowest first).
fn event_hash(previous: &[u8; 32], sequence: u64, parts: [&str; 4]) -> [u8; 32] {
    let mut hash = Sha256::new();
    hash.update(b"nightbench event 2\n");
    hash.update(previous);
    hash.update(sequence.to_le_bytes());
    for part in parts {
        hash.update((part.len() as u64).to_le_bytes());
        hash.update(part.as_bytes());
    }
    hash.finalize().into()
}

/// Appends an event within the caller's transaction.
pub(super) fn append(
    connection: &Connection,
    utc: &str,
    [kind, facts, text]: &[String; 3],
) -> rusqlite::Result<()> {
    let last = connection
        .prepare_cached("SELECT sequence, sha256 FROM events ORDER BY sequence DESC LIMIT 1")?
        .query_row([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, [u8; 32]>(1)?)))
        .optional()?;
    let (sequence, previous) = last.map_or((1, [0; 32]), |(sequence, hash)| (sequence + 1, hash));
    let hash = event_hash(&previous, sequence as u64, [utc, kind, facts, text]);
    connection
        .prepare_cached(
            "INSERT INTO events (sequence, utc, kind, facts, text, previous_sha256, sha256) VALUES \
             (?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![sequence, utc, kind, facts, text, previous, hash])?;
    connection
        .prepare_cached("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)")?
        .execute(params![HEAD, format!("{sequence} {}", hex(&hash))])?;
    Ok(())
}

impl StoreReader {
    /// The whole event log, in order.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn events(&self) -> Result<Vec<StoredEvent>, StoreError> {
        let mut events = Vec::new();
        each_event(&self.connection, self.path(), |event, _| {
            events.push(event);
            Ok(())
        })?;
        Ok(events)
    }

    /// Checks the chain of the event log.
    ///
    /// # Errors
    /// [`StoreError::ChangedLog`] names the first event that does not fit.
    pub fn verify_events(&self) -> Result<EventCheck, StoreError> {
        verify(&self.connection, self.path())
    }
}

/// Checks the chain of the event log of a database.
pub(super) fn verify(connection: &Connection, path: &Path) -> Result<EventCheck, StoreError> {
    let changed = |sequence: u64, detail: &str| StoreError::ChangedLog {
        path: path.display().to_string(),
        sequence,
        detail: detail.to_owned(),
    };
    let mut check = EventCheck { events: 0, head: [0; 32] };
    each_event(connection, path, |event, previous| {
        let expected = check.events + 1;
        if event.sequence != expected {
            return Err(changed(expected, "it is missing"));
        }
        if previous != check.head {
            return Err(changed(expected, "it does not follow the event before it"));
        }
        if event_hash(&previous, expected, [&event.utc, &event.kind, &event.facts, &event.text])
            != event.sha256
        {
            return Err(changed(expected, "its words or time do not fit its hash"));
        }
        check = EventCheck { events: expected, head: event.sha256 };
        Ok(())
    })?;
    let noted: Option<String> = connection
        .prepare_cached("SELECT value FROM meta WHERE key = ?")
        .and_then(|mut statement| statement.query_row([HEAD], |row| row.get(0)).optional())
        .map_err(|error| StoreError::database(path, error))?;
    let found =
        if check.events == 0 { String::new() } else { format!("{} {}", check.events, hex(&check.head)) };
    if noted.unwrap_or_default() != found {
        return Err(changed(check.events + 1, "the log ends elsewhere than noted when it was written"));
    }
    Ok(check)
}

pub(super) fn each_event(
    connection: &Connection,
    path: &Path,
    mut each: impl FnMut(StoredEvent, [u8; 32]) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    let database = |error| StoreError::database(path, error);
    let mut statement = connection
        .prepare_cached(
            "SELECT sequence, utc, kind, facts, text, sha256, previous_sha256 FROM events ORDER BY sequence",
        )
        .map_err(database)?;
    let mut rows = statement.query([]).map_err(database)?;
    while let Some(row) = rows.next().map_err(database)? {
        let read = || -> rusqlite::Result<(StoredEvent, [u8; 32])> {
            let event = StoredEvent {
                sequence: u64::try_from(row.get::<_, i64>(0)?).unwrap_or(0),
                utc: row.get(1)?,
                kind: row.get(2)?,
                facts: row.get(3)?,
                text: row.get(4)?,
                sha256: row.get(5)?,
            };
            Ok((event, row.get(6)?))
        };
        let (event, previous) = read().map_err(database)?;
        each(event, previous)?;
    }
    Ok(())
}
