//! The tables and views of a store, their version, and how a database is recognised.
//!
//! `STORE.md` explains every column with its unit. A change that older versions cannot read raises
//! [`FORMAT_VERSION`]; `upgrade.rs` brings older stores to it.

use super::error::StoreError;
use rusqlite::Connection;
use std::collections::BTreeMap;
use std::path::Path;

/// Version of the tables, in the database's `user_version` and in the table `meta`.
pub const FORMAT_VERSION: i64 = 4;

/// Marks the database as a store of this program (SQLite `application_id`): "nbch" in ASCII.
const APPLICATION_ID: i64 = 0x6e62_6368;

const TABLES: &str = "
CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- The plan as run; one row more each time a continued run extends it. The last row counts.
CREATE TABLE plans (
    sequence INTEGER PRIMARY KEY,
    recorded_utc TEXT NOT NULL,
    title TEXT NOT NULL,
    plan_sha256 TEXT NOT NULL,
    plan_text TEXT NOT NULL
) STRICT;

-- Who answered: one row for each different answer.
CREATE TABLE identities (
    id INTEGER PRIMARY KEY,
    chip_serial TEXT NOT NULL,
    firmware_build TEXT NOT NULL,
    firmware_hash TEXT NOT NULL,
    settings_hash TEXT NOT NULL,
    agent_version TEXT NOT NULL,
    UNIQUE (chip_serial, firmware_build, firmware_hash, settings_hash, agent_version)
) STRICT;

CREATE TABLE jobs (
    id INTEGER PRIMARY KEY,
    job_key BLOB NOT NULL CHECK (length(job_key) = 32),
    attempt INTEGER NOT NULL CHECK (attempt >= 1),
    plan_position INTEGER NOT NULL CHECK (plan_position >= 0),
    superseded INTEGER NOT NULL DEFAULT 0 CHECK (superseded IN (0, 1)),
    superseded_reason TEXT,
    outcome TEXT NOT NULL CHECK (outcome IN ('measured', 'training_failed', 'not_measured')),
    -- A code of `FaultKind`, where nothing was measured; `reason` says it to people.
    fault_kind TEXT,
    reason TEXT,
    chip TEXT NOT NULL,
    firmware TEXT NOT NULL,
    module TEXT NOT NULL,
    channel TEXT NOT NULL,
    rate TEXT NOT NULL,
    temperature TEXT NOT NULL,
    supply TEXT NOT NULL,
    pattern TEXT NOT NULL,
    rate_mts REAL NOT NULL,
    temperature_set_degc REAL NOT NULL,
    mounting INTEGER NOT NULL,
    repeat INTEGER NOT NULL,
    start INTEGER NOT NULL,
    identity_id INTEGER NOT NULL REFERENCES identities (id),
    temperature_measured_degc REAL,
    rails_measured_v TEXT,
    settling_s REAL,
    started_utc TEXT NOT NULL,
    ended_utc TEXT NOT NULL,
    started_bench_s REAL NOT NULL,
    ended_bench_s REAL NOT NULL,
    training_s REAL NOT NULL,
    measuring_s REAL NOT NULL,
    -- Over what was measured; over the whole result, clocks and row numbers included.
    content_sha256 BLOB NOT NULL CHECK (length(content_sha256) = 32),
    result_sha256 BLOB NOT NULL CHECK (length(result_sha256) = 32),
    -- Of its summary in the cache, where there is one.
    summary_sha256 BLOB CHECK (length(summary_sha256) = 32),
    UNIQUE (job_key, attempt)
) STRICT;
-- At most one result of a job counts.
CREATE UNIQUE INDEX jobs_counting ON jobs (job_key) WHERE superseded = 0;
CREATE INDEX jobs_in_order ON jobs (plan_position, job_key, attempt, superseded);
CREATE INDEX jobs_progress ON jobs (superseded, outcome, training_s, measuring_s, ended_bench_s);

CREATE TABLE trainings (
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    sequence INTEGER NOT NULL,
    passed INTEGER NOT NULL CHECK (passed IN (0, 1)),
    failed_stage TEXT,
    failed_lanes TEXT,
    causes TEXT,
    detail_json_zstd BLOB NOT NULL,
    PRIMARY KEY (job_id, sequence)
) STRICT;

