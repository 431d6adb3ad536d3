//! VXI-11: an instrument, or one behind a GPIB gateway, over ONC remote procedure calls.
//!
//! Source: RFC 5531 (RPC), RFC 4506 (XDR), RFC 1833 (port mapper); the VXI-11 procedures as implemented by public clients, the standard
//! itself was not read. Core channel only: no locks, no interrupts.

use super::wire::{MOST_ANSWER, Wire, WireError, connect, read_whole, text};
use std::io::Write;
use std::net::TcpStream;
use std::time::{Duration, Instant};

const CORE: (u32, u32) = (0x0006_07af, 1);
const PORT_MAPPER: (u32, u32) = (100_000, 2);
const PORT_MAPPER_PORT: u16 = 111;
const GET_PORT: u32 = 3;
const TCP: u32 = 6;
/// Procedures of the core channel.
const CREATE_LINK: u32 = 10;
const DEVICE_WRITE: u32 = 11;
const DEVICE_READ: u32 = 12;
const DEVICE_READ_STATUS: u32 = 13;
const DEVICE_CLEAR: u32 = 15;
const DESTROY_LINK: u32 = 23;
/// Flag of a write: the message ends here. Reasons of a read to end: a character, the end.
const END_OF_WRITE: u32 = 8;
const ENDED: u32 = 2 | 4;
/// The mark of a record's last fragment.
const LAST: u32 = 0x8000_0000;
/// The instrument's own time-out ends before ours.
const EARLIER: Duration = Duration::from_millis(50);
/// Error of the instrument: nothing came in time.
const TIMED_OUT: u32 = 15;

/// A link to an instrument.
pub(super) struct Vxi11 {
    rpc: Rpc,
    link: u32,
}

struct Rpc {
    stream: TcpStream,
    of: (u32, u32),
    next: u32,
}

/// Results of a call, taken off in order.
struct Results(Vec<u8>, usize);

impl Results {
    fn word(&mut self) -> Result<u32, WireError> {
        let bytes = self.0.get(self.1..self.1 + 4).ok_or_else(|| garbled("an answer that ends too early"))?;
        self.1 += 4;
        Ok(u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]))
    }

    fn bytes(&mut self) -> Result<Vec<u8>, WireError> {
        let length = self.word()? as usize;
        let bytes = self.0.get(self.1..self.1.saturating_add(length));
        let bytes = bytes.ok_or_else(|| garbled("an answer that ends too early"))?.to_vec();
        self.1 += length.next_multiple_of(4);
        Ok(bytes)
    }
}

fn garbled(words: &str) -> WireError {
    WireError::Garbled(format!("VXI-11: {words}"))
}

fn opaque(into: &mut Vec<u8>, bytes: &[u8]) {
    into.extend_from_slice(&(bytes.len() as u32).to_be_bytes());
    into.extend_from_slice(bytes);
    into.resize(into.len().next_multiple_of(4), 0);
}

fn words(values: &[u32]) -> Vec<u8> {
    values.iter().flat_map(|value| value.to_be_bytes()).collect()
}

impl Rpc {
    fn call(
        &mut self,
        procedure: u32,
        parameters: &[u8],
        deadline: Instant,
        stop: &dyn Fn() -> bool,
    ) -> Result<Results, WireError> {
        let id = self.next;
        self.next = self.next.wrapping_add(1);
        // Call, RPC version 2, no credentials.
        let mut body = words(&[id, 0, 2, self.of.0, self.of.1, procedure, 0, 0, 0, 0]);
        body.extend_from_slice(parameters);
        let mut record = words(&[LAST | body.len() as u32]);
        record.extend_from_slice(&body);
        self.stream.write_all(&record).map_err(|error| WireError::Closed(error.to_string()))?;
        let mut answer = Vec::new();
        loop {
            let mut mark = Results(read_whole(&mut self.stream, 4, deadline, stop)?, 0);
            let mark = mark.word()?;
            let length = (mark & !LAST) as usize;
            if answer.len() + length > 2 * MOST_ANSWER {
                return Err(garbled("an answer longer than allowed"));
            }
            answer.extend(read_whole(&mut self.stream, length, deadline, stop)?);
            if mark & LAST != 0 {
                break;
            }
        }
        let mut results = Results(answer, 0);
        if results.word()? != id || results.word()? != 1 {
            return Err(garbled("an answer to another call"));
        }
        if results.word()? != 0 {
            return Err(garbled("the call was denied"));
        }
        results.word()?;
        results.bytes()?;
        match results.word()? {
            0 => Ok(results),
            1 | 2 => Err(garbled("no instrument of this protocol answers there")),
            other => Err(garbled(&format!("the call was not understood (state {other})"))),
        }
    }
}

