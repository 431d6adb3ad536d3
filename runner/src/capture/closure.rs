//! Survey, fill and closure: the strategy of the modes `exact` and `fast`.

use super::Regime;
use super::engine::{Engine, Wanted};
use contract::DriverError;
use eye::labels::{Lattice, bilinear_fill};
use nightbench_core::results::LaneSet;
use std::collections::BTreeMap;

/// Spacing of the survey in taps and Vref steps: a pass region of 4 x 4 points holds a survey point.
const SURVEY_STRIDE: u16 = 4;
/// Half side of the dense box measured round the trained centre of a lane that passes nowhere in the survey.
const BOX_REACH: u16 = 4;

impl Engine<'_> {
    /// The survey, then the closure on the mode's lattice.
    pub(super) fn survey_and_close(&mut self, regime: Regime) -> Result<(), DriverError> {
        let upto = match regime {
            Regime::LongDwell => self.survey_bits(),
            Regime::ShortDwell => self.options.rule.most_bits(),
        };
        self.straddle = regime == Regime::ShortDwell;
        let lattice = self.tally.lattice().clone();
        let survey = Lattice::every(SURVEY_STRIDE, &self.grid);
        let points: Vec<usize> = (0..survey.len()).map(|at| self.grid.index(survey.point(at))).collect();
        let all = self.all;
        self.cheap(points.iter().map(|&index| (index, all)), upto)?;

        let corners = self.corners(&survey, &points);
        let filled = bilinear_fill(&survey, &self.grid, &corners);
        let mut label: Vec<u128> =
            (0..lattice.len()).map(|at| filled[self.grid.index(lattice.point(at))]).collect();
        self.look_closer(&lattice, &mut label, upto)?;
        self.close(&lattice, &mut label)?;
        let mut whole = if lattice.len() == self.grid.len() {
            label.clone()
        } else {
            bilinear_fill(&lattice, &self.grid, &label)
        };
        for (index, label) in whole.iter_mut().enumerate() {
            *label = *label & !self.tally.decided(index).0 | self.tally.passed(index).0;
        }
        self.tell_rims(&whole)?;
        // What was counted for one lane's rim may have decided another lane elsewhere, and an operating point may have opened.
        self.close(&lattice, &mut label)
    }

    /// One batch of cheap looks.
    fn cheap(&mut self, points: impl Iterator<Item = (usize, u128)>, upto: u64) -> Result<(), DriverError> {
        let wanted = points.map(|(index, lanes)| Wanted { index, lanes }).collect();
        self.measure(wanted, Some(upto))
    }

    /// What the counts so far suggest at a grid index: decided lanes as decided, others pass when error free.
    pub(super) fn hint(&self, index: usize) -> u128 {
        if self.tally.bits(index) == 0 {
            return 0;
        }
        let clean = self.tally.errors(index).iter().enumerate().filter(|&(_, &errors)| errors == 0);
        let clean: LaneSet = clean.map(|(lane, _)| lane as u16).collect();
        let decided = self.tally.decided(index).0;
        self.tally.passed(index).0 | clean.0 & !decided
    }

    /// Survey labels. A single fail between passes stays a measured fail but is not spread by the fill: the
    /// closure then measures just its neighbours, and a fail that stays alone is tested again.
    fn corners(&self, survey: &Lattice, points: &[usize]) -> Vec<u128> {
        let hints: Vec<u128> = points.iter().map(|&index| self.hint(index)).collect();
        (0..survey.len())
            .map(|at| {
                let mut around = survey.neighbours(at).map(|next| hints[next]).peekable();
                let enclosed = if around.peek().is_some() { around.fold(self.all, |a, b| a & b) } else { 0 };
                hints[at] | enclosed
            })
            .collect()
    }

    /// Lanes whose trained centre the survey did not open: first the centre (and a dense box round it for lanes
    /// without any pass), then the row and the column through every centre that passes after all.
    fn look_closer(&mut self, lattice: &Lattice, label: &mut [u128], upto: u64) -> Result<(), DriverError> {
        let open = label.iter().fold(0, |any, &mask| any | mask);
        let mut boxes: Vec<(usize, u128)> = Vec::new();
        let lanes: Vec<(u128, usize)> = LaneSet(self.all)
            .iter()
            .map(|lane| (1u128 << lane, lattice.nearest(self.operating(usize::from(lane)))))
            .filter(|&(lane, centre)| label[centre] & lane == 0)
            .collect();
        let columns = lattice.taps().len();
        for &(lane, centre) in &lanes {
            boxes.push((centre, lane));
            if open & lane == 0 {
                let (column, row) = (centre % columns, centre / columns);
                let near = |places: &[u16], at: usize| -> Vec<usize> {
                    let close = |&slot: &usize| places[slot].abs_diff(places[at]) <= BOX_REACH;
                    (0..places.len()).filter(close).collect()
                };
                for y in near(lattice.steps(), row) {
                    boxes.extend(near(lattice.taps(), column).into_iter().map(|x| (y * columns + x, lane)));
                }
            }
        }
        self.look(lattice, label, &boxes, upto)?;
        let mut crosses: Vec<(usize, u128)> = Vec::new();
        for &(lane, centre) in &lanes {
            let near = boxes.iter().filter(|&&(at, l)| l == lane && label[at] & lane != 0).map(|&(at, _)| at);
            let distance = |at: usize| {
                (at % columns).abs_diff(centre % columns) + (at / columns).abs_diff(centre / columns)
            };
            if let Some(at) = near.min_by_key(|&at| distance(at)) {
                let (column, row) = (at % columns, at / columns);
                crosses.extend((0..columns).map(|x| (row * columns + x, lane)));
                crosses.extend((0..lattice.steps().len()).map(|y| (y * columns + column, lane)));
            }
        }
        self.look(lattice, label, &crosses, upto)
    }

    /// One batch of cheap looks at lattice places, each for its lanes, taken over into the labels.
    fn look(
        &mut self,
        lattice: &Lattice,
        label: &mut [u128],
        places: &[(usize, u128)],
        upto: u64,
    ) -> Result<(), DriverError> {
        let grid = self.grid;
        let index = |at: usize| grid.index(lattice.point(at));
        self.cheap(places.iter().map(|&(at, lanes)| (index(at), lanes)), upto)?;
        for &(at, lanes) in places {
            label[at] = label[at] & !lanes | self.hint(index(at)) & lanes;
        }
        Ok(())
    }

    /// Walks onto the contour from outside until every pass/fail pair of lattice neighbours is measured on both
    /// sides. One batch a round holds, lane by lane,
    /// - undecided fail labels beside a pass label: fails are cheap, so the walk inwards spends full dwell on
    ///   the contour only;
    /// - undecided pass labels beside a *measured* fail: such a point is a contour point or a cheap fail;
    /// - undecided pass labels on the border of the grid, at survey places: no neighbour certifies them.
    fn close(&mut self, lattice: &Lattice, label: &mut [u128]) -> Result<(), DriverError> {
        let places: Vec<usize> = (0..lattice.len()).map(|at| self.grid.index(lattice.point(at))).collect();
        let guarded: Vec<bool> = (0..lattice.len())
            .map(|at| {
                let point = lattice.point(at);
                lattice.on_border(at)
                    && (point.tap.is_multiple_of(SURVEY_STRIDE) || point.tap + 1 == self.grid.taps)
                    && (point.vref.is_multiple_of(SURVEY_STRIDE) || point.vref + 1 == self.grid.vref_steps)
            })
            .collect();
        let mut failed: Vec<u128> = vec![0; lattice.len()];
        let mut probes = Probes::default();
        loop {
            for (at, &index) in places.iter().enumerate() {
                let (decided, passed) = (self.tally.decided(index).0, self.tally.passed(index).0);
                label[at] = label[at] & !decided | passed;
                failed[at] = decided & !passed;
            }
            let centre = |lane: u16| lattice.nearest(self.operating(usize::from(lane)));
            let extra = probes.next(lattice, label, &failed, |at| self.tally.passed(places[at]).0, centre);
            let mut wanted: Vec<Wanted> =
                extra.into_iter().map(|(at, lanes)| Wanted { index: places[at], lanes }).collect();
            for (at, &index) in places.iter().enumerate() {
                let undecided = self.all & !self.tally.decided(index).0;
                if undecided == 0 {
                    continue;
                }
                let (mut pass_beside, mut fail_beside) = (0, if guarded[at] { self.all } else { 0 });
                for next in lattice.neighbours(at) {
                    pass_beside |= label[next];
                    fail_beside |= failed[next];
                }
                let lanes = undecided & (!label[at] & pass_beside | label[at] & fail_beside);
                if lanes != 0 {
                    wanted.push(Wanted { index, lanes });
                }
            }
            if wanted.is_empty() {
                return Ok(());
            }
            self.measure(wanted, None)?;
        }
    }
}

