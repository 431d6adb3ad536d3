//! Why the worst lanes have so little margin: causes named by `why`, the extra jobs that it asks for, and the truth of the simulated
//! target beside them.

use crate::bench_run::{nothing_outside, one_setup, rig};
use crate::support::{Folder, json, nightbench};
use rusqlite::Connection;

/// Eight lanes, one of which has three times the random jitter of the others.
fn plan(more: &str) -> String {
    format!(
        "title = \"One bad lane\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 8\n[[module]]\nname = \"Amber\"\nkind = \"UDIMM\"\n\
         rated = 3200\n[[module.lane]]\nlane = 5\nmodel = {{ rj_ps = 15.0 }}\n[[channel]]\nname = \"direct\"\n\
         fits = [\"UDIMM\"]\n[matrix]\nrate = [2133, 2666]\n{more}[[limit]]\nmetric = \"width\"\nminimum = 0.22\nunit = \"UI\"\n\
         source = \"invented\"\n[[limit]]\nmetric = \"height\"\nminimum = 10\nunit = \"% VDDQ\"\nsource = \"invented\"\n"
    )
}

fn jobs_of(store: &std::path::Path) -> Vec<(String, f64)> {
    let store = Connection::open(store.join("results.sqlite")).unwrap();
    let mut statement =
        store.prepare("SELECT pattern, rate_mts FROM jobs ORDER BY pattern, rate_mts").unwrap();
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    rows.map(Result::unwrap).collect()
}

/// The judged metrics of every condition.
fn metrics(folder: &Folder, name: &str) -> Vec<serde_json::Value> {
    let lines = nightbench(folder.path(), &["export", name, "--as", "jsonl"]);
    assert_eq!(lines.code, 0, "{}", lines.err);
    let line = |line: &str| serde_json::from_str::<serde_json::Value>(line).unwrap()["metrics"].clone();
    lines.out.lines().map(line).collect()
}

#[test]
fn extra_jobs_explain_and_judge_nothing() {
    let folder = Folder::new();
    folder.file("plain.toml", &plan(""));
    folder.file("extra.toml", &plan("[diagnosis]\nworst_conditions = 1\nvictim_only = true\n"));
    let preview = nightbench(folder.path(), &["preview", "extra.toml", "--json"]);
    let foreseen = json(&preview);
    assert_eq!(foreseen["jobs"], 2, "{}", preview.err);
    assert_eq!(foreseen["extra_jobs"]["jobs"], 5);
    assert!(foreseen["extra_jobs"]["hours"].as_f64().unwrap() > 0.0);
    assert!(nightbench(folder.path(), &["preview", "extra.toml"]).out.contains("5 extra jobs"));

    let run = |name: &str| {
        let plan = format!("{name}.toml");
        let run = nightbench(folder.path(), &["run", &plan, "--into", name, "--json"]);
        assert!([0, 1].contains(&run.code), "{}\n{}", run.out, run.err);
        (run.code, json(&run))
    };
    let ((plain_code, plain), (code, told)) = (run("plain"), run("extra"));
    assert_eq!(plain_code, code);
    for key in ["jobs", "verdicts", "not_measured", "worst"] {
        assert_eq!(plain[key], told[key], "{key}");
    }
    assert_eq!(metrics(&folder, "plain"), metrics(&folder, "extra"));
    assert_eq!(metrics(&folder, "plain").len(), 2);

    // The worst condition is the faster one: its own rate with other patterns, and its own pattern at a lower rate.
    let extra = folder.path().join("extra/extra-jobs");
    let expected = [
        ("PRBS31", 6400.0 / 3.0),
        ("fixed 0", 8000.0 / 3.0),
        ("fixed 01", 8000.0 / 3.0),
        ("fixed 1", 8000.0 / 3.0),
        ("victim only", 8000.0 / 3.0),
    ];
    let measured = jobs_of(&extra);
    assert_eq!(measured.len(), expected.len(), "{measured:?}");
    for ((pattern, rate), (wanted, at)) in measured.iter().zip(expected) {
        assert!(pattern == wanted && (rate - at).abs() < 1e-6, "{measured:?}");
    }
    assert_eq!(jobs_of(&folder.path().join("extra")).len(), 2);
    run("extra");
    assert_eq!(jobs_of(&extra).len(), 5, "nothing is measured twice");

    // Both ways name the jitter; the estimate meets the truth within its U.
    for (name, jobs) in [("plain", 0), ("extra", 5)] {
        let why = nightbench(folder.path(), &["why", name, "--only", "rate=2666", "--json"]);
        assert_eq!(why.code, 0, "{}", why.err);
        let causes = json(&why)["conditions"][0]["eyes"][0]["causes"].clone();
        assert_eq!(causes["extra_jobs"], jobs, "{causes}");
        let lane = &causes["lanes"][0];
        assert_eq!(
            (&lane["lane"], &lane["causes"][0]["cause"]),
            (&5.into(), &"random_jitter".into()),
            "{causes}"
        );
        let truth = &lane["simulated_truth"]["gains"][0];
        assert_eq!(truth[0], "random_jitter", "{causes}");
        let number = |value: &serde_json::Value| value.as_f64().unwrap();
        let (gain, u) =
            (&lane["causes"][0]["gain_boxes"], &lane["causes"][0]["gain_expanded_uncertainty_boxes"]);
        assert!((number(gain) - number(&truth[1])).abs() < number(u), "{causes}");
    }
    let words = nightbench(folder.path(), &["why", "extra"]).out;
    assert!(
        words.contains("causes from the eye, and 5 extra jobs where")
            && words.contains("simulated truth: RJ: +"),
        "{words}"
    );
    let report = nightbench(folder.path(), &["report", "extra"]);
    assert!([0, 1].contains(&report.code), "{}", report.err);
    let page = std::fs::read_to_string(folder.path().join("extra/report.html")).unwrap();
    for words in
        ["from the eye, and 5 extra jobs where", "simulated truth: RJ: +", "Which factor moves which edge"]
    {
        assert!(page.contains(words), "the page lacks `{words}`");
    }
}

