//! Checks of the simulated target through its driver: stages, starts, drift, common practice.

mod common_practice;
mod drift;
mod effects;
mod memory;
mod parts;
mod stages;
mod starts;

use super::target::{SimulatedOptions, SimulatedTarget};
use contract::{Call, CancelToken, Driver, PointRequest, Setting, StartKind, TrainingRequest};
use nightbench_core::devices::ControlPoint;
use nightbench_core::point_rule::PointRule;
use nightbench_core::rates::DataRate;
use nightbench_core::results::{Direction, EyeName, LaneSet, Point, TrainedEye, TrainingResult};
use nightbench_core::units::Celsius;
use plan::Plan;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Interface, modules and channels of these tests; `[[model]]` is left to each.
const PLAN: &str = r#"
title = "Parts of the tests"

[interface]
generation = "DDR4"
lanes = 16

[[module]]
name = "unbuffered"
kind = "UDIMM"
rated = 3200

[[module]]
name = "two ranks"
kind = "UDIMM"
ranks = 2
rated = 3200

[[module]]
name = "registered"
kind = "RDIMM"
rated = 3200

[[module]]
name = "small"
kind = "SODIMM"
rated = 3200

[[module]]
name = "stacked"
kind = "RDIMM"
stack = "3DS"
rated = 2133

[[channel]]
name = "direct"
fits = ["UDIMM", "RDIMM", "3DS"]

[[channel]]
name = "three risers"
risers = 3
fits = ["UDIMM", "RDIMM", "3DS"]

[[channel]]
name = "adapter and three risers"
risers = 3
adapter = true
fits = ["SODIMM"]

[matrix]
rate = [2400]
temperature_degc = [25]

[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"
"#;

/// A target with its parts.
struct Bench {
    plan: Plan,
    target: SimulatedTarget,
}

impl Bench {
    /// The parts of [`PLAN`], changed by `edit`, and more text (tables) behind it.
    fn new(edit: impl Fn(&str) -> String, directions: &[Direction]) -> Bench {
        let plan = Plan::read(&edit(PLAN)).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
        let options = SimulatedOptions {
            interface: plan.interface.clone(),
            model: plan.model.clone(),
            directions: directions.to_vec(),
            measured: BTreeMap::new(),
            seed: 1,
        };
        Bench { plan, target: SimulatedTarget::new(Arc::new(options)) }
    }

    fn setting(&self, module: &str, channel: &str, rate: &str, degc: f64) -> Setting {
        let generation = self.plan.interface.generation;
        Setting {
            chip: Arc::new(self.plan.chips[0].clone()),
            firmware: None,
            module: Arc::new(self.plan.modules.iter().find(|known| known.name == module).unwrap().clone()),
            channel: Arc::new(self.plan.channels.iter().find(|known| known.name == channel).unwrap().clone()),
            rate: DataRate::parse(generation, rate).unwrap(),
            temperature: Celsius(degc),
            control_point: ControlPoint::Chip,
            calibrated_at: Celsius(degc),
            supply: Arc::new(self.plan.supplies[0].clone()),
            pattern: self.plan.matrix.patterns[0].clone(),
            mounting: 0,
            start: 0,
            wck_ratio: self.plan.interface.wck_ratio,
            noise_key: [0; 32],
        }
    }

    fn train(&mut self, setting: &Setting, start: StartKind) -> TrainingResult {
        self.target.apply(setting, &call()).unwrap();
        self.target.train(&request(start), &call()).unwrap()
    }

    /// Bit error ratios of one eye's lanes at a point, counted over `bits`.
    fn ratios(&mut self, eye: EyeName, point: Point, lanes: usize, bits: u64) -> Vec<f64> {
        let request = PointRequest {
            point,
            bits_before: 0,
            errors_before: Vec::new(),
            lanes: LaneSet::first(lanes as u16),
            rule: PointRule::Fixed { bits, errors: u64::MAX >> 8 },
            most_bits: bits,
            series: 0,
        };
        let answer = self.target.sample(eye, &[request], &call()).unwrap().remove(0);
        answer.errors.iter().map(|errors| *errors as f64 / answer.bits as f64).collect()
    }
}

/// The nominal lane of the unbuffered module at 2400 MT/s.
pub fn free_lane(channel: &str) -> crate::fitting::FreeLane {
    let bench = Bench::new(str::to_string, &[Direction::Read]);
    let setting = bench.setting("unbuffered", channel, "2400", 25.0);
    crate::fitting::FreeLane::new(&bench.plan.interface, &setting, &bench.plan.model, None).unwrap()
}

fn call() -> Call {
    Call::within(Duration::from_secs(600), &CancelToken::new())
}

fn request(start: StartKind) -> TrainingRequest {
    TrainingRequest { start, pass_ber: 1e-6, fewest_taps: 5, fewest_steps: 5, write: true, command: true }
}

fn eye(result: &TrainingResult, direction: Direction) -> &TrainedEye {
    result.eyes.iter().find(|trained| trained.eye.direction == direction).expect("a trained eye")
}

fn names(result: &TrainingResult) -> Vec<&str> {
    result.stages.iter().map(|stage| stage.name.as_str()).collect()
}

/// Adds model values to the plan.
fn with_model(values: &str) -> impl Fn(&str) -> String {
    let values = values.to_string();
    move |plan| format!("{plan}\n[model]\n{values}\n")
}
