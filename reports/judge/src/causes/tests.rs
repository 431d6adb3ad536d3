//! A lane with known edges held against its neighbours: what it lacks follows from arithmetic.

use super::*;
use crate::why::limit_box;
use nightbench_core::lane_model::{Change, FRINGE, Knob};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{Capture, CaptureMode, Direction, EyeName, Grid, LanePoint, Visit, VisitKind};
use nightbench_core::units::{Millivolts, Picoseconds};
use statistics::special::{normal_sf, normal_upper_quantile};

const EYE: EyeName = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
const GRID: Grid = Grid {
    taps: 40,
    vref_steps: 32,
    tap_step: Picoseconds(10.0),
    vref_start: Millivolts(300.0),
    vref_step: Millivolts(8.0),
    ui: Picoseconds(320.0),
    vddq: Millivolts(1200.0),
};
/// Edges of the eye, taps and steps; spread of its edges in time and voltage.
const EDGES: (f64, f64, f64, f64) = (8.0, 32.0, 5.0, 27.0);
const SPREAD: (f64, f64) = (0.8, 0.8);

/// Four Gaussian edges: random jitter and noise are their spreads, and nothing else changes anything.
fn ratio(tap: f64, step: f64, jitter: f64, noise: f64) -> f64 {
    let (early, late, lower, upper) = EDGES;
    let time = normal_sf((tap - early) / jitter) + normal_sf((late - tap) / jitter);
    let voltage = normal_sf((step - lower) / noise) + normal_sf((upper - step) / noise);
    (0.5 * (time + voltage)).min(0.5)
}

struct Edges;

impl LaneModel for Edges {
    fn error_ratios(&self, _: EyeName, changes: &[Change]) -> Result<Vec<f64>, String> {
        let factor = |knob: Knob| -> f64 {
            changes.iter().filter(|change| change.knob == knob).map(|change| change.by).sum::<f64>().exp()
        };
        let (jitter, noise) = (SPREAD.0 * factor(Knob::RandomJitter), SPREAD.1 * factor(Knob::Noise));
        let rows = f64::from(FRINGE);
        let grid = Grid { vref_steps: GRID.vref_steps + 2 * FRINGE, ..GRID };
        let at = |index| {
            let point = grid.point(index);
            ratio(point.tap.into(), f64::from(point.vref) - rows, jitter, noise)
        };
        Ok((0..grid.len()).map(at).collect())
    }
}

/// Six lanes, the spreads of their edges given; every point counted as its ratio says.
fn capture(lanes: &[(f64, f64)]) -> Capture {
    moved(lanes, (0.0, 0.0))
}

/// The same eye, so many taps later and steps higher.
fn moved(lanes: &[(f64, f64)], by: (f64, f64)) -> Capture {
    let bits = 4_000_000;
    let visit = |index| {
        let point = GRID.point(index);
        let errors = lanes
            .iter()
            .map(|(jitter, noise)| {
                let (tap, step) = (f64::from(point.tap) - by.0, f64::from(point.vref) - by.1);
                (bits as f64 * ratio(tap, step, *jitter, *noise)).round() as u64
            })
            .collect();
        Visit { point, kind: VisitKind::Measure, bits, errors }
    };
    Capture {
        eye: EYE,
        grid: GRID,
        lanes: (0..lanes.len() as u16).collect(),
        operating: vec![LanePoint { tap: 20, vref: 16 }; lanes.len()],
        mode: CaptureMode::Raster,
        rule: PointRule::sequential(1e-6, 0.95),
        visits: (0..GRID.len()).map(visit).collect(),
    }
}

