//! What is left of the counts once the model has had its say, over the eye.
//!
//! A point's errors less what the model expects of the bits that were compared has mean zero whatever rule ended the point (optional
//! stopping), so sums over a region are judged by that; single points of a rule that stops on errors are not.

use super::frames::Frame;
use super::lanes::SHARES;
use super::problem::{Problem, State};
use nightbench_core::results::EyeName;
use statistics::special::normal_sf;
use std::collections::BTreeMap;

/// Cells of a map in either direction.
pub const CELLS: usize = 8;
/// Names of the sums.
pub const SIDES: [&str; 4] = ["left", "right", "top", "bottom"];

/// The residuals of one eye: all its lanes laid over each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Residuals {
    pub condition: usize,
    pub eye: EyeName,
    pub points: usize,
    /// Sums left, right, top and bottom of the middle of the eye, in standard deviations.
    pub sides: [Option<f64>; 4],
    /// Rows from the top, each from the left: sum of a cell in standard deviations; `None` where nothing was visited.
    pub cells: Vec<[Option<f64>; CELLS]>,
    /// Places of the middle and half the size of what the cells span, taps and Vref steps of the eye.
    pub span: (f64, f64),
}

#[derive(Clone, Copy, Default)]
struct Sum {
    off: f64,
    variance: f64,
}

impl Sum {
    fn add(&mut self, errors: f64, expected: f64) {
        // The model may be off by a share; a weight that the model alone sets keeps the mean zero.
        let weight = 1.0 / (1.0 + SHARES[2].powi(2) * expected);
        self.off += weight * (errors - expected);
        self.variance += weight * weight * (expected + (SHARES[2] * expected).powi(2));
    }

    fn z(self) -> Option<f64> {
        (self.variance > 0.05).then(|| self.off / self.variance.sqrt())
    }
}

/// Residuals of every eye that was fitted, the mean chi-square and the number of points.
pub fn residuals(
    problem: &Problem<'_>,
    frames: &[Option<Frame>],
    state: &State,
) -> (Vec<Residuals>, f64, usize) {
    let mut by_eye: BTreeMap<usize, Vec<(f64, f64, f64, f64)>> = BTreeMap::new();
    let (mut chi, mut points) = (0.0, 0);
    for at in &problem.used {
        let lane = &problem.lanes.lanes[*at];
        let Some(frame) = &frames[lane.source] else { continue };
        let (taps, steps) = frame.base.size_of();
        let seen = frame.base.middle(0, crate::causes::surface::quantile(1e-5));
        let step = seen.map_or(0.5 * (steps as f64 - 1.0), |middle| middle.step);
        let middle = (
            state.place[*at][0] + 0.5 * (taps as f64 - 1.0) / frame.scale.per_tap,
            state.place[*at][1] + frame.scale.step(step),
        );
        let list = by_eye.entry(lane.eye).or_default();
        problem.each_z(*at, frame, state, |spot, _, z| {
            let expected = (spot.bits * normal_sf(z)).max(1e-6);
            let floored = expected.max(0.05);
            chi += (spot.errors - floored).powi(2) / (floored + (0.1 * floored).powi(2));
            points += 1;
            list.push((spot.tap - middle.0, spot.step - middle.1, spot.errors, expected));
        });
    }
    let of_eye = |(eye, spots): (usize, Vec<(f64, f64, f64, f64)>)| {
        let of = &problem.asked.eyes[eye];
        let reach = spots
            .iter()
            .fold((1.0f64, 1.0f64), |most, spot| (most.0.max(spot.0.abs()), most.1.max(spot.1.abs())));
        let mut sides = [Sum::default(); 4];
        let mut cells = [[Sum::default(); CELLS]; CELLS];
        let cell = |at: f64, reach: f64| {
            (((at / reach + 1.0) * 0.5 * CELLS as f64).floor().max(0.0) as usize).min(CELLS - 1)
        };
        for (tap, step, errors, expected) in &spots {
            let (along, up) = (tap / reach.0, step / reach.1);
            let side = match along.abs() > up.abs() {
                true if along < 0.0 => 0,
                true => 1,
                false if up > 0.0 => 2,
                false => 3,
            };
            sides[side].add(*errors, *expected);
            cells[CELLS - 1 - cell(*step, reach.1)][cell(*tap, reach.0)].add(*errors, *expected);
        }
        Residuals {
            condition: of.condition,
            eye: of.capture.eye,
            points: spots.len(),
            sides: sides.map(Sum::z),
            cells: cells.iter().map(|row| row.map(Sum::z)).collect(),
            span: reach,
        }
    };
    (by_eye.into_iter().map(of_eye).collect(), chi / points.max(1) as f64, points)
}
