//! What is predicted in the end, and how far it can be believed.

use super::calibration::{Calibration, FALSE_PASS};
use super::field::{Field, Point, Quantity};
use super::measured::Measured;
use super::model::Model;
use super::visits::{Block, Mandatory, blocks};
use statistics::proportion::exact_interval;

/// The word of a predicted condition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum PredictedVerdict {
    /// A measurement would find every quantity at or above its limit.
    Pass,
    /// It would find one below.
    Fail,
}

/// A predicted margin, ps or mV. All of it speaks of what a measurement would read, its own scatter included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PredictedMargin {
    pub quantity: Quantity,
    pub limit: f64,
    /// Middle of the prediction.
    pub margin: f64,
    /// 95 % prediction interval. From below a closed eye is its end (margin = - limit); `None` above where the eye is taller than
    /// is modelled.
    pub low: f64,
    pub high: Option<f64>,
    /// Probability that it would be read below its limit.
    pub p_fail: f64,
}

/// A predicted condition.
#[derive(Debug, Clone, PartialEq)]
pub struct Predicted {
    pub condition: u32,
    pub verdict: PredictedVerdict,
    /// Probability that a measurement would fail.
    pub p_fail: f64,
    /// Probability that the word is wrong.
    pub p_wrong: f64,
    /// Probability that two measurements of it would contradict each other.
    pub p_contradicted: f64,
    /// Every quantity that is judged, in order.
    pub margins: Vec<PredictedMargin>,
    /// A pass whose every interval lies beyond the guard band that measured margins have: a measurement would give no conditional pass.
    pub beyond_guard: bool,
}

impl Predicted {
    /// What leaving it as it is costs, in prices of a wrong verdict, which are those of a wrong pass: less what a measurement would leave,
    /// since near a limit one contradicts the other, as often to one side as to the other. But for a tenth: it is evidence all the same.
    pub fn loss(&self) -> f64 {
        let left = match self.verdict {
            PredictedVerdict::Pass => self.p_wrong,
            PredictedVerdict::Fail => self.p_wrong / FALSE_PASS,
        };
        let measured = 0.5 * (1.0 + 1.0 / FALSE_PASS) * self.p_contradicted;
        (left - measured).max(0.1 * left)
    }

    /// The margin that decides: most likely to fail, then the least as a share of its limit. As of measured margins, what is beyond doubt
    /// (more than 99.9 %) is told apart by its share alone: of two sure passes the probabilities, one in millions each, say nothing.
    pub fn worst(&self) -> Option<&PredictedMargin> {
        const SURE: f64 = 0.001;
        let doubt = |one: &PredictedMargin| match one.p_fail {
            p if p < SURE => 0.0,
            p if p > 1.0 - SURE => 1.0,
            p => p,
        };
        let share = |one: &PredictedMargin| one.margin / one.limit;
        self.margins.iter().min_by(|a, b| doubt(b).total_cmp(&doubt(a)).then(share(a).total_cmp(&share(b))))
    }
}

/// What a conspicuous residual has in common with others.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shared {
    /// [`super::Point::module`].
    Module(u32),
    /// [`super::Point::channel`].
    Channel(u32),
    /// [`super::Point::setup`].
    Setup(u32),
}

/// Which temperatures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// Below the temperature at which its setup is measured first.
    Cold,
    /// Above.
    Hot,
}

/// Why a part of the matrix is not predicted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Doubt {
    /// A measured block lay far beyond what the others predict of it.
    Far,
    /// A block of the cover could not be measured, and no other as far from room temperature was.
    NotCovered,
}

/// What is not predicted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Quarantine {
    pub shared: Shared,
    /// `None`: all of them.
    pub side: Option<Side>,
    /// The block that gave rise to it.
    pub because: Block,
    pub doubt: Doubt,
}

/// What mandatory blocks said of the predictions that the rest of the run would have made of them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Audits {
    pub blocks: usize,
    pub conditions: usize,
    /// Conditions whose word was wrong, and the sum of their p_wrong.
    pub wrong: usize,
    pub expected_wrong: f64,
    /// Of these, predicted pass and read below a limit.
    pub false_passes: usize,
    /// Blocks with a wrong word.
    pub blocks_wrong: usize,
    /// Margins, and how many of them lay within their 95 % interval.
    pub margins: usize,
    pub held: usize,
    /// Of these, margins that were predicted near the limit (`NEAR_LIMIT`).
    pub near_margins: usize,
    pub near_held: usize,
}

