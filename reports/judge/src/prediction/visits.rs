//! What is measured whatever the model says: every module and every channel at its coldest and its hottest, and blocks drawn
//! at random before the start.

use super::field::Field;
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

/// Fewest audits, where there are as many blocks.
const LEAST_AUDITS: usize = 4;

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

/// Chosen before anything is measured: a function of the plan, the channel model's answers and the seed. `share`: audits as a share of
/// all blocks that a setup is not begun with.
pub fn mandatory(field: &Field, share: f64, seed: u64) -> Mandatory {
    let blocks = blocks(field);
    let celsius: BTreeMap<Block, f64> = blocks
        .iter()
        .map(|(block, conditions)| (*block, field.points[conditions[0] as usize].temperature_c))
        .collect();
    let mut chosen: BTreeSet<Block> = BTreeSet::new();
    for hot in [false, true] {
        let sign = if hot { -1.0 } else { 1.0 };
        // Modules and channels, each with its extreme.
        let mut extremes: BTreeMap<(bool, u32), f64> = BTreeMap::new();
        for point in &field.points {
            for item in [(false, point.module), (true, point.channel)] {
                let slot = extremes.entry(item).or_insert(sign * point.temperature_c);
                *slot = slot.min(sign * point.temperature_c);
            }
        }
        let covers = |block: &Block, open: &BTreeSet<(bool, u32)>| -> Vec<(bool, u32)> {
            let point = &field.points[blocks[block][0] as usize];
            let items = [(false, point.module), (true, point.channel)].into_iter();
            items.filter(|item| open.contains(item) && extremes[item] == sign * celsius[block]).collect()
        };
        let mut open: BTreeSet<(bool, u32)> = extremes.keys().copied().collect();
        while !open.is_empty() {
            // Most that is open; of several the one whose margins lie nearest the limit.
            let best = blocks.keys().min_by(|a, b| {
                let rank =
                    |block: &Block| (2 - covers(block, &open).len(), median_distance(field, &blocks[block]));
                let (a, b) = (rank(a), rank(b));
                a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
            });
            let Some(best) = best else { break };
            let covered = covers(best, &open);
            if covered.is_empty() {
                break;
            }
            covered.iter().for_each(|item| {
                open.remove(item);
            });
            chosen.insert(*best);
        }
    }
    let first = first_temperatures(field);
    let mut rest: Vec<Block> = blocks
        .keys()
        .copied()
        .filter(|block| !chosen.contains(block) && first[&block.setup] != block.temperature)
        .collect();
    let all = blocks.keys().filter(|block| first[&block.setup] != block.temperature).count();
    let wanted = ((share * all as f64).ceil() as usize).max(LEAST_AUDITS).min(rest.len());
    let mut random = SplitMix64::new(seed);
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
