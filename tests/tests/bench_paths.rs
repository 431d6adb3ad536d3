//! Paths of a bench run that are seldom taken: limits of unattended running, narrower limits of the plan, one lock a bench, another
//! chip in the same folder, the user's command, a person at a terminal, texts kept with failed jobs.

use crate::bench_run::{Rig, one_setup, rig, text};
use crate::support::{SMALL, json, nightbench, program};
use emulator::MountedThings;
use runner::store::{Attempts, Store};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

impl Rig {
    /// The bench file with some words exchanged.
    fn change(&self, from: &str, to: &str) {
        let before = std::fs::read_to_string(&self.file).expect("the bench file");
        assert!(before.contains(from), "{from}\n{before}");
        std::fs::write(&self.file, before.replace(from, to)).expect("the bench file");
    }

    /// The bench file with more at its end.
    fn add(&self, more: &str) {
        let before = std::fs::read_to_string(&self.file).expect("the bench file");
        std::fs::write(&self.file, format!("{before}\n{more}\n")).expect("the bench file");
    }

    /// A run in the background whose rails are on, or that had 20 s for it.
    fn run_until_powered(&self) -> Child {
        let child = program()
            .current_dir(self.folder.path())
            .args(["run", &self.plan, "--bench", &self.file, "--into", "out"])
            .stderr(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let begin = Instant::now();
        while !self.bench.world().powered() && begin.elapsed() < Duration::from_secs(20) {
            std::thread::sleep(Duration::from_millis(10));
        }
        child
    }

    fn page(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("out/report.html")).expect("a page")
    }
}

/// The plan at 25 and 100 degC.
fn hot(plan: &str) -> String {
    plan.replace("temperature_degc = [25, 60]", "temperature_degc = [25, 100]")
}

/// The device is heated so slowly that 100 degC are not reached in time; 25 degC are.
fn never_hot(rig: &Rig) {
    rig.change("ramp_k_per_min = 1000", "ramp_k_per_min = 2");
    rig.change("time_out_s = 7200", "time_out_s = 1800");
}

#[test]
fn a_run_ends_at_its_longest_time() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    rig.change("most_hours = 2000", "most_hours = 0.2");
    let run = rig.run(&[]);
    assert_eq!(run.code, 3, "{}", run.err);
    assert!(run.err.contains("the run reached its 0.2 hours"), "{}", run.err);
    let jobs = json(&run)["jobs"].as_u64().unwrap();
    assert!((1..4).contains(&jobs), "{jobs} jobs");
    rig.off();
    // The same command goes on where it stopped.
    rig.change("most_hours = 0.2", "most_hours = 20");
    let run = rig.run(&[]);
    assert_eq!(json(&run)["jobs"], 4, "{}", run.err);
    assert_eq!(json(&run)["not_measured"], 0, "{}", run.err);
}

#[test]
fn faults_in_a_row_end_the_run() {
    let only_hot = one_setup().replace("temperature_degc = [25, 60]", "temperature_degc = [95, 100]");
    let rig = rig(&only_hot, 1, 0.0, 400.0);
    never_hot(&rig);
    // What one job heats, the next goes on from: neither may come near.
    rig.change("time_out_s = 1800", "time_out_s = 300");
    rig.change("most_consecutive_faults = 50\nattempts = 10", "most_consecutive_faults = 2\nattempts = 1");
    let run = rig.run(&[]);
    assert_eq!(run.code, 3, "{}", run.err);
    assert!(run.err.contains("2 faults in a row"), "{}", run.err);
    assert_eq!(json(&run)["jobs"], 2, "two jobs have a result, which is: not measured");
    assert!(rig.bench.ledger().is_empty(), "nothing is counted beyond its condition");
    rig.off();
}

/// `check`, `preview` and `run` refuse a plan on a bench alike.
fn same_refusal(rig: &Rig, words: &str) {
    let at = rig.folder.path();
    let refused = |arguments: &[&str]| {
        let run = nightbench(at, arguments);
        assert_eq!(run.code, 5, "{arguments:?}: {}{}", run.out, run.err);
        assert!(run.err.contains(words), "{arguments:?}: {}", run.err);
        let at = run.err.find("the bench `").unwrap_or_else(|| panic!("{}", run.err));
        run.err[at..].to_string()
    };
    let check = refused(&["check", &rig.plan, "--bench", &rig.file]);
    assert_eq!(check, refused(&["preview", &rig.plan, "--bench", &rig.file]));
    assert_eq!(check, refused(&["run", &rig.plan, "--bench", &rig.file, "--into", "out"]));
}

