//! Switching rails on and off: every step read back, both ends verified by measurement.

use super::instrument::Instrument;
use super::plant::{Plant, bench_fault};
use super::rail_limits::{RailLimits, too_low};
use contract::{Alarm, Call, DriverError, FaultKind};
use nightbench_core::units::Volts;
use plan::bench_file::{Action, InstrumentKind, Rail};
use std::time::{Duration, Instant};

/// Looks at a rail that rises or falls, at most.
const LOOKS: u32 = 40;
/// Wall time between such looks.
const BETWEEN: Duration = Duration::from_millis(25);
/// Looks at a rising rail between two looks for a short.
const SHORT_LOOKS: u32 = 4;
/// A rail below this share of its voltage that gives this share of its current limit is shorted. Common practice, no source.
const SHORT_SHARE: f64 = 0.5;
const LIMITING_SHARE: f64 = 0.95;
/// Longest that switching one instrument off is repeated.
pub(super) const OFF_LIMIT: Duration = Duration::from_secs(8);
/// Looks at a falling rail before it is told again.
const OFF_LOOKS: u32 = 8;
/// Times that something is told again at once; then a few times a second, so that no log is filled.
const QUICK_TRIES: u32 = 8;
const SLOW: Duration = Duration::from_millis(250);
/// Readings in a row below which a rail is off: one alone decides nothing.
const OFF_READINGS: u32 = 2;
/// Readings by which a rail is off against what its output says of itself, and the share of its current limit that it may still
/// take. Common practice, no source.
const STEADY_READINGS: u32 = 4;
const NO_CURRENT_SHARE: f64 = 0.05;

/// Pause after so many tries, before something is told to switch off again.
pub(super) fn before_again(tries: u32) -> Duration {
    if tries <= QUICK_TRIES { BETWEEN } else { SLOW }
}

