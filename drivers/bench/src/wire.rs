//! Ways to an instrument: raw TCP, HiSLIP, VXI-11, a serial line, a USB test-and-measurement device file.
//!
//! A wire sends one message and receives one answer up to its terminator, with one time-out for the whole answer
//! and a cap on its length. After any error it must be dropped and opened again: a late answer would be taken for
//! the answer to the next question.

use plan::bench_file::Transport;
use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind as Io, Read, Write};
use std::net::{SocketAddr, TcpStream, ToSocketAddrs};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Longest answer of an instrument, bytes.
pub const MOST_ANSWER: usize = 64 << 10;
/// How often a waiting read looks whether it should stop.
const SLICE: Duration = Duration::from_millis(20);

/// What went wrong on a wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WireError {
    /// No whole answer in time; what came of it.
    TimeOut(Vec<u8>),
    /// The other end is gone or cannot be reached.
    Closed(String),
    /// The answer is longer than allowed, or no text, or more than was asked for.
    Garbled(String),
    /// Asked to stop.
    Stopped,
}

/// An open connection.
pub trait Wire: Send {
    /// Sends bytes.
    ///
    /// # Errors
    /// The other end is gone, or a stale answer waits.
    fn send(&mut self, bytes: &[u8]) -> Result<(), WireError>;

    /// Receives one answer, without its terminator.
    ///
    /// # Errors
    /// See [`WireError`]; the wire is of no use afterwards.
    fn receive(&mut self, deadline: Instant, stop: &dyn Fn() -> bool) -> Result<String, WireError>;

    /// The instrument's status byte (IEEE 488.2), where the way has one beside its messages.
    fn status_byte(&mut self, _deadline: Instant) -> Option<u8> {
        None
    }
}

/// Opens a wire.
///
/// # Errors
/// It cannot be opened within the limit.
pub fn open(transport: &Transport, terminator: &str, limit: Duration) -> Result<Box<dyn Wire>, WireError> {
    let end = terminator.bytes().last().unwrap_or(b'\n');
    match transport {
        Transport::Tcp { address } => {
            let stream = connect(address, limit)?;
            Ok(Box::new(Stream { port: stream, end, buffer: Vec::new() }))
        }
        Transport::Hislip { address, device } => {
            Ok(Box::new(super::hislip::Hislip::open(address, device, limit)?))
        }
        Transport::Vxi11 { address, device } => {
            Ok(Box::new(super::vxi11::Vxi11::open(address, device, limit)?))
        }
        Transport::Serial { path, baud } => {
            // Exclusive by default on this system; what arrived before is another conversation.
            let port = serialport::new(path, *baud)
                .timeout(SLICE)
                .open_native()
                .map_err(|error| WireError::Closed(format!("{path}: {error}")))?;
            serialport::SerialPort::clear(&port, serialport::ClearBuffer::All)
                .map_err(|error| WireError::Closed(format!("{path}: {error}")))?;
            Ok(Box::new(Stream { port, end, buffer: Vec::new() }))
        }
        Transport::Usbtmc { path } => {
            let file = OpenOptions::new()
                .read(true)
                .write(true)
                .open(path)
                .map_err(|error| WireError::Closed(format!("{path}: {error}")))?;
            Ok(Box::new(DeviceFile { file }))
        }
    }
}

/// Where a host and port lead, as this process found it first: what was locked is what is spoken to, and a name server that fails
/// later keeps nobody from switching off.
///
/// # Errors
/// The name leads nowhere.
pub(super) fn resolve(address: &str) -> std::io::Result<Vec<SocketAddr>> {
    static KNOWN: Mutex<BTreeMap<String, Vec<SocketAddr>>> = Mutex::new(BTreeMap::new());
    let known = || KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(places) = known().get(address) {
        return Ok(places.clone());
    }
    let places: Vec<SocketAddr> = address.to_socket_addrs()?.collect();
    if places.is_empty() {
        return Err(std::io::Error::new(Io::NotFound, "no such host"));
    }
    known().insert(address.to_string(), places.clone());
    Ok(places)
}

/// Connects a TCP stream that reads in slices.
pub(super) fn connect(address: &str, limit: Duration) -> Result<TcpStream, WireError> {
    let closed = |error: std::io::Error| WireError::Closed(format!("{address}: {error}"));
    let mut last = WireError::Closed(format!("{address}: no such host"));
    for place in resolve(address).map_err(closed)? {
        match TcpStream::connect_timeout(&place, limit) {
            Ok(stream) => {
                stream.set_nodelay(true).map_err(closed)?;
                stream.set_read_timeout(Some(SLICE)).map_err(closed)?;
                stream.set_write_timeout(Some(limit)).map_err(closed)?;
                return Ok(stream);
            }
            Err(error) => last = closed(error),
        }
    }
    Err(last)
}

