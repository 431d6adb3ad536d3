//! Messages of the agent protocol: every field with its unit in its name. `drivers/bench/AGENT.md` documents them.

use contract::{Capabilities, EyeCapabilities, FaultKind, PointRequest, StartKind};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{EyeName, Grid, LaneSet, Point, TrainedEye};
use nightbench_core::units::{Millivolts, Picoseconds};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Version of the protocol.
pub const PROTOCOL: u32 = 1;

/// Error codes of the protocol beside those of JSON-RPC 2.0.
pub mod code {
    /// Calls came in the wrong order, for example a sample before training.
    pub const WRONG_ORDER: i64 = -32001;
    /// A value is beyond what the device can do.
    pub const OUT_OF_RANGE: i64 = -32002;
    /// The device cannot do what was asked.
    pub const UNSUPPORTED: i64 = -32003;
    /// A safety condition forbids the call.
    pub const INTERLOCK: i64 = -32004;
    /// The device does not answer the agent.
    pub const DEVICE_SILENT: i64 = -32005;
    /// Training was lost: train again before sampling.
    pub const TRAINING_LOST: i64 = -32006;
    /// The call was cancelled.
    pub const CANCELLED: i64 = -32007;
    /// Another module, chip or image than asked for.
    pub const WRONG_IDENTITY: i64 = -32008;
}

/// What an error code means to the runner.
pub fn fault_kind(number: i64) -> FaultKind {
    match number {
        code::WRONG_ORDER | code::TRAINING_LOST => FaultKind::WrongOrder,
        code::OUT_OF_RANGE => FaultKind::OutOfRange,
        code::UNSUPPORTED => FaultKind::Unsupported,
        code::INTERLOCK => FaultKind::Interlock,
        code::DEVICE_SILENT => FaultKind::Communication,
        code::CANCELLED => FaultKind::Cancelled,
        code::WRONG_IDENTITY => FaultKind::WrongIdentity,
        -32700 | -32603..=-32600 => FaultKind::Protocol,
        other => FaultKind::Instrument(i32::try_from(other).unwrap_or(i32::MIN)),
    }
}

/// Code of a kind, for an agent that wraps a driver.
pub fn error_code(kind: FaultKind) -> i64 {
    match kind {
        FaultKind::WrongOrder => code::WRONG_ORDER,
        FaultKind::OutOfRange => code::OUT_OF_RANGE,
        FaultKind::Unsupported => code::UNSUPPORTED,
        FaultKind::Interlock
        | FaultKind::Alarm(_)
        | FaultKind::NotSafe
        | FaultKind::BeyondLimits
        | FaultKind::TakenOver => code::INTERLOCK,
        FaultKind::WrongIdentity | FaultKind::WrongInstrument => code::WRONG_IDENTITY,
        FaultKind::Cancelled => code::CANCELLED,
        FaultKind::TimeOut
        | FaultKind::Communication
        | FaultKind::SettingsLost
        | FaultKind::NotSettled
        | FaultKind::NotReached
        | FaultKind::MountingCheck
        | FaultKind::Unrecorded => code::DEVICE_SILENT,
        FaultKind::Protocol | FaultKind::ImpossibleAnswer => -32600,
        FaultKind::Instrument(number) => i64::from(number),
    }
}

/// Answer of `identify`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identified {
    /// Version of the protocol, 1.
    pub protocol: u32,
    /// Name and version of the agent.
    pub agent_version: String,
    /// Serial number of the test chip.
    pub chip_serial: String,
    /// Build identifier of the firmware that runs.
    pub firmware_build: String,
    /// Hash of the firmware image.
    pub firmware_hash: String,
    /// Hash of the device's settings.
    pub settings_hash: String,
    /// Serial number of the mounted module, where the agent can read it (SPD); null where it cannot at present.
    #[serde(default)]
    pub module_serial: Option<String>,
    /// The mounted module's whole SPD content in hexadecimal digits, where the agent can read it; null where it cannot at present.
    #[serde(default)]
    pub module_spd: Option<String>,
    /// Are the device's rails on, as the agent sees them?
    pub powered: bool,
}

/// Parameters of `power`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct PowerRequest {
    /// The rails are on (true) or about to be switched off (false).
    pub on: bool,
}

/// Parameters of `set_rails`: rails that the device makes for itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetRails {
    /// Each rail by the agent's name, V.
    pub rails_v: BTreeMap<String, f64>,
}

/// What a rail of the device gives.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RailReading {
    /// Its voltage, V.
    pub volts: f64,
    /// Its current, A; null where the device does not measure it.
    #[serde(default)]
    pub amperes: Option<f64>,
}

/// Answer of `rails`, and part of a heartbeat.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct RailReadings {
    /// Each rail by the agent's name.
    #[serde(default)]
    pub rails: BTreeMap<String, RailReading>,
}

