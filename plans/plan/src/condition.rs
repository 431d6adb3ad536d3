//! A condition: one level of each factor.

use crate::matrix::{FACTORS, Factor};
use crate::plan::Plan;
use nightbench_core::devices::{Channel, Chip, Firmware, Module, Pattern, Supply};
use nightbench_core::rates::DataRate;
use nightbench_core::units::Celsius;

/// One level of each factor, as indices into the matrix's levels in the order of [`Factor::ALL`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Condition {
    pub levels: [u16; FACTORS],
}

impl Condition {
    pub fn level(&self, factor: Factor) -> usize {
        usize::from(self.levels[factor as usize])
    }
    pub fn chip<'p>(&self, plan: &'p Plan) -> &'p Chip {
        &plan.chips[plan.matrix.chips[self.level(Factor::Chip)]]
    }
    /// The firmware image, where the plan declares any.
    pub fn firmware<'p>(&self, plan: &'p Plan) -> Option<&'p Firmware> {
        plan.matrix.firmwares.get(self.level(Factor::Firmware)).map(|index| &plan.firmwares[*index])
    }
    pub fn module<'p>(&self, plan: &'p Plan) -> &'p Module {
        &plan.modules[plan.matrix.modules[self.level(Factor::Module)]]
    }
    pub fn channel<'p>(&self, plan: &'p Plan) -> &'p Channel {
        &plan.channels[plan.matrix.channels[self.level(Factor::Channel)]]
    }
    pub fn rate(&self, plan: &Plan) -> DataRate {
        plan.matrix.rates[self.level(Factor::Rate)]
    }
    pub fn temperature(&self, plan: &Plan) -> Celsius {
        plan.matrix.temperatures[self.level(Factor::Temperature)]
    }
    pub fn supply<'p>(&self, plan: &'p Plan) -> &'p Supply {
        &plan.supplies[plan.matrix.supplies[self.level(Factor::Supply)]]
    }
    pub fn pattern<'p>(&self, plan: &'p Plan) -> &'p Pattern {
        &plan.matrix.patterns[self.level(Factor::Pattern)]
    }
    pub fn beyond_rating(&self, plan: &Plan) -> bool {
        self.rate(plan) > self.module(plan).rated
    }
    /// Setup as (chip, module, channel) levels: changing it is hands-on.
    pub fn setup(&self) -> (u16, u16, u16) {
        let at = |factor: Factor| self.levels[factor as usize];
        (at(Factor::Chip), at(Factor::Module), at(Factor::Channel))
    }
    /// Level names separated by commas, leaving out factors with a single level unless all have one.
    pub fn describe(&self, plan: &Plan) -> String {
        self.words(plan, None)
    }

    /// As [`Condition::describe`], without one factor.
    pub fn describe_without(&self, plan: &Plan, factor: Factor) -> String {
        self.words(plan, Some(factor))
    }

    fn words(&self, plan: &Plan, without: Option<Factor>) -> String {
        let counts = plan.matrix.level_counts();
        let mut words = Vec::new();
        for (_, factor) in Factor::ALL {
            let always =
                matches!(factor, Factor::Module | Factor::Channel | Factor::Rate | Factor::Temperature);
            if (always || counts[factor as usize] > 1) && without != Some(factor) {
                let name = plan.level_name(factor, self.level(factor));
                words.push(match factor {
                    Factor::Rate => format!("{name} MT/s"),
                    Factor::Temperature => format!("{name} °C"),
                    _ => name,
                });
            }
        }
        words.join(", ")
    }
}
