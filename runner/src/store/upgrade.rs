//! Brings stores of formats 1 to 3 to the present format, in one transaction: done whole or not at all.
//!
//! Format 3 knew no command lines: the table of captures is exchanged, its rows and their digests stay.
//! Format 2 had no digests: they are taken of what is there, and the log says from when on they hold.
//! Format 1 kept the words of faults and events only. Their kinds are new, so the log is written again as it was read,
//! after its old chain was checked. A folder that may not be written is read through an upgraded copy that lives as long
//! as its connection.

use super::dates::utc_text;
use super::error::StoreError;
use super::events::{self, HEAD};
use super::lock::FolderLock;
use super::opening::connect;
use super::rows::hex;
use super::schema::{self, FORMAT_VERSION, Found};
use super::{reader, sealed};
use nightbench_core::events::Event;
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::SystemTime;

/// Upgrades the store of a folder for somebody who only wants to read it; `None` once it is done in place, else a
/// connection to an upgraded copy.
pub(super) fn for_reading(path: &Path) -> Result<Option<Connection>, StoreError> {
    let dir = path.parent().unwrap_or(Path::new("."));
    let in_place = || {
        let _lock = FolderLock::take(dir)?;
        upgrade(&mut connect(path)?, path)
    };
    match in_place() {
        Ok(()) => Ok(None),
        // Somebody writes to it, or nobody may.
        Err(StoreError::Locked { .. } | StoreError::ReadOnly { .. } | StoreError::Io { .. }) => {
            copy(path).map(Some)
        }
        Err(error) => Err(error),
    }
}

/// An upgraded copy in a private folder for temporary files, gone with its connection.
fn copy(path: &Path) -> Result<Connection, StoreError> {
    let database = |error| StoreError::database(path, error);
    let dir = TemporaryFolder::new()?;
    let file = dir.0.join("copy.sqlite");
    reader::copy_into(&reader::open_file(path)?.0, &file.to_string_lossy()).map_err(database)?;
    let mut connection = connect(&file)?;
    upgrade(&mut connection, path)?;
    connection.pragma_update(None, "query_only", true).map_err(database)?;
    Ok(connection)
}

/// A new folder; its name is removed in the end, and who has a file of it open keeps that.
pub(crate) struct TemporaryFolder(pub(crate) PathBuf);

impl TemporaryFolder {
    pub(crate) fn new() -> Result<TemporaryFolder, StoreError> {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        loop {
            let number = NUMBER.fetch_add(1, Ordering::Relaxed);
            let dir = std::env::temp_dir().join(format!("nightbench-{}-{number}", std::process::id()));
            match std::fs::create_dir(&dir) {
                Ok(()) => return Ok(TemporaryFolder(dir)),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(StoreError::system(&dir, &error)),
            }
        }
    }
}

impl Drop for TemporaryFolder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Upgrades a database whatever its format; nothing happens to one of the present format.
pub(super) fn upgrade(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let database = |error| StoreError::database(path, error);
    if schema::recognise(connection, path)? != Found::Older {
        return Ok(());
    }
    // Tables are exchanged one after the other.
    connection.pragma_update(None, "foreign_keys", false).map_err(database)?;
    let transaction =
        Transaction::new_unchecked(connection, TransactionBehavior::Exclusive).map_err(database)?;
    // Another process may have done it meanwhile.
    if schema::recognise(&transaction, path)? == Found::Older {
        let version: i64 =
            transaction.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(database)?;
        if version == 1 {
            let log = log_of_1(&transaction, path)?;
            from_1(&transaction, &log).map_err(database)?;
        } else {
            // The chain is kept as it is.
            events::verify(&transaction, path)?;
        }
        if version <= 2 {
            from_2(&transaction, version).map_err(database)?;
        } else {
            sealed::check_settings(&transaction, path)?;
            from_3(&transaction).map_err(database)?;
        }
    }
    transaction.commit().map_err(database)?;
    // The old rows' room goes back; where there is no room to do so, the file stays longer than it need be.
    let _ = connection.execute_batch("VACUUM; PRAGMA wal_checkpoint(TRUNCATE)");
    Ok(())
}