fn found(bad: (f64, f64)) -> LaneCauses {
    // Healthy lanes differ from the model's own figures: they are the reference, not the model.
    let healthy = (1.1 * SPREAD.0, 0.9 * SPREAD.1);
    let mut lanes = vec![healthy; 6];
    lanes[2] = bad;
    let capture = capture(&lanes);
    let view = CaptureView::new(&capture).expect("sound");
    let limits = limit_box(2.0 * 4.0 * GRID.tap_step.0, 2.0 * 4.0 * GRID.vref_step.0);
    let best = [2.0, 2.0, 1.2, 2.0, 2.0, 2.0];
    let jobs = [Job { view: &view, model: &Edges }];
    let library = library(&jobs, &limits, &best, &[2]).expect("a reference");
    assert!(library.chi_square < 1.0, "{}", library.chi_square);
    library.causes(&jobs, 2, Trained::default()).expect("a fit")
}

/// The BER is 1e-6 where 0.5 Q(z) is: z = 4.611 spreads inside an edge. Of a box of four taps the lane loses
/// 4.611 (2.4 - 0.88) / 4 in time, as long as the voltage is not in the way.
#[test]
fn jitter_is_named_with_what_it_costs() {
    let found = found((3.0 * SPREAD.0, 0.9 * SPREAD.1));
    assert_eq!((found.finding, found.lane), (Finding::Named, 2), "{found:?}");
    assert_eq!(found.causes[0].cause, Cause::RandomJitter, "{found:?}");
    let z = normal_upper_quantile(2e-6).expect("inside");
    let half = |edge: f64, spread: f64, size: f64| (edge - z * spread) / size;
    let (now, healthy) = (half(12.0, 2.4, 4.0), half(12.0, 0.88, 4.0).min(half(11.0, 0.72, 4.0)));
    assert!((found.trained - now).abs() < 0.05, "{found:?}, by arithmetic {now}");
    let off = (found.causes[0].gain - (healthy - now)).abs();
    assert!(off < found.causes[0].expanded_uncertainty, "{found:?}, by arithmetic {}", healthy - now);
    assert!(found.accepted && found.words().starts_with("RJ: +"), "{}", found.words());
}

/// With twice the noise beside three times the jitter a lane without the jitter ends where the noise does: 4.611 (0.72 x 2) from its edge,
/// in boxes of four steps. The noise costs nothing while the jitter is in the way, and is found all the same.
#[test]
fn a_cause_costs_what_another_one_beside_it_leaves() {
    let found = found((3.0 * SPREAD.0, 1.8 * SPREAD.1));
    let z = normal_upper_quantile(2e-6).expect("inside");
    let (now, noise) = ((12.0 - z * 2.4) / 4.0, (11.0 - z * 1.44) / 4.0);
    let first = &found.causes[0];
    assert_eq!((first.cause, first.or, found.causes.len()), (Cause::RandomJitter, None, 1), "{found:?}");
    let off = (first.gain - (noise - now)).abs();
    assert!(off < 0.12 && off < first.expanded_uncertainty, "{found:?}, by arithmetic {}", noise - now);
    assert!(found.accepted, "{found:?}");
}

/// An extra job, trained elsewhere, tells the same: its counts add to the eye's and its shift is its own.
#[test]
fn an_extra_job_adds_its_counts_wherever_it_was_trained() {
    let mut lanes = vec![(1.1 * SPREAD.0, 0.9 * SPREAD.1); 6];
    lanes[2].0 = 3.0 * SPREAD.0;
    let captures = [capture(&lanes), moved(&lanes, (2.5, -1.5))];
    let views = captures.each_ref().map(|capture| CaptureView::new(capture).expect("sound"));
    let jobs: Vec<Job<'_>> = views.iter().map(|view| Job { view, model: &Edges }).collect();
    let limits = limit_box(2.0 * 4.0 * GRID.tap_step.0, 2.0 * 4.0 * GRID.vref_step.0);
    let best = [2.0, 2.0, 1.2, 2.0, 2.0, 2.0];
    let library = library(&jobs, &limits, &best, &[2]).expect("a reference");
    let both =
        library.of_all_jobs().and_then(|all| all.of_jobs(&jobs, 2, Trained::default())).expect("a fit");
    let alone = found(lanes[2]);
    assert_eq!(both.causes[0].cause, Cause::RandomJitter, "{both:?}");
    assert!((both.causes[0].gain - alone.causes[0].gain).abs() < 0.05, "{both:?}, alone {alone:?}");
    assert!((both.trained - alone.trained).abs() < 0.05, "{both:?}, alone {alone:?}");
}

