//! Kinds of faults. Decisions read the kind; the words are for people.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::fmt;

/// A value confirmed beyond what the bench allows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Alarm {
    /// A temperature beyond its limits, or one that changes too fast.
    Temperature,
    /// A voltage above its protection, or a protection that tripped.
    Voltage,
    /// A current above its limit.
    Current,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FaultKind {
    /// No answer within the deadline.
    TimeOut,
    /// The connection failed or was closed.
    Communication,
    /// An answer that does not follow the protocol.
    Protocol,
    /// An instrument reported an error of this number.
    Instrument(i32),
    /// An instrument is back, but has lost its settings.
    SettingsLost,
    /// A value beyond a limit of the bench.
    OutOfRange,
    /// The condition was not held.
    NotSettled,
    /// The temperature was not reached in its time.
    NotReached,
    /// A safety condition forbids the call.
    Interlock,
    /// A value confirmed beyond its limit.
    Alarm(Alarm),
    /// Something could not be made safe. Outranks every other kind.
    NotSafe,
    /// Everything is off, but a sensor is outside its limits: not safe to touch. Ends as [`FaultKind::NotSafe`] does.
    BeyondLimits,
    /// The bench was made safe from outside the call.
    TakenOver,
    /// Not the chip, module or firmware that was expected.
    WrongIdentity,
    /// Not the instrument that was expected, or not the same as before.
    WrongInstrument,
    /// A call in the wrong order, for example a sample before training.
    WrongOrder,
    /// The device cannot do what was asked.
    Unsupported,
    /// Stopped on request.
    Cancelled,
    /// A result that contradicts itself.
    ImpossibleAnswer,
    /// The check of a mounting failed for the whole device.
    MountingCheck,
    /// From a store of an earlier format, which kept the words only.
    Unrecorded,
}

/// Every kind without a number.
const PLAIN: [FaultKind; 22] = [
    FaultKind::TimeOut,
    FaultKind::Communication,
    FaultKind::Protocol,
    FaultKind::SettingsLost,
    FaultKind::OutOfRange,
    FaultKind::NotSettled,
    FaultKind::NotReached,
    FaultKind::Interlock,
    FaultKind::Alarm(Alarm::Temperature),
    FaultKind::Alarm(Alarm::Voltage),
    FaultKind::Alarm(Alarm::Current),
    FaultKind::NotSafe,
    FaultKind::BeyondLimits,
    FaultKind::TakenOver,
    FaultKind::WrongIdentity,
    FaultKind::WrongInstrument,
    FaultKind::WrongOrder,
    FaultKind::Unsupported,
    FaultKind::Cancelled,
    FaultKind::ImpossibleAnswer,
    FaultKind::MountingCheck,
    FaultKind::Unrecorded,
];

/// Code of an instrument's error, before its number in brackets.
const INSTRUMENT: &str = "instrument_error";

