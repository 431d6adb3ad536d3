//! Rows of the tables `jobs` and `captures` as values.

use super::rows::{JobRow, PackedCapture, StoredJob, parse};
use nightbench_core::faults::{Fault, FaultKind};
use nightbench_core::results::{
    CaptureMode, Direction, EyeName, Grid, Identity, JobOutcome, JobTimes, Readback,
};
use nightbench_core::units::{Celsius, Millivolts, Picoseconds, Seconds, Volts};
use rusqlite::Row;

/// Columns of a job, of `jobs` joined with `identities`.
pub(super) const JOB_COLUMNS: &str = "jobs.id, job_key, attempt, plan_position, superseded, superseded_reason, outcome, \
     reason, chip, firmware, module, channel, rate, temperature, supply, pattern, rate_mts, \
     temperature_set_degc, mounting, repeat, start, temperature_measured_degc, rails_measured_v, settling_s, \
     started_utc, ended_utc, started_bench_s, ended_bench_s, training_s, measuring_s, chip_serial, \
     firmware_build, firmware_hash, settings_hash, agent_version, fault_kind, content_sha256, summary_sha256";

/// Place of `fault_kind` in them; the digests follow.
const FAULT_KIND: usize = 35;

pub(super) const CAPTURE_COLUMNS: &str = "direction, rank, sub_channel, mode, rule_json, taps, vref_steps, tap_step_ps, \
     vref_start_mv, vref_step_mv, ui_ps, vddq_mv, lanes_json, operating_json, visit_count, bits_per_lane, \
     visits_packed";

/// An entry that this program never writes.
fn foreign(column: usize, words: String) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, words.into())
}

/// Five columns from `first`.
pub(super) fn identity(row: &Row<'_>, first: usize) -> rusqlite::Result<Identity> {
    Ok(Identity {
        chip_serial: row.get(first)?,
        firmware_build: row.get(first + 1)?,
        firmware_hash: row.get(first + 2)?,
        settings_hash: row.get(first + 3)?,
        agent_version: row.get(first + 4)?,
    })
}

/// A row of [`JOB_COLUMNS`].
pub(super) fn stored_job(row: &Row<'_>) -> rusqlite::Result<StoredJob> {
    let superseded: bool = row.get(4)?;
    let outcome = match row.get_ref(6)?.as_str()? {
        "measured" => JobOutcome::Measured,
        "training_failed" => JobOutcome::TrainingFailed,
        "not_measured" => {
            let code = row.get_ref(FAULT_KIND)?.as_str()?;
            let kind = FaultKind::from_code(code)
                .ok_or_else(|| foreign(FAULT_KIND, format!("kind of fault `{code}`")))?;
            let detail: Option<String> = row.get(7)?;
            JobOutcome::NotMeasured(Fault::new(kind, detail.unwrap_or_default()))
        }
        other => return Err(foreign(6, format!("outcome {other}"))),
    };
    let readback = match row.get::<_, Option<f64>>(21)? {
        None => None,
        Some(temperature) => {
            let rails: Vec<(String, f64)> =
                parse(row.get_ref(22)?.as_str()?).map_err(|detail| foreign(22, detail))?;
            Some(Readback {
                temperature: Celsius(temperature),
                rails: rails.into_iter().map(|(name, volts)| (name, Volts(volts))).collect(),
                settling: Seconds(row.get(23)?),
            })
        }
    };
    Ok(StoredJob {
        id: row.get(0)?,
        row: JobRow {
            key: row.get(1)?,
            plan_position: u64::try_from(row.get::<_, i64>(3)?).unwrap_or(0),
            chip: row.get(8)?,
            firmware: row.get(9)?,
            module: row.get(10)?,
            channel: row.get(11)?,
            rate: row.get(12)?,
            temperature: row.get(13)?,
            supply: row.get(14)?,
            pattern: row.get(15)?,
            rate_mts: row.get(16)?,
            temperature_set_degc: row.get(17)?,
            mounting: row.get(18)?,
            repeat: row.get(19)?,
            start: row.get(20)?,
            started_utc: row.get(24)?,
            ended_utc: row.get(25)?,
            started_bench_s: row.get(26)?,
            ended_bench_s: row.get(27)?,
        },
        attempt: row.get(2)?,
        superseded: match superseded {
            true => Some(row.get::<_, Option<String>>(5)?.unwrap_or_default()),
            false => None,
        },
        outcome,
        identity: identity(row, 30)?,
        readback,
        times: JobTimes { training_s: row.get(28)?, measuring_s: row.get(29)? },
        content_sha256: row.get(FAULT_KIND + 1)?,
        summary_sha256: row.get(FAULT_KIND + 2)?,
    })
}

/// A row of [`CAPTURE_COLUMNS`].
pub(super) fn packed_capture(row: &Row<'_>) -> rusqlite::Result<PackedCapture> {
    let direction = match row.get_ref(0)?.as_str()? {
        "read" => Direction::Read,
        "write" => Direction::Write,
        "command" => Direction::Command,
        other => return Err(foreign(0, format!("direction {other}"))),
    };
    let mode = match row.get_ref(3)?.as_str()? {
        "exact" => CaptureMode::Exact,
        "fast" => CaptureMode::Fast,
        "raster" => CaptureMode::Raster,
        "row_and_column" => CaptureMode::RowAndColumn,
        other => return Err(foreign(3, format!("mode {other}"))),
    };
    Ok(PackedCapture {
        eye: EyeName { direction, rank: row.get(1)?, sub_channel: row.get(2)? },
        mode,
        rule: row.get(4)?,
        grid: Grid {
            taps: row.get(5)?,
            vref_steps: row.get(6)?,
            tap_step: Picoseconds(row.get(7)?),
            vref_start: Millivolts(row.get(8)?),
            vref_step: Millivolts(row.get(9)?),
            ui: Picoseconds(row.get(10)?),
            vddq: Millivolts(row.get(11)?),
        },
        lanes: row.get(12)?,
        operating: row.get(13)?,
        visit_count: row.get(14)?,
        bits: row.get(15)?,
        visits: row.get(16)?,
    })
}
