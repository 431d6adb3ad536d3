//! From the matrix to conditions and jobs: what is run, what is left out and why.

use crate::matrix::{FACTORS, Factor};
use crate::plan::Plan;
use crate::selection::Selection;

pub use crate::condition::Condition;

/// A condition that is not run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Skipped {
    pub condition: Condition,
    /// Index into [`Expansion::reasons`].
    pub reason: u32,
}

/// The expanded matrix.
#[derive(Debug, Clone, PartialEq)]
pub struct Expansion {
    /// Conditions to be run, nested as the factors are listed.
    pub conditions: Vec<Condition>,
    pub skipped: Vec<Skipped>,
    /// Reasons, named by `skipped`.
    pub reasons: Vec<String>,
    /// The reason that says a condition needs hands; `None` unless the plan is night-only.
    hands: Option<u32>,
}

impl Expansion {
    /// Was it left out only because it needs hands?
    pub fn needs_hands(&self, skipped: &Skipped) -> bool {
        self.hands == Some(skipped.reason)
    }
}

/// Which conditions of a plan are left out by what fits and by `[[skip]]`.
pub struct SkipRule<'p> {
    plan: &'p Plan,
    reasons: Vec<String>,
    /// For each pair of module and channel level that does not fit, the reason of the skip.
    unfit: Vec<Option<u32>>,
    /// Which module levels each skip's kinds name.
    kinds: Vec<Option<Vec<bool>>>,
}

impl<'p> SkipRule<'p> {
    pub fn new(plan: &'p Plan) -> SkipRule<'p> {
        let counts = plan.matrix.level_counts();
        let mut reasons: Vec<String> = plan.skips.iter().map(|skip| skip.reason.clone()).collect();
        let mut unfit = vec![None; counts[Factor::Module as usize] * counts[Factor::Channel as usize]];
        for (m, module_index) in plan.matrix.modules.iter().enumerate() {
            for (c, channel_index) in plan.matrix.channels.iter().enumerate() {
                let (module, channel) = (&plan.modules[*module_index], &plan.channels[*channel_index]);
                if !channel.fits.contains(&module.bus_kind()) {
                    let reason =
                        format!("channel {} takes no {} module", channel.name, module.bus_kind().name());
                    unfit[m * plan.matrix.channels.len() + c] = Some(number_of(&mut reasons, reason));
                }
            }
        }
        let of_kind = |kinds: &Vec<_>| {
            let named = |index: &usize| kinds.contains(&plan.modules[*index].bus_kind());
            plan.matrix.modules.iter().map(named).collect()
        };
        let kinds = plan.skips.iter().map(|skip| (!skip.kinds.is_empty()).then(|| of_kind(&skip.kinds)));
        SkipRule { plan, unfit, kinds: kinds.collect(), reasons }
    }

    /// Why a condition is left out (index into [`SkipRule::reasons`]), if it is.
    pub fn of(&self, condition: &Condition) -> Option<u32> {
        let plan = self.plan;
        let pair =
            condition.level(Factor::Module) * plan.matrix.channels.len() + condition.level(Factor::Channel);
        if let Some(reason) = self.unfit[pair] {
            return Some(reason);
        }
        plan.skips
            .iter()
            .zip(&self.kinds)
            .position(|(skip, kinds)| {
                kinds.as_ref().is_none_or(|set| set[condition.level(Factor::Module)])
                    && skip
                        .levels
                        .iter()
                        .zip(condition.levels)
                        .all(|(set, level)| set.as_ref().is_none_or(|set| set[usize::from(level)]))
            })
            .map(|index| index as u32)
    }

    pub fn reasons(&self) -> &[String] {
        &self.reasons
    }
}

/// Index of a reason, which is added if new.
fn number_of(reasons: &mut Vec<String>, reason: String) -> u32 {
    let at = reasons.iter().position(|known| *known == reason).unwrap_or_else(|| {
        reasons.push(reason);
        reasons.len() - 1
    });
    at as u32
}

/// Every combination of levels, first factor outermost.
fn every_condition(plan: &Plan) -> impl Iterator<Item = Condition> + use<> {
    let counts = plan.matrix.level_counts();
    let mut next = (!counts.contains(&0)).then_some([0u16; FACTORS]);
    std::iter::from_fn(move || {
        let levels = next?;
        let mut after = levels;
        next = (0..FACTORS).rev().find_map(|factor| {
            after[factor] += 1;
            if usize::from(after[factor]) < counts[factor] {
                return Some(after);
            }
            after[factor] = 0;
            None
        });
        Some(Condition { levels })
    })
}

/// The setup of a night-only plan, as its levels of chip, module and channel: the one named, else the one
/// with the most conditions. `None` for other plans.
fn night_setup(plan: &Plan, rule: &SkipRule<'_>) -> Option<(u16, u16, u16)> {
    if !plan.order.night_only {
        return None;
    }
    if let Some((module, channel)) = plan.order.mounted {
        let level = |list: &[usize], index| list.iter().position(|known| *known == index);
        let (m, c) = (level(&plan.matrix.modules, module), level(&plan.matrix.channels, channel));
        // A setup outside the matrix leaves nothing to run.
        return Some((0, m.map_or(u16::MAX, |m| m as u16), c.map_or(u16::MAX, |c| c as u16)));
    }
    let mut counts: std::collections::BTreeMap<(u16, u16, u16), usize> = Default::default();
    for condition in every_condition(plan) {
        if rule.of(&condition).is_none() && plan.coverage.contains(&condition.levels) {
            *counts.entry(condition.setup()).or_default() += 1;
        }
    }
    let most = counts.values().copied().max()?;
    counts.into_iter().find(|(_, count)| *count == most).map(|(setup, _)| setup)
}

/// The setups with a condition that is not skipped, as (module, channel) indices into the declared lists.
pub fn setups(plan: &Plan) -> Vec<(usize, usize)> {
    let rule = SkipRule::new(plan);
    let channels = plan.matrix.channels.len();
    let mut found = vec![false; plan.matrix.modules.len() * channels];
    for condition in every_condition(plan) {
        let at = condition.level(Factor::Module) * channels + condition.level(Factor::Channel);
        found[at] = found[at] || rule.of(&condition).is_none();
    }
    let listed = found.iter().enumerate().filter(|(_, found)| **found);
    listed.map(|(at, _)| (plan.matrix.modules[at / channels], plan.matrix.channels[at % channels])).collect()
}

/// The first condition that is run and has the levels named.
pub fn first_condition(plan: &Plan, levels: &[Option<u16>; FACTORS]) -> Option<Condition> {
    let rule = SkipRule::new(plan);
    every_condition(plan).find(|condition| {
        condition
            .levels
            .iter()
            .zip(levels)
            .all(|(level, wanted)| wanted.is_none_or(|wanted| wanted == *level))
            && rule.of(condition).is_none()
            && plan.coverage.contains(&condition.levels)
    })
}

/// Expands the matrix of a plan, narrowed to a selection.
pub fn expand(plan: &Plan, only: &Selection) -> Expansion {
    let rule = SkipRule::new(plan);
    let night = night_setup(plan, &rule);
    let mut reasons = rule.reasons().to_vec();
    let uncovered = (plan.coverage.rows.is_some()).then(|| number_of(&mut reasons, plan.coverage.reason()));
    // A reason of its own, even where a skip gives the same words.
    let hands = night.map(|_| {
        reasons.push("needs hands: another setup than the one mounted for the night".into());
        reasons.len() as u32 - 1
    });
    let left_out = |condition: &Condition| {
        rule.of(condition)
            .or_else(|| uncovered.filter(|_| !plan.coverage.contains(&condition.levels)))
            .or_else(|| hands.filter(|_| night.is_some_and(|setup| setup != condition.setup())))
    };
    let mut expansion = Expansion { conditions: Vec::new(), skipped: Vec::new(), reasons: Vec::new(), hands };
    for condition in every_condition(plan).filter(|condition| only.contains(condition)) {
        match left_out(&condition) {
            Some(reason) => expansion.skipped.push(Skipped { condition, reason }),
            None => expansion.conditions.push(condition),
        }
    }
    expansion.reasons = reasons;
    expansion
}

/// One condition to be measured once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Job {
    /// Index into the expansion's conditions.
    pub condition: u32,
    /// Mounting number of the setup, from 0.
    pub mounting: u16,
    /// Which measurement in that mounting, from 0.
    pub repeat: u16,
    /// Which start, from 0.
    pub start: u16,
}