/// Rounds a lane may walk inwards without a single pass before its middle is looked at.
const PATIENCE: u32 = 2;

/// Short cuts for lanes that are open to the survey but closed at the limit (a floor of rare errors): walking
/// inwards layer by layer would take as many batches as the survey's eye has layers.
#[derive(Default)]
struct Probes {
    rounds: u32,
    /// Lanes whose deepest point was asked for, and where.
    deepest: BTreeMap<u16, usize>,
    /// Lanes whose survey places were asked for.
    spread: u128,
    /// Those of them that had enough survey places to be taken for closed when all fail.
    surveyed: u128,
}

/// Survey places inside a lane's open region that must fail at the limit before the lane is taken for closed; a smaller
/// region is walked through.
const ENOUGH_SURVEYED: usize = 8;

impl Probes {
    /// Places to add to this round: the deepest pass label of every lane that has walked without a pass; once that
    /// failed, all its pass labels at survey places and its trained centre.
    fn next(
        &mut self,
        lattice: &Lattice,
        label: &mut [u128],
        failed: &[u128],
        passed: impl Fn(usize) -> u128,
        centre: impl Fn(u16) -> usize,
    ) -> Vec<(usize, u128)> {
        self.rounds += 1;
        if self.rounds <= PATIENCE {
            return Vec::new();
        }
        let (mut open, mut certified) = (0, 0);
        for (at, &mask) in label.iter().enumerate() {
            open |= mask;
            certified |= passed(at);
        }
        let hopeful =
            (0..lattice.len()).filter(|&at| on_survey(lattice, at)).fold(0, |any, at| any | label[at]);
        // No pass region of 4 x 4 points is left in these: what was not measured of them stays an inferred fail.
        let closed = self.surveyed & !certified & !hopeful;
        label.iter_mut().for_each(|mask| *mask &= !closed);
        let walking = open & !certified & !self.spread;
        let mut places = Vec::new();
        for lane in LaneSet(walking).iter() {
            let bit = 1u128 << lane;
            match self.deepest.get(&lane) {
                None => {
                    if let Some(at) = deepest(lattice, label, bit) {
                        self.deepest.insert(lane, at);
                        places.push((at, bit));
                    }
                }
                Some(&at) if failed[at] & bit != 0 => {
                    self.spread |= bit;
                    let survey =
                        (0..lattice.len()).filter(|&at| on_survey(lattice, at) && label[at] & bit != 0);
                    let before = places.len();
                    places.extend(survey.map(|at| (at, bit)));
                    self.surveyed |= if places.len() - before >= ENOUGH_SURVEYED { bit } else { 0 };
                    places.push((centre(lane), bit));
                }
                Some(_) => {}
            }
        }
        places
    }
}

fn on_survey(lattice: &Lattice, at: usize) -> bool {
    let point = lattice.point(at);
    point.tap.is_multiple_of(SURVEY_STRIDE) && point.vref.is_multiple_of(SURVEY_STRIDE)
}

/// The pass label of a lane furthest (in steps between neighbours) from a fail label or the border.
fn deepest(lattice: &Lattice, label: &[u128], lane: u128) -> Option<usize> {
    let mut inside: Vec<bool> = label.iter().map(|mask| mask & lane != 0).collect();
    let mut last = inside.iter().position(|&held| held)?;
    loop {
        let next: Vec<bool> = (0..inside.len())
            .map(|at| {
                inside[at] && !lattice.on_border(at) && lattice.neighbours(at).all(|beside| inside[beside])
            })
            .collect();
        let members: Vec<usize> = (0..next.len()).filter(|&at| next[at]).collect();
        match members.get(members.len() / 2) {
            Some(&at) => last = at,
            None => return Some(last),
        }
        inside = next;
    }
}
