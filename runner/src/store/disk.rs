//! Disk space: an estimate before the start, what is free, and a ballast file for a clean stop.

use super::error::StoreError;
use super::reader::log_bytes;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use system::FileIdentity;

/// What a run will store, for an estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StoredAmount {
    /// Number of jobs.
    pub jobs: u64,
    pub captures_per_job: u64,
    /// Points visited in a capture.
    pub points_per_capture: u64,
    /// Lanes of a capture.
    pub lanes: u64,
}

/// Bytes a count takes when packed: 0.32 in a closed eye, 0.41 with wide edges (measured by the bench), with
/// some room.
const BYTES_A_COUNT: f64 = 0.45;
/// Bytes of a lane's training results, measured at about 40 a stage of ten stages.
const TRAINING_BYTES_A_LANE: u64 = 400;
/// Bytes of a job's row, its index entries and some readings.
const BYTES_A_JOB: u64 = 4_000;
/// Bytes of a capture beside its counts.
const BYTES_A_CAPTURE: u64 = 1_000;
/// Room for the report and the database itself.
const FIXED_BYTES: u64 = 8 << 20;

/// Bytes a run folder needs at most while the run ends: the results twice (the database's log of changes is
/// folded into it at the end), the ballast and some room for the report.
pub fn disk_space_estimate(amount: StoredAmount) -> u64 {
    let counts = amount.points_per_capture.saturating_mul(amount.lanes);
    let capture = (counts as f64 * BYTES_A_COUNT).ceil() as u64 + BYTES_A_CAPTURE;
    let job = capture
        .saturating_mul(amount.captures_per_job)
        .saturating_add(BYTES_A_JOB + TRAINING_BYTES_A_LANE.saturating_mul(amount.lanes));
    job.saturating_mul(amount.jobs).saturating_mul(2).saturating_add(FIXED_BYTES + BALLAST_BYTES)
}

/// Bytes free to this user in the file system of `dir`; `None` where the system does not say.
///
/// Asks the POSIX command `df -Pk`: the standard library has no call for it.
pub fn free_disk_bytes(dir: &Path) -> Option<u64> {
    let answer = Command::new("df")
        .arg("-Pk")
        .arg("--")
        .arg(dir)
        .env("LC_ALL", "C")
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output()
        .ok()?;
    if !answer.status.success() {
        return None;
    }
    let text = String::from_utf8_lossy(&answer.stdout);
    // A head line, then: file system, 1024-byte blocks, used, available, capacity, mounted on. The name of
    // the file system may hold blanks, so the columns are found from the one that ends in a percent sign.
    let words: Vec<&str> = text.lines().nth(1)?.split_whitespace().collect();
    let capacity = words
        .iter()
        .position(|word| word.strip_suffix('%').is_some_and(|number| number.parse::<u32>().is_ok()))?;
    words.get(capacity.checked_sub(1)?)?.parse::<u64>().ok()?.checked_mul(1024)
}

/// Size of the ballast on a bench: a few jobs, the last events and the report fit in it.
pub(super) const BALLAST_BYTES: u64 = 16 << 20;
/// Size of the ballast of a simulated run, where a lost job costs seconds.
pub(super) const SMALL_BALLAST_BYTES: u64 = 2 << 20;

/// A file that only takes room, to be given up when the disk is full.
#[derive(Debug)]
pub(super) struct Ballast {
    path: PathBuf,
    there: bool,
}

impl Ballast {
    /// Makes or completes the ballast of a folder.
    pub(super) fn fill(dir: &Path, bytes: u64) -> Result<Ballast, StoreError> {
        let path = dir.join("ballast.bin");
        if std::fs::metadata(&path).is_ok_and(|found| found.len() == bytes) {
            return Ok(Ballast { path, there: true });
        }
        if let Err(error) = write_noise(&path, bytes) {
            // Half a ballast would only make matters worse.
            let _ = std::fs::remove_file(&path);
            return Err(StoreError::system(&path, &error));
        }
        Ok(Ballast { path, there: true })
    }

    /// No room is kept.
    pub(super) fn none() -> Ballast {
        Ballast { path: PathBuf::new(), there: false }
    }

    /// Was room kept, and given up?
    pub(super) fn is_given_up(&self) -> bool {
        !self.there && !self.path.as_os_str().is_empty()
    }

    /// Gives the room up; false when it was given up before.
    pub(super) fn release(&mut self) -> bool {
        std::mem::take(&mut self.there) && std::fs::remove_file(&self.path).is_ok()
    }
}

/// Where the database is, to notice that it is there no more: SQLite would go on writing to a file without a name.
#[derive(Debug)]
pub(super) struct Place {
    path: PathBuf,
    file: FileIdentity,
    /// Lengths that database and log had, and cannot fall below while nobody folds the log.
    least_bytes: u64,
    least_log_bytes: u64,
}

impl Place {
    pub(super) fn of(path: &Path) -> Result<Place, StoreError> {
        let unseen = |error| StoreError::system(path, &error);
        let there = std::fs::metadata(path).map_err(unseen)?;
        let file = FileIdentity::of(path).map_err(unseen)?;
        Ok(Place { path: path.into(), file, least_bytes: there.len(), least_log_bytes: log_bytes(path) })
    }

    /// Is everything still there that was?
    pub(super) fn look(&mut self) -> Result<(), StoreError> {
        let gone = |what| StoreError::Gone { path: self.path.display().to_string(), what };
        let now = Place::of(&self.path).map_err(|_| gone("the store was removed or its disk taken away"))?;
        if now.file != self.file {
            return Err(gone("another store was put in its place"));
        }
        if now.least_bytes < self.least_bytes || now.least_log_bytes < self.least_log_bytes {
            return Err(gone("the store or its log of changes was emptied"));
        }
        *self = now;
        Ok(())
    }

    /// The log was folded into the database.
    pub(super) fn folded(&mut self) -> Result<(), StoreError> {
        self.least_log_bytes = 0;
        self.look()
    }
}

/// Noise instead of zeros: file systems that compress or leave holes would keep no room for zeros.
fn write_noise(path: &Path, bytes: u64) -> std::io::Result<()> {
    let mut file = File::create(path)?;
    let mut block = vec![0_u8; 1 << 16];
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let mut left = bytes;
    while left > 0 {
        for word in block.chunks_exact_mut(8) {
            // Xorshift (Marsaglia 2003).
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            word.copy_from_slice(&state.to_le_bytes());
        }
        let now = left.min(block.len() as u64);
        file.write_all(block.get(..now as usize).unwrap_or(&block))?;
        left -= now;
    }
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_estimate_covers_the_packed_size_twice() {
        let night = StoredAmount { jobs: 300, captures_per_job: 2, points_per_capture: 4096, lanes: 72 };
        let bytes = disk_space_estimate(night);
        // 600 captures of up to 113 kB (measured by the bench), twice, and not twice that.
        assert!(bytes > 2 * 600 * 113_000 && bytes < 4 * 600 * 113_000, "{bytes}");
        let endless = StoredAmount { jobs: u64::MAX, ..night };
        assert_eq!(disk_space_estimate(endless), u64::MAX);
    }

    #[test]
    fn free_space_is_found_where_there_is_some() {
        let free = free_disk_bytes(&std::env::temp_dir()).unwrap();
        assert!(free > 1 << 16, "{free}");
        assert_eq!(free_disk_bytes(Path::new("/no/such/folder")), None);
    }
}
