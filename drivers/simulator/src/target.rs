//! The simulated target: a [`Driver`] whose eyes come from the channel model and whose clock is virtual.

use super::assembly::{self, refused};
use super::attempt::{Keyed, read_back, train_set};
use super::draws::{self, Draws};
use super::noise::{LaneErrors, Noise};
use super::physics::{LaneSurface, Link, Measured, Parameters};
use super::silicon;
use super::stages::{self, StartSpread};
use contract::{
    Call, Capabilities, Driver, DriverError, EyeCapabilities, FaultKind, PointCounts, PointRequest,
    SafetyHandle, Setting, StartKind, TrainingRequest,
};
use nightbench_core::devices::{Interface, ModelValue, Module, Supply};
use nightbench_core::point_rule::{PointRule, PreparedRule};
use nightbench_core::rates::DataRate;
use nightbench_core::results::{
    Direction, EyeName, Grid, Identity, LanePoint, LaneSet, Readback, TrainedEye, TrainingResult,
};
use nightbench_core::units::{Celsius, Seconds, Volts};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Version of the channel model: part of every job's key, so that results of different models never mix.
pub const MODEL_VERSION: &str = "channel model 3";

/// Share of the data rate that is compared: refresh, turnaround and pattern set-up eat the rest (estimate).
const COMPARED_SHARE: f64 = 0.6;
/// The same of command lines: what a DRAM saw of them comes back over data lines, a pattern at a time (estimate).
const COMMAND_COMPARED_SHARE: f64 = 0.05;
/// Fewest bits of a command line that are compared (estimate).
const COMMAND_BITS: u64 = 16;
/// Time a point costs beside its bits, seconds (estimate: register writes and counter reads).
const VISIT_OVERHEAD_S: f64 = 0.5e-3;
/// Time a change of Vref takes to settle, seconds (estimate).
const VREF_SETTLE_S: f64 = 0.1e-3;
/// Time of one training attempt, seconds (estimate).
pub const TRAINING_S: f64 = 2.5;
/// Spread of a temperature reading, K rms, and of a rail reading, V rms (estimates).
const READING_SPREAD: (f64, f64) = (0.15, 1.5e-3);

/// What every simulated target of a run shares.
#[derive(Debug, Clone)]
pub struct SimulatedOptions {
    /// The interface under test.
    pub interface: Interface,
    /// Model values the plan sets.
    pub model: Vec<ModelValue>,
    /// Directions that can be captured.
    pub directions: Vec<Direction>,
    /// Measured data by the channel's name in the plan.
    pub measured: BTreeMap<String, Measured>,
    /// Seed of mountings, training and counting noise.
    pub seed: u64,
}

/// Surface sets kept: the condition's own and the one training is held from.
const KEPT_SETS: usize = 2;

/// Everything that hangs on one setting, whatever the start: built once, then repeats cost only their draws.
pub(super) struct SurfaceSet {
    key: SurfaceKey,
    pub(super) parameters: Parameters,
    pub(super) eyes: Vec<Eye>,
}

/// Surfaces of the lanes of one eye.
pub(super) struct Eye {
    pub(super) capabilities: EyeCapabilities,
    pub(super) lanes: Vec<u16>,
    pub(super) surfaces: Vec<LaneSurface>,
    /// Captured by the plan; else only there so that writes can be read back.
    shown: bool,
}

/// What the surfaces hang on: equal words mean equal surfaces.
type SurfaceKey = [u8; 32];

pub struct SimulatedTarget {
    options: Arc<SimulatedOptions>,
    setting: Option<Setting>,
    /// The present set last.
    sets: Vec<SurfaceSet>,
    /// An earlier set was asked for again: training is held from another condition, and both are needed.
    returns: bool,
    /// How the last training started; the strobes stay where it found them until the next one.
    started: Option<StartKind>,
    /// Read eyes as they are trained, shown or not: what is written is read back at these points.
    read_points: Vec<TrainedEye>,
    trained: bool,
    /// Virtual time, whole nanoseconds: sums do not depend on what came before.
    elapsed_ns: u64,
    last_vref: Option<u16>,
}

