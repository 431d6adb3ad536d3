//! One writer a run folder: a lock that the operating system releases, and the name of its holder.
//!
//! The lock is on the empty file `run.lock` and ends with the process that holds it, however that ends: after a power
//! cut or a kill there is nothing to clean up, and a process number used again cannot mislead. A copy of the folder is
//! not locked. `run.holder` tells people and other processes who holds the lock; it means nothing while nobody does.

use super::dates::utc_text;
use super::error::StoreError;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Process that writes to a run folder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// Process number.
    pub pid: u32,
    /// Name of the host it runs on.
    pub host: String,
    /// When it took the folder, UTC.
    pub since_utc: String,
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "process {} on {} since {}", self.pid, self.host, self.since_utc)
    }
}

impl Holder {
    /// This process, now.
    pub fn current() -> Holder {
        Holder { pid: std::process::id(), host: host_name(), since_utc: utc_text(SystemTime::now()) }
    }

    /// The process named last in the folder, whether or not it still runs.
    pub fn named_in(dir: &Path) -> Option<Holder> {
        let text = std::fs::read_to_string(dir.join(HOLDER_FILE)).ok()?;
        serde_json::from_str(&text).ok()
    }

    /// The process that writes to the folder right now; `None` when nobody does, whatever name a killed run left.
    pub fn running_in(dir: &Path) -> Option<Holder> {
        let holder = Holder::named_in(dir)?;
        let file = File::open(dir.join(LOCK_FILE)).ok()?;
        let refused = matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock));
        refused.then_some(holder)
    }
}

const LOCK_FILE: &str = "run.lock";
const HOLDER_FILE: &str = "run.holder";

/// A held lock; dropping it releases the folder.
#[derive(Debug)]
pub(crate) struct FolderLock {
    dir: PathBuf,
    _file: File,
    /// The holder that ended without releasing the folder.
    pub left_by: Option<Holder>,
}

impl FolderLock {
    /// Takes the lock of a folder without waiting.
    pub(crate) fn take(dir: &Path) -> Result<FolderLock, StoreError> {
        let path = dir.join(LOCK_FILE);
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|error| StoreError::system(&path, &error))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::Locked {
                    path: dir.display().to_string(),
                    holder: Holder::named_in(dir).map(Box::new),
                });
            }
            Err(TryLockError::Error(error)) => return Err(StoreError::system(&path, &error)),
        }
        let left_by = Holder::named_in(dir);
        let holder = dir.join(HOLDER_FILE);
        let text = serde_json::to_string(&Holder::current()).unwrap_or_default();
        // Written whole under another name first, so that a reader never sees half of it.
        let draft = dir.join("run.holder.new");
        std::fs::write(&draft, text + "\n")
            .and_then(|()| std::fs::rename(&draft, &holder))
            .map_err(|error| StoreError::system(&holder, &error))?;
        Ok(FolderLock { dir: dir.to_owned(), _file: file, left_by })
    }
}

impl Drop for FolderLock {
    fn drop(&mut self) {
        // The name goes first, then (with the file) the lock: never a name without its lock.
        // If it cannot be removed, it is only stale: without the lock the name means nothing.
        let _ = std::fs::remove_file(self.dir.join(HOLDER_FILE));
    }
}

fn host_name() -> String {
    std::fs::read_to_string("/proc/sys/kernel/hostname")
        .ok()
        .or_else(|| std::env::var("HOSTNAME").ok())
        .or_else(|| std::env::var("COMPUTERNAME").ok())
        .map(|name| name.trim().to_owned())
        .filter(|name| !name.is_empty())
        .unwrap_or_else(|| "an unnamed host".to_owned())
}
