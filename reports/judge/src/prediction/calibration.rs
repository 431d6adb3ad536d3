//! How well measured blocks are predicted by the rest of the run, and what that makes of every prediction.
//!
//! Each block is left out whole and predicted from everything else, as blocks that were never visited are. So what is found is a function
//! of what was measured, in whatever order. Blocks go together and were not all drawn at random: what conformal prediction guarantees of
//! independent cases is an estimate here.

use super::field::{Asked, Field, Point, Quantity};
use super::measured::Measured;
use super::model::{CEILING, FLOOR, Guess, Model, seen};
use super::outcome::{Audits, Doubt, Predicted, PredictedMargin, PredictedVerdict, Quarantine, Shared, Side};
use super::visits::{Block, Mandatory, blocks};
use nightbench_core::random::SplitMix64;
use statistics::gaussian_process::conformal_quantile;
use statistics::special::{t_quantile, t_sf};
use std::collections::{BTreeMap, BTreeSet};

/// Coverage of an interval, and the normal's half width for it.
const COVERAGE: f64 = 0.95;
const NORMAL: f64 = 1.959_963_984_540_054;
/// Degrees of freedom of the tails.
const FREEDOM: f64 = 5.0;
/// By how much a false pass weighs more than a false fail in what is worth measuring.
pub(super) const FALSE_PASS: f64 = 3.0;
/// Predicted margins of less than this share of the limit have a factor of their own.
const NEAR: f64 = 0.3;
/// Factor where too little was measured to tell.
const UNTOLD: f64 = 1.5;
/// A residual of so many standard deviations is conspicuous: two of a block, or one of so many more.
const CONSPICUOUS: f64 = 4.5;
const ALONE: f64 = 7.0;

/// One measured margin that the rest of the run was asked for.
struct Residual {
    block: Block,
    condition: u32,
    quantity: Quantity,
    guess: Guess,
    seen: f64,
}

impl Residual {
    /// In standard deviations.
    fn off(&self) -> f64 {
        if self.guess.sd > 0.0 { (self.seen - self.guess.middle) / self.guess.sd } else { 0.0 }
    }
}

/// What measured blocks say of predictions.
#[derive(Debug, Clone)]
pub(super) struct Calibration {
    pub factors: Vec<(Quantity, f64)>,
    /// Near the limit, where residuals may be larger; never below the others.
    pub near: Vec<(Quantity, f64)>,
    /// By how much words were wrong more often than was said.
    pub inflation: f64,
    pub quarantined: Vec<Quarantine>,
    pub drawn: Audits,
    pub mandatory: Audits,
}

impl Calibration {
    /// From every mandatory block that was measured and as many others.
    pub fn of(model: &Model<'_>, measured: &Measured, mandatory: &Mandatory, others: usize) -> Calibration {
        let field = model.field;
        let mut known: Vec<(Block, Vec<u32>)> = Vec::new();
        let mut rest: Vec<(u64, Block, Vec<u32>)> = Vec::new();
        for (block, conditions) in blocks(field) {
            let have: Vec<u32> = conditions.into_iter().filter(|one| measured.contains_key(one)).collect();
            if have.first().is_none_or(|one| field.side(*one).is_none()) {
                continue;
            }
            if mandatory.contains(block) {
                known.push((block, have));
            } else {
                let turn = u64::from(block.setup) << 16 | u64::from(block.temperature);
                rest.push((SplitMix64::new(turn).next_u64(), block, have));
            }
        }
        rest.sort();
        known.extend(rest.into_iter().take(others).map(|(_, block, have)| (block, have)));
        let mut residuals: Vec<Residual> = Vec::new();
        for (block, have) in &known {
            residuals.extend(left_out(model, measured, (*block, have), &|point| point.block() == *block));
        }
        let bad = faulty(model, measured, &known);
        let mut calibration = Calibration {
            factors: factors(field, &residuals, &bad, f64::INFINITY),
            near: factors(field, &residuals, &bad, NEAR),
            inflation: 1.0,
            quarantined: quarantine(field, &bad, &known),
            drawn: Audits::default(),
            mandatory: Audits::default(),
        };
        let sound = |one: &&Residual| !bad.contains(&one.block);
        let all = calibration.audits(field, residuals.iter().filter(sound));
        calibration.inflation = ((all.wrong as f64 + 0.5) / (all.expected_wrong + 0.5)).max(1.0);
        let of = |wanted: &dyn Fn(&Block) -> bool| {
            calibration.audits(field, residuals.iter().filter(|one| wanted(&one.block)))
        };
        let drawn = of(&|block| mandatory.audits.contains(block));
        let mandatory = of(&|block| mandatory.contains(*block));
        Calibration { drawn, mandatory, ..calibration }
    }

    fn factor(&self, guess: &Guess) -> f64 {
        let of = |all: &[(Quantity, f64)]| {
            all.iter().find(|(known, _)| *known == guess.quantity).map_or(UNTOLD, |(_, factor)| *factor)
        };
        let all = of(&self.factors);
        if is_near(guess, NEAR) { all.max(of(&self.near)) } else { all }
    }

