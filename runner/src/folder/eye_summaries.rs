//! The digests of a run folder's jobs: computed from the stored counts on every core, and kept beside the store so
//! that the same counts need not be fitted again. The cache is derived: deleting it costs time, nothing else.

use crate::console::exit::{Exit, Failure};
use crate::store::{Attempts, JobKey, PackedCounts, StoreReader, StoredJob, hex};
use judge::eye_summary::{JobSummary, SUMMARY_VERSION, masks_for};
use nightbench_core::rates::DataRate;
use nightbench_core::results::{Identity, JobTimes, Readback};
use plan::Plan;
use plan::expand::{Expansion, Job};
use plan::limits::Limit;
use rayon::prelude::*;
use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// Name of the cache in a run folder.
pub const CACHE: &str = "digests.cache";

const MAGIC: &[u8; 8] = b"NBDIGEST";
/// Jobs read ahead of the threads that digest them.
const CHUNK: usize = 128;
/// Bytes of the cache read at a time to find its entries.
const READ_AHEAD: usize = 256 << 10;
/// Bytes before each digest: key, attempt, length, check sum (of the digest and of what the store says of its job).
const HEAD: usize = 32 + 4 + 4 + 8;
/// Largest digest taken for one.
const LARGEST: u32 = 64 << 20;

/// First byte, length and check sum of an entry.
type Place = (u64, u32, u64);

/// Summaries known from earlier.
struct Cache {
    file: File,
    places: HashMap<(JobKey, u32), Place>,
    /// Bytes that hold whole entries.
    whole: u64,
}

impl Cache {
    /// Opens a cache; `None` where there is none of this version. A torn end is left out.
    fn open(path: &Path) -> Option<Cache> {
        let mut file = BufReader::with_capacity(READ_AHEAD, File::open(path).ok()?);
        let length = file.get_ref().metadata().ok()?.len();
        let mut start = [0; 12];
        file.read_exact(&mut start).ok()?;
        if &start[..8] != MAGIC || start[8..] != SUMMARY_VERSION.to_le_bytes() {
            return None;
        }
        let (mut places, mut whole) = (HashMap::new(), 12);
        let mut head = [0; HEAD];
        while file.read_exact(&mut head).is_ok() {
            let (key, rest) = head.split_first_chunk::<32>()?;
            let (attempt, rest) = rest.split_first_chunk::<4>()?;
            let (size, sum) = rest.split_first_chunk::<4>()?;
            let size = u32::from_le_bytes(*size);
            let sum = u64::from_le_bytes(*sum.first_chunk::<8>()?);
            let from = whole + HEAD as u64;
            if size > LARGEST || from + u64::from(size) > length {
                break;
            }
            places.insert((*key, u32::from_le_bytes(*attempt)), (from, size, sum));
            file.seek_relative(i64::from(size)).ok()?;
            whole = from + u64::from(size);
        }
        Some(Cache { file: file.into_inner(), places, whole })
    }

    /// The bytes at a place as they are.
    fn raw(&self, (from, size, _): Place) -> Option<Vec<u8>> {
        let mut bytes = vec![0; size as usize];
        self.file.read_exact_at(&mut bytes, from).ok()?;
        Some(bytes)
    }

    fn place(&self, job: &StoredJob) -> Option<Place> {
        self.places.get(&(job.row.key, job.attempt)).copied()
    }

    /// The bytes at a place; `None` where they are damaged, or belong to another measurement of the job.
    fn get(&self, (from, size, sum): Place, job: u64) -> Option<Vec<u8>> {
        let bytes = self.raw((from, size, sum))?;
        (check_sum(&bytes) ^ job == sum).then_some(bytes)
    }
}

/// New digests on their way into the cache; a write that fails ends the writing, not the report.
struct Keeper {
    path: PathBuf,
    part: PathBuf,
    file: Option<BufWriter<File>>,
}

impl Keeper {
    /// Starts a new cache with the first `whole` bytes of the old one.
    fn start(path: &Path, whole: Option<u64>) -> Option<Keeper> {
        let part = path.with_extension(format!("cache.part-{}", std::process::id()));
        let mut file = File::create(&part).ok()?;
        let copied = match whole {
            Some(whole) => {
                File::open(path).and_then(|old| std::io::copy(&mut old.take(whole), &mut file)).is_ok()
            }
            None => {
                file.write_all(MAGIC).and_then(|()| file.write_all(&SUMMARY_VERSION.to_le_bytes())).is_ok()
            }
        };
        let keeper = Keeper { path: path.into(), part, file: Some(BufWriter::new(file)) };
        copied.then_some(keeper)
    }

    fn add(&mut self, key: &JobKey, attempt: u32, job: u64, bytes: &[u8]) {
        if let Some(file) = &mut self.file
            && write_entry(file, key, attempt, check_sum(bytes) ^ job, bytes).is_err()
        {
            self.file = None;
        }
    }

