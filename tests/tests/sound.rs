//! What a report rests on: the store as it was measured and nothing else, a log nobody changed, jobs nobody left out.

use crate::support::{Folder, SMALL, json, nightbench};
use runner::run::remeasure::{Request, open_request};
use runner::store::Store;
use rusqlite::Connection;
use std::path::Path;

/// One setup, two rates, two temperatures: four jobs.
fn plan() -> String {
    SMALL.replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"direct\"]\nrate = [2133, 2400]")
}

fn run(folder: &Folder, more: &[&str]) -> crate::support::Run {
    let run = nightbench(folder.path(), &[&["run", "plan.toml", "--into", "d", "--json"][..], more].concat());
    assert!([0, 1].contains(&run.code), "{}", run.err);
    run
}

fn reasons(run: &crate::support::Run) -> String {
    json(run)["release"]["reasons"].to_string()
}

#[test]
fn jobs_that_the_plan_lost_are_told_wherever_a_decision_stands() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    assert!(!reasons(&run(&folder, &[])).contains("no longer in the plan"));
    folder.file("plan.toml", &plan().replace("rate = [2133, 2400]", "rate = [2133]"));
    let fewer = run(&folder, &[]);
    assert!(reasons(&fewer).contains("2 stored jobs are no longer in the plan"), "{}", fewer.out);
    assert_eq!(json(&fewer)["release"]["decision"], "undecided");
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    assert!(page.contains("2 stored jobs are no longer in the plan (changed after they were measured)"));
    let status = nightbench(folder.path(), &["status", "d"]).out;
    assert!(status.contains("2 of 2 jobs done (100 %)"), "{status}");
    assert!(status.contains("2 stored jobs are no longer in the plan"), "{status}");
    let reader = Store::open_read_only(&folder.path().join("d")).unwrap();
    assert!(reader.events().unwrap().iter().any(|event| event.kind == "plan_changed"));
    // Put back, they count again.
    folder.file("plan.toml", &plan());
    assert!(!reasons(&run(&folder, &[])).contains("no longer in the plan"));
}

#[test]
fn digests_of_another_measurement_are_not_taken_for_this_one() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    for (dir, seed) in [("one", "1"), ("two", "2")] {
        nightbench(at, &["run", "plan.toml", "--into", dir, "--seed", seed]);
    }
    let report = |dir: &str| {
        let run = nightbench(at, &["report", dir, "--json"]);
        (json(&run)["worst"].clone(), json(&run)["verdicts"].clone())
    };
    let (one, two) = (report("one"), report("two"));
    assert_ne!(one, two);
    // The store of one run beside the digests of the other, as after putting back a copy.
    std::fs::copy(at.join("two/results.sqlite"), at.join("one/results.sqlite")).unwrap();
    assert_eq!(report("one"), two);
}

#[test]
fn what_is_handed_on_is_looked_through_first() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    run(&folder, &[]);
    let refused = |arguments: &[&str], words: &str| {
        let run = nightbench(at, arguments);
        assert_eq!(run.code, 74, "{arguments:?}: {}", run.err);
        assert!(run.err.contains(words), "{arguments:?}: {}", run.err);
    };
    // A word of the log changed behind the program's back.
    let store = at.join("d/results.sqlite");
    let database = Connection::open(&store).unwrap();
    let triggers: Vec<(String, String)> = database
        .prepare("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'events'")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    assert!(!triggers.is_empty());
    triggers.iter().for_each(|(name, _)| database.execute_batch(&format!("DROP TRIGGER {name}")).unwrap());
    database.execute("UPDATE events SET text = 'nothing happened' WHERE sequence = 1", []).unwrap();
    triggers.iter().for_each(|(_, sql)| database.execute_batch(sql).unwrap());
    drop(database);
    for arguments in [
        &["report", "d"][..],
        &["export", "d", "--as", "csv"],
        &["study", "d"],
        &["compare", "d", "d"],
        &["run", "plan.toml", "--into", "d"],
    ] {
        refused(arguments, "its words or time do not fit its hash");
    }
    refused(&["status", "d"], "its words or time do not fit its hash");
    // An emptied store beside what its run left is no new folder.
    std::fs::write(&store, "").unwrap();
    refused(&["run", "plan.toml", "--into", "d"], "was lost or emptied");
    assert_eq!(std::fs::metadata(&store).unwrap().len(), 0);
}

