//! The driver contract, the simulated target and the bench.

pub mod contract;
pub mod simulated;
