//! What nobody on a real bench would see: the ledger of the true values, and every limit that was passed with power on.

use std::fmt;

/// What the device, the air and the rails may see, and how long power may stay on beyond it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowed {
    /// Lowest and highest device temperature, degC.
    pub device: (f64, f64),
    /// Lowest and highest air temperature, degC.
    pub air: (f64, f64),
    /// Bench seconds within which power must be off after a temperature passed its limit.
    pub reaction_s: f64,
    /// Readings of a sensor beyond its limits, one after another, that may be told before power is off: an alarm takes two. However
    /// slow the computer is, more than that was heard and not acted upon.
    pub most_told: u32,
    /// Wall seconds within which an output must be off after its current passed its limit.
    pub reaction_wall_s: f64,
    /// Highest voltage of outputs 1, 2, 3.
    pub volts: [f64; 3],
    /// Highest voltage that may be told of outputs 1, 2, 3 while they are on.
    pub told_volts: [f64; 3],
}

/// A limit that was passed with power on.
#[derive(Debug, Clone, PartialEq)]
pub struct Harm {
    /// Bench time of the beginning, s.
    pub since_s: f64,
    /// What happened.
    pub what: Passed,
    /// The furthest value.
    pub value: f64,
}

/// Which limit was passed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Passed {
    /// The device was too hot or too cold for longer than the reaction time, with rails or chamber on.
    Device,
    /// The air was too hot or too cold for longer than the reaction time, with rails or chamber on.
    Air,
    /// A sensor told more readings beyond the limits than an alarm takes, with power on.
    Told,
    /// An output (from 1) gave more than its limit for longer than the reaction time.
    Current(usize),
    /// An output (from 1) gave more than its highest voltage.
    Volts(usize),
    /// More readings of an output (from 1) above its limit were told, one after another, than an alarm takes, while it was on.
    ToldVolts(usize),
    /// Something was switched on while a temperature was beyond its limit.
    SwitchedOn,
}

impl fmt::Display for Harm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, since) = (self.value, self.since_s);
        match self.what {
            Passed::Device => write!(f, "device at {value:.1} degC with power on, since {since:.0} s"),
            Passed::Air => write!(f, "air at {value:.1} degC with power on, since {since:.0} s"),
            Passed::Told => {
                write!(f, "{value:.1} degC told again and again with power on, since {since:.0} s")
            }
            Passed::Current(output) => {
                write!(f, "output {output} beyond its current limit, since {since:.0} s")
            }
            Passed::Volts(output) => write!(f, "output {output} at {value:.3} V, at {since:.0} s"),
            Passed::ToldVolts(output) => {
                write!(f, "output {output}: {value:.3} V told again and again while on, since {since:.0} s")
            }
            Passed::SwitchedOn => write!(f, "switched on at {value:.1} degC, at {since:.0} s"),
        }
    }
}

/// The extremes so far and what was passed.
#[derive(Debug, Clone)]
pub struct WorldLedger {
    /// The limits that hold.
    pub allowed: Allowed,
    /// Lowest and highest true device temperature, degC.
    pub device: (f64, f64),
    /// Lowest and highest true air temperature, degC.
    pub air: (f64, f64),
    /// Highest set point that was asked of the chamber, degC.
    pub highest_set_point: f64,
    /// Times an output was switched on.
    pub outputs_switched_on: u32,
    /// Times the chamber was switched on.
    pub chamber_switched_on: u32,
    /// Limits passed with power on.
    pub harm: Vec<Harm>,
    /// Most readings beyond the limits, one after another, that a sensor told with power on.
    pub told: u32,
    told_beyond: [u32; 4],
    volts_beyond: [u32; 3],
    device_beyond_s: f64,
    air_beyond_s: f64,
    current_beyond_s: Vec<f64>,
}

impl WorldLedger {
    /// Nothing happened yet; everything is at ambient.
    pub fn new(ambient: f64, outputs: usize, allowed: Allowed) -> WorldLedger {
        WorldLedger {
            allowed,
            device: (ambient, ambient),
            air: (ambient, ambient),
            highest_set_point: ambient,
            outputs_switched_on: 0,
            chamber_switched_on: 0,
            harm: Vec::new(),
            told: 0,
            told_beyond: [0; 4],
            volts_beyond: [0; 3],
            device_beyond_s: 0.0,
            air_beyond_s: 0.0,
            current_beyond_s: vec![0.0; outputs],
        }
    }

