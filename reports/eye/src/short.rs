//! The edge of a row or column from a short look: a pass beside a fail, and where the error ratio crosses its limit between.
//!
//! Between two places the ratio is taken as the tail of a normal distribution of noise and jitter: Q = Phi^-1(1 - BER) runs
//! straight from one to the other. What lies between places that nobody visited is not seen.

use nightbench_core::line::{ShortCounts, ShortLook};
use nightbench_core::results::{LanePoint, Point};
use statistics::special::normal_upper_quantile;
use std::collections::HashSet;

/// Where the search for one edge stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Edge {
    /// This place is to be visited next.
    Wanted(Point),
    /// Places from the trained point to the edge.
    At(f64),
    /// Open to the border of the grid, so many places at least.
    Beyond(f64),
}

/// One of the four edges of a lane: from its trained point outwards.
#[derive(Debug, Clone, Copy)]
pub struct Search {
    centre: LanePoint,
    outward: (i32, i32),
    /// Places to the border of the grid.
    last: u16,
    /// First place looked at.
    start: u16,
}

/// Early, late, lower and upper edge about a lane's trained point.
pub fn searches(counts: &ShortCounts, lane: usize, look: &ShortLook) -> Vec<Search> {
    let (centre, grid) = (counts.operating[lane], &counts.grid);
    let (taps, steps) = (grid.taps - 1, grid.vref_steps - 1);
    let row = [((-1, 0), centre.tap), ((1, 0), taps - centre.tap)].map(|side| (side, look.start_taps));
    let column = [((0, -1), centre.vref), ((0, 1), steps - centre.vref)].map(|side| (side, look.start_steps));
    let sides = row.into_iter().chain(column.into_iter().filter(|_| look.columns));
    sides.map(|((outward, last), start)| Search { centre, outward, last, start: start.min(last) }).collect()
}

impl Search {
    fn place(&self, at: u16) -> Point {
        let moved = |from: u16, by: i32| (i32::from(from) + by * i32::from(at)) as u16;
        Point { tap: moved(self.centre.tap, self.outward.0), vref: moved(self.centre.vref, self.outward.1) }
    }

    /// Follows the counts: bits and errors of the lane at a place, where it was visited.
    pub fn follow(&self, seen: impl Fn(Point) -> Option<(u64, u64)>, limit: f64) -> Edge {
        let fails = |(bits, errors): (u64, u64)| ratio(bits, errors) > limit;
        let mut furthest = None;
        for at in 0..=self.last {
            let Some(counts) = seen(self.place(at)) else { continue };
            if !fails(counts) {
                furthest = Some(at);
                continue;
            }
            let Some(inside) = at.checked_sub(1) else { return Edge::At(0.0) };
            return match seen(self.place(inside)) {
                Some(passed) => Edge::At(f64::from(inside) + crossing(passed, counts, limit)),
                None => Edge::Wanted(self.place(inside)),
            };
        }
        match furthest {
            None => Edge::Wanted(self.place(self.start)),
            Some(at) if at == self.last => Edge::Beyond(f64::from(at)),
            Some(at) => Edge::Wanted(self.place(at + 1)),
        }
    }
}

/// An error ratio that is neither 0 nor 1, however few errors there were.
fn ratio(bits: u64, errors: u64) -> f64 {
    (errors as f64 + 0.5) / (bits as f64 + 1.0)
}

/// Where between a pass (0) and a fail (1) the ratio crosses the limit.
fn crossing(inside: (u64, u64), outside: (u64, u64), limit: f64) -> f64 {
    // Beyond one half Q is negative; it stays a straight line.
    let q = |ratio: f64| normal_upper_quantile(ratio.clamp(1e-18, 1.0 - 1e-12)).unwrap_or(0.0);
    let (from, to) = (q(ratio(inside.0, inside.1)), q(ratio(outside.0, outside.1)));
    ((from - q(limit)) / (from - to)).clamp(0.0, 1.0)
}

/// One lane's width and height of a short look, UI and % of VDDQ; heights are `None` where no columns were looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShortEye {
    pub lane: u16,
    pub width_ui: f64,
    pub height_percent: Option<f64>,
}

/// Every lane's width and height from the counts of a look; `None` where the counts leave an edge open, which those of a
/// finished look never do.
pub fn short_eyes(counts: &ShortCounts, look: &ShortLook) -> Option<Vec<ShortEye>> {
    let tap_ui = counts.grid.tap_step.0 / counts.grid.ui.0;
    let step_percent = 100.0 * counts.grid.vref_step.0 / counts.grid.vddq.0;
    let mut eyes = Vec::with_capacity(counts.lanes.len());
    for (at, lane) in counts.lanes.iter().enumerate() {
        let seen = |point: Point| {
            let mut total = None;
            for visit in counts.visits.iter().filter(|visit| visit.0 == point.tap && visit.1 == point.vref) {
                let (bits, errors) = total.unwrap_or((0, 0));
                total = Some((bits + visit.2, errors + visit.3.get(at).copied()?));
            }
            total
        };
        let mut edges = Vec::new();
        for search in searches(counts, at, look) {
            match search.follow(seen, look.limit) {
                Edge::At(places) | Edge::Beyond(places) => edges.push(places),
                Edge::Wanted(_) => return None,
            }
        }
        eyes.push(ShortEye {
            lane: *lane,
            width_ui: (edges[0] + edges[1]) * tap_ui,
            height_percent: (edges.len() == 4).then(|| (edges[2] + edges[3]) * step_percent),
        });
    }
    Some(eyes)
}