/// A job whose healthy lanes no figure of the model describes (a fiftieth of the bits fails up to seven taps beyond the early edge) is left
/// out, and the others stay; where the eye alone leaves nothing open the others are not asked.
#[test]
fn an_extra_job_that_the_model_does_not_describe_is_left_out_alone() {
    let mut lanes = vec![(1.1 * SPREAD.0, 0.9 * SPREAD.1); 6];
    lanes[2].0 = 3.0 * SPREAD.0;
    let late = |mut capture: Capture| {
        for visit in capture.visits.iter_mut().filter(|visit| f64::from(visit.point.tap) < EDGES.0 + 7.0) {
            visit.errors.iter_mut().for_each(|errors| *errors = visit.bits / 50);
        }
        capture
    };
    let captures = [capture(&lanes), late(capture(&lanes)), moved(&lanes, (2.5, -1.5))];
    let views = captures.each_ref().map(|capture| CaptureView::new(capture).expect("sound"));
    let jobs: Vec<Job<'_>> = views.iter().map(|view| Job { view, model: &Edges }).collect();
    let limits = limit_box(2.0 * 4.0 * GRID.tap_step.0, 2.0 * 4.0 * GRID.vref_step.0);
    let library = library(&jobs, &limits, &[2.0, 2.0, 1.2, 2.0, 2.0, 2.0], &[2]).expect("a reference");
    assert_eq!(library.used, [0, 2]);
    let told = library.causes(&jobs, 2, Trained::default()).expect("a fit");
    assert!(told.eye_alone && !told.leaves_open(), "{told:?}");
    assert_eq!(LaneCauses { eye_alone: false, ..told }, found(lanes[2]));
}

/// A lane that its device's one Vref holds six steps below its middle gains nothing by being trained anew; with a Vref of its own it
/// would.
#[test]
fn a_shared_vref_is_no_offset_that_training_could_mend() {
    let mut capture = capture(&[(1.1 * SPREAD.0, 0.9 * SPREAD.1); 6]);
    capture.operating[2].vref -= 6;
    let view = CaptureView::new(&capture).expect("sound");
    let jobs = [Job { view: &view, model: &Edges }];
    let limits = limit_box(2.0 * 4.0 * GRID.tap_step.0, 2.0 * 4.0 * GRID.vref_step.0);
    let library = library(&jobs, &limits, &[2.0; 6], &[2]).expect("a reference");
    let told = |shared_vref| library.causes(&jobs, 2, Trained { held: false, shared_vref }).expect("a fit");
    assert_eq!(told(false).causes.first().map(|one| one.cause), Some(Cause::Centring), "{:?}", told(false));
    assert_eq!(told(true).finding, Finding::NothingDominant, "{:?}", told(true));
}

#[test]
fn a_lane_like_its_neighbours_has_no_cause() {
    let found = found((1.1 * SPREAD.0, 0.9 * SPREAD.1));
    assert_eq!(found.finding, Finding::NothingDominant, "{found:?}");
    assert_eq!(found.words(), "no dominant cause");
}

#[test]
fn without_neighbours_there_is_no_reference() {
    let capture = capture(&[SPREAD; 3]);
    let view = CaptureView::new(&capture).expect("sound");
    let jobs = [Job { view: &view, model: &Edges }];
    let error = library(&jobs, &limit_box(80.0, 64.0), &[2.0; 3], &[0]).err().expect("too few lanes");
    assert!(error.contains("fewer than 3 healthy lanes"), "{error}");
}
