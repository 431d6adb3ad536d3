//! What stands before the first measurement: conditions as points, what is judged of each, what the model expects.

use super::outcome::Side;
use super::prior::{Expected, Prior, Size};
use super::visits::{Block, first_temperatures};
use nightbench_core::results::Direction;
use nightbench_core::units::{Millivolts, Picoseconds};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::Expansion;
use plan::limits::Metric;
use plan::matrix::Factor;
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// What is predicted: a metric of the worst eye of a direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Quantity {
    pub metric: Metric,
    pub direction: Direction,
}

/// A condition as the model sees it. Numbers of levels are only ever compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Index into the expansion.
    pub condition: u32,
    /// Chip and module together.
    pub module: u32,
    pub channel: u32,
    /// Chip, module and channel.
    pub setup: u32,
    /// Firmware and pattern.
    pub variant: u32,
    /// 0 at the plan's slowest rate, 1 at its fastest.
    pub rate: f64,
    pub temperature_c: f64,
    /// Its level.
    pub temperature: u16,
    /// -1 to 1: how far the rails lie from the plan's middle supply, as a share of the furthest one.
    pub supply: f64,
}

impl Point {
    /// Temperature from 25 °C on, in 70 K.
    pub(super) fn heat(&self) -> f64 {
        (self.temperature_c - 25.0) / 70.0
    }

    /// The block it belongs to.
    pub fn block(&self) -> Block {
        Block { setup: self.setup, temperature: self.temperature }
    }
}

/// What is judged of a condition in one quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    pub quantity: Quantity,
    /// The highest limit that applies, share of the unit interval or of VDDQ.
    pub limit: f64,
    /// ps or mV of a whole unit interval or VDDQ.
    pub whole: f64,
    /// What the model expects.
    pub expected: Size,
}

/// Everything about a plan's conditions that no measurement changes.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    /// One a condition, in the order of the expansion.
    pub points: Vec<Point>,
    /// One a condition; empty where it cannot be predicted.
    pub asked: Vec<Vec<Asked>>,
    /// Quantities that are judged anywhere, in order.
    pub quantities: Vec<Quantity>,
    /// One a condition: the temperature at which its setup is measured first.
    begun_at_c: Vec<f64>,
}

impl Field {
    /// Of a plan's conditions under a set of limits.
    pub fn new(plan: &Plan, expansion: &Expansion, criteria: &AcceptanceCriteria, prior: &Prior) -> Field {
        let points = points(plan, expansion);
        let mut known: BTreeMap<(u32, Direction), &Expected> = BTreeMap::new();
        for one in &prior.expected {
            known.insert((one.condition, one.direction), one);
        }
        let mut asked = Vec::with_capacity(points.len());
        for (index, condition) in (0_u32..).zip(&expansion.conditions) {
            let rate = condition.rate(plan);
            let mut here: BTreeMap<Quantity, Asked> = BTreeMap::new();
            let mut whole_condition = true;
            for direction in &plan.capture.directions {
                for limit in criteria.limits.iter().filter(|limit| limit.applies(*direction, rate)) {
                    let one = known.get(&(index, *direction)).and_then(|one| one.size(limit.metric));
                    let Some((expected, whole, one)) = one else {
                        whole_condition = false;
                        continue;
                    };
                    let minimum = limit.in_base_unit(
                        Picoseconds(one.ui_ps),
                        Picoseconds(one.tap_ps),
                        Millivolts(one.vddq_mv),
                        Millivolts(one.step_mv),
                    );
                    let quantity = Quantity { metric: limit.metric, direction: *direction };
                    let share = minimum / whole;
                    let slot =
                        here.entry(quantity).or_insert(Asked { quantity, limit: share, whole, expected });
                    slot.limit = slot.limit.max(share);
                }
            }
            let sound = |one: &Asked| one.limit > 0.0 && one.limit.is_finite();
            let whole_condition = whole_condition && here.values().all(sound);
            asked.push(if whole_condition { here.into_values().collect() } else { Vec::new() });
        }
        let mut quantities: Vec<Quantity> = asked.iter().flatten().map(|one: &Asked| one.quantity).collect();
        quantities.sort_unstable();
        quantities.dedup();
        let mut field = Field { points, asked, quantities, begun_at_c: Vec::new() };
        let first = first_temperatures(&field);
        let celsius = |point: &Point| plan.matrix.temperatures[usize::from(first[&point.setup])].0;
        field.begun_at_c = field.points.iter().map(celsius).collect();
        field
    }

