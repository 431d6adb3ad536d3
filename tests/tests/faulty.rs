//! A driver that fails on purpose: seeded faults at every call of the contract, around the simulated target.

use crate::chance::Chance;
use contract::{
    Call, CancelToken, Capabilities, Driver, DriverError, FaultKind, PointCounts, PointRequest, SafetyHandle,
    Setting, TrainingRequest,
};
use nightbench_core::results::{EyeName, Identity, Readback, TrainedEye, TrainingResult};
use nightbench_core::units::{Celsius, Seconds, Volts};
use simulator::target::SimulatedTarget;
use std::collections::HashSet;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Words of a panic on purpose.
pub const SEEDED_PANIC: &str = "seeded panic of a test";

/// What goes wrong in a night.
#[derive(Debug, Clone, Default)]
pub struct Mishaps {
    /// Seed of the faults. A fault follows from it, the job and the number of the call within the job.
    pub seed: u64,
    /// Share of calls with a fault.
    pub share: f64,
    /// Share of attempts to make safe that fail.
    pub stubborn: f64,
    /// The call, counted over all targets, at which a stop is asked for.
    pub stop_at: Option<u64>,
    /// The call, counted over all targets, that panics.
    pub panic_at: Option<u64>,
}

/// What the targets of a night did, seen from outside.
#[derive(Debug, Default)]
pub struct Witness {
    /// Targets that are powered and not made safe.
    pub powered: AtomicI64,
    /// Calls so far.
    pub calls: AtomicU64,
    /// Batches of points that were answered.
    pub answered: AtomicU64,
    /// A call that measures had a deadline by the clock on the wall: a paused run would run into it.
    pub hurried: AtomicBool,
    /// Jobs (noise keys) that a fault was dealt to.
    pub struck: Mutex<HashSet<[u8; 32]>>,
}

/// The failing driver.
pub struct FaultyDriver {
    inner: SimulatedTarget,
    mishaps: Arc<Mishaps>,
    witness: Arc<Witness>,
    stop: CancelToken,
    job: [u8; 32],
    calls: u64,
    safe_calls: u64,
    powered: bool,
}

/// A fault that is no error of the contract.
enum Lie {
    NotFinite,
    TooFew,
    TooMany,
    NoBits,
    WrongLanes,
}

enum Fault {
    Error(DriverError),
    Lie(Lie),
    TrainingLost,
}

impl FaultyDriver {
    /// A driver around a faultless target.
    pub fn new(
        inner: SimulatedTarget,
        mishaps: Arc<Mishaps>,
        witness: Arc<Witness>,
        stop: CancelToken,
    ) -> FaultyDriver {
        let (job, calls, safe_calls) = ([0; 32], 0, 0);
        FaultyDriver { inner, mishaps, witness, stop, job, calls, safe_calls, powered: false }
    }

    fn power(&mut self) {
        if !std::mem::replace(&mut self.powered, true) {
            self.witness.powered.fetch_add(1, Ordering::SeqCst);
        }
    }

    /// The fault of this call, if it has one; `lies` are the kinds it can tell.
    fn fault(&mut self, what: &str, lies: &[fn() -> Fault]) -> Option<Fault> {
        self.calls += 1;
        let number = self.witness.calls.fetch_add(1, Ordering::SeqCst);
        if self.mishaps.stop_at == Some(number) {
            self.stop.cancel();
        }
        if self.mishaps.panic_at == Some(number) {
            panic!("{SEEDED_PANIC}");
        }
        let mut chance = Chance::at(self.mishaps.seed, &self.job, self.calls);
        if !chance.happens(self.mishaps.share) {
            return None;
        }
        self.witness.struck.lock().expect("a lock").insert(self.job);
        let kinds = [
            FaultKind::TimeOut,
            FaultKind::Communication,
            FaultKind::Protocol,
            FaultKind::Instrument(-113),
            FaultKind::OutOfRange,
            FaultKind::NotSettled,
            FaultKind::Interlock,
            FaultKind::WrongIdentity,
            FaultKind::WrongOrder,
            FaultKind::Unsupported,
        ];
        let which = chance.below((kinds.len() + 3 * lies.len()) as u64) as usize;
        Some(match kinds.get(which) {
            Some(kind) => Fault::Error(DriverError::new(*kind, format!("{what}, call {}", self.calls))),
            None => lies[(which - kinds.len()) / 3](),
        })
    }

