//! One conversation with the agent: JSON-RPC 2.0, one JSON text a line, one call at a time.
//!
//! After any fault that is not an error answer the link is dead: a late answer would be taken for another one.

use super::messages::{RailReadings, Temperatures, fault_kind};
use super::process::AgentProcess;
use crate::command_log::CommandLog;
use crate::wire::{self, WireError};
use contract::{Call, DriverError, FaultKind, Part};
use plan::bench_file::{AgentConnection, AgentSpec};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, ErrorKind as Io, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant};

/// How often a waiting call looks at its deadline, the cancel token and the watch.
const SLICE: Duration = Duration::from_millis(20);
/// Time a cancelled call has to end by itself.
const CANCEL_LIMIT: Duration = Duration::from_millis(500);
/// Lines that may wait to be looked at.
const MOST_WAITING: usize = 64;

/// A sign of life during a call.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Heartbeat {
    /// Sensors by name, degC; empty where the agent does not say.
    pub sensors_degc: Vec<(String, f64)>,
    /// Rails that the device makes; empty where the agent does not say.
    pub rails: RailReadings,
}

enum Arrived {
    Line(String),
    TooLong,
    NotText,
    Closed(String),
}

/// Holds what has to be ended with the link.
enum Peer {
    Process(AgentProcess),
    Tcp(TcpStream),
}

/// A conversation.
pub struct AgentLink {
    writer: Box<dyn Write + Send>,
    lines: Receiver<Arrived>,
    peer: Peer,
    next: u64,
    heartbeat: Duration,
    log: CommandLog,
    dead: bool,
}

impl Drop for AgentLink {
    fn drop(&mut self) {
        if let Peer::Tcp(stream) = &self.peer {
            let _ = stream.shutdown(Shutdown::Both);
        }
    }
}

impl AgentLink {
    /// Connects to, or starts, the agent.
    ///
    /// # Errors
    /// It cannot be reached or started.
    pub fn open(spec: &AgentSpec, log: &CommandLog, limit: Duration) -> Result<AgentLink, DriverError> {
        let (sender, lines) = sync_channel(MOST_WAITING);
        let most = spec.most_line_bytes;
        let heartbeat = Duration::from_secs_f64(spec.heartbeat_s);
        let fault = |words: String| {
            DriverError::new(FaultKind::Communication, format!("agent: {words}")).at(Part::Agent)
        };
        let (writer, peer): (Box<dyn Write + Send>, Peer) = match &spec.connection {
            AgentConnection::Command(words) => {
                log.note("agent", '-', &format!("start {}", words.join(" ")));
                let kill_after = Duration::from_secs_f64(spec.kill_after_s);
                let (process, stdin, stdout) = AgentProcess::start(words, kill_after, log)
                    .map_err(|error| fault(format!("{}: {error}", words.join(" "))))?;
                std::thread::spawn(move || read_lines(stdout, most, &sender));
                (Box::new(stdin), Peer::Process(process))
            }
            AgentConnection::Tcp { address } => {
                log.note("agent", '-', &format!("open TCP {address}"));
                let stream = wire::connect(address, limit).map_err(|error| match error {
                    WireError::Closed(words) => fault(words),
                    other => fault(format!("{other:?}")),
                })?;
                let (reader, writer) = match (stream.try_clone(), stream.try_clone()) {
                    (Ok(reader), Ok(writer)) => (reader, writer),
                    (Err(error), _) | (_, Err(error)) => return Err(fault(error.to_string())),
                };
                std::thread::spawn(move || read_lines(reader, most, &sender));
                (Box::new(writer), Peer::Tcp(stream))
            }
        };
        Ok(AgentLink { writer, lines, peer, next: 1, heartbeat, log: log.clone(), dead: false })
    }

    /// Process number of the child, where the agent is one.
    pub fn process(&self) -> Option<u32> {
        match &self.peer {
            Peer::Process(process) => Some(process.id()),
            Peer::Tcp(_) => None,
        }
    }

    /// Is the link of no use any more?
    pub fn is_dead(&self) -> bool {
        self.dead
    }

