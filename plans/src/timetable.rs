//! From a plan's jobs to their order on the bench, with the hours it takes and the proven bound.

use crate::expand::{Expansion, Job};
use crate::order::{Effort, JobInput, Order, OrderError, Problem, Rules, plan_order};
use crate::plan::Plan;
use crate::plan::matrix::Factor;
use crate::plan::measure::TrainingPolicy;
use crate::units::Celsius;

/// Seconds a job is expected to take.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ExpectedTimes {
    /// Capturing every eye.
    pub measuring_s: f64,
    /// Training.
    pub training_s: f64,
}

/// Most jobs that are searched beyond the construction; above it the construction alone is used.
const SEARCHED_JOBS: usize = 20_000;

/// Orders the jobs of a plan. `expected` gives the seconds of a job.
///
/// # Errors
/// A value no bench can have, a temperature outside the bench's range, precedences in a circle.
pub fn timetable(
    plan: &Plan,
    expansion: &Expansion,
    jobs: &[Job],
    mut expected: impl FnMut(&Job) -> ExpectedTimes,
) -> Result<(Problem, Order), OrderError> {
    let held = matches!(plan.training.policy, TrainingPolicy::Held { .. });
    let chips = plan.matrix.chips.len() as u32;
    let patterns = plan.matrix.patterns.len() as u16;
    let input: Vec<JobInput> = jobs
        .iter()
        .map(|job| {
            let condition = &expansion.conditions[job.condition as usize];
            let level = |factor: Factor| condition.levels[factor as usize];
            let times = expected(job);
            JobInput {
                // A change of chip is a change of what is plugged into the module side of the work as well.
                module: u32::from(level(Factor::Module)) * chips + u32::from(level(Factor::Chip)),
                channel: u32::from(level(Factor::Channel)),
                seat: u32::from(job.mounting),
                temperature: level(Factor::Temperature),
                supply: level(Factor::Supply),
                rate: level(Factor::Rate) * patterns + level(Factor::Pattern),
                measure_s: times.measuring_s,
                train_s: times.training_s,
                held,
            }
        })
        .collect();
    let temperatures: Vec<f64> = plan.matrix.temperatures.iter().map(|level| level.0).collect();
    let problem = Problem::new(plan.times.clone(), temperatures, &input)?;
    let hold_temperature = match plan.training.policy {
        TrainingPolicy::Held { temperature, .. } => plan
            .matrix
            .temperatures
            .iter()
            .position(|level| *level == Celsius(temperature))
            .map(|index| index as u16),
        TrainingPolicy::EveryCondition => None,
    };
    let baseline = plan.wishes.baseline.and_then(|(module, channel)| {
        let first = jobs.iter().position(|job| {
            let condition = &expansion.conditions[job.condition as usize];
            plan.matrix.modules[condition.level(Factor::Module)] == module
                && plan.matrix.channels[condition.level(Factor::Channel)] == channel
        })?;
        let wanted = &input[first];
        problem
            .mountings()
            .iter()
            .position(|known| {
                known.module == wanted.module && known.channel == wanted.channel && known.seat == wanted.seat
            })
            .map(|index| index as u32)
    });
    let reference = plan.reference.as_ref().and_then(|wishes| {
        let index = jobs.iter().position(|job| {
            expansion.conditions[job.condition as usize].levels == wishes.levels
                && (job.mounting, job.repeat, job.start) == (0, 0, 0)
        })?;
        Some((index as u32, wishes.every_jobs))
    });
    let rules = Rules {
        cold_first: plan.wishes.cold_first,
        baseline,
        reference,
        before: Vec::new(),
        hold_temperature,
    };
    let problem = problem.with_rules(rules)?;
    let effort = if jobs.len() > SEARCHED_JOBS {
        Effort { kicks: 0, compare_nestings: false, ..Effort::default() }
    } else {
        Effort::default()
    };
    let order = plan_order(&problem, effort)?;
    Ok((problem, order))
}
