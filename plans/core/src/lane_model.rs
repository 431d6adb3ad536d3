//! What a model of the channel can be asked, so that a report can name causes without knowing any simulator.
//!
//! The model answers with the error ratios of a nominal lane, some figures changed. What it says is used for the *shape* of a
//! change only; how large the eye is without it is measured on other lanes.

use crate::results::EyeName;
use serde::{Deserialize, Serialize};

/// A figure of the channel or the receiver that can be changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Knob {
    BoardImpedance,
    ModuleImpedance,
    RiserImpedance,
    /// Impedance of every line together, as one lane's copper differs from another's.
    LineImpedance,
    ConnectorCapacitance,
    /// Vias and through-holes.
    ViaCapacitance,
    /// Pad capacitance at both ends.
    PadCapacitance,
    /// Termination at the receiving end.
    Termination,
    /// Driver resistance.
    Driver,
    /// Driver edge, 20 % to 80 %.
    DriverEdge,
    /// Loss tangent of every laminate.
    LossTangent,
    /// Loss tangent of the board alone.
    BoardLoss,
    /// Resistivity of the copper.
    Resistivity,
    /// Forward coupling of lines and connectors.
    Coupling,
    /// Random jitter (RJ).
    RandomJitter,
    /// Bounded jitter (DJ).
    BoundedJitter,
    /// Duty-cycle distortion (DCD).
    DutyCycle,
    /// Random noise of the receiver.
    Noise,
    /// Bounded noise of the receiver.
    BoundedNoise,
    /// Integral nonlinearity of the delay line; its phase in eighths of a turn.
    Nonlinearity(u8),
}

impl Knob {
    /// Every one; of the nonlinearity one phase.
    pub const ALL: [Knob; 20] = [
        Knob::BoardImpedance,
        Knob::ModuleImpedance,
        Knob::RiserImpedance,
        Knob::LineImpedance,
        Knob::ConnectorCapacitance,
        Knob::ViaCapacitance,
        Knob::PadCapacitance,
        Knob::Termination,
        Knob::Driver,
        Knob::DriverEdge,
        Knob::LossTangent,
        Knob::BoardLoss,
        Knob::Resistivity,
        Knob::Coupling,
        Knob::RandomJitter,
        Knob::BoundedJitter,
        Knob::DutyCycle,
        Knob::Noise,
        Knob::BoundedNoise,
        Knob::Nonlinearity(0),
    ];
}

/// By how much a figure is changed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Change {
    pub knob: Knob,
    /// Natural logarithm of the factor on the figure; of [`Knob::Nonlinearity`] the taps peak to peak that are added.
    pub by: f64,
}

/// Vref steps below and above its grid that a model answers too: a lane whose offset lies elsewhere shows that part of the eye.
pub const FRINGE: u16 = 8;

/// A model of the lanes of one condition.
pub trait LaneModel: Sync {
    /// Bit error ratios of a nominal lane over the eye's grid with [`FRINGE`] rows more below and above it, row by row as
    /// [`crate::results::Grid::index`] counts, with every change made and a delay line that is straight but for them.
    ///
    /// # Errors
    /// Why the model has no answer, in words: a change beyond its range, an eye it does not have.
    fn error_ratios(&self, eye: EyeName, changes: &[Change]) -> Result<Vec<f64>, String>;
}
