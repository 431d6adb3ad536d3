//! Making a bench safe from any state: fresh connections, every instrument on its own, verified by measurement.

use super::agent::{AgentLink, process};
use super::command_log::CommandLog;
use super::custody::Custody;
use super::instrument::{Instrument, Slot};
use super::power;
use super::sensors;
use crate::agent::messages::Temperatures;
use contract::{Alarm, Call, CancelToken, DriverError, FaultKind, Part, SafetyHandle};
use nightbench_core::units::Celsius;
use plan::bench_file::{Action, AgentConnection, BenchFile, InstrumentKind, Rail, SensorSource};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Longest time the agent is given to make the device safe, before the supplies are switched off anyway.
const AGENT_LIMIT: Duration = Duration::from_secs(3);
/// Longest time of one instrument.
const INSTRUMENT_LIMIT: Duration = Duration::from_secs(10);
/// Looks of a meter at a rail that was switched off.
const METER_LOOKS: u32 = 40;
/// After an alarm: bench time over which the air must not go on, and by how much, K. Common practice, no source.
const RISE_LOOK: Duration = Duration::from_secs(10);
const SHORTEST_RISE_LOOK: Duration = Duration::from_millis(300);
const RISE_K: f64 = 3.0;

/// What is needed to make a bench safe.
#[derive(Clone)]
pub struct SafetyKit {
    pub(super) bench: Arc<BenchFile>,
    pub(super) log: CommandLog,
    pub(super) slots: Vec<Arc<Slot>>,
    pub(super) agent_process: Arc<AtomicU32>,
    pub(super) custody: Custody,
    pub(super) met: Arc<Mutex<BTreeSet<String>>>,
}

impl SafetyKit {
    /// For a bench that nobody drives at present.
    pub fn new(bench: Arc<BenchFile>, log: CommandLog, custody: Custody) -> SafetyKit {
        SafetyKit {
            bench,
            log,
            slots: Vec::new(),
            agent_process: Arc::default(),
            custody,
            met: Arc::default(),
        }
    }

