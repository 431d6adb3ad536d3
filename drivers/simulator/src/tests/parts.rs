//! What is fitted shows where it should: half-populated pairs, registered and load-reduced modules, ranks.

use super::{Bench, call, eye};
use contract::{Driver, StartKind};
use nightbench_core::results::{Direction, LanePoint, TrainedEye};

/// Lanes 0-7 on one module, 8-15 on the other; lanes 4-7 of the first without a DRAM in the second plan.
fn pair(lanes: &str) -> impl Fn(&str) -> String {
    let lanes = lanes.to_string();
    move |plan| {
        plan.replace(
            "[[channel]]\nname = \"direct\"",
            &format!(
                "[[module]]\nname = \"pair\"\nkind = \"UDIMM\"\nhalf_populated = true\nrated = 3200\npopulated_lanes = {lanes}\n\n\
                 [[channel]]\nname = \"direct\""
            ),
        )
        .replace("\"3DS\"]", "\"3DS\", \"half-populated\"]")
    }
}

fn trained(bench: &mut Bench, module: &str, mounting: u32) -> TrainedEye {
    let mut setting = bench.setting(module, "three risers", "2400", 25.0);
    setting.mounting = mounting;
    let result = bench.train(&setting, StartKind::Retrain);
    assert!(result.passed, "{:?}", result.failed_stage());
    eye(&result, Direction::Read).clone()
}

fn mean_tap(settings: &[LanePoint]) -> f64 {
    settings.iter().map(|at| f64::from(at.tap)).sum::<f64>() / settings.len() as f64
}

/// Contacts of every mounting are drawn for each half apart, and each half has strobes of its own: with a strobe skew
/// that dwarfs everything else the halves' eyes lie apart, and lanes without a DRAM are never captured.
#[test]
fn halves_of_a_pair_have_paths_of_their_own_and_empty_lanes_are_left_out() {
    let apart = |skew: &str| {
        let edit = pair("[\"0-3\", \"8-15\"]");
        let mut bench = Bench::new(
            |plan| format!("{}\n[model]\nsk_lane_ps = {skew}\nsk_bit_ps = 0.0\n", edit(plan)),
            &[Direction::Read],
        );
        let found = trained(&mut bench, "pair", 0);
        assert_eq!(found.lanes, [0, 1, 2, 3, 8, 9, 10, 11, 12, 13, 14, 15], "populated lanes only");
        let offered = bench.target.capabilities(&call()).unwrap();
        assert_eq!(offered.eyes[0].lanes.iter().collect::<Vec<_>>(), found.lanes);
        (mean_tap(&found.settings[..4]) - mean_tap(&found.settings[4..])).abs()
    };
    assert!(apart("0.0") < 1.0);
    assert!(apart("60.0") > 1.0, "two halves, two strobes");
    // A re-seat moves the contacts of both halves, each its own way: spreads far beyond the usual ones show it.
    let edit = pair("[\"0-7\", \"8-15\"]");
    let loose =
        |plan: &str| format!("{}\n[model]\nseat_l = 0.4\nseat_c = 0.4\nseat_r_ohm = 8.0\n", edit(plan));
    let mut bench = Bench::new(loose, &[Direction::Read]);
    let widths = |bench: &mut Bench, mounting: u32| {
        let mut setting = bench.setting("pair", "three risers", "2400", 25.0);
        setting.mounting = mounting;
        let result = bench.train(&setting, StartKind::Retrain);
        let stage = result.stages.iter().find(|stage| stage.name == "read deskew and centring").unwrap();
        let mean = |lanes: std::ops::Range<usize>| {
            stage.lanes[lanes].iter().map(|lane| lane.width_taps.unwrap_or(0.0)).sum::<f64>() / 8.0
        };
        (mean(0..8), mean(8..16))
    };
    let seats: Vec<(f64, f64)> = (0..8).map(|mounting| widths(&mut bench, mounting)).collect();
    assert_eq!(seats[0], widths(&mut bench, 0), "a mounting is a fixed draw");
    let differences: Vec<f64> = seats.iter().map(|(first, second)| first - second).collect();
    let spread = differences.iter().fold(f64::MIN, |most, value| most.max(*value))
        - differences.iter().fold(f64::MAX, |least, value| least.min(*value));
    assert!(spread > 0.5, "each half seats by itself: {seats:?}");
}

/// A register re-drives command and address only: on the data lanes a registered module of the same name is the
/// unbuffered one, lane by lane.
#[test]
fn registered_equals_unbuffered_on_the_data_lanes() {
    let edit = |plan: &str| plan.replace("name = \"registered\"", "name = \"twin\"");
    let mut one = Bench::new(edit, &[Direction::Read, Direction::Write]);
    let mut two = Bench::new(
        |plan| edit(plan).replace("name = \"twin\"\nkind = \"RDIMM\"", "name = \"twin\"\nkind = \"UDIMM\""),
        &[Direction::Read, Direction::Write],
    );
    let (registered, unbuffered) = (trained(&mut one, "twin", 3), trained(&mut two, "twin", 3));
    assert_eq!(registered, unbuffered);
}

/// Terminations by table against one value for whatever is parked. Two ranks on DDR4-3200, direct: the other rank at 240 ohm in
/// place of 48 opens the eye by far (221 mV against 321 in a worked case of a signal-integrity review); a key of the model that the
/// plan gives wins over the row, so that both rules then give the same.
#[test]
fn terminations_follow_the_table_where_the_plan_asks_for_it() {
    let height = |rule: &str, model: &str| {
        let edit = |plan: &str| {
            let plan = plan.replace("lanes = 16", &format!("lanes = 8\ntermination = \"{rule}\""));
            format!("{plan}\n[model]\nsk_lane_ps = 0.0\n{model}\n")
        };
        let mut bench = Bench::new(edit, &[Direction::Read]);
        let setting = bench.setting("two ranks", "direct", "3200", 25.0);
        let result = bench.train(&setting, StartKind::Retrain);
        assert!(result.passed, "{:?}", result.failed_stage());
        let stage = result.stages.iter().find(|stage| stage.name == "read VrefDQ").unwrap();
        stage.lanes.iter().map(|lane| lane.height_steps.unwrap()).sum::<f64>() / stage.lanes.len() as f64
    };
    let (fixed, table) = (height("fixed", ""), height("table", ""));
    assert!(table > fixed + 8.0, "{fixed} and {table} steps of 7.8 mV");
    assert_eq!(height("table", "odt_park_ohm = 48.0"), fixed);
    // The addressed end, too: 1 x 48 ohm at the controller is both rules' value, another one moves both alike.
    assert_eq!(
        height("table", "odt_rd_ohm = 60.0\nodt_park_ohm = 48.0"),
        height("fixed", "odt_rd_ohm = 60.0")
    );
}
