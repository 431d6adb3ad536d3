//! How far a run is: a bar on a terminal, a counter line a job elsewhere.

use crate::terminal::Terminal;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Shows the progress of a run on stderr.
pub struct Progress {
    bar: Option<ProgressBar>,
    terminal: Terminal,
    done: usize,
    total: usize,
}

impl Progress {
    /// For a run of `total` jobs of which `done` are there already.
    pub fn new(terminal: Terminal, done: usize, total: usize) -> Progress {
        let bar = terminal.animated.then(|| {
            let bar = ProgressBar::with_draw_target(Some(total as u64), ProgressDrawTarget::stderr());
            let style = ProgressStyle::with_template("{wide_bar} {pos}/{len} jobs, {eta} left  {msg:.40}");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar.set_position(done as u64);
            bar.reset_eta();
            bar
        });
        Progress { bar, terminal, done, total }
    }

    /// One more job is done.
    pub fn job(&mut self, words: &str) {
        self.done += 1;
        match &self.bar {
            Some(bar) => {
                bar.set_message(words.to_string());
                bar.inc(1);
            }
            None => {
                let width = self.total.to_string().len();
                self.terminal.note(&format!("[{:>width$}/{}] {words}", self.done, self.total));
            }
        }
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
