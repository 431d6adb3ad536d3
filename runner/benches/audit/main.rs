//! Do the printed probabilities come true? Invented chips are measured again and again on the simulated target, judged as
//! a run is, and every claim is counted against what is true of them by the exact surfaces of the physics.
//!
//! `cargo bench -p runner --bench audit` prints the table of reports/AUDIT.md (half an hour on two cores); `-- short` has
//! fewer seeds (five minutes) and fails when a row is wrong; `-- KEEP DIR` keeps what was measured, so that it need only be
//! judged again; `-- bias` prints how far readings lie off; `-- only commands` counts 1,000 unchanged reruns through `run` and
//! `compare` themselves (`pairs 250 chips 500`: a part of them). `-- chips N` numbers the invented chips from N on: other silicon,
//! contacts, noise and limits, so that a remedy is judged by chips that it was not tuned on.

mod bias;
mod cases;
mod command;
#[path = "../support/cubic.rs"]
mod cubic;
mod eyes;
mod fast;
mod gain;
mod hours;
mod kept;
mod nights;
mod pairs;
mod rows;
mod starts;
mod tolerance;
mod truth;
mod widths;
mod worst;

use nightbench_core::results::CaptureMode;
use rayon::prelude::*;
use std::path::PathBuf;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let short = arguments.iter().any(|word| word == "short");
    let only = arguments.iter().position(|word| word == "only").and_then(|at| arguments.get(at + 1));
    let keep = arguments.iter().position(|word| word == "keep").and_then(|at| arguments.get(at + 1));
    let keep = keep.map(PathBuf::from);
    let number = |name: &str, or: u64| {
        let at = arguments.iter().position(|word| word == name).and_then(|at| arguments.get(at + 1));
        at.map_or(or, |word| word.parse().unwrap_or_else(|_| panic!("`{name}` and a number, not `{word}`")))
    };
    let first = number("chips", 0);
    let numbers = |count: u64| (first..first + count).into_par_iter();
    if let Some(keep) = &keep {
        std::fs::create_dir_all(keep).expect("a folder");
    }
    let mut biases = arguments.iter().any(|word| word == "bias").then(bias::Biases::default);
    let mut rows = Vec::new();
    // Fast captures and other interfaces are no part of the short row, unless they are asked for.
    let fast = if short && only.is_none() { Vec::new() } else { fast::cases(short) };
    let widths = if short && only.is_none() { Vec::new() } else { widths::cases() };
    for case in cases::cases(short).into_iter().chain(fast).chain(widths) {
        if only.is_some_and(|only| !case.name.contains(only.as_str())) {
            continue;
        }
        let begun = std::time::Instant::now();
        let chips: Vec<_> = numbers(case.chips)
            .map(|chip| {
                let measured = eyes::measure(&case, chip, keep.as_deref());
                (worst::rows(case.name, &measured, chip), biases.is_some().then_some(measured))
            })
            .collect();
        let mut measured = Vec::new();
        for (chip, of_chip) in chips {
            worst::add(&mut rows, chip);
            measured.extend(of_chip);
        }
        if let Some(biases) = &mut biases {
            measured.iter().for_each(|chip| biases.add(case.name, chip));
            if let Some(together) = bias::mountings_go_together(&measured) {
                println!(
                    "{}: mountings differ alike at both conditions, correlation {together:.2}",
                    case.name
                );
            }
        }
        eprintln!("{}: {:.0} s", case.name, begun.elapsed().as_secs_f64());
    }
    let asked = |name: &str| only.is_none_or(|only| name.contains(only.as_str()));
    let mut curves = pairs::Curves::default();
    for case in pairs::cases(short).into_iter().filter(|case| asked(case.name)) {
        let begun = std::time::Instant::now();
        let chips: Vec<_> = numbers(case.chips)
            .map(|chip| {
                let mut curves = pairs::Curves::default();
                let rows = curves.add(case.name, &eyes::measure(&case, chip, keep.as_deref()), chip);
                (rows, curves)
            })
            .collect();
        for (of_chip, of_curves) in chips {
            worst::add(&mut rows, of_chip);
            curves.append(of_curves);
        }
        eprintln!("{}: {:.0} s", case.name, begun.elapsed().as_secs_f64());
    }
    curves.print();
    let units = tolerance::case();
    if asked(units.name) && (!short || only.is_some()) {
        let begun = std::time::Instant::now();
        let all: Vec<[tolerance::Unit; 2]> = numbers(units.chips)
            .filter_map(|chip| {
                let measured = eyes::measure(&units, chip, keep.as_deref());
                let planted = worst::bad_lane(rows::uniform(&[chip, 1002]));
                let of = |planted| tolerance::Unit::of(&measured, planted);
                Some([of(None)?, of(Some(planted))?])
            })
            .collect();
        let (sound, bad): (Vec<_>, Vec<_>) = all.into_iter().map(<(_, _)>::from).unzip();
        rows.extend(tolerance::rows(&sound, ""));
        rows.extend(tolerance::rows(&bad, ", a bad lane"));
        eprintln!("{}: {:.0} s", units.name, begun.elapsed().as_secs_f64());
    }
    if asked("failed starts") {
        let begun = std::time::Instant::now();
        // Failed starts take long: a bad lane's are no part of the short table.
        for bad in [false, true].into_iter().filter(|bad| !(short && *bad)) {
            let chips: Vec<_> =
                numbers(24).map(|chip| starts::rows(chip, bad, if short { 8 } else { 40 })).collect();
            chips.into_iter().for_each(|chip| worst::add(&mut rows, chip));
        }
        eprintln!("failed starts: {:.0} s", begun.elapsed().as_secs_f64());
    }
    if asked("gain") {
        let begun = std::time::Instant::now();
        for (case, plan) in gain::PLANS {
            for bad in [false, true] {
                let chips: Vec<_> = numbers(if short { 4 } else { 24 })
                    .map(|chip| gain::rows(case, plan, bad, chip, if short { 3 } else { 5 }))
                    .collect();
                chips.into_iter().for_each(|chip| worst::add(&mut rows, chip));
            }
        }
        eprintln!("gain: {:.0} s", begun.elapsed().as_secs_f64());
    }
    if asked("hours") {
        let begun = std::time::Instant::now();
        let of = |bad| -> Vec<_> {
            let plans = numbers(if short { 4 } else { 48 });
            plans.flat_map(|number| hours::took(number, CaptureMode::Exact, bad)).collect()
        };
        let took = of(false);
        rows.extend(hours::rows(&took, ""));
        rows.extend(hours::rows(&of(true), ", a bad lane"));
        rows.extend(nights::rows(first, if short { 240 } else { 1200 }, &took));
        eprintln!("hours: {:.0} s", begun.elapsed().as_secs_f64());
    }
    if only.is_some_and(|only| command::NAME.contains(only.as_str())) {
        let begun = std::time::Instant::now();
        rows.extend(command::rows(first..first + number("pairs", if short { 20 } else { 1000 })));
        eprintln!("commands: {:.0} s", begun.elapsed().as_secs_f64());
    }
    if let Some(biases) = &biases {
        biases.print();
    }
    rows.sort_by(|a, b| a.name.cmp(&b.name));
    rows::print_goals(&rows);
    rows::print_brier(&rows);
    let sound = rows::print(&rows);
    if short && !sound {
        std::process::exit(1);
    }
}
