//! How far a run is: a bar on a terminal, a counter line a job elsewhere, and the bench time it stands for.

use crate::console::teller::tell;
use crate::console::terminal::{Terminal, about, duration, shown};
use crate::forecast::bench_clock::BenchClock;
use crate::run::bench_run::local_minutes;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use nightbench_core::results::{JobOutcome, JobTimes};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Shortest time between two looks at the bench time; a look at a long plan takes a while itself, so at most a twentieth of the time
/// goes into it.
const LOOK_EVERY: Duration = Duration::from_secs(2);
const SHARE: u32 = 20;

/// What a run is doing, in words that others may read meanwhile.
#[derive(Debug, Clone, Default)]
pub struct Doing(Arc<Mutex<String>>);

impl Doing {
    /// It does this now.
    pub fn set(&self, words: &str) {
        words.clone_into(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }

    pub fn words(&self) -> String {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// The hours of a run that is given some: it tells of them, and not of the whole plan.
struct Tonight {
    hours: f64,
    /// Bench seconds of the folder when it began, by the bench's own clock; `None`: what is `said`.
    begin_s: Option<f64>,
    said: Doing,
}

impl Tonight {
    fn words(&self, by_the_bench_s: Option<f64>) -> String {
        match by_the_bench_s.zip(self.begin_s) {
            Some((now_s, begin_s)) => {
                format!("bench time {} of the {} h of this run", duration(now_s - begin_s), self.hours)
            }
            None => self.said.words(),
        }
    }
}

/// Shows the progress of a run on stderr.
pub struct Progress<'f> {
    bar: Option<ProgressBar>,
    terminal: Terminal,
    clock: Option<BenchClock<'f>>,
    tonight: Option<Tonight>,
    doing: Doing,
    /// When the first job of this run began.
    begin: Instant,
    done_before: usize,
    next_look: Instant,
    shown_tenth: usize,
    done: usize,
    /// Jobs that were selected, whatever becomes of them.
    total: usize,
    /// Of those not done, what is not needed as far as it is known now.
    spared: usize,
}

impl<'f> Progress<'f> {
    /// For a run of `total` jobs of which `done` are there already.
    pub fn new(terminal: Terminal, done: usize, total: usize) -> Progress<'f> {
        let bar = (terminal.animated && done < total).then(|| {
            let bar = ProgressBar::with_draw_target(Some(total as u64), ProgressDrawTarget::stderr());
            // The library's own time left reads 0 s before anything is done.
            let style = ProgressStyle::with_template("{prefix}\n{wide_bar} {pos}/{len} jobs  {msg:.40}");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            let drawn = bar.clone();
            tell(move || drawn.set_position(done as u64));
            bar
        });
        let shown_tenth = 10 * done / total.max(1);
        let now = Instant::now();
        Progress {
            bar,
            terminal,
            clock: None,
            tonight: None,
            doing: Doing::default(),
            begin: now,
            done_before: done,
            next_look: now,
            shown_tenth,
            done,
            total,
            spared: 0,
        }
    }

    /// Says at once how long it may take: of this computer a guess in seconds, that the first jobs replace; a bench takes its own
    /// time (`None`).
    /// `by_the_bench_s`: how long a bench has been at work before, by its own clock.
    pub fn announced(self, here_s: Option<f64>, by_the_bench_s: Option<f64>) -> Progress<'f> {
        let here = here_s.map(|s| format!("this computer: {} (a guess until jobs are done)", about(s)));
        let bench = match &self.tonight {
            Some(tonight) => Some(format!("{} h of bench time at most", tonight.hours)),
            None => self
                .clock
                .as_ref()
                .map(|clock| clock.words(by_the_bench_s.map(|seconds| (seconds, local_minutes())))),
        };
        let words = here.into_iter().chain(bench).collect::<Vec<_>>().join("; ");
        if self.to_do() > 0 && !words.is_empty() {
            match &self.bar {
                Some(bar) => {
                    let (bar, words) = (bar.clone(), shown(&words).into_owned());
                    tell(move || {
                        bar.set_prefix(words);
                        bar.tick();
                    });
                }
                None => self.terminal.note(&words),
            }
        }
        self
    }

    fn to_do(&self) -> usize {
        self.total.saturating_sub(self.done + self.spared)
    }

