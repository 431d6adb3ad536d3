//! `preview --hours`, `run --hours` and `status` walk the same hours: what is foreseen is what is done, and what is told of it afterwards.

use crate::predicted;
use crate::support::{Folder, SMALL, json, nightbench, program};
use runner::store::{Attempts, Store};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Stdio;
use std::time::Duration;

/// Four setups, three temperatures, three rates.
fn plain() -> String {
    SMALL
        .replace("kind = \"SODIMM\"", "kind = \"UDIMM\"")
        .replace("rate = [2133, 2400]", "rate = [1866, 2133, 2400]")
        .replace("temperature_degc = [25, 60]", "temperature_degc = [0, 25, 85]")
}

fn attended() -> String {
    let days = ["monday", "tuesday", "wednesday", "thursday", "friday"];
    let hours: String = days.iter().map(|day| format!("{day} = \"09:00-17:00\"\n")).collect();
    format!("{}[attended]\nstart = \"2026-12-01 09:00\"\n{hours}", plain())
}

fn search() -> String {
    let rates = "rate = [1600, 1866, 2133, 2400, 2666, 2933, 3200]";
    format!("{}\n[highest_rate]\n", plain().replace("rate = [1866, 2133, 2400]", rates))
}

fn told(folder: &Folder, arguments: &[&str]) -> Value {
    let run = nightbench(folder.path(), arguments);
    assert!([0, 1, 3].contains(&run.code), "{arguments:?}: {}", run.err);
    json(&run)
}

/// What was measured in a folder: jobs of each mounting and temperature, and the conditions.
#[derive(Default)]
struct Held {
    jobs: BTreeMap<(String, String, i64), usize>,
    conditions: BTreeSet<String>,
}

fn held(folder: &Folder) -> Held {
    let mut held = Held::default();
    let Ok(reader) = Store::open_read_only(&folder.path().join("out")) else { return held };
    for row in reader.jobs(Attempts::Counting).map(|job| job.expect("a job").row) {
        held.conditions.insert(format!("{} {} {} {}", row.module, row.channel, row.rate, row.temperature));
        let place = (row.module, row.channel, row.temperature_set_degc as i64);
        *held.jobs.entry(place).or_default() += 1;
    }
    held
}

fn sum(counts: &Value) -> u64 {
    counts.as_object().expect("counts").values().map(|count| count.as_u64().expect("a count")).sum()
}

/// Runs so many hours; everything told before, by the run and after it agrees, apart from `spare` jobs whose answers differ from what was
/// foreseen.
fn walk(folder: &Folder, hours: f64, spare: u64) -> Value {
    let before = match held(folder).conditions.is_empty() {
        true => 0.0,
        false => told(folder, &["status", "out", "--json"])["bench_hours"].as_f64().expect("hours"),
    };
    walk_from(folder, hours, spare, before)
}

/// As [`walk`]; the hours begin after so many bench hours.
fn walk_from(folder: &Folder, hours: f64, spare: u64, hours_before: f64) -> Value {
    let hours_text = hours.to_string();
    let with_hours =
        |command: &'static str| vec![command, "plan.toml", "--into", "out", "--hours", &hours_text, "--json"];
    let seen = told(folder, &with_hours("preview"))["in_hours"].clone();
    let before = held(folder);
    let run = nightbench(folder.path(), &with_hours("run"));
    let after = held(folder);
    let status = told(folder, &["status", "out", "--json"]);
    let number = |value: &Value| value.as_u64().expect("a number");
    let close = |a: u64, b: u64, what: &str| {
        assert!(a.abs_diff(b) <= spare, "{what}: {a} foreseen, {b} found: {seen} {status}\n{}", run.err);
    };
    // Which jobs, setup by setup and temperature by temperature.
    let count = |held: &Held| held.jobs.values().sum::<usize>() as u64;
    close(number(&seen["jobs"]), count(&after) - count(&before), "jobs");
    let mounted: BTreeSet<(&str, &str)> = after
        .jobs
        .iter()
        .filter(|(place, jobs)| before.jobs.get(place).copied().unwrap_or(0) < **jobs)
        .map(|((module, channel, _), _)| (module.as_str(), channel.as_str()))
        .collect();
    let listed: BTreeSet<(&str, &str)> = seen["setups"]
        .as_array()
        .expect("setups")
        .iter()
        .map(|one| (one["module"].as_str().expect("a name"), one["channel"].as_str().expect("a name")))
        .collect();
    assert_eq!(
        listed, mounted,
        "a mounting that is listed and never happens, or the other way round: {seen}"
    );
    // What is learnt, and what is left.
    let learnt = after.conditions.difference(&before.conditions).count() as u64;
    close(sum(&seen["conditions"]), learnt, "conditions learnt");
    let counts = &status["job_counts"];
    close(number(&seen["left"]["jobs"]), number(&counts["to_do"]), "jobs left");
    assert_eq!(json(&run)["job_counts"]["done"], counts["done"]);
    // When: the hours used, and the end.
    let used = status["bench_hours"].as_f64().expect("hours") - hours_before;
    let foreseen = seen["used_hours"].as_f64().expect("hours");
    let waited = seen["waiting_hours"].as_f64().expect("hours");
    let slack = 0.02 * hours + spare as f64 * 0.1;
    assert!((used - (foreseen - waited)).abs() <= slack, "{foreseen} h foreseen, {used} used: {seen}");
    // What a run says as it goes on, where it goes on long enough to say anything.
    if run.err.contains("home by ") {
        let home_by = seen["home_by"].as_str().expect("a moment");
        assert!(run.err.contains(&format!("home by {home_by} at the latest")), "{home_by}: {}", run.err);
    }
    seen
}

