//! Eyes drawn while a run goes on: each once, as soon as it is on record.

use super::seen::{Seen, read};
use std::collections::HashSet;
use std::path::PathBuf;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Time between two looks at the store; a look takes a while itself, so at most a tenth of the time goes into it.
const LOOK_EVERY: Duration = Duration::from_secs(1);
const SHARE: u32 = 10;

/// The title of an eye tells it from every other.
pub type Title = Vec<String>;

/// A thread that looks at a run folder.
pub struct Meanwhile {
    stop: Sender<()>,
    thread: JoinHandle<HashSet<Title>>,
}

impl Meanwhile {
    /// Begins to draw the eyes of a selection.
    pub fn start(
        dir: PathBuf,
        only: Vec<String>,
        lane: Option<u16>,
        draw: impl Fn(&Seen) + Send + 'static,
    ) -> Meanwhile {
        let (stop, stopped) = channel();
        let thread = std::thread::spawn(move || {
            let mut drawn = HashSet::new();
            let mut wait = LOOK_EVERY;
            while stopped.recv_timeout(wait) == Err(RecvTimeoutError::Timeout) {
                let begin = Instant::now();
                // What cannot be read yet is read when the run is over.
                let seen = read(&dir, &only, lane).map_or_else(|_| Vec::new(), |(seen, _)| seen);
                wait = LOOK_EVERY.max(begin.elapsed() * SHARE);
                for one in seen {
                    if drawn.insert(one.title.clone()) {
                        draw(&one);
                    }
                }
            }
            drawn
        });
        Meanwhile { stop, thread }
    }

    /// Ends; the titles of what was drawn.
    pub fn drawn(self) -> HashSet<Title> {
        drop(self.stop);
        self.thread.join().unwrap_or_default()
    }
}
