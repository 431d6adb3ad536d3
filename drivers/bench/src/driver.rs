//! The bench behind the driver contract.

mod checks;

use super::agent::messages::*;
use super::agent::{AgentLink, Heartbeat};
use super::command_log::CommandLog;
use super::custody::Custody;
use super::plant::{Plant, WatchedValue, bench_fault};
use super::safe::SafetyKit;
use super::sensors::{self, Taken};
use contract::{
    Call, Capabilities, Driver, DriverError, EyeCapabilities, FaultKind, Part, PointCounts, PointRequest,
    SafetyHandle, Setting, StartKind, TrainingRequest,
};
use nightbench_core::devices::ControlPoint;
use nightbench_core::results::{EyeName, Identity, Readback, TrainedEye, TrainingResult};
use nightbench_core::units::{Celsius, Seconds, Volts};
use plan::bench_file::{Action, BenchFile, InstrumentKind, SensorSource};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// Longest time to connect to the agent.
const CONNECT_LIMIT: Duration = Duration::from_secs(5);

/// What an instrument is and has on, as `bench check` shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InstrumentState {
    /// Its name in the bench file.
    pub name: String,
    /// What it answered, or why it did not.
    pub answer: Result<String, String>,
    /// What is on right now, in words.
    pub on: Vec<String>,
}

/// A sensor's value and, beyond its limits, the words for that; or why it cannot be read.
pub type SensorLook = Result<(Celsius, Option<String>), String>;

/// A bench.
pub struct BenchDriver {
    pub(super) plant: Plant,
    /// Level and point the temperature is held at, where it settled.
    pub(super) held: Option<(Celsius, ControlPoint)>,
    agent: Option<AgentLink>,
    agent_process: Arc<AtomicU32>,
    setting: Option<Setting>,
    capabilities: Option<Capabilities>,
    identity: Option<Identity>,
    trained: bool,
    /// The agent at the other end of the link was told that its device has power.
    told_power: bool,
    /// Everything set is known to be as set.
    good: bool,
    /// Conditions are tried at ambient, without settling: a fit check waits for nothing.
    pub(super) at_ambient: bool,
}

impl BenchDriver {
    /// A bench nobody is connected to yet; connections are opened by the first condition. `dry`: every command goes
    /// to the log only, nothing is ever opened.
    pub fn new(bench: Arc<BenchFile>, log: CommandLog, dry: bool) -> BenchDriver {
        BenchDriver {
            plant: Plant::new(bench, log, dry),
            held: None,
            agent: None,
            agent_process: Arc::default(),
            setting: None,
            capabilities: None,
            identity: None,
            trained: false,
            told_power: false,
            good: false,
            at_ambient: false,
        }
    }

    /// Puts the bench under what this computer remembers of it: latched alarms, made safe from outside.
    pub fn obey(&mut self, custody: Custody) {
        self.plant.obey(custody);
    }

    /// Bench time since opening, seconds.
    pub fn elapsed_s(&self) -> f64 {
        self.plant.now_s()
    }

    /// The readings taken since the last call.
    pub fn take_readings(&mut self) -> Vec<WatchedValue> {
        std::mem::take(&mut self.plant.readings)
    }

    /// Checks a condition against the bench's limits without touching anything.
    ///
    /// # Errors
    /// `OutOfRange`, `Unsupported`, `Interlock`.
    pub fn check_limits(&self, setting: &Setting) -> Result<(), DriverError> {
        self.plant.rail_levels(&setting.supply)?;
        self.plant.check_device(setting.temperature)?;
        self.plant.check_dew(setting.temperature)?;
        if self.plant.bench.sensor(setting.control_point).is_none() {
            return Err(bench_fault(
                FaultKind::Unsupported,
                format!(
                    "the plan holds temperatures at the {}, where the bench has no [[sensor]]",
                    setting.control_point.name()
                ),
            ));
        }
        Ok(())
    }