/// Every eye of a module at a rate and supply, as the simulated target will offer it: known without any physics.
pub fn expected_eyes(
    interface: &Interface,
    module: &Module,
    rate: DataRate,
    supply: &Supply,
    directions: &[Direction],
) -> Vec<EyeCapabilities> {
    let populated = module.lanes();
    let facts = interface.generation.facts();
    let mut eyes = Vec::new();
    for direction in directions {
        for rank in 0..module.ranks {
            for (sub_channel, lanes) in assembly::sub_channels(interface) {
                let lanes = LaneSet(lanes.0 & populated.0);
                if lanes.is_empty() {
                    continue;
                }
                let bus = facts.command.filter(|_| *direction == Direction::Command);
                if bus.is_none() && *direction == Direction::Command {
                    continue;
                }
                let bits_per_second = match bus {
                    Some(_) => COMMAND_COMPARED_SHARE * 1e12 / interface.bit_time(rate, *direction).0,
                    None => rate.bits_per_second() * COMPARED_SHARE,
                };
                eyes.push(EyeCapabilities {
                    eye: EyeName { direction: *direction, rank, sub_channel },
                    grid: assembly::grid(interface, rate, supply, *direction),
                    lanes: bus.map_or(lanes, |bus| LaneSet::first(bus.lines)),
                    compared_bits_per_second: bits_per_second,
                    visit_overhead_s: VISIT_OVERHEAD_S,
                    vref_settle_s: VREF_SETTLE_S,
                    early_stop: true,
                    fewest_bits: bus.map_or(u64::from(facts.burst_length), |_| COMMAND_BITS),
                });
            }
        }
    }
    eyes
}

impl SimulatedTarget {
    /// A target that waits for its first condition.
    pub fn new(options: Arc<SimulatedOptions>) -> SimulatedTarget {
        SimulatedTarget {
            options,
            setting: None,
            sets: Vec::new(),
            returns: false,
            started: None,
            read_points: Vec::new(),
            trained: false,
            elapsed_ns: 0,
            last_vref: None,
        }
    }

    fn setting(&self) -> Result<&Setting, DriverError> {
        self.setting.as_ref().ok_or_else(|| {
            DriverError::new(FaultKind::WrongOrder, "no condition was applied yet; apply one first")
        })
    }

    fn surface_key(&self, setting: &Setting) -> SurfaceKey {
        let words = format!(
            "{:?} {:?} {:?} {:?} {} {} {} {:?} {:?} {}",
            setting.firmware.as_ref().map(|firmware| &firmware.overrides),
            setting.chip,
            setting.module,
            setting.channel,
            setting.rate,
            setting.temperature,
            setting.calibrated_at,
            setting.supply,
            setting.pattern,
            setting.mounting
        );
        draws::key(&[words.as_bytes()])
    }

    fn build(&self, key: SurfaceKey, setting: &Setting) -> Result<SurfaceSet, DriverError> {
        let interface = &self.options.interface;
        let module = &setting.module;
        let firmware = setting.firmware.iter().flat_map(|firmware| &firmware.overrides);
        let own = self.options.model.iter().chain(&module.overrides).chain(&setting.channel.overrides);
        let own = own.chain(firmware);
        let parameters =
            assembly::parameters(interface.generation, own.clone()).map_err(|error| refused(&error))?;
        let measured = match &setting.channel.measured {
            Some(data) => {
                Some(self.options.measured.get(&setting.channel.name).cloned().ok_or_else(|| {
                    DriverError::new(
                        FaultKind::OutOfRange,
                        format!(
                            "the measured data `{}` of channel {} was not loaded",
                            data.file, setting.channel.name
                        ),
                    )
                })?)
            }
            None => None,
        };
        let mut eyes: Vec<Eye> = Vec::new();
        let before = self.sets.last().and_then(|set| set.eyes.last());
        let shown = &self.options.directions;
        let mut directions = shown.clone();
        if parameters.read_back == 1.0
            && shown.contains(&Direction::Write)
            && !shown.contains(&Direction::Read)
        {
            directions.push(Direction::Read);
        }
        for mut capabilities in expected_eyes(interface, module, setting.rate, &setting.supply, &directions) {
            let name = capabilities.eye;
            // With quiet neighbours one bit of each byte is compared at a time.
            capabilities.compared_bits_per_second /= f64::from(setting.pattern.passes());
            let mut links: Vec<Link> = Vec::new();
            let mut contacts = Vec::new();
            // What is tabulated of the noise serves every eye that has the same.
            let beside = eyes.last().or(before).and_then(|eye| eye.surfaces.first());
            for half in 0..module.populated.len() as u8 {
                let of_half = silicon::mounting(
                    &parameters,
                    self.options.seed,
                    &setting.chip.name,
                    &module.name,
                    &setting.channel.name,
                    half,
                    setting.mounting,
                );
                let setup =
                    assembly::setup(interface, setting, name, parameters.clone(), of_half, measured.clone());
                contacts.push(of_half);
                links.push(Link::beside(setup, beside).map_err(|error| refused(&error))?);
            }
            let lanes: Vec<u16> = capabilities.lanes.iter().collect();
            let surfaces = lanes
                .iter()
                .map(|lane| {
                    let command = name.direction == Direction::Command;
                    let half = if command { 0 } else { module.half_of(*lane).min(links.len() - 1) };
                    let special = module.lane_models.iter().find(|one| one.lane == *lane && !command);
                    let Some(special) = special else {
                        let bit = silicon::bit(&parameters, &setting.chip.name, module, name, *lane);
                        return links[half].lane(&bit).map_err(|error| refused(&error));
                    };
                    let values = own.clone().chain(&special.overrides);
                    let own = assembly::parameters(interface.generation, values)
                        .map_err(|error| refused(&error))?;
                    let bit = silicon::bit(&own, &setting.chip.name, module, name, *lane);
                    let setup =
                        assembly::setup(interface, setting, name, own, contacts[half], measured.clone());
                    let link = Link::beside(setup, beside).map_err(|error| refused(&error))?;
                    link.lane(&bit).map_err(|error| refused(&error))
                })
                .collect::<Result<Vec<_>, _>>()?;
            let shown = shown.contains(&name.direction);
            eyes.push(Eye { capabilities, lanes, surfaces, shown });
        }
        Ok(SurfaceSet { key, parameters, eyes })
    }

