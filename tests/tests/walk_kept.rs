//! What was chosen for predicted verdicts is kept where a plan's text changes and what is measured does not.

use crate::predicted::plan;
use crate::support::{Folder, json, nightbench};
use runner::store::Store;

/// Runs a plan's text in a folder; says how many jobs the folder holds then, and what the terminal was told.
fn run(folder: &Folder, text: &str, into: &str, more: &[&str]) -> (usize, String) {
    folder.file("plan.toml", text);
    let mut arguments = vec!["run", "plan.toml", "--into", into];
    arguments.extend(more);
    let run = nightbench(folder.path(), &arguments);
    assert!([0, 1, 3].contains(&run.code), "{}", run.err);
    (done(folder, into), run.err)
}

fn done(folder: &Folder, into: &str) -> usize {
    let reader = Store::open_read_only(&folder.path().join(into)).expect("a store");
    reader.done_keys().expect("keys").len()
}

fn hours(folder: &Folder, into: &str) -> f64 {
    json(&nightbench(folder.path(), &["status", into, "--json"]))["bench_hours"].as_f64().expect("hours")
}

fn copy(folder: &Folder, from: &str, to: &str) {
    let (from, to) = (folder.path().join(from), folder.path().join(to));
    std::fs::create_dir(&to).expect("a folder");
    for file in std::fs::read_dir(from).expect("files") {
        let file = file.expect("a file");
        std::fs::copy(file.path(), to.join(file.file_name())).expect("copied");
    }
}

/// Words, title, rule and whether predictions count choose nothing: nothing more is measured, and what was predicted stays so.
#[test]
fn what_the_choice_does_not_hang_on_discards_nothing() {
    let folder = Folder::new();
    let text = plan("");
    let (jobs, _) = run(&folder, &text, "d", &[]);
    assert!(jobs < 84, "something is predicted");
    let before = hours(&folder, "d");
    for (number, other) in [
        format!("# A remark.\n{text}"),
        text.replace("title = \"Small\"", "title = \"Another title\""),
        plan("counts_for_release = true\n"),
        format!("{text}\n[decision]\nrule = \"simple acceptance\"\n"),
    ]
    .iter()
    .enumerate()
    {
        let into = format!("copy{number}");
        copy(&folder, "d", &into);
        folder.file("plan.toml", other);
        let preview = nightbench(folder.path(), &["preview", "plan.toml", "--into", &into, "--hours", "100"]);
        assert!(preview.out.contains("nothing is left to do"), "{number}: {}", preview.out);
        let (now, err) = run(&folder, other, &into, &[]);
        assert_eq!(now, jobs, "{number}: {err}");
        assert!(err.contains("nothing more is worth its hours"), "{number}: {err}");
        assert!((hours(&folder, &into) - before).abs() < 1e-9, "{number}");
        let page = std::fs::read_to_string(folder.path().join(&into).join("report.html")).expect("a page");
        assert!(!page.contains("No condition is predicted"), "{number}");
    }
}

/// Between two nights as well: the walk ends where it would have with the plan as it was.
#[test]
fn a_plan_reworded_between_two_nights_ends_where_it_would_have() {
    let folder = Folder::new();
    let text = plan("");
    let jobs = |second: &str, into: &str| {
        run(&folder, &text, into, &["--hours", "3"]);
        run(&folder, second, into, &[]).0
    };
    let same = jobs(&text, "same");
    assert!(same < 84);
    assert_eq!(jobs(&format!("# A remark.\n{text}"), "reworded"), same);
}

/// Other limits, another price, another temperature: what is known stays known, and the choice goes on from it.
#[test]
fn what_is_chosen_anew_begins_with_what_was_measured() {
    let folder = Folder::new();
    let text = plan("");
    let (jobs, _) = run(&folder, &text, "d", &[]);
    for (number, (other, whole)) in [
        (text.replace("minimum = 0.2\n", "minimum = 0.21\n"), 84),
        (text.replace("wrong_verdict_hours = 0.05", "wrong_verdict_hours = 0.06"), 84),
        (text.replace("[-20, 0, 25, 40, 60, 75, 90]", "[-20, 0, 10, 25, 40, 60, 75, 90]"), 96),
    ]
    .into_iter()
    .enumerate()
    {
        let into = format!("copy{number}");
        copy(&folder, "d", &into);
        let (now, err) = run(&folder, &other, &into, &[]);
        let fresh = run(&folder, &other, &format!("fresh{number}"), &[]).0;
        assert!(now >= jobs && now < whole, "{number}: {now} of {whole}\n{err}");
        // What was drawn stays drawn, and what another choice would have drawn is added: never everything.
        assert!(now <= jobs + fresh, "{number}: {now}, {jobs} before, {fresh} in a new folder");
        assert!(err.contains("with what is known now"), "{number}: {err}");
    }
}

/// What was measured by its name counts the same before and after a run that measures nothing.
#[test]
fn a_run_that_measures_nothing_takes_no_bench_time() {
    let folder = Folder::new();
    let text = plan("");
    run(&folder, &text, "d", &[]);
    run(&folder, &text, "d", &["--only", "predicted-pass,rate=2400"]);
    let (jobs, before) = (done(&folder, "d"), hours(&folder, "d"));
    run(&folder, &text, "d", &[]);
    assert_eq!(done(&folder, "d"), jobs);
    assert!((hours(&folder, "d") - before).abs() < 1e-9, "{before} h, then {} h", hours(&folder, "d"));
}
