//! `run --bench`, `bench check`, `bench safe` and `preview --bench` from outside, over the emulated bench.

use crate::emulated::start;
use crate::support::{Folder, SMALL, json, nightbench};
use emulator::{EmulatedBench, Fault, MountedThings};
use plan::Plan;
use std::collections::BTreeSet;
use std::process::Command;
use std::time::{Duration, Instant};

pub fn text(path: &std::path::Path) -> &str {
    path.to_str().expect("a path")
}

pub struct Rig {
    pub folder: Folder,
    pub bench: EmulatedBench,
    pub plan: String,
    pub file: String,
}

/// One module and channel, so that nothing needs hands.
pub fn one_setup() -> String {
    SMALL.replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"direct\"]\nrate = [2133, 2400]")
}

/// The bench's file as it stands now.
pub fn named(bench: &EmulatedBench, folder: &Folder) -> String {
    let name = format!("name = \"emulated {}\"", folder.path().display());
    bench.bench_file().replace("name = \"emulated bench\"", &name)
}

pub fn rig(plan_text: &str, seed: u64, storm: f64, scale: f64) -> Rig {
    let folder = Folder::new();
    let plan = Plan::read(plan_text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let bench = start(&plan, seed, storm, scale);
    let file = folder.file("bench.toml", &named(&bench, &folder));
    let plan_file = folder.file("plan.toml", plan_text);
    Rig { plan: text(&plan_file).into(), file: text(&file).into(), folder, bench }
}

impl Rig {
    pub fn run(&self, more: &[&str]) -> crate::support::Run {
        let mut arguments =
            vec!["run", self.plan.as_str(), "--bench", self.file.as_str(), "--into", "out", "--json"];
        arguments.extend(more);
        nightbench(self.folder.path(), &arguments)
    }

    /// Everything is off, and on no tick was a limit passed with power on for longer than the alarm's reaction time.
    pub fn off(&self) {
        let log = std::fs::read_to_string(self.folder.path().join("out/commands.log")).unwrap_or_default();
        let lines: Vec<&str> = log.lines().collect();
        let newest = lines[lines.len().saturating_sub(80)..].join("\n");
        let mut world = self.bench.world();
        assert_eq!(world.still_on(), Vec::<String>::new(), "{newest}");
        assert_eq!(world.ledger.harm, Vec::new(), "{newest}");
    }
}

/// Every batch that was counted lay within its condition: 1 K band plus the sensor's noise, 10 mV rails.
pub fn nothing_outside(bench: &EmulatedBench) {
    for entry in bench.ledger() {
        let (asked, was) = entry.temperature;
        assert!((asked - was).abs() < 1.5, "counted at {was} degC, {asked} asked");
        assert!(entry.rail_deviation < 0.015, "counted with a rail {} V off", entry.rail_deviation);
    }
}

/// Command lines over the agent's protocol: asked for in `train`, offered by `configure` as eyes with their own bit time, sampled,
/// stored and judged as data lanes are.
#[test]
fn command_lines_come_over_the_agent() {
    let rig = rig(&crate::target::with_command_lines(), 1, 0.0, 2000.0);
    let run = rig.run(&[]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let export = nightbench(rig.folder.path(), &["export", "out", "--as", "jsonl"]);
    let rows: Vec<serde_json::Value> =
        export.out.lines().map(|line| serde_json::from_str(line).expect("a row")).collect();
    let eyes: Vec<&serde_json::Value> =
        rows.iter().filter_map(|row| row["lanes"].as_array()).flatten().collect();
    let of = |direction: &str| -> usize {
        let of_direction = eyes.iter().filter(|eye| eye["eye"]["direction"] == direction);
        of_direction.filter_map(|eye| eye["lanes"].as_array()).map(Vec::len).sum()
    };
    assert_eq!((of("read"), of("command")), (16, 14), "{}", export.out);
    rig.off();
    nothing_outside(&rig.bench);
}

/// One answer that is lost or wrong while a run begins costs no night.
#[test]
fn one_odd_answer_at_the_start_refuses_no_run() {
    for fault in Fault::OF_ANSWERS {
        let rig = rig(&one_setup(), 1, 0.0, 2000.0);
        rig.bench.world().weather.arm(fault);
        let run = rig.run(&[]);
        assert!([0, 1].contains(&run.code), "{fault:?}: {}: {}", run.code, run.err);
        assert_eq!(json(&run)["not_measured"], 0, "{fault:?}: {}", run.err);
        assert_eq!(rig.bench.world().weather.happened(), [fault]);
        rig.off();
    }
}

#[test]
fn a_whole_run_gives_the_verdicts_of_the_simulated_target() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let run = rig.run(&[]);
    let measured = json(&run);
    assert_eq!(measured["simulated"], false, "{}", run.err);
    assert_eq!(measured["not_measured"], 0, "{}", run.err);
    let simulated = nightbench(rig.folder.path(), &["run", &rig.plan, "--into", "simulated", "--json"]);
    assert_eq!(measured["verdicts"], json(&simulated)["verdicts"]);
    assert_eq!(run.code, simulated.code, "{}", run.err);
    let page = std::fs::read_to_string(rig.folder.path().join("out/report.html")).unwrap();
    assert!(!page.contains("SIMULATED - not measured"));
    assert!(page.contains("emulated agent 1") || page.contains("EP-0001"), "who measured is not on the page");
    let log = std::fs::read_to_string(rig.folder.path().join("out/commands.log")).unwrap();
    assert!(log.lines().all(|line| line.starts_with("20") && line.contains('Z')), "a line without its time");
    rig.off();
    nothing_outside(&rig.bench);
    // A model is compared with hardware only when asked for.
    let compare = |more: &[&str]| {
        nightbench(rig.folder.path(), &[&["compare", "simulated", "out", "--json"][..], more].concat())
    };
    let refused = compare(&[]);
    assert_eq!(refused.code, 2, "{}", refused.err);
    assert!(refused.err.contains("a model is no baseline for hardware"), "{}", refused.err);
    let asked = compare(&["--simulated-with-measured"]);
    assert!([0, 3].contains(&asked.code), "{}\n{}", asked.out, asked.err);
    assert_eq!(json(&asked)["worse"], 0, "{}", asked.out);
    let html = std::fs::read_to_string(rig.folder.path().join("out/compare.html")).unwrap();
    assert!(html.contains("the difference is that of model and hardware"));
    // The emulated bench measures the same silicon: it agrees, and that is said.
    assert!(html.contains("Does it agree? Simulated less measured, read width"), "{html}");
    let agreement = json(&asked)["agreement"].clone();
    let widths = &agreement.as_array().expect("a list")[0];
    assert!(widths["bias_steps"].as_f64().is_some_and(|bias| bias.abs() < 0.5), "{agreement}");
    assert!(!widths["by_factor"].as_array().expect("levels").is_empty(), "{agreement}");
    // A second run has nothing to do, and a simulated run is refused in this folder.
    let again = nightbench(rig.folder.path(), &["run", &rig.plan, "--into", "out"]);
    assert_eq!(again.code, 2, "{}", again.err);
    assert!(again.err.contains("never mix"), "{}", again.err);
}

#[test]
fn without_a_terminal_nobody_is_asked_and_the_run_is_incomplete() {
    let rig = rig(SMALL, 1, 0.0, 2000.0);
    let run = rig.run(&[]);
    assert_eq!(run.code, 3, "{}", run.err);
    assert!(run.err.contains("4 jobs wait for hands"), "{}", run.err);
    let jobs: BTreeSet<String> = rig.bench.ledger().into_iter().map(|entry| entry.job).collect();
    assert_eq!(jobs.len(), 4, "only the mounted setup is measured");
    rig.off();
}

#[test]
fn another_module_than_planned_is_refused_before_heating() {
    let plan_text = one_setup().replace("rated = 2666", "rated = 2666\nserial = \"A-17\"");
    let rig = rig(&plan_text, 1, 0.0, 2000.0);
    rig.bench.mount(MountedThings { module_serial: Some("B-99".into()), ..rig.bench.mounted() });
    let run = rig.run(&[]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(run.err.contains("A-17") && run.err.contains("B-99"), "{}", run.err);
    assert!(rig.bench.ledger().is_empty());
    rig.off();
}

#[test]
fn what_cannot_be_switched_off_has_its_own_exit_code_and_a_loud_message() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    rig.bench.world().weather.arm(Fault::StuckOn);
    // The fault needs something that is on.
    let run = rig.run(&[]);
    let run = if run.code == 6 {
        run
    } else {
        rig.bench.world().outputs.iter_mut().for_each(|output| {
            output.volts = 1.2;
            output.stuck = true;
        });
        nightbench(rig.folder.path(), &["bench", "safe", &rig.file])
    };
    assert_eq!(run.code, 6, "{}", run.err);
    assert!(run.err.contains("COULD NOT MAKE SAFE") && run.err.contains("by hand"), "{}", run.err);
}

#[test]
fn bench_check_shows_what_is_on_and_safe_switches_it_off() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let check = nightbench(rig.folder.path(), &["bench", "check", &rig.file]);
    assert_eq!(check.code, 0, "{}\n{}", check.out, check.err);
    assert!(check.out.contains("EP-0001") && check.out.contains("emulated agent 1"), "{}", check.out);
    assert!(!check.out.contains("ON NOW"));
    assert!(check.out.contains("VDDQ is set to 0.000 V"), "{}", check.out);
    assert!(
        check.out.contains("its set point is 23.0") && check.out.contains("DRAM case: 2"),
        "{}",
        check.out
    );
    for output in &mut rig.bench.world().outputs {
        output.volts = 1.2;
        output.on = true;
    }
    rig.bench.world().leave_at(80.0);
    std::thread::sleep(Duration::from_millis(50));
    let check = nightbench(rig.folder.path(), &["bench", "check", &rig.file]);
    assert!(check.out.contains("ON NOW: VDDQ measures 1."), "{}", check.out);
    assert!(check.out.contains("VDDQ is set to 1.200 V and measures 1."), "{}", check.out);
    assert!(check.out.contains("KEEP HANDS AWAY"), "{}", check.out);
    assert!(check.err.contains("software is no hardware interlock"), "{}", check.err);
    let safe = nightbench(rig.folder.path(), &["bench", "safe", &rig.file]);
    assert_eq!(safe.code, 0, "{}", safe.err);
    rig.off();
}

