//! The bench while jobs run: its driver, its clock, and where its temperature stands.

use super::device::Bench;
use bench::driver::within;
use contract::{Call, CancelToken, DriverError};
use nightbench_core::units::Celsius;
use plan::bench_file::BenchFile;
use std::time::Duration;

/// Longest the bench's instruments are given to be switched off, wall time.
const SAFE_LIMIT: Duration = Duration::from_secs(60);

/// A bench in use.
pub(crate) struct Site<'a> {
    pub driver: &'a mut dyn Bench,
    pub file: &'a BenchFile,
    pub cancel: &'a CancelToken,
    /// Bench seconds that earlier runs of the folder took: its time goes on.
    earlier_s: f64,
    start_local_min: f64,
    /// Level that the chamber was last brought to.
    pub chamber_c: f64,
}

impl<'a> Site<'a> {
    /// A bench whose run begins at a local time (minutes).
    pub fn new(
        driver: &'a mut dyn Bench,
        file: &'a BenchFile,
        cancel: &'a CancelToken,
        earlier_s: f64,
        start_local_min: f64,
    ) -> Site<'a> {
        Site { driver, file, cancel, earlier_s, start_local_min, chamber_c: file.room.temperature.0 }
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
        self.start_local_min + self.elapsed_s() / 60.0
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
