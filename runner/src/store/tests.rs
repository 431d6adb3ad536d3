//! Tests of the store: what goes in comes out, in the plan's order, guarded and sealed.

use super::samples::*;
use super::*;
use nightbench_core::events::Event;
use nightbench_core::faults::{Fault, FaultKind};
use nightbench_core::results::JobResult;
use rusqlite::Connection;
use std::path::Path;

fn filled(dir: &Path, numbers: impl IntoIterator<Item = u64>) -> Store {
    let mut store = Store::create(dir, &meta(Target::Simulated)).unwrap();
    for number in numbers {
        store.record(&row(number), &result(number), &readings(number)).unwrap();
    }
    store.commit().unwrap();
    store
}

type Seen = (JobRow, u32, Option<String>, JobResult, Vec<Reading>);

/// Everything a reader sees of the jobs.
fn contents(reader: &StoreReader) -> Vec<Seen> {
    reader
        .jobs(Attempts::All)
        .map(|job| {
            let job = job.unwrap();
            let (result, readings) = (reader.result(&job).unwrap(), reader.readings(&job).unwrap());
            (job.row, job.attempt, job.superseded, result, readings)
        })
        .collect()
}

#[test]
fn a_job_comes_out_as_it_went_in() {
    let folder = Folder::new();
    let store = filled(&folder.run(), 0..5);
    for (number, (row_out, attempt, superseded, result_out, readings_out)) in
        (0..).zip(contents(store.reader()))
    {
        assert_eq!(row_out, row(number));
        assert_eq!((attempt, superseded), (1, None));
        assert_eq!(result_out, result(number));
        assert_eq!(readings_out, readings(number));
    }
    assert_eq!(store.reader().meta().unwrap(), meta(Target::Simulated));
    assert_eq!(store.reader().identities().unwrap(), vec![result(0).identity]);
}

#[test]
fn the_order_of_writing_does_not_show() {
    let folder = Folder::new();
    let forwards = filled(&folder.0.join("a"), 0..300);
    let backwards = filled(&folder.0.join("b"), (0..300).rev());
    assert_eq!(contents(forwards.reader()), contents(backwards.reader()));
    let positions: Vec<u64> =
        forwards.reader().jobs(Attempts::Counting).map(|job| job.unwrap().row.plan_position).collect();
    assert_eq!(positions, (0..300).collect::<Vec<u64>>());
}

#[test]
fn a_finished_job_is_never_recorded_twice() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(Target::Simulated)).unwrap();
    store.set_durability(Durability::Grouped).unwrap();
    assert!(!store.is_done(&key(1)).unwrap());
    store.record(&row(1), &result(1), &[]).unwrap();
    assert!(store.is_done(&key(1)).unwrap(), "a waiting job is done");
    let again = store.record(&row(1), &result(1), &[]).unwrap_err();
    assert!(matches!(again, StoreError::AlreadyDone { .. }), "{again}");
    store.commit().unwrap();
    let again = store.record(&row(1), &result(1), &[]).unwrap_err();
    assert!(again.to_string().contains("supersede it first"), "{again}");
    assert_eq!(store.reader().done_keys().unwrap(), HashSet::from([key(1)]));
}

#[test]
fn a_superseded_attempt_stays_beside_the_new_one() {
    let folder = Folder::new();
    let mut store = filled(&folder.run(), 0..4);
    let missing = store.supersede(&key(77), "loose screw").unwrap_err();
    assert!(matches!(missing, StoreError::NoSuchJob { .. }), "{missing}");
    store.supersede(&key(2), "loose screw").unwrap();
    assert!(!store.is_done(&key(2)).unwrap());
    assert_eq!(store.reader().job(&key(2)).unwrap(), None);
    store.record(&row(2), &result(7), &[]).unwrap();
    store.commit().unwrap();
    let attempts: Vec<(u64, u32, Option<String>)> = store
        .reader()
        .jobs(Attempts::All)
        .map(|job| job.unwrap())
        .map(|job| (job.row.plan_position, job.attempt, job.superseded))
        .collect();
    let expected =
        [(0, 1, None), (1, 1, None), (2, 1, Some("loose screw".into())), (2, 2, None), (3, 1, None)];
    assert_eq!(attempts, expected);
    let now = store.reader().job(&key(2)).unwrap().unwrap();
    assert_eq!(store.reader().result(&now).unwrap(), result(7));
    assert_eq!(store.reader().jobs(Attempts::Counting).count(), 4);
}

