//! Never lose a night, from outside: kills, signals, full and read-only disks, second attempts, two runs at once.

use crate::chance::Chance;
use crate::rig::{Rig, Sitting, TINY, contents};
use crate::support::{Folder, SMALL, effort, json, missing, nightbench, program};
use contract::{CancelToken, Driver};
use runner::console::exit::Exit;
use runner::store::{Store, WriteFault, WriteFaultKind};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

fn csv(folder: &Path, dir: &str) -> String {
    let run = nightbench(folder, &["export", dir, "--as", "csv"]);
    assert_eq!(run.code, 0, "{}", run.err);
    run.out
}

fn begin(folder: &Path, arguments: &[&str]) -> Child {
    program()
        .current_dir(folder)
        .args(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts")
}

/// Waits until the run holds its folder.
fn wait_for_holder(dir: &Path) {
    let begun = Instant::now();
    while !dir.join("run.holder").exists() || !dir.join("ballast.bin").exists() {
        assert!(begun.elapsed() < Duration::from_secs(60), "the run does not begin");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Begins a run and waits for its first finished job; what it says is gathered meanwhile.
fn under_way(folder: &Path, arguments: &[&str]) -> (Child, JoinHandle<String>) {
    let mut child = begin(folder, arguments);
    let mut lines = BufReader::new(child.stderr.take().expect("a pipe"));
    let mut said = String::new();
    loop {
        let mut line = String::new();
        assert!(lines.read_line(&mut line).expect("readable words") > 0, "ended before any job: {said}");
        said.push_str(&line);
        if line.starts_with('[') {
            break;
        }
    }
    let rest = std::thread::spawn(move || {
        lines.read_to_string(&mut said).expect("readable words");
        said
    });
    (child, rest)
}

fn ending((mut child, said): (Child, JoinHandle<String>)) -> (i32, String) {
    drop(child.stdout.take());
    let code = child.wait().expect("the program ends").code().unwrap_or(-1);
    (code, said.join().expect("its words"))
}

fn send(signal: &str, child: &Child) {
    let sent = Command::new("kill").args([signal, &child.id().to_string()]).status().expect("kill");
    assert!(sent.success());
}

fn end(child: Child) -> (i32, String, String) {
    let output = child.wait_with_output().expect("the program ends");
    (
        output.status.code().unwrap_or(-1),
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

/// A run of some seconds.
fn long() -> String {
    format!("{SMALL}\n[repeats]\nrepeats = 60\n")
}

/// As root, a small file system of its own; `None` where that is not allowed.
struct SmallDisk(std::path::PathBuf);

impl SmallDisk {
    fn mount(at: &Path, options: &str) -> Option<SmallDisk> {
        std::fs::create_dir_all(at).expect("a folder");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(at)
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success());
        if !mounted {
            missing("the right to mount a small file system");
        }
        mounted.then(|| SmallDisk(at.to_owned()))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

/// Stopped and woken (as by a shell, or with the computer): nothing of a simulated run hangs on the clock on the wall.
#[test]
fn a_run_that_is_paused_gives_the_same_bytes() {
    let folder = Folder::new();
    folder.file("plan.toml", &long());
    let straight = nightbench(folder.path(), &["run", "plan.toml", "--into", "straight"]);
    assert!([0, 1].contains(&straight.code), "{}", straight.err);
    let (child, said) = under_way(folder.path(), &["run", "plan.toml", "--into", "run"]);
    let mut pauses = 0;
    for _ in 0..effort(3, 10, 30) {
        send("-STOP", &child);
        std::thread::sleep(Duration::from_millis(700));
        let status = std::fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap_or_default();
        pauses += u32::from(status.contains(") T "));
        send("-CONT", &child);
        std::thread::sleep(Duration::from_millis(50));
    }
    let (code, said) = ending((child, said));
    assert_eq!(code, straight.code, "{said}");
    assert!(pauses > 0, "it was never paused under way");
    assert_eq!(csv(folder.path(), "run"), csv(folder.path(), "straight"));
    assert_eq!(contents(&folder.path().join("run")), contents(&folder.path().join("straight")));
}

#[test]
fn a_storm_of_kills_changes_nothing() {
    let wanted = effort(5, 20, 200);
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &format!("{SMALL}\n[repeats]\nrepeats = 20\n"));
    let begun = Instant::now();
    let whole = nightbench(at, &["run", "plan.toml", "--into", "whole"]);
    let takes_ms = begun.elapsed().as_millis() as u64;
    assert!([0, 1].contains(&whole.code), "{}", whole.err);
    let expected = csv(at, "whole");
    let mut chance = Chance::new(20);
    let (mut kills, mut rounds, mut progress) = (0, 0, 0);
    while kills < wanted {
        rounds += 1;
        let dir = format!("storm{rounds}");
        loop {
            let mut child = begin(at, &["run", "plan.toml", "--into", &dir]);
            std::thread::sleep(Duration::from_millis(chance.below(takes_ms)));
            let over = child.try_wait().expect("a child");
            let _ = child.kill();
            let _ = child.wait();
            if over.is_some() {
                break;
            }
            kills += 1;
            // Looked at between kills: readable, honest, and nobody runs.
            if at.join(&dir).join("results.sqlite").exists() {
                let status = nightbench(at, &["status", &dir, "--json"]);
                if status.code == 0 {
                    let status = json(&status);
                    assert_eq!(status["running"], false);
                    let done = status["done"].as_u64().expect("a number");
                    progress += u64::from((1..160).contains(&done));
                }
            }
            if kills >= wanted {
                break;
            }
        }
        let last = nightbench(at, &["run", "plan.toml", "--into", &dir]);
        assert_eq!(last.code, whole.code, "{}", last.err);
        assert_eq!(csv(at, &dir), expected, "round {rounds}");
        let pages =
            ["whole", &dir].map(|dir| std::fs::read_to_string(at.join(dir).join("report.html")).unwrap());
        assert!(pages[0] == pages[1], "the page of round {rounds} differs");
        std::fs::remove_dir_all(at.join(&dir)).expect("a folder");
    }
    println!("{kills} kills in {rounds} rounds, {progress} of them between the first and the last job");
    assert!(progress * 5 >= kills, "too few kills struck a run under way: {progress} of {kills}");
}

#[test]
fn write_errors_and_a_full_database_stop_the_run_and_lose_nothing() {
    let folder = Folder::new();
    let rig = Rig::new(TINY);
    rig.finish(&folder.path().join("whole"));
    let whole = contents(&folder.path().join("whole"));
    let open = || -> Box<dyn Driver> { Box::new(rig.target()) };
    for kind in [WriteFaultKind::Full, WriteFaultKind::Io, WriteFaultKind::ReadOnly] {
        let dir = folder.path().join(format!("{kind:?}"));
        // More failures than retries within a sitting: the ballast helps once against a full disk.
        let spoil = |store: &mut Store| store.inject_fault(WriteFault { after: 0, times: 1_000, kind });
        let cancel = CancelToken::new();
        let sitting = Sitting { threads: 2, open: &open, cancel: &cancel, spoil: &spoil };
        let failure = rig.sit(&dir, &sitting).expect_err("a store that cannot be written");
        assert_eq!(failure.exit, Exit::Store);
        assert_eq!(failure.exit.code(), 74);
        let words = failure.words;
        assert!(words.contains("same command") || words.contains("--into"), "no remedy: {words}");
        assert!(contents(&dir).len() < whole.len());
        rig.finish(&dir);
        assert_eq!(contents(&dir), whole, "{kind:?}");
    }
    let dir = folder.path().join("no-room");
    let spoil = |store: &mut Store| store.limit_growth(1).expect("a limit");
    let cancel = CancelToken::new();
    let sitting = Sitting { threads: 1, open: &open, cancel: &cancel, spoil: &spoil };
    let failure = rig.sit(&dir, &sitting).expect_err("a database that cannot grow");
    assert_eq!(failure.exit, Exit::Store);
    assert!(failure.words.contains("full"), "{}", failure.words);
    rig.finish(&dir);
    assert_eq!(contents(&dir), whole);
}

#[test]
fn a_full_disk_stops_cleanly_and_the_run_goes_on_when_there_is_room() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &long());
    let Some(disk) = SmallDisk::mount(&at.join("disk"), "size=120m") else { return };
    // Taken by somebody else while the run goes on.
    let run = under_way(at, &["run", "plan.toml", "--into", "disk/run"]);
    let filler = at.join("disk/filler");
    let filled = Command::new("dd")
        .args(["if=/dev/zero", "bs=64k", "count=100000"])
        .arg(format!("of={}", filler.display()))
        .stderr(Stdio::null())
        .status();
    assert!(filled.is_ok_and(|status| !status.success()), "the disk is not full");
    let (code, err) = ending(run);
    assert_eq!(code, 74, "{err}");
    assert!(err.contains("same command"), "what to do: {err}");
    std::fs::remove_file(&filler).expect("the filler");
    let last = nightbench(at, &["run", "plan.toml", "--into", "disk/run"]);
    let whole = nightbench(at, &["run", "plan.toml", "--into", "whole"]);
    assert_eq!(last.code, whole.code, "{}", last.err);
    assert!(csv(at, "disk/run") == csv(at, "whole"));
    drop(disk);
    // Too small from the start: refused with both figures, nothing touched.
    let Some(_tiny) = SmallDisk::mount(&at.join("disk"), "size=4m") else { return };
    let refused = nightbench(at, &["run", "plan.toml", "--into", "disk/run"]);
    assert_eq!(refused.code, 74, "{}", refused.err);
    assert!(refused.err.contains("of disk space") && refused.err.contains("are free"), "{}", refused.err);
    assert!(!at.join("disk/run").exists());
}

#[test]
fn folders_that_cannot_hold_a_run_are_refused_before_anything_moves() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", SMALL);
    let missing = nightbench(at, &["run", "plan.toml", "--into", "a/b/c"]);
    assert_eq!(missing.code, 2);
    assert!(missing.err.contains("a/b is no folder; create that first"), "{}", missing.err);
    assert!(!at.join("a").exists());
    folder.file("file", "in the way");
    let file = nightbench(at, &["run", "plan.toml", "--into", "file"]);
    assert!([2, 74].contains(&file.code), "{}", file.err);
    assert!(file.err.contains("file"), "{}", file.err);
    let Some(_disk) = SmallDisk::mount(&at.join("fixed"), "size=1m,ro") else { return };
    let fixed = nightbench(at, &["run", "plan.toml", "--into", "fixed/run"]);
    assert_eq!(fixed.code, 74, "{}", fixed.err);
    assert!(!fixed.err.contains("[1/8]"), "nothing was measured: {}", fixed.err);
}

#[test]
fn signals_stop_safely_and_the_same_command_goes_on() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &long());
    let whole = nightbench(at, &["run", "plan.toml", "--into", "whole"]);
    for (signal, code) in [("-INT", 130), ("-TERM", 143)] {
        let run = under_way(at, &["run", "plan.toml", "--into", "cut"]);
        send(signal, &run.0);
        // A held key: repeats change nothing.
        send(signal, &run.0);
        let (found, err) = ending(run);
        assert_eq!(found, code, "{err}");
        assert!(err.contains("stopping after the point at hand"), "{err}");
        assert!(!err.contains("is dropped; everything"), "a repeat counted as a second press: {err}");
        assert!(at.join("cut/report.html").exists(), "the report says what there is");
        assert!(!at.join("cut/run.holder").exists());
    }
    let last = nightbench(at, &["run", "plan.toml", "--into", "cut"]);
    assert!(last.err.contains("are done already"), "{}", last.err);
    assert_eq!(last.code, whole.code);
    assert!(csv(at, "cut") == csv(at, "whole"));
    // What happened stands in the log, sealed.
    let log: Vec<String> = Store::open_read_only(&at.join("cut"))
        .and_then(|reader| reader.verify_events().and(reader.events()))
        .expect("a sound log")
        .into_iter()
        .map(|event| event.kind)
        .filter(|kind| kind != "stored")
        .collect();
    assert_eq!(log.iter().filter(|kind| *kind == "stopped_by_signal").count(), 2, "{log:?}");
    assert_eq!(log.last().map(String::as_str), Some("run_ended"));
}

