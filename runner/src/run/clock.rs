//! Clock steps: UTC for people, the monotonic clock for durations, and what happens when the two part.
//!
//! A night crosses changes to daylight saving time and corrections by a time server. UTC knows no daylight saving
//! time, so only a step of the clock itself can upset stored times: it is noticed and logged, and durations are
//! always taken from the monotonic clock.

use crate::store::utc_text;
use std::time::{Duration, Instant, SystemTime};

/// Smallest step of the clock that is logged: corrections by a time server are far smaller.
pub const SMALLEST_STEP: Duration = Duration::from_secs(2);

/// Both clocks, read together.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    /// The system's clock.
    pub wall: SystemTime,
    /// The clock that never goes back.
    pub monotonic: Instant,
}

impl Moment {
    /// Now.
    pub fn now() -> Moment {
        Moment { wall: SystemTime::now(), monotonic: Instant::now() }
    }

    /// As UTC text.
    pub fn utc(&self) -> String {
        utc_text(self.wall)
    }
}

/// A step of the system's clock against the monotonic one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockStep {
    /// By how much, seconds; positive when the clock went forward.
    pub seconds: f64,
}

/// Notices steps between moments. Look at least every few minutes: the drift between two looks must stay small.
#[derive(Debug, Clone, Copy)]
pub struct ClockWatch {
    last: Moment,
    start: Instant,
}

impl ClockWatch {
    /// Begins at a moment.
    pub fn new(at: Moment) -> ClockWatch {
        ClockWatch { last: at, start: at.monotonic }
    }

    /// Seconds since the beginning by the monotonic clock.
    pub fn elapsed_s(&self, at: Moment) -> f64 {
        at.monotonic.saturating_duration_since(self.start).as_secs_f64()
    }

    /// Compares the clocks since the last look; a step above [`SMALLEST_STEP`] is told once. A computer that slept
    /// shows as a step forward where the monotonic clock stands still meanwhile.
    pub fn look(&mut self, at: Moment) -> Option<ClockStep> {
        let passed = at.monotonic.saturating_duration_since(self.last.monotonic).as_secs_f64();
        let shown = match at.wall.duration_since(self.last.wall) {
            Ok(forward) => forward.as_secs_f64(),
            Err(back) => -back.duration().as_secs_f64(),
        };
        self.last = at;
        let seconds = shown - passed;
        (seconds.abs() > SMALLEST_STEP.as_secs_f64()).then_some(ClockStep { seconds })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(start: Moment, wall_ms: i64, monotonic_ms: u64) -> Moment {
        let step = Duration::from_millis(wall_ms.unsigned_abs());
        Moment {
            wall: if wall_ms < 0 { start.wall - step } else { start.wall + step },
            monotonic: start.monotonic + Duration::from_millis(monotonic_ms),
        }
    }

    #[test]
    fn a_steady_clock_and_small_corrections_say_nothing() {
        let start = Moment::now();
        let mut watch = ClockWatch::new(start);
        assert_eq!(watch.look(after(start, 60_000, 60_000)), None);
        assert_eq!(watch.look(after(start, 121_900, 120_000)), None);
        assert!((watch.elapsed_s(after(start, -5, 90_500)) - 90.5).abs() < 1e-9);
    }

    #[test]
    fn a_step_is_told_once_with_its_size_and_way() {
        let start = Moment::now();
        let mut watch = ClockWatch::new(start);
        let step = watch.look(after(start, 3_610_000, 10_000)).unwrap();
        assert!((step.seconds - 3600.0).abs() < 1e-6, "{step:?}");
        assert_eq!(watch.look(after(start, 3_620_000, 20_000)), None);
        let back = watch.look(after(start, -40_000, 30_000)).unwrap();
        assert!((back.seconds + 3670.0).abs() < 1e-6, "{back:?}");
        assert_eq!(watch.look(after(start, -37_100, 31_000)), None);
        assert!(watch.look(after(start, -34_000, 32_000)).is_some());
    }
}
