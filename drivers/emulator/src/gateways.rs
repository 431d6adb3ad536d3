//! The emulated supply behind HiSLIP and VXI-11, for checks by clients of others and by our own. As much of both as a controller without
//! locks, triggers and interrupts needs.

use super::scpi::{Kind, Parser};
use super::world::World;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};

/// An instrument's state of one session: its parser and the answer that waits.
struct Session {
    parser: Parser,
    answer: Option<Vec<u8>>,
}

impl Session {
    fn new(world: &Arc<Mutex<World>>) -> Session {
        Session { parser: Parser::new(Kind::Supply, Arc::clone(world)), answer: None }
    }

    fn take(&mut self, message: &[u8]) {
        let text = String::from_utf8_lossy(message).into_owned();
        self.answer = self.parser.message(text.trim()).map(|answer| format!("{answer}\n").into_bytes());
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Listens on loopback and serves each connection on a thread of its own; they end with the program.
fn listen(serve: impl Fn(TcpStream) + Send + Sync + 'static) -> std::io::Result<SocketAddr> {
    let listener = TcpListener::bind("127.0.0.1:0")?;
    let address = listener.local_addr()?;
    let serve = Arc::new(serve);
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let serve = Arc::clone(&serve);
            std::thread::spawn(move || serve(stream));
        }
    });
    Ok(address)
}

/// The supply behind HiSLIP (IVI-6.1).
///
/// # Errors
/// No port can be had.
pub fn hislip(world: Arc<Mutex<World>>) -> std::io::Result<SocketAddr> {
    let sessions: Arc<Mutex<Vec<Arc<Mutex<Session>>>>> = Arc::default();
    listen(move |mut stream| {
        let mut session: Option<Arc<Mutex<Session>>> = None;
        let mut message = Vec::new();
        loop {
            let mut header = [0u8; 16];
            if stream.read_exact(&mut header).is_err() || &header[..2] != b"HS" {
                return;
            }
            let parameter = u32::from_be_bytes([header[4], header[5], header[6], header[7]]);
            let length = u64::from_be_bytes([
                header[8], header[9], header[10], header[11], header[12], header[13], header[14], header[15],
            ]);
            let mut payload = vec![0; usize::try_from(length.min(1 << 20)).unwrap_or(0)];
            if stream.read_exact(&mut payload).is_err() {
                return;
            }
            let mut say = |kind: u8, control: u8, parameter: u32, payload: &[u8]| {
                let mut bytes = vec![b'H', b'S', kind, control];
                bytes.extend_from_slice(&parameter.to_be_bytes());
                bytes.extend_from_slice(&(payload.len() as u64).to_be_bytes());
                bytes.extend_from_slice(payload);
                stream.write_all(&bytes).is_ok()
            };
            let went_well = match header[2] {
                0 => {
                    let mut all = lock(&sessions);
                    all.push(Arc::new(Mutex::new(Session::new(&world))));
                    session = all.last().cloned();
                    say(1, 0, 0x0100_0000 | (all.len() as u32 - 1), b"")
                }
                17 => {
                    session = lock(&sessions).get(parameter as usize).cloned();
                    say(18, 0, 0x5858, b"")
                }
                6 | 7 => {
                    message.extend_from_slice(&payload);
                    let Some(session) = session.as_ref().filter(|_| header[2] == 7) else { continue };
                    let mut own = lock(session);
                    own.take(&std::mem::take(&mut message));
                    match own.answer.take() {
                        Some(answer) => say(7, 0, parameter, &answer),
                        None => true,
                    }
                }
                8 => say(9, 0, 0, b""),
                15 => say(16, 0, 0, &(1u64 << 20).to_be_bytes()),
                19 => {
                    message.clear();
                    say(23, 0, 0, b"")
                }
                21 => {
                    let status = session.as_ref().map_or(0, |own| {
                        let own = lock(own);
                        own.parser.status(own.answer.is_some())
                    });
                    say(22, status, 0, b"")
                }
                10 => say(11, 0, 0, b""),
                4 => say(5, 1, 0, b""),
                _ => say(3, 1, 0, b"unknown message type"),
            };
            if !went_well {
                return;
            }
        }
    })
}

/// The supply behind VXI-11's core channel, at this port, without a port mapper.
///
/// # Errors
/// No port can be had.
pub fn vxi11(world: Arc<Mutex<World>>) -> std::io::Result<SocketAddr> {
    listen(move |mut stream| {
        let mut session = Session::new(&world);
        loop {
            let mut call = Vec::new();
            loop {
                let mut mark = [0u8; 4];
                if stream.read_exact(&mut mark).is_err() {
                    return;
                }
                let mark = u32::from_be_bytes(mark);
                let mut part = vec![0; ((mark & 0x7fff_ffff) as usize).min(1 << 20)];
                if stream.read_exact(&mut part).is_err() {
                    return;
                }
                call.extend(part);
                if mark & 0x8000_0000 != 0 {
                    break;
                }
            }
            let word = |at: usize| {
                let bytes = call.get(4 * at..4 * at + 4).unwrap_or(&[0; 4]);
                u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
            };
            // Ten words of call, then the procedure's own.
            let (id, procedure) = (word(0), word(5));
            let mut results: Vec<u8> = Vec::new();
            let mut put =
                |values: &[u32]| results.extend(values.iter().flat_map(|value| value.to_be_bytes()));
            let mut understood = true;
            match procedure {
                10 => put(&[0, 1, 0, 1 << 16]),
                11 => {
                    let length = word(14) as usize;
                    session.take(call.get(60..60 + length).unwrap_or_default());
                    put(&[0, length as u32]);
                }
                12 => match session.answer.take() {
                    Some(answer) => {
                        put(&[0, 4, answer.len() as u32]);
                        results.extend_from_slice(&answer);
                        results.resize(results.len().next_multiple_of(4), 0);
                    }
                    None => {
                        std::thread::sleep(std::time::Duration::from_millis(u64::from(word(12)).min(2000)));
                        put(&[15, 0, 0]);
                    }
                },
                13 => put(&[0, u32::from(session.parser.status(session.answer.is_some()))]),
                15 => {
                    session.answer = None;
                    put(&[0]);
                }
                23 => put(&[0]),
                _ => understood = false,
            }
            let mut reply: Vec<u8> = Vec::new();
            let head = [id, 1, 0, 0, 0, if understood { 0 } else { 3 }];
            reply.extend(head.iter().flat_map(|value| value.to_be_bytes()));
            reply.extend(results);
            let mark = 0x8000_0000 | reply.len() as u32;
            if stream.write_all(&mark.to_be_bytes()).and_then(|()| stream.write_all(&reply)).is_err() {
                return;
            }
        }
    })
}
