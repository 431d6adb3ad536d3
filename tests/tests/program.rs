//! The program from outside: commands, exit codes, machine output, continuing, reproducibility.

use crate::support::{Folder, SMALL, json, nightbench};

fn library(name: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../plans/library").join(name);
    path.to_str().expect("a path").to_string()
}

#[test]
fn ten_different_mistakes_are_all_listed_in_one_pass() {
    let folder = Folder::new();
    let plan = r#"
titel = "No title"

[interface]
generation = "DDR6"
lanes = 300

[[module]]
name = "M"
kind = "UDIM"
rated = 2400

[[module]]
name = "M"
kind = "RDIMM"
rated = 2500
ranks = 3

[[channel]]
name = "C"
risers = -1
fits = ["UDIMM"]

[matrix]
module = ["N"]
rate = [2400]
temperature_degc = [25, 900]

[capture]
ber_limit = "low"

[[limit]]
metric = "width"
minimum = 0.2
unit = "mV"
"#;
    let path = folder.file("wrong.toml", plan);
    let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert_eq!(run.code, 2, "{}", run.err);
    for words in [
        "has no key `titel`",
        "did you mean `title`",
        "has no `title`",
        "`generation` in [interface] is `DDR6`",
        "`lanes` in [interface] is 300 lanes",
        "did you mean `UDIMM`",
        "has the name of an earlier one",
        "2500 MT/s is no",
        "`ranks` in [[module]] `M` is 3",
        "`risers` in [[channel]] `C` is -1 risers",
        "names the module `N`, which is not declared",
        "holds 900 °C",
        "`ber_limit` in [capture] is a string, not a number",
        "has no `source`",
        "`unit` in [[limit]] number 1 is `mV`",
    ] {
        assert!(run.err.contains(words), "missing: {words}\n{}", run.err);
    }
    for place in ["wrong.toml:2:1", "wrong.toml:5:14", "wrong.toml:10:8", "wrong.toml:27:25"] {
        assert!(run.err.contains(place), "missing the place {place}\n{}", run.err);
    }
    assert!(run.err.contains("nothing was touched"));
    assert!(run.out.is_empty());
}

#[test]
fn text_that_is_no_toml_and_files_that_are_not_there_are_named() {
    let folder = Folder::new();
    let path = folder.file("broken.toml", "title = \"x\n[matrix\n");
    let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("broken.toml:1"), "{}", run.err);
    let run = nightbench(folder.path(), &["check", "absent.toml"]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("absent.toml"));
    assert_eq!(nightbench(folder.path(), &["chekc"]).code, 2);
    assert_eq!(nightbench(folder.path(), &["--version"]).code, 0);
}

#[test]
fn a_matrix_beyond_the_limit_is_refused_with_its_size() {
    let folder = Folder::new();
    let plan = SMALL.replace("[matrix]", "[matrix]\nmost_conditions = 3");
    let path = folder.file("large.toml", &plan);
    let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("has 16 combinations, more than the limit of 3"), "{}", run.err);
}

#[test]
fn preview_states_hours_that_add_up_and_the_bound() {
    let folder = Folder::new();
    let path = folder.file("plan.toml", SMALL);
    let run = nightbench(folder.path(), &["preview", path.to_str().unwrap(), "--json"]);
    assert_eq!(run.code, 0, "{}", run.err);
    let preview = json(&run);
    assert_eq!(preview["conditions"], 8);
    assert_eq!(preview["skipped"], 8);
    assert_eq!(preview["jobs"], 8);
    assert_eq!(preview["setups"], 2);
    assert_eq!(preview["hands_on_changes"], 2);
    let hours = preview["hours"].as_object().unwrap();
    let parts: f64 =
        hours.iter().filter(|(key, _)| *key != "total").map(|(_, value)| value.as_f64().unwrap()).sum();
    assert!((parts - hours["total"].as_f64().unwrap()).abs() < 1e-9);
    let ratio = preview["bound"]["ratio"].as_f64().unwrap();
    assert!(ratio >= 1.0 - 1e-9, "an order below its proven bound: {ratio}");
    let words = nightbench(folder.path(), &["preview", path.to_str().unwrap()]).out;
    assert!(words.contains("takes no SODIMM module"), "{words}");
}

