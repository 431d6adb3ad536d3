//! When somebody is at the bench: `[attended]`.

use super::section::{Placed, Section};
use schedule::calendar::{DAY_MIN, DayHours, civil_from_days, days_from_civil, weekday};
use schedule::{BenchTimes, Calendar};
use std::collections::BTreeMap;

/// Weekdays, Monday first.
pub const WEEKDAYS: [&str; 7] =
    ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];

/// A Monday for plans that name no date: days since 1970-01-01.
const SOME_MONDAY: i64 = 4;

/// `[attended]`: hours in which hands-on changes can be made, and when the run begins.
#[derive(Debug, Clone, PartialEq)]
pub struct Attended {
    pub calendar: Calendar,
    /// Start of the run, minutes since 1970-01-01 00:00 local civil time.
    pub start_min: f64,
    /// Does the plan name the date? Otherwise days are counted, and only the weekday means something.
    pub dated: bool,
}

impl Attended {
    /// Reads `[attended]`. `unattended`: the plan's first mounting is its only one, so hours that never come
    /// are not a mistake.
    pub fn read(section: Option<Section<'_>>, times: &BenchTimes, unattended: bool) -> Option<Attended> {
        let section = section?;
        let mut week: [DayHours; 7] = Default::default();
        for (hours, day) in week.iter_mut().zip(WEEKDAYS) {
            for text in section.texts(day).unwrap_or_default() {
                hours.extend(read_hours(&section, day, &text));
            }
            check_overlap(&section, day, hours);
        }
        let mut exceptions = BTreeMap::new();
        for text in section.texts("exceptions").unwrap_or_default() {
            let (date, rest) = text.value.split_once(' ').unwrap_or((&text.value, ""));
            let (Some(day), rest) = (read_date(date), rest.trim()) else {
                section.mistakes().add(
                    text.span,
                    format!("the exception `{}` does not begin with a date that exists", text.value),
                    Some("write for example \"2026-12-25 closed\" or \"2026-12-28 10:00-14:00\"".into()),
                );
                continue;
            };
            let hours: DayHours = if rest == "closed" {
                Vec::new()
            } else {
                let parts = rest.split(',').filter_map(|part| {
                    let part = Placed { value: part.trim().to_string(), span: text.span.clone() };
                    read_hours(&section, "exceptions", &part)
                });
                parts.collect()
            };
            check_overlap(&section, "exceptions", &hours);
            if exceptions.insert(day, hours).is_some() {
                section.mistakes().add(
                    text.span,
                    format!("`exceptions` names {date} twice"),
                    Some("write the day's hours in one text, separated by commas".into()),
                );
            }
        }
        let start = section.text("start");
        let dated = start.is_some();
        if !dated && !exceptions.is_empty() {
            section.mistake(
                "exceptions",
                "exceptions have dates, but the plan does not say when the run begins",
                "add `start = \"2026-11-23 09:00\"`",
            );
        }
        let start_min = start.as_ref().and_then(|text| {
            let read = read_moment(&text.value);
            if read.is_none() {
                section.mistake(
                    "start",
                    format!("`start` in {} is `{}`, which is not a date and time", section.title, text.value),
                    "write for example \"2026-11-23 09:00\"",
                );
            }
            read
        });
        section.finish();
        let calendar = Calendar::new(week, exceptions).ok()?;
        let need = times.attended_change_min(true);
        let from = start_min.unwrap_or(SOME_MONDAY as f64 * DAY_MIN);
        let first = calendar.next_attended(from, need);
        if let Err(error) = &first
            && !unattended
            && section.mistakes().is_empty()
        {
            section.mistake(
                "start",
                format!("attended hours never come: {error}"),
                format!(
                    "give a weekday {need:.0} min or more in one piece, for example monday = \"09:00-17:00\""
                ),
            );
        }
        // Without a date the run begins when somebody comes for the first time in the week.
        let start_min = start_min.unwrap_or_else(|| first.map_or(from, |(begin, _)| begin));
        Some(Attended { calendar, start_min, dated })
    }

