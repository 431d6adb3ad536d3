//! Which measured blocks have a fault, and what is not predicted for it.
//!
//! A fault is told by what the run knows without it: everything of a block's module on its side of room temperature is left out, then
//! everything of its channel. One margin, the mean of a block and what a supply level does in it are each held against the same of all
//! other blocks: a fault that takes a little of many margins shows in their mean, and one at low supply beside the other supplies, where
//! what a module is off as a whole cancels.

use super::calibration::{COVERAGE, NORMAL, Residual, UNTOLD, left_out};
use super::field::{Field, Point, Quantity};
use super::measured::Measured;
use super::model::{CEILING, FLOOR, Guess, Model, Rest};
use super::outcome::{Doubt, Quarantine, Shared, Side};
use super::visits::Block;
use statistics::gaussian_process::conformal_quantile;
use std::collections::{BTreeMap, BTreeSet};

/// A residual of so many standard deviations is conspicuous: two of a block, or one of so many more.
const CONSPICUOUS: f64 = 4.0;
const ALONE: f64 = 7.0;
/// The same of a mean or a difference of a block.
const TOGETHER: f64 = 4.5;
/// A block that lies so many standard deviations from what another one shows acquits what both share.
const OTHERWISE: f64 = 3.0;

/// What is compared with the same of other blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    One,
    Mean,
    /// A supply level less the others.
    Supply,
}

struct Score {
    block: Block,
    of: (Quantity, Kind),
    /// The level, where one is compared with the others.
    supply: Option<f64>,
    /// How far it was read from its prediction, share of the limit, and the standard deviation of that.
    read: f64,
    sd: f64,
}

impl Score {
    fn off(&self) -> f64 {
        if self.sd > 0.0 { self.read / self.sd } else { 0.0 }
    }
}

/// What measured blocks say of faults.
pub(super) struct Faults {
    /// Blocks with one.
    pub bad: BTreeSet<Block>,
    /// What was read of all blocks, held against the run without their module's side, and without their channel's.
    modules: Scores,
    channels: Scores,
}

/// Do two conditions share a part?
type Alike = fn(&Point, &Point) -> bool;
/// By block.
type Scores = BTreeMap<Block, Vec<Score>>;

/// Looks for blocks with a fault: without anything of their module, or their channel, on their side of room temperature, the rest of the
/// run predicts otherwise. One block left out alone would be predicted from the same fault beside it.
pub(super) fn faults(model: &Model<'_>, measured: &Measured, known: &[(Block, Vec<u32>)]) -> Faults {
    let field = model.field;
    let model = model.as_expected();
    let apart = |same: Alike| {
        let mut scores = Scores::new();
        for (block, have) in known {
            let here = &field.points[have[0] as usize];
            let side = field.side(here.condition);
            let without = |there: &Point| same(here, there) && field.side(there.condition) == side;
            let rest = model.rest(here.condition, &without);
            let residuals = left_out(&rest, measured, field, (*block, have));
            let mut own = together(&rest, field, &residuals);
            own.extend(telling(residuals).iter().map(|one| Score {
                block: *block,
                of: (one.quantity, Kind::One),
                supply: None,
                read: one.seen - one.guess.middle,
                sd: one.guess.sd,
            }));
            scores.insert(*block, own);
        }
        scores
    };
    let point = |block: Block| {
        known.iter().find(|(one, _)| *one == block).map(|(_, have)| field.points[have[0] as usize])
    };
    let share =
        |same: Alike| move |a: Block, b: Block| point(a).zip(point(b)).is_some_and(|(a, b)| same(&a, &b));
    let module: Alike = |a, b| a.module == b.module;
    let channel: Alike = |a, b| a.channel == b.channel;
    let (modules, channels) = (apart(module), apart(channel));
    let mut bad = conspicuous(&modules, &share(module));
    bad.extend(conspicuous(&channels, &share(channel)));
    Faults { bad, modules, channels }
}

/// Residuals without those of sizes beside a smaller one that fails as was predicted: how tall an eye is that is far too narrow changes no
/// verdict, and hangs on much that the model does not know.
fn telling(residuals: Vec<Residual>) -> Vec<Residual> {
    let mut least: BTreeMap<u32, Guess> = BTreeMap::new();
    let mut fails: BTreeSet<u32> = BTreeSet::new();
    for one in &residuals {
        let slot = least.entry(one.condition).or_insert(one.guess);
        if one.guess.middle < slot.middle {
            *slot = one.guess;
        }
    }
    for one in residuals.iter().filter(|one| least[&one.condition] == one.guess) {
        if one.seen < 1.0 && one.guess.middle + NORMAL * one.guess.sd < 1.0 {
            fails.insert(one.condition);
        }
    }
    let tells = |one: &Residual| least[&one.condition] == one.guess || !fails.contains(&one.condition);
    residuals.into_iter().filter(tells).collect()
}