/// A byte stream without message boundaries.
struct Stream<P> {
    port: P,
    end: u8,
    buffer: Vec<u8>,
}

impl<P: Read + Write + Send> Wire for Stream<P> {
    fn send(&mut self, bytes: &[u8]) -> Result<(), WireError> {
        if !self.buffer.is_empty() {
            return Err(WireError::Garbled("an answer that nobody asked for was waiting".into()));
        }
        self.port
            .write_all(bytes)
            .and_then(|()| self.port.flush())
            .map_err(|error| WireError::Closed(error.to_string()))
    }

    fn receive(&mut self, deadline: Instant, stop: &dyn Fn() -> bool) -> Result<String, WireError> {
        let mut chunk = [0u8; 4096];
        loop {
            if let Some(at) = self.buffer.iter().position(|byte| *byte == self.end) {
                let line: Vec<u8> = self.buffer.drain(..=at).collect();
                return text(&line);
            }
            if self.buffer.len() > MOST_ANSWER {
                return Err(WireError::Garbled(format!("an answer of more than {MOST_ANSWER} bytes")));
            }
            if stop() {
                return Err(WireError::Stopped);
            }
            if Instant::now() >= deadline {
                return Err(WireError::TimeOut(std::mem::take(&mut self.buffer)));
            }
            match self.port.read(&mut chunk) {
                Ok(0) => return Err(WireError::Closed("the other end closed the connection".into())),
                Ok(count) => self.buffer.extend_from_slice(&chunk[..count]),
                Err(error) if matches!(error.kind(), Io::WouldBlock | Io::TimedOut | Io::Interrupted) => {}
                Err(error) => return Err(WireError::Closed(error.to_string())),
            }
        }
    }
}

/// A device file: each read gives one whole answer.
struct DeviceFile {
    file: File,
}

impl Wire for DeviceFile {
    fn send(&mut self, bytes: &[u8]) -> Result<(), WireError> {
        self.file.write_all(bytes).map_err(|error| WireError::Closed(error.to_string()))
    }

    fn receive(&mut self, deadline: Instant, stop: &dyn Fn() -> bool) -> Result<String, WireError> {
        let mut file = self.file.try_clone().map_err(|error| WireError::Closed(error.to_string()))?;
        let (sender, receiver) = channel();
        // The kernel's read has a time-out of its own, which may be longer than ours: it waits on a thread.
        std::thread::spawn(move || {
            let mut answer = vec![0u8; MOST_ANSWER];
            let read = file.read(&mut answer).map(|count| {
                answer.truncate(count);
                answer
            });
            let _ = sender.send(read);
        });
        loop {
            match receiver.recv_timeout(SLICE) {
                Ok(Ok(bytes)) if bytes.is_empty() => {
                    return Err(WireError::Closed("the device is gone".into()));
                }
                Ok(Ok(bytes)) => return text(&bytes),
                Ok(Err(error)) if error.kind() == Io::TimedOut => return Err(WireError::TimeOut(Vec::new())),
                Ok(Err(error)) => return Err(WireError::Closed(error.to_string())),
                Err(RecvTimeoutError::Disconnected) => {
                    return Err(WireError::Closed("the reading thread ended".into()));
                }
                Err(RecvTimeoutError::Timeout) if stop() => return Err(WireError::Stopped),
                Err(RecvTimeoutError::Timeout) if Instant::now() >= deadline => {
                    return Err(WireError::TimeOut(Vec::new()));
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }
}

/// Reads so many bytes of a stream that reads in slices.
pub(super) fn read_whole(
    stream: &mut TcpStream,
    length: usize,
    deadline: Instant,
    stop: &dyn Fn() -> bool,
) -> Result<Vec<u8>, WireError> {
    let mut bytes = vec![0; length];
    let mut have = 0;
    while have < length {
        if stop() {
            return Err(WireError::Stopped);
        }
        if Instant::now() >= deadline {
            bytes.truncate(have);
            return Err(WireError::TimeOut(bytes));
        }
        match stream.read(&mut bytes[have..]) {
            Ok(0) => return Err(WireError::Closed("the other end closed the connection".into())),
            Ok(count) => have += count,
            Err(error) if matches!(error.kind(), Io::WouldBlock | Io::TimedOut | Io::Interrupted) => {}
            Err(error) => return Err(WireError::Closed(error.to_string())),
        }
    }
    Ok(bytes)
}

pub(super) fn text(bytes: &[u8]) -> Result<String, WireError> {
    let line = std::str::from_utf8(bytes)
        .map_err(|_| WireError::Garbled("an answer that is no text".into()))?
        .trim_end_matches(['\n', '\r']);
    if line.chars().any(|letter| letter.is_control() && letter != '\t') {
        return Err(WireError::Garbled("an answer with control characters".into()));
    }
    Ok(line.to_string())
}
