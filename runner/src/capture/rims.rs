//! The rims of every lane's operating row and column: bracketed place by place, with telling counts where the error ratio
//! crosses the limit.
//!
//! Width, height and margins are read there. A point fails on its second error, and the logarithm of a ratio that two errors
//! stopped is a tenth of a decade too high on average: where the error ratio takes several taps over a decade, the edge would
//! lie half a tap too far inside. So the first failing place of every rim is counted on, to ten errors or the length of a
//! clean point, and so are the places beyond it until the crossing lies between them. Places further out cost next to
//! nothing and give the slope.
//!
//! A lattice (mode `fast`) knows its rim to two taps, and always on the inner side: here the places between are measured, so
//! that what verdicts rest on carries no bias of the lattice.

use super::engine::{Engine, Wanted};
use contract::DriverError;
use eye::edges::HIGHEST_FITTED_BER;
use nightbench_core::results::{Grid, LaneSet, Point};

/// Errors that make a count telling.
pub(super) const TELLING: u64 = 10;
/// A count this share of a clean point's bits is long enough: the last errors are not worth a visit.
const LONG_ENOUGH: f64 = 0.7;
/// Places looked at from the first failing one on: two give a slope, the third bends it.
const LOOKED_AT: u16 = 3;
/// Most places looked at where the crossing lies further out.
const FURTHEST: u16 = 8;

/// One rim: from a lane's operating point towards one side.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rim {
    lane: u16,
    centre: Point,
    /// Taps and Vref steps a place.
    outward: (i32, i32),
    /// Places from the operating point to the border of the grid.
    last: u16,
    /// The first failing place: as far as is known, then measured. `last` + 1 at the border.
    fail: u16,
}

/// Where a rim stands.
enum Standing {
    /// A place must be decided first.
    Open(u16),
    /// A pass beside a fail, both measured.
    Bracketed,
    /// Open to the border of the grid, or closed at the operating point.
    NoRim,
}

impl Rim {
    fn place(&self, at: u16) -> Point {
        let moved = |from: u16, by: i32| (i32::from(from) + by * i32::from(at)) as u16;
        Point { tap: moved(self.centre.tap, self.outward.0), vref: moved(self.centre.vref, self.outward.1) }
    }

    /// Follows the decisions so far.
    fn follow(&mut self, engine: &Engine<'_>) -> Standing {
        let bit = 1u128 << self.lane;
        loop {
            let decided = |at: u16| {
                let index = engine.grid.index(self.place(at));
                (engine.tally.decided(index).0 & bit != 0).then(|| engine.tally.passed(index).0 & bit != 0)
            };
            if self.fail <= self.last {
                match decided(self.fail) {
                    None => return Standing::Open(self.fail),
                    Some(true) => {
                        self.fail += 1;
                        continue;
                    }
                    Some(false) if self.fail == 0 => return Standing::NoRim,
                    Some(false) => {}
                }
            }
            match decided(self.fail - 1) {
                None => return Standing::Open(self.fail - 1),
                Some(true) if self.fail > self.last => return Standing::NoRim,
                Some(true) => return Standing::Bracketed,
                Some(false) => self.fail -= 1,
            }
        }
    }

    /// The place to be counted on next, if any.
    fn untold(&self, engine: &Engine<'_>) -> Option<u16> {
        let long_enough = (LONG_ENOUGH * engine.clean_bits() as f64) as u64;
        let end = self.last.min(self.fail + FURTHEST - 1);
        for at in self.fail..=end {
            let index = engine.grid.index(self.place(at));
            let (bits, errors) = (engine.tally.bits(index), engine.tally.errors(index));
            let errors = errors[usize::from(self.lane)];
            if bits < long_enough && errors < TELLING {
                return Some(at);
            }
            let ratio = errors as f64 / bits as f64;
            if ratio > HIGHEST_FITTED_BER || ratio > engine.limit() && at + 1 >= self.fail + LOOKED_AT {
                return None;
            }
        }
        None
    }
}

impl Rim {
    /// The four rims about a point of a lane, each presumed at the operating point's neighbour.
    pub(super) fn about(lane: u16, centre: Point, grid: &Grid) -> [Rim; 4] {
        let (taps, steps) = (grid.taps - 1, grid.vref_steps - 1);
        [
            ((-1, 0), centre.tap),
            ((1, 0), taps - centre.tap),
            ((0, -1), centre.vref),
            ((0, 1), steps - centre.vref),
        ]
        .map(|(outward, last)| Rim { lane, centre, outward, last, fail: 1 })
    }

