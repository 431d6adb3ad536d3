//! Runs one job on a driver: apply, train, capture. Faults become "not measured" with their kind.

use crate::capture::{CaptureOptions, Sampler, capture, complete};
use crate::forecast::capture_options;
use crate::forecast::full_eye::FullEyes;
use crate::run::pending::MountingId;
use crate::run::possible::possible;
use contract::{
    Call, CancelToken, Driver, DriverError, FaultKind, PointCounts, PointRequest, Setting, StartKind,
    TrainingRequest,
};
use judge::{LeftOpen, left_open};
use nightbench_core::devices::{Channel, Chip, Firmware, Module, Supply};
use nightbench_core::faults::Fault;
use nightbench_core::results::{
    Capture, CaptureMode, Direction, EyeName, Identity, JobOutcome, JobResult, JobTimes, Readback,
    TrainingResult,
};
use nightbench_core::units::Celsius;
use plan::Plan;
use plan::expand::{Condition, Expansion, Job};
use plan::keys::JobKeys;
use plan::measure::{StartWord, TrainingPolicy};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Longest a single call to a driver may take on a bench.
const CALL_LIMIT: Duration = Duration::from_secs(120);
/// A simulated target has no limit by this computer's clock: a laptop that slept changes no result.
pub const NO_LIMIT: Duration = Duration::from_secs(365 * 86_400);

/// The things of a plan, shared between jobs.
pub struct Shelf {
    chips: Vec<Arc<Chip>>,
    firmwares: Vec<Arc<Firmware>>,
    modules: Vec<Arc<Module>>,
    channels: Vec<Arc<Channel>>,
    supplies: Vec<Arc<Supply>>,
}

impl Shelf {
    /// The things of a plan.
    pub fn new(plan: &Plan) -> Shelf {
        fn shared<T: Clone>(list: &[T]) -> Vec<Arc<T>> {
            list.iter().cloned().map(Arc::new).collect()
        }
        Shelf {
            chips: shared(&plan.chips),
            firmwares: shared(&plan.firmwares),
            modules: shared(&plan.modules),
            channels: shared(&plan.channels),
            supplies: shared(&plan.supplies),
        }
    }
}

/// What is needed to run any job of a plan.
pub struct Executor<'p> {
    plan: &'p Plan,
    expansion: &'p Expansion,
    keys: &'p JobKeys<'p>,
    shelf: Shelf,
    options: CaptureOptions,
    given_up: BTreeMap<MountingId, Fault>,
    call_limit: Duration,
    apply_limit: Duration,
    drop_point: Option<CancelToken>,
}

