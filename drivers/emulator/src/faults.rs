//! Switchable faults of the emulated bench: one by one, or a seeded storm.

use simulator::draws::Draws;
use std::collections::VecDeque;

/// A fault of an instrument or of the agent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// Instrument: no answer at all.
    NoAnswer,
    /// Instrument: an answer that makes no sense.
    Garbage,
    /// Instrument: half an answer, no terminator.
    Partial,
    /// Instrument: an entry in the error queue.
    ErrorEntry,
    /// Instrument: the connection is closed.
    Disconnect,
    /// Instrument: the answer is 9.91E+37.
    NotANumber,
    /// Supply: the protection trips, the output switches off.
    Trip,
    /// Chamber: the set point is taken but not followed.
    NeverReached,
    /// Supply: the output stays on whatever it is told.
    StuckOn,
    /// Chamber: it heats as fast as it can, whatever its set point.
    RunAway,
    /// Supply: an output gives more current than its limit.
    OverCurrent,
    /// The next command to switch off is not heard.
    SwallowedOff,
    /// The chip's sensor dies: it reads 25 degC for ever.
    DeadSensor,
    /// Agent: neither answer nor heartbeat.
    Hang,
    /// Agent: the connection ends and the device's state is lost.
    Crash,
    /// Agent: the answer carries another id.
    WrongId,
    /// Agent: the answer is no JSON.
    Malformed,
    /// Agent: more errors than bits.
    TooManyErrors,
    /// Agent: training is lost before a sample.
    LostTraining,
}

impl Fault {
    /// Faults that can happen to any instrument's answer.
    pub const OF_ANSWERS: [Fault; 6] = [
        Fault::NoAnswer,
        Fault::Garbage,
        Fault::Partial,
        Fault::ErrorEntry,
        Fault::Disconnect,
        Fault::NotANumber,
    ];
    pub const OF_AGENT: [Fault; 6] = [
        Fault::Hang,
        Fault::Crash,
        Fault::WrongId,
        Fault::Malformed,
        Fault::TooManyErrors,
        Fault::LostTraining,
    ];

    /// Does it befall instruments (else the agent)?
    pub fn of_instruments(self) -> bool {
        !Fault::OF_AGENT.contains(&self)
    }
}

/// Decides when faults happen.
pub struct Weather {
    rate: f64,
    draws: Draws,
    armed: VecDeque<Fault>,
    /// How often each fault happened.
    happened: Vec<Fault>,
}

impl Weather {
    /// Faults of `rate` a request, from a seed; 0 = none.
    pub fn new(seed: u64, rate: f64) -> Weather {
        Weather {
            rate,
            draws: Draws::of(&[b"storm", &seed.to_le_bytes()]),
            armed: VecDeque::new(),
            happened: Vec::new(),
        }
    }

    /// Makes a fault happen at the next occasion.
    pub fn arm(&mut self, fault: Fault) {
        self.armed.push_back(fault);
    }

    /// No random faults from now on.
    pub fn calm(&mut self) {
        self.rate = 0.0;
        self.armed.clear();
    }

    pub fn happened(&self) -> &[Fault] {
        &self.happened
    }

    /// The fault of this occasion, out of those that can happen here.
    pub fn next(&mut self, possible: &[Fault]) -> Option<Fault> {
        let armed = self.armed.iter().position(|fault| possible.contains(fault));
        let fault = match armed {
            Some(index) => self.armed.remove(index),
            None if self.rate > 0.0 && self.draws.uniform() < self.rate => {
                let at = (self.draws.uniform() * possible.len() as f64) as usize;
                // Faults that stay, or latch until a person comes, are never part of a storm: no program could measure or
                // make safe through them.
                let stays =
                    |fault: &Fault| matches!(fault, Fault::StuckOn | Fault::NeverReached | Fault::Trip);
                possible.get(at).copied().filter(|fault| !stays(fault))
            }
            None => None,
        };
        self.happened.extend(fault);
        fault
    }
}