impl FaultKind {
    /// The code it is stored by, which never changes.
    pub fn code(self) -> Cow<'static, str> {
        let code = match self {
            FaultKind::Instrument(number) => return format!("{INSTRUMENT}({number})").into(),
            FaultKind::TimeOut => "time_out",
            FaultKind::Communication => "communication",
            FaultKind::Protocol => "protocol",
            FaultKind::SettingsLost => "settings_lost",
            FaultKind::OutOfRange => "out_of_range",
            FaultKind::NotSettled => "not_settled",
            FaultKind::NotReached => "not_reached",
            FaultKind::Interlock => "interlock",
            FaultKind::Alarm(Alarm::Temperature) => "alarm_temperature",
            FaultKind::Alarm(Alarm::Voltage) => "alarm_voltage",
            FaultKind::Alarm(Alarm::Current) => "alarm_current",
            FaultKind::NotSafe => "not_safe",
            FaultKind::BeyondLimits => "beyond_limits",
            FaultKind::TakenOver => "taken_over",
            FaultKind::WrongIdentity => "wrong_identity",
            FaultKind::WrongInstrument => "wrong_instrument",
            FaultKind::WrongOrder => "wrong_order",
            FaultKind::Unsupported => "unsupported",
            FaultKind::Cancelled => "cancelled",
            FaultKind::ImpossibleAnswer => "impossible_answer",
            FaultKind::MountingCheck => "mounting_check",
            FaultKind::Unrecorded => "unrecorded",
        };
        code.into()
    }

    /// The kind stored by a code.
    pub fn from_code(code: &str) -> Option<FaultKind> {
        if let Some(kind) = PLAIN.into_iter().find(|kind| kind.code() == code) {
            return Some(kind);
        }
        let number = code.strip_prefix(INSTRUMENT)?.strip_prefix('(')?.strip_suffix(')')?;
        number.parse().ok().map(FaultKind::Instrument)
    }

    /// Did the conversation fail? Then a read may be retried on a fresh connection.
    pub fn is_of_conversation(self) -> bool {
        matches!(self, FaultKind::TimeOut | FaultKind::Communication | FaultKind::Protocol)
    }

    /// Is a person needed at the bench now?
    pub fn is_not_safe(self) -> bool {
        matches!(self, FaultKind::NotSafe | FaultKind::BeyondLimits)
    }

    /// The kind in plain words.
    pub fn words(self) -> &'static str {
        match self {
            FaultKind::TimeOut => "time-out",
            FaultKind::Communication => "communication",
            FaultKind::Protocol => "protocol",
            FaultKind::Instrument(_) => "instrument error",
            FaultKind::SettingsLost => "settings lost",
            FaultKind::OutOfRange => "out of range",
            FaultKind::NotSettled => "not settled",
            FaultKind::NotReached => "temperature not reached",
            FaultKind::Interlock => "interlock",
            FaultKind::Alarm(Alarm::Temperature) => "temperature alarm",
            FaultKind::Alarm(Alarm::Voltage) => "voltage alarm",
            FaultKind::Alarm(Alarm::Current) => "current alarm",
            FaultKind::NotSafe => "could not make safe",
            FaultKind::BeyondLimits => "off, and beyond its limits",
            FaultKind::TakenOver => "made safe from outside",
            FaultKind::WrongIdentity => "wrong identity",
            FaultKind::WrongInstrument => "wrong instrument",
            FaultKind::WrongOrder => "wrong order of calls",
            FaultKind::Unsupported => "unsupported",
            FaultKind::Cancelled => "cancelled",
            FaultKind::ImpossibleAnswer => "impossible answer",
            FaultKind::MountingCheck => "mounting check failed",
            FaultKind::Unrecorded => "not recorded",
        }
    }
}

impl Serialize for FaultKind {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.code())
    }
}

impl<'de> Deserialize<'de> for FaultKind {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<FaultKind, D::Error> {
        let code = Cow::<str>::deserialize(deserializer)?;
        FaultKind::from_code(&code)
            .ok_or_else(|| serde::de::Error::custom(format!("unknown kind of fault `{code}`")))
    }
}

/// A fault: its kind, and what happened in words for a person.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Fault {
    /// Every decision reads this.
    pub kind: FaultKind,
    /// What happened, with the values and the remedy. No decision reads it.
    pub detail: String,
}

impl Fault {
    pub fn new(kind: FaultKind, detail: impl Into<String>) -> Fault {
        Fault { kind, detail: detail.into() }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.kind {
            FaultKind::Unrecorded => f.write_str(&self.detail),
            kind => write!(f, "{}: {}", kind.words(), self.detail),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stores keep these codes for good.
    #[test]
    fn codes_come_back_as_the_kind_they_were_written_for() {
        for kind in PLAIN {
            assert_eq!(FaultKind::from_code(&kind.code()), Some(kind));
        }
        assert_eq!(FaultKind::from_code("time_out"), Some(FaultKind::TimeOut));
        assert_eq!(FaultKind::from_code("alarm_current"), Some(FaultKind::Alarm(Alarm::Current)));
        let error = FaultKind::Instrument(-222);
        assert_eq!(error.code(), "instrument_error(-222)");
        assert_eq!(FaultKind::from_code("instrument_error(-222)"), Some(error));
        for unknown in ["", "instrument_error", "instrument_error(x)", "time-out", "alarm"] {
            assert_eq!(FaultKind::from_code(unknown), None, "{unknown}");
        }
    }

    #[test]
    fn a_fault_reads_as_its_kind_and_what_happened() {
        let fault = Fault::new(FaultKind::TimeOut, "no answer within 2 s");
        assert_eq!(fault.to_string(), "time-out: no answer within 2 s");
        let old = Fault::new(FaultKind::Unrecorded, "time-out: no answer within 2 s");
        assert_eq!(old.to_string(), "time-out: no answer within 2 s");
    }
}
