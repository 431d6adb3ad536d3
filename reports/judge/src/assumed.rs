//! What a plan leaves to be assumed: contributions to the uncertainty that neither its own jobs nor a study will say.

use nightbench_core::devices::ModuleKind;
use nightbench_core::results::Direction;
use plan::Plan;
use plan::budget::BudgetLine;
use plan::criteria::AcceptanceCriteria;
use plan::limits::Metric;
use std::collections::BTreeSet;

/// A contribution to the uncertainty that is assumed, for these metrics.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Assumption {
    /// Line of the budget.
    pub contribution: &'static str,
    /// What it takes to measure it.
    remedy: &'static str,
    /// Metrics judged with it.
    pub metrics: Vec<Metric>,
}

impl Assumption {
    /// In a sentence without a full stop: what is assumed, and what would measure it.
    pub fn words(&self) -> String {
        let names: Vec<&str> = self.metrics.iter().map(|metric| metric.name()).collect();
        let names = names.join(", ");
        format!(
            "{} ({names}) is assumed, not measured: {}, or name a study in [[uncertainty]]",
            self.contribution, self.remedy
        )
    }
}

/// What a plan's verdicts by these criteria (studies replaced by their lines) will rest on without having been measured.
pub fn assumptions(plan: &Plan, criteria: &AcceptanceCriteria) -> Vec<Assumption> {
    let judged: BTreeSet<(Metric, Direction)> =
        criteria.limits.iter().map(|limit| (limit.metric, limit.direction)).collect();
    let repeats = &plan.repeats;
    let soldered = plan.matrix.modules.iter().any(|index| plan.modules[*index].kind == ModuleKind::Soldered);
    let seats = if soldered {
        "a soldered device has no seat: measure several boards, each a [[module]]"
    } else {
        "ask for `re_seats` in [repeats]"
    };
    [
        ("repeatability", repeats.repeats * repeats.starts > 1, "ask for `repeats` in [repeats]"),
        ("re-seating", repeats.mountings > 1, seats),
    ]
    .into_iter()
    .filter(|(_, measured, _)| !measured)
    .map(|(contribution, _, remedy)| {
        let given = |(metric, direction): &(Metric, Direction)| {
            let applies = |line: &BudgetLine| line.name == contribution && line.applies(*metric, *direction);
            criteria.budget.lines.iter().any(applies)
        };
        let mut metrics: Vec<Metric> =
            judged.iter().filter(|one| !given(one)).map(|(metric, _)| *metric).collect();
        metrics.dedup();
        Assumption { contribution, remedy, metrics }
    })
    .filter(|assumption| !assumption.metrics.is_empty())
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan::budget::LineUnit;

    #[test]
    fn what_neither_repeats_nor_a_line_gives_is_assumed() {
        let mut plan = Plan::read(include_str!("../../../plans/library/quick-look.toml")).expect("sound");
        let mut criteria = AcceptanceCriteria::of(&plan);
        let names = |found: &[Assumption]| found.iter().map(|one| one.contribution).collect::<Vec<_>>();
        let found = assumptions(&plan, &criteria);
        assert_eq!(names(&found), ["repeatability", "re-seating"]);
        assert_eq!(
            found[0].words(),
            "repeatability (width, height) is assumed, not measured: ask for `repeats` in [repeats], or name a study \
             in [[uncertainty]]"
        );
        plan.repeats.repeats = 2;
        assert_eq!(names(&assumptions(&plan, &criteria)), ["re-seating"]);
        let line = |metric| BudgetLine {
            name: "re-seating".into(),
            unit: LineUnit::Picoseconds,
            metric,
            direction: None,
            standard_uncertainty: 1.0,
            degrees_of_freedom: None,
            source: "invented".into(),
        };
        criteria.budget.lines.push(line(Some(Metric::Width)));
        assert_eq!(assumptions(&plan, &criteria)[0].metrics, [Metric::Height]);
    }
}
