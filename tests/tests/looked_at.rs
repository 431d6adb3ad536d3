//! What `status` and the live page tell of a run while it goes on, and after it: nothing that is not known, nothing that is over.

use crate::bench_run::{named, one_setup, rig};
use crate::support::{Folder, SMALL, json, nightbench, program};
use emulator::MountedThings;
use serde_json::Value;
use std::io::Read;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Two modules on one channel, three temperatures.
fn two_modules() -> String {
    SMALL
        .replace("kind = \"SODIMM\"", "kind = \"UDIMM\"")
        .replace("rate = [2133, 2400]", "channel = [\"direct\"]\nrate = [2133, 2400]")
        .replace("temperature_degc = [25, 60]", "temperature_degc = [25, 60, 85]")
}

/// Modules in the order in which they are mounted.
fn order(folder: &Folder, plan: &str) -> Vec<String> {
    let preview = json(&nightbench(folder.path(), &["preview", plan, "--json"]));
    let mountings = preview["hands_on"].as_array().expect("mountings");
    mountings.iter().map(|one| one["module"].as_str().expect("a name").into()).collect()
}

/// A run that goes on; ended when dropped.
struct Going(Child);

impl Going {
    fn start(folder: &Path, arguments: &[&str]) -> Going {
        let mut program = program();
        program.current_dir(folder).args(arguments).stdin(Stdio::null()).stdout(Stdio::null());
        Going(program.stderr(Stdio::null()).spawn().expect("a process"))
    }

    fn goes_on(&mut self) -> bool {
        self.0.try_wait().expect("a process").is_none()
    }
}