/// What is mounted, in `configure`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MountedModule {
    /// Name in the plan.
    pub name: String,
    /// Kind by its JEDEC name: UDIMM, SODIMM, RDIMM or LRDIMM.
    pub kind: String,
    /// `3DS` where the packages are stacks behind one load.
    #[serde(default)]
    pub stack: Option<String>,
    /// Two half-populated modules that share an address bus.
    #[serde(default)]
    pub half_populated: bool,
    /// Package ranks.
    pub ranks: u8,
    /// DQ a DRAM package.
    pub device_width: u8,
    /// Serial number the plan expects.
    #[serde(default)]
    pub serial: Option<String>,
    /// Populated lanes (DQ numbers).
    pub lanes: Vec<u16>,
}

/// Parameters of `configure`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ConfigureRequest {
    /// Chip, as the plan names it.
    pub chip: String,
    /// Firmware image, as the plan names it; null: as loaded.
    #[serde(default)]
    pub firmware: Option<String>,
    /// File or identifier of the image.
    #[serde(default)]
    pub firmware_image: Option<String>,
    pub module: MountedModule,
    /// Channel, as the plan names it.
    pub channel: String,
    /// Data rate by its standard name, MT/s.
    pub rate: u32,
    /// Data rate exactly, MT/s.
    pub rate_mts: f64,
    /// Temperature level, degC.
    pub temperature_degc: f64,
    /// Temperature at which drivers and terminations were calibrated, degC.
    pub calibrated_at_degc: f64,
    /// The refresh interval is to be halved (above 85 degC case).
    pub double_refresh: bool,
    /// Supply level, as the plan names it.
    pub supply: String,
    pub rails_v: BTreeMap<String, f64>,
    /// Data pattern, in the plan's word.
    pub pattern: String,
    /// Which mounting, from 0.
    pub mounting: u32,
    /// Which start, from 0.
    pub start: u32,
    /// Data-clock (WCK) periods in a period of the command clock, where these are two clocks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wck_ratio: Option<u8>,
    /// The job, 64 hexadecimal digits: a simulated device draws its noise from it, a real one ignores it.
    pub job: String,
}

/// One eye in the answer of `configure`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EyeAnswer {
    /// Which eye.
    pub eye: EyeName,
    /// Delay taps.
    pub taps: u16,
    pub vref_steps: u16,
    /// Time of one tap.
    pub tap_step_ps: f64,
    /// Vref at step 0, above ground.
    pub vref_start_mv: f64,
    pub vref_step_mv: f64,
    /// Bit time.
    pub ui_ps: f64,
    pub vddq_mv: f64,
    /// Lanes (DQ numbers), in the order of every count.
    pub lanes: Vec<u16>,
    /// Compared bits a lane and second.
    pub compared_bits_per_second: f64,
    /// Time a point costs beside its bits, s.
    pub visit_overhead_s: f64,
    /// Time a change of Vref takes, s.
    pub vref_settle_s: f64,
    /// The agent ends a point itself when its lanes are decided.
    pub early_stop: bool,
    /// Fewest bits of a visit.
    pub fewest_bits: u64,
}

impl EyeAnswer {
    /// From a driver's capabilities.
    pub fn new(eye: &EyeCapabilities) -> EyeAnswer {
        EyeAnswer {
            eye: eye.eye,
            taps: eye.grid.taps,
            vref_steps: eye.grid.vref_steps,
            tap_step_ps: eye.grid.tap_step.0,
            vref_start_mv: eye.grid.vref_start.0,
            vref_step_mv: eye.grid.vref_step.0,
            ui_ps: eye.grid.ui.0,
            vddq_mv: eye.grid.vddq.0,
            lanes: eye.lanes.iter().collect(),
            compared_bits_per_second: eye.compared_bits_per_second,
            visit_overhead_s: eye.visit_overhead_s,
            vref_settle_s: eye.vref_settle_s,
            early_stop: eye.early_stop,
            fewest_bits: eye.fewest_bits,
        }
    }

    /// As a driver's capabilities; `None` when the figures make no sense.
    pub fn capabilities(&self) -> Option<EyeCapabilities> {
        let positive =
            [self.tap_step_ps, self.vref_step_mv, self.ui_ps, self.vddq_mv, self.compared_bits_per_second];
        let sane = positive.iter().all(|value| value.is_finite() && *value > 0.0)
            && [self.visit_overhead_s, self.vref_settle_s].iter().all(|value| (0.0..60.0).contains(value))
            && self.vref_start_mv.is_finite()
            && (1..=4096).contains(&self.taps)
            && (1..=4096).contains(&self.vref_steps)
            && self.fewest_bits >= 1
            && !self.lanes.is_empty()
            && self.lanes.windows(2).all(|pair| pair[0] < pair[1])
            && self.lanes.iter().all(|lane| *lane < nightbench_core::results::MOST_LANES);
        sane.then(|| EyeCapabilities {
            eye: self.eye,
            grid: Grid {
                taps: self.taps,
                vref_steps: self.vref_steps,
                tap_step: Picoseconds(self.tap_step_ps),
                vref_start: Millivolts(self.vref_start_mv),
                vref_step: Millivolts(self.vref_step_mv),
                ui: Picoseconds(self.ui_ps),
                vddq: Millivolts(self.vddq_mv),
            },
            lanes: self.lanes.iter().copied().collect(),
            compared_bits_per_second: self.compared_bits_per_second,
            visit_overhead_s: self.visit_overhead_s,
            vref_settle_s: self.vref_settle_s,
            early_stop: self.early_stop,
            fewest_bits: self.fewest_bits,
        })
    }
}

