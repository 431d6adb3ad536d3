//! What is measured next: where an hour of the bench buys more than the wrong verdicts that it prevents are worth.
//!
//! A setup is begun at the temperature nearest 25 °C. Then follow its mandatory blocks, and other temperatures as long as the wrong
//! verdicts expected there are worth the hours of going there. Setups with mandatory blocks come first, so that a fault is found before
//! many setups were taken out. At the end setups are mounted again where that pays. Where what is measured in any case takes as long as
//! everything, everything is measured in the plan's order.

use super::calibration::{Calibration, NORMAL};
use super::field::{Asked, Field, Point};
use super::measured::{Known, Measured, Reading};
use super::model::{Guess, Model};
use super::mountings::{Due, Mountings};
use super::outcome::{Predicted, Predictions, Quarantine};
use super::visits::{Block, Mandatory, blocks, first_temperatures, mandatory};
use statistics::special::normal_sf;
use std::collections::{BTreeMap, BTreeSet};

/// What a plan says of predictions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Terms {
    /// Bench hours that one wrong verdict is worth.
    pub price_hours: f64,
    /// Blocks drawn at random, as a share of all that setups are not begun with.
    pub audit_share: f64,
    /// Blocks drawn at least.
    pub audit_blocks: usize,
    pub seed: u64,
}

/// The bench's clock, waiting for attended hours included.
pub trait Clock {
    /// Hours from where the bench stands until these conditions have been measured in this order, with every change-over between.
    fn hours(&self, conditions: &[u32]) -> f64;
    /// Hours gone since the start.
    fn spent(&self) -> f64;
    /// Hours that measuring everything takes by the forecast.
    fn full(&self) -> f64;
    /// [`Clock::hours`] without waiting for attended hours.
    fn work(&self, conditions: &[u32]) -> f64 {
        self.hours(conditions)
    }
    /// When a setup can be mounted, so many hours from now or later: from when, and until when at the latest before hands are gone for a
    /// while; hours from now.
    fn hands(&self, after_h: f64) -> (f64, f64) {
        (after_h, f64::INFINITY)
    }
    /// Hours that follow where a condition is read within its uncertainty of a limit: the full eye after its rows and columns, where
    /// one is taken.
    fn after_doubt(&self, _condition: u32) -> f64 {
        0.0
    }
}

/// Why something is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// A setup's first temperature.
    Begin,
    /// Every module and channel at its coldest and hottest.
    Cover,
    /// Drawn at random before the start.
    Audit,
    /// The wrong verdicts expected of it are worth more than its hours.
    Doubt,
}

/// What is measured next: conditions of one block.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    pub block: Block,
    pub conditions: Vec<u32>,
    pub why: Why,
}

/// A condition is measured, where the bench stands there anyway, as if its word were wrong with at least this probability: it tells of
/// others.
const LEAST: f64 = 0.001;
/// Conditions measured before the model is asked again, where they are dear.
const AT_A_TIME: usize = 10;
/// Of what a visit prevents at the other temperatures of its side.
const BESIDE: f64 = 0.2;
/// What it costs not to know a condition that is not predicted, in wrong verdicts.
const UNKNOWN: f64 = 1.0;
/// The model learns anew when so many times as many conditions were measured.
const GROWTH: f64 = 4.0 / 3.0;
/// Blocks beside the mandatory ones that calibrate the walk.
const OTHER_BLOCKS: usize = 20;
/// A margin as the model has it is read with this standard uncertainty, share of the unit interval or of VDDQ (an estimate: a tap is
/// 0.03 unit intervals).
const READ_TO: f64 = 0.01;

