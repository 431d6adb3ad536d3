//! Tests of the store when things go wrong: kills, full disks, damage, two writers, other versions.

use super::samples::*;
use super::*;
use nightbench_core::events::Event;
use nightbench_core::random::SplitMix64;
use rusqlite::Connection;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};

/// Jobs of the run that is killed over and over.
const JOBS: u64 = 60;

/// A process of its own that goes on with the run in a folder and says which job is safe.
fn start_writer(dir: &Path) -> (Child, BufReader<ChildStdout>) {
    let module = module_path!().split_once("::").unwrap().1;
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", &format!("{module}::writer_process"), "--ignored", "--nocapture"])
        .env("STORE_TEST_FOLDER", dir)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap());
    (child, lines)
}

/// The body of [`start_writer`]'s process; not a test by itself.
#[test]
#[ignore = "started by other tests as a process of its own"]
fn writer_process() {
    let dir = PathBuf::from(std::env::var("STORE_TEST_FOLDER").expect("started by another test"));
    let exists = Store::exists(&dir).unwrap();
    let mut store = if exists { Store::open(&dir) } else { Store::create(&dir, &meta(bench())) }.unwrap();
    println!("\nsafe: opened");
    for number in 0..JOBS {
        if !store.is_done(&key(number)).unwrap() {
            let event = Event::OrderKept { why: number.to_string() };
            store.append_event("2026-03-01T22:00:00.000Z", &event).unwrap();
            store.record(&row(number), &result(number), &readings(number)).unwrap();
            println!("safe: {number}");
        }
    }
    store.close().unwrap();
    println!("safe: all");
}

/// Reads until the writer says that something is safe; `None` at its end.
fn next_safe(lines: &mut BufReader<ChildStdout>) -> Option<String> {
    loop {
        let mut line = String::new();
        if lines.read_line(&mut line).unwrap() == 0 {
            return None;
        }
        if let Some((_, words)) = line.trim_end().split_once("safe: ") {
            return Some(words.to_owned());
        }
    }
}

#[test]
fn killed_at_any_moment_a_run_goes_on_to_the_same_end() {
    let folder = Folder::new();
    let mut random = SplitMix64::new(11);
    let mut safe = HashSet::new();
    let mut kills = 0;
    loop {
        let (mut child, mut lines) = start_writer(&folder.run());
        let mut left = random.next_u64() % 6;
        let finished = loop {
            match next_safe(&mut lines).as_deref() {
                Some("all") => break true,
                Some("opened") => {}
                Some(number) => {
                    safe.insert(key(number.parse().unwrap()));
                }
                None => panic!("the writer ended by itself"),
            }
            if left == 0 {
                // Somewhere within the next transaction.
                std::thread::sleep(Duration::from_micros(random.next_u64() % 6000));
                break false;
            }
            left -= 1;
        };
        if finished {
            assert!(child.wait().unwrap().success());
            break;
        }
        kills += 1;
        child.kill().unwrap();
        child.wait().unwrap();
        if Store::exists(&folder.run()).unwrap() {
            let reader = Store::open_read_only(&folder.run()).unwrap();
            reader.check().unwrap();
            reader.verify_events().unwrap();
            let done = reader.done_keys().unwrap();
            assert!(safe.is_subset(&done), "a job said to be safe is lost");
            for job in reader.jobs(Attempts::All) {
                let job = job.unwrap();
                assert_eq!(reader.result(&job).unwrap(), result(job.row.plan_position), "half a job");
            }
        }
    }
    assert!(kills >= 8, "{kills} kills");
    let store = Store::open(&folder.run()).unwrap();
    assert_eq!(store.left_by(), None, "the last writer closed the folder");
    let jobs: Vec<StoredJob> = store.reader().jobs(Attempts::All).map(|job| job.unwrap()).collect();
    assert_eq!(jobs.len() as u64, JOBS);
    for (number, job) in (0..).zip(&jobs) {
        assert_eq!((&job.row, job.attempt), (&row(number), 1));
        assert_eq!(store.reader().result(job).unwrap(), result(number));
        assert_eq!(store.reader().readings(job).unwrap(), readings(number));
    }
}

