//! Six kinds of input, changed byte by byte from sound ones: plans; limits and notes; bench files; SPD images; Touchstone
//! files; run folders with what comes with them (archives, agents' answers). Each is read or refused, none panics or
//! hangs, and a run folder that is read gives what it gave before.
//!
//! The same mutants every time: number n of a kind follows from n. `NIGHTBENCH_EFFORT` says how many.

use crate::chance::Chance;
use crate::fuzz::{LONGEST, corpus, mutate, plan_corpus, read_plan};
use crate::rig::TINY;
use crate::spd::{bytes_of, stored_images};
use crate::support::{Folder, effort, nightbench};
use bench::CommandLog;
use bench::agent::AgentLink;
use bench::agent::messages::{Configured, Identified, PointAnswer, Sampled, Temperatures};
use contract::{Call, CancelToken};
use nightbench_core::rates::Generation;
use plan::Plan;
use plan::bench_file::{AgentConnection, AgentSpec, BenchFile};
use plan::criteria::AcceptanceCriteria;
use plan::expand::{expand, jobs};
use plan::selection::Selection;
use plan::spd::SpdImage;
use runner::folder::archive::unpack;
use runner::inputs::notes;
use runner::store::{Attempts, JobKey, Store, StoreReader, hex};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::json;
use simulator::touchstone;
use std::collections::{BTreeMap, HashMap};
use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How many mutants of a kind.
fn many() -> u64 {
    effort(150, 1500, 6000)
}

/// Reads each mutant of some sound inputs; how many were read, and how many refused.
fn each(
    kind: &str,
    sound: &[Vec<u8>],
    change: fn(&[u8], u64) -> Vec<u8>,
    mut read: impl FnMut(&[u8]) -> bool,
) {
    assert!(sound.iter().filter(|one| read(one)).count() > 0, "{kind}: nothing sound to begin with");
    let (begun, mut taken) = (Instant::now(), 0);
    for number in 0..many() {
        let from = &sound[(number % sound.len() as u64) as usize];
        let mutant = change(from, number);
        let one = Instant::now();
        taken += u64::from(read(&mutant));
        assert!(one.elapsed() < LONGEST, "{kind}: mutant {number} took {:?}", one.elapsed());
    }
    println!("{kind}: {} mutants, {taken} read, {:.1} s", many(), begun.elapsed().as_secs_f64());
}

fn contents(files: Vec<(PathBuf, Vec<u8>)>) -> Vec<Vec<u8>> {
    files.into_iter().map(|(_, bytes)| bytes).collect()
}

#[test]
fn mutants_of_plans() {
    each("plans", &contents(plan_corpus()), mutate, |bytes| read_plan(bytes) == 0);
}

