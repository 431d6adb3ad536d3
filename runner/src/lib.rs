//! Command line, execution, capture strategy and store: everything that touches files, clock and terminal.
//!
//! [`commands`] does what [`cli`] understood: [`inputs`] reads the plan, [`forecast`] orders it, [`run`] drives the target
//! with the points that [`capture`] asks for, [`store`] keeps what was counted, and [`evaluate`] makes the judged run and
//! its page from the store alone.

pub mod capture;
pub mod cli;
pub mod commands;
pub mod console;
pub mod evaluate;
pub mod folder;
pub mod forecast;
pub mod inputs;
pub mod line;
pub mod run;
pub mod store;

/// Reads the command line, does what it asks, and gives the exit code.
pub fn main() -> std::process::ExitCode {
    // Clap itself ends with 2 on wrong usage and 0 on --help and --version.
    let cli = <cli::Cli as clap::Parser>::parse();
    std::process::ExitCode::from(commands::dispatch(cli).code())
}
