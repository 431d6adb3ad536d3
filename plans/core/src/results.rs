//! Result values: what a driver answers, the store keeps and the report judges.

use crate::faults::Fault;
use crate::point_rule::PointRule;
use crate::units::{Celsius, Millivolts, Picoseconds, Seconds, Volts};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Most data lanes (DQ) an interface may have; lane sets are bit masks of this width.
pub const MOST_LANES: u16 = 128;

/// Direction of the transfer whose eye is captured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// Memory to chip, seen at the chip's capture flops.
    Read,
    /// Chip to memory, seen at the DRAM.
    Write,
    /// Command and address from the chip, seen at the DRAM (or at a module's register). Its lanes are the lines of the command
    /// bus, its bit time theirs.
    Command,
}

impl Direction {
    /// Every direction with its name.
    pub const ALL: [(&'static str, Direction); 3] =
        [("read", Direction::Read), ("write", Direction::Write), ("command", Direction::Command)];

    /// `read`, `write` or `command`.
    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

impl fmt::Display for Direction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Which eye: direction, rank and, on DDR5, sub-channel (0 = A, 1 = B).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct EyeName {
    pub direction: Direction,
    /// Package rank, from 0.
    pub rank: u8,
    /// DDR5 sub-channel, from 0; `None` where the interface has one channel.
    pub sub_channel: Option<u8>,
}

impl fmt::Display for EyeName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} rank {}", self.direction, self.rank)?;
        match self.sub_channel {
            Some(index) => write!(f, " {}", char::from(b'A' + index.min(25))),
            None => Ok(()),
        }
    }
}

/// One place of the grid: delay tap and Vref step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Point {
    /// Delay tap, from 0.
    pub tap: u16,
    /// Vref step, from 0 (lowest voltage).
    pub vref: u16,
}

/// A set of lane indices below [`MOST_LANES`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub struct LaneSet(pub u128);

impl LaneSet {
    pub fn first(count: u16) -> LaneSet {
        if count >= MOST_LANES { LaneSet(u128::MAX) } else { LaneSet((1 << count) - 1) }
    }
    /// Adds a lane; one of [`MOST_LANES`] or more is no lane and changes nothing.
    pub fn insert(&mut self, lane: u16) {
        self.0 |= 1u128.checked_shl(lane.into()).unwrap_or(0);
    }
    pub fn remove(&mut self, lane: u16) {
        self.0 &= !1u128.checked_shl(lane.into()).unwrap_or(0);
    }
    pub fn contains(self, lane: u16) -> bool {
        lane < MOST_LANES && self.0 >> lane & 1 == 1
    }
    pub fn len(self) -> u16 {
        self.0.count_ones() as u16
    }
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }
    /// The lanes, lowest first.
    pub fn iter(self) -> impl Iterator<Item = u16> {
        let mut rest = self.0;
        std::iter::from_fn(move || {
            if rest == 0 {
                return None;
            }
            let lane = rest.trailing_zeros() as u16;
            rest &= rest - 1;
            Some(lane)
        })
    }
}

impl FromIterator<u16> for LaneSet {
    fn from_iter<I: IntoIterator<Item = u16>>(lanes: I) -> LaneSet {
        let mut set = LaneSet::default();
        for lane in lanes {
            set.insert(lane);
        }
        set
    }
}

/// The axes of a capture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Grid {
    /// Number of delay taps.
    pub taps: u16,
    /// Number of Vref steps.
    pub vref_steps: u16,
    /// Nominal time of one tap.
    pub tap_step: Picoseconds,
    /// Vref at step 0, above ground.
    pub vref_start: Millivolts,
    /// Voltage of one Vref step.
    pub vref_step: Millivolts,
    /// Bit time.
    pub ui: Picoseconds,
    /// VDDQ the Vref is a share of.
    pub vddq: Millivolts,
}

