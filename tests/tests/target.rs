//! The simulated target end to end: DDR5 with sub-channels and DFE, held training, starts, patterns, chips, supplies.

use crate::support::{Folder, SMALL, json, nightbench};
use std::path::Path;

/// A DDR5 interface of two sub-channels on a coarse grid.
const DDR5: &str = r#"
title = "Small DDR5"

[interface]
generation = "DDR5"
lanes = 48
dfe = true

[interface.read]
taps = 32
taps_per_ui = 16
vref_steps = 32
vref_start_percent = 55.0
vref_step_percent = 1.0

[[chip]]
name = "P1"

[[chip]]
name = "P2"

[[module]]
name = "Rowan"
kind = "UDIMM"
rated = 5600

[[channel]]
name = "riser"
risers = 1
fits = ["UDIMM"]
[channel.model]
riser_len_mm = 16.0

[matrix]
chip = ["P1"]
rate = [4800]
temperature_degc = [25]

[capture]
mode = "raster"
ber_limit = 1e-4

[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"
"#;

/// The columns asked for of every row with a measurement.
fn rows(folder: &Path, dir: &str, columns: &[&str]) -> Vec<Vec<String>> {
    let run = nightbench(folder, &["export", dir, "--as", "csv"]);
    assert_eq!(run.code, 0, "{}", run.err);
    let mut lines = run.out.lines().map(|line| line.split(',').map(str::to_string).collect::<Vec<_>>());
    let head = lines.next().unwrap();
    let places: Vec<usize> = columns
        .iter()
        .map(|name| head.iter().position(|known| known == name).unwrap_or_else(|| panic!("{name}: {head:?}")))
        .collect();
    lines.map(|row| places.iter().map(|place| row[*place].clone()).collect()).collect()
}

/// Mean width in ps over the lanes of a run of `plan`.
fn mean_width(folder: &Folder, name: &str, plan: &str) -> f64 {
    let path = folder.file(&format!("{name}.toml"), plan);
    let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", name]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let widths: Vec<f64> =
        rows(folder.path(), name, &["width_ps"]).iter().map(|row| row[0].parse().unwrap_or(0.0)).collect();
    widths.iter().sum::<f64>() / widths.len() as f64
}

#[test]
fn ddr5_sub_channels_and_the_dfe() {
    let folder = Folder::new();
    let with = mean_width(&folder, "with", DDR5);
    let subs = rows(folder.path(), "with", &["sub_channel", "lane"]);
    assert_eq!(subs.iter().filter(|row| row[0] == "A").count(), 24);
    assert_eq!(subs.iter().filter(|row| row[0] == "B").count(), 24);
    let page = std::fs::read_to_string(folder.path().join("with/report.html")).unwrap();
    for words in ["CA training", "CS training", "write levelling", "DQS gate", "riser_len_mm of riser"] {
        assert!(page.contains(words), "the report speaks of {words}");
    }
    let without = mean_width(&folder, "without", &DDR5.replace("dfe = true", "dfe = false"));
    assert!(with > without, "{with} ps with, {without} ps without");
    assert!(with > 20.0, "an eye: {with} ps");
}

/// The small plan with its command lines captured and judged.
pub fn with_command_lines() -> String {
    let sweep = "[interface.command]\ntaps = 32\ntaps_per_ui = 16\nvref_steps = 64\nvref_start_percent = 55.0\n\
                 vref_step_percent = 0.5\n\n[[chip]]\nname = \"P1\"";
    let limit = "\n[[limit]]\nmetric = \"width\"\ndirection = \"command\"\nminimum = 0.5\nunit = \"UI\"\nsource = \"invented\"\n";
    DDR5.replace("lanes = 48", "lanes = 16")
        .replace("[[chip]]\nname = \"P1\"", sweep)
        .replace("risers = 1", "risers = 0")
        .replace("mode = \"raster\"", "directions = [\"read\", \"command\"]\nmode = \"raster\"")
        + limit
}

/// Command lines are eyes of their own, with their own limit, from the training to the export, the page and a run continued.
#[test]
fn command_lines_are_captured_and_judged_like_data_lanes() {
    let folder = Folder::new();
    let plan = with_command_lines();
    let path = folder.file("plan.toml", &plan);
    let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "d", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let eyes = rows(folder.path(), "d", &["direction", "lane", "width_ps"]);
    let of = |direction: &str| eyes.iter().filter(|row| row[0] == direction).count();
    assert_eq!((of("read"), of("command")), (16, 14), "{eyes:?}");
    for row in eyes.iter().filter(|row| row[0] == "command") {
        // The bit time of a command line is tCK, 416.7 ps.
        let width: f64 = row[2].parse().expect("a width");
        assert!((150.0..416.7).contains(&width), "{row:?}");
    }
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    for words in ["VrefCA training", "width, command", "command rank 0", "corrected inside the DRAM"] {
        assert!(page.contains(words), "the report speaks of {words}");
    }
    // A limit that no command line keeps fails the condition, whatever its read eye does.
    let strict = plan.replace("minimum = 0.5", "minimum = 0.99");
    let path = folder.file("strict.toml", &strict);
    let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "strict", "--json"]);
    let told = json(&run);
    assert_eq!((run.code, told["verdicts"]["fail"].as_u64()), (1, Some(1)), "{told}");
    assert!(told["worst"]["lane"].is_number(), "{told}");
    for (command, words) in [(["why", "d"], "command rank 0"), (["report", "d"], ""), (["status", "d"], "")] {
        let run = nightbench(folder.path(), &command);
        assert!(
            [0, 1].contains(&run.code) && run.out.contains(words),
            "{command:?}: {} {}",
            run.out,
            run.err
        );
    }
}

