//! A record that an auditor believes: what was changed is noticed by every command, and numbers and heads tell a folder
//! from any other.

use crate::support::{Folder, Run, SMALL, json, missing, nightbench, program};
use runner::folder::eye_summaries::CACHE;
use rusqlite::Connection;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

/// A finished run in `run`, with repeats enough for a study.
fn finished(folder: &Folder) -> serde_json::Value {
    let plan = SMALL.replace("rate = [2133, 2400]", "rate = [2400]").replace("[25, 60]", "[25]");
    folder.file("plan.toml", &(plan + "\n[repeats]\nrepeats = 3\n"));
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "run", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    json(&run)
}

fn copy(from: &Path, to: &Path) {
    let _ = std::fs::remove_dir_all(to);
    std::fs::create_dir(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, to.join(path.file_name().unwrap())).unwrap();
    }
}

fn change(store: &Path, sql: &str) {
    let connection = Connection::open(store.join("results.sqlite")).unwrap();
    connection.execute_batch(&format!("PRAGMA foreign_keys = OFF; {sql}")).unwrap();
}

fn verify(folder: &Folder, dir: &str, given: &str) -> Run {
    nightbench(folder.path(), &["report", dir, "--verify", given])
}

#[test]
fn every_command_notices_a_change_and_says_what_differs() {
    let folder = Folder::new();
    finished(&folder);
    copy(&folder.path().join("run"), &folder.path().join("sound"));
    for (sql, words) in [
        (
            "UPDATE captures SET tap_step_ps = tap_step_ps * 1.000001 WHERE job_id = 2",
            "attempt 1: its counts",
        ),
        ("DELETE FROM captures WHERE job_id = 1", "attempt 1: its counts"),
        ("UPDATE limit_sets SET limits_text = replace(limits_text, '0.2', '0.1')", "SHA-256"),
        ("UPDATE jobs SET outcome = 'measured', superseded = 1 WHERE id = 3", "row 3"),
        ("UPDATE jobs SET started_utc = 'x' WHERE id = 3", "times"),
        (
            "DELETE FROM jobs WHERE id = 3; DELETE FROM captures WHERE job_id = 3; DELETE FROM trainings WHERE job_id = 3",
            "missing",
        ),
        ("UPDATE meta SET value = '2' WHERE key = 'seed'", "seed"),
    ] {
        copy(&folder.path().join("sound"), &folder.path().join("run"));
        change(&folder.path().join("run"), sql);
        for arguments in [
            vec!["report", "run"],
            vec!["export", "run", "--as", "csv"],
            vec!["compare", "sound", "run"],
            vec!["compare", "run", "sound"],
            vec!["study", "run"],
            vec!["run", "plan.toml", "--into", "run"],
            vec!["merge", "out", "run"],
        ] {
            let run = nightbench(folder.path(), &arguments);
            assert_eq!(run.code, 74, "{sql}: {arguments:?}: {}", run.err);
            assert!(run.err.contains(words) || sql.contains("id = 3"), "{sql}: {arguments:?}: {}", run.err);
        }
    }
}