#[test]
fn a_file_of_limits_leaves_the_rest_as_the_plan_has_it() {
    let folder = Folder::new();
    let at = folder.path();
    let own = "\n[decision]\nrule = \"simple acceptance\"\n\n[[uncertainty]]\nname = \"fixture\"\nmetric = \"width\"\n\
               standard_uncertainty_ps = 9.0\nsource = \"invented\"\n";
    folder.file("plan.toml", &(plan() + own));
    let before = json(&run(&folder, &[]));
    let limits = "[[limit]]\nmetric = \"width\"\nminimum = 0.21\nunit = \"UI\"\nsource = \"invented\"\n";
    folder.file("limits.toml", limits);
    let after = nightbench(at, &["report", "d", "--limits", "limits.toml", "--json"]);
    assert!([0, 1].contains(&after.code), "{}", after.err);
    let page = std::fs::read_to_string(at.join("d/what-if.html")).unwrap();
    assert!(page.contains("fixture of width 9 ps"), "the plan's own line is gone");
    // Both sets can be read on the page, in figures.
    for words in ["width (read) at least 0.21 UI", "width (read) at least 0.2 UI", "simple acceptance"] {
        assert!(page.contains(words), "no {words}");
    }
    let rules: Vec<_> =
        json(&after)["limit_sets"].as_array().unwrap().iter().map(|set| set["rule"].clone()).collect();
    assert_eq!(rules.len(), 2, "{rules:?}");
    assert_eq!(rules[0], rules[1]);
    assert_eq!(before["limit_sets"][0]["rule"], rules[0]);
    // What the file does say holds.
    folder.file("limits.toml", &format!("{limits}[decision]\nrule = \"ISO 14253-1\"\n"));
    let other = nightbench(at, &["report", "d", "--limits", "limits.toml", "--json"]);
    assert!(json(&other)["limit_sets"].to_string().contains("ISO 14253-1"), "{}", other.out);
}

fn superseded(at: &Path) -> serde_json::Value {
    json(&nightbench(at, &["status", "d", "--json"]))["superseded"].clone()
}

#[test]
fn a_request_cut_off_after_its_last_job_is_not_measured_twice() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    run(&folder, &[]);
    let again = ["--again", "rate=2400", "--reason", "probe re-seated"];
    run(&folder, &again);
    assert_eq!(superseded(at), 2);
    // As if killed between the last job and the report.
    let mut store = Store::open(&at.join("d")).unwrap();
    let request = Request { texts: &["rate=2400".into()], reason: "probe re-seated" };
    open_request(&mut store, request, &[]).unwrap_or_else(|_| panic!("noted"));
    store.close().unwrap();
    let continued = run(&folder, &again);
    assert!(continued.err.contains("continuing an earlier request"), "{}", continued.err);
    assert_eq!(superseded(at), 2, "measured twice");
    // The request came to its end: the same words ask for a new attempt.
    run(&folder, &again);
    assert_eq!(superseded(at), 4);
}

#[test]
fn a_shard_is_no_other_shard_and_no_result_of_a_merge() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", SMALL);
    for shard in ["1/2", "2/2"] {
        nightbench(at, &["run", "plan.toml", "--into", &shard[..1], "--shard", shard]);
    }
    for (arguments, words) in [
        (&["run", "plan.toml", "--into", "1", "--shard", "2/2"][..], "1 holds shard 1/2, not 2/2"),
        (&["merge", "1", "2"], "1 holds shard 1/2 of a run: it is a part"),
    ] {
        let run = nightbench(at, arguments);
        assert_eq!(run.code, 2, "{}", run.err);
        assert!(run.err.contains(words), "{}", run.err);
    }
}

/// A job that was changed or deleted behind the program's back: whoever reads results finds it.
#[test]
fn a_changed_or_deleted_job_is_found_by_every_command() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    run(&folder, &[]);
    let sound = std::fs::read(at.join("d/results.sqlite")).unwrap();
    for change in
        ["UPDATE jobs SET temperature_measured_degc = 25 WHERE id = 3", "DELETE FROM jobs WHERE id = 3"]
    {
        std::fs::write(at.join("d/results.sqlite"), &sound).unwrap();
        let database = Connection::open(at.join("d/results.sqlite")).unwrap();
        database.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
        assert_eq!(database.execute(change, []).unwrap(), 1);
        drop(database);
        for arguments in [
            &["status", "d"][..],
            &["look", "d", "--only", "rate=2133,temperature=25"],
            &["preview", "plan.toml", "--into", "d", "--hours", "3"],
            &["report", "d"],
            &["export", "d", "--as", "csv"],
        ] {
            let read = nightbench(at, arguments);
            assert_eq!(read.code, 74, "{change}: {arguments:?}\n{}{}", read.out, read.err);
        }
    }
}