impl<'p> Executor<'p> {
    pub fn new(plan: &'p Plan, expansion: &'p Expansion, keys: &'p JobKeys<'p>) -> Executor<'p> {
        Executor {
            plan,
            expansion,
            keys,
            shelf: Shelf::new(plan),
            options: capture_options(plan),
            given_up: BTreeMap::new(),
            call_limit: NO_LIMIT,
            apply_limit: NO_LIMIT,
            drop_point: None,
        }
    }

    /// Holds a bench to limits by the clock: so long for a condition to be reached, since it ramps and settles.
    pub fn with_apply_limit(self, apply_limit: Duration) -> Executor<'p> {
        Executor { call_limit: CALL_LIMIT, apply_limit, ..self }
    }

    /// Lets a batch of points that has begun finish when a stop is asked for; `drop_point` ends it too.
    pub fn with_drop_point(self, drop_point: CancelToken) -> Executor<'p> {
        Executor { drop_point: Some(drop_point), ..self }
    }

    /// Mountings whose jobs are not measured, and why.
    pub fn give_up(&mut self, given_up: BTreeMap<MountingId, Fault>) {
        self.given_up = given_up;
    }

    /// How the plan trains.
    pub fn training_request(&self) -> TrainingRequest {
        TrainingRequest {
            start: match self.plan.repeats.start {
                StartWord::PowerCycle => StartKind::PowerCycle,
                StartWord::Reset => StartKind::Reset,
                StartWord::Retrain => StartKind::Retrain,
            },
            pass_ber: self.plan.training.pass_ber,
            fewest_taps: self.plan.training.fewest_taps,
            fewest_steps: self.plan.training.fewest_steps,
            write: self.plan.capture.directions.contains(&Direction::Write),
            command: self.plan.capture.directions.contains(&Direction::Command),
        }
    }

    /// A job's condition as a driver takes it, for the attempt of this number (from 1).
    pub fn setting(&self, condition: &Condition, job: &Job, attempt: u32) -> Setting {
        let (plan, matrix) = (self.plan, &self.plan.matrix);
        use plan::matrix::Factor;
        let temperature = condition.temperature(plan);
        let calibrated_at = match plan.training.policy {
            TrainingPolicy::Held { temperature, .. } => Celsius(temperature),
            TrainingPolicy::EveryCondition => temperature,
        };
        Setting {
            chip: Arc::clone(&self.shelf.chips[matrix.chips[condition.level(Factor::Chip)]]),
            firmware: matrix
                .firmwares
                .get(condition.level(Factor::Firmware))
                .map(|index| Arc::clone(&self.shelf.firmwares[*index])),
            module: Arc::clone(&self.shelf.modules[matrix.modules[condition.level(Factor::Module)]]),
            channel: Arc::clone(&self.shelf.channels[matrix.channels[condition.level(Factor::Channel)]]),
            rate: condition.rate(plan),
            temperature,
            control_point: matrix.control_point,
            calibrated_at,
            supply: Arc::clone(&self.shelf.supplies[matrix.supplies[condition.level(Factor::Supply)]]),
            pattern: condition.pattern(plan).clone(),
            mounting: u32::from(job.mounting),
            start: u32::from(job.start),
            wck_ratio: plan.interface.wck_ratio,
            noise_key: self.keys.attempt_noise_key(condition, job, attempt),
        }
    }

    /// The setting that is trained at, where it is another one than measured, and whether the training must be restored after it:
    /// a device keeps it over another pattern.
    fn trained_setting(&self, setting: &Setting) -> Option<(Setting, bool)> {
        let mut trained = self.held_setting(setting);
        let restored = trained.is_some();
        if let Some(pattern) =
            self.plan.training.pattern.as_ref().filter(|pattern| **pattern != setting.pattern)
        {
            trained.get_or_insert_with(|| setting.clone()).pattern = pattern.clone();
        }
        Some((trained?, restored))
    }

    /// The condition that training is held from, where it is.
    pub fn held_setting(&self, setting: &Setting) -> Option<Setting> {
        let TrainingPolicy::Held { temperature, supply } = &self.plan.training.policy else { return None };
        let mut held = setting.clone();
        held.temperature = Celsius(*temperature);
        if let Some(name) = supply
            && let Some(found) = self.shelf.supplies.iter().find(|supply| supply.name == *name)
        {
            held.supply = Arc::clone(found);
        }
        Some(held)
    }

    /// Runs a job for the first time.
    ///
    /// # Errors
    /// As [`run_attempt`](Self::run_attempt).
    pub fn run(
        &self,
        driver: &mut dyn Driver,
        job: &Job,
        cancel: &CancelToken,
    ) -> Result<JobResult, DriverError> {
        self.run_attempt(driver, job, 1, cancel)
    }

    /// Runs a job; `attempt` counts from 1 and gives a simulated target noise of its own.
    ///
    /// # Errors
    /// `Cancelled` when a stop was asked for: the job leaves nothing behind. Every other fault is in the result.
    pub fn run_attempt(
        &self,
        driver: &mut dyn Driver,
        job: &Job,
        attempt: u32,
        cancel: &CancelToken,
    ) -> Result<JobResult, DriverError> {
        self.run_known(driver, job, attempt, cancel, &mut |_| None)
    }

    /// As [`run_attempt`](Self::run_attempt), where `stranger` looks at who answers once the condition is reached, before anything is
    /// trained or measured; its fault ends the job.
    ///
    /// # Errors
    /// As [`run_attempt`](Self::run_attempt).
    pub fn run_known(
        &self,
        driver: &mut dyn Driver,
        job: &Job,
        attempt: u32,
        cancel: &CancelToken,
        stranger: &mut dyn FnMut(&Identity) -> Option<Fault>,
    ) -> Result<JobResult, DriverError> {
        let condition = self.expansion.conditions[job.condition as usize];
        let setting = self.setting(&condition, job, attempt);
        let mut result = empty_result(JobOutcome::Measured);
        if let Some(fault) = self.given_up.get(&MountingId::of(&condition, job)) {
            result.outcome = JobOutcome::NotMeasured(fault.clone());
            return Ok(result);
        }
        match self.measure(driver, (&condition, &setting), cancel, stranger, &mut result) {
            Ok(()) => Ok(result),
            // A device may say so by itself: that is a fault like any other.
            Err(error) if error.kind == FaultKind::Cancelled && self.stop_asked(cancel) => Err(error),
            Err(error) => {
                // A capture that broke off is no eye: only whole captures may be judged.
                result.captures.clear();
                result.outcome = JobOutcome::NotMeasured(error.into());
                Ok(result)
            }
        }
    }

    fn stop_asked(&self, cancel: &CancelToken) -> bool {
        cancel.is_cancelled() || self.drop_point.as_ref().is_some_and(CancelToken::is_cancelled)
    }

    fn measure(
        &self,
        driver: &mut dyn Driver,
        (condition, setting): (&Condition, &Setting),
        cancel: &CancelToken,
        stranger: &mut dyn FnMut(&Identity) -> Option<Fault>,
        result: &mut JobResult,
    ) -> Result<(), DriverError> {
        let call = || Call::within(self.call_limit, cancel);
        let reach = || Call::within(self.apply_limit, cancel);
        let held = self.trained_setting(setting);
        let first: Readback =
            driver.apply(held.as_ref().map_or(setting, |(trained_at, _)| trained_at), &reach())?;
        result.readback = Some(first);
        result.identity = driver.identity(&call())?;
        if let Some(fault) = stranger(&result.identity) {
            return Err(DriverError::new(fault.kind, fault.detail));
        }
        let request = self.training_request();
        let begin = driver.elapsed().0;
        let training: TrainingResult = driver.train(&request, &reach())?;
        let trained = training.passed;
        let settings = training.eyes.clone();
        result.trainings.push(training);
        result.times.training_s = between(begin, driver.elapsed().0);
        if !trained {
            driver.confirm(&call())?;
            result.outcome = JobOutcome::TrainingFailed;
            return Ok(());
        }
        if let Some((_, restored)) = held {
            result.readback = Some(driver.apply(setting, &reach())?);
            if restored {
                driver.restore(&settings, &call())?;
            }
        }
        let before = driver.elapsed().0;
        for eye in driver.capabilities(&call())?.eyes {
            let Some(operating) = settings.iter().find(|trained| trained.eye == eye.eye) else {
                return Err(DriverError::new(
                    FaultKind::Protocol,
                    format!("training gave no settings for {}", eye.eye),
                ));
            };
            let lanes: Vec<u16> = eye.lanes.iter().collect();
            if operating.lanes != lanes {
                return Err(DriverError::new(
                    FaultKind::Protocol,
                    format!("training and capture of {} speak of different lanes", eye.eye),
                ));
            }
            let drop_point = self.drop_point.as_ref().unwrap_or(cancel);
            let mut sampler =
                DriverSampler { driver, eye: eye.eye, cancel, drop_point, call_limit: self.call_limit };
            let mut captured: Capture =
                capture(&mut sampler, &eye, &lanes, &operating.settings, &self.options)?;
            if captured.mode == CaptureMode::RowAndColumn
                && self
                    .goes_on(condition, left_open(self.plan, condition, result.readback.as_ref(), &captured))
            {
                complete(&mut captured, &mut sampler, &eye, &self.options)?;
            }
            // Without transitions an eye has no width; that the lane is compared was seen when another pattern trained it.
            let level = self.plan.training.pattern.is_some() && condition.pattern(self.plan).is_level();
            if !level {
                possible(&captured)?;
            }
            result.captures.push(captured);
        }
        result.times.measuring_s = between(before, driver.elapsed().0);
        driver.confirm(&call())
    }

    /// Does the full eye follow rows and columns that leave this open?
    fn goes_on(&self, condition: &Condition, open: LeftOpen) -> bool {
        match open {
            LeftOpen::Nothing => false,
            LeftOpen::Verdict => FullEyes::new(self.plan, self.plan.capture.rule).follows_doubt(condition),
            LeftOpen::Unseen => true,
        }
    }
}