    /// Its lane.
    pub(super) fn lane(&self) -> u16 {
        self.lane
    }

    /// Places from the operating point that pass, as far as is known.
    pub(super) fn reach(&self) -> u16 {
        self.fail.saturating_sub(1)
    }

    /// Along taps?
    pub(super) fn is_row(&self) -> bool {
        self.outward.1 == 0
    }

    /// The same rim, presumed at the operating point's neighbour again.
    pub(super) fn restarted(&self) -> Rim {
        Rim { fail: 1, ..*self }
    }

    /// Presumes the first place outwards that is known not to pass.
    pub(super) fn start(&mut self, passes: impl Fn(u16, Point) -> Option<bool>) {
        let fails = |at: &u16| passes(self.lane, self.place(*at)) == Some(false);
        self.fail = (1..=self.last).find(fails).unwrap_or(self.last + 1);
    }

    /// The same rim on the line beside; `None` beyond the grid.
    pub(super) fn beside(&self, by: i16, grid: &Grid) -> Option<Rim> {
        let mut centre = self.centre;
        let across = if self.outward.0 == 0 { &mut centre.tap } else { &mut centre.vref };
        *across = across.checked_add_signed(by)?;
        grid.contains(centre).then(|| Rim { centre, fail: self.fail.min(self.last), ..*self })
    }
}

impl Engine<'_> {
    /// Brackets the rims of the operating rows and columns that `label` (of every point of the grid) shows, and counts at
    /// them; then the same of lanes whose operating point opens by its ratio.
    pub(super) fn tell_rims(&mut self, label: &[u128]) -> Result<(), DriverError> {
        let passes = |lane: u16, point: Point| label[self.grid.index(point)] & 1 << lane != 0;
        let mut rims = Vec::new();
        for lane in LaneSet(self.all).iter() {
            let centre = self.operating(usize::from(lane));
            if passes(lane, centre) {
                rims.extend(Rim::about(lane, centre, &self.grid));
            }
        }
        rims.iter_mut().for_each(|rim| rim.start(|lane, point| Some(passes(lane, point))));
        self.bracket(&mut rims)?;
        self.count_at(&mut rims)?;
        let opened = self.tell_operating()?;
        let mut late = self.own_rims(opened);
        self.bracket(&mut late)?;
        self.count_at(&mut late)
    }

    /// The rims of lanes' operating rows and columns, presumed where the looks so far show a fail.
    pub(super) fn own_rims(&self, lanes: u128) -> Vec<Rim> {
        let own = |lane: u16| Rim::about(lane, self.operating(usize::from(lane)), &self.grid);
        let mut rims: Vec<Rim> = LaneSet(lanes).iter().flat_map(own).collect();
        for rim in &mut rims {
            rim.start(|lane, point| {
                let index = self.grid.index(point);
                (self.tally.bits(index) > 0).then(|| self.hint(index) & 1 << lane != 0)
            });
        }
        rims
    }

    /// Measures until a pass stands beside a fail at every rim.
    pub(super) fn bracket(&mut self, rims: &mut [Rim]) -> Result<(), DriverError> {
        loop {
            let mut wanted = Vec::new();
            for rim in rims.iter_mut() {
                if let Standing::Open(at) = rim.follow(self) {
                    wanted.push(Wanted { index: self.grid.index(rim.place(at)), lanes: 1 << rim.lane });
                }
            }
            if wanted.is_empty() {
                return Ok(());
            }
            self.measure(wanted, None)?;
        }
    }

    /// Counts on at bracketed rims.
    pub(super) fn count_at(&mut self, rims: &mut [Rim]) -> Result<(), DriverError> {
        let bracketed: Vec<bool> =
            rims.iter_mut().map(|rim| matches!(rim.follow(self), Standing::Bracketed)).collect();
        loop {
            let told =
                rims.iter().zip(&bracketed).filter(|(_, bracketed)| **bracketed).filter_map(|(rim, _)| {
                    let at = rim.untold(self)?;
                    Some(Wanted { index: self.grid.index(rim.place(at)), lanes: 1 << rim.lane })
                });
            let wanted: Vec<Wanted> = told.collect();
            if wanted.is_empty() {
                return Ok(());
            }
            self.count_on(wanted, TELLING)?;
        }
    }
}
