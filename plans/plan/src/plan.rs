//! The plan as it is kept: what is declared, varied, measured and judged.

use crate::attended::Attended;
use crate::bench_file::BenchLimits;
use crate::budget::BudgetConfig;
use crate::coverage::Coverage;
use crate::diagnosis::Diagnosis;
use crate::fitted_model::FittedModel;
use crate::highest_rate::HighestRate;
use crate::limits::{DecisionRule, Limit};
use crate::matrix::{FACTORS, Factor, Matrix, Skip};
use crate::measure::{CapturePlan, Repeats, Training};
use crate::ordering::OrderConfig;
use crate::predicted::Predicted;
use crate::release::ReleaseConfig;
use crate::section::Mistake;
use nightbench_core::devices::{Channel, Chip, Firmware, Interface, ModelValue, Module, Supply};
use nightbench_core::units::Celsius;
use schedule::BenchTimes;

/// A plan, read and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Title, as printed on the report.
    pub title: String,
    /// What the run is for.
    pub purpose: Option<String>,
    /// Laboratory and location, as printed on the report.
    pub laboratory: Option<String>,
    pub interface: Interface,
    pub chips: Vec<Chip>,
    pub firmwares: Vec<Firmware>,
    pub modules: Vec<Module>,
    pub channels: Vec<Channel>,
    pub supplies: Vec<Supply>,
    pub matrix: Matrix,
    pub skips: Vec<Skip>,
    pub training: Training,
    pub capture: CapturePlan,
    pub repeats: Repeats,
    /// Tolerance limits: every metric with a limit is judged.
    pub limits: Vec<Limit>,
    pub decision: DecisionRule,
    /// Lines added to the uncertainty budget, and studies that give some.
    pub budget: BudgetConfig,
    /// What a release asks for.
    pub release: ReleaseConfig,
    /// Rates are asked until the highest passing one is known; `None`: every rate is measured.
    pub highest_rate: Option<HighestRate>,
    /// Verdicts that are not worth their hours are predicted; `None`: every condition is measured.
    pub predicted: Option<Predicted>,
    /// Extra jobs that tell why the worst conditions are so; `None`: none are measured.
    pub diagnosis: Option<Diagnosis>,
    pub order: OrderConfig,
    pub times: BenchTimes,
    /// Attended hours and start of the run; `None` = somebody is always there.
    pub attended: Option<Attended>,
    pub coverage: Coverage,
    /// Values of the simulated target's model that differ from the defaults.
    pub model: Vec<ModelValue>,
    /// The fitted model that `[model]` names; its figures stand in `model`.
    pub fitted: Option<FittedModel>,
    /// What is allowed, but probably not meant, each with its place.
    pub warnings: Vec<Mistake>,
    /// The bench's limits as far as the plan narrows them.
    pub bench_limits: BenchLimits,
}

impl Plan {
    /// Printed name of a level of a factor (index into the matrix's levels).
    pub fn level_name(&self, factor: Factor, level: usize) -> String {
        let matrix = &self.matrix;
        match factor {
            Factor::Chip => self.chips[matrix.chips[level]].name.clone(),
            Factor::Firmware => matrix
                .firmwares
                .get(level)
                .map_or_else(|| "as loaded".into(), |index| self.firmwares[*index].name.clone()),
            Factor::Module => self.modules[matrix.modules[level]].name.clone(),
            Factor::Channel => self.channels[matrix.channels[level]].name.clone(),
            Factor::Rate => matrix.rates[level].to_string(),
            Factor::Temperature => temperature_name(matrix.temperatures[level]),
            Factor::Supply => self.supplies[matrix.supplies[level]].name.clone(),
            Factor::Pattern => matrix.patterns[level].name(),
        }
    }

    /// A combination of levels in words, for example `module Cedar, rate 3200`.
    pub fn combination_words(&self, combination: &[(Factor, u16)]) -> String {
        let words = combination.iter().map(|(factor, level)| {
            format!("{} {}", factor.name(), self.level_name(*factor, usize::from(*level)))
        });
        words.collect::<Vec<_>>().join(", ")
    }

    /// Printed names of every factor's levels, in the order of [`Factor::ALL`].
    pub fn level_names(&self) -> [Vec<String>; FACTORS] {
        let counts = self.matrix.level_counts();
        std::array::from_fn(|index| {
            (0..counts[index]).map(|level| self.level_name(Factor::ALL[index].1, level)).collect()
        })
    }
}

/// A temperature as a level's name.
pub(crate) fn temperature_name(temperature: Celsius) -> String {
    format!("{}", temperature.0)
}
