//! Pass map of one eye: which grid points pass and which of them were measured, as rows of bits.

use crate::labels::EyeLabels;
use nightbench_core::results::Point;
use serde::{Deserialize, Serialize};

/// Fewest points a pass region needs to be called an eye; smaller ones are islands.
pub(crate) const LEAST_EYE_POINTS: usize = 4;

/// Pass and measured flags of every point of a grid, row by row (a row is one Vref step, bit = tap).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PassMap {
    taps: u16,
    vref_steps: u16,
    words: usize,
    pass: Vec<u64>,
    measured: Vec<u64>,
}

/// Passing taps `first..=last` of one row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Run {
    /// First passing tap or Vref step.
    pub first: u16,
    /// Last passing tap or Vref step.
    pub last: u16,
}

impl Run {
    /// Number of points.
    pub fn points(self) -> usize {
        usize::from(self.last - self.first) + 1
    }
    /// Distance between the outermost points, in grid steps.
    pub fn span(self) -> u16 {
        self.last - self.first
    }
}

impl PassMap {
    /// A map of `taps` x `vref_steps` points, all failing and not measured.
    pub fn new(taps: u16, vref_steps: u16) -> PassMap {
        let words = usize::from(taps).div_ceil(64);
        let size = words * usize::from(vref_steps);
        PassMap { taps, vref_steps, words, pass: vec![0; size], measured: vec![0; size] }
    }

    /// One map a lane from the labels of a capture, in its lane order.
    pub fn of_lanes(labels: &EyeLabels) -> Vec<PassMap> {
        let grid = labels.grid();
        let lanes = usize::from(labels.lanes());
        let mut maps = vec![PassMap::new(grid.taps, grid.vref_steps); lanes];
        let taps = usize::from(grid.taps);
        for vref in 0..usize::from(grid.vref_steps) {
            for word in 0..taps.div_ceil(64) {
                let count = (taps - word * 64).min(64);
                let first = vref * taps + word * 64;
                for half in 0..lanes.div_ceil(64) {
                    // 64 points of 64 lanes at once: rows of lane bits become rows of point bits.
                    let (mut pass, mut measured) = ([0u64; 64], [0u64; 64]);
                    for at in 0..count {
                        pass[at] = (labels.passing(first + at).0 >> (64 * half)) as u64;
                        measured[at] = (labels.measured(first + at).0 >> (64 * half)) as u64;
                    }
                    transpose(&mut pass);
                    transpose(&mut measured);
                    for (lane, map) in maps.iter_mut().skip(64 * half).take(64).enumerate() {
                        let place = vref * map.words + word;
                        map.pass[place] = pass[lane];
                        map.measured[place] = measured[lane];
                    }
                }
            }
        }
        maps
    }

    /// A fully measured map from a rule on points.
    pub fn from_fn(taps: u16, vref_steps: u16, passes: impl Fn(Point) -> bool) -> PassMap {
        let mut map = PassMap::new(taps, vref_steps);
        for vref in 0..vref_steps {
            for tap in 0..taps {
                let point = Point { tap, vref };
                map.set(point, passes(point), true);
            }
        }
        map
    }

    /// Number of delay taps.
    pub fn taps(&self) -> u16 {
        self.taps
    }
    /// Number of Vref steps.
    pub fn vref_steps(&self) -> u16 {
        self.vref_steps
    }

    fn place(&self, point: Point) -> Option<(usize, u64)> {
        (point.tap < self.taps && point.vref < self.vref_steps).then(|| {
            (usize::from(point.vref) * self.words + usize::from(point.tap) / 64, 1u64 << (point.tap % 64))
        })
    }

    /// Sets a point's label; a point off the grid is ignored.
    pub fn set(&mut self, point: Point, pass: bool, measured: bool) {
        if let Some((word, bit)) = self.place(point) {
            if pass {
                self.pass[word] |= bit;
            } else {
                self.pass[word] &= !bit;
            }
            if measured {
                self.measured[word] |= bit;
            } else {
                self.measured[word] &= !bit;
            }
        }
    }

    /// Does the point pass? A point off the grid does not.
    pub fn passes(&self, point: Point) -> bool {
        self.place(point).is_some_and(|(word, bit)| self.pass[word] & bit != 0)
    }

    /// Was the point measured (not inferred)? A point off the grid was not.
    pub fn measured(&self, point: Point) -> bool {
        self.place(point).is_some_and(|(word, bit)| self.measured[word] & bit != 0)
    }

    /// Number of passing points.
    pub fn pass_points(&self) -> usize {
        self.pass.iter().map(|word| word.count_ones() as usize).sum()
    }

