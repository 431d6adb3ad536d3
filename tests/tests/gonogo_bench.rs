//! A line on the emulated bench: a sample measured by hands, units typed, listed, or named by the device; safe between units.

use crate::bench_run::named;
use crate::emulated::start;
use crate::sitting::{Sitting, mounts};
use crate::support::{Folder, SMALL, STATE, at_a_terminal, nightbench};
use bench::StateFolder;
use contract::CancelToken;
use emulator::{EmulatedBench, MountedThings};
use judge::gonogo::{Asked, CornerMetric, Feature, LaneRange, LineTest, Straightening, Term, derive};
use nightbench_core::line::{ShortLook, UnitOutcome};
use nightbench_core::results::Direction;
use plan::Plan;
use runner::console::exit::Failure;
use runner::console::terminal::Terminal;
use runner::inputs::plan_file::PlanFile;
use runner::line::bench::{Serials, Station, measure_sample};
use runner::line::lot_folder::{Begin, LotFolder};
use runner::line::running::{Prompt, Running};
use runner::line::sample::{Wanted, characterized, left, sample_begin, sample_look, sample_of, turns};
use runner::line::setup::{Conditions, Line, Turn, UnitFactor};
use runner::line::test_file::{GoldenFacts, SampleFacts, TestFile};
use runner::run::bench_run::BenchSession;
use std::path::Path;

const QUIET: Terminal = Terminal { colour_out: false, colour_err: false, animated: false };

fn sound<T>(result: Result<T, Failure>) -> T {
    result.unwrap_or_else(|failure| panic!("{failure}"))
}

/// One module on one channel.
fn one_setup() -> String {
    SMALL.replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"direct\"]\nrate = [2133]")
}

/// An invented test of its units: any open eye is a go.
fn test_file(text: &str, plan: &Plan) -> TestFile {
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
        regression_sd: 0.002,
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
    TestFile {
        tool: "a test".into(),
        title: "invented".into(),
        simulated: false,
        plan: text.into(),
        conditions,
        sample,
        golden: GoldenFacts { sd: None, unit: Vec::new() },
        test,
    }
}

fn station(bench_file: &Path, file: &PlanFile, line: &Line, folder: &Folder, dir: &Path) -> Station {
    let state = StateFolder::at(&folder.path().join(STATE.1));
    let unit = line.unit_of_bench("unit");
    let turn = Turn { mounting: 0, repeat: 0 };
    let settings = line.conditions.supplies.iter().map(|supply| line.at_room(&unit, supply, turn));
    Station::of(sound(BenchSession::for_settings(&QUIET, bench_file, &file.plan, settings, dir, &state)))
}

/// What a person would stake their fingers on.
fn hands_may_come_near(bench: &EmulatedBench) {
    assert_eq!(bench.world().still_on(), Vec::<String>::new(), "hands were asked for with something on");
    let device = bench.world().true_device();
    assert!((14.5..=43.5).contains(&device), "hands were asked for at {device} degC");
}

fn unharmed(bench: &EmulatedBench) {
    let mut world = bench.world();
    assert_eq!(world.still_on(), Vec::<String>::new());
    assert_eq!(world.ledger.harm, Vec::new());
}

