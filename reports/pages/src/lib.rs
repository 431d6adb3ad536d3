//! The report, the comparison, the setup list and the exports: pure functions from judged runs to text.

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod comparison;
pub mod export;
pub mod report;
pub mod setup_list;
