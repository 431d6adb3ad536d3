//! One plan measured in parts on two emulated benches, each with what is mounted to it, and merged.

use crate::bench_run::{Rig, named, rig, text};
use crate::support::{Folder, SMALL, json, nightbench};
use emulator::MountedThings;
use runner::store::{Attempts, Store};
use std::path::Path;

fn lanes(folder: &Path, dir: &str) -> String {
    let run = nightbench(folder, &["export", dir, "--as", "csv"]);
    assert_eq!(run.code, 0, "{}", run.err);
    run.out
}

/// Kind, time and text of an event; name, time and value of a reading.
type Note = (String, String, String);

/// Channels of the jobs that count, in the order of the folder's clock, and the names of its events and readings.
fn inside(dir: &Path) -> (Vec<String>, Vec<Note>) {
    let reader = Store::open_read_only(dir).unwrap();
    let mut jobs: Vec<(f64, f64, String)> = reader
        .jobs(Attempts::Counting)
        .map(|job| job.unwrap().row)
        .map(|row| (row.started_bench_s, row.ended_bench_s, row.channel))
        .collect();
    jobs.sort_by(|a, b| a.0.total_cmp(&b.0));
    assert!(jobs.windows(2).all(|two| two[0].1 <= two[1].0), "two jobs at once: {jobs:?}");
    let events = reader.events().unwrap().into_iter().map(|event| (event.kind, event.utc, event.text));
    let readings = reader.readings_between_jobs().unwrap().into_iter();
    let readings =
        readings.map(|reading| (reading.name, reading.bench_s.to_string(), reading.value.to_string()));
    // Seals and merges tell of this folder's own making.
    let own = |event: &Note| event.0 != "merged" && event.0 != "stored";
    let mut notes: Vec<Note> = events.filter(own).chain(readings).collect();
    notes.sort();
    (jobs.into_iter().map(|(.., channel)| channel).collect(), notes)
}

fn on_the_risers(plan: &str, seed: u64) -> Rig {
    let rig = rig(plan, seed, 0.0, 400.0);
    rig.bench.mount(MountedThings { channel: "risers".into(), ..rig.bench.mounted() });
    rig.folder.file("bench.toml", &named(&rig.bench, &rig.folder));
    rig
}

#[test]
fn parts_measured_on_two_benches_make_one_run() {
    let (near, far) = (rig(SMALL, 1, 0.0, 400.0), on_the_risers(SMALL, 2));
    let home = Folder::new();
    let at = home.path();
    let (near_out, far_out) = (near.folder.path().join("out"), far.folder.path().join("out"));
    let mut hours = 0.0;
    for part in [&near, &far] {
        let run = part.run(&[]);
        // Nobody is there to mount the other channel.
        assert!(run.err.contains("4 jobs wait for hands"), "{}", run.err);
        hours += json(&run)["bench_hours"].as_f64().unwrap();
        part.off();
    }
    let half = nightbench(at, &["merge", "half", text(&near_out), "--json"]);
    assert_eq!((half.code, json(&half)["missing_jobs"].as_u64()), (3, Some(4)), "{}", half.err);
    let parts = [text(&far_out), text(&near_out)];
    let merged = nightbench(at, &["merge", "whole", parts[0], parts[1], "--json"]);
    let whole = json(&merged);
    assert_eq!(
        (whole["jobs"].as_u64(), whole["missing_jobs"].as_u64()),
        (Some(8), Some(0)),
        "{}",
        merged.err
    );
    assert_eq!(whole["simulated"], false);
    // What the benches were busy for adds up, and so do the clocks.
    let merged_hours = whole["bench_hours"].as_f64().unwrap();
    assert!((merged_hours - hours).abs() < 1e-6, "{merged_hours} h of {hours} h");
    let status = json(&nightbench(at, &["status", "whole", "--json"]));
    assert!((status["bench_hours"].as_f64().unwrap() - merged_hours).abs() < 1e-6, "{status}");
    let (channels, notes) = inside(&at.join("whole"));
    assert_eq!(channels.iter().filter(|channel| *channel == "direct").count(), 4);
    assert!(channels.is_sorted(), "one bench after the other: {channels:?}");
    for rig in [&near, &far] {
        let name = format!("emulated {}: ", rig.folder.path().display());
        assert!(
            notes.iter().any(|note| note.0.starts_with(&name) || note.2.starts_with(&name)),
            "nothing of {name}"
        );
    }
    let page = std::fs::read_to_string(at.join("whole/report.html")).unwrap();
    assert!(page.contains("the clocks of several benches, one after the other"));
    assert!(!page.contains("SIMULATED - not measured"));
    // The same verdicts as the simulated target gives for the whole plan.
    let simulated = json(&nightbench(at, &["run", &near.plan, "--into", "simulated", "--json"]));
    assert_eq!(whole["verdicts"], simulated["verdicts"]);
    // Order and number of the parts named change nothing.
    let table = lanes(at, "whole");
    nightbench(at, &["merge", "turned", parts[1], parts[0], parts[0]]);
    // The report's number is left out: a page of another merge shows another log.
    let id = |text: &str| {
        let rows = text.lines().skip(1).filter_map(|line| line.split_once(',')?.1.split_once(','));
        rows.map(|(_, rest)| rest.to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(id(&lanes(at, "turned")), id(&table));
    assert_eq!(inside(&at.join("turned")), (channels, notes.clone()));
    let again = nightbench(at, &["merge", "whole", parts[0], parts[1], "--json"]);
    assert_eq!(json(&again)["duplicates"], 8, "{}", again.err);
    assert_eq!(inside(&at.join("whole")).1, notes, "what was noted is noted once");
    // A bench that went on: its new attempts come last, its earlier notes are not repeated.
    near.run(&["--again", "rate=2133", "--reason", "probe re-seated"]);
    let later = nightbench(at, &["merge", "whole", parts[0], parts[1], "--json"]);
    assert!([0, 1].contains(&later.code), "{}", later.err);
    assert_eq!(json(&nightbench(at, &["status", "whole", "--json"]))["superseded"], 2);
    let (channels, later_notes) = inside(&at.join("whole"));
    assert_eq!(channels[6..], ["direct", "direct"], "{channels:?}");
    let kept = notes.iter().filter(|note| later_notes.contains(note)).count();
    assert_eq!(kept, notes.len());
    assert!(later_notes.windows(2).all(|two| two[0] != two[1]), "noted twice");
}

#[test]
fn the_same_job_measured_on_two_benches_is_no_duplicate() {
    let plan = SMALL.replace("rate = [2133, 2400]", "rate = [2400]").replace("[25, 60]", "[25]");
    let (one, two) = (rig(&plan, 1, 0.0, 400.0), rig(&plan, 2, 0.0, 400.0));
    for part in [&one, &two] {
        let run = part.run(&[]);
        assert_eq!(json(&run)["jobs"], 1, "{}", run.err);
    }
    let (one, two) = (one.folder.path().join("out"), two.folder.path().join("out"));
    let home = Folder::new();
    let merged = nightbench(home.path(), &["merge", "whole", text(&one), text(&two)]);
    assert_eq!(merged.code, 2, "{}", merged.err);
    assert!(merged.err.contains("hold different results of job"), "{}", merged.err);
    assert!(merged.err.contains("merge only one of the two folders"), "{}", merged.err);
    assert!(!home.path().join("whole").exists());
}