#[test]
fn a_plan_narrows_the_limits_and_never_widens_them() {
    for (limits, words) in [
        ("device_high_degc = 120", "never widen them"),
        ("most_hours = 2000.0\nmost_consecutive_faults = 51", "never widen them"),
    ] {
        let rig = rig(&format!("{}\n[bench_limits]\n{limits}\n", one_setup()), 1, 0.0, 2000.0);
        let run = rig.run(&[]);
        assert_eq!(run.code, 5, "{limits}: {}", run.err);
        assert!(run.err.contains(words), "{limits}: {}", run.err);
        assert!(run.err.contains("nothing was touched"), "{}", run.err);
        same_refusal(&rig, words);
        rig.off();
    }
    // What no bench could measure is a mistake of the plan.
    for (limits, words) in [
        (
            "device_low_degc = 0\ndevice_high_degc = 50",
            "60.0 °C of `temperature_degc` in [matrix] is above the plan's own limit, `device_high_degc` 50.0 °C",
        ),
        (
            "device_low_degc = 30",
            "25.0 °C of `temperature_degc` in [matrix] is below the plan's own limit, `device_low_degc` 30.0 °C",
        ),
        (
            "vddq_v = [1.0, 1.1]",
            "sets VDDQ to 1.200 V, beyond the plan's own limits, `vddq_v` 1.000 V to 1.100 V",
        ),
    ] {
        let rig = rig(&format!("{}\n[bench_limits]\n{limits}\n", one_setup()), 1, 0.0, 2000.0);
        let at = rig.folder.path();
        for arguments in [
            vec!["check", &rig.plan],
            vec!["preview", &rig.plan],
            vec!["run", &rig.plan, "--into", "simulated"],
            vec!["run", &rig.plan, "--bench", &rig.file, "--into", "out"],
        ] {
            let run = nightbench(at, &arguments);
            assert_eq!(run.code, 2, "{limits}: {}", run.err);
            let flat = run.err.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(flat.contains(words) && flat.contains("take "), "{limits}: {}", run.err);
        }
        assert!(!at.join("simulated").exists() && !at.join("out").exists());
        rig.off();
    }
    // A level that the bench cannot have: `check` says so before the night, in the words of `run`.
    let beyond = one_setup().replace("temperature_degc = [25, 60]", "temperature_degc = [25, 112]");
    let hot = rig(&beyond, 1, 0.0, 2000.0);
    same_refusal(&hot, "112.0 °C is beyond the bench's limits for the device");
    hot.off();
    let rig = rig(&format!("{}\n[bench_limits]\nmost_hours = 0.05\n", one_setup()), 1, 0.0, 2000.0);
    let run = rig.run(&[]);
    assert!(run.err.contains("left: no more of them would end within the 0.05 h of this run"), "{}", run.err);
    assert_eq!(run.code, 3, "{}", run.err);
    rig.off();
    let mistaken =
        rig.folder.file("wrong.toml", &format!("{}\n[bench_limits]\nvdd_v = [1.3, 1.1]\n", one_setup()));
    let check = nightbench(rig.folder.path(), &["check", text(&mistaken)]);
    assert_eq!(check.code, 2);
    assert!(check.err.contains("is no lowest and highest voltage"), "{}", check.err);
}

#[test]
fn another_chip_in_the_same_folder_is_refused() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let first = rig.run(&["--only", "rate=2133"]);
    assert_eq!(json(&first)["jobs"], 2, "{}", first.err);
    let counted = rig.bench.ledger().len();
    rig.bench.mount(MountedThings { chip: "another chip".into(), ..rig.bench.mounted() });
    let second = rig.run(&[]);
    assert_eq!(second.code, 5, "{}", second.err);
    assert!(second.err.contains("wrong identity: this folder holds results of"), "{}", second.err);
    assert!(second.err.contains("now another chip"), "{}", second.err);
    assert_eq!(json(&second)["jobs"], 2, "no result of another chip is in the folder");
    assert_eq!(rig.bench.ledger().len(), counted, "it was noticed before anything was counted");
    rig.off();
}

