//! What goes into a store and comes out of it: jobs with their condition, packed or whole.

use super::attachments::Attachment;
use super::error::StoreError;
use super::packing::{pack_visits, unpack_visits};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{
    Capture, CaptureMode, EyeName, Grid, Identity, JobOutcome, JobResult, JobTimes, LanePoint, Readback,
    TrainingResult,
};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::path::Path;

/// Key of a job: the SHA-256 of everything that is measured (see `plans`).
pub type JobKey = [u8; 32];

/// A job key in hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// What the runs of a folder have in common.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Meta {
    /// Version of the program that created the folder.
    pub tool_version: String,
    /// Title of the plan.
    pub title: String,
    /// The plan, word by word.
    pub plan_text: String,
    /// Seed of a simulated run.
    pub seed: u64,
    /// What is measured.
    pub target: Target,
    /// When the folder was created, UTC.
    pub created_utc: String,
}

/// What a run folder is bound to: the two never mix in one folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// The simulated target.
    Simulated,
    /// The bench of this name.
    Bench(String),
}

impl Target {
    /// As a message names it.
    pub fn words(&self) -> String {
        match self {
            Target::Simulated => "the simulated target".into(),
            Target::Bench(name) => format!("the bench {name}"),
        }
    }
}

/// Condition, place and times of one finished job.
#[derive(Debug, Clone, PartialEq)]
pub struct JobRow {
    /// The job's key.
    pub key: JobKey,
    /// Place in the plan's order, from 0. Exports follow it, whenever the job was finished.
    pub plan_position: u64,
    /// Chip, as named in the plan.
    pub chip: String,
    /// Firmware image, as named in the plan.
    pub firmware: String,
    /// Module, as named in the plan.
    pub module: String,
    /// Channel, as named in the plan.
    pub channel: String,
    /// Data rate, as named in the plan.
    pub rate: String,
    /// Temperature level, as named in the plan.
    pub temperature: String,
    /// Supply level, as named in the plan.
    pub supply: String,
    /// Pattern, as named in the plan.
    pub pattern: String,
    /// Data rate, megatransfers a second.
    pub rate_mts: f64,
    /// Temperature asked for at the level's control point, degrees Celsius.
    pub temperature_set_degc: f64,
    /// Mounting the job belongs to.
    pub mounting: u32,
    /// Repeat within the mounting.
    pub repeat: u32,
    /// Start: training attempt asked for by the plan.
    pub start: u32,
    /// When it began, UTC.
    pub started_utc: String,
    /// When it ended, UTC.
    pub ended_utc: String,
    /// When it began, seconds of bench time since the run began.
    pub started_bench_s: f64,
    /// When it ended, seconds of bench time since the run began.
    pub ended_bench_s: f64,
}

/// One value of a time series.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// When, seconds of bench time since the run began.
    pub bench_s: f64,
    /// What was read, for example `case temperature`.
    pub name: String,
    pub value: f64,
    /// Its unit, for example `degC`.
    pub unit: String,
}

/// Limits that results were judged by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LimitSet {
    /// The limits, word by word.
    pub limits_text: String,
    /// Were they agreed before measuring began?
    pub agreed_before_measuring: bool,
    /// When they were recorded, UTC.
    pub recorded_utc: String,
}

/// A stored job without its trainings, captures and readings, which are read one at a time.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredJob {
    /// Number of the row.
    pub(super) id: i64,
    /// Condition, place and times.
    pub row: JobRow,
    /// Attempt, from 1; the highest is the latest.
    pub attempt: u32,
    /// Why this attempt does not count any more; `None` while it counts.
    pub superseded: Option<String>,
    /// How it ended.
    pub outcome: JobOutcome,
    /// Who answered.
    pub identity: Identity,
    /// The condition as achieved; `None` when it never settled.
    pub readback: Option<Readback>,
    /// Bench time.
    pub times: JobTimes,
    /// Digest of what was measured.
    pub content_sha256: [u8; 32],
    /// Digest of its summary in the cache, as far as it was sealed.
    pub summary_sha256: Option<[u8; 32]>,
}