#[test]
fn the_folder_names_its_writer_and_outlives_it() {
    let folder = Folder::new();
    let (mut child, mut lines) = start_writer(&folder.run());
    assert_eq!(next_safe(&mut lines).as_deref(), Some("opened"));
    let pid = child.id();
    match Store::open(&folder.run()) {
        Err(StoreError::Locked { holder: Some(holder), .. }) => assert_eq!(holder.pid, pid),
        other => panic!("{other:?}"),
    }
    let words = Store::create(&folder.run(), &meta(bench())).unwrap_err().to_string();
    assert!(words.contains(&format!("in use by process {pid} on ")), "{words}");
    child.kill().unwrap();
    child.wait().unwrap();
    let store = Store::open(&folder.run()).unwrap();
    assert_eq!(store.left_by().unwrap().pid, pid, "the folder of a dead process is taken over");
    assert_eq!(Holder::named_in(&folder.run()).unwrap().pid, std::process::id());
    // Within one process as well.
    assert!(matches!(Store::open(&folder.run()), Err(StoreError::Locked { .. })));
    store.close().unwrap();
    assert_eq!(Holder::named_in(&folder.run()), None);
    Store::open(&folder.run()).unwrap();
}

#[test]
fn jobs_that_wait_are_lost_whole_when_the_store_is_dropped() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(Target::Simulated)).unwrap();
    store.record(&row(0), &result(0), &[]).unwrap();
    store.commit().unwrap();
    store.record(&row(1), &result(1), &[]).unwrap();
    drop(store);
    let mut store = Store::open(&folder.run()).unwrap();
    assert_eq!(store.reader().done_keys().unwrap(), HashSet::from([key(0)]));
    store.record(&row(1), &result(1), &[]).unwrap();
    store.close().unwrap();
    let left: Vec<String> = std::fs::read_dir(folder.run())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| !["results.sqlite", "run.lock"].contains(&name.as_str()))
        .collect();
    assert!(left.is_empty(), "{left:?}");
    assert_eq!(Store::open_read_only(&folder.run()).unwrap().done_keys().unwrap().len(), 2);
}

#[test]
fn a_full_disk_costs_the_ballast_and_no_job() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
    let ballast = folder.run().join("ballast.bin");
    assert_eq!(std::fs::metadata(&ballast).unwrap().len(), 16 << 20);
    store.inject_fault(WriteFault { after: 1, times: 1, kind: WriteFaultKind::Full });
    store.record(&row(0), &result(0), &[]).unwrap();
    assert!(!store.disk_is_full());
    store.record(&row(1), &result(1), &[]).unwrap();
    assert!(store.disk_is_full() && !ballast.exists());
    store.append_event("2026-03-01T22:00:00.000Z", &Event::StoppedBySignal).unwrap();
    store.close().unwrap();
    let store = Store::open(&folder.run()).unwrap();
    assert_eq!(store.reader().done_keys().unwrap().len(), 2);
    assert!(!store.disk_is_full() && ballast.exists(), "the next run has a ballast again");
}

#[test]
fn a_disk_that_stays_full_loses_only_the_job_at_hand() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
    store.record(&row(0), &result(0), &[]).unwrap();
    store.limit_growth(4).unwrap();
    // SQLite's own "database or disk is full", from within the writing of a job of many pages.
    let mut large = result(1);
    large.captures = vec![generated::raster(1, 72, 32, 0.6, 1.0)];
    let error = store.record(&row(1), &large, &[]).unwrap_err();
    assert!(error.is_full() && error.to_string().contains("free some space"), "{error}");
    assert!(store.disk_is_full());
    assert!(store.commit().unwrap_err().is_full(), "the job still waits");
    store.limit_growth(1000).unwrap();
    store.commit().unwrap();
    let job = store.reader().job(&key(1)).unwrap().unwrap();
    assert_eq!(store.reader().result(&job).unwrap(), large);
    store.reader().check().unwrap();
}

