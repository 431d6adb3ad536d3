//! A training attempt on the surfaces of one setting: all stages in order, and what a write eye is read back through.

use super::draws::Draws;
use super::physics::{LaneSurface, Parameters};
use super::stages::{self, ByteLanes};
use super::target::{Eye, SurfaceSet};
use contract::{Call, DriverError, Setting, TrainingRequest};
use nightbench_core::devices::Landing;
use nightbench_core::generations::TrainingStep;
use nightbench_core::results::{
    Direction, EyeName, Grid, LanePoint, TrainedEye, TrainingResult, TrainingStage,
};
use std::collections::BTreeMap;

/// Keys of a training attempt's draws.
pub(super) struct Keyed<'s> {
    pub(super) seed: u64,
    pub(super) setting: &'s Setting,
    /// Data lanes of one channel of the interface.
    pub(super) channel_lanes: u16,
}

impl Keyed<'_> {
    fn draws(&self, what: &str, eye: &str, group: u16) -> Draws {
        Draws::of(&[
            b"training",
            what.as_bytes(),
            &self.seed.to_le_bytes(),
            &self.setting.noise_key,
            eye.as_bytes(),
            &group.to_le_bytes(),
        ])
    }

    /// Draws that belong to the parts fitted, not to the attempt.
    fn parts(&self, what: &str, rank: u8, group: u16) -> Draws {
        let (chip, module) = (&self.setting.chip.name, &self.setting.module.name);
        Draws::of(&[what.as_bytes(), chip.as_bytes(), module.as_bytes(), &[rank], &group.to_le_bytes()])
    }
}

/// What is written is read back through the read eye of the same rank, at its trained points: those errors are counted, too.
pub(super) fn read_back(set: &mut SurfaceSet, points: &[TrainedEye]) {
    if set.parameters.read_back != 1.0 {
        return;
    }
    let mut errors: BTreeMap<(u8, Option<u8>, u16), f64> = BTreeMap::new();
    for eye in set.eyes.iter_mut().filter(|eye| eye.capabilities.eye.direction == Direction::Read) {
        let name = eye.capabilities.eye;
        let Some(trained) = points.iter().find(|trained| trained.eye == name) else { continue };
        for (lane, surface) in eye.lanes.iter().zip(&mut eye.surfaces) {
            let place = trained.lanes.iter().position(|known| known == lane);
            if let Some(at) = place.and_then(|place| trained.settings.get(place)) {
                let ratio = surface.ber(usize::from(at.tap), usize::from(at.vref));
                errors.insert((name.rank, name.sub_channel, *lane), ratio);
            }
        }
    }
    for eye in set.eyes.iter_mut().filter(|eye| eye.capabilities.eye.direction == Direction::Write) {
        let name = eye.capabilities.eye;
        for (lane, surface) in eye.lanes.iter().zip(&mut eye.surfaces) {
            let ratio = errors.get(&(name.rank, name.sub_channel, *lane));
            surface.set_read_back(ratio.copied().unwrap_or(0.0));
        }
    }
}

