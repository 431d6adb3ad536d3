//! Outline of a pass region as closed polylines on the grid, for drawing.
//!
//! Each passing point stands for the cell of one step round it; the outline runs along cell borders. Corner
//! (i, j) lies half a step before tap i and below Vref step j, so corners run from 0 to `taps` and `vref_steps`.

use crate::map::{ContourPoint, PassMap};
use nightbench_core::results::Point;
use std::fmt::Write;

/// A closed polyline of cell corners (tap corner, Vref corner); the last joins the first. The region lies to the
/// left of the way: outer borders run anticlockwise (Vref upwards), borders of holes clockwise.
pub type Loop = Vec<(u16, u16)>;

/// Outline of a pass region.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outline {
    /// Closed polylines, the one with the lowest, earliest corner first.
    pub loops: Vec<Loop>,
    /// Rim points whose label, or a failing neighbour's, was inferred.
    pub inferred: Vec<Point>,
    /// Number of rim points in all.
    pub rim_points: usize,
}

const EAST: u8 = 0;
const NORTH: u8 = 1;
const WEST: u8 = 2;
const SOUTH: u8 = 3;

/// The outline of everything that passes in `map`. Regions that touch at a corner only stay apart.
pub fn outline(map: &PassMap) -> Outline {
    let columns = usize::from(map.taps()) + 1;
    let rows = usize::from(map.vref_steps()) + 1;
    // Bit d of a corner: a border leaves it in direction d.
    let mut leaving = vec![0u8; columns * rows];
    let rim: Vec<ContourPoint> = map.contour();
    for &ContourPoint { point, .. } in &rim {
        let (tap, vref) = (usize::from(point.tap), usize::from(point.vref));
        let open = |tap: Option<u16>, vref: Option<u16>| match (tap, vref) {
            (Some(tap), Some(vref)) => !map.passes(Point { tap, vref }),
            _ => true,
        };
        let corner = |right: usize, up: usize| (vref + up) * columns + tap + right;
        if open(Some(point.tap), point.vref.checked_sub(1)) {
            leaving[corner(0, 0)] |= 1 << EAST;
        }
        if open(point.tap.checked_add(1), Some(point.vref)) {
            leaving[corner(1, 0)] |= 1 << NORTH;
        }
        if open(Some(point.tap), point.vref.checked_add(1)) {
            leaving[corner(1, 1)] |= 1 << WEST;
        }
        if open(point.tap.checked_sub(1), Some(point.vref)) {
            leaving[corner(0, 1)] |= 1 << SOUTH;
        }
    }
    let mut loops = Vec::new();
    for start in 0..leaving.len() {
        while leaving[start] != 0 {
            loops.push(follow(&mut leaving, columns, start));
        }
    }
    let inferred = rim.iter().filter(|rim| rim.inferred).map(|rim| rim.point).collect();
    Outline { loops, inferred, rim_points: rim.len() }
}

/// Follows borders from a corner until they close, and takes them out.
fn follow(leaving: &mut [u8], columns: usize, start: usize) -> Loop {
    let mut corners = Loop::new();
    let mut at = start;
    let mut heading: Option<u8> = None;
    loop {
        let ways = leaving[at];
        // Where two regions meet at a corner, turning left keeps to the region on the left.
        let turn = match heading {
            Some(heading) => {
                [1, 0, 3].map(|turn| (heading + turn) % 4).into_iter().find(|way| ways >> way & 1 == 1)
            }
            None => Some(ways.trailing_zeros() as u8),
        };
        let Some(way) = turn.filter(|_| ways != 0) else { break };
        leaving[at] &= !(1 << way);
        if heading != Some(way) {
            corners.push(((at % columns) as u16, (at / columns) as u16));
        }
        heading = Some(way);
        at = match way {
            EAST => at + 1,
            NORTH => at + columns,
            WEST => at - 1,
            _ => at - columns,
        };
        if at == start {
            break;
        }
    }
    corners
}

impl Outline {
    /// The outline as SVG path data in tap and Vref-step units, y growing with Vref (so the drawing flips it). Grid
    /// points lie at whole numbers and their cells reach half a step around: short relative commands, for example
    /// `M2.5 3.5h5v-2h-5z`.
    pub fn path_data(&self) -> String {
        let mut path = String::new();
        for corners in &self.loops {
            let mut last: Option<(u16, u16)> = None;
            for &(x, y) in corners {
                let written = match last {
                    None => write!(path, "M{} {}", f64::from(x) - 0.5, f64::from(y) - 0.5),
                    Some((from, level)) if level == y => write!(path, "h{}", i32::from(x) - i32::from(from)),
                    Some((_, level)) => write!(path, "v{}", i32::from(y) - i32::from(level)),
                };
                // Writing to a string cannot fail.
                let _ = written;
                last = Some((x, y));
            }
            path.push('z');
        }
        path
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_rectangle_has_four_corners() {
        let map = PassMap::from_fn(10, 8, |p| (2..=5).contains(&p.tap) && (1..=3).contains(&p.vref));
        let outline = outline(&map);
        assert_eq!(outline.loops, vec![vec![(2, 1), (6, 1), (6, 4), (2, 4)]]);
        assert_eq!(outline.path_data(), "M1.5 0.5h4v3h-4z");
        assert!(outline.inferred.is_empty());
        assert_eq!(outline.rim_points, 10);
    }

    #[test]
    fn holes_and_corner_neighbours_have_loops_of_their_own() {
        let ring = PassMap::from_fn(7, 7, |p| {
            (1..=5).contains(&p.tap) && (1..=5).contains(&p.vref) && (p.tap, p.vref) != (3, 3)
        });
        assert_eq!(outline(&ring).loops.len(), 2);
        let touching = PassMap::from_fn(4, 4, |p| (p.tap < 2) == (p.vref < 2));
        assert_eq!(
            outline(&touching).loops,
            vec![vec![(0, 0), (2, 0), (2, 2), (0, 2)], vec![(2, 2), (4, 2), (4, 4), (2, 4)]]
        );
        assert!(outline(&PassMap::new(5, 5)).loops.is_empty());
    }

    #[test]
    fn inferred_rim_points_are_told_apart() {
        let mut map = PassMap::from_fn(5, 1, |p| p.tap <= 2);
        map.set(Point { tap: 3, vref: 0 }, false, false);
        assert_eq!(outline(&map).inferred, vec![Point { tap: 2, vref: 0 }]);
    }

    proptest! {
        /// The shoelace formula over all loops gives the number of passing points (holes count negative).
        #[test]
        fn the_enclosed_area_is_the_passing_points(rows in prop::collection::vec(prop::collection::vec(any::<bool>(), 11), 9)) {
            let map = PassMap::from_fn(11, 9, |p| rows[usize::from(p.vref)][usize::from(p.tap)]);
            let outline = outline(&map);
            let mut twice = 0i64;
            for corners in &outline.loops {
                for (index, &(x, y)) in corners.iter().enumerate() {
                    let (next_x, next_y) = corners[(index + 1) % corners.len()];
                    prop_assert!((x == next_x) != (y == next_y), "straight pieces only");
                    twice += i64::from(x) * i64::from(next_y) - i64::from(next_x) * i64::from(y);
                }
            }
            prop_assert_eq!(twice, 2 * map.pass_points() as i64);
        }
    }
}
