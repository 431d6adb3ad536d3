//! Eyes of the simulated target, captured and beside them where the exact surfaces of the physics cross the limit.

use crate::cubic;
use contract::{Call, CancelToken, Driver, DriverError, EyeCapabilities, PointCounts, PointRequest};
use nightbench_core::results::{Capture, EyeName, LanePoint, TrainedEye};
use plan::Plan;
use plan::expand::{Condition, Expansion, Job, expand, jobs};
use plan::keys::JobKeys;
use plan::selection::Selection;
use runner::capture::{CaptureOptions, Sampler, capture, complete};
use runner::run::execute::Executor;
use simulator::physics::LaneSurface;
use simulator::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Reach to the early, late, lower and upper crossing, taps and Vref steps; `None` beyond the grid.
pub type Crossings = [Option<f64>; 4];

/// One eye of one condition, ready to be captured again and again.
pub struct SimulatedEye<'t> {
    target: &'t mut SimulatedTarget,
    pub device: EyeCapabilities,
    pub trained: TrainedEye,
    pub condition: Condition,
}

fn call() -> Call {
    Call::within(Duration::from_secs(1_000_000), &CancelToken::new())
}

/// Goes through the eyes of a plan's conditions; a condition whose training fails is left out.
pub fn each_eye(plan: &Plan, seed: u64, mut take: impl FnMut(SimulatedEye<'_>)) {
    each_start(plan, seed, 1, |eye, _| take(eye));
}

/// The same, with so many starts of every condition, the first one (0) last.
pub fn each_start(plan: &Plan, seed: u64, starts: u32, mut take: impl FnMut(SimulatedEye<'_>, u32)) {
    let expansion: Expansion = expand(plan, &Selection::default());
    let keys = JobKeys::new(plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(plan, &expansion, &keys);
    let mut target = SimulatedTarget::new(Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed,
    }));
    let list: Vec<Job> = jobs(plan, &expansion);
    for condition in 0..expansion.conditions.len() {
        let job = list.iter().find(|job| job.condition as usize == condition).expect("a job");
        let condition = expansion.conditions[condition];
        for start in (0..starts).rev() {
            let setting = executor.setting(&condition, job, start + 1);
            target.apply(&setting, &call()).expect("applied");
            let training = target.train(&executor.training_request(), &call()).expect("a training");
            if !training.passed {
                continue;
            }
            for device in target.capabilities(&call()).expect("known").eyes {
                let trained =
                    training.eyes.iter().find(|eye| eye.eye == device.eye).expect("trained").clone();
                take(SimulatedEye { target: &mut target, device, trained, condition }, start);
            }
        }
    }
}

struct Asked<'t>(&'t mut SimulatedTarget, EyeName);

impl Sampler for Asked<'_> {
    fn sample(&mut self, points: &[PointRequest]) -> Result<Vec<PointCounts>, DriverError> {
        self.0.sample(self.1, points, &call())
    }
}

