//! How well measured blocks are predicted by the rest of the run, and what that makes of every prediction.
//!
//! Each block is left out whole and predicted from everything else, as blocks that were never visited are. So what is found is a function
//! of what was measured, in whatever order. Blocks go together and were not all drawn at random: what conformal prediction guarantees of
//! independent cases is an estimate here.

use super::faults::{faults, quarantine};
use super::field::{Asked, Field, Quantity};
use super::measured::Measured;
use super::model::{CEILING, FLOOR, Guess, Model, Rest, seen};
use super::outcome::{Audits, Predicted, PredictedMargin, PredictedVerdict, Quarantine, Shared};
use super::visits::{Block, Mandatory, blocks};
use nightbench_core::random::SplitMix64;
use statistics::gaussian_process::conformal_quantile;
use statistics::special::{normal_sf, t_quantile, t_sf};
use std::collections::{BTreeMap, BTreeSet};

/// Coverage of an interval, and the normal's half width for it.
pub(super) const COVERAGE: f64 = 0.95;
pub(super) const NORMAL: f64 = 1.959_963_984_540_054;
/// Degrees of freedom of the tails.
const FREEDOM: f64 = 5.0;
/// By how much a false pass weighs more than a false fail in what is worth measuring.
pub(super) const FALSE_PASS: f64 = 3.0;
/// Predicted margins of less than this share of the limit are near it: they have a factor of their own.
pub const NEAR_LIMIT: f64 = 0.3;
/// Factor where too little was measured to tell.
pub(super) const UNTOLD: f64 = 1.5;
/// Two whole runs contradict each other so often where the scatter of single margins, to which all that no neighbour shares is reckoned,
/// says once (counted on the simulated target: 7.5 of 11.8 in eight walks).
const REPEATED: f64 = 0.64;

/// One measured margin that the rest of the run was asked for.
pub(super) struct Residual {
    pub block: Block,
    pub condition: u32,
    pub quantity: Quantity,
    pub guess: Guess,
    pub seen: f64,
}

impl Residual {
    /// In standard deviations.
    pub fn off(&self) -> f64 {
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
            let rest = model.rest(have[0], &|point| point.block() == *block);
            residuals.extend(left_out(&rest, measured, field, (*block, have)));
        }
        let faults = faults(model, measured, &known);
        let bad = &faults.bad;
        let mut calibration = Calibration {
            factors: factors(field, &residuals, bad, f64::INFINITY),
            near: factors(field, &residuals, bad, NEAR_LIMIT),
            inflation: 1.0,
            quarantined: quarantine(field, &faults, &known),
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
        if is_near(guess, NEAR_LIMIT) { all.max(of(&self.near)) } else { all }
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
            shares && (one.side.is_none() || field.side(condition) == one.side)
        })
    }

    /// Predictions of conditions, by setup.
    pub fn predict(&self, model: &Model<'_>, conditions: &[u32]) -> Vec<Predicted> {
        let mut by_condition: BTreeMap<u32, Vec<Guess>> = BTreeMap::new();
        for guess in model.guesses(conditions) {
            by_condition.entry(guess.condition).or_default().push(guess);
        }
        let predicted = by_condition.into_iter();
        predicted
            .map(|(condition, guesses)| self.word(model.field, condition, &guesses, self.inflation))
            .collect()
    }

    /// Probability that two measurements of a condition say different words; `pass`: that one of them says pass.
    fn contradicted(&self, guesses: &[Guess], pass: f64) -> f64 {
        let twice: f64 =
            guesses.iter().map(|guess| passes_twice(guess, guess.sd * self.factor(guess))).product();
        REPEATED * 2.0 * pass * (1.0 - twice)
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
            p_contradicted: self.contradicted(guesses, pass),
            margins,
            beyond_guard: false,
        }
    }

    fn audits<'r>(&self, field: &Field, residuals: impl Iterator<Item = &'r Residual>) -> Audits {
        let mut audits = Audits::default();
        let mut by_condition: BTreeMap<u32, (Block, Vec<Guess>, bool)> = BTreeMap::new();
        for one in residuals {
            let half = NORMAL * one.guess.sd * self.factor(&one.guess);
            let (held, near) = ((one.seen - one.guess.middle).abs() <= half, is_near(&one.guess, NEAR_LIMIT));
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

/// Probability that a second measurement lies above the limit where the first does.
fn passes_twice(guess: &Guess, spread: f64) -> f64 {
    let scatter = guess.scatter.min(spread);
    let known = (spread * spread - scatter * scatter).sqrt();
    let (mut once, mut twice) = (0.0, 0.0);
    for step in -30..=30 {
        let x = 0.2 * f64::from(step);
        let weight = (-0.5 * x * x).exp();
        let middle = guess.middle - 1.0 + known * x;
        let pass =
            if scatter > 0.0 { normal_sf(-middle / scatter) } else { f64::from(u8::from(middle >= 0.0)) };
        (once, twice) = (once + weight * pass, twice + weight * pass * pass);
    }
    if once > 0.0 { twice / once } else { 0.0 }
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

/// Conditions of a block that were measured, predicted from a part of the run.
pub(super) fn left_out(
    rest: &Rest<'_>,
    measured: &Measured,
    field: &Field,
    (block, have): (Block, &[u32]),
) -> Vec<Residual> {
    let of = |guess: Guess| {
        let asked = asked(field, guess.condition, guess.quantity)?;
        let seen = seen(&measured[&guess.condition], asked, &field.asked[guess.condition as usize])?;
        let (condition, quantity) = (guess.condition, guess.quantity);
        Some(Residual { block, condition, quantity, guess, seen })
    };
    rest.guesses(have).into_iter().filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan::limits::Metric;

    /// Both of two normal variables of correlation r lie above -z: R. L. Plackett, A reduction formula for normal multivariate
    /// integrals, Biometrika 41, 1954 (from memory); at z = 0 it is W. F. Sheppard's 1/4 + asin(r) / 2 pi.
    fn both_above(z: f64, r: f64) -> f64 {
        let steps = 20_000;
        let of = |at: usize| {
            let r = r * (at as f64 + 0.5) / f64::from(steps);
            (-z * z / (1.0 + r)).exp() / (1.0 - r * r).sqrt()
        };
        let integral: f64 = (0..steps as usize).map(of).sum();
        normal_sf(-z).powi(2) + r / f64::from(steps) * integral / (2.0 * std::f64::consts::PI)
    }

    #[test]
    fn a_second_measurement_passes_as_two_correlated_normals_do() {
        let sheppard = 0.25 + 0.75_f64.asin() / (2.0 * std::f64::consts::PI);
        assert!((both_above(0.0, 0.75) - sheppard).abs() < 1e-8);
        for (middle, sd, scatter) in [
            (1.0, 0.05, 0.025),
            (1.03, 0.05, 0.03),
            (0.97, 0.04, 0.02),
            (1.1, 0.05, 0.05),
            (0.94, 0.03, 0.02),
        ] {
            let quantity =
                Quantity { metric: Metric::Width, direction: nightbench_core::results::Direction::Read };
            let guess = Guess { condition: 0, quantity, middle, sd, scatter };
            let (z, r) = ((middle - 1.0) / sd, 1.0 - (scatter / sd).powi(2));
            let expected = both_above(z, r) / normal_sf(-z);
            let found = passes_twice(&guess, sd);
            assert!((found - expected).abs() < 1e-5, "{middle} {sd} {scatter}: {found}, not {expected}");
        }
    }
}
