//! What the emulated bench is made of: air, device, rails, in accelerated time.

use super::faults::{Fault, Weather};
use simulator::draws::Draws;
use std::time::Instant;

/// Step of the thermal model, bench seconds.
const STEP_S: f64 = 0.5;
/// Fastest change of the air, K/s (20 K/min).
const RAMP_K_PER_S: f64 = 20.0 / 60.0;
/// A chamber that runs away is this many times faster, up to this temperature, degC.
const RUN_AWAY: f64 = 6.0;
const HOTTEST_C: f64 = 95.0;
/// Time constant of the device in the air, s.
const DEVICE_S: f64 = 25.0;
/// Self-heating of the powered device, K.
const SELF_HEATING_K: f64 = 3.0;
/// Share of the last ramp by which the air overshoots, and how fast that decays.
const OVERSHOOT_K: f64 = 2.5;
const OVERSHOOT_DECAY_S: f64 = 40.0;
/// Noise of a temperature reading, K rms, and of a voltage reading, V rms.
const NOISE: (f64, f64) = (0.05, 0.4e-3);
/// Time constant of a rail, s of wall time: a rail discharges at the same speed whatever the time scale.
const RAIL_S: f64 = 0.004;

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
    /// The output does not switch off any more.
    pub stuck: bool,
    /// It gives more current than its limit while it is on.
    pub overloaded: bool,
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
    /// The chamber does not follow its set point.
    pub lazy: bool,
    /// The chamber heats as fast as it can, until its set point is ambient.
    pub running_away: bool,
    /// The device's board is powered as the agent was told.
    pub device_on: bool,
    start: Instant,
    last_s: f64,
    last_wall: Instant,
    air: f64,
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
            actual: 0.0,
        };
        World {
            scale,
            weather: Weather::new(seed, storm_rate),
            outputs: vec![dark; outputs],
            switch: None,
            switch_stuck: false,
            set_point: ambient,
            lazy: false,
            running_away: false,
            device_on: false,
            start: Instant::now(),
            last_s: 0.0,
            last_wall: Instant::now(),
            air: ambient,
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
        self.last_s = now;
        while left > 0.0 {
            let dt = left.min(STEP_S);
            left -= dt;
            let goal = match (self.running_away, self.lazy) {
                (true, _) => HOTTEST_C,
                (_, true) => self.ambient,
                _ => self.set_point,
            };
            let fastest = RAMP_K_PER_S * if self.running_away { RUN_AWAY } else { 1.0 };
            let away = goal - self.air;
            let step = away.clamp(-fastest * dt, fastest * dt);
            self.air += step;
            // A ramp that ends carries on a little: the controller overshoots, then comes back.
            if step.abs() >= RAMP_K_PER_S * dt * 0.999 {
                self.ramp_left = OVERSHOOT_K * step.signum();
            } else {
                self.ramp_left *= (-dt / OVERSHOOT_DECAY_S).exp();
            }
            let heat = if self.powered() { SELF_HEATING_K } else { 0.0 };
            let surroundings = self.air + if away.abs() < 0.5 { self.ramp_left } else { 0.0 } + heat;
            self.device += (surroundings - self.device) * (1.0 - (-dt / DEVICE_S).exp());
        }
        let wall = self.last_wall.elapsed().as_secs_f64();
        self.last_wall = Instant::now();
        for output in &mut self.outputs {
            let goal = if output.on || output.stuck { output.volts } else { 0.0 };
            output.actual += (goal - output.actual) * (1.0 - (-wall / RAIL_S).exp());
        }
    }

    /// Are all rails up, and the power switch on, where there is one in use?
    pub fn powered(&self) -> bool {
        self.switch != Some(false) && self.outputs.iter().all(|output| output.on && !output.tripped)
    }

    /// True voltage of an output, V.
    pub fn true_volts(&self, index: usize) -> f64 {
        self.outputs.get(index).map_or(0.0, |output| output.actual)
    }

    /// True temperature of the device, degC.
    pub fn true_device(&self) -> f64 {
        self.device
    }

    /// A reading of an output, with noise.
    pub fn read_volts(&mut self, index: usize) -> f64 {
        self.true_volts(index) + NOISE.1 * self.draws.normal()
    }

    /// A reading of the device's sensor, with noise.
    pub fn read_device(&mut self) -> f64 {
        self.device + NOISE.0 * self.draws.normal()
    }

    /// A reading of the air, with noise.
    pub fn read_air(&mut self) -> f64 {
        self.air + NOISE.0 * self.draws.normal()
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
            Fault::RunAway => self.running_away = true,
            Fault::OverCurrent => {
                if let Some(output) = self.outputs.iter_mut().find(|output| output.on) {
                    output.overloaded = true;
                }
            }
            Fault::StuckOn => self.outputs.iter_mut().for_each(|output| output.stuck |= output.on),
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
        if (self.set_point - self.ambient).abs() > 0.5 {
            on.push(format!("the chamber at {} °C", self.set_point));
        }
        on
    }
}
