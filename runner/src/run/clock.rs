//! Clock steps: UTC for people, the monotonic clock for durations, and what happens when the two part.
//!
//! A night crosses changes to daylight saving time and corrections by a time server. UTC knows no daylight saving
//! time, so only a step of the clock itself can upset stored times: it is noticed and logged, and durations are
//! always taken from the monotonic clock.

use crate::store::utc_text;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};
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
    pub fn now() -> Moment {
        Moment { wall: SystemTime::now(), monotonic: Instant::now() }
    }

    /// As UTC text.
    pub fn utc(&self) -> String {
        utc_text(self.wall)
    }
}

/// Time since some moment by each of the computer's clocks, read together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Clocks {
    /// Stands still while the computer is suspended.
    pub running: Duration,
    /// Goes on while it is.
    pub always: Duration,
    /// UTC, as a time server or a person sets it.
    pub utc: Duration,
}

/// For how long nothing was watched, and why that is thought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StoodStill {
    /// The computer was suspended.
    Suspended(Duration),
    /// This program did not run.
    NotRunning(Duration),
    /// UTC went on without the other clocks: a paused virtual machine, or a clock that was set forward.
    UtcWentOn(Duration),
}

impl fmt::Display for StoodStill {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StoodStill::Suspended(time) => {
                write!(f, "this computer was suspended for {:.0} s", time.as_secs_f64())
            }
            StoodStill::NotRunning(time) => write!(f, "this run stood still for {:.0} s", time.as_secs_f64()),
            StoodStill::UtcWentOn(time) => write!(
                f,
                "the clock went forward by {:.0} s: this computer was paused, or its clock was set",
                time.as_secs_f64()
            ),
        }
    }
}

impl Clocks {
    pub fn now() -> Clocks {
        let system::Running { awake, always } = system::clocks();
        let utc = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
        Clocks { running: awake, always, utc }
    }

    /// Did anything stand still for longer than `longest` between this look and a later one?
    pub fn until(&self, later: &Clocks, longest: Duration) -> Option<StoodStill> {
        let running = later.running.saturating_sub(self.running);
        let always = later.always.saturating_sub(self.always);
        let utc = later.utc.saturating_sub(self.utc);
        if always.saturating_sub(running) > longest {
            Some(StoodStill::Suspended(always.saturating_sub(running)))
        } else if running > longest {
            Some(StoodStill::NotRunning(running))
        } else {
            let ahead = utc.saturating_sub(always);
            (ahead > longest).then_some(StoodStill::UtcWentOn(ahead))
        }
    }
}

/// Reads the computer's clocks.
pub type ReadClocks = Arc<dyn Fn() -> Clocks + Send + Sync>;

/// Remembers whether anything stood still since it was made; asked from any thread, whoever asks first notices.
pub struct Awake {
    read: ReadClocks,
    longest: Duration,
    seen: Mutex<(Clocks, Option<StoodStill>)>,
}

impl Awake {
    /// From now on; shorter stand-stills do not count.
    pub fn new(read: ReadClocks, longest: Duration) -> Awake {
        let now = read();
        Awake { read, longest, seen: Mutex::new((now, None)) }
    }

    /// The first stand-still, if there was one.
    pub fn stood_still(&self) -> Option<StoodStill> {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        let now = (self.read)();
        if seen.1.is_none() {
            seen.1 = seen.0.until(&now, self.longest);
        }
        seen.0 = now;
        seen.1
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
    fn each_way_to_stand_still_is_told_apart() {
        let s = Duration::from_secs;
        let first = Clocks { running: s(100), always: s(500), utc: s(1_800_000_000) };
        let later = |running, always, utc| Clocks {
            running: first.running + s(running),
            always: first.always + s(always),
            utc: first.utc + s(utc),
        };
        let limit = s(10);
        assert_eq!(first.until(&later(1, 1, 1), limit), None);
        // A clock that is set back, and a small correction, are nobody's sleep.
        let back = Clocks { utc: first.utc - s(3600), ..later(1, 1, 0) };
        assert_eq!(first.until(&back, limit), None);
        assert_eq!(first.until(&later(1, 1, 4), limit), None);
        assert_eq!(first.until(&later(1, 3601, 3601), limit), Some(StoodStill::Suspended(s(3600))));
        assert_eq!(first.until(&later(60, 60, 60), limit), Some(StoodStill::NotRunning(s(60))));
        assert_eq!(first.until(&later(1, 1, 121), limit), Some(StoodStill::UtcWentOn(s(120))));
        let now = Clocks::now();
        assert!(now.always >= now.running && now.utc > s(1_700_000_000));
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
