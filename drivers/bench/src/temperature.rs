//! Bringing the device to a temperature, by its own sensor, and waiting until hands may come near.

use super::driver::BenchDriver;
use super::plant::bench_fault;
use super::settle::{RampWatch, Settling, State};
use contract::{Alarm, Call, DriverError, FaultKind, Setting};
use nightbench_core::devices::ControlPoint;
use nightbench_core::units::{Celsius, Seconds};
use plan::bench_file::{Action, InstrumentKind, SensorSource};

/// Name of the reading that says how long the way to a temperature took (s): until the device was first in the band.
pub const RAMP_READING: &str = "change-over: ramp";
/// Name of the reading that says how long the device then soaked until it counted as settled (s).
pub const SOAK_READING: &str = "change-over: soak";
/// Half width of the band in which a fit check is made, K around ambient: the powered device warms itself.
const AMBIENT_BAND_K: f64 = 15.0;

/// Most times the chamber is trimmed for a steady offset between chamber and device.
const MOST_TRIMS: u32 = 8;

impl BenchDriver {
    /// Reads the sensor of a control point.
    pub(super) fn read_temperature(
        &mut self,
        point: ControlPoint,
        expected: Celsius,
        call: &Call,
    ) -> Result<Celsius, DriverError> {
        let Some(sensor) = self.plant.bench.sensor(point).cloned() else {
            return Err(bench_fault(
                FaultKind::Unsupported,
                format!(
                    "the bench has no [[sensor]] at the {}, where the plan holds its temperatures",
                    point.name()
                ),
            ));
        };
        match sensor.source {
            SensorSource::Instrument(name, channel) => self
                .plant
                .instrument(&name)?
                .ask(Action::MeasureTemperature, channel.as_deref(), expected.0, call)
                .map(Celsius),
            SensorSource::Agent(name) => {
                let dry = [(name.clone(), expected.0)].into_iter().collect();
                let answer = self.agent_temperatures(dry, call)?;
                match answer.get(&name) {
                    Some(value) if value.is_finite() => Ok(Celsius(*value)),
                    Some(value) => Err(bench_fault(
                        FaultKind::Protocol,
                        format!("agent: the sensor `{name}` reads {value}"),
                    )),
                    None => Err(bench_fault(
                        FaultKind::Protocol,
                        format!("agent: no sensor `{name}` among its temperatures"),
                    )),
                }
            }
        }
    }

    fn set_chamber(&mut self, air: Celsius, call: &Call) -> Result<(), DriverError> {
        let limits = self.plant.bench.limits;
        // The second check of the limit, just before the write.
        if !air.0.is_finite() || air.0 < limits.air_low.0 || air.0 > limits.air_high.0 {
            return Err(bench_fault(
                FaultKind::OutOfRange,
                format!(
                    "a set point of {air} is beyond the chamber's limits, {} to {}",
                    limits.air_low, limits.air_high
                ),
            ));
        }
        match self.plant.first(InstrumentKind::Chamber) {
            Some(chamber) => chamber.tell(Action::SetTemperature, None, Some(air.0), call),
            None => {
                Err(bench_fault(FaultKind::Unsupported, "the bench has no chamber to set a temperature with"))
            }
        }
    }

    /// Brings the device to a setting's temperature, or leaves it at ambient for a fit check; the bench seconds it took.
    pub(super) fn reach(&mut self, setting: &Setting, call: &Call) -> Result<Seconds, DriverError> {
        if !self.at_ambient {
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
        let (level, half_k) = match self.at_ambient {
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
        if self.held == Some((level, point)) {
            let reading = self.read_temperature(point, level, call)?;
            if (reading - level).0.abs() <= rule.band.0 {
                return Ok((reading, Seconds(0.0)));
            }
        }
        self.held = None;
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
        let mut goal = Celsius(level.0.clamp(limits.air_low.0, limits.air_high.0));
        let start = self.read_temperature(point, level, call)?;
        // Where the chamber has no ramp of its own, its set point is walked.
        let mut air =
            if ramps_itself { goal } else { Celsius(start.0.clamp(limits.air_low.0, limits.air_high.0)) };
        if let Some(chamber) = self.plant.first(InstrumentKind::Chamber)
            && chamber.has(Action::On)
        {
            chamber.tell(Action::On, None, None, call)?;
        }
        self.set_chamber(air, call)?;
        let mut settling = Settling::new(rule, level);
        let mut ramp = RampWatch::new(limits.ramp_k_per_min);
        let mut in_band_s = None;
        let mut trims = 0;
        let mut last;
        loop {
            let reading = self.read_temperature(point, level, call)?;
            last = reading;
            self.plant.take_temperature(point, reading)?;
            if self.plant.dry {
                break;
            }
            let now = self.plant.now_s();
            if (reading - level).0.abs() <= rule.band.0 {
                in_band_s.get_or_insert(now);
            }
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
            if air.0 != goal.0 {
                let step = limits.ramp_k_per_min * rule.poll_s / 60.0;
                air = Celsius(air.0 + (goal.0 - air.0).clamp(-step, step));
                self.set_chamber(air, call)?;
                settling.again();
            } else {
                match settling.add(Seconds(now), reading) {
                    State::Settled => break,
                    State::SteadyOutside(offset) if trims < MOST_TRIMS => {
                        trims += 1;
                        goal = Celsius((goal.0 - offset).clamp(limits.air_low.0, limits.air_high.0));
                        if ramps_itself {
                            air = goal;
                            self.set_chamber(air, call)?;
                        }
                        settling.again();
                    }
                    State::SteadyOutside(_) | State::Waiting => {}
                }
            }
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
        self.held = Some((level, point));
        let now = self.plant.now_s();
        let reached = in_band_s.unwrap_or(now);
        self.plant.read(RAMP_READING.into(), reached - begin, "s");
        self.plant.read(SOAK_READING.into(), now - reached, "s");
        Ok((last, Seconds(now - begin)))
    }

    /// Brings everything to ambient and waits until every sensor is within the band for hands (and dry). Call it with
    /// the rails verified off.
    ///
    /// # Errors
    /// A sensor that cannot be read, or is not in the band in time: hands must stay away.
    pub fn wait_touch_safe(&mut self, call: &Call) -> Result<Vec<(String, Celsius)>, DriverError> {
        self.held = None;
        let room = self.plant.bench.room.temperature;
        let (low, high) = self.plant.bench.touch_band();
        if self.plant.bench.chamber().is_some() {
            self.set_chamber(room, call)?;
        }
        let begin = self.plant.now_s();
        loop {
            let mut readings = Vec::new();
            for sensor in self.plant.bench.sensors.clone() {
                let reading = self.read_temperature(sensor.point, room, call)?;
                readings.push((sensor.point.name().to_string(), reading));
            }
            if readings.iter().all(|(_, reading)| reading.0 >= low.0 && reading.0 <= high.0) {
                return Ok(readings);
            }
            if self.plant.now_s() - begin > self.plant.bench.settle.time_out_s {
                let words: Vec<String> =
                    readings.iter().map(|(name, reading)| format!("{name} {reading}")).collect();
                return Err(bench_fault(
                    FaultKind::Interlock,
                    format!("not safe to touch: {}; {low} to {high} allowed", words.join(", ")),
                ));
            }
            self.plant.wait(self.plant.bench.settle.poll_s, call, "returning to ambient")?;
        }
    }
}
