//! Tests of the uncertainty budget.

use super::*;
use nightbench_core::units::{Millivolts, Picoseconds};

fn grid() -> Grid {
    Grid {
        taps: 64,
        vref_steps: 64,
        tap_step: Picoseconds(10.0),
        vref_start: Millivolts(500.0),
        vref_step: Millivolts(8.0),
        ui: Picoseconds(416.7),
        vddq: Millivolts(1200.0),
    }
}

/// Nonlinearity of a width of this grid, squared: 0.6 taps of 10 ps peak to peak over 22.9 taps, the mean of sin^2(pi 22.9 / P) over P
/// from 14 to 26 being 0.385559595364.
const NONLINEARITY_PS2: f64 = 36.0 * (0.5 * 0.385559595364 + 1.0 / 16.0);

fn inputs<'a>(metric: Metric, grid: &'a Grid, lines: &'a [BudgetLine]) -> Inputs<'a> {
    Inputs {
        metric,
        direction: Direction::Read,
        grid,
        mode: CaptureMode::Exact,
        jobs: 4,
        mountings: 2,
        mounting_weight: 0.5f64.sqrt(),
        scatter: Scatter { repeatability: Some((3.0, 12.0)), reseating: Some((2.0, 1.0)), of_training: None },
        training: 0.0,
        tap: None,
        lines,
        off_kelvin: 0.5,
        off_percent: 0.0,
    }
}

/// Root sum of squares and Welch-Satterthwaite worked by hand from the lines (GUM 5.1.2, G.4.1).
#[test]
fn lines_add_up_and_degrees_of_freedom_are_truncated() {
    let grid = grid();
    let common = Common::new(&inputs(Metric::Width, &grid, &[]), true);
    let combined = common.combine(100.0, 4.0, Coverage::new(0.95).unwrap()).unwrap();
    let third = 3f64.sqrt();
    // Re-seats: 2 ps with one degree of freedom beside the estimate of 0.15 taps with four.
    let reseating = ((4.0f64 * 1.5 * 1.5 + 2.0 * 2.0) / 5.0).sqrt();
    let (rep, seat) = (3.0 / 2.0, reseating / 2f64.sqrt());
    let lines = [
        2.0,
        0.5 * 2f64.sqrt(),
        0.01 / third * 100.0,
        NONLINEARITY_PS2.sqrt(),
        rep,
        seat,
        (1.0 / 3.0 + 0.25f64).sqrt() * 0.07,
        0.3 / third,
    ];
    let variance: f64 = lines.iter().map(|u| u * u).sum();
    assert!((combined.standard - variance.sqrt()).abs() < 1e-9);
    let freedom = (variance * variance / (rep.powi(4) / 12.0 + seat.powi(4) / 5.0)).floor();
    assert_eq!(combined.freedom, freedom);
    let table = common.table(Metric::Width, 100.0, (3.0, 1.0), 0.95).unwrap();
    assert!((table.combined - combined.standard).abs() < 1e-9);
    assert!((table.rows.iter().map(|row| row.share).sum::<f64>() - 1.0).abs() < 1e-9);
    for name in [
        "sampling",
        "tap step",
        "edge fit",
        "size of a tap",
        "tap nonlinearity",
        "repeatability",
        "re-seating",
        "temperature",
        "supply",
        "extrapolation",
    ] {
        assert!(table.rows.iter().any(|row| row.name == name), "no line {name}");
    }
    for row in &table.rows {
        assert!((row.input * row.sensitivity - row.standard_uncertainty).abs() < 1e-9, "{}", row.name);
    }
    let height = Common::new(&inputs(Metric::Height, &grid, &[]), true);
    let table = height.table(Metric::Height, 100.0, (3.0, 1.0), 0.95).unwrap();
    assert!(table.rows.iter().any(|row| row.name == "Vref step"));
    assert!(table.rows.iter().any(|row| row.name == "Vref tolerance"));
}

