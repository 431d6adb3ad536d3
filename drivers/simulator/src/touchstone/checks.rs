//! What is doubtful about measured data: gain, direction, phase steps, causality, range.

use super::matrix::Matrix;
use super::through::Through;
use super::{MOST_PORTS, Touchstone};
use nightbench_core::devices::PortPairing;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};
use std::fmt;

/// Largest singular value beyond 1 that is put down to rounding in the file.
const ROUNDING: f64 = 1e-6;
/// Difference between the two directions beyond which a channel is called non-reciprocal.
const DIRECTION: f64 = 0.01;
/// Part of the impulse response's energy that may come before its cause.
const EARLY_ENERGY: f64 = 0.01;

/// A line of copper passes more than this at the lowest frequency, |S|.
const LEAST_PASSED: f64 = 0.5;

/// A warning about the data; it is used all the same.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// More power out than in.
    NotPassive {
        /// Largest singular value of the scattering matrix.
        gain: f64,
        /// Where, Hz.
        frequency_hz: f64,
    },
    /// The two directions differ, which copper and laminate cannot do.
    NotReciprocal {
        /// Largest |Sij - Sji|.
        difference: f64,
        /// Where, Hz.
        frequency_hz: f64,
    },
    /// Another pairing passes more at the lowest frequency, or this one passes too little for a line.
    Pairing {
        used: PortPairing,
        /// What each pairing passes at the lowest frequency, |S|.
        passes: [f64; 3],
    },
    /// No point at 0 Hz: levels are extrapolated.
    NoDirectCurrent {
        /// Lowest frequency, Hz.
        lowest_hz: f64,
    },
    /// The phase turns by more than 180 degrees between points: the delay cannot be told.
    PhaseStep {
        /// Estimated step in degrees.
        step_degrees: f64,
        /// Where, Hz.
        frequency_hz: f64,
    },
    /// The response comes before its cause.
    NotCausal {
        /// Part of the impulse response's energy before time 0.
        early_energy: f64,
    },
    /// The data ends below what the fastest rate needs.
    TooShort {
        /// Highest frequency, Hz.
        highest_hz: f64,
        /// Wanted highest frequency, Hz.
        wanted_hz: f64,
        /// Rate that wants it, bit/s.
        rate_bps: f64,
    },
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Warning::NotPassive { gain, frequency_hz } => write!(
                f,
                "not passive: the largest singular value is {gain:.6} at {} GHz, more than 1; check the calibration",
                frequency_hz / 1e9
            ),
            Warning::NotReciprocal { difference, frequency_hz } => write!(
                f,
                "not reciprocal: the two directions differ by {difference:.3} at {} GHz; check the port order",
                frequency_hz / 1e9
            ),
            Warning::Pairing { used, passes } => {
                let all = PortPairing::ALL.iter().zip(passes);
                let all: Vec<String> =
                    all.map(|((name, _), passes)| format!("{name} passes {passes:.3}")).collect();
                write!(
                    f,
                    "pairing {} passes {:.3} at the lowest frequency (a line passes more than {LEAST_PASSED}): check which \
                     ports belong together ({})",
                    used.name(),
                    passes[*used as usize],
                    all.join(", ")
                )
            }
            Warning::NoDirectCurrent { lowest_hz } => write!(
                f,
                "no point at 0 Hz: levels are extrapolated on straight lines from the two lowest points, from {} MHz",
                lowest_hz / 1e6
            ),
            Warning::PhaseStep { step_degrees, frequency_hz } => write!(
                f,
                "the phase turns by about {step_degrees:.0} degrees a step at {} GHz, more than 180: the delay cannot be \
                 told; measure with a finer frequency step",
                frequency_hz / 1e9
            ),
            Warning::NotCausal { early_energy } => write!(
                f,
                "not causal: {:.1} % of the impulse response's energy comes before its cause (limit {} %); check the \
                 de-embedding and the reference planes",
                early_energy * 100.0,
                EARLY_ENERGY * 100.0
            ),
            Warning::TooShort { highest_hz, wanted_hz, rate_bps } => write!(
                f,
                "too short: the data ends at {} GHz, {:.0} MT/s wants {} GHz (five times half the rate); above the end \
                 magnitudes are held",
                highest_hz / 1e9,
                rate_bps / 1e6,
                wanted_hz / 1e9
            ),
        }
    }
}

/// Doubts about the whole network.
#[must_use]
pub fn check_data(data: &Touchstone) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let largest = |value: &dyn Fn(&Matrix) -> f64| {
        data.scattering
            .iter()
            .zip(&data.frequency_hz)
            .map(|(matrix, f)| (value(matrix), *f))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap_or((0.0, 0.0))
    };
    let (gain, frequency_hz) = largest(&Matrix::largest_singular_value);
    if gain > 1.0 + ROUNDING {
        warnings.push(Warning::NotPassive { gain, frequency_hz });
    }
    let (difference, frequency_hz) = largest(&|matrix| {
        let pairs = (0..MOST_PORTS).flat_map(|i| (0..i).map(move |j| (i, j)));
        pairs.map(|(i, j)| (matrix.at(i, j) - matrix.at(j, i)).norm()).fold(0.0, f64::max)
    });
    if difference > DIRECTION {
        warnings.push(Warning::NotReciprocal { difference, frequency_hz });
    }
    warnings
}

