//! Do the printed probabilities come true? Invented chips are measured again and again on the simulated target, judged as
//! a run is, and every claim is counted against what is true of them by the exact surfaces of the physics.
//!
//! `cargo bench -p runner --bench audit` prints the table of reports/REPORT.md (half an hour on two cores); `-- short` has
//! fewer seeds (five minutes) and fails when a row is wrong; `-- KEEP DIR` keeps what was measured, so that it need only be
//! judged again.

mod cases;
mod eyes;
mod fast;
mod kept;
mod rows;
mod truth;
mod worst;

use rayon::prelude::*;
use std::path::PathBuf;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let short = arguments.iter().any(|word| word == "short");
    let only = arguments.iter().position(|word| word == "only").and_then(|at| arguments.get(at + 1));
    let keep = arguments.iter().position(|word| word == "keep").and_then(|at| arguments.get(at + 1));
    let keep = keep.map(PathBuf::from);
    if let Some(keep) = &keep {
        std::fs::create_dir_all(keep).expect("a folder");
    }
    let mut rows = Vec::new();
    // Fast captures are no part of the short row, unless they are asked for.
    let fast = if short && only.is_none() { Vec::new() } else { fast::cases(short) };
    for case in cases::cases(short).into_iter().chain(fast) {
        if only.is_some_and(|only| !case.name.contains(only.as_str())) {
            continue;
        }
        let begun = std::time::Instant::now();
        let chips: Vec<Vec<rows::Row>> = (0..case.chips)
            .into_par_iter()
            .map(|chip| worst::rows(case.name, &eyes::measure(&case, chip, keep.as_deref()), chip))
            .collect();
        chips.into_iter().for_each(|chip| worst::add(&mut rows, chip));
        eprintln!("{}: {:.0} s", case.name, begun.elapsed().as_secs_f64());
    }
    let sound = rows::print(&rows);
    if short && !sound {
        std::process::exit(1);
    }
}
