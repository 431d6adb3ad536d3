//! What is written under a name destroys nothing, and what is read has an end: the program as a user meets it.

use crate::support::{Folder, SMALL, nightbench, program};
use std::fs::File;
use std::path::Path;
use std::process::Stdio;

/// A finished run in `run`; returns the plan's name.
fn small_run(folder: &Folder) -> String {
    let plan = SMALL.replace("rate = [2133, 2400]", "rate = [2400]").replace("[25, 60]", "[25]");
    folder.file("plan.toml", &plan);
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "run"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    "plan.toml".into()
}

#[test]
fn outputs_never_replace_what_a_command_reads_or_a_run_keeps() {
    let folder = Folder::new();
    let at = folder.path();
    let plan = small_run(&folder);
    let bytes = |name: &str| std::fs::read(at.join(name)).unwrap();
    let (store, page, text) = (bytes("run/results.sqlite"), bytes("run/report.html"), bytes("plan.toml"));
    std::os::unix::fs::symlink(at.join("run/results.sqlite"), at.join("link.csv")).unwrap();
    for out in ["run/results.sqlite", "run/report.html", "run/run.lock", "link.csv", "plan.toml", "run", "."]
    {
        let run = nightbench(at, &["export", "run", "--as", "csv", "--out", out]);
        assert_eq!(run.code, 2, "{out}: {}", run.err);
        assert!(run.err.contains(out), "{out}: {}", run.err);
        let run = nightbench(at, &["preview", &plan, "--page", out]);
        assert_eq!(run.code, 2, "{out}: {}", run.err);
    }
    assert!(
        store == bytes("run/results.sqlite")
            && page == bytes("run/report.html")
            && text == bytes("plan.toml")
    );
    // A planted link at the name of the half-written file is not followed.
    std::fs::write(at.join("victim"), "kept").unwrap();
    std::os::unix::fs::symlink(at.join("victim"), at.join("out.csv.part-0")).unwrap();
    assert_eq!(nightbench(at, &["export", "run", "--as", "csv", "--out", "out.csv"]).code, 0);
    assert_eq!((bytes("victim"), bytes("out.csv").is_empty()), (b"kept".to_vec(), false));
    // Again over an earlier one, and into a device.
    assert_eq!(nightbench(at, &["export", "run", "--as", "jsonl", "--out", "out.csv"]).code, 0);
    assert_eq!(nightbench(at, &["export", "run", "--as", "csv", "--out", "/dev/null"]).code, 0);
    assert_eq!(nightbench(at, &["export", "run", "--as", "csv", "--out", "/dev/full"]).code, 74);
    assert!(!Path::new("/dev/null").is_file());
}

#[test]
fn a_full_device_is_exit_74_whatever_writes_to_it() {
    let folder = Folder::new();
    let plan = small_run(&folder);
    for arguments in [
        vec!["preview", &plan],
        vec!["preview", &plan, "--json"],
        vec!["status", "run"],
        vec!["status", "run", "--json"],
        vec!["report", "run", "--json"],
        vec!["study", "run"],
        vec!["export", "run", "--as", "csv"],
        vec!["check", &plan],
    ] {
        let full = File::options().write(true).open("/dev/full").expect("Linux has one");
        let status =
            program().current_dir(folder.path()).args(&arguments).stdout(full).stderr(Stdio::null()).status();
        assert_eq!(status.unwrap().code(), Some(74), "{arguments:?}");
    }
}

#[test]
fn what_has_no_end_is_not_read() {
    let folder = Folder::new();
    let plan = small_run(&folder);
    let pipe = folder.path().join("pipe");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.is_ok_and(|status| status.success()), "POSIX has mkfifo");
    let large = folder.file("large.toml", &"# long\n".repeat(700_000));
    for name in ["/dev/zero", pipe.to_str().unwrap(), large.to_str().unwrap(), "."] {
        for arguments in [
            vec!["check", name],
            vec!["preview", &plan, "--bench", name],
            vec!["report", "run", "--limits", name],
            vec!["bench", "check", name],
        ] {
            let run = nightbench(folder.path(), &arguments);
            assert_eq!(run.code, 2, "{arguments:?}: {}", run.err);
            assert!(
                run.err.contains("plain file") || run.err.contains("4194304 bytes"),
                "{arguments:?}: {}",
                run.err
            );
        }
    }
    std::fs::rename(&pipe, folder.path().join("run/notes.toml")).unwrap();
    let run = nightbench(folder.path(), &["report", "run"]);
    assert_eq!(run.code, 2, "{}", run.err);
}
