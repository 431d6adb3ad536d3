//! Units measured once and kept: a file of lines that a later call reads back and goes on with.

use nightbench_core::line::UnitOutcome;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::time::Instant;

/// Units between two writes, and between two words about it.
const CHUNK: usize = 64;
const TOLD: usize = 1024;

/// A unit whose corners are known, and what the line's look showed of it.
#[derive(Serialize, Deserialize)]
pub struct Known {
    pub name: String,
    pub fault: Option<String>,
    pub corner: f64,
    pub outcome: UnitOutcome,
}

/// The first `count` units of a file; those it does not hold are measured and added.
pub fn known(
    keep: Option<&Path>,
    name: &str,
    count: usize,
    measure: impl Fn(usize) -> Known + Sync,
) -> Vec<Known> {
    let path = keep.map(|dir| dir.join(format!("{name}.jsonl")));
    let mut units: Vec<Known> = Vec::new();
    if let Some(file) = path.as_ref().and_then(|path| File::open(path).ok()) {
        let lines = BufReader::new(file).lines().map_while(Result::ok).take(count);
        units.extend(lines.map_while(|line| serde_json::from_str(&line).ok()));
    }
    if units.len() >= count {
        return units;
    }
    // Written anew: what a break tore off is gone.
    let mut file = path.map(|path| File::create(path).expect("a file"));
    let mut write = |units: &[Known]| {
        let Some(file) = &mut file else { return };
        let line = |unit: &Known| serde_json::to_string(unit).expect("text") + "\n";
        file.write_all(units.iter().map(line).collect::<String>().as_bytes()).expect("written");
    };
    write(&units);
    let begin = Instant::now();
    let from = units.len();
    for at in (from..count).step_by(CHUNK) {
        let more: Vec<Known> = (at..count.min(at + CHUNK)).into_par_iter().map(&measure).collect();
        write(&more);
        units.extend(more);
        if (units.len() - from) % TOLD < CHUNK && count > TOLD {
            eprintln!("{name}: {} of {count}, {:.0} s", units.len(), begin.elapsed().as_secs_f64());
        }
    }
    units
}
