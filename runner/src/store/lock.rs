//! One writer a run folder: a lock that the operating system releases, and the name of its holder.
//!
//! The lock is SQLite's own file lock on the empty file `run.lock`, so it ends with the process that holds it,
//! however that ends: after a power cut or a kill there is nothing to clean up, and a process number used again
//! cannot mislead. A copy of the folder is not locked. `run.holder` tells people and other processes who holds
//! the lock; it means nothing while nobody does.
//!
//! `run.lock` must not be opened by anything else in this process: closing it would release the lock (POSIX).

use super::error::StoreError;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

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
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(dir.join(LOCK_FILE), flags).ok()?;
        // An exclusive lock of another process refuses even reading.
        let asked = connection
            .busy_timeout(Duration::ZERO)
            .and_then(|()| connection.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(())));
        let refused = asked.is_err_and(|error| {
            matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked))
        });
        refused.then_some(holder)
    }
}

const LOCK_FILE: &str = "run.lock";
const HOLDER_FILE: &str = "run.holder";

/// A held lock; dropping it releases the folder.
#[derive(Debug)]
pub(crate) struct FolderLock {
    dir: PathBuf,
    _connection: Connection,
    /// The holder that ended without releasing the folder.
    pub left_by: Option<Holder>,
}

impl FolderLock {
    /// Takes the lock of a folder without waiting.
    pub(crate) fn take(dir: &Path) -> Result<FolderLock, StoreError> {
        let path = dir.join(LOCK_FILE);
        let connection = Connection::open(&path).map_err(|error| opening(&path, error))?;
        let locked = connection
            .busy_timeout(Duration::ZERO)
            .and_then(|()| connection.execute_batch("PRAGMA journal_mode = MEMORY; BEGIN EXCLUSIVE;"));
        if let Err(error) = locked {
            return Err(match error.sqlite_error_code() {
                Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => StoreError::Locked {
                    path: dir.display().to_string(),
                    holder: Holder::named_in(dir).map(Box::new),
                },
                _ => opening(&path, error),
            });
        }
        let left_by = Holder::named_in(dir);
        let holder = dir.join(HOLDER_FILE);
        let text = serde_json::to_string(&Holder::current()).unwrap_or_default();
        // Written whole under another name first, so that a reader never sees half of it.
        let draft = dir.join("run.holder.new");
        std::fs::write(&draft, text + "\n")
            .and_then(|()| std::fs::rename(&draft, &holder))
            .map_err(|error| StoreError::system(&holder, &error))?;
        Ok(FolderLock { dir: dir.to_owned(), _connection: connection, left_by })
    }
}

impl Drop for FolderLock {
    fn drop(&mut self) {
        // The name goes first, then (with the connection) the lock: never a name without its lock.
        // If it cannot be removed, it is only stale: without the lock the name means nothing.
        let _ = std::fs::remove_file(self.dir.join(HOLDER_FILE));
    }
}

/// A lock file that cannot be opened for writing means a folder that cannot be written.
fn opening(path: &Path, error: rusqlite::Error) -> StoreError {
    match error.sqlite_error_code() {
        Some(ErrorCode::CannotOpen) => {
            StoreError::ReadOnly { path: path.display().to_string(), detail: error.to_string() }
        }
        _ => StoreError::database(path, error),
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

/// A time as UTC text with milliseconds, for example `2026-03-01T22:15:03.250Z` (ISO 8601).
///
/// Times before 1970 give the first moment of 1970.
pub fn utc_text(time: SystemTime) -> String {
    let since = time.duration_since(UNIX_EPOCH).unwrap_or_default();
    let (days, second) = ((since.as_secs() / 86_400) as i64, since.as_secs() % 86_400);
    // Days to calendar date in the proleptic Gregorian calendar, in eras of 400 years that begin on 1 March.
    let shifted = days + 719_468;
    let (era, day_of_era) = (shifted.div_euclid(146_097), shifted.rem_euclid(146_097));
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    let year = year_of_era + 400 * era + i64::from(month <= 2);
    format!(
        "{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}.{:03}Z",
        second / 3_600,
        second / 60 % 60,
        second % 60,
        since.subsec_millis()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Expected texts from GNU date (`date -u -d @SECONDS`).
    #[test]
    fn utc_text_agrees_with_the_calendar() {
        for (seconds, text) in [
            (0, "1970-01-01T00:00:00.000Z"),
            (951_782_399, "2000-02-28T23:59:59.000Z"),
            (951_782_400, "2000-02-29T00:00:00.000Z"),
            (951_868_800, "2000-03-01T00:00:00.000Z"),
            (1_772_403_303, "2026-03-01T22:15:03.000Z"),
            (4_107_542_400, "2100-03-01T00:00:00.000Z"),
        ] {
            assert_eq!(utc_text(UNIX_EPOCH + Duration::from_secs(seconds)), text);
        }
        assert!(utc_text(UNIX_EPOCH + Duration::from_millis(1_250)).ends_with(":01.250Z"));
    }
}
