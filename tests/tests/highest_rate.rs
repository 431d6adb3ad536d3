//! A search for the highest rates gives what measuring every rate gives, with fewer jobs, on the simulated target and on a bench.

use crate::bench_run::{nothing_outside, rig};
use crate::support::{Folder, json, nightbench};
use runner::store::{Attempts, Store};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;

const LIBRARY: &str = include_str!("../../plans/library/highest-rate.toml");

/// The same plan that measures every rate.
fn every_rate(plan: &str) -> String {
    plan.lines()
        .filter(|line| *line != "[highest_rate]" && !line.starts_with("at_least"))
        .fold(String::new(), |text, line| text + line + "\n")
}

/// Verdict of each rate measured, by name of the series.
fn verdicts_of(folder: &Path, run: &str) -> BTreeMap<String, BTreeMap<u64, String>> {
    let export = nightbench(folder, &["export", run, "--as", "jsonl"]);
    assert_eq!(export.code, 0, "{}", export.err);
    let mut found: BTreeMap<String, BTreeMap<u64, String>> = BTreeMap::new();
    for line in export.out.lines() {
        let row: Value = serde_json::from_str(line).expect("a JSON line");
        let Some(verdict) = row["verdict"].as_str() else { continue };
        let condition = &row["condition"];
        let name =
            format!("{}, {}, {}", condition["module"], condition["channel"], condition["temperature_degc"]);
        let rate = condition["rate_mtps"].as_f64().expect("a rate") as u64;
        found.entry(name).or_default().insert(rate, verdict.into());
    }
    found
}

fn highest(verdicts: &BTreeMap<u64, String>) -> Option<u64> {
    verdicts.iter().rev().find(|(_, verdict)| *verdict == "pass").map(|(rate, _)| *rate)
}

/// The same series have the same highest rates. At the edge of the guard band one series may differ: spreads pooled over more
/// conditions make U a little other, and what passes by one is a conditional pass by the other.
fn alike(sought: &BTreeMap<String, BTreeMap<u64, String>>, every: &BTreeMap<String, BTreeMap<u64, String>>) {
    assert!(sought.keys().eq(every.keys()));
    let mut at_the_edge = 0;
    for (name, all) in every {
        let (found, true_one) = (highest(&sought[name]), highest(all));
        let conditional = |rate: Option<u64>, of: &BTreeMap<u64, String>| {
            rate.and_then(|rate| of.get(&rate)).is_some_and(|verdict| verdict == "conditional_pass")
        };
        if found != true_one {
            let edge = conditional(found, all) || conditional(true_one, &sought[name]);
            assert!(edge, "{name}: {:?} for {all:?}", sought[name]);
            at_the_edge += 1;
        }
    }
    assert!(at_the_edge <= 1, "{sought:?} for {every:?}");
}

fn rates(value: &Value) -> Vec<Option<u64>> {
    value["highest_rates"].as_array().expect("series").iter().map(|one| one["highest_mts"].as_u64()).collect()
}