#[test]
fn two_runs_in_one_folder_are_refused_with_the_holders_name() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &long());
    let mut child = begin(at, &["run", "plan.toml", "--into", "d"]);
    wait_for_holder(&at.join("d"));
    let second = nightbench(at, &["run", "plan.toml", "--into", "d"]);
    assert_eq!(second.code, 74, "{}", second.err);
    assert!(second.err.contains(&format!("in use by process {}", child.id())), "{}", second.err);
    let status = json(&nightbench(at, &["status", "d", "--json"]));
    assert_eq!(status["running"], true, "status works meanwhile");
    child.kill().expect("a running child");
    child.wait().expect("an end");
    let status = json(&nightbench(at, &["status", "d", "--json"]));
    assert_eq!(status["running"], false, "a killed run is not said to go on");
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", &format!("{SMALL}\n[repeats]\nrepeats = 2\n"));
    nightbench(at, &["run", "plan.toml", "--into", "d"]);
    for arguments in [
        &["export", "d", "--as", "csv"][..],
        &["export", "d", "--as", "jsonl"],
        &["preview", "plan.toml"],
        &["status", "d"],
        &["run", "plan.toml", "--into", "d"],
        &["run", "plan.toml", "--into", "fresh"],
    ] {
        let mut child = begin(at, arguments);
        // The reader takes one line of each and leaves, as `head -1` does.
        let mut line = String::new();
        if arguments[0] != "run" {
            BufReader::new(child.stdout.take().expect("a pipe")).read_line(&mut line).expect("a line");
            assert!(!line.is_empty());
        } else {
            child.stdout.take();
            BufReader::new(child.stderr.take().expect("a pipe")).read_line(&mut line).expect("a line");
        }
        let (code, _, err) = end(child);
        assert!([0, 1].contains(&code), "{arguments:?}: {code} {err}");
        assert!(!err.contains("panicked"), "{arguments:?}: {err}");
    }
}