/// Another chip than the bench had last, in a folder of its own: a warning with both serial numbers, and the same chip none.
#[test]
fn another_chip_than_the_bench_had_last_is_told_at_the_start() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let warned = |run: &crate::support::Run| run.err.contains("another chip than the last on this bench");
    let into = |dir: &'static str, more: &[&str]| {
        let mut words = vec![
            "run",
            rig.plan.as_str(),
            "--bench",
            rig.file.as_str(),
            "--only",
            "rate=2133",
            "--into",
            dir,
        ];
        words.extend(more);
        nightbench(rig.folder.path(), &words)
    };
    for dir in ["one", "two"] {
        let run = into(dir, &[]);
        assert!([0, 1].contains(&run.code) && !warned(&run), "{}", run.err);
    }
    let before = rig.bench.mounted().chip;
    rig.bench.mount(MountedThings { chip: "another chip".into(), ..rig.bench.mounted() });
    let run = into("three", &[]);
    assert!([0, 1].contains(&run.code) && warned(&run), "{}", run.err);
    assert!(run.err.contains(&before) && run.err.contains("another chip now"), "{}", run.err);
    assert!(!warned(&into("four", &[])));
    rig.off();
}

/// A level just below the device's limit, and a rail beyond the generation's rating: told before anything moves.
#[test]
fn limits_that_end_in_an_alarm_or_protect_nothing_are_told_before_the_run() {
    let plan = one_setup().replace("temperature_degc = [25, 60]", "temperature_degc = [25, 104.9]");
    let rig = rig(&plan, 1, 0.0, 2000.0);
    for command in ["check", "preview"] {
        let told = nightbench(rig.folder.path(), &[command, &rig.plan, "--bench", &rig.file]);
        assert_eq!(told.code, 0, "{}", told.err);
        assert!(
            told.err.contains("warning: the level 104.9") && told.err.contains("Keep 5 K of room"),
            "{}",
            told.err
        );
    }
    let ddr5 = rig.folder.file(
        "five.toml",
        &plan
            .replace("\"DDR4\"", "\"DDR5\"")
            .replace("2666", "4800")
            .replace("2400", "4000")
            .replace("2133", "3200"),
    );
    for command in ["check", "preview"] {
        let told = nightbench(rig.folder.path(), &[command, text(&ddr5), "--bench", &rig.file]);
        assert_eq!(told.code, 5, "{}", told.err);
        assert!(told.err.contains("the absolute maximum rating of DDR5 is 2.1"), "{}", told.err);
    }
}

#[test]
fn one_run_at_a_time_has_a_bench_and_the_other_is_told_who() {
    let rig = rig(&one_setup(), 1, 0.0, 150.0);
    let mut child = rig.run_until_powered();
    for arguments in [
        vec!["bench", "check", rig.file.as_str()],
        vec!["run", &rig.plan, "--bench", &rig.file, "--into", "other"],
    ] {
        let other = nightbench(rig.folder.path(), &arguments);
        assert_eq!(other.code, 5, "{arguments:?}: {}", other.err);
        assert!(other.err.contains("is in use by"), "{}", other.err);
        assert!(other.err.contains(&child.id().to_string()), "the holder is not named: {}", other.err);
    }
    assert!(child.try_wait().unwrap().is_none(), "the first run went on meanwhile");
    Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    rig.off();
}

/// A firmware image is a factor: the agent loads it, and each job says what answered.
#[test]
fn firmware_images_are_loaded_and_named_with_each_job() {
    let images = "[[firmware]]\nname = \"image 7\"\n\n[[firmware]]\nname = \"image 8\"\n";
    let plan = one_setup()
        .replace("module = [\"Amber\"]", "module = [\"Amber\"]\nfirmware = [\"image 7\", \"image 8\"]")
        .replace("temperature_degc = [25, 60]", "temperature_degc = [25]");
    let rig = rig(&format!("{plan}\n{images}"), 1, 0.0, 2000.0);
    let run = rig.run(&[]);
    assert_eq!(json(&run)["not_measured"], 0, "{}", run.err);
    let reader = Store::open_read_only(&rig.folder.path().join("out")).unwrap();
    let mut seen = std::collections::BTreeSet::new();
    for job in reader.jobs(Attempts::Counting) {
        let job = job.unwrap();
        assert!(!job.identity.chip_serial.is_empty() && !job.identity.firmware_hash.is_empty());
        seen.insert((job.row.firmware, job.identity.firmware_build, job.identity.firmware_hash));
    }
    assert_eq!(seen.len(), 2, "each image answers as itself: {seen:?}");
    let page = rig.page();
    assert!(seen.iter().all(|(_, build, _)| page.contains(build)), "{seen:?}");
    rig.off();
}

