//! What the emulated bench is made of: air, device, sensors, rails, in accelerated time.

use super::faults::{Fault, Weather};
use super::ledger::{Allowed, WorldLedger};
use super::mishaps::Mishaps;
use super::scpi::Kind;
use simulator::draws::Draws;
use std::collections::{BTreeSet, VecDeque};
use std::time::Instant;

/// Step of the thermal model, bench seconds.
const STEP_S: f64 = 0.5;
/// A chamber that runs away is this many times faster.
const RUN_AWAY: f64 = 6.0;
/// Time constant of the air of a chamber that is switched off, s.
const PASSIVE_S: f64 = 900.0;
/// Self-heating of the powered device, K.
const SELF_HEATING_K: f64 = 3.0;
/// Share of the last ramp by which the air overshoots, and how fast that decays.
const OVERSHOOT_K: f64 = 2.5;
const OVERSHOOT_DECAY_S: f64 = 40.0;
/// Noise of a temperature reading, K rms, and of a voltage reading, V rms.
const NOISE: (f64, f64) = (0.05, 0.4e-3);
/// Time constant of a rail, s of wall time: a rail discharges at the same speed whatever the time scale.
const RAIL_S: f64 = 0.004;
/// Wall time that power may stay on beyond a limit, s, where a test declares none. A look at every rail over
/// loopback takes some 10 ms; other tests share the processor.
const REACTION_WALL_S: f64 = 2.0;
/// Two polls confirm an alarm; on a busy computer the watch's and that of making safe are under way when it is raised.
const MOST_TOLD: u32 = 4;

/// How air and device behave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thermal {
    /// Time constant of the device in the air, s.
    pub device_s: f64,
    /// Fastest change of the air, K/min.
    pub ramp_k_per_min: f64,
    /// Share of the way from ambient that the device loses to its board.
    pub loss: f64,
    /// A chamber that swings around its set point: damping below 1 and period, s.
    pub swing: Option<(f64, f64)>,
    /// Where a chamber that runs away ends, degC.
    pub hottest: f64,
}

impl Default for Thermal {
    fn default() -> Thermal {
        Thermal { device_s: 25.0, ramp_k_per_min: 20.0, loss: 0.0, swing: None, hottest: 95.0 }
    }
}

/// What a sensor tells.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Tells {
    /// The truth, with noise.
    #[default]
    Truth,
    /// The same value for ever: dead, or stuck.
    Always(f64),
    /// It came off and reads the room.
    Room,
}

/// The sensors of the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Probe {
    /// In the chip, read by the agent as `chip`.
    Chip,
    /// On the DRAM case, read by the agent as `case`.
    Case,
    /// In the air near the device, read by the meter.
    Air,
    /// The chamber's own.
    Chamber,
}

/// What drives the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Heater {
    /// It follows the set point.
    #[default]
    Obeys,
    /// It heats as fast as it can until its set point is ambient.
    AwayUntilAmbient,
    /// It heats as fast as it can until the chamber is switched off.
    AwayUntilOff,
    /// It heats whatever it is told: only a hand at the mains ends it.
    AwayForGood,
}

/// A reading that can be wrong once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// Of a temperature sensor.
    Temperature(Probe),
    /// Of an output's voltage.
    Volts,
    /// Of an output's current.
    Amperes,
}

/// One output of the supply.
#[derive(Debug, Clone, Copy)]
pub struct Output {
    /// Set voltage, V.
    pub volts: f64,
    /// Current limit, A.
    pub amperes: f64,
    /// Over-voltage protection, V.
    pub over_voltage: f64,
    /// Switched on?
    pub on: bool,
    /// The protection tripped.
    pub tripped: bool,
    /// The output stays on and at its voltage whatever it is told.
    pub stuck: bool,
    /// It gives more current than its limit while it is on.
    pub overloaded: bool,
    /// What hangs on it is a short: its limit in current, hardly a voltage.
    pub shorted: bool,
    /// Its protection trips as soon as it is switched on.
    pub trips: bool,
    /// It gives this much beside its set voltage, V: its sense line came off, or a load pulls it down.
    pub off_by: f64,
    /// What the supply and the meter tell of its voltage while it is on, whatever is true, V.
    pub tells: (Option<f64>, Option<f64>),
    actual: f64,
}

