//! Storms: seeded faults over whole runs. Nothing is measured wrongly, nothing does harm, everything is off at the end.

use crate::bench_run::{Rig, nothing_outside, one_setup, rig};
use crate::chance::Chance;
use crate::support::{effort, json, nightbench};
use emulator::{Heater, Kind, Probe, Tells, World};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Goal: two hundred jobs under a seeded storm end with every measurable job measured once, nothing outside its
/// tolerance, everything off. A short one is the sample, two seeds with NIGHTBENCH_EFFORT=ci, ten with `all`.
#[test]
fn a_storm_of_faults_leaves_nothing_measured_wrongly_and_everything_off() {
    let (seeds, repeats) = effort((1, 4), (2, 50), (10, 50));
    let plan_text = format!("{}\n[repeats]\nrepeats = {repeats}\n", one_setup());
    for seed in 1..=seeds {
        let rig = rig(&plan_text, seed, 0.0015, 400.0);
        let begin = Instant::now();
        let run = rig.run(&[]);
        let summary = json(&run);
        let happened = rig.bench.world().weather.happened().len();
        println!(
            "seed {seed}: {} jobs, {} conditions not measured, {happened} faults, {:.1} s, exit {}",
            summary["jobs"],
            summary["not_measured"],
            begin.elapsed().as_secs_f64(),
            run.code
        );
        assert_eq!(summary["jobs"], 4 * repeats, "{}", odd_lines(&run.err));
        assert_eq!(summary["not_measured"], 0, "{}", odd_lines(&run.err));
        assert!(happened > 0);
        rig.off();
        nothing_outside(&rig.bench);
    }
}

/// What a run said beside jobs that were measured.
fn odd_lines(said: &str) -> String {
    said.lines().filter(|line| !line.ends_with(": measured")).collect::<Vec<_>>().join("\n")
}

/// Faults that stay until a person comes, or that only a latch can answer.
const GRAVE: [&str; 7] = [
    "dead sensor",
    "runaway",
    "slow plant",
    "swallowed OFF",
    "hang-up",
    "deaf supply",
    "bench safe from outside",
];

fn strike(rig: &Rig, what: &str) {
    let act = |act: fn(&mut World)| act(&mut rig.bench.world());
    match what {
        "dead sensor" => act(|world| world.tells[Probe::Chip as usize] = Tells::Always(25.0)),
        "runaway" => act(|world| world.heater = Heater::AwayUntilOff),
        "slow plant" => act(|world| {
            world.thermal.device_s = 300.0;
            world.thermal.ramp_k_per_min = 3.0;
        }),
        "swallowed OFF" => act(|world| world.swallowed_offs += 3),
        "hang-up" => act(|world| {
            world.hung_up.insert(Kind::Chamber);
        }),
        "deaf supply" => act(|world| {
            world.deaf.insert(Kind::Supply);
        }),
        _ => {
            let safe = nightbench(rig.folder.path(), &["bench", "safe", &rig.file]);
            assert!([0, 6].contains(&safe.code), "{}", safe.err);
        }
    }
}

/// A person repairs what broke, and lets it cool.
fn repair(rig: &Rig) {
    let mut world = rig.bench.world();
    world.tells = [Tells::Truth; 4];
    world.heater = Heater::Obeys;
    world.thermal = Default::default();
    world.hung_up.clear();
    world.deaf.clear();
    world.swallowed_offs = 0;
    world.weather.calm();
    world.leave_at(24.0);
}

/// Each seed has a storm of small faults and one grave one at a moment of its own. Whatever comes of it: no harm on any tick, everything
/// off, what was counted lay within its condition; and once a person has come, the same command measures what is left.
#[test]
fn storms_with_a_grave_fault_do_no_harm_and_go_on_after_a_person_came() {
    for seed in 1..=effort(7, 21, 70) {
        let mut chance = Chance::at(seed, b"a grave fault", 0);
        let what = GRAVE[(seed as usize - 1) % GRAVE.len()];
        let rig = rig(&format!("{}\n[repeats]\nrepeats = 3\n", one_setup()), seed, 0.001, 400.0);
        rig.bench.world().thermal.hottest = 300.0;
        let moment = Duration::from_millis(chance.below(1500));
        let over = AtomicBool::new(false);
        let begin = Instant::now();
        let run = std::thread::scope(|scope| {
            scope.spawn(|| {
                while !over.load(Ordering::SeqCst) && !rig.bench.world().powered() {
                    std::thread::sleep(Duration::from_millis(2));
                }
                std::thread::sleep(moment);
                if !over.load(Ordering::SeqCst) {
                    strike(&rig, what);
                }
            });
            let run = rig.run(&[]);
            over.store(true, Ordering::SeqCst);
            run
        });
        let ledger = rig.bench.world().ledger.clone();
        println!(
            "seed {seed}, {what} after {moment:?}: exit {}, device {:.1} to {:.1} degC, {:.1} s",
            run.code,
            ledger.device.0,
            ledger.device.1,
            begin.elapsed().as_secs_f64()
        );
        assert!([0, 1, 3, 6].contains(&run.code), "seed {seed}, {what}: {}", odd_lines(&run.err));
        assert_eq!(ledger.harm, Vec::new(), "seed {seed}, {what}: {}", odd_lines(&run.err));
        let on = rig.bench.world().still_on();
        // What cannot be reached cannot be switched off, and that is said.
        assert!(
            on.is_empty() || ["hang-up", "deaf supply"].contains(&what) && run.code == 6,
            "seed {seed}, {what}: {on:?}\n{}",
            odd_lines(&run.err)
        );
        if what == "dead sensor" {
            // Stuck at a level it hides the device's own warmth until the air moves away from it, and no more.
            for entry in rig.bench.ledger() {
                let (asked, was) = entry.temperature;
                assert!((asked - was).abs() < 5.0, "seed {seed}: counted at {was} degC, {asked} asked");
            }
        } else if ["runaway", "bench safe from outside"].contains(&what) {
            // The batch under way runs off with the temperature, or the rails fall; that attempt is dropped, another may be kept.
            let mut attempts = BTreeMap::new();
            let mut last = BTreeMap::new();
            for entry in rig.bench.ledger() {
                let within =
                    (entry.temperature.0 - entry.temperature.1).abs() < 1.5 && entry.rail_deviation < 0.015;
                *attempts.entry((entry.job.clone(), entry.trainings)).or_insert(true) &= within;
                last.insert(entry.job, entry.trainings);
            }
            let cut = attempts.values().filter(|within| !**within).count();
            let kept = last.into_iter().filter(|attempt| attempts[attempt]).count();
            let status = json(&nightbench(rig.folder.path(), &["status", "out", "--json"]));
            let measured = status["jobs_measured"].as_u64().expect("a count") as usize;
            assert!(cut <= 1 && measured <= kept, "seed {seed}: {attempts:?}, {status}");
        } else {
            nothing_outside(&rig.bench);
        }
        repair(&rig);
        let safe = nightbench(rig.folder.path(), &["bench", "safe", &rig.file]);
        assert_eq!(safe.code, 0, "seed {seed}, {what}: {}", safe.err);
        let cleared = nightbench(rig.folder.path(), &["bench", "clear", &rig.file]);
        assert_eq!(cleared.code, 0, "seed {seed}, {what}: {}", cleared.err);
        let last = rig.run(&[]);
        assert!([0, 1].contains(&last.code), "seed {seed}, {what}: {}: {}", last.code, last.err);
        assert_eq!(json(&last)["not_measured"], 0, "seed {seed}, {what}: {}", last.err);
        rig.off();
    }
}
