//! Large simulated runs: time per job, memory, `status`, opening and checking, one core against two.
//!
//! `cargo bench -p runner --bench night`, or `-- JOBS` for another size than 100,000. Jobs have small grids, so that
//! everything around the measuring shows.

use runner::store::Store;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const REPEATS: usize = 100;

/// A plan of `jobs` jobs: hundreds to a thousand conditions, a hundred repeats each.
fn plan(jobs: usize) -> String {
    let conditions = jobs.div_ceil(REPEATS);
    let temperatures: Vec<String> =
        (0..conditions.div_ceil(4)).map(|index| format!("{}", -40.0 + index as f64 * 0.5)).collect();
    format!(
        r#"
title = "Large run"
[interface]
generation = "DDR4"
lanes = 8
[interface.read]
taps = 16
taps_per_ui = 8
vref_steps = 10
vref_start_percent = 50.0
vref_step_percent = 4.0
[[module]]
name = "Amber"
kind = "UDIMM"
rated = 2666
[[channel]]
name = "direct"
fits = ["UDIMM"]
[[channel]]
name = "risers"
risers = 1
fits = ["UDIMM"]
[matrix]
rate = [2133, 2400]
temperature_degc = [{}]
[training]
fewest_taps = 1
fewest_steps = 1
[capture]
mode = "raster"
ber_limit = 1e-3
[repeats]
repeats = {REPEATS}
[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"
"#,
        temperatures.join(", ")
    )
}

struct Ran {
    seconds: f64,
    peak_mb: f64,
}

fn run(folder: &Path, jobs: usize, threads: usize, into: &str) -> Ran {
    let file = folder.join(format!("{jobs}.toml"));
    std::fs::write(&file, plan(jobs)).expect("a plan");
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_nightbench"))
        .current_dir(folder)
        .args(["run", file.to_str().expect("a path"), "--into", into, "--threads", &threads.to_string()])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program");
    let mut peak_kb = 0;
    let code = loop {
        // The high-water mark of the resident memory as the system keeps it (Linux).
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
        let mark = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        if let Some(kb) = mark.and_then(|text| text.trim().trim_end_matches(" kB").parse::<u64>().ok()) {
            peak_kb = peak_kb.max(kb);
        }
        if let Some(status) = child.try_wait().expect("a child") {
            break status.code();
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    assert!(matches!(code, Some(0 | 1)), "the run ended with {code:?}");
    Ran { seconds: begun.elapsed().as_secs_f64(), peak_mb: peak_kb as f64 / 1024.0 }
}

fn main() {
    let jobs: usize = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(100_000);
    let folder: PathBuf = std::env::temp_dir().join(format!("nightbench-bench-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    println!("{:>8} jobs  {:>7}  {:>9}  {:>11}  {:>8}", "", "threads", "seconds", "us a job", "peak MB");
    let show = |jobs: usize, threads: usize, ran: &Ran| {
        println!(
            "{jobs:>8} jobs  {threads:>7}  {:>9.1}  {:>11.0}  {:>8.0}",
            ran.seconds,
            1e6 * ran.seconds / jobs as f64,
            ran.peak_mb
        );
    };
    let mut last = String::new();
    for size in [jobs / 4, jobs / 2, jobs] {
        last = format!("two-{size}");
        show(size, 2, &run(&folder, size, 2, &last));
    }
    let quarter = jobs / 4;
    let (one, two) = (run(&folder, quarter, 1, "one"), run(&folder, quarter, 2, "again"));
    show(quarter, 1, &one);
    println!("two threads: {:.2} times one", one.seconds / two.seconds);
    let mut times = Vec::new();
    for _ in 0..5 {
        let begun = Instant::now();
        let output = Command::new(env!("CARGO_BIN_EXE_nightbench"))
            .current_dir(&folder)
            .args(["status", &last, "--json"])
            .output()
            .expect("the program");
        assert!(output.status.success());
        times.push(begun.elapsed().as_secs_f64() * 1e3);
    }
    times.sort_by(f64::total_cmp);
    println!("status: {:.0} ms (median of 5; goal 200 ms)", times[2]);
    let begun = Instant::now();
    let store = Store::open(&folder.join(&last)).expect("a store");
    println!("open and check: {:.2} s (goal 2 s)", begun.elapsed().as_secs_f64());
    let begun = Instant::now();
    assert_eq!(store.reader().done_keys().expect("keys").len(), jobs);
    println!("list of finished jobs: {:.0} ms", begun.elapsed().as_secs_f64() * 1e3);
    let size: u64 = std::fs::metadata(store.reader().path()).map_or(0, |file| file.len());
    println!("store: {:.0} MB", size as f64 / 1e6);
    drop(store);
    let _ = std::fs::remove_dir_all(&folder);
}
