//! Captures of rows and columns: the default of deep plans, what their verdicts say of themselves, and where the full eye
//! is taken after all.

use crate::support::{Folder, Run, json, nightbench};
use rusqlite::Connection;

/// A plan at 1e-8 with one width limit, ps.
fn plan(minimum: f64, more: &str) -> String {
    format!(
        "title = \"Deep\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 8\n[[module]]\nname = \"Amber\"\nkind = \"UDIMM\"\n\
         rated = 2666\n[[channel]]\nname = \"direct\"\nfits = [\"UDIMM\"]\n[matrix]\nrate = [2133, 2400]\n[capture]\n\
         ber_limit = 1e-8\n{more}[[limit]]\nmetric = \"width\"\nminimum = {minimum}\nunit = \"ps\"\nsource = \"invented\"\n"
    )
}

fn run(folder: &Folder, name: &str, text: &str) -> Run {
    folder.file(&format!("{name}.toml"), text);
    let run = nightbench(folder.path(), &["run", &format!("{name}.toml"), "--into", name, "--json"]);
    assert!([0, 1].contains(&run.code), "{}\n{}", run.out, run.err);
    run
}

/// Mode and evidence of every capture.
fn stored(folder: &Folder, name: &str) -> Vec<(String, String)> {
    let store = Connection::open(folder.path().join(name).join("results.sqlite")).unwrap();
    let mut statement = store.prepare("SELECT mode, evidence FROM captures ORDER BY job_id").unwrap();
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    rows.map(Result::unwrap).collect()
}

