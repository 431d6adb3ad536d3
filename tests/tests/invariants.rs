//! Properties that hold whatever happens: what a job's key covers, and that the way to a result leaves no trace in it.

use crate::faulty::{FaultyDriver, Mishaps, Witness};
use crate::rig::{Rig, Sitting, TINY, contents};
use crate::support::Folder;
use contract::{CancelToken, Driver, FaultKind};
use nightbench_core::events::Event;
use plan::Plan;
use plan::keys::JobKeys;
use proptest::prelude::*;
use runner::run::execute::Executor;
use runner::store::{JobKey, Store, StoreError};
use simulator::target::MODEL_VERSION;
use std::collections::{BTreeMap, HashSet};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, OnceLock};

/// Keys of a plan's jobs by the names of their levels and their number.
fn keys(text: &str) -> BTreeMap<String, JobKey> {
    let rig = Rig::new(text);
    let plan = &rig.file.plan;
    rig.jobs()
        .into_iter()
        .map(|pending| {
            let job = &pending.job;
            let name =
                format!("{} {} {} {}", pending.condition.describe(plan), job.mounting, job.repeat, job.start);
            (name, pending.key)
        })
        .collect()
}

/// Changes that are no change to what is measured: old text, new text.
const FREE: [(&str, &str); 8] = [
    ("title = \"Tiny\"", "title = \"Another title\"\npurpose = \"for a test\""),
    ("minimum = 0.2", "minimum = 0.31"),
    ("source = \"invented\"", "source = \"agreed later\"\n\n[decision]\nrule = \"simple acceptance\""),
    ("rate = [2133, 2400]", "rate = [2400, 2133, 2666]"),
    ("temperature_degc = [25, 60]", "temperature_degc = [0, 25, 60]"),
    ("repeats = 3", "repeats = 5"),
    ("[training]", "[order]\nhands_on_price_min = 3\n\n[training]"),
    ("[[channel]]", "[[module]]\nname = \"Birch\"\nkind = \"UDIMM\"\nrated = 2400\n\n[[channel]]"),
];

/// Changes to what is measured at every condition of the module Amber.
const MEASURED: [(&str, &str); 8] = [
    ("lanes = 8", "lanes = 16"),
    ("taps = 16", "taps = 17"),
    ("vref_steps = 10", "vref_steps = 11"),
    ("mode = \"raster\"", "mode = \"exact\""),
    ("ber_limit = 1e-3", "ber_limit = 2e-3"),
    ("fewest_taps = 1", "fewest_taps = 2"),
    ("name = \"direct\"", "name = \"direct\"\nrisers = 1"),
    ("kind = \"UDIMM\"\nrated", "kind = \"UDIMM\"\nranks = 2\nrated"),
];

