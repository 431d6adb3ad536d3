//! Predicted verdicts from the plan to the page: what is left out is marked as predicted everywhere, and nothing else changes.

use crate::bench_run::{nothing_outside, one_setup, rig};
use crate::sitting::{MONDAY_EVENING, Sitting, as_wanted, first_change_wrong, mounts};
use crate::support::{Folder, Run, SMALL, json, nightbench, program};
use runner::store::{JobKey, Store};
use serde_json::Value;
use std::collections::BTreeSet;
use std::process::Stdio;
use std::time::Duration;

/// Four setups, seven temperatures, three rates; an audit is cheap and a wrong verdict, too.
pub fn plan(more: &str) -> String {
    let text = SMALL
        .replace("kind = \"SODIMM\"", "kind = \"UDIMM\"")
        .replace("rate = [2133, 2400]", "rate = [1866, 2133, 2400]")
        .replace("temperature_degc = [25, 60]", "temperature_degc = [-20, 0, 25, 40, 60, 75, 90]");
    format!("{text}\n[predicted]\nwrong_verdict_hours = 0.05\n{more}")
}

fn run(folder: &Folder, into: &str, more: &[&str]) -> Run {
    let mut arguments = vec!["run", "plan.toml", "--into", into, "--json"];
    arguments.extend(more);
    nightbench(folder.path(), &arguments)
}

fn lines(folder: &Folder, into: &str) -> Vec<Value> {
    let export = nightbench(folder.path(), &["export", into, "--as", "jsonl"]);
    assert_eq!(export.code, 0, "{}", export.err);
    export.out.lines().map(|line| serde_json::from_str(line).expect("a JSON line")).collect()
}

fn keys(folder: &Folder, into: &str) -> BTreeSet<JobKey> {
    let reader = Store::open_read_only(&folder.path().join(into)).expect("a store");
    reader.done_keys().expect("keys").into_iter().collect()
}

fn predicted(lines: &[Value]) -> Vec<&Value> {
    lines.iter().filter(|line| line["class"] == "predicted").collect()
}

/// Page and exports of a folder, as `report` makes them now.
fn everything(folder: &Folder, into: &str) -> Vec<String> {
    let report = nightbench(folder.path(), &["report", into]);
    assert!([0, 1, 3].contains(&report.code), "{}", report.err);
    let page = std::fs::read_to_string(folder.path().join(into).join("report.html")).expect("a page");
    let exports = ["csv", "jsonl", "junit"].map(|format| {
        let export = nightbench(folder.path(), &["export", into, "--as", format]);
        assert_eq!(export.code, 0, "{}", export.err);
        export.out
    });
    std::iter::once(page).chain(exports).collect()
}

#[test]
fn what_is_asked_for_by_name_and_left_is_not_complete() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan(""));
    run(&folder, "d", &[]);
    let all = lines(&folder, "d");
    let foretold = predicted(&all);
    // Nothing is left to choose: a further run announces nothing.
    let again = nightbench(folder.path(), &["run", "plan.toml", "--into", "d"]);
    assert!(!again.err.contains("left, ends") && !again.err.contains("guess"), "{}", again.err);
    // What is asked for by name and left is not complete, though the plan does not count on it.
    let level = foretold[0]["condition"]["temperature_degc"].as_f64().expect("a level");
    let only = format!("temperature={level}");
    let named = run(&folder, "d", &["--only", &only, "--hours", "0.01"]);
    assert_eq!(named.code, 3, "{}", named.err);
    let left = nightbench(folder.path(), &["status", "d"]).out;
    assert!(!left.contains("\ncomplete"), "{left}");
    assert!(left.contains("no run is going on; the same `run` command continues it"), "{left}");
    run(&folder, "d", &[]);
    // As a run of a selection leaves it that was cut before its first job.
    let mut store = Store::open(&folder.path().join("d")).expect("a store");
    let places: Vec<usize> = (0..all.len()).collect();
    store.note("asked for by name", &format!("{places:?}")).expect("a note");
    drop(store);
    let left = nightbench(folder.path(), &["status", "d"]).out;
    assert!(left.contains(&format!("{} jobs asked for by name", foretold.len())), "{left}");
    assert!(!left.contains("\ncomplete"), "{left}");
    run(&folder, "d", &[]);
    let status = nightbench(folder.path(), &["status", "d"]).out;
    assert!(status.contains("\ncomplete"), "{status}");
}