#[test]
fn a_number_or_a_noted_head_tells_the_folder_from_any_other() {
    let folder = Folder::new();
    let summary = finished(&folder);
    let number = summary["report_id"].as_str().unwrap();
    let head = summary["results_head"].as_str().unwrap();
    let page = || std::fs::read_to_string(folder.path().join("run/report.html")).unwrap();
    assert!(page().contains(number) && page().contains(head) && !page().contains("in place of"));
    let log_head = || {
        let status = json(&nightbench(folder.path(), &["status", "run", "--json"]));
        status["log_head"].as_str().unwrap().to_string()
    };
    let noted = log_head();
    for given in [number, head, &head[..16], &noted] {
        let run = verify(&folder, "run", given);
        assert_eq!(run.code, 0, "{given}: {}", run.err);
    }
    assert_eq!(verify(&folder, "run", "NB-000000000000").code, 74);
    assert_eq!(verify(&folder, "run", "0123456789abcdef").code, 74);
    assert_eq!(verify(&folder, "run", "not a head").code, 2);
    // The same results in another folder: the same number, head and page, another log.
    nightbench(folder.path(), &["run", "plan.toml", "--into", "other"]);
    assert_eq!(verify(&folder, "other", number).code, 0);
    assert_eq!(verify(&folder, "other", &noted).code, 74);
    assert_eq!(page(), std::fs::read_to_string(folder.path().join("other/report.html")).unwrap());
    // The report again is the same report.
    let again = json(&nightbench(folder.path(), &["report", "run", "--json"]));
    assert_eq!(again["report_id"], number);
    // A reader's decision makes another report, which names the one whose place it takes.
    copy(&folder.path().join("run"), &folder.path().join("older"));
    let key = json_key(&folder);
    let note = format!("[[note]]\njob = \"{key}\"\nreason = \"loose screw\"\nauthor = \"a reader\"\n");
    folder.file("run/notes.toml", &note);
    let amended = json(&nightbench(folder.path(), &["report", "run", "--json"]));
    assert_ne!(amended["report_id"], number);
    assert_eq!(amended["replaces"], number);
    assert!(page().contains(&format!("in place of {number}")));
    let differs = verify(&folder, "run", number);
    assert_eq!(differs.code, 1, "{}", differs.err);
    assert!(
        differs.out.contains("readers' notes")
            && differs.out.contains(amended["report_id"].as_str().unwrap()),
        "{}",
        differs.out
    );
    // Measured again: results, number and head change, the log goes on from what was noted.
    let run = nightbench(
        folder.path(),
        &["run", "plan.toml", "--into", "run", "--again", "rate=2400", "--reason", "drift", "--json"],
    );
    let third = json(&run);
    assert_eq!(third["replaces"], amended["report_id"]);
    assert_ne!(third["results_head"], amended["results_head"]);
    assert_eq!(verify(&folder, "run", &noted).code, 0);
    let differs = verify(&folder, "run", amended["report_id"].as_str().unwrap());
    assert!(differs.code == 1 && differs.out.contains("results and which of them count"), "{}", differs.out);
    // An older store put back, and one written anew, are sound in themselves: the noted head finds them out.
    let latest = log_head();
    assert_eq!(verify(&folder, "run", &latest).code, 0);
    assert_eq!(verify(&folder, "older", &latest).code, 74);
    assert_eq!(verify(&folder, "other", &latest).code, 74);
}

/// First digits of the key of some job.
fn json_key(folder: &Folder) -> String {
    let connection = Connection::open(folder.path().join("run/results.sqlite")).unwrap();
    let sql = "SELECT substr(job_key, 1, 8) FROM job_list LIMIT 1";
    connection.query_row(sql, [], |row| row.get(0)).unwrap()
}

#[test]
fn the_cache_is_never_believed_over_the_counts() {
    let folder = Folder::new();
    finished(&folder);
    let cache = folder.path().join("run").join(CACHE);
    let csv = |more: &[&str]| {
        let run = nightbench(folder.path(), &[&["export", "run", "--as", "csv"], more].concat());
        assert_eq!(run.code, 0, "{}", run.err);
        run.out
    };
    let sound = csv(&[]);
    assert_eq!(csv(&["--afresh"]), sound);
    // Summaries exchanged under their digests, and forged ones.
    for sql in [
        "UPDATE summaries SET summary = (SELECT summary FROM summaries AS other WHERE other.sha256 <> summaries.sha256 LIMIT 1)",
        "UPDATE summaries SET summary = zeroblob(100)",
        "UPDATE summaries SET sha256 = randomblob(32)",
        "DELETE FROM summaries",
        "DROP TABLE summaries",
    ] {
        Connection::open(&cache).unwrap().execute_batch(sql).unwrap();
        assert_eq!(csv(&[]), sound, "{sql}");
        let study = |more: &[&str]| nightbench(folder.path(), &[&["study", "run"], more].concat()).out;
        assert_eq!(study(&[]), study(&["--afresh"]), "{sql}");
        assert!([0, 1].contains(&nightbench(folder.path(), &["report", "run"]).code));
        assert!(std::fs::metadata(&cache).unwrap().len() > 8192, "{sql}: computed again and kept");
        assert_eq!(csv(&[]), sound, "{sql}");
    }
    let compare = |more: &[&str]| nightbench(folder.path(), &[&["compare", "run", "run"], more].concat()).out;
    assert_eq!(compare(&[]), compare(&["--afresh"]));
}