const LIMITS: &str = r#"
[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"

[[limit]]
metric = "height"
minimum = 8.0
unit = "% VDDQ"
rate = [2133, 2400]
source = "invented"

[decision]
rule = "guard band U"

[[uncertainty]]
name = "clock"
metric = "width"
standard_uncertainty_ps = 0.4
source = "invented"

[release]
units = 3
"#;

#[test]
fn mutants_of_limits_and_notes() {
    each("limits", &[LIMITS.into()], mutate, |bytes| {
        let Ok(text) = std::str::from_utf8(bytes) else { return false };
        match AcceptanceCriteria::read(text, Generation::Ddr4) {
            Ok(_) => true,
            Err(mistakes) => {
                assert!(mistakes.iter().all(|one| one.span.start <= text.len() && !one.message.is_empty()));
                false
            }
        }
    });
    let plan = Plan::read(TINY).unwrap();
    let expansion = expand(&plan, &Selection::default());
    let listed: HashMap<JobKey, _> =
        jobs(&plan, &expansion).into_iter().enumerate().map(|(at, job)| ([at as u8 + 1; 32], job)).collect();
    let folder = Folder::in_memory();
    let sound = "[[note]]\njob = \"01010101\"\nreason = \"loose screw\"\nauthor = \"a reader\"\ndate = 2026-03-02\n\n\
                 [[note]]\njob = \"02020202\"\nreason = \"all of it\"\nauthor = \"a reader\"\nreference = \"page 7\"\n";
    each("notes", &[sound.into()], mutate, |bytes| {
        std::fs::write(folder.path().join("notes.toml"), bytes).unwrap();
        notes::read(folder.path(), &listed).is_ok()
    });
}

#[test]
fn mutants_of_bench_files() {
    let plan = Plan::read(TINY).unwrap();
    let sound = crate::emulated::start(&plan, 1, 0.0, 100.0).bench_file();
    BenchFile::read(&sound).expect("the emulated bench's file");
    each("bench files", &[sound.into_bytes()], mutate, |bytes| {
        let Ok(text) = std::str::from_utf8(bytes) else { return false };
        match BenchFile::read(text) {
            Ok(_) => true,
            Err(mistakes) => {
                assert!(mistakes.iter().all(|one| one.span.start <= text.len() && !one.message.is_empty()));
                false
            }
        }
    });
}

#[test]
fn mutants_of_spd_images() {
    let mut sound = contents(corpus("corpus/spd"));
    sound.extend(stored_images().iter().map(|path| bytes_of(path)));
    each("SPD images", &sound, scatter, |bytes| SpdImage::read(bytes).is_ok());
}

#[test]
fn mutants_of_touchstone_files() {
    let sound = contents([corpus("data/touchstone"), corpus("corpus/touchstone")].concat());
    each("Touchstone files", &sound, mutate, |bytes| {
        let found = (1..5).filter_map(|ports| touchstone::read(bytes, Some(ports)).ok()).next_back();
        if let Some(data) = &found {
            assert!(touchstone::check_data(data).len() < 1000);
        }
        found.is_some()
    });
}

/// Bits and bytes changed, pieces zeroed or exchanged, the end cut off: what disks and copies do. The size stays, mostly.
fn scatter(bytes: &[u8], seed: u64) -> Vec<u8> {
    let mut chance = Chance::new(seed);
    let mut bytes = bytes.to_vec();
    for _ in 0..=chance.below(3) {
        if bytes.is_empty() {
            break;
        }
        let at = chance.below(bytes.len() as u64) as usize;
        match chance.below(8) {
            0..3 => bytes[at] ^= 1 << chance.below(8),
            3 => bytes[at] = chance.next() as u8,
            4 => {
                let end = bytes.len().min(at + 1 + chance.below(64) as usize);
                bytes[at..end].fill(0);
            }
            5 => {
                // A page over another.
                let pages = bytes.len() / 4096;
                if pages > 1 {
                    let (from, to) =
                        (chance.below(pages as u64) as usize, chance.below(pages as u64) as usize);
                    bytes.copy_within(from * 4096..(from + 1) * 4096, to * 4096);
                }
            }
            6 => {
                let length = chance.below(32) as usize;
                let to = chance.below(bytes.len() as u64) as usize;
                let length = length.min(bytes.len() - at).min(bytes.len() - to);
                bytes.copy_within(at..at + length, to);
            }
            _ if chance.happens(0.2) => bytes.truncate(at),
            _ => bytes[at] = bytes[at].wrapping_add(1),
        }
    }
    bytes
}

/// Everything that verdicts and pages of a folder rest on.
fn said(reader: &StoreReader) -> String {
    let meta = reader.meta().unwrap();
    let mut said = format!("{meta:?}\n{:?}\n", reader.limit_sets().unwrap());
    for job in reader.jobs(Attempts::All) {
        let job = job.unwrap();
        let captures: Vec<_> =
            reader.captures(&job).unwrap().map(|capture| capture.expect("a capture")).collect();
        said.push_str(&format!("{job:?}\n{captures:?}\n"));
    }
    said + &hex(&reader.verify_events().unwrap().head)
}

#[test]
fn mutants_of_run_folders_and_archives() {
    let folder = Folder::in_memory();
    folder.file("plan.toml", TINY);
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "run"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let store = std::fs::read(folder.path().join("run/results.sqlite")).unwrap();
    let place = folder.path().join("mutant");
    std::fs::create_dir(&place).unwrap();
    let mut before = None;
    each("run folders", &[store], scatter, |bytes| {
        for name in ["results.sqlite-wal", "results.sqlite-shm"] {
            let _ = std::fs::remove_file(place.join(name));
        }
        std::fs::write(place.join("results.sqlite"), bytes).unwrap();
        let Ok(reader) = Store::open_read_only(&place) else { return false };
        if reader.verify().is_err() {
            return false;
        }
        let now = said(&reader);
        let lines =
            before.get_or_insert(now.clone()).lines().zip(now.lines()).find(|(then, now)| then != now);
        assert!(lines.is_none(), "changed, and nobody noticed: {lines:?}");
        assert_eq!(before.as_ref().map(String::len), Some(now.len()), "more or less, and nobody noticed");
        true
    });
    let made = nightbench(folder.path(), &["export", "run", "--as", "archive", "--out", "run.tar"]);
    assert_eq!(made.code, 0, "{}", made.err);
    let archive = std::fs::read(folder.path().join("run.tar")).unwrap();
    // The heads of its members, mostly: contents are the store's to check.
    let heads = &archive[..archive.len().min(4096)];
    let (file, into) = (folder.path().join("mutant.tar"), folder.path().join("into"));
    each("archives", &[archive.clone(), heads.to_vec()], scatter, |bytes| {
        let _ = std::fs::remove_dir_all(&into);
        std::fs::create_dir(&into).unwrap();
        std::fs::write(&file, bytes).unwrap();
        let read = unpack(&file, &into).is_ok();
        let beside: Vec<_> = names(folder.path());
        assert_eq!(
            beside,
            ["into", "mutant", "mutant.tar", "plan.toml", "run", "run.tar"],
            "beside the folder"
        );
        read
    });
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.retain(|name| name != "benches");
    names.sort();
    names
}

/// One answer, changed, to each call; then the connection is closed, so that nothing waits.
fn ask<R: DeserializeOwned>(answers: &[Vec<u8>], method: &'static str, sane: fn(&R) -> bool) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let spec = AgentSpec {
        connection: AgentConnection::Tcp { address: listener.local_addr().unwrap().to_string() },
        heartbeat_s: 5.0,
        most_line_bytes: 1 << 16,
        kill_after_s: 1.0,
    };
    let (sender, receiver) = std::sync::mpsc::channel::<Vec<u8>>();
    let server = std::thread::spawn(move || {
        for answer in receiver {
            let Ok((mut stream, _)) = listener.accept() else { return };
            let mut line = String::new();
            let _ = BufReader::new(&stream).read_line(&mut line);
            let _ = stream.write_all(&answer).and_then(|()| stream.write_all(b"\n"));
        }
    });
    each(method, answers, mutate, |bytes| {
        sender.send(bytes.to_vec()).unwrap();
        let mut link = AgentLink::open(&spec, &CommandLog::in_memory(), Duration::from_secs(5)).unwrap();
        let call = Call::within(Duration::from_secs(5), &CancelToken::new());
        link.call::<_, R>(method, &json!({}), &call, &mut |_| Ok(())).is_ok_and(|answer| sane(&answer))
    });
    drop(sender);
    server.join().unwrap();
}

