//! Attended hours and civil time: when hands are there. No clock: times are minutes since 1970-01-01 00:00
//! local civil time.

use super::cost::{Cost, Hours, Standing, Walker};
use super::model::{OrderError, Problem};
use std::collections::BTreeMap;

pub const DAY_MIN: f64 = 1440.0;
const LOOK_AHEAD_DAYS: i64 = 730;

/// Days since 1970-01-01 of a date of the proleptic Gregorian calendar. Error: no such day (source: H.
/// Hinnant, "chrono-compatible low-level date algorithms", days_from_civil).
pub fn days_from_civil(year: i64, month: u32, day: u32) -> Result<i64, OrderError> {
    let bad = Err(OrderError::BadDate { year, month, day });
    if !(1..=12).contains(&month) || day < 1 || !(-9999..=9999).contains(&year) {
        return bad;
    }
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let length = [31, if leap { 29 } else { 28 }, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][month as usize - 1];
    if day > length {
        return bad;
    }
    let y = if month <= 2 { year - 1 } else { year };
    let era = y.div_euclid(400);
    let of_era = y.rem_euclid(400);
    let of_year = (153 * ((i64::from(month) + 9) % 12) + 2) / 5 + i64::from(day) - 1;
    Ok(era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468)
}

/// Year, month and day of days since 1970-01-01 (inverse of [`days_from_civil`]).
pub fn civil_from_days(days: i64) -> (i64, u32, u32) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let of_era = z.rem_euclid(146_097);
    let year_of_era = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let m = (5 * of_year + 2) / 153;
    let day = (of_year - (153 * m + 2) / 5 + 1) as u32;
    let month = (if m < 10 { m + 3 } else { m - 9 }) as u32;
    (year_of_era + era * 400 + i64::from(month <= 2), month, day)
}

/// Weekday of days since 1970-01-01: 0 is Monday, 6 is Sunday (1970-01-01 was a Thursday).
pub fn weekday(days: i64) -> usize {
    (days + 3).rem_euclid(7) as usize
}

/// Stretches of a day in minutes `(from, to)`, `to` at most 1440.
pub type DayHours = Vec<(u16, u16)>;

/// Attended hours by weekday, with exceptions by date.
#[derive(Debug, Clone, PartialEq)]
pub struct Calendar {
    by_weekday: [DayHours; 7],
    exceptions: BTreeMap<i64, DayHours>,
}

impl Calendar {
    /// Attended hours from Monday to Sunday; `exceptions` (days since 1970-01-01) replace a day's hours.
    /// Error: malformed hours.
    pub fn new(
        by_weekday: [DayHours; 7],
        exceptions: BTreeMap<i64, DayHours>,
    ) -> Result<Calendar, OrderError> {
        let mut c = Calendar { by_weekday, exceptions };
        for hours in c.by_weekday.iter_mut().chain(c.exceptions.values_mut()) {
            hours.sort_unstable();
            for (k, &(from, to)) in hours.iter().enumerate() {
                if from >= to || to > 1440 || (k > 0 && hours[k - 1].1 > from) {
                    return Err(OrderError::BadHours { from, to });
                }
            }
        }
        Ok(c)
    }

    /// Somebody is always there.
    pub fn always() -> Calendar {
        Calendar { by_weekday: std::array::from_fn(|_| vec![(0, 1440)]), exceptions: BTreeMap::new() }
    }

    pub fn hours_on(&self, day: i64) -> &[(u16, u16)] {
        self.exceptions.get(&day).unwrap_or(&self.by_weekday[weekday(day)])
    }