#[test]
fn the_library_plan_finds_what_every_rate_finds() {
    let folder = Folder::new();
    folder.file("sought.toml", LIBRARY);
    folder.file("every.toml", &every_rate(LIBRARY));
    let sought = nightbench(folder.path(), &["run", "sought.toml", "--into", "sought", "--json"]);
    let every = nightbench(folder.path(), &["run", "every.toml", "--into", "every", "--json"]);
    let (found, all) = (json(&sought), json(&every));
    // Rates that pass, some that do not, and series that end at either.
    let verdicts = verdicts_of(folder.path(), "sought");
    alike(&verdicts, &verdicts_of(folder.path(), "every"));
    let ends = |fast: bool| verdicts.values().any(|one| (highest(one) == Some(3200)) == fast);
    assert!(ends(true) && ends(false), "{verdicts:?}");
    let (asked, jobs) = (found["jobs"].as_u64().expect("jobs"), all["jobs"].as_u64().expect("jobs"));
    assert!(asked * 100 <= jobs * 35, "{asked} of {jobs} conditions");
    assert_eq!(found["not_needed"].as_u64(), Some(jobs - asked));
    assert_eq!(found["not_measured"], 0);
    assert_eq!(sought.code, 0, "{}", sought.err);
    // Nothing is left to ask, `status` knows it, and the exports say "not needed".
    let again = nightbench(folder.path(), &["run", "sought.toml", "--into", "sought", "--json"]);
    assert_eq!((json(&again)["jobs"].as_u64(), again.code), (Some(asked), 0), "{}", again.err);
    let status = json(&nightbench(folder.path(), &["status", "sought", "--json"]));
    let counts = serde_json::json!({
        "plan": jobs, "done": asked, "to_do": 0, "not_needed": jobs - asked, "predicted": 0,
    });
    let report = json(&nightbench(folder.path(), &["report", "sought", "--json"]));
    for told in [&status, &report, &found] {
        assert_eq!(told["job_counts"], counts, "{told}");
    }
    let preview = nightbench(folder.path(), &["preview", "sought.toml", "--into", "sought", "--json"]);
    assert_eq!(json(&preview)["job_counts"], counts, "{}", preview.err);
    assert_eq!(status["bench_hours_left"], 0.0);
    let csv = nightbench(folder.path(), &["export", "sought", "--as", "csv"]);
    assert!(csv.out.contains("not needed"));
    let junit = nightbench(folder.path(), &["export", "sought", "--as", "junit"]);
    assert!(
        junit.out.contains(
            "<skipped message=\"not needed: the highest rate of its series is known without it\"/>"
        )
    );
    // The run ended with 0, and a program that reads failures sees the same.
    assert!(junit.out.contains("name=\"highest rate that passes, ") && !junit.out.contains("<error "));
    assert!(!junit.out.contains("<failure "), "what fails above an answer is no failure");
    let page = std::fs::read_to_string(folder.path().join("sought/report.html")).expect("a report");
    assert!(page.contains("Highest rate that passes") && !page.contains("Incomplete:"));
    // Asked for by name, a rate that was not needed is measured all the same.
    let more = nightbench(
        folder.path(),
        &["run", "sought.toml", "--into", "sought", "--only", "rate=1600,temperature=25", "--json"],
    );
    assert_eq!(json(&more)["jobs"].as_u64(), Some(asked + 6), "{}", more.err);
}

/// A run of some rates alone leaves series without an answer: that none of their rates passes is said nowhere.
#[test]
fn a_series_that_was_cut_short_has_no_answer() {
    let folder = Folder::new();
    folder.file("plan.toml", LIBRARY);
    let cut = nightbench(folder.path(), &["run", "plan.toml", "--into", "cut", "--only", "rate=3200"]);
    assert_eq!(cut.code, 3, "{}", cut.err);
    let page = std::fs::read_to_string(folder.path().join("cut/report.html")).expect("a report");
    let said = json(&nightbench(folder.path(), &["report", "cut", "--json"]));
    let open = |one: &&Value| one["finished"] == false && one["asked"].as_u64() > Some(0);
    let series = said["highest_rates"].as_array().expect("series");
    assert!(series.iter().filter(open).any(|one| one["highest_mts"].is_null()), "{said}");
    if series.iter().all(|one| one["finished"] == false) {
        assert!(!page.contains("The lowest answer"));
    }
    assert!(!page.contains("none of its rates passes") && !page.contains("none passes"));
    assert!(page.contains("conditions are not known yet."));
    assert!(!cut.out.contains(": none") && cut.out.contains(": not known yet, fails at"), "{}", cut.out);
    let whole = nightbench(folder.path(), &["run", "plan.toml", "--into", "cut"]);
    assert_eq!(whole.code, 0, "{}", whole.err);
    assert!(!whole.out.contains("not known yet") && !whole.out.contains("at least"), "{}", whole.out);
    let page = std::fs::read_to_string(folder.path().join("cut/report.html")).expect("a report");
    assert!(page.contains("The lowest answer is ") && !page.contains("answer known"));
}

