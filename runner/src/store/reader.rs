//! Reading a store: jobs in the plan's order one at a time, counts for `status`, the parts of a job.

use super::columns::{CAPTURE_COLUMNS, JOB_COLUMNS, identity, packed_capture, stored_job};
use super::error::{BUSY_WAIT_S, StoreError};
use super::rows::{
    JobKey, LimitSet, Meta, PackedCapture, PackedCounts, PackedJob, PackedTraining, Reading, StoredJob,
    Target, hex,
};
use super::schema::{self, Found};
use super::upgrade;
use nightbench_core::results::{Capture, Identity, JobResult, TrainingResult};
use rusqlite::{CachedStatement, Connection, OpenFlags, OptionalExtension, params};
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How far a run is, from the counts of its jobs.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Progress {
    /// Jobs measured.
    pub measured: u64,
    /// Jobs whose training failed.
    pub training_failed: u64,
    /// Jobs without a valid measurement.
    pub not_measured: u64,
    /// Attempts that do not count any more.
    pub superseded: u64,
    /// Bench time spent training in the jobs that count, seconds.
    pub training_s: f64,
    /// Bench time spent capturing in the jobs that count, seconds.
    pub measuring_s: f64,
    /// Latest end of a job, seconds of bench time; `None` before the first.
    pub last_ended_bench_s: Option<f64>,
}

/// Which attempts are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Attempts {
    /// Only those that count: at most one a job.
    Counting,
    /// Superseded ones as well.
    All,
}

/// Read access to a run folder. Any number of readers may look on while a run writes.
#[derive(Debug)]
pub struct StoreReader {
    pub(super) connection: Connection,
    path: PathBuf,
}

/// Jobs fetched at a time while listing.
const PAGE: usize = 128;

/// A database opened for reading only, and what it is.
pub(super) fn open_file(path: &Path) -> Result<(Connection, Found), StoreError> {
    if let Err(error) = std::fs::metadata(path) {
        return Err(StoreError::system(path, &error));
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    // A connection that may write takes the log beside the database away when it is the last one; it changes nothing.
    let tidy = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, tidy)
        .or_else(|_| Connection::open_with_flags(path, flags))
        .map_err(|error| StoreError::database(path, error))?;
    let first = connection
        .busy_timeout(Duration::from_secs(BUSY_WAIT_S))
        .and_then(|()| connection.pragma_update(None, "query_only", true))
        .map_err(|error| StoreError::database(path, error))
        .and_then(|()| schema::recognise(&connection, path));
    match first {
        Ok(found) => Ok((connection, found)),
        // A finished run on a medium that cannot be written: the database may not even keep its own lock
        // files beside it. Without a log of changes nothing can be missed by reading the file alone.
        Err(StoreError::Io { .. } | StoreError::ReadOnly { .. }) if log_bytes(path) == 0 => {
            let connection =
                Connection::open_with_flags(immutable_uri(path), flags | OpenFlags::SQLITE_OPEN_URI)
                    .map_err(|error| StoreError::database(path, error))?;
            let found = schema::recognise(&connection, path)?;
            Ok((connection, found))
        }
        Err(error) => Err(error),
    }
}

impl StoreReader {
    pub(super) fn new(connection: Connection, path: PathBuf) -> StoreReader {
        StoreReader { connection, path }
    }

    /// Opens the database for reading only, upgraded where it is of an earlier format.
    pub(super) fn open(path: &Path) -> Result<StoreReader, StoreError> {
        let (connection, found) = open_file(path)?;
        let connection = match found {
            Found::Store => connection,
            Found::Empty => return Err(StoreError::Missing { path: path.display().to_string() }),
            Found::Older => {
                drop(connection);
                match upgrade::for_reading(path)? {
                    Some(copy) => copy,
                    None => open_file(path)?.0,
                }
            }
        };
        Ok(StoreReader::new(connection, path.to_owned()))
    }

