//! The commented plan that shows every key: it is complete, sound, and true about ranges and defaults.

use crate::support::{Folder, nightbench};
use plan::Plan;
use plan::files::Files;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const EXAMPLE: &str = include_str!("../../plans/library/every-key.toml");

/// A line of the example: the table it stands in, its key, value and comment; commented-out keys belong as well.
struct Line {
    path: String,
    key: String,
    value: String,
    comment: String,
    live: bool,
    number: usize,
}

/// A commented-out key or table header without its `# `; other comments as they are.
fn uncommented(line: &str) -> &str {
    let Some(rest) = line.strip_prefix("# ") else { return line };
    let key = rest.split_once(" = ").is_some_and(|(key, _)| !key.is_empty() && key.bytes().all(is_key));
    if key || (rest.starts_with('[') && rest.contains(']')) { rest } else { line }
}

fn is_key(byte: u8) -> bool {
    byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_'
}

fn lines() -> Vec<Line> {
    let mut path = String::new();
    let mut found = Vec::new();
    for (number, whole) in EXAMPLE.lines().enumerate() {
        let line = uncommented(whole);
        if line.starts_with('[') {
            let end = line.find(']').expect("a header ends");
            path = line[..end].trim_start_matches('[').to_string();
            continue;
        }
        if line.starts_with('#') {
            continue;
        }
        let Some((key, rest)) = line.split_once(" = ").filter(|(key, _)| key.bytes().all(is_key)) else {
            continue;
        };
        let (value, comment) = rest.split_once("  #").unwrap_or((rest, ""));
        let (value, comment) =
            if comment.is_empty() { rest.split_once(" #").unwrap_or((rest, "")) } else { (value, comment) };
        found.push(Line {
            path: path.clone(),
            key: key.trim().to_string(),
            value: value.trim().to_string(),
            comment: comment.trim().to_string(),
            live: line == whole,
            number,
        });
    }
    found
}

/// Every (table, key) of the example: keys, the tables themselves as keys of the table above, and keys of inline tables.
fn shown() -> BTreeSet<(String, String)> {
    let mut shown = BTreeSet::new();
    let mut table = |path: &str| {
        let mut above = String::new();
        for part in path.split('.') {
            shown.insert((above.clone(), part.to_string()));
            above = if above.is_empty() { part.to_string() } else { format!("{above}.{part}") };
        }
    };
    lines().iter().filter(|line| !line.path.is_empty()).for_each(|line| table(&line.path));
    for line in lines() {
        if let Some(inner) = line.value.strip_prefix('{') {
            for part in inner.trim_end_matches('}').split(',') {
                let key = part.split('=').next().unwrap_or_default().trim().to_string();
                shown.insert((format!("{}.{}", line.path, line.key), key));
            }
        }
        shown.insert((line.path, line.key));
    }
    shown
}

fn mistakes(text: &str) -> Vec<String> {
    let (_, mistakes) = Plan::read_partly(text, &Files::default());
    mistakes
        .into_iter()
        .map(|mistake| format!("{}: {}", mistake.message, mistake.remedy.unwrap_or_default()))
        .collect()
}

/// The example with every choice made that it leaves in comments, and with the choices of words that ask for more keys.
fn variants() -> Vec<String> {
    let everything: String = EXAMPLE.lines().map(|line| format!("{}\n", uncommented(line))).collect();
    let fixed = everything.replace("rule = \"sequential\"", "rule = \"fixed\"");
    assert!(fixed != everything);
    vec![EXAMPLE.to_string(), everything, fixed]
}

#[test]
fn every_key_that_is_read_is_in_the_example_and_no_other() {
    let shown = shown();
    let mut asked = BTreeSet::new();
    for text in variants() {
        let found = mistakes(&text);
        assert!(
            !found.iter().any(|words| words.contains("TOML") || words.contains("has no key")),
            "{found:?}"
        );
        asked.extend(Plan::vocabulary(&text));
    }
    let missing: Vec<_> = asked.difference(&shown).collect();
    assert!(missing.is_empty(), "keys that every-key.toml does not show: {missing:?}");
    let model = |path: &str| path == "model" || path.ends_with(".model");
    let unknown: Vec<_> = shown.difference(&asked).filter(|(path, _)| !model(path)).collect();
    assert!(unknown.is_empty(), "keys that nobody reads: {unknown:?}");
    assert!(asked.len() > 180, "{}", asked.len());
}