/// Visits that a look would have needed, judged by counts that reach as far out: lanes share a visit, and what lies further
/// in than the counts is taken to pass.
pub fn visits_needed(counts: &ShortCounts, look: &ShortLook) -> usize {
    let of_lane = |at: usize, point: Point| {
        let visit = counts.visits.iter().find(|visit| visit.0 == point.tap && visit.1 == point.vref);
        visit.map_or((look.bits, 0), |visit| (visit.2, visit.3.get(at).copied().unwrap_or(0)))
    };
    let mut visited: HashSet<(u16, u16)> = HashSet::new();
    loop {
        let before = visited.len();
        let mut wanted = Vec::new();
        for at in 0..counts.lanes.len() {
            let seen = |point: Point| visited.contains(&(point.tap, point.vref)).then(|| of_lane(at, point));
            for search in searches(counts, at, look) {
                if let Edge::Wanted(point) = search.follow(seen, look.limit) {
                    wanted.push((point.tap, point.vref));
                }
            }
        }
        visited.extend(wanted);
        if visited.len() == before {
            return before;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightbench_core::line::ShortVisit;
    use nightbench_core::results::{Direction, EyeName, Grid};
    use nightbench_core::units::{Millivolts, Picoseconds};
    use statistics::special::normal_sf;

    const GRID: Grid = Grid {
        taps: 64,
        vref_steps: 40,
        tap_step: Picoseconds(10.0),
        vref_start: Millivolts(600.0),
        vref_step: Millivolts(8.0),
        ui: Picoseconds(320.0),
        vddq: Millivolts(1200.0),
    };

    /// A lane whose edges are those of a normal jitter: the crossing is met to a hundredth of a place, whatever the start.
    #[test]
    fn a_normal_edge_is_met_wherever_the_search_begins() {
        let (early, late, sigma) = (7.3, 5.8, 0.9);
        let z = normal_upper_quantile(1e-4).unwrap();
        let bits = 1_000_000_000u64;
        for start in [0, 2, 5, 9] {
            let look = ShortLook { bits, limit: 1e-4, start_taps: start, start_steps: 2, columns: false };
            let mut counts = ShortCounts {
                eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
                grid: GRID,
                lanes: vec![3],
                operating: vec![LanePoint { tap: 20, vref: 11 }],
                visits: Vec::new(),
            };
            let mut places = 0;
            while short_eyes(&counts, &look).is_none() {
                let seen = |point: Point| {
                    let visit = counts.visits.iter().find(|visit| visit.0 == point.tap)?;
                    Some((visit.2, visit.3[0]))
                };
                let wanted: Vec<Point> = searches(&counts, 0, &look)
                    .iter()
                    .filter_map(|search| match search.follow(seen, look.limit) {
                        Edge::Wanted(point) => Some(point),
                        _ => None,
                    })
                    .collect();
                for point in wanted {
                    let from = f64::from(point.tap) - 20.0;
                    let ber = normal_sf((late - from) / sigma) + normal_sf((early + from) / sigma);
                    let errors = (ber.min(0.5) * bits as f64) as u64;
                    counts.visits.push(ShortVisit(point.tap, point.vref, bits, vec![errors]));
                    places += 1;
                }
            }
            let width = short_eyes(&counts, &look).unwrap()[0].width_ui * 32.0;
            assert!((width - (early + late - 2.0 * z * sigma)).abs() < 0.01, "{start}: {width}");
            assert!(places < 45, "{start}: {places}");
        }
    }

    #[test]
    fn closed_and_open_lanes_end_as_well() {
        let look = ShortLook { bits: 1000, limit: 1e-4, start_taps: 3, start_steps: 3, columns: true };
        let follow = |errors: u64| {
            let counts = ShortCounts {
                eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
                grid: GRID,
                lanes: vec![0],
                operating: vec![LanePoint { tap: 0, vref: 39 }],
                visits: Vec::new(),
            };
            searches(&counts, 0, &look)
                .iter()
                .map(|search| search.follow(|_| Some((1000, errors)), 0.1))
                .collect::<Vec<_>>()
        };
        assert_eq!(follow(500), vec![Edge::At(0.0); 4]);
        assert_eq!(follow(0), [0.0, 63.0, 39.0, 0.0].map(Edge::Beyond));
    }
}
