//! Every temperature sensor that exists, the chamber's own included: what it told last, whether it is within its limits, and
//! whether one contradicts another.

use super::crosscheck::{CrossCheck, SensorReading};
use super::plant::bench_fault;
use contract::{Alarm, DriverError, FaultKind};
use nightbench_core::devices::ControlPoint;
use nightbench_core::units::Celsius;
use plan::bench_file::{BenchFile, SensorSource};
use std::collections::BTreeSet;

/// A sensor and what it told last.
struct Known {
    point: ControlPoint,
    name: String,
    source: SensorSource,
    /// Bench time and value of the last reading that was believed.
    last: Option<(f64, f64)>,
}

/// Lowest and highest value of a sensor, degC.
pub(super) fn limits_of(bench: &BenchFile, point: ControlPoint) -> (f64, f64) {
    let (limits, margin) = (&bench.limits, bench.settle.band.0);
    let (low, high) = match point {
        ControlPoint::Air => (limits.air_low, limits.air_high),
        _ => (limits.device_low, limits.device_high),
    };
    (low.0 - margin, high.0 + margin)
}

/// A value beyond its limits, in words.
pub(super) fn beyond(bench: &BenchFile, point: ControlPoint, name: &str, degc: f64) -> Option<String> {
    let (low, high) = limits_of(bench, point);
    let inside = (low..=high).contains(&degc);
    (!inside).then(|| {
        let margin = bench.settle.band.0;
        format!(
            "{name} is at {}, beyond {} to {}",
            Celsius(degc),
            Celsius(low + margin),
            Celsius(high - margin)
        )
    })
}

/// Every sensor with its source: those of the bench file, and the chamber's own where they leave it out.
pub(super) fn all_of(bench: &BenchFile) -> Vec<(ControlPoint, String, SensorSource)> {
    let mut list: Vec<(ControlPoint, String, SensorSource)> = bench
        .sensors
        .iter()
        .map(|sensor| (sensor.point, sensor.point.name().to_string(), sensor.source.clone()))
        .collect();
    if let Some(chamber) = bench.chamber() {
        let own = |source: &SensorSource| {
            matches!(source, SensorSource::Instrument(name, channel)
                if *name == chamber.name && (channel.is_none() || *channel == chamber.channel))
        };
        if !list.iter().any(|(_, _, source)| own(source)) {
            let source = SensorSource::Instrument(chamber.name.clone(), chamber.channel.clone());
            list.push((ControlPoint::Air, format!("the air of {}", chamber.name), source));
        }
    }
    list
}

/// What a poll of the sensors came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Taken {
    /// Everything within its limits, nothing contradicts.
    Sound,
    /// Something is wrong for the first time: read again, a single reading decides nothing.
    Doubt,
}

/// All sensors of a bench.
pub(super) struct Sensors {
    known: Vec<Known>,
    check: CrossCheck,
    /// Sensors (their numbers) whose last reading was not believed.
    doubted: BTreeSet<usize>,
    /// Where the chamber drives the air, degC; `None`: it is not known to be on.
    pub drives_to: Option<f64>,
}

impl Sensors {
    pub fn new(bench: &BenchFile) -> Sensors {
        let known = all_of(bench)
            .into_iter()
            .map(|(point, name, source)| Known { point, name, source, last: None })
            .collect();
        Sensors {
            known,
            check: CrossCheck::with_slowest(bench.touch_safe.time_constant_s),
            doubted: BTreeSet::new(),
            drives_to: None,
        }
    }

    /// Numbers of all sensors with their sources.
    pub fn sources(&self) -> Vec<(usize, SensorSource)> {
        self.known.iter().map(|one| one.source.clone()).enumerate().collect()
    }

    /// The sensor that the agent calls by a name.
    pub fn of_agent(&self, name: &str) -> Option<usize> {
        self.known.iter().position(|one| one.source == SensorSource::Agent(name.to_string()))
    }

    /// Name of a sensor for a person.
    pub fn name(&self, sensor: usize) -> &str {
        self.known.get(sensor).map_or("", |one| &one.name)
    }

    /// What a control point told last.
    pub fn last(&self, point: ControlPoint) -> Option<Celsius> {
        self.known
            .iter()
            .find(|one| one.point == point)
            .and_then(|one| one.last)
            .map(|(_, degc)| Celsius(degc))
    }

    /// What a control point tells among readings, by its first sensor, as [`last`](Sensors::last) does.
    pub fn told_of(&self, point: ControlPoint, readings: &[(usize, f64)]) -> Option<Celsius> {
        let sensor = self.known.iter().position(|one| one.point == point)?;
        readings.iter().find(|(at, _)| *at == sensor).map(|(_, degc)| Celsius(*degc))
    }

    /// The air as last told, the mean of its sensors.
    pub fn air(&self) -> Option<f64> {
        let air: Vec<f64> = self
            .known
            .iter()
            .filter(|one| one.point == ControlPoint::Air)
            .filter_map(|one| one.last.map(|(_, degc)| degc))
            .collect();
        (!air.is_empty()).then(|| air.iter().sum::<f64>() / air.len() as f64)
    }

    /// The cross-check's knowledge.
    pub fn knowledge(&self) -> &CrossCheck {
        &self.check
    }