/// The decision what is measured next. A function of field, terms and what was measured in which steps: nothing else.
#[derive(Debug, Clone)]
pub struct Walk<'f> {
    field: &'f Field,
    terms: Terms,
    /// Setups, those with mandatory blocks first.
    setups: Vec<u32>,
    /// Conditions in the order in which the plan would measure them.
    order: Vec<u32>,
    /// Everything is measured; decided at the first choice.
    whole: Option<bool>,
    blocks: BTreeMap<Block, Vec<u32>>,
    first: BTreeMap<u32, u16>,
    mandatory: Mandatory,
    measured: Measured,
    tried: BTreeSet<u32>,
    learnt: Option<Learnt<'f>>,
    /// Losses of setups as they were worked out last.
    known: BTreeMap<u32, BTreeMap<u32, f64>>,
    /// A mandatory block was measured since.
    look_again: bool,
}

#[derive(Debug, Clone)]
struct Learnt<'f> {
    model: Model<'f>,
    calibration: Calibration,
    at: usize,
}

impl<'f> Walk<'f> {
    /// `plan`: conditions in the order in which the plan would measure them; those left out follow.
    pub fn new(field: &'f Field, terms: Terms, plan: &[u32]) -> Walk<'f> {
        let mandatory = mandatory(field, &terms);
        let blocks = blocks(field);
        let known = plan.iter().copied().filter(|one| field.points.len() > *one as usize);
        let (mut order, mut setups) = (Vec::with_capacity(field.points.len()), Vec::new());
        let mut seen = BTreeSet::new();
        for condition in known.chain(0..field.points.len() as u32).filter(|one| seen.insert(*one)) {
            order.push(condition);
            let setup = field.points[condition as usize].setup;
            if !setups.contains(&setup) {
                setups.push(setup);
            }
        }
        let must = |setup: &u32| mandatory.cover.iter().any(|block| block.setup == *setup);
        setups.sort_by_key(|setup| !must(setup));
        Walk {
            field,
            terms,
            setups,
            order,
            whole: None,
            first: first_temperatures(field),
            blocks,
            mandatory,
            measured: Measured::new(),
            tried: BTreeSet::new(),
            learnt: None,
            known: BTreeMap::new(),
            look_again: false,
        }
    }

    /// Blocks that are measured whatever the model says.
    pub fn mandatory(&self) -> &Mandatory {
        &self.mandatory
    }

    /// A condition was tried; `None` where nothing is known of it all the same. It is not asked for again.
    pub fn took(&mut self, condition: u32, known: Option<Known>) {
        self.tried.insert(condition);
        if let Some(known) = known {
            self.measured.insert(condition, known);
        }
        if let Some(point) = self.field.points.get(condition as usize) {
            self.look_again |= self.mandatory.contains(point.block());
            // What shares nothing with it hardly changes: it waits until the model learns anew.
            let kin = |setup: &u32| {
                let first = Block { setup: *setup, temperature: self.first[setup] };
                let other = &self.field.points[self.blocks[&first][0] as usize];
                other.module == point.module || other.channel == point.channel
            };
            self.known.retain(|setup, _| !kin(setup));
        }
    }

    /// What is not predicted any more for what a measured block showed.
    pub fn quarantined(&self) -> &[Quarantine] {
        self.learnt.as_ref().map_or(&[], |learnt| &learnt.calibration.quarantined)
    }

    /// What can be said now of everything that was not measured.
    pub fn predictions(&self) -> Predictions {
        Predictions::of(self.field, &self.measured, &self.mandatory, self.terms.seed)
    }

    /// What is measured next; `None` at the end. `stands`: the last condition that was measured in what is mounted.
    pub fn next(&mut self, stands: Option<u32>, clock: &dyn Clock) -> Option<Visit> {
        self.learn();
        let whole = self.whole.unwrap_or_else(|| self.must_be_whole(clock));
        self.whole = Some(whole);
        if whole {
            return self.in_order();
        }
        let here = stands.and_then(|one| self.field.points.get(one as usize)).map(Point::block);
        if let Some(here) = here {
            self.refresh(here.setup, clock);
        }
        let within = here.and_then(|here| self.within(here, clock));
        if within.is_some() {
            return within;
        }
        match self.mountings(clock).order.first().copied() {
            Some(setup) => Some(self.begin(setup, clock)),
            None => {
                self.setups.clone().into_iter().for_each(|setup| self.refresh(setup, clock));
                self.again(here, clock)
            }
        }
    }

    /// Conditions of cover and audits, setup by setup.
    pub fn must(&self) -> Vec<u32> {
        let mandatory = self.blocks.keys().filter(|block| self.mandatory.contains(**block));
        mandatory.flat_map(|block| self.compulsory(*block)).collect()
    }

    /// Hours of one condition more where the bench stands; `left` holds two at least.
    fn each(&self, left: &[u32], clock: &dyn Clock) -> f64 {
        (clock.hours(left) - clock.hours(&left[..1])) / (left.len() - 1).max(1) as f64
    }

    /// Does what is measured in any case take as long as everything?
    fn must_be_whole(&self, clock: &dyn Clock) -> bool {
        let mut sequence = Vec::new();
        for setup in &self.setups {
            let first = self.begins(*setup);
            if !self.is_begun(*setup) {
                sequence.extend(self.begin(*setup, clock).conditions);
            }
            for block in self.blocks_of(*setup).filter(|block| *block != first) {
                sequence.extend(self.compulsory(block));
            }
        }
        clock.spent() + clock.hours(&sequence) >= clock.full()
    }

    /// What comes next in the plan's order.
    fn in_order(&self) -> Option<Visit> {
        let next = self.order.iter().find(|one| !self.tried.contains(one))?;
        let block = self.block_of(*next);
        Some(Visit { block, conditions: self.left(block), why: self.why(block) })
    }

    fn blocks_of(&self, setup: u32) -> impl Iterator<Item = Block> + '_ {
        let all = Block { setup, temperature: 0 }..=Block { setup, temperature: u16::MAX };
        self.blocks.range(all).map(|(block, _)| *block)
    }