/// The result of a job before anybody answered.
pub fn empty_result(outcome: JobOutcome) -> JobResult {
    JobResult {
        outcome,
        identity: Identity {
            chip_serial: String::new(),
            firmware_build: String::new(),
            firmware_hash: String::new(),
            settings_hash: String::new(),
            agent_version: String::new(),
        },
        readback: None,
        trainings: Vec::new(),
        captures: Vec::new(),
        times: JobTimes::default(),
    }
}

/// Seconds between two readings of a driver's clock, to the nanosecond: a job's time must not depend on how long
/// the driver had been running before.
fn between(begin_s: f64, end_s: f64) -> f64 {
    ((end_s - begin_s) * 1e9).round() * 1e-9
}

/// Lets the capture strategy sample one eye of a driver.
struct DriverSampler<'d> {
    driver: &'d mut dyn Driver,
    eye: EyeName,
    cancel: &'d CancelToken,
    drop_point: &'d CancelToken,
    call_limit: Duration,
}

impl Sampler for DriverSampler<'_> {
    fn sample(&mut self, points: &[PointRequest]) -> Result<Vec<PointCounts>, DriverError> {
        Call::within(self.call_limit, self.cancel).check("capturing")?;
        self.driver.sample(self.eye, points, &Call::within(self.call_limit, self.drop_point))
    }
}
