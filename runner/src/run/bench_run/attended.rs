//! Attended hours on a bench: when hands may be asked for, by local time.

use plan::Plan;
use plan::attended::{day_and_clock, short_weekday};
use plan::bench_file::BenchFile;
use schedule::Calendar;
use std::process::Command;
use std::time::{SystemTime, UNIX_EPOCH};

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

/// A moment in words: `Mon 09:05`.
pub fn clock_words(t_min: f64) -> String {
    let (day, clock) = day_and_clock(t_min);
    format!("{} {clock}", short_weekday(day))
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
        assert_eq!(clock_words(11.0 * 60.0 + 5.0), "Thu 11:05");
    }
}
