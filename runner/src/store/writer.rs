//! Writing rows: the statements behind one transaction.

use super::attachments;
use super::rows::{JobKey, JobRow, PackedCapture, PackedJob, Reading, json};
use super::{StoreError, events};
use nightbench_core::results::{Identity, JobOutcome};
use rusqlite::{Connection, OptionalExtension, params};

/// Something to be written with the next transaction.
#[derive(Debug)]
pub(super) enum Entry {
    /// A finished job.
    Job(Box<PackedJob>),
    /// Readings between jobs.
    Readings(Vec<Reading>),
    Event {
        /// When, UTC.
        utc: String,
        /// Code of its kind, facts, words.
        parts: [String; 3],
    },
}

impl Entry {
    /// Writes the entry within the caller's transaction.
    pub(super) fn write(&self, connection: &Connection) -> Result<(), WriteFailure> {
        match self {
            Entry::Job(job) => write_job(connection, job),
            Entry::Readings(readings) => Ok(write_readings(connection, None, readings)?),
            Entry::Event { utc, parts } => Ok(events::append(connection, utc, parts)?),
        }
    }

    /// Does it change what is written of earlier attempts?
    pub(super) fn replaces(&self) -> bool {
        matches!(self, Entry::Job(job) if job.replaces.is_some())
    }

    /// Bytes it will take, roughly.
    pub(super) fn size_bytes(&self) -> u64 {
        match self {
            Entry::Job(job) => job.size_bytes(),
            Entry::Readings(readings) => 64 * readings.len() as u64,
            Entry::Event { parts, .. } => 200 + parts.iter().map(|part| part.len() as u64).sum::<u64>(),
        }
    }
}

/// An entry could not be written.
#[derive(Debug)]
pub(super) enum WriteFailure {
    /// The database's own error, not yet told where.
    Database(rusqlite::Error),
    /// Any other.
    Store(StoreError),
}

impl From<rusqlite::Error> for WriteFailure {
    fn from(error: rusqlite::Error) -> WriteFailure {
        WriteFailure::Database(error)
    }
}

/// Marks the attempt at a job that counts as superseded; says how many there were.
pub(super) fn supersede(connection: &Connection, key: &JobKey, reason: &str) -> rusqlite::Result<usize> {
    connection
        .prepare_cached(
            "UPDATE jobs SET superseded = 1, superseded_reason = ? WHERE job_key = ? AND superseded = 0",
        )?
        .execute(params![reason, key])
}

fn write_job(connection: &Connection, job: &PackedJob) -> Result<(), WriteFailure> {
    let row = &job.row;
    if let Some(reason) = &job.replaces {
        supersede(connection, &row.key, reason)?;
    }
    let attempt = match job.attempt {
        Some(attempt) => attempt,
        None => connection
            .prepare_cached("SELECT coalesce(max(attempt), 0) + 1 FROM jobs WHERE job_key = ?")?
            .query_row([row.key], |row| row.get(0))?,
    };
    let identity = identity_id(connection, &job.identity)?;
    let rails = match &job.readback {
        Some(readback) => Some(json(&readback.rails).map_err(WriteFailure::Store)?),
        None => None,
    };
    let (outcome, fault) = match &job.outcome {
        JobOutcome::Measured => ("measured", None),
        JobOutcome::TrainingFailed => ("training_failed", None),
        JobOutcome::NotMeasured(fault) => ("not_measured", Some(fault)),
    };
    let position = position(row).map_err(WriteFailure::Store)?;
    connection
        .prepare_cached(
            "INSERT INTO jobs (job_key, attempt, plan_position, superseded, superseded_reason, outcome, fault_kind, \
             reason, chip, firmware, module, channel, rate, temperature, supply, pattern, rate_mts, \
             temperature_set_degc, mounting, repeat, start, identity_id, temperature_measured_degc, \
             rails_measured_v, settling_s, started_utc, ended_utc, started_bench_s, ended_bench_s, training_s, \
             measuring_s, summary_sha256, content_sha256, result_sha256) VALUES \
             (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, \
             zeroblob(32), zeroblob(32))",
        )?
        .execute(params![
            row.key,
            attempt,
            position,
            job.superseded.is_some(),
            job.superseded,
            outcome,
            fault.map(|fault| fault.kind.code()),
            fault.map(|fault| &fault.detail),
            row.chip,
            row.firmware,
            row.module,
            row.channel,
            row.rate,
            row.temperature,
            row.supply,
            row.pattern,
            row.rate_mts,
            row.temperature_set_degc,
            row.mounting,
            row.repeat,
            row.start,
            identity,
            job.readback.as_ref().map(|readback| readback.temperature.0),
            rails,
            job.readback.as_ref().map(|readback| readback.settling.0),
            row.started_utc,
            row.ended_utc,
            row.started_bench_s,
            row.ended_bench_s,
            job.times.training_s,
            job.times.measuring_s,
            job.summary_sha256,
        ])?;
    let id = connection.last_insert_rowid();
    for (sequence, training) in (1_i64..).zip(&job.trainings) {
        connection
            .prepare_cached(
                "INSERT INTO trainings (job_id, sequence, passed, failed_stage, failed_lanes, causes, \
                 detail_json_zstd) VALUES (?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                id,
                sequence,
                training.passed,
                training.failed_stage,
                training.failed_lanes,
                training.causes,
                training.detail
            ])?;
    }
    for (sequence, capture) in (1_i64..).zip(&job.captures) {
        write_capture(connection, id, sequence, capture)?;
    }
    attachments::write(connection, id, &job.attachments)?;
    Ok(write_readings(connection, Some(id), &job.readings)?)
}

