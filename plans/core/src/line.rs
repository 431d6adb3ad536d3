//! Counts of a line test: a few places about each lane's trained point, each compared for the same short time.

use crate::results::{EyeName, Grid, LanePoint};
use serde::{Deserialize, Serialize};

/// One visit: tap, Vref step, bits a lane, errors of each lane.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShortVisit(pub u16, pub u16, pub u64, pub Vec<u64>);

/// One eye of a unit at one supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShortCounts {
    pub eye: EyeName,
    pub grid: Grid,
    /// The lanes' numbers (DQ), in the order of every count.
    pub lanes: Vec<u16>,
    /// Trained point of each of them.
    pub operating: Vec<LanePoint>,
    pub visits: Vec<ShortVisit>,
}

/// A unit at one supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplyCounts {
    /// Name of the supply in the plan.
    pub supply: String,
    pub eyes: Vec<ShortCounts>,
}

/// How the test of a unit ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum UnitOutcome {
    Measured(Vec<SupplyCounts>),
    /// Training failed: its stage, the lanes, likely causes.
    TrainingFailed {
        stage: String,
        lanes: Vec<u16>,
        causes: Vec<String>,
    },
    /// No valid measurement, and why.
    NotMeasured(String),
}

/// Bench time of one unit, seconds.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct UnitTimes {
    pub boot_s: f64,
    pub training_s: f64,
    pub supplies_s: f64,
    pub test_s: f64,
}

impl UnitTimes {
    pub fn total_s(&self) -> f64 {
        self.boot_s + self.training_s + self.supplies_s + self.test_s
    }
}

/// How a line test looks at a unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShortLook {
    /// Bits compared at a place.
    pub bits: u64,
    /// Error ratio that an edge is looked for at.
    pub limit: f64,
    /// First place looked at from the trained point: taps, Vref steps.
    pub start_taps: u16,
    pub start_steps: u16,
    /// Rows (widths) alone, or columns (heights) as well.
    pub columns: bool,
}
