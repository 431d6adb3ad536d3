//! The bench behind the driver contract.

use super::agent::messages::{
    Configured, Identified, PointQuestion, PowerRequest, RestoreRequest, SampleRequest,
};
use super::agent::messages::{Sampled, TrainRequest};
use super::checks;
use super::command_log::CommandLog;
use super::custody::Custody;
use super::device::Device;
use super::instrument::Instrument;
use super::look::{self, InstrumentState, SensorLook};
use super::module_identity::{self, ModuleIdentity};
use super::plant::{Plant, WatchedValue, bench_fault};
use super::safe::SafetyKit;
use super::temperature::Climate;
use contract::{
    Call, Capabilities, Driver, DriverError, EyeCapabilities, FaultKind, Part, PointCounts, PointRequest,
    SafetyHandle, Setting, StartKind, TrainingRequest,
};
use nightbench_core::results::{EyeName, Identity, Readback, TrainedEye, TrainingResult};
use nightbench_core::units::{Celsius, Seconds, Volts};
use plan::bench_file::{Action, BenchFile};
use serde_json::json;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Longest that the rails of a device that nobody drives take to be switched off, before everything is made safe.
const OFF_LIMIT: Duration = Duration::from_secs(10);
/// Looks for readings of one moment before the condition counts as unknown.
const LOOKS: u32 = 3;

pub struct BenchDriver {
    plant: Plant,
    device: Device,
    setting: Option<Setting>,
    identity: Option<Identity>,
    /// What is known of the mounted module, until it is fetched.
    module: Option<ModuleIdentity>,
    /// The rails came up from off, and nothing was trained since.
    fresh_start: bool,
    /// How the last training started, on a device that can be power-cycled: the next one will.
    cycles_power: bool,
}

