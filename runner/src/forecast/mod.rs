//! What a plan will take: conditions, jobs, their order and hours, before anything runs.

pub mod bench_clock;
pub mod capture_hours;
pub mod folder_facts;
pub mod full_eye;
pub mod job_counts;
pub mod merge_clock;
pub mod setup_list;
pub mod shard;
pub mod walked_nights;

use crate::capture::{CaptureOptions, Regime, SWEEP_BITS, visit_cost};
use crate::console::exit::{Exit, Failure};
use contract::EyeCapabilities;
use nightbench_core::capture_cost::{CapturePlan, predict_seconds};
use nightbench_core::devices::Module;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::CaptureMode;
use nightbench_core::rim_forecast::{Lanes, rim};
use nightbench_core::text::counted;
use plan::Plan;
use plan::expand::{Condition, Expansion, Job, expand, jobs};
use plan::matrix::Factor;
use plan::selection::Selection;
use plan::timetable::{ExpectedTimes, Timetable, timetable};
use schedule::calendar::DAY_MIN;
use schedule::{
    Calendar, FinishRange, JobSeconds, Learned, Night, Observed, Order, OrderError, Problem, Rest, Scheduled,
    Standing, Stretch, finish_range, observe, stretches_of,
};
use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

/// Spread of a kind of work's factor before anything was observed (standard deviation of the logarithm).
pub const PRIOR_SD: f64 = 0.25;
/// Most jobs of a plan whose order is kept: beyond it, the memory is worth more.
const MOST_KEPT_JOBS: usize = 10_000;
/// Draws of the finish's range.
const DRAWS: usize = 400;

/// A plan's jobs in the order they will run.
#[derive(Clone)]
pub struct Forecast {
    /// The expanded matrix.
    pub expansion: Expansion,
    /// The jobs in the order they run. A job that the order measures again is a further repeat.
    pub jobs: Vec<Job>,
    /// The ordering problem.
    pub problem: Problem,
    /// The order without the calendar, with the bound.
    pub order: Order,
    /// The order that runs, through the calendar; its sequence belongs to `jobs`.
    pub schedule: Scheduled,
    /// Attended hours.
    pub calendar: Calendar,
    /// How fast the bench is known to be before the run.
    pub learned: Learned,
}

impl Forecast {
    /// Expands and orders a plan, narrowed to a selection. The last one is kept: a run, its live page and its report ask for the same.
    ///
    /// # Errors
    /// Exit 4 for an empty selection; exit 2 for a wrong selection or times no bench can have.
    pub fn new(plan: &Plan, only: &[String]) -> Result<Forecast, Failure> {
        static LAST: Mutex<Option<(Plan, Vec<String>, Forecast)>> = Mutex::new(None);
        let mut last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((of, narrowed, forecast)) = &*last
            && of == plan
            && narrowed == only
        {
            return Ok(forecast.clone());
        }
        let forecast = Forecast::ordered(plan, only)?;
        if forecast.jobs.len() <= MOST_KEPT_JOBS {
            *last = Some((plan.clone(), only.to_vec(), forecast.clone()));
        }
        Ok(forecast)
    }

    fn ordered(plan: &Plan, only: &[String]) -> Result<Forecast, Failure> {
        let selection = Selection::read(plan, only).map_err(Failure::invalid)?;
        Forecast::of_expansion(plan, expand(plan, &selection))
    }

    /// Orders some conditions of a plan.
    ///
    /// # Errors
    /// As [`Forecast::new`].
    pub fn of_conditions(plan: &Plan, wanted: impl Fn(&Condition) -> bool) -> Result<Forecast, Failure> {
        let mut expansion = expand(plan, &Selection::default());
        expansion.conditions.retain(wanted);
        expansion.skipped.clear();
        Forecast::of_expansion(plan, expansion)
    }

