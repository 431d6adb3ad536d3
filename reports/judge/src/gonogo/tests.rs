//! Decisions on invented counts; what a lot proves; when it stops.

use super::test::{LaneRange, Straightening, Term};
use super::*;
use nightbench_core::line::{ShortCounts, ShortLook, ShortVisit, SupplyCounts, UnitOutcome, UnitTimes};
use nightbench_core::results::{Direction, EyeName, Grid, LanePoint};
use nightbench_core::units::{Millivolts, Picoseconds};
use statistics::control::ControlRule;

const LOOK: ShortLook =
    ShortLook { bits: 100_000, limit: 1e-3, start_taps: 2, start_steps: 2, columns: false };

/// A test on one lane whose width is the prediction.
fn test() -> LineTest {
    LineTest {
        metric: CornerMetric::Width,
        limit: 0.20,
        guard_band: 0.02,
        no_go_below: 0.15,
        residual_sd: 0.01,
        regression_sd: 0.002,
        intercept: 0.0,
        straightening: Straightening {
            centre: 0.0,
            scale: 1.0,
            from: -10.0,
            to: 10.0,
            coefficients: [0.0, 1.0, 0.0, 0.0],
        },
        look: LOOK,
        term: vec![Term { supply: "low".into(), of: Feature::WorstWidth, coefficient: 1.0 }],
        range: vec![LaneRange {
            supply: "low".into(),
            direction: Direction::Read,
            rank: 0,
            sub_channel: None,
            lanes: vec![4],
            mean_width_ui: vec![0.25],
            sd_ui: 0.02,
        }],
    }
}

/// A unit whose lane is so many taps (of 32 a UI) open on either side.
fn unit(taps: u16, lane: u16) -> UnitOutcome {
    let grid = Grid {
        taps: 64,
        vref_steps: 8,
        tap_step: Picoseconds(10.0),
        vref_start: Millivolts(600.0),
        vref_step: Millivolts(8.0),
        ui: Picoseconds(320.0),
        vddq: Millivolts(1200.0),
    };
    let visit = |tap: u16| {
        let errors = if tap.abs_diff(30) <= taps { 0 } else { 30_000 };
        ShortVisit(tap, 3, 100_000, vec![errors])
    };
    UnitOutcome::Measured(vec![SupplyCounts {
        supply: "low".into(),
        eyes: vec![ShortCounts {
            eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
            grid,
            lanes: vec![lane],
            operating: vec![LanePoint { tap: 30, vref: 3 }],
            visits: (10..50).map(visit).collect(),
        }],
    }])
}

#[test]
fn a_unit_is_a_go_a_no_go_or_for_the_corner_test() {
    let test = test();
    let decision = |outcome: &UnitOutcome| test.judge(outcome).decision;
    // 2 taps and about a third of one on either side: 0.15 UI and less; 3: 0.21; 4: 0.27; 5: 0.33.
    assert_eq!(decision(&unit(1, 4)), Decision::NoGo);
    assert_eq!(decision(&unit(3, 4)), Decision::ToCorner, "{:?}", test.judge(&unit(3, 4)));
    assert_eq!(decision(&unit(4, 4)), Decision::Go, "{:?}", test.judge(&unit(4, 4)));
    // Far wider than any of the sample: nobody knows what that is.
    let far = test.judge(&unit(7, 4));
    assert!(matches!((far.decision, far.reason), (Decision::ToCorner, Reason::FarOutside { lane: 4, .. })));
    // Counts of another lane than the test looks at, and counts that leave an edge open, are no measurement.
    assert_eq!(decision(&unit(4, 5)), Decision::NotMeasured);
    let UnitOutcome::Measured(mut open) = unit(4, 4) else { panic!() };
    open[0].eyes[0].visits.truncate(22);
    assert_eq!(decision(&UnitOutcome::Measured(open)), Decision::NotMeasured);
    let failed = UnitOutcome::TrainingFailed { stage: "read eye".into(), lanes: vec![1], causes: Vec::new() };
    let judged = test.judge(&failed);
    assert_eq!(judged.decision, Decision::NoGo);
    assert!(judged.reason.to_string().contains("read eye"));
    for decision in Decision::ALL {
        assert!(!decision.words().contains("pass"));
    }
}