/// The mean of a block's residuals, and each supply level's less that of the others. Margins that are expected where sizes are cut
/// off say nothing.
fn together(rest: &Rest<'_>, field: &Field, residuals: &[Residual]) -> Vec<Score> {
    let mut scores = Vec::new();
    let open = |one: &&Residual| one.guess.middle > FLOOR && one.guess.middle < CEILING;
    let mut by_quantity: BTreeMap<Quantity, Vec<&Residual>> = BTreeMap::new();
    for one in residuals.iter().filter(open) {
        by_quantity.entry(one.quantity).or_default().push(one);
    }
    for (quantity, all) in by_quantity {
        let mut add = |kind: Kind, supply: Option<f64>, weight: &dyn Fn(&Residual) -> f64| {
            let weights: Vec<(u32, f64)> = all.iter().map(|one| (one.condition, weight(one))).collect();
            let seen: f64 = all.iter().map(|one| weight(one) * one.seen).sum();
            if let Some((middle, sd)) = rest.sum(quantity, &weights) {
                let (block, of, read) = (all[0].block, (quantity, kind), seen - middle);
                scores.push(Score { block, of, supply, read, sd });
            }
        };
        let supply = |one: &Residual| field.points[one.condition as usize].supply;
        add(Kind::Mean, None, &|_| 1.0 / all.len() as f64);
        let mut levels: Vec<f64> = all.iter().map(|one| supply(one)).collect();
        levels.sort_by(f64::total_cmp);
        levels.dedup();
        // Of two levels one tells as much as the other.
        let asked = if levels.len() < 3 { levels.len() / 2 } else { levels.len() };
        for level in &levels[..asked] {
            let own = all.iter().filter(|one| supply(one) == *level).count();
            let others = all.len() - own;
            add(Kind::Supply, Some(*level), &|one| {
                if supply(one) == *level { 1.0 / own as f64 } else { -1.0 / others as f64 }
            });
        }
    }
    scores
}

/// Blocks with scores that no scatter explains, each held against the scores of all others that are sound and do not `share` its module or
/// channel: a fault must not widen what it is told by. The worst is taken out first.
fn conspicuous(scores: &Scores, share: &dyn Fn(Block, Block) -> bool) -> BTreeSet<Block> {
    let mut bad = BTreeSet::new();
    loop {
        let mut worst: Option<(f64, Block)> = None;
        for (block, own) in scores.iter().filter(|(block, _)| !bad.contains(*block)) {
            let factors = factors(scores, &|other| share(other, *block) || bad.contains(&other));
            let mut counts: BTreeMap<(Quantity, bool), usize> = BTreeMap::new();
            let (mut most, mut told) = (0.0_f64, false);
            for one in own {
                let off = one.off() / factors.get(&one.of).unwrap_or(&UNTOLD);
                most = most.max(off.abs());
                let (quantity, kind) = one.of;
                if kind != Kind::One {
                    told |= off.abs() > TOGETHER;
                } else if off.abs() > CONSPICUOUS {
                    let count = counts.entry((quantity, off < 0.0)).or_default();
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

/// By how much scores are wider than said, those of some blocks aside.
fn factors(scores: &Scores, aside: &dyn Fn(Block) -> bool) -> BTreeMap<(Quantity, Kind), f64> {
    let mut all: BTreeMap<(Quantity, Kind), Vec<f64>> = BTreeMap::new();
    for one in scores.values().flatten().filter(|one| !aside(one.block)) {
        all.entry(one.of).or_default().push(one.off().abs());
    }
    let factor = |scores: Vec<f64>| {
        let quantile = conformal_quantile(&scores, COVERAGE).unwrap_or(f64::INFINITY);
        if quantile.is_finite() { (quantile / NORMAL).max(1.0) } else { UNTOLD }
    };
    all.into_iter().map(|(of, scores)| (of, factor(scores))).collect()
}

/// Would a block show what another one does, and does not? What is most conspicuous of the other one decides.
fn shows_otherwise(scores: &Scores, other: Block, block: Block) -> bool {
    let together = |one: &&Score| one.of.1 != Kind::One;
    let of = |block: Block| scores.get(&block).into_iter().flatten().filter(together);
    let most = of(block).max_by(|a, b| a.off().abs().total_cmp(&b.off().abs()));
    let Some(most) = most else { return false };
    let mut alike = of(other).filter(|one| one.of == most.of && one.supply == most.supply);
    alike.any(|one| {
        let away = (most.read - one.read) * most.read.signum();
        one.read * most.read.signum() < 0.5 * most.read.abs() && away > OTHERWISE * one.sd
    })
}

/// What each conspicuous block's conditions share, but for what another block, as far from room temperature, shows to be sound.
pub(super) fn quarantine(field: &Field, faults: &Faults, known: &[(Block, Vec<u32>)]) -> Vec<Quarantine> {
    let point = |conditions: &[u32]| field.points[conditions[0] as usize];
    let bad = &faults.bad;
    let mut found = BTreeSet::new();
    for (block, have) in known.iter().filter(|(block, _)| bad.contains(block)) {
        let here = point(have);
        let Some(side) = field.side(here.condition) else { continue };
        let as_far = |there: f64| match side {
            Side::Cold => there <= here.temperature_c,
            Side::Hot => there >= here.temperature_c,
        };
        let acquitted = |scores: &Scores, same: &dyn Fn(&Point) -> bool| {
            known.iter().any(|(other, have)| {
                let there = point(have);
                !bad.contains(other)
                    && other.setup != block.setup
                    && same(&there)
                    && as_far(there.temperature_c)
                    && shows_otherwise(scores, *other, *block)
            })
        };
        let mut add = |shared| {
            let side = Some(side);
            found.insert(Quarantine { shared, side, because: *block, doubt: Doubt::Far });
        };
        add(Shared::Setup(here.setup));
        if !acquitted(&faults.modules, &|there| there.module == here.module) {
            add(Shared::Module(here.module));
        }
        if !acquitted(&faults.channels, &|there| there.channel == here.channel) {
            add(Shared::Channel(here.channel));
        }
    }
    found.into_iter().collect()
}
