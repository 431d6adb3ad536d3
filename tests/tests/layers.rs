//! The rules of the house, checked on the source itself: who imports whom, pure layers, short files that say
//! what they are for.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").to_path_buf()
}

const CRATES: [&str; 5] = ["plans", "drivers", "reports", "runner", "tests"];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
}

fn crate_sources(name: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for folder in ["src", "benches", "examples", "tests"] {
        sources(&root().join(name).join(folder), &mut found);
    }
    found.sort();
    assert!(!found.is_empty(), "no sources in {name}");
    found
}

#[test]
fn cargo_edges_follow_the_layers() {
    let allowed: BTreeMap<&str, &[&str]> = BTreeMap::from([
        ("plans", &[][..]),
        ("drivers", &["plans"][..]),
        ("reports", &["plans"][..]),
        ("runner", &["plans", "drivers", "reports"][..]),
        ("tests", &["plans", "drivers", "reports", "runner"][..]),
    ]);
    for name in CRATES {
        let text = std::fs::read_to_string(root().join(name).join("Cargo.toml")).expect(name);
        let manifest: toml::Table = text.parse().expect(name);
        for section in ["dependencies", "dev-dependencies", "build-dependencies"] {
            let Some(list) = manifest.get(section).and_then(|list| list.as_table()) else { continue };
            for (dependency, value) in list {
                if CRATES.contains(&dependency.as_str()) {
                    assert!(
                        allowed[name].contains(&dependency.as_str()),
                        "{name} must not depend on {dependency}: the layers point the other way"
                    );
                }
                let shared = value.get("workspace").and_then(toml::Value::as_bool) == Some(true);
                assert!(shared, "{name}: the version of {dependency} belongs in [workspace.dependencies]");
            }
        }
    }
}

/// Text of a source file without its unit tests and without comments.
fn working_code(text: &str) -> String {
    let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
    code.lines().map(|line| line.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

#[test]
fn pure_layers_touch_no_file_clock_chance_or_database() {
    let forbidden = [
        "std::fs",
        "File::open",
        "SystemTime",
        "Instant::now",
        "std::net",
        "std::process",
        "rusqlite",
        "rand_chacha",
        "rand_core",
        "println!",
        "eprintln!",
        "std::env::var",
    ];
    for name in ["plans", "reports"] {
        let mut found = Vec::new();
        sources(&root().join(name).join("src"), &mut found);
        for path in found {
            let is_test =
                path.components().any(|part| part.as_os_str() == "tests" || part.as_os_str() == "published");
            let file = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
            if is_test || file == "tests" || file.ends_with("_tests") || file == "published" {
                continue;
            }
            let code = working_code(&std::fs::read_to_string(&path).expect("readable"));
            for word in forbidden {
                assert!(!code.contains(word), "{}: `{word}` in a pure layer", path.display());
            }
        }
    }
}

#[test]
fn drivers_and_reports_never_name_each_other() {
    for (name, other) in
        [("drivers", "reports"), ("reports", "drivers"), ("plans", "runner"), ("drivers", "runner")]
    {
        for path in crate_sources(name) {
            let code = working_code(&std::fs::read_to_string(&path).expect("readable"));
            for form in [format!("use {other}::"), format!(" {other}::"), format!("({other}::")] {
                assert!(!code.contains(&form), "{}: names the crate {other}", path.display());
            }
        }
    }
}

const MOST_LINES: usize = 600;

#[test]
fn every_file_says_what_it_is_for_and_stays_short() {
    for name in CRATES {
        for path in crate_sources(name) {
            let text = std::fs::read_to_string(&path).expect("readable");
            assert!(text.starts_with("//!"), "{}: does not begin with its purpose (`//!`)", path.display());
            let lines = text.lines().count();
            assert!(lines <= MOST_LINES, "{}: {lines} lines, more than {MOST_LINES}", path.display());
        }
    }
}

#[test]
fn nothing_unfinished_is_left_in_the_code() {
    let marks = ["todo!(", "unimplemented!(", "dbg!(", "#[ignore]", "FIXME", "XXX"];
    for name in ["plans", "drivers", "reports", "runner"] {
        for path in crate_sources(name) {
            let text = std::fs::read_to_string(&path).expect("readable");
            for mark in marks {
                assert!(!text.contains(mark), "{}: `{mark}`", path.display());
            }
        }
    }
}