/// Answer of `configure`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Configured {
    /// Every eye of the condition.
    pub eyes: Vec<EyeAnswer>,
    /// Trained codes can be restored.
    pub restores_training: bool,
    /// The device may be power-cycled as a start.
    pub power_cycle: bool,
    /// The refresh interval is halved now: must be true where it was asked for.
    pub double_refresh: bool,
}

impl Configured {
    /// As the contract's value; `None` when the figures make no sense.
    pub fn capabilities(&self) -> Option<Capabilities> {
        let eyes: Option<Vec<_>> = self.eyes.iter().map(EyeAnswer::capabilities).collect();
        let eyes = eyes.filter(|eyes| !eyes.is_empty())?;
        Some(Capabilities { eyes, restores_training: self.restores_training, power_cycle: self.power_cycle })
    }
}

/// Parameters of `train`; the answer is a training result (see `drivers/bench/AGENT.md`).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrainRequest {
    /// `power_cycle`, `reset` or `retrain`; the supplies have been cycled already.
    pub start: StartWord,
    /// A point passes at this bit error ratio.
    pub pass_ber: f64,
    /// Fewest taps of a window.
    pub fewest_taps: u16,
    /// Fewest Vref steps of a window.
    pub fewest_steps: u16,
    /// Train the command lines as eyes of their own, too.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub command: bool,
    /// Train the write side too.
    pub write: bool,
}

/// How a training attempt starts, as a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StartWord {
    /// Supplies off and on.
    PowerCycle,
    Reset,
    /// Training only.
    Retrain,
}

impl From<StartKind> for StartWord {
    fn from(kind: StartKind) -> StartWord {
        match kind {
            StartKind::PowerCycle => StartWord::PowerCycle,
            StartKind::Reset => StartWord::Reset,
            StartKind::Retrain => StartWord::Retrain,
        }
    }
}

impl From<StartWord> for StartKind {
    fn from(word: StartWord) -> StartKind {
        match word {
            StartWord::PowerCycle => StartKind::PowerCycle,
            StartWord::Reset => StartKind::Reset,
            StartWord::Retrain => StartKind::Retrain,
        }
    }
}

/// Parameters of `restore`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RestoreRequest {
    /// Saved settings.
    pub eyes: Vec<TrainedEye>,
}

/// One point in `sample`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointQuestion {
    /// Delay tap.
    pub tap: u16,
    /// Vref step.
    pub vref: u16,
    /// Bits of earlier visits that this one continues.
    pub bits_before: u64,
    /// Errors in them a lane; empty: none.
    pub errors_before: Vec<u64>,
    /// Lanes to be decided: positions in the eye's list of lanes.
    pub decide: Vec<u16>,
    /// Rule that decides them, on earlier and new counts together.
    pub rule: PointRule,
    /// Most new bits.
    pub most_bits: u64,
    /// Independent series.
    pub series: u32,
}

impl PointQuestion {
    /// From the contract's request.
    pub fn new(request: &PointRequest) -> PointQuestion {
        PointQuestion {
            tap: request.point.tap,
            vref: request.point.vref,
            bits_before: request.bits_before,
            errors_before: request.errors_before.clone(),
            decide: request.lanes.iter().collect(),
            rule: request.rule,
            most_bits: request.most_bits,
            series: request.series,
        }
    }

    /// As the contract's request; `None` for a lane beyond every interface.
    pub fn request(&self) -> Option<PointRequest> {
        let lanes: LaneSet = self
            .decide
            .iter()
            .map(|lane| (*lane < nightbench_core::results::MOST_LANES).then_some(*lane))
            .collect::<Option<Vec<_>>>()?
            .into_iter()
            .collect();
        Some(PointRequest {
            point: Point { tap: self.tap, vref: self.vref },
            bits_before: self.bits_before,
            errors_before: self.errors_before.clone(),
            lanes,
            rule: self.rule,
            most_bits: self.most_bits,
            series: self.series,
        })
    }
}

/// Parameters of `sample`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SampleRequest {
    /// Which eye.
    pub eye: EyeName,
    /// Points, at most about ten seconds together.
    pub points: Vec<PointQuestion>,
}

/// New counts of one point.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PointAnswer {
    /// New bits compared a lane.
    pub bits: u64,
    /// New errors of each lane.
    pub errors: Vec<u64>,
}

/// Answer of `sample`: one entry a point, in the order asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sampled {
    pub counts: Vec<PointAnswer>,
}

/// Answer of `temperature`, and part of a heartbeat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Temperatures {
    /// Each sensor by its name, degC.
    pub sensors_degc: BTreeMap<String, f64>,
}

/// Answer of `log` and `registers`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FreeText {
    /// Free text.
    pub text: String,
}