    /// A moment in words: `Mon 2026-11-23 09:00`, or `Mon, week 1, 09:00` where the plan names no date.
    pub fn words(&self, t_min: f64) -> String {
        if self.dated {
            return dated_words(t_min);
        }
        let (day, clock) = day_and_clock(t_min);
        format!("{}, week {}, {clock}", short_weekday(day), (day - SOME_MONDAY).div_euclid(7) + 1)
    }

    /// Shortest and longest stretch without attendance, min: what a night or a weekend can take. Counted are
    /// stretches of four hours or more that begin within four weeks of the start.
    pub fn nights_min(&self) -> Option<(f64, f64)> {
        let end = self.start_min + 28.0 * DAY_MIN;
        let mut t = self.start_min;
        let (mut shortest, mut longest) = (f64::INFINITY, 0.0f64);
        while t < end {
            let (_, leave) = self.calendar.next_attended(t, 0.0).ok()?;
            let (next, _) = self.calendar.next_attended(leave + 1e-6, 0.0).ok()?;
            let gap = next - leave;
            if gap >= 240.0 {
                shortest = shortest.min(gap);
                longest = longest.max(gap);
            }
            t = next;
        }
        (longest > 0.0).then_some((shortest, longest))
    }
}

/// A moment of minutes since 1970-01-01 00:00 local civil time in words: `Mon 2026-11-23 09:05`.
pub fn dated_words(t_min: f64) -> String {
    let (day, clock) = day_and_clock(t_min);
    let (year, month, of_month) = civil_from_days(day);
    format!("{} {year}-{month:02}-{of_month:02} {clock}", short_weekday(day))
}

/// The same for machines: `2026-11-23T09:05`.
pub fn iso_words(t_min: f64) -> String {
    let (day, clock) = day_and_clock(t_min);
    let (year, month, of_month) = civil_from_days(day);
    format!("{year}-{month:02}-{of_month:02}T{clock}")
}

/// Days since 1970-01-01 and the time of day, `09:05`.
pub fn day_and_clock(t_min: f64) -> (i64, String) {
    let whole = t_min.round();
    let day = (whole / DAY_MIN).floor();
    let minute = (whole - day * DAY_MIN) as u32;
    (day as i64, format!("{:02}:{:02}", minute / 60, minute % 60))
}

/// `Mon` to `Sun` of days since 1970-01-01.
pub fn short_weekday(day: i64) -> &'static str {
    ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"][weekday(day)]
}

fn read_clock(text: &str) -> Option<u16> {
    let (hour, minute) = text.trim().split_once(':')?;
    if hour.is_empty() || hour.len() > 2 || minute.len() != 2 {
        return None;
    }
    let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
    (minute < 60 && hour * 60 + minute <= 1440).then_some(hour * 60 + minute)
}

