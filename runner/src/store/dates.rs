//! Times as the store writes them: UTC text with milliseconds (ISO 8601).

use schedule::calendar::{civil_from_days, days_from_civil};
use std::time::{SystemTime, UNIX_EPOCH};

/// A time as UTC text, for example `2026-03-01T22:15:03.250Z`. Times before 1970 give the first moment of 1970.
pub fn utc_text(time: SystemTime) -> String {
    let since = time.duration_since(UNIX_EPOCH).unwrap_or_default();
    let (days, second) = ((since.as_secs() / 86_400) as i64, since.as_secs() % 86_400);
    let (year, month, day) = civil_from_days(days);
    format!(
        "{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}.{:03}Z",
        second / 3_600,
        second / 60 % 60,
        second % 60,
        since.subsec_millis()
    )
}

/// Seconds since 1970 of a time as [`utc_text`] writes it.
pub fn utc_seconds(text: &str) -> Option<f64> {
    let (date, clock) = text.strip_suffix('Z')?.split_once('T')?;
    let mut date = date.splitn(3, '-').map(str::parse::<u32>);
    let mut next = || date.next()?.ok();
    let (year, month, day) = (next()?, next()?, next()?);
    let days = days_from_civil(i64::from(year), month, day).ok()?;
    let mut clock = clock.splitn(3, ':').map(str::parse::<f64>);
    let mut next = || clock.next()?.ok();
    let (hour, minute, second) = (next()?, next()?, next()?);
    Some(days as f64 * 86_400.0 + hour * 3600.0 + minute * 60.0 + second)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    /// Expected texts from GNU date (`date -u -d @SECONDS`).
    #[test]
    fn utc_text_agrees_with_the_calendar() {
        for (seconds, text) in [
            (0, "1970-01-01T00:00:00.000Z"),
            (951_782_399, "2000-02-28T23:59:59.000Z"),
            (951_782_400, "2000-02-29T00:00:00.000Z"),
            (951_868_800, "2000-03-01T00:00:00.000Z"),
            (1_772_403_303, "2026-03-01T22:15:03.000Z"),
            (4_107_542_400, "2100-03-01T00:00:00.000Z"),
        ] {
            assert_eq!(utc_text(UNIX_EPOCH + Duration::from_secs(seconds)), text);
            assert_eq!(utc_seconds(text), Some(seconds as f64));
        }
        assert!(utc_text(UNIX_EPOCH + Duration::from_millis(1_250)).ends_with(":01.250Z"));
    }

    #[test]
    fn stored_times_are_read_back() {
        // The seconds of `date -u -d 2026-03-01T22:15:03Z +%s`.
        assert_eq!(utc_seconds("2026-03-01T22:15:03.250Z"), Some(1_772_403_303.25));
        for text in ["", "2026-03-01", "2026-13-01T00:00:00.000Z", "2026-03-01T00:00Z"] {
            assert_eq!(utc_seconds(text), None, "{text}");
        }
    }
}