/// A job ready to be written: packing is the only costly part and may be done on any thread.
#[derive(Debug, Clone, PartialEq)]
pub struct PackedJob {
    pub(super) row: JobRow,
    /// `None`: the next attempt of the job.
    pub(super) attempt: Option<u32>,
    pub(super) superseded: Option<String>,
    /// Why it takes the place of the attempt that counts; `None` where none does.
    pub(super) replaces: Option<String>,
    pub(super) outcome: JobOutcome,
    pub(super) identity: Identity,
    pub(super) readback: Option<Readback>,
    pub(super) times: JobTimes,
    pub(super) trainings: Vec<PackedTraining>,
    pub(super) captures: Vec<PackedCapture>,
    pub(super) readings: Vec<Reading>,
    pub(super) attachments: Vec<Attachment>,
    /// Of its summary in the cache.
    pub(super) summary_sha256: Option<[u8; 32]>,
}

impl PackedJob {
    /// With the digest of its summary.
    pub fn with_summary(self, summary_sha256: [u8; 32]) -> PackedJob {
        PackedJob { summary_sha256: Some(summary_sha256), ..self }
    }

    /// Moves everything by some seconds of bench time: to the place of a bench's clock in a merged folder.
    pub fn move_clock(&mut self, seconds: f64) {
        self.row.started_bench_s += seconds;
        self.row.ended_bench_s += seconds;
        self.readings.iter_mut().for_each(|reading| reading.bench_s += seconds);
    }
}

/// The trainings and captures of a job, packed: unpacking may be done on any thread.
#[derive(Debug, Clone, PartialEq)]
pub struct PackedCounts {
    pub(super) trainings: Vec<PackedTraining>,
    pub(super) captures: Vec<PackedCapture>,
}

impl PackedCounts {
    /// The training attempts, in order.
    ///
    /// # Errors
    /// What is wrong with the stored bytes, in words.
    pub fn trainings(&self) -> Result<Vec<TrainingResult>, String> {
        self.trainings.iter().map(|packed| PackedTraining::unpack(&packed.detail)).collect()
    }

    /// The eye captured first.
    pub fn first_eye(&self) -> Option<EyeName> {
        self.captures.first().map(|packed| packed.eye)
    }