    /// The database file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn error(&self, error: rusqlite::Error) -> StoreError {
        StoreError::database(&self.path, error)
    }

    pub(super) fn prepare(&self, sql: &str) -> Result<CachedStatement<'_>, StoreError> {
        self.connection.prepare_cached(sql).map_err(|error| self.error(error))
    }

    pub(super) fn meta_value(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.prepare("SELECT value FROM meta WHERE key = ?")?
            .query_row([key], |row| row.get(0))
            .optional()
            .map_err(|error| self.error(error))
    }

    /// What the jobs of the folder have in common; title and plan as last recorded.
    ///
    /// # Errors
    /// The database cannot be read, or lacks a part.
    pub fn meta(&self) -> Result<Meta, StoreError> {
        let value = |key: &str| {
            self.meta_value(key)?
                .ok_or_else(|| StoreError::corrupt(&self.path, format!("{key} is missing in meta")))
        };
        let (title, plan_text) = self
            .prepare("SELECT title, plan_text FROM plans ORDER BY sequence DESC LIMIT 1")?
            .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))
            .map_err(|error| self.error(error))?;
        let target = match value("target")?.as_str() {
            "simulated" => Target::Simulated,
            _ => Target::Bench(value("bench")?),
        };
        let seed = value("seed")?;
        Ok(Meta {
            tool_version: value("tool_version")?,
            title,
            plan_text,
            seed: seed
                .parse()
                .map_err(|_| StoreError::corrupt(&self.path, format!("seed {seed} is not a number")))?,
            target,
            created_utc: value("created_utc")?,
        })
    }

    /// Looks through the whole database for damage (SQLite's `integrity_check`, which holds every index against its table: what
    /// is read through an index is checked, too).
    ///
    /// # Errors
    /// [`StoreError::Corrupt`] with the first finding.
    pub fn check(&self) -> Result<(), StoreError> {
        let finding: String = self
            .connection
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
            .map_err(|error| self.error(error))?;
        if finding == "ok" { Ok(()) } else { Err(StoreError::corrupt(&self.path, finding)) }
    }

    /// Counts and times of all jobs, from an index alone.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn progress(&self) -> Result<Progress, StoreError> {
        let mut progress = Progress::default();
        let mut statement = self.prepare(
            "SELECT superseded, outcome, count(*), sum(training_s), sum(measuring_s), max(ended_bench_s) \
             FROM jobs GROUP BY superseded, outcome",
        )?;
        let mut rows = statement.query([]).map_err(|error| self.error(error))?;
        while let Some(row) = rows.next().map_err(|error| self.error(error))? {
            let read = || -> rusqlite::Result<(i64, String, i64, f64, f64, f64)> {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?))
            };
            let (superseded, outcome, count, training_s, measuring_s, ended) =
                read().map_err(|error| self.error(error))?;
            let count = u64::try_from(count).unwrap_or(0);
            if superseded != 0 {
                progress.superseded += count;
                continue;
            }
            match outcome.as_str() {
                "measured" => progress.measured += count,
                "training_failed" => progress.training_failed += count,
                _ => progress.not_measured += count,
            }
            progress.training_s += training_s;
            progress.measuring_s += measuring_s;
            progress.last_ended_bench_s =
                Some(progress.last_ended_bench_s.map_or(ended, |last| last.max(ended)));
        }
        Ok(progress)
    }

    /// Has the job a result that counts, of whatever outcome?
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn is_done(&self, key: &JobKey) -> Result<bool, StoreError> {
        self.prepare("SELECT 1 FROM jobs WHERE job_key = ? AND superseded = 0")?
            .exists([key])
            .map_err(|error| self.error(error))
    }

    /// Is the attempt that a job taken from another store brings along stored already?
    pub(super) fn has_attempt(&self, job: &PackedJob) -> Result<bool, StoreError> {
        let Some(attempt) = job.attempt else { return Ok(false) };
        self.prepare("SELECT 1 FROM jobs WHERE job_key = ? AND attempt = ?")?
            .exists(params![job.row.key, attempt])
            .map_err(|error| self.error(error))
    }

    /// Keys of all jobs that have a result that counts (32 bytes each in memory).
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn done_keys(&self) -> Result<HashSet<JobKey>, StoreError> {
        let mut statement = self.prepare("SELECT job_key FROM jobs WHERE superseded = 0")?;
        let keys = statement.query_map([], |row| row.get(0)).map_err(|error| self.error(error))?;
        keys.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    /// The result of a job that counts, if there is one.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn job(&self, key: &JobKey) -> Result<Option<StoredJob>, StoreError> {
        let sql = format!(
            "SELECT {JOB_COLUMNS} FROM jobs JOIN identities ON identities.id = identity_id \
             WHERE job_key = ? AND superseded = 0"
        );
        self.prepare(&sql)?.query_row([key], stored_job).optional().map_err(|error| self.error(error))
    }

    /// All jobs in the plan's order, whatever order they were finished in; memory does not grow with their
    /// number. Attempts of one job follow each other, oldest first.
    pub fn jobs(&self, which: Attempts) -> Jobs<'_> {
        Jobs { reader: self, which, page: Vec::new().into_iter(), after: Some(None) }
    }

    /// Everybody who ever answered in this folder.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn identities(&self) -> Result<Vec<Identity>, StoreError> {
        let mut statement = self.prepare(
            "SELECT chip_serial, firmware_build, firmware_hash, settings_hash, agent_version FROM identities \
             ORDER BY chip_serial, firmware_build, firmware_hash, settings_hash, agent_version",
        )?;
        let rows = statement.query_map([], |row| identity(row, 0)).map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    /// Every set of limits the results were judged by, in the order recorded.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn limit_sets(&self) -> Result<Vec<LimitSet>, StoreError> {
        let mut statement = self.prepare(
            "SELECT limits_text, agreed_before_measuring, recorded_utc FROM limit_sets ORDER BY id",
        )?;
        let rows = statement
            .query_map([], |row| {
                Ok(LimitSet {
                    limits_text: row.get(0)?,
                    agreed_before_measuring: row.get(1)?,
                    recorded_utc: row.get(2)?,
                })
            })
            .map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    /// Training attempts of a job, in order.
    ///
    /// # Errors
    /// The database cannot be read, or holds something else.
    pub fn trainings(&self, job: &StoredJob) -> Result<Vec<TrainingResult>, StoreError> {
        self.packed_trainings(job)?
            .iter()
            .map(|packed| {
                PackedTraining::unpack(&packed.detail)
                    .map_err(|detail| self.damaged(job, "a training", &detail))
            })
            .collect()
    }

    /// The captures of a job, read and unpacked one at a time.
    ///
    /// # Errors
    /// The list of captures cannot be read; each capture may fail by itself.
    pub fn captures<'a>(
        &'a self,
        job: &'a StoredJob,
    ) -> Result<impl Iterator<Item = Result<Capture, StoreError>> + 'a, StoreError> {
        let ids = self.ids("SELECT rowid FROM captures WHERE job_id = ? ORDER BY sequence", job)?;
        Ok(ids.into_iter().map(move |id| {
            let packed = self.packed_capture(id)?;
            let place = || format!("the capture of {}", packed.eye);
            packed.unpack().map_err(|detail| self.damaged(job, &place(), &detail))
        }))
    }

    /// Readings taken during a job, in order of time.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn readings(&self, job: &StoredJob) -> Result<Vec<Reading>, StoreError> {
        self.reading_rows(
            "SELECT bench_s, name, value, unit FROM readings WHERE job_id = ? ORDER BY bench_s, id",
            params![job.id],
        )
    }

    /// In the order stored: a copy then has the same digest.
    fn readings_as_stored(&self, job: &StoredJob) -> Result<Vec<Reading>, StoreError> {
        self.reading_rows(
            "SELECT bench_s, name, value, unit FROM readings WHERE job_id = ? ORDER BY id",
            params![job.id],
        )
    }

    /// Sum of every reading of a name, of jobs and between them.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn reading_total(&self, name: &str) -> Result<f64, StoreError> {
        // Merged folders put the bench's name before it.
        self.prepare("SELECT total(value) FROM readings WHERE name = ?1 OR name LIKE '%: ' || ?1")?
            .query_row([name], |row| row.get(0))
            .map_err(|error| self.error(error))
    }

    /// Readings taken between jobs, in order of time.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn readings_between_jobs(&self) -> Result<Vec<Reading>, StoreError> {
        self.reading_rows(
            "SELECT bench_s, name, value, unit FROM readings WHERE job_id IS NULL ORDER BY bench_s, id",
            params![],
        )
    }

    /// Everything one job left behind, all at once.
    ///
    /// # Errors
    /// The database cannot be read, or holds something else.
    pub fn result(&self, job: &StoredJob) -> Result<JobResult, StoreError> {
        Ok(JobResult {
            outcome: job.outcome.clone(),
            identity: job.identity.clone(),
            readback: job.readback.clone(),
            trainings: self.trainings(job)?,
            captures: self.captures(job)?.collect::<Result<_, _>>()?,
            times: job.times,
        })
    }

    /// The trainings and captures of a job as they are stored, to be unpacked on any thread.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn counts(&self, job: &StoredJob) -> Result<PackedCounts, StoreError> {
        let ids = self.ids("SELECT rowid FROM captures WHERE job_id = ? ORDER BY sequence", job)?;
        Ok(PackedCounts {
            trainings: self.packed_trainings(job)?,
            captures: ids.into_iter().map(|id| self.packed_capture(id)).collect::<Result<_, _>>()?,
        })
    }

    /// A job as it is stored, with its attempt number, to be written to another store without unpacking.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn packed(&self, job: &StoredJob) -> Result<PackedJob, StoreError> {
        let ids = self.ids("SELECT rowid FROM captures WHERE job_id = ? ORDER BY sequence", job)?;
        Ok(PackedJob {
            row: job.row.clone(),
            attempt: Some(job.attempt),
            superseded: job.superseded.clone(),
            replaces: None,
            outcome: job.outcome.clone(),
            identity: job.identity.clone(),
            readback: job.readback.clone(),
            times: job.times,
            trainings: self.packed_trainings(job)?,
            captures: ids.into_iter().map(|id| self.packed_capture(id)).collect::<Result<_, _>>()?,
            readings: self.readings_as_stored(job)?,
            attachments: self.attachments(job)?,
            summary_sha256: job.summary_sha256,
        })
    }

    /// Writes a copy of the whole database to a new file, safe while a run goes on.
    ///
    /// # Errors
    /// The file exists already or cannot be written.
    pub fn copy_to(&self, file: &Path) -> Result<(), StoreError> {
        let name = file.to_str().ok_or_else(|| StoreError::Io {
            path: file.display().to_string(),
            detail: "the name is not UTF-8".to_owned(),
        })?;
        if file.exists() {
            return Err(StoreError::AlreadyThere { path: file.display().to_string() });
        }
        copy_into(&self.connection, name).map_err(|error| StoreError::database(file, error))
    }

    fn ids(&self, sql: &str, job: &StoredJob) -> Result<Vec<i64>, StoreError> {
        let mut statement = self.prepare(sql)?;
        let ids = statement.query_map([job.id], |row| row.get(0)).map_err(|error| self.error(error))?;
        ids.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    fn packed_trainings(&self, job: &StoredJob) -> Result<Vec<PackedTraining>, StoreError> {
        let mut statement = self.prepare(
            "SELECT passed, failed_stage, failed_lanes, causes, detail_json_zstd FROM trainings \
             WHERE job_id = ? ORDER BY sequence",
        )?;
        let rows = statement
            .query_map([job.id], |row| {
                Ok(PackedTraining {
                    passed: row.get(0)?,
                    failed_stage: row.get(1)?,
                    failed_lanes: row.get(2)?,
                    causes: row.get(3)?,
                    detail: row.get(4)?,
                })
            })
            .map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    fn packed_capture(&self, id: i64) -> Result<PackedCapture, StoreError> {
        self.prepare(&format!("SELECT {CAPTURE_COLUMNS} FROM captures WHERE rowid = ?"))?
            .query_row([id], packed_capture)
            .map_err(|error| self.error(error))
    }

    fn reading_rows(&self, sql: &str, of: &[&dyn rusqlite::ToSql]) -> Result<Vec<Reading>, StoreError> {
        let mut statement = self.prepare(sql)?;
        let rows = statement
            .query_map(of, |row| {
                Ok(Reading { bench_s: row.get(0)?, name: row.get(1)?, value: row.get(2)?, unit: row.get(3)? })
            })
            .map_err(|error| self.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.error(error))
    }

    fn damaged(&self, job: &StoredJob, what: &str, detail: &str) -> StoreError {
        StoreError::corrupt(&self.path, format!("{what} of job {}: {detail}", hex(&job.row.key)))
    }
}

/// All jobs of a store in the plan's order; see [`StoreReader::jobs`].
#[derive(Debug)]
pub struct Jobs<'a> {
    reader: &'a StoreReader,
    which: Attempts,
    page: std::vec::IntoIter<StoredJob>,
    /// `None` at the end; else the place after which to go on.
    after: Option<Option<(u64, JobKey, u32)>>,
}