    /// Opens every instrument and says what it is and what is on. Switches nothing.
    pub fn look_around(&mut self, call: &Call) -> Vec<InstrumentState> {
        let mut states = Vec::new();
        let rails = self.plant.bench.rails.clone();
        for one in &mut self.plant.instruments {
            let answer = match one.connect(call) {
                Ok(()) => Ok(one.identity().unwrap_or_default().to_string()),
                Err(error) => Err(error.to_string()),
            };
            let mut on = Vec::new();
            if answer.is_ok() {
                let name = one.spec.name.clone();
                for rail in rails.iter().filter(|rail| rail.supply == name) {
                    match one.ask(Action::MeasureVoltage, rail.channel.as_deref(), 0.0, call) {
                        Ok(volts) if volts.abs() > rail.off_below.0 => {
                            on.push(format!("{} measures {volts:.3} V", rail.name));
                        }
                        Ok(_) => {}
                        Err(error) => on.push(format!("{}: {error}", rail.name)),
                    }
                }
                if one.spec.kind == InstrumentKind::PowerSwitch {
                    let channel = one.spec.channel.clone();
                    match one.ask_switch(Action::IsOn, channel.as_deref(), false, call) {
                        Ok(true) => on.push("switched on".into()),
                        Ok(false) => {}
                        Err(error) => on.push(error.to_string()),
                    }
                }
            }
            states.push(InstrumentState { name: one.spec.name.clone(), answer, on });
        }
        states
    }

    /// Every sensor that exists with its value and, beyond its limits, the words for that; or why it cannot be read.
    pub fn look_at_sensors(&mut self, call: &Call) -> Vec<(String, SensorLook)> {
        let bench = Arc::clone(&self.plant.bench);
        let mut looks = Vec::new();
        for (point, name, source) in sensors::all_of(&bench) {
            let value = match &source {
                SensorSource::Agent(sensor) => {
                    self.agent_temperatures(BTreeMap::new(), call).and_then(|told| {
                        told.get(sensor).copied().filter(|value| value.is_finite()).ok_or_else(|| {
                            DriverError::new(FaultKind::Protocol, format!("the agent tells no `{sensor}`"))
                                .at(Part::Agent)
                        })
                    })
                }
                SensorSource::Instrument(instrument, channel) => self
                    .plant
                    .instrument(instrument)
                    .and_then(|one| one.ask(Action::MeasureTemperature, channel.as_deref(), 0.0, call)),
            };
            let look = value
                .map(|degc| (Celsius(degc), sensors::beyond(&bench, point, &name, degc)))
                .map_err(|error| error.to_string());
            looks.push((name, look));
        }
        looks
    }

    /// Where the chamber's set point is; `None` without a chamber that answers.
    pub fn look_at_set_point(&mut self, call: &Call) -> Option<Celsius> {
        let chamber = self.plant.first(InstrumentKind::Chamber)?;
        chamber.ask(Action::GetTemperature, None, 0.0, call).ok().map(Celsius)
    }

    /// Resets protections that tripped: a person's decision. What was reset, in words.
    ///
    /// # Errors
    /// A supply does not answer.
    pub fn reset_protections(&mut self, call: &Call) -> Result<Vec<String>, DriverError> {
        let mut reset = Vec::new();
        for rail in self.plant.bench.rails.clone() {
            let supply = self.plant.instrument(&rail.supply)?;
            if supply.has(Action::Tripped) && supply.has(Action::ClearTrip) {
                let channel = rail.channel.as_deref();
                if supply.ask_switch(Action::Tripped, channel, false, call)? {
                    supply.tell(Action::ClearTrip, channel, None, call)?;
                    reset.push(format!("{}: the protection of {} was reset", rail.supply, rail.name));
                }
            }
        }
        Ok(reset)
    }

    /// Asks the agent who answers, connecting first where needed.
    ///
    /// # Errors
    /// Communication and protocol faults.
    pub fn identify_agent(&mut self, call: &Call) -> Result<Identified, DriverError> {
        let dry = Identified {
            protocol: PROTOCOL,
            agent_version: String::new(),
            chip_serial: String::new(),
            firmware_build: String::new(),
            firmware_hash: String::new(),
            settings_hash: String::new(),
            module_serial: None,
            powered: false,
        };
        let identified = self.ask_agent("identify", &json!({}), call, dry)?;
        if identified.protocol != PROTOCOL {
            return Err(DriverError::new(
                FaultKind::Protocol,
                format!("agent: speaks protocol {}, {PROTOCOL} expected", identified.protocol),
            )
            .at(Part::Agent));
        }
        Ok(identified)
    }

    /// Forgets the fitted setup: after hands were at the bench everything is identified and set anew.
    pub fn refitted(&mut self) {
        self.lose();
        self.identity = None;
    }

    /// The agent's free text (`log` or `registers`), for looking into a fault; empty where it cannot say.
    pub fn agent_text(&mut self, method: &str, call: &Call) -> String {
        if self.agent.is_none() {
            return String::new();
        }
        let good = self.good;
        let answer = self.ask_agent(method, &json!({}), call, FreeText { text: String::new() });
        // An agent that has nothing to say (an error answer) is no reason to set everything anew.
        self.good = good && self.agent.is_some();
        answer.map(|answer| answer.text).unwrap_or_default()
    }

