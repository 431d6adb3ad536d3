//! Command line, execution, capture strategy and store.

pub mod again;
pub mod bench_clock;
pub mod bench_run;
pub mod capture;
pub mod capture_hours;
pub mod cli;
pub mod clock;
pub mod commands;
pub mod digests;
pub mod execute;
pub mod exit;
pub mod eye_page;
pub mod fit_check;
pub mod fitted;
pub mod fitting_list;
pub mod folder_facts;
pub mod forecast;
pub mod hands;
pub mod judging;
pub mod merge;
pub mod merge_clock;
pub mod named_files;
pub mod night;
pub mod notes;
pub mod patience;
pub mod pictures;
pub mod plan_file;
pub mod progress;
pub mod room;
pub mod run_folder;
pub mod shard;
pub mod signals;
pub mod store;
pub mod term_sets;
pub mod terminal;
pub mod timeline;

/// Reads the command line, does what it asks, and gives the exit code.
pub fn main() -> std::process::ExitCode {
    // Clap itself ends with 2 on wrong usage and 0 on --help and --version.
    let cli = <cli::Cli as clap::Parser>::parse();
    std::process::ExitCode::from(commands::dispatch(cli).code())
}
