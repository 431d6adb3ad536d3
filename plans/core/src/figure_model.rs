//! What a model of the channel is asked while its figures are fitted to counts, so that a report can fit a model without
//! knowing any simulator.

use crate::results::EyeName;

/// A figure of the model that counts can tell something about.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Name, as a plan's `[model]` writes it.
    pub name: String,
    /// Unit of the value; empty for a pure number.
    pub unit: String,
    /// What the plan starts from.
    pub value: f64,
    /// Smallest and largest value that the model takes.
    pub range: (f64, f64),
    /// What it is.
    pub meaning: String,
}

/// How a lane's copper and pads differ from the nominal lane's.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LaneOwn {
    /// Logarithm of the factor on every line impedance.
    pub impedance: f64,
    /// Logarithm of the factor on every pad capacitance.
    pub capacitance: f64,
    /// Further length of the board's line, mm.
    pub length_mm: f64,
}

/// How far lanes differ, as standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LaneSpread {
    /// Line impedance, relative.
    pub impedance: f64,
    /// Pad capacitance, relative.
    pub capacitance: f64,
    /// Length of the board's line, mm.
    pub length_mm: f64,
    /// Receiver offset, Vref steps.
    pub offset_steps: f64,
    /// Nonlinearity of the delay line, taps peak to peak (a size, no deviation).
    pub nonlinearity_taps: f64,
}

/// Error ratios of one eye on a grid of its own: place (i, j) is tap i / `per_tap`, Vref step `first_step` + j / `per_step`.
#[derive(Debug, Clone, PartialEq)]
pub struct FineEye {
    pub taps: usize,
    pub steps: usize,
    pub per_tap: f64,
    pub per_step: f64,
    /// Below 0 where rows lie below the eye's own grid: lanes are offset by some steps.
    pub first_step: f64,
    /// Row by row: all taps of one Vref step lie together.
    pub ratios: Vec<f64>,
}

/// A model of the nominal lane of one condition whose figures can be set.
pub trait FigureModel: Sync {
    /// The eye with some figures at other values than the plan's, its middle in time in the middle of the grid: where a model
    /// puts an eye in time says nothing, and what it counts time from may jump. `contacts`: logarithms of factors on what
    /// [`FigureModel::contacts`] names, in its order; those that are missing are 0.
    ///
    /// # Errors
    /// Why the model has no answer, in words: a value beyond its range, an eye it does not have.
    fn eye(
        &self,
        eye: EyeName,
        figures: &[(&str, f64)],
        contacts: &[f64],
        own: LaneOwn,
    ) -> Result<FineEye, String>;

    /// How far lanes differ by the plan's figures.
    fn spread(&self, eye: EyeName) -> LaneSpread;

    /// What every mounting changes a little, contact by contact: the standard deviation of each one's logarithm.
    fn contacts(&self) -> Vec<f64>;

    /// Is this figure the condition's own (its module's, channel's or firmware's), whatever `[model]` says?
    fn is_own(&self, figure: &str) -> bool;

    /// By how much a tap of a delay line lies late, taps, and how that changes with either part of the nonlinearity: `parts` is
    /// its size (taps peak to peak) times the cosine and the sine of its phase.
    fn nonlinearity(&self, tap: f64, parts: [f64; 2]) -> (f64, [f64; 2]);
}
