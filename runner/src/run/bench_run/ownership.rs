//! Who has a bench: one run at a time, by the addresses of everything on it before the first contact, and by the instruments' identities
//! after it; what this computer remembers of it; and making it safe from outside.

use super::session::{now, refused};
use crate::console::exit::{Exit, Failure};
use crate::store::{FolderLock, StoreError};
use bench::safe::SafetyKit;
use bench::{CommandLog, Custody, StateFolder};
use plan::bench_file::BenchFile;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A held bench; dropping it releases it.
#[derive(Debug, Default)]
pub(crate) struct BenchLock(Vec<FolderLock>);

/// How often a wait for a lock looks.
const LOOK: Duration = Duration::from_millis(50);

/// The folder in which this computer remembers benches.
///
/// # Errors
/// Exit 5: there is no place for it.
pub fn state_folder() -> Result<StateFolder, Failure> {
    StateFolder::of_this_computer().map_err(refused)
}

/// What this computer remembers of a bench.
///
/// # Errors
/// Exit 5: it cannot be read or written.
pub(crate) fn custody(bench: &BenchFile, state: &StateFolder) -> Result<Custody, Failure> {
    Custody::of(bench, state).map_err(refused)
}

/// One run at a time has a bench, whoever starts it on this computer and whatever the bench is called: every address is locked.
///
/// # Errors
/// Exit 5: somebody else has one of them.
pub(crate) fn lock_bench(bench: &BenchFile, state: &StateFolder) -> Result<BenchLock, Failure> {
    let mut lock = BenchLock::default();
    lock.take(bench, state, &bench::custody::addresses(bench))?;
    Ok(lock)
}

impl BenchLock {
    /// Locks instruments by what they answered: another address may lead to the same one.
    ///
    /// # Errors
    /// Exit 5: somebody else has one of them.
    pub(crate) fn take_identities(
        &mut self,
        bench: &BenchFile,
        state: &StateFolder,
        identities: impl Iterator<Item = String>,
    ) -> Result<(), Failure> {
        let mut names: Vec<String> = identities.map(|identity| format!("identity {identity}")).collect();
        names.sort();
        names.dedup();
        self.take(bench, state, &names)
    }

    fn take(&mut self, bench: &BenchFile, state: &StateFolder, names: &[String]) -> Result<(), Failure> {
        for name in names {
            let dir =
                state.place(name).map_err(|error| refused(format!("{}: {error}", state.path().display())))?;
            let lock = FolderLock::take(&dir).map_err(|error| match error {
                StoreError::Locked { holder, .. } => {
                    let holder = holder.map_or("another process".into(), |holder| holder.to_string());
                    refused(format!("the bench `{}` ({name}) is in use by {holder}", bench.name))
                }
                other => refused(other.to_string()),
            })?;
            self.0.push(lock);
        }
        Ok(())
    }
}

/// Makes a bench safe from outside: whoever has it is told, and never switches it on again; it is given this long to end; then
/// everything is made safe, whether or not it ended.
///
/// # Errors
/// Exit 5: this computer's memory cannot be written. Exit 6: something could not be made safe.
pub(crate) fn make_safe_from_outside(
    bench: &Arc<BenchFile>,
    state: &StateFolder,
    log: CommandLog,
    by: &str,
    limit: Duration,
    mut waiting: impl FnMut(&Failure),
) -> Result<(), Failure> {
    let custody = custody(bench, state)?;
    custody.note_made_safe(by, &now()).map_err(refused)?;
    let end = Instant::now() + limit;
    let mut told = false;
    let _lock = loop {
        match lock_bench(bench, state) {
            Ok(lock) => break Some(lock),
            Err(_) if Instant::now() > end => break None,
            Err(held) => {
                if !std::mem::replace(&mut told, true) {
                    waiting(&held);
                }
                std::thread::sleep(LOOK);
            }
        }
    };
    SafetyKit::new(Arc::clone(bench), log, custody).make_safe().map_err(|error| not_safe(&error.words))
}

/// Something could not be made safe.
pub(crate) fn not_safe(words: &str) -> Failure {
    Failure::new(Exit::NotSafe, not_safe_words(words))
}

/// The loud words for it.
pub(crate) fn not_safe_words(words: &str) -> String {
    format!(
        "*** NOT SAFE: COULD NOT MAKE SAFE ***\n{words}\nSwitch the bench off by hand now, and keep away from what is hot, \
         cold or live. Software is no hardware interlock."
    )
}
