//! `preview` sees the run folder as `run` does: what is done, what is still to come, and what is selected by results.

use crate::predicted;
use crate::support::{Folder, SMALL, json, nightbench};

#[test]
fn preview_says_what_the_folder_holds() {
    let folder = Folder::new();
    folder.file("plan.toml", SMALL);
    let at = folder.path();
    let preview = ["preview", "plan.toml", "--into", "d"];
    assert!(!nightbench(at, &preview).out.contains("holds results"), "nothing is there yet");
    let part = nightbench(at, &["run", "plan.toml", "--into", "d", "--only", "temperature=60"]);
    assert!([0, 1].contains(&part.code), "{}", part.err);
    let words = nightbench(at, &preview).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("d holds results: 4 of 8 jobs done (50 %), 4 to do; bench time "), "{words}");
    // What it says of the rest is what `run` says as it goes on, and `status`.
    let told = words.split("4 to do; ").nth(1).expect("the time").split(" ends (P50)").next().expect("words");
    let status = nightbench(at, &["status", "d"]).out;
    let left = told.split("about ").nth(1).expect("hours").trim_end_matches(" left,");
    assert!(status.contains(&format!("bench time to come   about {left}")), "{left}: {status}");
    let machine = json(&nightbench(at, &["preview", "plan.toml", "--into", "d", "--json"]));
    let counted = json(&nightbench(at, &["status", "d", "--json"]));
    assert_eq!(machine["job_counts"], counted["job_counts"]);
    let rest = nightbench(at, &["run", "plan.toml", "--into", "d"]);
    let again = rest.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(again.contains(told), "{told}: {again}");
}

#[test]
fn preview_takes_results_as_run_does() {
    let folder = Folder::new();
    folder.file("plan.toml", &predicted::plan(""));
    let at = folder.path();
    let only = ["plan.toml", "--into", "d", "--only", "predicted-pass"];
    let preview = |more: &[&str]| nightbench(at, &[&["preview"][..], &only, more].concat());
    // Both refuse what can only be asked of results.
    let (early, run) = (preview(&[]), nightbench(at, &[&["run"][..], &only].concat()));
    assert_eq!((early.code, run.code), (4, 4), "{} {}", early.err, run.err);
    assert_eq!(early.err, run.err);
    let whole = nightbench(at, &["run", "plan.toml", "--into", "d", "--json"]);
    let predicted = json(&whole)["predicted"]["pass"].as_u64().expect("a count");
    assert!(predicted > 0, "{}", whole.err);
    let seen = json(&preview(&["--json"]));
    assert_eq!(seen["conditions"].as_u64(), Some(predicted), "{seen}");
    // With hours as well: of those alone.
    let hours = json(&preview(&["--hours", "100", "--json"]))["in_hours"].clone();
    assert_eq!(hours["jobs"].as_u64(), Some(predicted), "{hours}");
}
