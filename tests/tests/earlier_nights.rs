//! Earlier nights of a bench, over the emulated bench: what they took is found in the store, and a forecast begins with it.

use crate::bench_run::{one_setup, rig};
use crate::support::{Run, json, nightbench};
use runner::run::earlier_nights::EarlierNights;
use runner::store::Target;
use schedule::{Learned, Work};

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
    let wide = |value: &serde_json::Value| {
        let of = |key: &str| value["finish"][key].as_f64().expect("hours");
        (of("p90_hours") / of("p10_hours")).ln()
    };
    assert!(wide(&after) < wide(&before), "{} {}", after["finish"], before["finish"]);
    // Captures of the emulated bench count the same bits as those of the simulated target, so that they take about as long.
    let nights = EarlierNights::read(&[rig.folder.path().join("out")]).expect("a night");
    nights.refuse_others(&Target::Simulated).expect_err("another target");
    let learned: Learned = nights.learned(0.25);
    let (mean, sd) = learned.posterior(Work::Measure);
    assert!(mean.abs() < 0.5 && sd < 0.25, "{mean} {sd}");
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
    assert!(!rig.folder.path().join("out/run.sqlite").exists());
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
