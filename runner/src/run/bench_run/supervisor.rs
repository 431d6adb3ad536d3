//! What watches over a run beside its loop: a call that does not end after a stop, a bench that somebody made safe, a computer that was
//! suspended. Each makes safe over connections of its own.

use super::session::now;
use crate::run::clock::Awake;
use bench::{CommandLog, Custody};
use contract::{CancelToken, SafetyHandle};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// After a stop was asked for, the loop has this long to make the bench safe itself.
const STOP_LIMIT: Duration = Duration::from_secs(20);
/// How often is looked whether somebody made the bench safe from outside.
const OUTSIDE_LOOK: Duration = Duration::from_millis(200);
/// How often is looked whether a stop was asked for.
const LOOK: Duration = Duration::from_millis(20);
/// Shortest stand-still that counts: a busy computer may be late. Common practice, no source.
pub(super) const SHORTEST: Duration = Duration::from_secs(10);

/// Watches over one run.
pub(super) struct Supervisor<'s> {
    pub cancel: &'s CancelToken,
    pub custody: &'s Custody,
    pub log: &'s CommandLog,
    pub handle: Box<dyn SafetyHandle>,
    pub awake: &'s Awake,
    /// Becomes true when the watchdog ended, where there was one.
    pub watchdog_gone: Option<Arc<AtomicBool>>,
}

impl Supervisor<'_> {
    /// Until the run is over, or until something made the bench safe.
    pub fn watch_until(&self, done: &AtomicBool) {
        let mut asked: Option<Instant> = None;
        let mut looked = Instant::now();
        while !done.load(Ordering::SeqCst) {
            std::thread::sleep(LOOK);
            if let Some(still) = self.awake.stood_still() {
                self.unwatched(&still.to_string());
                return;
            }
            if self.watchdog_gone.as_ref().is_some_and(|gone| gone.load(Ordering::SeqCst)) {
                self.unwatched("its watchdog was ended, and nothing would switch the bench off after a kill");
                return;
            }
            if looked.elapsed() > OUTSIDE_LOOK {
                looked = Instant::now();
                if matches!(self.custody.made_safe_since(), Ok(Some(_))) {
                    // Somebody made it safe: what goes on is cut short.
                    self.cancel.cancel();
                    let _ = self.handle.make_safe();
                    return;
                }
            }
            if self.cancel.is_cancelled() && asked.get_or_insert_with(Instant::now).elapsed() > STOP_LIMIT {
                // A call that does not end after a stop was asked for must not keep the bench on.
                let _ = self.handle.make_safe();
                return;
            }
        }
    }

    /// Nobody watches the bench: it is made safe, and this run never switches it on again.
    fn unwatched(&self, why: &str) {
        self.log.note("bench", '-', why);
        if let Err(words) = self.custody.note_made_safe(&format!("this run: {why}"), &now()) {
            self.log.note("bench", '-', &words);
        }
        self.cancel.cancel();
        let _ = self.handle.make_safe();
    }
}
