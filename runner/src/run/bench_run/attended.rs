//! Attended hours on a bench: when hands may be asked for, by local time.

use crate::run::clock::{Clocks, ReadClocks};
use plan::Plan;
use plan::bench_file::BenchFile;
use schedule::Calendar;
use std::cell::Cell;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Local time at the beginning, minutes since 1970-01-01 00:00 local. Where the system cannot say how far local time is
/// from UTC, UTC is taken.
pub fn local_minutes() -> f64 {
    let utc = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |since| since.as_secs_f64() / 60.0);
    utc + utc_offset_min().unwrap_or(0.0)
}

/// Minutes that local time is ahead of UTC, as the system's `date` says (POSIX).
fn utc_offset_min() -> Option<f64> {
    let output = Command::new("date").arg("+%z").output().ok()?;
    offset(String::from_utf8(output.stdout).ok()?.trim())
}

/// How often is looked whether local time is still as far from UTC, seconds.
const ZONE_LOOK_S: f64 = 60.0;

/// By how much local time was moved since a run began: a clock that was wrong and is set, or a change to daylight saving time. People
/// come by the clock on the wall.
pub struct LocalTime {
    begin_min: f64,
    clocks: ReadClocks,
    zone: fn() -> Option<f64>,
    begin: (Clocks, Option<f64>),
    /// When the zone was looked at last, by the running clock, and what it had moved, min.
    looked: Cell<(f64, f64)>,
}

impl LocalTime {
    /// From now on; it is `begin_min` now.
    pub fn beginning(begin_min: f64, clocks: &ReadClocks) -> LocalTime {
        LocalTime::by_zone(begin_min, clocks, utc_offset_min)
    }

    fn by_zone(begin_min: f64, clocks: &ReadClocks, zone: fn() -> Option<f64>) -> LocalTime {
        let now = clocks();
        let looked = Cell::new((now.running.as_secs_f64(), 0.0));
        LocalTime { begin_min, clocks: Arc::clone(clocks), zone, begin: (now, zone()), looked }
    }

    /// Local time at the beginning as the clock shows it now, min: bench time since then is still to be added.
    pub fn begin_min(&self) -> f64 {
        let now = (self.clocks)();
        let (begin, zone) = &self.begin;
        let passed = |by: fn(&Clocks) -> Duration| by(&now).as_secs_f64() - by(begin).as_secs_f64();
        let (looked_s, mut zone_moved) = self.looked.get();
        if now.running.as_secs_f64() - looked_s >= ZONE_LOOK_S {
            zone_moved = (self.zone)().zip(*zone).map_or(zone_moved, |(now, begin)| now - begin);
            self.looked.set((now.running.as_secs_f64(), zone_moved));
        }
        let stepped_s = passed(|clocks| clocks.utc) - passed(|clocks| clocks.running);
        self.begin_min + stepped_s / 60.0 + zone_moved
    }
}

/// Reads `+0130`.
fn offset(text: &str) -> Option<f64> {
    let sign = match text.chars().next()? {
        '+' => 1.0,
        '-' => -1.0,
        _ => return None,
    };
    let (hours, minutes): (f64, f64) = (text.get(1..3)?.parse().ok()?, text.get(3..5)?.parse().ok()?);
    Some(sign * (60.0 * hours + minutes))
}

/// When hands may be asked for: within the bench's hours and within the plan's.
pub struct AttendedHours {
    both: Vec<Calendar>,
    need_min: f64,
}

/// Alternations between the two calendars before they count as never open together.
const MOST_STEPS: usize = 10_000;

impl AttendedHours {
    /// Of a plan on a bench; hours that neither states are always attended.
    pub fn new(plan: &Plan, bench: &BenchFile) -> AttendedHours {
        let mut both = Vec::new();
        if let Some(attended) = plan.attended.as_ref().filter(|_| !plan.order.night_only) {
            both.push(attended.calendar.clone());
        }
        both.extend(bench.attended.map(|hours| hours.calendar()));
        AttendedHours { both, need_min: plan.times.attended_change_min(true) }
    }