    fn of_expansion(plan: &Plan, expansion: Expansion) -> Result<Forecast, Failure> {
        if expansion.conditions.is_empty() {
            return Err(Failure::new(
                Exit::NothingSelected,
                format!(
                    "nothing to run: the selection holds {}, all left out; see [[skip]], `fits`, [coverage] and `night_only`",
                    counted(expansion.skipped.len(), "condition")
                ),
            ));
        }
        let listed = jobs(plan, &expansion);
        let expected = Expected::new(plan);
        let Timetable { problem, order, schedule, calendar } = timetable(plan, &expansion, &listed, |job| {
            expected.of(&expansion.conditions[job.condition as usize])
        })
        .map_err(invalid)?;
        let mut times_run = vec![0u16; listed.len()];
        let jobs = schedule
            .sequence
            .iter()
            .map(|index| {
                let job = listed[*index as usize];
                let repeated = times_run[*index as usize];
                times_run[*index as usize] += 1;
                Job { repeat: job.repeat + repeated * plan.repeats.repeats, ..job }
            })
            .collect();
        let learned = Learned::new(PRIOR_SD);
        Ok(Forecast { expansion, jobs, problem, order, schedule, calendar, learned })
    }

    /// The mountings in the order they happen, each a stretch of `jobs`.
    pub fn stretches(&self) -> Vec<Stretch> {
        stretches_of(&self.problem, &self.schedule.sequence)
    }

    /// The condition of the job at a position.
    pub fn condition(&self, position: usize) -> &Condition {
        &self.expansion.conditions[self.jobs[position].condition as usize]
    }

    /// When the whole run ends, before anything of it was observed.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn finish(&self) -> Result<FinishRange, Failure> {
        let standing = Standing {
            now_min: self.schedule.start_min,
            mounted: None,
            chamber_c: self.problem.bench().start_c,
        };
        let learned = &self.learned;
        finish_range(&self.problem, &self.schedule.sequence, &self.calendar, standing, learned, DRAWS, 1)
            .map_err(invalid)
    }

    /// The bench time of what is done, composed in the plan's order, and what is left. `seconds` belongs to `jobs`, and so
    /// does `selected`: what is neither done nor selected is not left to do; what is left joins as `rest` says.
    /// `night`: what a bench's own clock shows of this run; else change-overs are taken to take what they are expected to.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn observed(
        &self,
        seconds: &[Option<JobSeconds>],
        selected: Option<&[bool]>,
        rest: Rest,
        night: Option<&Night>,
    ) -> Result<Observed, Failure> {
        let mut sequence = Cow::Borrowed(&self.schedule.sequence);
        if let Some(selected) = selected {
            let wanted = |place: usize| seconds.get(place).is_some_and(Option::is_some) || selected[place];
            // A job that does not exist is passed over.
            let unwanted = sequence.to_mut().iter_mut().enumerate().filter(|(place, _)| !wanted(*place));
            unwanted.for_each(|(_, job)| *job = u32::MAX);
        }
        let (start_min, before) = (self.schedule.start_min, &self.learned);
        observe(&self.problem, &sequence, seconds, &self.calendar, start_min, (before, night), rest)
            .map_err(invalid)
    }

    /// A moment in words: date and time where the plan gives them, else the time since the begin.
    pub fn clock(&self, plan: &Plan, t_min: f64) -> String {
        match &plan.attended {
            Some(attended) => attended.words(t_min),
            None => {
                let since = (t_min - self.schedule.start_min).max(0.0);
                let (day, minute) = ((since / DAY_MIN).floor(), (since % DAY_MIN).round());
                format!("day {:.0}, {:02.0}:{:02.0} h", day + 1.0, (minute / 60.0).floor(), minute % 60.0)
            }
        }
    }
}

fn invalid(error: OrderError) -> Failure {
    Failure::invalid(error.to_string())
}

/// Seconds a job is expected to take; each kind of job is worked out once.
pub struct Expected<'p> {
    plan: &'p Plan,
    mode: CaptureMode,
    rule: PointRule,
    known: RefCell<HashMap<[u16; 3], ExpectedTimes>>,
}

