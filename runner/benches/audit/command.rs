//! False alarms of `compare` through the commands themselves: a plan is run twice with different seeds, and the second run compared
//! with the first, by the program as people call it. Nothing has changed: what is called worse is a false alarm.

use crate::cases::plan;
use crate::rows::{Claim, Row};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Asked for by name only: thousands of processes.
pub const NAME: &str = "commands: an unchanged rerun ends with 1 (worse)";

/// The exit code of a command.
fn nightbench(dir: &Path, arguments: &[&str]) -> i32 {
    let status = Command::new(env!("CARGO_BIN_EXE_nightbench"))
        .current_dir(dir)
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .expect("the program starts");
    status.code().expect("an exit code")
}

/// One pair of runs of a chip: the exit of `compare`. 0 is shown not worse, 1 worse, 3 undecided.
fn pair(folder: &Path, number: u64) -> i32 {
    let dir: PathBuf = folder.join(number.to_string());
    std::fs::create_dir_all(&dir).expect("a folder");
    let text =
        plan(&format!("chip {}", number % 50), "DDR4", 4, "2400", &["read"], "[repeats]\nre_seats = 3\n");
    std::fs::write(dir.join("plan.toml"), text).expect("written");
    for (into, seed) in [("a", 2 * number + 1), ("b", 2 * number + 2)] {
        let code = nightbench(&dir, &["run", "plan.toml", "--into", into, "--seed", &seed.to_string()]);
        assert!(matches!(code, 0 | 1), "run ends with {code} in {}", dir.display());
    }
    let code = nightbench(&dir, &["compare", "a", "b"]);
    assert!(matches!(code, 0 | 1 | 3), "compare ends with {code} in {}", dir.display());
    std::fs::remove_dir_all(&dir).expect("removed");
    code
}

/// Rows over the pairs of these numbers.
pub fn rows(pairs: impl ParallelIterator<Item = u64>) -> Vec<Row> {
    let folder = std::env::temp_dir().join(format!("nightbench-pairs-{}", std::process::id()));
    let codes: Vec<i32> = pairs.map(|number| pair(&folder, number)).collect();
    std::fs::remove_dir_all(&folder).expect("removed");
    let mut worse = Row::new(NAME, Claim::AtMost(0.05));
    let mut shown = Row::new("commands: an unchanged rerun ends with 0 (not worse)", Claim::Information);
    for code in codes {
        worse.count(code == 1);
        shown.count(code == 0);
    }
    vec![worse, shown]
}