    fn finish(mut self) {
        if let Some(mut file) = self.file.take()
            && file.flush().is_ok()
        {
            let _ = std::fs::rename(&self.part, &self.path);
        }
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.part);
    }
}

/// Appends digests while jobs finish, when their counts are still unpacked. What cannot be written is computed from
/// the store later.
///
/// An entry may be there whose job never reached the store: for simulated jobs alone, which come out the same when
/// they are measured again.
pub struct SummaryWriter {
    file: Option<BufWriter<File>>,
}

impl SummaryWriter {
    /// Opens a folder's cache; one of another version is begun afresh, a torn end is cut off.
    pub fn open(dir: &Path) -> SummaryWriter {
        let path = dir.join(CACHE);
        let open = || -> std::io::Result<File> {
            let whole = Cache::open(&path).map(|cache| cache.whole);
            let mut file = File::options().create(true).append(true).open(&path)?;
            file.set_len(whole.unwrap_or(0))?;
            if whole.is_none() {
                file.write_all(MAGIC)?;
                file.write_all(&SUMMARY_VERSION.to_le_bytes())?;
            }
            Ok(file)
        };
        SummaryWriter { file: open().ok().map(BufWriter::new) }
    }

    /// Adds a job's digest, as [`JobSummary::to_bytes`], with the [`fingerprint`] of its job.
    pub fn add(&mut self, key: &JobKey, attempt: u32, job: u64, bytes: &[u8]) {
        self.put(key, attempt, check_sum(bytes) ^ job, bytes);
    }

    fn put(&mut self, key: &JobKey, attempt: u32, sum: u64, bytes: &[u8]) {
        if let Some(file) = &mut self.file
            && write_entry(file, key, attempt, sum, bytes).is_err()
        {
            self.file = None;
        }
    }
}

/// Takes over the digests of a folder that is merged into another, of the attempts that are `wanted` from it: what
/// was fitted once need not be fitted again. What cannot be read or written is computed from the store later.
pub fn take_over(from: &Path, to: &Path, wanted: impl Fn(&JobKey, u32) -> bool) {
    let Some(cache) = Cache::open(&from.join(CACHE)) else { return };
    let known = Cache::open(&to.join(CACHE)).map(|cache| cache.places).unwrap_or_default();
    let mut entries: Vec<_> = cache.places.iter().collect();
    entries.retain(|(job, _)| wanted(&job.0, job.1) && !known.contains_key(job));
    if entries.is_empty() {
        return;
    }
    entries.sort_by_key(|(_, place)| place.0);
    let mut writer = SummaryWriter::open(to);
    for ((key, attempt), place) in entries {
        // Its check sum holds its job's fingerprint, and goes with it.
        let (_, _, sum) = *place;
        if let Some(bytes) = cache.raw(*place) {
            writer.put(key, *attempt, sum, &bytes);
        }
    }
}

fn write_entry(
    file: &mut impl Write,
    key: &JobKey,
    attempt: u32,
    sum: u64,
    bytes: &[u8],
) -> std::io::Result<()> {
    let mut head = Vec::with_capacity(HEAD);
    head.extend(key);
    head.extend(attempt.to_le_bytes());
    head.extend((bytes.len() as u32).to_le_bytes());
    head.extend(sum.to_le_bytes());
    file.write_all(&head)?;
    file.write_all(bytes)
}

/// Writes a cache afresh: for benchmarks, which have digests but no counts.
///
/// # Errors
/// The file cannot be created.
pub fn write_cache(
    dir: &Path,
    digests: impl IntoIterator<Item = (JobKey, u32, u64, JobSummary)>,
) -> std::io::Result<()> {
    let mut keeper = Keeper::start(&dir.join(CACHE), None)
        .ok_or_else(|| std::io::Error::other("the cache cannot be created"))?;
    for (key, attempt, job, digest) in digests {
        keeper.add(&key, attempt, job, &digest.to_bytes());
    }
    keeper.finish();
    Ok(())
}

/// What the store says of a job beside its counts, in a number: a digest of another measurement of the same job (a store
/// put back from a copy, another seed) is not taken for its own.
pub fn fingerprint(
    utc: (&str, &str),
    identity: &Identity,
    readback: Option<&Readback>,
    times: JobTimes,
) -> u64 {
    let mut bytes = Vec::with_capacity(160);
    for text in [utc.0, utc.1, &identity.chip_serial, &identity.firmware_hash, &identity.settings_hash] {
        bytes.extend(text.as_bytes());
        bytes.push(0);
    }
    let temperature = readback.map_or(f64::NAN, |readback| readback.temperature.0);
    for number in [temperature, times.training_s, times.measuring_s] {
        bytes.extend(number.to_le_bytes());
    }
    check_sum(&bytes)
}

