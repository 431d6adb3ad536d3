//! `gonogo`: a go/no-go test derived, run and kept under control.

mod derive;
mod lot;
mod run;

use crate::cli::GonogoCommand;
use crate::console::exit::Outcome;
use crate::console::terminal::Terminal;

/// Does what the command line asks.
pub fn gonogo(terminal: &Terminal, command: &GonogoCommand) -> Outcome {
    match command {
        GonogoCommand::Derive(arguments) => derive::derive(terminal, arguments),
        GonogoCommand::Run(arguments) => run::run(terminal, arguments),
        GonogoCommand::Lot(arguments) => lot::lot(terminal, arguments),
    }
}

/// A share in percent, for the terminal.
fn percent(share: f64) -> String {
    let value = 100.0 * share;
    if value < 1.0 { format!("{value:.3} %") } else { format!("{value:.1} %") }
}
