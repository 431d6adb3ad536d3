//! The program under test: the same entry point as `nightbench`, built where the end-to-end tests can find it.

fn main() -> std::process::ExitCode {
    runner::main()
}