#[test]
fn what_is_left_out_is_predicted_and_marked_everywhere() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan(""));
    let told = run(&folder, "d", &[]);
    let summary = json(&told);
    let all = lines(&folder, "d");
    let foretold = predicted(&all);
    assert!(!foretold.is_empty() && foretold.len() < all.len(), "{} of {}", foretold.len(), all.len());
    assert_eq!(summary["jobs"].as_u64().unwrap() as usize + foretold.len(), all.len());
    let counted =
        summary["predicted"]["pass"].as_u64().unwrap() + summary["predicted"]["fail"].as_u64().unwrap();
    assert_eq!((counted as usize, summary["not_measured"].as_u64()), (foretold.len(), Some(0)));
    // The plan does not admit them: the run is incomplete.
    assert_eq!(told.code, 3, "{}", told.err);
    for line in &foretold {
        assert!(line["verdict"].is_null() && line["state"] == "predicted", "{line}");
        assert!(
            line["metrics"].as_array().unwrap().is_empty() && line["jobs"].as_array().unwrap().is_empty()
        );
        // An interval may be open above: of an eye that is larger than is modelled.
        let [low, margin] =
            ["interval_low_ps", "predicted_margin_ps"].map(|name| line[name].as_f64().unwrap());
        assert!(low < margin && line["interval_high_ps"].as_f64().is_none_or(|high| margin < high), "{line}");
        let p_wrong = line["p_wrong"].as_f64().unwrap();
        assert!((0.0..=1.0).contains(&p_wrong), "{line}");
        let pass = line["predicted_verdict"] == "predicted pass";
        assert!(pass || line["predicted_verdict"] == "predicted fail", "{line}");
    }
    // What was measured has no predicted fields.
    assert!(all.iter().filter(|line| line["class"] != "predicted").all(|line| line["p_wrong"].is_null()));
    let [page, csv, jsonl, junit] = <[String; 4]>::try_from(everything(&folder, "d")).expect("four");
    assert_eq!(csv.matches(",predicted,none,").count(), foretold.len());
    assert!(csv.lines().next().unwrap().ends_with(
        "class,predicted_verdict,predicted_margin_ps,interval_low_ps,interval_high_ps,predicted_margin_mv,interval_low_mv,\
         interval_high_mv,p_wrong"
    ));
    assert_eq!(junit.matches("<skipped message=\"predicted ").count(), foretold.len());
    assert!(!jsonl.is_empty());
    for words in [
        "id=\"predicted\"",
        "What cannot be seen",
        "Predicted, not measured",
        "class=\"vpp\"",
        "not measured, predicted pass: outside the decision",
    ] {
        assert!(page.contains(words), "{words}");
    }
    let status = nightbench(folder.path(), &["status", "d"]).out;
    assert!(status.contains("complete") && status.contains("predicted pass"), "{status}");
    let told = json(&nightbench(folder.path(), &["status", "d", "--json"]));
    let counts = &told["job_counts"];
    assert_eq!((&counts["to_do"], &told["bench_hours_left"]), (&Value::from(0), &Value::from(0.0)), "{told}");
    assert_eq!(counts["done"].as_u64().unwrap() + counts["predicted"].as_u64().unwrap(), 84, "{counts}");
    // One figure of hours everywhere: those of the order in which it was chosen.
    let hours = told["predictions"]["hours"][1].as_f64().unwrap();
    assert!((told["bench_hours"].as_f64().unwrap() - hours).abs() < 1e-9, "{told}");
    for words in [
        format!("<dd>{hours:.1} h with every change-over"),
        format!("{hours:.1} h of the bench in the order"),
    ] {
        assert!(page.contains(&words), "{words}");
    }
    // Again: nothing more is chosen, and every byte is the same.
    let again = run(&folder, "d", &[]);
    assert_eq!((json(&again)["jobs"].as_u64(), again.code), (summary["jobs"].as_u64(), 3), "{}", again.err);
    assert_eq!(everything(&folder, "d"), [page, csv, jsonl, junit]);
    // What was predicted is measured when it is asked for by that.
    let more = run(&folder, "d", &["--only", "predicted-pass,predicted-fail,rate=2400"]);
    let then = json(&more);
    assert!(then["jobs"].as_u64() > summary["jobs"].as_u64(), "{}", more.err);
    assert!(predicted(&lines(&folder, "d")).iter().all(|line| line["condition"]["rate_mtps"] != 2400.0));
}