impl Jobs<'_> {
    fn fetch(&self, after: Option<(u64, JobKey, u32)>) -> Result<Vec<StoredJob>, StoreError> {
        let (position, key, attempt) =
            after.map_or((-1, [0; 32], 0), |(position, key, attempt)| (position as i64, key, attempt));
        // Any other index would make every page of the list sort all jobs.
        let counting = if self.which == Attempts::Counting { "AND superseded = 0" } else { "" };
        let sql = format!(
            "SELECT {JOB_COLUMNS} FROM jobs INDEXED BY jobs_in_order JOIN identities ON identities.id = identity_id \
             WHERE (plan_position, job_key, attempt) > (?, ?, ?) {counting} \
             ORDER BY plan_position, job_key, attempt LIMIT {PAGE}"
        );
        let mut statement = self.reader.prepare(&sql)?;
        let rows = statement
            .query_map(params![position, key, attempt], stored_job)
            .map_err(|error| self.reader.error(error))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|error| self.reader.error(error))
    }
}

impl Iterator for Jobs<'_> {
    type Item = Result<StoredJob, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        if let Some(job) = self.page.next() {
            return Some(Ok(job));
        }
        match self.fetch(self.after?) {
            Ok(page) => {
                self.after =
                    page.last().map(|last| Some((last.row.plan_position, last.row.key, last.attempt)));
                self.page = page.into_iter();
                self.page.next().map(Ok)
            }
            Err(error) => {
                self.after = None;
                Some(Err(error))
            }
        }
    }
}

/// Writes a copy of a database into a new file. SQLite takes that for a change, which a reader's connection forbids itself.
pub(super) fn copy_into(connection: &Connection, file: &str) -> rusqlite::Result<()> {
    let forbidden: bool = connection.query_row("PRAGMA query_only", [], |row| row.get(0))?;
    connection.pragma_update(None, "query_only", false)?;
    let copied = connection.execute("VACUUM INTO ?", [file]);
    connection.pragma_update(None, "query_only", forbidden)?;
    copied.map(|_| ())
}

/// Size of the log of changes beside a database; 0 where there is none.
pub(super) fn log_bytes(path: &Path) -> u64 {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    std::fs::metadata(PathBuf::from(name)).map_or(0, |log| log.len())
}

/// A URI that opens a file that nobody changes (RFC 3986: everything but unreserved characters escaped).
fn immutable_uri(path: &Path) -> String {
    let mut uri = String::from("file:");
    for byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' | b'~' => {
                uri.push(char::from(*byte));
            }
            other => uri.push_str(&format!("%{other:02X}")),
        }
    }
    uri + "?immutable=1"
}