    fn fail(&mut self, kind: FaultKind, words: impl std::fmt::Display) -> DriverError {
        self.dead = true;
        self.log.note("agent", '-', &format!("{}: {words}", kind.words()));
        DriverError::new(kind, format!("agent: {words}")).at(Part::Agent)
    }

    fn send(&mut self, message: &Value) -> Result<(), DriverError> {
        let mut line = message.to_string();
        self.log.note("agent", '>', &line);
        line.push('\n');
        self.writer
            .write_all(line.as_bytes())
            .and_then(|()| self.writer.flush())
            .map_err(|error| self.fail(FaultKind::Communication, format!("cannot be written to: {error}")))
    }

    /// Calls a method and waits for its answer. `idle` runs about every 20 ms and at each heartbeat; its error ends
    /// the call.
    ///
    /// # Errors
    /// The agent's own error; a time-out, a silence longer than the heartbeat, or an answer against the protocol,
    /// after which the link is dead.
    pub fn call<P: Serialize, R: DeserializeOwned>(
        &mut self,
        method: &str,
        parameters: &P,
        call: &Call,
        idle: &mut dyn FnMut(Option<&Heartbeat>) -> Result<(), DriverError>,
    ) -> Result<R, DriverError> {
        if self.dead {
            return Err(DriverError::new(FaultKind::Communication, "agent: the connection was given up")
                .at(Part::Agent));
        }
        let parameters = serde_json::to_value(parameters).map_err(|error| {
            DriverError::new(FaultKind::Protocol, format!("agent: {method}: {error}")).at(Part::Agent)
        })?;
        let id = self.next;
        self.next += 1;
        self.send(&json!({ "jsonrpc": "2.0", "id": id, "method": method, "params": parameters }))?;
        let result = self.wait(method, id, call, idle)?;
        serde_json::from_value(result)
            .map_err(|error| self.fail(FaultKind::Protocol, format!("the answer to `{method}`: {error}")))
    }

    fn wait(
        &mut self,
        method: &str,
        id: u64,
        call: &Call,
        idle: &mut dyn FnMut(Option<&Heartbeat>) -> Result<(), DriverError>,
    ) -> Result<Value, DriverError> {
        let mut heard = Instant::now();
        let mut cancelled: Option<Instant> = None;
        loop {
            match self.lines.recv_timeout(SLICE) {
                Ok(Arrived::Line(line)) => {
                    heard = Instant::now();
                    if let Some(result) = self.look_at(&line, method, id, idle)? {
                        return result;
                    }
                }
                Ok(Arrived::TooLong) => {
                    return Err(self.fail(
                        FaultKind::Protocol,
                        format!("a line longer than allowed in answer to `{method}`"),
                    ));
                }
                Ok(Arrived::NotText) => {
                    return Err(self.fail(
                        FaultKind::Protocol,
                        format!("a line that is no UTF-8 in answer to `{method}`"),
                    ));
                }
                Ok(Arrived::Closed(words)) => return Err(self.fail(FaultKind::Communication, words)),
                Err(RecvTimeoutError::Disconnected) => {
                    return Err(self.fail(FaultKind::Communication, "the connection ended"));
                }
                Err(RecvTimeoutError::Timeout) => {
                    if let Err(error) = idle(None) {
                        self.dead = true;
                        return Err(error);
                    }
                }
            }
            if call.cancel.is_cancelled() && cancelled.is_none() {
                cancelled = Some(Instant::now());
                self.send(&json!({ "jsonrpc": "2.0", "method": "cancel", "params": { "call": id } }))?;
            }
            if cancelled.is_some_and(|since| since.elapsed() > CANCEL_LIMIT) {
                return Err(self.fail(FaultKind::Cancelled, format!("`{method}` was cancelled")));
            }
            if Instant::now() > call.deadline {
                return Err(self.fail(FaultKind::TimeOut, format!("`{method}` took longer than allowed")));
            }
            if heard.elapsed() > self.heartbeat {
                let words =
                    format!("no sign of life for {:.1} s during `{method}`", self.heartbeat.as_secs_f64());
                return Err(self.fail(FaultKind::TimeOut, words));
            }
        }
    }