CREATE TABLE captures (
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    sequence INTEGER NOT NULL,
    direction TEXT NOT NULL CHECK (direction IN ('read', 'write', 'command')),
    rank INTEGER NOT NULL,
    sub_channel INTEGER,
    mode TEXT NOT NULL CHECK (mode IN ('exact', 'fast', 'raster', 'row_and_column')),
    -- How the eye is known.
    evidence TEXT NOT NULL DEFAULT 'full_eye' CHECK (evidence IN ('full_eye', 'row_and_column', 'predicted')),
    rule_json TEXT NOT NULL,
    taps INTEGER NOT NULL,
    vref_steps INTEGER NOT NULL,
    tap_step_ps REAL NOT NULL,
    vref_start_mv REAL NOT NULL,
    vref_step_mv REAL NOT NULL,
    ui_ps REAL NOT NULL,
    vddq_mv REAL NOT NULL,
    lanes_json TEXT NOT NULL,
    operating_json TEXT NOT NULL,
    visit_count INTEGER NOT NULL,
    bits_per_lane INTEGER NOT NULL,
    visits_packed BLOB NOT NULL,
    PRIMARY KEY (job_id, sequence)
) STRICT;

-- Time series: of a job, or of the time between jobs (job_id NULL).
CREATE TABLE readings (
    id INTEGER PRIMARY KEY,
    job_id INTEGER REFERENCES jobs (id),
    bench_s REAL NOT NULL,
    name TEXT NOT NULL,
    value REAL NOT NULL,
    unit TEXT NOT NULL
) STRICT;
CREATE INDEX readings_of_job ON readings (job_id) WHERE job_id IS NOT NULL;

-- What the agent said of a job.
CREATE TABLE attachments (
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (job_id, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE limit_sets (
    id INTEGER PRIMARY KEY,
    recorded_utc TEXT NOT NULL,
    agreed_before_measuring INTEGER NOT NULL CHECK (agreed_before_measuring IN (0, 1)),
    limits_sha256 TEXT NOT NULL,
    limits_text TEXT NOT NULL
) STRICT;

-- Every number that a report was issued under, and what it was made from.
CREATE TABLE reports (
    id INTEGER PRIMARY KEY,
    number TEXT NOT NULL,
    replaces TEXT,
    issued_utc TEXT NOT NULL,
    complete INTEGER NOT NULL CHECK (complete IN (0, 1)),
    results_head BLOB NOT NULL CHECK (length(results_head) = 32),
    log_head BLOB NOT NULL CHECK (length(log_head) = 32),
    made_from TEXT NOT NULL,
    limits_text TEXT NOT NULL,
    notes_text TEXT NOT NULL
) STRICT;
";

const LOG: &str = "
CREATE TABLE events (
    sequence INTEGER PRIMARY KEY CHECK (sequence >= 1),
    utc TEXT NOT NULL,
    kind TEXT NOT NULL,
    facts TEXT NOT NULL,
    text TEXT NOT NULL,
    previous_sha256 BLOB NOT NULL CHECK (length(previous_sha256) = 32),
    sha256 BLOB NOT NULL CHECK (length(sha256) = 32)
) STRICT;
CREATE TRIGGER events_are_never_changed BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'the event log is append-only'); END;
CREATE TRIGGER events_are_never_removed BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'the event log is append-only'); END;
";

const VIEWS: &str = "
CREATE VIEW job_list AS
SELECT jobs.id AS job_id,
       lower(hex(job_key)) AS job_key, attempt, plan_position,
       CASE superseded WHEN 0 THEN 'yes' ELSE 'no' END AS counts, superseded_reason,
       outcome, fault_kind, reason, chip, firmware, module, channel,
       rate, rate_mts AS \"rate_MT/s\", temperature, temperature_set_degc AS temperature_set_degC,
       temperature_measured_degc AS temperature_measured_degC, supply, pattern, mounting, repeat, start,
       chip_serial, firmware_build, firmware_hash, settings_hash, agent_version,
       settling_s, started_utc, ended_utc, started_bench_s, ended_bench_s, training_s, measuring_s
FROM jobs JOIN identities ON identities.id = jobs.identity_id;

CREATE VIEW rail_list AS
SELECT jobs.id AS job_id, lower(hex(job_key)) AS job_key, attempt, supply,
       json_extract(rail.value, '$[0]') AS rail, json_extract(rail.value, '$[1]') AS measured_V
FROM jobs, json_each(jobs.rails_measured_v) AS rail;

CREATE VIEW training_list AS
SELECT jobs.id AS job_id, lower(hex(job_key)) AS job_key, attempt, trainings.sequence AS training,
       CASE passed WHEN 1 THEN 'passed' ELSE 'failed' END AS result, failed_stage, failed_lanes, causes
FROM trainings JOIN jobs ON jobs.id = trainings.job_id;

