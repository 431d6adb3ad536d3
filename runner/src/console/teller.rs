//! Words of a run on their way to the terminal: a thread of their own writes them, and they are dropped where nobody
//! reads. A terminal that was stopped (Ctrl-S) or lost stops no run and no bench.

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Most words that wait for a reader.
const MOST_WAITING: usize = 256;
/// Longest wait for words that nobody reads, when the run is over.
const PARTING: Duration = Duration::from_millis(500);

type Work = Box<dyn FnOnce() + Send>;

#[derive(Default)]
struct Queue {
    waiting: VecDeque<Work>,
    dropped: usize,
    open: bool,
}

struct Shared {
    queue: Mutex<Queue>,
    news: Condvar,
}

static SHARED: Mutex<Option<Arc<Shared>>> = Mutex::new(None);

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// While it lives, [`tell`] hands over instead of waiting.
pub struct Teller {
    shared: Arc<Shared>,
    ended: Receiver<()>,
}

impl Teller {
    /// Starts the thread; `None` where one is at work already, or there can be no thread.
    pub fn start() -> Option<Teller> {
        let mut present = locked(&SHARED);
        if present.is_some() {
            return None;
        }
        let shared = Arc::new(Shared {
            queue: Mutex::new(Queue { open: true, ..Queue::default() }),
            news: Condvar::new(),
        });
        let (end, ended) = channel::<()>();
        let its = Arc::clone(&shared);
        let work = move || {
            // Dropped when everything is told.
            let _end = end;
            while let Some((work, dropped)) = its.next() {
                if dropped > 0 {
                    eprintln!("({dropped} lines left out: nobody read them)");
                }
                work();
            }
        };
        std::thread::Builder::new().name("teller".into()).spawn(work).ok()?;
        *present = Some(Arc::clone(&shared));
        Some(Teller { shared, ended })
    }
}

impl Shared {
    /// The next words, and how many were dropped before them; `None` at the end.
    fn next(&self) -> Option<(Work, usize)> {
        let mut queue = locked(&self.queue);
        loop {
            if let Some(work) = queue.waiting.pop_front() {
                return Some((work, std::mem::take(&mut queue.dropped)));
            }
            if !queue.open {
                return None;
            }
            queue = self.news.wait(queue).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

impl Drop for Teller {
    fn drop(&mut self) {
        *locked(&SHARED) = None;
        locked(&self.shared.queue).open = false;
        self.shared.news.notify_one();
        // Who reads has everything by then; who does not is left to it.
        if let Err(RecvTimeoutError::Timeout) = self.ended.recv_timeout(PARTING) {
            locked(&self.shared.queue).waiting.clear();
        }
    }
}

/// Writes now, or hands over to the thread that does while a run goes on. Of what waits too long the oldest is dropped.
pub fn tell(work: impl FnOnce() + Send + 'static) {
    let Some(shared) = locked(&SHARED).clone() else { return work() };
    let mut queue = locked(&shared.queue);
    if queue.waiting.len() >= MOST_WAITING {
        queue.waiting.pop_front();
        queue.dropped += 1;
    }
    queue.waiting.push_back(Box::new(work));
    drop(queue);
    shared.news.notify_one();
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Instant;

    #[test]
    fn a_reader_who_stopped_stops_nobody() {
        let teller = Teller::start().unwrap();
        let (go_on, stopped) = channel::<()>();
        let (begin, begun) = channel::<()>();
        let told = Arc::new(AtomicUsize::new(0));
        tell(move || {
            let _ = begin.send(());
            let _ = stopped.recv();
        });
        begun.recv().unwrap();
        let begin = Instant::now();
        for _ in 0..10 * MOST_WAITING {
            let told = Arc::clone(&told);
            tell(move || {
                told.fetch_add(1, Ordering::SeqCst);
            });
        }
        assert!(begin.elapsed() < Duration::from_secs(5), "telling waits for nobody");
        assert!(Teller::start().is_none());
        let begin = Instant::now();
        drop(teller);
        assert!(begin.elapsed() >= PARTING);
        drop(go_on);
        // With a reader everything is told by the end, in order.
        let teller = Teller::start().unwrap();
        let told = Arc::new(Mutex::new(Vec::new()));
        for number in 0..100 {
            let told = Arc::clone(&told);
            tell(move || told.lock().unwrap().push(number));
        }
        drop(teller);
        assert_eq!(*told.lock().unwrap(), (0..100).collect::<Vec<_>>());
    }
}