    /// From now on conditions are tried at ambient temperature, without settling (`true`), or reached as usual.
    pub fn check_at_ambient(&mut self, at_ambient: bool) {
        self.at_ambient = at_ambient;
        self.held = None;
        self.good &= !at_ambient;
    }

    /// Nothing set is known any more.
    fn lose(&mut self) {
        self.good = false;
        self.trained = false;
        self.capabilities = None;
        self.held = None;
        self.plant.watched = None;
    }

    fn connect_agent(&mut self) -> Result<(), DriverError> {
        if self.agent.as_ref().is_some_and(AgentLink::is_dead) {
            self.agent = None;
        }
        if self.agent.is_none() {
            // The chip's state is unknown behind a new connection.
            self.lose();
            let link = AgentLink::open(&self.plant.bench.agent, &self.plant.log, CONNECT_LIMIT)?;
            self.agent_process.store(link.process().unwrap_or(0), Ordering::SeqCst);
            self.told_power = false;
            self.agent = Some(link);
        }
        Ok(())
    }

    fn ask_agent<P: Serialize, R: DeserializeOwned>(
        &mut self,
        method: &str,
        parameters: &P,
        call: &Call,
        dry: R,
    ) -> Result<R, DriverError> {
        if self.plant.dry {
            let text = json!({ "jsonrpc": "2.0", "id": 0, "method": method, "params": parameters });
            self.plant.log.note("agent", '>', &text.to_string());
            return Ok(dry);
        }
        self.connect_agent()?;
        let Some(link) = self.agent.as_mut() else {
            return Err(DriverError::new(FaultKind::Communication, "agent: not connected").at(Part::Agent));
        };
        let plant = &mut self.plant;
        // While the agent works, rails stay watched; a slow instrument must not hide the agent's answer for long.
        let result = link.call(method, parameters, call, &mut |beat| idle(plant, beat, call));
        if link.is_dead() {
            self.agent = None;
            self.agent_process.store(0, Ordering::SeqCst);
        }
        if result.is_err() {
            self.good = false;
        }
        result
    }

    pub(super) fn agent_temperatures(
        &mut self,
        dry: BTreeMap<String, f64>,
        call: &Call,
    ) -> Result<BTreeMap<String, f64>, DriverError> {
        let mut tries = 0;
        loop {
            tries += 1;
            // A fresh agent would not know that its device has power: then the first fault counts.
            let told = self.told_power;
            let answer =
                self.ask_agent("temperature", &json!({}), call, Temperatures { sensors_degc: dry.clone() });
            match answer {
                // A read, so it may be tried again; what was set is not trusted afterwards.
                Err(error) if tries < 3 && !told && error.kind.is_of_conversation() => {
                    call.check("reading the agent's temperatures")?;
                }
                other => return other.map(|answer| answer.sensors_degc),
            }
        }
    }

    /// Looks at rails and temperature when it is time to.
    fn watch(&mut self, call: &Call) -> Result<(), DriverError> {
        if !self.plant.look_is_due() {
            return Ok(());
        }
        self.plant.look_at_rails(call)?;
        let Some(setting) = &self.setting else { return Ok(()) };
        let level = setting.temperature;
        self.look_at_temperatures(level, true, call)
    }

    /// An alarm latches: nothing is switched on or heated again until a person clears it.
    pub(super) fn latch(&self, error: &DriverError) {
        let latched = self.plant.custody.latch_alarm(error.kind, &error.words, &self.plant.log.time());
        self.plant.log.note("bench", '-', &format!("latched: {}", error.words));
        if let Err(words) = latched {
            self.plant.log.note("bench", '-', &words);
        }
    }

