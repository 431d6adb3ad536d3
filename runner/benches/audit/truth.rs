//! What is true of an invented chip: its metrics on the exact error-ratio surfaces, averaged over mountings and starts.

use crate::cubic;
use contract::{Call, CancelToken, Driver};
use nightbench_core::results::{EyeName, LanePoint};
use plan::Plan;
use plan::expand::{Expansion, Job, jobs};
use plan::keys::JobKeys;
use plan::limits::Metric;
use runner::run::execute::Executor;
use simulator::physics::LaneSurface;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use statistics::special::normal_upper_quantile;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::Duration;

/// Metrics that the surfaces give, in the order of their values. A mask's value is its width where it touches.
pub const METRICS: [Metric; 7] = [
    Metric::Width,
    Metric::Height,
    Metric::EarlyMargin,
    Metric::LateMargin,
    Metric::LowerMargin,
    Metric::UpperMargin,
    Metric::Mask,
];

/// Seeds of the mountings that truth is averaged over: far from those of the runs.
pub const FIRST_SEED: u64 = 1 << 40;

/// Means over mountings and starts, in the order of [`METRICS`]; lanes in the order of eyes, then numbers.
pub type Truth = Vec<[f64; 7]>;

/// How much is averaged.
#[derive(Clone, Copy)]
pub struct Effort {
    pub mountings: u64,
    pub starts: u32,
}

/// Options of a plan's simulated target.
pub fn options(plan: &Plan, seed: u64) -> Arc<SimulatedOptions> {
    Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed,
    })
}

/// Truth of every condition, in the plan's order.
pub fn truths(plan: &Plan, expansion: &Expansion, keys: &JobKeys<'_>, effort: Effort) -> Vec<Truth> {
    let executor = Executor::new(plan, expansion, keys);
    let list = jobs(plan, expansion);
    (0..expansion.conditions.len())
        .map(|condition| {
            let job = list.iter().find(|job| job.condition as usize == condition).expect("a job");
            truth(plan, expansion, &executor, job, effort)
        })
        .collect()
}

fn truth(plan: &Plan, expansion: &Expansion, executor: &Executor<'_>, job: &Job, effort: Effort) -> Truth {
    let condition = expansion.conditions[job.condition as usize];
    let limit = plan.capture.ber_limit;
    // Half a mask's width in ps and its height in mV: masks of one plan differ in size alone.
    let mask = plan.limits.iter().find_map(|limit| Some((0.5 * limit.minimum, 0.5 * limit.mask?.height_mv)));
    let mut sums: BTreeMap<(EyeName, u16), ([f64; 7], f64)> = BTreeMap::new();
    for mounting in 0..effort.mountings {
        let mut target = SimulatedTarget::new(options(plan, FIRST_SEED + mounting));
        let mut crossings: HashMap<(EyeName, u16, u16), (f64, f64)> = HashMap::new();
        for start in 1..=effort.starts {
            let setting = executor.setting(&condition, job, start);
            let call = Call::within(Duration::from_secs(100), &CancelToken::new());
            let held = executor.held_setting(&setting);
            target.apply(held.as_ref().unwrap_or(&setting), &call).expect("applied");
            let training = target.train(&executor.training_request(), &call).expect("a training");
            if !training.passed {
                continue;
            }
            if held.is_some() {
                target.apply(&setting, &call).expect("applied");
                target.restore(&training.eyes, &call).expect("restored");
            }
            let at: BTreeMap<(EyeName, u16), LanePoint> = training
                .eyes
                .iter()
                .flat_map(|eye| {
                    eye.lanes.iter().zip(&eye.settings).map(move |(lane, at)| ((eye.eye, *lane), *at))
                })
                .collect();
            let grids: BTreeMap<EyeName, _> = target
                .capabilities(&call)
                .expect("known")
                .eyes
                .iter()
                .map(|eye| (eye.eye, eye.grid))
                .collect();
            for (eye, lane, surface) in target.lane_surfaces() {
                let (at, grid) = (at[&(eye, lane)], grids[&eye]);
                let (low, high) = column(surface, at, limit);
                let instant = surface.instant_ui(usize::from(at.tap)).expect("a tap");
                let (early, late) =
                    *crossings.entry((eye, lane, at.vref)).or_insert_with(|| row(surface, at, limit));
                let (ui, mv) = (grid.ui.0, grid.vref_step.0);
                let values = [
                    (late - early) * ui,
                    (high - low) * mv,
                    (instant - early) * ui,
                    (late - instant) * ui,
                    (f64::from(at.vref) - low) * mv,
                    (high - f64::from(at.vref)) * mv,
                    mask.map_or(0.0, |half| {
                        2.0 * half.0 * mask_scale(surface, at, limit, (half.0 / ui, half.1 / mv))
                    }),
                ];
                let (sum, count) = sums.entry((eye, lane)).or_default();
                sum.iter_mut().zip(values).for_each(|(sum, value)| *sum += value);
                *count += 1.0;
            }
        }
    }
    sums.into_values().map(|(sum, count)| sum.map(|sum| sum / count)).collect()
}

fn q(ber: f64) -> f64 {
    normal_upper_quantile(ber.clamp(1e-300, 0.499_999)).unwrap_or(0.0)
}