impl BenchDriver {
    /// A bench nobody is connected to yet; connections are opened by the first condition. `dry`: every command goes
    /// to the log only, nothing is ever opened.
    pub fn new(bench: Arc<BenchFile>, log: CommandLog, dry: bool) -> BenchDriver {
        BenchDriver {
            plant: Plant::new(bench, log, dry),
            device: Device::default(),
            setting: None,
            identity: None,
            module: None,
            fresh_start: false,
            cycles_power: false,
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

    /// What is known of the mounted module, since the last call.
    pub fn take_module_identity(&mut self) -> Option<ModuleIdentity> {
        self.module.take()
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
        look::instruments(&mut self.plant, call)
    }

    /// Every sensor that exists with its value and, beyond its limits, the words for that; or why it cannot be read.
    pub fn look_at_sensors(&mut self, call: &Call) -> Vec<(String, SensorLook)> {
        look::at_sensors(&mut self.plant, &mut self.device, call)
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
        self.device.identify(&mut self.plant, call)
    }

    /// Forgets what is mounted: after hands were at the bench everything is identified and set anew.
    pub fn mounted_anew(&mut self) {
        self.lose();
        self.identity = None;
    }

    /// The agent's free text (`log` or `registers`), for looking into a fault; empty where it cannot say.
    pub fn agent_text(&mut self, method: &str, call: &Call) -> String {
        match self.device.text(&mut self.plant, method, call) {
            Ok(text) => text,
            // What its heartbeat told meanwhile is no free text.
            Err(error) if matches!(error.kind, FaultKind::Alarm(_)) => {
                let _ = self.after::<()>(Err(error), call);
                String::new()
            }
            Err(_) => String::new(),
        }
    }

    /// From now on conditions are tried at ambient temperature, without settling (`true`), or reached as usual.
    pub fn check_at_ambient(&mut self, at_ambient: bool) {
        self.plant.at_ambient = at_ambient;
        self.plant.held = None;
        self.device.as_set &= !at_ambient;
    }

    /// Waits, with the rails verified off, until hands may come near (and everything is dry), and switches the chamber off.
    ///
    /// # Errors
    /// A sensor that cannot be read, an alarm, or not in the band in time: hands must stay away.
    pub fn wait_touch_safe(&mut self, call: &Call) -> Result<Vec<(String, Celsius)>, DriverError> {
        self.climate().wait_touch_safe(call)
    }

    fn climate(&mut self) -> Climate<'_> {
        Climate { plant: &mut self.plant, device: &mut self.device }
    }

    /// Nothing set is known any more.
    fn lose(&mut self) {
        self.device.lose(&mut self.plant);
    }

    /// Looks at rails and temperature when it is time to.
    fn watch(&mut self, call: &Call) -> Result<(), DriverError> {
        if self.plant.look_is_due() { self.look(call) } else { Ok(()) }
    }

    fn look(&mut self, call: &Call) -> Result<(), DriverError> {
        self.plant.look_at_rails(call)?;
        self.device.look_at_rails(&mut self.plant, call)?;
        let Some(setting) = &self.setting else { return Ok(()) };
        let level = setting.temperature;
        self.climate().look_at_temperatures(level, true, call)
    }

    /// With power every sensor that the bench file names tells something: one that does not is dead or not there, and what it
    /// should guard is not guarded.
    fn every_sensor_told(&self, since_s: f64) -> Result<(), DriverError> {
        let silent = self.plant.sensors.silent_since(since_s);
        if silent.is_empty() || self.plant.dry {
            return Ok(());
        }
        Err(bench_fault(
            FaultKind::NotSettled,
            format!(
                "{} told nothing: mend it, or take it out of the bench file; what it should guard is not guarded",
                silent.join(" and ")
            ),
        ))
    }

    /// Every reading taken now: one that failed is asked for again, and nothing is taken on an older one's word.
    fn look_at_everything(&mut self, call: &Call) -> Result<(), DriverError> {
        let begin = self.plant.now_s();
        for _ in 0..LOOKS {
            self.look(call)?;
            match self.plant.oldest_reading() {
                Some((_, age)) if self.plant.now_s() - age < begin => {}
                _ => return self.every_sensor_told(begin),
            }
        }
        let (name, age) = self.plant.oldest_reading().unwrap_or_default();
        Err(bench_fault(
            FaultKind::NotSettled,
            format!(
                "{name} was not read for {age:.0} s, {LOOKS} times asked: whether the condition held is not known"
            ),
        ))
    }

    fn power(&mut self, on: bool, call: &Call) -> Result<(), DriverError> {
        if !on {
            // What the device makes falls with its power, and that is no fault.
            self.plant.device_rails.forget();
        }
        let _: serde_json::Value =
            self.device.ask(&mut self.plant, "power", &PowerRequest { on }, call, json!({}))?;
        self.device.told_power = on;
        Ok(())
    }

    fn configure(&mut self, setting: &Setting, levels: &[f64], call: &Call) -> Result<(), DriverError> {
        let request = checks::configure_request(&self.plant.bench, setting, levels);
        let dry = Configured {
            eyes: Vec::new(),
            restores_training: true,
            power_cycle: true,
            double_refresh: request.double_refresh,
        };
        let configured = self.device.ask(&mut self.plant, "configure", &request, call, dry)?;
        if request.double_refresh && !configured.double_refresh {
            return Err(DriverError::new(
                FaultKind::Unsupported,
                format!("the refresh interval was not halved at {}: data would be lost", setting.temperature),
            ));
        }
        self.device.capabilities = if self.plant.dry {
            Some(Capabilities { eyes: Vec::new(), restores_training: true, power_cycle: true })
        } else {
            Some(configured.capabilities().ok_or_else(|| {
                DriverError::new(
                    FaultKind::Protocol,
                    "agent: the answer to `configure` has figures that make no sense",
                )
                .at(Part::Agent)
            })?)
        };
        Ok(())
    }

    fn bring_up(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        call.check("applying a condition")?;
        let levels = self.plant.rail_levels(&setting.supply)?;
        self.check_limits(setting)?;
        if !self.device.as_set {
            // Everything is set anew: nothing remembered is trusted.
            self.plant.instruments.iter_mut().for_each(Instrument::forget);
            self.plant.rails_on = None;
            self.device.trained = false;
            self.plant.held = None;
        }
        self.plant.watched = None;
        self.plant.connect(call)?;
        let kept = self.device.as_set
            && self.setting.as_ref().is_some_and(|before| {
                before.rate == setting.rate
                    && before.chip == setting.chip
                    && before.firmware == setting.firmware
                    && before.module == setting.module
                    && before.channel == setting.channel
                    && before.mounting == setting.mounting
            });
        self.device.trained &= kept;
        // Before power and heat: is this the right module, as far as the agent can tell?
        let found = self.identify_agent(call)?;
        module_identity::module(setting, &found, None)?;
        if self.cycles_power && !self.fresh_start && !self.plant.off {
            // The power cycle of the start to come is made before the ramp, where it disturbs nothing.
            self.power(false, call)?;
            self.plant.rails_off(call)?;
        }
        if self.plant.rails_on.is_none() {
            self.climate().cool_enough(call)?;
        }
        let from_off = self.plant.off;
        self.plant.rails_on(&levels, call)?;
        self.fresh_start |= from_off;
        self.plant.arm_rails();
        self.power(true, call)?;
        let found = self.device.identify(&mut self.plant, call)?;
        // With power an agent reads what it can read: now it decides.
        let needed = Some(self.plant.bench.modules_known_by).filter(|_| !self.plant.dry);
        self.module = Some(module_identity::module(setting, &found, needed)?);
        self.device.set_rails(&mut self.plant, &levels, call)?;
        // Loading firmware and configuring overlap the ramp.
        self.climate().set_out(setting, call)?;
        self.configure(setting, &levels, call)?;
        let since_s = self.plant.now_s();
        let settling = self.climate().reach(setting, call)?;
        self.every_sensor_told(since_s)?;
        let found = self.device.identify(&mut self.plant, call)?;
        module_identity::module(setting, &found, needed)?;
        self.identity = Some(Identity {
            chip_serial: found.chip_serial,
            firmware_build: found.firmware_build,
            firmware_hash: found.firmware_hash,
            settings_hash: found.settings_hash,
            agent_version: found.agent_version,
        });
        let mut rails = Vec::new();
        for (rail, asked) in self.plant.bench.rails.clone().iter().zip(&levels) {
            let volts = self.plant.settled_rail(rail, *asked, call)?;
            rails.push((rail.name.clone(), Volts(volts)));
        }
        rails.extend(self.device.look_at_rails(&mut self.plant, call)?);
        self.setting = Some(setting.clone());
        self.climate().arm(setting);
        let temperature =
            self.climate().read_temperature(setting.control_point, setting.temperature, call)?;
        self.device.as_set = !self.plant.at_ambient;
        Ok(Readback { temperature, rails, settling })
    }

    /// After a fault: nothing is trusted; an alarm switches off at once.
    fn after<T>(&mut self, result: Result<T, DriverError>, call: &Call) -> Result<T, DriverError> {
        if let Err(error) = &result {
            self.plant.log.note("bench", '-', &error.to_string());
            let stale = self.plant.stale().is_some();
            self.lose();
            if matches!(error.kind, FaultKind::Alarm(_)) {
                self.plant.latch(error);
            }
            // What is not known any more may be anything: that makes safe too, but may be tried again.
            let on = self.plant.may_be_on || self.plant.sensors.drives_to.is_some();
            let unknown = !self.plant.silent().is_empty()
                || matches!(error.kind, FaultKind::WrongInstrument | FaultKind::SettingsLost);
            let unknown = !self.plant.dry && (stale || on && unknown);
            let forbidden = matches!(error.kind, FaultKind::Interlock | FaultKind::Alarm(_));
            // Nobody drives the device any more: it is not left with power until somebody does.
            let powerless = || !self.plant.dry && self.plant.may_be_on && !self.device.is_connected();
            if unknown || forbidden || powerless() && self.plant.rails_off(&within(OFF_LIMIT)).is_err() {
                self.make_safe(call).map_err(|not_safe| DriverError {
                    words: format!("{}; after {error}", not_safe.words),
                    ..not_safe
                })?;
            }
        }
        result
    }

    fn sampled(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        own: &EyeCapabilities,
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        self.watch(call)?;
        let request = SampleRequest { eye, points: points.iter().map(PointQuestion::new).collect() };
        let dry = Sampled { counts: Vec::new() };
        let answer = self.device.ask(&mut self.plant, "sample", &request, call, dry)?;
        let counts = checks::counts(points, own, answer)?;
        // What was counted while a reading went stale or the condition left its band is no measurement.
        self.plant.check_stale()?;
        self.watch(call)?;
        Ok(counts)
    }

    fn kit(&self) -> SafetyKit {
        SafetyKit {
            slots: self.plant.instruments.iter().map(Instrument::slot).collect(),
            agent_process: Arc::clone(&self.device.process),
            ..SafetyKit::new(
                Arc::clone(&self.plant.bench),
                self.plant.log.clone(),
                self.plant.custody.clone(),
            )
        }
    }

    fn eye(&self, eye: EyeName) -> Result<EyeCapabilities, DriverError> {
        let known = self.device.capabilities.as_ref().ok_or_else(not_applied)?;
        known.eyes.iter().find(|one| one.eye == eye).cloned().ok_or_else(|| {
            DriverError::new(FaultKind::OutOfRange, format!("there is no eye `{eye}` at this condition"))
        })
    }
}

fn not_applied() -> DriverError {
    DriverError::new(FaultKind::WrongOrder, "no condition was applied yet; apply one first")
}

impl Driver for BenchDriver {
    fn is_simulated(&self) -> bool {
        false
    }

