//! What the tests on the emulated bench share: a bench, its file, a setting of the small plan.

use crate::support::SMALL;
use contract::Setting;
use emulator::{EmulatedBench, EmulatedOptions};
use nightbench_core::units::Celsius;
use plan::Plan;
use plan::bench_file::BenchFile;
use std::sync::Arc;

/// The small plan of the tests.
pub fn plan() -> Plan {
    Plan::read(SMALL).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

/// An emulated bench of the plan's target on free ports of this computer.
pub fn start(plan: &Plan, seed: u64, storm_rate: f64, time_scale: f64) -> EmulatedBench {
    EmulatedBench::start(EmulatedOptions { plan: plan.clone(), seed, time_scale, storm_rate, first_port: 0 })
        .expect("loopback")
}

/// A bench file that must be right.
pub fn bench_file(text: &str) -> BenchFile {
    BenchFile::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:#?}\n{text}"))
}

/// The first levels of every factor at a temperature in degC.
pub fn setting(plan: &Plan, temperature: f64) -> Setting {
    Setting {
        chip: Arc::new(plan.chips[0].clone()),
        firmware: None,
        module: Arc::new(plan.modules[0].clone()),
        channel: Arc::new(plan.channels[0].clone()),
        rate: plan.matrix.rates[0],
        temperature: Celsius(temperature),
        control_point: plan.matrix.control_point,
        calibrated_at: Celsius(temperature),
        supply: Arc::new(plan.supplies[0].clone()),
        pattern: plan.matrix.patterns[0].clone(),
        mounting: 0,
        start: 0,
        wck_ratio: None,
        noise_key: [7; 32],
    }
}
