//! What a line measures with: the plan's parts by name, and the settings that a driver takes.
//!
//! A unit is a module or a chip; which of the two varies. In the simulated target a unit's silicon follows from its name alone,
//! and so does what is wrong with it: a serial number that is no unit of the plan is one of the plan's descriptions, drawn by
//! the number's digest in the proportions of the plan.

use crate::console::exit::Failure;
use contract::{Setting, TrainingRequest};
use nightbench_core::devices::{Channel, Chip, Firmware, Module, Pattern, Supply};
use nightbench_core::rates::DataRate;
use nightbench_core::results::Direction;
use nightbench_core::text::Named;
use nightbench_core::units::Celsius;
use plan::Plan;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::sync::Arc;

/// What varies from unit to unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum UnitFactor {
    Module,
    Chip,
}

impl UnitFactor {
    pub fn name(self) -> &'static str {
        match self {
            UnitFactor::Module => "module",
            UnitFactor::Chip => "chip",
        }
    }
}

/// A corner of the characterization.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Corner {
    pub temperature_degc: f64,
    pub supply: String,
}

/// The conditions of a line, by the plan's names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    pub units: UnitFactor,
    /// What stays: the chip where modules vary, the module where chips do.
    pub stays: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub firmware: Option<String>,
    pub channel: String,
    /// Nominal data rate, MT/s.
    pub rate: u32,
    pub pattern: String,
    pub temperature_degc: f64,
    /// Supplies in the order they are set; training is at the first.
    pub supplies: Vec<String>,
    pub corners: Vec<Corner>,
    /// Share of faulty units among those that the simulated target invents.
    pub faulty_share: f64,
}

/// A unit to be measured.
#[derive(Debug, Clone)]
pub struct Unit {
    pub serial: String,
    pub chip: Arc<Chip>,
    pub module: Arc<Module>,
    /// What the simulated target was told to be wrong with it.
    pub fault: Option<String>,
}

/// One measurement of a unit: which mounting of it, which repeat in that mounting, both from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Turn {
    pub mounting: u32,
    pub repeat: u32,
}

/// A line's parts.
pub struct Line {
    pub plan: Plan,
    pub conditions: Conditions,
    chip: Arc<Chip>,
    module: Arc<Module>,
    firmware: Option<Arc<Firmware>>,
    channel: Arc<Channel>,
    supplies: Vec<Arc<Supply>>,
    rate: DataRate,
    pattern: Pattern,
}

fn named<'a, T: Named>(what: &str, list: &'a [T], name: &str) -> Result<&'a T, Failure> {
    list.iter().find(|thing| thing.name() == name).ok_or_else(|| {
        Failure::invalid(format!("the test names the {what} `{name}`, and its plan has none of that name"))
    })
}

impl Line {
    /// Finds the parts in the plan.
    ///
    /// # Errors
    /// Exit 2: a name that the plan does not have.
    pub fn new(plan: Plan, conditions: Conditions) -> Result<Line, Failure> {
        let stays = &conditions.stays;
        let (chip, module) = match conditions.units {
            UnitFactor::Module => (named("chip", &plan.chips, stays)?.clone(), plan.modules[0].clone()),
            UnitFactor::Chip => (plan.chips[0].clone(), named("module", &plan.modules, stays)?.clone()),
        };
        let firmware =
            conditions.firmware.as_ref().map(|name| named("firmware", &plan.firmwares, name)).transpose()?;
        let channel = named("channel", &plan.channels, &conditions.channel)?.clone();
        let supplies =
            conditions.supplies.iter().chain(conditions.corners.iter().map(|corner| &corner.supply));
        let supplies: Result<Vec<Arc<Supply>>, Failure> = supplies
            .map(|name| named("supply", &plan.supplies, name).map(|one| Arc::new(one.clone())))
            .collect();
        let rate = DataRate::parse(plan.interface.generation, &conditions.rate.to_string())
            .ok_or_else(|| Failure::invalid(format!("{} MT/s is no data rate", conditions.rate)))?;
        let pattern = plan.matrix.patterns.iter().find(|known| known.name() == conditions.pattern);
        let pattern = pattern
            .ok_or_else(|| Failure::invalid(format!("the plan has no pattern `{}`", conditions.pattern)))?
            .clone();
        Ok(Line {
            chip: Arc::new(chip),
            module: Arc::new(module),
            firmware: firmware.map(|one| Arc::new(one.clone())),
            channel: Arc::new(channel),
            supplies: supplies?,
            rate,
            pattern,
            conditions,
            plan,
        })
    }

