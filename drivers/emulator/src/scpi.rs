//! The emulated instruments' side of the wire: IEEE 488.2 common commands and a few SCPI subsystems, over TCP.

use super::faults::Fault;
use super::mishaps::Fate;
use super::world::{Probe, World};
use std::collections::VecDeque;
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Which emulated instrument answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Temperature chamber.
    Chamber,
    /// Supply with several outputs.
    Supply,
    /// Meter with a scanner.
    Meter,
    /// Power switch of the board.
    Switch,
}

impl Kind {
    fn identity(self) -> &'static str {
        match self {
            Kind::Chamber => "NIGHTBENCH,EMULATED CHAMBER,EC-0001,1.0",
            Kind::Supply => "NIGHTBENCH,EMULATED SUPPLY,EP-0001,1.0",
            Kind::Meter => "NIGHTBENCH,EMULATED METER,EM-0001,1.0",
            Kind::Switch => "NIGHTBENCH,EMULATED SWITCH,ES-0001,1.0",
        }
    }
}

/// Longest message the parser keeps, bytes.
const MOST_MESSAGE: usize = 4096;
/// Longest error queue; its last slot becomes -350.
const MOST_ERRORS: usize = 10;

/// State of one connection's parser. The error queue belongs to the instrument in the standard; each of these
/// instruments serves one controller at a time, so it is kept with the connection.
pub(super) struct Parser {
    kind: Kind,
    world: Arc<Mutex<World>>,
    errors: VecDeque<(i32, String)>,
    selected: usize,
    event_status: u8,
}

/// Serves one connection until it closes or `stop` says so.
pub fn serve(mut stream: TcpStream, kind: Kind, world: Arc<Mutex<World>>, stop: &dyn Fn() -> bool) {
    let ready =
        stream.set_nodelay(true).and_then(|()| stream.set_read_timeout(Some(Duration::from_millis(20))));
    if ready.is_err() {
        return;
    }
    let mut parser = Parser::new(kind, world);
    let mut buffer: Vec<u8> = Vec::new();
    let mut chunk = [0u8; 1024];
    while !stop() {
        match stream.read(&mut chunk) {
            Ok(0) => return,
            Ok(count) => buffer.extend_from_slice(&chunk[..count]),
            Err(error)
                if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
            Err(_) => return,
        }
        while let Some(at) = buffer.iter().position(|byte| *byte == b'\n') {
            let line: Vec<u8> = buffer.drain(..=at).collect();
            let line = String::from_utf8_lossy(&line);
            let unheard = parser.world(|world| {
                let deaf = world.deaf.contains(&kind);
                world.unanswered += u32::from(deaf || world.silent.contains(&kind));
                deaf
            });
            if unheard {
                continue;
            }
            let fate = parser.world(|world| world.mishaps.of(line.trim()));
            let answer = match fate {
                Fate::Lost => continue,
                Fate::Heard => parser.message(line.trim()),
                Fate::Answered(text) => parser.message(line.trim()).map(|_| text),
            };
            let Some(answer) = answer else { continue };
            let (silent, hung_up) =
                parser.world(|world| (world.silent.contains(&kind), world.hung_up.contains(&kind)));
            if hung_up {
                return;
            }
            if silent {
                continue;
            }
            match parser.fault(&line) {
                None => {
                    if stream.write_all(format!("{answer}\n").as_bytes()).is_err() {
                        return;
                    }
                }
                Some(Fault::NoAnswer) => {}
                Some(Fault::Garbage) => {
                    if stream.write_all(b"%&#?\n").is_err() {
                        return;
                    }
                }
                Some(Fault::Partial) => {
                    let half = answer.len() / 2;
                    if stream.write_all(&answer.as_bytes()[..half]).is_err() {
                        return;
                    }
                }
                Some(Fault::NotANumber) => {
                    if stream.write_all(b"9.91E+37\n").is_err() {
                        return;
                    }
                }
                Some(Fault::Disconnect) => return,
                Some(other) => {
                    parser.suffer(other);
                    if stream.write_all(format!("{answer}\n").as_bytes()).is_err() {
                        return;
                    }
                }
            }
        }
        if buffer.len() > MOST_MESSAGE {
            buffer.clear();
            parser.error(-363, "Input buffer overrun");
        }
    }
}

impl Parser {
    /// For one connection to an instrument.
    pub(super) fn new(kind: Kind, world: Arc<Mutex<World>>) -> Parser {
        Parser { kind, world, errors: VecDeque::new(), selected: 0, event_status: 0 }
    }

    /// The status byte: bit 2 for the error queue, bit 4 for an answer that waits.
    pub(super) fn status(&self, answer_waits: bool) -> u8 {
        u8::from(!self.errors.is_empty()) << 2 | u8::from(answer_waits) << 4
    }

    fn world<R>(&self, action: impl FnOnce(&mut World) -> R) -> R {
        let mut world = self.world.lock().unwrap_or_else(PoisonError::into_inner);
        world.advance();
        action(&mut world)
    }