    /// What the instruments that heat or power said they are, as far as they answered.
    pub fn met(&self) -> BTreeSet<String> {
        self.met.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Device safe, outputs off and measured, chamber off; then every sensor that can be read must be within its limits. Each
    /// instrument independently of the others.
    ///
    /// # Errors
    /// Everything that could not be made safe, in one text.
    pub fn make_safe(&self) -> Result<(), DriverError> {
        self.log.note("bench", '-', "make safe");
        let mut failures: Vec<String> = std::thread::scope(|scope| {
            let of = |heats: bool| {
                let all = self.bench.instruments.iter().filter(|spec| spec.kind != InstrumentKind::Meter);
                all.filter(move |spec| (spec.kind == InstrumentKind::Chamber) == heats)
            };
            let begin = |spec| (spec, scope.spawn(move || self.until_safe(spec)));
            // What heats does not wait until the device was put in order.
            let mut threads: Vec<_> = of(true).map(begin).collect();
            self.make_device_safe();
            threads.extend(of(false).map(begin));
            threads
                .into_iter()
                .filter_map(|(spec, thread)| match thread.join() {
                    Ok(failure) => failure.map(|error| format!("{error}{}", self.not_known(spec, &error))),
                    Err(_) => Some("a thread that makes an instrument safe panicked".into()),
                })
                .collect()
        });
        failures.extend(self.meters_agree().into_iter().map(|error| error.to_string()));
        let beyond = self.beyond_limits();
        if failures.is_empty() {
            failures.extend(self.still_rising());
        }
        if failures.is_empty() && beyond.is_empty() {
            self.log.note(
                "bench",
                '-',
                "safe: every rail measured off, every sensor read is within its limits",
            );
            return Ok(());
        }
        let kind = if failures.is_empty() { FaultKind::BeyondLimits } else { FaultKind::NotSafe };
        failures.extend(beyond);
        let error = DriverError::new(kind, failures.join("; ")).at(Part::Instrument);
        self.log.note("bench", '-', &error.to_string());
        Err(error)
    }

    /// Tells one instrument until it is safe or the time for it is over; what is left then.
    fn until_safe(&self, spec: &plan::bench_file::Instrument) -> Option<DriverError> {
        let begin = Instant::now();
        let mut tries = 0;
        loop {
            tries += 1;
            match self.one_safe(spec) {
                Ok(()) => return None,
                Err(error) if begin.elapsed() > power::OFF_LIMIT => return Some(error),
                Err(error) => {
                    if tries == 1 {
                        let limit = power::OFF_LIMIT.as_secs();
                        let words = format!("switching off: {error}; tried again for {limit} s");
                        self.log.progress(&spec.name, &words);
                    }
                    std::thread::sleep(power::before_again(tries));
                }
            }
        }
    }

    fn rails_of(&self, spec: &plan::bench_file::Instrument) -> Vec<&Rail> {
        self.bench.rails.iter().rev().filter(|rail| rail.supply == spec.name).collect()
    }

    /// It does not answer, and may hear all the same.
    fn unheard(&self, one: &mut Instrument, spec: &plan::bench_file::Instrument) {
        match spec.kind {
            InstrumentKind::Supply => {
                for rail in self.rails_of(spec) {
                    one.tell_unheard(Action::Off, rail.channel.as_deref(), None);
                }
            }
            InstrumentKind::Chamber if !one.has(Action::Off) => {
                one.tell_unheard(Action::SetTemperature, None, Some(self.bench.room.temperature.0));
            }
            InstrumentKind::Chamber | InstrumentKind::PowerSwitch => {
                one.tell_unheard(Action::Off, spec.channel.as_deref(), None);
            }
            InstrumentKind::Meter => {}
        }
    }

    fn one_safe(&self, spec: &plan::bench_file::Instrument) -> Result<(), DriverError> {
        let call = Call::within(INSTRUMENT_LIMIT, &CancelToken::new());
        let mut one = Instrument::new(spec.clone(), self.log.clone(), false);
        if let Err(error) = one.connect(&call) {
            if error.kind == FaultKind::TimeOut {
                self.unheard(&mut one, spec);
            }
            return Err(error);
        }
        if let Some(identity) = one.identity() {
            self.met.lock().unwrap_or_else(PoisonError::into_inner).insert(identity.to_string());
        }
        match spec.kind {
            InstrumentKind::Chamber => {
                let ambient = self.bench.room.temperature.0;
                if one.has(Action::Off) {
                    power::confirmed_off(&mut one, None, &call)?;
                    // Beside the point while it is off; whoever switches it on finds it at ambient.
                    if let Err(error) = one.tell(Action::SetTemperature, None, Some(ambient), &call) {
                        self.log.note(&spec.name, '-', &error.to_string());
                    }
                    return Ok(());
                }
                one.tell(Action::SetTemperature, None, Some(ambient), &call)
            }
            InstrumentKind::PowerSwitch => power::confirmed_off(&mut one, spec.channel.as_deref(), &call),
            InstrumentKind::Supply => power::outputs_off(&self.rails_of(spec), &mut one, &call),
            InstrumentKind::Meter => Ok(()),
        }
    }

    /// What an instrument that does not answer leaves open, in words.
    fn not_known(&self, spec: &plan::bench_file::Instrument, error: &DriverError) -> String {
        if !error.kind.is_of_conversation() {
            return String::new();
        }
        let own = self.bench.rails.iter().filter(|rail| rail.supply == spec.name);
        let open: Vec<String> = own
            .map(|rail| match &rail.meter {
                Some((meter, _)) => format!("{} (`{meter}` measures it)", rail.name),
                None => rail.name.clone(),
            })
            .collect();
        match spec.kind {
            InstrumentKind::Supply => format!(
                "; so nobody knows whether these are off: {}. Look at its display",
                if open.is_empty() { "no rail".into() } else { open.join(", ") }
            ),
            _ => format!("; so nobody knows whether `{}` is off. Look at its display", spec.name),
        }
    }

    /// Where a meter measures a rail, it must agree that the rail is off.
    fn meters_agree(&self) -> Vec<DriverError> {
        let mut failures = Vec::new();
        for spec in self.bench.instruments.iter().filter(|spec| spec.kind == InstrumentKind::Meter) {
            let mut meter = Instrument::new(spec.clone(), self.log.clone(), false);
            for rail in &self.bench.rails {
                let Some((_, channel)) = rail.meter.as_ref().filter(|(name, _)| *name == spec.name) else {
                    continue;
                };
                let call = Call::within(INSTRUMENT_LIMIT, &CancelToken::new());
                failures.extend(
                    power::verify_off(rail, &mut meter, channel.as_deref(), METER_LOOKS, &call).err(),
                );
            }
        }
        failures
    }

    /// Sensors beyond their limits, in words, each read twice. What cannot be read is noted: an agent that was ended cannot tell.
    fn beyond_limits(&self) -> Vec<String> {
        let call = Call::within(INSTRUMENT_LIMIT, &CancelToken::new());
        let all = sensors::all_of(&self.bench);
        let agent = || -> Option<Temperatures> {
            if !matches!(self.bench.agent.connection, AgentConnection::Tcp { .. }) {
                return None;
            }
            let limit = Call::within(AGENT_LIMIT, &CancelToken::new());
            let mut link = AgentLink::open(&self.bench.agent, &self.log, AGENT_LIMIT).ok()?;
            link.call("temperature", &json!({}), &limit, &mut |_| Ok(())).ok()
        };
        let by_agent = |source: &SensorSource| matches!(source, SensorSource::Agent(_));
        let mut told = all.iter().any(|(_, _, source)| by_agent(source)).then(agent).flatten();
        let mut read = |source: &SensorSource, again: bool| -> Option<f64> {
            match source {
                SensorSource::Agent(name) => {
                    if again {
                        told = agent();
                    }
                    told.as_ref()?.sensors_degc.get(name).copied().filter(|value| value.is_finite())
                }
                SensorSource::Instrument(name, channel) => {
                    let spec = self.bench.instrument(name)?;
                    let mut one = Instrument::new(spec.clone(), self.log.clone(), false);
                    one.ask(Action::MeasureTemperature, channel.as_deref(), 0.0, &call).ok()
                }
            }
        };
        let mut failures = Vec::new();
        for (point, name, source) in &all {
            let Some(degc) = read(source, false) else {
                self.log.note("bench", '-', &format!("{name}: its temperature cannot be read"));
                continue;
            };
            if sensors::beyond(&self.bench, *point, name, degc).is_none() {
                continue;
            }
            let again = read(source, true).unwrap_or(degc);
            if let Some(words) = sensors::beyond(&self.bench, *point, name, again) {
                let kind = FaultKind::Alarm(Alarm::Temperature);
                if let Err(error) = self.custody.latch_alarm(kind, &words, &self.log.time()) {
                    self.log.note("bench", '-', &error);
                }
                failures.push(words);
            }
        }
        failures
    }

    /// After an alarm of temperature: air that goes on away from the room with the chamber off is driven by something that does not obey.
    fn still_rising(&self) -> Option<String> {
        let alarm = FaultKind::Alarm(Alarm::Temperature);
        let latched = self.custody.latch().ok().flatten();
        let chamber = self.bench.chamber().filter(|_| latched.is_some_and(|latch| latch.kind == alarm))?;
        let call = Call::within(INSTRUMENT_LIMIT + RISE_LOOK, &CancelToken::new());
        let read = || {
            let mut one = Instrument::new(chamber.clone(), self.log.clone(), false);
            one.ask(Action::MeasureTemperature, chamber.channel.as_deref(), 0.0, &call).ok()
        };
        let before = read()?;
        std::thread::sleep(RISE_LOOK.div_f64(self.bench.time_scale).max(SHORTEST_RISE_LOOK));
        let after = read()?;
        let room = self.bench.room.temperature.0;
        let away = (after - room).abs() - (before - room).abs();
        (away > RISE_K && (after - room).abs() > RISE_K).then(|| {
            format!(
                "the air goes on from {} to {} although the chamber is off",
                Celsius(before),
                Celsius(after)
            )
        })
    }

    /// The agent is asked; whatever it says, the supplies are switched off afterwards.
    fn make_device_safe(&self) {
        match &self.bench.agent.connection {
            AgentConnection::Command(_) => {
                // There is no second way into a child: it is ended, and the supplies decide.
                let id = self.agent_process.swap(0, Ordering::SeqCst);
                if id != 0 {
                    let limit = Duration::from_secs_f64(self.bench.agent.kill_after_s);
                    process::end_group(id, limit, || {});
                    self.log.note("agent", '-', "ended");
                }
            }
            AgentConnection::Tcp { .. } => {
                let call = Call::within(AGENT_LIMIT, &CancelToken::new());
                let told = AgentLink::open(&self.bench.agent, &self.log, AGENT_LIMIT)
                    .and_then(|mut link| link.call::<_, Value>("safe", &json!({}), &call, &mut |_| Ok(())));
                if let Err(error) = told {
                    self.log.note("agent", '-', &format!("did not make the device safe: {error}"));
                }
            }
        }
    }
}

impl SafetyHandle for SafetyKit {
    fn make_safe(&self) -> Result<(), DriverError> {
        // The driver's own conversations end first: some instruments serve one connection only.
        for slot in &self.slots {
            slot.take_over(Duration::from_secs(1));
        }
        SafetyKit::make_safe(self)
    }
}
