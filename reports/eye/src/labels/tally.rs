//! Running counts and decisions of a capture: the one place where visits become pass or fail.

use super::fill::Lattice;
use crate::counts::ber_limit;
use nightbench_core::point_rule::{Decision, DecisionTable};
use nightbench_core::results::{Capture, CaptureMode, Grid, LaneSet, MOST_LANES, Point, Visit, VisitKind};
use std::collections::BTreeMap;

/// Visits that do not fit their capture.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LabelError {
    /// A visit beside the grid.
    #[error("visit to tap {tap}, Vref step {vref} lies outside the grid of {taps} taps x {steps} steps")]
    OutsideGrid {
        tap: u16,
        /// Its Vref step.
        vref: u16,
        /// Taps of the grid.
        taps: u16,
        /// Vref steps of the grid.
        steps: u16,
    },
    /// Counts for another number of lanes.
    #[error("visit to tap {tap}, Vref step {vref} counts {found} lanes; the capture has {wanted}")]
    LaneCount {
        tap: u16,
        /// Its Vref step.
        vref: u16,
        /// Lanes counted.
        found: usize,
        /// Lanes of the capture.
        wanted: usize,
    },
    /// More lanes than a lane set holds.
    #[error("a capture of {0} lanes is beyond the {MOST_LANES} supported")]
    TooManyLanes(usize),
}

/// Errors that the limit itself makes in the bits after which an operating point's ratio is told: by twenty a ratio that lies a factor of 1.4
/// off the limit is on its right side in 19 of 20.
const TELLING_AT_THE_LIMIT: f64 = 20.0;

/// One independent re-test of an isolated decision, both results kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Retested {
    /// Where.
    pub point: Point,
    /// Position of the lane in the capture's lane order.
    pub lane: u16,
    /// Decision of the first measurement.
    pub first: Decision,
    /// Decision of the re-test; the label follows it.
    pub second: Decision,
}

/// Counts and decisions of every point and lane so far.
///
/// Rules, the same while capturing and when a stored capture is read again:
/// - bits and errors of `Measure` visits to a point add up; after each visit every open lane (asked for or not)
///   is put to the point rule, and keeps the first decision it gets;
/// - a `Retest` visit has counts of its own. It bears on the lanes whose decision is *isolated* at that moment:
///   opposite to the decisions of all lattice neighbours, all of them decided (in a capture of rows and columns: a fail between
///   two passes of its row, or of its column). Their label follows the re-test;
/// - a lane's operating point that failed, and was counted on until the limit itself would have made twenty errors, passes
///   where its ratio does not lie above the limit. The rule fails a point on its second error, which a third of the limit makes as
///   often as not: beside a rim that costs less than a place, but here the whole eye;
/// - `Drift` visits decide nothing.
#[derive(Debug, Clone)]
pub struct Tally {
    grid: Grid,
    lattice: Lattice,
    /// Only rows and columns are measured.
    by_lines: bool,
    lanes: usize,
    table: DecisionTable,
    limit: f64,
    /// Lanes that work at a grid index, and those of them whose failed point passes by its ratio.
    operating: BTreeMap<usize, (u128, u128)>,
    bits: Vec<u64>,
    errors: Vec<u64>,
    decided: Vec<u128>,
    pass: Vec<u128>,
    retests: BTreeMap<usize, (u64, Vec<u64>)>,
    retested: Vec<Retested>,
}

