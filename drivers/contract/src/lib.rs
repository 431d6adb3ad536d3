//! The driver contract: what every target, simulated or real, promises.
//!
//! The trait is object-safe and blocking. Every call takes a [`Call`]: a deadline and a cancel token; a batch of
//! points stays under about ten seconds. Order of calls: [`Driver::apply`] before [`Driver::train`] (or
//! [`Driver::restore`]) before [`Driver::sample`]; a new rate or setup, a loss of power or a re-seat invalidates
//! training. The runner, not the driver, decides what is retried: errors say what kind they are.
//!
//! # A whole driver
//!
//! Copy this, then put your device behind it one call at a time. [`conformance::check`] says which promise is broken; every
//! driver passes it. This one has a single lane whose eye is a diamond around tap 16, step 16:
//!
//! ```
//! use contract::*;
//! use nightbench_core::results::*;
//! use nightbench_core::units::{Millivolts, Picoseconds, Seconds};
//!
//! const EYE: EyeName = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
//! const GRID: Grid = Grid {
//!     taps: 32,
//!     vref_steps: 32,
//!     tap_step: Picoseconds(10.0),
//!     vref_start: Millivolts(600.0),
//!     vref_step: Millivolts(8.0),
//!     ui: Picoseconds(320.0),
//!     vddq: Millivolts(1200.0),
//! };
//! const BITS_PER_SECOND: f64 = 1e9;
//!
//! #[derive(Default)]
//! struct Tiny {
//!     applied: Option<Setting>,
//!     trained: bool,
//!     bits: u64,
//! }
//!
//! impl Tiny {
//!     fn ready(&self, ready: bool, before: &str) -> Result<(), DriverError> {
//!         let late = || DriverError::new(FaultKind::WrongOrder, format!("asked before {before}"));
//!         if ready { Ok(()) } else { Err(late()) }
//!     }
//! }
//!
//! impl Driver for Tiny {
//!     fn is_simulated(&self) -> bool {
//!         true
//!     }
//!
//!     fn identity(&mut self, _: &Call) -> Result<Identity, DriverError> {
//!         self.ready(self.applied.is_some(), "apply")?;
//!         let text = |text: &str| text.to_string();
//!         Ok(Identity {
//!             chip_serial: text("T-1"),
//!             firmware_build: text("none"),
//!             firmware_hash: text("0"),
//!             settings_hash: text("0"),
//!             agent_version: text("tiny 1"),
//!         })
//!     }
//!
//!     fn capabilities(&mut self, _: &Call) -> Result<Capabilities, DriverError> {
//!         self.ready(self.applied.is_some(), "apply")?;
//!         let eye = EyeCapabilities {
//!             eye: EYE,
//!             grid: GRID,
//!             lanes: LaneSet::first(1),
//!             compared_bits_per_second: BITS_PER_SECOND,
//!             visit_overhead_s: 1e-3,
//!             vref_settle_s: 1e-3,
//!             early_stop: false,
//!             fewest_bits: 64,
//!         };
//!         Ok(Capabilities { eyes: vec![eye], restores_training: false, power_cycle: false })
//!     }
//!
//!     fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
//!         call.check("applying the condition")?;
//!         let same = |old: &Setting| old.mounting == setting.mounting && old.rate == setting.rate;
//!         self.trained &= self.applied.as_ref().is_some_and(same);
//!         self.applied = Some(setting.clone());
//!         // A real device answers what it measured, not what it was asked for.
//!         Ok(Readback {
//!             temperature: setting.temperature,
//!             rails: setting.supply.named().map(|(rail, volts)| (rail.to_string(), volts)).collect(),
//!             settling: Seconds(0.0),
//!         })
//!     }
//!
//!     fn train(&mut self, _: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError> {
//!         self.ready(self.applied.is_some(), "apply")?;
//!         call.check("training")?;
//!         self.trained = true;
//!         let centre = TrainedEye { eye: EYE, lanes: vec![0], settings: vec![LanePoint { tap: 16, vref: 16 }] };
//!         Ok(TrainingResult { stages: Vec::new(), eyes: vec![centre], passed: true })
//!     }
//!
//!     fn restore(&mut self, _: &[TrainedEye], _: &Call) -> Result<(), DriverError> {
//!         Err(DriverError::new(FaultKind::Unsupported, "this device keeps no trained codes"))
//!     }
//!
//!     fn sample(
//!         &mut self,
//!         _: EyeName,
//!         points: &[PointRequest],
//!         call: &Call,
//!     ) -> Result<Vec<PointCounts>, DriverError> {
//!         self.ready(self.trained, "training")?;
//!         // A batch is refused whole, or answered whole.
//!         points.iter().try_for_each(|request| request.check(&GRID, 1))?;
//!         let mut counts = Vec::new();
//!         for request in points {
//!             call.check("sampling")?;
//!             let off = request.point.tap.abs_diff(16) + request.point.vref.abs_diff(16);
//!             let errors = if off < 10 { 0 } else { request.most_bits / 2 };
//!             self.bits += request.most_bits;
//!             counts.push(PointCounts { bits: request.most_bits, errors: vec![errors] });
//!         }
//!         Ok(counts)
//!     }
//!
//!     fn confirm(&mut self, _: &Call) -> Result<(), DriverError> {
//!         // A real device reads its sensors and rails here.
//!         self.ready(self.applied.is_some(), "apply")
//!     }
//!
//!     fn make_safe(&mut self, _: &Call) -> Result<(), DriverError> {
//!         *self = Tiny { bits: self.bits, ..Tiny::default() };
//!         Ok(())
//!     }
//!
//!     fn safety_handle(&self) -> Box<dyn SafetyHandle> {
//!         Box::new(NothingIsPowered)
//!     }
//!
//!     fn elapsed(&self) -> Seconds {
//!         Seconds(self.bits as f64 / BITS_PER_SECOND)
//!     }
//! }
//!
//! struct NothingIsPowered;
//!
//! impl SafetyHandle for NothingIsPowered {
//!     fn make_safe(&self) -> Result<(), DriverError> {
//!         Ok(())
//!     }
//! }
//!
//! conformance::check(&mut Tiny::default(), &conformance::setting()).unwrap();
//! ```