#[test]
fn chips_are_a_factor_and_differ() {
    let folder = Folder::new();
    let path = folder.file("plan.toml", &DDR5.replace("chip = [\"P1\"]\n", ""));
    let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "d", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    assert_eq!(json(&run)["jobs"], 2);
    let of = |chip: &str| -> Vec<String> {
        rows(folder.path(), "d", &["chip", "width_ps"])
            .into_iter()
            .filter(|row| row[0] == chip)
            .map(|row| row[1].clone())
            .collect()
    };
    assert_eq!((of("P1").len(), of("P2").len()), (48, 48));
    assert_ne!(of("P1"), of("P2"), "each chip is a draw of its own");
    // The same name is the same chip under every seed: widths stay close, lane by lane.
    let other = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "e", "--seed", "7"]);
    assert!([0, 1].contains(&other.code));
    let seen: Vec<f64> = of("P1").iter().map(|width| width.parse().unwrap()).collect();
    let again: Vec<f64> =
        rows(folder.path(), "e", &["width_ps"]).iter().take(48).map(|row| row[0].parse().unwrap()).collect();
    let apart = seen.iter().zip(&again).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    // Counting and mounting move each of a width's two edges by at most about a tap of 13 ps.
    assert!(apart < 30.0, "{apart} ps");
}

#[test]
fn a_symmetric_supply_corner_leaves_ddr5s_limits() {
    let folder = Folder::new();
    let supply = |volts: &str| {
        DDR5.replace(
            "[[chip]]\nname = \"P1\"",
            &format!(
                "[[supply]]\nname = \"low\"\nvdd_v = {volts}\nvddq_v = {volts}\n\n[[chip]]\nname = \"P1\""
            ),
        )
    };
    let path = folder.file("plan.toml", &supply("1.045"));
    let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("1.045 V") && run.err.contains("1.067 V to 1.166 V"), "{}", run.err);
    folder.file("plan.toml", &supply("1.067"));
    assert_eq!(nightbench(folder.path(), &["check", path.to_str().unwrap()]).code, 0);
    // DDR4: 1.14 V is the lower limit.
    let ddr4 =
        SMALL.replace("[matrix]", "[[supply]]\nname = \"low\"\nvdd_v = 1.13\nvddq_v = 1.13\n\n[matrix]");
    let path = folder.file("ddr4.toml", &ddr4);
    let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("1.140 V to 1.260 V"), "{}", run.err);
}

/// One condition of the small DDR4 plan.
fn one(edit: impl Fn(String) -> String) -> String {
    let text = SMALL
        .replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"risers\"]\nrate = [2400]")
        .replace("[25, 60]", "[25, 95]")
        .replace("taps = 32", "taps = 128")
        .replace("taps_per_ui = 16", "taps_per_ui = 64");
    edit(text)
}

