//! What measuring a condition is worth, where there is not time for all: what decides first.
//!
//! Nothing here is printed as a probability and no verdict rests on it: it says only where an hour of the bench is spent. What a
//! neighbour says of a condition is taken from results alone, by figures for how fast margins change between conditions
//! (estimates from the simulated target; each in shares of the limit).

use crate::judged::{JudgedCondition, JudgedRun};
use nightbench_core::condition::ConditionState;
use plan::Plan;
use plan::expand::Condition;
use plan::matrix::Factor;
use std::collections::{BTreeMap, BTreeSet};

/// Why a condition is worth measuring.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Decides {
    /// Its module was never measured at this extreme of its temperatures.
    Extreme,
    /// Begun, undecided or not to be trusted: what was measured of it does not count for a verdict yet.
    Open,
    /// Nothing is known of its module.
    Unknown,
    /// What is known of its neighbours leaves its verdict in doubt: the limit lies within [`NEAR`] standard deviations.
    NearLimit,
    /// What is known of its neighbours puts it further from its limit.
    FarFromLimit,
}

impl Decides {
    pub const ALL: [Decides; 5] =
        [Decides::Extreme, Decides::Open, Decides::Unknown, Decides::NearLimit, Decides::FarFromLimit];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Decides::Extreme => "the first at their module's coldest or hottest",
            Decides::Open => "begun or undecided",
            Decides::Unknown => "of modules of which nothing was measured yet",
            Decides::NearLimit => {
                "expected within 2 standard deviations of their limit (10 % of it or more), by what their neighbours show"
            }
            Decides::FarFromLimit => "expected further from their limit than that",
        }
    }
}

/// What a condition is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worth {
    /// Verdicts it is worth: 1 for one that could go either way.
    pub value: f64,
    pub why: Decides,
}

/// What an extreme of a module is worth on its first channel, and on another one.
const EXTREME: f64 = 20.0;
const EXTREME_ELSEWHERE: f64 = 4.0;
/// What a condition is worth at least: every verdict is wanted in the end.
const LEAST: f64 = 0.02;
/// Conditions that do not count for the release are worth this share.
const UNCOUNTED: f64 = 0.1;
/// Noise of a margin, as a share of its limit.
const NOISE: f64 = 0.05;
/// A change of rate by the fastest rate of the plan: where no series shows how margins fall, and beside one that does.
const RATE: f64 = 6.0;
const RATE_WITH_TREND: f64 = 1.5;
/// Another supply, pattern, firmware or chip; another channel; 70 K.
const ANOTHER: f64 = 0.1;
const ANOTHER_CHANNEL: f64 = 0.5;
const SEVENTY_KELVIN: f64 = 0.15;
/// A margin within so many standard deviations of its limit is near it.
const NEAR: f64 = 2.0;
/// Most neighbours that are looked at.
const MOST_NEIGHBOURS: usize = 400;

/// A condition with a margin.
struct Known {
    condition: Condition,
    /// The worst margin as a share of its limit; -1 where the eye is closed.
    share: f64,
}

fn module_of(condition: &Condition) -> (u16, u16) {
    (condition.levels[Factor::Chip as usize], condition.levels[Factor::Module as usize])
}

/// What a condition is taken to come to before it is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Foreseen {
    /// A margin of which nothing is said.
    Measured,
    /// The fastest rate that passes, and the one above it.
    JustPasses,
    JustFails,
}

/// How far the margin of a rate that just passes or fails lies from the limit, share of it (estimate).
const JUST: f64 = 0.1;

/// What each condition of a run is worth, by what the run holds: one for each of its conditions, in their order.
pub fn worths(plan: &Plan, run: &JudgedRun) -> Vec<Worth> {
    worths_foreseen(plan, run, &BTreeMap::new())
}