#![warn(missing_docs)]

pub mod conformance;

pub use nightbench_core::faults::{Alarm, FaultKind};

use nightbench_core::devices::{Channel, Chip, ControlPoint, Firmware, Module, Pattern, Supply};
use nightbench_core::faults::Fault;
use nightbench_core::point_rule::PointRule;
use nightbench_core::rates::DataRate;
use nightbench_core::results::{
    EyeName, Grid, Identity, LaneSet, Point, Readback, TrainedEye, TrainingResult,
};
use nightbench_core::units::{Celsius, Picoseconds, Seconds};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Asks a running call to stop at the next safe place. Clones share the request.
#[derive(Debug, Clone, Default)]
pub struct CancelToken(Arc<AtomicBool>);

impl CancelToken {
    /// A token nobody has cancelled.
    pub fn new() -> CancelToken {
        CancelToken::default()
    }
    /// Asks to stop.
    pub fn cancel(&self) {
        self.0.store(true, Ordering::SeqCst);
    }
    /// Was a stop asked for?
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}

/// Limits of one call.
#[derive(Debug, Clone)]
pub struct Call {
    /// Latest end of the call.
    pub deadline: Instant,
    /// Asks for an early end.
    pub cancel: CancelToken,
}

impl Call {
    /// A call that may take `limit` from now.
    pub fn within(limit: Duration, cancel: &CancelToken) -> Call {
        Call { deadline: Instant::now() + limit, cancel: cancel.clone() }
    }
    /// Fails when the deadline has passed or a stop was asked for.
    ///
    /// # Errors
    /// `Cancelled` or `TimeOut`, naming `what` was going on.
    pub fn check(&self, what: &str) -> Result<(), DriverError> {
        if self.cancel.is_cancelled() {
            return Err(DriverError::new(FaultKind::Cancelled, format!("{what} was cancelled")));
        }
        if Instant::now() > self.deadline {
            return Err(DriverError::new(FaultKind::TimeOut, format!("{what} took longer than allowed")));
        }
        Ok(())
    }
}

/// The part of the set-up that a fault was seen at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Part {
    /// The device under test: chip, module, channel.
    Device,
    /// The device's control agent, or the way to it.
    Agent,
    /// An instrument, or the way to it: nothing that is mounted is to blame.
    Instrument,
}