CREATE VIEW capture_list AS
SELECT jobs.id AS job_id, lower(hex(job_key)) AS job_key, attempt, captures.sequence AS capture,
       direction, rank,
       CASE WHEN sub_channel IS NOT NULL THEN char(65 + sub_channel) END AS sub_channel,
       mode, evidence, rule_json, json_array_length(lanes_json) AS lanes, taps, vref_steps, tap_step_ps,
       vref_start_mv AS vref_start_mV, vref_step_mv AS vref_step_mV, ui_ps, vddq_mv AS vddq_mV,
       visit_count AS visits, bits_per_lane, length(visits_packed) AS packed_bytes
FROM captures JOIN jobs ON jobs.id = captures.job_id;

CREATE VIEW operating_point_list AS
SELECT captures.job_id, captures.sequence AS capture, direction, rank, lane.value AS lane,
       json_extract(operating_json, '$[' || lane.key || '][0]') AS tap,
       json_extract(operating_json, '$[' || lane.key || '][1]') AS vref_step,
       tap_step_ps * json_extract(operating_json, '$[' || lane.key || '][0]') AS delay_ps,
       vref_start_mv + vref_step_mv * json_extract(operating_json, '$[' || lane.key || '][1]') AS vref_mV
FROM captures, json_each(captures.lanes_json) AS lane;

CREATE VIEW reading_list AS
SELECT readings.job_id, lower(hex(job_key)) AS job_key, bench_s, name, value, unit
FROM readings LEFT JOIN jobs ON jobs.id = readings.job_id;

CREATE VIEW event_list AS
SELECT sequence, utc, kind, facts, text, lower(hex(sha256)) AS sha256 FROM events;
";

/// What a database file is to this program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Found {
    /// Nothing in it: perhaps a run that ended while it began.
    Empty,
    /// A store of this version.
    Store,
    /// A store of an earlier version, to be upgraded.
    Older,
}

/// Recognises a database and refuses what cannot be read.
pub(super) fn recognise(connection: &Connection, path: &Path) -> Result<Found, StoreError> {
    let number = |sql: &str| -> Result<i64, StoreError> {
        connection.query_row(sql, [], |row| row.get(0)).map_err(|error| StoreError::database(path, error))
    };
    let application = number("PRAGMA application_id")?;
    let version = number("PRAGMA user_version")?;
    if application == 0 && version == 0 && number("SELECT count(*) FROM sqlite_schema")? == 0 {
        return Ok(Found::Empty);
    }
    if application != APPLICATION_ID {
        return Err(StoreError::corrupt(path, "it is another program's database"));
    }
    if version > FORMAT_VERSION {
        return Err(StoreError::NewerVersion {
            path: path.display().to_string(),
            found: version,
            known: FORMAT_VERSION,
        });
    }
    if version < 1 {
        return Err(StoreError::corrupt(path, format!("store format {version} never existed")));
    }
    Ok(if version < FORMAT_VERSION { Found::Older } else { Found::Store })
}

/// Creates the tables of results; part of the caller's transaction.
pub(super) fn create_tables(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(TABLES)
}

/// Creates one of the tables; part of the caller's transaction.
pub(super) fn create_table(connection: &Connection, name: &str) -> rusqlite::Result<()> {
    let head = format!("CREATE TABLE {name} (");
    let rest = TABLES.find(&head).and_then(|at| TABLES.get(at..)).unwrap_or_default();
    connection.execute_batch(rest.split_inclusive(';').next().unwrap_or_default())
}

/// Creates tables and views; part of the caller's transaction.
pub(super) fn create(connection: &Connection) -> rusqlite::Result<()> {
    create_tables(connection)?;
    create_log(connection)?;
    create_views(connection)?;
    connection.pragma_update(None, "application_id", APPLICATION_ID)?;
    connection.pragma_update(None, "user_version", FORMAT_VERSION)
}

/// What differs between the tables, indexes, triggers and views of a database and those of this format.
pub(super) fn difference(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let list = |connection: &Connection| -> rusqlite::Result<BTreeMap<String, String>> {
        let mut statement = connection.prepare(
            "SELECT type || ' ' || name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite_stat%'",
        )?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        rows.collect()
    };
    let model = Connection::open_in_memory()?;
    create(&model)?;
    let (found, expected) = (list(connection)?, list(&model)?);
    let mut names = found.keys().chain(expected.keys());
    let other = names.find(|name| found.get(*name) != expected.get(*name));
    Ok(other.map(|name| format!("the {name} of the database: changed, added or missing")))
}

/// Creates the event log.
pub(super) fn create_log(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(LOG)
}

pub(super) fn create_views(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(VIEWS)
}