/// As [`worths`], once the conditions `foreseen` (indices) were measured.
pub fn worths_foreseen(plan: &Plan, run: &JudgedRun, foreseen: &BTreeMap<u32, Foreseen>) -> Vec<Worth> {
    let mut known: BTreeMap<(u16, u16), Vec<Known>> = BTreeMap::new();
    let mut visited: BTreeSet<((u16, u16), u16)> = BTreeSet::new();
    let mut extremes: BTreeMap<(u16, u16), (u16, u16)> = BTreeMap::new();
    let mut channels: BTreeMap<(u16, u16), Vec<u16>> = BTreeMap::new();
    // Rates that count, of each setup and temperature: the fastest of them asks most.
    let mut rates: BTreeMap<(u16, u16, u16, u16), BTreeSet<u16>> = BTreeMap::new();
    let celsius = |level: u16| plan.matrix.temperatures[usize::from(level)].0;
    let series = |condition: &Condition| {
        let (chip, module, channel) = condition.setup();
        (chip, module, channel, condition.levels[Factor::Temperature as usize])
    };
    let counts = |judged: &JudgedCondition| !judged.beyond_rating || run.beyond_rating_counts;
    for (index, judged) in (0_u32..).zip(&run.conditions) {
        let condition = judged.condition;
        let module = module_of(&condition);
        let temperature = condition.levels[Factor::Temperature as usize];
        let (cold, hot) = extremes.entry(module).or_insert((temperature, temperature));
        if celsius(temperature) < celsius(*cold) {
            *cold = temperature;
        }
        if celsius(temperature) > celsius(*hot) {
            *hot = temperature;
        }
        let channel = condition.levels[Factor::Channel as usize];
        let list = channels.entry(module).or_default();
        if !list.contains(&channel) {
            list.push(channel);
        }
        if counts(judged) {
            rates.entry(series(&condition)).or_default().insert(condition.levels[Factor::Rate as usize]);
        }
        let foreseen = foreseen.get(&index).copied();
        if foreseen.is_some() {
            visited.insert((module, temperature));
        }
        let share = match judged.state {
            _ if foreseen == Some(Foreseen::JustPasses) => Some(JUST),
            _ if foreseen == Some(Foreseen::JustFails) => Some(-JUST),
            ConditionState::TrainingFailed => Some(-1.0),
            ConditionState::Judged => judged
                .worst()
                .filter(|one| one.limit > 0.0)
                .map(|one| if one.closed { -1.0 } else { one.margin / one.limit }),
            _ => None,
        };
        if let Some(share) = share {
            visited.insert((module, temperature));
            known.entry(module).or_default().push(Known { condition, share });
        }
    }
    let trend = trend(plan, &known);
    let fastest = plan.matrix.rates.iter().map(|rate| rate.mega_transfers()).fold(1.0, f64::max);
    let mega = |level: u16| plan.matrix.rates[usize::from(level)].mega_transfers();
    let mut worths = Vec::with_capacity(run.conditions.len());
    for judged in &run.conditions {
        let condition = judged.condition;
        let module = module_of(&condition);
        let [temperature, rate, channel] = [Factor::Temperature, Factor::Rate, Factor::Channel]
            .map(|factor| condition.levels[factor as usize]);
        let own = mega(rate);
        let faster = rates
            .get(&series(&condition))
            .map_or(0, |all| all.iter().filter(|one| mega(**one) > own).count());
        let (cold, hot) = extremes[&module];
        let untouched =
            (temperature == cold || temperature == hot) && !visited.contains(&(module, temperature));
        let near = known.get(&module).map(|near| nearest(plan, near, &condition, trend, fastest));
        let (value, why) = if !judged.state.is_untouched() {
            (1.0, Decides::Open)
        } else if untouched && counts(judged) && faster == 0 {
            let first = channels[&module].first() == Some(&channel);
            (if first { EXTREME } else { EXTREME_ELSEWHERE }, Decides::Extreme)
        } else if let Some((share, sd)) = near {
            let far = share.abs() / sd;
            // Twice the chance that the other verdict is the true one, of a normal distribution.
            let doubt = 2.0 * statistics::special::normal_sf(far);
            let why = if far < NEAR { Decides::NearLimit } else { Decides::FarFromLimit };
            (doubt.max(LEAST), why)
        } else {
            // The fastest rate that counts says most of those below.
            (1.0 / (1.0 + faster as f64), Decides::Unknown)
        };
        let value = if counts(judged) { value } else { UNCOUNTED * value };
        worths.push(Worth { value, why });
    }
    worths
}

