//! Whatever is changed in a store after it was written is noticed: every column of its schema, and rows as a whole.

use super::super::samples::*;
use super::super::*;
use nightbench_core::events::Event;
use rusqlite::Connection;
use rusqlite::types::Value;
use std::path::Path;

/// A store with something in every table: results of two attempts, a failed training, readings, texts, a report.
fn full(dir: &Path) {
    let mut store = Store::create(dir, &meta(bench())).unwrap();
    for number in 0..4 {
        let job = PackedJob::new(&row(number), &result(number), &readings(number)).unwrap();
        let job = job.with_attachments(vec![Attachment::new("log", &format!("words {number}"))]);
        store.record_packed(job.with_summary([number as u8; 32])).unwrap();
    }
    store.supersede(&key(2), "loose screw").unwrap();
    store.record(&row(2), &result(2), &[]).unwrap();
    store.record_readings(readings(9)).unwrap();
    let places = vec![(key(0), 7), (key(1), 8)];
    store.extend_plan("2026-03-02T06:00:00.000Z", "Longer", "levels = 3\n", places).unwrap();
    let limits = LimitSet {
        limits_text: "# the plan\nlimits".into(),
        agreed_before_measuring: true,
        recorded_utc: "2026-03-02T06:00:00.000Z".into(),
    };
    store.record_limits(&limits).unwrap();
    store.note("forecast", "4 jobs").unwrap();
    store.append_event("2026-03-02T06:00:00.000Z", &Event::RunEnded).unwrap();
    let report = IssuedReport {
        number: "NB-1".into(),
        replaces: Some("NB-0".into()),
        issued_utc: "2026-03-02T07:00:00.000Z".into(),
        complete: true,
        results_head: store.reader().results_head("").unwrap(),
        log_head: store.reader().verify_events().unwrap().head,
        made_from: "{}".into(),
        limits_text: "limits".into(),
        notes_text: "notes".into(),
    };
    store.issue(&report).unwrap();
    store.close().unwrap();
}

fn tables(connection: &Connection) -> Vec<String> {
    let sql =
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name";
    let mut statement = connection.prepare(sql).unwrap();
    statement.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
}

/// Opens a copy of the store in which any change is possible.
fn unguarded(dir: &Path) -> Connection {
    let connection = Connection::open(dir.join(STORE_FILE)).unwrap();
    connection
        .execute_batch("PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON; PRAGMA recursive_triggers = OFF")
        .unwrap();
    connection
}

/// Puts the trigger back that forbids changes of the log.
fn without_triggers(
    connection: &Connection,
    change: impl FnOnce(&Connection) -> rusqlite::Result<usize>,
) -> bool {
    let mut statement =
        connection.prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").unwrap();
    let triggers: Vec<(String, String)> =
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect();
    drop(statement);
    for (name, _) in &triggers {
        connection.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
    }
    let changed = change(connection).is_ok_and(|rows| rows > 0);
    for (_, sql) in &triggers {
        connection.execute_batch(sql).unwrap();
    }
    changed
}

/// The value with its lowest bit turned, or another where there is none.
fn flipped(value: Value, declared: &str) -> Value {
    match value {
        Value::Integer(number) => Value::Integer(number ^ 1),
        Value::Real(number) => Value::Real(f64::from_bits(number.to_bits() ^ 1)),
        Value::Text(mut text) => match text.pop() {
            Some(last) => Value::Text(format!("{text}{}", if last == 'x' { 'y' } else { 'x' })),
            None => Value::Text("x".into()),
        },
        Value::Blob(mut bytes) => match bytes.last_mut() {
            Some(last) => {
                *last ^= 1;
                Value::Blob(bytes)
            }
            None => Value::Blob(vec![1]),
        },
        Value::Null => match declared {
            "INTEGER" => Value::Integer(1),
            "REAL" => Value::Real(1.0),
            "BLOB" => Value::Blob(vec![7; 32]),
            _ => Value::Text("x".into()),
        },
    }
}

fn noticed(dir: &Path) -> bool {
    match Store::open_read_only(dir) {
        Ok(reader) => reader.verify().is_err(),
        Err(_) => true,
    }
}