/// The readers' source names no key that the example lacks: a reader that no variant reaches would show here.
#[test]
fn every_key_in_the_readers_source_is_in_the_example() {
    let keys: BTreeSet<String> = shown().into_iter().map(|(_, key)| key).collect();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../plans/plan/src");
    let readers = [
        "text",
        "required_text",
        "number",
        "whole",
        "flag",
        "choice",
        "required_choice",
        "choices",
        "choices_number",
        "items",
        "texts",
        "numbers",
        "table",
        "tables",
        "rail",
        "read",
    ];
    let mut seen = 0;
    for entry in std::fs::read_dir(folder).expect("the readers' folder") {
        let path: PathBuf = entry.expect("an entry").path();
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        // The writer of canonical texts has frozen words of its own.
        if !name.ends_with(".rs") || name.ends_with("_tests.rs") || name == "canonical.rs" {
            continue;
        }
        let source = std::fs::read_to_string(&path).expect("source");
        let source = source.split("#[cfg(test)]").next().unwrap_or_default();
        for reader in readers {
            for place in source.match_indices(&format!("{reader}(")) {
                let rest = source[place.0 + place.1.len()..].trim_start();
                let Some(rest) = rest.strip_prefix('"') else { continue };
                let key = rest.split('"').next().unwrap_or_default();
                if key.is_empty() || !key.bytes().all(is_key) {
                    continue;
                }
                seen += 1;
                assert!(keys.contains(key), "{}: `{key}` is not in every-key.toml", path.display());
            }
        }
    }
    assert!(seen > 120, "{seen}");
}

#[test]
fn the_example_passes_check_without_a_warning() {
    let folder = Folder::new();
    let path = folder.file("every-key.toml", EXAMPLE);
    let run = nightbench(folder.path(), &["check", path.to_str().expect("a path")]);
    assert_eq!((run.code, run.err.as_str()), (0, ""), "{}", run.out);
    assert!(run.out.contains("no mistakes\n"), "{}", run.out);
    assert!(EXAMPLE.lines().all(|line| line.chars().count() <= 130), "a line is too wide to read");
}

/// The example with one line replaced, every place after it unmoved.
fn with_line(number: usize, text: &str) -> String {
    EXAMPLE
        .lines()
        .enumerate()
        .map(|(at, line)| format!("{}\n", if at == number { text } else { line }))
        .collect()
}

/// "8 to 1024" in a comment.
fn range(comment: &str) -> Option<(f64, f64)> {
    let words: Vec<&str> = comment.split([' ', ',', ';', ':']).filter(|word| !word.is_empty()).collect();
    words
        .windows(3)
        .find(|three| three[1] == "to")
        .and_then(|three| Some((three[0].parse().ok()?, three[2].parse().ok()?)))
}

#[test]
fn the_ranges_in_the_comments_are_those_of_the_reader() {
    let mut checked = 0;
    for line in lines().iter().filter(|line| line.live && line.value.parse::<f64>().is_ok()) {
        // The limits of a rail are its generation's, those of a model value are known to the runner: both have messages of their own.
        let own = line.key.ends_with("_v") || line.path.ends_with("model");
        let Some((low, high)) = range(&line.comment).filter(|_| !own) else { continue };
        let beyond = if line.value.contains(['.', 'e']) {
            format!("{:e}", high * 2.0 + 1.0)
        } else {
            format!("{}", high as i64 * 2 + 1)
        };
        let text = with_line(line.number, &format!("{} = {beyond}", line.key));
        let found = mistakes(&text);
        let words = found
            .iter()
            .find(|words| words.contains("allowed: ") && words.contains(&format!("`{}`", line.key)))
            .unwrap_or_else(|| panic!("{} {}: {found:?}", line.path, line.key));
        let allowed: Vec<f64> = words[words.find("allowed: ").expect("found")..]
            .split(' ')
            .filter_map(|word| word.parse().ok())
            .collect();
        assert_eq!(allowed, [low, high], "{}.{}: {words}", line.path, line.key);
        checked += 1;
    }
    assert!(checked >= 40, "{checked}");
}

#[test]
fn the_defaults_in_the_comments_are_those_of_the_reader() {
    let whole = format!("{:?}", Plan::read(EXAMPLE).expect("sound"));
    let mut checked = 0;
    for line in lines().iter().filter(|line| line.live && !line.path.ends_with("model")) {
        let Some((_, after)) = line.comment.rsplit_once("default ") else { continue };
        let stated =
            after.split([';', ',']).next().unwrap_or_default().split(" (").next().unwrap_or_default().trim();
        let value = line.value.trim_start_matches('[').trim_end_matches(']');
        let same = match (stated.parse::<f64>(), value.parse::<f64>()) {
            (Ok(a), Ok(b)) => a == b,
            _ => stated == value,
        };
        if !same {
            continue;
        }
        let blank = "#".repeat(EXAMPLE.lines().nth(line.number).expect("a line").len());
        let without = Plan::read(&with_line(line.number, &blank))
            .unwrap_or_else(|found| panic!("{} {}: {found:?}", line.path, line.key));
        assert!(format!("{without:?}") == whole, "{}.{}: the default is not {stated}", line.path, line.key);
        checked += 1;
    }
    assert!(checked > 40, "{checked}");
}
