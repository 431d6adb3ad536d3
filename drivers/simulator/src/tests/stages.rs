//! Training stages: their order, what each reports, and how each fails.

use super::{Bench, names, with_model};
use contract::{Driver, StartKind};
use nightbench_core::generations::TrainingStep;
use nightbench_core::rates::Generation;
use nightbench_core::results::Direction;

const BOTH: [Direction; 2] = [Direction::Read, Direction::Write];

fn ddr5(lanes: u16) -> impl Fn(&str) -> String {
    move |plan| {
        plan.replace("DDR4", "DDR5")
            .replace("lanes = 16", &format!("lanes = {lanes}"))
            .replace("rated = 3200", "rated = 6400")
            .replace("rated = 2133", "rated = 4800")
            .replace("rate = [2400]", "rate = [4800]")
    }
}

#[test]
fn stages_run_in_their_order_with_figures() {
    let mut bench = Bench::new(str::to_string, &BOTH);
    let setting = bench.setting("two ranks", "direct", "2400", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    assert!(result.passed, "{:?}", result.failed_stage());
    let read = ["DQS gate", "read deskew and centring", "read VrefDQ"];
    let write = ["write deskew and centring", "VrefDQ training"];
    let mut wanted = vec!["ZQ calibration", "write levelling", "write levelling"];
    wanted.extend(read.iter().chain(&read).chain(&write).chain(&write));
    assert_eq!(names(&result), wanted);
    assert_eq!(result.eyes.len(), 4);
    for stage in &result.stages {
        let lanes = if stage.by_byte_lane { 2 } else { 16 };
        assert_eq!(stage.lanes.len(), lanes, "{}", stage.name);
        assert!(stage.causes.is_empty(), "a stage that passed names no causes");
        for lane in &stage.lanes {
            assert!(lane.passed);
            let (delay, vref) = match stage.name.as_str() {
                "ZQ calibration" => (false, false),
                "read VrefDQ" | "VrefDQ training" => (false, true),
                _ => (true, false),
            };
            assert_eq!(
                (lane.delay_taps.is_some(), lane.vref_step.is_some()),
                (delay, vref),
                "{}",
                stage.name
            );
        }
    }
    // The clock reaches the second package later than the first: its strobe is delayed more, by about one flight.
    let levelling = &result.stages[1].lanes;
    let tap_ps = 1e12 / 2.4e9 / 32.0;
    let later_ps = (levelling[1].delay_taps.unwrap() - levelling[0].delay_taps.unwrap()) * tap_ps;
    assert!((20.0..130.0).contains(&later_ps), "75 ps a package and 10 ps rms of skew: {later_ps}");
}

#[test]
fn a_clock_beyond_the_delays_range_fails_write_levelling() {
    let mut bench = Bench::new(with_model("flyby_ps = 1000.0\nlevel_range_tck = 1.0"), &BOTH);
    let setting = bench.setting("unbuffered", "direct", "2400", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    assert!(!result.passed && result.eyes.is_empty());
    let failed = result.failed_stage().unwrap();
    assert_eq!(failed.name, "write levelling");
    // The first byte lane is near, the second one beyond the range: named, with its end stop and the likely causes.
    assert_eq!(failed.failed_lanes(), [1]);
    assert!(failed.lanes[1].end_stop && failed.by_byte_lane);
    assert!(failed.causes[0].contains("CK against DQS"), "{:?}", failed.causes);
    assert_eq!(result.stages.last().map(|stage| &stage.name), Some(&failed.name), "the attempt ended there");
    // A register in the middle of the module halves the way: the same parts pass.
    let setting = bench.setting("registered", "direct", "2400", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    assert!(result.failed_stage().is_none_or(|stage| stage.name != "write levelling"));
}

#[test]
fn a_weak_strobe_fails_the_gate() {
    let mut bench = Bench::new(with_model("strobe_min_mv = 400.0"), &BOTH);
    let setting = bench.setting("unbuffered", "three risers", "3200", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    let failed = result.failed_stage().unwrap();
    assert_eq!(failed.name, "DQS gate");
    assert_eq!(failed.failed_lanes(), [0, 1]);
    assert_eq!(failed.lanes[0].width_taps, Some(0.0));
    assert!(failed.causes[0].contains("no DQS toggles"));
    // Window by hand where the strobe is strong: one clock period less the part below the threshold and the jitter.
    let mut bench = Bench::new(with_model("strobe_min_mv = 0.0"), &BOTH);
    let setting = bench.setting("unbuffered", "direct", "2400", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    let gate = result.stages.iter().find(|stage| stage.name == "DQS gate").unwrap();
    let window_taps: f64 = (1e12 / 1.2e9 - 14.0 - 18.0 - 14.0 * 4.5) / (1e12 / 2.4e9 / 32.0);
    assert_eq!(gate.lanes[0].width_taps, Some(window_taps.floor()));
}

#[test]
fn a_closed_eye_fails_centring_and_names_its_lanes() {
    let mut bench = Bench::new(str::to_string, &BOTH);
    let setting = bench.setting("small", "adapter and three risers", "3200", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    let failed = result.failed_stage().unwrap();
    assert_eq!(failed.name, "read deskew and centring");
    assert!(!failed.failed_lanes().is_empty());
    for lane in &failed.lanes {
        assert_eq!(lane.passed, lane.width_taps.unwrap() >= 5.0);
    }
    assert!(!failed.causes.is_empty());
}

#[test]
fn calibration_fails_beyond_its_range() {
    let mut bench = Bench::new(with_model("ron_tc_per_k = 0.01"), &BOTH);
    let cold = bench.setting("unbuffered", "direct", "1600", 25.0);
    assert_eq!(bench.train(&cold, StartKind::Reset).stages[0].failed_lanes(), [0u16; 0]);
    let hot = bench.setting("unbuffered", "direct", "1600", 95.0);
    let result = bench.train(&hot, StartKind::Reset);
    assert_eq!(result.failed_stage().unwrap().name, "ZQ calibration");
    assert!(result.failed_stage().unwrap().lanes[0].end_stop);
}

#[test]
fn ddr5_trains_command_and_address_and_its_sub_channels() {
    let mut bench = Bench::new(ddr5(64), &[Direction::Read]);
    let setting = bench.setting("unbuffered", "direct", "4800", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    assert_eq!(names(&result)[..4], ["ZQ calibration", "CS training", "CA training", "write levelling"]);
    assert!(result.passed, "{:?}", result.failed_stage());
    let subs: Vec<_> =
        result.eyes.iter().map(|trained| (trained.eye.sub_channel, trained.lanes.len())).collect();
    assert_eq!(subs, [(Some(0), 32), (Some(1), 32)]);
    let command = &result.stages[2];
    assert_eq!(command.lanes.len(), 14);
    // 34.3 ohm into 40 ohm: middle of the swing at 73.1 % of VDDQ, code (97.5 - 73.1)/0.5.
    assert_eq!(command.lanes[0].vref_step, Some(49.0));
    // One pad behind the register instead of one a package: a wider window; a faster rate: a narrower one.
    let width = |bench: &mut Bench, module: &str, rate: &str| {
        let setting = bench.setting(module, "direct", rate, 25.0);
        let result = bench.train(&setting, StartKind::PowerCycle);
        let stage = result.stages.iter().find(|stage| stage.name == "CA training").unwrap();
        stage.lanes[0].width_taps.unwrap() / 32.0
    };
    let plain = width(&mut bench, "unbuffered", "4800");
    assert!(width(&mut bench, "registered", "4800") > plain);
    assert!(width(&mut bench, "two ranks", "4800") < plain);
    assert!(width(&mut bench, "unbuffered", "6400") < plain);
    let mut slow = Bench::new(
        |plan| format!("{}\n[model]\nca_uncertainty_ps = 400.0\n", ddr5(64)(plan)),
        &[Direction::Read],
    );
    let setting = slow.setting("unbuffered", "direct", "6400", 25.0);
    let result = slow.train(&setting, StartKind::PowerCycle);
    let failed = result.failed_stage().unwrap();
    assert!(failed.name == "CS training" && failed.eye.is_none());
}

/// With a DFE the taps are adapted while training, lane by lane: each stage carries the height the worst pattern
/// leaves. A range too short for the first post-cursor shows as an end stop.
#[test]
fn ddr5_adapts_its_dfe_while_training() {
    let with = |model: &str| {
        let model = model.to_string();
        let edit = move |plan: &str| {
            let plan = ddr5(32)(plan).replace("lanes = 32", "lanes = 32\ndfe = true");
            format!("{plan}\n[model]\n{model}\n")
        };
        Bench::new(edit, &[Direction::Read])
    };
    let train = |model: &str| {
        let mut bench = with(model);
        let setting = bench.setting("unbuffered", "direct", "4800", 25.0);
        bench.train(&setting, StartKind::PowerCycle)
    };
    let result = train("dfe_step_mv = 5.0");
    assert!(result.passed, "{:?}", result.failed_stage());
    let order: Vec<&str> = names(&result);
    let place = |name: &str| {
        order.iter().position(|known| *known == name).unwrap_or_else(|| panic!("{name}: {order:?}"))
    };
    assert!(place("DQS gate") < place("DFE") && place("DFE") < place("read deskew and centring"));
    let stage = &result.stages[place("DFE")];
    assert_eq!(stage.lanes.len(), 32);
    assert!(stage.lanes.iter().all(|lane| lane.passed && lane.height_steps.is_some_and(|steps| steps > 0.0)));
    let short = train("dfe1_min_mv = -5.0\ndfe1_max_mv = 5.0\ndfe2_mv = 5.0\ndfe3_mv = 5.0\ndfe4_mv = 5.0");
    let stage = short.stages.iter().find(|stage| stage.name == "DFE").unwrap();
    assert!(stage.lanes.iter().any(|lane| lane.end_stop));
    // Without a DFE there is no such stage.
    let mut plain = Bench::new(ddr5(32), &[Direction::Read]);
    let setting = plain.setting("unbuffered", "direct", "4800", 25.0);
    assert!(!names(&plain.train(&setting, StartKind::PowerCycle)).contains(&"DFE"));
}

/// A plan of a generation with one device of its first kind.
fn plain(generation: Generation, lanes: u16, more: &str) -> String {
    let kind = generation.facts().kinds[0].name();
    let rate = generation.facts().usual_rate;
    format!(
        "title = \"Plain\"\n[interface]\ngeneration = \"{generation}\"\nlanes = {lanes}\n{more}\n[[module]]\nname = \"one\"\n\
         kind = \"{kind}\"\nrated = {rate}\n[[channel]]\nname = \"direct\"\nfits = [\"{kind}\"]\n[matrix]\nrate = [{rate}]\n\
         temperature_degc = [25]\n[[limit]]\nmetric = \"width\"\nminimum = 0.2\nunit = \"UI\"\nsource = \"invented\"\n"
    )
}

/// Every generation trains at the rate it is commonly sold for, by its own steps in the order of its table.
#[test]
fn every_generation_trains_by_its_own_table() {
    for (name, generation) in Generation::ALL {
        let facts = generation.facts();
        let dfe = if facts.dfe { "dfe = true" } else { "" };
        let command = if facts.command.is_some() { "[interface.command]" } else { "" };
        let more = format!("{dfe}\n{command}");
        let all = Direction::ALL.map(|(_, direction)| direction);
        let mut bench = Bench::new(|_| plain(generation, 16, &more), &all);
        let rate = facts.usual_rate.to_string();
        let setting = bench.setting("one", "direct", &rate, 25.0);
        let result = bench.train(&setting, StartKind::PowerCycle);
        assert!(result.passed, "{name}: {:?}", result.failed_stage());
        let table: Vec<&str> = facts.training.iter().map(|(_, step)| *step).collect();
        assert_eq!(names(&result), table, "{name}");
        let eyes = 2 + usize::from(facts.command.is_some());
        assert_eq!(result.eyes.len(), eyes, "{name}");
        // The default sweeps of the newer tables hold the whole read eye.
        let sweeps_all = !matches!(generation, Generation::Ddr4 | Generation::Ddr5);
        let read = facts.step(TrainingStep::ReadVref).unwrap();
        let stage = result.stages.iter().find(|stage| stage.name == read).unwrap();
        assert!(!sweeps_all || stage.lanes.iter().all(|lane| !lane.end_stop), "{name}");
    }
}

/// LPDDR5 at 6400: CK is 800 MHz with WCK at 4:1 (a data sheet), so a command bit on both edges has 625 ps and the chip select
/// 1250 ps, less what the line and its jitter take; at 2:1 (3200) CK is the same.
#[test]
fn the_ratio_of_wck_sets_the_command_windows() {
    let mut bench = Bench::new(|_| plain(Generation::Lpddr5, 16, "wck_ratio = 4"), &BOTH);
    let mut windows = |ratio: u8, rate: &str| {
        let mut setting = bench.setting("one", "direct", rate, 25.0);
        setting.wck_ratio = Some(ratio);
        let result = bench.train(&setting, StartKind::PowerCycle);
        let tap_ps = setting.rate.ui().0 / 32.0;
        let width = |step: TrainingStep| {
            let name = Generation::Lpddr5.facts().step(step).unwrap();
            let stage = result.stages.iter().find(|stage| stage.name == name).unwrap();
            stage.lanes[0].width_taps.unwrap() * tap_ps
        };
        (width(TrainingStep::CommandSelect), width(TrainingStep::CommandAddress))
    };
    let (select, command) = windows(4, "6400");
    assert!((select - command - 625.0).abs() < 10.0, "{select} {command}");
    assert!((1000.0..1250.0).contains(&select), "{select}");
    let half = windows(2, "3200");
    assert!((half.0 - select).abs() < 20.0 && (half.1 - command).abs() < 20.0, "{half:?}");
}

/// Channels of 16 lanes: each its own eye, levelled and gated by itself.
#[test]
fn low_power_channels_are_eyes_of_their_own() {
    let mut bench = Bench::new(|_| plain(Generation::Lpddr4x, 64, ""), &[Direction::Read]);
    let setting = bench.setting("one", "direct", "3733", 25.0);
    let result = bench.train(&setting, StartKind::PowerCycle);
    let channels: Vec<_> =
        result.eyes.iter().map(|trained| (trained.eye.to_string(), trained.lanes.len())).collect();
    let wanted = ["read rank 0 A", "read rank 0 B", "read rank 0 C", "read rank 0 D"];
    assert_eq!(channels, wanted.map(|name| (name.to_string(), 16)));
}

/// Command eyes: as many lanes as the bus has lines, over its own bit time; behind a register the line has one load and a wider
/// eye than past four packages twice over; the trained reference lies where the swing's middle does (34.3 ohm into 40 ohm: 73.1 %
/// of VDDQ), within what reflections and a swept code's step take.
#[test]
fn command_lines_are_eyes_of_their_own() {
    let edit = |plan: &str| ddr5(64)(plan).replace("lanes = 64", "lanes = 64\n[interface.command]");
    let mut bench = Bench::new(edit, &[Direction::Read, Direction::Command]);
    let mut trained = |module: &str, rate: &str| {
        let setting = bench.setting(module, "direct", rate, 25.0);
        let result = bench.train(&setting, StartKind::Retrain);
        assert!(result.passed, "{:?}", result.failed_stage());
        let eyes: Vec<String> = result.eyes.iter().map(|eye| eye.eye.to_string()).collect();
        let stage = |name: &str| result.stages.iter().find(|stage| stage.name == name).unwrap().clone();
        let lanes = stage("CA training").lanes;
        let width = lanes.iter().map(|lane| lane.width_taps.unwrap()).sum::<f64>() / lanes.len() as f64;
        let codes = stage("VrefCA training").lanes;
        let code = codes.iter().map(|lane| lane.vref_step.unwrap()).sum::<f64>() / codes.len() as f64;
        (eyes, lanes.len(), width / 32.0, 35.0 + 0.5 * code)
    };
    let (eyes, lanes, plain, percent) = trained("unbuffered", "4800");
    assert_eq!(eyes[..2], ["command rank 0 A", "command rank 0 B"]);
    assert_eq!(lanes, 14);
    assert!((percent - 73.1).abs() < 6.0, "{percent} %");
    let registered = trained("registered", "4800").2;
    assert!(registered > plain + 0.02, "{registered} UI behind a register, {plain} past the packages");
    assert!(trained("unbuffered", "6400").2 < plain);
    let offered = bench.target.capabilities(&super::call()).unwrap();
    let command = offered.eyes.iter().find(|eye| eye.eye.direction == Direction::Command).unwrap();
    // One bit a clock period: tCK of 6400 MT/s is 312.5 ps.
    assert!((command.grid.ui.0 - 312.5).abs() < 1e-9);
    // The pulse's top lies early in the bit, so the eye lies later than tap 32: no errors at 42, many half a bit before.
    let eye = command.eye;
    let at = |tap: u16| nightbench_core::results::Point { tap, vref: 76 };
    let middle = bench.ratios(eye, at(42), 14, 100_000);
    let edge = bench.ratios(eye, at(26), 14, 100_000);
    assert!(middle.iter().all(|ratio| *ratio == 0.0) && edge.iter().all(|ratio| *ratio > 0.05), "{edge:?}");
}
