//! Every end-to-end test, outside reference and layer check, in one binary.

mod layers;
mod program;
mod spd;
mod support;
mod verdicts;