    /// Attended stretches from the day of `t_min` on, adjoining ones joined, for [`LOOK_AHEAD_DAYS`].
    fn stretches(&self, t_min: f64) -> impl Iterator<Item = (f64, f64)> + '_ {
        let first = (t_min / DAY_MIN).floor() as i64;
        let mut parts = (first..first + LOOK_AHEAD_DAYS)
            .flat_map(move |day| {
                let at = day as f64 * DAY_MIN;
                self.hours_on(day).iter().map(move |&(a, b)| (at + f64::from(a), at + f64::from(b)))
            })
            .peekable();
        std::iter::from_fn(move || {
            let (a, mut b) = parts.next()?;
            while let Some((_, to)) = parts.next_if(|&(from, _)| from <= b) {
                b = to;
            }
            Some((a, b))
        })
        .filter(move |&(_, b)| b > t_min)
        .map(move |(a, b)| (a.max(t_min), b))
    }

    /// Earliest stretch of at least `need_min` at or after `t_min`, as `(start, end of attendance)`. Error:
    /// none within two years.
    pub fn next_attended(&self, t_min: f64, need_min: f64) -> Result<(f64, f64), OrderError> {
        // Most look-ups end within days, so days are joined one by one, not two years at once.
        let never = OrderError::NeverAttended { need_min, days: LOOK_AHEAD_DAYS };
        if !t_min.is_finite() || t_min.abs() > 1e12 {
            return Err(never);
        }
        let first = (t_min / DAY_MIN).floor() as i64;
        let mut now: Option<(f64, f64)> = None;
        for day in first..first + LOOK_AHEAD_DAYS {
            let at = day as f64 * DAY_MIN;
            for &(a, b) in self.hours_on(day) {
                let (a, b) = (at + f64::from(a), at + f64::from(b));
                if b <= t_min {
                    continue;
                }
                let joined = match now {
                    Some((from, to)) if to >= a => (from, b),
                    Some((from, to)) if to - from + 1e-9 >= need_min => return Ok((from, to)),
                    _ => (a.max(t_min), b),
                };
                now = Some(joined);
            }
            // A stretch that does not reach midnight cannot grow.
            if let Some((from, to)) = now
                && to - from + 1e-9 >= need_min
                && (to < at + DAY_MIN || to - from > 14.0 * DAY_MIN)
            {
                return Ok((from, to));
            }
        }
        now.filter(|(from, to)| to - from + 1e-9 >= need_min).ok_or(never)
    }
}

/// One hands-on moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HandsOn {
    /// Mounting to insert (index into [`Problem::mountings`]).
    pub mounting: u32,
    /// What is taken out, if anything.
    pub removes: Option<u32>,
    /// Does the channel change too?
    pub channel: bool,
    /// Since when the bench is ready and safe to touch, min.
    pub ready_min: f64,
    /// When to begin, min.
    pub start_min: f64,
    /// When the mounting check is over and the operator may leave, min.
    pub leave_min: f64,
    /// When the next hands are needed, or the run ends, min.
    pub hands_free_until_min: f64,
}

/// An order walked through the calendar.
#[derive(Debug, Clone, PartialEq)]
pub struct Scheduled {
    /// Job indices in order.
    pub sequence: Vec<u32>,
    /// Exact cost, waiting included.
    pub cost: Cost,
    /// Start of the run, min.
    pub start_min: f64,
    /// End of the last job, min.
    pub finish_min: f64,
    /// All hands-on moments in order.
    pub moments: Vec<HandsOn>,
}

impl Scheduled {
    /// Hours by kind, waiting included.
    pub fn hours(&self) -> Hours {
        Hours::from(&self.cost.minutes)
    }
}

/// Walks a sequence through the calendar from `start_min`. Error: attended hours that never come.
pub fn walk(
    p: &Problem,
    sequence: &[u32],
    calendar: &Calendar,
    start_min: f64,
) -> Result<Scheduled, OrderError> {
    let standing = Standing { now_min: start_min, mounted: None, chamber_c: p.bench.start_c };
    walk_from(p, sequence, calendar, standing)
}

/// As [`walk`], from where a run stands: something may be mounted, and the chamber at any temperature.
pub fn walk_from(
    p: &Problem,
    sequence: &[u32],
    calendar: &Calendar,
    standing: Standing,
) -> Result<Scheduled, OrderError> {
    let mut w = Walker::standing(p, standing);
    let start_min = standing.now_min;
    let mut moments: Vec<HandsOn> = Vec::new();
    for &job in sequence.iter().filter(|&&j| (j as usize) < p.jobs.len()) {
        let (before, mounting) = (w.mounted, p.jobs[job as usize].mounting);
        let channel = w.changes_channel(mounting);
        let mut begun = None;
        w.step(job, &mut |now, need| {
            let ready = start_min + now;
            let (start, _) = calendar.next_attended(ready, need)?;
            begun = Some((ready, start, need));
            Ok(start - ready)
        })?;
        if let Some((ready_min, start, need)) = begun {
            if let Some(last) = moments.last_mut() {
                last.hands_free_until_min = ready_min;
            }
            moments.push(HandsOn {
                mounting,
                removes: before,
                channel,
                ready_min,
                start_min: start,
                leave_min: start + need,
                hands_free_until_min: start + need,
            });
        }
    }
    let finish_min = start_min + w.cost.minutes.total();
    if let Some(last) = moments.last_mut() {
        last.hands_free_until_min = finish_min;
    }
    Ok(Scheduled { sequence: sequence.to_vec(), cost: w.cost, start_min, finish_min, moments })
}