/// Every job of the expansion, conditions outermost within a mounting.
pub fn jobs(plan: &Plan, expansion: &Expansion) -> Vec<Job> {
    // A re-seat needs hands: a night-only plan has one mounting.
    let mountings = if plan.order.night_only { 1 } else { plan.repeats.mountings };
    let count = expansion.conditions.len() as u64 * plan.repeats.jobs();
    let mut jobs = Vec::with_capacity(usize::try_from(count).unwrap_or(0));
    for mounting in 0..mountings {
        for condition in 0..expansion.conditions.len() as u32 {
            for repeat in 0..plan.repeats.repeats {
                for start in 0..plan.repeats.starts {
                    jobs.push(Job { condition, mounting, repeat, start });
                }
            }
        }
    }
    jobs
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: &str = include_str!("../../library/quick-look.toml");

    fn plan() -> Plan {
        Plan::read(PLAN).expect("the library's plan is sound")
    }

    #[test]
    fn what_cannot_be_fitted_is_skipped_with_that_reason() {
        let plan = plan();
        let expansion = expand(&plan, &Selection::default());
        assert_eq!(expansion.conditions.len() + expansion.skipped.len(), plan.matrix.combinations() as usize);
        for skipped in &expansion.skipped {
            let (module, channel) = (skipped.condition.module(&plan), skipped.condition.channel(&plan));
            let fits = channel.fits.contains(&module.bus_kind());
            let reason = &expansion.reasons[skipped.reason as usize];
            assert_eq!(!fits, reason.starts_with("channel "), "{reason}");
        }
    }

    /// One level more would be numbered 0 again, and the walk through all combinations never end.
    #[test]
    fn more_levels_than_a_condition_can_number_are_refused() {
        use crate::matrix::MOST_LEVELS;
        let with = |count: usize| {
            let levels: Vec<String> = (0..count).map(|at| format!("{:.3}", at as f64 / 1000.0)).collect();
            let text = include_str!("../../../tests/corpus/plans/sound-small.toml");
            let begin = text.find("temperature_degc").expect("a temperature");
            let end = begin + text[begin..].find('\n').expect("a line");
            format!("{}temperature_degc = [{}]{}", &text[..begin], levels.join(", "), &text[end..])
        };
        let plan =
            Plan::read(&with(MOST_LEVELS)).unwrap_or_else(|mistakes| panic!("{}", mistakes[0].message));
        let expansion = expand(&plan, &Selection::default());
        let expanded = expansion.conditions.len() + expansion.skipped.len();
        assert_eq!(expanded as u128, plan.matrix.combinations());
        let mistakes = Plan::read(&with(MOST_LEVELS + 1)).unwrap_err();
        assert!(
            mistakes.iter().any(|one| one.message.contains("65536 levels of the factor temperature")),
            "{mistakes:?}"
        );
    }
}