    /// One tick of the thermal model. `powered`: a rail is up or the chamber drives the air away from ambient.
    pub fn tick(&mut self, now_s: f64, dt: f64, device: f64, air: f64, powered: bool) {
        self.device = (self.device.0.min(device), self.device.1.max(device));
        self.air = (self.air.0.min(air), self.air.1.max(air));
        let reaction = self.allowed.reaction_s;
        for (what, value, limits) in
            [(Passed::Device, device, self.allowed.device), (Passed::Air, air, self.allowed.air)]
        {
            let beyond =
                if what == Passed::Device { &mut self.device_beyond_s } else { &mut self.air_beyond_s };
            if !powered || (limits.0..=limits.1).contains(&value) {
                *beyond = 0.0;
                continue;
            }
            *beyond += dt;
            let lasted = *beyond;
            if lasted > reaction {
                self.note(what, now_s - lasted, value, lasted - dt > reaction);
            }
        }
    }

    /// A sensor (its number; of the device or of the air) tells a value to somebody who asked.
    pub fn told(&mut self, now_s: f64, sensor: usize, of_air: bool, degc: f64, powered: bool) {
        // No number says nothing.
        if degc.is_nan() {
            return;
        }
        let limits = if of_air { self.allowed.air } else { self.allowed.device };
        let Some(count) = self.told_beyond.get_mut(sensor) else { return };
        *count = if powered && !(limits.0..=limits.1).contains(&degc) { *count + 1 } else { 0 };
        let count = *count;
        self.told = self.told.max(count);
        if count > self.allowed.most_told {
            self.note(Passed::Told, now_s, degc, count > self.allowed.most_told + 1);
        }
    }

    /// Wall time in which an output gave more than its limit (or did not).
    pub fn current(&mut self, now_s: f64, wall_s: f64, output: usize, beyond: bool) {
        let Some(since) = self.current_beyond_s.get_mut(output) else { return };
        if !beyond {
            *since = 0.0;
            return;
        }
        let before = *since;
        *since += wall_s;
        if *since > self.allowed.reaction_wall_s {
            let going_on = before > self.allowed.reaction_wall_s;
            self.note(Passed::Current(output + 1), now_s, 0.0, going_on);
        }
    }

    /// An output gives this voltage.
    pub fn volts(&mut self, now_s: f64, output: usize, volts: f64) {
        if self.allowed.volts.get(output).is_some_and(|most| volts > *most) {
            self.note(Passed::Volts(output + 1), now_s, volts, true);
        }
    }

    /// An output's voltage is told to somebody who asked.
    pub fn told_volts(&mut self, now_s: f64, output: usize, volts: f64, on: bool) {
        let Some(count) = self.volts_beyond.get_mut(output) else { return };
        let beyond = on && self.allowed.told_volts.get(output).is_some_and(|most| volts > *most);
        *count = if beyond { *count + 1 } else { 0 };
        let count = *count;
        if count > self.allowed.most_told {
            self.note(Passed::ToldVolts(output + 1), now_s, volts, count > self.allowed.most_told + 1);
        }
    }

    /// Something is switched on at these true temperatures.
    pub fn switched_on(&mut self, now_s: f64, device: f64, air: f64) {
        for (value, limits) in [(device, self.allowed.device), (air, self.allowed.air)] {
            if !(limits.0..=limits.1).contains(&value) {
                self.note(Passed::SwitchedOn, now_s, value, false);
            }
        }
    }

    fn note(&mut self, what: Passed, since_s: f64, value: f64, going_on: bool) {
        match self.harm.iter_mut().rev().find(|harm| harm.what == what) {
            Some(known) if going_on => {
                if value.abs() > known.value.abs() {
                    known.value = value;
                }
            }
            _ => self.harm.push(Harm { since_s, what, value }),
        }
    }
}
