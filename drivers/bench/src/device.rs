//! The device under test behind its control agent: the conversation, and what is known of the device.

use super::agent::messages::{FreeText, Identified, PROTOCOL, Temperatures};
use super::agent::{AgentLink, Heartbeat};
use super::plant::Plant;
use super::sensors::Taken;
use contract::{Call, Capabilities, DriverError, FaultKind, Part};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// Longest time to connect to the agent.
const CONNECT_LIMIT: Duration = Duration::from_secs(5);
/// Times the agent's temperatures are read before it counts as silent.
const READ_TRIES: u32 = 3;

#[derive(Default)]
pub(super) struct Device {
    link: Option<AgentLink>,
    /// Process of an agent that is a child, for the safety handle; 0: none.
    pub process: Arc<AtomicU32>,
    /// What it can do at the present condition; `None` before it was configured.
    pub capabilities: Option<Capabilities>,
    pub trained: bool,
    /// The agent at the other end of the link was told that its device has power.
    pub told_power: bool,
    /// Everything set is known to be as set.
    pub as_set: bool,
}

impl Device {
    /// Nothing set is known any more.
    pub fn lose(&mut self, plant: &mut Plant) {
        self.as_set = false;
        self.trained = false;
        self.capabilities = None;
        plant.held = None;
        plant.approach = None;
        plant.watched = None;
        plant.device_rails.forget();
    }

    /// Is there somebody to drive it?
    pub fn is_connected(&self) -> bool {
        self.link.as_ref().is_some_and(|link| !link.is_dead())
    }

    /// Ends the conversation.
    pub fn hang_up(&mut self) {
        self.link = None;
        self.told_power = false;
        self.process.store(0, Ordering::SeqCst);
    }

    fn connect(&mut self, plant: &mut Plant) -> Result<(), DriverError> {
        if self.link.as_ref().is_some_and(AgentLink::is_dead) {
            self.link = None;
        }
        if self.link.is_none() {
            // The chip's state is unknown behind a new connection.
            self.lose(plant);
            let link = AgentLink::open(&plant.bench.agent, &plant.log, CONNECT_LIMIT)?;
            self.process.store(link.process().unwrap_or(0), Ordering::SeqCst);
            self.told_power = false;
            self.link = Some(link);
        }
        Ok(())
    }

    /// Calls a method of the agent; `dry` is the answer of a dry run. While it works, rails stay watched.
    ///
    /// # Errors
    /// Communication and protocol faults, the agent's own, and what the watch found.
    pub fn ask<P: Serialize, R: DeserializeOwned>(
        &mut self,
        plant: &mut Plant,
        method: &str,
        parameters: &P,
        call: &Call,
        dry: R,
    ) -> Result<R, DriverError> {
        if plant.dry {
            let text = json!({ "jsonrpc": "2.0", "id": 0, "method": method, "params": parameters });
            plant.log.note("agent", '>', &text.to_string());
            return Ok(dry);
        }
        self.connect(plant)?;
        let Some(link) = self.link.as_mut() else {
            return Err(DriverError::new(FaultKind::Communication, "agent: not connected").at(Part::Agent));
        };
        // A slow instrument must not hide the agent's answer for long.
        let result = link.call(method, parameters, call, &mut |beat| idle(plant, beat, call));
        if link.is_dead() {
            self.link = None;
            self.process.store(0, Ordering::SeqCst);
        }
        if result.is_err() {
            self.as_set = false;
        }
        result
    }

    /// Asks who answers, connecting first where needed.
    ///
    /// # Errors
    /// Communication and protocol faults.
    pub fn identify(&mut self, plant: &mut Plant, call: &Call) -> Result<Identified, DriverError> {
        let dry = Identified {
            protocol: PROTOCOL,
            agent_version: String::new(),
            chip_serial: String::new(),
            firmware_build: String::new(),
            firmware_hash: String::new(),
            settings_hash: String::new(),
            module_serial: None,
            module_spd: None,
            powered: false,
        };
        let identified = self.ask(plant, "identify", &json!({}), call, dry)?;
        if identified.protocol != PROTOCOL {
            return Err(DriverError::new(
                FaultKind::Protocol,
                format!("agent: speaks protocol {}, {PROTOCOL} expected", identified.protocol),
            )
            .at(Part::Agent));
        }
        Ok(identified)
    }

    /// The agent's temperatures by its own names; a failed read is tried again.
    ///
    /// # Errors
    /// The last fault; the first where the device has power.
    pub fn temperatures(
        &mut self,
        plant: &mut Plant,
        dry: BTreeMap<String, f64>,
        call: &Call,
    ) -> Result<BTreeMap<String, f64>, DriverError> {
        let mut tries = 0;
        loop {
            tries += 1;
            // A fresh agent would not know that its device has power: then the first fault counts.
            let told = self.told_power;
            let answer =
                self.ask(plant, "temperature", &json!({}), call, Temperatures { sensors_degc: dry.clone() });
            match answer {
                // A read, so it may be tried again; what was set is not trusted afterwards.
                Err(error) if tries < READ_TRIES && !told && error.kind.is_of_conversation() => {
                    call.check("reading the agent's temperatures")?;
                }
                other => return other.map(|answer| answer.sensors_degc),
            }
        }
    }

    /// The agent's free text (`log` or `registers`), for looking into a fault; empty where nobody can be asked.
    ///
    /// # Errors
    /// It has nothing to say, cannot be asked, or something is beyond its limits meanwhile.
    pub fn text(&mut self, plant: &mut Plant, method: &str, call: &Call) -> Result<String, DriverError> {
        if self.link.is_none() {
            return Ok(String::new());
        }
        let as_set = self.as_set;
        let answer = self.ask(plant, method, &json!({}), call, FreeText { text: String::new() });
        // An agent that has nothing to say (an error answer) is no reason to set everything anew.
        self.as_set = as_set && self.link.is_some();
        answer.map(|answer| answer.text)
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
        plant.take_device_rails(&beat.rails)?;
    }
    plant.walk(call)?;
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
