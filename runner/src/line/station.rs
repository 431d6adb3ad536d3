//! One unit on a driver: the short test at room temperature, and what the corners really are.

use super::setup::{Line, Turn, Unit};
use crate::capture::{Sampler, capture, short_look};
use crate::forecast::capture_options;
use contract::{Call, CancelToken, Driver, DriverError, FaultKind, PointCounts, PointRequest};
use judge::eye_summary::digest;
use judge::gonogo::CornerMetric;
use nightbench_core::line::{ShortLook, SupplyCounts, UnitOutcome, UnitTimes};
use nightbench_core::results::{EyeName, LanePoint, TrainedEye};
use plan::limits::Metric;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::sync::Arc;
use std::time::Duration;

/// Limits by the clock of a driver's calls.
#[derive(Debug, Clone, Copy)]
pub struct CallLimits {
    /// Any call but the next.
    pub call: Duration,
    /// A condition to be reached, a training.
    pub reach: Duration,
}

/// Samples one eye of a driver.
struct EyeSampler<'d> {
    driver: &'d mut dyn Driver,
    eye: EyeName,
    /// Counting noise of a simulated target is drawn anew for each series: a supply has its own.
    series: u32,
    cancel: &'d CancelToken,
    limit: Duration,
}

impl Sampler for EyeSampler<'_> {
    fn sample(&mut self, points: &[PointRequest]) -> Result<Vec<PointCounts>, DriverError> {
        let call = Call::within(self.limit, self.cancel);
        if self.series == 0 {
            return self.driver.sample(self.eye, points, &call);
        }
        let points: Vec<PointRequest> = points
            .iter()
            .map(|point| PointRequest { series: point.series + self.series, ..point.clone() })
            .collect();
        self.driver.sample(self.eye, &points, &call)
    }
}

/// Measures one unit: powers it, trains it at the first supply, and looks at every supply. Faults of the bench are "not
/// measured"; only a stop that was asked for is an error.
///
/// # Errors
/// `Cancelled` when a stop was asked for.
pub fn measure(
    driver: &mut dyn Driver,
    line: &Line,
    (unit, turn): (&Unit, Turn),
    (look, limits): (&ShortLook, &[f64]),
    calls: CallLimits,
    cancel: &CancelToken,
) -> Result<(UnitOutcome, UnitTimes), DriverError> {
    let mut times = UnitTimes::default();
    match measured(driver, line, (unit, turn), (look, limits), (calls, cancel), &mut times) {
        Ok(outcome) => Ok((outcome, times)),
        Err(error) if error.kind == FaultKind::Cancelled && cancel.is_cancelled() => Err(error),
        Err(error) => Ok((UnitOutcome::NotMeasured(error.to_string()), times)),
    }
}

fn measured(
    driver: &mut dyn Driver,
    line: &Line,
    (unit, turn): (&Unit, Turn),
    (look, limits): (&ShortLook, &[f64]),
    (calls, cancel): (CallLimits, &CancelToken),
    times: &mut UnitTimes,
) -> Result<UnitOutcome, DriverError> {
    let call = || Call::within(calls.call, cancel);
    let reach = || Call::within(calls.reach, cancel);
    let mut clock = driver.elapsed().0;
    let mut since = |driver: &dyn Driver| {
        let before = std::mem::replace(&mut clock, driver.elapsed().0);
        clock - before
    };
    let simulated = driver.is_simulated();
    let mut supplies = Vec::new();
    let mut trained: Vec<TrainedEye> = Vec::new();
    for (at, supply) in line.conditions.supplies.iter().enumerate() {
        driver.apply(&line.at_room(unit, supply, turn), &reach())?;
        let took = since(driver);
        if at == 0 {
            // The virtual clock knows no boot and no supply change: the plan's estimates stand for them.
            times.boot_s += if simulated { line.plan.times.boot_s } else { took };
            let result = driver.train(&line.training_request(), &reach())?;
            times.training_s += since(driver);
            if let Some(stage) = result.failed_stage() {
                driver.confirm(&call())?;
                return Ok(UnitOutcome::TrainingFailed {
                    stage: stage.name.clone(),
                    lanes: if stage.by_byte_lane { Vec::new() } else { stage.failed_lanes() },
                    causes: stage.causes.clone(),
                });
            }
            trained = result.eyes;
        } else {
            times.supplies_s += if simulated { line.plan.times.supply_change_s } else { took };
        }
        let mut eyes = Vec::new();
        for eye in driver.capabilities(&call())?.eyes {
            let (lanes, settings) = settings_of(&trained, eye.eye)?;
            let mut sampler =
                EyeSampler { driver, eye: eye.eye, series: at as u32, cancel, limit: calls.call };
            eyes.push(short_look(&mut sampler, &eye, (lanes, settings), look, limits)?);
        }
        times.test_s += since(driver);
        driver.confirm(&call())?;
        supplies.push(SupplyCounts { supply: supply.clone(), eyes });
    }
    Ok(UnitOutcome::Measured(supplies))
}

