//! Largest rectangle and largest scaled mask inside a pass region.

use crate::map::PassMap;
use nightbench_core::results::{Grid, LanePoint, Point};
use nightbench_core::units::{Millivolts, Picoseconds};
use serde::{Deserialize, Serialize};

/// A rectangle of passing points: both corners pass, as does everything between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct PassRectangle {
    /// Early edge, tap.
    pub first_tap: u16,
    /// Late edge, tap.
    pub last_tap: u16,
    /// Lower edge, Vref step.
    pub first_vref: u16,
    /// Upper edge, Vref step.
    pub last_vref: u16,
}

impl PassRectangle {
    /// Width between the outermost passing points, taps.
    pub fn width_taps(&self) -> u16 {
        self.last_tap - self.first_tap
    }
    /// Height between the outermost passing points, Vref steps.
    pub fn height_steps(&self) -> u16 {
        self.last_vref - self.first_vref
    }
    /// Size compared: last-pass area, then points (a bar one point thick has no area).
    fn size(&self) -> (u32, u32) {
        let (width, height) = (u32::from(self.width_taps()), u32::from(self.height_steps()));
        (width * height, (width + 1) * (height + 1))
    }
}

/// Largest axis-parallel rectangle of passing points (by the area between its outermost points; the lowest,
/// then earliest of equals); `None` when nothing passes. Histogram stack, time proportional to taps x steps.
pub(crate) fn largest_rectangle(region: &PassMap) -> Option<PassRectangle> {
    let taps = usize::from(region.taps());
    let mut heights = vec![0u16; taps + 1];
    let mut stack: Vec<(usize, u16)> = Vec::with_capacity(taps);
    let mut best: Option<PassRectangle> = None;
    for vref in 0..region.vref_steps() {
        let mut reached = 0;
        region.runs_of_row(vref, |run| {
            heights[reached..usize::from(run.first)].fill(0);
            heights[usize::from(run.first)..=usize::from(run.last)]
                .iter_mut()
                .for_each(|height| *height += 1);
            reached = usize::from(run.last) + 1;
        });
        heights[reached..].fill(0);
        stack.clear();
        for (tap, &height) in heights.iter().enumerate() {
            let mut start = tap;
            while let Some(&(left, tall)) = stack.last()
                && tall >= height
            {
                stack.pop();
                start = left;
                if tall > 0 {
                    let found = PassRectangle {
                        first_tap: left as u16,
                        last_tap: (tap - 1) as u16,
                        first_vref: vref + 1 - tall,
                        last_vref: vref,
                    };
                    if best.is_none_or(|best| found.size() > best.size()) {
                        best = Some(found);
                    }
                }
            }
            stack.push((start, height));
        }
    }
    best
}

/// Outline of a mask.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "shape")]
pub enum MaskShape {
    Rectangle,
    /// A hexagon with corners at the left and right ends and a flat top and bottom.
    Hexagon {
        /// Length of the flat top as a share of the whole width, 0 (a diamond) to 1 (a rectangle).
        flat: f64,
    },
}

/// A mask centred on the operating point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mask {
    /// Its outline.
    pub shape: MaskShape,
    pub half_width: Picoseconds,
    pub half_height: Millivolts,
}

impl Mask {
    /// Can the mask be scaled: both half sizes finite and above 0, and a flat top between 0 and 1?
    pub fn is_valid(&self) -> bool {
        let flat = match self.shape {
            MaskShape::Rectangle => 1.0,
            MaskShape::Hexagon { flat } => flat,
        };
        let sizes = [self.half_width.0, self.half_height.0];
        sizes.iter().all(|size| size.is_finite() && *size > 0.0) && (0.0..=1.0).contains(&flat)
    }