/// What explains a run goes with it: into a merged folder, where the extra jobs of every part's conditions come together, and into an
/// archive.
#[test]
fn a_merge_and_an_archive_carry_the_extra_jobs() {
    let folder = Folder::new();
    let at = folder.path();
    let text = plan("[diagnosis]\nworst_conditions = 1\n");
    folder.file("plan.toml", &text);
    let run = |plan: &str, into: &str, seed: &str| {
        let run = nightbench(at, &["run", plan, "--into", into, "--seed", seed]);
        assert!([0, 1, 3].contains(&run.code), "{}", run.err);
    };
    for (into, seed) in [("one", "1"), ("two", "1"), ("other", "2")] {
        run("plan.toml", into, seed);
    }
    let (one, two) = (at.join("one/extra-jobs"), at.join("two/extra-jobs"));
    assert_eq!(jobs_of(&one).len(), 4);

    // In one folder the slower rate turned out worst.
    let stored = |dir: &std::path::Path| -> String {
        let store = Connection::open(dir.join("results.sqlite")).unwrap();
        store.query_row("SELECT plan_text FROM plans ORDER BY sequence DESC", [], |row| row.get(0)).unwrap()
    };
    let faster = stored(&two);
    let (head, levels) = faster.trim_end().rsplit_once("of = [\"").unwrap();
    assert_eq!(levels.matches('1').count(), 1, "the second rate is the only second level: {levels}");
    folder.file("slower.toml", &format!("{head}of = [\"{}\n", levels.replace('1', "0")));
    std::fs::remove_dir_all(&two).unwrap();
    run("slower.toml", "two/extra-jobs", "1");
    assert_eq!(jobs_of(&two).len(), 4);

    let merge = |arguments: &[&str]| nightbench(at, &[&["merge", "--json"][..], arguments].concat());
    let cases = [(&["one"][..], 4, 4), (&["one", "two"][..], 4, 8), (&["two", "one"][..], 0, 8)];
    for (parts, taken, there) in cases {
        let merged = merge(&[&["merged"][..], parts].concat());
        assert!([0, 1].contains(&merged.code), "{}", merged.err);
        assert_eq!(json(&merged)["extra_jobs"], taken, "{}", merged.err);
        assert_eq!(jobs_of(&at.join("merged/extra-jobs")).len(), there);
    }
    let causes = |dir: &str, rate: &str| {
        let why = nightbench(at, &["why", dir, "--only", &format!("rate={rate}"), "--json"]);
        assert_eq!(why.code, 0, "{}", why.err);
        json(&why)["conditions"][0]["eyes"][0]["causes"].clone()
    };
    assert_eq!(causes("merged", "2666"), causes("one", "2666"));
    assert_eq!(causes("merged", "2133")["extra_jobs"], 4);
    assert_eq!(causes("one", "2133")["extra_jobs"], 0);

    // What does not belong together is refused before anything is written.
    std::fs::remove_dir_all(&two).unwrap();
    std::fs::rename(at.join("other/extra-jobs"), &two).unwrap();
    let refused = merge(&["mixed", "one", "two"]);
    assert!(refused.code == 2 && refused.err.contains("seed"), "{}", refused.err);
    assert!(!at.join("mixed").exists());

    let made = nightbench(at, &["export", "merged", "--as", "archive", "--out", "run.tar"]);
    assert_eq!(made.code, 0, "{}", made.err);
    let number = made.err.trim().rsplit_once("report ").unwrap().1.to_string();
    let verify = |name: &str| nightbench(at, &["report", name, "--verify", &number]);
    assert_eq!(verify("run.tar").code, 0, "{}", verify("run.tar").err);
    let unpacked = at.join("unpacked");
    std::fs::create_dir(&unpacked).unwrap();
    runner::folder::archive::unpack(&at.join("run.tar"), &unpacked).unwrap();
    assert_eq!(jobs_of(&unpacked.join("extra-jobs")).len(), 8);
    assert_eq!(causes("unpacked", "2133"), causes("merged", "2133"));
    // A letter of the extra jobs' own store changed: the last one of the archive.
    let mut bytes = std::fs::read(at.join("run.tar")).unwrap();
    let head = b"SQLite format 3\0";
    let place = bytes.windows(head.len()).rposition(|window| window == head).unwrap();
    let rows = bytes[place..].windows(6).position(|window| window == b"PRBS31").unwrap();
    bytes[place + rows] ^= 1;
    std::fs::write(at.join("changed.tar"), bytes).unwrap();
    assert_eq!(verify("changed.tar").code, 74, "{}", verify("changed.tar").out);
}

