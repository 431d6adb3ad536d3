//! The simulated target: a laptop stand-in for the bench.

pub mod assembly;
pub mod draws;
pub mod model_table;
pub mod noise;
pub mod physics;
mod silicon;
mod stages;
pub mod target;
pub mod touchstone;

#[cfg(test)]
mod tests;
