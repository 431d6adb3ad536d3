//! Tests of labels, fill and runs.
use super::*;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{CaptureMode, Direction, EyeName, LanePoint, Visit, VisitKind};
use nightbench_core::units::{Millivolts, Picoseconds};
use proptest::prelude::*;

pub(crate) fn grid(taps: u16, vref_steps: u16) -> Grid {
    Grid {
        taps,
        vref_steps,
        tap_step: Picoseconds(10.0),
        vref_start: Millivolts(400.0),
        vref_step: Millivolts(8.0),
        ui: Picoseconds(320.0),
        vddq: Millivolts(1200.0),
    }
}

fn rule() -> PointRule {
    PointRule::Fixed { bits: 1000, errors: 0 }
}

fn capture(grid: Grid, mode: CaptureMode, lanes: u16, visits: Vec<Visit>) -> Capture {
    Capture {
        eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
        grid,
        lanes: (0..lanes).collect(),
        operating: vec![LanePoint { tap: grid.taps / 2, vref: grid.vref_steps / 2 }; usize::from(lanes)],
        mode,
        rule: rule(),
        visits,
    }
}

fn visit(tap: u16, vref: u16, errors: &[u64]) -> Visit {
    Visit { point: Point { tap, vref }, kind: VisitKind::Measure, bits: 1000, errors: errors.to_vec() }
}

#[test]
fn continued_visits_add_up_and_decisions_stay() {
    let grid = grid(3, 1);
    let mut short = visit(1, 0, &[0, 3]);
    short.bits = 400;
    let mut rest = visit(1, 0, &[0, 0]);
    rest.bits = 600;
    let mut more = visit(1, 0, &[5, 0]);
    more.bits = 10;
    let labels =
        EyeLabels::from_capture(&capture(grid, CaptureMode::Exact, 2, vec![short, rest, more])).unwrap();
    let at = Point { tap: 1, vref: 0 };
    assert_eq!(labels.label(0, at), Some(Label::Measured(Decision::Pass)));
    assert_eq!(labels.label(1, at), Some(Label::Measured(Decision::Fail)));
    assert_eq!(labels.label(0, Point { tap: 0, vref: 0 }), Some(Label::Inferred(Decision::Pass)));
    assert_eq!(labels.label(1, Point { tap: 0, vref: 0 }), Some(Label::Inferred(Decision::Fail)));
    assert_eq!(labels.label(2, at), None);
}

/// Twenty errors are what the limit makes in the bits of both visits; before they are in, two errors fail the point, and elsewhere they
/// do so for good.
#[test]
fn an_operating_point_goes_by_its_ratio_once_that_is_told() {
    let limit = crate::counts::ber_limit(&rule());
    let bits = (20.0 / limit).ceil() as u64;
    let of = |tap: u16, bits: u64, errors: [u64; 2]| {
        let mut visits = vec![visit(tap, 1, &[2, 2]), visit(tap, 1, &errors)];
        visits[1].bits = bits - visits[0].bits;
        let labels = EyeLabels::from_capture(&capture(grid(3, 3), CaptureMode::Exact, 2, visits)).unwrap();
        [0, 1].map(|lane| labels.label(lane, Point { tap, vref: 1 }) == Some(Label::Measured(Decision::Pass)))
    };
    assert_eq!(of(1, bits, [5, 18]), [true, true]);
    assert_eq!(of(1, bits, [5, 19]), [true, false]);
    assert_eq!(of(1, bits / 2, [0, 0]), [false, false]);
    assert_eq!(of(2, bits, [5, 5]), [false, false]);
}

/// All places beside it fail, and its re-test would fail it again by two errors: it is not tested again.
#[test]
fn an_operating_point_that_goes_by_its_ratio_is_not_isolated() {
    let limit = crate::counts::ber_limit(&rule());
    let mut visits: Vec<Visit> = (0..9u16).map(|i| visit(i % 3, i / 3, &[9])).collect();
    visits[4].errors = vec![2];
    let mut more = visit(1, 1, &[3]);
    more.bits = (20.0 / limit).ceil() as u64;
    let mut again = visit(1, 1, &[2]);
    again.kind = VisitKind::Retest;
    visits.extend([more, again]);
    let labels = EyeLabels::from_capture(&capture(grid(3, 3), CaptureMode::Exact, 1, visits)).unwrap();
    assert!(labels.label(0, Point { tap: 1, vref: 1 }) == Some(Label::Measured(Decision::Pass)));
    assert!(labels.retested().is_empty());
}

#[test]
fn visits_that_do_not_fit_are_named() {
    let wide = visit(7, 0, &[0]);
    let error = EyeLabels::from_capture(&capture(grid(3, 1), CaptureMode::Exact, 1, vec![wide])).unwrap_err();
    assert!(error.to_string().contains("tap 7"), "{error}");
    let many = visit(0, 0, &[0, 0]);
    let error = EyeLabels::from_capture(&capture(grid(3, 1), CaptureMode::Exact, 1, vec![many])).unwrap_err();
    assert!(error.to_string().contains("2 lanes"), "{error}");
}