/// Neighbours that keep their level couple nothing (forward coupling is a derivative): the eye is as wide as without coupling.
#[test]
fn quiet_neighbours_are_no_coupling() {
    let folder = Folder::new();
    let base = plan("pattern = [\"PRBS31\", \"victim only\"]\n")
        .replace("model = { rj_ps = 15.0 }", "model = { rj_ps = 4.5 }");
    let none = base.replacen("[[limit]]", "[model]\nxt_line_ps = 0.0\nxt_conn_ps = 0.0\n[[limit]]", 1);
    let widths = |name: &str, text: &str| -> Vec<f64> {
        folder.file(&format!("{name}.toml"), text);
        let run = nightbench(folder.path(), &["run", &format!("{name}.toml"), "--into", name, "--json"]);
        assert!([0, 1].contains(&run.code), "{}\n{}", run.out, run.err);
        metrics(&folder, name).iter().map(|one| one[0]["value"].as_f64().unwrap()).collect()
    };
    let (with, without) = (widths("with", &base), widths("without", &none));
    for (pair, free) in with.chunks_exact(2).zip(without.chunks_exact(2)) {
        assert!(pair[1] > pair[0] + 2.0, "quiet neighbours widen the eye: {with:?}");
        assert!((pair[1] - free[0]).abs() < 3.0 && (free[0] - free[1]).abs() < 3.0, "{with:?} {without:?}");
    }
}

/// On a bench the extra jobs follow in a sitting of their own, trained with the plan's pattern and within the same limits; everything is
/// off when they end.
#[test]
fn a_bench_measures_extra_jobs_after_its_own() {
    let rig = rig(&format!("{}\n[diagnosis]\nworst_conditions = 1\n", one_setup()), 1, 0.0, 2000.0);
    let run = rig.run(&[]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let own = jobs_of(&rig.folder.path().join("out"));
    assert!(own.iter().all(|(pattern, _)| pattern == "PRBS31"), "{own:?}");
    let store = Connection::open(rig.folder.path().join("out/extra-jobs/results.sqlite")).unwrap();
    let mut statement = store.prepare("SELECT pattern, outcome FROM jobs ORDER BY pattern").unwrap();
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    let extra: Vec<(String, String)> = rows.map(Result::unwrap).collect();
    let expected =
        ["PRBS31", "fixed 0", "fixed 01", "fixed 1"].map(|pattern| (pattern.into(), "measured".into()));
    assert_eq!(extra, expected, "{}", run.err);
    nothing_outside(&rig.bench);
    rig.off();
}
