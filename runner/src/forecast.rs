//! What a plan will take: conditions, jobs, their order and hours, before anything runs.

use crate::capture::{CaptureOptions, Regime, visit_cost};
use crate::exit::{Exit, Failure};
use drivers::contract::EyeCapabilities;
use plans::capture_cost::{CapturePlan, predict_seconds};
use plans::expand::{Condition, Expansion, Job, Selection, expand, jobs};
use plans::order::{Order, Problem};
use plans::plan::Plan;
use plans::timetable::{ExpectedTimes, timetable};

/// A plan's jobs in the order they will run.
pub struct Forecast {
    /// The expanded matrix.
    pub expansion: Expansion,
    /// The jobs in the order they run. A job that the order measures again is a further repeat.
    pub jobs: Vec<Job>,
    /// The ordering problem.
    pub problem: Problem,
    /// Its order, with the bound.
    pub order: Order,
}

impl Forecast {
    /// Expands and orders a plan, narrowed to a selection.
    ///
    /// # Errors
    /// Exit 4 for an empty selection; exit 2 for a wrong selection or times no bench can have.
    pub fn new(plan: &Plan, only: &[String]) -> Result<Forecast, Failure> {
        let selection = Selection::read(plan, only).map_err(Failure::invalid)?;
        let expansion = expand(plan, &selection);
        if expansion.conditions.is_empty() {
            return Err(Failure::new(
                Exit::NothingSelected,
                format!(
                    "nothing to run: the selection holds {} conditions, all skipped; see [[skip]] and `fits`",
                    expansion.skipped.len()
                ),
            ));
        }
        let listed = jobs(plan, &expansion);
        let expected = Expected::new(plan);
        let (problem, order) = timetable(plan, &expansion, &listed, |job| {
            expected.of(&expansion.conditions[job.condition as usize])
        })
        .map_err(|error| Failure::invalid(error.to_string()))?;
        let mut times_run = vec![0u16; listed.len()];
        let jobs = order
            .sequence
            .iter()
            .map(|index| {
                let job = listed[*index as usize];
                let again = times_run[*index as usize];
                times_run[*index as usize] += 1;
                Job { repeat: job.repeat + again * plan.repeats.repeats, ..job }
            })
            .collect();
        Ok(Forecast { expansion, jobs, problem, order })
    }
}

/// Seconds a job is expected to take.
pub struct Expected<'p> {
    plan: &'p Plan,
}

impl<'p> Expected<'p> {
    /// For the jobs of a plan on the simulated target.
    pub fn new(plan: &'p Plan) -> Expected<'p> {
        Expected { plan }
    }

    /// Of a job at a condition.
    pub fn of(&self, condition: &Condition) -> ExpectedTimes {
        let eyes = drivers::simulated::target::expected_eyes(
            &self.plan.interface,
            condition.module(self.plan),
            condition.rate(self.plan),
            condition.supply(self.plan),
            &self.plan.capture.directions,
        );
        let measuring_s = eyes.iter().map(|eye| expected_seconds(self.plan, eye)).sum();
        ExpectedTimes { measuring_s, training_s: drivers::simulated::target::TRAINING_S }
    }
}

fn expected_seconds(plan: &Plan, eye: &EyeCapabilities) -> f64 {
    predict_seconds(&CapturePlan {
        mode: plan.capture.mode,
        rule: plan.capture.rule,
        taps: eye.grid.taps,
        vref_steps: eye.grid.vref_steps,
        lane_spread_taps: None,
        cost: visit_cost(eye),
    })
    .seconds
}

/// The capture options a plan asks for.
pub fn capture_options(plan: &Plan) -> CaptureOptions {
    let mut options = CaptureOptions::new(plan.capture.mode, plan.capture.rule);
    options.regime =
        plan.capture.short_dwell.map(|short| if short { Regime::ShortDwell } else { Regime::LongDwell });
    options
}