    /// `Ok(None)`: a notification. `Ok(Some(..))`: the answer, which may be the agent's own error.
    fn look_at(
        &mut self,
        line: &str,
        method: &str,
        id: u64,
        idle: &mut dyn FnMut(Option<&Heartbeat>) -> Result<(), DriverError>,
    ) -> Result<Option<Result<Value, DriverError>>, DriverError> {
        self.log.note("agent", '<', line);
        let Ok(Value::Object(mut message)) = serde_json::from_str::<Value>(line) else {
            return Err(self.fail(FaultKind::Protocol, format!("the answer to `{method}` is no JSON object")));
        };
        if message.get("jsonrpc").and_then(Value::as_str) != Some("2.0") {
            return Err(self.fail(FaultKind::Protocol, "an answer without `\"jsonrpc\": \"2.0\"`"));
        }
        if let Some(name) = message.get("method").and_then(Value::as_str) {
            if name == "heartbeat" {
                let beat = heartbeat(message.get("params"));
                if let Err(error) = idle(Some(&beat)) {
                    self.dead = true;
                    return Err(error);
                }
            }
            // Other notifications are free text for the log, where they are already.
            return Ok(None);
        }
        if message.get("id").and_then(Value::as_u64) != Some(id) {
            let found = message.get("id").map_or("none".into(), Value::to_string);
            return Err(self.fail(
                FaultKind::Protocol,
                format!("the answer to `{method}` has the id {found}, {id} expected"),
            ));
        }
        match (message.remove("result"), message.remove("error")) {
            (Some(result), None) => Ok(Some(Ok(result))),
            (None, Some(error)) => {
                let Some(number) = error.get("code").and_then(Value::as_i64) else {
                    return Err(self.fail(FaultKind::Protocol, "an error answer without a code"));
                };
                let words = error.get("message").and_then(Value::as_str).unwrap_or("no words");
                Ok(Some(Err(DriverError::new(
                    fault_kind(number),
                    format!("agent: `{method}`: {words} (code {number})"),
                ))))
            }
            _ => Err(self.fail(
                FaultKind::Protocol,
                format!("the answer to `{method}` has not exactly one of result and error"),
            )),
        }
    }
}

fn heartbeat(parameters: Option<&Value>) -> Heartbeat {
    let temperatures: Option<Temperatures> =
        parameters.and_then(|parameters| serde_json::from_value(parameters.clone()).ok());
    let rails = parameters.and_then(|parameters| serde_json::from_value(parameters.clone()).ok());
    Heartbeat {
        sensors_degc: temperatures.map(|known| known.sensors_degc.into_iter().collect()).unwrap_or_default(),
        rails: rails.unwrap_or_default(),
    }
}

/// Reads lines until the other end closes; every line is capped before it is parsed.
fn read_lines(source: impl Read, most: usize, sender: &SyncSender<Arrived>) {
    let mut reader = BufReader::with_capacity(64 << 10, source);
    let mut line: Vec<u8> = Vec::new();
    loop {
        let room = (most + 1).saturating_sub(line.len());
        let arrived = match reader.by_ref().take(room as u64).read_until(b'\n', &mut line) {
            Ok(0) => Arrived::Closed("the agent ended or closed the connection".into()),
            Ok(_) if line.last() == Some(&b'\n') => {
                line.pop();
                match String::from_utf8(std::mem::take(&mut line)) {
                    Ok(text) => Arrived::Line(text),
                    Err(_) => Arrived::NotText,
                }
            }
            Ok(_) if line.len() > most => Arrived::TooLong,
            Ok(_) => continue,
            // A TCP reader wakes now and then; what it has read so far stays in `line`.
            Err(error) if matches!(error.kind(), Io::WouldBlock | Io::TimedOut | Io::Interrupted) => continue,
            Err(error) => Arrived::Closed(format!("cannot be read from: {error}")),
        };
        let last = !matches!(arrived, Arrived::Line(_));
        if sender.send(arrived).is_err() || last {
            return;
        }
    }
}
