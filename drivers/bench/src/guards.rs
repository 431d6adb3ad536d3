//! What an instrument guards by itself: states that must hold (head down, flow, dryness, interlock), and timers that switch it off when
//! this computer is not heard of any more.

use super::plant::{Plant, bench_fault};
use contract::{Call, DriverError, FaultKind};
use plan::bench_file::{Action, BenchFile, InstrumentKind};

/// A timer is set to so many looks of the watch, and to this at least, s. Common practice, no source.
const TIMER_LOOKS: f64 = 6.0;
const SHORTEST_S: f64 = 30.0;

/// Instruments that heat or power, told apart by whether they switch off by themselves when this computer dies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Guarded {
    /// Names of those with a timer of their own.
    pub by_timer: Vec<String>,
    /// Names of those without.
    pub by_nothing: Vec<String>,
}

/// What guards a bench against the end of its computer.
pub fn guarded(bench: &BenchFile) -> Guarded {
    let names = |timed: bool| {
        let heats_or_powers = bench.instruments.iter().filter(|one| one.kind != InstrumentKind::Meter);
        let of =
            heats_or_powers.filter(|one| one.profile.templates.contains_key(&Action::SetOffTimer) == timed);
        of.map(|one| one.name.clone()).collect()
    };
    Guarded { by_timer: names(true), by_nothing: names(false) }
}

impl Plant {
    /// Asks every instrument that can tell for the states that must hold; twice where one does not.
    ///
    /// # Errors
    /// `Interlock`, naming the instrument and the state.
    pub fn must_hold(&mut self, call: &Call) -> Result<(), DriverError> {
        for one in &mut self.instruments {
            let channel = one.spec.channel.clone();
            for (action, wrong) in Action::MUST_HOLD {
                if one.has(action)
                    && !one.ask_switch(action, channel.as_deref(), true, call)?
                    && !one.ask_switch(action, channel.as_deref(), true, call)?
                {
                    return Err(bench_fault(FaultKind::Interlock, format!("{}: {wrong}", one.spec.name)));
                }
            }
        }
        Ok(())
    }

    /// Sets anew the timers of what would stay on when this computer dies.
    ///
    /// # Errors
    /// An instrument that does not take it.
    pub fn hold_off_timers(&mut self, call: &Call) -> Result<(), DriverError> {
        let bench = std::sync::Arc::clone(&self.bench);
        let seconds = ((TIMER_LOOKS * bench.watch.every_s) / bench.time_scale).max(SHORTEST_S);
        for one in &mut self.instruments {
            if !one.has(Action::SetOffTimer) {
                continue;
            }
            let own = one.spec.name.clone();
            let channels: Vec<Option<String>> = match one.spec.kind {
                InstrumentKind::Supply => bench
                    .rails
                    .iter()
                    .filter(|rail| rail.supply == own)
                    .map(|rail| rail.channel.clone())
                    .collect(),
                _ => vec![one.spec.channel.clone()],
            };
            for channel in channels {
                one.tell(Action::SetOffTimer, channel.as_deref(), Some(seconds), call)?;
            }
        }
        Ok(())
    }
}
