//! Bench hours of a run by kind, from the store: what the bench's own clock said, hands, ramps and soak included.

use super::record::{HANDS_READING, MOUNTING_CHECK_READING, WAITING_READING};
use crate::console::exit::Failure;
use crate::store::{Attempts, StoreReader};
use bench::{CUT_READING, RAMP_READING, SOAK_READING};
use schedule::Hours;

/// Adds up a folder's bench time. What is neither measuring nor a change-over of a known kind (switching, configuring,
/// attempts that did not count) is told as settling.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub(crate) fn bench_hours(reader: &StoreReader) -> Result<Hours, Failure> {
    let mut hours = Hours::default();
    let mut end_s: f64 = 0.0;
    for stored in reader.jobs(Attempts::All) {
        let stored = stored?;
        hours.measuring += stored.times.measuring_s / 3600.0;
        hours.training += stored.times.training_s / 3600.0;
        end_s = end_s.max(stored.row.ended_bench_s);
    }
    let between = reader.readings_between_jobs()?;
    end_s = between.iter().map(|reading| reading.bench_s).fold(end_s, f64::max);
    let total = |name: &str| -> Result<f64, Failure> { Ok(reader.reading_total(name)? / 3600.0) };
    hours.ramps = total(RAMP_READING)? + total(CUT_READING)?;
    hours.soak = total(SOAK_READING)?;
    hours.hands_on = total(HANDS_READING)? + total(MOUNTING_CHECK_READING)?;
    hours.waiting = total(WAITING_READING)?;
    hours.total = end_s / 3600.0;
    let known = hours.measuring + hours.training + hours.ramps + hours.soak + hours.hands_on + hours.waiting;
    hours.settle = (hours.total - known).max(0.0);
    hours.total = known + hours.settle;
    Ok(hours)
}

/// The hours in words, for the time line of a bench run or of `several` merged.
pub(crate) fn hours_in_words(hours: &Hours, several: bool) -> String {
    let parts = [
        ("measuring", hours.measuring),
        ("training", hours.training),
        ("ramps", hours.ramps),
        ("soak", hours.soak),
        ("hands and mounting checks", hours.hands_on),
        ("waiting for attended hours", hours.waiting),
        ("switching, configuring and attempts that do not count", hours.settle),
    ];
    let parts: Vec<String> = parts
        .iter()
        .filter(|(_, hours)| *hours > 0.0)
        .map(|(kind, hours)| format!("{kind} {hours:.2} h"))
        .collect();
    let clock = if several {
        "Hours by the clocks of several benches, one after the other"
    } else {
        "Hours by the bench's own clock"
    };
    format!("{clock}: {:.2} h, of these {}.", hours.total, parts.join(", "))
}
