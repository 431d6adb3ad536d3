//! A word on stderr when something takes longer than people wait in silence.

use crate::console::terminal::Terminal;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

/// Longest silence.
const SILENCE: Duration = Duration::from_millis(80);

/// Prints its words once if it lives longer than that: nobody looks at an empty line for longer without wondering.
pub struct SlowNotice {
    done: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl SlowNotice {
    /// Begins to wait.
    pub fn start(terminal: &Terminal, words: &str) -> SlowNotice {
        let (done, ended) = channel::<()>();
        let (terminal, words) = (*terminal, words.to_string());
        let wait = move || {
            if matches!(ended.recv_timeout(SILENCE), Err(RecvTimeoutError::Timeout)) {
                terminal.note(&words);
            }
        };
        // Without a thread there is no word: nothing else depends on it.
        let thread = std::thread::Builder::new().spawn(wait).ok();
        SlowNotice { done: Some(done), thread }
    }
}

impl Drop for SlowNotice {
    fn drop(&mut self) {
        drop(self.done.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
