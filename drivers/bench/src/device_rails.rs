//! Rails that the device makes for itself (a PMIC on the module): limited, set, read back and watched like any other, through the agent.

use super::agent::messages::{RailReadings, SetRails};
use super::device::Device;
use super::plant::{Plant, bench_fault};
use super::rail_limits::RailLimits;
use contract::{Alarm, Call, DriverError, FaultKind};
use nightbench_core::units::Volts;
use plan::bench_file::DeviceRail;
use serde_json::json;
use std::collections::BTreeMap;
use std::time::Duration;

/// Looks at a rail that comes to its level, and the wall time between them.
const LOOKS: u32 = 40;
const BETWEEN: Duration = Duration::from_millis(25);

/// What a look at the device's rails came to.
enum Look {
    Sound,
    /// Something is wrong for the first time: a single reading decides nothing.
    Doubt(DriverError),
}

/// The rails of the device, as they are watched.
#[derive(Default)]
pub(super) struct DeviceRails {
    /// Asked voltages, in the bench's order; empty: not set.
    asked: Vec<f64>,
    /// Bench time of the last sound look.
    last_s: f64,
    /// They have come to their levels, or had the time to: what is too low then is an alarm.
    risen: bool,
    /// Something was wrong at the last look: an alarm, or a rail beside its level.
    doubted: Option<Wrong>,
}

/// What a reading that is not sound comes to, if the next one says so too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wrong {
    BesideLevel,
    Alarm,
}

impl Wrong {
    fn of(error: &DriverError) -> Wrong {
        match error.kind {
            FaultKind::Alarm(_) => Wrong::Alarm,
            _ => Wrong::BesideLevel,
        }
    }
}

impl DeviceRails {
    /// Nothing is set any more.
    pub fn forget(&mut self) {
        self.asked.clear();
        (self.risen, self.doubted) = (false, None);
    }

    /// Takes what is wrong: did the reading before say so too? One beside its level is no first word of an alarm.
    fn confirmed(&mut self, wrong: Wrong) -> bool {
        let before = self.doubted.replace(wrong);
        before.is_some_and(|before| before == Wrong::Alarm || wrong == Wrong::BesideLevel)
    }

    /// Name and age of the reading, where the rails are set.
    pub fn age<'b>(&self, rails: &'b [DeviceRail], now_s: f64) -> Option<(&'b str, f64)> {
        let first = rails.first().filter(|_| !self.asked.is_empty())?;
        Some((first.name.as_str(), now_s - self.last_s))
    }
}

impl Plant {
    /// Holds readings of the device's rails against what was asked, and keeps them.
    fn judge_device_rails(&mut self, told: &RailReadings) -> Result<Look, DriverError> {
        let bench = std::sync::Arc::clone(&self.bench);
        let risen = self.device_rails.risen;
        let mut wrong: Option<DriverError> = None;
        for (rail, asked) in bench.device_rails.iter().zip(self.device_rails.asked.clone()) {
            let Some(reading) = told.rails.get(&rail.agent_name).filter(|one| one.volts.is_finite()) else {
                return Err(bench_fault(
                    FaultKind::Protocol,
                    format!(
                        "agent: no rail `{}` among its rails; add it to its answer to `rails`",
                        rail.agent_name
                    ),
                )
                .at(contract::Part::Agent));
            };
            self.read(rail.name.clone(), reading.volts, "V");
            if let Some(amperes) = reading.amperes {
                self.read(format!("{} current", rail.name), amperes, "A");
            }
            let own = beyond(rail, (asked, risen), reading.volts, reading.amperes);
            // A rail beside its level hides no other's alarm.
            if let Some(own) = own
                && wrong.as_ref().is_none_or(|known| Wrong::of(known) == Wrong::BesideLevel)
            {
                wrong = Some(own);
            }
        }
        match wrong {
            Some(error) => Ok(Look::Doubt(error)),
            None => {
                self.device_rails.doubted = None;
                self.device_rails.last_s = self.now_s();
                Ok(Look::Sound)
            }
        }
    }

    /// Takes what a heartbeat tells of the device's rails; the next beat decides a doubt.
    pub fn take_device_rails(&mut self, told: &RailReadings) -> Result<(), DriverError> {
        if self.device_rails.asked.is_empty() || told.rails.is_empty() {
            return Ok(());
        }
        match self.judge_device_rails(told)? {
            Look::Sound => Ok(()),
            Look::Doubt(error) if self.device_rails.confirmed(Wrong::of(&error)) => Err(error),
            Look::Doubt(_) => Ok(()),
        }
    }
}

