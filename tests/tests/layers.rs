//! The rules of the house, checked on the source itself: who imports whom, and what each file begins with. What pure
//! crates must not touch is refused by clippy (`plans/clippy.toml`, `reports/clippy.toml`).

use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").to_path_buf()
}

/// Every crate: its folder, its name, and the crates of ours it may depend on. Arrows point upwards in this list, so
/// that none can run back.
const CRATES: [(&str, &str, &[&str]); 14] = [
    ("plans/core", "nightbench-core", &[]),
    ("reports/statistics", "statistics", &[]),
    ("plans/schedule", "schedule", &["nightbench-core"]),
    ("plans/plan", "plan", &["nightbench-core", "schedule"]),
    ("drivers/contract", "contract", &["nightbench-core"]),
    ("drivers/simulator", "simulator", &["nightbench-core", "contract"]),
    ("drivers/system", "system", &[]),
    ("drivers/bench", "bench", &["nightbench-core", "contract", "system", "plan"]),
    ("drivers/emulator", "emulator", &["nightbench-core", "contract", "plan", "bench", "simulator"]),
    ("reports/eye", "eye", &["nightbench-core", "statistics"]),
    ("reports/judge", "judge", &["nightbench-core", "plan", "statistics", "eye"]),
    ("reports/pages", "pages", &["nightbench-core", "plan", "eye", "judge"]),
    (
        "runner",
        "runner",
        &[
            "nightbench-core",
            "schedule",
            "plan",
            "contract",
            "system",
            "bench",
            "simulator",
            "eye",
            "judge",
            "pages",
        ],
    ),
    (
        "tests",
        "tests",
        &[
            "nightbench-core",
            "schedule",
            "plan",
            "contract",
            "bench",
            "simulator",
            "emulator",
            "statistics",
            "eye",
            "judge",
            "pages",
            "runner",
        ],
    ),
];

/// What a crate's own tests, examples and benchmarks may use besides.
const FOR_TESTS: [(&str, &str); 3] =
    [("simulator", "plan"), ("pages", "statistics"), ("runner", "statistics")];

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

fn crate_sources(folder: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for part in ["src", "benches", "examples", "tests"] {
        sources(&root().join(folder).join(part), &mut found);
    }
    found.sort();
    assert!(!found.is_empty(), "no sources in {folder}");
    found
}

fn manifest(folder: &str) -> toml::Table {
    let text = std::fs::read_to_string(root().join(folder).join("Cargo.toml")).expect(folder);
    text.parse().expect(folder)
}

#[test]
fn every_crate_stands_in_the_list() {
    let manifest = manifest("");
    let members = manifest["workspace"]["members"].as_array().expect("members");
    let mut named: Vec<&str> = members.iter().filter_map(toml::Value::as_str).collect();
    let mut listed: Vec<&str> = CRATES.iter().map(|(folder, ..)| *folder).collect();
    named.sort_unstable();
    listed.sort_unstable();
    assert_eq!(named, listed);
}

#[test]
fn cargo_edges_follow_the_layers() {
    for (place, (folder, name, allowed)) in CRATES.iter().enumerate() {
        for upper in *allowed {
            let at = CRATES.iter().position(|(_, known, _)| known == upper).expect(upper);
            assert!(at < place, "{name} may not stand below {upper}, which it imports");
        }
        let manifest = manifest(folder);
        assert_eq!(manifest["package"]["name"].as_str(), Some(*name));
        for section in ["dependencies", "dev-dependencies", "build-dependencies"] {
            let Some(list) = manifest.get(section).and_then(|list| list.as_table()) else { continue };
            for (dependency, value) in list {
                if CRATES.iter().any(|(_, known, _)| known == dependency) {
                    let in_tests =
                        section == "dev-dependencies" && FOR_TESTS.contains(&(*name, dependency.as_str()));
                    assert!(
                        in_tests || allowed.contains(&dependency.as_str()),
                        "{name} must not depend on {dependency}: the layers point the other way"
                    );
                }
                let shared = value.get("workspace").and_then(toml::Value::as_bool) == Some(true);
                assert!(shared, "{name}: the version of {dependency} belongs in [workspace.dependencies]");
            }
        }
    }
}

#[test]
fn every_file_says_what_it_is_for() {
    for (folder, ..) in CRATES {
        for path in crate_sources(folder) {
            let text = std::fs::read_to_string(&path).expect("readable");
            assert!(text.starts_with("//!"), "{}: does not begin with its purpose (`//!`)", path.display());
        }
    }
}

#[test]
fn nothing_unfinished_is_left_in_the_code() {
    let marks = ["todo!(", "unimplemented!(", "dbg!(", "#[ignore]", "FIXME", "XXX"];
    for (folder, ..) in CRATES.iter().filter(|(folder, ..)| *folder != "tests") {
        for path in crate_sources(folder) {
            let text = std::fs::read_to_string(&path).expect("readable");
            for mark in marks {
                assert!(!text.contains(mark), "{}: `{mark}`", path.display());
            }
        }
    }
}

/// What one operating system does differently stands in one crate; tests may say more of the system they run on.
#[test]
fn calls_of_one_system_stand_in_one_crate() {
    for (folder, _, _) in CRATES.iter().filter(|(folder, ..)| !["drivers/system", "tests"].contains(folder)) {
        let mut found = Vec::new();
        sources(&root().join(folder).join("src"), &mut found);
        for path in found {
            let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            if name.ends_with("tests.rs") {
                continue;
            }
            let text = std::fs::read_to_string(&path).expect("a source file");
            let text = text.split("#[cfg(test)]").next().unwrap_or_default();
            for word in ["std::os::", "rustix::", "signal_hook", "libc::", "cfg(unix)", "cfg(windows)"] {
                assert!(!text.contains(word), "{}: `{word}` belongs in drivers/system", path.display());
            }
        }
    }
}
