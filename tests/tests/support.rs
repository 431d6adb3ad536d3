//! A folder of its own for each test, and the program run in it.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::atomic::{AtomicU32, Ordering};

/// A folder that is removed at the end of a test.
pub struct Folder(PathBuf);

static NEXT: AtomicU32 = AtomicU32::new(0);

impl Folder {
    /// An empty folder.
    pub fn new() -> Folder {
        Folder::within(std::env::temp_dir())
    }
    /// An empty folder in memory where there is such a place: many small runs need not wait for a disk.
    pub fn in_memory() -> Folder {
        let memory = PathBuf::from("/dev/shm");
        Folder::within(if memory.is_dir() { memory } else { std::env::temp_dir() })
    }
    fn within(place: PathBuf) -> Folder {
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let path = place.join(format!("nightbench-test-{}-{number}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).expect("a temporary folder");
        Folder(path)
    }
    pub fn path(&self) -> &Path {
        &self.0
    }
    /// Writes a file in it and returns the path.
    pub fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::write(&path, text).expect("a temporary file");
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// How much the long tests do: `NIGHTBENCH_EFFORT` = `ci` or `all`; a sample where it is not set.
pub fn effort<T>(sample: T, ci: T, all: T) -> T {
    match std::env::var("NIGHTBENCH_EFFORT").as_deref() {
        Err(_) => sample,
        Ok("ci") => ci,
        Ok("all") => all,
        Ok(other) => panic!("NIGHTBENCH_EFFORT is `{other}`; known: ci, all"),
    }
}

/// Is an outside program or right missing that a check needs? Says so; with `NIGHTBENCH_OUTSIDE=1` that is a failure.
pub fn missing(what: &str) {
    assert!(
        std::env::var_os("NIGHTBENCH_OUTSIDE").is_none(),
        "{what} is missing, and NIGHTBENCH_OUTSIDE asks for it"
    );
    println!("not checked: {what} is missing");
}

/// Where a test's runs remember its benches: in its own folder, which is the working directory.
pub const STATE: (&str, &str) = ("NIGHTBENCH_STATE", "benches");

/// The program under test.
pub fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_nightbench-tested"));
    command.env(STATE.0, STATE.1);
    command
}

/// What the program did.
pub struct Run {
    /// Exit code.
    pub code: i32,
    /// Data.
    pub out: String,
    /// Messages.
    pub err: String,
}

/// Runs the program in a folder.
pub fn nightbench(folder: &Path, arguments: &[&str]) -> Run {
    let output: Output = program().current_dir(folder).args(arguments).output().expect("the program starts");
    Run {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Runs the program on a pseudo-terminal (`tests/outside/terminal.py`) with these answers, commas between; `None` where Python is
/// missing.
pub fn at_a_terminal(folder: &Path, words: &[&str], answers: &str) -> Option<(Option<i32>, String)> {
    let python =
        Command::new("python3").arg("--version").output().is_ok_and(|output| output.status.success());
    if !python {
        missing("python3");
        return None;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("outside/terminal.py");
    let output = Command::new("python3")
        .current_dir(folder)
        .arg(script)
        .arg(answers)
        .arg(env!("CARGO_BIN_EXE_nightbench-tested"))
        .args(words)
        .env("TERM", "dumb")
        .env(STATE.0, STATE.1)
        .output()
        .expect("the terminal starts");
    Some((output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned()))
}

/// The one JSON object on stdout.
pub fn json(run: &Run) -> serde_json::Value {
    serde_json::from_str(run.out.trim()).unwrap_or_else(|error| panic!("{error}: {}\n{}", run.out, run.err))
}

/// A plan of a few small jobs: eight lanes on a coarse grid.
pub const SMALL: &str = r#"
title = "Small"

[interface]
generation = "DDR4"
lanes = 8

[interface.read]
taps = 32
taps_per_ui = 16
vref_steps = 24
vref_start_percent = 50.0
vref_step_percent = 1.7

[[module]]
name = "Amber"
kind = "UDIMM"
rated = 2666

[[module]]
name = "Birch"
kind = "SODIMM"
rated = 2400

[[channel]]
name = "direct"
fits = ["UDIMM"]

[[channel]]
name = "risers"
risers = 2
fits = ["UDIMM"]

[matrix]
rate = [2133, 2400]
temperature_degc = [25, 60]

[capture]
mode = "raster"
ber_limit = 1e-4

[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"

[[limit]]
metric = "height"
minimum = 8.0
unit = "% VDDQ"
source = "invented"
"#;