    fn identity(&mut self, _: &Call) -> Result<Identity, DriverError> {
        self.identity.clone().filter(|_| self.device.capabilities.is_some()).ok_or_else(not_applied)
    }

    fn capabilities(&mut self, _: &Call) -> Result<Capabilities, DriverError> {
        self.device.capabilities.clone().ok_or_else(not_applied)
    }

    fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        let result = self.bring_up(setting, call);
        self.after(result, call)
    }

    fn train(&mut self, request: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError> {
        let setting =
            self.setting.clone().filter(|_| self.device.capabilities.is_some()).ok_or_else(not_applied)?;
        self.device.trained = false;
        let mut attempt = || -> Result<TrainingResult, DriverError> {
            let cycles = request.start == StartKind::PowerCycle
                && self.device.capabilities.as_ref().is_some_and(|own| own.power_cycle);
            self.cycles_power = cycles;
            if cycles && !self.fresh_start {
                let levels = self.plant.rail_levels(&setting.supply)?;
                self.power(false, call)?;
                self.plant.rails_off(call)?;
                self.climate().cool_enough(call)?;
                self.plant.rails_on(&levels, call)?;
                self.plant.arm_rails();
                self.power(true, call)?;
                self.device.set_rails(&mut self.plant, &levels, call)?;
                self.configure(&setting, &levels, call)?;
                // The power cycle moves the device's temperature: it must be back before training.
                self.climate().reach(&setting, call)?;
                self.climate().arm(&setting);
            }
            self.watch(call)?;
            let message = TrainRequest {
                start: request.start.into(),
                pass_ber: request.pass_ber,
                fewest_taps: request.fewest_taps,
                fewest_steps: request.fewest_steps,
                command: request.command,
                write: request.write,
            };
            let dry = TrainingResult { stages: Vec::new(), eyes: Vec::new(), passed: true };
            let result: TrainingResult = self.device.ask(&mut self.plant, "train", &message, call, dry)?;
            checks::training(self.device.capabilities.as_ref(), &result)?;
            Ok(result)
        };
        let result = attempt();
        self.fresh_start = false;
        let result = self.after(result, call)?;
        self.device.trained = result.passed;
        Ok(result)
    }

    fn restore(&mut self, eyes: &[TrainedEye], call: &Call) -> Result<(), DriverError> {
        let known = self.device.capabilities.clone().ok_or_else(not_applied)?;
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
            self.device.ask(&mut self.plant, "restore", &request, call, json!({}));
        self.after(result, call)?;
        self.device.trained = true;
        Ok(())
    }

    fn sample(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        let own = self.eye(eye)?;
        if !self.device.trained {
            return Err(DriverError::new(
                FaultKind::WrongOrder,
                "the interface is not trained; train it first",
            ));
        }
        let lanes = usize::from(own.lanes.len());
        for request in points {
            request.check(&own.grid, lanes)?;
        }
        let result = self.sampled(eye, points, &own, call);
        self.after(result, call)
    }

    fn confirm(&mut self, call: &Call) -> Result<(), DriverError> {
        if self.setting.is_none() || self.device.capabilities.is_none() {
            return Err(not_applied());
        }
        let result = self.look_at_everything(call);
        self.after(result, call)
    }

    fn make_safe(&mut self, call: &Call) -> Result<(), DriverError> {
        self.lose();
        self.fresh_start = false;
        if self.plant.dry {
            self.device.ask(&mut self.plant, "safe", &json!({}), call, json!({}))?;
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
        let kit = SafetyKit { slots: Vec::new(), agent_process: Arc::default(), ..self.kit() };
        self.device.hang_up();
        self.plant.off = false;
        kit.make_safe()?;
        (self.plant.off, self.plant.may_be_on) = (true, false);
        Ok(())
    }

    fn safety_handle(&self) -> Box<dyn SafetyHandle> {
        Box::new(self.kit())
    }

    fn elapsed(&self) -> Seconds {
        Seconds(self.plant.now_s())
    }
}

/// A call with this much wall time, for the bench's own commands.
pub fn within(limit: Duration) -> Call {
    Call { deadline: Instant::now() + limit, cancel: contract::CancelToken::new() }
}