/// All stages on one surface set; the first failed one ends the attempt.
pub(super) fn train_set(
    set: &mut SurfaceSet,
    keyed: &Keyed<'_>,
    request: &TrainingRequest,
    call: &Call,
) -> Result<TrainingResult, DriverError> {
    let (p, setting) = (&set.parameters, keyed.setting);
    let facts = setting.rate.generation().facts();
    let ui_ps = setting.rate.ui().0;
    let mut result = TrainingResult { stages: Vec::new(), eyes: Vec::new(), passed: true };
    let is_command = |eye: &Eye| eye.capabilities.eye.direction == Direction::Command;
    let byte_lanes: Vec<Option<ByteLanes>> = set
        .eyes
        .iter()
        .map(|eye| {
            (!is_command(eye)).then(|| ByteLanes::of(&setting.module, &eye.lanes, &eye.surfaces, ui_ps))
        })
        .collect();
    let mut early = Vec::new();
    let data = set.eyes.iter().zip(&byte_lanes).find_map(|(eye, lanes)| Some((eye, lanes.as_ref()?)));
    if let Some((_, lanes)) = data
        && let Some(name) = facts.step(TrainingStep::ZqCalibration)
    {
        early.push(stages::zq_calibration(name, p, setting, lanes));
    }
    if let (Some(bus), Some(first)) = (&facts.command, data.map(|(eye, _)| eye).or(set.eyes.first())) {
        let mut draws = keyed.parts("command lines", 0, 0);
        // Taps of data lanes; of command lines where nothing else is captured.
        let periods = (setting.clock_period().0, first.capabilities.grid.tap_step.0);
        let count = data.map_or(keyed.channel_lanes, |(eye, _)| eye.lanes.len() as u16);
        let fewest = request.fewest_taps;
        let [select, command] = stages::command_address(bus, p, setting, count, periods, fewest, &mut draws);
        early.push(select);
        // Lines that are captured are trained by their own eyes below.
        if !set.eyes.iter().any(is_command) {
            early.push(command);
        }
    }
    if !take(&mut result, early) {
        return Ok(result);
    }
    for eye in set.eyes.iter_mut().filter(|eye| is_command(eye)) {
        let steps = [TrainingStep::CommandAddress, TrainingStep::CommandVref];
        if !train_lanes(p, eye, steps, keyed, request, &mut result) {
            return Ok(result);
        }
    }
    let mut early = Vec::new();
    // Every rank and sub-channel is levelled once, whichever directions are captured.
    let mut levelled: Vec<(u8, Option<u8>)> = Vec::new();
    for (eye, lanes) in set.eyes.iter().zip(&byte_lanes) {
        let name = eye.capabilities.eye;
        let Some(lanes) = lanes else { continue };
        if let Some(step) = facts.step(TrainingStep::WriteLevelling)
            && !levelled.contains(&(name.rank, name.sub_channel))
        {
            levelled.push((name.rank, name.sub_channel));
            let draws = |group: u16| keyed.parts("clock to strobe", name.rank, group);
            let tap_ps = eye.capabilities.grid.tap_step.0;
            let mut stage = stages::write_levelling(step, p, setting, lanes, tap_ps, &draws);
            stage.eye = Some(EyeName { direction: Direction::Write, ..name });
            early.push(stage);
        }
    }
    if !take(&mut result, early) {
        return Ok(result);
    }
    // A write cannot be looked at before it can be read back.
    let mut order: Vec<usize> = (0..set.eyes.len()).collect();
    if set.parameters.read_back == 1.0 {
        let writes = |index: &usize| set.eyes[*index].capabilities.eye.direction == Direction::Write;
        order.sort_by_key(writes);
    }
    let mut read = false;
    for index in order {
        call.check("training")?;
        if !read && set.eyes[index].capabilities.eye.direction == Direction::Write {
            read = true;
            read_back(set, &result.eyes);
        }
        let (eye, p) = (&mut set.eyes[index], &set.parameters);
        let Some(lanes) = &byte_lanes[index] else { continue };
        let name = eye.capabilities.eye;
        let tap_ps = eye.capabilities.grid.tap_step.0;
        let mut done = Vec::new();
        if name.direction == Direction::Read
            && let Some(step) = facts.step(TrainingStep::Gate)
        {
            let draws = |group: u16| keyed.parts("strobe output", name.rank, group);
            done.push(stages::gate(step, p, setting, lanes, tap_ps, request.fewest_taps, &draws));
        }
        if eye.surfaces.iter().any(LaneSurface::is_equalized)
            && let Some(step) = facts.step(TrainingStep::Dfe)
        {
            done.push(stages::dfe(step, &eye.capabilities.grid, &eye.lanes, &eye.surfaces));
        }
        for stage in &mut done {
            stage.eye = Some(name);
        }
        if !take(&mut result, done) {
            return Ok(result);
        }
        let steps = match name.direction {
            Direction::Read => [TrainingStep::ReadCentring, TrainingStep::ReadVref],
            _ => [TrainingStep::WriteCentring, TrainingStep::WriteVref],
        };
        if !train_lanes(p, eye, steps, keyed, request, &mut result) {
            return Ok(result);
        }
    }
    Ok(result)
}

/// Centring and reference of one eye's lanes; `false` when a stage failed.
fn train_lanes(
    p: &Parameters,
    eye: &mut Eye,
    steps: [TrainingStep; 2],
    keyed: &Keyed<'_>,
    request: &TrainingRequest,
    result: &mut TrainingResult,
) -> bool {
    let (name, grid) = (eye.capabilities.eye, eye.capabilities.grid);
    let facts = keyed.setting.rate.generation().facts();
    let mut draws = keyed.draws("eye", &name.to_string(), 0);
    let names = steps.map(|step| facts.step(step).unwrap_or_default());
    let shared =
        facts.shared_write_vref.filter(|_| name.direction == Direction::Write && p.vref_shared == 1.0);
    let group = shared.map_or(1, |shared| shared.lanes(keyed.setting.module.device_width));
    let trained =
        stages::train_eye(names, p, request, &grid, (&eye.lanes, group), &mut eye.surfaces, &mut draws);
    let mut settings = trained.settings;
    // A firmware's landings are those of data lanes.
    let firmware = keyed.setting.firmware.iter().filter(|_| name.direction != Direction::Command);
    for landing in firmware.flat_map(|firmware| &firmware.landings) {
        // Without settings where a stage failed.
        if let Some(at) = eye.lanes.iter().position(|lane| *lane == landing.lane)
            && let Some(setting) = settings.get_mut(at)
        {
            *setting = moved(&grid, *setting, landing);
        }
    }
    let mut done = trained.stages;
    for stage in &mut done {
        stage.eye = Some(name);
    }
    if !take(result, done) {
        return false;
    }
    result.eyes.push(TrainedEye { eye: name, lanes: eye.lanes.clone(), settings });
    true
}

/// Where a firmware sets a lane that was trained to a place.
fn moved(grid: &Grid, at: LanePoint, by: &Landing) -> LanePoint {
    LanePoint {
        tap: at.tap.saturating_add_signed(by.taps).min(grid.taps - 1),
        vref: at.vref.saturating_add_signed(by.vref_steps).min(grid.vref_steps - 1),
    }
}

/// Adds stages up to the first failed one; `false` when there was one.
fn take(result: &mut TrainingResult, stages: Vec<TrainingStage>) -> bool {
    for stage in stages {
        let passed = stage.passed();
        result.stages.push(stage);
        if !passed {
            result.passed = false;
            result.eyes.clear();
            return false;
        }
    }
    true
}