fn settings_of(trained: &[TrainedEye], eye: EyeName) -> Result<(&[u16], &[LanePoint]), DriverError> {
    trained
        .iter()
        .find(|trained| trained.eye == eye)
        .map(|trained| (trained.lanes.as_slice(), trained.settings.as_slice()))
        .ok_or_else(|| DriverError::new(FaultKind::Protocol, format!("training gave no settings for {eye}")))
}

/// A simulated target for a line.
pub fn simulated_target(line: &Line, seed: u64) -> SimulatedTarget {
    SimulatedTarget::new(Arc::new(SimulatedOptions {
        interface: line.plan.interface.clone(),
        model: line.plan.model.clone(),
        directions: line.plan.capture.directions.clone(),
        measured: Default::default(),
        seed,
    }))
}

/// The worst lane of a unit over the corners, in the metric's unit, as a characterization would read it; 0 where training
/// fails.
///
/// # Errors
/// What the driver reports.
pub fn corner_value(
    driver: &mut dyn Driver,
    line: &Line,
    (unit, turn): (&Unit, Turn),
    metric: CornerMetric,
    calls: CallLimits,
    cancel: &CancelToken,
) -> Result<f64, DriverError> {
    let call = || Call::within(calls.call, cancel);
    let reach = || Call::within(calls.reach, cancel);
    let options = capture_options(&line.plan);
    let mut worst = f64::INFINITY;
    for corner in &line.conditions.corners {
        driver.apply(&line.at_corner(unit, corner, turn), &reach())?;
        let result = driver.train(&line.training_request(), &reach())?;
        if !result.passed {
            return Ok(0.0);
        }
        for eye in driver.capabilities(&call())?.eyes {
            let (lanes, settings) = settings_of(&result.eyes, eye.eye)?;
            let mut sampler = EyeSampler { driver, eye: eye.eye, series: 0, cancel, limit: calls.call };
            let captured = capture(&mut sampler, &eye, lanes, settings, &options)?;
            let summary = digest(&captured, &[])
                .map_err(|words| DriverError::new(FaultKind::ImpossibleAnswer, words))?;
            worst = worst.min(worst_lane(&summary, metric));
        }
        driver.confirm(&call())?;
    }
    Ok(worst)
}

/// The worst lane of an eye, in the metric's unit.
pub fn worst_lane(eye: &judge::eye_summary::EyeSummary, metric: CornerMetric) -> f64 {
    let (of, scale) = in_unit(eye, metric);
    let mut worst = f64::INFINITY;
    eye.each_reading(of, None, |(_, reading)| {
        let value = if reading.closed { 0.0 } else { reading.value * scale };
        worst = worst.min(value);
    });
    worst
}

/// The mean over the lanes of an eye, in the metric's unit.
pub fn mean_lane(eye: &judge::eye_summary::EyeSummary, metric: CornerMetric) -> f64 {
    let (of, scale) = in_unit(eye, metric);
    let (mut sum, mut count) = (0.0, 0usize);
    eye.each_reading(of, None, |(_, reading)| {
        sum += if reading.closed { 0.0 } else { reading.value * scale };
        count += 1;
    });
    sum / count.max(1) as f64
}

fn in_unit(eye: &judge::eye_summary::EyeSummary, metric: CornerMetric) -> (Metric, f64) {
    match metric {
        CornerMetric::Width => (Metric::Width, 1.0 / eye.grid.ui.0),
        CornerMetric::Height => (Metric::Height, 100.0 / eye.grid.vddq.0),
    }
}