fn answer(result: impl Serialize) -> Vec<u8> {
    json!({"jsonrpc": "2.0", "id": 1, "result": serde_json::to_value(result).unwrap()})
        .to_string()
        .into_bytes()
}

#[test]
fn mutants_of_agents_answers() {
    let error = br#"{"jsonrpc":"2.0","id":1,"error":{"code":-32005,"message":"no answer","data":{"x":1}}}"#;
    let words = |text: &str| text.to_string();
    let identified = Identified {
        protocol: 1,
        agent_version: words("agent 1"),
        chip_serial: words("A-0007"),
        firmware_build: words("7.1"),
        firmware_hash: words("ab12"),
        settings_hash: words("cd34"),
        module_serial: Some(words("M-1")),
        module_spd: Some(words("2312")),
        powered: true,
    };
    ask::<Identified>(&[answer(identified), error.to_vec()], "identify", |_| true);
    let configured = json!({
        "eyes": [{
            "eye": {"direction": "read", "rank": 0, "sub_channel": null}, "taps": 64, "vref_steps": 64,
            "tap_step_ps": 6.5, "vref_start_mv": 600.0, "vref_step_mv": 7.8, "ui_ps": 416.6, "vddq_mv": 1200.0,
            "lanes": [0, 1, 2, 3, 4, 5, 6, 7], "compared_bits_per_second": 1e9, "visit_overhead_s": 0.001,
            "vref_settle_s": 0.01, "early_stop": true, "fewest_bits": 8,
        }],
        "restores_training": true, "power_cycle": true, "double_refresh": false,
    });
    let sound: Configured = serde_json::from_value(configured.clone()).expect("as AGENT.md has it");
    assert!(sound.capabilities().is_some());
    ask::<Configured>(&[answer(configured)], "configure", |answer| {
        answer.capabilities().is_some_and(|sane| sane.eyes.iter().all(|eye| eye.grid.ui.0.is_finite()))
    });
    let counts = (0..4).map(|at| PointAnswer { bits: 1000, errors: vec![at; 8] }).collect();
    ask::<Sampled>(&[answer(Sampled { counts })], "sample", |_| true);
    let sensors_degc = BTreeMap::from([(words("chip"), 41.5), (words("air"), 40.0)]);
    ask::<Temperatures>(&[answer(Temperatures { sensors_degc })], "temperature", |_| true);
}
