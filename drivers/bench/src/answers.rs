//! What instruments answer, read strictly: numbers, switches, error-queue entries.

use contract::{DriverError, FaultKind};
use plan::bench_file::{Instrument, Profile, Transport};

/// From this magnitude on a number means "not a number" (9.91E+37) or infinity (9.9E+37). Source: SCPI-1999 as
/// quoted in public instrument manuals.
const NO_NUMBER: f64 = 9.8e37;

/// Reads a number, undoing the profile's prefix, suffix, scale and offset. NaN and infinities are faults, never data.
pub fn number(text: &str, profile: &Profile) -> Result<f64, DriverError> {
    let bare = text.trim();
    let bare = bare.strip_prefix(profile.answer_prefix.as_str()).unwrap_or(bare);
    let bare = bare.strip_suffix(profile.answer_suffix.as_str()).unwrap_or(bare).trim();
    let refuse = |words: &str| {
        let shown: String = text.chars().take(60).collect();
        DriverError::new(FaultKind::Protocol, format!("the answer `{shown}` {words}"))
    };
    // Rust would also read "inf", "nan" and "infinity": an instrument means the same by them, a fault.
    let number: f64 = bare.parse().map_err(|_| refuse("is no number"))?;
    if !number.is_finite() || number.abs() >= NO_NUMBER {
        return Err(refuse("means `not a number` or infinity"));
    }
    Ok((number - profile.offset) / profile.scale)
}

/// Reads 0/1, ON/OFF or one of the profile's words.
pub fn switch(text: &str, profile: &Profile) -> Result<bool, DriverError> {
    let bare = text.trim();
    if profile.on_words.iter().any(|word| word.eq_ignore_ascii_case(bare)) {
        return Ok(true);
    }
    match bare.to_ascii_uppercase().as_str() {
        "1" | "+1" | "ON" => Ok(true),
        "0" | "+0" | "OFF" => Ok(false),
        _ if !profile.on_words.is_empty() && !bare.is_empty() => Ok(false),
        _ => {
            let shown: String = text.chars().take(60).collect();
            Err(DriverError::new(FaultKind::Protocol, format!("the answer `{shown}` is neither 0 nor 1")))
        }
    }
}

/// Reads an entry of the error queue: optional sign, comma or blank, optional quotes (`-222,"Data out of range"`,
/// `+0 "No error"`, `-000`).
pub fn error_entry(text: &str) -> Result<(i32, String), DriverError> {
    let bare = text.trim();
    let end = bare
        .char_indices()
        .find(|(index, letter)| !(letter.is_ascii_digit() || *index == 0 && matches!(letter, '+' | '-')))
        .map_or(bare.len(), |(index, _)| index);
    // `9.91E+37` begins with digits, too, but is no error number.
    let ends = bare[end..].chars().next().is_none_or(|next| matches!(next, ',' | ' ' | '\t' | '"'));
    let number: i32 = bare[..end].parse().ok().filter(|_| ends).ok_or_else(|| {
        let shown: String = text.chars().take(60).collect();
        DriverError::new(
            FaultKind::Protocol,
            format!("the error-queue answer `{shown}` begins with no whole number"),
        )
    })?;
    let words = bare[end..].trim_start_matches([',', ' ']).trim().trim_matches('"').to_string();
    Ok((number, words))
}

/// Most bytes of an unfinished answer that are shown.
const MOST_SHOWN: usize = 40;

/// What came of an answer that did not end in time, and what to change.
pub fn unfinished(came: &[u8], spec: &Instrument) -> String {
    let end = spec.profile.terminator.as_bytes();
    let named = |end: &[u8]| match end {
        b"\n" => "LF".to_string(),
        b"\r" => "CR".to_string(),
        b"\r\n" => "CR LF".to_string(),
        other => other.escape_ascii().to_string(),
    };
    if came.is_empty() {
        let place = match &spec.transport {
            Transport::Serial { baud, .. } => format!("is it {baud} baud, and the right cable"),
            other => format!("is it behind {}", other.describe()),
        };
        return format!(
            "nothing was received: is it switched on, {place}, does it know this command, and does it end its messages by {} \
             (`terminator` of the profile `{}`)?",
            named(end),
            spec.profile.name
        );
    }
    let shown = &came[..came.len().min(MOST_SHOWN)];
    let more = if came.len() > MOST_SHOWN { " ..." } else { "" };
    let advice = match came.last() {
        Some(b'\r') if end != b"\r" => {
            "it ends by CR: write `terminator = \"CR\"` in its profile".to_string()
        }
        Some(b'\n') if end != b"\n" => {
            "it ends by LF: write `terminator = \"LF\"` in its profile".to_string()
        }
        _ => format!(
            "{} did not follow: raise `time_out_s`, or correct `terminator` in its profile",
            named(end)
        ),
    };
    format!("{} bytes were received: `{}`{more}; {advice}", came.len(), shown.escape_ascii())
}