    /// The words of a row's pass flags.
    fn row(&self, vref: u16) -> &[u64] {
        let start = usize::from(vref) * self.words;
        self.pass.get(start..start + self.words).unwrap_or(&[])
    }

    /// The pass run of a row that contains `point`; `None` when the point fails or is off the grid.
    pub fn run_in_row(&self, point: Point) -> Option<Run> {
        if !self.passes(point) {
            return None;
        }
        let row = self.row(point.vref);
        Some(Run {
            first: previous_clear(row, point.tap).map_or(0, |tap| tap + 1),
            last: next_clear(row, point.tap).min(self.taps) - 1,
        })
    }

    /// The pass run of a column that contains `point`; `None` when the point fails or is off the grid.
    pub fn run_in_column(&self, point: Point) -> Option<Run> {
        if !self.passes(point) {
            return None;
        }
        let mut first = point.vref;
        while first > 0 && self.passes(Point { tap: point.tap, vref: first - 1 }) {
            first -= 1;
        }
        let mut last = point.vref;
        while last + 1 < self.vref_steps && self.passes(Point { tap: point.tap, vref: last + 1 }) {
            last += 1;
        }
        Some(Run { first, last })
    }

    /// Calls `each` with every pass run of a row, left to right.
    pub(crate) fn runs_of_row(&self, vref: u16, mut each: impl FnMut(Run)) {
        let row = self.row(vref);
        let mut tap = 0;
        while let Some(first) = next_set(row, tap) {
            let end = next_clear(row, first).min(self.taps);
            each(Run { first, last: end - 1 });
            tap = end;
        }
    }

    /// The 4-connected pass region that contains `point`, with the measured flags kept; `None` when it fails.
    pub fn region(&self, point: Point) -> Option<PassMap> {
        if !self.passes(point) {
            return None;
        }
        let mut region = PassMap {
            taps: self.taps,
            vref_steps: self.vref_steps,
            words: self.words,
            pass: vec![0; self.pass.len()],
            measured: self.measured.clone(),
        };
        let mut open = vec![point];
        while let Some(point) = open.pop() {
            if region.passes(point) {
                continue;
            }
            let Some(run) = self.run_in_row(point) else { continue };
            region.fill(point.vref, run);
            for vref in [point.vref.checked_sub(1), point.vref.checked_add(1)].into_iter().flatten() {
                if vref >= self.vref_steps {
                    continue;
                }
                // Every run of the neighbouring row that meets this run is entered at its first common tap.
                let mut tap = run.first;
                while let Some(first) = next_set(self.row(vref), tap).filter(|first| *first <= run.last) {
                    let entry = Point { tap: first, vref };
                    if !region.passes(entry) {
                        open.push(entry);
                    }
                    tap = next_clear(self.row(vref), first);
                }
            }
        }
        Some(region)
    }

    fn fill(&mut self, vref: u16, run: Run) {
        let start = usize::from(vref) * self.words;
        for word in usize::from(run.first) / 64..=usize::from(run.last) / 64 {
            let base = word * 64;
            let low = usize::from(run.first).saturating_sub(base);
            let high = (usize::from(run.last) - base).min(63);
            self.pass[start + word] |= (u64::MAX >> (63 - high)) & (u64::MAX << low);
        }
    }

    /// Is there a pass region of at least [`LEAST_EYE_POINTS`] points outside `eye` (or anywhere, without one)?
    pub(crate) fn eye_elsewhere(&self, eye: Option<&PassMap>) -> bool {
        let mut rest = self.clone();
        if let Some(eye) = eye.filter(|eye| eye.pass.len() == rest.pass.len()) {
            rest.pass.iter_mut().zip(&eye.pass).for_each(|(word, taken)| *word &= !taken);
        }
        while let Some(start) = rest.any_pass() {
            let Some(region) = rest.region(start) else { break };
            if region.pass_points() >= LEAST_EYE_POINTS {
                return true;
            }
            rest.pass.iter_mut().zip(&region.pass).for_each(|(word, taken)| *word &= !taken);
        }
        false
    }

    fn any_pass(&self) -> Option<Point> {
        (0..self.vref_steps).find_map(|vref| next_set(self.row(vref), 0).map(|tap| Point { tap, vref }))
    }

    /// Keeps only what passes here and in `other`; measured where both were. Maps of other axes are refused
    /// with `false` and change nothing.
    pub fn intersect(&mut self, other: &PassMap) -> bool {
        if self.taps != other.taps || self.vref_steps != other.vref_steps {
            return false;
        }
        // A failing point is measured as soon as one of the two measured a fail there.
        for (index, (pass, theirs)) in self.pass.iter_mut().zip(&other.pass).enumerate() {
            let (mine, other_measured) = (self.measured[index], other.measured[index]);
            let measured_fail = (mine & !*pass) | (other_measured & !theirs);
            *pass &= theirs;
            self.measured[index] = (mine & other_measured) | measured_fail;
        }
        true
    }

