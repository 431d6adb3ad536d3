//! Making a bench safe from any state: fresh connections, every instrument on its own, verified by measurement.

use super::agent::{AgentLink, process};
use super::command_log::CommandLog;
use super::instrument::{Instrument, Slot};
use super::power;
use contract::{Call, CancelToken, DriverError, FaultKind, Part, SafetyHandle};
use plan::bench_file::{Action, AgentConnection, BenchFile, InstrumentKind};
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// Longest time the agent is given to make the device safe, before the supplies are switched off anyway.
const AGENT_LIMIT: Duration = Duration::from_secs(3);
/// Longest time of one instrument.
const INSTRUMENT_LIMIT: Duration = Duration::from_secs(10);
/// Tries to switch one instrument off, each on a fresh connection: switching off may be repeated safely.
const TRIES: u32 = 4;

/// What is needed to make a bench safe.
#[derive(Clone)]
pub struct SafetyKit {
    pub(super) bench: Arc<BenchFile>,
    pub(super) log: CommandLog,
    pub(super) slots: Vec<Arc<Slot>>,
    pub(super) agent_process: Arc<AtomicU32>,
}

impl SafetyKit {
    /// For a bench that nobody drives at present.
    pub fn new(bench: Arc<BenchFile>, log: CommandLog) -> SafetyKit {
        SafetyKit { bench, log, slots: Vec::new(), agent_process: Arc::default() }
    }

    /// Device safe, outputs off and measured, chamber to ambient. Each instrument independently of the others.
    ///
    /// # Errors
    /// Everything that could not be made safe, in one text.
    pub fn make_safe(&self) -> Result<(), DriverError> {
        self.log.note("bench", '-', "make safe");
        self.make_device_safe();
        let failures: Vec<String> = std::thread::scope(|scope| {
            let threads: Vec<_> = self
                .bench
                .instruments
                .iter()
                .filter(|spec| spec.kind != InstrumentKind::Meter)
                .map(|spec| {
                    scope.spawn(move || {
                        let mut last = None;
                        for _ in 0..TRIES {
                            match self.one_safe(spec) {
                                Ok(()) => return None,
                                // Asked again it would measure the same: only faults of the conversation are tried again.
                                Err(error) if error.kind == FaultKind::Interlock => return Some(error),
                                Err(error) => last = Some(error),
                            }
                        }
                        last
                    })
                })
                .collect();
            threads
                .into_iter()
                .filter_map(|thread| match thread.join() {
                    Ok(failure) => failure.map(|error| error.to_string()),
                    Err(_) => Some("a thread that makes an instrument safe panicked".into()),
                })
                .collect()
        });
        let mut failures = failures;
        failures.extend(self.meters_agree().into_iter().map(|error| error.to_string()));
        if failures.is_empty() {
            self.log.note("bench", '-', "safe: every rail measured off");
            return Ok(());
        }
        let error = DriverError::new(FaultKind::NotSafe, failures.join("; ")).at(Part::Instrument);
        self.log.note("bench", '-', &error.to_string());
        Err(error)
    }

    fn one_safe(&self, spec: &plan::bench_file::Instrument) -> Result<(), DriverError> {
        let call = Call::within(INSTRUMENT_LIMIT, &CancelToken::new());
        let mut one = Instrument::new(spec.clone(), self.log.clone(), false);
        match spec.kind {
            InstrumentKind::Chamber => {
                let ambient = self.bench.room.temperature.0;
                one.tell(Action::SetTemperature, None, Some(ambient), &call)
            }
            InstrumentKind::PowerSwitch => power::switch_off(&mut one, &call),
            InstrumentKind::Supply => {
                let mut failure = None;
                for rail in self.bench.rails.iter().rev().filter(|rail| rail.supply == spec.name) {
                    let channel = rail.channel.as_deref();
                    // The instrument's own word does not count: a measurement does, even where switching off failed.
                    let told = one.tell(Action::Off, channel, None, &call);
                    let measured = power::verify_off(rail, &mut one, channel, &call);
                    let fault = match (told, measured) {
                        (Ok(()), measured) => measured.err(),
                        (Err(told), Ok(())) => Some(told),
                        // What was perhaps never heard is told again: until then a measurement proves nothing.
                        (Err(told), Err(measured)) => {
                            Some(DriverError { words: format!("{}; {}", measured.words, told.words), ..told })
                        }
                    };
                    failure = failure.or(fault);
                }
                failure.map_or(Ok(()), Err)
            }
            InstrumentKind::Meter => Ok(()),
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
                failures.extend(power::verify_off(rail, &mut meter, channel.as_deref(), &call).err());
            }
        }
        failures
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
