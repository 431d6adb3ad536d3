//! Metrics of every lane of a capture: margins, width, height, area, largest rectangle and scaled masks.

use crate::counts::CaptureView;
use crate::edges::{Edge, EdgeMethod, Line, Side, U_STEP};
use crate::map::PassMap;
use crate::mask_fit::{MaskFit, fit_mask};
use crate::shapes::{Mask, PassRectangle, largest_rectangle};
use crate::tail_fit::Count;
use crate::value::{EyeMetric, EyeState, MetricValue, Reading};
use nightbench_core::results::{Grid, LanePoint, Point};
use serde::{Deserialize, Serialize};

/// What is computed beside margins, width and height by last pass, which cost next to nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// Sub-tap edges (a few microseconds an edge).
    pub sub_tap: bool,
    /// Area and largest inscribed rectangle.
    pub shapes: bool,
    /// Masks to be scaled about the operating point; those that are not [`Mask::is_valid`] are left out.
    pub masks: Vec<Mask>,
}

impl Wanted {
    /// Margins, width and height with sub-tap edges: what verdicts need.
    pub fn margins() -> Wanted {
        Wanted { sub_tap: true, shapes: false, masks: Vec::new() }
    }
    /// Everything, with these masks.
    pub fn everything(masks: Vec<Mask>) -> Wanted {
        Wanted { sub_tap: true, shapes: true, masks }
    }
}

/// How far the eye reaches from the operating point to one side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// To the outermost passing point, whole grid steps.
    pub last_pass: u16,
    /// To where the BER crosses the limit, grid steps.
    pub sub_tap: f64,
    /// Standard uncertainty of `sub_tap`, grid steps.
    pub u: f64,
    /// How the edge was found.
    pub method: EdgeMethod,
}

impl Reach {
    const NONE: Reach = Reach { last_pass: 0, sub_tap: 0.0, u: U_STEP, method: EdgeMethod::Interval };

    /// Ends on the border of the grid: at least this far.
    pub fn at_least(&self) -> bool {
        self.method == EdgeMethod::Border
    }

    /// The edge itself, seen from the place `from` on its axis.
    pub(crate) fn edge(&self, side: Side, from: u16) -> Edge {
        let position = f64::from(from) + f64::from(side.outward()) * self.sub_tap;
        Edge { position, u: self.u, method: self.method }
    }
}

/// Area of an eye: the connected pass region of the operating point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Area {
    /// Passing points; each stands for one tap x one step.
    pub points: u32,
    /// Of them, on the rim.
    pub rim_points: u32,
    /// The region touches the border of the grid.
    pub at_least: bool,
}

/// Metrics of one lane, or of all lanes together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LaneMetrics {
    /// Lane number (DQ); `None` for all lanes together.
    pub lane: Option<u16>,
    pub operating: LanePoint,
    /// What the operating point sees.
    pub state: EyeState,
    /// Early, late, lower and upper, as [`Side::ALL`]; all 0 unless open.
    pub reach: [Reach; 4],
    /// Area, if wanted; no points unless open.
    pub area: Option<Area>,
    /// Largest inscribed rectangle of the eye, if wanted and open.
    pub rectangle: Option<PassRectangle>,
    /// Scaled masks, in the order wanted.
    pub masks: Vec<MaskFit>,
}

impl LaneMetrics {
    /// How far the eye reaches to a side.
    pub fn side(&self, side: Side) -> Reach {
        self.reach[side as usize]
    }

    /// A metric as a value; `None` when it was not wanted. Area and rectangle are always last-pass.
    ///
    /// Uncertainties of last-pass values are those of the step: 1/sqrt(12) an edge (GUM F.2.2.1); of an area, the
    /// rim points' steps taken as independent.
    pub fn value(&self, metric: EyeMetric, reading: Reading) -> Option<MetricValue> {
        let one = |side: Side| {
            let reach = self.side(side);
            match reading {
                Reading::LastPass => (f64::from(reach.last_pass), U_STEP, reach.at_least()),
                Reading::SubTap => (reach.sub_tap, reach.u, reach.at_least()),
            }
        };
        let both = |first: Side, second: Side| {
            let ((a, u_a, low), (b, u_b, high)) = (one(first), one(second));
            (a + b, u_a.hypot(u_b), low || high)
        };
        let u_span = U_STEP * std::f64::consts::SQRT_2;
        let span = |size: fn(&PassRectangle) -> u16| {
            let area = self.area?;
            let value = self.rectangle.as_ref().map_or(0.0, |rectangle| f64::from(size(rectangle)));
            Some((value, u_span, area.at_least))
        };
        let (grid_value, grid_u, at_least) = match metric {
            EyeMetric::Width => both(Side::Early, Side::Late),
            EyeMetric::Height => both(Side::Lower, Side::Upper),
            EyeMetric::EarlyMargin => one(Side::Early),
            EyeMetric::LateMargin => one(Side::Late),
            EyeMetric::LowerMargin => one(Side::Lower),
            EyeMetric::UpperMargin => one(Side::Upper),
            EyeMetric::Area => {
                let area = self.area?;
                (f64::from(area.points), U_STEP * f64::from(area.rim_points.max(1)).sqrt(), area.at_least)
            }
            EyeMetric::RectangleWidth => span(PassRectangle::width_taps)?,
            EyeMetric::RectangleHeight => span(PassRectangle::height_steps)?,
        };
        let reading = match metric {
            EyeMetric::Area | EyeMetric::RectangleWidth | EyeMetric::RectangleHeight => Reading::LastPass,
            _ => reading,
        };
        Some(MetricValue {
            metric,
            lane: self.lane,
            reading,
            grid_value,
            grid_u,
            at_least,
            state: self.state,
        })
    }
}