#[test]
fn measuring_again_adds_an_attempt_with_noise_of_its_own() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", SMALL);
    let run = |more: &[&str]| nightbench(at, &[&["run", "plan.toml", "--into", "d"][..], more].concat());
    assert_eq!(run(&["--again", "rate=2400"]).code, 2, "a reason is asked for");
    assert_eq!(run(&["--reason", "because"]).code, 2);
    let nothing = run(&["--again", "rate=2400", "--reason", "probe re-seated"]);
    assert_eq!(nothing.code, 4, "{}", nothing.err);
    assert!(!at.join("d").exists());
    run(&[]);
    let first = csv(at, "d");
    assert_eq!(run(&["--again", "not-measured", "--reason", "all were"]).code, 4);
    assert_eq!(run(&["--again", "rate=9999", "--reason", "x"]).code, 2);
    assert_eq!(run(&["--again", "rate=2400", "--reason", " "]).code, 2);
    assert_eq!(csv(at, "d"), first, "refusals change nothing");
    let again = run(&["--again", "rate=2400", "--reason", "probe re-seated"]);
    assert!([0, 1].contains(&again.code), "{}", again.err);
    assert!(again.err.contains("[4/4]"), "only the selected jobs: {}", again.err);
    let second = csv(at, "d");
    // The report's number stands in each row and covers every attempt.
    let row = |line: &str| line.splitn(3, ',').nth(2).map(str::to_owned);
    let changed = |a: &str, b: &str| {
        let differing: Vec<String> =
            a.lines().zip(b.lines()).filter(|(a, b)| row(a) != row(b)).map(|(a, _)| a.to_string()).collect();
        assert_eq!(a.lines().count(), b.lines().count());
        differing
    };
    let differing = changed(&first, &second);
    assert!(!differing.is_empty(), "the new attempt repeats the old noise");
    assert!(differing.iter().all(|line| line.contains("2400")), "{differing:?}");
    let stored = contents(&at.join("d"));
    assert_eq!(stored.len(), 12);
    let old: Vec<_> = stored.iter().filter(|(_, attempt, ..)| *attempt == 1).collect();
    let new: Vec<_> = stored.iter().filter(|(_, attempt, ..)| *attempt == 2).collect();
    assert_eq!((old.len(), new.len()), (8, 4));
    for (key, _, counts, result) in &new {
        let before = old.iter().find(|(other, ..)| other == key).expect("an older attempt");
        assert!(*counts && !before.2, "the older attempt is superseded, the newer counts");
        assert_ne!(before.3.captures[0].visits, result.captures[0].visits);
    }
    assert_eq!(json(&nightbench(at, &["status", "d", "--json"]))["superseded"], 4);
    // Again for the same reason: a third attempt, unlike both others.
    run(&["--again", "rate=2400", "--only", "temperature=25", "--reason", "probe re-seated"]);
    let third = csv(at, "d");
    assert!(!changed(&second, &third).is_empty() && !changed(&first, &third).is_empty());
    assert_eq!(contents(&at.join("d")).len(), 14);
    // The same seed gives the same attempts elsewhere.
    nightbench(at, &["run", "plan.toml", "--into", "e"]);
    nightbench(at, &["run", "plan.toml", "--into", "e", "--again", "rate=2400", "--reason", "other words"]);
    assert_eq!(
        changed(&csv(at, "e"), &second),
        Vec::<String>::new(),
        "the reason stands in the number, not in a count"
    );
}

