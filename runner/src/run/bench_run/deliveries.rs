//! Events handed to the user's own command: mail, chat, webhook.

use crate::console::terminal::Terminal;
use bench::CommandLog;
use plan::bench_file::{EventKind, Events};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Longest time a user's command may take.
const LIMIT: Duration = Duration::from_secs(10);
/// Times an event is tried to be delivered.
const DELIVERIES: u32 = 3;

/// Tells the user's command about an event, without waiting for it for long; delivery is tried again, and its failure is noted.
pub(super) fn tell(events: &Events, log: &CommandLog, terminal: &Terminal, kind: EventKind, words: &str) {
    let Some((program, arguments)) = events.command.split_first().filter(|_| events.on.contains(&kind))
    else {
        return;
    };
    let begin = Instant::now();
    for attempt in 1..=DELIVERIES {
        let why = match delivered(program, arguments, kind, words) {
            Ok(()) => {
                log.note("events", '-', &format!("`{}` was delivered", kind.name()));
                return;
            }
            Err(why) => why,
        };
        log.note("events", '-', &format!("`{}` was not delivered (attempt {attempt}): {why}", kind.name()));
        if begin.elapsed() > LIMIT || attempt == DELIVERIES {
            terminal.note(&format!("the command of [events] fails: {program}: {why}"));
            return;
        }
    }
}

fn delivered(program: &str, arguments: &[String], kind: EventKind, words: &str) -> Result<(), String> {
    let mut child = Command::new(program)
        .args(arguments)
        .args([kind.name(), words])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|error| format!("cannot be started: {error}"))?;
    let end = Instant::now() + LIMIT;
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(status.to_string()),
            Ok(None) if Instant::now() > end => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(format!("did not end within {} s", LIMIT.as_secs()));
            }
            Ok(None) => std::thread::sleep(Duration::from_millis(10)),
            Err(error) => return Err(error.to_string()),
        }
    }
}