/// Whatever happens before: a result counts until its successor is on the disk, and both are written at once.
#[test]
fn a_result_counts_until_the_one_that_replaces_it_is_written() {
    let folder = Folder::new();
    let mut store = filled(&folder.run(), 0..4);
    store.set_durability(Durability::Grouped).unwrap();
    store.replace(&[key(2), key(3)], "loose screw");
    let counting = |store: &Store| {
        let job = store.reader().job(&key(2)).unwrap().expect("one counts");
        (job.attempt, store.reader().result(&job).unwrap())
    };
    let old = counting(&store);
    store.record(&row(2), &result(7), &[]).unwrap();
    assert_eq!(counting(&store), old, "it waits");
    let again = store.record(&row(2), &result(7), &[]).unwrap_err();
    assert!(matches!(again, StoreError::AlreadyDone { .. }), "{again}");
    store.inject_fault(WriteFault { after: 0, times: 1, kind: WriteFaultKind::Io });
    assert!(store.commit().is_err());
    assert_eq!(counting(&store), old, "neither was written");
    store.commit().unwrap();
    assert_eq!(counting(&store), (2, result(7)));
    store.reader().verify().expect("sealed");
    assert_eq!(store.reader().progress().unwrap().superseded, 1);
    assert_eq!(store.reader().attempts(&key(2)).unwrap()[0].superseded.as_deref(), Some("loose screw"));
    store.close().unwrap();
    // What was not measured again counts as it did, and what was allowed is forgotten.
    let mut store = Store::open(&folder.run()).unwrap();
    assert_eq!(store.reader().jobs(Attempts::Counting).count(), 4);
    let again = store.record(&row(3), &result(3), &[]).unwrap_err();
    assert!(matches!(again, StoreError::AlreadyDone { .. }), "{again}");
}

#[test]
fn progress_counts_by_outcome() {
    let folder = Folder::new();
    let mut store = filled(&folder.run(), 0..10);
    store.supersede(&key(0), "again").unwrap();
    let progress = store.reader().progress().unwrap();
    assert_eq!((progress.measured, progress.training_failed, progress.not_measured), (5, 2, 2));
    assert_eq!(progress.superseded, 1);
    assert!((progress.training_s - 9.0 * 33.3).abs() < 1e-9, "{progress:?}");
    assert_eq!(progress.last_ended_bench_s, Some(9.0 * 60.0 + 56.75));
    let plan: Vec<String> = store
        .reader()
        .connection
        .prepare(
            "EXPLAIN QUERY PLAN SELECT superseded, outcome, count(*) FROM jobs GROUP BY superseded, outcome",
        )
        .unwrap()
        .query_map([], |row| row.get(3))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    assert!(plan.join(" ").contains("COVERING INDEX jobs_progress"), "{plan:?}");
}

#[test]
fn jobs_move_to_another_store_without_unpacking() {
    let folder = Folder::new();
    let mut first = filled(&folder.0.join("a"), (0..6).step_by(2));
    first.supersede(&key(2), "again").unwrap();
    first.record(&row(2), &result(2), &readings(2)).unwrap();
    first.commit().unwrap();
    let second = filled(&folder.0.join("b"), (1..6).step_by(2));
    let mut both = Store::create(&folder.0.join("both"), &meta(Target::Simulated)).unwrap();
    for part in [&second, &first] {
        for job in part.reader().jobs(Attempts::All) {
            both.record_packed(part.reader().packed(&job.unwrap()).unwrap()).unwrap();
        }
    }
    both.commit().unwrap();
    let mut whole = filled(&folder.0.join("whole"), 0..6);
    whole.supersede(&key(2), "again").unwrap();
    whole.record(&row(2), &result(2), &readings(2)).unwrap();
    whole.commit().unwrap();
    assert_eq!(contents(both.reader()), contents(whole.reader()));
    for job in first.reader().jobs(Attempts::All) {
        let twice = both.record_packed(first.reader().packed(&job.unwrap()).unwrap()).unwrap_err();
        assert!(matches!(twice, StoreError::AlreadyDone { .. }), "{twice}");
    }
    both.record(&row(9), &result(0), &[]).unwrap();
    both.close().unwrap();
}

#[test]
fn a_plan_may_grow_and_its_jobs_take_new_places() {
    let folder = Folder::new();
    let mut store = filled(&folder.run(), 0..3);
    let places = [(key(0), 5), (key(2), 1), (key(9), 0)];
    store.extend_plan("2026-03-02T06:00:00.000Z", "Longer", "levels = 3\n", places).unwrap();
    let order: Vec<(JobKey, u64)> = store
        .reader()
        .jobs(Attempts::All)
        .map(|job| job.unwrap().row)
        .map(|row| (row.key, row.plan_position))
        .collect();
    let mut expected = vec![(key(1), 1), (key(2), 1), (key(0), 5)];
    expected[..2].sort();
    assert_eq!(order, expected);
    let meta_now = store.reader().meta().unwrap();
    assert_eq!((meta_now.title.as_str(), meta_now.plan_text.as_str()), ("Longer", "levels = 3\n"));
}