#[test]
fn a_second_attempt_that_was_cut_off_goes_on_with_the_same_command() {
    let folder = Folder::new();
    let at = folder.path();
    folder.file("plan.toml", SMALL);
    let again = |dir: &str| {
        nightbench(at, &["run", "plan.toml", "--into", dir, "--again", "rate=2400", "--reason", "drift"])
    };
    for dir in ["whole", "cut"] {
        nightbench(at, &["run", "plan.toml", "--into", dir]);
    }
    again("whole");
    // As a kill leaves it: everything given up, half of it measured anew.
    let keys: Vec<_> = contents(&at.join("whole"))
        .into_iter()
        .filter(|(_, attempt, ..)| *attempt == 2)
        .map(|(key, ..)| key)
        .collect();
    let mut store = Store::open(&at.join("cut")).expect("a store");
    assert_eq!(store.supersede_all(&keys, "drift").expect("a change"), 4);
    let source = Store::open_read_only(&at.join("whole")).expect("a store");
    for key in &keys[..2] {
        let newest = source.job(key).expect("readable").expect("there");
        store.record_packed(source.packed(&newest).expect("whole")).expect("taken over");
    }
    store.close().expect("closed");
    let last = again("cut");
    assert!(last.err.contains("[2/2]"), "only what was cut off: {}", last.err);
    assert_eq!(csv(at, "cut"), csv(at, "whole"));
    assert_eq!(contents(&at.join("cut")), contents(&at.join("whole")));
}
