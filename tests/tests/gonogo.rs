//! A go/no-go test from the command line: derived, frozen, run, kept.

use crate::bench_driver::start;
use crate::bench_run::named;
use crate::support::{Folder, Run, SMALL, STATE, json, nightbench, program};
use bench::StateFolder;
use contract::CancelToken;
use emulator::MountedThings;
use judge::gonogo::{CornerMetric, Feature, LaneRange, LineTest, Straightening, Term};
use nightbench_core::line::{ShortLook, UnitOutcome};
use nightbench_core::results::Direction;
use runner::console::terminal::Terminal;
use runner::inputs::plan_file::PlanFile;
use runner::line::bench::{Serials, Station};
use runner::line::lot_folder::{Begin, LotFolder};
use runner::line::running::{Prompt, Running};
use runner::line::setup::{Conditions, Line, Turn, UnitFactor};
use runner::line::test_file::{GoldenFacts, SampleFacts, TestFile};
use runner::run::bench_run::BenchSession;
use std::io::Write;
use std::process::Stdio;

/// The library's sample with a third of its units: 72 sound ones and 6 faulty ones.
fn plan() -> String {
    let library = concat!(env!("CARGO_MANIFEST_DIR"), "/../plans/library/line-sample.toml");
    let text = std::fs::read_to_string(library).unwrap();
    let small = [("units = 37", "units = 12"), ("units = 8", "units = 2")];
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
    assert_eq!(told["sound_units"], 72);
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
    let scanned = format!("U-1\n{}\nU-1\nU-1\nn\n a/b\nU-2\n\n", golden.join("\n"));
    let run = call_told(&folder, &words, &scanned);
    assert!(run.err.contains("golden units come first") && run.err.contains("left as it is"), "{}", run.err);
    assert!(run.err.contains("without a slash"), "{}", run.err);
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
    // One production lot alone: hardly any spread, and too few units.
    let names: Vec<String> = (1..=12).map(|number| format!("Amber C {number:02}")).collect();
    let run = call(&folder, &["gonogo", "derive", "s", "--only", &format!("module={}", names.join(","))]);
    assert!([1, 2].contains(&run.code), "{}\n{}", run.out, run.err);
    assert!(run.err.contains("60 are needed") || run.err.contains("another"), "{}", run.err);
    // No corner, no room.
    let run = call(&folder, &["gonogo", "derive", "s", "--only", "temperature=25"]);
    assert_eq!(run.code, 2, "{}", run.err);
    assert!(run.err.contains("without corners there is nothing to predict"), "{}", run.err);
    let run = call(&folder, &["gonogo", "derive", "s", "--room", "60"]);
    assert_eq!(run.code, 2, "{}", run.err);
    assert!(run.err.contains("within 10 °C of room temperature"), "{}", run.err);
}

