//! Worst lanes as read against the exact surfaces of the same start.

use super::METRICS;
use super::truth::values;
use crate::simulated::{Crossings, SimulatedEye};
use eye::counts::CaptureView;
use eye::metrics::{Wanted, lane_metrics};
use eye::value::Reading;
use nightbench_core::results::{Capture, Point};

/// Places beyond which an eye is printed.
pub const FAR: f64 = 1.2;
/// An operating point whose exact ratio lies within this factor of the limit is told from it by no count of bounded length; as it falls, the lane has
/// a width or none.
pub const UNTOLD: f64 = 2.0;

/// Errors of the worst lane as read, places: of all eyes, and of those whose worst lanes (as read, and exactly) work further than
/// [`UNTOLD`] from the limit.
#[derive(Default)]
pub struct Off {
    pub all: [Vec<f64>; 2],
    pub told: [Vec<f64>; 2],
}

impl Off {
    /// Adds an eye; one that lies far off is printed with its lanes.
    pub fn add(
        &mut self,
        found: &Capture,
        eye: &mut SimulatedEye<'_>,
        here: &[Crossings],
        limit: f64,
        name: &str,
    ) {
        let grid = eye.device.grid;
        let view = CaptureView::new(found).expect("a capture fits itself");
        let lanes = lane_metrics(&view, &Wanted::margins());
        let ratios: Vec<f64> = eye.operating_ratios().into_iter().map(|ratio| ratio / limit).collect();
        for (number, (metric, read)) in METRICS.into_iter().enumerate() {
            let step = if number == 0 { grid.tap_step.0 } else { grid.vref_step.0 };
            let read: Vec<f64> = lanes
                .iter()
                .map(|lane| lane.value(read, Reading::SubTap).expect("a width and a height").grid_value)
                .collect();
            let exact: Vec<f64> = here
                .iter()
                .map(|lane| values(lane, &grid).expect("looked at before")[number] / step)
                .collect();
            let least = |values: &[f64]| {
                (0..values.len()).min_by(|a, b| values[*a].total_cmp(&values[*b])).expect("lanes")
            };
            let worst = [("read", least(&read)), ("exactly", least(&exact))];
            let off = read[worst[0].1] - exact[worst[1].1];
            self.all[number].push(off);
            if worst.iter().all(|(_, lane)| !(1.0 / UNTOLD..=UNTOLD).contains(&ratios[*lane])) {
                self.told[number].push(off);
            }
            if off.abs() <= FAR {
                continue;
            }
            println!("    OFF by {off:+.2} places, {} of {name}", metric.name());
            for (words, lane) in worst {
                let at = found.operating[lane];
                println!(
                    "      worst as {words}, lane {}: read {:.2}, exact {:.2}; its operating point has {:.2} times the limit ({:?} bits and errors, \
                     {:?}); reach read {:.2?}, exact {:.2?}, {:?}",
                    found.lanes[lane],
                    read[lane],
                    exact[lane],
                    ratios[lane],
                    view.count(lane, Point { tap: at.tap, vref: at.vref }).unwrap_or_default(),
                    lanes[lane].state,
                    lanes[lane].reach.map(|reach| reach.sub_tap),
                    here[lane].map(|reach| reach.unwrap_or(f64::NAN)),
                    lanes[lane].reach.map(|reach| reach.method)
                );
            }
        }
    }
}

/// The 95 % quantile of the errors' sizes, of widths and heights.
pub fn most(errors: &[Vec<f64>; 2]) -> [f64; 2] {
    errors.each_ref().map(|errors| {
        let mut sizes: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        sizes.get(((0.95 * sizes.len() as f64).ceil() as usize).max(1) - 1).copied().unwrap_or(f64::NAN)
    })
}