#[test]
fn the_hours_of_several_nights_are_those_foreseen() {
    for (name, text) in [("plain", plain()), ("attended", attended())] {
        let folder = Folder::new();
        folder.file("plan.toml", &text);
        let mut done = 0;
        for hours in [2.0, 3.5, 3.5, 40.0] {
            done += walk(&folder, hours, 0)["jobs"].as_u64().expect("jobs");
        }
        assert_eq!(done, 36, "{name}: everything in the end");
    }
}

#[test]
fn hours_after_a_part_was_measured_by_name_are_those_foreseen() {
    let folder = Folder::new();
    folder.file("plan.toml", &plain());
    let part =
        nightbench(folder.path(), &["run", "plan.toml", "--into", "out", "--only", "rate=2133,module=Amber"]);
    assert!([0, 1].contains(&part.code), "{}", part.err);
    assert!(walk(&folder, 3.0, 0)["jobs"].as_u64() > Some(0));
    // Hours of a selection are of that selection.
    let only = ["--into", "out", "--hours", "3", "--only", "temperature=25", "--json"];
    let seen = told(&folder, &[&["preview", "plan.toml"], &only[..]].concat())["in_hours"].clone();
    let before: usize = held(&folder).jobs.values().sum();
    nightbench(folder.path(), &[&["run", "plan.toml"], &only[..]].concat());
    let after: usize = held(&folder).jobs.values().sum();
    assert_eq!(seen["jobs"].as_u64(), Some((after - before) as u64), "{seen}");
}

/// A search: only mountings that happen are listed, though its answers may differ.
#[test]
fn hours_of_a_search_list_what_is_mounted() {
    for hours in [2.0, 4.0, 7.0] {
        let folder = Folder::new();
        folder.file("plan.toml", &search());
        let seen = walk(&folder, hours, 6);
        assert!(seen["jobs"].as_u64() > Some(0), "{seen}");
    }
}

#[test]
fn hours_of_a_plan_with_predictions_are_those_foreseen() {
    let folder = Folder::new();
    folder.file("plan.toml", &predicted::plan(""));
    for hours in [2.0, 3.0] {
        assert!(walk(&folder, hours, 6)["jobs"].as_u64() > Some(0));
    }
}

/// A run that was cut has the rest of its hours: what is foreseen then is what it still does.
#[test]
fn a_run_that_was_cut_is_foreseen_to_its_end() {
    let folder = Folder::new();
    folder.file("plan.toml", &plain().replace("lanes = 8", "lanes = 32"));
    let mut child = program()
        .current_dir(folder.path())
        .args(["run", "plan.toml", "--into", "out", "--threads", "1", "--hours", "5"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("a process");
    // Wherever it is cut, or though it has ended before: the next command does what was foreseen.
    while held(&folder).jobs.is_empty() && child.try_wait().expect("a process").is_none() {
        std::thread::sleep(Duration::from_millis(5));
    }
    let _ = child.kill();
    child.wait().expect("an end");
    walk_from(&folder, 5.0, 0, 0.0);
}