/// What was measured once and withdrawn is not measured, and never predicted.
#[test]
fn a_withdrawn_measurement_is_not_replaced_by_a_prediction() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan(""));
    run(&folder, "d", &[]);
    let chosen = keys(&folder, "d");
    run(&folder, "d", &["--only", "predicted-pass,rate=2400"]);
    let before = predicted(&lines(&folder, "d")).len();
    let by_name: Vec<JobKey> = keys(&folder, "d").difference(&chosen).copied().collect();
    assert!(!by_name.is_empty() && before > 0);
    let mut store = Store::open(&folder.path().join("d")).expect("a store");
    assert_eq!(store.supersede_all(&by_name, "withdrawn").expect("marked"), by_name.len());
    store.close().expect("an end");
    let after = lines(&folder, "d");
    let not_run = after.iter().filter(|line| line["state"] == "not_run").count();
    assert_eq!((predicted(&after).len(), not_run), (before, by_name.len()));
}

/// Other limits: predicted anew against them, from the same results.
#[test]
fn other_limits_are_predicted_anew_and_a_plan_may_admit_predictions() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan("counts_for_release = true\n"));
    let told = run(&folder, "d", &[]);
    assert!([0, 1].contains(&told.code), "{} {}", told.code, told.err);
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).expect("a page");
    assert!(page.contains("counts, as the plan says"));
    let before = json(&told);
    // What the price had measured and left is told with numbers, and one sentence holds what may be wrong.
    let [fixed, chosen] = [0, 1].map(|at| before["predictions"]["measured"][at].as_u64().expect("a number"));
    let jobs = before["jobs"].as_u64().expect("jobs");
    assert_eq!(fixed + chosen, jobs, "{before}");
    assert!(page.contains(&format!(
        "Measured: {jobs} conditions, {fixed} of them cover and audits whatever the price"
    )));
    assert!(page.contains("predicted verdicts the model expects"));
    // A predicted pass that may lie within the guard band is no pass.
    let perhaps = before["predictions"]["perhaps_conditional"].as_u64();
    let fails =
        before["verdicts"].as_object().unwrap().iter().any(|(of, n)| of != "pass" && n.as_u64() > Some(0));
    let all_pass = perhaps == Some(0) && !fails && before["predicted"]["fail"].as_u64() == Some(0);
    assert_eq!(told.code == 0, all_pass, "{before}");
    // A program that reads failures alone sees it as well.
    let junit = nightbench(folder.path(), &["export", "d", "--as", "junit"]).out;
    assert_eq!(junit.matches("failures=\"0\"").count() == junit.matches("failures=\"").count(), all_pass);
    let high = SMALL.replace("minimum = 0.2\n", "minimum = 0.75\n");
    let limits = high.split("[[limit]]").skip(1).map(|part| format!("[[limit]]{part}")).collect::<String>();
    folder.file("limits.toml", &limits);
    let asked = nightbench(folder.path(), &["report", "d", "--limits", "limits.toml", "--json"]);
    let then = json(&asked);
    // They count only where the blocks drawn at random bound how many are wrong.
    let bound = then["predictions"]["drawn"]["share_wrong_at_most"].as_f64().expect("audits");
    assert_eq!(asked.code, if bound <= 0.25 { 1 } else { 3 }, "{} {then}", asked.err);
    let reasons = then["release"]["reasons"].to_string();
    assert_eq!(reasons.contains("25 % is the most (raise `audit_blocks`)"), bound > 0.25, "{reasons}");
    assert!(then["predicted"]["fail"].as_u64() > before["predicted"]["fail"].as_u64(), "{then}");
    let total = |summary: &Value| {
        summary["predicted"]["pass"].as_u64().unwrap() + summary["predicted"]["fail"].as_u64().unwrap()
    };
    assert!(total(&then) > 0 && total(&then) <= total(&before), "{then}");
    // The plan's own are as they were.
    assert_eq!(
        json(&nightbench(folder.path(), &["report", "d", "--json"]))["predicted"],
        before["predicted"]
    );
}

