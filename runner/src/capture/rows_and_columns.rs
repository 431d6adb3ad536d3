//! Rows and columns: a short look along every lane's operating row and column says about where the rims lie; they are then
//! bracketed and counted at as in a full eye, and nothing else is measured. Lanes share their visits.
//!
//! Where a rim lies close to the operating point, the line across it is walked place by place. For a few lanes the row and the column beside are bracketed as well: they show what the scatter of training does to
//! width and height.
//!
//! Not seen: a hole or a notch on the row between two places of the look, and whatever lies off row and column.

use super::engine::{Engine, Wanted};
use super::rims::Rim;
use contract::DriverError;
use nightbench_core::results::{LaneSet, Point};

/// Spacing of the look along a row or column.
const STRIDE: u16 = 4;
/// Passing places from the operating point to a rim up to which the eye may have a waist there (eyes of 40 lanes behind risers: rows were shut one
/// place beside operating points that pass by 0.8 and 1.4 Vref steps).
const CLOSE: u16 = 3;
/// Lanes whose row and column beside are bracketed, too.
const WITH_NEIGHBOURS: usize = 4;

impl Engine<'_> {
    /// The whole of it.
    pub(super) fn rows_and_columns(&mut self) -> Result<(), DriverError> {
        let upto = self.survey_bits();
        let mut look = Vec::new();
        for lane in LaneSet(self.all).iter() {
            let centre = self.operating(usize::from(lane));
            let mut add = |point: Point| {
                look.push(Wanted { index: self.grid.index(point), lanes: 1 << lane });
            };
            places(self.grid.taps).for_each(|tap| add(Point { tap, ..centre }));
            places(self.grid.vref_steps).for_each(|vref| add(Point { vref, ..centre }));
            add(centre);
        }
        self.measure(look, Some(upto))?;
        // Where a lane sees errors at its operating point, that decides first.
        let centres: Vec<(u16, usize)> = LaneSet(self.all)
            .iter()
            .map(|lane| (lane, self.grid.index(self.operating(usize::from(lane)))))
            .collect();
        loop {
            let doubtful = centres.iter().filter(|(lane, index)| self.hint(*index) & 1 << lane == 0);
            let wanted: Vec<Wanted> = doubtful
                .map(|&(lane, index)| Wanted { index, lanes: 1 << lane })
                .filter(|want| self.open(*want) != 0)
                .collect();
            if wanted.is_empty() {
                break;
            }
            self.measure(wanted, None)?;
        }
        self.tell_operating()?;
        let open: LaneSet = centres
            .iter()
            .filter(|(lane, index)| self.hint(*index) & 1 << lane != 0)
            .map(|(lane, _)| *lane)
            .collect();
        let mut rims = self.own_rims(open.0);
        self.tell(&mut rims)?;
        // Looks that saw no error at an operating point may have opened it too early.
        let opened = self.tell_operating()?;
        let mut again = self.own_rims(opened);
        self.tell(&mut again)?;
        rims.retain(|rim| opened & 1 << rim.lane() == 0);
        rims.extend(again);
        let open: Vec<u16> = open.iter().collect();
        let mut through_waists = self.through_waists(&rims);
        self.tell(&mut through_waists)?;
        let mut beside = self.rims_beside(&rims, &open);
        self.tell(&mut beside)
    }

    /// Brackets rims and counts at them. A fail between two passes is tested again, and what follows from it is measured.
    fn tell(&mut self, rims: &mut [Rim]) -> Result<(), DriverError> {
        loop {
            self.bracket(rims)?;
            self.count_at(rims)?;
            let before = self.tally.retested().len();
            self.retest()?;
            if self.tally.retested().len() == before {
                return Ok(());
            }
        }
    }

    /// Rims to be walked place by place from the operating point: those across a line that ends close to it. There the eye has a waist, and
    /// the line beside may be shut: a place that the short look passed and the limit does not.
    fn through_waists(&self, rims: &[Rim]) -> Vec<Rim> {
        let short = |rim: &&Rim| rim.reach() <= CLOSE;
        let crossed = |rim: &&Rim| {
            rims.iter().filter(short).any(|one| one.lane() == rim.lane() && one.is_row() != rim.is_row())
        };
        rims.iter().filter(crossed).map(Rim::restarted).collect()
    }

    /// The rims of the row and the column beside, of a few lanes spread over all of them; the first failing places are
    /// about those of the lane's own.
    fn rims_beside(&self, rims: &[Rim], open: &[u16]) -> Vec<Rim> {
        let every = open.len().div_ceil(WITH_NEIGHBOURS).max(1);
        let mut beside = Vec::new();
        for (number, lane) in open.iter().step_by(every).enumerate() {
            let by = if number % 2 == 0 { 1 } else { -1 };
            beside.extend(
                rims.iter().filter(|rim| rim.lane() == *lane).filter_map(|rim| rim.beside(by, &self.grid)),
            );
        }
        beside
    }
}

/// Every fourth place of an axis, and its last.
fn places(length: u16) -> impl Iterator<Item = u16> {
    let last = length.saturating_sub(1);
    (0..length).step_by(usize::from(STRIDE)).chain((!last.is_multiple_of(STRIDE)).then_some(last))
}

#[cfg(test)]
mod tests {
    use crate::capture::simulated_eyes::{Eyes, LaneEye, Patch};
    use crate::capture::{CaptureOptions, capture};
    use eye::counts::CaptureView;
    use eye::metrics::{Wanted, lane_metrics};
    use eye::value::EyeState;
    use nightbench_core::point_rule::PointRule;
    use nightbench_core::results::CaptureMode;

    /// A third of the limit fails a point as often as it passes it; three times the limit never passes one.
    #[test]
    fn an_operating_point_in_doubt_is_counted_on_until_its_ratio_is_told() {
        const LIMIT: f64 = 1e-9;
        for mode in [CaptureMode::RowAndColumn, CaptureMode::Exact, CaptureMode::Raster] {
            let open = |ber: f64, seed: u64| {
                let mut lane = LaneEye::new(30.0, 32.0, 2.4, 2.4);
                lane.patches.push(Patch { taps: (29, 31), steps: (31, 33), ber });
                let mut eyes = Eyes::new(64, 64, vec![lane], seed);
                eyes.reset();
                let (device, lanes) = (eyes.capabilities.clone(), eyes.lane_numbers());
                let operating = eyes.operating.clone();
                let options = CaptureOptions::new(mode, PointRule::sequential(LIMIT, 0.95));
                let found = capture(&mut eyes, &device, &lanes, &operating, &options).unwrap();
                let view = CaptureView::new(&found).unwrap();
                lane_metrics(&view, &Wanted::margins())[0].state == EyeState::Open
            };
            let seeds = if mode == CaptureMode::RowAndColumn { 24 } else { 6 };
            for seed in 0..seeds {
                assert!(open(0.3 * LIMIT, seed) && !open(3.0 * LIMIT, seed), "{mode:?} {seed}");
            }
        }
    }
}
