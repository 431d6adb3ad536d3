//! From visits to the eye of each lane: measured and inferred pass/fail labels, and the runs metrics start from.
//!
//! Every point of the result is measured (decided by the point rule on its own counts) or inferred, never mixed:
//! - on the certified lattice an undecided point takes the label of the decided points that enclose it. A
//!   finished capture leaves one choice only, because every pass/fail pair of neighbours is measured on both sides;
//!   where visits are missing, doubt is a fail;
//! - in a capture of rows and columns an undecided point passes between two passes of its row, or of its column, with no
//!   fail between; everything else fails;
//! - off the lattice (mode `fast`) the label is a bilinear fill of the lattice at threshold 1/2.

mod drift;
mod fill;
mod tally;
#[cfg(test)]
mod tests;

pub use drift::{Drift, DriftCheck, drift};
pub use fill::{Lattice, bilinear_fill};
pub use tally::{LabelError, Retested, Tally};

use nightbench_core::point_rule::Decision;
use nightbench_core::results::{Capture, Grid, LaneSet, Point};

/// One point of one lane.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Label {
    /// Decided by the point rule on its own counts.
    Measured(Decision),
    /// Filled in from measured points.
    Inferred(Decision),
}

/// Labels of every point and lane of a capture: one bit a lane, row by row (a row is one Vref step).
#[derive(Debug, Clone, PartialEq)]
pub struct EyeLabels {
    grid: Grid,
    lanes: u16,
    pass: Vec<u128>,
    measured: Vec<u128>,
    retested: Vec<Retested>,
}

impl EyeLabels {
    /// The labels of a capture, from its visits alone.
    ///
    /// # Errors
    /// Visits that do not fit the capture.
    pub fn from_capture(capture: &Capture) -> Result<EyeLabels, LabelError> {
        let mut tally = Tally::new(capture)?;
        for visit in &capture.visits {
            tally.absorb(visit)?;
        }
        Ok(EyeLabels::from_tally(&capture.grid, capture.lanes.len() as u16, &tally))
    }

    /// The labels of a running capture.
    pub(crate) fn from_tally(grid: &Grid, lanes: u16, tally: &Tally) -> EyeLabels {
        if tally.by_lines() {
            return EyeLabels::from_lines(grid, lanes, tally);
        }
        let lattice = tally.lattice();
        let places: Vec<usize> = (0..lattice.len()).map(|at| grid.index(lattice.point(at))).collect();
        let decided: Vec<u128> = places.iter().map(|&at| tally.decided(at).0).collect();
        let passed: Vec<u128> = places.iter().map(|&at| tally.passed(at).0).collect();
        let failed: Vec<u128> =
            decided.iter().zip(&passed).map(|(decided, passed)| decided & !passed).collect();
        let near_pass = spread(lattice, &decided, &passed);
        let near_fail = spread(lattice, &decided, &failed);
        let corners: Vec<u128> = near_pass.iter().zip(&near_fail).map(|(pass, fail)| pass & !fail).collect();
        let measured: Vec<u128> = (0..grid.len()).map(|at| tally.decided(at).0).collect();
        let mut pass =
            if lattice.len() == grid.len() { corners } else { bilinear_fill(lattice, grid, &corners) };
        for (at, (pass, &measured)) in pass.iter_mut().zip(&measured).enumerate() {
            *pass = *pass & !measured | tally.passed(at).0;
        }
        EyeLabels { grid: *grid, lanes, pass, measured, retested: tally.retested().to_vec() }
    }

