//! Attended hours and given hours on the emulated bench: what is mounted goes on while nobody is there, hands are waited for or left out, and a
//! clock that is set moves the ones and not the others.

use crate::sitting::{MONDAY_EVENING, Sitting, as_wanted, mounts};
use crate::support::SMALL;
use emulator::MountedThings;
use runner::run::bench_run::BenchEnd;
use runner::store::{Attempts, JobRow, Store};
use std::sync::atomic::Ordering;

#[test]
fn outside_attended_hours_what_is_fitted_goes_on_and_hands_are_waited_for() {
    let mut sitting = Sitting::new(SMALL, 4000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.outcomes().len(), 8);
    let waiting = sitting.events("waiting");
    assert_eq!(waiting.len(), 1, "{waiting:?}");
    assert!(
        waiting[0].contains("outside attended hours") && waiting[0].contains("Tue 1970-01-06 08:00"),
        "{waiting:?}"
    );
    let waited_h = sitting.seconds("change-over: waiting") / 3600.0;
    assert!((1.0..=12.5).contains(&waited_h), "{waited_h} h");
    // What was mounted was measured before.
    let reader = Store::open_read_only(&sitting.folder.path().join("out")).unwrap();
    let begun: Vec<f64> = reader.jobs(Attempts::All).map(|job| job.unwrap().row.started_bench_s).collect();
    assert_eq!(begun.iter().filter(|at| **at < 11.9 * 3600.0).count(), 4, "{begun:?}");
    sitting.off();
}

/// A clock that was wrong when the run began and is set back by three hours: people come by the clock on the wall, and hours that were given
/// are bench time, as long as before.
#[test]
fn a_clock_that_is_set_moves_attended_hours_and_no_given_ones() {
    let sit = |hours: Option<f64>| {
        let mut sitting = Sitting::new(SMALL, 4000.0);
        sitting.start_local_min = Some(MONDAY_EVENING);
        sitting.hours = hours;
        sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
        let end = {
            let mut hands = sitting.hands(mounts(&sitting.bench));
            // What is declared to be mounted was checked: the run has begun.
            hands.on_leave = Box::new(|_| sitting.set_back_s.store(3 * 3600, Ordering::SeqCst));
            sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"))
        };
        sitting.off();
        (sitting, end)
    };
    let rows = |sitting: &Sitting| -> Vec<JobRow> {
        let reader = Store::open_read_only(&sitting.folder.path().join("out")).unwrap();
        reader.jobs(Attempts::All).map(|job| job.unwrap().row).collect()
    };
    let (sitting, end) = sit(None);
    let rows_of_all = rows(&sitting);
    assert_eq!((end, rows_of_all.len()), (BenchEnd::default(), 8));
    // At 8:00 by the clock on the wall 15 hours have gone by.
    let first = sitting.channels()[0].clone();
    let begun: Vec<f64> = rows_of_all
        .iter()
        .filter(|row| row.channel != first)
        .map(|row| row.started_bench_s / 3600.0)
        .collect();
    assert!(begun.len() == 4 && begun.iter().all(|at| *at > 14.9), "{begun:?}");
    // Three hours more would do for everything that is mounted.
    let (sitting, end) = sit(Some(1.0));
    let done = rows(&sitting);
    assert_eq!(end.no_time_left.len() + done.len(), 8, "{end:?}");
    assert!(done.iter().all(|row| row.ended_bench_s < 3600.0), "{done:?}");
}

/// The order begins with another setup than the one that was mounted in the evening: what is mounted goes first.
#[test]
fn at_night_what_is_fitted_goes_on_out_of_its_turn() {
    let text = SMALL.replace("temperature_degc = [25, 60]", "temperature_degc = [25]");
    let mut sitting = Sitting::new(&text, 4000.0);
    let first = sitting.forecast.condition(0).channel(&sitting.file.plan).name.clone();
    let other = if first == "direct" { "risers" } else { "direct" };
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text =
        sitting.bench_text.replace("channel = \"direct\"", &format!("channel = \"{other}\""));
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    sitting.bench.mount(MountedThings { channel: other.into(), ..sitting.bench.mounted() });
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.channels(), [other, other, first.as_str(), first.as_str()]);
    let told = sitting.events("planned_anew");
    let about = told.iter().filter(|words| words.contains("what is mounted goes on")).count();
    assert_eq!(about, 1, "{told:?}");
    assert_eq!(sitting.events("waiting").len(), 1);
    sitting.off();
}

/// The baseline is measured first and last: its last measurement waits for its turn, also when everybody has gone home.
#[test]
fn the_baseline_at_the_end_is_not_taken_out_of_turn_at_night() {
    let order = "\n[order]\nbaseline_module = \"Amber\"\nbaseline_channel = \"direct\"\n";
    let text = SMALL.replace("temperature_degc = [25, 60]", "temperature_degc = [25]");
    let mut sitting = Sitting::new(&format!("{text}{order}"), 4000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.channels(), ["direct", "direct", "risers", "risers", "direct"]);
    assert_eq!(sitting.events("waiting").len(), 1);
    assert_eq!(hands.asked.len(), 2, "{:?}", hands.asked);
    sitting.off();
}

#[test]
fn a_run_that_may_not_last_until_morning_leaves_the_rest_for_hands() {
    let mut sitting = Sitting::new(SMALL, 4000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text = sitting.bench_text.replace("most_hours = 2000", "most_hours = 11");
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert!(hands.asked.is_empty());
    assert!(end.ended_early.is_some() || end.waiting_for_hands == 4, "{end:?}");
    sitting.off();
}

#[test]
fn hours_that_end_before_hands_come_are_spent_on_what_is_mounted() {
    let mut sitting = Sitting::new(SMALL, 1000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.hours = Some(6.0);
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert!(hands.asked.is_empty(), "{:?}", hands.asked);
    let done = sitting.outcomes().len();
    assert_eq!(end.no_time_left.len() + done, 8, "{end:?}");
    assert!(done > 0 && end.waiting_for_hands == 0, "{end:?}");
    let why = sitting.events("no_time_left");
    assert!(
        why.len() == 1
            && why[0].ends_with("nobody is there to change what is mounted before Tue 1970-01-06 08:00"),
        "{why:?}"
    );
    sitting.off();
}

/// A prompt that nobody answers, or somebody when nothing would end in time any more: the run ends within its hours, and nothing was switched
/// on for what was mounted too late.
#[test]
fn hands_that_come_too_late_switch_nothing_on() {
    for mounts_it in [false, true] {
        let mut sitting = Sitting::new(SMALL, 1000.0);
        sitting.hours = Some(6.0);
        let bench = &sitting.bench;
        let mut hands = sitting.hands(Box::new(move |wanted, _| {
            if mounts_it {
                bench.mount(as_wanted(wanted));
            }
            mounts_it
        }));
        hands.answers_late = true;
        let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
        assert_eq!(hands.asked.len(), 1, "{:?}", hands.asked);
        let done = sitting.outcomes().len();
        assert!(done > 0 && end.no_time_left.len() + done == 8, "{end:?}");
        assert_eq!(sitting.events("safe_late"), Vec::<String>::new());
        assert_eq!(sitting.events("mounting_check").len(), 1, "only what was declared is checked");
        let why = sitting.events("hands_needed");
        let words = if mounts_it { "was mounted, but nothing would end" } else { "nobody answered" };
        assert!(why.iter().any(|why| why.contains(words)), "{why:?}");
        sitting.off();
    }
}
