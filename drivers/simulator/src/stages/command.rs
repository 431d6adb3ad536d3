//! CS and CA training, from an estimate of the command/address path.
//!
//! The estimate (no source for the whole; each figure is in the model's table): command and address are sampled once a
//! clock period and run from package to package. A section of that line, `flyby_ps` long at `ca_z_ohm` with one pad on
//! it, is an LC section; n of them slow an edge to 1.13 n^(1/3) sqrt(L C) (ladder delay line, pulse-circuit handbooks,
//! from memory). The window is the clock period less half that edge and less `ca_uncertainty_ps`. An RDIMM or
//! LRDIMM shows one pad, the register's.

use super::super::draws::Draws;
use super::super::physics::Parameters;
use super::{held, stage, untrained};
use contract::Setting;
use nightbench_core::devices::BusKind;
use nightbench_core::generations::{CommandBus, TrainingStep};
use nightbench_core::results::TrainingStage;

/// Delay of a command/address line reaches over this many clock periods, centred on the window's nominal middle.
const RANGE_TCK: f64 = 1.0;

/// CS training (one line a rank) and CA training. `lanes`: data lanes of one channel; `tck_ps`: period of the command clock.
pub fn command_address(
    bus: &CommandBus,
    p: &Parameters,
    setting: &Setting,
    lanes: u16,
    (tck_ps, tap_ps): (f64, f64),
    fewest_taps: u16,
    draws: &mut Draws,
) -> [TrainingStage; 2] {
    let module = &setting.module;
    let packages = f64::from(lanes.div_ceil(u16::from(module.device_width.max(4))));
    let (cs_loads, ca_loads) = match module.bus_kind() {
        BusKind::Registered | BusKind::LoadReduced => (1.0, 1.0),
        _ => (packages, packages * f64::from(module.ranks)),
    };
    let facts = setting.rate.generation().facts();
    let window_ps =
        |bits: u8, loads: f64| tck_ps / f64::from(bits) - 0.5 * edge_ps(p, loads) - p.ca_uncertainty_ps;
    // The middle of the swing, terminated as the data lines are.
    let transfer = p.ca_odt_ohm / (p.ctl_ron_ohm + p.ca_odt_ohm);
    let middle = facts.signalling.middle(transfer);
    let vref_code = (100.0 * middle - bus.vref.start_percent) / bus.vref.step_percent;
    // Chip select changes once a clock period, whatever the command lines do.
    let mut one = |line: u16, bits: u8, loads: f64| {
        let mut lane = untrained(line);
        let width = (window_ps(bits, loads) / tap_ps).max(0.0).floor();
        let shift_ps = p.ca_skew_ps * held(draws);
        lane.width_taps = Some(width);
        lane.passed = width >= f64::from(fewest_taps) && shift_ps.abs() <= 0.5 * RANGE_TCK * tck_ps;
        lane.end_stop = shift_ps.abs() > 0.5 * RANGE_TCK * tck_ps - tap_ps;
        lane.delay_taps = Some((0.5 * RANGE_TCK * tck_ps + shift_ps) / tap_ps);
        lane.vref_step = Some(vref_code.round());
        lane
    };
    let select = (0..u16::from(module.ranks)).map(|rank| one(rank, 1, cs_loads)).collect();
    let command = (0..bus.lines).map(|line| one(line, bus.bits_a_clock, ca_loads)).collect();
    let causes = [
        "skew or loading of the command lines too large for this rate",
        "wrong command/address termination, or bad CK",
    ];
    let name = |step: TrainingStep| facts.step(step).unwrap_or_default();
    [
        stage(name(TrainingStep::CommandSelect), false, select, &causes),
        stage(name(TrainingStep::CommandAddress), false, command, &causes),
    ]
}

/// Rise time behind `loads` sections of the command line, ps.
fn edge_ps(p: &Parameters, loads: f64) -> f64 {
    let section_ps = p.flyby_ps;
    // ps and ohm give L in pH; 1000 ps / ohm = 1 nF, so C in pF is ps / ohm.
    let inductance_ph = p.ca_z_ohm * section_ps;
    let capacitance_pf = section_ps / p.ca_z_ohm + p.ca_cin_pf;
    1.13 * loads.max(1.0).cbrt() * (inductance_ph * capacitance_pf).sqrt()
}