impl<'p> Expected<'p> {
    /// For the jobs of a plan on the simulated target.
    pub fn new(plan: &'p Plan) -> Expected<'p> {
        Expected::with_capture(plan, plan.capture.mode, plan.capture.rule)
    }

    /// The same jobs, captured in another way.
    pub fn with_capture(plan: &'p Plan, mode: CaptureMode, rule: PointRule) -> Expected<'p> {
        Expected { plan, mode, rule, known: RefCell::default() }
    }

    /// Of a job at a condition.
    pub fn of(&self, condition: &Condition) -> ExpectedTimes {
        // Grids, eyes and bit rates hang on nothing else.
        let key =
            [Factor::Module, Factor::Rate, Factor::Supply].map(|factor| condition.levels[factor as usize]);
        if let Some(times) = self.known.borrow().get(&key) {
            return *times;
        }
        let eyes = simulator::target::expected_eyes(
            &self.plan.interface,
            condition.module(self.plan),
            condition.rate(self.plan),
            condition.supply(self.plan),
            &self.plan.capture.directions,
        );
        let module = condition.module(self.plan);
        let measuring_s = eyes.iter().map(|eye| self.seconds(eye, expected_rim(eye, module))).sum();
        let times = ExpectedTimes { measuring_s, training_s: simulator::target::TRAINING_S };
        self.known.borrow_mut().insert(key, times);
        times
    }

    fn seconds(&self, eye: &EyeCapabilities, rim: f64) -> f64 {
        predict_seconds(&CapturePlan {
            mode: self.mode,
            rule: self.rule,
            taps: eye.grid.taps,
            vref_steps: eye.grid.vref_steps,
            lane_spread_taps: None,
            rim: Some(rim),
            cost: visit_cost(eye),
        })
        .seconds
            + if self.plan.capture.tap_sweep { sweep_seconds(eye) } else { 0.0 }
    }
}

/// Rows that the lanes of an eye operate on, where there are lanes enough (seen on invented interfaces of 8 to 72 lanes).
const OPERATING_ROWS: f64 = 5.0;

/// Seconds of a sweep along the operating rows, eyes being half as wide as the sweep.
fn sweep_seconds(eye: &EyeCapabilities) -> f64 {
    let rows = OPERATING_ROWS.min(f64::from(eye.lanes.len()));
    let cost = visit_cost(eye);
    let places = 0.75 * f64::from(eye.grid.taps);
    rows * (cost.vref_settle_s + places * cost.seconds(SWEEP_BITS, false))
}

/// Places that the rims of an eye's lanes are expected to take, per tap and step of its sweep.
pub fn expected_rim(eye: &EyeCapabilities, module: &Module) -> f64 {
    let lanes = Lanes {
        lanes: usize::from(eye.lanes.len()),
        of_a_strobe: usize::from(module.device_width.clamp(4, 8)),
    };
    rim(lanes, eye.grid.ui.0, eye.grid.tap_step.0)
}

/// The capture options a plan asks for.
pub fn capture_options(plan: &Plan) -> CaptureOptions {
    let mut options = CaptureOptions::new(plan.capture.mode, plan.capture.rule);
    options.regime =
        plan.capture.short_dwell.map(|short| if short { Regime::ShortDwell } else { Regime::LongDwell });
    options.tap_sweep = plan.capture.tap_sweep;
    options
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is kept of a forecast serves the same plan and selection, and no other.
    #[test]
    fn a_forecast_asked_for_again_is_the_one_of_its_own_plan() {
        let text = include_str!("../../../plans/library/quick-look.toml");
        let plan = Plan::read(text).expect("a plan");
        let mut warmer = plan.clone();
        warmer.matrix.temperatures.push(nightbench_core::units::Celsius(71.0));
        let rate = plan.matrix.rates[0];
        let narrowed = [format!("rate={}", rate.nominal())];
        let jobs = |plan: &Plan, only: &[String]| {
            let asked = Forecast::new(plan, only).expect("a forecast").jobs;
            assert_eq!(asked, Forecast::ordered(plan, only).expect("a forecast").jobs);
            asked
        };
        let whole = jobs(&plan, &[]);
        assert_ne!(jobs(&warmer, &[]), whole);
        assert_ne!(jobs(&plan, &narrowed), whole);
        assert_eq!(jobs(&plan, &[]), whole);
        assert_eq!(jobs(&plan, &[]), whole);
    }
}
