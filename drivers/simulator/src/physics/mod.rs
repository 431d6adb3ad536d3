//! Physics of the simulated data-line target: from the copper to the bit-error ratio at one delay tap and one
//! reference-voltage step.
//!
//! The chain, one file each: [`twoport`] elements and [`dielectric`]/[`mod@line`] losses -> [`path`] (what is fitted) ->
//! [`channel`] (transfer function H(f)) -> [`pulse`] (pulse and coupling response) -> [`stateye`] (statistical error
//! ratio without jitter) -> [`jitter`] -> [`timing`] (delay line and reference voltage) -> [`surface`] (one lane's
//! error-ratio surface) -> [`training`] (what the firmware would settle on).
//! Beside it: `coupled` (what a measured four-port couples), `edges` (rows of a lane whose edges are not all alike: supply
//! noise, jitter of the transmitter, rising against falling), `data` (the pattern as both kinds of rows need it), `rows` (error ratio
//! without jitter at one phase), `link` (what the lanes of a setup share).
//!
//! Plain `f64` numbers in SI units inside; units are in the names where they are not SI. Nothing here draws random
//! numbers, reads a clock or starts a thread: the same input gives the same bits.
//!
//! The default figures in [`parameters`] are fitted estimates for the larger part; each carries its mark.

pub mod channel;
pub mod conditions;
mod coupled;
mod data;
pub mod dfe;
pub mod dielectric;
mod edges;
pub mod error;
pub mod gauss;
pub mod jitter;
pub mod kernels;
pub mod line;
mod link;
pub mod measured;
mod numbers;
pub mod parameters;
pub mod path;
pub mod pattern;
pub mod pulse;
mod rows;
pub mod stateye;
pub mod surface;
pub mod timing;
pub mod training;
pub mod twoport;
pub mod variation;

#[cfg(test)]
mod tests;

pub use channel::{Channel, Dfe, Setup};
pub use conditions::OperatingPoint;
pub use coupled::MeasuredCoupling;
pub use error::PhysicsError;
pub use link::Link;
pub use measured::MeasuredTwoPort;
pub use parameters::{Entry, Mark, Parameters};
pub use path::{CommandLine, Load, Measured, Path};
pub use pattern::Pattern;
pub use surface::LaneSurface;
pub use training::{Margins, Trained, TrainingFailure, train};
pub use variation::{BitDraws, BitVariation, Contact, Mounting};