    /// The margin that the model expects of a condition, the lowest over its quantities, share of the limit.
    pub(super) fn expected_margin(&self, condition: u32) -> Option<f64> {
        let asked = self.asked.get(condition as usize)?;
        asked.iter().map(|one| one.expected.share / one.limit - 1.0).reduce(f64::min)
    }

    /// On which side of its setup's first temperature it lies; `None` at that temperature.
    pub(crate) fn side(&self, condition: u32) -> Option<Side> {
        let (here, first) =
            (self.points[condition as usize].temperature_c, self.begun_at_c[condition as usize]);
        match here.total_cmp(&first) {
            Ordering::Less => Some(Side::Cold),
            Ordering::Greater => Some(Side::Hot),
            Ordering::Equal => None,
        }
    }

    /// Can anything be predicted of a condition?
    pub fn is_predictable(&self, condition: u32) -> bool {
        self.asked.get(condition as usize).is_some_and(|asked| !asked.is_empty())
    }
}

impl Expected {
    /// Its size by a metric, and what a whole share is, ps or mV; `None` for a metric that is not predicted, or no finite answer.
    fn size(&self, metric: Metric) -> Option<(Size, f64, &Expected)> {
        let (size, whole) = match metric {
            Metric::Width => (self.width, self.ui_ps),
            Metric::Height => (self.height, self.vddq_mv),
            _ => return None,
        };
        let sound = size.share.is_finite() && size.scatter.is_finite() && whole.is_finite() && whole > 0.0;
        sound.then_some((size, whole, self))
    }
}

fn points(plan: &Plan, expansion: &Expansion) -> Vec<Point> {
    let rates: Vec<f64> = plan.matrix.rates.iter().map(|rate| rate.mega_transfers()).collect();
    let (slow, fast) =
        rates.iter().fold((f64::MAX, f64::MIN), |(low, high), rate| (low.min(*rate), high.max(*rate)));
    let supplies = supplies(plan);
    let mut numbers: BTreeMap<(u8, u16, u16, u16), u32> = BTreeMap::new();
    let mut number = |kind: u8, levels: [u16; 3]| -> u32 {
        let next = numbers.len() as u32;
        *numbers.entry((kind, levels[0], levels[1], levels[2])).or_insert(next)
    };
    (0_u32..)
        .zip(&expansion.conditions)
        .map(|(index, condition)| {
            let at = |factor: Factor| condition.levels[factor as usize];
            let (chip, module, channel) = condition.setup();
            Point {
                condition: index,
                module: number(0, [chip, module, 0]),
                channel: number(1, [channel, 0, 0]),
                setup: number(2, [chip, module, channel]),
                variant: number(3, [at(Factor::Firmware), at(Factor::Pattern), 0]),
                rate: if fast > slow {
                    (rates[condition.level(Factor::Rate)] - slow) / (fast - slow)
                } else {
                    0.0
                },
                temperature_c: condition.temperature(plan).0,
                temperature: at(Factor::Temperature),
                supply: supplies[condition.level(Factor::Supply)],
            }
        })
        .collect()
}

/// Each supply level between -1 and 1, the middle one (by the mean of its rails) at 0.
fn supplies(plan: &Plan) -> Vec<f64> {
    let mean = |index: usize| {
        let rails = &plan.supplies[index].rails;
        rails.iter().map(|(_, volts)| volts.0).sum::<f64>() / rails.len().max(1) as f64
    };
    let all: Vec<f64> = plan.matrix.supplies.iter().map(|index| mean(*index)).collect();
    let mut sorted = all.clone();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let furthest = all.iter().map(|one| (one - middle).abs()).fold(0.0, f64::max);
    all.iter().map(|one| if furthest > 0.0 { (one - middle) / furthest } else { 0.0 }).collect()
}