/// A status byte in words. Source: IEEE 488.2 as quoted in public manuals.
pub fn status(byte: u8) -> String {
    let bits = [
        (2, "errors are queued"),
        (4, "an answer waits"),
        (5, "an event is noted"),
        (6, "service is asked for"),
    ];
    let said: Vec<&str> =
        bits.iter().filter(|(bit, _)| byte & (1 << bit) != 0).map(|(_, words)| *words).collect();
    if said.is_empty() { "it has nothing to say".into() } else { said.join(", ") }
}

/// Names of errors worth naming. Source: SCPI-1999 error list as quoted in public manuals.
pub fn error_name(code: i32) -> &'static str {
    match code {
        -108 => "parameter not allowed",
        -109 => "missing parameter",
        -113 => "undefined header",
        -131 => "invalid suffix",
        -221 => "settings conflict",
        -222 => "data out of range",
        -224 => "illegal parameter value",
        -350 => "error queue overflow",
        -410 => "query interrupted",
        -420 => "query unterminated",
        -430 => "query deadlocked",
        -199..=-100 => "command error",
        -299..=-200 => "execution error",
        -399..=-300 => "device error",
        -499..=-400 => "query error",
        _ => "instrument error",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_and_faults_are_no_data() {
        let mut profile = Profile::scpi_1999();
        assert_eq!(number("+1.2000E+00\r", &profile).unwrap(), 1.2);
        for text in ["9.91E+37", "9.9E37", "-9.9E+37", "nan", "inf", "", "1,2", "V 1"] {
            assert_eq!(number(text, &profile).unwrap_err().kind, FaultKind::Protocol, "{text}");
        }
        profile.answer_prefix = "T".into();
        profile.answer_suffix = "C".into();
        profile.scale = 10.0;
        assert_eq!(number("T-105C", &profile).unwrap(), -10.5);
    }

    /// Forms seen in the field: `+0 "No error"`, code -000, quotes left out.
    #[test]
    fn error_entries_are_read_in_every_form() {
        assert_eq!(error_entry("0,\"No error\"").unwrap(), (0, "No error".into()));
        assert_eq!(error_entry("+0 \"No error\"").unwrap().0, 0);
        assert_eq!(error_entry("-000").unwrap().0, 0);
        assert_eq!(
            error_entry("-222,\"Data out of range;VOLT 9\"").unwrap(),
            (-222, "Data out of range;VOLT 9".into())
        );
        assert_eq!(error_entry("-113, Undefined header").unwrap().0, -113);
        assert!(error_entry("fine").is_err());
        assert!(error_entry("9.91E+37").is_err());
        assert!(error_entry("").is_err());
    }

    #[test]
    fn switches_are_read() {
        let profile = Profile::scpi_1999();
        assert!(switch("1", &profile).unwrap() && switch(" on", &profile).unwrap());
        assert!(!switch("0", &profile).unwrap() && !switch("OFF\r", &profile).unwrap());
        assert!(switch("maybe", &profile).is_err());
    }

    #[test]
    fn an_unfinished_answer_is_shown_with_what_to_change() {
        let bench = include_str!("../agent/every-key-bench.toml");
        let bench = plan::bench_file::BenchFile::read(bench).unwrap();
        let oven = bench.instrument("oven").unwrap();
        let silent = unfinished(b"", oven);
        assert!(silent.contains("nothing was received") && silent.contains("19200 baud"), "{silent}");
        let supply = bench.instrument("supply A").unwrap();
        let words = unfinished(b"+1.2E+00\r", supply);
        assert!(
            words.contains("9 bytes were received: `+1.2E+00\\r`") && words.contains("`terminator = \"CR\"`"),
            "{words}"
        );
        assert!(unfinished(b"+1.2", supply).contains("LF did not follow"));
    }
}