    pub fn is_quarantined(&self, field: &Field, condition: u32) -> bool {
        if self.quarantined.is_empty() {
            return false;
        }
        let point = &field.points[condition as usize];
        self.quarantined.iter().any(|one| {
            let shares = match one.shared {
                Shared::Module(module) => point.module == module,
                Shared::Channel(channel) => point.channel == channel,
                Shared::Setup(setup) => point.setup == setup,
            };
            // A fault that shows at one temperature may begin anywhere on that side.
            shares && field.side(condition) == Some(one.side)
        })
    }

    /// Predictions of conditions, by setup.
    pub fn predict(&self, model: &Model<'_>, conditions: &[u32]) -> Vec<Predicted> {
        let mut by_condition: BTreeMap<u32, Vec<Guess>> = BTreeMap::new();
        for guess in model.guesses(conditions, &|_| false) {
            by_condition.entry(guess.condition).or_default().push(guess);
        }
        let predicted = by_condition.into_iter();
        predicted
            .map(|(condition, guesses)| self.word(model.field, condition, &guesses, self.inflation))
            .collect()
    }

    fn word(&self, field: &Field, condition: u32, guesses: &[Guess], inflation: f64) -> Predicted {
        let mut pass = 1.0;
        let mut margins = Vec::with_capacity(guesses.len());
        for guess in guesses {
            let Some(asked) = asked(field, condition, guess.quantity) else { continue };
            let spread = guess.sd * self.factor(guess);
            let p_fail = p_below(guess.middle - 1.0, spread);
            pass *= 1.0 - p_fail;
            let limit = asked.limit * asked.whole;
            let (low, high) = (guess.middle - NORMAL * spread, guess.middle + NORMAL * spread);
            margins.push(PredictedMargin {
                quantity: guess.quantity,
                limit,
                margin: limit * (guess.middle - 1.0),
                low: limit * (if low <= FLOOR { -1.0 } else { low - 1.0 }),
                high: (high < CEILING).then_some(limit * (high - 1.0)),
                p_fail,
            });
        }
        let p_fail = 1.0 - pass;
        let verdict = if p_fail <= pass { PredictedVerdict::Pass } else { PredictedVerdict::Fail };
        let p_wrong = match verdict {
            PredictedVerdict::Pass => p_fail,
            PredictedVerdict::Fail => pass,
        };
        Predicted {
            condition,
            verdict,
            p_fail,
            p_wrong: (inflation * p_wrong).min(p_wrong.max(0.5)),
            margins,
            beyond_guard: false,
        }
    }

    fn audits<'r>(&self, field: &Field, residuals: impl Iterator<Item = &'r Residual>) -> Audits {
        let mut audits = Audits::default();
        let mut by_condition: BTreeMap<u32, (Block, Vec<Guess>, bool)> = BTreeMap::new();
        for one in residuals {
            let half = NORMAL * one.guess.sd * self.factor(&one.guess);
            let (held, near) = ((one.seen - one.guess.middle).abs() <= half, is_near(&one.guess, NEAR));
            audits.margins += 1;
            audits.held += usize::from(held);
            audits.near_margins += usize::from(near);
            audits.near_held += usize::from(near && held);
            let slot = by_condition.entry(one.condition).or_insert((one.block, Vec::new(), false));
            slot.1.push(one.guess);
            slot.2 |= one.seen < 1.0;
        }
        let mut blocks: BTreeMap<Block, bool> = BTreeMap::new();
        for (condition, (block, guesses, fails)) in by_condition {
            let word = self.word(field, condition, &guesses, 1.0);
            let wrong = (word.verdict == PredictedVerdict::Fail) != fails;
            audits.conditions += 1;
            audits.wrong += usize::from(wrong);
            audits.false_passes += usize::from(wrong && fails);
            audits.expected_wrong += word.p_wrong;
            *blocks.entry(block).or_default() |= wrong;
        }
        audits.blocks = blocks.len();
        audits.blocks_wrong = blocks.into_values().filter(|wrong| *wrong).count();
        audits
    }
}

fn asked(field: &Field, condition: u32, quantity: Quantity) -> Option<&Asked> {
    field.asked[condition as usize].iter().find(|one| one.quantity == quantity)
}

/// Probability of a value below zero about a middle: Student's t as wide as the interval.
fn p_below(middle: f64, spread: f64) -> f64 {
    if spread <= 0.0 {
        return f64::from(u8::from(middle < 0.0));
    }
    let wide = t_quantile(0.5 + 0.5 * COVERAGE, FREEDOM).unwrap_or(NORMAL) / NORMAL;
    t_sf(wide * middle / spread, FREEDOM).unwrap_or(0.5)
}

fn is_near(guess: &Guess, near: f64) -> bool {
    (guess.middle - 1.0).abs() < near
}

