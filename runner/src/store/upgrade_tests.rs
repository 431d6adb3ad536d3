//! Stores of formats 1 and 3, made by the programs of their time, brought to the present format.

use super::super::samples::Folder;
use super::super::{Attempts, STORE_FILE, Store};
use super::*;

/// A run of two conditions and four lanes: one measured, one whose training fails, a job measured again, limits added.
const FORMAT_1: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/format-1/results.sqlite");

/// Two conditions of four lanes, one of them measured a second time.
const FORMAT_3: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/format-3/results.sqlite");

fn old_folder() -> Folder {
    folder_of(FORMAT_1)
}

fn folder_of(file: &str) -> Folder {
    let folder = Folder::new();
    std::fs::create_dir_all(folder.run()).unwrap();
    std::fs::copy(file, folder.run().join(STORE_FILE)).unwrap();
    folder
}

/// Everything that format 1 kept of its jobs and log, as SQLite shows it.
fn shown(path: &Path) -> Vec<String> {
    let (connection, _) = reader::open_file(path).unwrap();
    let list = |sql: &str| -> Vec<String> {
        let mut statement = connection.prepare(sql).unwrap();
        let columns = statement.column_count();
        let rows = statement.query_map([], |row| {
            let cells = (0..columns).map(|column| format!("{:?}", row.get_ref(column).unwrap()));
            Ok(cells.collect::<Vec<_>>().join("|"))
        });
        rows.unwrap().collect::<rusqlite::Result<_>>().unwrap()
    };
    let mut all = list(
        "SELECT job_key, attempt, counts, superseded_reason, outcome, reason, chip, module, channel, rate, \
         temperature_measured_degC, supply, agent_version, training_s, measuring_s, \
         (SELECT group_concat(direction || rank || mode || lanes || ' ' || visits || ' ' || bits_per_lane) \
         FROM capture_list WHERE capture_list.job_id = job_list.job_id) \
         FROM job_list ORDER BY plan_position, job_key, attempt",
    );
    all.extend(list("SELECT sequence, utc, replace(kind, ' ', '_'), text FROM event_list ORDER BY sequence"));
    all
}

fn reader_verifies(folder: &Folder) {
    Store::open_read_only(&folder.run()).unwrap().verify().unwrap();
}

#[test]
fn a_store_of_format_1_is_upgraded_in_place_and_whole() {
    let folder = old_folder();
    let path = folder.run().join(STORE_FILE);
    let before = shown(&path);
    assert!(before.len() > 4);
    let reader = Store::open_read_only(&folder.run()).unwrap();
    reader.check().unwrap();
    reader.verify_events().unwrap();
    for job in reader.jobs(Attempts::All) {
        reader.result(&job.unwrap()).unwrap();
    }
    drop(reader);
    // The log goes on with the upgrade and what it sealed.
    let after = shown(&path);
    assert_eq!(after[..before.len()], before);
    assert!(after[before.len()..].iter().all(|event| event.starts_with("Integer(")));
    reader_verifies(&folder);
    let (old, new) = (std::fs::metadata(FORMAT_1).unwrap().len(), std::fs::metadata(&path).unwrap().len());
    assert!(new < old + old / 2, "{old} bytes became {new}");
    // It can be continued, and opening it once more changes nothing.
    Store::open(&folder.run()).unwrap().close().unwrap();
    let reader = Store::open_read_only(&folder.run()).unwrap();
    reader.verify_events().unwrap();
    drop(reader);
    assert!(shown(&path).starts_with(&before[..3]));
}

#[test]
fn a_changed_log_of_format_1_is_refused() {
    let folder = old_folder();
    let path = folder.run().join(STORE_FILE);
    Connection::open(&path)
        .unwrap()
        .execute_batch(
            "DROP TRIGGER events_are_never_changed; UPDATE events SET text = text || '!' WHERE sequence = 1",
        )
        .unwrap();
    assert!(matches!(Store::open_read_only(&folder.run()), Err(StoreError::ChangedLog { sequence: 1, .. })));
    assert!(matches!(Store::open(&folder.run()), Err(StoreError::ChangedLog { sequence: 1, .. })));
}

#[test]
fn a_folder_in_use_is_read_through_a_copy() {
    let folder = old_folder();
    let path = folder.run().join(STORE_FILE);
    let lock = FolderLock::take(&folder.run()).unwrap();
    let reader = Store::open_read_only(&folder.run()).unwrap();
    reader.verify_events().unwrap();
    assert!(reader.jobs(Attempts::All).count() > 2);
    drop(lock);
    let untouched = Connection::open(&path).unwrap();
    assert_eq!(schema::recognise(&untouched, &path).unwrap(), Found::Older);
}

/// The digests of format 3 go on: what was changed before the upgrade is noticed after it.
#[test]
fn a_store_of_format_3_keeps_what_was_sealed() {
    let folder = folder_of(FORMAT_3);
    let path = folder.run().join(STORE_FILE);
    let digests = |path: &Path| -> Vec<Vec<u8>> {
        let (connection, _) = reader::open_file(path).unwrap();
        let mut statement = connection.prepare("SELECT result_sha256 FROM jobs ORDER BY id").unwrap();
        let rows = statement.query_map([], |row| row.get(0)).unwrap();
        rows.collect::<rusqlite::Result<_>>().unwrap()
    };
    let (before, sealed) = (shown(&path), digests(&path));
    assert_eq!(sealed.len(), 3);
    reader_verifies(&folder);
    assert!(shown(&path).starts_with(&before[..3]));
    assert_eq!(digests(&path), sealed);
    for change in [
        "UPDATE captures SET tap_step_ps = tap_step_ps * 1.001 WHERE sequence = 1",
        "UPDATE meta SET value = '7' WHERE key = 'seed'",
    ] {
        let folder = folder_of(FORMAT_3);
        Connection::open(folder.run().join(STORE_FILE)).unwrap().execute_batch(change).unwrap();
        let opened = Store::open_read_only(&folder.run()).and_then(|reader| reader.verify().map(|_| ()));
        assert!(matches!(opened, Err(StoreError::Changed { .. })), "{change}: {opened:?}");
    }
}