    fn from_lines(grid: &Grid, lanes: u16, tally: &Tally) -> EyeLabels {
        let mut pass: Vec<u128> = (0..grid.len()).map(|at| tally.passed(at).0).collect();
        let (taps, steps) = (usize::from(grid.taps), usize::from(grid.vref_steps));
        let rows = (0..steps).map(|row| (row * taps..(row + 1) * taps).collect::<Vec<usize>>());
        let columns = (0..taps).map(|column| (0..steps).map(|row| row * taps + column).collect());
        for line in rows.chain(columns) {
            // Lanes whose last decided point was a pass, seen from either end.
            let last = |places: &mut dyn Iterator<Item = &usize>| {
                let mut open = 0;
                let seen = places.map(|&at| {
                    open = open & !tally.decided(at).0 | tally.passed(at).0;
                    open
                });
                seen.collect::<Vec<u128>>()
            };
            let from_first = last(&mut line.iter());
            let from_last = last(&mut line.iter().rev());
            for ((&at, before), after) in line.iter().zip(from_first).zip(from_last.into_iter().rev()) {
                pass[at] |= before & after & !tally.decided(at).0;
            }
        }
        let measured = (0..grid.len()).map(|at| tally.decided(at).0).collect();
        EyeLabels { grid: *grid, lanes, pass, measured, retested: tally.retested().to_vec() }
    }

    /// Axes of the capture.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }
    /// Number of captured lanes.
    pub fn lanes(&self) -> u16 {
        self.lanes
    }
    /// Lanes (positions in the capture's lane order) that pass at a grid index; empty beyond the grid.
    pub fn passing(&self, index: usize) -> LaneSet {
        LaneSet(self.pass.get(index).copied().unwrap_or(0))
    }
    /// Lanes measured at a grid index; empty beyond the grid.
    pub fn measured(&self, index: usize) -> LaneSet {
        LaneSet(self.measured.get(index).copied().unwrap_or(0))
    }
    /// One label; `None` beyond the grid or the lanes.
    pub fn label(&self, lane: u16, point: Point) -> Option<Label> {
        if !self.grid.contains(point) || lane >= self.lanes {
            return None;
        }
        let index = self.grid.index(point);
        let decision = if self.passing(index).contains(lane) { Decision::Pass } else { Decision::Fail };
        Some(if self.measured(index).contains(lane) {
            Label::Measured(decision)
        } else {
            Label::Inferred(decision)
        })
    }
    /// Lanes that pass somewhere.
    pub fn open_lanes(&self) -> LaneSet {
        LaneSet(self.pass.iter().fold(0, |any, pass| any | pass))
    }
    /// Lanes that fail nowhere on the grid: the eye is larger than the sweep, or the lane is stuck and not
    /// really compared. Worth a look in any case.
    pub fn never_failing_lanes(&self) -> LaneSet {
        LaneSet(self.pass.iter().fold(LaneSet::first(self.lanes).0, |all, pass| all & pass))
    }
    /// Isolated decisions that were tested again, both results kept.
    pub fn retested(&self) -> &[Retested] {
        &self.retested
    }
}

/// Spreads `seeds` from decided points through undecided ones, lane by lane.
fn spread(lattice: &Lattice, decided: &[u128], seeds: &[u128]) -> Vec<u128> {
    let columns = lattice.taps().len();
    let mut reached = seeds.to_vec();
    // Sweeping forth and back carries a label across a whole row or column at once: few passes suffice.
    loop {
        let mut changed = false;
        let mut pull = |reached: &mut [u128], at: usize| {
            let open = !decided[at] & !reached[at];
            if open == 0 {
                return;
            }
            let column = at % columns;
            let mut around = 0;
            if column > 0 {
                around |= reached[at - 1];
            }
            if column + 1 < columns {
                around |= reached[at + 1];
            }
            if at >= columns {
                around |= reached[at - columns];
            }
            if at + columns < reached.len() {
                around |= reached[at + columns];
            }
            if around & open != 0 {
                reached[at] |= around & open;
                changed = true;
            }
        };
        for at in 0..decided.len() {
            pull(&mut reached, at);
        }
        for at in (0..decided.len()).rev() {
            pull(&mut reached, at);
        }
        if !changed {
            return reached;
        }
    }
}
