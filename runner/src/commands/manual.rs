//! `completions` and `manual`: what a shell and `man` are to know of the command line.

use crate::cli::Cli;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::Terminal;
use clap::CommandFactory;
use std::path::Path;

/// Prints the completions of a shell.
pub fn completions(terminal: &Terminal, shell: clap_complete::Shell) -> Outcome {
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), "nightbench", &mut text);
    terminal.out(String::from_utf8_lossy(&text).trim_end());
    Ok(Exit::Pass)
}

/// Writes a manual page for the program and each of its commands.
pub fn manual(terminal: &Terminal, dir: &Path) -> Outcome {
    let unwritten = |error: std::io::Error| Failure::new(Exit::Store, format!("{}: {error}", dir.display()));
    std::fs::create_dir_all(dir).map_err(unwritten)?;
    clap_mangen::generate_to(Cli::command(), dir).map_err(unwritten)?;
    terminal.note(&format!("written: {}", dir.display()));
    Ok(Exit::Pass)
}