/// A list of two units: hands are asked for only when everything is off and neither hot nor cold, the first one is not the one
/// that was typed, and everything is off in the end.
#[test]
fn a_line_on_a_bench_keeps_hands_safe_between_units() {
    let file = PlanFile::from_text(one_setup(), "plan of a test", false).expect("a sound plan");
    let bench = start(&file.plan, 1, 0.0, 400.0);
    let folder = Folder::new();
    let path = folder.file("bench.toml", &named(&bench, &folder));
    let test = test_file(&file.text, &file.plan);
    let line = sound(Line::new(file.plan.clone(), test.conditions.clone()));
    let dir = folder.path().join("lot");
    let station = station(&path, &file, &line, &folder, &dir);
    let begin = Begin {
        lot: "B".into(),
        test: "x".into(),
        tool: "t".into(),
        bench: Some(station.name()),
        seed: 1,
        draw: 0.0,
    };
    let mut running = Running {
        terminal: &QUIET,
        file: &test,
        digest: "x".into(),
        folder: sound(LotFolder::open(&dir, &begin)),
        golden_every: 0,
        machine: true,
        seen: [0; 4],
    };
    let mut answers = ["wrong", "Amber", "end"].into_iter();
    let mut asked = 0;
    let mut prompt = Prompt::answered_by(|question| {
        hands_may_come_near(&bench);
        asked += 1;
        if asked == 1 {
            assert!(question.contains("Every rail was measured off"), "{question}");
        }
        let mounted = bench.mounted();
        bench.mount(MountedThings { module_serial: Some("Amber".into()), ..mounted });
        answers.next().map(String::from)
    });
    let serials = Serials::Listed(vec!["Amber".into(), "never reached".into()]);
    sound(station.run(&line, &mut running, (serials, false, &mut prompt), &CancelToken::new()));
    drop(prompt);
    assert_eq!(asked, 3);
    let units: Vec<_> = running.folder.lines.measurements().cloned().collect();
    assert_eq!(units.len(), 1);
    assert!(matches!(units[0].outcome, UnitOutcome::Measured(_)), "{:?}", units[0].outcome);
    assert!(!units[0].ended_utc.is_empty() && units[0].times.training_s > 0.0);
    unharmed(&bench);
}

/// At a terminal: typed, and as the device tells it; the same unit twice is asked about either way, and a device that tells
/// nothing is not taken up.
#[test]
fn units_at_a_bench_are_typed_or_name_themselves() {
    let file = PlanFile::from_text(one_setup(), "plan of a test", false).expect("a sound plan");
    let bench = start(&file.plan, 1, 0.0, 2000.0);
    let folder = Folder::new();
    folder.file("bench.toml", &named(&bench, &folder));
    folder.file("test.toml", &sound(test_file(&file.text, &file.plan).to_text()));
    let call = |lot: &str, more: &[&str], answers: &str| {
        let words = ["gonogo", "run", "test.toml", "--bench", "bench.toml", "--lot", lot];
        at_a_terminal(folder.path(), &[&words[..], more].concat(), answers)
    };
    let units = |lot: &str| -> Vec<String> {
        let run = nightbench(folder.path(), &["gonogo", "lot", &format!("lots/{lot}"), "--as", "jsonl"]);
        let serial = |line: &str| serde_json::from_str::<serde_json::Value>(line).unwrap()["serial"].clone();
        run.out.lines().map(|line| serial(line).as_str().unwrap().to_string()).collect()
    };
    let Some((code, seen)) = call("typed", &[], "U-1,,U-1,n,U-2,end") else { return };
    assert_eq!(code, Some(0), "{seen}");
    assert!(
        seen.contains("CAUTION before you reach in") && seen.contains("Every rail was measured off"),
        "{seen}"
    );
    assert!(seen.contains("no serial number: type or scan one") && seen.contains("left as it is"), "{seen}");
    assert_eq!(units("typed"), ["U-1", "U-2"]);
    // Nobody at a terminal: nothing is touched.
    let run = nightbench(
        folder.path(),
        &["gonogo", "run", "test.toml", "--bench", "bench.toml", "--lot", "nobody", "--from-device"],
    );
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(run.err.contains("needs somebody at a terminal"), "{}", run.err);

    let mounted = bench.mounted();
    bench.mount(MountedThings { module_serial: Some("SN-7".into()), ..mounted.clone() });
    let told = call("told", &["--from-device"], "in,in,n,end");
    let Some((code, seen)) = told else { return };
    assert_eq!(code, Some(0), "{seen}");
    assert!(seen.contains("SN-7 was measured before: go"), "{seen}");
    assert_eq!(units("told"), ["SN-7"]);
    bench.mount(mounted);
    let Some((code, seen)) = call("silent", &["--from-device"], "in,end") else { return };
    assert_eq!(code, Some(4), "{seen}");
    assert!(seen.contains("the device told no serial number"), "{seen}");
    unharmed(&bench);
}

