//! Largest scaled mask of a lane: by last pass, and refined below one step with an uncertainty.

use crate::edges::{EdgeMethod, Line, Side, U_STEP};
use crate::map::PassMap;
use crate::metrics::MaskSource;
use crate::shapes::{Mask, RimGauge, nearest_rim};
use crate::tail_fit::Count;
use nightbench_core::results::{Grid, LanePoint, Point};
use serde::{Deserialize, Serialize};

/// Rim points refined: the binding one and those that counting noise or a fraction of a step may put before it.
const REFINED: usize = 6;

/// A mask scaled about the operating point until it touches the rim.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MaskFit {
    /// The mask at scale 1.
    pub mask: Mask,
    /// Scale that keeps within the outermost passing points; 0 when the operating point fails.
    pub last_pass_scale: f64,
    /// Scale at which the mask meets the place where the BER crosses the limit.
    pub scale: f64,
    /// Standard uncertainty of `scale`.
    pub u: f64,
    /// The rim point that binds by last pass; `None` when the operating point fails.
    pub binding: Option<Point>,
    /// The mask meets the border of the grid first: at least this scale.
    pub at_least: bool,
}

impl MaskFit {
    /// The fit of an eye that does not pass at its operating point: scale 0, known to about one grid step.
    pub fn closed(grid: &Grid, mask: &Mask) -> MaskFit {
        let step = mask.gauge(grid.tap_step.0, 0.0).max(mask.gauge(0.0, grid.vref_step.0));
        MaskFit {
            mask: *mask,
            last_pass_scale: 0.0,
            scale: 0.0,
            u: U_STEP * step,
            binding: None,
            at_least: false,
        }
    }
}

/// Scales a mask inside `region`, the pass region of `centre`. With counts, the nearest rim points are refined by
/// sub-tap edges; without, the refined scale lies half a step outside the last pass.
pub(super) fn fit_mask(
    grid: &Grid,
    region: &PassMap,
    centre: LanePoint,
    mask: &Mask,
    source: Option<MaskSource>,
    scratch: &mut Vec<Count>,
) -> MaskFit {
    let rim = nearest_rim(region, grid, centre, mask, REFINED);
    let Some(first) = rim.first().copied() else { return MaskFit::closed(grid, mask) };
    let refine = Refine { grid, region, centre, mask, source };
    let mut best: Option<(f64, f64, bool)> = None;
    for point in rim {
        let (scale, u) = refine.scale(point, scratch);
        if best.is_none_or(|(least, ..)| scale < least) {
            best = Some((scale, u, point.border));
        }
    }
    let (scale, u, at_least) = best.unwrap_or((first.gauge, U_STEP, first.border));
    MaskFit {
        mask: *mask,
        last_pass_scale: first.gauge,
        scale,
        u,
        binding: Some(first.point),
        at_least: at_least || first.border,
    }
}

struct Refine<'a> {
    grid: &'a Grid,
    region: &'a PassMap,
    centre: LanePoint,
    mask: &'a Mask,
    source: Option<MaskSource<'a>>,
}

/// An edge seen from a rim point along one axis: position and standard uncertainty, grid steps.
type Seen = Option<(f64, f64)>;

impl Refine<'_> {
    fn gauge(&self, tap: f64, vref: f64) -> f64 {
        self.mask.gauge_on_grid(self.grid, self.centre, tap, vref)
    }

    /// Scale and uncertainty at one rim point. Its edges along the row and the column are two places of the true
    /// rim; between them the rim is taken as straight, and the mask touches where its gauge is least.
    fn scale(&self, rim: RimGauge, scratch: &mut Vec<Count>) -> (f64, f64) {
        let (tap, vref) = (f64::from(rim.point.tap), f64::from(rim.point.vref));
        let across = self.edge(rim.point, [Side::Early, Side::Late], scratch);
        let along = self.edge(rim.point, [Side::Lower, Side::Upper], scratch);
        match (across, along) {
            (None, None) => (rim.gauge, 0.0),
            (Some((x, u)), None) => (self.gauge(x, vref), self.spread(x, vref, u, 0.0)),
            (None, Some((y, u))) => (self.gauge(tap, y), self.spread(tap, y, 0.0, u)),
            (Some((x, u_x)), Some((y, u_y))) => {
                let at = |share: f64| (x + share * (tap - x), vref + share * (y - vref));
                let value = |share: f64| {
                    let (tap, vref) = at(share);
                    self.gauge(tap, vref)
                };
                // The gauge is convex along a line.
                let (mut low, mut high) = (0.0, 1.0);
                for _ in 0..24 {
                    let third = (high - low) / 3.0;
                    if value(low + third) <= value(high - third) {
                        high -= third;
                    } else {
                        low += third;
                    }
                }
                let share = 0.5 * (low + high);
                let (tap, vref) = at(share);
                (self.gauge(tap, vref), self.spread(tap, vref, (1.0 - share) * u_x, share * u_y))
            }
        }
    }

    /// Standard uncertainty of the gauge at a place whose coordinates have these uncertainties.
    fn spread(&self, tap: f64, vref: f64, u_tap: f64, u_vref: f64) -> f64 {
        const STEP: f64 = 0.25;
        let slope_tap = (self.gauge(tap + STEP, vref) - self.gauge(tap - STEP, vref)) / (2.0 * STEP);
        let slope_vref = (self.gauge(tap, vref + STEP) - self.gauge(tap, vref - STEP)) / (2.0 * STEP);
        (slope_tap * u_tap).hypot(slope_vref * u_vref)
    }

    /// The nearer edge along one axis, if the rim point has a failing neighbour there.
    fn edge(&self, point: Point, sides: [Side; 2], scratch: &mut Vec<Count>) -> Seen {
        let run = if sides[0].along_taps() {
            self.region.run_in_row(point)?
        } else {
            self.region.run_in_column(point)?
        };
        let (at, fixed, length, centre) = if sides[0].along_taps() {
            (point.tap, point.vref, self.region.taps(), self.centre.tap)
        } else {
            (point.vref, point.tap, self.region.vref_steps(), self.centre.vref)
        };
        let side = match (at == run.first && at > 0, at == run.last && at + 1 < length) {
            (true, false) => sides[0],
            (false, true) => sides[1],
            // A run of one point has an edge on both sides: the one facing away from the centre is the farther
            // part of the rim, the other the one a growing mask meets.
            (true, true) if at > centre => sides[0],
            (true, true) => sides[1],
            (false, false) => return None,
        };
        let found = match self.source {
            Some(MaskSource { view, lane }) => {
                let map = view.maps().get(lane)?;
                Line { view, lane, map, run, fixed, side }.edge(view.ber_limit(), scratch)
            }
            None => {
                let outward = if side == sides[0] { -0.5 } else { 0.5 };
                return Some((f64::from(at) + outward, U_STEP));
            }
        };
        (found.method != EdgeMethod::Border).then_some((found.position, found.u))
    }
}
