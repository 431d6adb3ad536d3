//! Bringing the device to a temperature, by its own sensor, and waiting until hands may come near.

use super::device::Device;
use super::plant::{Plant, bench_fault};
use super::sensors::Taken;
use super::settle::{RampWatch, Settling, State, Trimming};
use contract::{Alarm, Call, DriverError, FaultKind, Part, Setting};
use nightbench_core::devices::ControlPoint;
use nightbench_core::units::{Celsius, Seconds};
use plan::bench_file::{Action, InstrumentKind, SensorSource};

/// Name of the reading that says how long the way to a temperature took (s): until the device was first in the band.
pub const RAMP_READING: &str = "change-over: ramp";
/// Name of the reading that says how long the device then soaked until it counted as settled (s).
pub const SOAK_READING: &str = "change-over: soak";
/// Half width of the band in which a mounting check is made, K around ambient: the powered device warms itself.
const AMBIENT_BAND_K: f64 = 15.0;

/// Most times the chamber is trimmed for a steady offset between chamber and device.
const MOST_TRIMS: u32 = 8;

/// The device's temperature: everything that heats, and everything that tells.
pub(super) struct Climate<'b> {
    pub plant: &'b mut Plant,
    pub device: &'b mut Device,
}

impl Climate<'_> {
    /// Reads every sensor once: the agent's, then those of instruments. Instruments that cannot be read are no alarm until their
    /// last reading is stale; an agent that cannot is, where it is `needed`.
    fn poll(
        &mut self,
        expected: Celsius,
        needed: bool,
        call: &Call,
    ) -> Result<Vec<(usize, f64)>, DriverError> {
        let mut readings = self.plant.read_instrument_sensors(call)?;
        let sources = self.plant.sensors.sources();
        let names: Vec<(usize, String)> = sources
            .into_iter()
            .filter_map(|(sensor, source)| match source {
                SensorSource::Agent(name) => Some((sensor, name)),
                SensorSource::Instrument(..) => None,
            })
            .collect();
        if names.is_empty() {
            return Ok(readings);
        }
        let dry = names.iter().map(|(_, name)| (name.clone(), expected.0)).collect();
        let answer = match self.device.temperatures(self.plant, dry, call) {
            Err(error) if !needed && error.kind != FaultKind::Cancelled => {
                self.plant.log.note("agent", '-', &format!("no temperature: {error}"));
                return Ok(readings);
            }
            other => other?,
        };
        for (sensor, name) in names {
            match answer.get(&name) {
                Some(value) if value.is_finite() => readings.push((sensor, *value)),
                _ if !needed => {}
                Some(value) => {
                    return Err(bench_fault(
                        FaultKind::Protocol,
                        format!("agent: the sensor `{name}` reads {value}"),
                    )
                    .at(Part::Agent));
                }
                None => {
                    return Err(bench_fault(
                        FaultKind::Protocol,
                        format!("agent: no sensor `{name}` among its temperatures"),
                    )
                    .at(Part::Agent));
                }
            }
        }
        Ok(readings)
    }

    /// Reads every sensor that exists and holds them against their limits and each other; twice where something is wrong.
    pub(super) fn look_at_temperatures(
        &mut self,
        expected: Celsius,
        needed: bool,
        call: &Call,
    ) -> Result<(), DriverError> {
        loop {
            let readings = self.poll(expected, needed, call)?;
            if self.plant.take_temperatures(&readings)? == Taken::Sound {
                return Ok(());
            }
        }
    }

    /// Before anything is switched on: is every temperature that can be read without power within its limits?
    pub(super) fn cool_enough(&mut self, call: &Call) -> Result<(), DriverError> {
        let room = self.plant.bench.room.temperature;
        let since = self.plant.now_s();
        self.look_at_temperatures(room, false, call)?;
        let silent = self.plant.sensors.silent_since(since);
        if !silent.is_empty() && silent.len() == self.plant.sensors.sources().len() {
            return Err(bench_fault(
                FaultKind::Interlock,
                format!(
                    "nothing is switched on while no temperature can be read ({} do not answer)",
                    silent.join(", ")
                ),
            ));
        }
        Ok(())
    }

    /// Reads every sensor and tells that of a control point.
    pub(super) fn read_temperature(
        &mut self,
        point: ControlPoint,
        expected: Celsius,
        call: &Call,
    ) -> Result<Celsius, DriverError> {
        if self.plant.bench.sensor(point).is_none() {
            return Err(bench_fault(
                FaultKind::Unsupported,
                format!(
                    "the bench has no [[sensor]] at the {}, where the plan holds its temperatures",
                    point.name()
                ),
            ));
        }
        let since = self.plant.now_s();
        self.look_at_temperatures(expected, true, call)?;
        let silent = self.plant.sensors.silent_since(since);
        match self.plant.sensors.last(point).filter(|_| !silent.iter().any(|name| name == point.name())) {
            Some(reading) => Ok(reading),
            None => Err(bench_fault(
                FaultKind::TimeOut,
                format!("the sensor at the {} does not answer", point.name()),
            )),
        }
    }

    /// Lowest and highest set point: the device may come to where the air is, so its limits bound the air.
    fn set_points(&self) -> (f64, f64) {
        let limits = &self.plant.bench.limits;
        (limits.air_low.0.max(limits.device_low.0), limits.air_high.0.min(limits.device_high.0))
    }

    fn switch_chamber(&mut self, action: Action, call: &Call) -> Result<(), DriverError> {
        match self.plant.first(InstrumentKind::Chamber) {
            Some(chamber) if chamber.has(action) => chamber.tell(action, None, None, call),
            _ => Ok(()),
        }
    }

    fn set_chamber(&mut self, air: Celsius, call: &Call) -> Result<(), DriverError> {
        let (low, high) = self.set_points();
        let ambient = air.0 == self.plant.bench.room.temperature.0;
        // The second check of the limit, just before the write: the device follows the air.
        if !air.0.is_finite() || !ambient && !(low..=high).contains(&air.0) {
            return Err(bench_fault(
                FaultKind::OutOfRange,
                format!(
                    "a set point of {air} is beyond what device and air allow, {} to {}",
                    Celsius(low),
                    Celsius(high)
                ),
            ));
        }
        match self.plant.first(InstrumentKind::Chamber) {
            Some(chamber) => {
                chamber.tell(Action::SetTemperature, None, Some(air.0), call)?;
                self.plant.sensors.drives_to = Some(air.0);
                Ok(())
            }
            None => {
                Err(bench_fault(FaultKind::Unsupported, "the bench has no chamber to set a temperature with"))
            }
        }
    }

    /// Brings the device to a setting's temperature, or leaves it at ambient for a mounting check; the bench seconds it took.
    pub(super) fn reach(&mut self, setting: &Setting, call: &Call) -> Result<Seconds, DriverError> {
        if !self.plant.at_ambient {
            return Ok(self.settle(setting.temperature, setting.control_point, call)?.1);
        }
        let room = self.plant.bench.room.temperature;
        if self.plant.bench.chamber().is_some() {
            self.set_chamber(room, call)?;
        }
        let reading = self.read_temperature(setting.control_point, room, call)?;
        if (reading - room).0.abs() <= AMBIENT_BAND_K {
            return Ok(Seconds(0.0));
        }
        Err(bench_fault(
            FaultKind::NotSettled,
            format!("the {} is at {reading}, not near ambient ({room})", setting.control_point.name()),
        ))
    }

    /// Watches what was just reached.
    pub(super) fn arm(&mut self, setting: &Setting) {
        let bench = &self.plant.bench;
        let (level, half_k) = match self.plant.at_ambient {
            true => (bench.room.temperature, AMBIENT_BAND_K),
            false => (setting.temperature, bench.settle.band.0),
        };
        self.plant.arm(level, setting.control_point, half_k);
    }

    /// Brings the device to a level and waits for band, dwell and slope; returns the reading and the bench seconds it
    /// took. Returns at once where the level is held already.
    pub(super) fn settle(
        &mut self,
        level: Celsius,
        point: ControlPoint,
        call: &Call,
    ) -> Result<(Celsius, Seconds), DriverError> {
        let rule = self.plant.bench.settle;
        let begin = self.plant.now_s();
        if self.plant.held == Some((level, point)) {
            let reading = self.read_temperature(point, level, call)?;
            if (reading - level).0.abs() <= rule.band.0 {
                return Ok((reading, Seconds(0.0)));
            }
        }
        self.plant.held = None;
        if self.plant.bench.chamber().is_none() {
            let reading = self.read_temperature(point, level, call)?;
            if (reading - level).0.abs() <= rule.band.0 {
                return Ok((reading, Seconds(0.0)));
            }
            return Err(bench_fault(
                FaultKind::NotSettled,
                format!(
                    "the device is at {reading}, {level} +- {} asked, and the bench has no chamber",
                    rule.band
                ),
            ));
        }
        let limits = self.plant.bench.limits;
        let ramps_itself =
            self.plant.first(InstrumentKind::Chamber).is_some_and(|one| one.has(Action::SetRamp));
        if ramps_itself && let Some(chamber) = self.plant.first(InstrumentKind::Chamber) {
            chamber.tell(Action::SetRamp, None, Some(limits.ramp_k_per_min), call)?;
        }
        let (lowest, highest) = self.set_points();
        let mut goal = Celsius(level.0.clamp(lowest, highest));
        self.read_temperature(point, level, call)?;
        // Where the chamber has no ramp of its own, its set point is walked, from where the air is.
        let from = self.plant.sensors.air().unwrap_or(self.plant.bench.room.temperature.0);
        let mut air = if ramps_itself { goal } else { Celsius(from.clamp(lowest, highest)) };
        self.set_chamber(air, call)?;
        self.switch_chamber(Action::On, call)?;
        let mut settling = Settling::new(rule, level);
        let mut trimming = Trimming::new(rule, level);
        let mut ramp = RampWatch::new(limits.ramp_k_per_min);
        let mut in_band_s = None;
        let mut trims = 0;
        let mut last;
        loop {
            let mut reading = self.read_temperature(point, level, call)?;
            if self.plant.dry {
                last = reading;
                break;
            }
            let mut now = self.plant.now_s();
            if ramp.clone().add(Seconds(now), reading).is_some() {
                // A single reading decides nothing.
                reading = self.read_temperature(point, level, call)?;
                now = self.plant.now_s();
            }
            last = reading;
            if let Some(change) = ramp.add(Seconds(now), reading) {
                return Err(bench_fault(
                    FaultKind::Alarm(Alarm::Temperature),
                    format!(
                        "the {} changes too fast: {:+.1} K within {:.0} s, {} K/min allowed",
                        point.name(),
                        change.kelvin,
                        change.seconds,
                        limits.ramp_k_per_min
                    ),
                ));
            }
            if (reading - level).0.abs() <= rule.band.0 {
                in_band_s.get_or_insert(now);
            }
            if air.0 != goal.0 {
                let step = limits.ramp_k_per_min * rule.poll_s / 60.0;
                air = Celsius(air.0 + (goal.0 - air.0).clamp(-step, step));
                self.set_chamber(air, call)?;
                settling.again();
            } else {
                if settling.add(Seconds(now), reading) == State::Settled {
                    break;
                }
                let known = self.plant.sensors.knowledge().time_constant_s();
                let felt = Celsius(self.plant.sensors.air().unwrap_or(f64::NAN));
                if let Some(step) = trimming.add(Seconds(now), (reading, felt), air, known)
                    && trims < MOST_TRIMS
                {
                    trims += 1;
                    goal = Celsius((goal.0 + step).clamp(lowest, highest));
                    if ramps_itself {
                        air = goal;
                        self.set_chamber(air, call)?;
                    }
                }
            }
            self.plant.check_stale()?;
            if now - begin > rule.time_out_s {
                return Err(bench_fault(
                    FaultKind::NotReached,
                    format!(
                        "the {} is at {last} after {:.0} s, {level} +- {} for {} s asked",
                        point.name(),
                        now - begin,
                        rule.band,
                        rule.dwell_s
                    ),
                ));
            }
            if self.plant.look_is_due() {
                self.plant.look_at_rails(call)?;
            }
            self.plant.wait(rule.poll_s, call, "settling")?;
        }
        self.plant.held = Some((level, point));
        let now = self.plant.now_s();
        let reached = in_band_s.unwrap_or(now);
        self.plant.read(RAMP_READING.into(), reached - begin, "s");
        self.plant.read(SOAK_READING.into(), now - reached, "s");
        Ok((last, Seconds(now - begin)))
    }

    /// Brings everything to ambient, waits until hands may come near (and everything is dry), and switches the chamber off. Call
    /// it with the rails verified off. Every sensor that exists must be read, be within the band and contradict no other;
    /// and a body that took the heat or cold the air had must have had the time to lose it.
    ///
    /// # Errors
    /// A sensor that cannot be read, an alarm, or not in the band in time: hands must stay away.
    pub fn wait_touch_safe(&mut self, call: &Call) -> Result<Vec<(String, Celsius)>, DriverError> {
        let waited = self.wait_for_ambient(call);
        if let Err(error) = &waited
            && matches!(error.kind, FaultKind::Alarm(_))
        {
            self.plant.latch(error);
        }
        // Off whatever came of it: nobody is to reach into a chamber that drives.
        let off = self.switch_chamber(Action::Off, call);
        self.plant.sensors.drives_to = None;
        match (waited, off) {
            (Ok(readings), Ok(())) => Ok(readings),
            (Err(error), _) | (Ok(_), Err(error)) => Err(error),
        }
    }

    fn wait_for_ambient(&mut self, call: &Call) -> Result<Vec<(String, Celsius)>, DriverError> {
        self.plant.held = None;
        let room = self.plant.bench.room.temperature;
        let (low, high) = self.plant.bench.touch_band();
        let within = |degc: f64| (low.0..=high.0).contains(&degc);
        let begin = self.plant.now_s();
        let mut driving = false;
        loop {
            let since = self.plant.now_s();
            self.look_at_temperatures(room, true, call)?;
            let readings = self.plant.sensors.values();
            let silent = self.plant.sensors.silent_since(since);
            let body = self.plant.sensors.knowledge().body();
            if silent.is_empty()
                && readings.iter().all(|(_, reading)| within(reading.0))
                && body.is_none_or(within)
            {
                return Ok(readings);
            }
            if self.plant.dry {
                return Ok(readings);
            }
            if !driving && self.plant.bench.chamber().is_some() {
                driving = true;
                self.set_chamber(room, call)?;
                self.switch_chamber(Action::On, call)?;
            }
            if self.plant.now_s() - begin > self.plant.bench.settle.time_out_s {
                let mut words: Vec<String> =
                    readings.iter().map(|(name, reading)| format!("{name} {reading}")).collect();
                words.extend(silent.iter().map(|name| format!("{name} does not answer")));
                words.extend(
                    body.filter(|body| !within(*body))
                        .map(|body| format!("parts without a sensor may still be at {}", Celsius(body))),
                );
                return Err(bench_fault(
                    FaultKind::Interlock,
                    format!("not safe to touch: {}; {low} to {high} allowed", words.join(", ")),
                ));
            }
            self.plant.wait(self.plant.bench.settle.poll_s, call, "returning to ambient")?;
        }
    }
}