/// Held from 25 degC, the eye at 95 degC is measured with the settings of 25 degC: its width is about the same, while the
/// operating point stands off centre.
#[test]
fn training_can_be_held_from_a_named_condition() {
    let folder = Folder::new();
    let held = one(|text| text + "\n[training]\npolicy = \"held\"\nheld_temperature_degc = 25\n");
    let fresh = mean_width(&folder, "fresh", &one(|text| text));
    let drifted = mean_width(&folder, "held", &held);
    assert!((drifted / fresh - 1.0).abs() < 0.1, "{drifted} {fresh}");
    let wrong = one(|text| text + "\n[training]\npolicy = \"held\"\nheld_temperature_degc = 40\n");
    let path = folder.file("wrong.toml", &wrong);
    let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("not a temperature of the matrix"), "{}", run.err);
}

#[test]
fn every_start_is_a_job_and_failed_ones_are_counted() {
    let folder = Folder::new();
    // Coupling that puts the eye at the edge of what trains.
    let marginal = one(|text| {
        text.replace("[25, 95]", "[25]")
            + "\n[repeats]\nstarts = 12\nstart = \"power cycle\"\n\n[training]\nfewest_taps = 36\n"
    });
    let path = folder.file("plan.toml", &marginal);
    let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "d", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    assert_eq!(json(&run)["jobs"], 12);
    let status = json(&nightbench(folder.path(), &["status", "d", "--json"]));
    let failed = status["jobs_training_failed"].as_u64().unwrap();
    let measured = status["jobs_measured"].as_u64().unwrap();
    assert_eq!(failed + measured, 12);
}

/// A short sequence holds fewer interference patterns than random data, so its eye is no narrower; a clock's is widest.
#[test]
fn patterns_are_a_factor() {
    let folder = Folder::new();
    let text = one(|text| {
        text.replace("[25, 95]", "[25]\npattern = [\"PRBS31\", \"PRBS7\", \"fixed 01\", \"victim/aggressor\", \"data-bus inversion\"]")
    });
    let path = folder.file("plan.toml", &text);
    let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "d"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let table = rows(folder.path(), "d", &["pattern", "width_ps"]);
    let mean = |pattern: &str| {
        let widths: Vec<f64> =
            table.iter().filter(|row| row[0] == pattern).map(|row| row[1].parse().unwrap()).collect();
        assert_eq!(widths.len(), 8, "{pattern}: {table:?}");
        widths.iter().sum::<f64>() / 8.0
    };
    assert!(mean("fixed 01") > mean("PRBS31"));
    // A lane's width repeats to about 3 ps here: three standard deviations of a difference of two means of eight.
    assert!(mean("PRBS7") >= mean("PRBS31") - 4.5, "{} {}", mean("PRBS7"), mean("PRBS31"));
    assert!(mean("PRBS7") < mean("fixed 01"));
    assert!(mean("victim/aggressor") < mean("PRBS31"));
}

#[test]
fn model_values_are_checked_with_their_place() {
    let folder = Folder::new();
    for (model, words) in [
        ("riser_len_mm = -3.0", "riser_len_mm is -3 mm"),
        ("riser_lenght_mm = 3.0", "'riser_len_mm'"),
        ("n_taps = 80", "set by [interface]"),
        ("rx_noise_mv = \"much\"", "not a number"),
    ] {
        let path = folder.file("plan.toml", &format!("{SMALL}\n[model]\n{model}\n"));
        let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
        assert_eq!(run.code, 2, "{model}");
        assert!(run.err.contains(words) && run.err.contains("plan.toml:"), "{model}: {}", run.err);
    }
}

/// Source: stored check numbers (binomial distribution): no error in 2^20 bits at 1e-6; its upper 95 % limit; bits for
/// 95 % confidence at 1e-9.
#[test]
fn binomial_check_numbers() {
    use nightbench_core::point_rule::PointRule;
    use statistics::proportion::exact_interval;
    let bits = 1u64 << 20;
    let none = (bits as f64 * (-1e-6f64).ln_1p()).exp();
    assert!((none - 0.350436232).abs() < 1e-9, "{none}");
    let upper = exact_interval(0, bits, 0.90).unwrap().upper;
    assert!((upper / 2.856948847e-06 - 1.0).abs() < 1e-6, "{upper}");
    let rule = PointRule::error_free(1e-9, 0.95).clean_bits() as f64;
    assert!((rule / 2.995732e+09 - 1.0).abs() < 1e-6, "{rule}");
}