#[test]
fn results_are_the_same_for_any_thread_count_and_any_cut() {
    let folder = Folder::new();
    let path = folder.file("plan.toml", SMALL);
    let plan = path.to_str().unwrap();
    let csv = |dir: &str| {
        let run = nightbench(folder.path(), &["export", dir, "--as", "csv"]);
        assert_eq!(run.code, 0, "{}", run.err);
        run.out
    };
    let one = nightbench(folder.path(), &["run", plan, "--into", "one", "--threads", "1", "--json"]);
    assert!([0, 1].contains(&one.code), "{}", one.err);
    let summary = json(&one);
    assert_eq!(summary["simulated"], true);
    assert_eq!(summary["jobs"], 8);
    assert_eq!(summary["not_measured"], 0);
    assert_eq!(summary["release"]["decision"], if one.code == 0 { "undecided" } else { "no" });
    let four = nightbench(folder.path(), &["run", plan, "--into", "four", "--threads", "4"]);
    assert_eq!(one.code, four.code);
    assert!(csv("one") == csv("four"), "four threads gave another table than one");
    // A run cut in two parts, the later jobs first, ends with the same bytes.
    let part = nightbench(folder.path(), &["run", plan, "--into", "cut", "--only", "temperature=60"]);
    assert!([0, 1].contains(&part.code), "{}", part.err);
    let status = json(&nightbench(folder.path(), &["status", "cut", "--json"]));
    assert_eq!(status["done"], 4);
    assert_eq!(status["jobs"], 8);
    let whole = nightbench(folder.path(), &["run", plan, "--into", "cut"]);
    assert!(whole.err.contains("4 of 8 jobs are done already"), "{}", whole.err);
    assert!(csv("one") == csv("cut"), "an interrupted run gave another table");
    // Done already: nothing is measured again, the report is written.
    let again = nightbench(folder.path(), &["run", plan, "--into", "cut"]);
    assert!(again.err.contains("8 of 8 jobs are done already"), "{}", again.err);
    let other_seed = nightbench(folder.path(), &["run", plan, "--into", "other", "--seed", "2"]);
    assert!([0, 1].contains(&other_seed.code));
    assert!(csv("one") != csv("other"), "another seed gave the same table");
    // The pages hold the same numbers: equal but for nothing.
    let page = |dir: &str| std::fs::read_to_string(folder.path().join(dir).join("report.html")).unwrap();
    assert!(page("one") == page("cut"), "the pages differ");
    assert!(page("one").contains("SIMULATED - not measured"));
    // Rebuilt from the store alone.
    std::fs::remove_file(folder.path().join("one/report.html")).unwrap();
    std::fs::remove_file(&path).unwrap();
    let report = nightbench(folder.path(), &["report", "one", "--json"]);
    assert_eq!(report.code, one.code);
    assert_eq!(json(&report)["verdicts"], summary["verdicts"]);
    assert!(page("one") == page("cut"), "the pages differ");
}

#[test]
fn a_change_to_what_is_measured_is_refused_and_limits_may_change() {
    let folder = Folder::new();
    let small = SMALL.replace("rate = [2133, 2400]", "rate = [2133]").replace("[25, 60]", "[25]");
    let path = folder.file("plan.toml", &small);
    let plan = path.to_str().unwrap();
    let first = nightbench(folder.path(), &["run", plan, "--into", "d"]);
    assert!([0, 1].contains(&first.code), "{}", first.err);
    folder.file("plan.toml", &small.replace("risers = 2", "risers = 3"));
    let refused = nightbench(folder.path(), &["run", plan, "--into", "d"]);
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("channel `risers`"), "{}", refused.err);
    let other_seed = nightbench(folder.path(), &["run", plan, "--into", "d", "--seed", "9"]);
    assert_eq!(other_seed.code, 2);
    // Another limit and one more level: only the new level is measured.
    let more = small.replace("minimum = 0.2\n", "minimum = 1.9\n").replace("[25]", "[25, 60]");
    folder.file("plan.toml", &more);
    let second = nightbench(folder.path(), &["run", plan, "--into", "d", "--json"]);
    assert_eq!(second.code, 1, "{}", second.err);
    assert!(second.err.contains("2 of 4 jobs are done already"), "{}", second.err);
    assert_eq!(json(&second)["verdicts"]["fail"], 4);
}

#[test]
fn an_empty_selection_and_a_missing_folder_have_their_codes() {
    let folder = Folder::new();
    let path = folder.file("plan.toml", SMALL);
    let plan = path.to_str().unwrap();
    let unfit = nightbench(folder.path(), &["run", plan, "--only", "module=Birch"]);
    assert_eq!(unfit.code, 4, "{}", unfit.err);
    assert!(!folder.path().join("runs").exists(), "nothing was touched");
    let unknown = nightbench(folder.path(), &["run", plan, "--only", "module=Brich"]);
    assert_eq!(unknown.code, 2);
    assert_eq!(nightbench(folder.path(), &["status", "absent"]).code, 2);
    folder.file("results.sqlite", "this is no database, whatever its name says, and long enough to be read");
    assert_eq!(nightbench(folder.path(), &["status", "."]).code, 74);
}

#[test]
fn every_plan_of_the_library_is_sound() {
    let folder = Folder::new();
    let names = [
        "quick-look",
        "effects-look",
        "regression-night",
        "qualification",
        "ddr3-look",
        "ddr5-look",
        "lpddr5-look",
        "firmware-before",
        "firmware-after",
    ];
    for name in names.map(|name| format!("{name}.toml")) {
        let run = nightbench(folder.path(), &["check", &library(&name)]);
        assert_eq!(run.code, 0, "{name}: {}", run.err);
        assert!(run.out.contains("no mistakes"));
    }
}
