//! The instruments of a bench together: clock, limits, and the watch over rails and temperature.

use super::chamber::{Approach, Held};
use super::command_log::CommandLog;
use super::custody::Custody;
use super::device_rails::DeviceRails;
use super::instrument::Instrument;
use super::rail_limits::{Doubts, RailLimits, too_low};
use super::sensors::{Sensors, Taken};
use contract::{Alarm, Call, DriverError, FaultKind, Part};
use nightbench_core::devices::{ControlPoint, Supply};
use nightbench_core::units::{Celsius, Volts};
use plan::bench_file::{Action, BenchFile, InstrumentKind, Rail, SensorSource};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A value read while a job ran.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchedValue {
    /// Bench time, seconds since opening.
    pub bench_s: f64,
    /// What was read.
    pub name: String,
    pub value: f64,
    pub unit: &'static str,
}

/// Readings kept until they are fetched.
const MOST_READINGS: usize = 20_000;
/// A rail below its tolerance is looked at so often, so many bench seconds apart, until it stands still.
const FALLING_LOOKS: u32 = 30;
const FALLING_LOOK_S: f64 = 0.1;

/// What is watched at present.
pub(super) struct Watched {
    next_look_s: f64,
    /// Asked voltage and time of the last good reading, for each rail.
    rails: Vec<(f64, f64)>,
    /// The temperature that is held; `None` on the way to it.
    held: Option<HeldBand>,
}

/// A temperature that is held within a band.
#[derive(Clone, Copy)]
struct HeldBand {
    level: Celsius,
    point: ControlPoint,
    half_k: f64,
    /// The last reading lay beyond the band.
    strayed: bool,
    /// Readings beyond the band so far, each followed by one within it.
    strays: u32,
}

/// Readings beyond the band, each taken back by the next, that a job may have: a sensor that goes on like that is not believed.
const MOST_STRAYS: u32 = 3;

/// Every instrument of a bench.
pub(super) struct Plant {
    pub bench: Arc<BenchFile>,
    pub instruments: Vec<Instrument>,
    pub log: CommandLog,
    pub dry: bool,
    pub watched: Option<Watched>,
    /// The temperature that is held, where it settled.
    pub held: Option<Held>,
    /// The way to a level, while it lasts.
    pub approach: Option<Approach>,
    /// Every rail was measured off, and nothing was switched on since.
    pub off: bool,
    /// A rail was switched on, and none was measured off since.
    pub may_be_on: bool,
    /// Conditions are tried at ambient, without settling: a mounting check waits for nothing.
    pub at_ambient: bool,
    pub readings: Vec<WatchedValue>,
    /// Voltages the rails were switched on with; `None` = not known to be on.
    pub rails_on: Option<Vec<f64>>,
    /// Rails that the device makes.
    pub device_rails: DeviceRails,
    /// Voltages and currents that were beyond a limit when they were read last.
    pub doubts: Doubts,
    /// Every temperature sensor.
    pub sensors: Sensors,
    /// What this computer remembers of the bench.
    pub custody: Custody,
    start: Instant,
}

/// A fault of the bench: nothing that is mounted is to blame.
pub(super) fn bench_fault(kind: FaultKind, words: impl Into<String>) -> DriverError {
    DriverError::new(kind, words).at(Part::Instrument)
}

impl Plant {
    pub fn new(bench: Arc<BenchFile>, log: CommandLog, dry: bool) -> Plant {
        let instruments =
            bench.instruments.iter().map(|spec| Instrument::new(spec.clone(), log.clone(), dry)).collect();
        let sensors = Sensors::new(&bench);
        let mut plant = Plant {
            bench,
            instruments,
            log,
            dry,
            watched: None,
            held: None,
            approach: None,
            off: false,
            may_be_on: false,
            at_ambient: false,
            readings: Vec::new(),
            rails_on: None,
            device_rails: DeviceRails::default(),
            doubts: Doubts::default(),
            sensors,
            custody: Custody::of_process(),
            start: Instant::now(),
        };
        plant.obey(Custody::of_process());
        plant
    }