    fn fault(&self, message: &str) -> Option<Fault> {
        let follows_set_point = message.to_ascii_uppercase().contains("SPO?");
        let mut possible = Fault::OF_ANSWERS.to_vec();
        match self.kind {
            Kind::Supply => possible.extend([Fault::Trip, Fault::StuckOn]),
            Kind::Chamber if follows_set_point => possible.push(Fault::NeverReached),
            Kind::Chamber | Kind::Meter | Kind::Switch => {}
        }
        self.world(|world| world.weather.next(&possible))
    }

    fn suffer(&mut self, fault: Fault) {
        if fault == Fault::ErrorEntry {
            self.error(-222, "Data out of range");
        } else {
            self.world(|world| world.suffer(fault));
        }
    }

    fn error(&mut self, code: i32, words: &str) {
        // Error classes set their bit of the event status register (IEEE 488.2).
        self.event_status |= match code {
            -199..=-100 => 1 << 5,
            -299..=-200 => 1 << 4,
            -399..=-300 => 1 << 3,
            _ => 1 << 2,
        };
        if self.errors.len() == MOST_ERRORS {
            if let Some(last) = self.errors.back_mut() {
                *last = (-350, "Queue overflow".into());
            }
        } else {
            self.errors.push_back((code, words.into()));
        }
    }

    /// Runs a message of several commands separated by `;`; the answers are joined the same way.
    pub(super) fn message(&mut self, text: &str) -> Option<String> {
        let mut answers = String::new();
        for part in text.split(';').map(str::trim).filter(|part| !part.is_empty()) {
            if let Some(answer) = self.command(part) {
                if !answers.is_empty() {
                    answers.push(';');
                }
                let _ = write!(answers, "{answer}");
            }
        }
        (!answers.is_empty()).then_some(answers)
    }

    fn command(&mut self, text: &str) -> Option<String> {
        let (header, argument) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
        let header = header.trim_start_matches(':').to_ascii_uppercase();
        let argument = argument.trim();
        match header.as_str() {
            "*IDN?" => return Some(self.kind.identity().into()),
            "*CLS" => {
                self.errors.clear();
                self.event_status = 0;
                return None;
            }
            "*ESR?" => return Some(std::mem::take(&mut self.event_status).to_string()),
            "*ESE" | "*SRE" | "*WAI" | "*OPC" => return None,
            "*ESE?" | "*SRE?" | "*TST?" => return Some("0".into()),
            "*STB?" => return Some(if self.errors.is_empty() { "0" } else { "4" }.into()),
            "*OPC?" => return Some("1".into()),
            "*RST" => {
                self.reset();
                return None;
            }
            "SYST:ERR?" | "SYSTEM:ERROR?" | "SYST:ERR:NEXT?" => {
                let (code, words) = self.errors.pop_front().unwrap_or((0, "No error".into()));
                return Some(format!("{code:+},\"{words}\"").replace("+0,", "0,"));
            }
            "SYST:VERS?" => return Some("1999.0".into()),
            _ => {}
        }
        let answer = match self.kind {
            Kind::Chamber => self.chamber(&header, argument),
            Kind::Supply => self.supply(&header, argument),
            Kind::Meter => self.meter(&header, argument),
            Kind::Switch => self.power_switch(&header, argument),
        };
        answer.unwrap_or_else(|(code, words)| {
            self.error(code, words);
            None
        })
    }

    fn reset(&mut self) {
        self.selected = 0;
        match self.kind {
            Kind::Supply => self.world(|world| {
                for index in 0..world.outputs.len() {
                    world.switch_output(index, false);
                }
            }),
            Kind::Chamber => self.world(|world| {
                world.set_chamber(super::AMBIENT);
                world.switch_chamber(false);
            }),
            Kind::Switch => self.world(|world| world.switch = Some(false)),
            Kind::Meter => {}
        }
    }

    fn power_switch(&mut self, header: &str, argument: &str) -> Answer {
        match header {
            "OUTP" => {
                let on = switch(argument)?;
                self.world(|world| world.switch = Some(on || world.switch_stuck));
                Ok(None)
            }
            "OUTP?" => Ok(Some(u8::from(self.world(|world| world.switch == Some(true))).to_string())),
            _ => Err((-113, "Undefined header")),
        }
    }

    fn chamber(&mut self, header: &str, argument: &str) -> Answer {
        match header {
            "SOUR:TEMP:SPO" | "TEMP:SPO" => {
                let value = number(argument, -80.0, 200.0)?;
                self.world(|world| world.set_chamber(value));
                Ok(None)
            }
            "SOUR:TEMP:SPO?" | "TEMP:SPO?" => Ok(Some(format!("{:.3}", self.world(|world| world.set_point)))),
            "MEAS:TEMP?" => {
                Ok(Some(format!("{:.3}", self.world(|world| world.tell_temperature(Probe::Chamber)))))
            }
            "OUTP" => {
                let on = switch(argument)?;
                self.world(|world| world.switch_chamber(on));
                Ok(None)
            }
            "OUTP?" => Ok(Some(u8::from(self.world(|world| world.conditioning)).to_string())),
            "DOOR?" => Ok(Some(u8::from(self.world(|world| world.door_closed)).to_string())),
            _ => Err((-113, "Undefined header")),
        }
    }