/// The state of everything.
pub struct World {
    /// Bench seconds a wall second.
    pub scale: f64,
    /// When faults happen.
    pub weather: Weather,
    /// Outputs 1, 2, 3, ...
    pub outputs: Vec<Output>,
    /// The board's power switch; `None` until somebody uses it.
    pub switch: Option<bool>,
    /// The power switch does not switch off any more.
    pub switch_stuck: bool,
    /// Chamber set point, degC.
    pub set_point: f64,
    /// The chamber is switched on: it drives the air.
    pub conditioning: bool,
    /// The chamber does not follow its set point.
    pub lazy: bool,
    /// Does the chamber obey?
    pub heater: Heater,
    /// How air and device behave.
    pub thermal: Thermal,
    /// What each sensor tells, in the order of [`Probe`].
    pub tells: [Tells; 4],
    /// Readings that are wrong once, each at its next occasion.
    pub wrong_once: VecDeque<(Reading, f64)>,
    /// So many commands to switch off are not heard.
    pub swallowed_offs: u32,
    /// Instruments that hear and never answer.
    pub silent: BTreeSet<Kind>,
    /// Instruments that neither hear nor answer.
    pub deaf: BTreeSet<Kind>,
    /// Messages to silent and deaf instruments so far.
    pub unanswered: u32,
    /// What the supply says about every output when it is asked whether it is on, whatever is true.
    pub says_on: Option<bool>,
    /// Messages to instruments that go wrong.
    pub mishaps: Mishaps,
    /// Instruments whose line hangs up at once.
    pub hung_up: BTreeSet<Kind>,
    /// Positions of lanes that are never compared: they tell no error.
    pub blind_lanes: Vec<usize>,
    /// The device tells no temperature without power.
    pub chip_needs_power: bool,
    /// Instruments serve one connection at a time.
    pub one_connection: bool,
    /// When each output switches off by itself, bench seconds; `None`: never.
    pub off_at_s: Vec<Option<f64>>,
    /// The chamber's door is closed.
    pub door_closed: bool,
    /// The device makes its VPP itself: the voltage asked for, V. `None`: output 3 feeds it.
    pub device_vpp: Option<f64>,
    /// What the device's own rail is off by, V.
    pub device_vpp_off_by: f64,
    /// Bench seconds that loading firmware and configuring take.
    pub boot_s: f64,
    /// The device's board is powered as the agent was told.
    pub device_on: bool,
    /// True extremes, and every limit passed with power on.
    pub ledger: WorldLedger,
    start: Instant,
    last_s: f64,
    last_wall: Instant,
    air: f64,
    air_speed: f64,
    ramp_left: f64,
    device: f64,
    ambient: f64,
    draws: Draws,
}

