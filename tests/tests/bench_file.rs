//! The commented bench file that shows every key: sound, complete, and what it describes can be previewed.

use crate::support::{Folder, SMALL, nightbench};
use plan::bench_file::{Action, BenchFile, Transport};
use std::path::{Path, PathBuf};

const EXAMPLE: &str = include_str!("../../drivers/bench/agent/every-key-bench.toml");

fn keys() -> Vec<String> {
    let bare = |line: &str| line.strip_prefix("# ").unwrap_or(line).to_string();
    let key = |line: String| line.split_once(" = ").map(|(key, _)| key.to_string());
    EXAMPLE.lines().map(bare).filter_map(key).collect()
}

#[test]
fn the_example_is_sound_and_narrow() {
    let bench = BenchFile::read(EXAMPLE).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"));
    assert_eq!((bench.instruments.len(), bench.rails.len(), bench.sensors.len()), (4, 4, 2));
    let transports: Vec<&Transport> = bench.instruments.iter().map(|one| &one.transport).collect();
    assert!(matches!(transports[0], Transport::Serial { baud: 19_200, .. }));
    assert!(matches!(transports[2], Transport::Usbtmc { .. }));
    // A template names its channel, so that nothing has to be selected before it.
    let supply = &bench.instruments[1].profile;
    assert!(!supply.needs_select(Action::SetVoltage));
    assert_eq!(supply.command(Action::SetVoltage, Some("2"), Some(1.2)).unwrap(), "VOLT 1.2000,(@2)");
    let other = EXAMPLE
        .replace("humidity_percent = 40 ", "# humidity_percent = 40 ")
        .replace("# dew_point_degc", "dew_point_degc")
        .replace("command = [\"python3\"", "# command = [\"python3\"")
        .replace("# tcp = ", "tcp = ");
    BenchFile::read(&other).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"));
    assert!(EXAMPLE.lines().all(|line| line.chars().count() <= 130), "a line is too wide to read");
}

/// The readers' source names no key that the example lacks.
#[test]
fn every_key_in_the_readers_source_is_in_the_example() {
    let keys = keys();
    let tables = |key: &str| EXAMPLE.contains(&format!("[{key}]"));
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../plans/plan/src/bench_file");
    let mut seen = 0;
    for file in ["mod.rs", "instruments.rs", "profile.rs", "safety.rs", "transport.rs"] {
        let path: PathBuf = folder.join(file);
        let source = std::fs::read_to_string(&path).expect("source");
        let source = source.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
        for reader in [
            "text", "number", "whole", "flag", "choice", "choices", "texts", "table", "tables", "required",
            "read",
        ] {
            for (place, _) in source.match_indices(&format!("{reader}(")) {
                let rest = source[place + reader.len() + 1..].trim_start();
                let Some(rest) = rest.strip_prefix('"') else { continue };
                let key = rest.split('"').next().unwrap_or_default();
                if key.is_empty()
                    || !key.bytes().all(|byte| byte.is_ascii_lowercase() || b"_0123456789".contains(&byte))
                {
                    continue;
                }
                seen += 1;
                assert!(
                    keys.iter().any(|known| known == key) || tables(key),
                    "{file}: `{key}` is not in the example"
                );
            }
        }
    }
    assert!(seen > 50, "{seen}");
    for (key, _) in Action::ALL {
        assert!(keys.iter().any(|known| known == key), "the action `{key}` is not in the example");
    }
}

/// A file that lacks a line, or ends somewhere, is read or refused with words; nothing panics.
#[test]
fn a_damaged_bench_file_is_read_or_refused_with_words() {
    let lines: Vec<&str> = EXAMPLE.lines().collect();
    let mut refused = 0;
    for left_out in 0..lines.len() {
        let rest: Vec<&str> =
            lines.iter().enumerate().filter(|(at, _)| *at != left_out).map(|(_, line)| *line).collect();
        if let Err(mistakes) = BenchFile::read(&rest.join("\n")) {
            refused += 1;
            assert!(!mistakes.is_empty() && mistakes.iter().all(|mistake| !mistake.message.is_empty()));
        }
    }
    // Every limit is required, so many lines cannot be missed.
    assert!(refused > 30, "{refused}");
    for end in (0..EXAMPLE.len()).step_by(61).filter(|end| EXAMPLE.is_char_boundary(*end)) {
        if let Err(mistakes) = BenchFile::read(&EXAMPLE[..end]) {
            assert!(!mistakes.is_empty());
        }
    }
}

/// What it describes can be previewed: every command in the instruments' own words, no connection opened.
#[test]
fn the_example_is_previewed_in_its_own_words() {
    let folder = Folder::new();
    let plan =
        folder.file("plan.toml", &SMALL.replace("temperature_degc = [25, 60]", "temperature_degc = [30]"));
    let bench = folder.file("bench.toml", EXAMPLE);
    let run = nightbench(
        folder.path(),
        &["preview", plan.to_str().unwrap(), "--bench", bench.to_str().unwrap(), "--only", "channel=direct"],
    );
    assert_eq!(run.code, 0, "{}", run.err);
    let place = |words: &str| run.out.find(words).unwrap_or_else(|| panic!("{words}\n{}", run.out));
    // Protection, current, voltage, on, measured; the switch last; its oven counts in tenths of a degree.
    assert!(place("VOLT:PROT 1.4000,(@1)") < place("CURR 3.0000,(@1)"));
    assert!(place("CURR 3.0000,(@1)") < place("VOLT 1.2000,(@1)"));
    assert!(place("VOLT 1.2000,(@1)") < place("OUTP ON,(@1)"));
    assert!(place("OUTP ON,(@4)") < place("mains > OUTP ON"));
    assert!(place("VOLT 5.0000,(@4)") > 0 && place("oven > R=50") < place("oven > T=300"));
    assert!(place("mounting check, at ambient") < place("job 1 of"));
    // Off: the switch before the rails, the last rail first.
    let end = &run.out[place("end: make safe")..];
    let off = |words: &str| end.find(words).unwrap_or_else(|| panic!("{words}\n{end}"));
    assert!(off("mains > OUTP OFF") < off("OUTP OFF,(@4)"));
    assert!(off("OUTP OFF,(@4)") < off("OUTP OFF,(@1)"));
    assert!(end.contains("oven > T=230"), "the set point ends at ambient\n{end}");
}