    /// A unit of a bench: the plan's own of that name, else one like the plan's first, known by its serial number. The device
    /// is asked for by a name that its agent knows.
    pub fn unit_of_bench(&self, serial: &str) -> Unit {
        let (mut chip, mut module) = (self.chip.as_ref(), self.module.as_ref().clone());
        match self.conditions.units {
            UnitFactor::Module => match self.plan.modules.iter().find(|module| module.name == serial) {
                Some(own) => module = own.clone(),
                None => module.serial = Some(serial.into()),
            },
            UnitFactor::Chip => {
                chip = self.plan.chips.iter().find(|chip| chip.name == serial).unwrap_or(chip)
            }
        }
        Unit { serial: serial.into(), chip: Arc::new(chip.clone()), module: Arc::new(module), fault: None }
    }

    /// A unit of a bench that tells its serial number itself.
    pub fn unit_unnamed(&self, unit: &Unit) -> Unit {
        let mut module = unit.module.as_ref().clone();
        module.serial = None;
        Unit { module: Arc::new(module), ..unit.clone() }
    }

    /// A unit of the simulated target.
    pub fn simulated_unit(&self, serial: &str) -> Unit {
        match self.conditions.units {
            UnitFactor::Module => {
                let mut module =
                    self.drawn(&self.plan.modules, serial, |module| module.fault.is_some()).clone();
                module.name = serial.into();
                let fault = module.fault.clone();
                Unit { serial: serial.into(), chip: Arc::clone(&self.chip), module: Arc::new(module), fault }
            }
            UnitFactor::Chip => {
                let mut chip = self.drawn(&self.plan.chips, serial, |chip| chip.fault.is_some()).clone();
                chip.name = serial.into();
                let fault = chip.fault.clone();
                Unit { serial: serial.into(), chip: Arc::new(chip), module: Arc::clone(&self.module), fault }
            }
        }
    }

    /// The plan's own unit of that name, or one drawn by it.
    fn drawn<'a, T: Named>(&self, list: &'a [T], serial: &str, faulty: impl Fn(&T) -> bool) -> &'a T {
        if let Some(own) = list.iter().find(|one| one.name() == serial) {
            return own;
        }
        let (bad, sound): (Vec<&T>, Vec<&T>) = list.iter().partition(|one| faulty(one));
        let digest =
            Sha256::new().chain_update(b"description of a unit").chain_update(serial.as_bytes()).finalize();
        let part = |from: usize| u64::from_le_bytes(std::array::from_fn(|at| digest[from + at]));
        let unit = |number: u64| (number >> 11) as f64 / (1u64 << 53) as f64;
        let from = if unit(part(0)) < self.conditions.faulty_share && !bad.is_empty() || sound.is_empty() {
            bad
        } else {
            sound
        };
        from[((unit(part(8)) * from.len() as f64) as usize).min(from.len() - 1)]
    }

    fn supply(&self, name: &str) -> &Arc<Supply> {
        self.supplies.iter().find(|supply| supply.name == name).unwrap_or(&self.supplies[0])
    }

    fn setting(&self, unit: &Unit, supply: &str, temperature: f64, turn: Turn, what: &str) -> Setting {
        let key = Sha256::new()
            .chain_update(what.as_bytes())
            .chain_update([0])
            .chain_update(unit.serial.as_bytes())
            .chain_update([0])
            .chain_update(turn.mounting.to_le_bytes())
            .chain_update(turn.repeat.to_le_bytes());
        Setting {
            chip: Arc::clone(&unit.chip),
            firmware: self.firmware.clone(),
            module: Arc::clone(&unit.module),
            channel: Arc::clone(&self.channel),
            rate: self.rate,
            wck_ratio: self.plan.interface.wck_ratio,
            temperature: Celsius(temperature),
            control_point: self.plan.matrix.control_point,
            calibrated_at: Celsius(temperature),
            supply: Arc::clone(self.supply(supply)),
            pattern: self.pattern.clone(),
            mounting: turn.mounting,
            start: turn.repeat,
            noise_key: key.finalize().into(),
        }
    }

    /// A unit at room temperature: one start, whatever the supply.
    pub fn at_room(&self, unit: &Unit, supply: &str, turn: Turn) -> Setting {
        self.setting(unit, supply, self.conditions.temperature_degc, turn, "line test")
    }

    /// A unit at a corner.
    pub fn at_corner(&self, unit: &Unit, corner: &Corner, turn: Turn) -> Setting {
        let what = format!("corner test {} {}", corner.temperature_degc, corner.supply);
        self.setting(unit, &corner.supply, corner.temperature_degc, turn, &what)
    }

    pub fn training_request(&self) -> TrainingRequest {
        let training = &self.plan.training;
        TrainingRequest {
            start: contract::StartKind::PowerCycle,
            pass_ber: training.pass_ber,
            fewest_taps: training.fewest_taps,
            fewest_steps: training.fewest_steps,
            write: self.plan.capture.directions.contains(&Direction::Write),
            command: self.plan.capture.directions.contains(&Direction::Command),
        }
    }

    /// The data rate in words.
    pub fn rate(&self) -> DataRate {
        self.rate
    }
}