impl World {
    /// A cold, dark bench at ambient temperature.
    pub fn new(scale: f64, seed: u64, storm_rate: f64, ambient: f64, outputs: usize) -> World {
        let dark = Output {
            volts: 0.0,
            amperes: 0.1,
            over_voltage: 5.0,
            on: false,
            tripped: false,
            stuck: false,
            overloaded: false,
            shorted: false,
            trips: false,
            off_by: 0.0,
            tells: (None, None),
            actual: 0.0,
        };
        let allowed = Allowed {
            device: super::DEVICE_LIMITS,
            air: super::AIR_LIMITS,
            reaction_s: REACTION_WALL_S * scale,
            most_told: MOST_TOLD,
            reaction_wall_s: REACTION_WALL_S,
            volts: [6.0; 3],
            told_volts: [6.0; 3],
        };
        World {
            scale,
            weather: Weather::new(seed, storm_rate),
            outputs: vec![dark; outputs],
            switch: None,
            switch_stuck: false,
            set_point: ambient,
            conditioning: false,
            lazy: false,
            heater: Heater::Obeys,
            thermal: Thermal::default(),
            tells: [Tells::Truth; 4],
            wrong_once: VecDeque::new(),
            swallowed_offs: 0,
            silent: BTreeSet::new(),
            deaf: BTreeSet::new(),
            unanswered: 0,
            says_on: None,
            mishaps: Mishaps::default(),
            hung_up: BTreeSet::new(),
            blind_lanes: Vec::new(),
            chip_needs_power: false,
            one_connection: false,
            off_at_s: vec![None; outputs],
            door_closed: true,
            device_vpp: None,
            device_vpp_off_by: 0.0,
            boot_s: 0.0,
            device_on: false,
            ledger: WorldLedger::new(ambient, outputs, allowed),
            start: Instant::now(),
            last_s: 0.0,
            last_wall: Instant::now(),
            air: ambient,
            air_speed: 0.0,
            ramp_left: 0.0,
            device: ambient,
            ambient,
            draws: Draws::of(&[b"readings of the emulated bench", &seed.to_le_bytes()]),
        }
    }

    /// Brings everything to the present moment.
    pub fn advance(&mut self) {
        let now = self.start.elapsed().as_secs_f64() * self.scale;
        let mut left = (now - self.last_s).max(0.0);
        let powered = self.live();
        while left > 0.0 {
            let dt = left.min(STEP_S);
            left -= dt;
            self.tick(dt);
            self.ledger.tick(now - left, dt, self.device, self.air, powered);
        }
        self.last_s = now;
        for (output, at) in self.outputs.iter_mut().zip(&mut self.off_at_s) {
            if at.is_some_and(|at| now > at) {
                (output.on, *at) = (false, None);
            }
        }
        let wall = self.last_wall.elapsed().as_secs_f64();
        self.last_wall = Instant::now();
        for (index, output) in self.outputs.iter_mut().enumerate() {
            let live = output.on || output.stuck;
            let goal = match (live, output.shorted) {
                (true, true) => 0.02 * output.volts,
                (true, false) => (output.volts + output.off_by).max(0.0),
                (false, _) => 0.0,
            };
            output.actual += (goal - output.actual) * (1.0 - (-wall / RAIL_S).exp());
            let beyond = live && (output.overloaded || output.shorted);
            self.ledger.current(now, wall, index, beyond);
            self.ledger.volts(now, index, output.actual);
        }
    }

    fn tick(&mut self, dt: f64) {
        let away = match self.heater {
            Heater::Obeys => false,
            Heater::AwayUntilAmbient => true,
            Heater::AwayUntilOff => self.conditioning,
            Heater::AwayForGood => true,
        };
        let goal = match (away, self.lazy || !self.conditioning) {
            (true, _) => self.thermal.hottest,
            (false, true) => self.ambient,
            (false, false) => self.set_point,
        };
        let ramp = self.thermal.ramp_k_per_min / 60.0;
        let fastest = ramp * if away { RUN_AWAY } else { 1.0 };
        let left = goal - self.air;
        let step = match self.thermal.swing {
            _ if !away && !self.conditioning && !self.lazy => left * (1.0 - (-dt / PASSIVE_S).exp()),
            Some((damping, period_s)) if !away => {
                let w = std::f64::consts::TAU / period_s;
                self.air_speed += (w * w * left - 2.0 * damping * w * self.air_speed) * dt;
                self.air_speed = self.air_speed.clamp(-fastest, fastest);
                self.air_speed * dt
            }
            _ => left.clamp(-fastest * dt, fastest * dt),
        };
        self.air += step;
        // A ramp that ends carries on a little: the controller overshoots, then comes back.
        if step.abs() >= ramp * dt * 0.999 {
            self.ramp_left = OVERSHOOT_K * step.signum();
        } else {
            self.ramp_left *= (-dt / OVERSHOOT_DECAY_S).exp();
        }
        let heat = if self.powered() { SELF_HEATING_K } else { 0.0 };
        let overshoot = if left.abs() < 0.5 { self.ramp_left } else { 0.0 };
        let surroundings = self.air + overshoot + heat - self.thermal.loss * (self.air - self.ambient);
        self.device += (surroundings - self.device) * (1.0 - (-dt / self.thermal.device_s).exp());
    }

