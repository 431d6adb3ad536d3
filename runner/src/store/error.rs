//! What can go wrong with a run folder, in words and with a remedy.

use super::lock::Holder;
use super::packing::PackingError;
use rusqlite::ErrorCode;
use std::path::Path;

/// A fault of the store. Every variant says what happened, where, and what to do about it.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No space left on the disk.
    #[error(
        "{path}: the disk is full; finished jobs are safe: free some space and give the same command again to go on"
    )]
    Full {
        /// File that could not grow.
        path: String,
    },
    /// The folder or its files may not be written.
    #[error(
        "{path}: not writable ({detail}); make the folder and its files writable, or name another with --into"
    )]
    ReadOnly {
        /// Folder or file.
        path: String,
        /// Words of the operating system or the database.
        detail: String,
    },
    /// Reading or writing failed in the disk, the file system or the network below.
    #[error(
        "{path}: reading or writing failed ({detail}); check the disk and its connection, then give the same \
         command again: finished jobs are kept"
    )]
    Io {
        /// Folder or file.
        path: String,
        /// Words of the operating system or the database.
        detail: String,
    },
    /// The contents are not what was written.
    #[error(
        "{path}: the store is damaged ({detail}); keep a copy of the folder, and go on with an undamaged copy or \
         a new folder"
    )]
    Corrupt {
        /// File.
        path: String,
        /// What does not fit.
        detail: String,
    },
    /// Written by a newer version of this program.
    #[error(
        "{path}: written in store format {found}, but this version reads formats up to {known}; use the version \
         that wrote it or a newer one"
    )]
    NewerVersion {
        /// File.
        path: String,
        /// Format of the file.
        found: i64,
        /// Newest format known here.
        known: i64,
    },
    /// There is no store in the folder.
    #[error("{path}: no results of a run here; name the folder that was given to `run --into`")]
    Missing {
        /// File looked for.
        path: String,
    },
    /// A run folder cannot be created because the folder above is missing.
    #[error("{path}: cannot be created, because the folder above it does not exist; create that first")]
    NoFolder {
        /// Folder that was to be created.
        path: String,
    },
    /// The folder holds results already.
    #[error("{path}: holds the results of a run already; open it to go on, or name another folder")]
    AlreadyThere {
        /// File found.
        path: String,
    },
    /// Another process writes to the folder.
    #[error(
        "{path}: in use by {}; wait for it to end or stop it (`status` may be used meanwhile)",
        holder.as_ref().map_or_else(|| "another process".to_owned(), |holder| holder.to_string())
    )]
    Locked {
        /// The folder.
        path: String,
        /// Who holds it, where that can be read.
        holder: Option<Box<Holder>>,
    },
    /// The job has a result that counts; a finished job is never measured twice.
    #[error("job {job} has a result already; supersede it first to measure again")]
    AlreadyDone {
        /// The job's key in hexadecimal digits.
        job: String,
    },
    /// There is no such job, or no result of it that counts.
    #[error("job {job} has no result; choose one that `status` or `export` lists")]
    NoSuchJob {
        /// The job's key in hexadecimal digits.
        job: String,
    },
    /// A number that cannot be stored.
    #[error(
        "{what} is {value}, which cannot be stored ({limit}); this is a fault of the target or its driver"
    )]
    Value {
        /// What the number is.
        what: String,
        /// The number.
        value: String,
        /// What is allowed.
        limit: &'static str,
    },
    /// The counts of a capture cannot be packed or unpacked.
    #[error("{place}: {source}")]
    Packing {
        /// Job and eye.
        place: String,
        /// What is wrong.
        source: PackingError,
    },
    /// The event log was changed after it was written.
    #[error(
        "{path}: event {sequence} of the log was changed, removed or added afterwards ({detail}); \
             the log cannot be relied on from there"
    )]
    ChangedLog {
        /// File.
        path: String,
        /// First event that does not fit.
        sequence: u64,
        /// What does not fit.
        detail: String,
    },
    /// Something else than the log was changed after it was written.
    #[error(
        "{path}: {what}; the log says otherwise. What is judged from this folder cannot be relied on: put it back from \
         a copy, or measure again in a new folder"
    )]
    Changed {
        /// File.
        path: String,
        /// What does not fit.
        what: String,
    },
    /// The folder or its database is another than the one that was opened.
    #[error(
        "{path}: {what} while the run went on; what was stored before may be lost. Mount or restore the folder, then \
         give the same command again"
    )]
    Gone {
        /// File.
        path: String,
        /// What happened to it.
        what: &'static str,
    },
    /// Another process kept the database busy for too long.
    #[error("{path}: busy for more than {wait_s} s; another program has it open for writing: close that")]
    Busy {
        /// File.
        path: String,
        /// How long was waited, seconds.
        wait_s: u64,
    },
    /// A fault of the program itself.
    #[error("{path}: unexpected answer of the database ({detail}); please report this")]
    Unexpected {
        /// File.
        path: String,
        /// Words of the database.
        detail: String,
    },
}

/// How long a connection waits for another before it gives up.
pub(super) const BUSY_WAIT_S: u64 = 5;

impl StoreError {
    /// Is it the disk's lack of space?
    pub fn is_full(&self) -> bool {
        matches!(self, StoreError::Full { .. })
    }

    /// Classifies an error of the database at `path`.
    pub(super) fn database(path: &Path, error: rusqlite::Error) -> StoreError {
        let place = path.display().to_string();
        let detail = error.to_string();
        match &error {
            rusqlite::Error::SqliteFailure(failure, _) => match failure.code {
                ErrorCode::DiskFull => StoreError::Full { path: place },
                ErrorCode::ReadOnly | ErrorCode::PermissionDenied => {
                    StoreError::ReadOnly { path: place, detail }
                }
                ErrorCode::SystemIoFailure | ErrorCode::CannotOpen | ErrorCode::OutOfMemory => {
                    StoreError::Io { path: place, detail }
                }
                ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase => {
                    StoreError::Corrupt { path: place, detail }
                }
                ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => {
                    StoreError::Busy { path: place, wait_s: BUSY_WAIT_S }
                }
                _ => StoreError::Unexpected { path: place, detail },
            },
            // A value of another type or out of range in a table of ours: somebody else wrote it.
            rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::Utf8Error(..)
            | rusqlite::Error::QueryReturnedNoRows => StoreError::Corrupt { path: place, detail },
            _ => StoreError::Unexpected { path: place, detail },
        }
    }

    /// Classifies an error of the operating system at `path`.
    pub(super) fn system(path: &Path, error: &std::io::Error) -> StoreError {
        use std::io::ErrorKind;
        let place = path.display().to_string();
        let detail = error.to_string();
        match error.kind() {
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded => StoreError::Full { path: place },
            ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
                StoreError::ReadOnly { path: place, detail }
            }
            ErrorKind::NotFound | ErrorKind::NotADirectory => StoreError::Missing { path: place },
            _ => StoreError::Io { path: place, detail },
        }
    }

    /// Contents that are not what this program writes.
    pub(super) fn corrupt(path: &Path, detail: impl Into<String>) -> StoreError {
        StoreError::Corrupt { path: path.display().to_string(), detail: detail.into() }
    }
}