    /// Puts the bench under what this computer remembers of it.
    pub fn obey(&mut self, custody: Custody) {
        self.instruments.iter_mut().for_each(|one| one.obey(custody.clone()));
        self.custody = custody;
    }

    /// An alarm latches: nothing is switched on or heated again until a person clears it.
    pub fn latch(&self, error: &DriverError) {
        let latched = self.custody.latch_alarm(error.kind, &error.words, &self.log.time());
        self.log.note("bench", '-', &format!("latched: {}", error.words));
        if let Err(words) = latched {
            self.log.note("bench", '-', &words);
        }
    }

    /// Bench seconds since opening.
    pub fn now_s(&self) -> f64 {
        self.start.elapsed().as_secs_f64() * self.bench.time_scale
    }

    /// Waits this many bench seconds.
    pub fn wait(&self, bench_s: f64, call: &Call, what: &str) -> Result<(), DriverError> {
        if self.dry {
            return Ok(());
        }
        let end = Instant::now() + Duration::from_secs_f64(bench_s / self.bench.time_scale);
        loop {
            call.check(what)?;
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(());
            }
            std::thread::sleep(left.min(Duration::from_millis(20)));
        }
    }

    pub fn instrument(&mut self, name: &str) -> Result<&mut Instrument, DriverError> {
        self.instruments.iter_mut().find(|one| one.spec.name == name).ok_or_else(|| {
            bench_fault(FaultKind::Unsupported, format!("the bench has no instrument `{name}`"))
        })
    }

    pub fn first(&mut self, kind: InstrumentKind) -> Option<&mut Instrument> {
        self.instruments.iter_mut().find(|one| one.spec.kind == kind)
    }

    /// Opens and identifies every instrument.
    pub fn connect(&mut self, call: &Call) -> Result<(), DriverError> {
        self.instruments.iter_mut().try_for_each(|one| one.connect(call))
    }

    /// Closes every connection and forgets what was set.
    pub fn close(&mut self) {
        for one in &mut self.instruments {
            one.close();
            one.forget();
        }
        self.watched = None;
        self.approach = None;
        self.rails_on = None;
        self.sensors.drives_to = None;
        self.sensors.forget_readings();
    }

    /// Voltage of every rail at a supply level, checked against the rail's limits: those of the supplies in the bench's order, then
    /// those that the device makes.
    pub fn rail_levels(&self, supply: &Supply) -> Result<Vec<f64>, DriverError> {
        for (name, volts) in supply.named() {
            let bench = &self.bench;
            let mut names = bench
                .rails
                .iter()
                .map(|rail| &rail.name)
                .chain(bench.device_rails.iter().map(|rail| &rail.name));
            if !names.any(|known| known == name) {
                return Err(bench_fault(
                    FaultKind::Unsupported,
                    format!(
                        "supply `{}` sets {name} to {volts}, but the bench has no such [[rail]]",
                        supply.name
                    ),
                ));
            }
        }
        let mut levels = Vec::new();
        let own = self.bench.rails.iter().map(|rail| (&rail.name, rail.fixed));
        let device = self.bench.device_rails.iter().map(|rail| (&rail.name, rail.fixed));
        for (name, fixed) in own.chain(device) {
            let named = supply.named().find(|(known, _)| known == name).map(|(_, volts)| volts);
            let Some(volts) = named.or(fixed) else {
                return Err(bench_fault(
                    FaultKind::Unsupported,
                    format!("no plan sets the rail {name}: give it `fixed_v` in the bench file"),
                ));
            };
            self.check_rail(name, volts)?;
            levels.push(volts.0);
        }
        Ok(levels)
    }

    /// Is the voltage within the rail's limits?
    pub fn check_rail(&self, name: &str, volts: Volts) -> Result<(), DriverError> {
        let own = self.bench.rails.iter().map(|rail| (&rail.name, rail.low, rail.high));
        let device = self.bench.device_rails.iter().map(|rail| (&rail.name, rail.low, rail.high));
        match own.chain(device).find(|(known, ..)| *known == name) {
            Some((_, low, high)) if volts.0 >= low.0 && volts.0 <= high.0 => Ok(()),
            Some((_, low, high)) => Err(bench_fault(
                FaultKind::OutOfRange,
                format!("{name} = {volts} is beyond the bench's limits, {low} to {high}"),
            )),
            None => Err(bench_fault(FaultKind::Unsupported, format!("the bench has no rail {name}"))),
        }
    }

    /// Is the device temperature within the bench's limits?
    pub fn check_device(&self, level: Celsius) -> Result<(), DriverError> {
        let limits = &self.bench.limits;
        if level.0 >= limits.device_low.0 && level.0 <= limits.device_high.0 {
            return Ok(());
        }
        Err(bench_fault(
            FaultKind::OutOfRange,
            format!(
                "{level} is beyond the bench's limits for the device, {} to {}",
                limits.device_low, limits.device_high
            ),
        ))
    }

    /// Below the dew point a dry purge must be declared.
    pub fn check_dew(&self, level: Celsius) -> Result<(), DriverError> {
        if level.0 >= self.bench.lowest_dry().0 || self.bench.room.dry_purge {
            return Ok(());
        }
        Err(bench_fault(
            FaultKind::Interlock,
            format!(
                "{level} is below {} (dew point {} + 3 K): water would condense. Put a dry purge in place and declare \
                 `dry_purge = true` in [room]",
                self.bench.lowest_dry(),
                self.bench.room.dew_point
            ),
        ))
    }

    /// Keeps a reading for the job's time series.
    pub fn read(&mut self, name: String, value: f64, unit: &'static str) {
        if self.readings.len() < MOST_READINGS {
            self.readings.push(WatchedValue { bench_s: self.now_s(), name, value, unit });
        }
    }

    /// Starts watching the rails, on the way to a condition.
    pub fn arm_rails(&mut self) {
        let now = self.now_s();
        let rails = self.rails_on.clone().unwrap_or_default();
        self.watched = Some(Watched {
            next_look_s: now + self.bench.watch.every_s,
            rails: rails.into_iter().take(self.bench.rails.len()).map(|volts| (volts, now)).collect(),
            held: None,
        });
    }

    /// Starts watching a condition that was just reached: the rails, and the temperature within a band of `half_k`.
    pub fn arm(&mut self, level: Celsius, point: ControlPoint, half_k: f64) {
        self.arm_rails();
        if let Some(watched) = &mut self.watched {
            watched.held = Some(HeldBand { level, point, half_k, strayed: false, strays: 0 });
        }
    }

    /// Is it time to look again?
    pub fn look_is_due(&self) -> bool {
        self.watched.as_ref().is_some_and(|watched| self.now_s() >= watched.next_look_s)
    }

    /// Instruments that heat or power and do not answer any more: what they have on is not known.
    pub fn silent(&self) -> Vec<&str> {
        let heats_or_powers = |one: &&Instrument| one.spec.kind != InstrumentKind::Meter;
        let silent = self.instruments.iter().filter(heats_or_powers).filter(|one| one.is_silent());
        silent.map(|one| one.spec.name.as_str()).collect()
    }

    /// A read that failed is no alarm until the last good reading is stale, unless nobody answers any more where something is on.
    fn unless_silent(&self, error: DriverError) -> Result<(), DriverError> {
        self.log.note("watch", '-', &error.to_string());
        let silent = self.silent();
        if silent.is_empty() {
            return Ok(());
        }
        let names = silent.join("` and `");
        let words =
            format!("`{names}` does not answer any more: everything is made safe now ({})", error.words);
        Err(DriverError { words, ..error })
    }

    /// Looks at every rail. A failed read is no alarm until the last good reading is stale.
    pub fn look_at_rails(&mut self, call: &Call) -> Result<(), DriverError> {
        let Some(count) = self.watched.as_ref().map(|watched| watched.rails.len()) else { return Ok(()) };
        for held in [self.must_hold(call), self.hold_off_timers(call)] {
            match held {
                Err(error) if error.kind.is_of_conversation() => self.unless_silent(error)?,
                other => other?,
            }
        }
        for index in 0..count {
            match self.look_at_rail(index, call) {
                Err(error) if error.kind.is_of_conversation() => self.unless_silent(error)?,
                other => other?,
            }
        }
        if let Some(watched) = &mut self.watched {
            watched.next_look_s =
                self.start.elapsed().as_secs_f64() * self.bench.time_scale + self.bench.watch.every_s;
        }
        self.check_stale()
    }

    fn look_at_rail(&mut self, index: usize, call: &Call) -> Result<(), DriverError> {
        let Some((asked, _)) = self.watched.as_ref().and_then(|watched| watched.rails.get(index).copied())
        else {
            return Ok(());
        };
        let Some(rail) = self.bench.rails.get(index).cloned() else { return Ok(()) };
        let supply = self.instrument(&rail.supply)?;
        if supply.has(Action::Tripped)
            && supply.ask_switch(Action::Tripped, rail.channel.as_deref(), false, call)?
            && supply.ask_switch(Action::Tripped, rail.channel.as_deref(), false, call)?
        {
            return Err(bench_fault(
                FaultKind::Alarm(Alarm::Voltage),
                format!("{}: the over-voltage protection of {} tripped", rail.supply, rail.name),
            ));
        }
        let mut measured = self.measure_rail(&rail, asked, call)?;
        if (measured - asked).abs() > rail.tolerance.0 {
            // One look may fall into a spike of the reading itself: a second decides.
            measured = self.measure_rail(&rail, asked, call)?;
        }
        let mut is_off = false;
        if asked - measured > rail.tolerance.0 {
            (measured, is_off) = self.where_it_falls(&rail, asked, measured, call)?;
        }
        self.read(rail.name.clone(), measured, "V");
        self.look_at_current(&rail, call)?;
        // Who switched it off, a person at the front panel or a protection, had a reason: it stays off.
        if asked > rail.off_below.0 && (is_off || measured < rail.off_below.0) {
            // Who made the bench safe from outside said so.
            self.custody.may_switch_on()?;
            return Err(bench_fault(
                FaultKind::Alarm(Alarm::Voltage),
                format!(
                    "{} is off ({measured:.3} V) while {asked:.3} V are asked: somebody, or a protection, switched it off",
                    rail.name
                ),
            ));
        }
        if RailLimits::from(&rail).below(measured) {
            self.custody.may_switch_on()?;
            return Err(too_low(&rail, measured, asked));
        }
        if (measured - asked).abs() > rail.tolerance.0 {
            return Err(bench_fault(
                FaultKind::NotSettled,
                format!(
                    "{} left its tolerance during the job: {measured:.4} V, {asked:.4} V +- {:.4} V asked",
                    rail.name, rail.tolerance.0
                ),
            ));
        }
        let now = self.now_s();
        if let Some(slot) = self.watched.as_mut().and_then(|watched| watched.rails.get_mut(index)) {
            slot.1 = now;
        }
        Ok(())
    }

    /// What is switched off falls for a while, and looks like a rail that drifts until it is down: its voltage when it stands
    /// still, and whether its output says twice that it is off.
    fn where_it_falls(
        &mut self,
        rail: &Rail,
        asked: f64,
        mut measured: f64,
        call: &Call,
    ) -> Result<(f64, bool), DriverError> {
        let supply = self.instrument(&rail.supply)?;
        if supply.has(Action::IsOn)
            && !supply.ask_switch(Action::IsOn, rail.channel.as_deref(), true, call)?
            && !supply.ask_switch(Action::IsOn, rail.channel.as_deref(), true, call)?
        {
            return Ok((measured, true));
        }
        for _ in 0..FALLING_LOOKS {
            if measured < rail.off_below.0 {
                break;
            }
            self.wait(FALLING_LOOK_S, call, "a rail that falls")?;
            let before = measured;
            measured = self.measure_rail(rail, asked, call)?;
            if before - measured <= rail.tolerance.0 {
                break;
            }
        }
        Ok((measured, false))
    }

    /// Reads the sensors of instruments; one that cannot be read is no alarm until its last reading is stale.
    pub fn read_instrument_sensors(&mut self, call: &Call) -> Result<Vec<(usize, f64)>, DriverError> {
        let mut readings = Vec::new();
        for (sensor, source) in self.sensors.sources() {
            let SensorSource::Instrument(name, channel) = source else { continue };
            let expected = self.bench.room.temperature.0;
            let asked =
                self.instrument(&name)?.ask(Action::MeasureTemperature, channel.as_deref(), expected, call);
            match asked {
                Ok(degc) => readings.push((sensor, degc)),
                Err(error) if error.kind.is_of_conversation() => self.unless_silent(error)?,
                Err(error) => return Err(error),
            }
        }
        Ok(readings)
    }

    /// Takes readings of sensors: an alarm beyond limits or for a contradiction, and not settled beyond the band that is held, each
    /// in two polls.
    pub fn take_temperatures(&mut self, readings: &[(usize, f64)]) -> Result<Taken, DriverError> {
        let now = self.now_s();
        if self.dry {
            self.sensors.note(now, readings);
            return Ok(Taken::Sound);
        }
        let taken = self.sensors.take(&self.bench, now, readings)?;
        if taken == Taken::Doubt {
            let shown: Vec<String> = readings
                .iter()
                .map(|(sensor, degc)| format!("{} {degc:.2}", self.sensors.name(*sensor)))
                .collect();
            self.log.note("watch", '-', &format!("doubtful, read again: {}", shown.join(", ")));
            return Ok(taken);
        }
        let Some(held) = self.watched.as_ref().and_then(|watched| watched.held) else { return Ok(taken) };
        for (sensor, degc) in readings {
            self.read(format!("{} temperature", self.sensors.name(*sensor)), *degc, "degC");
        }
        // Only what was read now: no reading counts twice.
        let Some(reading) = self.sensors.told_of(held.point, readings) else { return Ok(taken) };
        let (level, margin) = (held.level, held.half_k);
        let beyond = (reading - level).0.abs() > margin;
        let again = held.strayed || held.strays >= MOST_STRAYS;
        if let Some(held) = self.watched.as_mut().and_then(|watched| watched.held.as_mut()) {
            held.strays += u32::from(beyond && !held.strayed);
            held.strayed = beyond;
        }
        if beyond && !again {
            self.log.note("watch", '-', &format!("{reading} is beyond the band, read again"));
            return Ok(Taken::Doubt);
        }
        if beyond {
            return Err(bench_fault(
                FaultKind::NotSettled,
                format!(
                    "the temperature left its band during the job: {reading}, {level} +- {margin} K asked"
                ),
            ));
        }
        Ok(taken)
    }

    /// The watched reading that is stale, with its age, if one is.
    pub fn stale(&self) -> Option<(String, f64)> {
        self.oldest_reading().filter(|(_, age)| *age > self.bench.watch.stale_after_s)
    }

    /// The watched reading that was taken longest ago, with its age in seconds.
    pub fn oldest_reading(&self) -> Option<(String, f64)> {
        let watched = self.watched.as_ref().filter(|_| !self.dry)?;
        let now = self.now_s();
        let rails =
            self.bench.rails.iter().zip(&watched.rails).map(|(rail, (_, at))| (rail.name.as_str(), now - at));
        let device = self.device_rails.age(&self.bench.device_rails, now);
        let oldest = rails.chain(device).chain(self.sensors.oldest(now)).max_by(|a, b| a.1.total_cmp(&b.1));
        oldest.map(|(name, age)| (name.to_string(), age))
    }

    /// A stale reading: the condition is not known, and everything is made safe.
    pub fn check_stale(&self) -> Result<(), DriverError> {
        let Some((name, age)) = self.stale() else { return Ok(()) };
        Err(bench_fault(
            FaultKind::NotSettled,
            format!(
                "alarm: a watched reading is stale: {name} was read {age:.0} s ago, {} s allowed; the condition is not \
                 known",
                self.bench.watch.stale_after_s
            ),
        ))
    }
}
