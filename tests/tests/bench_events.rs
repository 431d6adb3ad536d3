//! Events handed to the user's own command: a run that ends in its start, an alarm, a bench that is not safe; and the examples of the
//! guide for mail, chat and webhook against servers of this test.

use crate::bench_run::{Rig, one_setup, rig};
use crate::support::missing;
use emulator::Kind;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;

/// The bench's events go to a file; what is in it afterwards.
fn heard(rig: &Rig) -> impl Fn() -> String {
    let file = rig.folder.path().join("heard.txt");
    let events = format!(
        "\n[events]\non = [\"finished\", \"fault\", \"hands needed\", \"waiting\", \"alarm\", \"not safe\"]\n\
         command = [\"sh\", \"-c\", {:?}, \"sh\"]\n",
        format!("printf '%s|%s\\n' \"$1\" \"$2\" >> {}", file.display())
    );
    let text = std::fs::read_to_string(&rig.file).expect("the bench file");
    std::fs::write(&rig.file, text + &events).expect("the bench file");
    move || std::fs::read_to_string(&file).unwrap_or_default()
}

#[test]
fn an_alarm_and_the_refusal_after_it_are_told() {
    let rig = rig(&one_setup(), 1, 0.0, 400.0);
    let heard = heard(&rig);
    rig.bench.world().outputs[1].shorted = true;
    assert_eq!(rig.run(&[]).code, 3);
    let told = heard();
    assert!(told.contains("alarm|VDDQ takes its whole 3 A") && told.contains("finished|"), "{told}");
    // A night that ends in its start is told as well: nobody is there to read the refusal.
    assert_eq!(rig.run(&[]).code, 5);
    let later = heard();
    let more = later.strip_prefix(&told).expect("what was told stays");
    assert!(more.starts_with("finished|an alarm is latched since"), "{more}");
    rig.off();
}

/// A supply that is silent from the start: what was received, what to change, what is open, and a sign of life while it is waited for.
#[test]
fn a_silent_supply_is_told_with_what_to_change_and_what_is_open() {
    let rig = rig(&one_setup(), 1, 0.0, 400.0);
    let heard = heard(&rig);
    rig.bench.world().silent.insert(Kind::Supply);
    let begin = std::time::Instant::now();
    let run = rig.run(&[]);
    println!("refused after {:.1} s", begin.elapsed().as_secs_f64());
    assert_eq!(run.code, 6, "{}", run.err);
    for words in [
        "nothing was received: is it switched on, is it behind TCP",
        "end its messages by LF (`terminator` of the profile `SCPI-1999`)",
        "switching off: time-out: supply: no whole answer",
        "tried again for 8 s",
        "nobody knows whether these are off: VDD, VDDQ (`meter` measures it), VPP",
    ] {
        assert!(run.err.contains(words), "{words}\n{}", run.err);
    }
    assert!(heard().contains("not safe|"), "{}", heard());
    assert!(rig.bench.world().ledger.harm.is_empty());
}

/// A server that answers one HTTP request or one mail and gives back what it received.
fn serve(mail: bool) -> (String, std::thread::JoinHandle<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = listener.local_addr().expect("an address").to_string();
    let server = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a client");
        let mut reader = BufReader::new(stream.try_clone().expect("a second handle"));
        let mut got = String::new();
        let mut line = || {
            let mut line = String::new();
            reader.read_line(&mut line).expect("a line");
            line
        };
        if mail {
            // RFC 5321: greeting, commands, data ended by a dot.
            let mut say =
                |words: &str| stream.write_all(format!("{words}\r\n").as_bytes()).expect("a client");
            say("220 a test");
            loop {
                let command = line();
                got.push_str(&command);
                match command.get(..4).unwrap_or("QUIT").to_ascii_uppercase().as_str() {
                    "DATA" => {
                        say("354 go on");
                        loop {
                            let text = line();
                            if text == ".\r\n" {
                                break;
                            }
                            got.push_str(&text);
                        }
                        say("250 taken");
                    }
                    "QUIT" => {
                        say("221 bye");
                        return got;
                    }
                    _ => say("250 fine"),
                }
            }
        }
        let mut length = 0;
        loop {
            let header = line();
            got.push_str(&header);
            if let Some(value) = header.to_ascii_lowercase().strip_prefix("content-length:") {
                length = value.trim().parse().expect("a length");
            }
            if header == "\r\n" {
                break;
            }
        }
        let mut body = vec![0; length];
        reader.read_exact(&mut body).expect("a body");
        got.push_str(&String::from_utf8_lossy(&body));
        stream
            .write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")
            .expect("a client");
        got
    });
    (address, server)
}

/// The examples as the guide prints them, with this test's servers in place of its invented hosts.
#[test]
fn the_guides_examples_deliver_mail_chat_and_webhook() {
    if !Command::new("python3").arg("--version").output().is_ok_and(|output| output.status.success()) {
        return missing("python3");
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace");
    let guide = std::fs::read_to_string(root.join("drivers/bench/BENCH.md")).expect("the guide");
    let examples: Vec<Vec<String>> = guide
        .lines()
        .filter(|line| line.contains("command = [\"python3\", \"drivers/bench/events/"))
        .map(|line| {
            let table: toml::Table = line.trim().parse().unwrap_or_else(|error| panic!("{line}: {error}"));
            let words = table["command"].as_array().expect("a list");
            words.iter().map(|word| word.as_str().expect("text").to_string()).collect()
        })
        .collect();
    assert_eq!(examples.len(), 3, "mail, chat, webhook: {examples:?}");
    let words = "sensors contradict: \"chip\" \u{2192} 25.0 degC";
    for example in examples {
        let mail = example[1].ends_with("mail.py");
        let (address, server) = serve(mail);
        let arguments: Vec<String> = example[1..]
            .iter()
            .map(|word| {
                let word = word.replace("https://chat.example.org", &format!("http://{address}"));
                let word = word.replace("https://lab.example.org", &format!("http://{address}"));
                word.replace("mail.example.org:25", &address)
            })
            .collect();
        let output = Command::new(&example[0])
            .current_dir(root)
            .args(&arguments)
            .args(["alarm", words])
            .output()
            .expect("python3 starts");
        assert!(output.status.success(), "{example:?}: {}", String::from_utf8_lossy(&output.stderr));
        let got = server.join().expect("the server ended well");
        if mail {
            assert!(
                got.contains("RCPT TO:<bench-crew@example.org>")
                    || got.contains("rcpt TO:<bench-crew@example.org>"),
                "{got}"
            );
            assert!(got.contains("Subject: nightbench: alarm"), "{got}");
            continue;
        }
        let body = got.split("\r\n\r\n").nth(1).expect("a body");
        let body: serde_json::Value =
            serde_json::from_str(body).unwrap_or_else(|error| panic!("{error}: {got}"));
        let all = body.to_string();
        assert!(all.contains("alarm") && all.contains("contradict"), "{all}");
    }
}