/// Two units on the emulated bench: hands are asked for only when everything is off and neither hot nor cold, the second one is
/// not the one that was typed, and everything is off in the end.
#[test]
fn a_line_on_a_bench_keeps_hands_safe_between_units() {
    let text =
        SMALL.replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"direct\"]\nrate = [2133]");
    let file = PlanFile::from_text(text, "plan of a test", false).expect("a sound plan");
    let plan = &file.plan;
    let bench = start(plan, 1, 0.0, 2000.0);
    let folder = Folder::new();
    let path = folder.file("bench.toml", &named(&bench, &folder));
    let supply = plan.supplies[0].name.clone();
    let conditions = Conditions {
        units: UnitFactor::Module,
        stays: plan.chips[0].name.clone(),
        firmware: None,
        channel: "direct".into(),
        rate: 2133,
        pattern: plan.matrix.patterns[0].name(),
        temperature_degc: 25.0,
        supplies: vec![supply.clone()],
        corners: Vec::new(),
        faulty_share: 0.0,
    };
    let lanes: Vec<u16> = (0..plan.interface.lanes).collect();
    let range = LaneRange {
        supply: supply.clone(),
        direction: Direction::Read,
        rank: 0,
        sub_channel: None,
        mean_width_ui: vec![0.5; lanes.len()],
        lanes,
        sd_ui: 1.0,
    };
    let test = LineTest {
        metric: CornerMetric::Width,
        limit: 0.1,
        guard_band: 0.01,
        no_go_below: 0.05,
        residual_sd: 0.01,
        intercept: 0.0,
        straightening: Straightening {
            centre: 0.0,
            scale: 1.0,
            from: -9.0,
            to: 9.0,
            coefficients: [0.0, 1.0, 0.0, 0.0],
        },
        look: ShortLook { bits: 10_000, limit: 1e-3, start_taps: 2, start_steps: 2, columns: false },
        term: vec![Term { supply, of: Feature::WorstWidth, coefficient: 1.0 }],
        range: vec![range],
    };
    let sample = SampleFacts {
        folder: "invented".into(),
        head: String::new(),
        sound_units: 60,
        faulty_units: 0,
        correlation: 1.0,
        mean: 0.5,
        sd: 0.1,
        escapes: 0.0,
        escapes_low: 0.0,
        escapes_high: 0.0,
        to_corner_test: 0.0,
        overkill: 0.0,
        bad: 0.0,
    };
    let test_file = TestFile {
        tool: "a test".into(),
        title: "invented".into(),
        simulated: false,
        plan: file.text.clone(),
        conditions: conditions.clone(),
        sample,
        golden: GoldenFacts { sd: None, unit: Vec::new() },
        test,
    };
    let line = Line::new(plan.clone(), conditions).unwrap_or_else(|failure| panic!("{failure}"));
    let quiet = Terminal { colour_out: false, colour_err: false, animated: false };
    let dir = folder.path().join("lot");
    let state = StateFolder::at(&folder.path().join(STATE.1));
    let unit = line.unit_of_bench("Amber");
    let settings = [line.at_room(&unit, &test_file.conditions.supplies[0], Turn { mounting: 0, repeat: 0 })];
    let session = BenchSession::for_settings(&quiet, &path, plan, settings.into_iter(), &dir, &state)
        .unwrap_or_else(|failure| panic!("{failure}"));
    let station = Station::of(session);
    let begin = Begin {
        lot: "B".into(),
        test: "x".into(),
        tool: "t".into(),
        bench: Some(station.name()),
        seed: 1,
        draw: 0.0,
    };
    let mut running = Running {
        terminal: &quiet,
        file: &test_file,
        digest: "x".into(),
        folder: LotFolder::open(&dir, &begin).unwrap_or_else(|failure| panic!("{failure}")),
        golden_every: 0,
        machine: true,
        seen: [0; 4],
    };
    let mut answers = ["wrong", "Amber", ""].into_iter();
    let mut asked = 0;
    let mut prompt = Prompt::answered_by(|question| {
        // What a person would stake their fingers on.
        assert_eq!(bench.world().still_on(), Vec::<String>::new(), "hands were asked for with something on");
        let device = bench.world().true_device();
        assert!((14.5..=43.5).contains(&device), "hands were asked for at {device} degC");
        asked += 1;
        if asked == 1 {
            assert!(question.contains("Every rail was measured off"), "{question}");
        }
        let mounted = bench.mounted();
        bench.mount(MountedThings { module_serial: Some("Amber".into()), ..mounted });
        answers.next().map(String::from)
    });
    let serials = Serials::Listed(vec!["Amber".into(), "never reached".into()]);
    station
        .run(&line, &mut running, (serials, &mut prompt), &CancelToken::new())
        .unwrap_or_else(|failure| panic!("{failure}"));
    drop(prompt);
    assert_eq!(asked, 3);
    let units: Vec<_> = running.folder.lines.measurements().cloned().collect();
    assert_eq!(units.len(), 1);
    assert!(matches!(units[0].outcome, UnitOutcome::Measured(_)), "{:?}", units[0].outcome);
    assert!(!units[0].ended_utc.is_empty() && units[0].times.training_s > 0.0);
    let mut world = bench.world();
    assert_eq!(world.still_on(), Vec::<String>::new());
    assert_eq!(world.ledger.harm, Vec::new());
}
