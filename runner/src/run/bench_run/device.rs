//! What the loop over jobs asks of a bench beside the driver contract.

use bench::InstrumentState;
use bench::{BenchDriver, ModuleIdentity, WatchedValue};
use contract::{Call, Driver, DriverError};
use nightbench_core::units::Celsius;

/// A bench that jobs are run on.
pub trait Bench: Driver {
    /// Who is there, and what is on. Switches nothing.
    fn look_around(&mut self, call: &Call) -> Vec<InstrumentState>;

    /// The readings taken since the last call.
    fn take_readings(&mut self) -> Vec<WatchedValue>;

    /// Hands were at the bench: everything is identified and set anew.
    fn mounted_anew(&mut self);

    /// From now on conditions are tried at ambient temperature, without settling, or reached as usual.
    fn check_at_ambient(&mut self, at_ambient: bool);

    /// What is known of the mounted module, since the last call.
    fn take_module_identity(&mut self) -> Option<ModuleIdentity>;

    /// The agent's free text about a job; empty where it cannot say.
    fn agent_text(&mut self, method: &str, call: &Call) -> String;

    /// Waits, with everything off, until every sensor is within the band for hands.
    ///
    /// # Errors
    /// Hands must stay away.
    fn wait_touch_safe(&mut self, call: &Call) -> Result<Vec<(String, Celsius)>, DriverError>;
}

impl Bench for BenchDriver {
    fn look_around(&mut self, call: &Call) -> Vec<InstrumentState> {
        BenchDriver::look_around(self, call)
    }
    fn take_readings(&mut self) -> Vec<WatchedValue> {
        BenchDriver::take_readings(self)
    }
    fn mounted_anew(&mut self) {
        BenchDriver::mounted_anew(self);
    }
    fn check_at_ambient(&mut self, at_ambient: bool) {
        BenchDriver::check_at_ambient(self, at_ambient);
    }
    fn take_module_identity(&mut self) -> Option<ModuleIdentity> {
        BenchDriver::take_module_identity(self)
    }
    fn agent_text(&mut self, method: &str, call: &Call) -> String {
        BenchDriver::agent_text(self, method, call)
    }
    fn wait_touch_safe(&mut self, call: &Call) -> Result<Vec<(String, Celsius)>, DriverError> {
        BenchDriver::wait_touch_safe(self, call)
    }
}
