//! The simulated target: a laptop stand-in for the bench.
//!
//! [`assembly`] turns the plan's words into a channel, [`physics`] gives the bit error ratio of every point of the eye,
//! `silicon` says how parts differ, `stages` trains as firmware does, [`noise`] counts errors, and
//! [`target::SimulatedTarget`] puts them behind the driver contract, with a virtual clock; `wide` is arithmetic on whole rows.
//!
//! Invariant: every draw is a fixed function of names and seed ([`draws`]); no result depends on the order of calls.
//! Invariant: most figures are fitted estimates; `drivers/simulator/MODEL.md` says which, with unit, range and source.

pub mod assembly;
mod attempt;
pub mod draws;
pub mod effects_table;
pub mod fitting;
pub mod model_table;
pub mod noise;
pub mod nominal;
pub mod physics;
mod silicon;
mod stages;
pub mod target;
pub mod touchstone;
mod wide;

#[cfg(test)]
mod tests;