    /// What conditions would be read as, by what is known when it was last asked what comes next.
    pub fn expects(&self, conditions: &[u32]) -> Vec<(u32, Known)> {
        let mut guesses: BTreeMap<u32, Vec<Guess>> = BTreeMap::new();
        for guess in self.learnt.iter().flat_map(|learnt| learnt.model.guesses(conditions)) {
            guesses.entry(guess.condition).or_default().push(guess);
        }
        let of = |condition: &u32| {
            let guesses = guesses.get(condition).map_or(&[][..], Vec::as_slice);
            let reading = |asked: &Asked| {
                let guess = guesses.iter().find(|one| one.quantity == asked.quantity);
                let share = guess.map_or(asked.expected.share / asked.limit, |guess| guess.middle);
                let value = (share * asked.limit * asked.whole).max(0.0);
                let (u, closed) = (READ_TO * asked.whole, value <= 0.0);
                Reading { quantity: asked.quantity, value, u, at_least: false, closed }
            };
            let asked = self.field.asked.get(*condition as usize).into_iter().flatten();
            (*condition, Known::Read(asked.map(reading).collect()))
        };
        conditions.iter().map(of).collect()
    }

    fn refresh(&mut self, setup: u32, clock: &dyn Clock) {
        if !self.known.contains_key(&setup) {
            let losses = self.losses(setup, clock);
            self.known.insert(setup, losses);
        }
    }

    /// What a condition costs if it is left as it is, in wrong verdicts, less what would follow its measurement.
    fn losses(&self, setup: u32, clock: &dyn Clock) -> BTreeMap<u32, f64> {
        let mut losses = BTreeMap::new();
        let mut ask = Vec::new();
        for condition in self.blocks_of(setup).flat_map(|block| self.left(block)) {
            losses.insert(condition, UNKNOWN);
            ask.push(condition);
        }
        let Some(learnt) = &self.learnt else { return losses };
        ask.retain(|one| !learnt.calibration.is_quarantined(self.field, *one));
        for predicted in learnt.calibration.predict(&learnt.model, &ask) {
            let follows = self.p_doubt(&predicted) * clock.after_doubt(predicted.condition);
            let net = predicted.loss() - follows / self.terms.price_hours;
            losses.insert(predicted.condition, net.max(0.0));
        }
        losses
    }