    /// The hours for planning: the plan's where it has some, else the bench's.
    pub fn calendar(&self) -> Calendar {
        self.both.first().cloned().unwrap_or_else(Calendar::always)
    }

    /// The first moment from `t_min` (local) on at which a change can be made; `None`: never.
    pub fn next(&self, t_min: f64) -> Option<f64> {
        let mut t = t_min;
        for _ in 0..MOST_STEPS {
            let mut latest = t;
            for calendar in &self.both {
                latest = latest.max(calendar.next_attended(t, self.need_min).ok()?.0);
            }
            if latest <= t {
                return Some(t);
            }
            t = latest;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use schedule::calendar::DAY_MIN;

    #[test]
    fn offsets_of_local_time_are_read() {
        assert_eq!(offset("+0130"), Some(90.0));
        assert_eq!(offset("-0800"), Some(-480.0));
        assert_eq!(offset("+0000"), Some(0.0));
        for text in ["", "0130", "+1", "+ab00"] {
            assert_eq!(offset(text), None, "{text}");
        }
    }

    /// Two hours back by a time server, an hour forward into summer: the wall's clock is followed. Time that passes moves nothing.
    #[test]
    fn local_time_follows_a_clock_that_is_set_and_daylight_saving_time() {
        use std::sync::atomic::{AtomicU64, Ordering};
        static ZONE_MIN: AtomicU64 = AtomicU64::new(60);
        let (running_s, utc_s) = (Arc::new(AtomicU64::new(100)), Arc::new(AtomicU64::new(1_800_000_000)));
        let (running, utc) = (Arc::clone(&running_s), Arc::clone(&utc_s));
        let clocks: ReadClocks = Arc::new(move || {
            let of = |clock: &AtomicU64| Duration::from_secs(clock.load(Ordering::SeqCst));
            Clocks { running: of(&running), always: of(&running), utc: of(&utc) }
        });
        let zone = || Some(ZONE_MIN.load(Ordering::SeqCst) as f64);
        let local = LocalTime::by_zone(1200.0, &clocks, zone);
        let passes = |seconds: u64, shown: i64| {
            running_s.fetch_add(seconds, Ordering::SeqCst);
            let now = utc_s.load(Ordering::SeqCst).checked_add_signed(shown).unwrap();
            utc_s.store(now, Ordering::SeqCst);
        };
        assert!((local.begin_min() - 1200.0).abs() < 1e-9);
        passes(3600, 3600);
        assert!((local.begin_min() - 1200.0).abs() < 1e-9);
        passes(30, 30 - 7200);
        assert!((local.begin_min() - 1080.0).abs() < 1e-9, "{}", local.begin_min());
        ZONE_MIN.store(120, Ordering::SeqCst);
        passes(60, 60);
        assert!((local.begin_min() - 1140.0).abs() < 1e-9, "{}", local.begin_min());
    }

    #[test]
    fn hands_come_within_both_calendars() {
        // Thursday 1970-01-01: 09:00 to 12:00 by the plan, 11:00 to 17:00 by the bench.
        let hours = |a: u16, b: u16| {
            Calendar::new(std::array::from_fn(|_| vec![(a * 60, b * 60)]), Default::default()).unwrap()
        };
        let attended = AttendedHours { both: vec![hours(9, 12), hours(11, 17)], need_min: 10.0 };
        assert_eq!(attended.next(9.5 * 60.0), Some(11.0 * 60.0));
        assert_eq!(attended.next(11.5 * 60.0), Some(11.5 * 60.0));
        // Five minutes before noon are too short for a change.
        assert_eq!(attended.next(11.0 * 60.0 + 55.0), Some(DAY_MIN + 11.0 * 60.0));
        let never = AttendedHours { both: vec![hours(9, 11), hours(12, 17)], need_min: 10.0 };
        assert_eq!(never.next(0.0), None);
        assert_eq!(AttendedHours { both: Vec::new(), need_min: 10.0 }.next(123.0), Some(123.0));
    }
}
