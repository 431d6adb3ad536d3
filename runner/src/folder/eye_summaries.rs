//! The eye summaries of a run folder's jobs: computed from the stored counts on every core, and kept beside the store so
//! that the same counts need not be fitted again. The cache is derived: deleting it costs time, nothing else.
//!
//! A summary is kept under its SHA-256, and the store says which one belongs to a result. The store's digests cover the
//! counts, and its log covers that word: who changes a summary, or exchanges two, has it computed again.

use crate::console::exit::{Exit, Failure};
use crate::store::{Attempts, JobKey, PackedCounts, StoreReader, StoredJob, hex};
use judge::JobFacts;
use judge::eye_summary::{JobSummary, SUMMARY_VERSION, masks_for};
use nightbench_core::rates::DataRate;
use plan::Plan;
use plan::expand::{Expansion, Job};
use plan::limits::Limit;
use rayon::prelude::*;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use sha2::{Digest, Sha256};
use std::path::Path;

/// Name of the cache in a run folder.
pub const CACHE: &str = "summaries.sqlite";
/// Name that it had in an earlier format.
const OLD_CACHE: &str = "digests.cache";

/// Jobs read ahead of the threads that summarise them.
const CHUNK: usize = 128;
/// Summaries that are written in one transaction: a live page computes again what is not written yet.
const GROUP: u32 = 16;

/// The SHA-256 of a summary.
pub type SummaryDigest = [u8; 32];

/// A summary as it is kept, and its digest.
pub fn packed(summary: &JobSummary) -> (Vec<u8>, SummaryDigest) {
    let mut bytes = SUMMARY_VERSION.to_le_bytes().to_vec();
    bytes.extend(summary.to_bytes());
    let digest = Sha256::digest(&bytes).into();
    (bytes, digest)
}

fn unpacked(bytes: &[u8], digest: &SummaryDigest) -> Option<JobSummary> {
    if Sha256::digest(bytes)[..] != digest[..] {
        return None;
    }
    JobSummary::from_bytes(bytes.strip_prefix(&SUMMARY_VERSION.to_le_bytes()[..])?)
}

/// The cache of a folder, open for writing too where that was asked for. A fault of it ends its use, not the report.
pub struct SummaryCache {
    connection: Option<Connection>,
    waiting: u32,
}

impl SummaryCache {
    /// Opens the cache to add to it, as far as that is possible; what is no cache is begun afresh.
    pub fn open(dir: &Path) -> SummaryCache {
        let path = dir.join(CACHE);
        let connection = writable(&path).or_else(|_| {
            // Something else under its name, or damaged.
            for end in ["", "-journal"] {
                let _ = std::fs::remove_file(dir.join(format!("{CACHE}{end}")));
            }
            writable(&path)
        });
        let _ = std::fs::remove_file(dir.join(OLD_CACHE));
        SummaryCache { connection: connection.ok(), waiting: 0 }
    }

    /// Opens the cache to read it.
    fn look(dir: &Path) -> SummaryCache {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        SummaryCache { connection: Connection::open_with_flags(dir.join(CACHE), flags).ok(), waiting: 0 }
    }

    fn get(&self, digest: &SummaryDigest) -> Option<Vec<u8>> {
        let mut statement = self
            .connection
            .as_ref()?
            .prepare_cached("SELECT summary FROM summaries WHERE sha256 = ?")
            .ok()?;
        statement.query_row([digest], |row| row.get(0)).optional().ok()?
    }

    /// Adds a summary as [`packed`] made it; false when the cache is not used.
    pub fn add(&mut self, bytes: &[u8], digest: &SummaryDigest) -> bool {
        let Some(connection) = &self.connection else { return false };
        let written = (self.waiting > 0 || connection.execute_batch("BEGIN IMMEDIATE").is_ok())
            && connection
                .prepare_cached("INSERT OR REPLACE INTO summaries (sha256, summary) VALUES (?, ?)")
                .and_then(|mut insert| insert.execute(params![digest, bytes]))
                .is_ok();
        if !written {
            self.connection = None;
            return false;
        }
        self.waiting += 1;
        if self.waiting >= GROUP {
            self.commit();
        }
        true
    }

    fn commit(&mut self) {
        if self.waiting > 0
            && let Some(connection) = &self.connection
            && connection.execute_batch("COMMIT").is_err()
        {
            self.connection = None;
        }
        self.waiting = 0;
    }
}

impl Drop for SummaryCache {
    fn drop(&mut self) {
        self.commit();
    }
}

fn writable(path: &Path) -> rusqlite::Result<Connection> {
    let connection = Connection::open(path)?;
    // What a power cut spoils is computed again.
    connection.execute_batch(
        "PRAGMA synchronous = OFF;
         CREATE TABLE IF NOT EXISTS summaries (sha256 BLOB PRIMARY KEY, summary BLOB NOT NULL) STRICT;",
    )?;
    connection.prepare("SELECT sha256, summary FROM summaries")?;
    Ok(connection)
}

/// Takes over summaries of a folder that is merged into another: what was fitted once need not be fitted again.
pub fn take_over(from: &Path, to: &Path, wanted: impl IntoIterator<Item = SummaryDigest>) {
    let cache = SummaryCache::look(from);
    if cache.connection.is_none() {
        return;
    }
    let mut into = SummaryCache::open(to);
    for digest in wanted {
        if let Some(bytes) = cache.get(&digest) {
            into.add(&bytes, &digest);
        }
    }
}

