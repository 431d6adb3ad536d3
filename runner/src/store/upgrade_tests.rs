//! A store of format 1, made by the program of that time, brought to the present format.

use super::super::samples::Folder;
use super::super::{Attempts, STORE_FILE, Store};
use super::*;

/// A run of two conditions and four lanes: one measured, one whose training fails, a job measured again, limits added.
const FORMAT_1: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/format-1/results.sqlite");

fn old_folder() -> Folder {
    let folder = Folder::new();
    std::fs::create_dir_all(folder.run()).unwrap();
    std::fs::copy(FORMAT_1, folder.run().join(STORE_FILE)).unwrap();
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
