//! Starts the emulated bench on loopback and writes its bench file:
//! `cargo run -p emulator --example emulated_bench -- PLAN BENCH_FILE [TIME_SCALE] [STORM_RATE] [FIRST_PORT]`.

use emulator::{EmulatedBench, EmulatedOptions};
use plan::Plan;
use std::io::BufRead;
use std::process::ExitCode;

fn main() -> ExitCode {
    match start() {
        Ok(()) => ExitCode::SUCCESS,
        Err(words) => {
            eprintln!("{words}");
            ExitCode::from(2)
        }
    }
}

fn start() -> Result<(), String> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (Some(plan), Some(file)) = (arguments.first(), arguments.get(1)) else {
        return Err("usage: emulated_bench PLAN BENCH_FILE [TIME_SCALE] [STORM_RATE] [FIRST_PORT]".into());
    };
    let number = |index: usize, default: f64| match arguments.get(index) {
        Some(text) => text.parse::<f64>().map_err(|error| format!("`{text}`: {error}")),
        None => Ok(default),
    };
    let (time_scale, storm_rate, port) = (number(2, 600.0)?, number(3, 0.0)?, number(4, 0.0)?);
    let text = std::fs::read_to_string(plan).map_err(|error| format!("{plan}: {error}"))?;
    let plan = Plan::read(&text)
        .map_err(|mistakes| mistakes.iter().map(|one| one.message.clone()).collect::<Vec<_>>().join("\n"))?;
    let options = EmulatedOptions {
        plan,
        seed: 1,
        time_scale: time_scale.clamp(1.0, 1e6),
        storm_rate: storm_rate.clamp(0.0, 0.2),
        first_port: port.clamp(0.0, 65_000.0) as u16,
    };
    let bench = EmulatedBench::start(options).map_err(|error| error.to_string())?;
    std::fs::write(file, bench.bench_file()).map_err(|error| format!("{file}: {error}"))?;
    println!("emulated bench: {file}; an empty line or the end of the input ends it");
    let mut line = String::new();
    std::io::stdin().lock().read_line(&mut line).map_err(|error| error.to_string())?;
    for on in bench.world().still_on() {
        println!("still on: {on}");
    }
    Ok(())
}
