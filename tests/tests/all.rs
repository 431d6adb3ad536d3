//! Every end-to-end test, outside reference and layer check, in one binary.

mod bench_driver;
mod layers;
mod program;
mod scripted;
mod spd;
mod support;