/// What may be done with the cache.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CacheUse {
    /// Read, and extended by what is new.
    Keep,
    /// Read only: the folder is not touched.
    Look,
    /// Neither: every summary is computed from the counts, and the cache extended by what is new.
    Afresh,
    /// Not read, not written.
    Ignore,
}

/// A summary that was put into the cache: the store is to be told whose it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewSummary {
    pub key: JobKey,
    /// Which attempt.
    pub attempt: u32,
    pub digest: SummaryDigest,
}

type Sourced = (StoredJob, Job, Result<Vec<u8>, PackedCounts>);

/// A run folder whose jobs are to be summarised.
#[derive(Clone, Copy)]
pub struct SummarisedFolder<'a> {
    /// The folder.
    pub dir: &'a Path,
    pub reader: &'a StoreReader,
    /// Limits whose masks are wanted.
    pub limits: &'a [Limit],
    pub plan: &'a Plan,
    /// The plan's conditions.
    pub expansion: &'a Expansion,
    /// What may be done with the cache.
    pub cache_use: CacheUse,
}

/// Summarises every counting job that `wanted` asks for, in the order of the run, and hands them on one at a time. Returns
/// what is new in the cache.
///
/// # Errors
/// Exit 74: the store cannot be read or holds something else.
pub fn each_summary(
    folder: &SummarisedFolder<'_>,
    mut wanted: impl FnMut(&StoredJob) -> Option<Job>,
    mut take: impl FnMut(&StoredJob, &Job, JobSummary),
) -> Result<Vec<NewSummary>, Failure> {
    let SummarisedFolder { dir, reader, limits, plan, expansion, cache_use } = *folder;
    let cache = match cache_use {
        CacheUse::Keep | CacheUse::Look => SummaryCache::look(dir),
        CacheUse::Afresh | CacheUse::Ignore => SummaryCache { connection: None, waiting: 0 },
    };
    let mut keeper: Option<SummaryCache> = None;
    let mut new = Vec::new();
    let rate = |job: &Job| expansion.conditions[job.condition as usize].rate(plan);
    let summarised = |(stored, job, source): &Sourced| match source {
        Ok(bytes) => {
            let digest = stored.summary_sha256.unwrap_or_default();
            Ok(unpacked(bytes, &digest).filter(|found| complete(found, limits, rate(job))))
        }
        Err(counts) => compute(stored, counts, limits, rate(job)).map(Some),
    };
    let mut jobs = reader.jobs(Attempts::Counting);
    let mut read = || -> Result<Vec<Sourced>, Failure> {
        let mut chunk = Vec::with_capacity(CHUNK);
        while chunk.len() < CHUNK {
            let Some(stored) = jobs.next() else { break };
            let stored = stored?;
            let Some(job) = wanted(&stored) else { continue };
            let source = match stored.summary_sha256.and_then(|digest| cache.get(&digest)) {
                Some(bytes) => Ok(bytes),
                None => Err(reader.counts(&stored)?),
            };
            chunk.push((stored, job, source));
        }
        Ok(chunk)
    };
    let mut next = read()?;
    while !next.is_empty() {
        let chunk = std::mem::take(&mut next);
        let mut summaries = Ok(Vec::new());
        // The next jobs are read while the other cores summarise these.
        next = rayon::in_place_scope(|scope| {
            scope.spawn(|_| summaries = chunk.par_iter().map(summarised).collect());
            read()
        })?;
        let summaries: Vec<Option<JobSummary>> = summaries?;
        for ((stored, job, source), found) in chunk.into_iter().zip(summaries) {
            let known = source.is_ok() && found.is_some();
            let summary = match found {
                Some(summary) => summary,
                // A damaged entry, or a mask that was not asked for before.
                None => {
                    let counts = reader.counts(&stored)?;
                    compute(&stored, &counts, limits, rate(&job))?
                }
            };
            if !known && matches!(cache_use, CacheUse::Keep | CacheUse::Afresh) {
                let (bytes, digest) = packed(&summary);
                let keeper = keeper.get_or_insert_with(|| SummaryCache::open(dir));
                if keeper.add(&bytes, &digest) && stored.summary_sha256 != Some(digest) {
                    new.push(NewSummary { key: stored.row.key, attempt: stored.attempt, digest });
                }
            }
            take(&stored, &job, summary);
        }
    }
    Ok(new)
}

/// What a judge is told of a stored job beside its summary.
pub fn facts(stored: &StoredJob) -> JobFacts<'_> {
    JobFacts {
        position: stored.row.plan_position,
        outcome: &stored.outcome,
        identity: &stored.identity,
        readback: stored.readback.as_ref(),
        times: stored.times,
    }
}

/// Does the summary hold every mask that the limits ask for?
fn complete(found: &JobSummary, limits: &[Limit], rate: DataRate) -> bool {
    found
        .captures
        .iter()
        .flatten()
        .all(|capture| capture.holds(&masks_for(limits, capture.eye, &capture.grid, rate)))
}

fn compute(
    stored: &StoredJob,
    counts: &PackedCounts,
    limits: &[Limit],
    rate: DataRate,
) -> Result<JobSummary, Failure> {
    let damaged = |words: String| {
        Failure::new(Exit::Store, format!("job {} in the store is damaged: {words}", hex(&stored.row.key)))
    };
    let trainings = counts.trainings().map_err(damaged)?;
    let captures = counts.captures().map_err(damaged)?;
    Ok(JobSummary::of(&trainings, &captures, |capture| masks_for(limits, capture.eye, &capture.grid, rate)))
}
