//! The bench while jobs run: its driver, its clock, and where its temperature stands.

use super::attended::LocalTime;
use super::device::Bench;
use super::session::BenchSession;
use crate::run::operator::{EndsBy, Latest};
use bench::driver::within;
use contract::{Call, CancelToken, DriverError};
use nightbench_core::units::Celsius;
use plan::attended::dated_words;
use plan::bench_file::BenchFile;
use schedule::Standing;
use std::time::{Duration, Instant};

/// Longest the bench's instruments are given to be switched off, wall time.
const SAFE_LIMIT: Duration = Duration::from_secs(60);

/// A bench in use.
pub(crate) struct Site<'a> {
    pub driver: &'a mut dyn Bench,
    pub file: &'a BenchFile,
    pub cancel: &'a CancelToken,
    /// Bench seconds that earlier runs of the folder took: its time goes on.
    earlier_s: f64,
    local: LocalTime,
    /// Level that the chamber was last brought to.
    pub chamber_c: f64,
}

impl<'a> Site<'a> {
    /// A session's bench, whose run begins now; local time is `begin_local_min`.
    pub fn new(
        driver: &'a mut dyn Bench,
        session: &'a BenchSession,
        cancel: &'a CancelToken,
        earlier_s: f64,
        begin_local_min: f64,
    ) -> Site<'a> {
        let file = session.bench();
        let local = LocalTime::beginning(begin_local_min, session.clocks());
        Site { driver, file, cancel, earlier_s, local, chamber_c: file.room.temperature.0 }
    }

    /// Bench seconds of this run.
    pub fn elapsed_s(&self) -> f64 {
        self.driver.elapsed().0
    }

    /// A moment of this run by the folder's clock, bench seconds.
    pub fn in_folder_s(&self, elapsed_s: f64) -> f64 {
        self.earlier_s + elapsed_s
    }

    /// Local time by the bench's clock, minutes.
    pub fn local_min(&self) -> f64 {
        self.local.begin_min() + self.elapsed_s() / 60.0
    }

    /// Where the run stands, with what is mounted as the ordering problem counts it.
    pub fn standing(&self, mounted: Option<u32>) -> Standing {
        Standing { now_min: self.local_min(), mounted, chamber_c: self.chamber_c }
    }

    /// Local time at which a run of some hours is over, minutes. Hours are bench time: a clock that is moved makes them no longer.
    pub fn end_min(&self, hours: f64) -> f64 {
        self.local.begin_min() + 60.0 * hours
    }

    /// A moment by local time, for whoever is asked for hands.
    pub fn latest(&self, local_min: f64, ends_by: EndsBy) -> Latest {
        let left_s = 60.0 * (local_min - self.local_min()).max(0.0) / self.file.time_scale;
        Latest {
            at: Instant::now() + Duration::from_secs_f64(left_s),
            ends_by,
            words: dated_words(local_min),
        }
    }

    /// A call that may take as long as a temperature.
    pub fn long_call(&self) -> Call {
        let limit = self.file.settle.time_out_s / self.file.time_scale + 30.0;
        Call::within(Duration::from_secs_f64(limit), self.cancel)
    }

    /// Switches everything off, whatever was cancelled.
    pub fn make_safe(&mut self) -> Result<(), DriverError> {
        self.driver.make_safe(&within(SAFE_LIMIT))
    }

    /// Everything measured off and within the band for hands.
    pub fn ready_for_hands(&mut self) -> Result<Vec<(String, Celsius)>, DriverError> {
        self.make_safe()?;
        let call = self.long_call();
        self.driver.wait_touch_safe(&call)
    }
}