    /// The part of the map of `taps` x `vref_steps` points whose first point is `from`; parts off the grid fail.
    pub fn cut(&self, from: Point, taps: u16, vref_steps: u16) -> PassMap {
        let mut part = PassMap::new(taps, vref_steps);
        for vref in 0..vref_steps {
            let Some(source) = from.vref.checked_add(vref).filter(|row| *row < self.vref_steps) else {
                continue;
            };
            let start = usize::from(vref) * part.words;
            let row = usize::from(source) * self.words;
            for word in 0..part.words {
                part.pass[start + word] = shifted(&self.pass[row..row + self.words], from.tap, word);
                part.measured[start + word] = shifted(&self.measured[row..row + self.words], from.tap, word);
            }
            if let Some(last) = part.words.checked_sub(1).filter(|_| !taps.is_multiple_of(64)) {
                let keep = u64::MAX >> (64 - taps % 64);
                part.pass[start + last] &= keep;
                part.measured[start + last] &= keep;
            }
        }
        part
    }

    /// Passing points with a failing 4-neighbour or on the border of the grid, row by row.
    pub fn contour(&self) -> Vec<ContourPoint> {
        let mut points = Vec::new();
        let empty = vec![0u64; self.words];
        for vref in 0..self.vref_steps {
            let row = self.row(vref);
            let below = if vref > 0 { self.row(vref - 1) } else { &empty };
            let above = if vref + 1 < self.vref_steps { self.row(vref + 1) } else { &empty };
            for word in 0..self.words {
                let pass = row[word];
                if pass == 0 {
                    continue;
                }
                let carry_in = if word > 0 { row[word - 1] >> 63 } else { 0 };
                let carry_out = row.get(word + 1).map_or(0, |next| next << 63);
                let left = (pass << 1) | carry_in;
                let right = (pass >> 1) | carry_out;
                let mut ring = pass & !(left & right & below[word] & above[word]);
                while ring != 0 {
                    let tap = (word * 64) as u16 + ring.trailing_zeros() as u16;
                    ring &= ring - 1;
                    points.push(self.contour_point(Point { tap, vref }));
                }
            }
        }
        points
    }

    fn contour_point(&self, point: Point) -> ContourPoint {
        let border = point.tap == 0
            || point.vref == 0
            || point.tap + 1 == self.taps
            || point.vref + 1 == self.vref_steps;
        let mut measured = self.measured(point);
        for (tap, vref) in [(-1, 0), (1, 0), (0, -1), (0, 1)] {
            let neighbour = point
                .tap
                .checked_add_signed(tap)
                .zip(point.vref.checked_add_signed(vref))
                .map(|(tap, vref)| Point { tap, vref })
                .filter(|near| near.tap < self.taps && near.vref < self.vref_steps);
            if let Some(near) = neighbour
                && !self.passes(near)
            {
                measured &= self.measured(near);
            }
        }
        ContourPoint { point, border, inferred: !measured }
    }
}

/// One passing point at the rim of a pass region.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ContourPoint {
    /// Where.
    pub point: Point,
    /// Lies on the border of the grid: the eye may go on beyond it.
    pub border: bool,
    /// The point or one of its failing neighbours was inferred, not measured.
    pub inferred: bool,
}

/// Transposes a 64 x 64 bit matrix: bit c of word r becomes bit r of word c.
///
/// Source: recursive block swap (Warren, Hacker's Delight, 7-3).
fn transpose(rows: &mut [u64; 64]) {
    let mut width = 32;
    let mut mask = u64::MAX >> 32;
    while width > 0 {
        let mut row = 0;
        while row < 64 {
            let swap = ((rows[row] >> width) ^ rows[row + width]) & mask;
            rows[row] ^= swap << width;
            rows[row + width] ^= swap;
            row = (row + width + 1) & !width;
        }
        width /= 2;
        mask ^= mask << width;
    }
}

/// First set bit at or after `from`.
fn next_set(row: &[u64], from: u16) -> Option<u16> {
    let mut word = usize::from(from) / 64;
    let mut bits = row.get(word)? & (u64::MAX << (from % 64));
    loop {
        if bits != 0 {
            return Some((word * 64) as u16 + bits.trailing_zeros() as u16);
        }
        word += 1;
        bits = *row.get(word)?;
    }
}

