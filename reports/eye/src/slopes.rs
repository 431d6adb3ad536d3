//! How much a lane's metrics change where the operating point lies one tap or one Vref step beside: what the scatter of
//! training does to them, seen in a single capture.

use crate::counts::CaptureView;
use crate::edges::{EdgeMethod, Line, Side};
use crate::map::PassMap;
use crate::mask_fit::fit_mask;
use crate::metrics::{LaneMetrics, Reach};
use crate::shapes::Mask;
use crate::tail_fit::Count;
use nightbench_core::results::{CaptureMode, LanePoint, Point};

/// Changes a place: root mean square over both sides of every open lane of a capture, less what the edges' own uncertainty
/// adds. 0 where no lane has a neighbour to be seen.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Slopes {
    /// Of the early edge, the late edge and the width, taps a Vref step.
    pub along_taps: [f32; 3],
    /// Of the lower edge, the upper edge and the height, Vref steps a tap.
    pub along_vref: [f32; 3],
}

/// How far each edge of one lane moves outwards where the operating point lies one place beside: early and late edge at the row
/// below and above, lower and upper edge at the column before and after, steps of the edge's own axis; NaN where it was not seen.
pub type Beside = [[f32; 2]; 4];

/// How much longer a row beside is from where the row is no slope but a waist of the eye, where rows are cut: a quarter of the row, and two places.
const OF_A_WAIST: (f64, f64) = (0.25, 2.0);

/// Is a row beside cut where the row is not, or the row where that is not? `change`: how much longer it is, taps.
pub fn is_waist(change: f64, row: f64) -> bool {
    let (share, places) = OF_A_WAIST;
    change.abs() > (share * row).max(places)
}

/// Changes of a scaled mask: of its scale a tap, and a Vref step.
pub type MaskSlopes = (f32, f32);

/// A place with its variance.
type Seen = (f64, f64);

/// Sum of squares with its number.
#[derive(Clone, Copy, Default)]
struct Squares(f64, u32);

impl Squares {
    /// Adds the changes from the middle place to those beside.
    fn add(&mut self, [before, middle, after]: [Option<Seen>; 3]) {
        let Some((middle, variance)) = middle else { return };
        for (value, other) in [before, after].into_iter().flatten() {
            *self = Squares(self.0 + (value - middle).powi(2) - variance - other, self.1 + 1);
        }
    }

    fn root(self) -> f32 {
        if self.1 == 0 { 0.0 } else { (self.0 / f64::from(self.1)).max(0.0).sqrt() as f32 }
    }
}

/// The slopes of a capture's metrics about its operating points, those of each lane's edges, and of the masks in their order.
/// `metrics` are those of the capture's lanes, whose edges through the operating points are not fitted again.
pub fn slopes(
    view: &CaptureView,
    metrics: &[LaneMetrics],
    masks: &[Mask],
) -> (Slopes, Vec<Beside>, Vec<MaskSlopes>) {
    let mut lanes = Vec::with_capacity(view.maps().len());
    let (mut taps, mut vref) = ([Squares::default(); 3], [Squares::default(); 3]);
    let mut scaled = vec![[Squares::default(); 2]; masks.len()];
    let mut scratch = Vec::new();
    let operating = view.capture().operating.iter();
    for (lane, (map, &at)) in view.maps().iter().zip(operating).enumerate() {
        let mut lines = Lines {
            view,
            lane,
            map,
            at,
            reach: metrics.get(lane).map(|own| own.reach),
            scratch: &mut scratch,
        };
        let row = |lines: &mut Lines<'_>, by: i16| lines.edges(0, by, [Side::Early, Side::Late]);
        let column = |lines: &mut Lines<'_>, by: i16| lines.edges(by, 0, [Side::Lower, Side::Upper]);
        let (rows, columns) =
            ([-1, 0, 1].map(|by| row(&mut lines, by)), [-1, 0, 1].map(|by| column(&mut lines, by)));
        add_changes(&mut taps, without_waists(rows));
        add_changes(&mut vref, columns);
        let [early, late] = outwards(rows);
        let [lower, upper] = outwards(columns);
        lanes.push([early, late, lower, upper]);
        let Some(region) = masks.first().and_then(|_| map.region(point(at))) else { continue };
        for (mask, squares) in masks.iter().zip(&mut scaled) {
            // The rim is the same for every place of the mask: half a step outside the last pass will do.
            let mut scale = |tap: i16, vref: i16| {
                let moved = shifted(view, at, tap, vref)?;
                region.passes(point(moved)).then_some(())?;
                let fit = fit_mask(view.grid(), &region, moved, mask, None, &mut scratch);
                (!fit.at_least).then_some((fit.scale, 0.0))
            };
            squares[0].add([-1, 0, 1].map(|by| scale(by, 0)));
            squares[1].add([-1, 0, 1].map(|by| scale(0, by)));
        }
    }
    let slopes = Slopes { along_taps: taps.map(Squares::root), along_vref: vref.map(Squares::root) };
    (slopes, lanes, scaled.into_iter().map(|[tap, vref]| (tap.root(), vref.root())).collect())
}