#[test]
fn every_column_of_the_schema_is_sealed() {
    let folder = Folder::new();
    full(&folder.run());
    assert!(!noticed(&folder.run()));
    let sound = unguarded(&folder.run());
    let mut flips = 0;
    for table in tables(&sound) {
        let mut columns =
            sound.prepare(&format!("SELECT name, type FROM pragma_table_info('{table}')")).unwrap();
        let columns: Vec<(String, String)> = columns
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let rows: i64 =
            sound.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap();
        assert!(rows > 0, "{table} is empty: nothing of it would be tested");
        let primary: Vec<String> = {
            let sql = format!("SELECT name FROM pragma_table_info('{table}') WHERE pk > 0 ORDER BY pk");
            let mut names = sound.prepare(&sql).unwrap();
            names.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
        };
        let order = primary.join(", ");
        for (column, declared) in &columns {
            for row in [0, rows - 1] {
                let copy = Folder::new();
                copy_folder(&folder.run(), &copy.run());
                let connection = unguarded(&copy.run());
                let keys: Vec<Value> = connection
                    .query_row(
                        &format!("SELECT {order} FROM {table} ORDER BY {order} LIMIT 1 OFFSET {row}"),
                        [],
                        |row| (0..primary.len()).map(|place| row.get(place)).collect(),
                    )
                    .unwrap();
                let which: Vec<String> = primary
                    .iter()
                    .enumerate()
                    .map(|(place, name)| format!("{name} = ?{}", place + 2))
                    .collect();
                let which = which.join(" AND ");
                let old: Value = {
                    let sql = format!("SELECT {column} FROM {table} WHERE {}", which);
                    let mut statement = connection.prepare(&sql).unwrap();
                    for (place, key) in keys.iter().enumerate() {
                        statement.raw_bind_parameter(place + 2, key).unwrap();
                    }
                    let mut rows = statement.raw_query();
                    rows.next().unwrap().unwrap().get(0).unwrap()
                };
                let new = flipped(old, declared);
                let changed = without_triggers(&connection, |connection| {
                    let mut statement =
                        connection.prepare(&format!("UPDATE {table} SET {column} = ?1 WHERE {which}"))?;
                    statement.raw_bind_parameter(1, &new)?;
                    for (place, key) in keys.iter().enumerate() {
                        statement.raw_bind_parameter(place + 2, key)?;
                    }
                    statement.raw_execute()
                });
                drop(connection);
                // A unique key forbids some changes.
                if changed {
                    flips += 1;
                    assert!(noticed(&copy.run()), "{table}.{column}, row {row}: {new:?} went unnoticed");
                }
            }
        }
    }
    assert!(flips > 180, "{flips}");
}