    fn bring_up(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        call.check("applying a condition")?;
        let levels = self.plant.rail_levels(&setting.supply)?;
        self.check_limits(setting)?;
        if !self.good {
            // Everything is set anew: nothing remembered is trusted.
            self.plant.instruments.iter_mut().for_each(super::instrument::Instrument::forget);
            self.plant.rails_on = None;
            self.trained = false;
            self.held = None;
        }
        self.plant.watched = None;
        self.plant.connect(call)?;
        let kept = self.good
            && self.setting.as_ref().is_some_and(|before| {
                before.rate == setting.rate
                    && before.chip == setting.chip
                    && before.firmware == setting.firmware
                    && before.module == setting.module
                    && before.channel == setting.channel
                    && before.mounting == setting.mounting
            });
        self.trained &= kept;
        // Before power and heat: is this the right module, as far as the agent can tell?
        let found = self.identify_agent(call)?;
        self.check_module(setting, &found)?;
        if self.plant.rails_on.is_none() {
            self.cool_enough(call)?;
        }
        self.plant.rails_on(&levels, call)?;
        self.plant.arm_rails();
        self.ask_agent("power", &PowerRequest { on: true }, call, json!({}))?;
        self.told_power = true;
        let settling = self.reach(setting, call)?;
        self.configure(setting, &levels, call)?;
        let found = self.identify_agent(call)?;
        self.check_module(setting, &found)?;
        self.identity = Some(Identity {
            chip_serial: found.chip_serial,
            firmware_build: found.firmware_build,
            firmware_hash: found.firmware_hash,
            settings_hash: found.settings_hash,
            agent_version: found.agent_version,
        });
        let mut rails = Vec::new();
        for (rail, asked) in self.plant.bench.rails.clone().iter().zip(&levels) {
            let volts = self.plant.measure_rail(rail, *asked, call)?;
            if (volts - asked).abs() > rail.tolerance.0 {
                return Err(bench_fault(
                    FaultKind::NotSettled,
                    format!(
                        "{} measures {volts:.4} V, {asked:.4} V +- {:.4} V asked",
                        rail.name, rail.tolerance.0
                    ),
                ));
            }
            rails.push((rail.name.clone(), Volts(volts)));
        }
        self.setting = Some(setting.clone());
        self.arm(setting);
        let temperature = self.read_temperature(setting.control_point, setting.temperature, call)?;
        self.good = !self.at_ambient;
        Ok(Readback { temperature, rails, settling })
    }

    /// After a fault: nothing is trusted; an alarm switches off at once.
    fn after<T>(&mut self, result: Result<T, DriverError>, call: &Call) -> Result<T, DriverError> {
        if let Err(error) = &result {
            self.plant.log.note("bench", '-', &error.to_string());
            let stale = self.plant.stale().is_some();
            self.lose();
            if matches!(error.kind, FaultKind::Alarm(_)) {
                self.latch(error);
            }
            // What is not known any more may be anything: that makes safe too, but may be tried again.
            if stale || matches!(error.kind, FaultKind::Interlock | FaultKind::Alarm(_)) {
                self.make_safe(call).map_err(|not_safe| DriverError {
                    words: format!("{}; after {error}", not_safe.words),
                    ..not_safe
                })?;
            }
        }
        result
    }

    fn eye(&self, eye: EyeName) -> Result<EyeCapabilities, DriverError> {
        let known = self.capabilities.as_ref().ok_or_else(not_applied)?;
        known.eyes.iter().find(|one| one.eye == eye).cloned().ok_or_else(|| {
            DriverError::new(FaultKind::OutOfRange, format!("there is no eye `{eye}` at this condition"))
        })
    }
}

/// What happens while the agent works: heartbeats are taken in, rails are looked at when it is time.
fn idle(plant: &mut Plant, beat: Option<&Heartbeat>, call: &Call) -> Result<(), DriverError> {
    if let Some(beat) = beat {
        let readings: Vec<(usize, f64)> = beat
            .sensors_degc
            .iter()
            .filter(|(_, value)| value.is_finite())
            .filter_map(|(name, value)| Some((plant.sensors.of_agent(name)?, *value)))
            .collect();
        if !readings.is_empty() {
            // In doubt the next beat decides.
            plant.take_temperatures(&readings)?;
        }
    }
    if plant.look_is_due() {
        plant.look_at_rails(call)?;
        let readings = plant.read_instrument_sensors(call)?;
        if !readings.is_empty() && plant.take_temperatures(&readings)? == Taken::Doubt {
            let again = plant.read_instrument_sensors(call)?;
            plant.take_temperatures(&again)?;
        }
    }
    Ok(())
}

fn not_applied() -> DriverError {
    DriverError::new(FaultKind::WrongOrder, "no condition was applied yet; apply one first")
}

impl Driver for BenchDriver {
    fn is_simulated(&self) -> bool {
        false
    }

    fn identity(&mut self, _: &Call) -> Result<Identity, DriverError> {
        self.identity.clone().filter(|_| self.capabilities.is_some()).ok_or_else(not_applied)
    }

    fn capabilities(&mut self, _: &Call) -> Result<Capabilities, DriverError> {
        self.capabilities.clone().ok_or_else(not_applied)
    }

    fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        let result = self.bring_up(setting, call);
        self.after(result, call)
    }

    fn train(&mut self, request: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError> {
        let setting = self.setting.clone().filter(|_| self.capabilities.is_some()).ok_or_else(not_applied)?;
        self.trained = false;
        let mut attempt = || -> Result<TrainingResult, DriverError> {
            if request.start == StartKind::PowerCycle
                && self.capabilities.as_ref().is_some_and(|own| own.power_cycle)
            {
                let levels = self.plant.rail_levels(&setting.supply)?;
                self.ask_agent("power", &PowerRequest { on: false }, call, json!({}))?;
                self.plant.rails_off(call)?;
                self.cool_enough(call)?;
                self.plant.rails_on(&levels, call)?;
                self.plant.arm_rails();
                self.ask_agent("power", &PowerRequest { on: true }, call, json!({}))?;
                self.configure(&setting, &levels, call)?;
                // The power cycle moves the device's temperature: it must be back before training.
                self.held = None;
                self.reach(&setting, call)?;
                self.arm(&setting);
            }
            self.watch(call)?;
            let message = TrainRequest {
                start: request.start.into(),
                pass_ber: request.pass_ber,
                fewest_taps: request.fewest_taps,
                fewest_steps: request.fewest_steps,
                write: request.write,
            };
            let dry = TrainingResult { stages: Vec::new(), eyes: Vec::new(), passed: true };
            let result: TrainingResult = self.ask_agent("train", &message, call, dry)?;
            self.check_training(&result)?;
            Ok(result)
        };
        let result = attempt();
        let result = self.after(result, call)?;
        self.trained = result.passed;
        Ok(result)
    }

    fn restore(&mut self, eyes: &[TrainedEye], call: &Call) -> Result<(), DriverError> {
        let known = self.capabilities.clone().ok_or_else(not_applied)?;
        if !known.restores_training {
            return Err(DriverError::new(
                FaultKind::Unsupported,
                "the device cannot restore trained settings: train at every condition",
            ));
        }
        for own in &known.eyes {
            let lanes: Vec<u16> = own.lanes.iter().collect();
            if !eyes.iter().any(|saved| saved.eye == own.eye && saved.lanes == lanes) {
                return Err(DriverError::new(
                    FaultKind::OutOfRange,
                    format!("no saved training settings for {}; train it first", own.eye),
                ));
            }
        }
        let request = RestoreRequest { eyes: eyes.to_vec() };
        let result: Result<serde_json::Value, DriverError> =
            self.ask_agent("restore", &request, call, json!({}));
        self.after(result, call)?;
        self.trained = true;
        Ok(())
    }

    fn sample(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        let own = self.eye(eye)?;
        if !self.trained {
            return Err(DriverError::new(
                FaultKind::WrongOrder,
                "the interface is not trained; train it first",
            ));
        }
        let lanes = usize::from(own.lanes.len());
        for request in points {
            request.check(&own.grid, lanes)?;
        }
        let result = self.sampled(eye, points, &own, lanes, call);
        self.after(result, call)
    }

    fn make_safe(&mut self, call: &Call) -> Result<(), DriverError> {
        self.lose();
        if self.plant.dry {
            self.ask_agent("safe", &json!({}), call, json!({}))?;
            self.plant.rails_off(call)?;
            if let Some(chamber) = self.plant.bench.chamber().map(|one| one.name.clone()) {
                let ambient = self.plant.bench.room.temperature.0;
                let chamber = self.plant.instrument(&chamber)?;
                if chamber.has(Action::Off) {
                    chamber.tell(Action::Off, None, None, call)?;
                }
                chamber.tell(Action::SetTemperature, None, Some(ambient), call)?;
            }
            return Ok(());
        }
        // Own connections end, so that instruments with a single connection answer the fresh one.
        self.plant.close();
        self.agent = None;
        self.told_power = false;
        let kit = SafetyKit { slots: Vec::new(), ..self.kit() };
        self.agent_process.store(0, Ordering::SeqCst);
        kit.make_safe()
    }

    fn safety_handle(&self) -> Box<dyn SafetyHandle> {
        Box::new(self.kit())
    }

    fn elapsed(&self) -> Seconds {
        Seconds(self.plant.now_s())
    }
}

impl BenchDriver {
    fn kit(&self) -> SafetyKit {
        SafetyKit {
            bench: Arc::clone(&self.plant.bench),
            log: self.plant.log.clone(),
            slots: self.plant.instruments.iter().map(super::instrument::Instrument::slot).collect(),
            agent_process: Arc::clone(&self.agent_process),
            custody: self.plant.custody.clone(),
        }
    }
}

/// A call with this much wall time, for the bench's own commands.
pub fn within(limit: Duration) -> Call {
    Call { deadline: Instant::now() + limit, cancel: contract::CancelToken::new() }
}