impl Tally {
    /// An empty tally of a capture: its visits are yet to be added.
    ///
    /// # Errors
    /// More than [`MOST_LANES`] lanes.
    pub fn new(capture: &Capture) -> Result<Tally, LabelError> {
        let (grid, mode, lanes) = (capture.grid, capture.mode, capture.lanes.len());
        if lanes > usize::from(MOST_LANES) {
            return Err(LabelError::TooManyLanes(lanes));
        }
        let points = grid.len();
        let mut operating: BTreeMap<usize, (u128, u128)> = BTreeMap::new();
        for (lane, at) in capture.operating.iter().take(lanes).enumerate() {
            let point = Point { tap: at.tap, vref: at.vref };
            if grid.contains(point) {
                operating.entry(grid.index(point)).or_default().0 |= 1 << lane;
            }
        }
        Ok(Tally {
            grid,
            lattice: Lattice::of_mode(mode, &grid),
            by_lines: mode == CaptureMode::RowAndColumn,
            lanes,
            table: capture.rule.table(),
            limit: ber_limit(&capture.rule),
            operating,
            bits: vec![0; points],
            errors: vec![0; points * lanes],
            decided: vec![0; points],
            pass: vec![0; points],
            retests: BTreeMap::new(),
            retested: Vec::new(),
        })
    }

    /// The certified lattice.
    pub fn lattice(&self) -> &Lattice {
        &self.lattice
    }
    /// The rule in use.
    pub fn table(&self) -> &DecisionTable {
        &self.table
    }
    /// Bits compared so far at a grid index.
    pub fn bits(&self, index: usize) -> u64 {
        self.bits[index]
    }
    /// Errors so far at a grid index, by lane position.
    pub fn errors(&self, index: usize) -> &[u64] {
        &self.errors[index * self.lanes..(index + 1) * self.lanes]
    }
    /// Lanes decided at a grid index.
    pub fn decided(&self, index: usize) -> LaneSet {
        LaneSet(self.decided[index])
    }
    /// Lanes decided a pass at a grid index.
    pub fn passed(&self, index: usize) -> LaneSet {
        LaneSet(self.pass[index])
    }
    /// Counts of the re-test of a grid index: bits and errors by lane position.
    pub fn retest_counts(&self, index: usize) -> Option<(u64, &[u64])> {
        self.retests.get(&index).map(|(bits, errors)| (*bits, errors.as_slice()))
    }
    /// Every re-tested decision, in the order measured.
    pub fn retested(&self) -> &[Retested] {
        &self.retested
    }

    /// Bits after which a failed operating point goes by its ratio.
    pub fn telling_bits(&self) -> u64 {
        (TELLING_AT_THE_LIMIT / self.limit).ceil() as u64
    }

    /// Lanes that work at a grid index and failed there.
    pub fn closed(&self, index: usize) -> LaneSet {
        let here = self.operating.get(&index).map_or(0, |(here, _)| *here);
        LaneSet(here & self.decided[index] & !self.pass[index])
    }

    /// Lanes whose decision at a grid index is opposite to that of all its lattice neighbours, all decided; a point that goes by its ratio
    /// is none of them.
    pub fn isolated(&self, index: usize) -> LaneSet {
        let by_ratio = self.operating.get(&index).map_or(0, |(_, by_ratio)| *by_ratio);
        LaneSet(self.opposite(index).0 & !by_ratio)
    }

    fn opposite(&self, index: usize) -> LaneSet {
        let Some(place) = self.lattice.index(self.grid.point(index)) else { return LaneSet::default() };
        if self.by_lines {
            return self.isolated_on_a_line(index);
        }
        let mut opposite = self.decided[index];
        let mut any = false;
        for neighbour in self.lattice.neighbours(place) {
            let there = self.grid.index(self.lattice.point(neighbour));
            opposite &= self.decided[there] & (self.pass[index] ^ self.pass[there]);
            any = true;
        }
        LaneSet(if any { opposite } else { 0 })
    }

    /// Lanes that fail between two passes of the row, or of the column.
    fn isolated_on_a_line(&self, index: usize) -> LaneSet {
        let Point { tap, vref } = self.grid.point(index);
        let between = |[before, after]: [Option<Point>; 2]| {
            let (Some(before), Some(after)) = (before, after) else { return 0 };
            [before, after].into_iter().fold(self.decided[index] & !self.pass[index], |fails, point| {
                fails & self.pass[self.grid.index(point)]
            })
        };
        let beside = |taps: i32, steps: i32| {
            let point = Point {
                tap: u16::try_from(i32::from(tap) + taps).ok()?,
                vref: u16::try_from(i32::from(vref) + steps).ok()?,
            };
            self.grid.contains(point).then_some(point)
        };
        LaneSet(between([beside(-1, 0), beside(1, 0)]) | between([beside(0, -1), beside(0, 1)]))
    }

