//! From a plan's jobs to their order on the bench through its calendar, with the hours it takes and the
//! proven bound.

use crate::expand::{Expansion, Job};
use crate::matrix::Factor;
use crate::measure::TrainingPolicy;
use crate::plan::Plan;
use nightbench_core::units::Celsius;
use schedule::{
    Calendar, CalendarEffort, Effort, JobInput, Order, OrderError, Problem, Rules, Scheduled, plan_calendar,
    plan_order, walk,
};

/// Seconds a job is expected to take.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ExpectedTimes {
    /// Capturing every eye.
    pub measuring_s: f64,
    pub training_s: f64,
}

/// The jobs of a plan in order.
#[derive(Debug, Clone)]
pub struct Timetable {
    pub problem: Problem,
    /// The order without the calendar, with the proven bound.
    pub order: Order,
    /// The order that is run: through the calendar.
    pub schedule: Scheduled,
    /// Attended hours; somebody is always there where the plan gives none, or needs hands only at its start.
    pub calendar: Calendar,
}

/// Most jobs that are searched beyond the construction; above it the construction alone is used.
const SEARCHED_JOBS: usize = 20_000;
/// Trials of the calendar above that number of jobs.
const LARGE_TRIALS: usize = 4;
/// Most pairs of mountings that precedences may make.
const MOST_PAIRS: usize = 2_000_000;

/// Orders the jobs of a plan. `expected` gives the seconds of a job.
///
/// # Errors
/// A value no bench can have, a temperature outside the bench's range, precedences in a circle, attended
/// hours that never come.
pub fn timetable(
    plan: &Plan,
    expansion: &Expansion,
    jobs: &[Job],
    mut expected: impl FnMut(&Job) -> ExpectedTimes,
) -> Result<Timetable, OrderError> {
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
                // A change of chip is hands-on, so it counts as a change of module.
                module: u32::from(level(Factor::Module)) * chips + u32::from(level(Factor::Chip)),
                channel: u32::from(level(Factor::Channel)),
                mounting_number: u32::from(job.mounting),
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
    let rules = rules(plan, expansion, jobs, &problem)?;
    let problem = problem.with_rules(rules)?;
    let large = jobs.len() > SEARCHED_JOBS;
    let effort = if large {
        Effort { kicks: 0, compare_nestings: false, ..Effort::default() }
    } else {
        Effort::default()
    };
    let order = plan_order(&problem, effort)?;
    let (calendar, start_min) = match &plan.attended {
        // A night-only plan has one mounting, at its start.
        Some(attended) if plan.order.night_only => (Calendar::always(), attended.start_min),
        Some(attended) => (attended.calendar.clone(), attended.start_min),
        None => (Calendar::always(), 0.0),
    };
    let schedule = if plan.attended.is_some() && !plan.order.night_only {
        let trials = if large { LARGE_TRIALS } else { CalendarEffort::default().trials };
        plan_calendar(&problem, &order, &calendar, start_min, CalendarEffort { seed: 1, trials })?
    } else {
        walk(&problem, &order.sequence, &calendar, start_min)?
    };
    Ok(Timetable { problem, order, schedule, calendar })
}

/// What the plan asks of the order, in terms of mountings and jobs.
fn rules(plan: &Plan, expansion: &Expansion, jobs: &[Job], problem: &Problem) -> Result<Rules, OrderError> {
    let chips = plan.matrix.chips.len().max(1);
    let setups: Vec<(usize, usize)> = problem
        .mountings()
        .iter()
        .map(|m| (plan.matrix.modules[m.module as usize / chips], plan.matrix.channels[m.channel as usize]))
        .collect();
    let inside = |belongs: &dyn Fn(usize, usize) -> bool| -> Vec<u32> {
        (0u32..).zip(&setups).filter(|(_, setup)| belongs(setup.0, setup.1)).map(|(m, _)| m).collect()
    };
    let baseline = plan
        .order
        .baseline
        .and_then(|base| inside(&|module, channel| (module, channel) == base).first().copied());
    let mut before = Vec::new();
    for precedence in &plan.order.before {
        let first = inside(&|module, channel| precedence.first.contains(module, channel));
        let then = inside(&|module, channel| precedence.then.contains(module, channel));
        let count = before.len() + first.len() * then.len();
        if count > MOST_PAIRS {
            return Err(OrderError::TooMany {
                what: "pairs of mountings under [[order.precedence]]",
                count,
                limit: MOST_PAIRS,
            });
        }
        before.extend(first.iter().flat_map(|a| then.iter().map(move |b| (*a, *b))));
    }
    // A narrowed selection may leave the reference out; then nothing is measured again.
    let reference = plan.order.reference.as_ref().and_then(|reference| {
        let matches = |job: &Job| {
            let levels = expansion.conditions[job.condition as usize].levels;
            reference.levels.iter().zip(levels).all(|(wanted, level)| wanted.is_none_or(|w| w == level))
        };
        jobs.iter().position(matches).map(|job| (job as u32, reference.every_jobs))
    });
    let hold_temperature = match plan.training.policy {
        TrainingPolicy::Held { temperature, .. } => plan
            .matrix
            .temperatures
            .iter()
            .position(|level| *level == Celsius(temperature))
            .map(|index| index as u16),
        TrainingPolicy::EveryCondition => None,
    };
    Ok(Rules { cold_first: plan.order.cold_first, baseline, reference, before, hold_temperature })
}