/// Three modules of a run on the bench, looked at by the line: each is put in as often as the gauge study asks, all its repeats
/// while it is in; what was measured before a stop is not asked for again; and three units are too few.
#[test]
fn a_sample_is_measured_on_the_bench_of_its_run() {
    let text = one_setup()
        .replace("name = \"Amber\"\n", "name = \"Amber\"\nunits = 3\n")
        .replace("module = [\"Amber\"]", "module = [\"Amber 1\", \"Amber 2\", \"Amber 3\"]");
    let sitting = Sitting::new(&text, 2000.0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    sound(sitting.run(&mut hands));
    drop(hands);
    let (folder, bench) = (&sitting.folder, &sitting.bench);
    let words = ["gonogo", "derive", "out", "--bits", "10000"];
    let run = nightbench(folder.path(), &words);
    assert_eq!(run.code, 2, "{}", run.err);
    assert!(run.err.contains("name the bench with --bench"), "{}", run.err);
    let at_once = [&words[..], &["--bench", "bench.toml"]].concat();
    if let Some((code, seen)) = at_a_terminal(folder.path(), &at_once, "end") {
        assert_eq!(code, Some(3), "{seen}");
        assert!(seen.contains("put in unit Amber 1") && seen.contains("27 measurements"), "{seen}");
    }

    let out = folder.path().join("out");
    let wanted = Wanted { only: &[], room_degc: 25.0, metric: CornerMetric::Width, limit: None };
    let from = sound(characterized(&out, &wanted));
    assert_eq!(from.units.len(), 3, "{:?}", from.left_out);
    let line = sound(Line::new(from.file.plan.clone(), from.conditions.clone()));
    let (look, limits) = sample_look(10_000);
    let begin = sample_begin(&from, &look, from.seed);
    let dir = out.join(format!("line-sample-{}", &begin.test[..8]));
    let bench_file = folder.path().join("bench.toml");
    // As often as each is put in, in order.
    let mut put_in: Vec<String> = Vec::new();
    for sitting_ends_after in [4, 100] {
        let mut sample = sound(LotFolder::open(&dir, &begin));
        let todo = left(&sample, turns(&from));
        let station = station(&bench_file, &from.file, &line, folder, &dir);
        let mut asked = 0;
        let mut prompt = Prompt::answered_by(|question| {
            hands_may_come_near(bench);
            asked += 1;
            if asked > sitting_ends_after {
                return Some("end".into());
            }
            let name = question.split("put in unit ").nth(1).and_then(|rest| rest.get(..7)).expect("a unit");
            let mounted = bench.mounted();
            bench.mount(MountedThings { module: name.into(), ..mounted });
            put_in.push(name.into());
            Some(name.into())
        });
        let cancel = CancelToken::new();
        let how = (&look, &limits[..]);
        sound(measure_sample(
            &QUIET,
            station,
            (&from, &line),
            &todo,
            how,
            &mut sample,
            (&mut prompt, &cancel),
        ));
    }
    let once = ["Amber 1", "Amber 2", "Amber 3"];
    assert_eq!(put_in, [once, once, once].concat());
    let sample = sound(LotFolder::open(&dir, &begin));
    assert_eq!(left(&sample, turns(&from)), Vec::new());
    assert_eq!(sample.lines.measurements().count(), 27);
    assert!(sample.lines.measurements().all(|one| matches!(one.outcome, UnitOutcome::Measured(_))));
    drop(sample);
    let run = nightbench(folder.path(), &words);
    assert_eq!(run.code, 1, "{}\n{}", run.out, run.err);
    assert!(run.err.contains("3 sound units; 60 are needed") && run.err.contains("57 more"), "{}", run.err);
    let sample = sample_of(&from, &sound(LotFolder::open(&dir, &begin)), look, 1e-3);
    assert_eq!(sample.gauge.len(), 3);
    let asked = Asked {
        metric: CornerMetric::Width,
        limit: from.limit,
        escapes: 0.002,
        overkill: 0.01,
        sent_on: 0.2,
        costs: None,
        faulty_share: None,
    };
    assert!(derive(&sample, &asked).is_err());
    unharmed(bench);
}