impl Grid {
    pub fn len(&self) -> usize {
        usize::from(self.taps) * usize::from(self.vref_steps)
    }
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
    /// Index of a point, row by row (a row is one Vref step).
    pub fn index(&self, point: Point) -> usize {
        usize::from(point.vref) * usize::from(self.taps) + usize::from(point.tap)
    }
    /// The point at an index.
    pub fn point(&self, index: usize) -> Point {
        Point { tap: (index % usize::from(self.taps)) as u16, vref: (index / usize::from(self.taps)) as u16 }
    }
    pub fn contains(&self, point: Point) -> bool {
        point.tap < self.taps && point.vref < self.vref_steps
    }
    /// Vref of a step in percent of VDDQ.
    pub fn vref_percent(&self, step: f64) -> f64 {
        100.0 * (self.vref_start.0 + step * self.vref_step.0) / self.vddq.0
    }
}

/// Why a point was visited.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum VisitKind {
    /// First or continued measurement: counts add up.
    Measure,
    /// An independent re-test of a doubtful point: kept beside the first.
    Retest,
    /// An early point measured again last, to show drift within the capture.
    Drift,
    /// Along a lane's operating row, beyond both edges of its eye: where the eye crosses, for the size of a tap. Enters no label.
    Sweep,
}

/// Counts of one visit to one point: all lanes compared the same bits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Visit {
    pub point: Point,
    pub kind: VisitKind,
    /// Bits compared per lane.
    pub bits: u64,
    /// Errors of each captured lane, in the capture's lane order; at most `bits`.
    pub errors: Vec<u64>,
}

/// Operating point of one lane after training.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LanePoint {
    pub tap: u16,
    pub vref: u16,
}

/// How a capture chooses its points.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CaptureMode {
    /// Every pass/fail neighbour pair of every lane is measured.
    Exact,
    /// A certified lattice; the rest is marked inferred.
    Fast,
    /// Every point of the grid.
    Raster,
    /// The rims of every lane's operating row and column; nothing else of the eye.
    #[serde(rename = "row_and_column")]
    RowAndColumn,
}

impl CaptureMode {
    /// The plan's word.
    pub fn name(self) -> &'static str {
        match self {
            CaptureMode::Exact => "exact",
            CaptureMode::Fast => "fast",
            CaptureMode::Raster => "raster",
            CaptureMode::RowAndColumn => "row_and_column",
        }
    }

    /// How an eye that was captured so is known.
    pub fn evidence(self) -> Evidence {
        if self == CaptureMode::RowAndColumn { Evidence::RowAndColumn } else { Evidence::FullEye }
    }
}

/// How an eye is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Evidence {
    /// By its contour.
    #[default]
    FullEye,
    /// By the rims of the operating rows and columns alone.
    RowAndColumn,
}

impl Evidence {
    /// As it is stored.
    pub fn name(self) -> &'static str {
        match self {
            Evidence::FullEye => "full_eye",
            Evidence::RowAndColumn => "row_and_column",
        }
    }

    /// What stands behind a verdict that rests on it; nothing for a full eye.
    pub fn beside(self) -> &'static str {
        match self {
            Evidence::FullEye => "",
            Evidence::RowAndColumn => " (row and column)",
        }
    }
}

/// Most counts (points x lanes) of one capture: 128 MiB in memory.
pub const MOST_COUNTS: usize = 1 << 24;

/// One captured eye: all lanes at once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Capture {
    pub eye: EyeName,
    pub grid: Grid,
    /// The captured lanes' numbers (DQ), in the order of every count.
    pub lanes: Vec<u16>,
    /// Operating point of each captured lane.
    pub operating: Vec<LanePoint>,
    /// How the points were chosen.
    pub mode: CaptureMode,
    /// The rule that decided them.
    pub rule: PointRule,
    /// Every visit, in the order measured.
    pub visits: Vec<Visit>,
}

