//! From the plan's words to the physics: which path a lane takes, at which operating point, with which figures.

use super::physics::pattern::pseudo_random;
use super::physics::{
    Dfe, Measured, Mounting, OperatingPoint, Parameters, Path, Pattern as Data, PhysicsError, Setup,
};
use contract::{DriverError, FaultKind, Setting};
use nightbench_core::devices::{BusKind, Interface, ModelValue, Pattern, Supply, SweepRange};
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::results::{Direction, EyeName, Grid, LaneSet};
use nightbench_core::units::{Millivolts, Picoseconds};

/// The model's default figures of a generation.
pub fn defaults(generation: Generation) -> Parameters {
    match generation {
        Generation::Ddr4 => Parameters::ddr4(),
        Generation::Ddr5 => Parameters::ddr5(),
    }
}

/// Figures that `[interface]` sets: the model's table lists them, a plan's `[model]` must not.
pub const SET_BY_INTERFACE: [&str; 5] = ["n_taps", "taps_per_ui", "n_vref", "vref_lo", "vref_step"];

/// The figures of one setup: defaults, then the plan's, the module's and the channel's own.
///
/// # Errors
/// Names the figure that does not exist or is out of range.
pub fn parameters<'a>(
    generation: Generation,
    overrides: impl IntoIterator<Item = &'a ModelValue>,
) -> Result<Parameters, PhysicsError> {
    let mut parameters = defaults(generation);
    for value in overrides {
        parameters.set(&value.name, value.value)?;
    }
    parameters.validate()?;
    Ok(parameters)
}

pub fn range(interface: &Interface, direction: Direction) -> &SweepRange {
    match direction {
        Direction::Read => &interface.read,
        Direction::Write => &interface.write,
    }
}

/// The axes of an eye at a condition.
pub fn grid(interface: &Interface, rate: DataRate, supply: &Supply, direction: Direction) -> Grid {
    let range = range(interface, direction);
    let (ui, vddq) = (rate.ui(), supply.vddq.0 * 1e3);
    Grid {
        taps: range.taps,
        vref_steps: range.vref_steps,
        tap_step: Picoseconds(ui.0 / f64::from(range.taps_per_ui)),
        vref_start: Millivolts(vddq * range.vref_start_percent / 100.0),
        vref_step: Millivolts(vddq * range.vref_step_percent / 100.0),
        ui,
        vddq: Millivolts(vddq),
    }
}

/// Lanes of each sub-channel: a DDR5 interface of more than 40 lanes is two sub-channels, every other is one.
pub fn sub_channels(interface: &Interface) -> Vec<(Option<u8>, LaneSet)> {
    let all = LaneSet::first(interface.lanes);
    if interface.generation == Generation::Ddr5 && interface.lanes > 40 {
        let first = LaneSet::first(interface.lanes / 2);
        vec![(Some(0), first), (Some(1), LaneSet(all.0 & !first.0))]
    } else {
        vec![(None, all)]
    }
}

/// The physics of the lanes of one eye that belong to one half of the module.
pub fn setup(
    interface: &Interface,
    setting: &Setting,
    eye: EyeName,
    mut parameters: Parameters,
    mounting: Mounting,
    measured: Option<Measured>,
) -> Setup {
    let sweep = range(interface, eye.direction);
    parameters.n_taps = f64::from(sweep.taps);
    parameters.taps_per_ui = f64::from(sweep.taps_per_ui);
    parameters.n_vref = f64::from(sweep.vref_steps);
    parameters.vref_lo = sweep.vref_start_percent / 100.0;
    parameters.vref_step = sweep.vref_step_percent / 100.0;
    let module = &setting.module;
    let kind = module.bus_kind();
    let path = Path {
        kind,
        // Behind a data buffer further ranks do not show on the host's side.
        ranks: if kind == BusKind::LoadReduced { 1 } else { module.ranks },
        park_other_ranks: module.ranks > 1,
        risers: setting.channel.risers,
        adapter: setting.channel.adapter,
        second_slot: setting.channel.second_slot,
        measured,
    };
    Setup {
        parameters,
        path,
        mounting,
        direction: eye.direction,
        operating_point: OperatingPoint {
            data_rate_bps: setting.rate.bits_per_second(),
            temperature_c: setting.temperature.0,
            calibration_c: setting.calibrated_at.0,
            vddq_v: setting.supply.vddq.0,
        },
        pattern: match &setting.pattern {
            // A short sequence is followed bit by bit; a long one is as good as random data.
            Pattern::Prbs(order) => pseudo_random(*order).map_or(Data::Prbs, Data::Sequence),
            Pattern::Fixed(bits) => Data::Fixed(bits.chars().map(|bit| bit == '1').collect()),
            Pattern::VictimAggressor => Data::VictimAggressor,
            Pattern::DataBusInversion => Data::DataBusInversion,
        },
        dfe: if interface.dfe && eye.direction == Direction::Read { Dfe::FourTap } else { Dfe::Off },
    }
}

/// A fault of the model as a driver's error.
pub fn refused(error: &PhysicsError) -> DriverError {
    DriverError::new(FaultKind::OutOfRange, error.to_string())
}