    /// Are all rails up, and the power switch on, where there is one in use?
    pub fn powered(&self) -> bool {
        let needed = self.outputs.len() - usize::from(self.device_vpp.is_some());
        self.switch != Some(false) && self.outputs[..needed].iter().all(|output| output.on && !output.tripped)
    }

    /// Can anything heat the device: a rail, or the chamber on the way from ambient?
    fn live(&self) -> bool {
        let driven = self.conditioning
            && (self.heater != Heater::Obeys || (self.set_point - self.ambient).abs() > 0.5);
        driven || self.outputs.iter().any(|output| output.on || output.stuck)
    }

    /// Bench seconds since the start.
    pub fn now_s(&self) -> f64 {
        self.last_s
    }

    /// True voltage of the rail that the device makes, V.
    pub fn true_device_vpp(&self) -> f64 {
        let asked = self.device_vpp.unwrap_or_default();
        if self.powered() && self.device_on && asked > 0.0 { asked + self.device_vpp_off_by } else { 0.0 }
    }

    /// True voltage of an output, V.
    pub fn true_volts(&self, index: usize) -> f64 {
        self.outputs.get(index).map_or(0.0, |output| output.actual)
    }

    /// True temperature of the device, degC.
    pub fn true_device(&self) -> f64 {
        self.device
    }

    /// True temperature of the air, degC.
    pub fn true_air(&self) -> f64 {
        self.air
    }

    /// Puts air and device at a temperature, as an earlier run may have left them.
    pub fn leave_at(&mut self, degc: f64) {
        (self.air, self.device, self.air_speed) = (degc, degc, 0.0);
    }

    fn wrong(&mut self, reading: Reading) -> Option<f64> {
        let at = self.wrong_once.iter().position(|(wrong, _)| *wrong == reading)?;
        self.wrong_once.remove(at).map(|(_, value)| value)
    }

    /// A reading of an output by the supply or the meter, with noise: what it tells counts as heard.
    pub fn tell_volts(&mut self, index: usize, by: Kind) -> f64 {
        let told = self.read_volts(index, by);
        let now = self.now_s();
        let live = self.outputs.get(index).is_some_and(|output| output.on || output.stuck);
        self.ledger.told_volts(now, index, told, live);
        told
    }

    fn read_volts(&mut self, index: usize, by: Kind) -> f64 {
        if let Some(value) = self.wrong(Reading::Volts) {
            return value;
        }
        let output = self.outputs.get(index).filter(|output| output.on || output.stuck);
        let tells = output.and_then(|output| if by == Kind::Meter { output.tells.1 } else { output.tells.0 });
        tells.unwrap_or_else(|| self.true_volts(index)) + NOISE.1 * self.draws.normal()
    }

    /// A reading of an output's current.
    pub fn read_amperes(&mut self, index: usize) -> f64 {
        if let Some(value) = self.wrong(Reading::Amperes) {
            return value;
        }
        let Some(output) = self.outputs.get(index) else { return 0.0 };
        match (output.on || output.stuck, output.overloaded, output.shorted) {
            (false, ..) => 0.0,
            (true, true, _) => 1.3 * output.amperes,
            (true, false, true) => output.amperes,
            (true, false, false) => 0.4 * output.amperes,
        }
    }

