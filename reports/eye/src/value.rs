//! One metric as a value: number, units, standard uncertainty and how far it may be trusted.

use nightbench_core::results::Grid;
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EyeMetric {
    /// Width at the operating Vref.
    Width,
    /// Height at the operating tap.
    Height,
    /// From the operating point to the early edge.
    EarlyMargin,
    /// From the operating point to the late edge.
    LateMargin,
    /// From the operating point to the lower edge.
    LowerMargin,
    /// From the operating point to the upper edge.
    UpperMargin,
    /// Area of the eye.
    Area,
    /// Width of the largest inscribed rectangle.
    RectangleWidth,
    /// Height of the largest inscribed rectangle.
    RectangleHeight,
}

impl EyeMetric {
    /// Every metric.
    pub const ALL: [EyeMetric; 9] = [
        EyeMetric::Width,
        EyeMetric::Height,
        EyeMetric::EarlyMargin,
        EyeMetric::LateMargin,
        EyeMetric::LowerMargin,
        EyeMetric::UpperMargin,
        EyeMetric::Area,
        EyeMetric::RectangleWidth,
        EyeMetric::RectangleHeight,
    ];

    /// What the metric is measured along.
    pub fn axis(self) -> Axis {
        match self {
            EyeMetric::Width | EyeMetric::EarlyMargin | EyeMetric::LateMargin | EyeMetric::RectangleWidth => {
                Axis::Delay
            }
            EyeMetric::Area => Axis::Both,
            _ => Axis::Vref,
        }
    }
}

/// What a metric is measured along, which settles its units.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Axis {
    /// Taps, ps and UI.
    Delay,
    /// Vref steps, mV and % VDDQ.
    Vref,
    /// Taps x steps, ps mV, and UI x % VDDQ.
    Both,
}

/// Which of the two readings of an eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reading {
    /// Between the outermost passing points, whole taps and steps.
    LastPass,
    /// To where the BER crosses the limit, below one tap or step.
    SubTap,
}

/// What the operating point sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EyeState {
    /// It passes.
    Open,
    /// It fails and no eye exists anywhere: width and height are 0.
    Closed,
    /// It fails although an eye exists elsewhere: width and height are 0.
    OffCentre,
}

/// A metric in grid steps, with what is needed to read it in every unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MetricValue {
    /// Which metric.
    pub metric: EyeMetric,
    /// Lane number (DQ); `None` for all lanes together.
    pub lane: Option<u16>,
    /// Which reading.
    pub reading: Reading,
    /// Value in taps, Vref steps, or taps x steps.
    pub grid_value: f64,
    /// Standard uncertainty in the same unit, from counting and from the step.
    pub grid_u: f64,
    /// The eye touches the border of the grid: the value is a lower bound.
    pub at_least: bool,
    /// What the operating point sees.
    pub state: EyeState,
}

impl MetricValue {
    /// Base units (ps, mV or ps mV) in one grid unit.
    fn base_step(&self, grid: &Grid) -> f64 {
        match self.metric.axis() {
            Axis::Delay => grid.tap_step.0,
            Axis::Vref => grid.vref_step.0,
            Axis::Both => grid.tap_step.0 * grid.vref_step.0,
        }
    }
    /// Value in ps, mV or ps mV.
    pub fn base_value(&self, grid: &Grid) -> f64 {
        self.grid_value * self.base_step(grid)
    }
    /// Standard uncertainty in ps, mV or ps mV.
    pub fn base_u(&self, grid: &Grid) -> f64 {
        self.grid_u * self.base_step(grid)
    }
    /// Value in UI, % VDDQ, or UI x % VDDQ.
    pub fn share(&self, grid: &Grid) -> f64 {
        let (ui, vddq) = (grid.ui.0, grid.vddq.0 / 100.0);
        self.base_value(grid)
            / match self.metric.axis() {
                Axis::Delay => ui,
                Axis::Vref => vddq,
                Axis::Both => ui * vddq,
            }
    }
}
