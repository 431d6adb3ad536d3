//! The watchdog: a process in a session of its own that makes a bench safe when the run that started it is killed, hangs or is
//! suspended. It guards against the end of the run, not against that of the computer.

use crate::console::exit::{Exit, Failure, Outcome};
use crate::run::bench_run::{lock_bench, make_safe_from_outside, refused};
use crate::run::clock::Clocks;
use crate::store::utc_text;
use bench::{CommandLog, StateFolder};
use plan::bench_file::BenchFile;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, SystemTime};

/// Time between heartbeats.
const BEAT: Duration = Duration::from_millis(500);
/// Silence after which the run counts as dead or suspended.
const SILENCE: Duration = Duration::from_secs(5);
/// A computer that slept longer than this did not watch its bench.
const SLEPT: Duration = Duration::from_secs(5);
/// Tries to make the bench safe, and the pause between them.
const TRIES: u32 = 5;
const PAUSE: Duration = Duration::from_secs(2);
/// A heartbeat, and the word that the run ended in order.
const ALIVE: u8 = b'.';
const OVER: u8 = b'e';
/// Largest bench file taken over.
const LARGEST: u64 = 1 << 20;

/// The run's end of it.
pub(crate) struct Watchdog {
    child: Child,
    stop: Sender<()>,
    beats: Option<JoinHandle<()>>,
    /// Nobody takes the heartbeats any more.
    gone: Arc<AtomicBool>,
}

impl Watchdog {
    /// Starts it for a bench: the program itself, with the file's text on its standard input, then heartbeats.
    ///
    /// # Errors
    /// The system cannot start it.
    pub(crate) fn start(
        program: &Path,
        bench_text: &str,
        state: &StateFolder,
        log: &Path,
    ) -> std::io::Result<Watchdog> {
        let mut command = Command::new(program);
        system::outliving(&mut command);
        let mut child = command
            .args(["bench", "watchdog"])
            .arg(std::process::id().to_string())
            .arg(state.path())
            .arg(log)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()?;
        let Some(mut pipe) = child.stdin.take() else {
            return Err(std::io::Error::other("the watchdog has no pipe"));
        };
        pipe.write_all(format!("{}\n{bench_text}", bench_text.len()).as_bytes())?;
        let (stop, stopped) = channel();
        let gone = Arc::new(AtomicBool::new(false));
        let unheard = Arc::clone(&gone);
        let beats = std::thread::spawn(move || {
            loop {
                match stopped.recv_timeout(BEAT) {
                    Err(RecvTimeoutError::Timeout) => {
                        if pipe.write_all(&[ALIVE]).is_err() {
                            unheard.store(true, Ordering::SeqCst);
                            return;
                        }
                    }
                    Ok(()) => {
                        let _ = pipe.write_all(&[OVER]);
                        return;
                    }
                    Err(RecvTimeoutError::Disconnected) => return,
                }
            }
        });
        Ok(Watchdog { child, stop, beats: Some(beats), gone })
    }

    /// Becomes true when it ended before the run.
    pub(crate) fn gone(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.gone)
    }

    /// The run ends in order, with its own word about the bench: nobody needs watching any more.
    pub(crate) fn end(mut self) {
        let _ = self.stop.send(());
        if let Some(beats) = self.beats.take() {
            let _ = beats.join();
        }
        let _ = self.child.wait();
    }
}

/// What came from the run.
enum Heard {
    Alive,
    Over,
    Gone,
}

/// The watchdog's own life: `run` is the process it watches.
pub(crate) fn watch(run: u32, state: &Path, log: &Path) -> Outcome {
    // A session of its own: what ends the run's terminal or process group does not end the watchdog.
    system::own_session();
    let mut input = BufReader::new(std::io::stdin());
    let bench = Arc::new(take_over(&mut input)?);
    // Names are looked up while they can be: nobody waits for a name server when everything must go off.
    let _ = bench::addresses::addresses(&bench);
    let (sender, heard) = channel();
    std::thread::spawn(move || {
        let mut byte = [0u8; 1];
        loop {
            let word = match input.read(&mut byte) {
                Ok(0) | Err(_) => Heard::Gone,
                Ok(_) if byte[0] == OVER => Heard::Over,
                Ok(_) => Heard::Alive,
            };
            let last = matches!(word, Heard::Gone | Heard::Over);
            if sender.send(word).is_err() || last {
                return;
            }
        }
    });
    let begin = Clocks::now();
    let why = loop {
        match heard.recv_timeout(SILENCE) {
            Ok(Heard::Over) => return Ok(Exit::Pass),
            Ok(Heard::Gone) | Err(RecvTimeoutError::Disconnected) => {
                break "the run ended without making the bench safe";
            }
            Ok(Heard::Alive) if slept_since(&begin) => break "this computer was suspended",
            Ok(Heard::Alive) => {}
            Err(RecvTimeoutError::Timeout) => break "the run's heartbeat stopped",
        }
    };
    let state = StateFolder::at(state);
    let file = std::fs::OpenOptions::new().append(true).open(log).ok();
    let log = CommandLog::new(file.map(|file| Box::new(file) as Box<dyn Write + Send>), || {
        utc_text(SystemTime::now())
    });
    log.note("watchdog", '-', why);
    let mut last = None;
    for attempt in 1..=TRIES {
        match make_safe_from_outside(&bench, &state, log.clone(), &format!("watchdog: {why}"), PAUSE, |_| {})
        {
            Ok(()) => return Ok(Exit::Pass),
            Err(failure) => {
                log.note("watchdog", '-', &failure.words);
                last = Some(failure);
            }
        }
        // A run that hangs or is stopped still holds instruments that serve one connection only. Its locks tell that it lives.
        let held = lock_bench(&bench, &state).is_err();
        if attempt == 1 && held {
            log.note("watchdog", '-', "ends the run: it holds instruments and does nothing");
            system::kill(run);
        }
        std::thread::sleep(PAUSE);
    }
    Err(last.unwrap_or_else(|| refused("not made safe")))
}

/// The bench file's text, as the run read it.
fn take_over(input: &mut impl BufRead) -> Result<BenchFile, Failure> {
    let broken = |words: String| Failure::invalid(format!("the watchdog is started by a run: {words}"));
    let mut length = Vec::new();
    input.by_ref().take(20).read_until(b'\n', &mut length).map_err(|error| broken(error.to_string()))?;
    let length: u64 = std::str::from_utf8(&length)
        .ok()
        .and_then(|text| text.trim_end().parse().ok())
        .filter(|length| *length <= LARGEST)
        .ok_or_else(|| broken("no bench file".into()))?;
    let mut text = String::new();
    input.take(length).read_to_string(&mut text).map_err(|error| broken(error.to_string()))?;
    BenchFile::read(&text).map_err(|_| broken("a bench file with mistakes".into()))
}

fn slept_since(begin: &Clocks) -> bool {
    let now = Clocks::now();
    let asleep = |at: &Clocks| at.always.saturating_sub(at.running);
    asleep(&now).saturating_sub(asleep(begin)) > SLEPT
}
