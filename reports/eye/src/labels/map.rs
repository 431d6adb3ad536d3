//! One lane's pass/fail map and the pass runs through its operating point.

use nightbench_core::results::{Grid, LanePoint, Point};

const PASS: u8 = 1;
const MEASURED: u8 = 2;

/// Pass/fail map of one lane (or of lanes together), row by row: a row is one Vref step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LaneMap {
    taps: u16,
    vref_steps: u16,
    cells: Vec<u8>,
}

/// A contiguous run of passing points along one axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PassRun {
    /// First passing place.
    pub first: u16,
    /// Last passing place, at least `first`.
    pub last: u16,
    /// The run reaches place 0: the eye may go on beyond the sweep.
    pub touches_low: bool,
    /// The run reaches the last place of the axis.
    pub touches_high: bool,
    /// Both points of each end inside the sweep (last pass, first fail) are measured, none inferred.
    pub ends_measured: bool,
}

impl PassRun {
    /// Number of passing places.
    pub fn places(&self) -> u16 {
        self.last - self.first + 1
    }
    /// The run touches the border of the grid: its length reads "at least" (may pass, enters no mean, no Cpk).
    pub fn at_least(&self) -> bool {
        self.touches_low || self.touches_high
    }
}

/// What the operating point sees along one axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Opening {
    /// The pass run that contains the operating point.
    Open(PassRun),
    /// The operating point fails: width and height are 0.
    Closed {
        /// The lane passes somewhere else: the eye exists, off centre.
        off_centre: bool,
    },
}

impl Opening {
    /// The run, where there is one.
    pub fn run(self) -> Option<PassRun> {
        match self {
            Opening::Open(run) => Some(run),
            Opening::Closed { .. } => None,
        }
    }
}

impl LaneMap {
    /// A map from (passes, measured) by grid index.
    pub fn build(grid: &Grid, label: impl Fn(usize) -> (bool, bool)) -> LaneMap {
        let cells = (0..grid.len())
            .map(|index| {
                let (passes, measured) = label(index);
                (if passes { PASS } else { 0 }) | (if measured { MEASURED } else { 0 })
            })
            .collect();
        LaneMap { taps: grid.taps, vref_steps: grid.vref_steps, cells }
    }

    /// Number of taps (columns).
    pub fn taps(&self) -> u16 {
        self.taps
    }
    /// Number of Vref steps (rows).
    pub fn vref_steps(&self) -> u16 {
        self.vref_steps
    }
    fn cell(&self, tap: u16, vref: u16) -> Option<u8> {
        if tap >= self.taps {
            return None;
        }
        self.cells.get(usize::from(vref) * usize::from(self.taps) + usize::from(tap)).copied()
    }
    /// Does the point pass? Beyond the grid nothing passes.
    pub fn passes(&self, tap: u16, vref: u16) -> bool {
        self.cell(tap, vref).is_some_and(|cell| cell & PASS != 0)
    }
    /// Was the point measured (not inferred)?
    pub fn measured(&self, tap: u16, vref: u16) -> bool {
        self.cell(tap, vref).is_some_and(|cell| cell & MEASURED != 0)
    }
    /// Number of passing points.
    pub fn passing_points(&self) -> usize {
        self.cells.iter().filter(|&&cell| cell & PASS != 0).count()
    }
    /// No point passes?
    pub fn is_closed(&self) -> bool {
        self.passing_points() == 0
    }

    /// Pass run along the taps at the operating Vref.
    pub fn width_run(&self, operating: LanePoint) -> Opening {
        self.opening(operating.tap, self.taps, |tap| (tap, operating.vref))
    }
    /// Pass run along the Vref steps at the operating tap.
    pub fn height_run(&self, operating: LanePoint) -> Opening {
        self.opening(operating.vref, self.vref_steps, |vref| (operating.tap, vref))
    }

    fn opening(&self, at: u16, length: u16, place: impl Fn(u16) -> (u16, u16)) -> Opening {
        let passes = |along: u16| {
            let (tap, vref) = place(along);
            self.passes(tap, vref)
        };
        let measured = |along: u16| {
            let (tap, vref) = place(along);
            self.measured(tap, vref)
        };
        if !passes(at) {
            return Opening::Closed { off_centre: !self.is_closed() };
        }
        let (mut first, mut last) = (at, at);
        while first > 0 && passes(first - 1) {
            first -= 1;
        }
        while last + 1 < length && passes(last + 1) {
            last += 1;
        }
        let (touches_low, touches_high) = (first == 0, last + 1 == length);
        let ends_measured = (touches_low || measured(first) && measured(first - 1))
            && (touches_high || measured(last) && measured(last + 1));
        Opening::Open(PassRun { first, last, touches_low, touches_high, ends_measured })
    }

    /// The contour: passing points with a failing neighbour (left, right, below, above) inside the grid.
    pub fn contour(&self) -> Vec<Point> {
        let mut points = Vec::new();
        for vref in 0..self.vref_steps {
            for tap in 0..self.taps {
                let open = self.passes(tap, vref)
                    && (tap > 0 && !self.passes(tap - 1, vref)
                        || tap + 1 < self.taps && !self.passes(tap + 1, vref)
                        || vref > 0 && !self.passes(tap, vref - 1)
                        || vref + 1 < self.vref_steps && !self.passes(tap, vref + 1));
                if open {
                    points.push(Point { tap, vref });
                }
            }
        }
        points
    }

    /// The passing points connected (by sides) to a point; empty where it fails. `true` marks a member, row by row.
    pub fn component(&self, from: Point) -> Vec<bool> {
        let mut member = vec![false; self.cells.len()];
        if !self.passes(from.tap, from.vref) {
            return member;
        }
        let columns = usize::from(self.taps);
        let start = usize::from(from.vref) * columns + usize::from(from.tap);
        let mut open = vec![start];
        member[start] = true;
        while let Some(at) = open.pop() {
            let column = at % columns;
            let around = [
                (column > 0).then(|| at - 1),
                (column + 1 < columns).then(|| at + 1),
                at.checked_sub(columns),
                Some(at + columns).filter(|&next| next < self.cells.len()),
            ];
            for next in around.into_iter().flatten() {
                if self.cells[next] & PASS != 0 && !member[next] {
                    member[next] = true;
                    open.push(next);
                }
            }
        }
        member
    }
}