    /// A reading of a temperature sensor, with noise.
    pub fn read_temperature(&mut self, probe: Probe) -> f64 {
        if let Some(value) = self.wrong(Reading::Temperature(probe)) {
            return value;
        }
        let truth = match (self.tells[probe as usize], probe) {
            (Tells::Always(value), _) => return value,
            (Tells::Room, _) => self.ambient,
            (Tells::Truth, Probe::Chip | Probe::Case) => self.device,
            (Tells::Truth, Probe::Air | Probe::Chamber) => self.air,
        };
        truth + NOISE.0 * self.draws.normal()
    }

    /// A temperature sensor is asked: what it tells counts as heard.
    pub fn tell_temperature(&mut self, probe: Probe) -> f64 {
        let degc = self.read_temperature(probe);
        let (now, live) = (self.now_s(), self.live());
        let of_air = matches!(probe, Probe::Air | Probe::Chamber);
        self.ledger.told(now, probe as usize, of_air, degc, live);
        degc
    }

    /// An output is told to switch on or off.
    pub fn switch_output(&mut self, index: usize, on: bool) {
        if !on && self.swallowed_offs > 0 {
            self.swallowed_offs -= 1;
            return;
        }
        let Some(output) = self.outputs.get_mut(index) else { return };
        output.on = on && !output.trips;
        output.tripped = on && output.trips;
        output.overloaded &= output.on;
        if on {
            self.ledger.outputs_switched_on += 1;
            self.ledger.switched_on(self.last_s, self.device, self.air);
        }
    }

    /// The chamber is told to switch on or off.
    pub fn switch_chamber(&mut self, on: bool) {
        if !on && self.swallowed_offs > 0 {
            self.swallowed_offs -= 1;
            return;
        }
        self.conditioning = on;
        if on {
            self.ledger.chamber_switched_on += 1;
            let heats = (self.set_point - self.ambient).abs() > 0.5;
            if heats {
                self.ledger.switched_on(self.last_s, self.device, self.air);
            }
        }
        if !on && self.heater == Heater::AwayUntilOff {
            self.heater = Heater::Obeys;
        }
    }

    /// The chamber is told a set point.
    pub fn set_chamber(&mut self, degc: f64) {
        self.set_point = degc;
        self.ledger.highest_set_point = self.ledger.highest_set_point.max(degc);
        // Back to ambient frees a chamber that was stuck.
        if (degc - self.ambient).abs() <= 1.0 {
            self.lazy = false;
            if self.heater == Heater::AwayUntilAmbient {
                self.heater = Heater::Obeys;
            }
        }
    }

    /// Applies a fault that changes the world itself.
    pub fn suffer(&mut self, fault: Fault) {
        match fault {
            Fault::Trip => {
                if let Some(output) = self.outputs.iter_mut().find(|output| output.on) {
                    output.on = false;
                    output.tripped = true;
                }
            }
            Fault::NeverReached => self.lazy = true,
            Fault::RunAway => self.heater = Heater::AwayUntilAmbient,
            Fault::OverCurrent => {
                if let Some(output) = self.outputs.iter_mut().find(|output| output.on) {
                    output.overloaded = true;
                }
            }
            Fault::StuckOn => self.outputs.iter_mut().for_each(|output| output.stuck |= output.on),
            Fault::SwallowedOff => self.swallowed_offs += 1,
            Fault::DeadSensor => self.tells[Probe::Chip as usize] = Tells::Always(25.0),
            _ => {}
        }
    }

    /// Everything a person would call "still on".
    pub fn still_on(&mut self) -> Vec<String> {
        self.advance();
        let mut on = Vec::new();
        for (index, output) in self.outputs.iter().enumerate() {
            if output.on || output.actual > 0.1 {
                on.push(format!("output {} at {:.3} V", index + 1, output.actual));
            }
        }
        if self.switch == Some(true) {
            on.push("the power switch".into());
        }
        if self.conditioning {
            on.push(format!("the chamber at {} °C", self.set_point));
        }
        on
    }
}