/// First clear bit at or after `from`; the row's bit length when there is none.
fn next_clear(row: &[u64], from: u16) -> u16 {
    let mut word = usize::from(from) / 64;
    let mut keep = u64::MAX << (from % 64);
    while let Some(bits) = row.get(word) {
        let clear = !bits & keep;
        if clear != 0 {
            return (word * 64) as u16 + clear.trailing_zeros() as u16;
        }
        keep = u64::MAX;
        word += 1;
    }
    u16::try_from(row.len() * 64).unwrap_or(u16::MAX)
}

/// Last clear bit before `from`.
fn previous_clear(row: &[u64], from: u16) -> Option<u16> {
    let mut word = usize::from(from) / 64;
    let mut keep = (1u64 << (from % 64)) - 1;
    loop {
        let clear = !row.get(word)? & keep;
        if clear != 0 {
            return Some((word * 64) as u16 + (63 - clear.leading_zeros() as u16));
        }
        keep = u64::MAX;
        word = word.checked_sub(1)?;
    }
}

/// Word `word` of a row of bits moved down by `by` bits.
fn shifted(row: &[u64], by: u16, word: usize) -> u64 {
    let at = word + usize::from(by) / 64;
    let low = row.get(at).copied().unwrap_or(0);
    match by % 64 {
        0 => low,
        rest => (low >> rest) | (row.get(at + 1).copied().unwrap_or(0) << (64 - rest)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(tap: u16, vref: u16) -> Point {
        Point { tap, vref }
    }

    #[test]
    fn runs_cross_word_boundaries() {
        let map = PassMap::from_fn(130, 3, |p| p.vref == 1 && (60..=128).contains(&p.tap));
        assert_eq!(map.run_in_row(at(100, 1)), Some(Run { first: 60, last: 128 }));
        assert_eq!(map.run_in_row(at(59, 1)), None);
        assert_eq!(map.run_in_row(at(500, 1)), None);
        let full = PassMap::from_fn(128, 2, |_| true);
        assert_eq!(full.run_in_row(at(5, 1)), Some(Run { first: 0, last: 127 }));
        assert_eq!(full.run_in_column(at(5, 1)), Some(Run { first: 0, last: 1 }));
        assert_eq!(full.contour().iter().filter(|c| c.border).count(), 256);
    }

    #[test]
    fn a_region_is_four_connected() {
        // Two squares that meet at a corner only, and a U whose arms join below.
        let map = PassMap::from_fn(70, 20, |p| {
            (p.tap < 5 && p.vref < 5)
                || ((5..9).contains(&p.tap) && (5..9).contains(&p.vref))
                || (p.tap >= 60 && (p.vref == 10 || p.tap == 60 || p.tap == 69) && p.vref >= 10)
        });
        assert_eq!(map.region(at(0, 0)).map(|r| r.pass_points()), Some(25));
        assert_eq!(map.region(at(69, 19)).map(|r| r.pass_points()), Some(10 + 9 + 9));
        let eye = map.region(at(0, 0));
        assert!(map.eye_elsewhere(eye.as_ref()));
        let lone = PassMap::from_fn(9, 9, |p| p == at(3, 3));
        assert!(!lone.eye_elsewhere(None));
    }

    #[test]
    fn a_transpose_swaps_rows_and_columns() {
        let mut rows = [0u64; 64];
        for (r, row) in rows.iter_mut().enumerate() {
            *row = (r as u64 + 3).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        }
        let before = rows;
        transpose(&mut rows);
        for (r, row) in before.iter().enumerate() {
            for (c, column) in rows.iter().enumerate() {
                assert_eq!(row >> c & 1, column >> r & 1);
            }
        }
    }

    #[test]
    fn a_cut_moves_the_bits() {
        let map = PassMap::from_fn(150, 10, |p| (p.tap * 7 + p.vref * 3) % 5 < 2);
        let part = map.cut(at(37, 2), 90, 12);
        for vref in 0..12 {
            for tap in 0..90 {
                assert_eq!(part.passes(at(tap, vref)), map.passes(at(tap + 37, vref + 2)), "{tap} {vref}");
                assert_eq!(part.measured(at(tap, vref)), map.measured(at(tap + 37, vref + 2)));
            }
        }
    }

    #[test]
    fn an_intersection_keeps_measured_fails() {
        let mut a = PassMap::new(3, 1);
        let mut b = PassMap::new(3, 1);
        a.set(at(0, 0), true, true);
        b.set(at(0, 0), false, true);
        a.set(at(1, 0), true, false);
        b.set(at(1, 0), true, true);
        assert!(a.intersect(&b));
        assert!(!a.passes(at(0, 0)) && a.measured(at(0, 0)));
        assert!(a.passes(at(1, 0)) && !a.measured(at(1, 0)));
        assert!(!a.intersect(&PassMap::new(4, 1)));
    }
}
