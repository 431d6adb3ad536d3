//! The driver contract, the simulated target and the bench.

pub mod bench;
pub mod conformance;
pub mod contract;
pub mod emulated;
pub mod simulated;