#[test]
fn limits_are_kept_once_and_in_order() {
    let folder = Folder::new();
    let mut store = filled(&folder.run(), 0..1);
    let limits = |text: &str, agreed| LimitSet {
        limits_text: text.into(),
        agreed_before_measuring: agreed,
        recorded_utc: "2026-03-01T22:00:00.000Z".into(),
    };
    for set in [limits("width 10", true), limits("width 10", true), limits("width 9", false)] {
        store.record_limits(&set).unwrap();
    }
    assert_eq!(
        store.reader().limit_sets().unwrap(),
        vec![limits("width 10", true), limits("width 9", false)]
    );
}

#[test]
fn waiting_jobs_are_written_together_in_time() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(Target::Simulated)).unwrap();
    assert_eq!(store.commit_due_in(), None);
    store.record(&row(0), &result(0), &[]).unwrap();
    store.record_readings(readings(0)).unwrap();
    let due = store.commit_due_in().unwrap();
    assert!(due <= GROUP_TIME);
    let onlooker = Store::open_read_only(&folder.run()).unwrap();
    assert_eq!(onlooker.progress().unwrap().measured, 0);
    std::thread::sleep(GROUP_TIME);
    assert_eq!(store.commit_due_in(), Some(Duration::ZERO));
    store.record(&row(1), &result(1), &[]).unwrap();
    assert_eq!(store.commit_due_in(), None);
    assert_eq!(onlooker.progress().unwrap().measured, 2);
    assert_eq!(onlooker.readings_between_jobs().unwrap(), readings(0));
}

#[test]
fn a_reader_looks_on_while_jobs_are_written() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
    let dir = folder.run();
    let (say, hear) = std::sync::mpsc::channel::<u64>();
    let onlooker = std::thread::spawn(move || {
        let reader = Store::open_read_only(&dir).unwrap();
        let mut seen = 0;
        while let Ok(written) = hear.recv() {
            let progress = reader.progress().unwrap();
            let total = progress.measured + progress.training_failed + progress.not_measured;
            assert!(total >= written, "{total} of {written}");
            for job in reader.jobs(Attempts::All) {
                let job = job.unwrap();
                assert_eq!(reader.result(&job).unwrap(), result(job.row.plan_position));
            }
            seen = total;
        }
        seen
    });
    for number in 0..30 {
        store.record(&row(number), &result(number), &readings(number)).unwrap();
        say.send(number + 1).unwrap();
    }
    drop(say);
    assert_eq!(onlooker.join().unwrap(), 30);
}

#[test]
fn a_folder_copied_while_running_is_a_whole_store() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
    for number in 0..12 {
        store.record(&row(number), &result(number), &readings(number)).unwrap();
        if number % 4 == 3 {
            let copy = folder.0.join(format!("copy-{number}"));
            copy_folder(&folder.run(), &copy);
            let copied = Store::open(&copy).unwrap();
            assert_eq!(contents(copied.reader()), contents(store.reader()));
            copied.close().unwrap();
        }
    }
    let file = folder.0.join("one-file.sqlite");
    store.reader().copy_to(&file).unwrap();
    let copy = StoreReader::open(&file).unwrap();
    assert_eq!(contents(&copy), contents(store.reader()));
    assert!(matches!(store.reader().copy_to(&file), Err(StoreError::AlreadyThere { .. })));
}

