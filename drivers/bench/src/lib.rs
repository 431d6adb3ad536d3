//! The bench: real instruments and a real device behind the driver contract.
//!
//! Invariant: "off" is claimed only after a measurement below the rail's `off_below_v`.
//! Invariant: only reads are retried; after a reconnect identity and set points are verified before going on.
//! Invariant: limits are checked when a condition is applied and again just before each write.
//! Invariant: an alarm latches: nothing is switched on or heated again until a person clears it; a single reading makes none.
//! Invariant: a bench that was made safe from outside is never switched on again by the run that had it.
//! Invariant: every command sent is in the command log with its time.

pub mod addresses;
pub mod agent;
mod answers;
mod chamber;
mod checks;
pub mod command_log;
mod crosscheck;
mod custody;
mod device;
mod device_rails;
pub mod driver;
pub mod guards;
mod hislip;
pub mod instrument;
mod look;
mod module_identity;
mod plant;
mod power;
mod rail_limits;
pub mod safe;
mod sensors;
mod settle;
mod temperature;
mod vxi11;
pub mod wire;

pub use command_log::CommandLog;
pub use custody::{Custody, Latch, StateFolder};
pub use driver::BenchDriver;
pub use look::{InstrumentState, SensorLook, Unread};
pub use module_identity::ModuleIdentity;
pub use plant::WatchedValue;
pub use temperature::{CUT_READING, RAMP_READING, SOAK_READING};