fn read_date(text: &str) -> Option<i64> {
    let mut parts = text.trim().splitn(3, '-');
    let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
    days_from_civil(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok()
}

fn read_moment(text: &str) -> Option<f64> {
    let (date, clock) = text.trim().split_once([' ', 'T'])?;
    let minute = read_clock(clock).filter(|minute| *minute < 1440)?;
    Some(read_date(date)? as f64 * DAY_MIN + f64::from(minute))
}

fn read_hours(section: &Section<'_>, key: &str, text: &Placed<String>) -> Option<(u16, u16)> {
    let read = text
        .value
        .split_once('-')
        .and_then(|(from, to)| Some((read_clock(from)?, read_clock(to)?)))
        .filter(|(from, to)| from < to);
    if read.is_none() {
        section.mistakes().add(
            text.span.clone(),
            format!("`{key}` in {} holds `{}`, which is not a time range", section.title, text.value),
            Some("write a range, for example \"09:00-17:00\"; over midnight: \"22:00-24:00\" and the next day \"00:00-06:00\"".into()),
        );
    }
    read
}

fn check_overlap(section: &Section<'_>, key: &str, hours: &[(u16, u16)]) {
    let mut sorted = hours.to_vec();
    sorted.sort_unstable();
    if sorted.windows(2).any(|pair| pair[0].1 > pair[1].0) {
        section.mistake(
            key,
            format!("hours of `{key}` in {} overlap", section.title),
            "write ranges that do not overlap",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::Mistakes;
    use toml::de::DeTable;

    fn read(text: &str) -> (Option<Attended>, Vec<String>) {
        let mistakes = Mistakes::default();
        let document = DeTable::parse(text).expect("TOML");
        let section = Section::new("[attended]", document.get_ref(), 0..text.len(), &mistakes);
        let attended = Attended::read(Some(section), &BenchTimes::default(), false);
        (attended, mistakes.into_sorted().into_iter().map(|mistake| mistake.message).collect())
    }

    const WEEK: &str = "monday = \"09:00-17:00\"\ntuesday = [\"09:00-12:00\", \"13:00-17:00\"]\n";

    #[test]
    fn hours_dates_and_exceptions_are_read() {
        let text = format!(
            "{WEEK}start = \"2026-11-23 18:30\"\nexceptions = [\"2026-11-24 closed\", \"2026-11-25 10:00-11:00, 12:00-24:00\"]"
        );
        let (attended, mistakes) = read(&text);
        assert!(mistakes.is_empty(), "{mistakes:?}");
        let attended = attended.unwrap();
        assert_eq!(attended.words(attended.start_min), "Mon 2026-11-23 18:30");
        let (next, _) = attended.calendar.next_attended(attended.start_min, 30.0).unwrap();
        assert_eq!(attended.words(next), "Wed 2026-11-25 10:00");
        let day = days_from_civil(2026, 11, 25).unwrap();
        assert_eq!(attended.calendar.hours_on(day), [(600, 660), (720, 1440)]);
    }

    #[test]
    fn without_a_date_weeks_are_counted_from_the_first_attended_moment() {
        let (attended, mistakes) = read("wednesday = \"08:00-16:00\"");
        assert!(mistakes.is_empty(), "{mistakes:?}");
        let attended = attended.unwrap();
        assert_eq!(attended.words(attended.start_min), "Wed, week 1, 08:00");
        assert_eq!(attended.nights_min().unwrap(), (6.0 * 1440.0 + 960.0, 6.0 * 1440.0 + 960.0));
        let (office, _) = read(WEEK);
        let (shortest, longest) = office.unwrap().nights_min().unwrap();
        assert_eq!((shortest, longest), (16.0 * 60.0, 5.0 * 1440.0 + 960.0));
    }

    #[test]
    fn hours_that_never_come_or_are_malformed_are_named() {
        for (text, words) in [
            ("", "attended hours never come"),
            ("monday = \"09:00-09:05\"", "attended hours never come"),
            ("monday = \"17:00-09:00\"", "not a time range"),
            ("monday = \"9-17\"", "not a time range"),
            ("monday = [\"09:00-12:00\", \"11:00-14:00\"]", "overlap"),
            ("monday = \"09:00-17:00\"\nstart = \"2026-02-30 09:00\"", "not a date and time"),
            ("monday = \"09:00-17:00\"\nexceptions = [\"2026-12-25 closed\"]", "does not say when"),
            (
                "monday = \"09:00-17:00\"\nstart = \"2026-11-23 09:00\"\nexceptions = [\"Christmas closed\"]",
                "date that exists",
            ),
            ("mondays = \"09:00-17:00\"", "has no key `mondays`"),
        ] {
            let (_, mistakes) = read(text);
            assert!(mistakes.iter().any(|mistake| mistake.contains(words)), "{text}: {mistakes:?}");
        }
    }
}