/// Where a measurement could only be undecided, nothing is predicted, and the run is incomplete though the plan admits predictions.
#[test]
fn what_a_measurement_could_not_decide_is_not_predicted() {
    let folder = Folder::new();
    let text = plan("counts_for_release = true\n").replace("minimum = 0.2\n", "minimum = 0.02\n");
    folder.file("plan.toml", &text);
    let told = run(&folder, "d", &[]);
    let summary = json(&told);
    let passes = ["pass", "fail"].map(|word| summary["predicted"][word].as_u64().unwrap());
    assert!(summary["undecided"].as_u64() > Some(0) && summary["verdicts"]["pass"] == 0, "{summary}");
    assert_eq!((passes, told.code), ([0, 0], 3), "{summary}");
    let left = summary["predictions"]["undecidable"].as_u64();
    assert!(left > Some(0) && left == summary["not_measured"].as_u64(), "{summary}");
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).expect("a page");
    assert!(page.contains("not predicted either, since a measurement would be undecided"));
    // What no audit had a value for is said, and both rows of audits stand there.
    assert!(page.contains("blocks drawn at random before the start</th>"));
    assert!(page.contains("these and the cover</th>"));
    let whole = run(&folder, "d", &["--only", "temperature=0"]);
    assert_eq!(json(&whole)["verdicts"]["pass"], 0, "measured, it is undecided");
}

#[test]
fn threads_and_a_cut_change_nothing() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan("").replace("lanes = 8", "lanes = 24"));
    run(&folder, "whole", &["--threads", "1"]);
    run(&folder, "threads", &["--threads", "3"]);
    assert_eq!(keys(&folder, "whole"), keys(&folder, "threads"));
    let whole = everything(&folder, "whole");
    assert_eq!(whole, everything(&folder, "threads"));
    // What is predicted in both is said of both.
    let compared = nightbench(folder.path(), &["compare", "whole", "threads", "--json"]);
    assert!(compared.out.contains("; run: "), "{} {}", compared.out, compared.err);
    let done = |into: &str| {
        let status = nightbench(folder.path(), &["status", into, "--json"]);
        status.code == 0 && json(&status)["predictions"]["finished"] == true
    };
    let stored = || Store::open_read_only(&folder.path().join("cut")).and_then(|reader| reader.done_keys());
    for wanted in [3, 13, 24] {
        let mut child = program()
            .current_dir(folder.path())
            .args(["run", "plan.toml", "--into", "cut", "--threads", "2"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("a process");
        // Killed as soon as so many jobs are stored; where it has ended by itself there is nothing to be killed.
        while stored().map_or(0, |keys| keys.len()) < wanted && child.try_wait().expect("a state").is_none() {
            std::thread::sleep(Duration::from_millis(10));
        }
        let _ = child.kill();
        child.wait().expect("an end");
    }
    assert!(!done("cut"), "it was cut");
    run(&folder, "cut", &[]);
    assert!(done("cut"));
    assert_eq!(keys(&folder, "cut"), keys(&folder, "whole"));
    assert_eq!(everything(&folder, "cut"), whole);
}

/// Hours end before the choice does: nothing is predicted, the rest had no time, and the next run goes on from there.
#[test]
fn hours_that_end_first_predict_nothing() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan(""));
    let seen = json(&nightbench(folder.path(), &["preview", "plan.toml", "--hours", "3", "--json"]));
    let short = run(&folder, "d", &["--hours", "3"]);
    let summary = json(&short);
    // What is previewed is what is done: only what is chosen, as far as it fits.
    let (foreseen, done) = (seen["in_hours"]["jobs"].as_u64().unwrap(), summary["jobs"].as_u64().unwrap());
    assert!(foreseen > 0 && foreseen.abs_diff(done) <= 6, "{foreseen} foreseen, {done} done");
    assert_eq!((short.code, summary["predictions"]["finished"].as_bool()), (3, Some(false)), "{}", short.err);
    assert!(predicted(&lines(&folder, "d")).is_empty());
    let status = json(&nightbench(folder.path(), &["status", "d", "--json"]));
    assert_eq!(status["no_time_left"].as_u64(), summary["not_measured"].as_u64());
    let rest = json(&run(&folder, "d", &[]));
    // What was still to come was told without what is predicted now.
    let count = |name: &str| status["job_counts"][name].as_u64().unwrap();
    let (told, jobs) = (count("done") + count("to_do"), rest["jobs"].as_u64().unwrap());
    assert!(told > done && told < 84 && told.abs_diff(jobs) <= 12, "{told} foretold, {jobs} done: {status}");
    let hours = |name: &str| status[name].as_f64().unwrap();
    let whole = seen["with_predictions"]["whole_hours"].as_f64().unwrap();
    assert!(hours("bench_hours_left") > 0.0 && hours("bench_hours") + hours("bench_hours_left") < whole);
    assert!(rest["predictions"]["finished"] == true && rest["not_measured"] == 0, "{rest}");
}