fn exported(folder: &Folder, name: &str) -> Vec<serde_json::Value> {
    let lines = nightbench(folder.path(), &["export", name, "--as", "jsonl"]);
    assert_eq!(lines.code, 0, "{}", lines.err);
    lines.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn width(condition: &serde_json::Value) -> (f64, f64) {
    let metric = &condition["metrics"][0];
    (metric["value"].as_f64().unwrap(), metric["expanded_uncertainty"].as_f64().unwrap())
}

#[test]
fn a_deep_plan_takes_rows_and_columns_and_says_so() {
    let folder = Folder::new();
    let told = json(&run(&folder, "deep", &plan(100.0, "")));
    assert_eq!(told["verdicts"]["pass"], 2);
    let rows = ("row_and_column".to_string(), "row_and_column".to_string());
    assert_eq!(stored(&folder, "deep"), [rows.clone(), rows]);
    let page = std::fs::read_to_string(folder.path().join("deep/report.html")).unwrap();
    assert!(page.contains("pass (row and column)"));
    // How many verdicts rest on them, and what they do not see, stands with the result.
    assert!(page.contains("2 of 2 verdicts from eyes rest on rows and columns, 0 on full eyes."));
    let words = nightbench(folder.path(), &["run", "deep.toml", "--into", "deep"]);
    assert!(words.out.contains("of them by row and column"), "{}", words.out);
    let table = nightbench(folder.path(), &["export", "deep", "--as", "csv"]).out;
    assert!(table.lines().next().unwrap().contains(",evidence,") && table.contains(",row_and_column,"));
    // The full eye of the same silicon agrees, for many times the seconds.
    run(&folder, "whole", &plan(100.0, "mode = \"exact\"\n"));
    assert!(
        stored(&folder, "whole").iter().all(|(mode, evidence)| mode == "exact" && evidence == "full_eye")
    );
    for (short, full) in exported(&folder, "deep").iter().zip(&exported(&folder, "whole")) {
        assert_eq!((&short["evidence"], &full["evidence"]), (&"row_and_column".into(), &"full_eye".into()));
        let ((a, u), (b, _)) = (width(short), width(full));
        assert!((a - b).abs() < u, "{a} {b}");
        let seconds = |one: &serde_json::Value| one["jobs"][0]["times"]["measuring_s"].as_f64().unwrap();
        assert!(seconds(short) < 0.5 * seconds(full), "{} {}", seconds(short), seconds(full));
    }
}

/// A limit put on the width itself is in doubt by whatever short way: the full eye is taken there, and only there.
#[test]
fn what_lies_within_its_u_gets_a_full_eye() {
    let folder = Folder::new();
    run(&folder, "deep", &plan(100.0, ""));
    let widths: Vec<(f64, f64)> = exported(&folder, "deep").iter().map(width).collect();
    let (near, far) = (widths[1].0, widths[0].0);
    assert!((near - far).abs() > 2.0 * widths[1].1, "{widths:?}");
    run(&folder, "near", &plan(near, ""));
    // In the order they came in.
    let mut evidence: Vec<String> =
        stored(&folder, "near").into_iter().map(|(_, evidence)| evidence).collect();
    evidence.sort();
    assert_eq!(evidence, ["full_eye", "row_and_column"]);
    let verdicts = exported(&folder, "near");
    assert_eq!(
        (&verdicts[0]["evidence"], &verdicts[1]["evidence"]),
        (&"row_and_column".into(), &"full_eye".into())
    );
}

/// A plan with a price of wrong verdicts takes no full eye that costs more than it could mend: the verdict rests on rows and columns, and
/// says so. The price admits it, or not.
#[test]
fn a_price_of_wrong_verdicts_decides_whether_a_full_eye_follows() {
    let folder = Folder::new();
    run(&folder, "deep", &plan(100.0, ""));
    let near = width(&exported(&folder, "deep")[1]).0;
    let with = |hours: f64| plan(near, "") + &format!("[predicted]\nwrong_verdict_hours = {hours}\n");
    run(&folder, "cheap", &with(0.01));
    assert!(stored(&folder, "cheap").iter().all(|(_, evidence)| evidence == "row_and_column"));
    let lines = exported(&folder, "cheap");
    assert_eq!(lines[1]["evidence"], "row_and_column");
    let word = lines[1]["verdict"].as_str().unwrap();
    assert!(word.starts_with("conditional"), "{word}");
    run(&folder, "dear", &with(1000.0));
    assert_eq!(exported(&folder, "dear")[1]["evidence"], "full_eye");
    // Alike but for its price: what rows and columns read is what the full eye goes on from.
    let ((a, u), (b, _)) = (width(&lines[1]), width(&exported(&folder, "dear")[1]));
    assert!((a - b).abs() < u, "{a} {b}");
}

/// A row and a column show no mask's corners: they are not judged from them, and a plan with a mask takes full eyes.
#[test]
fn a_mask_is_never_judged_by_row_and_column() {
    let folder = Folder::new();
    let mask = "[[limit]]\nmetric = \"mask\"\nminimum = 60\nmask_height_mv = 60\nunit = \"ps\"\nsource = \"invented\"\n";
    let writes = plan(100.0, "directions = [\"write\"]\n")
        .replace("metric = \"width\"", "metric = \"width\"\ndirection = \"write\"");
    run(&folder, "masked", &(writes.clone() + mask));
    assert!(stored(&folder, "masked").iter().all(|(_, evidence)| evidence == "full_eye"));
    run(&folder, "deep", &writes);
    assert!(stored(&folder, "deep").iter().all(|(_, evidence)| evidence == "row_and_column"));
    folder.file("limits.toml", mask);
    let asked = nightbench(folder.path(), &["report", "deep", "--limits", "limits.toml", "--json"]);
    assert_eq!(json(&asked)["verdicts"]["pass"], 0, "{}", asked.out);
}

/// A folder from before keeps its full eyes: what its plan left unsaid is not read anew.
#[test]
fn a_folder_that_was_stored_without_a_mode_holds_full_eyes() {
    let folder = Folder::new();
    run(&folder, "deep", &plan(100.0, ""));
    let store = Connection::open(folder.path().join("deep/results.sqlite")).unwrap();
    let text: String = store
        .query_row("SELECT plan_text FROM plans ORDER BY sequence DESC LIMIT 1", [], |row| row.get(0))
        .unwrap();
    assert!(text.contains("[stored]\ncapture_mode = \"row_and_column\""), "{text}");
    let read = |text: &str| plan::Plan::read_stored(text).unwrap().capture.mode;
    assert_eq!(read(&text), nightbench_core::results::CaptureMode::RowAndColumn);
    assert_eq!(read(&plan(100.0, "")), nightbench_core::results::CaptureMode::Exact);
}
