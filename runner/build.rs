//! Names the commit in `--version` of a release build; other builds are not built again for each commit.

use std::path::Path;
use std::process::Command;

fn git(arguments: &[&str]) -> Option<String> {
    let answer =
        Command::new("git").args(arguments).output().ok().filter(|answer| answer.status.success())?;
    Some(String::from_utf8(answer.stdout).ok()?.trim().to_string())
}

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    println!("cargo::rerun-if-env-changed=NIGHTBENCH_COMMIT");
    let release = std::env::var("PROFILE").is_ok_and(|profile| profile == "release");
    let given = std::env::var("NIGHTBENCH_COMMIT").ok();
    let build = match (given, release) {
        (Some(commit), _) => format!(" (commit {commit})"),
        (None, false) => " (development build)".into(),
        (None, true) => {
            for file in ["../.git/HEAD", "../.git/logs/HEAD"] {
                if Path::new(file).exists() {
                    println!("cargo::rerun-if-changed={file}");
                }
            }
            match git(&["rev-parse", "--short=12", "HEAD"]) {
                Some(commit) => {
                    let changed = git(&["status", "--porcelain", "--untracked-files=no"]);
                    let changed = changed.is_none_or(|list| !list.is_empty());
                    format!(" (commit {commit}{})", if changed { ", changed since" } else { "" })
                }
                None => " (commit not known)".into(),
            }
        }
    };
    println!("cargo::rustc-env=NIGHTBENCH_BUILD={build}");
}