fn applied(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from}");
    text.replacen(from, to, 1)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_jobs_key_covers_what_is_measured_and_nothing_else(
        free in proptest::sample::subsequence((0..FREE.len()).collect::<Vec<_>>(), 0..=FREE.len()),
        measured in 0..MEASURED.len(),
    ) {
        let before = keys(TINY);
        let mut text = TINY.to_string();
        for index in free {
            text = applied(&text, FREE[index].0, FREE[index].1);
        }
        let after = keys(&text);
        for (name, key) in &before {
            prop_assert_eq!(after.get(name), Some(key), "{}", name);
        }
        prop_assert_eq!(after.values().collect::<HashSet<_>>().len(), after.len(), "two jobs of one key");
        let earlier = Plan::read(TINY).expect("a plan");
        let later = Plan::read(&text).expect("a plan");
        prop_assert!(JobKeys::new(&later, MODEL_VERSION).expect("finite numbers")
            .changes_since(&JobKeys::new(&earlier, MODEL_VERSION).expect("finite numbers")).is_empty());
        let (from, to) = MEASURED[measured];
        let changed = applied(&text, from, to);
        let other = keys(&changed);
        let amber = other.iter().filter(|(name, _)| name.starts_with("Amber"));
        prop_assert!(amber.clone().count() >= before.len());
        for (name, key) in amber {
            prop_assert!(!after.values().any(|known| known == key), "{} leaves the key of {}", to, name);
        }
        let changed = Plan::read(&changed).expect("a plan");
        prop_assert!(!JobKeys::new(&changed, MODEL_VERSION).expect("finite numbers")
            .changes_since(&JobKeys::new(&earlier, MODEL_VERSION).expect("finite numbers")).is_empty());
    }

    #[test]
    fn any_cut_continued_is_the_uninterrupted_run(
        cuts in proptest::collection::vec((0usize..12, 1usize..=3), 0..4),
    ) {
        static WHOLE: OnceLock<Vec<(JobKey, u32, bool, nightbench_core::results::JobResult)>> = OnceLock::new();
        let rig = Rig::new(TINY);
        let folder = Folder::in_memory();
        let whole = WHOLE.get_or_init(|| {
            let dir = folder.path().join("whole");
            rig.finish(&dir);
            contents(&dir)
        });
        let dir = folder.path().join("cut");
        let mut before = 0;
        for (after_jobs, threads) in cuts {
            // Each target asks for a stop before it begins the job of this number.
            let cancel = CancelToken::new();
            let opened = AtomicUsize::new(0);
            let open = || -> Box<dyn Driver> {
                if opened.fetch_add(1, Ordering::SeqCst) >= after_jobs {
                    cancel.cancel();
                }
                Box::new(rig.target())
            };
            let sitting = Sitting { threads, open: &open, cancel: &cancel, spoil: &|_| {} };
            let done = rig.sit(&dir, &sitting).expect("a clean stop");
            let now = contents(&dir);
            prop_assert_eq!(now.len(), before + done, "a job is whole or absent, and measured once");
            prop_assert!(now.iter().all(|job| whole.contains(job)));
            before = now.len();
        }
        prop_assert_eq!(rig.finish(&dir), whole.len() - before);
        prop_assert!(&contents(&dir) == whole);
    }
}

#[test]
fn the_first_stop_finishes_the_points_at_hand_and_the_second_drops_them() {
    let rig = Rig::new(TINY);
    let plan = &rig.file.plan;
    let keys = JobKeys::new(plan, MODEL_VERSION).expect("finite numbers");
    // Apply, identity, training, capabilities: the fifth call is the first batch of points.
    let mishaps = Arc::new(Mishaps { stop_at: Some(4), ..Mishaps::default() });
    for (two_steps, second_press, answered) in [(true, false, 1), (true, true, 0), (false, false, 0)] {
        let (stop, drop_point, witness) =
            (CancelToken::new(), CancelToken::new(), Arc::new(Witness::default()));
        if second_press {
            drop_point.cancel();
        }
        let executor = Executor::new(plan, &rig.forecast.expansion, &keys);
        let executor = if two_steps { executor.with_drop_point(drop_point) } else { executor };
        let mut driver =
            FaultyDriver::new(rig.target(), Arc::clone(&mishaps), Arc::clone(&witness), stop.clone());
        let error = executor.run(&mut driver, &rig.forecast.jobs[0], &stop).expect_err("a stop");
        assert_eq!(error.kind, FaultKind::Cancelled);
        assert_eq!(witness.answered.load(Ordering::SeqCst), answered, "{two_steps} {second_press}");
    }
}

#[test]
fn the_log_is_append_only_and_a_change_is_noticed() {
    let folder = Folder::new();
    let rig = Rig::new(TINY);
    let dir = folder.path().join("run");
    rig.finish(&dir);
    let mut store = Store::open(&dir).expect("a store");
    for number in 0..5 {
        let event = Event::OrderKept { why: format!("event {number}") };
        store.append_event("2026-03-01T22:15:03.250Z", &event).expect("an event");
    }
    store.close().expect("closed");
    let reader = Store::open_read_only(&dir).expect("a store");
    let seal = reader.verify_events().expect("a sound log");
    assert_eq!(seal.events as usize, reader.events().expect("events").len());
    drop(reader);
    let script =
        "DROP TRIGGER events_are_never_changed; UPDATE events SET text = 'event 9' WHERE text = 'event 3';";
    let changed = std::process::Command::new("sqlite3").arg(dir.join("results.sqlite")).arg(script).output();
    match changed {
        Ok(output) if output.status.success() => {
            let reader = Store::open_read_only(&dir).expect("a store");
            assert!(matches!(reader.verify_events(), Err(StoreError::ChangedLog { .. })));
        }
        _ => println!("no sqlite3 program here: the change from outside is left to the store's own tests"),
    }
}