    /// Seconds left on this computer at the pace so far; `None` before a job is done.
    fn left_here_s(&self) -> Option<f64> {
        let done = self.done.checked_sub(self.done_before).filter(|done| *done > 0)?;
        let left = self.to_do();
        Some(self.begin.elapsed().as_secs_f64() / done as f64 * left as f64)
    }

    /// Shows the bench time as well.
    pub fn with_clock(self, clock: BenchClock<'f>) -> Progress<'f> {
        Progress { clock: Some(clock), ..self }
    }

    /// The run is given hours: what is returned says what is left of them; on a bench its clock does, from `begin_s` on.
    pub fn in_hours(&mut self, hours: f64, begin_s: Option<f64>) -> Doing {
        let said = Doing::default();
        self.tonight = Some(Tonight { hours, begin_s, said: said.clone() });
        said
    }

    /// Only these jobs (positions of the order) are still to come, by what is known now.
    pub fn foretold(&mut self, positions: impl ExactSizeIterator<Item = u64>) {
        self.spared = self.total.saturating_sub(self.done + positions.len());
        self.clock = self.clock.take().map(|clock| clock.only(positions));
    }

    /// What the run is doing can be read there.
    pub fn told_to(self, doing: Doing) -> Progress<'f> {
        Progress { doing, ..self }
    }

    /// The run does this now.
    pub fn doing(&self, words: &str) {
        self.doing.set(words);
    }

    /// One more job is done.
    pub fn job(&mut self, words: &str) {
        self.done += 1;
        self.doing.set(&format!("Newest job: {words}"));
        match &self.bar {
            Some(bar) => {
                let (bar, words) = (bar.clone(), shown(words).into_owned());
                tell(move || {
                    bar.set_message(words);
                    bar.inc(1);
                });
            }
            None => {
                let width = self.total.to_string().len();
                self.terminal.note(&format!("[{:>width$}/{}] {words}", self.done, self.total));
            }
        }
    }

    /// The job at a position of the order took this long on the bench; how long a bench has been at work by its own clock, s.
    pub fn took(
        &mut self,
        position: u64,
        outcome: &JobOutcome,
        times: JobTimes,
        by_the_bench_s: Option<f64>,
    ) {
        let goes_on = self.to_do() > 0;
        let Some(clock) = &mut self.clock else { return };
        clock.took(position, outcome, times);
        let tenth = 10 * self.done / self.total.max(1);
        let due = match &self.bar {
            Some(_) => Instant::now() >= self.next_look,
            None => tenth > self.shown_tenth && goes_on,
        };
        if !due {
            return;
        }
        self.shown_tenth = tenth;
        let begin = Instant::now();
        let mut words = match &self.tonight {
            Some(tonight) => tonight.words(by_the_bench_s),
            None => clock.words(by_the_bench_s.map(|seconds| (seconds, local_minutes()))),
        };
        // A bench takes its own time, whatever this computer does; and of all the jobs hours hold a part.
        let here = by_the_bench_s.is_none() && self.tonight.is_none();
        if let Some(left) = self.left_here_s().filter(|_| here) {
            words.push_str(&format!("; this computer: {} left", about(left)));
        }
        match &self.bar {
            Some(bar) => {
                let (bar, words) = (bar.clone(), shown(&words).into_owned());
                tell(move || bar.set_prefix(words));
            }
            None => self.terminal.note(&format!("{} % of the jobs: {words}", 10 * tenth)),
        }
        self.next_look = Instant::now() + LOOK_EVERY.max(begin.elapsed() * SHARE);
    }

    /// The jobs at these positions of the order are not needed after all.
    pub fn not_needed(&mut self, positions: &[u64]) {
        if positions.is_empty() {
            return;
        }
        self.spared = (self.spared + positions.len()).min(self.total.saturating_sub(self.done));
        if let Some(clock) = &mut self.clock {
            clock.leave_out(positions);
        }
    }

    /// The jobs at these positions of the order are needed after all.
    pub fn needed_again(&mut self, positions: &[u64]) {
        if positions.is_empty() {
            return;
        }
        self.spared = self.spared.saturating_sub(positions.len());
        if let Some(clock) = &mut self.clock {
            clock.take_in(positions);
        }
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        if let Some(bar) = self.bar.clone() {
            tell(move || bar.finish_and_clear());
        }
    }
}