impl SimulatedEye<'_> {
    /// Captures it; with the bench seconds it took.
    pub fn capture(&mut self, options: &CaptureOptions) -> (Capture, f64) {
        let begin = self.target.elapsed().0;
        let mut asked = Asked(self.target, self.device.eye);
        let found = capture(&mut asked, &self.device, &self.trained.lanes, &self.trained.settings, options)
            .expect("captured");
        (found, self.target.elapsed().0 - begin)
    }

    /// Takes the full eye on what rows and columns left.
    pub fn complete(&mut self, found: &mut Capture, options: &CaptureOptions) {
        let mut asked = Asked(self.target, self.device.eye);
        complete(found, &mut asked, &self.device, options).expect("captured");
    }

    /// The same with the reach along rows in time: taps of the size stated, whatever the delay line makes of them.
    pub fn in_time(&mut self, crossings: &[Crossings]) -> Vec<Crossings> {
        let (name, trained, grid) = (self.device.eye, &self.trained, self.device.grid);
        let taps_per_ui = grid.ui.0 / grid.tap_step.0;
        let surfaces = self.target.lane_surfaces().filter(|(eye, ..)| *eye == name);
        surfaces
            .zip(crossings)
            .map(|((_, lane, surface), [early, late, lower, upper])| {
                let at = trained.lanes.iter().position(|known| *known == lane).expect("trained");
                let tap = f64::from(trained.settings[at].tap);
                let instant = |place: f64| {
                    let (below, part) = (place.floor() as usize, place.fract());
                    let first = surface.instant_ui(below)?;
                    Some(first + part * (surface.instant_ui(below + 1).unwrap_or(first) - first))
                };
                let apart = |a: f64, b: f64| Some((instant(b)? - instant(a)?) * taps_per_ui);
                let early = early.and_then(|early| apart(tap - early, tap));
                [early, late.and_then(|late| apart(tap, tap + late)), *lower, *upper]
            })
            .collect()
    }

    /// Where each lane works, and its exact surface.
    fn at_work(&mut self) -> impl Iterator<Item = (LanePoint, &mut LaneSurface)> {
        let (name, trained) = (self.device.eye, &self.trained);
        let surfaces = self.target.lane_surfaces().filter(move |(eye, ..)| *eye == name);
        surfaces.map(move |(_, lane, surface)| {
            let at = trained.lanes.iter().position(|known| *known == lane).expect("trained");
            (trained.settings[at], surface)
        })
    }

    /// The exact error ratio of each lane where it works.
    pub fn operating_ratios(&mut self) -> Vec<f64> {
        self.at_work().map(|(at, surface)| surface.ber(usize::from(at.tap), usize::from(at.vref))).collect()
    }

    /// Where each lane's row and column cross a limit, by the exact surfaces.
    pub fn crossings(&mut self, limit: f64) -> Vec<Crossings> {
        self.at_work()
            .map(|(at, surface)| {
                // Closed where it works.
                if surface.ber(usize::from(at.tap), usize::from(at.vref)) > limit {
                    return [Some(0.0); 4];
                }
                let [early, late] = [-1, 1].map(|sign| row(surface, at, limit, sign));
                let [lower, upper] = [-1, 1].map(|sign| column(surface, at, limit, sign));
                [early, late, lower, upper]
            })
            .collect()
    }
}

/// Between two taps the surface is moved by parts of the way from one to the next.
fn row(surface: &mut LaneSurface, at: LanePoint, limit: f64, sign: i64) -> Option<f64> {
    let (shift, vref, taps) = (surface.shift_ui(), usize::from(at.vref), surface.taps() as i64);
    let mut tap = i64::from(at.tap);
    while (0..taps).contains(&(tap + sign)) && surface.ber((tap + sign) as usize, vref) <= limit {
        tap += sign;
    }
    let (inside, outside) = (surface.instant_ui(tap as usize)?, surface.instant_ui((tap + sign) as usize)?);
    // Regula falsi (Illinois) on the scale on which a Gaussian tail is straight.
    let mut over = |part: f64| {
        surface.set_shift(shift + part * (outside - inside));
        quantile(surface.ber(tap as usize, vref)) - quantile(limit)
    };
    let ((mut low, mut high), mut ends) = ((0.0, 1.0), (over(0.0), over(1.0)));
    let mut part = 0.5;
    for _ in 0..12 {
        part = (low * ends.1 - high * ends.0) / (ends.1 - ends.0);
        let found = over(part);
        if found >= 0.0 {
            (low, ends) = (part, (found, 0.5 * ends.1));
        } else {
            (high, ends) = (part, (0.5 * ends.0, found));
        }
        if found.abs() < 1e-3 || high - low < 1e-4 {
            break;
        }
    }
    surface.set_shift(shift);
    Some((tap - i64::from(at.tap)).abs() as f64 + part)
}

fn quantile(ber: f64) -> f64 {
    statistics::special::normal_upper_quantile(ber.clamp(1e-300, 0.499_999)).unwrap_or(0.0)
}

/// By a cubic through four steps, on the scale on which a Gaussian tail is straight.
fn column(surface: &mut LaneSurface, at: LanePoint, limit: f64, sign: i64) -> Option<f64> {
    let (tap, steps) = (usize::from(at.tap), surface.vref_steps() as i64);
    let mut value = |step: i64| (0..steps).contains(&step).then(|| quantile(surface.ber(tap, step as usize)));
    let wanted = quantile(limit);
    let mut step = i64::from(at.vref);
    while value(step + sign)? >= wanted {
        step += sign;
    }
    let y = [value(step - sign)?, value(step)?, value(step + sign)?, value(step + 2 * sign)?];
    Some((step - i64::from(at.vref)).abs() as f64 + cubic::crossing(y, wanted))
}