    /// Puts every strobe where the last start found it.
    fn place_strobes(&mut self) {
        let (Some(setting), Some(start)) = (&self.setting, self.started) else { return };
        let seed = self.options.seed;
        let Some(set) = self.sets.last_mut() else { return };
        let spread_ps = StartSpread::of(&set.parameters, start).skew_ps;
        let ui_ps = setting.rate.ui().0;
        let width = stages::strobe_width(&setting.module);
        for eye in &mut set.eyes {
            // A command line has no strobe.
            if eye.capabilities.eye.direction == Direction::Command {
                continue;
            }
            let name = eye.capabilities.eye.to_string();
            for (lane, surface) in eye.lanes.iter().zip(&mut eye.surfaces) {
                let group = (lane / width).to_le_bytes();
                let words: [&[u8]; 5] =
                    [b"strobe of a start", &seed.to_le_bytes(), &setting.noise_key, name.as_bytes(), &group];
                let shift = if spread_ps > 0.0 { spread_ps * Draws::of(&words).normal() } else { 0.0 };
                surface.set_shift(shift / ui_ps);
            }
        }
    }

    /// Eyes that the plan captures.
    fn eyes(&self) -> impl Iterator<Item = &Eye> {
        self.sets.last().into_iter().flat_map(|set| &set.eyes).filter(|eye| eye.shown)
    }

    /// Taps of all lanes of the present setting whose error ratios were computed, and all there are.
    pub fn computed_taps(&self) -> (usize, usize) {
        let lanes = || self.eyes().flat_map(|eye| &eye.surfaces);
        (lanes().map(LaneSurface::computed_taps).sum(), lanes().map(LaneSurface::taps).sum())
    }

    /// Error ratios that all sets have memory for before the jitter.
    #[cfg(test)]
    pub fn kept_rows(&self) -> usize {
        let eyes = self.sets.iter().flat_map(|set| &set.eyes);
        eyes.flat_map(|eye| &eye.surfaces).map(LaneSurface::kept_rows).sum()
    }

    /// The exact error ratios of every eye and lane of the present setting: what measured values are held against.
    pub fn lane_surfaces(&mut self) -> impl Iterator<Item = (EyeName, u16, &mut LaneSurface)> {
        let eyes = self.sets.last_mut().map(|set| set.eyes.iter_mut()).into_iter().flatten();
        eyes.filter(|eye| eye.shown).flat_map(|eye| {
            let name = eye.capabilities.eye;
            eye.lanes.iter().zip(&mut eye.surfaces).map(move |(lane, surface)| (name, *lane, surface))
        })
    }

    fn place_read_back(&mut self) {
        if let Some(set) = self.sets.last_mut() {
            read_back(set, &self.read_points);
        }
    }

