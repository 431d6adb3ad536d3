//! What is measured whatever the model says: every module and every channel at its coldest and its hottest, every module there at its
//! lowest and highest supply, and blocks drawn at random before the start.

use super::field::{Field, Point};
use super::outcome::Side;
use super::walk::Terms;
use nightbench_core::random::SplitMix64;
use std::collections::{BTreeMap, BTreeSet};

/// The conditions of one setup at one temperature: what is measured while the chamber stands there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Block {
    pub setup: u32,
    /// Level of the temperature.
    pub temperature: u16,
}

/// Blocks that are always measured whole.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Mandatory {
    /// For the extremes of modules and channels.
    pub cover: Vec<Block>,
    /// Drawn at random.
    pub audits: Vec<Block>,
}

impl Mandatory {
    pub fn contains(&self, block: Block) -> bool {
        self.cover.contains(&block) || self.audits.contains(&block)
    }
}

/// Conditions of a field by block.
pub(super) fn blocks(field: &Field) -> BTreeMap<Block, Vec<u32>> {
    let mut blocks: BTreeMap<Block, Vec<u32>> = BTreeMap::new();
    for point in &field.points {
        blocks.entry(point.block()).or_default().push(point.condition);
    }
    blocks
}

/// The temperature at which a setup is measured first: the one nearest 25 °C.
pub(super) fn first_temperatures(field: &Field) -> BTreeMap<u32, u16> {
    let mut first: BTreeMap<u32, (f64, f64, u16)> = BTreeMap::new();
    for point in &field.points {
        let celsius = point.temperature_c;
        let mine = ((celsius - 25.0).abs(), celsius, point.temperature);
        let slot = first.entry(point.setup).or_insert(mine);
        if (mine.0, mine.1) < (slot.0, slot.1) {
            *slot = mine;
        }
    }
    first.into_iter().map(|(setup, (.., level))| (setup, level)).collect()
}

/// What is covered on either side of room temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Item {
    Module(u32),
    Channel(u32),
    /// A module at its lowest or its highest supply of that side.
    LowSupply(u32),
    HighSupply(u32),
}

/// Items that a condition belongs to, where `supplies` are the least and the largest of its module on that side.
fn items(point: &Point, supplies: Option<&(f64, f64)>) -> Vec<Item> {
    let mut items = vec![Item::Module(point.module), Item::Channel(point.channel)];
    if let Some((low, high)) = supplies {
        if point.supply <= *low && low < high {
            items.push(Item::LowSupply(point.module));
        }
        if point.supply >= *high && low < high {
            items.push(Item::HighSupply(point.module));
        }
    }
    items
}

/// Chosen before anything is measured: a function of the plan, the channel model's answers and the terms. Audits are a share of
/// all blocks that a setup is not begun with, and as many as the terms ask at least, where there are so many.
pub fn mandatory(field: &Field, terms: &Terms) -> Mandatory {
    let blocks = blocks(field);
    let mut chosen: BTreeSet<Block> = BTreeSet::new();
    for side in [Side::Cold, Side::Hot] {
        let sign = if side == Side::Hot { -1.0 } else { 1.0 };
        let aside = |point: &&Point| field.side(point.condition) == Some(side);
        let mut supplies: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
        for point in field.points.iter().filter(aside) {
            let slot = supplies.entry(point.module).or_insert((point.supply, point.supply));
            *slot = (slot.0.min(point.supply), slot.1.max(point.supply));
        }
        // Each with its extreme temperature, and the blocks that reach it.
        let mut extremes: BTreeMap<Item, f64> = BTreeMap::new();
        let mut within: BTreeMap<Block, BTreeSet<Item>> = BTreeMap::new();
        for point in &field.points {
            let supplies = supplies.get(&point.module).filter(|_| aside(&point));
            for item in items(point, supplies) {
                let slot = extremes.entry(item).or_insert(sign * point.temperature_c);
                *slot = slot.min(sign * point.temperature_c);
                within.entry(point.block()).or_default().insert(item);
            }
        }
        for (block, items) in &mut within {
            let celsius = field.points[blocks[block][0] as usize].temperature_c;
            items.retain(|item| extremes[item] == sign * celsius);
        }
        let mut open: BTreeSet<Item> = extremes.keys().copied().collect();
        while !open.is_empty() {
            // Most that is open; of several the one whose margins lie nearest the limit.
            let covers = |block: &Block| within[block].intersection(&open).count();
            let best = within.keys().copied().min_by(|a, b| {
                let distance = |block: &Block| median_distance(field, &blocks[block]);
                covers(b).cmp(&covers(a)).then_with(|| distance(a).total_cmp(&distance(b)))
            });
            let Some(best) = best.filter(|best| covers(best) > 0) else { break };
            open.retain(|item| !within[&best].contains(item));
            chosen.insert(best);
        }
    }
    let first = first_temperatures(field);
    let mut rest: Vec<Block> = blocks
        .keys()
        .copied()
        .filter(|block| !chosen.contains(block) && first[&block.setup] != block.temperature)
        .collect();
    let all = blocks.keys().filter(|block| first[&block.setup] != block.temperature).count();
    let wanted = ((terms.audit_share * all as f64).ceil() as usize).max(terms.audit_blocks).min(rest.len());
    let mut random = SplitMix64::new(terms.seed);
    for place in 0..wanted {
        let other = place + random.below(rest.len() - place);
        rest.swap(place, other);
    }
    rest.truncate(wanted);
    rest.sort_unstable();
    Mandatory { cover: chosen.into_iter().collect(), audits: rest }
}

/// How far the middle condition of a block is expected from its limit; what cannot be predicted lies far.
fn median_distance(field: &Field, conditions: &[u32]) -> f64 {
    let mut margins: Vec<f64> = conditions.iter().filter_map(|one| field.expected_margin(*one)).collect();
    margins.sort_by(f64::total_cmp);
    margins.get(margins.len() / 2).map_or(f64::INFINITY, |median| median.abs())
}