/// Whatever was measured before, and by however many threads.
#[test]
fn a_search_in_two_parts_finds_the_same_rates() {
    let folder = Folder::new();
    folder.file("plan.toml", LIBRARY);
    let whole =
        nightbench(folder.path(), &["run", "plan.toml", "--into", "whole", "--threads", "1", "--json"]);
    // First only the hottest series: the others then begin with what they themselves follow.
    let part = nightbench(folder.path(), &["run", "plan.toml", "--into", "part", "--only", "temperature=85"]);
    assert!([0, 1, 3].contains(&part.code), "{}", part.err);
    let rest = nightbench(folder.path(), &["run", "plan.toml", "--into", "part", "--threads", "3", "--json"]);
    assert_eq!(rates(&json(&whole)), rates(&json(&rest)));
}

#[test]
fn a_rate_that_no_series_can_reach_is_refused_and_one_that_some_miss_gives_1() {
    let folder = Folder::new();
    let with = |rate: &str| LIBRARY.replace("at_least = 2133", &format!("at_least = {rate}"));
    folder.file("plan.toml", &with("3200"));
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "out", "--json"]);
    assert_eq!(run.code, 1, "{}", run.err);
    let reach = json(&run)["highest_rates"]
        .as_array()
        .expect("series")
        .iter()
        .filter(|one| one["reaches"] == true)
        .count();
    assert!(reach > 0 && reach < 18, "{reach}");
    let slow =
        with("3200").replace("rate = [1600, 1867, 2133, 2400, 2667, 2933, 3200]", "rate = [1600, 2400]");
    folder.file("slow.toml", &slow);
    let refused = nightbench(folder.path(), &["check", "slow.toml"]);
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("`at_least` asks for 3200 MT/s"), "{}", refused.err);
    folder.file("covered.toml", &(with("2400") + "\n[coverage]\nkind = \"one factor at a time\"\n"));
    let refused = nightbench(folder.path(), &["check", "covered.toml"]);
    assert!(refused.err.contains("needs every rate of a series"), "{}", refused.err);
}

/// On a bench the rates of one temperature are asked one after the other, without going there twice.
#[test]
fn a_bench_asks_rate_after_rate_where_it_stands() {
    let plan = crate::bench_run::one_setup()
        .replace("rate = [2133, 2400]", "rate = [1600, 1867, 2133, 2400, 2667, 2933, 3200]")
        .replace("minimum = 0.2\n", "minimum = 0.45\n")
        + "\n[highest_rate]\n";
    let rig = rig(&plan, 1, 0.0, 2000.0);
    let run = rig.run(&[]);
    let found = json(&run);
    assert_eq!(found["not_measured"], 0, "{}", run.err);
    let every = rig.folder.file("every.toml", &every_rate(&plan));
    let all =
        nightbench(rig.folder.path(), &["run", crate::bench_run::text(&every), "--into", "every", "--json"]);
    assert!([0, 1].contains(&all.code), "{}", all.err);
    alike(&verdicts_of(rig.folder.path(), "out"), &verdicts_of(rig.folder.path(), "every"));
    let asked = found["jobs"].as_u64().expect("jobs");
    assert!(asked < 14 && asked + found["not_needed"].as_u64().expect("a number") == 14, "{asked}");
    let reader = Store::open_read_only(&rig.folder.path().join("out")).expect("a store");
    let mut jobs: Vec<(f64, String)> = reader
        .jobs(Attempts::All)
        .map(|job| job.expect("a job").row)
        .map(|row| (row.started_bench_s, row.temperature))
        .collect();
    jobs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut temperatures: Vec<String> = jobs.into_iter().map(|(_, temperature)| temperature).collect();
    temperatures.dedup();
    assert_eq!(temperatures.len(), 2, "{temperatures:?}");
    rig.off();
    nothing_outside(&rig.bench);
}