    fn supply(&mut self, header: &str, argument: &str) -> Answer {
        let at = self.selected;
        if header == "INST:NSEL" {
            let count = self.world(|world| world.outputs.len());
            let wanted = number(argument, 1.0, count as f64)?;
            self.selected = wanted as usize - 1;
            return Ok(None);
        }
        if header == "INST:NSEL?" {
            return Ok(Some((at + 1).to_string()));
        }
        let output = |world: &mut World| world.outputs.get(at).copied();
        let Some(now) = self.world(output) else { return Err((-241, "Hardware missing")) };
        let mut next = now;
        let answer = match header {
            "VOLT" | "SOUR:VOLT" => {
                let volts = number(argument, 0.0, 6.0)?;
                if volts > now.over_voltage {
                    return Err((-221, "Settings conflict"));
                }
                // A stuck output keeps its voltage, too; a register takes the number all the same.
                if !now.stuck {
                    next.volts = volts;
                }
                None
            }
            "VOLT?" | "SOUR:VOLT?" => Some(format!("{:.4}", now.volts)),
            "CURR" | "SOUR:CURR" => {
                next.amperes = number(argument, 0.0, 20.0)?;
                None
            }
            "CURR?" | "SOUR:CURR?" => Some(format!("{:.4}", now.amperes)),
            "VOLT:PROT" => {
                next.over_voltage = number(argument, 0.1, 7.0)?;
                None
            }
            "VOLT:PROT?" => Some(format!("{:.4}", now.over_voltage)),
            "VOLT:PROT:TRIP?" => Some(u8::from(now.tripped).to_string()),
            "VOLT:PROT:CLE" | "OUTP:PROT:CLE" => {
                next.tripped = false;
                None
            }
            "OUTP" | "OUTP:STAT" => {
                let on = switch(argument)?;
                self.world(|world| world.switch_output(at, on));
                return Ok(None);
            }
            "OUTP:TIM" => {
                let seconds = number(argument, 0.0, 1e6)?;
                self.world(|world| {
                    let off_at_s = world.now_s() + seconds * world.scale;
                    if let Some(slot) = world.off_at_s.get_mut(at) {
                        *slot = Some(off_at_s);
                    }
                });
                return Ok(None);
            }
            "OUTP?" | "OUTP:STAT?" => {
                let says = self.world(|world| world.says_on);
                Some(u8::from(says.unwrap_or(now.on || now.stuck)).to_string())
            }
            "MEAS:VOLT?" => Some(format!("{:.4}", self.world(|world| world.tell_volts(at, Kind::Supply)))),
            "MEAS:CURR?" => Some(format!("{:.4}", self.world(|world| world.read_amperes(at)))),
            _ => return Err((-113, "Undefined header")),
        };
        if !header.ends_with('?') {
            self.world(|world| {
                if let Some(slot) = world.outputs.get_mut(at) {
                    *slot = next;
                }
            });
        }
        Ok(answer)
    }

    fn meter(&mut self, header: &str, argument: &str) -> Answer {
        match header {
            "MEAS:VOLT?" | "MEAS:VOLT:DC?" => {
                let channel = argument.trim_start_matches("(@").trim_end_matches(')');
                let channel = if channel.is_empty() { 1.0 } else { number(channel, 1.0, 99.0)? };
                let volts = self.world(|world| world.tell_volts(channel as usize - 1, Kind::Meter));
                Ok(Some(format!("{volts:+.6E}")))
            }
            "MEAS:TEMP?" => {
                Ok(Some(format!("{:.3}", self.world(|world| world.tell_temperature(Probe::Air)))))
            }
            _ => Err((-113, "Undefined header")),
        }
    }
}

type Answer = Result<Option<String>, (i32, &'static str)>;

fn number(text: &str, low: f64, high: f64) -> Result<f64, (i32, &'static str)> {
    if text.is_empty() {
        return Err((-109, "Missing parameter"));
    }
    let value: f64 = text.parse().map_err(|_| (-104, "Data type error"))?;
    if (low..=high).contains(&value) { Ok(value) } else { Err((-222, "Data out of range")) }
}

fn switch(text: &str) -> Result<bool, (i32, &'static str)> {
    match text.to_ascii_uppercase().as_str() {
        "1" | "ON" => Ok(true),
        "0" | "OFF" => Ok(false),
        "" => Err((-109, "Missing parameter")),
        _ => Err((-224, "Illegal parameter value")),
    }
}