    /// Probability that a condition would be read within twice its uncertainty of a limit.
    fn p_doubt(&self, predicted: &Predicted) -> f64 {
        let asked = self.field.asked.get(predicted.condition as usize).into_iter().flatten();
        let of = |asked: &Asked| {
            let margin = predicted.margins.iter().find(|one| one.quantity == asked.quantity)?;
            let (band, at) = (2.0 * READ_TO * asked.whole, margin.margin);
            // An interval that is cut off is as wide as the side that is not.
            let half = match (margin.low > -margin.limit, margin.high) {
                (true, _) => at - margin.low,
                (false, Some(high)) => high - at,
                (false, None) => margin.limit,
            };
            let sd = (half / NORMAL).max(1e-9 * margin.limit);
            Some(normal_sf((-band - at) / sd) - normal_sf((band - at) / sd))
        };
        asked.filter_map(of).fold(0.0, f64::max)
    }

    fn left(&self, block: Block) -> Vec<u32> {
        let all = self.blocks.get(&block).into_iter().flatten();
        all.copied().filter(|one| !self.tried.contains(one)).collect()
    }

    /// The block that a setup is begun with.
    fn begins(&self, setup: u32) -> Block {
        Block { setup, temperature: self.first[&setup] }
    }

    fn is_begun(&self, setup: u32) -> bool {
        let first = self.begins(setup);
        self.blocks[&first].iter().any(|one| self.tried.contains(one))
    }

    fn begin(&self, setup: u32, clock: &dyn Clock) -> Visit {
        let block = self.begins(setup);
        let left = self.left(block);
        let each = self.each(&left, clock);
        let conditions =
            if each <= LEAST * self.terms.price_hours || left.len() <= 3 { left } else { self.ends(&left) };
        Visit { block, conditions, why: Why::Begin }
    }

    /// The slowest, a middle and the fastest rate at the supply nearest the middle.
    fn ends(&self, left: &[u32]) -> Vec<u32> {
        let point = |one: &u32| &self.field.points[*one as usize];
        let variant = left.first().map(|one| point(one).variant);
        let supply = left.iter().map(|one| point(one).supply.abs()).fold(f64::INFINITY, f64::min);
        let mut like: Vec<u32> = left
            .iter()
            .copied()
            .filter(|one| point(one).supply.abs() <= supply && Some(point(one).variant) == variant)
            .collect();
        like.sort_by(|a, b| point(a).rate.total_cmp(&point(b).rate));
        let mut chosen = vec![like[0], like[like.len() / 2], like[like.len() - 1]];
        chosen.dedup();
        chosen
    }