/// What is wrong about a reading; too low is an alarm once a rail has risen.
fn beyond(
    rail: &DeviceRail,
    (asked, risen): (f64, bool),
    volts: f64,
    amperes: Option<f64>,
) -> Option<DriverError> {
    let alarm = |which, words| Some(bench_fault(FaultKind::Alarm(which), words));
    let limits = RailLimits::from(rail);
    if limits.above(volts) {
        return alarm(
            Alarm::Voltage,
            format!("{} (made by the device) is {volts:.3} V, above {:.3} V", rail.name, limits.high),
        );
    }
    if let Some(amperes) = amperes.filter(|amperes| amperes.is_nan() || amperes.abs() > rail.most_a) {
        return alarm(
            Alarm::Current,
            format!(
                "{} (made by the device) gives {amperes:.3} A, above its limit of {} A",
                rail.name, rail.most_a
            ),
        );
    }
    if risen && limits.below(volts) {
        return alarm(
            Alarm::Voltage,
            format!("{} (made by the device) is {volts:.3} V, below {:.3} V", rail.name, limits.low),
        );
    }
    ((volts - asked).abs() > rail.tolerance.0).then(|| {
        bench_fault(
            FaultKind::NotSettled,
            format!(
                "{} (made by the device) is {volts:.4} V, {asked:.4} V +- {:.4} V asked",
                rail.name, rail.tolerance.0
            ),
        )
    })
}

impl Device {
    fn read_rails(&mut self, plant: &mut Plant, call: &Call) -> Result<RailReadings, DriverError> {
        let asked = plant.bench.device_rails.iter().zip(&plant.device_rails.asked);
        let dry = RailReadings {
            rails: asked
                .map(|(rail, volts)| {
                    (
                        rail.agent_name.clone(),
                        super::agent::messages::RailReading { volts: *volts, amperes: None },
                    )
                })
                .collect(),
        };
        self.ask(plant, "rails", &json!({}), call, dry)
    }

    /// Brings the device's own rails to their levels (all levels, the supplies' rails first), and reads until they are there.
    ///
    /// # Errors
    /// A level beyond its limits; a rail that does not come, or an alarm.
    pub fn set_rails(&mut self, plant: &mut Plant, levels: &[f64], call: &Call) -> Result<(), DriverError> {
        if plant.bench.device_rails.is_empty() {
            return Ok(());
        }
        let levels = levels.get(plant.bench.rails.len()..).unwrap_or_default();
        let mut rails_v = BTreeMap::new();
        let bench = std::sync::Arc::clone(&plant.bench);
        for (rail, volts) in bench.device_rails.iter().zip(levels) {
            // Just before the write, whatever was checked earlier.
            plant.check_rail(&rail.name, Volts(*volts))?;
            rails_v.insert(rail.agent_name.clone(), *volts);
        }
        plant.device_rails.forget();
        let _: serde_json::Value = self.ask(plant, "set_rails", &SetRails { rails_v }, call, json!({}))?;
        plant.device_rails.asked = levels.to_vec();
        plant.device_rails.last_s = plant.now_s();
        let mut looks = 0;
        loop {
            looks += 1;
            plant.device_rails.risen |= looks >= LOOKS;
            let told = self.read_rails(plant, call)?;
            match plant.judge_device_rails(&told)? {
                Look::Sound => {
                    plant.device_rails.risen = true;
                    return Ok(());
                }
                // On the way up a voltage is low; what is beyond a limit is decided by the second reading.
                Look::Doubt(error)
                    if plant.device_rails.confirmed(Wrong::of(&error))
                        && Wrong::of(&error) == Wrong::Alarm =>
                {
                    return Err(error);
                }
                Look::Doubt(error) if looks > LOOKS && Wrong::of(&error) == Wrong::BesideLevel => {
                    return Err(error);
                }
                Look::Doubt(_) => {
                    call.check("setting the device's own rails")?;
                    std::thread::sleep(BETWEEN);
                }
            }
        }
    }

    /// Looks at the device's own rails; twice where something is wrong. What was read, by the bench's names.
    ///
    /// # Errors
    /// An alarm, or a rail that left its tolerance.
    pub fn look_at_rails(
        &mut self,
        plant: &mut Plant,
        call: &Call,
    ) -> Result<Vec<(String, Volts)>, DriverError> {
        if plant.device_rails.asked.is_empty() {
            return Ok(Vec::new());
        }
        let told = loop {
            let told = self.read_rails(plant, call)?;
            match plant.judge_device_rails(&told)? {
                Look::Sound => break told,
                Look::Doubt(error) if plant.device_rails.confirmed(Wrong::of(&error)) => return Err(error),
                Look::Doubt(_) => {}
            }
        };
        let volts = |rail: &DeviceRail| told.rails.get(&rail.agent_name).map_or(f64::NAN, |one| one.volts);
        Ok(plant.bench.device_rails.iter().map(|rail| (rail.name.clone(), Volts(volts(rail)))).collect())
    }
}
