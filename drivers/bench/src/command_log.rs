//! The log of every command sent and every answer, each with its time.

use std::collections::VecDeque;
use std::io::Write;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Lines kept in memory, for looking back after a fault.
const MOST_KEPT: usize = 4000;
/// Longest line kept, characters.
const LONGEST: usize = 400;

/// Gives the present time as text.
type Clock = Box<dyn Fn() -> String + Send>;

struct Inner {
    clock: Clock,
    sink: Option<Box<dyn Write + Send>>,
    kept: VecDeque<String>,
    sink_failed: Option<String>,
}

/// A log shared by everything that sends commands.
#[derive(Clone)]
pub struct CommandLog(Arc<Mutex<Inner>>);

impl CommandLog {
    /// A log that writes each line to `sink`; `clock` gives the time of a line (UTC).
    pub fn new(
        sink: Option<Box<dyn Write + Send>>,
        clock: impl Fn() -> String + Send + 'static,
    ) -> CommandLog {
        CommandLog(Arc::new(Mutex::new(Inner {
            clock: Box::new(clock),
            sink,
            kept: VecDeque::new(),
            sink_failed: None,
        })))
    }

    /// A log kept in memory only, without times.
    pub fn in_memory() -> CommandLog {
        CommandLog::new(None, String::new)
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        // A writer that panicked leaves at worst half a line: the log goes on.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Notes a line: who, `>` sent or `<` answered or `-` a remark, and the text.
    pub fn note(&self, who: &str, mark: char, text: &str) {
        let mut inner = self.inner();
        let mut shown: String = text.trim_end().chars().take(LONGEST).collect();
        if shown.len() < text.trim_end().len() {
            shown.push_str(" ...");
        }
        let time = (inner.clock)();
        let line = if time.is_empty() {
            format!("{who} {mark} {shown}")
        } else {
            format!("{time} {who} {mark} {shown}")
        };
        if let Some(sink) = &mut inner.sink
            && let Err(error) = writeln!(sink, "{line}").and_then(|()| sink.flush())
        {
            inner.sink_failed.get_or_insert(error.to_string());
        }
        if inner.kept.len() == MOST_KEPT {
            inner.kept.pop_front();
        }
        inner.kept.push_back(line);
    }

    /// The latest lines, oldest first.
    pub fn latest(&self, count: usize) -> Vec<String> {
        let inner = self.inner();
        let skip = inner.kept.len().saturating_sub(count);
        inner.kept.iter().skip(skip).cloned().collect()
    }

    /// Forgets the kept lines (what was written stays written).
    pub fn forget(&self) {
        self.inner().kept.clear();
    }

    /// Why lines could not be written, if one could not.
    pub fn failure(&self) -> Option<String> {
        self.inner().sink_failed.clone()
    }
}