impl Audits {
    /// Largest share of conditions of blocks like these whose word is wrong, and the largest share of blocks with one; each with
    /// 95 % confidence. Conditions of one block go together: only blocks were drawn independently.
    pub fn bounds(&self) -> Option<(f64, f64)> {
        Some((
            share_bound(self.wrong as u64, self.conditions as u64)?,
            share_bound(self.blocks_wrong as u64, self.blocks as u64)?,
        ))
    }
}

/// Largest share that `wrong` of `n` independent cases leave possible, with 95 % confidence: 1 - 0.05^(1/n) where none is wrong
/// (Clopper and Pearson, one-sided). `None` without a case.
pub fn share_bound(wrong: u64, n: u64) -> Option<f64> {
    exact_interval(wrong, n, 0.9).ok().map(|interval| interval.upper)
}

/// Everything that a report prints of predictions: a function of field, measurements, mandatory blocks and seed.
#[derive(Debug, Clone, PartialEq)]
pub struct Predictions {
    /// In the order of the expansion. Measured conditions, and those that are not predictable or quarantined, are left out.
    pub predicted: Vec<Predicted>,
    /// By which every prediction's standard deviation was multiplied, by quantity.
    pub factors: Vec<(Quantity, f64)>,
    /// The same near the limit, where it is larger.
    pub factors_near: Vec<(Quantity, f64)>,
    pub sum_p_wrong: f64,
    /// Over the random blocks; and over these and the cover.
    pub drawn: Audits,
    pub mandatory: Audits,
    pub quarantined: Vec<Quarantine>,
}

/// Blocks beside the mandatory ones that calibrate what is printed.
const MOST_BLOCKS: usize = 60;

impl Predictions {
    /// What is predicted of everything that is not among `measured`.
    pub fn of(field: &Field, measured: &Measured, mandatory: &Mandatory, seed: u64) -> Predictions {
        let model = Model::fit(field, measured, seed);
        let mut calibration = Calibration::of(&model, measured, mandatory, MOST_BLOCKS);
        calibration.quarantined.extend(not_covered(field, measured, mandatory));
        let open: Vec<u32> = (0..field.points.len() as u32)
            .filter(|one| !measured.contains_key(one) && field.is_predictable(*one))
            .filter(|one| !calibration.is_quarantined(field, *one))
            .collect();
        let mut predicted = calibration.predict(&model, &open);
        predicted.sort_by_key(|one| one.condition);
        let sum_p_wrong = predicted.iter().map(|one| one.p_wrong).sum();
        let Calibration { factors, near: factors_near, quarantined, drawn, mandatory, .. } = calibration;
        Predictions { predicted, factors, factors_near, sum_p_wrong, drawn, mandatory, quarantined }
    }
}

/// Modules and channels whose cover was not measured: on that side of room temperature, or everywhere, if nothing of them was.
fn not_covered(field: &Field, measured: &Measured, mandatory: &Mandatory) -> Vec<Quarantine> {
    let blocks = blocks(field);
    let mut found = Vec::new();
    for block in &mandatory.cover {
        let point = &field.points[blocks[block][0] as usize];
        let side = field.side(point.condition);
        let mut look = |shared, same: fn(&Point, &Point) -> bool| {
            let all = measured.keys().map(|condition| &field.points[*condition as usize]);
            let mut own = all.filter(|there| same(point, there)).peekable();
            let side = own.peek().and(side);
            let as_far = |there: &Point| match side {
                Some(Side::Cold) => there.temperature_c <= point.temperature_c,
                Some(Side::Hot) => there.temperature_c >= point.temperature_c,
                None => true,
            };
            if !own.any(as_far) {
                found.push(Quarantine { shared, side, because: *block, doubt: Doubt::NotCovered });
            }
        };
        look(Shared::Module(point.module), |a, b| a.module == b.module);
        look(Shared::Channel(point.channel), |a, b| a.channel == b.channel);
    }
    found
}