/// Factors from residuals whose predicted margin is less than `near`, as a share of the limit; 1 where there are too few of them near
/// the limit to tell.
fn factors(field: &Field, residuals: &[Residual], bad: &BTreeSet<Block>, near: f64) -> Vec<(Quantity, f64)> {
    let untold = if near.is_finite() { 1.0 } else { UNTOLD };
    let of = |quantity: &Quantity| {
        let mine = residuals.iter().filter(|one| {
            one.quantity == *quantity && !bad.contains(&one.block) && is_near(&one.guess, near)
        });
        let scores: Vec<f64> = mine.map(|one| one.off().abs()).collect();
        let quantile = conformal_quantile(&scores, COVERAGE).unwrap_or(f64::INFINITY);
        let factor = if quantile.is_finite() { (quantile / NORMAL).max(1.0) } else { untold };
        (*quantity, factor)
    };
    field.quantities.iter().map(of).collect()
}

/// Conditions of a block that were measured, predicted from what `without` does not name.
fn left_out(
    model: &Model<'_>,
    measured: &Measured,
    (block, have): (Block, &[u32]),
    without: &dyn Fn(&Point) -> bool,
) -> Vec<Residual> {
    let of = |guess: Guess| {
        let asked = asked(model.field, guess.condition, guess.quantity)?;
        let seen = seen(&measured[&guess.condition], asked)?;
        let (condition, quantity) = (guess.condition, guess.quantity);
        Some(Residual { block, condition, quantity, guess, seen })
    };
    model.guesses(have, without).into_iter().filter_map(of).collect()
}

/// Blocks with a fault: without anything of their module, or their channel, on their side of room temperature, the rest of the run predicts
/// otherwise. One block left out alone would be predicted from the same fault beside it.
fn faulty(model: &Model<'_>, measured: &Measured, known: &[(Block, Vec<u32>)]) -> BTreeSet<Block> {
    let field = model.field;
    let model = model.as_expected();
    let apart = |same: fn(&Point, &Point) -> bool| {
        let mut residuals = Vec::new();
        for (block, have) in known {
            let here = &field.points[have[0] as usize];
            let side = field.side(here.condition);
            let without = |there: &Point| same(here, there) && field.side(there.condition) == side;
            residuals.extend(left_out(&model, measured, (*block, have), &without));
        }
        conspicuous(field, &residuals)
    };
    let mut bad = apart(|a, b| a.module == b.module);
    bad.extend(apart(|a, b| a.channel == b.channel));
    bad
}

/// Blocks whose residuals no scatter explains, each held against the residuals of all others that are sound: a fault must not widen what
/// it is told by. The worst is taken out first.
fn conspicuous(field: &Field, residuals: &[Residual]) -> BTreeSet<Block> {
    let blocks: BTreeSet<Block> = residuals.iter().map(|one| one.block).collect();
    let mut bad = BTreeSet::new();
    loop {
        let mut worst: Option<(f64, Block)> = None;
        for block in blocks.iter().filter(|block| !bad.contains(*block)) {
            let mut others = bad.clone();
            others.insert(*block);
            let factors = factors(field, residuals, &others, f64::INFINITY);
            let mut counts: BTreeMap<(Quantity, bool), usize> = BTreeMap::new();
            let (mut most, mut told) = (0.0_f64, false);
            for one in residuals.iter().filter(|one| one.block == *block) {
                let factor = factors.iter().find(|(known, _)| *known == one.quantity);
                let off = one.off() / factor.map_or(UNTOLD, |(_, factor)| *factor);
                most = most.max(off.abs());
                if off.abs() > CONSPICUOUS {
                    let count = counts.entry((one.quantity, off < 0.0)).or_default();
                    *count += 1;
                    told |= *count >= 2 || off.abs() > ALONE;
                }
            }
            if told && worst.is_none_or(|(known, _)| most > known) {
                worst = Some((most, *block));
            }
        }
        match worst {
            Some((_, block)) => bad.insert(block),
            None => return bad,
        };
    }
}

/// What each conspicuous block's conditions share, but for what another block, as far from room temperature, shows to be sound.
fn quarantine(field: &Field, bad: &BTreeSet<Block>, known: &[(Block, Vec<u32>)]) -> Vec<Quarantine> {
    let point = |conditions: &[u32]| field.points[conditions[0] as usize];
    let mut found = BTreeSet::new();
    for (block, have) in known.iter().filter(|(block, _)| bad.contains(block)) {
        let here = point(have);
        let Some(side) = field.side(here.condition) else { continue };
        let as_far = |there: f64| match side {
            Side::Cold => there <= here.temperature_c,
            Side::Hot => there >= here.temperature_c,
        };
        let acquitted = |same: &dyn Fn(&Point) -> bool| {
            known.iter().any(|(other, have)| {
                let there = point(have);
                !bad.contains(other)
                    && other.setup != block.setup
                    && same(&there)
                    && as_far(there.temperature_c)
            })
        };
        let mut add = |shared| {
            found.insert(Quarantine { shared, side, because: *block, doubt: Doubt::Far });
        };
        add(Shared::Setup(here.setup));
        if !acquitted(&|there| there.module == here.module) {
            add(Shared::Module(here.module));
        }
        if !acquitted(&|there| there.channel == here.channel) {
            add(Shared::Channel(here.channel));
        }
    }
    found.into_iter().collect()
}
