//! What a lane gains at its best sampling point: the printed gain and its U against the exact surfaces, both at the point
//! trained and at the point called best. Lanes of a device that have one write Vref are moved to one row together.

use crate::cases::{bad_joint, plan};
use crate::rows::{Claim, Row};
use crate::truth::{crossings_between, options};
use contract::CancelToken;
use judge::why::{lane_gains, limit_box};
use nightbench_core::results::{Direction, Grid, JobOutcome, LanePoint};
use plan::Plan;
use plan::expand::{expand, jobs};
use plan::keys::JobKeys;
use plan::selection::Selection;
use runner::run::execute::Executor;
use simulator::physics::LaneSurface;
use simulator::target::{MODEL_VERSION, SimulatedTarget};
use std::collections::BTreeMap;

/// The plan of a chip of this name.
type PlanOf = fn(&str) -> String;

/// What is looked at.
pub const PLANS: [(&str, PlanOf); 3] = [
    ("DDR4 read, 8 lanes", |chip| plan(chip, "DDR4", 8, "2400, 2666", &["read"], "")),
    ("DDR5 read, 8 lanes", |chip| plan(chip, "DDR5", 8, "4400, 4800", &["read"], "")),
    ("DDR4 write, one Vref a device", |chip| {
        plan(chip, "DDR4", 16, "2400, 2666", &["write"], "[model]\nvref_shared = 1\n")
    }),
];

/// Firmware that sets a lane beside the place found.
const TRAINED_BESIDE: &str =
    "[[firmware]]\nname = \"moved\"\n[[firmware.lane]]\nlane = 5\ntaps = 3\nvref_steps = -3\n";

/// Width in UI and height in % VDDQ of the box.
const BOX: (f64, f64) = (0.22, 10.0);

/// Rows of a chip over some seeds: does the interval hold, and how often is a gain called certain that is none?
/// `bad`: a lane is behind a bad joint, and another is trained beside its place.
pub fn rows(case: &str, text: PlanOf, bad: bool, chip: u64, seeds: u64) -> Vec<Row> {
    let mut text = text(&format!("{case} gain {chip}"));
    if bad {
        text = bad_joint(&text) + TRAINED_BESIDE;
    }
    let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let words = if bad { ", bad lanes" } else { "" };
    let expansion = expand(&plan, &Selection::default());
    let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(&plan, &expansion, &keys);
    let list = jobs(&plan, &expansion);
    let mut holds =
        Row::new(format!("{case}{words}, gain at the best point: U of one job"), Claim::Share(0.95, 0.995));
    let mut empty =
        Row::new(format!("{case}{words}, gain called certain where there is none"), Claim::AtMost(0.05));
    let of_box = |point: &str| {
        Row::new(
            format!("{case}{words}, box about the {point} point: U of one job"),
            Claim::Share(0.95, 0.995),
        )
    };
    let (mut trained, mut largest) = (of_box("trained"), of_box("best"));
    for seed in 1..=seeds {
        let mut target = SimulatedTarget::new(options(&plan, seed));
        for condition in 0..expansion.conditions.len() {
            let job = list.iter().find(|job| job.condition as usize == condition).expect("a job");
            let result = executor.run(&mut target, job, &CancelToken::new()).expect("no stop");
            if result.outcome != JobOutcome::Measured {
                continue;
            }
            for capture in &result.captures {
                let grid = capture.grid;
                let limits = limit_box(BOX.0 * grid.ui.0, BOX.1 / 100.0 * grid.vddq.0);
                let half = (limits.half_width.0 / grid.tap_step.0, limits.half_height.0 / grid.vref_step.0);
                let shared = plan.interface.generation.facts().shared_write_vref;
                let shared = shared.filter(|_| capture.eye.direction == Direction::Write);
                let module = expansion.conditions[condition].module(&plan);
                let lanes_a_device = shared.map(|shared| shared.lanes(module.device_width));
                let gains =
                    lane_gains(std::slice::from_ref(capture), &limits, lanes_a_device).expect("sound counts");
                let mut rows: BTreeMap<u16, u16> = BTreeMap::new();
                for (eye, lane, surface) in target.lane_surfaces() {
                    let place = capture.lanes.iter().position(|known| *known == lane);
                    let Some(place) = place.filter(|_| eye == capture.eye) else { continue };
                    let Some(gain) = gains.iter().find(|gain| gain.lane == lane) else { continue };
                    let at = capture.operating[place];
                    let best = LanePoint {
                        tap: (f64::from(at.tap) + gain.taps) as u16,
                        vref: (f64::from(at.vref) + gain.vref_steps) as u16,
                    };
                    if let Some(lanes) = lanes_a_device {
                        let row = *rows.entry(lane / lanes).or_insert(best.vref);
                        assert_eq!(row, best.vref, "a device has one Vref");
                    }
                    let limit = plan.capture.ber_limit;
                    let mut scale = |at| exact_box(surface, &grid, at, half, limit);
                    let (at_best, at_trained) = (scale(best), scale(at));
                    let truth = at_best - at_trained;
                    let [of_trained, of_best] = gain.box_expanded_uncertainty;
                    trained.count((gain.trained - at_trained).abs() <= of_trained);
                    largest.count((gain.best - at_best).abs() <= of_best);
                    holds.count((gain.gain() - truth).abs() <= gain.expanded_uncertainty);
                    if gain.is_certain() {
                        empty.count(truth <= 0.0);
                    }
                }
            }
        }
    }
    vec![holds, empty, trained, largest]
}

/// Parts of a Vref step at which the box meets the exact surface.
const PARTS: u16 = 8;

/// Scale of the limit box about a point on the exact surface: over the rows and what lies between them, how far away it is or where it
/// crosses the limit, whichever the box meets later; the least of them. Whole rows alone would put a box that ends above or below up
/// to a step too high.
fn exact_box(surface: &mut LaneSurface, grid: &Grid, at: LanePoint, half: (f64, f64), limit: f64) -> f64 {
    let mut least = f64::INFINITY;
    for part in 0..=grid.vref_steps * PARTS {
        let away = f64::from(part) / f64::from(PARTS);
        if away / half.1 >= least {
            break;
        }
        for vref in [f64::from(at.vref) - away, f64::from(at.vref) + away] {
            let inside = (0.0..=f64::from(grid.vref_steps - 1)).contains(&vref);
            let crossings = inside.then(|| crossings_between(surface, at.tap, vref, limit)).flatten();
            let reach = crossings.map_or(0.0, |(early, late)| early.min(late) / half.0);
            least = least.min(reach.max(away / half.1));
        }
    }
    least
}
