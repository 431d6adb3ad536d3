//! Shards and merging: the same bytes as one run, and everything that does not belong together refused.

use crate::rig::{Rig, TINY};
use crate::support::{Folder, SMALL, json, nightbench};
use runner::folder::eye_summaries::CACHE;
use runner::forecast::shard::split;
use runner::run::merge::merge;
use std::collections::{HashMap, HashSet};
use std::path::Path;

fn csv(folder: &Path, dir: &str) -> String {
    let run = nightbench(folder, &["export", dir, "--as", "csv"]);
    assert_eq!(run.code, 0, "{}", run.err);
    run.out
}

fn page(folder: &Path, dir: &str) -> String {
    std::fs::read_to_string(folder.join(dir).join("report.html")).expect("a report")
}

/// Two setups, three mountings each, two repeats.
fn plan() -> String {
    format!("{SMALL}\n[repeats]\nrepeats = 2\nre_seats = 2\n")
}

#[test]
fn merged_shards_are_the_bytes_of_one_run() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    let whole = nightbench(at, &["run", "plan.toml", "--into", "whole"]);
    assert!([0, 1].contains(&whole.code), "{}", whole.err);
    // A plan of six mountings in seven shards leaves one without work.
    for count in [2, 3, 7] {
        let names: Vec<String> = (1..=count).map(|index| format!("s{index}of{count}")).collect();
        let mut codes = Vec::new();
        for (index, name) in (1..).zip(&names) {
            let shard = format!("{index}/{count}");
            let run = nightbench(at, &["run", "plan.toml", "--into", name, "--shard", &shard]);
            codes.push(run.code);
        }
        assert_eq!(codes.iter().filter(|code| **code == 4).count(), usize::from(count == 7), "{codes:?}");
        assert!(codes.iter().all(|code| [0, 1, 4].contains(code)), "{codes:?}");
        let out = format!("merged{count}");
        let mut arguments = vec!["merge", &out];
        arguments.extend(names.iter().rev().map(String::as_str));
        let merged = nightbench(at, &arguments);
        assert_eq!(merged.code, whole.code, "{}", merged.err);
        assert_eq!(csv(at, &out), csv(at, "whole"));
        assert_eq!(page(at, &out), page(at, "whole"));
    }
    // Duplicates: the whole run, a shard twice, and the result once more.
    let again = nightbench(at, &["merge", "merged3", "whole", "s1of3", "s1of3", "--json"]);
    assert_eq!(again.code, whole.code, "{}", again.err);
    assert!(json(&again)["duplicates"].as_u64().unwrap() >= 48, "{}", again.out);
    assert_eq!(csv(at, "merged3"), csv(at, "whole"));
    // A merged run goes on like any other.
    let more = plan().replace("[25, 60]", "[25, 60, 85]");
    folder.file("plan.toml", &more);
    let grown = nightbench(at, &["run", "plan.toml", "--into", "merged2"]);
    assert!(grown.err.contains("48 of 72 jobs are done already"), "{}", grown.err);
}

/// Bytes of summaries in a cache.
fn summaries(cache: &Path) -> u64 {
    let bytes = |connection: rusqlite::Connection| -> rusqlite::Result<i64> {
        connection.query_row("SELECT coalesce(sum(length(summary)), 0) FROM summaries", [], |row| row.get(0))
    };
    rusqlite::Connection::open(cache).and_then(bytes).map_or(0, |bytes| bytes as u64)
}

/// What the parts fitted is not fitted again: a hundred thousand captures would take minutes.
#[test]
fn a_merge_takes_over_what_its_parts_have_fitted() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    for shard in ["1/2", "2/2"] {
        nightbench(at, &["run", "plan.toml", "--into", &shard[..1], "--shard", shard]);
    }
    let entries = |dir: &str| summaries(&at.join(dir).join(CACHE));
    let parts = [at.join("1"), at.join("2"), at.join("1")];
    for _ in 0..2 {
        let merged = merge(&at.join("out"), &parts);
        assert!(merged.is_ok_and(|(_, merged)| merged.missing_jobs == 0));
        assert!(entries("1") > 1000);
        assert_eq!(entries("out"), entries("1") + entries("2"));
    }
    let page_of = |dir: &str| {
        assert!([0, 1].contains(&nightbench(at, &["report", dir]).code));
        page(at, dir)
    };
    let kept = page_of("out");
    std::fs::remove_file(at.join("out").join(CACHE)).unwrap();
    assert_eq!(page_of("out"), kept);
    // Without the parts' caches a merge is only slower.
    parts.iter().for_each(|part| drop(std::fs::remove_file(part.join(CACHE))));
    nightbench(at, &["merge", "bare", "1", "2"]);
    assert_eq!(page(at, "bare"), kept);
}

#[test]
fn a_missing_shard_is_named_and_can_be_added_later() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    for index in ["1", "3"] {
        let shard = format!("{index}/3");
        nightbench(at, &["run", "plan.toml", "--into", index, "--shard", &shard]);
    }
    let part = nightbench(at, &["merge", "out", "1", "3", "2", "--json"]);
    assert_eq!(part.code, 3, "{}", part.err);
    assert_eq!(json(&part)["missing_shards"], serde_json::json!(["2/3"]));
    assert_eq!(json(&part)["missing_jobs"], 16);
    assert!(part.err.contains("missing: 16 jobs of shard 2/3"), "{}", part.err);
    assert!(part.err.contains("2: no results of a run here"), "{}", part.err);
    nightbench(at, &["run", "plan.toml", "--into", "2", "--shard", "2/3"]);
    let whole = nightbench(at, &["merge", "out", "2"]);
    assert!([0, 1].contains(&whole.code), "{}", whole.err);
    nightbench(at, &["run", "plan.toml", "--into", "one"]);
    assert_eq!(csv(at, "out"), csv(at, "one"));
}

