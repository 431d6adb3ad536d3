//! A bench knows the clock on the wall: moments that are told of it have dates, while it works, after it and before its first job.

use crate::bench_run::{one_setup, rig};
use crate::support::{json, nightbench, program};
use std::process::Stdio;
use std::time::{Duration, Instant};

/// `Tue 2026-12-01 06:00` at the beginning of some words.
fn begins_with_a_date(words: &str) -> bool {
    let parts: Vec<&str> = words.split_whitespace().take(3).collect();
    let dashes = |text: &str| text.split('-').filter(|part| part.parse::<u32>().is_ok()).count();
    parts.len() == 3 && parts[0].len() == 3 && dashes(parts[1]) == 3 && parts[2].contains(':')
}

fn attended() -> String {
    let days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
    let hours: String = days.iter().map(|day| format!("{day} = \"00:00-24:00\"\n")).collect();
    format!("{}\n[attended]\n{hours}", one_setup())
}

#[test]
fn a_bench_tells_dates_on_the_terminal_and_in_status() {
    for (plan, hours) in [(one_setup(), "no hours"), (attended(), "hours without a date")] {
        let rig = rig(&plan, 1, 0.0, 2000.0);
        let at = rig.folder.path();
        let part = nightbench(
            at,
            &["run", &rig.plan, "--bench", &rig.file, "--into", "out", "--only", "temperature=25"],
        );
        assert!([0, 1].contains(&part.code), "{}", part.err);
        let ends: Vec<&str> = part.err.split("ends (P50) ").skip(1).collect();
        assert!(!ends.is_empty() && ends.iter().all(|end| begins_with_a_date(end)), "{hours}: {}", part.err);
        assert!(!part.err.contains("week ") && !part.err.contains("day 1,"), "{hours}: {}", part.err);
        let status = nightbench(at, &["status", "out"]);
        assert!(!status.out.contains("week ") && !status.out.contains("day 1,"), "{hours}: {}", status.out);
        let finish = json(&nightbench(at, &["status", "out", "--json"]))["finish"].clone();
        assert!(finish["p50_hours"].as_f64() > Some(0.0), "{hours}: {finish}");
        if hours == "no hours" {
            // When it goes on nobody knows.
            assert_eq!((&finish["from"], &finish["p50"]), (&"next_run".into(), &serde_json::Value::Null));
            continue;
        }
        assert_eq!(finish["from"], "now", "{finish}");
        let date = finish["p50"].as_str().expect("a date");
        assert!(date.len() == 16 && date.as_bytes()[10] == b'T', "{date}");
        let end = status.out.split("P50  ").nth(1).expect("an end");
        assert!(begins_with_a_date(end) && status.out.contains("(if it goes on now)"), "{}", status.out);
        rig.off();
    }
}

/// A run that was ended before its first job: `status` says when it would end if it went on now.
#[test]
fn before_the_first_job_status_says_when_a_bench_would_end() {
    let rig = rig(&attended(), 1, 0.0, 30.0);
    let at = rig.folder.path();
    let mut child = program()
        .current_dir(at)
        .args(["run", &rig.plan, "--bench", &rig.file, "--into", "out"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("a process");
    let begin = Instant::now();
    while !rig.bench.world().powered() && begin.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_millis(5));
    }
    child.kill().expect("a process");
    child.wait().expect("an end");
    let status = json(&nightbench(at, &["status", "out", "--json"]));
    assert_eq!(status["done"], 0, "{status}");
    assert_eq!(status["finish"]["from"], "now", "{status}");
    assert!(status["finish"]["p90"].is_string() && status["next_hands_on"]["begin"].is_string(), "{status}");
    let words = nightbench(at, &["status", "out"]).out;
    assert!(!words.contains("week "), "{words}");
    // The watchdog has it off.
    while !rig.bench.world().still_on().is_empty() && begin.elapsed() < Duration::from_secs(120) {
        std::thread::sleep(Duration::from_millis(20));
    }
    rig.off();
}
