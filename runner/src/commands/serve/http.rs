//! Just enough of HTTP/1.1 (RFC 9110, 9112) to show pages: one request a connection, read with limits in size, time and
//! number, so that slow or many clients hold up nobody.

use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// Most clients answered at a time; more are told to come back.
const MOST_CLIENTS: usize = 64;
/// A request must be there by then.
const REQUEST_WITHIN: Duration = Duration::from_secs(5);
/// An answer must have been taken by then.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);
/// Longest request.
const MOST_BYTES: usize = 8 * 1024;
const MOST_HEADERS: usize = 64;

/// A request to read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Request {
    /// Without the question.
    pub path: String,
    /// What stands behind the `?`.
    pub question: String,
    pub host: String,
    pub cookie: String,
}

/// What is answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    pub status: (u16, &'static str),
    pub kind: &'static str,
    pub body: Vec<u8>,
    pub headers: Vec<(&'static str, String)>,
}

impl Answer {
    /// A page.
    pub fn page(html: Vec<u8>) -> Answer {
        Answer { status: (200, "OK"), kind: "text/html; charset=utf-8", body: html, headers: Vec::new() }
    }

    /// Words instead of a page.
    pub fn words(status: (u16, &'static str), words: &str) -> Answer {
        Answer {
            status,
            kind: "text/plain; charset=utf-8",
            body: format!("{words}\n").into_bytes(),
            headers: Vec::new(),
        }
    }
}

/// Clients that are being answered.
struct Place<'a>(&'a AtomicUsize);

impl Drop for Place<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Answers clients until the program ends.
pub fn serve(listener: &TcpListener, answer: &(impl Fn(&Request) -> Answer + Sync)) -> std::io::Error {
    let clients = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        loop {
            let stream = match listener.accept() {
                Ok((stream, _)) => stream,
                // The client went away, or files ran out: neither ends the others' pages.
                Err(error) if error.kind() != ErrorKind::InvalidInput => {
                    std::thread::sleep(Duration::from_millis(20));
                    continue;
                }
                Err(error) => return error,
            };
            if clients.fetch_add(1, Ordering::SeqCst) >= MOST_CLIENTS {
                let _place = Place(&clients);
                turn_away(stream);
                continue;
            }
            let place = Place(&clients);
            let client = std::thread::Builder::new().stack_size(8 << 20);
            // Without a thread the connection closes, and the place is free again.
            let _ = client.spawn_scoped(scope, move || {
                let _place = place;
                converse(stream, answer);
            });
        }
    })
}

fn turn_away(mut stream: TcpStream) {
    let _ = stream.set_write_timeout(Some(Duration::from_millis(50)));
    let _ = stream.write_all(b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 5\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
}

fn converse(mut stream: TcpStream, answer: &impl Fn(&Request) -> Answer) {
    let (answered, head_only) = match read(&mut stream) {
        Ok(Some((request, head_only))) => (answer(&request), head_only),
        Ok(None) => return,
        Err(refusal) => (refusal, false),
    };
    let _ = write(&mut stream, &answered, head_only);
}

/// The request, and whether only the head of its answer is wanted; `None` where the client went away or took too long.
fn read(stream: &mut TcpStream) -> Result<Option<(Request, bool)>, Answer> {
    let until = Instant::now() + REQUEST_WITHIN;
    let mut bytes = Vec::new();
    let mut part = [0; 1024];
    loop {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() || stream.set_read_timeout(Some(left)).is_err() {
            return Ok(None);
        }
        match stream.read(&mut part) {
            Ok(0) | Err(_) => return Ok(None),
            Ok(read) => bytes.extend_from_slice(&part[..read]),
        }
        if let Some(request) = parse(&bytes)? {
            return Ok(Some(request));
        }
        if bytes.len() > MOST_BYTES {
            return Err(Answer::words((431, "Request Header Fields Too Large"), "the request is too long"));
        }
    }
}

/// A whole request, or `None` while it is not all there.
fn parse(bytes: &[u8]) -> Result<Option<(Request, bool)>, Answer> {
    let bad = |words: &str| Answer::words((400, "Bad Request"), words);
    let mut headers = [httparse::EMPTY_HEADER; MOST_HEADERS];
    let mut parsed = httparse::Request::new(&mut headers);
    match parsed.parse(bytes) {
        Ok(httparse::Status::Complete(_)) => {}
        Ok(httparse::Status::Partial) => return Ok(None),
        Err(error) => return Err(bad(&format!("no request: {error}"))),
    }
    let head_only = match parsed.method {
        Some("GET") => false,
        Some("HEAD") => true,
        _ => {
            let mut refusal = Answer::words((405, "Method Not Allowed"), "pages are only read here");
            refusal.headers.push(("Allow", "GET, HEAD".into()));
            return Err(refusal);
        }
    };
    let header = |name: &str| -> Vec<String> {
        let same = parsed.headers.iter().filter(|header| header.name.eq_ignore_ascii_case(name));
        same.map(|header| String::from_utf8_lossy(header.value).trim().to_string()).collect()
    };
    let [host] = header("host").try_into().map_err(|_| bad("a request names one host"))?;
    let target = parsed.path.unwrap_or_default();
    let (path, question) = target.split_once('?').unwrap_or((target, ""));
    let request = Request {
        path: path.to_string(),
        question: question.to_string(),
        host,
        cookie: header("cookie").join("; "),
    };
    Ok(Some((request, head_only)))
}

fn write(stream: &mut TcpStream, answer: &Answer, head_only: bool) -> std::io::Result<()> {
    let until = Instant::now() + ANSWER_WITHIN;
    let (code, reason) = answer.status;
    let mut head = format!(
        "HTTP/1.1 {code} {reason}\r\nContent-Type: {}\r\nContent-Length: {}\r\nConnection: close\r\n\
         Cache-Control: no-store\r\nX-Content-Type-Options: nosniff\r\nReferrer-Policy: no-referrer\r\n\
         X-Frame-Options: DENY\r\n",
        answer.kind,
        answer.body.len()
    );
    for (name, value) in &answer.headers {
        head.push_str(&format!("{name}: {value}\r\n"));
    }
    head.push_str("\r\n");
    let body: &[u8] = if head_only { &[] } else { &answer.body };
    for part in std::iter::once(head.as_bytes()).chain(body.chunks(64 * 1024)) {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Err(ErrorKind::TimedOut.into());
        }
        stream.set_write_timeout(Some(left))?;
        stream.write_all(part)?;
    }
    stream.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_are_read_whole_and_refused_with_a_reason() {
        let whole = b"GET /eye/ab12?token=x HTTP/1.1\r\nHost: localhost:1\r\nCookie: a=b\r\n\r\n";
        let (request, head_only) = parse(whole).unwrap().unwrap();
        assert_eq!(
            (request.path.as_str(), request.question.as_str(), head_only),
            ("/eye/ab12", "token=x", false)
        );
        for cut in 0..whole.len() {
            assert_eq!(parse(&whole[..cut]), Ok(None), "{cut}");
        }
        let status = |bytes: &[u8]| parse(bytes).unwrap_err().status.0;
        assert_eq!(status(b"POST / HTTP/1.1\r\nHost: a\r\n\r\n"), 405);
        assert_eq!(status(b"GET / HTTP/1.1\r\n\r\n"), 400);
        assert_eq!(status(b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n"), 400);
        assert_eq!(status(b"\x16\x03\x01\x02\x00\x01"), 400);
    }
}