type Hash = [u8; 32];

/// Time, kind and words of each event, once the chain they were written with holds.
fn log_of_1(old: &Connection, path: &Path) -> Result<Vec<[String; 3]>, StoreError> {
    let database = |error| StoreError::database(path, error);
    let changed = |sequence: usize, detail: &str| StoreError::ChangedLog {
        path: path.display().to_string(),
        sequence: sequence as u64,
        detail: detail.into(),
    };
    let mut statement = old
        .prepare("SELECT sequence, utc, kind, text, previous_sha256, sha256 FROM events ORDER BY sequence")
        .map_err(database)?;
    let mut rows = statement.query([]).map_err(database)?;
    let (mut log, mut head) = (Vec::new(), [0u8; 32]);
    while let Some(row) = rows.next().map_err(database)? {
        let read = || -> rusqlite::Result<(i64, [String; 3], Hash, Hash)> {
            Ok((row.get(0)?, [row.get(1)?, row.get(2)?, row.get(3)?], row.get(4)?, row.get(5)?))
        };
        let (sequence, texts, previous, sha256) = read().map_err(database)?;
        let mut hash = Sha256::new_with_prefix(b"nightbench event 1\n");
        hash.update(previous);
        hash.update(sequence.to_le_bytes());
        for text in &texts {
            hash.update((text.len() as u64).to_le_bytes());
            hash.update(text.as_bytes());
        }
        if sequence != log.len() as i64 + 1 || previous != head || hash.finalize()[..] != sha256 {
            return Err(changed(log.len() + 1, "it does not fit its hash or the event before it"));
        }
        log.push(texts);
        head = sha256;
    }
    let noted: Option<String> = old
        .query_row("SELECT value FROM meta WHERE key = ?", [HEAD], |row| row.get(0))
        .optional()
        .map_err(database)?;
    if noted != (!log.is_empty()).then(|| format!("{} {}", log.len(), hex(&head))) {
        return Err(changed(log.len() + 1, "the log ends elsewhere than noted when it was written"));
    }
    Ok(log)
}

/// To format 2: kinds of faults and of events, with their facts.
fn from_1(old: &Connection, log: &[[String; 3]]) -> rusqlite::Result<()> {
    drop_all(old, "view")?;
    old.execute_batch(
        "ALTER TABLE jobs ADD COLUMN fault_kind TEXT;
         UPDATE jobs SET fault_kind = 'unrecorded' WHERE outcome = 'not_measured';
         DROP TABLE events;",
    )?;
    old.execute("DELETE FROM meta WHERE key = ?", [HEAD])?;
    schema::create_log(old)?;
    for [utc, kind, text] in log {
        events::append(old, utc, &parts(kind, text))?;
    }
    Ok(())
}

/// Tables of format 2 that have the same columns now, and more.
const KEPT: [(&str, &str); 8] = [
    ("meta", "key, value"),
    ("plans", "sequence, recorded_utc, title, plan_sha256, plan_text"),
    ("identities", "id, chip_serial, firmware_build, firmware_hash, settings_hash, agent_version"),
    ("trainings", "job_id, sequence, passed, failed_stage, failed_lanes, causes, detail_json_zstd"),
    (
        "captures",
        "job_id, sequence, direction, rank, sub_channel, mode, rule_json, taps, vref_steps, tap_step_ps, vref_start_mv, \
         vref_step_mv, ui_ps, vddq_mv, lanes_json, operating_json, visit_count, bits_per_lane, visits_packed",
    ),
    ("readings", "id, job_id, bench_s, name, value, unit"),
    ("limit_sets", "id, recorded_utc, agreed_before_measuring, limits_sha256, limits_text"),
    ("attachments", "job_id, name, text"),
];

