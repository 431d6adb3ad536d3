//! Cost of eye metrics: one large capture by stage, and many small ones as a long run leaves them.

#[path = "../../../tests/speed/stopwatch.rs"]
mod stopwatch;

use eye::counts::CaptureView;
use eye::edges::{EdgeMethod, Side};
use eye::metrics::{LaneMetrics, Wanted, lane_metrics};
use eye::shapes::{Mask, MaskShape};
use eye::together::aligned_metrics;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{
    Capture, CaptureMode, Direction, EyeName, Grid, LanePoint, Point, Visit, VisitKind,
};
use nightbench_core::units::{Millivolts, Picoseconds};
use statistics::special::normal_sf;
use std::hint::black_box;
use stopwatch::time;

/// A raster of Gaussian eyes with expected counts (rounded), early stop at two errors, lanes skewed by +-5 % of the grid.
fn raster(taps: u16, steps: u16, lanes: u16, sigma_taps: f64, sigma_steps: f64) -> Capture {
    let rule = PointRule::sequential(1e-6, 0.95);
    let grid = Grid {
        taps,
        vref_steps: steps,
        tap_step: Picoseconds(2.0),
        vref_start: Millivolts(600.0),
        vref_step: Millivolts(5.0),
        ui: Picoseconds(312.5),
        vddq: Millivolts(1200.0),
    };
    let skew = f64::from(taps) / 64.0;
    let mut visits = Vec::new();
    for vref in 0..steps {
        for tap in 0..taps {
            let ber = |lane: u16| {
                let (x, y) = (f64::from(tap) + skew * (f64::from(lane % 7) - 3.0), f64::from(vref));
                let sum = normal_sf((x - 0.15 * f64::from(taps)) / sigma_taps)
                    + normal_sf((0.85 * f64::from(taps) - x) / sigma_taps)
                    + normal_sf((y - 0.15 * f64::from(steps)) / sigma_steps)
                    + normal_sf((0.85 * f64::from(steps) - y) / sigma_steps);
                (0.5 * sum).min(0.5)
            };
            let best = (0..7).map(ber).fold(0.5, f64::min);
            let bits = (2.0 / best).min(rule.clean_bits() as f64) as u64;
            let errors =
                (0..lanes).map(|lane| ((bits as f64 * ber(lane)).round() as u64).min(bits)).collect();
            visits.push(Visit { point: Point { tap, vref }, kind: VisitKind::Measure, bits, errors });
        }
    }
    Capture {
        eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
        grid,
        lanes: (0..lanes).collect(),
        operating: vec![LanePoint { tap: taps / 2, vref: steps / 2 }; usize::from(lanes)],
        mode: CaptureMode::Raster,
        rule,
        visits,
    }
}

fn main() {
    let large = raster(64, 64, 72, 1.2, 1.5);
    let mask =
        Mask { shape: MaskShape::Rectangle, half_width: Picoseconds(36.0), half_height: Millivolts(55.0) };
    let everything = Wanted::everything(vec![mask, Mask { shape: MaskShape::Hexagon { flat: 0.5 }, ..mask }]);
    let last_pass = Wanted { sub_tap: false, shapes: false, masks: Vec::new() };
    time("view of 72 lanes, 64 x 64", || CaptureView::new(black_box(&large)).map(|view| view.maps().len()));
    let Ok(view) = CaptureView::new(&large) else { return };
    let stages = [
        ("last pass", &last_pass),
        ("sub-tap margins", &Wanted::margins()),
        ("everything, two masks", &everything),
    ];
    for (name, wanted) in stages {
        time(&format!("{name} of 72 lanes, 64 x 64"), || {
            let lanes = lane_metrics(black_box(&view), wanted);
            aligned_metrics(&view, &lanes, wanted)
        });
    }
    let small = raster(24, 20, 72, 0.8, 0.8);
    let width_fits = CaptureView::new(&small).is_ok_and(|view| {
        let fitted = |lane: &LaneMetrics| lane.side(Side::Early).method == EdgeMethod::Fit;
        lane_metrics(&view, &Wanted::margins()).iter().all(fitted)
    });
    assert!(width_fits, "the small capture must exercise the fit");
    for (name, wanted) in &stages[..2] {
        time(&format!("view and {name} of 72 lanes, 24 x 20"), || {
            CaptureView::new(black_box(&small)).map(|view| lane_metrics(&view, wanted).len())
        });
    }
}
