//! All lanes together: the AND of the lanes' eyes, in two senses.
//!
//! *Aligned*: every lane moved by the same amount from its own operating point, as a common drift of strobe or
//! Vref would do. *Common*: one setting for all lanes, no lane moved on its own.

use crate::counts::CaptureView;
use crate::edges::EdgeMethod;
use crate::map::PassMap;
use crate::mask_fit::fit_mask;
use crate::metrics::{LaneMetrics, Reach, Wanted, shapes, state};
use nightbench_core::results::{LanePoint, Point};

/// AND of the lanes about their own operating points, cut to the offsets every lane was swept over; with the
/// operating point in that map. `None` without lanes, or when a lane's operating point is off the grid.
pub(crate) fn aligned_map(view: &CaptureView) -> Option<(PassMap, LanePoint)> {
    let operating = &view.capture().operating;
    let grid = view.grid();
    if operating.iter().any(|at| at.tap >= grid.taps || at.vref >= grid.vref_steps) {
        return None;
    }
    let early = operating.iter().map(|at| at.tap).min()?;
    let lower = operating.iter().map(|at| at.vref).min()?;
    let late = operating.iter().map(|at| grid.taps - 1 - at.tap).min()?;
    let upper = operating.iter().map(|at| grid.vref_steps - 1 - at.vref).min()?;
    let (taps, steps) = (early + late + 1, lower + upper + 1);
    let mut all: Option<PassMap> = None;
    for (map, at) in view.maps().iter().zip(operating) {
        let part = map.cut(Point { tap: at.tap - early, vref: at.vref - lower }, taps, steps);
        match &mut all {
            Some(all) => {
                all.intersect(&part);
            }
            None => all = Some(part),
        }
    }
    all.map(|map| (map, LanePoint { tap: early, vref: lower }))
}

/// AND of the lanes on the grid as swept; `None` without lanes.
pub fn common_map(view: &CaptureView) -> Option<PassMap> {
    let mut maps = view.maps().iter();
    let mut all = maps.next()?.clone();
    for map in maps {
        all.intersect(map);
    }
    Some(all)
}

/// Metrics of all lanes about their own operating points, from the lanes' own metrics. Its operating point and
/// rectangle are in the coordinates of [`aligned_map`].
pub fn aligned_metrics(view: &CaptureView, lanes: &[LaneMetrics], wanted: &Wanted) -> Option<LaneMetrics> {
    let (map, operating) = aligned_map(view)?;
    let reach = innermost(lanes.iter().map(|lane| lane.reach))?;
    let grid = view.grid();
    let mut scratch = Vec::new();
    let (area, rectangle, mut masks) = shapes(grid, &map, operating, wanted, |region, mask| {
        fit_mask(grid, region, operating, mask, None, &mut scratch)
    });
    if wanted.sub_tap {
        // A lane's refined scale beats the half step the AND alone can offer.
        for (index, mask) in masks.iter_mut().enumerate() {
            let tightest = lanes
                .iter()
                .filter_map(|lane| lane.masks.get(index))
                .min_by(|a, b| a.scale.total_cmp(&b.scale));
            if let Some(tightest) = tightest {
                (mask.scale, mask.u) = (tightest.scale, tightest.u);
            }
        }
    }
    Some(LaneMetrics { lane: None, operating, state: state(&map, operating), reach, area, rectangle, masks })
}

/// Side by side the shortest reach: last pass by last pass, and the sub-tap edge nearest to the operating point
/// with its own uncertainty. A side is "at least" only when the lane that binds it is.
fn innermost(reaches: impl Iterator<Item = [Reach; 4]>) -> Option<[Reach; 4]> {
    reaches.reduce(|mut least, next| {
        for (least, next) in least.iter_mut().zip(next) {
            let last_pass = least.last_pass.min(next.last_pass);
            let nearer = next.sub_tap < least.sub_tap
                || (next.sub_tap == least.sub_tap && least.method == EdgeMethod::Border);
            if nearer {
                *least = next;
            }
            least.last_pass = last_pass;
        }
        least
    })
}