/// Columns of results in format 2.
const JOBS: &str = "id, job_key, attempt, plan_position, superseded, superseded_reason, outcome, fault_kind, reason, chip, \
                    firmware, module, channel, rate, temperature, supply, pattern, rate_mts, temperature_set_degc, mounting, \
                    repeat, start, identity_id, temperature_measured_degc, rails_measured_v, settling_s, started_utc, \
                    ended_utc, started_bench_s, ended_bench_s, training_s, measuring_s";

/// From format 2: digests of results, evidence of captures, issued reports. `version`: what it was before.
fn from_2(old: &Connection, version: i64) -> rusqlite::Result<()> {
    drop_all(old, "view")?;
    drop_all(old, "index")?;
    // Early stores of format 2 had none.
    old.execute_batch("CREATE TABLE IF NOT EXISTS attachments (job_id INTEGER, name TEXT, text TEXT)")?;
    for table in KEPT.iter().map(|(table, _)| *table).chain(["jobs"]) {
        old.execute_batch(&format!("ALTER TABLE {table} RENAME TO old_{table}"))?;
    }
    schema::create_tables(old)?;
    old.execute_batch(&format!(
        "INSERT INTO jobs ({JOBS}, content_sha256, result_sha256) SELECT {JOBS}, zeroblob(32), zeroblob(32) FROM old_jobs"
    ))?;
    for (table, columns) in KEPT {
        old.execute_batch(&format!("INSERT INTO {table} ({columns}) SELECT {columns} FROM old_{table}"))?;
    }
    for table in KEPT.iter().map(|(table, _)| *table).chain(["jobs"]) {
        old.execute_batch(&format!("DROP TABLE old_{table}"))?;
    }
    now_present(old, version)?;
    sealed::everything(old)
}

/// From format 3: captures of command lines. What was sealed stays sealed.
fn from_3(old: &Connection) -> rusqlite::Result<()> {
    drop_all(old, "view")?;
    old.execute_batch("ALTER TABLE captures RENAME TO old_captures")?;
    schema::create_table(old, "captures")?;
    old.execute_batch("INSERT INTO captures SELECT * FROM old_captures; DROP TABLE old_captures")?;
    now_present(old, 3)?;
    sealed::settings(old)
}

/// Says that the store is of the present format, and that it was of another.
fn now_present(old: &Connection, version: i64) -> rusqlite::Result<()> {
    old.execute("UPDATE meta SET value = ? WHERE key = 'format_version'", [FORMAT_VERSION.to_string()])?;
    schema::create_views(old)?;
    let event = Event::Upgraded { from: u64::try_from(version).unwrap_or(0), to: FORMAT_VERSION as u64 };
    if let Ok(parts) = events::StoredEvent::parts(&event) {
        events::append(old, &utc_text(SystemTime::now()), &parts)?;
    }
    old.pragma_update(None, "user_version", FORMAT_VERSION)
}

/// Drops what has a text of its own: views, or indexes that no constraint made.
fn drop_all(old: &Connection, kind: &str) -> rusqlite::Result<()> {
    let mut statement = old.prepare("SELECT name FROM sqlite_schema WHERE type = ? AND sql IS NOT NULL")?;
    let names: Vec<String> =
        statement.query_map([kind], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    for name in names {
        old.execute_batch(&format!("DROP {kind} \"{name}\""))?;
    }
    Ok(())
}

/// Code, facts and words of an event of format 1. What an instrument's event held stands on the page.
fn parts(kind: &str, text: &str) -> [String; 3] {
    let instrument = (kind == "instrument").then(|| Event::instrument_of_format_1(text)).flatten();
    match instrument.map(|event| events::StoredEvent::parts(&event)) {
        Some(Ok(parts)) => parts,
        _ => [kind.replace(' ', "_"), "{}".into(), text.into()],
    }
}

#[cfg(test)]
#[path = "upgrade_tests.rs"]
mod tests;