/// What one lane showed in one training stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LaneTraining {
    /// Lane (DQ) or byte-lane number, as the stage says.
    pub lane: u16,
    /// Delay found, in taps; `None` where the stage moves no delay or found none.
    pub delay_taps: Option<f64>,
    /// Width of the pass window found, in taps.
    pub width_taps: Option<f64>,
    /// Vref step found; `None` where the stage moves no Vref or found none.
    pub vref_step: Option<f64>,
    /// Height of the pass window found, in Vref steps.
    pub height_steps: Option<f64>,
    /// The window touches the end of the delay or Vref range.
    pub end_stop: bool,
    /// Did the lane pass the stage?
    pub passed: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrainingStage {
    /// JEDEC or trade name, for example `write levelling`.
    pub name: String,
    /// Eye the stage belongs to; `None` for command/address stages.
    pub eye: Option<EyeName>,
    /// True when `lane` numbers in `lanes` count byte lanes.
    pub by_byte_lane: bool,
    /// Result of each lane.
    pub lanes: Vec<LaneTraining>,
    /// Likely causes of a failure, empty when the stage passed.
    pub causes: Vec<String>,
}

impl TrainingStage {
    pub fn passed(&self) -> bool {
        self.lanes.iter().all(|lane| lane.passed)
    }
    pub fn failed_lanes(&self) -> Vec<u16> {
        self.lanes.iter().filter(|lane| !lane.passed).map(|lane| lane.lane).collect()
    }
}

/// Trained settings of one eye.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrainedEye {
    pub eye: EyeName,
    /// The captured lanes' numbers.
    pub lanes: Vec<u16>,
    /// Operating point of each of them.
    pub settings: Vec<LanePoint>,
}

/// Result of one training attempt. A failed training is a result, not an error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrainingResult {
    /// Stages in the order run; the first failed stage is the last.
    pub stages: Vec<TrainingStage>,
    /// Settings of every trained eye; empty when training failed.
    pub eyes: Vec<TrainedEye>,
    /// Did every stage pass?
    pub passed: bool,
}

impl TrainingResult {
    /// The stage that failed, if one did.
    pub fn failed_stage(&self) -> Option<&TrainingStage> {
        self.stages.iter().find(|stage| !stage.passed())
    }
    /// Settings of an eye.
    pub fn eye(&self, eye: EyeName) -> Option<&TrainedEye> {
        self.eyes.iter().find(|trained| trained.eye == eye)
    }
}

/// What was really set and measured, after settling.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Readback {
    /// Temperature at the level's control point.
    pub temperature: Celsius,
    /// Rails by name, as measured.
    pub rails: Vec<(String, Volts)>,
    /// Bench time from the request to the settled condition.
    pub settling: Seconds,
}

/// Who answered: stored per job; a change inside a run folder is refused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// Serial number of the test chip.
    pub chip_serial: String,
    /// Build identifier of the training firmware.
    pub firmware_build: String,
    /// Hash of the firmware image.
    pub firmware_hash: String,
    /// Hash of the device's settings.
    pub settings_hash: String,
    /// Version of the device's control agent (for the simulated target: of the model).
    pub agent_version: String,
}

/// Bench time spent on one job.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct JobTimes {
    pub training_s: f64,
    pub measuring_s: f64,
}

/// How a job ended.
#[derive(Debug, Clone, PartialEq)]
pub enum JobOutcome {
    /// Trained and captured.
    Measured,
    /// Training failed: a result.
    TrainingFailed,
    /// No valid measurement, and why.
    NotMeasured(Fault),
}

impl fmt::Display for JobOutcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            JobOutcome::Measured => f.write_str("measured"),
            JobOutcome::TrainingFailed => f.write_str("training failed"),
            JobOutcome::NotMeasured(fault) => write!(f, "not measured: {fault}"),
        }
    }
}

/// Everything one job left behind.
#[derive(Debug, Clone, PartialEq)]
pub struct JobResult {
    pub outcome: JobOutcome,
    pub identity: Identity,
    /// The condition as achieved; `None` when it never settled.
    pub readback: Option<Readback>,
    /// Every training attempt, in order.
    pub trainings: Vec<TrainingResult>,
    pub captures: Vec<Capture>,
    pub times: JobTimes,
}
