//! What a test is derived from, and what it has to keep.

use super::test::{CornerMetric, SupplyReading, readings};
use nightbench_core::line::{ShortLook, UnitOutcome};

/// One unit of the sample.
#[derive(Debug, Clone, PartialEq)]
pub struct SampleUnit {
    pub name: String,
    /// What is known to be wrong with it, or was planted.
    pub fault: Option<String>,
    /// Worst lane over the corners, in the metric's unit; 0 where a corner's training failed or its eye is closed.
    pub corner: f64,
    /// Worst and mean lane of each room condition's eyes, where the run has them: a yardstick.
    pub room: Vec<f64>,
    /// What the line's short test showed.
    pub line: UnitOutcome,
}

impl SampleUnit {
    /// No fault is known, and it works at every corner.
    pub(super) fn is_sound(&self) -> bool {
        self.fault.is_none() && self.corner > 0.0
    }
}

/// The sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    pub units: Vec<SampleUnit>,
    /// How the line looked at it: its limit is the shallowest of the depths tried.
    pub look: ShortLook,
    /// Units of a gauge study: name, and outcomes by mounting and repeat.
    pub gauge: Vec<(String, Vec<Vec<UnitOutcome>>)>,
    /// Seconds of a visit.
    pub visit_s: f64,
}

/// One sound unit with its readings.
pub(super) struct Sound<'a> {
    pub unit: &'a SampleUnit,
    pub readings: Vec<SupplyReading>,
}

impl Sample {
    /// Sound units as far as they were measured.
    pub(super) fn sound(&self, look: &ShortLook) -> Vec<Sound<'_>> {
        let read = |unit| readings_of(unit, look).map(|readings| Sound { unit, readings });
        self.units.iter().filter(|unit| unit.is_sound()).filter_map(read).collect()
    }
}

/// A unit's readings; `None` where it was not measured.
pub(super) fn readings_of(unit: &SampleUnit, look: &ShortLook) -> Option<Vec<SupplyReading>> {
    match &unit.line {
        UnitOutcome::Measured(counts) => readings(counts, look),
        _ => None,
    }
}

/// Costs in one currency: a bad unit that is shipped, a corner test, a good unit that is thrown away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    pub escape: f64,
    pub corner: f64,
    pub overkill: f64,
}

/// What the test has to keep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    pub metric: CornerMetric,
    pub limit: f64,
    /// Most escapes (share of all units), most overkill (share of the good ones), most corner tests (share of all units).
    pub escapes: f64,
    pub overkill: f64,
    pub sent_on: f64,
    pub costs: Option<Costs>,
    /// Share of faulty units on the line; `None` takes the sample's.
    pub faulty_share: Option<f64>,
}
