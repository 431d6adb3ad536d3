//! Measuring again: what counted counts until its successor is stored, however the run ends.

use crate::support::{Folder, SMALL, json, nightbench, program};
use runner::store::{Attempts, Store};
use serde_json::Value;
use std::path::Path;
use std::time::Duration;

/// Some of its conditions fail.
fn plan() -> String {
    SMALL.replace("minimum = 0.2\n", "minimum = 0.75\n")
}

fn run(folder: &Folder, into: &str, more: &[&str]) -> (i32, Value, String) {
    let mut arguments = vec!["run", "plan.toml", "--into", into, "--json"];
    arguments.extend(more);
    let run = nightbench(folder.path(), &arguments);
    (run.code, json(&run), run.err)
}

fn status(folder: &Folder, into: &str) -> Value {
    json(&nightbench(folder.path(), &["status", into, "--json"]))
}

fn junit(folder: &Folder, into: &str) -> String {
    nightbench(folder.path(), &["export", into, "--as", "junit"]).out
}

/// Attempts that count no more, and that do.
fn attempts(dir: &Path) -> (usize, usize) {
    let reader = Store::open_read_only(dir).expect("a store");
    reader.verify().expect("a sealed store");
    let all: Vec<_> = reader.jobs(Attempts::All).map(|job| job.expect("a job")).collect();
    let old = all.iter().filter(|job| job.superseded.is_some()).count();
    (old, all.len() - old)
}

/// Too few hours for a single job: whatever was judged is judged so still, everywhere.
#[test]
fn results_count_until_there_are_new_ones() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let (code, before, _) = run(&folder, "d", &[]);
    let fails = before["verdicts"]["fail"].as_u64().expect("a count");
    assert!(code == 1 && fails > 0, "{before}");
    let (was, tests) = (status(&folder, "d"), junit(&folder, "d"));
    let again = ["--again", "fail", "--reason", "drift", "--hours", "0.01"];
    let (code, after, err) = run(&folder, "d", &again);
    assert_eq!((code, &after["verdicts"]), (1, &before["verdicts"]), "{err}");
    assert_eq!(attempts(&folder.path().join("d")).0, 0);
    let now = status(&folder, "d");
    for key in ["verdicts", "done", "measured", "superseded", "failing", "bench_hours"] {
        assert_eq!(now[key], was[key], "{key}");
    }
    assert!(now["asked_again"].as_u64() >= Some(fails), "{now}");
    assert_eq!(junit(&folder, "d"), tests);
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).expect("a page");
    assert!(!page.contains("Why it was measured again"), "section 12 lists nothing");
    // A run of the plan leaves them, the same request goes on, and is over then.
    let (_, plain, _) = run(&folder, "d", &[]);
    assert_eq!(plain["verdicts"], before["verdicts"]);
    let (_, _, err) = run(&folder, "d", &["--again", "fail", "--reason", "drift"]);
    assert!(err.contains("continuing an earlier request"), "{err}");
    let (old, counting) = attempts(&folder.path().join("d"));
    assert!(old as u64 >= fails && counting as u64 == was["done"].as_u64().expect("a count"));
    assert_eq!(status(&folder, "d")["asked_again"], Value::Null);
}

/// Hours for some of them: "measured again" counts what was, and the next night of the same request does the rest, once.
#[test]
fn what_no_time_was_left_for_is_measured_in_the_next_night() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let (_, whole, _) = run(&folder, "d", &[]);
    let jobs = whole["jobs"].as_u64().expect("a count") as usize;
    let again = ["--again", "rate=2133,2400", "--reason", "drift", "--hours", "1.2"];
    let (_, _, err) = run(&folder, "d", &again);
    let measured = err.matches(": measured").count();
    assert!(measured > 0 && measured < jobs, "{err}");
    assert_eq!(attempts(&folder.path().join("d")), (measured, jobs));
    assert_eq!(status(&folder, "d")["superseded"].as_u64(), Some(measured as u64));
    assert_eq!(status(&folder, "d")["asked_again"].as_u64(), Some((jobs - measured) as u64));
    let mut nights = 0;
    while !status(&folder, "d")["asked_again"].is_null() {
        nights += 1;
        assert!(nights < 9, "it comes to an end");
        run(&folder, "d", &again);
    }
    assert_eq!(attempts(&folder.path().join("d")), (jobs, jobs), "each once");
    // As in one night.
    run(&folder, "e", &[]);
    run(&folder, "e", &again[..4]);
    // But for the report's number: the first folder has a night on record.
    let csv = |dir: &str| -> Vec<String> {
        let rows = nightbench(folder.path(), &["export", dir, "--as", "csv"]).out;
        let number = rows.lines().nth(1).and_then(|row| row.split(',').nth(1)).expect("a number").to_string();
        rows.lines().map(|row| row.replace(&number, "")).collect()
    };
    assert_eq!(csv("d"), csv("e"));
}

/// Killed in the middle: every job has a result that counts, and the request goes on to the same end.
#[test]
fn a_kill_while_measuring_again_loses_no_result() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan().replace("ber_limit = 1e-6", "ber_limit = 1e-9"));
    let (_, whole, _) = run(&folder, "d", &[]);
    let jobs = whole["jobs"].as_u64().expect("a count") as usize;
    let again = ["run", "plan.toml", "--into", "d", "--again", "rate=2133,2400", "--reason", "drift"];
    for wait_ms in [30, 90, 200] {
        let mut child = program().current_dir(folder.path()).args(again).spawn().expect("started");
        std::thread::sleep(Duration::from_millis(wait_ms));
        let _ = child.kill();
        child.wait().expect("ended");
        assert_eq!(attempts(&folder.path().join("d")).1, jobs);
    }
    nightbench(folder.path(), &again);
    assert_eq!(attempts(&folder.path().join("d")).1, jobs);
    assert_eq!(status(&folder, "d")["asked_again"], Value::Null);
}
