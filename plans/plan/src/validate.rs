//! What the tables of a plan make together: conditions chosen, and every check that needs more than one
//! table.

use crate::choose_rows::choose_rows;
use crate::expand;
use crate::limits::Limit;
use crate::matrix::{FACTORS, Matrix};
use crate::measure::{Training, TrainingPolicy};
use crate::plan::{Plan, temperature_name};
use crate::section::{Placed, Section};
use crate::warnings;
use nightbench_core::devices::Supply;
use nightbench_core::units::Celsius;

/// The tables of a plan as they were read.
pub(crate) struct Read {
    /// Without the rows of its coverage.
    pub(crate) plan: Plan,
    /// Its limits with their places.
    pub(crate) limits: Vec<Placed<Limit>>,
    /// Baseline of the coverage: one level of each factor, where one is named.
    pub(crate) baseline: [Option<u16>; FACTORS],
    /// Was there a matrix?
    pub(crate) matrix_read: bool,
    /// Are interface and every factor's levels there?
    pub(crate) whole: bool,
}

/// Chooses the conditions and checks what the tables make together; `section` is the whole file.
pub(crate) fn validate(read: Read, section: &Section<'_>) -> Plan {
    let Read { mut plan, limits, baseline, matrix_read, whole } = read;
    if matrix_read {
        check_held(&plan.training, &plan.matrix, &plan.supplies, section);
    }
    if whole {
        warnings::limits(&limits, &plan.interface, &plan.matrix, &plan.capture, &plan.supplies, section);
    }
    if section.mistakes().is_empty() {
        match choose_rows(&plan, baseline) {
            Ok(coverage) => plan.coverage = coverage,
            Err(words) => {
                let place = section.table("coverage").map_or(0..0, |table| table.place("kind"));
                let remedy = "choose another baseline, fewer levels or a lower strength";
                section.mistakes().add(place, words, Some(remedy.into()));
            }
        }
    }
    if whole {
        check_circle(&plan, section);
        check_reference(&plan, section);
    }
    plan
}

fn check_reference(plan: &Plan, section: &Section<'_>) {
    let Some(reference) = &plan.order.reference else { return };
    if section.mistakes().is_empty() && expand::first_condition(plan, &reference.levels).is_none() {
        section.mistake(
            "order",
            "the reference job of [order] is not a condition that is run: it is skipped or does not fit",
            "choose other levels in [order.reference]",
        );
    }
}

fn check_circle(plan: &Plan, section: &Section<'_>) {
    if plan.order.before.is_empty() {
        return;
    }
    let Some(circle) = plan.order.circle(&expand::setups(plan)) else { return };
    let names: Vec<String> = circle
        .iter()
        .chain(circle.first())
        .map(|(module, channel)| {
            format!("{} on {}", plan.modules[*module].name, plan.channels[*channel].name)
        })
        .collect();
    let span = plan.order.before.last().map_or(0..0, |last| last.span.clone());
    section.mistakes().add(
        span,
        format!("the precedences form a circle: {}", names.join(" before ")),
        Some("remove one of the [[order.precedence]] on it (the baseline comes before everything)".into()),
    );
}

fn check_held(training: &Training, matrix: &Matrix, supplies: &[Supply], section: &Section<'_>) {
    let TrainingPolicy::Held { temperature, supply } = &training.policy else { return };
    if !matrix.temperatures.contains(&Celsius(*temperature)) {
        let levels: Vec<String> = matrix.temperatures.iter().map(|level| temperature_name(*level)).collect();
        section.mistake(
            "training",
            format!("training is held from {temperature} °C, which is not a temperature of the matrix"),
            format!("choose one of {} °C, or add it to `temperature_degc`", levels.join(", ")),
        );
    }
    if let Some(name) = supply
        && !supplies.iter().any(|supply| supply.name == *name)
        && !section.mistakes().is_broken("supply", name)
    {
        section.mistake(
            "training",
            format!("training is held from the supply `{name}`, which is not declared"),
            "declare it with [[supply]]",
        );
    }
}