    /// Gauge of a place `dx` ps and `dy` mV from the centre: the scale at which the mask's outline reaches it.
    ///
    /// Rectangle: max(|dx|/a, |dy|/b); hexagon: max(|dy|/b, |dx|/a + (1 - flat) |dy|/b).
    pub fn gauge(&self, dx_ps: f64, dy_mv: f64) -> f64 {
        let (x, y) = (dx_ps.abs() / self.half_width.0, dy_mv.abs() / self.half_height.0);
        match self.shape {
            MaskShape::Rectangle => x.max(y),
            MaskShape::Hexagon { flat } => y.max(x + (1.0 - flat) * y),
        }
    }

    /// Gauge of a place in grid coordinates round a centre.
    pub(crate) fn gauge_on_grid(&self, grid: &Grid, centre: LanePoint, tap: f64, vref: f64) -> f64 {
        self.gauge(
            (tap - f64::from(centre.tap)) * grid.tap_step.0,
            (vref - f64::from(centre.vref)) * grid.vref_step.0,
        )
    }
}

/// A rim point and its gauge, as the scale of a mask is found from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RimGauge {
    /// The passing point on the rim.
    pub point: Point,
    /// Scale at which the mask reaches it.
    pub gauge: f64,
    /// It lies on the border of the grid.
    pub border: bool,
}

