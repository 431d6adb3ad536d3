//! What a rail may measure at all: its limits with some room around them, whatever is asked of it and whatever goes on.

use super::plant::{Plant, bench_fault};
use contract::{Alarm, Call, DriverError, FaultKind};
use nightbench_core::units::Volts;
use plan::bench_file::{Action, DeviceRail, Rail};
use std::collections::BTreeSet;

/// Room around the limits in tolerances: a level at a limit may be within its tolerance, and somewhat beside it without being an alarm.
/// Common practice, no source.
const ROOM: f64 = 2.0;

/// Lowest and highest reading of a rail that has come up, V.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RailLimits {
    pub low: f64,
    pub high: f64,
}

impl From<&Rail> for RailLimits {
    fn from(rail: &Rail) -> RailLimits {
        RailLimits::of(rail.low, rail.high, rail.over_voltage, rail.tolerance)
    }
}

impl From<&DeviceRail> for RailLimits {
    fn from(rail: &DeviceRail) -> RailLimits {
        RailLimits::of(rail.low, rail.high, rail.over_voltage, rail.tolerance)
    }
}

impl RailLimits {
    fn of(low: Volts, high: Volts, protection: Volts, tolerance: Volts) -> RailLimits {
        let room = ROOM * tolerance.0;
        RailLimits { low: low.0 - room, high: (high.0 + room).min(protection.0) }
    }

    /// What no number says anything about is no voltage within the limits.
    pub fn above(self, volts: f64) -> bool {
        volts.is_nan() || volts > self.high
    }

    /// Too low for a rail that has come up.
    pub fn below(self, volts: f64) -> bool {
        volts.is_nan() || volts < self.low
    }
}

/// Readings whose last value lay beyond a limit, by name: the next one decides, however late it comes and whatever happened meanwhile.
#[derive(Debug, Default)]
pub(super) struct Doubts(BTreeSet<String>);

impl Doubts {
    /// Takes a reading: is it the second in a row beyond its limit?
    pub fn confirmed(&mut self, name: &str, beyond: bool) -> bool {
        if !beyond {
            self.0.remove(name);
            return false;
        }
        !self.0.insert(name.to_string())
    }
}

/// A current above its limit by more than this share is no reading's error. Common practice, no source.
const CURRENT_MARGIN: f64 = 0.02;

impl Plant {
    /// Measures a rail that is on, or comes up: by its meter, else by its supply. A reading above what the rail may ever measure is asked
    /// for again.
    ///
    /// # Errors
    /// Communication and protocol faults; an alarm where two readings in a row are above the limit.
    pub fn measure_rail(&mut self, rail: &Rail, expected: f64, call: &Call) -> Result<f64, DriverError> {
        let limits = RailLimits::from(rail);
        loop {
            let volts = self.read_rail(rail, expected, call)?;
            if self.doubts.confirmed(&rail.name, limits.above(volts)) {
                return Err(bench_fault(
                    FaultKind::Alarm(Alarm::Voltage),
                    format!(
                        "{} measures {volts:.3} V, above its limit at {}; {expected:.3} V asked",
                        rail.name, rail.high
                    ),
                ));
            }
            if !limits.above(volts) {
                return Ok(volts);
            }
            self.log.note("watch", '-', &format!("{} at {volts:.4} V is doubtful, read again", rail.name));
        }
    }

    fn read_rail(&mut self, rail: &Rail, expected: f64, call: &Call) -> Result<f64, DriverError> {
        let (instrument, channel) = match &rail.meter {
            Some((meter, channel)) => (meter, channel.as_deref()),
            None => (&rail.supply, rail.channel.as_deref()),
        };
        self.instrument(instrument)?.ask(Action::MeasureVoltage, channel, expected, call)
    }

    /// Measures a rail that has come up and must be within its tolerance; a single reading decides nothing.
    ///
    /// # Errors
    /// `NotSettled`; an alarm where it is beyond its limits.
    pub fn settled_rail(&mut self, rail: &Rail, asked: f64, call: &Call) -> Result<f64, DriverError> {
        let within = |volts: f64| (volts - asked).abs() <= rail.tolerance.0;
        let first = self.measure_rail(rail, asked, call)?;
        if within(first) {
            return Ok(first);
        }
        let volts = self.measure_rail(rail, asked, call)?;
        if within(volts) {
            return Ok(volts);
        }
        let limits = RailLimits::from(rail);
        if limits.below(first) && limits.below(volts) {
            // Who made the bench safe from outside said so.
            self.custody.may_switch_on()?;
            return Err(too_low(rail, volts, asked));
        }
        Err(bench_fault(
            FaultKind::NotSettled,
            format!("{} measures {volts:.4} V, {asked:.4} V +- {:.4} V asked", rail.name, rail.tolerance.0),
        ))
    }

    /// The current of a rail, where its supply measures it, in either direction: above its limit the protection has failed.
    ///
    /// # Errors
    /// Communication and protocol faults; an alarm where two readings in a row are above the limit.
    pub fn look_at_current(&mut self, rail: &Rail, call: &Call) -> Result<(), DriverError> {
        let name = format!("{} current", rail.name);
        loop {
            let supply = self.instrument(&rail.supply)?;
            if !supply.has(Action::MeasureCurrent) {
                return Ok(());
            }
            let amperes = supply.ask(Action::MeasureCurrent, rail.channel.as_deref(), 0.0, call)?;
            let beyond = amperes.is_nan() || amperes.abs() > rail.most_a * (1.0 + CURRENT_MARGIN);
            if self.doubts.confirmed(&name, beyond) {
                return Err(bench_fault(
                    FaultKind::Alarm(Alarm::Current),
                    format!("{} takes {amperes:.3} A, above its limit of {} A", rail.name, rail.most_a),
                ));
            }
            if !beyond {
                self.read(name, amperes, "A");
                return Ok(());
            }
        }
    }
}

/// A rail that came up and stands below what it may ever measure.
pub(super) fn too_low(rail: &Rail, volts: f64, asked: f64) -> DriverError {
    bench_fault(
        FaultKind::Alarm(Alarm::Voltage),
        format!(
            "{} measures {volts:.3} V, below its limit at {}; {asked:.3} V asked: an overload, a connection that came off, or a dead \
             instrument",
            rail.name, rail.low
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two in a row, per reading: what another reading says in between settles nothing and accuses nothing.
    #[test]
    fn the_second_reading_in_a_row_decides() {
        let mut doubts = Doubts::default();
        assert!(!doubts.confirmed("VDD", true));
        assert!(!doubts.confirmed("VDDQ", true));
        assert!(!doubts.confirmed("VDDQ", false));
        assert!(doubts.confirmed("VDD", true));
        assert!(!doubts.confirmed("VDDQ", true));
        assert!(!doubts.confirmed("VDD", false));
        assert!(!doubts.confirmed("VDD", true));
    }

    #[test]
    fn some_room_beyond_the_limits_is_no_alarm_and_a_protection_has_none() {
        let limits = RailLimits::of(Volts(1.0), Volts(1.35), Volts(1.45), Volts(0.01));
        assert!(!limits.above(1.369) && limits.above(1.371) && limits.above(f64::NAN));
        assert!(!limits.below(0.981) && limits.below(0.979) && limits.below(-1.2));
        let narrow = RailLimits::of(Volts(1.0), Volts(1.35), Volts(1.355), Volts(0.05));
        assert!(narrow.above(1.356));
    }
}
