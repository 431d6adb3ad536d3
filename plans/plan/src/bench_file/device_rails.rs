//! Rails that are made on the module or the board (a DDR5 PMIC), set and read back through the agent: `[[rail]]` with `from = "agent"`.

use super::instruments::Rail;
use crate::section::Section;
use nightbench_core::units::Volts;

/// A rail that the device makes for itself, with its limits.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceRail {
    /// Name: VDD, VDDQ, VPP as set by a plan; others need `fixed_v`.
    pub name: String,
    /// What the agent calls it.
    pub agent_name: String,
    /// Lowest voltage that may be set.
    pub low: Volts,
    /// Highest voltage that may be set.
    pub high: Volts,
    /// Largest current, where the agent tells it, A.
    pub most_a: f64,
    /// A voltage above it is an alarm.
    pub over_voltage: Volts,
    /// Largest deviation of the read from the asked voltage.
    pub tolerance: Volts,
    /// Voltage of a rail that no plan sets.
    pub fixed: Option<Volts>,
}

/// Takes out of the rails those that the agent makes.
pub(super) fn split(rails: Vec<(Rail, Option<String>)>) -> (Vec<Rail>, Vec<DeviceRail>) {
    let (mut own, mut device) = (Vec::new(), Vec::new());
    for (rail, agent_name) in rails {
        match agent_name {
            None => own.push(rail),
            Some(agent_name) => device.push(DeviceRail {
                name: rail.name,
                agent_name,
                low: rail.low,
                high: rail.high,
                most_a: rail.most_a,
                over_voltage: rail.over_voltage,
                tolerance: rail.tolerance,
                fixed: rail.fixed,
            }),
        }
    }
    (own, device)
}

/// What the device makes for itself ends only with what feeds it.
pub(super) fn check_feed(file: &Section<'_>, own: &[Rail], device: &[DeviceRail], switch: bool) {
    if let Some(rail) = device.first()
        && own.is_empty()
        && !switch
    {
        file.mistake(
            "rail",
            format!(
                "the rail {} is made by the device, and nothing on the bench can switch off what feeds it",
                rail.name
            ),
            "add the rail of a supply that feeds the device, with `fixed_v`, or a power switch",
        );
    }
}