/// KILL, or a power cut: nothing of the program runs any more. A separate command makes the bench safe, and so does the watchdog; a
/// next run goes on, and finds what was left on by somebody else, switched off first.
#[test]
fn after_a_kill_the_bench_is_made_safe_and_the_next_run_goes_on() {
    let rig = rig(&one_setup(), 1, 0.0, 400.0);
    let mut child = rig.run_until_powered();
    child.kill().unwrap();
    child.wait().unwrap();
    let safe = nightbench(rig.folder.path(), &["bench", "safe", &rig.file]);
    assert_eq!(safe.code, 0, "{}", safe.err);
    rig.off();
    // The watchdog may still be at it; it must not meet the next run.
    std::thread::sleep(Duration::from_secs(4));
    for output in &mut rig.bench.world().outputs {
        output.volts = 1.2;
        output.on = true;
    }
    std::thread::sleep(Duration::from_millis(50));
    let run = rig.run(&[]);
    assert!(run.err.contains("left on by an earlier run, switched off first"), "{}", run.err);
    assert_eq!(json(&run)["jobs"], 4, "{}", run.err);
    rig.off();
}

#[test]
fn a_command_of_the_user_hears_of_each_kind_of_event() {
    let rig = rig(&hot(SMALL), 1, 0.0, 400.0);
    let heard = rig.folder.path().join("heard.txt");
    rig.add(&format!(
        "[events]\non = [\"finished\", \"fault\", \"hands needed\"]\ncommand = [\"sh\", \"-c\", {:?}, \"sh\"]",
        format!("printf '%s|%s\\n' \"$1\" \"$2\" >> {}", heard.display())
    ));
    never_hot(&rig);
    let run = rig.run(&[]);
    assert_eq!(run.code, 3, "{}", run.err);
    let heard = std::fs::read_to_string(&heard).expect("the command was started");
    for line in ["fault|temperature not reached", "hands needed|4 jobs wait for hands", "finished|"] {
        assert!(heard.lines().any(|known| known.starts_with(line)), "{line}\n{heard}");
    }
    rig.off();
}

#[test]
fn what_the_agent_says_is_kept_with_every_job_and_shown_with_failures() {
    let rig = rig(&hot(&one_setup()), 1, 0.0, 400.0);
    rig.bench.says("<script>alert(1)</script> \u{202e} & so on");
    never_hot(&rig);
    let run = rig.run(&[]);
    assert_eq!(run.code, 3, "{}", run.err);
    let reader = Store::open_read_only(&rig.folder.path().join("out")).unwrap();
    let mut failed = 0;
    for stored in reader.jobs(Attempts::Counting) {
        let stored = stored.unwrap();
        let kept = reader.attachments(&stored).unwrap();
        let names: Vec<&str> = kept.iter().map(|one| one.name.as_str()).collect();
        if matches!(stored.outcome, nightbench_core::results::JobOutcome::NotMeasured(_)) {
            failed += 1;
            assert_eq!(names, ["commands", "log", "registers", "training log"]);
        } else {
            assert_eq!(names, ["log", "training log"]);
        }
        assert!(kept.iter().any(|one| one.text.contains("<script>alert(1)")));
    }
    assert!(failed > 0 && failed < 4, "{failed}: {}", run.err);
    let page = rig.page();
    assert!(page.contains("What the agent said about failures"));
    assert!(page.contains("&lt;script&gt;alert(1)") && !page.contains("<script>alert(1)"));
    let said = page.split("href=\"#said-").nth(1).and_then(|rest| rest.split('"').next()).expect("a link");
    assert!(page.contains(&format!("<details id=\"said-{said}\"")), "the link of a fault has no target");
    // The page comes from the store alone.
    let again = nightbench(rig.folder.path(), &["report", "out"]);
    assert!(again.code == 0 || again.code == 3 || again.code == 1, "{}", again.err);
    assert!(rig.page().contains("&lt;script&gt;alert(1)"));
    rig.off();
}

