//! Time of a full set of error-ratio surfaces: 72 lanes, 64 taps, 64 reference steps, on one core.

#[path = "../../../tests/speed/stopwatch.rs"]
mod stopwatch;

use nightbench_core::devices::BusKind;
use nightbench_core::results::Direction;
use simulator::physics::{
    BitDraws, BitVariation, Link, OperatingPoint, Parameters, Path, PhysicsError, Setup,
};
use stopwatch::time;

/// Bits with spread-out deviations: a golden-ratio sequence stands in for drawn numbers.
fn bits(p: &Parameters) -> Vec<BitVariation> {
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

fn surfaces(setup: &Setup, bits: &[BitVariation]) -> Result<f64, PhysicsError> {
    let link = Link::new(setup.clone())?;
    let mut sum = 0.0;
    for bit in bits {
        sum += link.lane(bit)?.surface().iter().sum::<f64>();
    }
    Ok(sum)
}

/// The part before the error ratios: transfer functions and pulses.
fn responses(setup: &Setup, bits: &[BitVariation]) -> Result<f64, PhysicsError> {
    let link = Link::new(setup.clone())?;
    let mut sum = 0.0;
    for bit in bits {
        sum += link.response(bit)?.h0;
    }
    Ok(sum)
}

/// The part before the jitter, over the phases that 64 taps reach.
fn without_jitter(setup: &Setup, bits: &[BitVariation]) -> Result<f64, PhysicsError> {
    let link = Link::new(setup.clone())?;
    let mut sum = 0.0;
    for bit in bits {
        let mut lane = link.lane(bit)?;
        for phase in -75..=75 {
            sum += lane.without_jitter(phase).iter().sum::<f64>();
        }
    }
    Ok(sum)
}

fn main() {
    let p = Parameters::ddr4();
    let bits = bits(&p);
    let at = |rate| OperatingPoint::calibrated(rate, 25.0, 1.2);
    let risers = Path { risers: 3, ..Path::direct(BusKind::Unbuffered) };
    let cases = [
        ("unbuffered 3200 direct", Path::direct(BusKind::Unbuffered), 3.2e9),
        ("unbuffered 2667, 3 risers", risers, 2.667e9),
    ];
    println!("72 lanes 64 x 64");
    for (name, path, rate) in cases {
        let setup = Setup::read(p.clone(), path, at(rate));
        time(name, || surfaces(&setup, &bits));
        time(&format!("{name}: responses only"), || responses(&setup, &bits));
        time(&format!("{name}: without jitter"), || without_jitter(&setup, &bits));
    }
}
