//! Who has a bench: one run at a time, by the addresses of everything on it before the first contact, and by the instruments' identities
//! after it; what this computer remembers of it; and making it safe from outside.

use super::session::now;
use super::stated::refused;
use crate::console::exit::{Exit, Failure};
use crate::store::{FolderLock, StoreError};
use bench::addresses::name_of_identity;
use bench::safe::SafetyKit;
use bench::{CommandLog, Custody, InstrumentState, Latch, StateFolder};
use nightbench_core::faults::{Fault, FaultKind};
use plan::bench_file::{BenchFile, InstrumentKind};
use std::path::Path;
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
    let unknown = bench::addresses::unresolved(bench);
    if !unknown.is_empty() {
        return Err(refused(format!(
            "{}\nMend the name, or write the address in figures: whether somebody else drives it cannot be told; nothing was \
             touched",
            unknown.join("\n")
        )));
    }
    let mut lock = BenchLock::default();
    lock.take(bench, state, &bench::addresses::addresses(bench))?;
    Ok(lock)
}

/// A run, or a person's look, that finds an alarm latched.
pub(crate) fn latched(latch: &Latch, path: &Path) -> Failure {
    refused(format!(
        "an alarm is latched since {}: {}: {}\nLook at the bench, find the cause, then `nightbench bench clear {}`; nothing was \
         touched",
        latch.since_utc,
        latch.kind.words(),
        latch.words,
        path.display()
    ))
}

/// From what its instruments answered: who that heats or powers is remembered by what it says it is as well.
///
/// # Errors
/// Exit 5: this computer's memory cannot be read or written.
pub(crate) fn know(
    custody: &Custody,
    bench: &BenchFile,
    state: &StateFolder,
    states: &[InstrumentState],
) -> Result<(), Failure> {
    let heats_or_powers =
        bench.instruments.iter().zip(states).filter(|(one, _)| one.kind != InstrumentKind::Meter);
    let identities = heats_or_powers.filter_map(|(_, state)| state.answer.as_deref().ok());
    custody.know(state, identities).map_err(refused)
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
        let mut names: Vec<String> = identities.map(|identity| name_of_identity(&identity)).collect();
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
    // A name that leads nowhere now is not waited for.
    let addresses = bench::addresses::addresses(bench);
    let lock = loop {
        let mut lock = BenchLock::default();
        match lock.take(bench, state, &addresses).map(|()| lock) {
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
    let kit = SafetyKit::new(Arc::clone(bench), log, custody.clone());
    let mut made = kit.make_safe();
    // Whoever drives the same instruments by another name or way is met by what they say they are.
    let met: Vec<String> = kit.met().iter().map(|identity| name_of_identity(identity)).collect();
    let held_by = |lock: &mut BenchLock| lock.take(bench, state, &met);
    if lock.is_some()
        && let Err(held) = held_by(&mut BenchLock::default())
    {
        custody.know(state, kit.met().iter().map(String::as_str)).map_err(refused)?;
        custody.note_made_safe(by, &now()).map_err(refused)?;
        waiting(&held);
        let end = Instant::now() + limit;
        while held_by(&mut BenchLock::default()).is_err() && Instant::now() < end {
            std::thread::sleep(LOOK);
        }
        made = kit.make_safe();
    }
    made.map_err(|error| {
        let fault = error.into();
        let latched = latch_not_safe(&custody, &fault);
        not_safe(&fault, &latched.err().unwrap_or_default())
    })
}

/// What could not be made safe latches as an alarm does: no run starts on it before somebody has looked and cleared it. What is off and
/// beyond its limits was latched where it was found.
///
/// # Errors
/// It could not be written everywhere; it holds for this process all the same.
pub(super) fn latch_not_safe(custody: &Custody, fault: &Fault) -> Result<(), String> {
    if fault.kind != FaultKind::NotSafe {
        return Ok(());
    }
    custody.latch_alarm(fault.kind, &fault.detail, &now())
}

/// Something could not be made safe, or is off and beyond its limits; `before`: what else is to be said first.
pub(crate) fn not_safe(fault: &Fault, before: &str) -> Failure {
    let loud = not_safe_words(fault);
    Failure::new(Exit::NotSafe, if before.is_empty() { loud } else { format!("{before}\n{loud}") })
}

/// The loud words for it.
pub(crate) fn not_safe_words(fault: &Fault) -> String {
    let words = &fault.detail;
    match fault.kind {
        FaultKind::BeyondLimits => format!(
            "*** NOT SAFE YET: OFF, AND STILL BEYOND ITS LIMITS ***\n{words}\neverything was measured off. Keep hands and doors as they are, wait until it is within its limits (`nightbench bench check`), \
             and switch off at the mains if it does not come back. Software is no hardware interlock."
        ),
        _ => format!(
            "*** NOT SAFE: COULD NOT MAKE SAFE ***\n{words}\nSwitch the bench off by hand now, and keep away from what is hot, \
             cold or live. No run starts on it before `nightbench bench clear`. Software is no hardware interlock."
        ),
    }
}
