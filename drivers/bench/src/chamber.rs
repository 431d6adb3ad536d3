//! The chamber: its set point within what device and air allow, and its way to a level, walked where it has no ramp of its own.

use super::plant::{Plant, bench_fault};
use super::settle::RampWatch;
use contract::{Alarm, Call, DriverError, FaultKind};
use nightbench_core::devices::ControlPoint;
use nightbench_core::units::{Celsius, Seconds};
use plan::bench_file::{Action, InstrumentKind};

/// A temperature that is held, as far as is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Held {
    pub level: Celsius,
    pub point: ControlPoint,
    /// Something moved it since, as a power cycle does: band and slope are looked at again.
    pub disturbed: bool,
}

/// On the way to a level.
#[derive(Debug, Clone)]
pub(super) struct Approach {
    pub level: Celsius,
    pub point: ControlPoint,
    /// Where the chamber's set point is to be, and where it is.
    pub goal: Celsius,
    pub air: Celsius,
    /// Bench time of the beginning.
    pub begin_s: f64,
    walked_s: f64,
    ramp: RampWatch,
    doubted: bool,
}

impl Plant {
    /// Lowest and highest set point: the device may come to where the air is, so its limits bound the air.
    pub fn set_points(&self) -> (f64, f64) {
        let limits = &self.bench.limits;
        (limits.air_low.0.max(limits.device_low.0), limits.air_high.0.min(limits.device_high.0))
    }

    pub fn switch_chamber(&mut self, action: Action, call: &Call) -> Result<(), DriverError> {
        match self.first(InstrumentKind::Chamber) {
            Some(chamber) if chamber.has(action) => chamber.tell(action, None, None, call),
            _ => Ok(()),
        }
    }

    /// Sets the chamber's set point; the second check of the limit, just before the write: the device follows the air.
    pub fn set_chamber(&mut self, air: Celsius, call: &Call) -> Result<(), DriverError> {
        let (low, high) = self.set_points();
        let ambient = air.0 == self.bench.room.temperature.0;
        if !air.0.is_finite() || !ambient && !(low..=high).contains(&air.0) {
            return Err(bench_fault(
                FaultKind::OutOfRange,
                format!(
                    "a set point of {air} is beyond what device and air allow, {} to {}",
                    Celsius(low),
                    Celsius(high)
                ),
            ));
        }
        match self.first(InstrumentKind::Chamber) {
            Some(chamber) => {
                chamber.tell(Action::SetTemperature, None, Some(air.0), call)?;
                self.sensors.drives_to = Some(air.0);
                Ok(())
            }
            None => {
                Err(bench_fault(FaultKind::Unsupported, "the bench has no chamber to set a temperature with"))
            }
        }
    }

    fn ramps_itself(&mut self) -> bool {
        self.first(InstrumentKind::Chamber).is_some_and(|one| one.has(Action::SetRamp))
    }

    /// Sets out for a level, with the sensors just read. What goes on meanwhile keeps the set point walking.
    pub fn set_out(&mut self, level: Celsius, point: ControlPoint, call: &Call) -> Result<(), DriverError> {
        let ramp = self.bench.limits.ramp_k_per_min;
        let itself = self.ramps_itself();
        if itself && let Some(chamber) = self.first(InstrumentKind::Chamber) {
            chamber.tell(Action::SetRamp, None, Some(ramp), call)?;
        }
        let (lowest, highest) = self.set_points();
        let goal = Celsius(level.0.clamp(lowest, highest));
        // Where the chamber has no ramp of its own, its set point is walked, from where the air is.
        let from = self.sensors.air().unwrap_or(self.bench.room.temperature.0);
        let air = if itself { goal } else { Celsius(from.clamp(lowest, highest)) };
        self.set_chamber(air, call)?;
        self.switch_chamber(Action::ControlByDevice, call)?;
        self.switch_chamber(Action::On, call)?;
        let now = self.now_s();
        self.approach = Some(Approach {
            level,
            point,
            goal,
            air,
            begin_s: now,
            walked_s: now,
            ramp: RampWatch::new(ramp),
            doubted: false,
        });
        Ok(())
    }

    /// The chamber stays as it is; what was disturbed is looked at again.
    pub fn stay(&mut self, level: Celsius, point: ControlPoint, air: Celsius) {
        let now = self.now_s();
        let ramp = RampWatch::new(self.bench.limits.ramp_k_per_min);
        self.approach = Some(Approach {
            level,
            point,
            goal: air,
            air,
            begin_s: now,
            walked_s: now,
            ramp,
            doubted: false,
        });
    }

    /// A new goal for the set point, within its bounds; a chamber with a ramp of its own goes there at once.
    pub fn trim(&mut self, by_k: f64, call: &Call) -> Result<(), DriverError> {
        let (lowest, highest) = self.set_points();
        let itself = self.ramps_itself();
        let Some(approach) = &mut self.approach else { return Ok(()) };
        approach.goal = Celsius((approach.goal.0 + by_k).clamp(lowest, highest));
        if !itself {
            return Ok(());
        }
        approach.air = approach.goal;
        let air = approach.air;
        self.set_chamber(air, call)
    }

    /// Moves the set point on its way, where it is time to. Is it there?
    pub fn walk(&mut self, call: &Call) -> Result<bool, DriverError> {
        let now = self.now_s();
        let (poll_s, ramp) = (self.bench.settle.poll_s, self.bench.limits.ramp_k_per_min);
        let Some(approach) = &mut self.approach else { return Ok(true) };
        if approach.air.0 == approach.goal.0 {
            return Ok(true);
        }
        if now - approach.walked_s < poll_s {
            return Ok(false);
        }
        // Never more than one poll's step at once, however late it is.
        approach.walked_s = now;
        let step = ramp * poll_s / 60.0;
        approach.air = Celsius(approach.air.0 + (approach.goal.0 - approach.air.0).clamp(-step, step));
        let air = approach.air;
        self.set_chamber(air, call)?;
        Ok(false)
    }

    /// On the way: does the point change faster than allowed? A single reading decides nothing: the first only asks for another.
    pub fn too_fast(&mut self) -> Result<bool, DriverError> {
        let now = self.now_s();
        let limit = self.bench.limits.ramp_k_per_min;
        let Some(point) = self.approach.as_ref().map(|approach| approach.point) else { return Ok(false) };
        let Some(reading) = self.sensors.last(point) else { return Ok(false) };
        let Some(approach) = &mut self.approach else { return Ok(false) };
        let Some(change) = approach.ramp.clone().add(Seconds(now), reading) else {
            approach.ramp.add(Seconds(now), reading);
            approach.doubted = false;
            return Ok(false);
        };
        if !std::mem::replace(&mut approach.doubted, true) {
            return Ok(true);
        }
        Err(bench_fault(
            FaultKind::Alarm(Alarm::Temperature),
            format!(
                "the {} changes too fast: {:+.1} K within {:.0} s, {limit} K/min allowed",
                point.name(),
                change.kelvin,
                change.seconds
            ),
        ))
    }
}