/// The place in the plan's order as the database counts.
pub(super) fn position(row: &JobRow) -> Result<i64, StoreError> {
    i64::try_from(row.plan_position).map_err(|_| StoreError::Value {
        what: "the place in the plan's order".to_owned(),
        value: row.plan_position.to_string(),
        limit: "it must be below 2^63",
    })
}

fn identity_id(connection: &Connection, identity: &Identity) -> rusqlite::Result<i64> {
    let values = params![
        identity.chip_serial,
        identity.firmware_build,
        identity.firmware_hash,
        identity.settings_hash,
        identity.agent_version
    ];
    let known = connection
        .prepare_cached(
            "SELECT id FROM identities WHERE chip_serial = ? AND firmware_build = ? AND firmware_hash = ? \
             AND settings_hash = ? AND agent_version = ?",
        )?
        .query_row(values, |row| row.get(0))
        .optional()?;
    if let Some(id) = known {
        return Ok(id);
    }
    connection
        .prepare_cached(
            "INSERT INTO identities (chip_serial, firmware_build, firmware_hash, settings_hash, agent_version) \
             VALUES (?, ?, ?, ?, ?)",
        )?
        .insert(values)
}

fn write_capture(
    connection: &Connection,
    job: i64,
    sequence: i64,
    capture: &PackedCapture,
) -> rusqlite::Result<()> {
    let grid = &capture.grid;
    connection
        .prepare_cached(
            "INSERT INTO captures (job_id, sequence, direction, rank, sub_channel, mode, evidence, rule_json, taps, \
             vref_steps, tap_step_ps, vref_start_mv, vref_step_mv, ui_ps, vddq_mv, lanes_json, operating_json, \
             visit_count, bits_per_lane, visits_packed) \
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            job,
            sequence,
            capture.eye.direction.name(),
            capture.eye.rank,
            capture.eye.sub_channel,
            capture.mode.name(),
            capture.mode.evidence().name(),
            capture.rule,
            grid.taps,
            grid.vref_steps,
            grid.tap_step.0,
            grid.vref_start.0,
            grid.vref_step.0,
            grid.ui.0,
            grid.vddq.0,
            capture.lanes,
            capture.operating,
            capture.visit_count,
            capture.bits,
            capture.visits,
        ])?;
    Ok(())
}

fn write_readings(connection: &Connection, job: Option<i64>, readings: &[Reading]) -> rusqlite::Result<()> {
    for reading in readings {
        connection
            .prepare_cached(
                "INSERT INTO readings (job_id, bench_s, name, value, unit) VALUES (?, ?, ?, ?, ?)",
            )?
            .execute(params![job, reading.bench_s, reading.name, reading.value, reading.unit])?;
    }
    Ok(())
}
