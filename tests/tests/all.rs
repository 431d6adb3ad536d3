//! Every end-to-end test, outside reference and layer check, in one binary.

mod chance;
mod faulty;
mod files;
mod fuzz;
mod invariants;
mod layers;
mod night;
mod nights;
mod program;
mod rig;
mod shards;
mod spd;
mod support;
mod verdicts;
