//! What is asked of the agent and what it answers, checked: whole trainings, counts that can be.

use crate::agent::messages::{ConfigureRequest, MountedModule, Sampled};
use contract::{
    Capabilities, DriverError, EyeCapabilities, FaultKind, Part, PointCounts, PointRequest, Setting,
};
use nightbench_core::devices::ControlPoint;
use nightbench_core::results::TrainingResult;
use plan::bench_file::BenchFile;
use std::collections::BTreeMap;

/// The question that configures the device for a condition, with its rails at these levels (in the bench's order).
pub(super) fn configure_request(bench: &BenchFile, setting: &Setting, levels: &[f64]) -> ConfigureRequest {
    let (_, normal_high) = setting.rate.generation().facts().temperature.normal_degc;
    let double_refresh = setting.control_point != ControlPoint::Air && setting.temperature.0 > normal_high;
    let rails_v: BTreeMap<String, f64> =
        (bench.rails.iter().map(|rail| &rail.name).chain(bench.device_rails.iter().map(|rail| &rail.name)))
            .cloned()
            .zip(levels.iter().copied())
            .collect();
    ConfigureRequest {
        chip: setting.chip.name.clone(),
        firmware: setting.firmware.as_ref().map(|firmware| firmware.name.clone()),
        firmware_image: setting.firmware.as_ref().and_then(|firmware| firmware.image.clone()),
        module: MountedModule {
            name: setting.module.name.clone(),
            kind: setting.module.kind.name().into(),
            stack: setting.module.stacked.then(|| "3DS".into()),
            half_populated: setting.module.half_populated,
            ranks: setting.module.ranks,
            device_width: setting.module.device_width,
            serial: setting.module.serial.clone(),
            lanes: setting.module.lanes().iter().collect(),
        },
        channel: setting.channel.name.clone(),
        rate: setting.rate.nominal(),
        rate_mts: setting.rate.mega_transfers(),
        temperature_degc: setting.temperature.0,
        calibrated_at_degc: setting.calibrated_at.0,
        double_refresh,
        supply: setting.supply.name.clone(),
        rails_v,
        pattern: setting.pattern.name(),
        mounting: setting.mounting,
        start: setting.start,
        wck_ratio: setting.wck_ratio,
        job: setting.noise_key.iter().map(|byte| format!("{byte:02x}")).collect(),
    }
}

/// A training result must be whole: every eye with its lanes, settings on the grid; none where it failed.
pub(super) fn training(known: Option<&Capabilities>, result: &TrainingResult) -> Result<(), DriverError> {
    let wrong = |words: String| {
        Err(DriverError::new(FaultKind::Protocol, format!("agent: training: {words}")).at(Part::Agent))
    };
    if result.passed != result.stages.iter().all(nightbench_core::results::TrainingStage::passed) {
        return wrong("`passed` contradicts its stages".into());
    }
    if !result.passed {
        return Ok(());
    }
    for own in known.iter().flat_map(|known| &known.eyes) {
        let Some(eye) = result.eye(own.eye) else { return wrong(format!("no settings for {}", own.eye)) };
        let lanes: Vec<u16> = own.lanes.iter().collect();
        if eye.lanes != lanes || eye.settings.len() != lanes.len() {
            return wrong(format!("{} has settings of other lanes", own.eye));
        }
        if eye.settings.iter().any(|at| at.tap >= own.grid.taps || at.vref >= own.grid.vref_steps) {
            return wrong(format!("{} has a setting beyond its grid", own.eye));
        }
    }
    Ok(())
}

/// Counts must be those of the points asked for.
pub(super) fn counts(
    points: &[PointRequest],
    own: &EyeCapabilities,
    answer: Sampled,
) -> Result<Vec<PointCounts>, DriverError> {
    let wrong = |words: String| {
        Err(DriverError::new(FaultKind::Protocol, format!("agent: sample: {words}")).at(Part::Agent))
    };
    if answer.counts.len() != points.len() {
        return wrong(format!("{} points asked, {} answered", points.len(), answer.counts.len()));
    }
    let lanes = usize::from(own.lanes.len());
    let mut counts = Vec::with_capacity(points.len());
    for (asked, got) in points.iter().zip(answer.counts) {
        let at = format!("tap {} at Vref step {}", asked.point.tap, asked.point.vref);
        if got.errors.len() != lanes {
            return wrong(format!("{at}: counts of {} lanes, {lanes} expected", got.errors.len()));
        }
        if got.errors.iter().any(|errors| *errors > got.bits) {
            return wrong(format!("{at}: more errors than bits"));
        }
        let most = asked.most_bits.max(own.fewest_bits).next_multiple_of(own.fewest_bits);
        if got.bits == 0 || got.bits > most {
            return wrong(format!("{at}: {} bits compared, 1 to {most} asked", got.bits));
        }
        counts.push(PointCounts { bits: got.bits, errors: got.errors });
    }
    Ok(counts)
}
