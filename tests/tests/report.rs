//! The report and its exports: the same numbers everywhere, readers' notes, and any job's eyes on a page.

use crate::support::{Folder, SMALL, json, nightbench};
use eye::counts::CaptureView;
use eye::metrics::{Wanted, lane_metrics};
use eye::value::{EyeMetric, Reading};
use runner::store::{Attempts, Store, hex};
use std::collections::BTreeMap;

/// A table as rows of cells by column name; no cell of these runs has a comma or a quote in it.
fn table(text: &str) -> Vec<BTreeMap<String, String>> {
    let mut lines = text.lines().map(|line| line.trim_end_matches('\r').split(',').collect::<Vec<_>>());
    let header = lines.next().expect("a header");
    lines
        .map(|row| {
            assert_eq!(row.len(), header.len(), "{row:?}");
            header.iter().zip(row).map(|(name, cell)| (name.to_string(), cell.to_string())).collect()
        })
        .collect()
}

fn export(folder: &Folder, format: &str) -> String {
    let run = nightbench(folder.path(), &["export", "d", "--as", format]);
    assert_eq!(run.code, 0, "{}", run.err);
    run.out
}

#[test]
fn numbers_are_equal_in_store_table_json_lines_and_page() {
    let folder = Folder::new();
    let plan = folder.file("plan.toml", SMALL);
    let run = nightbench(folder.path(), &["run", plan.to_str().unwrap(), "--into", "d"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let rows = table(&export(&folder, "csv"));
    // Store and table: every lane of every capture, to the ten digits that a table prints.
    let reader = Store::open_read_only(&folder.path().join("d")).unwrap();
    let mut compared = 0;
    for stored in reader.jobs(Attempts::Counting) {
        let stored = stored.unwrap();
        let key = &hex(&stored.row.key)[..16];
        for capture in reader.captures(&stored).unwrap() {
            let capture = capture.unwrap();
            for lane in lane_metrics(&CaptureView::new(&capture).unwrap(), &Wanted::margins()) {
                let number = lane.lane.unwrap().to_string();
                let row = rows.iter().find(|row| row["job_id"] == key && row["lane"] == number);
                let row = row.unwrap_or_else(|| panic!("job {key}, lane {number} is missing"));
                for (metric, column) in [
                    (EyeMetric::Width, "width_ps"),
                    (EyeMetric::Height, "height_mv"),
                    (EyeMetric::EarlyMargin, "early_margin_ps"),
                    (EyeMetric::UpperMargin, "upper_margin_mv"),
                ] {
                    let value = lane.value(metric, Reading::SubTap).unwrap().base_value(&capture.grid);
                    let printed = row[column].parse::<f64>().unwrap();
                    let last_digit = 1e-9 * value.abs();
                    assert!(
                        (printed - value).abs() <= last_digit,
                        "{key} lane {number} {column}: {printed}, {value}"
                    );
                    compared += 1;
                }
            }
        }
    }
    assert!(compared >= 4 * 8 * 4, "{compared}");
    // Table, JSON lines and page: one job a condition, so the job's lanes are the condition's.
    let html = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    let lines = export(&folder, "jsonl");
    let mut judged = 0;
    for line in lines.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap()) {
        let of_condition: Vec<_> =
            rows.iter().filter(|row| row["condition_id"] == line["condition_id"].as_str().unwrap()).collect();
        assert!(!of_condition.is_empty());
        for eye in line["lanes"].as_array().unwrap() {
            for (lane, width) in
                eye["lanes"].as_array().unwrap().iter().zip(eye["width_ps"].as_array().unwrap())
            {
                let wanted = lane.to_string();
                let row = of_condition.iter().find(|row| row["lane"] == wanted).unwrap();
                let (table, json) = (row["width_ps"].parse::<f64>().unwrap(), width.as_f64().unwrap());
                // Means are kept in single precision, which may round the last digit either way.
                assert!((table / json - 1.0).abs() < 1e-6, "{table} in the table, {json} in the lines");
            }
        }
        for metric in line["metrics"].as_array().unwrap() {
            let (name, unit) = (metric["metric"].as_str().unwrap(), metric["unit"].as_str().unwrap());
            let margin = metric["margin"].as_f64().unwrap();
            let column = format!("condition_{name}_margin_{}", unit.to_lowercase());
            assert_eq!(of_condition[0][&column].parse::<f64>().unwrap(), margin);
            // On the page with one decimal and a typographic minus.
            let words = format!("{margin:+.1}").replace('-', "\u{2212}").replace("+0.0", "0.0");
            assert!(html.contains(&words), "{words} is not on the page");
            judged += 1;
        }
    }
    assert!(judged >= 4, "{judged}");
    // Test results: a case a job, as many as the table has jobs, and the left-out combinations.
    let junit = export(&folder, "junit");
    let mut jobs: Vec<&str> = rows.iter().map(|row| row["job_id"].as_str()).collect();
    jobs.dedup();
    assert_eq!(junit.matches("<testcase ").count(), jobs.len() + 8);
    assert_eq!(junit.matches("<skipped ").count(), 8);
}

#[test]
fn notes_stand_beside_verdicts_and_any_eye_can_be_drawn() {
    let folder = Folder::new();
    let small = SMALL.replace("rate = [2133, 2400]", "rate = [2133]").replace("[25, 60]", "[25]");
    let plan = folder.file("plan.toml", &small);
    let run = nightbench(folder.path(), &["run", plan.to_str().unwrap(), "--into", "d", "--json"]);
    let before = json(&run);
    let key = table(&export(&folder, "csv"))[0]["job_id"].clone();
    let drawn = nightbench(folder.path(), &["report", "d", "--eye", &key[..8]]);
    assert_eq!(drawn.code, 0, "{}", drawn.err);
    let page = std::fs::read_to_string(folder.path().join(format!("d/eye-{key}.html"))).unwrap();
    assert!(page.contains("data:image/png;base64,") && page.contains("SIMULATED - not measured"));
    assert!(page.contains(&key) && !page.contains("<script"));
    // Every lane by itself, and which attempt this is.
    let lanes = page.matches("<details class=\"card\"><summary>Lane ").count();
    let eyes = page.matches("Every lane of ").count();
    assert_eq!((lanes, page.contains("start 1, attempt 1")), (8 * eyes, true), "{eyes} eyes of 8 lanes");
    assert!(eyes >= 1 && page.matches(" (worst)</summary>").count() == eyes);
    let unknown = nightbench(folder.path(), &["report", "d", "--eye", "0123456789"]);
    assert_eq!(unknown.code, 2);
    assert!(unknown.err.contains("no job of this run"), "{}", unknown.err);
    let note = format!(
        "[[note]]\ncondition = \"{key}\"\nreason = \"<b>loose</b> riser\"\nauthor = \"night shift\"\n"
    );
    folder.file("d/notes.toml", &note);
    let report = nightbench(folder.path(), &["report", "d", "--json"]);
    assert_eq!(report.code, run.code, "{}", report.err);
    assert_eq!(json(&report)["verdicts"], before["verdicts"], "a note changes no verdict");
    let html = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    assert!(html.contains("&lt;b&gt;loose&lt;&#x2f;b&gt; riser") && html.contains("night shift"));
    folder.file("d/notes.toml", "[[note]]\ncondition = \"ffffffff\"\nreason = \"x\"\nauthor = \"y\"\n");
    let bad = nightbench(folder.path(), &["report", "d"]);
    assert_eq!(bad.code, 2);
    assert!(bad.err.contains("notes.toml:2:") && bad.err.contains("`ffffffff`"), "{}", bad.err);
}

/// The last words of a run tell conditions apart by the rating itself, whether or not what lies beyond it counts.
#[test]
fn what_lies_beyond_rating_stands_in_its_own_column() {
    let folder = Folder::new();
    for (name, counts) in [("counts", true), ("informs", false)] {
        // Birch is rated 2400: two of its conditions lie beyond.
        let text = SMALL.replace("rate = [2133, 2400]", "rate = [2400, 2666]").replace("SODIMM", "UDIMM");
        folder.file("plan.toml", &format!("{text}\n[decision]\nbeyond_rating_counts = {counts}\n"));
        let run = nightbench(folder.path(), &["run", "plan.toml", "--into", name]);
        let rows = run.out.lines().skip_while(|line| !line.contains("beyond rating")).skip(1);
        let sums = rows.take(5).fold([0, 0], |[within, beyond], row| {
            let mut numbers = row.split_whitespace().rev().map(|word| word.parse::<u32>().expect("a number"));
            let [b, w] = std::array::from_fn(|_| numbers.next().expect("two columns"));
            [within + w, beyond + b]
        });
        assert_eq!(sums, [12, 4], "{}", run.out);
        // And which of them the worst one is the worst of.
        assert_eq!(run.out.contains("worst measured condition within rating: "), !counts, "{}", run.out);
        assert_eq!(run.out.contains("worst measured condition: "), counts, "{}", run.out);
    }
}

#[test]
fn an_interrupted_run_says_so_everywhere() {
    let folder = Folder::new();
    let plan = folder.file("plan.toml", SMALL);
    let part = nightbench(
        folder.path(),
        &["run", plan.to_str().unwrap(), "--into", "d", "--only", "temperature=60"],
    );
    assert!([0, 1].contains(&part.code), "{}", part.err);
    let html = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    assert!(html.contains("Incomplete: 4 of 8 planned jobs"), "the page says that it is not whole");
    let table = table(&export(&folder, "csv"));
    assert_eq!(table.iter().filter(|row| row["outcome"] == "not run").count(), 4);
    let junit = export(&folder, "junit");
    assert_eq!(junit.matches("not run yet").count(), 4);
    assert!(junit.contains("name=\"jobs not run\"") && junit.contains("<error "), "a cut run is not green");
    let status = nightbench(folder.path(), &["status", "d"]).out;
    assert!(status.lines().all(|line| line.chars().count() <= 80), "{status}");
}
