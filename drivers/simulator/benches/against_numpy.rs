//! The model against tests/numpy/surface.py on the same 72 lanes, one core each, in the same run: ratio of times and
//! largest difference.
//!
//! `NIGHTBENCH_PYTHON` names a Python with numpy; default `python3`. Without one the bench says so and ends.

use nightbench_core::devices::BusKind;
use nightbench_core::results::Direction;
use simulator::physics::{
    BitDraws, BitVariation, Link, OperatingPoint, Parameters, Path, PhysicsError, Setup,
};
use std::fmt::Write;
use std::process::Command;
use std::time::Instant;

/// Runs of the model; the fastest counts, as for any deterministic work on a shared machine.
const RUNS: usize = 5;

fn lanes(p: &Parameters) -> Vec<BitVariation> {
    (0..72)
        .map(|i| {
            let z = |k: f64| 2.0 * ((f64::from(i) * 0.618_033_988_749_895 + k * 0.37).fract() - 0.5);
            let draws = BitDraws {
                impedance: z(1.0),
                capacitance: z(2.0),
                length: z(3.0),
                bit_skew: z(4.0),
                lane_skew: z(5.0),
                offset: z(6.0),
                delay_drift: z(7.0),
                nonlinearity_turn: z(8.0).abs(),
            };
            BitVariation::from_draws(p, Direction::Read, &draws)
        })
        .collect()
}

fn surfaces(setup: &Setup, bits: &[BitVariation]) -> Result<Vec<Vec<f64>>, PhysicsError> {
    let link = Link::new(setup.clone())?;
    bits.iter().map(|bit| Ok(link.lane(bit)?.surface())).collect()
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let p = Parameters::ddr4();
    let bits = lanes(&p);
    let setup =
        Setup::read(p, Path::direct(BusKind::Unbuffered), OperatingPoint::calibrated(3.2e9, 25.0, 1.2));
    let mut table = String::new();
    for bit in &bits {
        writeln!(
            table,
            "{:e},{:e},{:e},{:e},{:e},{:e}",
            bit.z_scale, bit.c_scale, bit.extra_length_m, bit.skew_s, bit.offset_v, bit.inl_phase_rad
        )?;
    }
    let csv = std::env::temp_dir().join(format!("nightbench-lanes-{}.csv", std::process::id()));
    std::fs::write(&csv, table)?;
    let python = std::env::var("NIGHTBENCH_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/numpy/surface.py");
    let output = Command::new(&python).arg(script).arg(&csv).env("OMP_NUM_THREADS", "1").output();
    std::fs::remove_file(&csv)?;
    let output = match output {
        Ok(output) if output.status.success() => String::from_utf8(output.stdout)?,
        Ok(output) => {
            println!("{python} failed (numpy missing?): {}", String::from_utf8_lossy(&output.stderr));
            return Ok(());
        }
        Err(error) => {
            println!("{python}: {error}; set NIGHTBENCH_PYTHON to a Python with numpy");
            return Ok(());
        }
    };
    let mut fastest = f64::MAX;
    let mut values = Vec::new();
    for _ in 0..RUNS {
        let begin = Instant::now();
        values = surfaces(&setup, &bits)?;
        fastest = fastest.min(begin.elapsed().as_secs_f64());
    }
    let (mut numpy_s, mut largest, mut compared) = (f64::NAN, 0.0f64, 0);
    for line in output.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        match words.as_slice() {
            ["seconds", seconds] => numpy_s = seconds.parse()?,
            ["value", lane, tap, step, ber] => {
                let (lane, tap, step): (usize, usize, usize) = (lane.parse()?, tap.parse()?, step.parse()?);
                let (here, there) = (values[lane][tap * 64 + step], ber.parse::<f64>()?);
                // Where nothing can be counted a difference means nothing.
                if here.max(there) > 1e-15 {
                    largest = largest.max((here / there - 1.0).abs());
                    compared += 1;
                }
            }
            _ => {}
        }
    }
    println!(
        "72 lanes x 64 taps x 64 steps, one core: {fastest:.3} s (fastest of {RUNS}); numpy {numpy_s:.2} s"
    );
    println!("ratio {:.1}", numpy_s / fastest);
    println!("largest relative difference over {compared} values above 1e-15: {largest:.4}");
    Ok(())
}