/// A driver's fault. The runner decides by kind and part what is tried again, switched off or left out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: {words}", kind.words())]
pub struct DriverError {
    /// What kind of fault.
    pub kind: FaultKind,
    /// Where it was seen.
    pub part: Part,
    /// What happened, with the values and the remedy, for people.
    pub words: String,
}

impl DriverError {
    /// A fault of the device.
    pub fn new(kind: FaultKind, words: impl Into<String>) -> DriverError {
        DriverError { kind, part: Part::Device, words: words.into() }
    }

    /// The same fault, seen at another part.
    pub fn at(self, part: Part) -> DriverError {
        DriverError { part, ..self }
    }
}

impl From<DriverError> for Fault {
    fn from(error: DriverError) -> Fault {
        Fault { kind: error.kind, detail: error.words }
    }
}

/// A condition as the driver needs it, with the keys that make a simulated result reproducible.
#[derive(Debug, Clone)]
pub struct Setting {
    /// Test chip.
    pub chip: Arc<Chip>,
    /// Firmware image, where the plan names one.
    pub firmware: Option<Arc<Firmware>>,
    /// Mounted module.
    pub module: Arc<Module>,
    /// Channel between chip and module.
    pub channel: Arc<Channel>,
    /// Data rate.
    pub rate: DataRate,
    /// Temperature level.
    pub temperature: Celsius,
    /// Where the temperature is held.
    pub control_point: ControlPoint,
    /// Temperature at which drivers and terminations were last calibrated: the condition's own, unless training is
    /// held from another.
    pub calibrated_at: Celsius,
    /// Rail voltages.
    pub supply: Arc<Supply>,
    /// Data pattern.
    pub pattern: Pattern,
    /// Which mounting of the setup, from 0.
    pub mounting: u32,
    /// Which start, from 0.
    pub start: u32,
    /// Data-clock (WCK) periods in a period of the command clock; `None` where both are one clock.
    pub wck_ratio: Option<u8>,
    /// Condition, mounting, repeat and start as a digest: counting noise is a function of it and of the seed
    /// the driver was opened with, never of the capture strategy.
    pub noise_key: [u8; 32],
}

impl Setting {
    /// Period of the command clock.
    pub fn clock_period(&self) -> Picoseconds {
        Picoseconds(self.rate.clock_period().0 * f64::from(self.wck_ratio.unwrap_or(1)))
    }
}

/// Axes and abilities of one eye's sweep at the present condition.
#[derive(Debug, Clone, PartialEq)]
pub struct EyeCapabilities {
    /// Which eye.
    pub eye: EyeName,
    /// Its axes at the present condition.
    pub grid: Grid,
    /// Lanes that can be captured.
    pub lanes: LaneSet,
    /// Compared bits a lane and second: refresh and turnaround eat into the data rate.
    pub compared_bits_per_second: f64,
    /// Time a point costs beside its bits, seconds.
    pub visit_overhead_s: f64,
    /// Time a change of Vref takes to settle, seconds.
    pub vref_settle_s: f64,
    /// The device ends a point itself when the lanes asked for are decided.
    pub early_stop: bool,
    /// Fewest bits a visit can compare (one burst).
    pub fewest_bits: u64,
}

/// What the device can do.
#[derive(Debug, Clone, PartialEq)]
pub struct Capabilities {
    /// Every eye of the present condition.
    pub eyes: Vec<EyeCapabilities>,
    /// Trained codes can be restored.
    pub restores_training: bool,
    /// Start kinds available beside a retrain: power cycle, reset.
    pub power_cycle: bool,
}

/// How a training attempt starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StartKind {
    /// Supplies off and on.
    PowerCycle,
    /// Reset, supplies stay on.
    Reset,
    /// Training only.
    Retrain,
}

/// A training attempt to be made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrainingRequest {
    /// How it starts.
    pub start: StartKind,
    /// A point passes when its bit error ratio is at most this.
    pub pass_ber: f64,
    /// Fewest taps a lane's window must have.
    pub fewest_taps: u16,
    /// Fewest Vref steps a lane's window must have.
    pub fewest_steps: u16,
    /// Train the command lines as eyes of their own, too.
    pub command: bool,
    /// Train the write side too.
    pub write: bool,
}

