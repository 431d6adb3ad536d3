//! From the plan's words to the physics: which path a lane takes, at which operating point, with which figures.

use super::physics::pattern::pseudo_random;
use super::physics::{
    CommandLine, Dfe, Load, Measured, Mounting, OperatingPoint, Parameters, Path, Pattern as Data,
    PhysicsError, Setup,
};
use contract::{DriverError, FaultKind, Setting};
use nightbench_core::devices::{BusKind, Interface, ModelValue, Module, Pattern, SecondSlot, Supply};
use nightbench_core::generations::{Termination, TerminationRule};
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::results::{Direction, EyeName, Grid, LaneSet};
use nightbench_core::units::{Millivolts, Picoseconds};

/// Figures that `[interface]` sets: the model's table lists them, a plan's `[model]` must not.
pub const SET_BY_INTERFACE: [&str; 5] = ["n_taps", "taps_per_ui", "n_vref", "vref_lo", "vref_step"];

/// The figure that turns the estimated effects of a generation on.
const EFFECTS: &str = "effects";

/// The figures of one setup: defaults, then the plan's, the module's and the channel's own.
///
/// # Errors
/// Names the figure that does not exist or is out of range.
pub fn parameters<'a>(
    generation: Generation,
    overrides: impl IntoIterator<Item = &'a ModelValue>,
) -> Result<Parameters, PhysicsError> {
    let mut parameters = Parameters::of(generation);
    let overrides: Vec<&ModelValue> = overrides.into_iter().collect();
    // The estimated effects are defaults: whatever is set by name wins.
    if overrides.iter().rfind(|value| value.name == EFFECTS).is_some_and(|value| value.value == 1.0) {
        parameters.take_effects(generation);
    }
    for value in overrides {
        parameters.set(&value.name, value.value)?;
    }
    parameters.validate()?;
    Ok(parameters)
}