/// A first night too short for one job, and a folder that nothing was stored in: page, exports and commands predict nothing and say so.
#[test]
fn before_anything_is_measured_nothing_is_predicted() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan("counts_for_release = true\n"));
    std::fs::create_dir(folder.path().join("empty")).expect("a folder");
    for command in ["status", "report"] {
        let refused = nightbench(folder.path(), &[command, "empty"]);
        assert_eq!(refused.code, 2, "{command}: {}", refused.err);
        assert!(refused.err.contains("no results of a run here"), "{command}: {}", refused.err);
    }
    let short = run(&folder, "d", &["--hours", "0.1"]);
    let summary = json(&short);
    // Predictions that count make no decision out of nothing.
    assert_eq!((short.code, &summary["jobs"]), (3, &Value::from(0)), "{}", short.err);
    let nothing = |of: &Value| {
        assert_eq!(of["predicted"], serde_json::json!({ "pass": 0, "fail": 0 }), "{of}");
        assert_eq!(of["predictions"]["finished"], false, "{of}");
    };
    nothing(&summary);
    nothing(&json(&nightbench(folder.path(), &["report", "d", "--json"])));
    let status = nightbench(folder.path(), &["status", "d", "--json"]);
    assert_eq!(status.code, 0, "{}", status.err);
    nothing(&json(&status));
    assert!(json(&status)["bench_hours_left"].as_f64() > Some(0.0));
    let all = lines(&folder, "d");
    assert_eq!(all.len(), 84);
    for line in &all {
        assert!(line["class"] == "none" && line["p_wrong"].is_null() && line["verdict"].is_null(), "{line}");
    }
    let [page, _, _, junit] = <[String; 4]>::try_from(everything(&folder, "d")).expect("four");
    assert!(page.contains("Nothing is predicted yet: what is measured is still being chosen."));
    for none in ["<b>0</b> <span>≈✓ predicted pass", "<b>0</b> <span>≈✕ predicted fail"] {
        assert!(page.contains(none), "{none}");
    }
    assert!(!junit.contains("<skipped message=\"predicted "));
    // What the next night would do is foreseen from the channel model alone, as it would be without the folder.
    let preview = |more: &[&str]| {
        let mut arguments = vec!["preview", "plan.toml", "--hours", "3", "--json"];
        arguments.extend(more);
        let told = nightbench(folder.path(), &arguments);
        assert_eq!(told.code, 0, "{}", told.err);
        json(&told)["in_hours"]["jobs"].as_u64()
    };
    assert!(preview(&[]) > Some(0));
    assert_eq!(preview(&["--into", "d"]), preview(&[]));
}

