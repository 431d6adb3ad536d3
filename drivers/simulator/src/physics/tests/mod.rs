//! Checks of the physics model against stored outside values, hand calculation and its own rules.

mod behaviour;
mod effects;
mod eyes;
mod lines;
mod monte_carlo;
mod search;
mod statistics;

use super::{LaneSurface, Link, OperatingPoint, Parameters, Path, Setup, variation::BitVariation};
use nightbench_core::devices::BusKind;

/// Relative closeness.
#[track_caller]
fn close(name: &str, got: f64, want: f64, relative: f64) {
    assert!((got - want).abs() <= relative * want.abs(), "{name}: {got:.12e}, expected {want:.12e}");
}

/// Absolute closeness.
#[track_caller]
fn near(name: &str, got: f64, want: f64, absolute: f64) {
    assert!((got - want).abs() <= absolute, "{name}: {got:.12e}, expected {want:.12e} +- {absolute:e}");
}

fn read_setup(path: Path, data_rate_bps: f64) -> Setup {
    Setup::read(Parameters::ddr4(), path, OperatingPoint::calibrated(data_rate_bps, 25.0, 1.2))
}

fn risers(kind: BusKind, risers: u8, adapter: bool) -> Path {
    Path { risers, adapter, ..Path::direct(kind) }
}

fn lane(setup: Setup) -> LaneSurface {
    Link::new(setup).unwrap().lane(&BitVariation::default()).unwrap()
}
