//! `[highest_rate]`: each series of rates is asked only until the highest passing rate is known.

use crate::expand::Expansion;
use crate::matrix::Factor;
use crate::plan::Plan;
use crate::read_rates::read_rate;
use crate::section::Section;
use nightbench_core::rates::{DataRate, Generation};
use std::collections::HashMap;

/// What a plan asks of the highest rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HighestRate {
    /// Every series must reach it; `None`: the highest rate is found and nothing is asked of it.
    pub at_least: Option<DataRate>,
}

impl HighestRate {
    /// Reads `[highest_rate]`; `None` where the plan measures every rate.
    pub(crate) fn read(section: Option<Section<'_>>, generation: Generation) -> Option<HighestRate> {
        let section = section?;
        let at_least = read_rate(&section, "at_least", generation);
        section.finish();
        Some(HighestRate { at_least })
    }

    /// What the whole plan makes impossible.
    pub(crate) fn check(self, plan: &Plan, section: &Section<'_>) {
        if plan.coverage.rows.is_some() {
            section.mistake(
                "highest_rate",
                "[highest_rate] needs every rate of a series, and [coverage] leaves some out",
                "remove one of the two",
            );
        }
        let rates = &plan.matrix.rates;
        if let (Some(asked), Some(fastest)) = (self.at_least, rates.iter().max())
            && asked > *fastest
        {
            section.mistake(
                "highest_rate",
                format!(
                    "`at_least` asks for {asked} MT/s, and the fastest rate of the matrix is {fastest} MT/s"
                ),
                "add that rate to `rate` in [matrix], or ask for less",
            );
        }
        if rates.len() < 2 {
            section.mistakes().warn(
                section.place("highest_rate"),
                "[highest_rate] has nothing to choose from: the matrix has one rate",
                "list more rates in [matrix]",
            );
        }
    }
}

/// Conditions that differ in their rate alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RateSeries {
    /// Indices into the expansion's conditions, slowest rate first.
    pub conditions: Vec<u32>,
    /// The earlier series that its first question follows: of the same setup, at the nearest temperature.
    pub follows: Option<usize>,
}

/// The series of a plan. `order`: indices of conditions as their jobs run; what is not in it belongs to no series.
pub fn rate_series(
    plan: &Plan,
    expansion: &Expansion,
    order: impl IntoIterator<Item = u32>,
) -> Vec<RateSeries> {
    let mut places = HashMap::new();
    let mut series: Vec<RateSeries> = Vec::new();
    for index in order {
        let mut levels = expansion.conditions[index as usize].levels;
        levels[Factor::Rate as usize] = 0;
        let place = *places.entry(levels).or_insert_with(|| {
            series.push(RateSeries { conditions: Vec::new(), follows: None });
            series.len() - 1
        });
        if !series[place].conditions.contains(&index) {
            series[place].conditions.push(index);
        }
    }
    let rate = |index: &u32| expansion.conditions[*index as usize].rate(plan);
    for one in &mut series {
        one.conditions.sort_by_key(rate);
    }
    let first = |place: usize| &expansion.conditions[series[place].conditions[0] as usize];
    let follows: Vec<Option<usize>> = (0..series.len())
        .map(|place| {
            let own = first(place);
            let away = |other: &usize| {
                let celsius = first(*other).temperature(plan).0 - own.temperature(plan).0;
                let differs = |factor: Factor| first(*other).level(factor) != own.level(factor);
                ((celsius.abs() * 1000.0) as u64, differs(Factor::Supply), differs(Factor::Pattern))
            };
            (0..place).filter(|other| first(*other).setup() == own.setup()).min_by_key(away)
        })
        .collect();
    for (one, follows) in series.iter_mut().zip(follows) {
        one.follows = follows;
    }
    series
}