    fn to_begin(&self) -> impl Iterator<Item = u32> + '_ {
        self.setups.iter().copied().filter(|setup| !self.is_begun(*setup))
    }

    /// Setups that are still to be begun. What they take is asked where hands are not always there.
    fn mountings<'c>(&self, clock: &'c dyn Clock) -> Mountings<'c> {
        let always = clock.hands(0.0).1.is_infinite();
        let first = |setup| self.left(self.begins(setup)).first().copied();
        let of = |setup| {
            if always {
                return Due { setup, hours: 0.0 };
            }
            let begins = self.begins(setup);
            let mut conditions = self.begin(setup, clock).conditions;
            let others = self.blocks_of(setup).filter(|block| *block != begins);
            conditions.extend(others.flat_map(|block| self.compulsory(block)));
            // With the way back to where the next one begins.
            let next = self.to_begin().find(|other| *other != setup).and_then(first);
            conditions.extend(next);
            Due { setup, hours: clock.work(&conditions) - next.map_or(0.0, |next| clock.work(&[next])) }
        };
        Mountings::new(self.to_begin().map(of).collect(), clock)
    }

    /// In what is mounted.
    fn within(&self, here: Block, clock: &dyn Clock) -> Option<Visit> {
        let setup = here.setup;
        let losses = self.known.get(&setup)?;
        if losses.is_empty() {
            return None;
        }
        let price = self.terms.price_hours;
        let worth = |one: &u32| price * losses[one].max(LEAST);
        // Where it stands.
        let must = self.compulsory(here);
        if !must.is_empty() {
            return Some(Visit { block: here, conditions: must, why: self.why(here) });
        }
        let mut open: Vec<u32> =
            self.left(here).into_iter().filter(|one| worth(one) > clock.hours(&[*one])).collect();
        if !open.is_empty() {
            let why = if self.first[&setup] == here.temperature { Why::Begin } else { self.why(here) };
            let dear = open.len() > AT_A_TIME && open.iter().any(|one| clock.hours(&[*one]) > LEAST * price);
            if dear {
                open.sort_by(|a, b| losses[b].total_cmp(&losses[a]).then(a.cmp(b)));
                open.truncate(AT_A_TIME);
                open.sort_unstable();
            }
            return Some(Visit { block: here, conditions: open, why });
        }
        let whole: BTreeSet<Block> =
            losses.keys().map(|one| self.block_of(*one)).filter(|block| *block != here).collect();
        // What must be measured, the nearest first.
        let must: Vec<(Block, Vec<u32>)> = whole
            .iter()
            .map(|block| (*block, self.compulsory(*block)))
            .filter(|(_, conditions)| !conditions.is_empty())
            .collect();
        let cost = |conditions: &[u32]| clock.hours(conditions);
        let nearest = must.into_iter().min_by(|a, b| cost(&a.1).total_cmp(&cost(&b.1)).then(a.0.cmp(&b.0)));
        if let Some((block, conditions)) = nearest {
            return Some(Visit { block, conditions, why: self.why(block) });
        }
        // What pays.
        let mountings = self.mountings(clock);
        let next = mountings.order.first().and_then(|setup| self.left(self.begins(*setup)).first().copied());
        // By what it puts off.
        let price_of = |conditions: &[u32]| {
            let mut with = conditions.to_vec();
            with.extend(next);
            mountings.cost(clock.work(&with) - next.map_or(0.0, |next| clock.work(&[next])))
        };
        let mut best: Option<(f64, Visit)> = None;
        for block in whole {
            let conditions = self.worthwhile(block, losses, clock);
            if conditions.is_empty() {
                continue;
            }
            let hours = price_of(&conditions);
            let there: f64 = conditions.iter().map(|one| losses[one]).sum();
            let beside: f64 = losses
                .iter()
                .filter(|(one, _)| self.is_on_the_side_of(block, **one))
                .map(|(_, loss)| BESIDE * loss)
                .sum();
            let gain = price * (there + beside) - hours;
            if gain > 0.0
                && clock.spent() + hours <= clock.full()
                && best.as_ref().is_none_or(|(known, _)| gain > *known)
            {
                best = Some((gain, Visit { block, conditions, why: Why::Doubt }));
            }
        }
        best.map(|(_, visit)| visit)
    }

    /// Conditions of a block that are worth their own hours once the bench stands there.
    fn worthwhile(&self, block: Block, losses: &BTreeMap<u32, f64>, clock: &dyn Clock) -> Vec<u32> {
        let left = self.left(block);
        if left.len() < 2 {
            return left;
        }
        let each = self.each(&left, clock);
        left.into_iter().filter(|one| self.terms.price_hours * losses[one].max(LEAST) > each).collect()
    }

    /// Conditions of a block that are measured whatever the model says.
    fn compulsory(&self, block: Block) -> Vec<u32> {
        let mut left = self.left(block);
        if !self.mandatory.contains(block) {
            left.retain(|one| !self.field.is_predictable(*one));
        }
        left
    }

    fn why(&self, block: Block) -> Why {
        if self.mandatory.cover.contains(&block) {
            Why::Cover
        } else if self.mandatory.audits.contains(&block) {
            Why::Audit
        } else {
            Why::Doubt
        }
    }

    fn block_of(&self, condition: u32) -> Block {
        self.field.points[condition as usize].block()
    }

    /// Another temperature of the same side of the setup's first one?
    fn is_on_the_side_of(&self, block: Block, condition: u32) -> bool {
        let celsius = |block: Block| self.field.points[self.blocks[&block][0] as usize].temperature_c;
        let other = self.block_of(condition);
        let first = celsius(self.begins(block.setup));
        other.setup == block.setup && other != block && (celsius(other) > first) == (celsius(block) > first)
    }

    /// A setup mounted again, where that pays. Whoever comes for one mounts others, too: all that is worth its work while hands are
    /// there pays for waiting until then.
    fn again(&self, here: Option<Block>, clock: &dyn Clock) -> Option<Visit> {
        let mut found: Vec<(f64, f64, Visit)> = Vec::new();
        let mut must = false;
        for setup in self.setups.iter().copied().filter(|setup| here.is_none_or(|here| here.setup != *setup))
        {
            let Some(losses) = self.known.get(&setup) else { continue };
            let whole: BTreeSet<Block> = losses.keys().map(|one| self.block_of(*one)).collect();
            let mut all: Vec<(Block, Vec<u32>)> = Vec::new();
            for block in whole {
                let mut conditions = self.worthwhile(block, losses, clock);
                conditions.extend(self.compulsory(block));
                conditions.sort_unstable();
                conditions.dedup();
                if !conditions.is_empty() {
                    all.push((block, conditions));
                }
            }
            let is_due = all.iter().flat_map(|(block, _)| self.compulsory(*block)).count() > 0;
            // Blocks one after the other by what they are worth, as long as that pays.
            all.sort_by(|a, b| {
                let worth = |block: &(Block, Vec<u32>)| block.1.iter().map(|one| losses[one]).sum::<f64>();
                worth(b).total_cmp(&worth(a)).then(a.0.cmp(&b.0))
            });
            let (mut sequence, mut worth) = (Vec::new(), 0.0);
            let (mut gain, mut hours) = (f64::NEG_INFINITY, 0.0);
            for (_, conditions) in &all {
                sequence.extend(conditions);
                worth += self.terms.price_hours * conditions.iter().map(|one| losses[one]).sum::<f64>();
                let work = clock.work(&sequence);
                if worth - work > gain {
                    (gain, hours) = (worth - work, work);
                }
            }
            let Some((block, conditions)) = all.into_iter().next() else { continue };
            if is_due || gain > 0.0 {
                found.push((gain, hours, Visit { block, conditions, why: self.why(block) }));
            }
            must |= is_due;
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        let (from, last) = clock.hands(0.0);
        let (mut gain, mut work) = (-from, 0.0);
        for (one, hours, _) in found.iter().filter(|(one, ..)| *one > 0.0) {
            if work > 0.0 && from + work + hours > last {
                break;
            }
            (gain, work) = (gain + one, work + hours);
        }
        let pays = |hours: f64| gain > 0.0 && clock.spent() + from + hours <= clock.full();
        let (_, hours, visit) = found.into_iter().next()?;
        (must || pays(hours)).then_some(visit)
    }

    fn learn(&mut self) {
        let count = self.measured.len();
        if count == 0 {
            return;
        }
        let seed = self.terms.seed;
        let grown = |learnt: &Learnt<'_>| count as f64 >= GROWTH * learnt.at as f64;
        let look_again = std::mem::take(&mut self.look_again);
        match &mut self.learnt {
            Some(learnt) if !grown(learnt) => {
                learnt.model = learnt.model.with(&self.measured);
                if look_again {
                    self.known.clear();
                    learnt.calibration =
                        Calibration::of(&learnt.model, &self.measured, &self.mandatory, OTHER_BLOCKS);
                }
            }
            slot => {
                let model = Model::fit(self.field, &self.measured, seed);
                let calibration = Calibration::of(&model, &self.measured, &self.mandatory, OTHER_BLOCKS);
                *slot = Some(Learnt { model, calibration, at: count });
                self.known.clear();
            }
        }
    }
}
