//! The device's control agent: messages (see `drivers/bench/AGENT.md`), connection, and the child process.

pub mod link;
pub mod messages;
pub(super) mod process;

pub use link::{AgentLink, Heartbeat};