#[test]
fn a_changed_event_log_is_noticed() {
    let folder = Folder::new();
    let mut store = filled(&folder.run(), 0..1);
    store.commit().unwrap();
    // Settings, plan, a result and its place were sealed.
    assert_eq!(store.reader().verify_events().unwrap().events, 4);
    let started = Event::RunStarted { jobs: 300, done_before: 0, by: "process 7".into() };
    let fault = Event::NotAtAmbient { fault: Fault::new(FaultKind::NotReached, "chamber") };
    for event in [&started, &fault, &Event::StoppedBySignal, &Event::RunEnded] {
        store.append_event("2026-03-01T22:00:00.000Z", event).unwrap();
    }
    store.commit().unwrap();
    let check = store.reader().verify_events().unwrap();
    let events = store.reader().events().unwrap().split_off(4);
    assert_eq!((check.events, check.head), (8, events[3].sha256));
    assert_eq!(
        (events[1].sequence, events[1].kind.as_str(), events[1].text.as_str()),
        (6, "not_at_ambient", "not yet at ambient: temperature not reached: chamber")
    );
    assert_eq!(events[1].facts, r#"{"fault":{"detail":"chamber","kind":"not_reached"}}"#);
    assert_eq!(events[1].event(), Some(fault));
    assert_eq!(events[0].event(), Some(started));
    assert_eq!(events[3].event(), Some(Event::RunEnded));

    let tampered = |name: &str, sql: &str| {
        let file = folder.0.join(name);
        store.reader().copy_to(&file).unwrap();
        let connection = Connection::open(&file).unwrap();
        let refused = connection.execute_batch(sql).unwrap_err();
        assert!(refused.to_string().contains("append-only"), "{refused}");
        connection
            .execute_batch("DROP TRIGGER events_are_never_changed; DROP TRIGGER events_are_never_removed;")
            .unwrap();
        connection.execute_batch(sql).unwrap();
        match StoreReader::open(&file).unwrap().verify_events() {
            Err(StoreError::ChangedLog { sequence, .. }) => sequence,
            other => panic!("{sql}: {other:?}"),
        }
    };
    assert_eq!(tampered("a", "UPDATE events SET text = 'nothing' WHERE sequence = 6"), 6);
    assert_eq!(tampered("h", "UPDATE events SET facts = '{}' WHERE sequence = 6"), 6);
    assert_eq!(tampered("b", "UPDATE events SET utc = '2026-03-01T23:00:00.000Z' WHERE sequence = 8"), 8);
    assert_eq!(tampered("c", "DELETE FROM events WHERE sequence = 7"), 7);
    assert_eq!(tampered("d", "DELETE FROM events WHERE sequence = 8"), 8);
    assert_eq!(tampered("e", "DELETE FROM events"), 1);
    assert_eq!(tampered("f", "UPDATE events SET sha256 = zeroblob(32) WHERE sequence = 1"), 1);
    assert_eq!(tampered("g", "UPDATE events SET previous_sha256 = zeroblob(32) WHERE sequence = 3"), 3);
}

#[test]
fn every_view_answers_in_plain_sql() {
    let folder = Folder::new();
    let mut store = filled(&folder.run(), 0..5);
    store.append_event("2026-03-01T22:00:00.000Z", &Event::Safe).unwrap();
    store.commit().unwrap();
    let connection = &store.reader().connection;
    let count = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(count("SELECT count(*) FROM job_list WHERE counts = 'yes' AND \"rate_MT/s\" > 2666.6"), 5);
    assert_eq!(count("SELECT count(*) FROM rail_list WHERE rail = 'VDD' AND measured_V = 1.2"), 4);
    assert_eq!(count("SELECT count(*) FROM training_list WHERE failed_stage = 'write levelling'"), 1);
    assert_eq!(
        connection
            .query_row(
                "SELECT failed_lanes || ': ' || causes FROM training_list WHERE result = 'failed'",
                [],
                |row| { row.get::<_, String>(0) }
            )
            .unwrap(),
        "byte lane 1: no clock; lane open"
    );
    assert_eq!(count("SELECT count(*) FROM capture_list WHERE sub_channel = 'B' AND lanes = 2"), 3);
    assert_eq!(count("SELECT sum(visits) FROM capture_list WHERE sub_channel IS NULL"), 3 * 65);
    assert_eq!(count("SELECT count(*) FROM operating_point_list"), 3 * (5 + 2));
    assert_eq!(count("SELECT count(*) FROM reading_list WHERE unit = 'degC'"), 15);
    assert_eq!(count("SELECT count(*) FROM event_list WHERE length(sha256) = 64 AND kind <> 'stored'"), 1);
    let delay = connection
        .query_row("SELECT delay_ps / tap FROM operating_point_list LIMIT 1", [], |row| row.get::<_, f64>(0))
        .unwrap();
    assert!((delay - 9.765625).abs() < 1e-9);
}

#[test]
fn numbers_that_cannot_be_stored_are_named() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
    let mut bad = result(0);
    bad.trainings[0].stages[0].lanes[2].width_taps = Some(f64::NAN);
    let error = store.record(&row(0), &bad, &[]).unwrap_err().to_string();
    assert!(error.contains("write levelling, lane 2") && error.contains("NaN"), "{error}");
    let mut bad = readings(0);
    bad[1].value = f64::INFINITY;
    let error = store.record(&row(0), &result(0), &bad).unwrap_err().to_string();
    assert!(error.contains("case temperature (degC)") && error.contains("inf"), "{error}");
    assert!(store.record_readings(bad).is_err());
    let mut far = row(0);
    far.plan_position = u64::MAX;
    let error = store.record(&far, &result(0), &[]).unwrap_err().to_string();
    assert!(error.contains("below 2^63"), "{error}");
    let mut bad = result(0);
    bad.captures[0].visits[2].errors.pop();
    let error = store.record(&row(0), &bad, &[]).unwrap_err().to_string();
    assert!(error.contains("read rank 0") && error.contains("visit 2 has 4 counts for 5 lanes"), "{error}");
    store.record(&row(0), &result(0), &[]).unwrap();
}