/// The rim points of a region nearest to the centre by a mask's gauge, nearest first, at most `most`. The first
/// one's gauge is the last-pass scale: the largest mask that keeps within the rim.
pub(crate) fn nearest_rim(
    region: &PassMap,
    grid: &Grid,
    centre: LanePoint,
    mask: &Mask,
    most: usize,
) -> Vec<RimGauge> {
    let mut rim: Vec<RimGauge> = region
        .contour()
        .into_iter()
        .map(|rim| RimGauge {
            point: rim.point,
            gauge: mask.gauge_on_grid(grid, centre, f64::from(rim.point.tap), f64::from(rim.point.vref)),
            border: rim.border,
        })
        .collect();
    let order = |a: &RimGauge, b: &RimGauge| a.gauge.total_cmp(&b.gauge).then(a.point.cmp(&b.point));
    if rim.len() > most && most > 0 {
        rim.select_nth_unstable_by(most - 1, order);
    }
    rim.truncate(most);
    rim.sort_by(order);
    rim
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cases::capture;
    use nightbench_core::point_rule::PointRule;
    use proptest::prelude::*;

    /// 1 ps a tap, 1 mV a step.
    fn unit_grid(taps: u16, steps: u16) -> Grid {
        let mut grid = capture(taps, steps, 1, PointRule::error_free(1e-3, 0.95)).grid;
        (grid.tap_step, grid.vref_step) = (Picoseconds(1.0), Millivolts(1.0));
        grid
    }

    const CENTRE: LanePoint = LanePoint { tap: 50, vref: 50 };

    fn from_centre(point: Point) -> (f64, f64) {
        (f64::from(point.tap) - 50.0, f64::from(point.vref) - 50.0)
    }

    fn scale(map: &PassMap, mask: &Mask) -> f64 {
        nearest_rim(map, &unit_grid(101, 101), CENTRE, mask, 6)[0].gauge
    }

    fn mask(shape: MaskShape, a: f64, b: f64) -> Mask {
        Mask { shape, half_width: Picoseconds(a), half_height: Millivolts(b) }
    }

    /// Analytic: a disc of radius R holds a square of side R sqrt 2; to within one grid step.
    #[test]
    fn a_circle_holds_a_square_of_side_r_root_2() {
        let map = PassMap::from_fn(101, 101, |p| from_centre(p).0.hypot(from_centre(p).1) <= 40.0);
        let found = largest_rectangle(&map).expect("passes");
        let area = f64::from(found.width_taps()) * f64::from(found.height_steps());
        assert!((area / 3200.0 - 1.0).abs() < 0.03, "{found:?}");
        let square = mask(MaskShape::Rectangle, 10.0, 10.0);
        assert!((scale(&map, &square) - 4.0 / 2f64.sqrt()).abs() < 0.1);
        // A diamond of half-diagonal 10 touches the circle with its four corners, at 40.
        let diamond = mask(MaskShape::Hexagon { flat: 0.0 }, 10.0, 10.0);
        assert!((scale(&map, &diamond) - 4.0).abs() < 0.1);
        assert!((map.pass_points() as f64 / (std::f64::consts::PI * 1600.0) - 1.0).abs() < 0.01);
    }

    /// Analytic: the diamond |x| + |y| <= R holds a rectangle of at most 2 x (R/2)^2 x 2 = R^2, and itself.
    #[test]
    fn a_diamond_holds_half_its_area() {
        let map = PassMap::from_fn(101, 101, |p| from_centre(p).0.abs() + from_centre(p).1.abs() <= 40.0);
        let found = largest_rectangle(&map).expect("passes");
        assert_eq!(u32::from(found.width_taps()) * u32::from(found.height_steps()), 1600);
        assert_eq!(scale(&map, &mask(MaskShape::Rectangle, 10.0, 10.0)), 2.0);
        assert_eq!(scale(&map, &mask(MaskShape::Hexagon { flat: 0.0 }, 10.0, 10.0)), 4.0);
        // Half flat: the corner (a/2, b) is the first to touch: s (5 + 10) = 40.
        let hexagon = mask(MaskShape::Hexagon { flat: 0.5 }, 10.0, 10.0);
        assert!((scale(&map, &hexagon) - 40.0 / 15.0).abs() < 0.07);
    }

    #[test]
    fn a_rectangle_and_a_hexagon_hold_themselves() {
        let map =
            PassMap::from_fn(101, 101, |p| from_centre(p).0.abs() <= 30.0 && from_centre(p).1.abs() <= 20.0);
        let found = largest_rectangle(&map).expect("passes");
        assert_eq!((found.first_tap, found.last_tap, found.first_vref, found.last_vref), (20, 80, 30, 70));
        assert_eq!(scale(&map, &mask(MaskShape::Rectangle, 15.0, 10.0)), 2.0);
        assert_eq!(scale(&map, &mask(MaskShape::Rectangle, 15.0, 5.0)), 2.0);
        assert_eq!(scale(&map, &mask(MaskShape::Rectangle, 5.0, 40.0)), 0.5);
        let hexagon = mask(MaskShape::Hexagon { flat: 0.5 }, 10.0, 8.0);
        let map = PassMap::from_fn(101, 101, |p| {
            let (x, y) = from_centre(p);
            hexagon.gauge(x, y) <= 3.0 + 1e-9
        });
        assert!((scale(&map, &hexagon) - 3.0).abs() < 0.1);
    }

    #[test]
    fn impossible_masks_are_known() {
        assert!(mask(MaskShape::Hexagon { flat: 0.5 }, 1.0, 1.0).is_valid());
        assert!(!mask(MaskShape::Hexagon { flat: 1.5 }, 1.0, 1.0).is_valid());
        assert!(!mask(MaskShape::Rectangle, 0.0, 1.0).is_valid());
        assert!(!mask(MaskShape::Rectangle, 1.0, f64::NAN).is_valid());
    }

    proptest! {
        /// Against trying every rectangle.
        #[test]
        fn the_largest_rectangle_is_the_largest(rows in prop::collection::vec(prop::collection::vec(prop::bool::weighted(0.8), 9), 7)) {
            let map = PassMap::from_fn(9, 7, |p| rows[usize::from(p.vref)][usize::from(p.tap)]);
            let mut best = None;
            for first_vref in 0..7u16 { for last_vref in first_vref..7 {
                for first_tap in 0..9u16 { for last_tap in first_tap..9 {
                    let all = (first_vref..=last_vref)
                        .all(|vref| (first_tap..=last_tap).all(|tap| map.passes(Point { tap, vref })));
                    let size = PassRectangle { first_tap, last_tap, first_vref, last_vref }.size();
                    if all && best.is_none_or(|best| size > best) {
                        best = Some(size);
                    }
                } }
            } }
            prop_assert_eq!(largest_rectangle(&map).map(|found| found.size()), best);
        }
    }
}