#[test]
fn the_page_shows_the_bench_s_own_hours() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let run = rig.run(&["--only", "rate=2133"]);
    let first = json(&run)["bench_hours"].as_f64().unwrap();
    assert!(first > 0.0);
    let page = rig.page();
    let words =
        page.split("Hours by the bench&#x27;s own clock:").nth(1).and_then(|rest| rest.split("</p>").next());
    let words = words.unwrap_or_else(|| panic!("no hours on the page"));
    for kind in ["measuring", "training", "ramps", "soak"] {
        assert!(words.contains(kind), "{kind}: {words}");
    }
    // A second sitting goes on where the first ended: its hours come after, not over, the first ones.
    let run = rig.run(&[]);
    assert!(json(&run)["bench_hours"].as_f64().unwrap() > first, "{}", run.err);
    let reader = Store::open_read_only(&rig.folder.path().join("out")).unwrap();
    let mut spans: Vec<(f64, f64)> = reader
        .jobs(Attempts::All)
        .map(|job| job.unwrap())
        .map(|job| (job.row.started_bench_s, job.row.ended_bench_s))
        .collect();
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    assert_eq!(spans.len(), 4);
    assert!(spans.windows(2).all(|pair| pair[0].1 <= pair[1].0), "{spans:?}");
    // Ramps are no training: each job's parts fit into its own time.
    for job in reader.jobs(Attempts::All) {
        let job = job.unwrap();
        let own = job.times.training_s + job.times.measuring_s;
        let settling = job.readback.map_or(0.0, |readback| readback.settling.0);
        assert!(own + settling <= job.row.ended_bench_s - job.row.started_bench_s + 1e-6);
    }
}

/// A run at a pseudo-terminal with these answers; `None` where Python is missing.
fn at_a_terminal(rig: &Rig, answers: &str) -> Option<(Option<i32>, String)> {
    let words = ["run", &rig.plan, "--bench", &rig.file, "--into", "out"];
    crate::support::at_a_terminal(rig.folder.path(), &words, answers)
}

/// A person at a terminal: cautions, what to mount, a wrong answer refused, the right one taken.
#[test]
fn a_person_at_a_terminal_is_asked_and_told() {
    let rig = rig(SMALL, 1, 0.0, 2000.0);
    let Some((code, seen)) = at_a_terminal(&rig, "Brich,Amber,MOD-0017,,CHIP <3>") else { return };
    assert!([Some(0), Some(1)].contains(&code), "{code:?}\n{seen}");
    let place = |words: &str| seen.find(words).unwrap_or_else(|| panic!("{words}\n{seen}"));
    assert!(
        place("you may leave") < place("CAUTION before you reach in"),
        "the declared setup is checked first"
    );
    assert!(place("software is no hardware interlock") < place("Every rail was measured off"));
    assert!(place("module `Amber`, channel `risers`") < place("That is not `Amber`."));
    assert!(seen.rfind("Module Amber on risers was checked").is_some(), "{seen}");
    let reader = Store::open_read_only(&rig.folder.path().join("out")).unwrap();
    assert_eq!(reader.jobs(Attempts::Counting).count(), 8);
    // What was typed or scanned stands in the report; what was left out does not.
    let page = std::fs::read_to_string(rig.folder.path().join("out/report.html")).unwrap();
    assert!(page.contains("module of Amber on risers") && page.contains("MOD-0017"), "no bar code");
    assert!(page.contains("CHIP &lt;3&gt;") && !page.contains("channel parts of Amber"), "{seen}");
    rig.off();
}

/// The interrupt key at the prompt is no answer: the run stops, safe, with what is measured stored.
#[test]
fn an_interrupt_at_the_prompt_stops_the_run() {
    let rig = rig(SMALL, 1, 0.0, 2000.0);
    let Some((code, seen)) = at_a_terminal(&rig, "^C") else { return };
    assert_eq!(code, Some(130), "{seen}");
    let reader = Store::open_read_only(&rig.folder.path().join("out")).unwrap();
    assert_eq!(reader.jobs(Attempts::Counting).count(), 4);
    rig.off();
}