    fn note_deadline(&self, call: &Call) {
        // A laptop may be shut for a week.
        if call.deadline < Instant::now() + Duration::from_secs(7 * 86_400) {
            self.witness.hurried.store(true, Ordering::SeqCst);
        }
    }
}

impl Driver for FaultyDriver {
    fn is_simulated(&self) -> bool {
        true
    }

    fn identity(&mut self, call: &Call) -> Result<Identity, DriverError> {
        match self.fault("identity", &[]) {
            Some(Fault::Error(error)) => Err(error),
            _ => self.inner.identity(call),
        }
    }

    fn capabilities(&mut self, call: &Call) -> Result<Capabilities, DriverError> {
        self.note_deadline(call);
        match self.fault("capabilities", &[]) {
            Some(Fault::Error(error)) => Err(error),
            _ => self.inner.capabilities(call),
        }
    }

    fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        self.note_deadline(call);
        self.power();
        if self.job != setting.noise_key {
            (self.job, self.calls) = (setting.noise_key, 0);
        }
        match self.fault("apply", &[|| Fault::Lie(Lie::NotFinite)]) {
            Some(Fault::Error(error)) => Err(error),
            Some(_) => {
                let mut readback = self.inner.apply(setting, call)?;
                readback.temperature = Celsius(f64::NAN);
                readback.rails.push(("VDDQ".into(), Volts(f64::INFINITY)));
                Ok(readback)
            }
            None => self.inner.apply(setting, call),
        }
    }

    fn train(&mut self, request: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError> {
        self.note_deadline(call);
        self.power();
        match self.fault("train", &[]) {
            Some(Fault::Error(error)) => Err(error),
            _ => self.inner.train(request, call),
        }
    }

    fn restore(&mut self, eyes: &[TrainedEye], call: &Call) -> Result<(), DriverError> {
        self.note_deadline(call);
        match self.fault("restore", &[]) {
            Some(Fault::Error(error)) => Err(error),
            _ => self.inner.restore(eyes, call),
        }
    }

    fn sample(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        self.note_deadline(call);
        self.power();
        let lies: [fn() -> Fault; 5] = [
            || Fault::TrainingLost,
            || Fault::Lie(Lie::TooFew),
            || Fault::Lie(Lie::TooMany),
            || Fault::Lie(Lie::NoBits),
            || Fault::Lie(Lie::WrongLanes),
        ];
        let lie = match self.fault("sample", &lies) {
            None => {
                let answers = self.inner.sample(eye, points, call)?;
                self.witness.answered.fetch_add(1, Ordering::SeqCst);
                return Ok(answers);
            }
            Some(Fault::Error(error)) => return Err(error),
            Some(Fault::TrainingLost) => {
                self.inner.make_safe(call)?;
                return self.inner.sample(eye, points, call);
            }
            Some(Fault::Lie(lie)) => lie,
        };
        let mut answers = self.inner.sample(eye, points, call)?;
        match lie {
            Lie::TooFew => {
                answers.pop();
            }
            Lie::TooMany => answers.iter_mut().for_each(|answer| answer.errors[0] = answer.bits + 1),
            Lie::NoBits => answers.iter_mut().for_each(|answer| answer.bits = 0),
            Lie::WrongLanes | Lie::NotFinite => answers.iter_mut().for_each(|answer| {
                answer.errors.pop();
            }),
        }
        Ok(answers)
    }

    fn confirm(&mut self, call: &Call) -> Result<(), DriverError> {
        self.note_deadline(call);
        match self.fault("confirm", &[]) {
            Some(Fault::Error(error)) => Err(error),
            _ => self.inner.confirm(call),
        }
    }

    fn make_safe(&mut self, call: &Call) -> Result<(), DriverError> {
        self.safe_calls += 1;
        if Chance::at(self.mishaps.seed, b"make safe", self.safe_calls).happens(self.mishaps.stubborn) {
            return Err(DriverError::new(FaultKind::Communication, "the supply does not answer"));
        }
        self.inner.make_safe(call)?;
        if std::mem::take(&mut self.powered) {
            self.witness.powered.fetch_sub(1, Ordering::SeqCst);
        }
        Ok(())
    }

    fn safety_handle(&self) -> Box<dyn SafetyHandle> {
        self.inner.safety_handle()
    }

    fn elapsed(&self) -> Seconds {
        self.inner.elapsed()
    }
}
