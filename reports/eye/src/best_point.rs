//! Where an eye would best be sampled: the point about which the largest box of the limits' shape fits, and how much
//! larger it is than the one about the point that training chose.

use crate::counts::CaptureView;
use crate::map::PassMap;
use crate::mask_fit::{MaskFit, fit_mask};
use crate::metrics::MaskSource;
use crate::shapes::{Mask, largest_rectangle};
use crate::tail_fit::Count;
use nightbench_core::results::{LanePoint, Point};

/// Points whose box is fitted below one step: the largest by whole steps, and those that may come before it.
const FITTED: usize = 12;

/// No measured edge is known as well as this share of a step's uncertainty: the box does not end at one.
const EXACT: f64 = 0.02;

/// The limit box of one lane about two points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BestPoint {
    /// Position of the lane in the capture.
    pub lane: usize,
    /// The box about the trained point; its scale is 0 where that point fails.
    pub trained: MaskFit,
    /// The best point of the eye, in whole taps and Vref steps.
    pub point: LanePoint,
    /// The box about it.
    pub best: MaskFit,
}

/// One lane's eye, prepared for boxes about many points.
struct Eye<'a> {
    view: &'a CaptureView<'a>,
    lane: usize,
    region: PassMap,
    /// Passing points on the rim.
    rim: Vec<Point>,
}

impl<'a> Eye<'a> {
    /// The eye that the lane is trained into, or its largest where the trained point fails; `None` for a closed lane.
    fn of(view: &'a CaptureView<'a>, lane: usize) -> Option<Eye<'a>> {
        let map = view.maps().get(lane)?;
        let at = view.capture().operating.get(lane)?;
        let region = map.region(Point { tap: at.tap, vref: at.vref }).or_else(|| {
            let inside = largest_rectangle(map)?;
            map.region(Point { tap: inside.first_tap, vref: inside.first_vref })
        })?;
        let rim = region.contour().into_iter().map(|rim| rim.point).collect();
        Some(Eye { view, lane, region, rim })
    }

    /// Scale of the box about a point, to the outermost passing points.
    fn whole_steps(&self, limits: &Mask, centre: LanePoint) -> f64 {
        let gauge = |rim: &Point| {
            limits.gauge_on_grid(self.view.grid(), centre, f64::from(rim.tap), f64::from(rim.vref))
        };
        self.rim.iter().map(gauge).fold(f64::INFINITY, f64::min)
    }

    fn fitted(&self, limits: &Mask, centre: LanePoint, scratch: &mut Vec<Count>) -> MaskFit {
        let source = MaskSource { view: self.view, lane: self.lane };
        if !self.region.passes(Point { tap: centre.tap, vref: centre.vref }) {
            return MaskFit::closed(self.view.grid(), limits);
        }
        let fit = fit_mask(self.view.grid(), &self.region, centre, limits, Some(source), scratch);
        // A box that ends on a whole row or column is known to a step, as a closed one is.
        let step = MaskFit::closed(self.view.grid(), limits).u;
        if fit.u > EXACT * step { fit } else { MaskFit { u: step, ..fit } }
    }

    /// Points of the eye in a row (or in all) with their scale by whole steps.
    fn points(&self, limits: &Mask, row: Option<u16>) -> Vec<(f64, LanePoint)> {
        let rows = row.map_or(0..self.region.vref_steps(), |row| row..row + 1);
        let mut points = Vec::new();
        for vref in rows {
            self.region.runs_of_row(vref, |run| {
                for tap in run.first..=run.last {
                    let centre = LanePoint { tap, vref };
                    points.push((self.whole_steps(limits, centre), centre));
                }
            });
        }
        points
    }

    /// The best of the points that look best by whole steps; of equals the one nearest to the trained point.
    fn best(
        &self,
        limits: &Mask,
        row: Option<u16>,
        scratch: &mut Vec<Count>,
    ) -> Option<(LanePoint, MaskFit)> {
        let trained = self.view.capture().operating[self.lane];
        let away = |at: &LanePoint| {
            u32::from(at.tap.abs_diff(trained.tap)) + u32::from(at.vref.abs_diff(trained.vref))
        };
        let mut points = self.points(limits, row);
        points.sort_by(|a, b| b.0.total_cmp(&a.0).then(away(&a.1).cmp(&away(&b.1))));
        points.truncate(FITTED);
        let fits = points.into_iter().map(|(_, at)| (at, self.fitted(limits, at, scratch)));
        fits.max_by(|a, b| a.1.scale.total_cmp(&b.1.scale).then(away(&b.0).cmp(&away(&a.0))))
    }
}

/// The best point of every lane that has an eye. `limits` is the box at scale 1. With `lanes_a_device` the lanes of a device
/// share one Vref, as a DDR4 DRAM's do: the row that serves the worst of them best.
pub fn best_points(view: &CaptureView<'_>, limits: &Mask, lanes_a_device: Option<u16>) -> Vec<BestPoint> {
    let mut scratch = Vec::new();
    let eyes: Vec<Eye<'_>> = (0..view.maps().len()).filter_map(|lane| Eye::of(view, lane)).collect();
    let device = |eye: &Eye<'_>| {
        let lane = view.capture().lanes[eye.lane];
        lanes_a_device.map_or(lane, |lanes| lane / lanes.max(1))
    };
    let mut found = Vec::with_capacity(eyes.len());
    for group in eyes.chunk_by(|a, b| lanes_a_device.is_some() && device(a) == device(b)) {
        let row = if lanes_a_device.is_some() { shared_row(group, limits) } else { None };
        for eye in group {
            let operating = view.capture().operating[eye.lane];
            let trained = eye.fitted(limits, operating, &mut scratch);
            let best = eye.best(limits, row, &mut scratch);
            // Where the device's one Vref serves others, the lane may be better off as it is.
            let (point, best) = best
                .filter(|(_, best)| row.is_some() || best.scale >= trained.scale)
                .unwrap_or((operating, trained));
            found.push(BestPoint { lane: eye.lane, trained, point, best });
        }
    }
    found
}