    /// Takes readings of some sensors at a bench time. A value beyond its limit or a contradiction is an alarm when two polls in
    /// a row say so; nothing of a doubtful poll is kept.
    pub fn take(
        &mut self,
        bench: &BenchFile,
        now_s: f64,
        readings: &[(usize, f64)],
    ) -> Result<Taken, DriverError> {
        if readings.is_empty() {
            return Ok(Taken::Sound);
        }
        let mut now: Vec<SensorReading> = Vec::new();
        let mut told: Vec<usize> = readings.iter().map(|(sensor, _)| *sensor).collect();
        for (index, one) in self.known.iter().enumerate() {
            let fresh = readings.iter().find(|(sensor, _)| *sensor == index).map(|(_, degc)| *degc);
            if let Some(degc) = fresh.or(one.last.map(|(_, degc)| degc)) {
                now.push(SensorReading { point: one.point, name: one.name.clone(), degc });
            }
        }
        // What was believed before lay within its limits.
        let mut beyond_limits: Vec<(usize, String)> = Vec::new();
        for (sensor, degc) in readings {
            let Some(one) = self.known.get(*sensor) else { continue };
            beyond_limits.extend(beyond(bench, one.point, &one.name, *degc).map(|words| (*sensor, words)));
        }
        let mut check = self.check.clone();
        let drive = self.drives_to.map(|set| (set, bench.room.temperature.0));
        let mut wrong = check.add(now_s, &now, drive).err();
        if let Some((_, words)) = beyond_limits.first() {
            wrong = Some(words.clone());
            // That sensor is in doubt, and no other; a contradiction may be any one's.
            told = beyond_limits.iter().map(|(sensor, _)| *sensor).collect();
        }
        match wrong {
            None => {
                // What tells nothing this time is in doubt still: the others' good word is not its own.
                told.iter().for_each(|sensor| {
                    self.doubted.remove(sensor);
                });
                self.check = check;
                for (sensor, degc) in readings {
                    if let Some(one) = self.known.get_mut(*sensor) {
                        one.last = Some((now_s, *degc));
                    }
                }
                Ok(Taken::Sound)
            }
            Some(_) if told.iter().filter(|sensor| !self.doubted.insert(**sensor)).count() == 0 => {
                Ok(Taken::Doubt)
            }
            Some(words) => Err(bench_fault(FaultKind::Alarm(Alarm::Temperature), words)),
        }
    }

    /// Keeps readings as they are told, without any doubt: those of a dry run are what was asked for.
    pub fn note(&mut self, now_s: f64, readings: &[(usize, f64)]) {
        for (sensor, degc) in readings {
            if let Some(one) = self.known.get_mut(*sensor) {
                one.last = Some((now_s, *degc));
            }
        }
    }

    /// The sensor whose last reading is the oldest, with its age, s. Sensors that never told anything are left out.
    pub fn oldest(&self, now_s: f64) -> Option<(&str, f64)> {
        self.known
            .iter()
            .filter_map(|one| one.last.map(|(at, _)| (one.name.as_str(), now_s - at)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Sensors that did not tell anything since a bench time.
    pub fn silent_since(&self, since_s: f64) -> Vec<String> {
        let silent = |one: &&Known| one.last.is_none_or(|(at, _)| at < since_s);
        self.known.iter().filter(silent).map(|one| one.name.clone()).collect()
    }

    /// Last values with their names.
    pub fn values(&self) -> Vec<(String, Celsius)> {
        self.known
            .iter()
            .filter_map(|one| one.last.map(|(_, degc)| (one.name.clone(), Celsius(degc))))
            .collect()
    }

    /// What was read is forgotten, as old as it may be; what the air did to the device is not.
    pub fn forget_readings(&mut self) {
        self.known.iter_mut().for_each(|one| one.last = None);
        self.doubted.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bench() -> BenchFile {
        BenchFile::read(include_str!("../agent/every-key-bench.toml")).expect("a sound bench file")
    }

    /// While an agent works its heartbeats tell of the chip, and looks in between of the air alone: the air's good word takes no doubt
    /// about the chip back, and one odd beat is forgiven by the next good one.
    #[test]
    fn a_sensor_beyond_its_limits_is_an_alarm_whatever_others_tell_in_between() {
        let bench = bench();
        let number = |sensors: &Sensors, wanted: ControlPoint| {
            sensors.known.iter().position(|one| one.point == wanted).expect("the sensor")
        };
        let mut sensors = Sensors::new(&bench);
        let (chip, air) = (number(&sensors, ControlPoint::Chip), number(&sensors, ControlPoint::Air));
        let mut take = |at: f64, readings: &[(usize, f64)]| sensors.take(&bench, at, readings);
        assert_eq!(take(0.0, &[(chip, 25.0), (air, 24.0)]).unwrap(), Taken::Sound);
        assert_eq!(take(1.0, &[(chip, 131.0)]).unwrap(), Taken::Doubt);
        assert_eq!(take(2.0, &[(air, 24.0)]).unwrap(), Taken::Sound);
        assert_eq!(take(3.0, &[]).unwrap(), Taken::Sound);
        assert_eq!(take(4.0, &[(chip, 25.0)]).unwrap(), Taken::Sound);
        assert_eq!(take(5.0, &[(chip, 131.0)]).unwrap(), Taken::Doubt);
        assert_eq!(take(6.0, &[(air, 24.0)]).unwrap(), Taken::Sound);
        let error = take(7.0, &[(chip, 131.0)]).unwrap_err();
        assert_eq!(error.kind, FaultKind::Alarm(Alarm::Temperature));
        assert!(error.words.contains("chip is at 131"), "{error}");
    }
}