#[test]
fn undecided_points_between_pass_and_fail_stay_closed() {
    let visits = vec![visit(0, 0, &[0]), visit(4, 0, &[9])];
    let labels = EyeLabels::from_capture(&capture(grid(5, 1), CaptureMode::Exact, 1, visits)).unwrap();
    let passing: Vec<bool> = (0..5).map(|index| labels.passing(index).contains(0)).collect();
    assert_eq!(passing, [true, false, false, false, false]);
}

#[test]
fn a_retest_bears_on_isolated_decisions_only() {
    let grid = grid(3, 3);
    let mut visits: Vec<Visit> = (0..9u16).map(|i| visit(i % 3, i / 3, &[0, 0])).collect();
    visits[4].errors = vec![4, 4];
    visits[5].errors = vec![0, 4];
    let mut again = visit(1, 1, &[0, 0]);
    again.kind = VisitKind::Retest;
    visits.push(again);
    let labels = EyeLabels::from_capture(&capture(grid, CaptureMode::Raster, 2, visits)).unwrap();
    let centre = Point { tap: 1, vref: 1 };
    assert_eq!(labels.label(0, centre), Some(Label::Measured(Decision::Pass)));
    assert_eq!(labels.label(1, centre), Some(Label::Measured(Decision::Fail)));
    let both = [Retested { point: centre, lane: 0, first: Decision::Fail, second: Decision::Pass }];
    assert_eq!(labels.retested(), both);
}

#[test]
fn fill_takes_exactly_one_half_for_a_fail() {
    let grid = grid(5, 1);
    let lattice = Lattice::every(4, &grid);
    assert_eq!(bilinear_fill(&lattice, &grid, &[1, 0]), [1, 1, 0, 0, 0]);
    assert_eq!(bilinear_fill(&lattice, &grid, &[3, 2]), [3, 3, 2, 2, 2]);
}

#[test]
fn the_last_tap_and_step_are_on_every_lattice() {
    let lattice = Lattice::every(4, &grid(64, 10));
    assert_eq!(lattice.taps().last(), Some(&63));
    assert_eq!(lattice.steps(), [0, 4, 8, 9]);
    assert_eq!(lattice.point(lattice.nearest(Point { tap: 62, vref: 2 })), Point { tap: 63, vref: 0 });
}

#[test]
fn open_and_never_failing_lanes_are_told() {
    let visits = vec![visit(0, 0, &[0, 0]), visit(1, 0, &[0, 5]), visit(2, 0, &[7, 0])];
    let labels = EyeLabels::from_capture(&capture(grid(3, 1), CaptureMode::Raster, 2, visits)).unwrap();
    assert_eq!(labels.open_lanes().len(), 2);
    assert!(labels.never_failing_lanes().is_empty());
}

proptest! {
    /// The fill agrees with the textbook formula, lane by lane.
    #[test]
    fn fill_is_bilinear(taps in 1u16..14, steps in 1u16..14, stride in 1u16..5, seed in any::<u64>()) {
        let grid = grid(taps, steps);
        let lattice = Lattice::every(stride, &grid);
        let mut state = seed;
        let corners: Vec<u128> = (0..lattice.len()).map(|_| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            u128::from(state >> 33) & 7
        }).collect();
        let filled = bilinear_fill(&lattice, &grid, &corners);
        let columns = lattice.taps().len();
        for (index, &mask) in filled.iter().enumerate() {
            let point = grid.point(index);
            let hat = |places: &[u16], slot: usize, at: u16| -> f64 {
                // Linear "hat" function of one lattice place.
                let here = f64::from(places[slot]);
                let at = f64::from(at);
                if at == here { return 1.0; }
                let other = if at < here { slot.checked_sub(1) } else { Some(slot + 1) };
                match other.and_then(|o| places.get(o)) {
                    Some(&other) => {
                        let other = f64::from(other);
                        let share = (at - other) / (here - other);
                        share.clamp(0.0, 1.0)
                    }
                    None => 0.0,
                }
            };
            for lane in 0..3 {
                let value: f64 = (0..lattice.len()).filter(|&c| corners[c] >> lane & 1 == 1).map(|c| {
                    hat(lattice.taps(), c % columns, point.tap) * hat(lattice.steps(), c / columns, point.vref)
                }).sum();
                if (value - 0.5).abs() > 1e-9 {
                    prop_assert_eq!(mask >> lane & 1 == 1, value > 0.5, "{:?} {}", point, value);
                } else {
                    prop_assert_eq!(mask >> lane & 1, 0);
                }
            }
        }
    }
}