impl Plant {
    /// Brings every rail to its level: protection, current limit, voltage, each read back; output on; measured.
    /// Rails that are on keep on and only change their voltage.
    pub fn rails_on(&mut self, levels: &[f64], call: &Call) -> Result<(), DriverError> {
        self.must_hold(call)?;
        self.hold_off_timers(call)?;
        let before = self.rails_on.take();
        (self.off, self.may_be_on) = (false, true);
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
            if was.is_none()
                && let Err(error) = supply.tell(Action::On, channel, None, call)
            {
                self.alarm_if_tripped(rail, call)?;
                if error.kind != FaultKind::Interlock {
                    return Err(error);
                }
                std::thread::sleep(BETWEEN);
                let measured = self.measure_rail(rail, volts, call)?;
                let words = format!("{}; {} measures {measured:.3} V", error.words, rail.name);
                return Err(DriverError { words, ..error });
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
        let (mut before, mut last) = (f64::NAN, f64::NAN);
        for look in 1..=LOOKS {
            before = std::mem::replace(&mut last, self.measure_rail(rail, volts, call)?);
            if (last - volts).abs() <= rail.tolerance.0 {
                return Ok(());
            }
            if look % SHORT_LOOKS == 0 {
                self.alarm_if_tripped(rail, call)?;
                self.alarm_if_short(rail, last, volts, call)?;
                self.look_at_current(rail, call)?;
            }
            call.check("switching rails on")?;
            std::thread::sleep(BETWEEN);
        }
        let limits = RailLimits::from(rail);
        if limits.below(before) && limits.below(last) {
            // Who made the bench safe from outside said so.
            self.custody.may_switch_on()?;
            return Err(too_low(rail, last, volts));
        }
        Err(bench_fault(
            FaultKind::NotSettled,
            format!(
                "{} measures {last:.4} V, {volts:.4} V +- {:.4} V asked; look for a current limit or a trip",
                rail.name, rail.tolerance.0
            ),
        ))
    }

    /// A protection that tripped when its rail came up.
    fn alarm_if_tripped(&mut self, rail: &Rail, call: &Call) -> Result<(), DriverError> {
        let supply = self.instrument(&rail.supply)?;
        let channel = rail.channel.as_deref();
        if supply.has(Action::Tripped)
            && supply.ask_switch(Action::Tripped, channel, false, call)?
            && supply.ask_switch(Action::Tripped, channel, false, call)?
        {
            return Err(bench_fault(
                FaultKind::Alarm(Alarm::Voltage),
                format!("a protection of {} tripped when {} was switched on", rail.supply, rail.name),
            ));
        }
        Ok(())
    }

    /// A rail that gives its whole current and hardly a voltage.
    fn alarm_if_short(&mut self, rail: &Rail, last: f64, volts: f64, call: &Call) -> Result<(), DriverError> {
        let supply = self.instrument(&rail.supply)?;
        if last.abs() > SHORT_SHARE * volts || !supply.has(Action::MeasureCurrent) {
            return Ok(());
        }
        let channel = rail.channel.as_deref();
        for _ in 0..2 {
            let amperes = self.instrument(&rail.supply)?.ask(Action::MeasureCurrent, channel, 0.0, call)?;
            if amperes < LIMITING_SHARE * rail.most_a {
                return Ok(());
            }
        }
        Err(bench_fault(
            FaultKind::Alarm(Alarm::Current),
            format!(
                "{} takes its whole {} A and measures {last:.3} V, {volts:.3} V asked: a short",
                rail.name, rail.most_a
            ),
        ))
    }

    /// Switches every rail off, last one first, and verifies each by measurement.
    pub fn rails_off(&mut self, call: &Call) -> Result<(), DriverError> {
        self.rails_on = None;
        self.watched = None;
        let mut failures = Vec::new();
        if let Some(switch) = self.first(InstrumentKind::PowerSwitch) {
            let channel = switch.spec.channel.clone();
            failures.extend(confirmed_off(switch, channel.as_deref(), call).err());
        }
        let rails = self.bench.rails.clone();
        let mut supplies: Vec<&str> = rails.iter().rev().map(|rail| rail.supply.as_str()).collect();
        supplies.dedup();
        for name in supplies {
            let own: Vec<&Rail> = rails.iter().rev().filter(|rail| rail.supply == name).collect();
            let off = self.instrument(name).and_then(|supply| outputs_off(&own, supply, call));
            failures.extend(off.err());
        }
        for rail in &rails {
            if let Some((meter, channel)) = &rail.meter {
                let measured = self
                    .instrument(meter)
                    .and_then(|meter| verify_off(rail, meter, channel.as_deref(), LOOKS, call));
                failures.extend(measured.err());
            }
        }
        match failures.into_iter().next() {
            None => {
                (self.off, self.may_be_on) = (true, false);
                // Without its own warmth the device leaves its temperature.
                if let Some(held) = &mut self.held {
                    held.disturbed = true;
                }
                Ok(())
            }
            Some(error) => Err(error),
        }
    }
}

/// Switches outputs of one supply off and tells them again until each measures off or the time for it is over; then brings what
/// still measures to 0 V. A command may be lost: a measurement counts.
pub(super) fn outputs_off(rails: &[&Rail], supply: &mut Instrument, call: &Call) -> Result<(), DriverError> {
    let begin = Instant::now();
    let mut on: Vec<(&Rail, Option<DriverError>)> = rails.iter().map(|rail| (*rail, None)).collect();
    let mut rounds = 0;
    loop {
        rounds += 1;
        on.retain_mut(|(rail, fault)| {
            let channel = rail.channel.as_deref();
            let told = supply.tell(Action::Off, channel, None, call);
            let looks = if told.is_ok() { OFF_LOOKS } else { 1 };
            let measured = verify_off(rail, supply, channel, looks, call);
            // What was perhaps never heard is told again: until then a measurement proves nothing.
            *fault = match (told, measured) {
                (Ok(()), measured) => measured.err(),
                (Err(told), Ok(()))
                    if rounds > QUICK_TRIES
                        && told.kind == FaultKind::Interlock
                        && steadily_off(rail, supply, call) =>
                {
                    supply.remark(&format!("{}; {} is measured off: that decides", told.words, rail.name));
                    None
                }
                (Err(told), Ok(())) => Some(told),
                (Err(told), Err(measured)) => {
                    Some(DriverError { words: format!("{}; {}", measured.words, told.words), ..told })
                }
            };
            fault.is_some()
        });
        if on.is_empty() || supply.is_dry() {
            return Ok(());
        }
        if begin.elapsed() > OFF_LIMIT {
            break;
        }
        std::thread::sleep(before_again(rounds));
    }
    for (rail, _) in &on {
        // Upstream of an output that does not obey: nothing to give, where its setting still does.
        let channel = rail.channel.as_deref();
        for action in [Action::SetVoltage, Action::SetCurrent] {
            let _ = supply.tell(action, channel, Some(0.0), call);
        }
    }
    match on.into_iter().next().and_then(|(_, fault)| fault) {
        Some(fault) => Err(fault),
        None => Ok(()),
    }
}

/// Is a rail off whose output says that it is on? Nothing is left for it to give, it stays below its "off" voltage, and takes no
/// current: a short measures no voltage either.
fn steadily_off(rail: &Rail, supply: &mut Instrument, call: &Call) -> bool {
    let channel = rail.channel.as_deref();
    // Whoever switches it on finds it at 0 V; a supply may refuse so low a value.
    let _ = supply.tell(Action::SetVoltage, channel, Some(0.0), call);
    (0..STEADY_READINGS).all(|_| {
        std::thread::sleep(BETWEEN);
        let below = supply.ask(Action::MeasureVoltage, channel, 0.0, call);
        let current = match supply.has(Action::MeasureCurrent) {
            true => supply.ask(Action::MeasureCurrent, channel, 0.0, call),
            false => Ok(0.0),
        };
        below.is_ok_and(|volts| volts.abs() <= rail.off_below.0)
            && current.is_ok_and(|amperes| amperes.abs() <= NO_CURRENT_SHARE * rail.most_a)
    })
}

/// Measures until a rail is below its "off" voltage, twice in a row.
pub(super) fn verify_off(
    rail: &Rail,
    by: &mut Instrument,
    channel: Option<&str>,
    looks: u32,
    call: &Call,
) -> Result<(), DriverError> {
    let (mut last, mut below) = (f64::NAN, 0);
    let begin = Instant::now();
    for _ in 0..looks + OFF_READINGS - 1 {
        last = by.ask(Action::MeasureVoltage, channel, 0.0, call)?;
        if last.abs() <= rail.off_below.0 {
            below += 1;
            if below == OFF_READINGS || by.is_dry() {
                return Ok(());
            }
            continue;
        }
        below = 0;
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

/// Switches something off that confirms it itself (the board's power switch, a chamber) and tells it again until it does or the
/// time for it is over.
pub(super) fn confirmed_off(
    one: &mut Instrument,
    channel: Option<&str>,
    call: &Call,
) -> Result<(), DriverError> {
    let begin = Instant::now();
    let mut tries = 0;
    loop {
        tries += 1;
        match one.tell(Action::Off, channel, None, call) {
            Err(error) if begin.elapsed() > OFF_LIMIT => return Err(error),
            Err(_) => std::thread::sleep(before_again(tries)),
            Ok(()) => return Ok(()),
        }
    }
}
