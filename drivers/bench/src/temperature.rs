//! Bringing the device to a temperature, by its own sensor, and waiting until hands may come near.

use super::chamber::Held;
use super::device::Device;
use super::plant::{Plant, bench_fault};
use super::sensors::Taken;
use super::settle::{Settling, State, Trimming};
use contract::{Call, DriverError, FaultKind, Part, Setting};
use nightbench_core::devices::ControlPoint;
use nightbench_core::units::{Celsius, Seconds};
use plan::bench_file::{Action, SensorSource, Settle};

/// Name of the reading that says how long the way to a temperature took (s): until the device was first in the band.
pub const RAMP_READING: &str = "change-over: ramp";
/// Name of the reading that says how long the device then soaked until it counted as settled (s).
pub const SOAK_READING: &str = "change-over: soak";
/// Name of the reading that says how long the way to a temperature had taken (s) when a stop was asked for.
pub const CUT_READING: &str = "change-over: ramp, cut";
/// Half width of the band in which a mounting check is made, K around ambient: the powered device warms itself.
const AMBIENT_BAND_K: f64 = 15.0;

/// A level that was disturbed (by a power cycle) is looked at again over this share of the dwell, and these polls at least. Common
/// practice, no source.
const CHECK_SHARE: f64 = 0.25;
const CHECK_POLLS: f64 = 3.0;
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
            if self.plant.take_temperatures(&readings)? == Taken::Sound && !self.plant.too_fast()? {
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

    /// Sets out for a setting's temperature, so that what comes next overlaps the way. Nothing to do at ambient, without a chamber, or
    /// where the temperature is held already.
    pub(super) fn set_out(&mut self, setting: &Setting, call: &Call) -> Result<(), DriverError> {
        let (level, point) = (setting.temperature, setting.control_point);
        let held = self.plant.held.is_some_and(|held| held.level == level && held.point == point);
        if self.plant.at_ambient || held || self.plant.bench.chamber().is_none() {
            return Ok(());
        }
        self.plant.held = None;
        self.read_temperature(point, level, call)?;
        self.plant.set_out(level, point, call)
    }

    /// Brings the device to a setting's temperature, or leaves it at ambient for a mounting check; the bench seconds it took.
    pub(super) fn reach(&mut self, setting: &Setting, call: &Call) -> Result<Seconds, DriverError> {
        if !self.plant.at_ambient {
            return Ok(self.settle(setting.temperature, setting.control_point, call)?.1);
        }
        let room = self.plant.bench.room.temperature;
        if self.plant.bench.chamber().is_some() {
            self.plant.set_chamber(room, call)?;
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
    /// took. A level that is held already costs one reading; one that was disturbed since, band and slope over a short while.
    pub(super) fn settle(
        &mut self,
        level: Celsius,
        point: ControlPoint,
        call: &Call,
    ) -> Result<(Celsius, Seconds), DriverError> {
        let mut rule = self.plant.bench.settle;
        let begin = self.plant.now_s();
        let held = self.plant.held.take().filter(|held| held.level == level && held.point == point);
        if let Some(held) = held.filter(|held| !held.disturbed) {
            let reading = self.read_temperature(point, level, call)?;
            if (reading - level).0.abs() <= rule.band.0 {
                self.plant.held = Some(held);
                return Ok((reading, Seconds(0.0)));
            }
        }
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
        let drives_to = self.plant.sensors.drives_to.map(Celsius);
        match (held, drives_to) {
            (Some(held), Some(air)) => {
                // The air never moved, and the whole dwell was made before the power cycle.
                if held.disturbed {
                    rule.dwell_s = (CHECK_SHARE * rule.dwell_s).max(CHECK_POLLS * rule.poll_s);
                }
                self.plant.stay(level, point, air);
            }
            _ => {
                let on_the_way =
                    self.plant.approach.as_ref().is_some_and(|way| way.level == level && way.point == point);
                if !on_the_way {
                    self.read_temperature(point, level, call)?;
                    self.plant.set_out(level, point, call)?;
                }
            }
        }
        let arrived = self.arrive(rule, level, point, call);
        self.plant.approach = None;
        if arrived.as_ref().is_err_and(|error| error.kind == FaultKind::Cancelled) {
            self.plant.read(CUT_READING.into(), self.plant.now_s() - begin, "s");
        }
        let (reading, in_band_s) = arrived?;
        self.plant.held = Some(Held { level, point, disturbed: false });
        let now = self.plant.now_s();
        self.plant.read(RAMP_READING.into(), (in_band_s - begin).max(0.0), "s");
        self.plant.read(SOAK_READING.into(), now - in_band_s.max(begin), "s");
        Ok((reading, Seconds(now - begin)))
    }

    /// Waits for band, dwell and slope; the last reading, and the bench time at which the device was first in the band.
    fn arrive(
        &mut self,
        rule: Settle,
        level: Celsius,
        point: ControlPoint,
        call: &Call,
    ) -> Result<(Celsius, f64), DriverError> {
        let begin = self.plant.approach.as_ref().map_or(self.plant.now_s(), |way| way.begin_s);
        let mut settling = Settling::new(rule, level);
        // However short the check: a trim rests on the whole dwell, or it follows what has not died away.
        let mut trimming = Trimming::new(self.plant.bench.settle, level);
        let (mut in_band_s, mut trims) = (None, 0);
        loop {
            let reading = self.read_temperature(point, level, call)?;
            let now = self.plant.now_s();
            if self.plant.dry {
                return Ok((reading, now));
            }
            if (reading - level).0.abs() <= rule.band.0 {
                in_band_s.get_or_insert(now);
            }
            if !self.plant.walk(call)? {
                settling.again();
            } else {
                if settling.add(Seconds(now), reading) == State::Settled {
                    return Ok((reading, in_band_s.unwrap_or(now)));
                }
                let known = self.plant.sensors.knowledge().time_constant_s();
                let felt = Celsius(self.plant.sensors.air().unwrap_or(f64::NAN));
                let air = self.plant.approach.as_ref().map_or(level, |way| way.air);
                if let Some(step) = trimming.add(Seconds(now), (reading, felt), air, known)
                    && trims < MOST_TRIMS
                {
                    trims += 1;
                    self.plant.trim(step, call)?;
                }
            }
            self.plant.check_stale()?;
            if now - begin > rule.time_out_s {
                return Err(bench_fault(
                    FaultKind::NotReached,
                    format!(
                        "the {} is at {reading} after {:.0} s, {level} +- {} for {} s asked",
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
        let off = self.plant.switch_chamber(Action::Off, call);
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
        let (mut driving, mut ready) = (false, false);
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
                // A single reading of each decides nothing.
                if std::mem::replace(&mut ready, true) || self.plant.dry {
                    return Ok(readings);
                }
                self.plant.wait(self.plant.bench.settle.poll_s, call, "returning to ambient")?;
                continue;
            }
            ready = false;
            if self.plant.dry {
                return Ok(readings);
            }
            if !driving && self.plant.bench.chamber().is_some() {
                driving = true;
                self.plant.set_chamber(room, call)?;
                self.plant.switch_chamber(Action::On, call)?;
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
