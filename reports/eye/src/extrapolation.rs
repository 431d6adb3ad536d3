//! Edges extrapolated to a BER that cannot be counted, by two models and their difference.
//!
//! Information beside a verdict, never its ground: both models assume that the tail goes on as it was counted,
//! and a rarer mechanism below the counted BER is invisible to them.

use crate::counts::CaptureView;
use crate::edges::{Line, Side};
use crate::tail_fit::{Count, Position};
use nightbench_core::results::{LanePoint, Point};
use serde::{Deserialize, Serialize};

/// One edge at the target BER by both models, in grid coordinates.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ExtrapolatedEdge {
    /// A = 0.5: on average inside the true edge, so conservative.
    pub half: Option<Position>,
    /// A fitted.
    pub free: Option<Position>,
}

impl ExtrapolatedEdge {
    /// Distance of the two models, grid steps: the model uncertainty as a half-width. `None` unless both fit.
    pub fn difference(&self) -> Option<f64> {
        self.half.zip(self.free).map(|(half, free)| (half.position - free.position).abs())
    }
}

/// Opening of a lane along one axis at the target BER.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ExtrapolatedOpening {
    /// By A = 0.5, grid steps, not below 0.
    pub half: Position,
    /// By A fitted, grid steps, not below 0; `None` when an edge has too few points with errors for it.
    pub free: Option<Position>,
    /// Distance of the two, grid steps.
    pub difference: Option<f64>,
}

/// Extrapolation of one lane to a target BER.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Extrapolation {
    /// BER extrapolated to, for example 1e-16 for the DDR4 write mask.
    pub target_ber: f64,
    /// Early, late, lower and upper, as [`Side::ALL`].
    pub edges: [ExtrapolatedEdge; 4],
    /// Width at the operating Vref, taps; `None` unless both edges have a fit.
    pub width: Option<ExtrapolatedOpening>,
    /// Height at the operating tap, Vref steps.
    pub height: Option<ExtrapolatedOpening>,
}

/// Extrapolates the four edges seen from a lane's operating point; `None` when it fails, the lane is unknown, or
/// the target is not a BER between 0 and 0.5.
pub fn extrapolate(view: &CaptureView, lane: usize, target_ber: f64) -> Option<Extrapolation> {
    if !(target_ber > 0.0 && target_ber < 0.5) {
        return None;
    }
    let map = view.maps().get(lane)?;
    let &LanePoint { tap, vref } = view.capture().operating.get(lane)?;
    let centre = Point { tap, vref };
    let (row, column) = (map.run_in_row(centre)?, map.run_in_column(centre)?);
    let mut scratch: Vec<Count> = Vec::new();
    let edges = Side::ALL.map(|side| {
        let (run, fixed) = if side.along_taps() { (row, vref) } else { (column, tap) };
        let (half, free) = Line { view, lane, map, run, fixed, side }.models(target_ber, &mut scratch);
        ExtrapolatedEdge { half, free }
    });
    let [early, late, lower, upper] = edges;
    Some(Extrapolation { target_ber, edges, width: opening(early, late), height: opening(lower, upper) })
}

fn opening(low: ExtrapolatedEdge, high: ExtrapolatedEdge) -> Option<ExtrapolatedOpening> {
    let between = |low: Position, high: Position| Position {
        position: (high.position - low.position).max(0.0),
        u: low.u.hypot(high.u),
    };
    let half = between(low.half?, high.half?);
    let free = low.free.zip(high.free).map(|(low, high)| between(low, high));
    Some(ExtrapolatedOpening {
        half,
        free,
        difference: free.map(|free| (half.position - free.position).abs()),
    })
}