    /// The captures.
    ///
    /// # Errors
    /// What is wrong with the stored bytes, in words.
    pub fn captures(&self) -> Result<Vec<Capture>, String> {
        let unpack =
            |packed: &PackedCapture| packed.unpack().map_err(|words| format!("{}: {words}", packed.eye));
        self.captures.iter().map(unpack).collect()
    }
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct PackedTraining {
    pub passed: bool,
    pub failed_stage: Option<String>,
    pub failed_lanes: Option<String>,
    pub causes: Option<String>,
    pub detail: Vec<u8>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct PackedCapture {
    pub eye: EyeName,
    pub grid: Grid,
    pub mode: CaptureMode,
    pub rule: String,
    pub lanes: String,
    pub operating: String,
    pub visit_count: i64,
    pub bits: i64,
    pub visits: Vec<u8>,
}

/// Most bytes of one training attempt as JSON text.
const MOST_DETAIL: usize = 16 << 20;

impl PackedJob {
    /// Packs the result of a job and the readings taken meanwhile.
    ///
    /// # Errors
    /// [`StoreError::Value`] for a number that is not finite; [`StoreError::Packing`] for counts that break the
    /// rules of a capture.
    pub fn new(row: &JobRow, result: &JobResult, readings: &[Reading]) -> Result<PackedJob, StoreError> {
        check_numbers(row, result, readings)?;
        Ok(PackedJob {
            row: row.clone(),
            attempt: None,
            superseded: None,
            replaces: None,
            outcome: result.outcome.clone(),
            identity: result.identity.clone(),
            readback: result.readback.clone(),
            times: result.times,
            trainings: result.trainings.iter().map(PackedTraining::new).collect::<Result<_, _>>()?,
            captures: result
                .captures
                .iter()
                .map(|capture| PackedCapture::new(&row.key, capture))
                .collect::<Result<_, _>>()?,
            readings: readings.to_vec(),
            attachments: Vec::new(),
            summary_sha256: None,
        })
    }

    /// The result as it was; `path` is the store it came from.
    ///
    /// # Errors
    /// [`StoreError::Corrupt`] for bytes that are no training or capture.
    pub fn unpack(&self, path: &Path) -> Result<JobResult, StoreError> {
        let damaged = |what: String, detail: String| {
            StoreError::corrupt(path, format!("{what} of job {}: {detail}", hex(&self.row.key)))
        };
        Ok(JobResult {
            outcome: self.outcome.clone(),
            identity: self.identity.clone(),
            readback: self.readback.clone(),
            trainings: self
                .trainings
                .iter()
                .map(|training| {
                    PackedTraining::unpack(&training.detail)
                        .map_err(|detail| damaged("a training".into(), detail))
                })
                .collect::<Result<_, _>>()?,
            captures: self
                .captures
                .iter()
                .map(|capture| {
                    capture
                        .unpack()
                        .map_err(|detail| damaged(format!("the capture of {}", capture.eye), detail))
                })
                .collect::<Result<_, _>>()?,
            times: self.times,
        })
    }

    /// The job's key.
    pub fn key(&self) -> &JobKey {
        &self.row.key
    }

    /// Bytes it will take in the store, roughly.
    pub fn size_bytes(&self) -> u64 {
        let captures: usize = self.captures.iter().map(|capture| capture.visits.len() + 500).sum();
        let trainings: usize = self.trainings.iter().map(|training| training.detail.len() + 100).sum();
        let texts: usize = self.attachments.iter().map(|one| one.name.len() + one.text.len() + 20).sum();
        (captures + trainings + texts + 64 * self.readings.len() + 600) as u64
    }
}

impl PackedTraining {
    fn new(training: &TrainingResult) -> Result<PackedTraining, StoreError> {
        let failed = training.failed_stage();
        let lanes = failed.map(|stage| {
            let names: Vec<String> = stage.failed_lanes().iter().map(u16::to_string).collect();
            format!("{} {}", if stage.by_byte_lane { "byte lane" } else { "lane" }, names.join(" "))
        });
        let json = json(training)?;
        let detail = zstd::bulk::compress(json.as_bytes(), 1).map_err(|error| not_json(error.to_string()))?;
        Ok(PackedTraining {
            passed: training.passed,
            failed_stage: failed.map(|stage| stage.name.clone()),
            failed_lanes: lanes,
            causes: failed.map(|stage| stage.causes.join("; ")),
            detail,
        })
    }

    /// The training as it was; an error in words.
    pub(super) fn unpack(detail: &[u8]) -> Result<TrainingResult, String> {
        let json = zstd::bulk::decompress(detail, MOST_DETAIL).map_err(|error| error.to_string())?;
        serde_json::from_slice(&json).map_err(|error| error.to_string())
    }
}

impl PackedCapture {
    fn new(key: &JobKey, capture: &Capture) -> Result<PackedCapture, StoreError> {
        let place = || format!("job {}, {}", hex(key), capture.eye);
        let visits = pack_visits(&capture.grid, capture.lanes.len(), &capture.visits)
            .map_err(|source| StoreError::Packing { place: place(), source })?;
        let bits = capture.visits.iter().fold(0_u64, |sum, visit| sum.saturating_add(visit.bits));
        let operating: Vec<[u16; 2]> =
            capture.operating.iter().map(|point| [point.tap, point.vref]).collect();
        Ok(PackedCapture {
            eye: capture.eye,
            grid: capture.grid,
            mode: capture.mode,
            rule: json(&capture.rule)?,
            lanes: json(&capture.lanes)?,
            operating: json(&operating)?,
            visit_count: i64::try_from(capture.visits.len()).unwrap_or(i64::MAX),
            bits: i64::try_from(bits).unwrap_or(i64::MAX),
            visits,
        })
    }

    /// The capture as it was; an error in words.
    pub(super) fn unpack(&self) -> Result<Capture, String> {
        let rule: PointRule = parse(&self.rule)?;
        let lanes: Vec<u16> = parse(&self.lanes)?;
        let operating: Vec<[u16; 2]> = parse(&self.operating)?;
        let visits =
            unpack_visits(&self.grid, lanes.len(), &self.visits).map_err(|error| error.to_string())?;
        Ok(Capture {
            eye: self.eye,
            grid: self.grid,
            lanes,
            operating: operating.into_iter().map(|[tap, vref]| LanePoint { tap, vref }).collect(),
            mode: self.mode,
            rule,
            visits,
        })
    }
}

/// JSON text of a value of ours.
pub(super) fn json<T: Serialize>(value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|error| not_json(error.to_string()))
}

/// A value of ours from its JSON text; an error in words.
pub(super) fn parse<T: DeserializeOwned>(text: &str) -> Result<T, String> {
    serde_json::from_str(text).map_err(|error| error.to_string())
}

fn not_json(value: String) -> StoreError {
    StoreError::Value { what: "a result".to_owned(), value, limit: "it must have a JSON form" }
}

/// Databases and JSON know no NaN and no infinity: a number that is not finite is refused by name.
fn check_numbers(row: &JobRow, result: &JobResult, readings: &[Reading]) -> Result<(), StoreError> {
    let check = |what: &dyn Fn() -> String, value: f64| {
        if value.is_finite() {
            return Ok(());
        }
        Err(StoreError::Value { what: what(), value: value.to_string(), limit: "numbers must be finite" })
    };
    let named = |name: &'static str, value: f64| check(&|| name.to_owned(), value);
    named("the data rate (MT/s)", row.rate_mts)?;
    named("the set temperature (°C)", row.temperature_set_degc)?;
    named("the job's start (bench seconds)", row.started_bench_s)?;
    named("the job's end (bench seconds)", row.ended_bench_s)?;
    named("the training time (s)", result.times.training_s)?;
    named("the measuring time (s)", result.times.measuring_s)?;
    if let Some(readback) = &result.readback {
        named("the measured temperature (°C)", readback.temperature.0)?;
        named("the settling time (s)", readback.settling.0)?;
        for (rail, volts) in &readback.rails {
            check(&|| format!("rail {rail} (V)"), volts.0)?;
        }
    }
    for reading in readings {
        check(&|| format!("reading {} ({})", reading.name, reading.unit), reading.value)?;
        check(&|| format!("the time of reading {} (bench seconds)", reading.name), reading.bench_s)?;
    }
    for stage in result.trainings.iter().flat_map(|training| &training.stages) {
        for lane in &stage.lanes {
            for value in [lane.delay_taps, lane.width_taps, lane.vref_step, lane.height_steps] {
                check(
                    &|| format!("training stage {}, lane {}", stage.name, lane.lane),
                    value.unwrap_or(0.0),
                )?;
            }
        }
    }
    for capture in &result.captures {
        let grid = &capture.grid;
        for value in [grid.tap_step.0, grid.vref_start.0, grid.vref_step.0, grid.ui.0, grid.vddq.0]
            .into_iter()
            .chain(match capture.rule {
                PointRule::Sequential { limit, ratio, alpha, beta, cap } => [limit, ratio, alpha, beta, cap],
                PointRule::Fixed { .. } => [0.0; 5],
            })
        {
            check(&|| format!("the grid or point rule of {}", capture.eye), value)?;
        }
    }
    Ok(())
}