#[test]
fn output_that_nobody_reads_stops_no_run() {
    let folder = Folder::new();
    // More lines than a pipe holds.
    let plan = SMALL
        .replace("taps = 32", "taps = 8")
        .replace("taps_per_ui = 16", "taps_per_ui = 4")
        .replace("vref_steps = 24", "vref_steps = 4")
        .replace("vref_step_percent = 1.7", "vref_step_percent = 5.0");
    folder.file("plan.toml", &(plan + "\n[repeats]\nrepeats = 150\n"));
    let start = |into: &str| {
        program()
            .current_dir(folder.path())
            .args(["run", "plan.toml", "--into", into])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    };
    let ended = |child: &mut std::process::Child, within: Duration| {
        let begin = Instant::now();
        while begin.elapsed() < within {
            if let Some(status) = child.try_wait().unwrap() {
                return status.code();
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        None
    };
    // All jobs are done and the report is there, whatever nobody reads.
    let mut unread = start("run");
    let begin = Instant::now();
    while !folder.path().join("run/report.html").exists() && begin.elapsed() < Duration::from_secs(120) {
        std::thread::sleep(Duration::from_millis(20));
    }
    let status = json(&nightbench(folder.path(), &["status", "run", "--json"]));
    assert_eq!(status["done"], status["jobs"], "{status}");
    assert!(status["jobs"].as_u64().unwrap() >= 1000, "{status}");
    // It ends by itself or by a signal.
    if ended(&mut unread, Duration::from_secs(2)).is_none() {
        rustix_kill(unread.id());
        assert!(ended(&mut unread, Duration::from_secs(10)).is_some(), "a signal ends it");
    }
    // In the middle, too.
    let mut stopped = start("stopped");
    let begin = Instant::now();
    while !folder.path().join("stopped/results.sqlite").exists() && begin.elapsed() < Duration::from_secs(60)
    {
        std::thread::sleep(Duration::from_millis(5));
    }
    std::thread::sleep(Duration::from_millis(300));
    rustix_kill(stopped.id());
    let code = ended(&mut stopped, Duration::from_secs(30));
    assert!(matches!(code, Some(143 | 0 | 1)), "{code:?}");
}

fn rustix_kill(pid: u32) {
    let sent = std::process::Command::new("kill").arg(pid.to_string()).status();
    assert!(sent.is_ok_and(|status| status.success()));
}

#[test]
fn an_archive_holds_everything_and_is_checked_as_a_folder_is() {
    let folder = Folder::new();
    let summary = finished(&folder);
    let number = summary["report_id"].as_str().unwrap();
    assert_eq!(nightbench(folder.path(), &["export", "run", "--as", "archive"]).code, 2, "it needs a file");
    let made = nightbench(folder.path(), &["export", "run", "--as", "archive", "--out", "run.tar"]);
    assert_eq!(made.code, 0, "{}", made.err);
    for given in [number, summary["results_head"].as_str().unwrap()] {
        let run = verify(&folder, "run.tar", given);
        assert_eq!(run.code, 0, "{}", run.err);
    }
    assert_eq!(verify(&folder, "run.tar", "NB-000000000000").code, 74);
    // As it may be written down, and what else somebody tries who only has the file.
    assert_eq!(verify(&folder, "run.tar", &number.to_ascii_lowercase()).code, 0);
    for command in
        [vec!["report", "run.tar"], vec!["export", "run.tar", "--as", "csv"], vec!["status", "run.tar"]]
    {
        let run = nightbench(folder.path(), &command);
        assert!(
            run.code == 2 && run.err.contains("report run.tar --verify NUMBER"),
            "{command:?}: {}",
            run.err
        );
    }
    // A letter of its page, its plan or its store changed.
    let sound = std::fs::read(folder.path().join("run.tar")).unwrap();
    let after =
        |words: &[u8]| sound.windows(words.len()).position(|window| window == words).unwrap() + words.len();
    for at in [after(b"<title>"), after(b"title = \"Sma"), after(b"SQLite format")] {
        let mut bytes = sound.clone();
        bytes[at] ^= 1;
        std::fs::write(folder.path().join("changed.tar"), bytes).unwrap();
        let run = verify(&folder, "changed.tar", number);
        assert_eq!(run.code, 74, "{at}: {} {}", run.out, run.err);
    }
}

/// Runs `ssh-keygen` in the folder; `None` where there is none.
fn ssh_keygen(folder: &Folder, arguments: &[&str], input: Option<&str>) -> Option<std::process::Output> {
    let mut command = std::process::Command::new("ssh-keygen");
    command.current_dir(folder.path()).args(arguments);
    if let Some(name) = input {
        command.stdin(std::fs::File::open(folder.path().join(name)).unwrap());
    }
    match command.output() {
        Ok(output) => {
            assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
            Some(output)
        }
        Err(_) => {
            missing("ssh-keygen");
            None
        }
    }
}

/// Outside check: signatures and fingerprints are those of OpenSSH's `ssh-keygen`.
#[test]
fn a_signature_over_the_heads_says_whose_record_it_is() {
    let folder = Folder::new();
    let make = |name: &str, kind: &str| {
        ssh_keygen(&folder, &["-q", "-t", kind, "-N", "", "-C", name, "-f", name], None)
    };
    if make("anna", "ed25519").is_none() {
        return;
    }
    make("ben", "ed25519");
    make("cleo", "ecdsa");
    let sign = |key: &str, space: &str| {
        let _ = std::fs::remove_file(folder.path().join("heads.json.sig"));
        ssh_keygen(&folder, &["-q", "-Y", "sign", "-n", space, "-f", key, "heads.json"], None);
    };
    let ask = |dir: &str, keys: &str| {
        nightbench(folder.path(), &["report", dir, "--verify", "heads.json", "--signed-by", keys])
    };
    let export = || {
        let run = nightbench(folder.path(), &["export", "run", "--as", "heads"]);
        assert_eq!(run.code, 0, "{}", run.err);
        folder.file("heads.json", &run.out);
    };
    let summary = finished(&folder);
    export();
    let unsigned = verify(&folder, "run", "heads.json");
    assert!(unsigned.code == 0 && unsigned.out.contains("no signature"), "{} {}", unsigned.out, unsigned.err);
    assert_eq!(ask("run", "anna.pub").code, 2, "nothing is signed yet");
    sign("anna", "nightbench");
    assert_eq!(verify(&folder, "run", "heads.json").code, 2, "whose signature counts must be said");
    let archive = nightbench(folder.path(), &["export", "run", "--as", "archive", "--out", "run.tar"]);
    assert_eq!(archive.code, 0, "{}", archive.err);
    let print = ssh_keygen(&folder, &["-lf", "anna.pub"], None).unwrap().stdout;
    let print = String::from_utf8(print).unwrap().split(' ').nth(1).unwrap().to_string();
    for dir in ["run", "run.tar"] {
        let run = ask(dir, "anna.pub");
        assert_eq!(run.code, 0, "{dir}: {}", run.err);
        let number = summary["report_id"].as_str().unwrap();
        assert!(
            run.out.contains(&format!("signed by anna ({print})")) && run.out.contains(number),
            "{}",
            run.out
        );
    }
    // The same file of signers serves OpenSSH.
    let public = std::fs::read_to_string(folder.path().join("anna.pub")).unwrap();
    folder.file("signers", &format!("anna@lab {public}"));
    let openssh =
        ["-Y", "verify", "-f", "signers", "-I", "anna@lab", "-n", "nightbench", "-s", "heads.json.sig"];
    ssh_keygen(&folder, &openssh, Some("heads.json"));
    assert!(ask("run", "signers").out.contains("signed by anna@lab"));
    // Somebody else's key, a number that nobody signed, a head that was changed.
    let other = ask("run", "ben.pub");
    assert!(other.code == 74 && other.err.contains(&print), "{}", other.err);
    assert_eq!(ask("run", "anna").code, 2, "a private key");
    let number = nightbench(
        folder.path(),
        &["report", "run", "--verify", "NB-000000000000", "--signed-by", "anna.pub"],
    );
    assert_eq!(number.code, 2);
    let heads = std::fs::read_to_string(folder.path().join("heads.json")).unwrap();
    let at = heads.find("\"log_head\": \"").unwrap() + 13;
    let digit = if heads.as_bytes()[at] == b'0' { "1" } else { "0" };
    folder.file("heads.json", &format!("{}{digit}{}", &heads[..at], &heads[at + 1..]));
    assert_eq!(ask("run", "anna.pub").code, 74);
    folder.file("heads.json", &heads);
    assert_eq!(ask("run", "anna.pub").code, 0);
    // Another folder, sound in itself, written with everything anew.
    nightbench(folder.path(), &["run", "plan.toml", "--into", "other", "--seed", "2"]);
    let other = ask("other", "anna.pub");
    assert!(other.code == 74 && other.err.contains("ever known"), "{}", other.err);
    // Measured again: the signed record is still in it, and what differs is said; the older store does not know the new heads.
    copy(&folder.path().join("run"), &folder.path().join("older"));
    let again = ["run", "plan.toml", "--into", "run", "--again", "rate=2400", "--reason", "drift"];
    assert!([0, 1].contains(&nightbench(folder.path(), &again).code));
    let later = ask("run", "anna.pub");
    assert!(
        later.code == 1 && later.out.contains("results and which of them count"),
        "{}{}",
        later.out,
        later.err
    );
    export();
    sign("anna", "nightbench");
    assert_eq!(ask("run", "anna.pub").code, 0);
    assert_eq!(ask("older", "anna.pub").code, 74);
    // Signed for something else, or by another kind of key.
    sign("anna", "file");
    let run = ask("run", "anna.pub");
    assert!(run.code == 2 && run.err.contains("-n nightbench"), "{}", run.err);
    sign("cleo", "nightbench");
    let run = ask("run", "anna.pub");
    assert!(run.code == 2 && run.err.contains("ecdsa-sha2-nistp256"), "{}", run.err);
}
