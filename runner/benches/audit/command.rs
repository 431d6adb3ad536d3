//! False alarms of `compare` through the commands themselves: a plan is run twice with different seeds, and the second run compared
//! with the first, by the program as people call it. Where nothing has changed, what is called worse is a false alarm; where the second
//! run's firmware sets one lane wrong, how often that lane is named, and no other, is the power.

use crate::cases::plan;
use crate::rows::{Claim, Row};
use rayon::prelude::*;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Asked for by name only: thousands of processes.
pub const NAME: &str = "commands: an unchanged rerun ends with 1 (worse)";
/// The lane that a faulty firmware sets too late and too high, and by how many taps; as many and a half Vref steps.
const LANE: u64 = 2;
const TAPS: [u32; 3] = [2, 3, 4];
/// One in so many pairs is run again with each fault.
const WITH_FAULT: u64 = 10;

/// A command's exit code and what it printed.
fn nightbench(dir: &Path, arguments: &[&str]) -> (i32, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_nightbench"))
        .current_dir(dir)
        .args(arguments)
        .env("RAYON_NUM_THREADS", "1")
        .stderr(Stdio::null())
        .output()
        .expect("the program starts");
    (output.status.code().expect("an exit code"), String::from_utf8_lossy(&output.stdout).into_owned())
}

/// Where folders cost no disk: a run waits for its store to be on the disk several times.
fn memory() -> PathBuf {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() { memory.into() } else { std::env::temp_dir() }
}

/// One pair of runs of a chip, the second one's lane set wrong by so many taps: the exit of `compare` (0 is shown not worse, 1 worse, 3
/// undecided), and the lanes that it names.
fn pair(folder: &Path, number: u64, taps: u32) -> (i32, Vec<u64>) {
    let dir: PathBuf = folder.join(format!("{number}-{taps}"));
    std::fs::create_dir_all(&dir).expect("a folder");
    for (into, seed, taps) in [("a", 2 * number + 1, 0), ("b", 2 * number + 2, taps)] {
        let fault = match taps {
            0 => String::new(),
            _ => format!("[[firmware.lane]]\nlane = {LANE}\ntaps = {taps}\nvref_steps = {}\n", taps * 3 / 2),
        };
        let rest = format!("[repeats]\nre_seats = 3\n[[firmware]]\nname = \"training {into}\"\n{fault}");
        let text = plan(&format!("chip {}", number % 50), "DDR4", 4, "2400", &["read"], &rest);
        std::fs::write(dir.join("plan.toml"), text).expect("written");
        let (code, _) = nightbench(
            &dir,
            &["run", "plan.toml", "--into", into, "--seed", &seed.to_string(), "--threads", "1"],
        );
        assert!(matches!(code, 0 | 1), "run ends with {code} in {}", dir.display());
    }
    let (code, told) = nightbench(&dir, &["compare", "a", "b", "--json"]);
    assert!(matches!(code, 0 | 1 | 3), "compare ends with {code} in {}", dir.display());
    std::fs::remove_dir_all(&dir).expect("removed");
    let told: serde_json::Value = serde_json::from_str(&told).expect("an object");
    let changes = told["lanes"]["changes"].as_array().expect("a list");
    let worse = changes.iter().filter(|change| change["answer"] == "worse");
    let mut lanes: Vec<u64> = worse.map(|change| change["lane"].as_u64().expect("a lane")).collect();
    lanes.sort_unstable();
    lanes.dedup();
    (code, lanes)
}

/// Rows over the pairs of these numbers.
pub fn rows(pairs: Range<u64>) -> Vec<Row> {
    let folder = memory().join(format!("nightbench-pairs-{}", std::process::id()));
    let found: Vec<(i32, Vec<u64>)> =
        pairs.clone().into_par_iter().map(|number| pair(&folder, number, 0)).collect();
    let mut worse = Row::new(NAME, Claim::AtMost(0.05));
    let mut named = Row::new("commands: an unchanged rerun names a lane", Claim::AtMost(0.05));
    let mut shown = Row::new("commands: an unchanged rerun ends with 0 (not worse)", Claim::Information);
    for (code, lanes) in found {
        worse.count(code == 1);
        named.count(!lanes.is_empty());
        shown.count(code == 0);
    }
    let mut rows = vec![worse, named, shown];
    for taps in TAPS {
        let some: Vec<u64> = pairs.clone().filter(|number| number % WITH_FAULT == 0).collect();
        let found: Vec<Vec<u64>> = some.into_par_iter().map(|number| pair(&folder, number, taps).1).collect();
        let text = |what: &str| {
            format!("commands: one lane set {taps} taps and {} steps off is named{what}", taps * 3 / 2)
        };
        let mut right = Row::new(text(""), Claim::Information);
        let mut others = Row::new(text(" with another"), Claim::AtMost(0.05));
        for lanes in found {
            right.count(lanes.contains(&LANE));
            others.count(lanes.iter().any(|lane| *lane != LANE));
        }
        rows.extend([right, others]);
    }
    std::fs::remove_dir_all(&folder).expect("removed");
    rows
}