#[test]
fn a_failing_medium_is_told_apart_and_tried_again() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
    store.inject_fault(WriteFault { after: 0, times: 1, kind: WriteFaultKind::Io });
    let error = store.record(&row(0), &result(0), &[]).unwrap_err();
    assert!(matches!(error, StoreError::Io { .. }), "{error}");
    assert!(store.is_done(&key(0)).unwrap() && !store.reader().is_done(&key(0)).unwrap());
    store.commit().unwrap();
    assert!(store.reader().is_done(&key(0)).unwrap());
    store.inject_fault(WriteFault { after: 0, times: 1, kind: WriteFaultKind::ReadOnly });
    assert!(matches!(store.supersede(&key(0), "again"), Err(StoreError::ReadOnly { .. })));
    assert!(store.reader().is_done(&key(0)).unwrap(), "nothing was changed");
}

#[test]
fn damage_is_found_on_opening() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(Target::Simulated)).unwrap();
    for number in 0..40 {
        store.record(&row(number), &result(number), &readings(number)).unwrap();
    }
    store.close().unwrap();
    let path = folder.run().join(STORE_FILE);
    let whole = std::fs::read(&path).unwrap();
    assert!(whole.len() > 100_000);
    let mut found = 0;
    for page in (0..whole.len() / 4096).step_by(7) {
        let mut damaged = whole.clone();
        damaged[page * 4096..][..64].fill(0xa5);
        std::fs::write(&path, &damaged).unwrap();
        // A page of nothing but packed counts has no structure to check; its own checksum notices on reading.
        let opened = Store::open(&folder.run());
        let error = match &opened {
            Err(error) => Some(error.to_string()),
            Ok(store) => store
                .reader()
                .jobs(Attempts::All)
                .find_map(|job| job.and_then(|job| store.reader().result(&job)).err())
                .map(|error| error.to_string()),
        };
        if let Some(error) = error {
            assert!(error.contains("damaged"), "{error}");
            found += 1;
        }
    }
    assert!(found > 0);
    for length in [0, 50, 4096, whole.len() / 2] {
        std::fs::write(&path, &whole[..length]).unwrap();
        let error = Store::open(&folder.run()).unwrap_err();
        let expected = if length == 0 { "no results of a run" } else { "damaged" };
        assert!(error.to_string().contains(expected), "{length}: {error}");
    }
    std::fs::write(&path, b"a text of some other program, long enough to be looked at ".repeat(20)).unwrap();
    assert!(matches!(Store::open(&folder.run()), Err(StoreError::Corrupt { .. })));
}

#[test]
fn a_newer_format_is_refused_by_name() {
    let folder = Folder::new();
    Store::create(&folder.run(), &meta(bench())).unwrap().close().unwrap();
    let connection = Connection::open(folder.run().join(STORE_FILE)).unwrap();
    connection.pragma_update(None, "user_version", FORMAT_VERSION + 1).unwrap();
    for error in [
        Store::open(&folder.run()).unwrap_err(),
        Store::open_read_only(&folder.run()).unwrap_err(),
        Store::create(&folder.run(), &meta(bench())).unwrap_err(),
    ] {
        let words = error.to_string();
        let (newer, known) = (FORMAT_VERSION + 1, FORMAT_VERSION);
        let wanted = format!("format {newer}, but this version reads formats up to {known}");
        assert!(words.contains(&wanted), "{words}");
    }
    connection.pragma_update(None, "user_version", FORMAT_VERSION).unwrap();
    connection.pragma_update(None, "application_id", 7).unwrap();
    let words = Store::open(&folder.run()).unwrap_err().to_string();
    assert!(words.contains("another program's database"), "{words}");
}