/// One point to be measured.
#[derive(Debug, Clone, PartialEq)]
pub struct PointRequest {
    /// Where.
    pub point: Point,
    /// Counts from earlier visits that this visit continues: bits a lane.
    pub bits_before: u64,
    /// Errors of each captured lane in those bits (capture lane order; empty = none measured yet).
    pub errors_before: Vec<u64>,
    /// Lanes (positions in the capture's lane order) that must be decided.
    pub lanes: LaneSet,
    /// The rule that decides them, on earlier and new counts together.
    pub rule: PointRule,
    /// Most new bits of this visit.
    pub most_bits: u64,
    /// Independent series: 0 for measuring, above for re-tests and drift.
    pub series: u32,
}

impl PointRequest {
    /// Is it one that an eye with this grid and so many captured lanes can answer?
    ///
    /// # Errors
    /// Out of range: a point beyond the grid, a lane beyond the captured ones, earlier counts of another number of lanes.
    pub fn check(&self, grid: &Grid, lanes: usize) -> Result<(), DriverError> {
        let out = |words: String| Err(DriverError::new(FaultKind::OutOfRange, words));
        let point = self.point;
        if !grid.contains(point) {
            return out(format!(
                "tap {} at Vref step {} is beyond the grid of {} taps x {} steps",
                point.tap, point.vref, grid.taps, grid.vref_steps
            ));
        }
        if self.lanes.iter().any(|lane| usize::from(lane) >= lanes) {
            return out(format!("a lane beyond the {lanes} captured lanes was asked for"));
        }
        if !self.errors_before.is_empty() && self.errors_before.len() != lanes {
            return out(format!("earlier counts of {} lanes, {lanes} expected", self.errors_before.len()));
        }
        Ok(())
    }
}

/// New counts of one visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PointCounts {
    /// New bits compared a lane.
    pub bits: u64,
    /// New errors of each captured lane (all lanes count, asked for or not).
    pub errors: Vec<u64>,
}

/// A separate way to make everything safe while another call is stuck.
pub trait SafetyHandle: Send + Sync {
    /// Switches everything off, by a connection of its own. Idempotent.
    ///
    /// # Errors
    /// What could not be made safe.
    fn make_safe(&self) -> Result<(), DriverError>;
}

/// A target that conditions can be applied to and eyes captured from.
pub trait Driver: Send {
    /// Is this the simulated target? Decides the marks on every page.
    fn is_simulated(&self) -> bool;

    /// Who answers. Needs an applied condition.
    ///
    /// # Errors
    /// Communication faults.
    fn identity(&mut self, call: &Call) -> Result<Identity, DriverError>;

    /// Axes and abilities at the present condition.
    ///
    /// # Errors
    /// `WrongOrder` before a condition was applied; communication faults.
    fn capabilities(&mut self, call: &Call) -> Result<Capabilities, DriverError>;

    /// Sets a condition and returns what was really reached, after settling.
    ///
    /// # Errors
    /// `OutOfRange`, `NotSettled`, `Interlock`, `WrongIdentity` and communication faults.
    fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError>;

    /// Trains the interface. A failed training is a result.
    ///
    /// # Errors
    /// `WrongOrder` before a condition was applied; communication faults.
    fn train(&mut self, request: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError>;

    /// Restores trained settings, where the device can.
    ///
    /// # Errors
    /// `Unsupported` where it cannot.
    fn restore(&mut self, eyes: &[TrainedEye], call: &Call) -> Result<(), DriverError>;

    /// Measures a batch of points of one eye; one answer a point, in the order asked.
    ///
    /// # Errors
    /// `WrongOrder` before training; `OutOfRange` for a point or lane beyond the capabilities; faults.
    fn sample(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError>;

    /// Looks at the applied condition once more, whenever the last look was. Asked when a job's last answer is in: what
    /// was measured counts only if the condition held to its end.
    ///
    /// # Errors
    /// `WrongOrder` before a condition was applied; `NotSettled` and alarms where it did not hold; communication faults.
    fn confirm(&mut self, call: &Call) -> Result<(), DriverError>;

    /// Makes everything safe. Idempotent, allowed in any state.
    ///
    /// # Errors
    /// What could not be made safe.
    fn make_safe(&mut self, call: &Call) -> Result<(), DriverError>;

    /// A separate handle that makes everything safe while a call is stuck.
    fn safety_handle(&self) -> Box<dyn SafetyHandle>;

    /// Bench time since opening: virtual for the simulated target.
    fn elapsed(&self) -> Seconds;
}
