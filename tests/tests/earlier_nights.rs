//! Earlier nights of a bench, over the emulated bench: what they took is found in the store, and a forecast begins with it.

use crate::bench_run::{one_setup, rig};
use crate::support::{Run, json, nightbench};
use runner::forecast::Forecast;
use runner::inputs::plan_file::PlanFile;
use runner::run::earlier_nights::EarlierNights;
use runner::store::{Attempts, Store, Target};
use schedule::Work;
use std::path::Path;

/// Seconds that the jobs of a folder took for training and measuring, over what its plan expects of them.
fn measured_of_planned(dir: &Path) -> f64 {
    let reader = Store::open_read_only(dir).expect("a store");
    let text = reader.meta().expect("what it is about").plan_text;
    let file = PlanFile::from_text(text, "stored plan", false).expect("a sound plan");
    let forecast = Forecast::new(&file.plan, &[]).expect("an order");
    let (mut took, mut planned) = (0.0, 0.0);
    for job in reader.jobs(Attempts::Counting).map(|job| job.expect("a job")) {
        took += job.times.measuring_s + job.times.training_s;
        let of_plan = forecast.schedule.sequence[job.row.plan_position as usize];
        let seconds = forecast.problem.seconds(of_plan).expect("a job of the plan");
        planned += seconds.measuring_s + seconds.training_s;
    }
    took / planned
}

fn preview(rig: &crate::bench_run::Rig, more: &[&str]) -> Run {
    nightbench(rig.folder.path(), &[&["preview", "plan.toml", "--json"], more].concat())
}

#[test]
fn a_night_on_the_bench_teaches_the_next_one() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let first = rig.run(&["--only", "rate=2133"]);
    assert!([0, 1, 3].contains(&first.code), "{}", first.err);
    assert!(!first.err.contains("earlier night"), "{}", first.err);
    let before = json(&preview(&rig, &[]));
    assert_eq!(before["earlier_nights"], 0);
    let learned = preview(&rig, &["--nights", "out"]);
    let after = json(&learned);
    assert_eq!(after["earlier_nights"], 1, "{}", learned.err);
    let words = after["learned_from"].as_str().expect("words");
    assert!(words.contains("1 earlier night (out of 20") && words.contains("measuring "), "{words}");
    assert_ne!(after["finish"], before["finish"]);
    let dir = rig.folder.path().join("out");
    let nights = EarlierNights::read(std::slice::from_ref(&dir)).expect("a night");
    nights.refuse_others(&Target::Simulated).expect_err("another target");
    // The factor lies between the plan's and what the jobs took of what was planned.
    let took = measured_of_planned(&dir).ln();
    let found = nights.learned(0.25).factor(Work::Measure).ln();
    assert!(found / took > 0.2 && found / took < 1.0, "{found} {took}");
    // The run that goes on learns from what its own folder holds, and says so.
    let second = rig.run(&[]);
    assert!([0, 1].contains(&second.code), "{}", second.err);
    assert!(second.err.contains("learned from 1 earlier night"), "{}", second.err);
    let status = nightbench(rig.folder.path(), &["status", "out", "--json"]);
    assert!(
        json(&status)["learned_from"].as_str().expect("words").contains("2 earlier nights"),
        "{}",
        status.out
    );
    rig.off();
}

#[test]
fn nights_of_another_target_are_refused_before_anything_runs() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let simulated = nightbench(rig.folder.path(), &["run", "plan.toml", "--into", "simulated", "--json"]);
    assert!([0, 1].contains(&simulated.code), "{}", simulated.err);
    let run = rig.run(&["--nights", "simulated"]);
    assert_eq!(run.code, 2, "{}", run.err);
    assert!(run.err.contains("measured on the simulated target"), "{}", run.err);
    assert!(!rig.folder.path().join("out/results.sqlite").exists());
    let nothing = preview(&rig, &["--nights", "nowhere"]);
    assert!(nothing.code == 2 && nothing.err.contains("no run folder"), "{}", nothing.err);
    // Simulated nights teach simulated ones: captures, and change-overs that take what is planned. A folder keeps what it began with.
    let next = ["run", "plan.toml", "--into", "next", "--json", "--nights", "simulated"];
    let next = nightbench(rig.folder.path(), &next);
    assert!(next.err.contains("1 earlier night (simulated)"), "{}", next.err);
    let status = json(&nightbench(rig.folder.path(), &["status", "next", "--json"]));
    assert!(status["learned_from"].as_str().expect("words").contains("(simulated)"), "{status}");
    rig.off();
}