impl Drop for Going {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What `status` says again and again while a run goes on, with and without --json, until that is enough.
fn looks(
    going: &mut Going,
    folder: &Path,
    into: &str,
    enough: impl Fn(&[(Value, String)]) -> bool,
) -> Vec<(Value, String)> {
    let mut looks = Vec::new();
    let begin = Instant::now();
    while going.goes_on() && !enough(&looks) && begin.elapsed() < Duration::from_secs(120) {
        let machine = nightbench(folder, &["status", into, "--json"]);
        let words = nightbench(folder, &["status", into]);
        if machine.code == 0 && words.code == 0 {
            let machine = json(&machine);
            if machine["running"] == true {
                looks.push((machine, words.out));
            }
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    looks
}

/// Somebody who is sent to a bench that is hot and powered gets hurt: the mount that is told is the one that is due next, at a time that
/// is still to come.
#[test]
fn hands_are_not_wanted_for_what_is_mounted_later_in_the_plan() {
    // So slow that it outlasts the looks on a busy computer; it is ended once it was looked at.
    let mut rig = rig(&two_modules(), 1, 0.0, 30.0);
    let first = order(&rig.folder, &rig.plan);
    let (before, declared) = (&first[0], &first[1]);
    rig.bench.mount(MountedThings { module: declared.clone(), ..rig.bench.mounted() });
    let bench = named(&rig.bench, &rig.folder);
    let (head, tail) = bench.split_once("[mounted]").expect("what is mounted");
    let text =
        format!("{head}[mounted]{}", tail.replace(&format!("\"{before}\""), &format!("\"{declared}\"")));
    rig.file = crate::bench_run::text(&rig.folder.file("bench.toml", &text)).into();
    let at = rig.folder.path();
    let mut going = Going::start(at, &["run", &rig.plan, "--bench", &rig.file, "--into", "out"]);
    let told = |machine: &Value| !machine["next_hands_on"].is_null();
    let looks = looks(&mut going, at, "out", |looks| {
        looks.len() > 3 && looks.iter().filter(|(machine, _)| told(machine)).count() > 2
    });
    assert!(looks.iter().any(|(machine, _)| told(machine)), "{looks:?}");
    for (machine, words) in &looks {
        let next = &machine["next_hands_on"];
        if told(machine) {
            assert_eq!(next["mount"], format!("{before} on direct"), "{words}");
            assert_ne!(next["begin"], "day 1, 00:00 h", "{words}");
        }
        // The run may have noted something between the two looks of a pair: each is true by itself.
        let flat = words.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            !flat.contains("next hands") || flat.contains(&format!("mount {before} on direct")),
            "{words}"
        );
    }
    let early = looks.iter().find(|(machine, _)| machine["done"] == 0);
    if let Some((machine, words)) = early.filter(|(machine, _)| machine["bench_hours"].is_null()) {
        assert!(words.contains("bench time so far    not recorded before"), "{machine} {words}");
    }
    assert!(!looks.iter().any(|(_, words)| words.contains("bench time so far    0 s")), "{looks:?}");
    drop(going);
}

/// A run of hours tells of its hours, and of no end of the whole plan.
#[test]
fn hours_are_told_while_a_bench_works_by_them() {
    let plan = one_setup().replace("temperature_degc = [25, 60]", "temperature_degc = [25, 60, 80]");
    let rig = rig(&plan, 1, 0.0, 300.0);
    let at = rig.folder.path();
    let arguments = ["run", &rig.plan, "--bench", &rig.file, "--into", "out", "--hours", "1.3"];
    let mut going = Going::start(at, &arguments);
    let looks = looks(&mut going, at, "out", |_| false);
    let of_hours: Vec<_> =
        looks.iter().filter(|(machine, _)| machine["hours_of_this_run"].is_object()).collect();
    assert!(!of_hours.is_empty(), "{looks:?}");
    let (mut told, mut before) = (0, 0.0);
    for (machine, words) in of_hours {
        assert_eq!(machine["hours_of_this_run"]["hours"], 1.3, "{machine}");
        assert!(machine["finish"].is_null() && machine["next_hands_on"].is_null(), "{machine}");
        // The run may have ended between the two looks.
        if !words.contains("\nthis run ") {
            continue;
        }
        told += 1;
        let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
        // A bench knows the clock on the wall: Tue 2026-12-01 06:00.
        let home_by = machine["hours_of_this_run"]["home_by"].as_str().expect("a moment");
        let parts: Vec<&str> = home_by.split(' ').collect();
        assert!(parts.len() == 3 && parts[1].split('-').count() == 3 && parts[2].len() == 5, "{home_by}");
        assert!(
            words.contains("of its 1.3 h are used") && words.contains(&format!("by {home_by} at the latest")),
            "{words}"
        );
        // Hours go by whatever is recorded meanwhile.
        let used = machine["hours_of_this_run"]["used"].as_f64().expect("hours");
        assert!(used > before, "{used} after {before}");
        before = used;
    }
    assert!(told > 0, "{looks:?}");
    rig.off();
}

/// Minutes of heating that an interrupt cuts were spent all the same.
#[test]
fn a_ramp_that_is_cut_counts_as_bench_time() {
    let plan = one_setup().replace("temperature_degc = [25, 60]", "temperature_degc = [85]");
    let rig = rig(&plan, 1, 0.0, 60.0);
    let at = rig.folder.path();
    let mut child = program()
        .current_dir(at)
        .args(["run", &rig.plan, "--bench", &rig.file, "--into", "out"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("a process");
    // Heating takes minutes of the bench, seconds here.
    let begin = Instant::now();
    while rig.bench.world().still_on().is_empty() && begin.elapsed() < Duration::from_secs(30) {
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_millis(2500));
    Command::new("kill").args(["-INT", &child.id().to_string()]).status().expect("a signal");
    let mut words = String::new();
    child.stdout.take().expect("an output").read_to_string(&mut words).expect("words");
    assert_eq!(child.wait().expect("an end").code(), Some(130), "{words}");
    let hours = || {
        let status = json(&nightbench(at, &["status", "out", "--json"]));
        status["bench_hours"].as_f64().expect("hours")
    };
    let cut = hours();
    // 2.5 s at 60 times the speed; less what a busy computer kept from it.
    assert!(cut > 1.0 / 60.0, "{cut} h: {words}");
    assert!(!words.contains("bench time: 0 s") && !words.contains("ramps 0 s"), "{words}");
    rig.off();
    // It never shrinks: the next run says what is there, and goes on from it.
    let again = nightbench(at, &["run", &rig.plan, "--bench", &rig.file, "--into", "out"]);
    assert!([0, 1].contains(&again.code), "{}", again.err);
    assert!(!again.err.contains("bench time 0 s"), "{}", again.err);
    assert!(hours() > cut);
    rig.off();
}