/// A stored input that was changed is noticed, and one selected part of a plan is measured whole.
#[test]
fn a_changed_input_is_noticed() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan(""));
    run(&folder, "d", &[]);
    for (name, from, to) in [
        ("expected", "'\"share\":0.'", "'\"share\":0.9'"),
        ("chosen", "'\"finished\":true'", "'\"finished\":false'"),
    ] {
        let path = folder.path().join("d/results.sqlite");
        let before = std::fs::read(&path).expect("a store");
        let connection = rusqlite::Connection::open(&path).expect("a database");
        let sql = format!("UPDATE meta SET value = replace(value, {from}, {to}) WHERE key LIKE '%{name}'");
        assert_eq!(connection.execute(&sql, []).expect("a change"), 1, "{name}");
        drop(connection);
        let report = nightbench(folder.path(), &["report", "d"]);
        assert_eq!(report.code, 74, "{name}: {}", report.err);
        let status = nightbench(folder.path(), &["status", "d"]);
        assert_eq!(status.code, 74, "{name}: {}", status.err);
        std::fs::write(&path, before).expect("a store");
    }
    folder.file("plan.toml", &plan("audit_blocks = 1000\n"));
    let everything = nightbench(folder.path(), &["run", "plan.toml", "--into", "everything"]);
    let words = everything.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("nothing that counts is predicted: cover and audits take every block"), "{words}");
    let only = run(&folder, "part", &["--only", "temperature=60"]);
    assert_eq!(json(&only)["jobs"], 12, "{}", only.err);
    assert!(predicted(&lines(&folder, "part")).is_empty());
}

#[test]
fn what_makes_no_sense_is_refused() {
    let folder = Folder::new();
    let check = |text: &str| {
        folder.file("wrong.toml", text);
        nightbench(folder.path(), &["check", "wrong.toml"])
    };
    for (more, words) in [
        ("\n[highest_rate]\n", "both choose what is measured"),
        ("\n[coverage]\nkind = \"t-wise\"\nstrength = 2\n", "[coverage] leaves most of them out"),
        (
            "\n[[limit]]\nmetric = \"early margin\"\nminimum = 0.05\nunit = \"UI\"\nsource = \"invented\"\n",
            "limit for early margin",
        ),
        ("\n[order]\ncold_first = true\n", "decides what is measured next"),
    ] {
        let refused = check(&plan(more));
        assert_eq!(refused.code, 2, "{more}");
        assert!(refused.err.contains(words), "{words}: {}", refused.err);
    }
    let refused = check(&plan("").replace("wrong_verdict_hours = 0.05", "wrong_verdict_hours = 0"));
    assert!(refused.err.contains("allowed: 0.01 h to 1000 h"), "{}", refused.err);
    folder.file("plan.toml", &plan(""));
    let shard = run(&folder, "d", &["--shard", "1/2"]);
    assert_eq!(shard.code, 2);
    assert!(shard.err.contains("a shard has only its own"), "{}", shard.err);
    let told = nightbench(folder.path(), &["preview", "plan.toml", "--json"]);
    let seen = &json(&told)["with_predictions"];
    let hours = ["mandatory_hours", "hours", "whole_hours"].map(|name| seen[name].as_f64().unwrap());
    assert!(hours[0] > 0.0 && hours[0] <= hours[1] && hours[1] <= hours[2] + 1e-9, "{seen}");
    // Where little is left out the order that is chosen costs minutes, no more.
    let tiny = plan("")
        .replace("temperature_degc = [-20, 0, 25, 40, 60, 75, 90]", "temperature_degc = [25, 60, 90]");
    folder.file("tiny.toml", &tiny);
    let told = nightbench(folder.path(), &["preview", "tiny.toml", "--json"]);
    let seen = &json(&told)["with_predictions"];
    let hours = ["hours", "whole_hours"].map(|name| seen[name].as_f64().unwrap());
    assert!(hours[0] <= 1.01 * hours[1], "{seen}");
}