/// The axes of an eye at a condition.
pub fn grid(interface: &Interface, rate: DataRate, supply: &Supply, direction: Direction) -> Grid {
    let range = interface.sweep(direction);
    let (ui, vddq) = (interface.bit_time(rate, direction), supply.vddq().0 * 1e3);
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

/// Lanes of each channel of the interface, numbered where it has several.
pub fn sub_channels(interface: &Interface) -> Vec<(Option<u8>, LaneSet)> {
    let lanes = interface.lanes;
    let width = interface.generation.facts().channels.width(lanes).max(1);
    if width >= lanes {
        return vec![(None, LaneSet::first(lanes))];
    }
    let before = |count: u16| LaneSet::first((count * width).min(lanes)).0;
    (0..lanes.div_ceil(width))
        .map(|number| (Some(number as u8), LaneSet(before(number + 1) & !before(number))))
        .collect()
}

/// What hangs on one command line of a channel, and where the eye is seen: at the first package of the rank.
fn command_line(interface: &Interface, module: &Module, eye: EyeName) -> CommandLine {
    let channel = interface.generation.facts().channels.width(interface.lanes);
    let packages = channel.div_ceil(u16::from(module.device_width.max(4)));
    match module.bus_kind() {
        BusKind::Registered | BusKind::LoadReduced => CommandLine { loads: 1, seen_at: 0, fly_by: false },
        kind if kind.is_point_to_point() => {
            CommandLine { loads: u16::from(module.ranks), seen_at: 0, fly_by: false }
        }
        // Packages of several ranks stand back to back: a rank's first one is as many places down the line as its number.
        _ => CommandLine {
            loads: packages.max(1) * u16::from(module.ranks),
            seen_at: u16::from(eye.rank),
            fly_by: true,
        },
    }
}

/// Sets what terminates each end of a line by the generation's table; a figure that the plan gives stays.
fn terminate(interface: &Interface, eye: EyeName, parameters: &mut Parameters, path: &mut Path) {
    let facts = interface.generation.facts();
    let modules = if path.second_slot == SecondSlot::Populated { 2 } else { 1 };
    if let Some(row) = facts.termination(eye.direction, modules, path.ranks) {
        terminate_by(row, parameters, path);
    }
}

/// Sets what terminates each end of a line, and what is not addressed; a figure that the plan gives stays.
pub(crate) fn terminate_by(row: &Termination, parameters: &mut Parameters, path: &mut Path) {
    if let Some(ohm) = row.receiver.ohm() {
        match row.direction {
            Direction::Read if !parameters.is_given("odt_rd_ohm") => parameters.odt_rd_ohm = ohm,
            Direction::Write if !parameters.is_given("odt_wr_ohm") => parameters.odt_wr_ohm = ohm,
            _ => {}
        }
    }
    if !parameters.is_given("odt_park_ohm") {
        let load = |ohm: Option<f64>| ohm.map_or(Load::Off, Load::Ohm);
        path.other_ranks = load(row.other_ranks.ohm());
        path.other_module = load(row.other_module.ohm());
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
    let sweep = interface.sweep(eye.direction);
    parameters.n_taps = f64::from(sweep.taps);
    parameters.taps_per_ui = f64::from(sweep.taps_per_ui);
    parameters.n_vref = f64::from(sweep.vref_steps);
    parameters.vref_lo = sweep.vref_start_percent / 100.0;
    parameters.vref_step = sweep.vref_step_percent / 100.0;
    let module = &setting.module;
    let kind = module.bus_kind();
    let command = (eye.direction == Direction::Command).then(|| {
        // The line is not a data line: its skew and its jitter are figures of their own, and it has no duty cycle where it
        // carries one bit a clock.
        parameters.sk_bit_ps = parameters.ca_skew_ps;
        parameters.dj_ps = parameters.ca_uncertainty_ps;
        let bits = interface.generation.facts().command.map_or(1, |bus| bus.bits_a_clock);
        if bits == 1 {
            parameters.dcd_ps = 0.0;
        }
        command_line(interface, module, eye)
    });
    let mut path = Path {
        command,
        kind,
        // Behind a data buffer further ranks do not show on the host's side.
        ranks: if kind == BusKind::LoadReduced { 1 } else { module.ranks },
        other_ranks: Load::Park,
        risers: setting.channel.risers,
        adapter: setting.channel.adapter,
        second_slot: setting.channel.second_slot,
        other_module: Load::Park,
        // What was measured is a data line.
        measured: measured.filter(|_| eye.direction != Direction::Command),
    };
    if interface.termination == TerminationRule::Table || parameters.effects == 1.0 {
        terminate(interface, eye, &mut parameters, &mut path);
    }
    Setup {
        parameters,
        path,
        signalling: interface.generation.facts().signalling,
        mounting,
        direction: eye.direction,
        operating_point: OperatingPoint {
            data_rate_bps: match eye.direction {
                Direction::Command => 1e12 / interface.bit_time(setting.rate, eye.direction).0,
                _ => setting.rate.bits_per_second(),
            },
            temperature_c: setting.temperature.0,
            calibration_c: setting.calibrated_at.0,
            vddq_v: setting.supply.vddq().0,
        },
        pattern: match &setting.pattern {
            // A short sequence is followed bit by bit; a long one is as good as random data.
            Pattern::Prbs(order) => pseudo_random(*order).map_or(Data::Prbs, Data::Sequence),
            Pattern::Fixed(bits) => Data::Fixed(bits.chars().map(|bit| bit == '1').collect()),
            Pattern::VictimAggressor => Data::VictimAggressor,
            Pattern::VictimOnly => Data::VictimOnly,
            Pattern::DataBusInversion if eye.direction == Direction::Command => Data::Prbs,
            Pattern::DataBusInversion => Data::DataBusInversion,
        },
        dfe: match eye.direction {
            Direction::Read if interface.dfe => Dfe::FourTap,
            Direction::Write if interface.dram_dfe => Dfe::FourTap,
            _ => Dfe::Off,
        },
    }
}

/// A fault of the model as a driver's error.
pub fn refused(error: &PhysicsError) -> DriverError {
    DriverError::new(FaultKind::OutOfRange, error.to_string())
}