impl Vxi11 {
    /// Opens a link: `host:port` at once, `host` by its port mapper; `device` such as `inst0`, or `gpib0,5` behind a gateway. The
    /// instrument's buffers are cleared.
    pub fn open(address: &str, device: &str, limit: Duration) -> Result<Vxi11, WireError> {
        let deadline = Instant::now() + limit;
        let never = || false;
        let with_port = address.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok());
        let address = if with_port {
            address.to_string()
        } else {
            let stream = connect(&format!("{address}:{PORT_MAPPER_PORT}"), limit)?;
            let mut mapper = Rpc { stream, of: PORT_MAPPER, next: 1 };
            let port = mapper.call(GET_PORT, &words(&[CORE.0, CORE.1, TCP, 0]), deadline, &never)?.word()?;
            if port == 0 {
                return Err(WireError::Closed(format!(
                    "{address}: its port mapper knows no VXI-11 instrument"
                )));
            }
            format!("{address}:{port}")
        };
        let mut rpc = Rpc { stream: connect(&address, limit)?, of: CORE, next: 1 };
        let mut parameters = words(&[std::process::id(), 0, 0]);
        opaque(&mut parameters, device.as_bytes());
        let mut results = rpc.call(CREATE_LINK, &parameters, deadline, &never)?;
        succeeded(results.word()?)?;
        let mut own = Vxi11 { link: results.word()?, rpc };
        let clear = words(&[own.link, 0, 0, milliseconds(deadline)]);
        succeeded(own.rpc.call(DEVICE_CLEAR, &clear, deadline, &never)?.word()?)?;
        Ok(own)
    }
}

impl Drop for Vxi11 {
    fn drop(&mut self) {
        let soon = Instant::now() + EARLIER;
        let _ = self.rpc.call(DESTROY_LINK, &words(&[self.link]), soon, &|| false);
    }
}

/// Time to a deadline as the instrument is told it.
fn milliseconds(deadline: Instant) -> u32 {
    let left = deadline.saturating_duration_since(Instant::now() + EARLIER);
    u32::try_from(left.as_millis()).unwrap_or(u32::MAX)
}

fn succeeded(error: u32) -> Result<(), WireError> {
    match error {
        0 => Ok(()),
        TIMED_OUT => Err(WireError::TimeOut(Vec::new())),
        3 => {
            Err(WireError::Closed("VXI-11 error 3: the device behind this address cannot be reached".into()))
        }
        other => Err(WireError::Garbled(format!("VXI-11 error {other}"))),
    }
}

impl Wire for Vxi11 {
    fn send(&mut self, bytes: &[u8]) -> Result<(), WireError> {
        let deadline = Instant::now() + Duration::from_secs(2);
        let mut parameters = words(&[self.link, milliseconds(deadline), 0, END_OF_WRITE]);
        opaque(&mut parameters, bytes);
        let mut results = self.rpc.call(DEVICE_WRITE, &parameters, deadline, &|| false)?;
        succeeded(results.word()?)?;
        match results.word()? as usize == bytes.len() {
            true => Ok(()),
            false => Err(garbled("a message was taken in part")),
        }
    }

    fn receive(&mut self, deadline: Instant, stop: &dyn Fn() -> bool) -> Result<String, WireError> {
        let mut answer = Vec::new();
        loop {
            let parameters = words(&[self.link, MOST_ANSWER as u32, milliseconds(deadline), 0, 0, 0]);
            let mut results = self.rpc.call(DEVICE_READ, &parameters, deadline, stop)?;
            match results.word()? {
                TIMED_OUT => return Err(WireError::TimeOut(answer)),
                error => succeeded(error)?,
            }
            let reason = results.word()?;
            answer.extend(results.bytes()?);
            if answer.len() > MOST_ANSWER {
                return Err(WireError::Garbled(format!("an answer of more than {MOST_ANSWER} bytes")));
            }
            if reason & ENDED != 0 {
                return text(&answer);
            }
        }
    }

    fn status_byte(&mut self, deadline: Instant) -> Option<u8> {
        let parameters = words(&[self.link, 0, 0, milliseconds(deadline)]);
        let mut results = self.rpc.call(DEVICE_READ_STATUS, &parameters, deadline, &|| false).ok()?;
        succeeded(results.word().ok()?).ok()?;
        results.word().ok().map(|status| (status & 0xff) as u8)
    }
}