fn point(at: LanePoint) -> Point {
    Point { tap: at.tap, vref: at.vref }
}

/// A place beside, where the grid has one.
fn shifted(view: &CaptureView, at: LanePoint, tap: i16, vref: i16) -> Option<LanePoint> {
    let grid = view.grid();
    let moved = LanePoint { tap: at.tap.checked_add_signed(tap)?, vref: at.vref.checked_add_signed(vref)? };
    (moved.tap < grid.taps && moved.vref < grid.vref_steps).then_some(moved)
}

/// Rows less those beside that are cut, or that are not where the row is.
fn without_waists(mut rows: [Option<[Seen; 2]>; 3]) -> [Option<[Seen; 2]>; 3] {
    let length = |[early, late]: [Seen; 2]| late.0 - early.0;
    if let Some(row) = rows[1].map(length) {
        for beside in [0, 2] {
            rows[beside] = rows[beside].filter(|beside| !is_waist(length(*beside) - row, row));
        }
    }
    rows
}

fn add_changes(squares: &mut [Squares; 3], edges: [Option<[Seen; 2]>; 3]) {
    squares[0].add(edges.map(|two| two.map(|two| two[0])));
    squares[1].add(edges.map(|two| two.map(|two| two[1])));
    squares[2].add(edges.map(|two| two.map(|[low, high]| (high.0 - low.0, low.1 + high.1))));
}

/// How far the two edges of a line lie further out on the lines beside.
fn outwards([before, middle, after]: [Option<[Seen; 2]>; 3]) -> [[f32; 2]; 2] {
    let change = |beside: Option<[Seen; 2]>, edge: usize| match (beside, middle) {
        (Some(beside), Some(middle)) => {
            let sign = if edge == 0 { -1.0 } else { 1.0 };
            (sign * (beside[edge].0 - middle[edge].0)) as f32
        }
        _ => f32::NAN,
    };
    [0, 1].map(|edge| [change(before, edge), change(after, edge)])
}

struct Lines<'a> {
    view: &'a CaptureView<'a>,
    lane: usize,
    map: &'a PassMap,
    at: LanePoint,
    /// Of the operating point.
    reach: Option<[Reach; 4]>,
    scratch: &'a mut Vec<Count>,
}

impl Lines<'_> {
    /// Both edges of the row or column through a place beside the operating point; `None` where it fails there or an
    /// edge lies beyond the grid.
    fn edges(&mut self, tap: i16, vref: i16, sides: [Side; 2]) -> Option<[Seen; 2]> {
        let moved = shifted(self.view, self.at, tap, vref)?;
        let (run, fixed) = if sides[0].along_taps() {
            (self.map.run_in_row(point(moved))?, moved.vref)
        } else {
            (self.map.run_in_column(point(moved))?, moved.tap)
        };
        let mut edge = |side| {
            let line = Line { view: self.view, lane: self.lane, map: self.map, run, fixed, side };
            // Of a row or column beside, only what was bracketed for it says something.
            if self.view.capture().mode == CaptureMode::RowAndColumn
                && line.step_edge().method == EdgeMethod::Inferred
            {
                return None;
            }
            let edge = match self.reach.filter(|_| (tap, vref) == (0, 0)) {
                Some(reach) => {
                    reach[side as usize].edge(side, if side.along_taps() { moved.tap } else { moved.vref })
                }
                None => line.edge(self.view.ber_limit(), self.scratch),
            };
            (edge.method != EdgeMethod::Border).then_some((edge.position, edge.u * edge.u))
        };
        Some([edge(sides[0])?, edge(sides[1])?])
    }
}