fn fingerprint_of(stored: &StoredJob) -> u64 {
    let utc = (stored.row.started_utc.as_str(), stored.row.ended_utc.as_str());
    fingerprint(utc, &stored.identity, stored.readback.as_ref(), stored.times)
}

/// FNV-1a over 8-byte words: against torn writes, not against intent.
fn check_sum(bytes: &[u8]) -> u64 {
    let mut sum = 0xcbf2_9ce4_8422_2325_u64;
    for chunk in bytes.chunks(8) {
        let mut word = [0; 8];
        word[..chunk.len()].copy_from_slice(chunk);
        sum = (sum ^ u64::from_le_bytes(word)).wrapping_mul(0x0100_0000_01b3).rotate_left(23);
    }
    sum
}

/// What may be done with the cache.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CacheUse {
    /// Read, and extended by what is new.
    Keep,
    /// Read only: the folder is not touched.
    Look,
    /// Neither: every digest is computed from the counts, and the cache written afresh.
    Afresh,
}

enum Source {
    Known(Place),
    Counts(PackedCounts),
}

type Sourced = (StoredJob, Job, Source);

/// A run folder whose jobs are to be summarised.
#[derive(Clone, Copy)]
pub struct SummarisedFolder<'a> {
    /// The folder.
    pub dir: &'a Path,
    /// Its store.
    pub reader: &'a StoreReader,
    /// Limits whose masks are wanted.
    pub limits: &'a [Limit],
    /// Its plan.
    pub plan: &'a Plan,
    /// The plan's conditions.
    pub expansion: &'a Expansion,
    /// What may be done with the cache.
    pub cache_use: CacheUse,
}

/// Summarises every counting job that `wanted` asks for, in the order of the run, and hands them on one at a time.
///
/// # Errors
/// Exit 74: the store cannot be read or holds something else.
pub fn each_summary(
    folder: &SummarisedFolder<'_>,
    mut wanted: impl FnMut(&StoredJob) -> Option<Job>,
    mut take: impl FnMut(&StoredJob, &Job, JobSummary),
) -> Result<(), Failure> {
    let SummarisedFolder { dir, reader, limits, plan, expansion, cache_use } = *folder;
    let path = dir.join(CACHE);
    let cache = if cache_use == CacheUse::Afresh { None } else { Cache::open(&path) };
    let whole = cache.as_ref().map(|cache| cache.whole);
    let mut keeper: Option<Keeper> = None;
    let mut keep = cache_use != CacheUse::Look;
    let rate = |job: &Job| expansion.conditions[job.condition as usize].rate(plan);
    let summarised = |(stored, job, source): &Sourced| match source {
        Source::Known(place) => {
            let bytes = cache.as_ref().and_then(|cache| cache.get(*place, fingerprint_of(stored)));
            let found = bytes.and_then(|bytes| JobSummary::from_bytes(&bytes));
            Ok(found.filter(|found| complete(found, limits, rate(job))))
        }
        Source::Counts(counts) => compute(stored, counts, limits, rate(job)).map(Some),
    };
    let mut jobs = reader.jobs(Attempts::Counting);
    let mut read = || -> Result<Vec<Sourced>, Failure> {
        let mut chunk = Vec::with_capacity(CHUNK);
        while chunk.len() < CHUNK {
            let Some(stored) = jobs.next() else { break };
            let stored = stored?;
            let Some(job) = wanted(&stored) else { continue };
            let source = match cache.as_ref().and_then(|cache| cache.place(&stored)) {
                Some(place) => Source::Known(place),
                None => Source::Counts(reader.counts(&stored)?),
            };
            chunk.push((stored, job, source));
        }
        Ok(chunk)
    };
    let mut next = read()?;
    while !next.is_empty() {
        let chunk = std::mem::take(&mut next);
        let mut digests = Ok(Vec::new());
        // The next jobs are read while the other cores digest these.
        next = rayon::in_place_scope(|scope| {
            scope.spawn(|_| digests = chunk.par_iter().map(summarised).collect());
            read()
        })?;
        let digests: Vec<Option<JobSummary>> = digests?;
        for ((stored, job, source), found) in chunk.into_iter().zip(digests) {
            let known = matches!(source, Source::Known(_)) && found.is_some();
            let digest = match found {
                Some(digest) => digest,
                // A damaged entry, or a mask that was not asked for before.
                None => {
                    let counts = reader.counts(&stored)?;
                    compute(&stored, &counts, limits, rate(&job))?
                }
            };
            if keep && !known {
                if keeper.is_none() {
                    keeper = Keeper::start(&path, whole);
                    keep = keeper.is_some();
                }
                if let Some(keeper) = &mut keeper {
                    keeper.add(&stored.row.key, stored.attempt, fingerprint_of(&stored), &digest.to_bytes());
                }
            }
            take(&stored, &job, digest);
        }
    }
    if let Some(keeper) = keeper {
        keeper.finish();
    }
    Ok(())
}

/// Does the digest hold every mask that the limits ask for?
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