/// Metrics of every lane, in the capture's lane order.
pub fn lane_metrics(view: &CaptureView, wanted: &Wanted) -> Vec<LaneMetrics> {
    let mut scratch = Vec::new();
    let capture = view.capture();
    view.maps()
        .iter()
        .zip(&capture.operating)
        .enumerate()
        .map(|(lane, (map, &operating))| {
            let state = state(map, operating);
            let reach = reach(view, lane, map, operating, wanted.sub_tap, &mut scratch);
            let source = MaskSource { view, lane };
            let shapes = shapes(view.grid(), map, operating, wanted, |region, mask| {
                let counts = wanted.sub_tap.then_some(source);
                fit_mask(view.grid(), region, operating, mask, counts, &mut scratch)
            });
            let (area, rectangle, masks) = shapes;
            LaneMetrics {
                lane: capture.lanes.get(lane).copied(),
                operating,
                state,
                reach,
                area,
                rectangle,
                masks,
            }
        })
        .collect()
}

/// Where the counts behind a mask's rim come from.
#[derive(Debug, Clone, Copy)]
pub(super) struct MaskSource<'a> {
    pub view: &'a CaptureView<'a>,
    /// Position of the lane in it.
    pub lane: usize,
}

/// What an operating point sees in a map.
pub(super) fn state(map: &PassMap, operating: LanePoint) -> EyeState {
    if map.passes(Point { tap: operating.tap, vref: operating.vref }) {
        EyeState::Open
    } else if map.eye_elsewhere(None) {
        EyeState::OffCentre
    } else {
        EyeState::Closed
    }
}

/// How far a lane's eye reaches from a point; all 0 when the point fails.
pub(super) fn reach(
    view: &CaptureView,
    lane: usize,
    map: &PassMap,
    operating: LanePoint,
    sub_tap: bool,
    scratch: &mut Vec<Count>,
) -> [Reach; 4] {
    let centre = Point { tap: operating.tap, vref: operating.vref };
    let (Some(row), Some(column)) = (map.run_in_row(centre), map.run_in_column(centre)) else {
        return [Reach::NONE; 4];
    };
    Side::ALL.map(|side| {
        let (run, fixed, from) = if side.along_taps() {
            (row, centre.vref, centre.tap)
        } else {
            (column, centre.tap, centre.vref)
        };
        let low = matches!(side, Side::Early | Side::Lower);
        let last_pass = if low { from - run.first } else { run.last - from };
        let line = Line { view, lane, map, run, fixed, side };
        let edge: Edge = if sub_tap { line.edge(view.ber_limit(), scratch) } else { line.step_edge() };
        let away = if low { f64::from(from) - edge.position } else { edge.position - f64::from(from) };
        Reach { last_pass, sub_tap: away.max(0.0), u: edge.u, method: edge.method }
    })
}

/// Area, rectangle and masks of the region round an operating point.
pub(super) fn shapes(
    grid: &Grid,
    map: &PassMap,
    operating: LanePoint,
    wanted: &Wanted,
    mut fit: impl FnMut(&PassMap, &Mask) -> MaskFit,
) -> (Option<Area>, Option<PassRectangle>, Vec<MaskFit>) {
    if !wanted.shapes && wanted.masks.is_empty() {
        return (None, None, Vec::new());
    }
    let masks = wanted.masks.iter().filter(|mask| mask.is_valid());
    let Some(region) = map.region(Point { tap: operating.tap, vref: operating.vref }) else {
        let none = Area { points: 0, rim_points: 0, at_least: false };
        return (
            wanted.shapes.then_some(none),
            None,
            masks.map(|mask| MaskFit::closed(grid, mask)).collect(),
        );
    };
    let (mut area, mut rectangle) = (None, None);
    if wanted.shapes {
        let rim = region.contour();
        area = Some(Area {
            points: region.pass_points() as u32,
            rim_points: rim.len() as u32,
            at_least: rim.iter().any(|rim| rim.border),
        });
        rectangle = largest_rectangle(&region);
    }
    (area, rectangle, masks.map(|mask| fit(&region, mask)).collect())
}