/// How the margin (share of its limit) changes by MT/s: the median over neighbouring rates of what differs in nothing else.
fn trend(plan: &Plan, known: &BTreeMap<(u16, u16), Vec<Known>>) -> Option<f64> {
    let mut series: BTreeMap<Vec<u16>, Vec<(f64, f64)>> = BTreeMap::new();
    for one in known.values().flatten().filter(|one| one.share > -1.0) {
        let mut levels = one.condition.levels;
        levels[Factor::Rate as usize] = 0;
        let rate = one.condition.rate(plan).mega_transfers();
        series.entry(levels.to_vec()).or_default().push((rate, one.share));
    }
    let mut slopes: Vec<f64> = Vec::new();
    for points in series.values_mut() {
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        slopes.extend(points.windows(2).filter_map(|pair| match pair {
            [(slow, a), (fast, b)] if fast > slow => Some((b - a) / (fast - slow)),
            _ => None,
        }));
    }
    slopes.sort_by(f64::total_cmp);
    slopes.get(slopes.len() / 2).copied()
}

/// The margin that the nearest known condition lets expect, and its standard deviation, as shares of the limit.
fn nearest(
    plan: &Plan,
    near: &[Known],
    condition: &Condition,
    trend: Option<f64>,
    fastest: f64,
) -> (f64, f64) {
    let every = near.len().div_ceil(MOST_NEIGHBOURS).max(1);
    let own = near.iter().filter(|one| one.condition.setup() == condition.setup());
    let others = near.iter().step_by(every);
    let own_every = own.clone().count().div_ceil(MOST_NEIGHBOURS).max(1);
    let differs = |one: &Known, factor: Factor| one.condition.level(factor) != condition.level(factor);
    let expected = |one: &Known| {
        let faster = condition.rate(plan).mega_transfers() - one.condition.rate(plan).mega_transfers();
        let kelvin = condition.temperature(plan).0 - one.condition.temperature(plan).0;
        let by_rate = if trend.is_some() { RATE_WITH_TREND } else { RATE } * faster / fastest;
        let mut variance = NOISE * NOISE + by_rate * by_rate + (SEVENTY_KELVIN * kelvin / 70.0).powi(2);
        for factor in [Factor::Supply, Factor::Pattern, Factor::Firmware] {
            variance += if differs(one, factor) { ANOTHER * ANOTHER } else { 0.0 };
        }
        variance += if differs(one, Factor::Channel) { ANOTHER_CHANNEL * ANOTHER_CHANNEL } else { 0.0 };
        (one.share + trend.unwrap_or(0.0) * faster, variance.sqrt())
    };
    own.step_by(own_every)
        .chain(others)
        .map(expected)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Judge;
    use crate::judged::{JudgedMetric, Verdict};
    use nightbench_core::results::{Direction, EyeName};
    use plan::criteria::AcceptanceCriteria;
    use plan::expand::expand;
    use plan::limits::Metric;
    use plan::selection::Selection;

    const PLAN: &str = include_str!("../../../plans/library/highest-rate.toml");

    fn nothing(plan: &Plan) -> JudgedRun {
        let expansion = expand(plan, &Selection::default());
        Judge::new(plan, &expansion, true).judge(&AcceptanceCriteria::of(plan))
    }

    fn measured(run: &mut JudgedRun, index: usize, share: f64) {
        let judged = &mut run.conditions[index];
        judged.state = ConditionState::Judged;
        judged.verdict = Some(if share > 0.0 { Verdict::Pass } else { Verdict::Fail });
        let eye = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
        judged.metrics = vec![JudgedMetric {
            evidence: Default::default(),
            eye,
            metric: Metric::Width,
            lane: 0,
            lanes: 8,
            value: 100.0 + 100.0 * share,
            limit: 100.0,
            margin: 100.0 * share,
            standard_uncertainty: 1.0,
            expanded_uncertainty: 2.0,
            guard_band: 2.0,
            conformance_probability: 0.5,
            wrong_decision_risk: 0.5,
            at_least: false,
            closed: false,
            off_centre: false,
            jobs: 1,
            verdict: judged.verdict.unwrap_or(Verdict::Pass),
            worst_lane: Default::default(),
            parts: Default::default(),
        }];
    }

    /// What is near a limit depends on how far neighbours tell: the words have the number.
    #[test]
    fn near_is_said_with_its_number() {
        let said = format!(
            "within {NEAR} standard deviations of their limit ({:.0} % of it or more)",
            100.0 * NEAR * NOISE
        );
        assert!(Decides::NearLimit.words().contains(&said), "{said}");
    }

    #[test]
    fn extremes_come_first_and_the_fastest_rate_says_most() {
        let plan = Plan::read(PLAN).unwrap();
        let mut run = nothing(&plan);
        let all = worths(&plan, &run);
        let at = |index: usize| (&run.conditions[index], all[index]);
        let temperatures: Vec<f64> = plan.matrix.temperatures.iter().map(|one| one.0).collect();
        let (cold, hot) = (temperatures[0], temperatures[temperatures.len() - 1]);
        let mut extremes = 0;
        for (judged, worth) in (0..all.len()).map(at) {
            let celsius = judged.condition.temperature(&plan).0;
            if worth.why == Decides::Extreme {
                assert!(celsius == cold || celsius == hot, "{}", judged.name);
                assert!(!judged.beyond_rating || run.beyond_rating_counts, "{}", judged.name);
                extremes += 1;
            }
        }
        assert!(extremes > 0);
        let best = all.iter().map(|worth| worth.value).fold(0.0, f64::max);
        assert_eq!(best, EXTREME);
        run.beyond_rating_counts = false;
        let all = worths(&plan, &run);
        let beyond: Vec<f64> = (0..all.len())
            .filter(|index| run.conditions[*index].beyond_rating)
            .map(|index| all[index].value)
            .collect();
        assert!(!beyond.is_empty() && beyond.iter().all(|value| *value <= UNCOUNTED));
    }

    /// A forecast walks on as if its jobs had been done: an extreme is taken once, and a rate that just passes tells of its neighbours.
    #[test]
    fn what_is_foreseen_counts_as_measured() {
        let plan = Plan::read(PLAN).unwrap();
        let run = nothing(&plan);
        let before = worths(&plan, &run);
        let first = before.iter().position(|worth| worth.why == Decides::Extreme).unwrap();
        let alike = |index: usize| {
            let (a, b) = (&run.conditions[index].condition, &run.conditions[first].condition);
            module_of(a) == module_of(b) && a.level(Factor::Temperature) == b.level(Factor::Temperature)
        };
        let extremes = |worths: &[Worth]| {
            (0..worths.len()).filter(|at| alike(*at) && worths[*at].why == Decides::Extreme).count()
        };
        assert!(extremes(&before) > 0);
        for (foreseen, near) in [(Foreseen::Measured, false), (Foreseen::JustPasses, true)] {
            let then = worths_foreseen(&plan, &run, &BTreeMap::from([(first as u32, foreseen)]));
            assert_eq!(extremes(&then), 0, "{foreseen:?}");
            assert_eq!(then.iter().any(|worth| worth.why == Decides::NearLimit), near, "{foreseen:?}");
        }
    }

    #[test]
    fn what_neighbours_put_near_the_limit_is_worth_more_than_what_they_put_far_from_it() {
        let plan = Plan::read(PLAN).unwrap();
        let mut run = nothing(&plan);
        // One series at 25 degC that falls by a fifth of the limit each rate.
        let first = run.conditions.iter().position(|one| one.condition.temperature(&plan).0 == 25.0).unwrap();
        let levels = run.conditions[first].condition.levels;
        let same = |one: &Condition, but: &[Factor]| {
            (0..levels.len())
                .all(|at| but.iter().any(|factor| *factor as usize == at) || one.levels[at] == levels[at])
        };
        let series: Vec<usize> = (0..run.conditions.len())
            .filter(|index| same(&run.conditions[*index].condition, &[Factor::Rate]))
            .collect();
        for (place, index) in series.iter().enumerate() {
            measured(&mut run, *index, 0.5 - 0.2 * place as f64);
        }
        let all = worths(&plan, &run);
        // The neighbours at 0 degC at the rates of 0.5, 0.3 (far) and 0.1, -0.1 (near).
        let beside = |place: usize| {
            let rate = run.conditions[series[place]].condition.levels[Factor::Rate as usize];
            (0..run.conditions.len())
                .find(|index| {
                    let one = &run.conditions[*index].condition;
                    same(one, &[Factor::Rate, Factor::Temperature])
                        && one.levels[Factor::Rate as usize] == rate
                        && one.temperature(&plan).0 == 0.0
                })
                .unwrap()
        };
        assert_eq!(all[beside(2)].why, Decides::NearLimit);
        assert_eq!(all[beside(0)].why, Decides::FarFromLimit);
        assert!(all[beside(2)].value > 5.0 * all[beside(0)].value);
        // A condition that was begun is open.
        let begun = beside(0);
        run.conditions[begun].state = ConditionState::NotMeasured;
        assert_eq!(worths(&plan, &run)[begun].why, Decides::Open);
    }
}