/// Earliest finish of any order through the calendar, min: a proven bound.
///
/// A mounting's own work (measuring, training, its unavoidable soaks and settling, ramps beyond the
/// touch-safe band and back) happens only while it is mounted. Between two attended stretches one mounting is
/// mounted all the time, so an unattended gap takes up at most the gap's length, and all the gaps of a
/// mounting together at most its work. What the gaps cannot take, and all hands, must fit into attended time.
/// Of the ramps inside the band each mounting counts one way between its own extremes, at the faster ramp, or
/// the second insertion that would save it.
pub fn finish_bound(p: &Problem, calendar: &Calendar, start_min: f64) -> Result<f64, OrderError> {
    let layout = super::pieces::Layout::new(p);
    let b = &p.bench;
    let mut works = Vec::new();
    let mut no_return = 0.0f64;
    for m in 0..p.mountings.len() as u32 {
        let cells = layout.cells_of(layout.whole(m));
        let beyond = |t: f64| (t - b.nearest_touch_safe_c(t)).abs();
        let round = 1.0 / b.ramp_up_c_per_min + 1.0 / b.ramp_down_c_per_min;
        let mut out = 0.0;
        if let (Some(c), Some(h)) = (cells.first(), cells.last()) {
            let cold = beyond(c.temp_c.min(b.touch_safe_hi_c));
            let hot = beyond(h.temp_c.max(b.touch_safe_lo_c));
            out = (cold + hot) * round;
            // Between its extremes inside the band the chamber moves at least once, or the mounting is
            // mounted twice.
            let inside = h.temp_c.min(b.touch_safe_hi_c) - c.temp_c.max(b.touch_safe_lo_c);
            let fastest = b.ramp_up_c_per_min.max(b.ramp_down_c_per_min);
            out += (inside.max(0.0) / fastest).min(b.attended_change_min(false));
            for t in [c.temp_c, h.temp_c] {
                no_return = no_return.max(b.ramp_min(t, b.nearest_touch_safe_c(t)));
            }
        }
        works.push(super::bound::unavoidable_s(p, &layout, m) / 60.0 + out);
    }
    if works.is_empty() {
        return Ok(start_min);
    }
    let mut channels: Vec<u32> = p.mountings.iter().map(|m| m.channel).collect();
    channels.sort_unstable();
    channels.dedup();
    let hands = works.len() as f64 * b.attended_change_min(false)
        + channels.len() as f64 * (b.hands_channel_min - b.hands_module_min);
    let need = works.iter().sum::<f64>() - no_return + hands;
    let longest = works.iter().copied().fold(0.0, f64::max);

    let (mut attended, mut gaps): (f64, Vec<f64>) = (0.0, Vec::new());
    let mut end_before: Option<f64> = None;
    for (from, to) in calendar.stretches(start_min) {
        let taken = gap_work(&works, &gaps, longest);
        if let Some(end) = end_before {
            let gap = from - end;
            gaps.push(gap);
            // Finishing inside this gap?
            if attended + gap_work(&works, &gaps, longest) >= need {
                let t = end + (need - attended - taken).max(0.0);
                if t <= from {
                    return Ok(t);
                }
            }
        }
        let taken = gap_work(&works, &gaps, longest);
        if attended + (to - from) + taken >= need {
            return Ok(from + (need - attended - taken).max(0.0));
        }
        attended += to - from;
        end_before = Some(to);
    }
    // A plan longer than the look-ahead ends after it, whatever its order.
    if let Some(end) = end_before {
        return Ok(end);
    }
    Err(OrderError::NeverAttended { need_min: hands, days: LOOK_AHEAD_DAYS })
}

/// Most work that unattended gaps can take up. Two limits: each gap its length or the longest mounting; each
/// mounting, given k gaps, its work or the k longest gaps (concave in k, so the largest increments first).
fn gap_work(works: &[f64], gaps: &[f64], longest: f64) -> f64 {
    let by_gap: f64 = gaps.iter().map(|g| g.min(longest)).sum();
    let mut sorted = gaps.to_vec();
    sorted.sort_by(|a, b| b.total_cmp(a));
    let mut shares: Vec<f64> = Vec::new();
    for &w in works {
        let mut left = w;
        for &g in &sorted {
            if left <= 0.0 {
                break;
            }
            shares.push(left.min(g));
            left -= g;
        }
    }
    shares.sort_by(|a, b| b.total_cmp(a));
    by_gap.min(shares.iter().take(gaps.len()).sum())
}

#[cfg(test)]
#[path = "calendar_tests.rs"]
mod tests;
