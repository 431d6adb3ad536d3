//! The log of every command sent and every answer, each with its time.

use std::collections::VecDeque;
use std::io::Write;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Lines kept in memory, for looking back after a fault.
const MOST_KEPT: usize = 4000;
/// Longest line kept, characters.
const LONGEST: usize = 400;

/// Tells a person what is waited for.
type Listener = Box<dyn Fn(&str) + Send>;
/// Gives the present time as text.
type Clock = Box<dyn Fn() -> String + Send>;

struct Inner {
    clock: Clock,
    sink: Option<Box<dyn Write + Send>>,
    kept: VecDeque<String>,
    sink_failed: Option<String>,
    listener: Option<Listener>,
    written: u64,
    left_out: u64,
}

/// What is written at most, bytes; remarks go on for a share more, so that the end is told after a flood.
const MOST_WRITTEN: u64 = 64 << 20;
const MOST_REMARKS: u64 = MOST_WRITTEN + (4 << 20);

impl Inner {
    /// Writes a line while there is room for its kind.
    fn write(&mut self, line: &str, remark: bool) {
        let most = if remark { MOST_REMARKS } else { MOST_WRITTEN };
        let length = line.len() as u64 + 1;
        if self.written + length > most {
            self.left_out += 1;
            return;
        }
        let Some(sink) = &mut self.sink else { return };
        self.written += length;
        if let Err(error) = writeln!(sink, "{line}").and_then(|()| sink.flush()) {
            self.sink_failed.get_or_insert(error.to_string());
        }
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        if self.left_out > 0
            && let Some(sink) = &mut self.sink
        {
            let _ = writeln!(sink, "log - {} more lines were left out: the log was full", self.left_out);
        }
    }
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
            listener: None,
            written: 0,
            left_out: 0,
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
        let remark = mark == '-' && !who.ends_with("stderr");
        inner.write(&line, remark);
        if inner.kept.len() == MOST_KEPT {
            inner.kept.pop_front();
        }
        inner.kept.push_back(line);
    }

    /// A person at a terminal is told what is waited for.
    pub fn told_to(self, listener: impl Fn(&str) + Send + 'static) -> CommandLog {
        self.inner().listener = Some(Box::new(listener));
        self
    }

    /// Notes a remark, and tells it to a person who waits.
    pub(crate) fn progress(&self, who: &str, text: &str) {
        self.note(who, '-', text);
        if let Some(listener) = &self.inner().listener {
            listener(text);
        }
    }

    /// The present time as the log writes it.
    pub(crate) fn time(&self) -> String {
        (self.inner().clock)()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Clone, Default)]
    struct Shared(Arc<Mutex<Vec<u8>>>);

    impl Write for Shared {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().unwrap().write(bytes)
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_flood_is_cut_and_counted_and_remarks_go_on() {
        let written = Shared::default();
        let log = CommandLog::new(Some(Box::new(written.clone())), String::new);
        let long = "x".repeat(390);
        let lines = MOST_WRITTEN / 400 + 1000;
        for _ in 0..lines {
            log.note("agent", '<', &long);
        }
        log.note("bench", '-', "safe");
        drop(log);
        let text = String::from_utf8(written.0.lock().unwrap().clone()).unwrap();
        assert!(text.len() as u64 <= MOST_WRITTEN + 1000, "{}", text.len());
        let mut last = text.lines().rev();
        let count = last.next().unwrap();
        assert!(
            count.starts_with("log - ") && count.ends_with("more lines were left out: the log was full"),
            "{count}"
        );
        assert_eq!(last.next(), Some("bench - safe"));
    }
}