#[test]
fn folders_that_are_not_there_or_hold_a_run_are_told_apart() {
    let folder = Folder::new();
    let missing = Store::open(&folder.run()).unwrap_err();
    assert!(matches!(missing, StoreError::Missing { .. }), "{missing}");
    assert!(!folder.run().exists(), "looking creates nothing");
    assert!(!Store::exists(&folder.run()).unwrap());
    let above = Store::create(&folder.run().join("below"), &meta(bench())).unwrap_err();
    assert!(matches!(above, StoreError::NoFolder { .. }), "{above}");
    // A file of no bytes is what a kill in the first moment leaves.
    std::fs::create_dir(folder.run()).unwrap();
    std::fs::write(folder.run().join(STORE_FILE), []).unwrap();
    assert!(!Store::exists(&folder.run()).unwrap());
    Store::create(&folder.run(), &meta(bench())).unwrap().close().unwrap();
    assert!(Store::exists(&folder.run()).unwrap());
    let there = Store::create(&folder.run(), &meta(bench())).unwrap_err();
    assert!(matches!(there, StoreError::AlreadyThere { .. }), "{there}");
    std::fs::write(folder.0.join("file"), b"x").unwrap();
    assert!(Store::create(&folder.0.join("file"), &meta(bench())).is_err());
}

/// A finished folder on a medium that cannot be written is still read. Root may write anywhere, so the
/// permission alone does not show it there; the refusal to write is looked at where it applies.
#[test]
fn a_read_only_folder_is_read_and_not_written() {
    let folder = Folder::new();
    let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
    store.record(&row(0), &result(0), &[]).unwrap();
    store.close().unwrap();
    let set_read_only = |read_only| {
        for path in [folder.run().join(STORE_FILE), folder.run().join("run.lock"), folder.run()] {
            let mut permissions = std::fs::metadata(&path).unwrap().permissions();
            permissions.set_readonly(read_only);
            #[cfg(unix)]
            if !read_only {
                use std::os::unix::fs::PermissionsExt;
                permissions.set_mode(if path.is_dir() { 0o755 } else { 0o644 });
            }
            std::fs::set_permissions(&path, permissions).unwrap();
        }
    };
    set_read_only(true);
    let writable = std::fs::write(folder.run().join("probe"), b"x").is_ok();
    let read = Store::open_read_only(&folder.run()).map(|reader| reader.done_keys().unwrap().len());
    let written = Store::open(&folder.run()).map(|_| ());
    set_read_only(false);
    assert_eq!(read.unwrap(), 1);
    if !writable {
        let error = written.unwrap_err();
        assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    }
}

#[test]
fn a_store_that_is_taken_away_or_emptied_is_noticed_at_the_next_commit() {
    type Mishap = fn(&Path);
    let mishaps: [Mishap; 5] = [
        |dir| std::fs::remove_dir_all(dir).unwrap(),
        |dir| std::fs::remove_file(dir.join(STORE_FILE)).unwrap(),
        |dir| std::fs::write(dir.join(STORE_FILE), b"").unwrap(),
        |dir| std::fs::remove_file(dir.join("results.sqlite-wal")).unwrap(),
        |dir| {
            std::fs::copy(dir.join(STORE_FILE), dir.join("copy")).unwrap();
            std::fs::rename(dir.join("copy"), dir.join(STORE_FILE)).unwrap();
        },
    ];
    for (number, mishap) in mishaps.into_iter().enumerate() {
        let folder = Folder::new();
        let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
        store.record(&row(0), &result(0), &readings(0)).unwrap();
        mishap(&folder.run());
        let next = store.record(&row(1), &result(1), &readings(1));
        assert!(
            matches!(next, Err(StoreError::Gone { .. } | StoreError::Io { .. } | StoreError::Corrupt { .. })),
            "{number}: {next:?}"
        );
        assert!(store.close().is_err(), "{number}");
    }
}