#[test]
fn a_plan_overrides_a_line_and_adds_one_with_its_source() {
    let grid = grid();
    let line = |name: &str, u: f64| BudgetLine {
        name: name.into(),
        unit: LineUnit::Picoseconds,
        metric: None,
        direction: None,
        standard_uncertainty: u,
        degrees_of_freedom: None,
        source: "invented".into(),
    };
    let lines = [line("tap nonlinearity", 0.0), line("cable", 7.0)];
    let before = Common::new(&inputs(Metric::Width, &grid, &[]), false)
        .combine(50.0, 1.0, Coverage::new(0.95).unwrap())
        .unwrap();
    let after = Common::new(&inputs(Metric::Width, &grid, &lines), true);
    let combined = after.combine(50.0, 1.0, Coverage::new(0.95).unwrap()).unwrap();
    // Out: the nonlinearity of a width of this grid; in: 7 ps.
    let change = combined.standard.powi(2) - before.standard.powi(2);
    assert!((change - (49.0 - NONLINEARITY_PS2)).abs() < 1e-9, "{change}");
    let table = after.table(Metric::Width, 50.0, (1.0, 0.0), 0.95).unwrap();
    let cable = table.rows.iter().find(|row| row.name == "cable").unwrap();
    assert_eq!(cable.source, "plan: invented");
    // The voltage axis is not touched.
    assert_eq!(
        Common::new(&inputs(Metric::Height, &grid, &lines), false),
        Common::new(&inputs(Metric::Height, &grid, &[]), false)
    );
}

#[test]
fn what_two_runs_of_a_chip_share_is_left_out_of_a_difference() {
    let grid = grid();
    let combined = Common::new(&inputs(Metric::Width, &grid, &[]), false)
        .combine(100.0, 4.0, Coverage::new(0.95).unwrap())
        .unwrap();
    let shared = 0.5f64 + (0.01 / 3f64.sqrt() * 100.0).powi(2) + NONLINEARITY_PS2;
    let apart = combined.standard.powi(2) - combined.independent.0.powi(2);
    assert!((apart - shared).abs() < 1e-9, "{apart} {shared}");
}

#[test]
fn identical_repeats_are_no_certainty() {
    let grid = grid();
    let mut given = inputs(Metric::Width, &grid, &[]);
    given.scatter.repeatability = Some((0.0, 12.0));
    let table = Common::new(&given, true).table(Metric::Width, 100.0, (1.0, 0.0), 0.95).unwrap();
    let row = table.rows.iter().find(|row| row.name == "repeatability").unwrap();
    assert!(row.standard_uncertainty > 0.0 && row.source.contains("zero variance"), "{row:?}");
    assert_eq!(row.kind, 'B');
}

/// A tap that a sweep measured stands in place of the device's word, with what it is off as uncertainty.
#[test]
fn a_swept_tap_is_a_line_of_the_budget() {
    let grid = grid();
    let of = |scale: f64, u: f64, strobes: usize| {
        let tap = Some(TapSize { scale, u, freedom: 12.0, strobes });
        let common = Common::new(&Inputs { tap, ..inputs(Metric::Width, &grid, &[]) }, true);
        let table = common.table(Metric::Width, 100.0, (3.0, 1.0), 0.95).unwrap();
        table.rows.into_iter().find(|row| row.name == "size of a tap").unwrap()
    };
    let nominal = 0.01 / 3f64.sqrt();
    let measured = of(1.002, 0.003, 9);
    assert!((measured.input - 0.003f64.hypot(0.002)).abs() < 1e-12 && measured.kind == 'A');
    assert!(measured.source.contains("let the device state 10.020 ps"), "{}", measured.source);
    // One strobe says less than the device's own word, unless it contradicts it.
    let one = of(1.005, 0.013, 1);
    assert!((one.input - nominal).abs() < 1e-12 && one.source.contains("nominal tap"), "{one:?}");
    let off = of(1.05, 0.013, 1);
    assert!((off.input - 0.05f64.hypot(0.013)).abs() < 1e-12, "{off:?}");
}