    /// Are only rows and columns measured?
    pub(super) fn by_lines(&self) -> bool {
        self.by_lines
    }

    /// Adds one visit.
    ///
    /// # Errors
    /// A visit outside the grid or with another number of lanes; the tally is left as it was.
    pub fn absorb(&mut self, visit: &Visit) -> Result<(), LabelError> {
        let Point { tap, vref } = visit.point;
        if !self.grid.contains(visit.point) {
            let (taps, steps) = (self.grid.taps, self.grid.vref_steps);
            return Err(LabelError::OutsideGrid { tap, vref, taps, steps });
        }
        if visit.errors.len() != self.lanes {
            return Err(LabelError::LaneCount { tap, vref, found: visit.errors.len(), wanted: self.lanes });
        }
        let index = self.grid.index(visit.point);
        match visit.kind {
            VisitKind::Measure => self.measure(index, visit),
            VisitKind::Retest => self.retest(index, visit),
            VisitKind::Drift | VisitKind::Sweep => {}
        }
        Ok(())
    }

    fn measure(&mut self, index: usize, visit: &Visit) {
        let bits = self.bits[index].saturating_add(visit.bits);
        self.bits[index] = bits;
        let totals = &mut self.errors[index * self.lanes..(index + 1) * self.lanes];
        let (passing, failing) = self.table.bounds(bits);
        // Halves of 64 lanes: shifts of 128 bits in the innermost loop would double its time.
        let (mut passes, mut fails) = ([0u64; 2], [0u64; 2]);
        for ((half, totals), new) in totals.chunks_mut(64).enumerate().zip(visit.errors.chunks(64)) {
            for (lane, (total, new)) in totals.iter_mut().zip(new).enumerate() {
                *total = total.saturating_add(*new);
                passes[half] |= u64::from(*total < passing) << lane;
                fails[half] |= u64::from(*total >= failing) << lane;
            }
        }
        let whole = |halves: [u64; 2]| u128::from(halves[1]) << 64 | u128::from(halves[0]);
        let open = !self.decided[index];
        let decided = self.decided[index] | whole(passes) | whole(fails);
        let pass = self.pass[index] | whole(passes) & open;
        (self.decided[index], self.pass[index]) = (decided, pass);
        if self.operating.contains_key(&index) && bits >= self.telling_bits() {
            self.go_by_ratio(index);
        }
    }

    fn go_by_ratio(&mut self, index: usize) {
        let allowed = self.bits[index] as f64 * self.limit;
        let below = |lane: &u16| self.errors(index)[usize::from(*lane)] as f64 <= allowed;
        let open: LaneSet = self.closed(index).iter().filter(below).collect();
        self.pass[index] |= open.0;
        if let Some((_, by_ratio)) = self.operating.get_mut(&index) {
            *by_ratio |= open.0;
        }
    }

    fn retest(&mut self, index: usize, visit: &Visit) {
        let open = self.isolated(index);
        let (bits, errors) = self.retests.entry(index).or_insert_with(|| (0, vec![0; self.lanes]));
        *bits = bits.saturating_add(visit.bits);
        for (total, &new) in errors.iter_mut().zip(&visit.errors) {
            *total = total.saturating_add(new);
        }
        let point = visit.point;
        for lane in open.iter() {
            let settled = |r: &Retested| r.point == point && r.lane == lane;
            if self.retested.iter().any(settled) {
                continue;
            }
            let Some(second) = self.table.decide(*bits, errors[usize::from(lane)]) else { continue };
            let was = self.pass[index] >> lane & 1 == 1;
            let first = if was { Decision::Pass } else { Decision::Fail };
            self.retested.push(Retested { point, lane, first, second });
            let bit = 1u128 << lane;
            self.pass[index] = self.pass[index] & !bit | if second == Decision::Pass { bit } else { 0 };
        }
    }
}