#[test]
fn beyond_the_sample_a_straightened_prediction_runs_on_in_a_straight_line() {
    let bent =
        Straightening { centre: 1.0, scale: 0.5, from: -2.0, to: 2.0, coefficients: [1.0, 0.5, 0.0, -0.02] };
    let end = bent.of(2.0);
    assert!((bent.of(2.4) - end - 0.4).abs() < 1e-12);
    assert!((bent.of(1.5) - (1.0 + 0.5 - 0.02)).abs() < 1e-12);
}

fn lot_unit(serial: &str, decision: Decision, predicted: f64, drawn: bool) -> LotUnit {
    let judgement = Judgement { decision, reason: Reason::Predicted, predicted: Some(predicted) };
    LotUnit { serial: serial.into(), judgement, times: UnitTimes::default(), drawn }
}

/// The bounds are those of ISO 16269-6 for attributes (order 1): 299 for 1 %, 2,995 for 0.1 % at 95 %.
#[test]
fn none_bad_among_the_drawn_proves_what_the_tables_say() {
    for (count, most) in [(299, 0.01), (2995, 0.001)] {
        let name = |number: usize| format!("U{number}");
        let units: Vec<LotUnit> = (0..count).map(|n| lot_unit(&name(n), Decision::Go, 0.25, true)).collect();
        let corners: Vec<CornerResult> =
            (0..count).map(|n| CornerResult { serial: name(n), value: 0.25 }).collect();
        let lot = LotSummary::of(&test(), &units, &corners, &[], None);
        let (_, tested, bad, bound) = lot.drawn;
        assert_eq!((tested, bad), (count, 0));
        assert!(bound.unwrap() <= most && bound.unwrap() > 0.99 * most, "{bound:?}");
        assert_eq!(lot.go.unwrap().0, 1.0);
        assert!(!lot.drift.unwrap().seen());
    }
}

#[test]
fn a_drifted_lot_and_units_that_failed_at_the_corner_show() {
    let units = [
        lot_unit("A", Decision::Go, 0.25, true),
        lot_unit("B", Decision::ToCorner, 0.21, false),
        lot_unit("C", Decision::NoGo, 0.1, false),
    ];
    let corner = |serial: &str, value: f64| CornerResult { serial: serial.into(), value };
    let lot = LotSummary::of(&test(), &units, &[corner("A", 0.19), corner("B", 0.15)], &[], None);
    assert_eq!(lot.counts, [1, 1, 1, 0]);
    assert_eq!((lot.drawn.0, lot.drawn.1, lot.drawn.2), (1, 1, 1));
    let drift = lot.drift.unwrap();
    assert!((drift.mean + 0.06).abs() < 1e-12 && drift.seen(), "{drift:?}");
    let (good, known, _) = lot.settled.unwrap();
    assert_eq!((good, known), (0, 3));
}

#[test]
fn golden_units_stop_a_lot_by_one_beyond_or_eight_on_a_side() {
    let chart = |values: &[f64]| {
        let golden: Vec<GoldenResult> =
            values.iter().map(|value| GoldenResult { name: "G".into(), deviation: *value }).collect();
        stop_reason(&chart_of(&golden, Some(1.0)))
    };
    assert_eq!(chart(&[0.5, -0.5, 2.9, -2.9, 0.1]), None);
    assert_eq!(
        chart(&[0.5, 3.1]).map(|reason| (reason.measurement, reason.rule)),
        Some((2, ControlRule::BeyondLimit))
    );
    assert_eq!(chart(&[0.2; 7]), None);
    assert_eq!(chart(&[0.2; 8]).map(|reason| reason.rule), Some(ControlRule::EightOnOneSide));
    assert_eq!(stop_reason(&chart_of(&[], None)), None);
}
