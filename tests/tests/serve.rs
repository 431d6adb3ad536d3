//! `serve` and the live page: what is shown, to whom, and that nobody can hold it up.

use crate::support::{Folder, SMALL, nightbench, program};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

/// A server that ends with its test.
struct Server {
    child: Child,
    address: String,
}

impl Server {
    fn start(folder: &Folder, more: &[&str]) -> Server {
        let mut command = program();
        command.current_dir(folder.path()).args(["serve", "run", "--address", "127.0.0.1:0"]).args(more);
        let mut child =
            command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("the program starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("piped")).read_line(&mut line).expect("an address");
        let address = line.trim().trim_start_matches("http://").trim_end_matches('/').to_string();
        assert!(address.starts_with("127.0.0.1:"), "{line}");
        Server { child, address }
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(&self.address).expect("a connection");
        stream.set_read_timeout(Some(Duration::from_secs(90))).expect("a time limit");
        stream
    }

    /// What a request gets, headers and all.
    fn ask(&self, text: &str) -> String {
        let mut stream = self.connect();
        // A client that is turned away may find the door closed while it speaks.
        let _ = stream.write_all(text.as_bytes());
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    fn get(&self, path: &str) -> String {
        self.ask(&format!("GET {path} HTTP/1.1\r\nHost: {}\r\n\r\n", self.address))
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn run_folder() -> Folder {
    let folder = Folder::new();
    folder.file("plan.toml", SMALL);
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "run"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    folder
}

fn status(answer: &str) -> u16 {
    let code = answer.strip_prefix("HTTP/1.1 ").and_then(|rest| rest.get(..3));
    code.and_then(|code| code.parse().ok()).unwrap_or_else(|| panic!("no answer: {answer:.200}"))
}

#[test]
fn pages_and_eyes_are_shown_and_nothing_else_of_the_folder() {
    let folder = run_folder();
    std::fs::write(folder.path().join("secret.html"), "secret").expect("a file");
    std::os::unix::fs::symlink(folder.path().join("secret.html"), folder.path().join("run/what-if.html"))
        .expect("a link");
    let server = Server::start(&folder, &[]);
    let index = server.get("/");
    assert_eq!(status(&index), 200);
    assert!(index.contains("/report.html") && index.contains("/live.html"), "{index}");
    for name in ["report.html", "live.html"] {
        let answer = server.get(&format!("/{name}"));
        let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
        assert!(head.contains("nosniff") && head.contains("no-store"), "{head}");
        assert_eq!(body.as_bytes(), std::fs::read(folder.path().join("run").join(name)).expect("the page"));
        let head_only = server.ask(&format!("HEAD /{name} HTTP/1.1\r\nHost: {}\r\n\r\n", server.address));
        assert_eq!(head_only.split_once("\r\n\r\n"), Some((head, "")));
    }
    let key = index.split("/eye/").nth(1).and_then(|rest| rest.split('"').next()).expect("an eye");
    let eye = server.get(&format!("/eye/{key}"));
    assert!(status(&eye) == 200 && eye.contains(key) && eye.contains("<svg"), "{eye:.300}");
    assert!(!folder.path().join(format!("run/eye-{key}.html")).exists(), "a reader changes nothing");
    for path in [
        "/results.sqlite",
        "/../secret.html",
        "/..%2fsecret.html",
        "/%2e%2e/secret.html",
        "//etc/passwd",
        "/eye/../../secret",
        "/eye/zz",
        "/what-if.html",
        "/run.lock",
        "/report.html/",
        "/Report.html",
        "/\\secret.html",
    ] {
        let answer = server.get(path);
        assert!(status(&answer) == 404 && !answer.contains("secret\n"), "{path}: {answer:.300}");
    }
    assert_eq!(status(&server.ask("POST / HTTP/1.1\r\nHost: localhost\r\n\r\n")), 405);
    // A name elsewhere that leads here reads nothing.
    let rebound = "GET /report.html HTTP/1.1\r\nHost: bench.example:80\r\n\r\n";
    assert_eq!(status(&server.ask(rebound)), 403);
}

#[test]
fn beyond_this_computer_a_token_is_needed() {
    let folder = run_folder();
    let open = nightbench(folder.path(), &["serve", "run", "--address", "0.0.0.0:0"]);
    assert!(open.code == 2 && open.err.contains("--token-file"), "{}", open.err);
    folder.file("short", "1234");
    let short = nightbench(folder.path(), &["serve", "run", "--token-file", "short"]);
    assert!(short.code == 2 && short.err.contains("at least 16"), "{}", short.err);
    folder.file("token", "0123456789abcdef\n");
    let server = Server::start(&folder, &["--token-file", "token"]);
    assert_eq!(status(&server.get("/report.html")), 403);
    assert_eq!(status(&server.get("/report.html?token=0123456789abcdee")), 403);
    let entered = server.get("/report.html?token=0123456789abcdef");
    assert!(status(&entered) == 303 && entered.contains("Location: /report.html\r\n"), "{entered}");
    assert!(server.get("//elsewhere.example/?token=0123456789abcdef").contains("Location: /\r\n"));
    let cookie = "GET /report.html HTTP/1.1\r\nHost: a\r\nCookie: x=y; nightbench=0123456789abcdef\r\n\r\n";
    assert_eq!(status(&server.ask(cookie)), 200);
}

#[test]
fn slow_and_many_clients_hold_up_nobody() {
    let folder = run_folder();
    let server = Server::start(&folder, &[]);
    // A thousand that say nothing, or a little: more than are answered at a time.
    let mut idle: Vec<TcpStream> = Vec::new();
    for number in 0..1000 {
        let Ok(mut stream) = TcpStream::connect(&server.address) else { break };
        if number % 2 == 0 {
            let _ = stream.write_all(b"GET / HT");
        }
        idle.push(stream);
    }
    let begin = Instant::now();
    // They are let go after a while, and a reader gets the page.
    loop {
        let answer = server.get("/report.html");
        if answer.starts_with("HTTP/1.1 200") {
            assert!(answer.trim_end().ends_with("</html>"));
            break;
        }
        assert!(answer.is_empty() || status(&answer) == 503, "{answer:.200}");
        assert!(begin.elapsed() < Duration::from_secs(60), "nobody is answered any more");
        std::thread::sleep(Duration::from_millis(200));
    }
    drop(idle);
    // A request without an end is cut off, one that is too long refused.
    let long = server.ask(&format!("GET / HTTP/1.1\r\nHost: localhost\r\nX: {}", "a".repeat(20_000)));
    assert!(long.is_empty() || status(&long) == 431, "{long:.200}");
    assert_eq!(status(&server.get("/")), 200);
}

#[test]
fn the_live_page_ends_with_the_run_and_leads_to_the_report() {
    let folder = run_folder();
    let live = std::fs::read_to_string(folder.path().join("run/live.html")).expect("the live page");
    assert!(live.contains("The run has ended") && live.contains("href=\"report.html\""), "{live:.2000}");
    assert!(!live.contains("http-equiv=\"refresh\""), "nothing more comes");
    assert!(live.contains("SIMULATED") && live.contains("Newest eye"));
}