/// Where a column crosses the limit below and above the operating point, Vref steps: straight on the Q scale between
/// the two steps, with the bend of their neighbours.
fn column(surface: &mut LaneSurface, at: LanePoint, limit: f64) -> (f64, f64) {
    let (tap, steps) = (usize::from(at.tap), surface.vref_steps() as i64);
    let mut find = |sign: i64| {
        let mut value = |step: i64| {
            if (0..steps).contains(&step) { q(surface.ber(tap, step as usize)) } else { f64::NAN }
        };
        let wanted = q(limit);
        let mut step = i64::from(at.vref);
        while value(step + sign) >= wanted {
            step += sign;
        }
        // From the last pass (0) to the first fail (1).
        let y = [-1, 0, 1, 2].map(|n| value(step + sign * n));
        step as f64 + sign as f64 * cubic::crossing(y, wanted)
    };
    (find(-1), find(1))
}

/// When a row crosses the limit before and after the operating point, unit intervals: by bisection on the surface.
fn row(surface: &mut LaneSurface, at: LanePoint, limit: f64) -> (f64, f64) {
    let (shift, vref, taps) = (surface.shift_ui(), usize::from(at.vref), surface.taps() as i64);
    let mut find = |sign: i64| {
        surface.set_shift(shift);
        let mut tap = i64::from(at.tap);
        while (0..taps).contains(&(tap + sign)) && surface.ber((tap + sign) as usize, vref) <= limit {
            tap += sign;
        }
        let (Some(inside), Some(outside)) =
            (surface.instant_ui(tap as usize), surface.instant_ui((tap + sign) as usize))
        else {
            return f64::NAN;
        };
        let (mut low, mut high) = (0.0, outside - inside);
        for _ in 0..16 {
            let middle = 0.5 * (low + high);
            surface.set_shift(shift + middle);
            if surface.ber(tap as usize, vref) <= limit { low = middle } else { high = middle }
        }
        inside + 0.5 * (low + high)
    };
    let found = (find(-1), find(1));
    surface.set_shift(shift);
    found
}

/// Scale of a rectangle of so many unit intervals and Vref steps to either side that touches where the error ratio crosses the
/// limit: rows give places of that rim, straight between them.
fn mask_scale(surface: &mut LaneSurface, at: LanePoint, limit: f64, half: (f64, f64)) -> f64 {
    let Some(centre) = surface.instant_ui(usize::from(at.tap)) else { return f64::NAN };
    let (low, high) = column(surface, at, limit);
    let mut least = f64::INFINITY;
    for (end, sign) in [(f64::from(at.vref) - low, -1), (high - f64::from(at.vref), 1)] {
        let mut rim: Option<[f64; 2]> = None;
        for away in 0..=i64::from(u16::MAX) {
            let inside = (away as f64) < end;
            let y = (away as f64).min(end) / half.1;
            let x = if inside {
                let point = LanePoint { tap: at.tap, vref: (i64::from(at.vref) + sign * away) as u16 };
                limit_instants(surface, point, limit)
                    .map_or([0.0; 2], |(early, late)| [(centre - early) / half.0, (late - centre) / half.0])
            } else {
                [0.0; 2]
            };
            for side in 0..2 {
                let Some(before) = rim else {
                    least = least.min(x[side].max(y));
                    continue;
                };
                let (x0, y0) = (before[side], (away - 1) as f64 / half.1);
                // From (x0, y0) to (x, y): the least of max(x, y) lies at an end or where both are one.
                least = least.min(x0.max(y0)).min(x[side].max(y));
                let turn = (x0 - y0) / ((x0 - y0) - (x[side] - y));
                if (0.0..=1.0).contains(&turn) {
                    least = least.min(x0 + turn * (x[side] - x0));
                }
            }
            rim = Some(x);
            if !inside || y > least {
                break;
            }
        }
    }
    least
}

/// When a row crosses the limit before and after a point that passes, unit intervals.
fn limit_instants(surface: &mut LaneSurface, at: LanePoint, limit: f64) -> Option<(f64, f64)> {
    let (early, late) = limit_crossings(surface, at, limit)?;
    let place = |surface: &LaneSurface, tap: f64| {
        let below = tap.floor().max(0.0);
        let (a, b) = (surface.instant_ui(below as usize)?, surface.instant_ui(below as usize + 1));
        Some(a + (tap - below) * (b.unwrap_or(a) - a))
    };
    Some((place(surface, f64::from(at.tap) - early)?, place(surface, f64::from(at.tap) + late)?))
}

/// How far a point lies from where its row crosses the limit, before and after it, in taps; `None` where the point fails.
pub fn limit_crossings(surface: &mut LaneSurface, at: LanePoint, limit: f64) -> Option<(f64, f64)> {
    crossings_between(surface, at.tap, f64::from(at.vref), limit)
}

/// The same at a Vref between two rows, z being straight from one to the other.
pub fn crossings_between(surface: &mut LaneSurface, tap: u16, vref: f64, limit: f64) -> Option<(f64, f64)> {
    let (tap, taps, wanted) = (i64::from(tap), surface.taps() as i64, q(limit));
    let (below, part) = (vref.floor() as usize, vref.fract());
    let mut z = |tap: i64| {
        let low = q(surface.ber(tap as usize, below));
        if part == 0.0 { low } else { low + part * (q(surface.ber(tap as usize, below + 1)) - low) }
    };
    if z(tap) < wanted {
        return None;
    }
    let mut find = |sign: i64| {
        let mut inside = tap;
        loop {
            let next = inside + sign;
            if !(0..taps).contains(&next) {
                return (inside - tap).abs() as f64;
            }
            if z(next) < wanted {
                // From the last pass (0) to the first fail (1), with the bend of their neighbours.
                let y = [-1, 0, 1, 2].map(|n| z((inside + sign * n).clamp(0, taps - 1)));
                return (inside - tap).abs() as f64 + cubic::crossing(y, wanted);
            }
            inside = next;
        }
    };
    Some((find(-1), find(1)))
}