    fn noise(&self, setting: &Setting, eye: EyeName) -> Noise {
        let sub_channel = eye.sub_channel.map_or(255, |index| index);
        Noise::new(draws::key(&[
            b"counting noise",
            &self.options.seed.to_le_bytes(),
            &setting.noise_key,
            eye.direction.name().as_bytes(),
            &[eye.rank, sub_channel],
        ]))
    }
}

impl Driver for SimulatedTarget {
    fn is_simulated(&self) -> bool {
        true
    }

    fn identity(&mut self, _: &Call) -> Result<Identity, DriverError> {
        let setting = self.setting()?;
        let firmware = setting.firmware.as_ref().map_or("as loaded", |firmware| firmware.name.as_str());
        let hex =
            |bytes: [u8; 32]| bytes.iter().take(8).map(|byte| format!("{byte:02x}")).collect::<String>();
        Ok(Identity {
            chip_serial: setting.chip.name.clone(),
            firmware_build: firmware.to_string(),
            firmware_hash: hex(draws::key(&[b"firmware", firmware.as_bytes()])),
            settings_hash: hex(draws::key(&[b"settings", format!("{:?}", self.options.model).as_bytes()])),
            agent_version: MODEL_VERSION.into(),
        })
    }

    fn capabilities(&mut self, _: &Call) -> Result<Capabilities, DriverError> {
        self.setting()?;
        Ok(Capabilities {
            eyes: self.eyes().map(|eye| eye.capabilities.clone()).collect(),
            restores_training: true,
            power_cycle: true,
        })
    }

    fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        call.check("applying a condition")?;
        let key = self.surface_key(setting);
        // Repeats and starts of a condition share their surfaces: they cost only their draws.
        let set = match self.sets.iter().position(|set| set.key == key) {
            Some(known) => {
                self.returns |= known + 1 < self.sets.len();
                self.sets.remove(known)
            }
            None => {
                let mut set = self.build(key, setting)?;
                let mut done = if self.sets.len() >= KEPT_SETS { Some(self.sets.remove(0)) } else { None };
                // The last set lets its memory go as well, unless it will be asked for again.
                let giving = if self.returns { done.as_mut() } else { self.sets.last_mut() };
                let given =
                    giving.into_iter().flat_map(|set| &mut set.eyes).flat_map(|eye| &mut eye.surfaces);
                let taking = set.eyes.iter_mut().flat_map(|eye| &mut eye.surfaces);
                taking.zip(given).for_each(|(surface, given)| surface.take_memory_of(given));
                set
            }
        };
        self.sets.push(set);
        let kept = self.setting.as_ref().is_some_and(|before| {
            before.rate == setting.rate
                && before.chip == setting.chip
                && before.module == setting.module
                && before.channel == setting.channel
                && before.mounting == setting.mounting
        });
        self.trained &= kept;
        self.last_vref = None;
        let mut draws = Draws::of(&[b"readings", &self.options.seed.to_le_bytes(), &setting.noise_key]);
        let temperature = Celsius(setting.temperature.0 + READING_SPREAD.0 * draws.normal());
        let rails = setting
            .supply
            .named()
            .map(|(name, volts)| (name.to_string(), Volts(volts.0 + READING_SPREAD.1 * draws.normal())))
            .collect();
        self.setting = Some(setting.clone());
        if !self.trained {
            self.started = None;
            self.read_points.clear();
        }
        self.place_strobes();
        self.place_read_back();
        Ok(Readback { temperature, rails, settling: Seconds(0.0) })
    }

    fn train(&mut self, request: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError> {
        let setting = self.setting()?.clone();
        self.started = Some(request.start);
        self.place_strobes();
        self.elapsed_ns += nanoseconds(TRAINING_S);
        let interface = &self.options.interface;
        let channel_lanes = interface.generation.facts().channels.width(interface.lanes);
        let keyed = Keyed { seed: self.options.seed, setting: &setting, channel_lanes };
        let result = match self.sets.last_mut() {
            Some(set) => train_set(set, &keyed, request, call)?,
            None => return Err(DriverError::new(FaultKind::WrongOrder, "no condition was applied yet")),
        };
        let mut result = result;
        self.trained = result.passed;
        self.read_points =
            result.eyes.iter().filter(|trained| trained.eye.direction == Direction::Read).cloned().collect();
        let hidden: Vec<EyeName> = self.sets.last().map_or(Vec::new(), |set| {
            set.eyes.iter().filter(|eye| !eye.shown).map(|eye| eye.capabilities.eye).collect()
        });
        result.eyes.retain(|trained| !hidden.contains(&trained.eye));
        Ok(result)
    }

    fn restore(&mut self, eyes: &[TrainedEye], _: &Call) -> Result<(), DriverError> {
        self.setting()?;
        for eye in self.eyes().collect::<Vec<_>>() {
            let name = eye.capabilities.eye;
            if !eyes.iter().any(|saved| saved.eye == name && saved.lanes == eye.lanes) {
                return Err(DriverError::new(
                    FaultKind::OutOfRange,
                    format!("no saved training settings for {name}; train it first"),
                ));
            }
        }
        for saved in eyes.iter().filter(|saved| saved.eye.direction == Direction::Read) {
            self.read_points.retain(|known| known.eye != saved.eye);
            self.read_points.push(saved.clone());
        }
        self.place_read_back();
        self.trained = true;
        Ok(())
    }

    fn sample(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        let noise = self.noise(self.setting()?, eye);
        if !self.trained {
            return Err(DriverError::new(
                FaultKind::WrongOrder,
                "the interface is not trained; train it first",
            ));
        }
        let eyes = self.sets.last_mut().map(|set| set.eyes.iter_mut());
        let target =
            eyes.into_iter().flatten().find(|known| known.capabilities.eye == eye).ok_or_else(|| {
                DriverError::new(FaultKind::OutOfRange, format!("there is no eye `{eye}` at this condition"))
            })?;
        let grid = target.capabilities.grid;
        let burst = target.capabilities.fewest_bits;
        let mut answers = Vec::with_capacity(points.len());
        let mut lanes: Vec<LaneErrors> = Vec::with_capacity(target.lanes.len());
        let mut prepared: Option<(PointRule, PreparedRule)> = None;
        for (index, request) in points.iter().enumerate() {
            if index % 64 == 0 {
                call.check("sampling")?;
            }
            request.check(&grid, target.lanes.len())?;
            let point = request.point;
            let rule = match &mut prepared {
                Some((rule, ready)) if *rule == request.rule => ready,
                other => &mut other.insert((request.rule, request.rule.prepare())).1,
            };
            let mut noise = noise.point(point.tap, point.vref, request.series);
            lanes.clear();
            lanes.extend(target.surfaces.iter_mut().zip(&target.lanes).map(|(surface, lane)| {
                noise.lane(*lane, surface.ber(usize::from(point.tap), usize::from(point.vref)))
            }));
            let decided = request
                .lanes
                .iter()
                .map(|lane| lanes[usize::from(lane)].decided_at(rule, request.bits_before))
                .max()
                .unwrap_or(request.bits_before);
            let new =
                decided.saturating_sub(request.bits_before).max(burst).min(request.most_bits.max(burst));
            let bits = new.div_ceil(burst) * burst;
            let total = request.bits_before + bits;
            let errors = lanes
                .iter_mut()
                .enumerate()
                .map(|(lane, errors)| {
                    let before = request.errors_before.get(lane).copied().unwrap_or(0);
                    errors.count(total).saturating_sub(before)
                })
                .collect();
            if self.last_vref != Some(point.vref) {
                self.elapsed_ns += nanoseconds(VREF_SETTLE_S);
                self.last_vref = Some(point.vref);
            }
            let dwell_s = bits as f64 / target.capabilities.compared_bits_per_second;
            self.elapsed_ns += nanoseconds(VISIT_OVERHEAD_S + dwell_s);
            answers.push(PointCounts { bits, errors });
        }
        Ok(answers)
    }

    fn confirm(&mut self, _: &Call) -> Result<(), DriverError> {
        self.setting().map(|_| ())
    }

    fn make_safe(&mut self, _: &Call) -> Result<(), DriverError> {
        self.trained = false;
        Ok(())
    }

    fn safety_handle(&self) -> Box<dyn SafetyHandle> {
        Box::new(NothingToSwitch)
    }

    fn elapsed(&self) -> Seconds {
        Seconds(self.elapsed_ns as f64 * 1e-9)
    }
}

fn nanoseconds(seconds: f64) -> u64 {
    (seconds * 1e9).round() as u64
}

/// A simulated target has nothing that could be left on.
struct NothingToSwitch;

impl SafetyHandle for NothingToSwitch {
    fn make_safe(&self) -> Result<(), DriverError> {
        Ok(())
    }
}

/// Settings in the middle of nowhere: where an untrained lane is looked for.
pub(crate) fn centre(grid: &Grid) -> LanePoint {
    LanePoint { tap: grid.taps / 2, vref: grid.vref_steps / 2 }
}