/// Doubts about one line taken out with `pairing`, to be used up to `fastest_bps` bit/s.
///
/// * Range: data up to five times half the data rate is wanted (rule of thumb for resonances on DDR channels).
/// * Phase step: the delay is taken from the finest steps; a step that this delay turns by more than 180 degrees, or a
///   phase that turns forwards on the whole, leaves the delay open.
/// * Causality, where the phase allows: the transmission is brought to a uniform grid from 0 Hz, weighted with a raised
///   cosine to its highest frequency and transformed to time; the energy earlier than two reciprocals of the highest
///   frequency before 0 must stay below 1 %. A simple check: it finds time advance and wrong reference planes, not a
///   slightly wrong loss law.
#[must_use]
pub fn check_through(
    data: &Touchstone,
    pairing: PortPairing,
    through: &Through,
    fastest_bps: f64,
) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if data.ports > 2 {
        let passes = PortPairing::ALL.map(|(_, pairing)| data.passes(pairing));
        let own = passes[pairing as usize];
        if own < LEAST_PASSED || passes.iter().any(|other| *other > own) {
            warnings.push(Warning::Pairing { used: pairing, passes });
        }
    }
    if let Some(lowest_hz) = through.frequency_hz.first().copied().filter(|lowest| *lowest > 0.0) {
        warnings.push(Warning::NoDirectCurrent { lowest_hz });
    }
    let open = phase_step(through);
    let delay_is_open = open.is_some();
    warnings.extend(open);
    if !delay_is_open {
        warnings.extend(
            early_energy(through)
                .filter(|part| *part > EARLY_ENERGY)
                .map(|early_energy| Warning::NotCausal { early_energy }),
        );
    }
    let highest_hz = through.frequency_hz.last().copied().unwrap_or(0.0);
    let wanted_hz = 2.5 * fastest_bps;
    if highest_hz < wanted_hz {
        warnings.push(Warning::TooShort { highest_hz, wanted_hz, rate_bps: fastest_bps });
    }
    warnings
}

/// The step that turns too far, if one does.
fn phase_step(through: &Through) -> Option<Warning> {
    let delay = through.delay_s()?;
    let (at, width) = through
        .frequency_hz
        .windows(2)
        .filter_map(|f| match f {
            [f0, f1] => Some((*f0, f1 - f0)),
            _ => None,
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let step = TAU * delay * width;
    if step > PI {
        return Some(Warning::PhaseStep { step_degrees: step.to_degrees(), frequency_hz: at });
    }
    // Turning forwards by more than a tenth of a turn a step is either an advance in time or, far likelier, a step of
    // more than half a turn backwards.
    let finest = through.phase_steps().iter().map(|(_, width, _)| *width).fold(f64::INFINITY, f64::min);
    let forwards = -TAU * delay * finest;
    if forwards > 0.1 * TAU {
        return Some(Warning::PhaseStep { step_degrees: 360.0 - forwards.to_degrees(), frequency_hz: at });
    }
    None
}

/// Part of the impulse response's energy that comes before time 0; `None` where the line cannot be used at all.
fn early_energy(through: &Through) -> Option<f64> {
    /// Samples of 1/(2 f_max) before time 0 that the weighting may smear into.
    const GUARD: usize = 4;
    let measured = through.to_measured().ok()?;
    let highest = measured.highest_hz();
    let finest = through
        .frequency_hz
        .windows(2)
        .filter_map(|f| match f {
            [f0, f1] => Some(f1 - f0),
            _ => None,
        })
        .fold(f64::INFINITY, f64::min);
    let bins = ((highest / finest).ceil() as usize).clamp(64, 8192);
    let mut spectrum = vec![Complex64::new(0.0, 0.0); 2 * bins];
    for k in 0..bins {
        let part = k as f64 / bins as f64;
        let value = measured.at(part * highest).s21 * (0.5 + 0.5 * (PI * part).cos());
        spectrum[k] = value;
        if k > 0 {
            spectrum[2 * bins - k] = value.conj();
        }
    }
    FftPlanner::new().plan_fft_inverse(2 * bins).process(&mut spectrum);
    let energy = |samples: &[Complex64]| samples.iter().map(|h| h.re * h.re).sum::<f64>();
    let total = energy(&spectrum);
    let early = energy(spectrum.get(bins..2 * bins - GUARD)?);
    (total > 0.0).then(|| early / total)
}
