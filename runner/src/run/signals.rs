//! Every signal that would end the program and can be caught (interrupt, terminate, hang-up, quit and the rarer ones): the first stops after the point at hand, the second drops that point as well.
//!
//! Both end with a safe stop and what is finished stored. Repeats within half a second are one press: a held key or
//! a process group sends several.

use crate::console::exit::Exit;
use crate::console::teller::tell;
use contract::CancelToken;
use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI32, Ordering};
use std::time::{Duration, Instant};
use system::{Hearing, INTERRUPT, TERMINATE};

/// Signals this close after the last one that counted are the same press.
pub const SAME_PRESS: Duration = Duration::from_millis(500);

/// What a signal asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Press {
    /// Finish the point at hand, make safe, end.
    FinishPoint,
    /// Drop the point at hand, make safe, end.
    DropPoint,
    /// A repeat: nothing new.
    Repeat,
}

/// Tells presses from repeats.
#[derive(Debug, Clone, Copy, Default)]
pub struct Presses {
    count: u32,
    last: Option<Instant>,
}

impl Presses {
    /// A signal came at this moment.
    pub fn press(&mut self, at: Instant) -> Press {
        if self.last.is_some_and(|last| at.saturating_duration_since(last) < SAME_PRESS) {
            return Press::Repeat;
        }
        self.last = Some(at);
        self.count = self.count.saturating_add(1);
        match self.count {
            1 => Press::FinishPoint,
            2 => Press::DropPoint,
            _ => Press::Repeat,
        }
    }
}

/// Watches for signals while a run goes on.
pub struct Watch {
    seen: Arc<AtomicI32>,
    ended: Arc<AtomicBool>,
    _hearing: Hearing,
}

impl Watch {
    /// Cancels `finish_point` at the first of these signals and `drop_point` at the second, and says
    /// each time at once what happens. A simulated run gives one token for both: a job cut anywhere is simply
    /// computed again.
    ///
    /// # Errors
    /// The system refuses the handler.
    pub fn start(finish_point: &CancelToken, drop_point: &CancelToken) -> std::io::Result<Watch> {
        let seen = Arc::new(AtomicI32::new(0));
        let first = Arc::clone(&seen);
        let ended = Arc::new(AtomicBool::new(false));
        let over = Arc::clone(&ended);
        let (finish_point, drop_point) = (finish_point.clone(), drop_point.clone());
        let mut presses = Presses::default();
        let hearing = Hearing::start(move |signal| {
            // Everything is safe and stored; only words are left, and perhaps nobody reads them.
            if over.load(Ordering::SeqCst) {
                system::exit_by_signal(signal);
            }
            let press = presses.press(Instant::now());
            // Before the run can end by it: the exit code hangs on it.
            let _ = first.compare_exchange(0, signal, Ordering::SeqCst, Ordering::SeqCst);
            let words = match press {
                Press::FinishPoint => {
                    finish_point.cancel();
                    "stopping after the point at hand, then everything is made safe; what is finished is stored. Once \
                     more drops that point. The same command goes on from here."
                }
                Press::DropPoint => {
                    drop_point.cancel();
                    "the point at hand is dropped; everything is made safe"
                }
                Press::Repeat => return,
            };
            // A terminal that is closed or stopped must not hold this thread.
            tell(move || drop(writeln!(std::io::stderr().lock(), "\n{words}")));
        })?;
        Ok(Watch { seen, ended, _hearing: hearing })
    }

    /// The run is over, everything safe and stored: from now on a signal ends the program at once.
    pub fn over(&self) {
        self.ended.store(true, Ordering::SeqCst);
    }

    /// The exit a signal asks for, if one came.
    pub fn exit(&self) -> Option<Exit> {
        match self.seen.load(Ordering::SeqCst) {
            INTERRUPT => Some(Exit::Interrupted),
            TERMINATE => Some(Exit::Terminated),
            0 => None,
            other => Some(Exit::Signal(u8::try_from(other).unwrap_or(0))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repeats_within_half_a_second_are_one_press() {
        let start = Instant::now();
        let at = |ms: u64| start + Duration::from_millis(ms);
        let mut presses = Presses::default();
        assert_eq!(presses.press(at(0)), Press::FinishPoint);
        assert_eq!(presses.press(at(10)), Press::Repeat);
        assert_eq!(presses.press(at(499)), Press::Repeat);
        assert_eq!(presses.press(at(500)), Press::DropPoint);
        assert_eq!(presses.press(at(600)), Press::Repeat);
        assert_eq!(presses.press(at(2_000)), Press::Repeat);
    }
}
