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

use std::io::Write;

/// Reads the command line, does what it asks, and gives the exit code.
pub fn main() -> std::process::ExitCode {
    let cli = <cli::Cli as clap::Parser>::try_parse().unwrap_or_else(|error| {
        // A program that asks for JSON gets an object whatever is refused.
        if error.exit_code() != 0 && std::env::args_os().any(|word| word == "--json") {
            let refused = serde_json::json!({ "refused": error.to_string(), "exit_code": error.exit_code() });
            // Nobody may be reading.
            let _ = writeln!(std::io::stdout(), "{refused}");
        }
        // Clap ends with 2 on wrong usage and 0 on --help and --version.
        error.exit()
    });
    std::process::ExitCode::from(commands::dispatch(cli).code())
}