/// The row about which the smallest of the lanes' largest boxes is largest.
fn shared_row(eyes: &[Eye<'_>], limits: &Mask) -> Option<u16> {
    let rows = eyes.first()?.region.vref_steps();
    let of_row = |row: u16| {
        let largest = |eye: &Eye<'_>| {
            eye.points(limits, Some(row)).into_iter().map(|(scale, _)| scale).fold(0.0, f64::max)
        };
        eyes.iter().map(largest).fold(f64::INFINITY, f64::min)
    };
    (0..rows).map(|row| (of_row(row), row)).max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, row)| row)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cases::{GaussianEye, capture, raster};
    use crate::shapes::MaskShape;
    use nightbench_core::point_rule::PointRule;
    use nightbench_core::results::Grid;
    use nightbench_core::units::{Millivolts, Picoseconds};

    /// A box that reaches so many places to either side.
    fn limits(grid: &Grid, places: f64) -> Mask {
        Mask {
            shape: MaskShape::Rectangle,
            half_width: Picoseconds(places * grid.tap_step.0),
            half_height: Millivolts(places * grid.vref_step.0),
        }
    }

    /// A rectangle with known edges, trained off its middle: the box about the middle is the largest, by arithmetic.
    #[test]
    fn the_middle_of_a_rectangle_is_its_best_point() {
        let eye = GaussianEye {
            amplitude: 0.5,
            early: 10.0,
            late: 30.0,
            sigma_taps: 0.4,
            lower: 8.0,
            upper: 24.0,
            sigma_steps: 0.4,
        };
        let empty = capture(48, 32, 2, PointRule::error_free(1e-3, 0.95));
        let mut capture = raster(empty, &[eye, eye], Some(20_000), 1);
        capture.operating = vec![LanePoint { tap: 15, vref: 16 }, LanePoint { tap: 40, vref: 4 }];
        let limits = limits(&capture.grid, 5.0);
        let view = CaptureView::new(&capture).expect("sound");
        let found = best_points(&view, &limits, None);
        assert_eq!(found.len(), 2);
        // The BER is 1e-3 where 0.5 Q(z) is: 2.878 sigma, 1.15 places, inside each edge.
        let close = |scale: f64, places: f64| (scale - places / 5.0).abs() < 0.1;
        assert!(close(found[0].trained.scale, 15.0 - 11.15), "{:?}", found[0]);
        assert!(close(found[0].best.scale, 16.0 - 9.15), "{:?}", found[0]);
        assert!(found[0].point.vref == 16 && (18..=22).contains(&found[0].point.tap), "{:?}", found[0]);
        // Trained outside the eye: nothing there, everything to gain.
        assert_eq!(found[1].trained.scale, 0.0);
        assert!(close(found[1].best.scale, 16.0 - 9.15), "{:?}", found[1]);
        // One Vref for both lanes.
        let shared = best_points(&view, &limits, Some(8));
        assert_eq!(shared[0].point.vref, shared[1].point.vref);
    }

    /// Two lanes of a device whose eyes lie four steps apart, both trained to the device's one Vref half-way: each alone would gain by
    /// going to its own middle, by arithmetic 2 of 5 box heights; together nothing is to be gained. In a device of its own each may go.
    #[test]
    fn one_vref_a_device_is_no_gain_for_lanes_that_pull_apart() {
        let eye = |lower: f64| GaussianEye {
            amplitude: 0.5,
            early: 6.0,
            late: 42.0,
            sigma_taps: 0.3,
            lower,
            upper: lower + 14.0,
            sigma_steps: 0.3,
        };
        let empty = capture(48, 32, 2, PointRule::error_free(1e-3, 0.95));
        let mut capture = raster(empty, &[eye(7.0), eye(11.0)], Some(20_000), 1);
        capture.operating = vec![LanePoint { tap: 24, vref: 16 }; 2];
        let limits = limits(&capture.grid, 5.0);
        let view = CaptureView::new(&capture).expect("sound");
        let gains = |lanes_a_device| -> Vec<f64> {
            let found = best_points(&view, &limits, lanes_a_device);
            found.iter().map(|one| one.best.scale - one.trained.scale).collect()
        };
        for alone in [None, Some(1)] {
            assert!(gains(alone).iter().all(|gain| (gain - 0.4).abs() < 0.1), "{:?}", gains(alone));
        }
        let shared = gains(Some(2));
        assert!(shared.iter().all(|gain| gain.abs() < 0.1), "{shared:?}");
    }

    /// In an eye with soft corners a box about some points ends where a row ends before its corners do: such a box is known to a step, not
    /// exactly.
    #[test]
    fn no_box_is_known_exactly() {
        let eye = GaussianEye {
            amplitude: 0.5,
            early: 6.0,
            late: 40.0,
            sigma_taps: 0.8,
            lower: 1.0,
            upper: 30.0,
            sigma_steps: 3.0,
        };
        for place in 0..12 * 12 {
            let empty = capture(48, 32, 1, PointRule::error_free(1e-3, 0.95));
            let mut capture = raster(empty, &[eye], Some(20_000), 1);
            capture.operating = vec![LanePoint { tap: 16 + place % 12, vref: 10 + place / 12 }];
            let limits = limits(&capture.grid, 3.0);
            let view = CaptureView::new(&capture).expect("sound");
            let found = best_points(&view, &limits, None);
            assert!(found[0].trained.u > 1e-3 && found[0].best.u > 1e-3, "{:?}", found[0]);
        }
    }
}
