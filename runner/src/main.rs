//! The `nightbench` program.

fn main() -> std::process::ExitCode {
    runner::main()
}
