//! HiSLIP: an instrument over two TCP connections, messages with boundaries, a status byte beside them.
//!
//! Source: IVI-6.1 (HiSLIP) as implemented by public clients; the standard itself was not read. Synchronised mode, no locks, no encryption.

use super::wire::{MOST_ANSWER, Wire, WireError, connect, read_whole, text};
use std::io::Write;
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Message types.
const INITIALIZE: u8 = 0;
const INITIALIZE_RESPONSE: u8 = 1;
const FATAL_ERROR: u8 = 2;
const ERROR: u8 = 3;
const DATA: u8 = 6;
const DATA_END: u8 = 7;
const DEVICE_CLEAR_COMPLETE: u8 = 8;
const DEVICE_CLEAR_ACKNOWLEDGE: u8 = 9;
const ASYNC_INITIALIZE: u8 = 17;
const ASYNC_INITIALIZE_RESPONSE: u8 = 18;
const ASYNC_DEVICE_CLEAR: u8 = 19;
const ASYNC_STATUS_QUERY: u8 = 21;
const ASYNC_STATUS_RESPONSE: u8 = 22;
const ASYNC_DEVICE_CLEAR_ACKNOWLEDGE: u8 = 23;
/// Version 1.0, and a vendor of nobody.
const VERSION_AND_VENDOR: u32 = 0x0100_0000 | 0x5858;
/// Number of the first message, and the step from one to the next.
const FIRST: u32 = 0xffff_ff00;
const STEP: u32 = 2;
const HEADER: usize = 16;

/// A session with an instrument.
pub(super) struct Hislip {
    sync: TcpStream,
    side: TcpStream,
    next: u32,
    sent: u32,
    /// The answer before was received whole.
    delivered: bool,
}

struct Message {
    kind: u8,
    control: u8,
    parameter: u32,
    payload: Vec<u8>,
}

fn send(
    stream: &mut TcpStream,
    kind: u8,
    control: u8,
    parameter: u32,
    payload: &[u8],
) -> Result<(), WireError> {
    let mut bytes = Vec::with_capacity(HEADER + payload.len());
    bytes.extend_from_slice(b"HS");
    bytes.extend_from_slice(&[kind, control]);
    bytes.extend_from_slice(&parameter.to_be_bytes());
    bytes.extend_from_slice(&(payload.len() as u64).to_be_bytes());
    bytes.extend_from_slice(payload);
    stream.write_all(&bytes).map_err(|error| WireError::Closed(error.to_string()))
}

fn receive(stream: &mut TcpStream, deadline: Instant, stop: &dyn Fn() -> bool) -> Result<Message, WireError> {
    let garbled = |words: &str| WireError::Garbled(format!("HiSLIP: {words}"));
    let header = read_whole(stream, HEADER, deadline, stop)?;
    let word = |at: usize| u32::from_be_bytes([header[at], header[at + 1], header[at + 2], header[at + 3]]);
    if &header[..2] != b"HS" {
        return Err(garbled("a message that does not begin by HS; is another protocol spoken at this port?"));
    }
    let length = usize::try_from((u64::from(word(8)) << 32) | u64::from(word(12))).unwrap_or(usize::MAX);
    if length > MOST_ANSWER {
        return Err(garbled("a message longer than allowed"));
    }
    let payload = read_whole(stream, length, deadline, stop)?;
    let message = Message { kind: header[2], control: header[3], parameter: word(4), payload };
    if matches!(message.kind, FATAL_ERROR | ERROR) {
        let words = String::from_utf8_lossy(&message.payload).into_owned();
        return Err(garbled(&format!("the instrument reports error {}: {words}", message.control)));
    }
    Ok(message)
}

impl Hislip {
    /// Opens a session at an address with a sub-address such as `hislip0`, and clears the instrument's buffers.
    pub fn open(address: &str, device: &str, limit: Duration) -> Result<Hislip, WireError> {
        let deadline = Instant::now() + limit;
        let mut sync = connect(address, limit)?;
        send(&mut sync, INITIALIZE, 0, VERSION_AND_VENDOR, device.as_bytes())?;
        let session = expect(&mut sync, INITIALIZE_RESPONSE, deadline)?.parameter & 0xffff;
        let mut side = connect(address, limit)?;
        send(&mut side, ASYNC_INITIALIZE, 0, session, b"")?;
        expect(&mut side, ASYNC_INITIALIZE_RESPONSE, deadline)?;
        let mut own = Hislip { sync, side, next: FIRST, sent: FIRST, delivered: false };
        own.clear(deadline)?;
        Ok(own)
    }

    /// Device clear: what an earlier conversation left in its buffers is gone.
    fn clear(&mut self, deadline: Instant) -> Result<(), WireError> {
        send(&mut self.side, ASYNC_DEVICE_CLEAR, 0, 0, b"")?;
        expect(&mut self.side, ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, deadline)?;
        send(&mut self.sync, DEVICE_CLEAR_COMPLETE, 0, 0, b"")?;
        expect(&mut self.sync, DEVICE_CLEAR_ACKNOWLEDGE, deadline)?;
        (self.next, self.sent, self.delivered) = (FIRST, FIRST, false);
        Ok(())
    }
}

fn expect(stream: &mut TcpStream, kind: u8, deadline: Instant) -> Result<Message, WireError> {
    let message = receive(stream, deadline, &|| false)?;
    match message.kind == kind {
        true => Ok(message),
        false => {
            Err(WireError::Garbled(format!("HiSLIP: message type {} where {kind} belongs", message.kind)))
        }
    }
}

impl Wire for Hislip {
    fn send(&mut self, bytes: &[u8]) -> Result<(), WireError> {
        let delivered = u8::from(std::mem::replace(&mut self.delivered, false));
        self.sent = self.next;
        self.next = self.next.wrapping_add(STEP);
        send(&mut self.sync, DATA_END, delivered, self.sent, bytes)
    }

    fn receive(&mut self, deadline: Instant, stop: &dyn Fn() -> bool) -> Result<String, WireError> {
        let mut answer = Vec::new();
        loop {
            let message = receive(&mut self.sync, deadline, stop)?;
            if !matches!(message.kind, DATA | DATA_END) {
                continue;
            }
            if message.parameter != self.sent && message.parameter != u32::MAX {
                return Err(WireError::Garbled("HiSLIP: an answer to another question".into()));
            }
            answer.extend_from_slice(&message.payload);
            if answer.len() > MOST_ANSWER {
                return Err(WireError::Garbled(format!("an answer of more than {MOST_ANSWER} bytes")));
            }
            if message.kind == DATA_END {
                self.delivered = true;
                return text(&answer);
            }
        }
    }

    fn status_byte(&mut self, deadline: Instant) -> Option<u8> {
        send(&mut self.side, ASYNC_STATUS_QUERY, u8::from(self.delivered), self.sent, b"").ok()?;
        expect(&mut self.side, ASYNC_STATUS_RESPONSE, deadline).ok().map(|message| message.control)
    }
}