#[test]
fn rows_dropped_doubled_and_exchanged_are_noticed() {
    let folder = Folder::new();
    full(&folder.run());
    let connection = unguarded(&folder.run());
    let all = tables(&connection);
    drop(connection);
    let mut changes: Vec<String> = Vec::new();
    for table in &all {
        changes.push(format!("DELETE FROM {table}"));
        changes.push(format!("DELETE FROM {table} WHERE rowid = (SELECT max(rowid) FROM {table})"));
        changes.push(format!("DELETE FROM {table} WHERE rowid = (SELECT min(rowid) FROM {table})"));
    }
    for change in [
        // Captures, trainings and places of two results exchanged.
        "UPDATE captures SET job_id = -job_id WHERE job_id IN (1, 4); \
         UPDATE captures SET job_id = CASE job_id WHEN -1 THEN 4 ELSE 1 END WHERE job_id < 0",
        "UPDATE trainings SET job_id = -job_id WHERE job_id IN (1, 4); \
         UPDATE trainings SET job_id = CASE job_id WHEN -1 THEN 4 ELSE 1 END WHERE job_id < 0",
        "UPDATE jobs SET plan_position = 15 - plan_position WHERE plan_position IN (7, 8)",
        // The attempt that was given up counts again.
        "UPDATE jobs SET superseded = 1 WHERE id = 5; UPDATE jobs SET superseded = 0 WHERE id = 3",
        "INSERT INTO jobs SELECT 99, job_key, 9, plan_position, 1, superseded_reason, outcome, fault_kind, reason, chip, \
         firmware, module, channel, rate, temperature, supply, pattern, rate_mts, temperature_set_degc, mounting, repeat, \
         start, identity_id, temperature_measured_degc, rails_measured_v, settling_s, started_utc, ended_utc, \
         started_bench_s, ended_bench_s, training_s, measuring_s, content_sha256, result_sha256, summary_sha256 \
         FROM jobs WHERE id = 1",
        "INSERT INTO readings SELECT NULL, job_id, bench_s, name, value, unit FROM readings WHERE job_id IS NULL",
        "INSERT INTO readings SELECT NULL, 1, bench_s, name, value, unit FROM readings WHERE job_id IS NULL",
        "INSERT INTO trainings SELECT 77, sequence, passed, failed_stage, failed_lanes, causes, detail_json_zstd FROM trainings WHERE job_id = 1",
        "INSERT INTO limit_sets SELECT NULL, recorded_utc, agreed_before_measuring, limits_sha256, limits_text FROM limit_sets",
        "INSERT INTO identities VALUES (NULL, 'a', 'b', 'c', 'd', 'e')",
        "INSERT INTO meta VALUES ('note shard', '1/2')",
        "INSERT INTO meta VALUES ('anything', '1')",
        "CREATE TABLE more (x)",
        "DROP VIEW job_list",
        "DROP VIEW rail_list; CREATE VIEW rail_list AS SELECT 1 AS job_id",
        "DROP INDEX jobs_counting",
    ] {
        changes.push(change.into());
    }
    for change in changes {
        let copy = Folder::new();
        copy_folder(&folder.run(), &copy.run());
        let connection = unguarded(&copy.run());
        let changed =
            without_triggers(&connection, |connection| connection.execute_batch(&change).map(|()| 1));
        drop(connection);
        // Tables without row numbers have no such row.
        if changed {
            assert!(noticed(&copy.run()), "{change}");
        } else {
            assert!(change.contains("rowid"), "{change}");
        }
    }
}

#[test]
fn a_result_says_what_of_it_was_changed() {
    let folder = Folder::new();
    full(&folder.run());
    for (change, words) in [
        ("UPDATE captures SET tap_step_ps = tap_step_ps * 1.01 WHERE job_id = 1", "its counts"),
        ("UPDATE jobs SET ended_utc = started_utc WHERE id = 1", "its times"),
        ("UPDATE limit_sets SET limits_text = 'looser'", "does not fit its SHA-256"),
        ("UPDATE limit_sets SET agreed_before_measuring = 0", "the limits in row 1"),
        ("UPDATE meta SET value = '7' WHERE key = 'seed'", "seed"),
        (
            "DELETE FROM jobs WHERE id = 5; DELETE FROM captures WHERE job_id = 5; DELETE FROM trainings WHERE job_id = 5",
            "row 5",
        ),
    ] {
        let copy = Folder::new();
        copy_folder(&folder.run(), &copy.run());
        unguarded(&copy.run()).execute_batch(change).unwrap();
        let error = Store::open_read_only(&copy.run()).unwrap().verify().unwrap_err();
        assert!(matches!(error, StoreError::Changed { .. }) && error.to_string().contains(words), "{error}");
        assert!(Store::open(&copy.run()).is_err());
    }
}

#[test]
fn the_head_of_results_knows_no_clock() {
    let (one, other) = (Folder::new(), Folder::new());
    let made = |dir: &Path, order: &[u64], hours: f64| {
        let mut store =
            Store::create(dir, &Meta { created_utc: format!("{hours}"), ..meta(bench()) }).unwrap();
        for number in order {
            let mut row = row(*number);
            row.started_bench_s += hours;
            row.ended_bench_s += hours;
            row.started_utc = format!("2026-03-01T22:15:03.{hours}Z");
            store.record(&row, &result(*number), &[]).unwrap();
        }
        let head = store.reader().results_head("notes").unwrap();
        store.close().unwrap();
        head
    };
    let head = made(&one.run(), &[0, 1, 2], 0.0);
    assert_eq!(head, made(&other.run(), &[2, 0, 1], 5.0));
    let reader = Store::open_read_only(&one.run()).unwrap();
    assert_eq!(reader.results_head("notes").unwrap(), head);
    assert_ne!(reader.results_head("other notes").unwrap(), head);
    drop(reader);
    let mut store = Store::open(&one.run()).unwrap();
    store.supersede(&key(1), "again").unwrap();
    assert_ne!(store.reader().results_head("notes").unwrap(), head);
}