/// On a bench the temperatures of a setup are visited where that pays, and what is left is predicted.
#[test]
fn a_bench_leaves_out_what_is_not_worth_its_hours() {
    let plan = one_setup()
        .replace("temperature_degc = [25, 60]", "temperature_degc = [0, 10, 20, 25, 30, 40, 50, 60, 70, 80]")
        + "\n[predicted]\nwrong_verdict_hours = 0.05\n";
    let rig = rig(&plan, 1, 0.0, 1000.0);
    // Hours that end first: nothing is predicted, and the next run goes on.
    let short = rig.run(&["--hours", "1.2"]);
    let before = json(&short);
    assert_eq!((short.code, &before["predictions"]["finished"]), (3, &Value::Bool(false)), "{}", short.err);
    assert!(before["jobs"].as_u64() > Some(0) && short.err.contains("1.2 h"), "{}", short.err);
    rig.off();
    let told = rig.run(&[]);
    let summary = json(&told);
    assert!(summary["jobs"].as_u64() > before["jobs"].as_u64());
    assert_eq!((told.code, summary["not_measured"].as_u64()), (3, Some(0)), "{}", told.err);
    let export = nightbench(rig.folder.path(), &["export", "out", "--as", "jsonl"]).out;
    let foretold = export.matches("\"class\":\"predicted\"").count();
    assert!(foretold > 0, "{summary}");
    assert_eq!(summary["jobs"].as_u64().unwrap() as usize + foretold, 20);
    let again = rig.run(&[]);
    assert_eq!(json(&again)["jobs"], summary["jobs"], "{}", again.err);
    rig.off();
    nothing_outside(&rig.bench);
}

/// Four setups on a bench with hands.
fn with_hands() -> String {
    SMALL
        .replace(
            "[[module]]\nname = \"Birch\"\nkind = \"SODIMM\"\nrated = 2400",
            "[[module]]\nname = \"Cedar\"\nkind = \"UDIMM\"\nrated = 2666",
        )
        .replace("temperature_degc = [25, 60]", "temperature_degc = [0, 10, 25, 40, 50, 60]")
        + "\n[predicted]\nwrong_verdict_hours = 0.02\n"
}

fn page_lines(sitting: &Sitting) -> Vec<Value> {
    lines(&sitting.folder, "out")
}

/// A setup that never answers is not measured and not predicted; what is declined waits, and the others go on.
#[test]
fn hands_mount_what_is_chosen_and_a_setup_that_cannot_be_mounted_is_never_predicted() {
    let sitting = Sitting::new(&with_hands(), 4000.0);
    let mut hands = sitting.hands(first_change_wrong(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert!(end.is_sound(), "{end:?}");
    let broken = hands.asked[0].0.clone();
    assert_eq!(hands.asked.iter().filter(|(setup, _)| *setup == broken).count(), 2, "{:?}", hands.asked);
    let all = page_lines(&sitting);
    let setup = |line: &Value| {
        let level = |name: &str| line["condition"][name].as_str().unwrap().to_string();
        format!("{} on {}", level("module"), level("channel"))
    };
    let foretold = predicted(&all);
    assert!(!foretold.is_empty() && foretold.iter().all(|line| setup(line) != broken), "{}", foretold.len());
    let not_measured = all.iter().filter(|line| line["state"] == "not_measured").count();
    assert_eq!((not_measured, end.not_measured), (12, 12));
    assert!(all.iter().filter(|line| setup(line) == broken).all(|line| line["state"] == "not_measured"));
    assert_eq!(sitting.bench.world().still_on(), Vec::<String>::new());
}

#[test]
fn what_is_declined_waits_and_nothing_is_predicted_before_it_was_measured() {
    let mut sitting = Sitting::new(&with_hands(), 4000.0);
    // An hour before anybody comes.
    sitting.start_local_min = Some(MONDAY_EVENING + 11.0 * 60.0);
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let bench = &sitting.bench;
    let mut declined: Option<(String, String)> = None;
    let mut hands = sitting.hands(Box::new(move |wanted, _| {
        let this = (wanted.module.clone(), wanted.channel.clone());
        if *declined.get_or_insert_with(|| this.clone()) == this {
            return false;
        }
        bench.mount(as_wanted(wanted));
        true
    }));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert!(end.is_sound() && end.waiting_for_hands > 0, "{end:?}");
    let setups: BTreeSet<String> = sitting.outcomes().into_iter().map(|(setup, _)| setup).collect();
    assert_eq!(setups.len(), 3, "{setups:?}");
    assert!(predicted(&page_lines(&sitting)).is_empty());
    // The next day everything is mounted, and the choice comes to its end.
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert!(end.is_sound() && end.waiting_for_hands == 0, "{end:?}");
    let all = page_lines(&sitting);
    assert!(!predicted(&all).is_empty() && all.iter().all(|line| line["state"] != "not_run"));
    assert_eq!(sitting.bench.world().still_on(), Vec::<String>::new());
}
