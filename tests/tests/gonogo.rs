//! A go/no-go test from the command line: derived, frozen, run, kept.

use crate::support::{Folder, Run, at_a_terminal, json, nightbench, program};
use runner::line::test_file::TestFile;
use std::fmt::Write as _;
use std::io::Write;
use std::process::Stdio;

/// The library's sample with half of its units: 108 sound ones and 6 faulty ones.
fn plan() -> String {
    let library = concat!(env!("CARGO_MANIFEST_DIR"), "/../plans/library/line-sample.toml");
    let text = std::fs::read_to_string(library).unwrap();
    let small = [("units = 37", "units = 18"), ("units = 8", "units = 2")];
    small.iter().fold(text, |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replace(from, to)
    })
}

fn call(folder: &Folder, words: &[&str]) -> Run {
    nightbench(folder.path(), words)
}

/// As [`call`], with what somebody scans.
fn call_told(folder: &Folder, words: &[&str], scanned: &str) -> Run {
    let mut command = program();
    command.current_dir(folder.path()).args(words);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    child.stdin.take().unwrap().write_all(scanned.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    Run {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// A folder with the sample characterized.
fn characterized() -> Folder {
    let folder = Folder::new();
    folder.file("sample.toml", &plan());
    let run = call(&folder, &["run", "sample.toml", "--into", "s", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    folder
}

/// What is asked of the small sample: few units give wide risks.
const ASKED: [&str; 6] = ["--escapes", "0.5", "--to-corner", "60", "--overkill", "1"];

fn derived(folder: &Folder, more: &[&str]) -> Run {
    call(folder, &[&["gonogo", "derive", "s", "--json"][..], &ASKED, more].concat())
}

#[test]
fn the_whole_way_from_a_sample_to_a_lot() {
    let folder = characterized();
    let run = derived(&folder, &[]);
    assert_eq!(run.code, 0, "{}\n{}", run.out, run.err);
    let told = json(&run);
    assert_eq!(told["sound_units"], 108);
    assert_eq!(told["faulty_units"], 6);
    assert!(told["correlation"].as_f64().unwrap() >= 0.95, "{told}");
    let (low, high) = (told["escapes"]["low"].as_f64().unwrap(), told["escapes"]["high"].as_f64().unwrap());
    let share = told["escapes"]["share"].as_f64().unwrap();
    assert!(low <= share && share <= high && share <= 0.005, "{told}");
    let page = std::fs::read_to_string(folder.path().join("s/gonogo.html")).unwrap();
    assert!(page.contains("SIMULATED") && page.contains("What this test cannot see"));
    assert!(!page.contains("> pass<"), "never a pass");

    // The same lot, at once and after an interruption: the same units, the same decisions.
    let line = |lot: &str, count: &str| {
        let run = call(
            &folder,
            &[
                "gonogo",
                "run",
                "s/gonogo.toml",
                "--lot",
                "L",
                "--into",
                lot,
                "--count",
                count,
                "--draw",
                "30",
            ],
        );
        assert!([0, 1, 3].contains(&run.code), "{}\n{}", run.out, run.err);
        run
    };
    line("once", "60");
    line("twice", "20");
    let more = line("twice", "60");
    assert!(more.err.contains("continuing"), "{}", more.err);
    let table = |lot: &str| call(&folder, &["gonogo", "lot", lot, "--as", "csv"]).out;
    assert_eq!(table("once"), table("twice"));
    assert_eq!(table("once").lines().count(), 61);
    let lot = json(&call(&folder, &["gonogo", "lot", "once", "--json", "--simulate-corners"]));
    let count = |key: &str| lot[key].as_u64().unwrap();
    assert_eq!(count("go") + count("no_go") + count("to_corner_test"), 60, "{lot}");
    assert_eq!(lot["drawn"]["units"], lot["drawn"]["tested"]);
    assert_eq!(count("corner_tests_due"), 0);
    // None bad in n: at most 1 - 0.05^(1/n).
    if lot["drawn"]["bad"] == 0 {
        let n = lot["drawn"]["tested"].as_f64().unwrap();
        let bound = lot["drawn"]["most_bad_share"].as_f64().unwrap();
        assert!((bound - (1.0 - 0.05f64.powf(1.0 / n))).abs() < 1e-9, "{lot}");
    }
    assert_eq!(count("golden_measurements"), 3);

    // A lot has one test, and a test that was touched is none.
    let text = std::fs::read_to_string(folder.path().join("s/gonogo.toml")).unwrap();
    let at = text.find("guard_band = ").unwrap() + "guard_band = 0.".len();
    let mut touched = text.clone().into_bytes();
    touched[at] = if touched[at] == b'1' { b'2' } else { b'1' };
    std::fs::write(folder.path().join("touched.toml"), touched).unwrap();
    let run = call(&folder, &["gonogo", "run", "touched.toml", "--lot", "X", "--count", "1"]);
    assert_eq!(run.code, 2, "{}", run.err);
    assert!(run.err.contains("was changed after it was derived"), "{}", run.err);
    assert!(!folder.path().join("lots").exists(), "nothing was touched");
    let seed = call(
        &folder,
        &["gonogo", "run", "s/gonogo.toml", "--lot", "L", "--into", "once", "--count", "1", "--seed", "9"],
    );
    assert_eq!(seed.code, 2, "{}", seed.err);

    // Serial numbers as they are scanned: golden units first, a unit twice is asked about, no answer is a no.
    let words = ["gonogo", "run", "s/gonogo.toml", "--lot", "P", "--into", "p"];
    let golden: Vec<String> = told["golden_units"]
        .as_array()
        .unwrap()
        .iter()
        .map(|name| name.as_str().unwrap().to_string())
        .collect();
    let scanned = format!("U-1\n{}\nU-1\n\nU-1\nn\n a/b\nU-2\nend\n", golden.join("\n"));
    let run = call_told(&folder, &words, &scanned);
    assert!(run.err.contains("golden units come first") && run.err.contains("left as it is"), "{}", run.err);
    assert!(run.err.contains("without a slash") && run.err.contains("no serial number"), "{}", run.err);
    assert_eq!(call(&folder, &["gonogo", "lot", "p", "--as", "jsonl"]).out.lines().count(), 2);
    folder.file("list.txt", "A-1\nA-1\n");
    let list = call(&folder, &["gonogo", "run", "s/gonogo.toml", "--lot", "D", "--units", "list.txt"]);
    assert_eq!(list.code, 2, "{}", list.err);
    assert!(list.err.contains("stands there twice"), "{}", list.err);

    // Corner results come from a file as well.
    folder.file("corners.txt", "U-1, 0.25\n");
    let run = call(&folder, &["gonogo", "lot", "p", "--corners", "corners.txt", "--as", "csv"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    assert!(run.out.contains(",0.25,"), "{}", run.out);
    folder.file("corners.txt", "U-9, 0.25\n");
    assert_eq!(call(&folder, &["gonogo", "lot", "p", "--corners", "corners.txt"]).code, 2);
}

#[test]
fn where_room_temperature_cannot_sort_there_is_no_test() {
    let folder = characterized();
    // No escapes at all.
    let run = call(&folder, &["gonogo", "derive", "s", "--escapes", "0", "--json"]);
    assert_eq!(run.code, 1, "{}\n{}", run.out, run.err);
    let told = json(&run);
    assert_eq!(told["derived"], false);
    assert!(told["refused"][0].as_str().unwrap().starts_with("no guard band up to"), "{told}");
    assert!(!folder.path().join("s/gonogo.toml").exists());
    assert!(folder.path().join("s/gonogo.html").exists(), "the page shows why");
    // Too few units, too few even for a fit: it says how many. Faulty ones in the selection do not count.
    let names = |lots: &str| -> String {
        let of = |lot: char| (1..=12).map(move |number| format!("Amber {lot} {number:02}"));
        let names: Vec<String> = lots.chars().flat_map(of).collect();
        format!("module={},Amber noisy clock 1", names.join(","))
    };
    let run = call(&folder, &["gonogo", "derive", "s", "--json", "--only", &names("BCDE")]);
    assert_eq!(run.code, 1, "{}\n{}", run.out, run.err);
    let told = json(&run);
    assert_eq!((&told["sound_units"], &told["faulty_units"]), (&48.into(), &1.into()), "{told}");
    let words = told["refused"][0].as_str().unwrap();
    assert!(words.starts_with("48 sound units; 60 are needed") && words.contains("12 more"), "{words}");
    let run = call(&folder, &["gonogo", "derive", "s", "--only", &names("C")]);
    assert_eq!(run.code, 1, "{}\n{}", run.out, run.err);
    assert!(run.err.contains("12 sound units; 60 are needed") && run.err.contains("48 more"), "{}", run.err);
    // No corner, no room.
    let run = call(&folder, &["gonogo", "derive", "s", "--only", "temperature=25"]);
    assert_eq!(run.code, 2, "{}", run.err);
    assert!(run.err.contains("without corners there is nothing to predict"), "{}", run.err);
    let run = call(&folder, &["gonogo", "derive", "s", "--room", "60"]);
    assert_eq!(run.code, 2, "{}", run.err);
    assert!(run.err.contains("within 10 °C of room temperature"), "{}", run.err);
}

/// Units of one lot hardly differ: what room temperature shows of them is noise. Chips as units, by the way.
#[test]
fn units_that_hardly_differ_are_not_sorted() {
    let library = plan();
    let (before, modules) = library.split_once("# Six lots").unwrap();
    let (module, after) = modules.split_once("[[module]]\nname = \"Amber B\"").unwrap();
    let (_, after) = after.split_once("[[channel]]").unwrap();
    let module = module.replace("units = 18\n", "").split_once('\n').unwrap().1.to_string();
    let mut chips = String::new();
    for number in 1..=62 {
        let _ = write!(chips, "[[chip]]\nname = \"Kestrel {number:02}\"\n\n");
    }
    let folder = Folder::new();
    let plan = format!("{before}{module}\n{chips}[[channel]]{after}");
    folder.file("chips.toml", &plan.replace("jobs = 1", ""));
    let run = call(&folder, &["run", "chips.toml", "--into", "c", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let run = call(&folder, &["gonogo", "derive", "c", "--json"]);
    assert_eq!(run.code, 1, "{}\n{}", run.out, run.err);
    let told = json(&run);
    assert_eq!(told["sound_units"], 62, "{told}");
    let words = told["refused"][0].as_str().unwrap();
    assert!(words.starts_with("the correlation of predicted and measured corner width is 0."), "{words}");
    assert!(told["correlation"].as_f64().unwrap() < 0.95, "{told}");
    assert!(!folder.path().join("c/gonogo.toml").exists());
    let page = std::fs::read_to_string(folder.path().join("c/gonogo.html")).unwrap();
    assert!(
        page.contains("chip after chip") && page.contains("no faulty unit"),
        "chips, none of them faulty"
    );
    // A height has a limit of its own.
    let run = call(&folder, &["gonogo", "derive", "c", "--metric", "height"]);
    assert_eq!(run.code, 2, "{}\n{}", run.out, run.err);
    assert!(run.err.contains("no limit of the read height") && run.err.contains("% VDDQ"), "{}", run.err);
}

/// Heights of the small sample follow room temperature at 0.93: refused, in their own unit, though every unit lies far above.
#[test]
fn a_height_is_judged_in_its_own_unit() {
    let folder = characterized();
    let run = derived(&folder, &["--metric", "height", "--limit", "2"]);
    assert_eq!(run.code, 1, "{}\n{}", run.out, run.err);
    let told = json(&run);
    assert_eq!(told["metric"], "height", "{told}");
    assert!(told["mean_percent_vddq"].as_f64().unwrap() > 5.0, "{told}");
    assert!(told["residual_sd_percent_vddq"].as_f64().unwrap() > 0.0, "{told}");
    assert_eq!(told["bad"].as_f64().map(|share| share < 1e-6), Some(true), "{told}");
    let words = told["refused"][0].as_str().unwrap();
    assert!(words.starts_with("the correlation of predicted and measured corner height is 0.9"), "{words}");
    assert!(words.contains("that is the finding"), "{words}");
    let page = std::fs::read_to_string(folder.path().join("s/gonogo.html")).unwrap();
    assert!(page.contains("% VDDQ") && page.contains("height"), "the metric's own unit");
}

/// The station's receiver jitters more than when the test was derived: golden units stop the lot, and the corners of its units
/// say that the regression does not hold.
#[test]
fn a_station_that_drifts_is_seen() {
    let folder = characterized();
    let run = derived(&folder, &[]);
    assert_eq!(run.code, 0, "{}\n{}", run.out, run.err);
    let (mut file, _) =
        TestFile::read(&folder.path().join("s/gonogo.toml")).unwrap_or_else(|f| panic!("{f}"));
    file.plan = file.plan.replace("[model]\n", "[model]\nrj_ps = 7.0\n");
    folder.file("drifted.toml", &file.to_text().unwrap_or_else(|f| panic!("{f}")));
    // What the corners of these units are, the station aside.
    let run =
        call(&folder, &["gonogo", "run", "s/gonogo.toml", "--lot", "L", "--count", "40", "--draw", "100"]);
    assert!([0, 1, 3].contains(&run.code), "{}", run.err);
    let run = call(&folder, &["gonogo", "lot", "lots/L", "--simulate-corners", "--json"]);
    assert_eq!(json(&run)["drift"]["seen"], false, "{}", run.out);
    let run = call(&folder, &["gonogo", "lot", "lots/L", "--as", "jsonl"]);
    let corners: Vec<String> = run
        .out
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .filter_map(|unit| Some((unit["serial"].as_str()?.to_string(), unit["corner_width_ui"].as_f64()?)))
        .map(|(serial, value)| format!("{serial}, {value}\n"))
        .collect();
    assert!(corners.len() > 30);
    folder.file("corners.txt", &corners.concat());
    let line = |more: &[&str]| {
        let words =
            ["gonogo", "run", "drifted.toml", "--lot", "L", "--into", "d", "--count", "40", "--draw", "100"];
        call(&folder, &[&words[..], more].concat())
    };
    let run = line(&[]);
    assert_eq!(run.code, 5, "{}\n{}", run.out, run.err);
    assert!(run.err.contains("THE LOT STOPS"), "{}", run.err);
    let page = |words: &str| {
        let page = std::fs::read_to_string(folder.path().join("d/lot.html")).unwrap();
        assert!(page.contains(words), "{words}");
    };
    page("The lot is stopped: golden units are out of control");
    assert_eq!(line(&[]).code, 5, "it stays stopped");
    let run = line(&["--restart", "cable changed", "--golden-every", "0"]);
    assert!([0, 1, 3].contains(&run.code), "{}\n{}", run.out, run.err);
    let run = call(&folder, &["gonogo", "lot", "d", "--corners", "corners.txt", "--json"]);
    assert_eq!(run.code, 1, "{}\n{}", run.out, run.err);
    let told = json(&run);
    assert_eq!(told["drift"]["seen"], true, "{told}");
    assert!(told["drift"]["mean_residual"].as_f64().unwrap() > 0.0, "predicted too low: {told}");
    page("renew the regression from a fresh sample");
    page("cable changed");
}

/// Typed at a terminal: Enter alone is no unit and no end, the same unit twice is asked about, `end` ends.
#[test]
fn units_are_typed_at_a_terminal() {
    let folder = characterized();
    let run = derived(&folder, &[]);
    let golden = json(&run)["golden_units"][0].as_str().unwrap().to_string();
    let words = ["gonogo", "run", "s/gonogo.toml", "--lot", "T", "--golden-every", "0"];
    let typed = format!("T-1,,T-1,n,T-1,y,{golden},end");
    let Some((code, seen)) = at_a_terminal(folder.path(), &words, &typed) else { return };
    assert!([Some(0), Some(1), Some(3)].contains(&code), "{code:?}\n{seen}");
    assert!(seen.contains("no serial number: type or scan one"), "{seen}");
    assert!(seen.contains("was measured before") && seen.contains("left as it is"), "{seen}");
    assert_eq!(call(&folder, &["gonogo", "lot", "lots/T", "--as", "jsonl"]).out.lines().count(), 1);
    let lines = std::fs::read_to_string(folder.path().join("lots/T/lot.jsonl")).unwrap();
    assert_eq!(lines.matches("\"serial\":\"T-1\"").count(), 2, "both measurements are kept");
    assert_eq!(lines.matches("\"purpose\":\"golden\"").count(), 1);
}
