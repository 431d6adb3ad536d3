//! What a run puts on record: results, readings, events, plans, limits.

use super::rows::{JobKey, JobRow, LimitSet, PackedJob, Reading, hex};
use super::writer::{self, Entry};
use super::{Store, StoreError, StoredEvent, sealed};
use nightbench_core::events::{Event, Stored};
use nightbench_core::results::JobResult;
use rusqlite::{Transaction, params};
use sha2::{Digest, Sha256};

impl Store {
    /// Records a finished job; with [`EachJob`](super::Durability::EachJob) it is safe on the disk when this returns.
    ///
    /// # Errors
    /// [`StoreError::AlreadyDone`]; numbers or counts that cannot be stored; a write error, after which the job
    /// still waits and [`commit`](Store::commit) tries again.
    pub fn record(
        &mut self,
        row: &JobRow,
        result: &JobResult,
        readings: &[Reading],
    ) -> Result<(), StoreError> {
        self.record_packed(PackedJob::new(row, result, readings)?)
    }

    /// Records a job packed elsewhere, for example by the thread that measured it, or taken from another store.
    ///
    /// # Errors
    /// As [`record`](Store::record).
    pub fn record_packed(&mut self, mut job: PackedJob) -> Result<(), StoreError> {
        writer::position(&job.row)?;
        let replaces = self.replacing.get(job.key()).filter(|_| job.superseded.is_none()).cloned();
        // Taken from another store: its number must be free among the jobs that wait as well.
        let taken = job.attempt.is_some();
        if self.waiting_taken.contains(job.key()) || (taken && self.waiting_keys.contains(job.key())) {
            self.commit()?;
        }
        let is_done = job.superseded.is_none() && replaces.is_none() && self.is_done(job.key())?;
        if is_done || self.reader.has_attempt(&job)? {
            return Err(StoreError::AlreadyDone { job: hex(job.key()) });
        }
        if replaces.is_some() {
            self.replacing.remove(job.key());
            job.replaces = replaces;
        }
        if job.superseded.is_none() {
            self.waiting_keys.insert(*job.key());
        }
        if taken {
            self.waiting_taken.insert(*job.key());
        }
        self.push(Entry::Job(Box::new(job)))
    }

    /// Appends readings taken between jobs.
    ///
    /// # Errors
    /// A number that is not finite, or a write error.
    pub fn record_readings(&mut self, readings: Vec<Reading>) -> Result<(), StoreError> {
        if let Some(reading) = readings.iter().find(|one| !one.value.is_finite() || !one.bench_s.is_finite())
        {
            return Err(StoreError::Value {
                what: format!("reading {} ({})", reading.name, reading.unit),
                value: format!("{} at {} s", reading.value, reading.bench_s),
                limit: "numbers must be finite",
            });
        }
        self.push(Entry::Readings(readings))
    }

    /// Appends an event to the log.
    ///
    /// # Errors
    /// A write error, after which the event still waits.
    pub fn append_event(&mut self, utc: &str, event: &Event) -> Result<(), StoreError> {
        self.push(Entry::Event { utc: utc.to_owned(), parts: StoredEvent::parts(event)? })
    }

    /// Appends an event of another log as it stands there.
    ///
    /// # Errors
    /// A write error, after which the event still waits.
    pub fn copy_event(&mut self, event: StoredEvent) -> Result<(), StoreError> {
        self.push(Entry::Event { utc: event.utc, parts: [event.kind, event.facts, event.text] })
    }

    /// Has the job a result that counts, written or waiting?
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn is_done(&self, key: &JobKey) -> Result<bool, StoreError> {
        Ok(self.waiting_keys.contains(key) || self.reader.is_done(key)?)
    }

    /// The next result of each of these jobs takes the place of the one that counts, which is kept as superseded for this reason. Until
    /// then, and where none comes while the store is open, the old one counts.
    pub fn replace(&mut self, keys: &[JobKey], reason: &str) {
        self.replacing.extend(keys.iter().map(|key| (*key, reason.to_owned())));
    }

    /// Marks the result of a job as superseded, so that the job can be measured again; the old attempt stays.
    ///
    /// # Errors
    /// [`StoreError::NoSuchJob`], or a write error.
    pub fn supersede(&mut self, key: &JobKey, reason: &str) -> Result<(), StoreError> {
        self.commit()?;
        let changed = self.change(|transaction| {
            let changed = writer::supersede(transaction, key, reason)?;
            sealed::states(transaction).map(|()| changed)
        })?;
        if changed == 0 { Err(StoreError::NoSuchJob { job: hex(key) }) } else { Ok(()) }
    }

    /// Records the plan of a continued run and the places of its jobs; jobs not named keep their place.
    ///
    /// # Errors
    /// A write error; nothing is changed then.
    pub fn extend_plan(
        &mut self,
        utc: &str,
        title: &str,
        plan_text: &str,
        places: impl IntoIterator<Item = (JobKey, u64)>,
    ) -> Result<(), StoreError> {
        self.commit()?;
        self.change(|transaction| {
            insert_plan(transaction, utc, title, plan_text)?;
            let mut place = transaction.prepare_cached(
                "UPDATE jobs SET plan_position = ?1 WHERE job_key = ?2 AND plan_position <> ?1",
            )?;
            for (key, position) in places {
                place.execute(params![i64::try_from(position).unwrap_or(i64::MAX), key])?;
            }
            sealed::states(transaction)
        })
    }

    /// Records limits that results are judged by, unless the same were recorded last.
    ///
    /// # Errors
    /// A write error.
    pub fn record_limits(&mut self, limits: &LimitSet) -> Result<(), StoreError> {
        let last = self.reader.limit_sets()?.pop();
        if last.is_some_and(|last| {
            last.limits_text == limits.limits_text
                && last.agreed_before_measuring == limits.agreed_before_measuring
        }) {
            return Ok(());
        }
        self.commit()?;
        self.change(|transaction| {
            transaction.execute(
                "INSERT INTO limit_sets (recorded_utc, agreed_before_measuring, limits_sha256, limits_text) \
                 VALUES (?, ?, ?, ?)",
                params![
                    limits.recorded_utc,
                    limits.agreed_before_measuring,
                    sha256_hex(&limits.limits_text),
                    limits.limits_text
                ],
            )?;
            sealed::last_row(transaction, Stored::Limits)
        })
    }
}

pub(super) fn insert_plan(
    transaction: &Transaction<'_>,
    utc: &str,
    title: &str,
    text: &str,
) -> rusqlite::Result<()> {
    transaction.execute(
        "INSERT INTO plans (recorded_utc, title, plan_sha256, plan_text) VALUES (?, ?, ?, ?)",
        params![utc, title, sha256_hex(text), text],
    )?;
    sealed::last_row(transaction, Stored::Plan)
}

fn sha256_hex(text: &str) -> String {
    hex(&Sha256::digest(text.as_bytes()))
}