#[test]
fn what_does_not_belong_together_is_refused_in_words() {
    let folder = Folder::new();
    let at = folder.path();
    let small = SMALL.replace("rate = [2133, 2400]", "rate = [2133]");
    folder.file("a.toml", &small);
    folder.file("b.toml", &small.replace("title = \"Small\"", "title = \"Other\""));
    nightbench(at, &["run", "a.toml", "--into", "a"]);
    nightbench(at, &["run", "b.toml", "--into", "b"]);
    nightbench(at, &["run", "a.toml", "--into", "c", "--seed", "2"]);
    for (parts, words) in [
        (["a", "b"], "run with different plan files (`Small` and `Other`)"),
        (["a", "c"], "a was run with seed 1, c with seed 2"),
        (["absent", "neither"], "no results of a run in absent, neither"),
        (["a", "out"], "named both as a part and as the result"),
    ] {
        let run = nightbench(at, &["merge", "out", parts[0], parts[1]]);
        assert_eq!(run.code, 2, "{}", run.err);
        assert!(run.err.contains(words), "{}", run.err);
        assert!(!at.join("out").exists(), "nothing was touched");
    }
    let occupied = nightbench(at, &["merge", "b", "a"]);
    assert_eq!(occupied.code, 2);
    assert!(occupied.err.contains("already holds another run"), "{}", occupied.err);
    assert_eq!(nightbench(at, &["merge", "out"]).code, 2);
    for shard in ["0/2", "3/2", "2", "x/y"] {
        let run = nightbench(at, &["run", "a.toml", "--into", "d", "--shard", shard]);
        assert_eq!(run.code, 2);
        assert!(run.err.contains("is no shard"), "{}", run.err);
    }
    let bench = ["run", "a.toml", "--into", "d", "--shard", "1/2", "--bench", "bench.toml"];
    let bench = nightbench(at, &bench);
    assert_eq!(bench.code, 2, "shards split simulated plans only");
    assert!(bench.err.contains("--shard"), "{}", bench.err);
}

#[test]
fn a_second_attempt_survives_the_merge() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &plan());
    let rest = ["--only", "rate=2133", "--reason", "probe re-seated", "--again", "rate=2133"];
    for shard in ["1/2", "2/2"] {
        nightbench(at, &["run", "plan.toml", "--into", &shard[..1], "--shard", shard]);
    }
    // Before and after the second attempt: the earlier folder is out of date, not a contradiction.
    nightbench(at, &["merge", "early", "1", "2"]);
    let again = [&["run", "plan.toml", "--into", "1", "--shard", "1/2"][..], &rest[..]].concat();
    assert!([0, 1, 3].contains(&nightbench(at, &again).code));
    for parts in [["1", "2", "early"], ["early", "2", "1"]] {
        let out = format!("late-{}", parts[0]);
        let merged = nightbench(at, &["merge", &out, parts[0], parts[1], parts[2]]);
        assert!([0, 1].contains(&merged.code), "{}", merged.err);
    }
    assert_eq!(csv(at, "late-1"), csv(at, "late-early"));
    assert_ne!(csv(at, "late-1"), csv(at, "early"));
    nightbench(at, &["merge", "early", "1", "2"]);
    assert_eq!(csv(at, "early"), csv(at, "late-1"), "an earlier merge is brought up to date");
    let status = json(&nightbench(at, &["status", "early", "--json"]));
    assert_eq!(status["superseded"], 12);
}

#[test]
fn shards_hold_whole_mountings_and_every_job_once() {
    let text = TINY.replace(
        "repeats = 3",
        "repeats = 3
re_seats = 4",
    );
    let text = text.replace(
        "[[channel]]",
        "[[module]]\nname = \"Birch\"\nkind = \"UDIMM\"\nrated = 2400\n\n[[channel]]",
    );
    let rig = Rig::new(&text);
    let plan = &rig.file.plan;
    let one = split(plan, &rig.forecast, 1);
    assert!(one.iter().all(|shard| *shard == 1));
    for count in 1..=13 {
        let shards = split(plan, &rig.forecast, count);
        assert_eq!(shards.len(), rig.forecast.jobs.len());
        assert!(shards.iter().all(|shard| (1..=count).contains(shard)));
        let mut of_mounting = HashMap::new();
        for (job, shard) in rig.forecast.jobs.iter().zip(&shards) {
            let setup = rig.forecast.expansion.conditions[job.condition as usize].setup();
            assert_eq!(*of_mounting.entry((setup, job.mounting)).or_insert(*shard), *shard);
        }
        let used: HashSet<u32> = shards.iter().copied().collect();
        assert_eq!(used.len(), of_mounting.len().min(count as usize), "no shard idle while another has two");
        // A function of plan and number alone.
        assert_eq!(shards, split(&Rig::new(&text).file.plan, &Rig::new(&text).forecast, count));
    }
}
