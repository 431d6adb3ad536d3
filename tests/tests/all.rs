//! Every end-to-end test, outside reference and layer check, in one binary.

mod bench_driver;
mod bench_hands;
mod bench_outside;
mod bench_paths;
mod bench_run;
mod chance;
mod faulty;
mod files;
mod fuzz;
mod invariants;
mod layers;
mod licences;
mod night;
mod nights;
mod program;
mod report;
mod rig;
mod schedule;
mod scpi_device;
mod scripted;
mod shards;
mod spd;
mod store_examples;
mod support;
mod target;
mod verdicts;
