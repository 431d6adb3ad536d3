//! Switching rails on and off: every step read back, both ends verified by measurement.

use super::instrument::Instrument;
use super::plant::{Plant, bench_fault};
use contract::{Call, DriverError, FaultKind};
use nightbench_core::units::Volts;
use plan::bench_file::{Action, InstrumentKind, Rail};
use std::time::{Duration, Instant};

/// Looks at a rail that rises or falls, at most.
const LOOKS: u32 = 40;
/// Wall time between such looks.
const BETWEEN: Duration = Duration::from_millis(25);

impl Plant {
    /// Measures a rail: by its meter, else by its supply.
    pub fn measure_rail(&mut self, rail: &Rail, expected: f64, call: &Call) -> Result<f64, DriverError> {
        match &rail.meter {
            Some((meter, channel)) => {
                self.instrument(meter)?.ask(Action::MeasureVoltage, channel.as_deref(), expected, call)
            }
            None => {
                let channel = rail.channel.clone();
                self.instrument(&rail.supply)?.ask(Action::MeasureVoltage, channel.as_deref(), expected, call)
            }
        }
    }

    /// Brings every rail to its level: protection, current limit, voltage, each read back; output on; measured.
    /// Rails that are on keep on and only change their voltage.
    pub fn rails_on(&mut self, levels: &[f64], call: &Call) -> Result<(), DriverError> {
        let before = self.rails_on.take();
        let rails = self.bench.rails.clone();
        for (index, rail) in rails.iter().enumerate() {
            let Some(volts) = levels.get(index).copied() else { continue };
            // Just before the write, whatever was checked earlier.
            self.check_rail(&rail.name, Volts(volts))?;
            let was = before.as_ref().and_then(|before| before.get(index)).copied();
            if was == Some(volts) {
                continue;
            }
            let channel = rail.channel.as_deref();
            let supply = self.instrument(&rail.supply)?;
            if was.is_none() {
                supply.tell(Action::SetOverVoltage, channel, Some(rail.over_voltage.0), call)?;
                supply.tell(Action::SetCurrent, channel, Some(rail.most_a), call)?;
            }
            supply.tell(Action::SetVoltage, channel, Some(volts), call)?;
            if was.is_none() {
                supply.tell(Action::On, channel, None, call)?;
            }
            self.wait_for_rail(rail, volts, call)?;
        }
        if before.is_none()
            && let Some(switch) = self.first(InstrumentKind::PowerSwitch)
        {
            let channel = switch.spec.channel.clone();
            switch.tell(Action::On, channel.as_deref(), None, call)?;
        }
        self.rails_on = Some(levels.to_vec());
        Ok(())
    }

    fn wait_for_rail(&mut self, rail: &Rail, volts: f64, call: &Call) -> Result<(), DriverError> {
        let mut last = f64::NAN;
        for _ in 0..LOOKS {
            last = self.measure_rail(rail, volts, call)?;
            if (last - volts).abs() <= rail.tolerance.0 {
                return Ok(());
            }
            call.check("switching rails on")?;
            std::thread::sleep(BETWEEN);
        }
        Err(bench_fault(
            FaultKind::NotSettled,
            format!(
                "{} measures {last:.4} V, {volts:.4} V +- {:.4} V asked; look for a current limit or a trip",
                rail.name, rail.tolerance.0
            ),
        ))
    }

    /// Switches every rail off, last one first, and verifies each by measurement.
    pub fn rails_off(&mut self, call: &Call) -> Result<(), DriverError> {
        self.rails_on = None;
        self.watched = None;
        let mut failures = Vec::new();
        if let Some(switch) = self.first(InstrumentKind::PowerSwitch) {
            failures.extend(switch_off(switch, call).err());
        }
        let rails = self.bench.rails.clone();
        for rail in rails.iter().rev() {
            let off = self.instrument(&rail.supply).and_then(|supply| {
                supply.tell(Action::Off, rail.channel.as_deref(), None, call)?;
                verify_off(rail, supply, rail.channel.as_deref(), call)
            });
            failures.extend(off.err());
            if let Some((meter, channel)) = &rail.meter {
                let measured = self
                    .instrument(meter)
                    .and_then(|meter| verify_off(rail, meter, channel.as_deref(), call));
                failures.extend(measured.err());
            }
        }
        match failures.into_iter().next() {
            None => Ok(()),
            Some(error) => Err(error),
        }
    }
}

/// Measures until a rail is below its "off" voltage.
pub(super) fn verify_off(
    rail: &Rail,
    by: &mut Instrument,
    channel: Option<&str>,
    call: &Call,
) -> Result<(), DriverError> {
    let mut last = f64::NAN;
    let begin = Instant::now();
    for _ in 0..LOOKS {
        last = by.ask(Action::MeasureVoltage, channel, 0.0, call)?;
        if last.abs() <= rail.off_below.0 {
            return Ok(());
        }
        if Instant::now() > call.deadline && begin.elapsed() > BETWEEN {
            break;
        }
        std::thread::sleep(BETWEEN);
    }
    Err(bench_fault(
        FaultKind::Interlock,
        format!(
            "{} still measures {last:.3} V at {} after switching off ({} counts as off). Switch it off by hand",
            rail.name, by.spec.name, rail.off_below
        ),
    ))
}

/// Switches the board's power switch off; the switch confirms it.
pub(super) fn switch_off(switch: &mut Instrument, call: &Call) -> Result<(), DriverError> {
    let channel = switch.spec.channel.clone();
    switch.tell(Action::Off, channel.as_deref(), None, call)
}
