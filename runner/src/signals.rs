//! Interrupt and terminate signals: the first stops after the present point, repeats change nothing.

use crate::exit::Exit;
use drivers::contract::CancelToken;
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::iterator::Signals;
use std::sync::Arc;
use std::sync::atomic::{AtomicI32, Ordering};

/// Watches for signals while a run goes on.
pub struct Watch {
    seen: Arc<AtomicI32>,
    handle: signal_hook::iterator::Handle,
}

impl Watch {
    /// Cancels `cancel` at the first interrupt or terminate signal and says at once what happens.
    ///
    /// # Errors
    /// The system refuses the handler.
    pub fn start(cancel: &CancelToken) -> std::io::Result<Watch> {
        let mut signals = Signals::new([SIGINT, SIGTERM])?;
        let handle = signals.handle();
        let seen = Arc::new(AtomicI32::new(0));
        let (first, cancel) = (Arc::clone(&seen), cancel.clone());
        std::thread::spawn(move || {
            for signal in signals.forever() {
                if first.compare_exchange(0, signal, Ordering::SeqCst, Ordering::SeqCst).is_ok() {
                    eprintln!(
                        "\nstopping: the jobs at hand are dropped, what is finished is stored. The same command goes \
                         on from here."
                    );
                    cancel.cancel();
                }
            }
        });
        Ok(Watch { seen, handle })
    }

    /// The exit a signal asks for, if one came.
    pub fn exit(&self) -> Option<Exit> {
        match self.seen.load(Ordering::SeqCst) {
            SIGINT => Some(Exit::Interrupted),
            SIGTERM => Some(Exit::Terminated),
            _ => None,
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.handle.close();
    }
}