#[test]
fn a_bench_that_is_not_there_or_overdue_is_refused() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let bench = std::fs::read_to_string(&rig.file).unwrap();
    std::fs::write(&rig.file, bench.replacen("2099-12-31", "2001-12-31", 1)).unwrap();
    let run = rig.run(&[]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(run.err.contains("calibration ran out: chamber"), "{}", run.err);
    std::fs::write(&rig.file, bench.replace("high_v = 1.35", "high_v = 1.1")).unwrap();
    let run = rig.run(&[]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(run.err.contains("beyond the bench's limits"), "{}", run.err);
    let file = rig.file.clone();
    drop(rig.bench);
    std::fs::write(&file, bench).unwrap();
    let run = nightbench(rig.folder.path(), &["run", &rig.plan, "--bench", &file, "--into", "out"]);
    // Nobody can say that a bench that does not answer is off: that outranks the refusal.
    assert!(run.code == 5 || run.code == 6, "{}: {}", run.code, run.err);
}

#[test]
fn a_preview_prints_every_command_and_opens_nothing() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let Rig { folder, bench, plan, file } = rig;
    drop(bench);
    let run = nightbench(folder.path(), &["preview", &plan, "--bench", &file]);
    assert_eq!(run.code, 0, "{}", run.err);
    let place = |words: &str| run.out.find(words).unwrap_or_else(|| panic!("{words}\n{}", run.out));
    assert!(place("job 1 of 4") > place("make safe"));
    for words in
        ["VOLT:PROT 1.4500", "OUTP ON", "SOUR:TEMP:SPO", "\"method\":\"configure\"", "\"method\":\"train\""]
    {
        place(words);
    }
    assert!(run.out.rfind("OUTP OFF") > run.out.rfind("OUTP ON"));
}

#[test]
fn a_signal_makes_the_bench_safe_and_the_run_continues_later() {
    for (signal, code) in [("INT", 130), ("TERM", 143), ("HUP", 129), ("QUIT", 131)] {
        // Slow enough that a signal falls into the run.
        let rig = rig(&one_setup(), 1, 0.0, 150.0);
        // A program that was started to outlive its terminal keeps ignoring a hang-up; these tests may be, this run is not.
        let mut child = Command::new("env")
            .args(["--default-signal=HUP", env!("CARGO_BIN_EXE_nightbench-tested")])
            .current_dir(rig.folder.path())
            .args(["run", &rig.plan, "--bench", &rig.file, "--into", "out"])
            .stderr(std::process::Stdio::piped())
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let begin = Instant::now();
        while !rig.bench.world().powered() && begin.elapsed() < Duration::from_secs(20) {
            std::thread::sleep(Duration::from_millis(10));
        }
        let pid = child.id().to_string();
        for _ in 0..3 {
            Command::new("kill").args([&format!("-{signal}"), &pid]).status().unwrap();
            std::thread::sleep(Duration::from_millis(30));
        }
        let status = child.wait().unwrap();
        assert_eq!(status.code(), Some(code));
        rig.off();
    }
}
