//! Generated captures for the tests: shapes with known answers and Gaussian eyes with known edges.
//!
//! Draws come from a seeded generator, so every figure is reproducible.

use nightbench_core::point_rule::PointRule;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{
    Capture, CaptureMode, Direction, EyeName, Grid, LanePoint, Point, Visit, VisitKind,
};
use nightbench_core::units::{Millivolts, Picoseconds};
use statistics::special::normal_sf;

/// Draws of the tests' distributions.
pub struct Draws(pub SplitMix64);

impl Draws {
    /// From a seed.
    pub fn new(seed: u64) -> Draws {
        Draws(SplitMix64::new(seed))
    }
    /// Uniform in (0, 1).
    pub fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }
    /// Standard normal (Box-Muller).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
    /// Binomial(bits, ber): exact gaps between errors for few errors, normal for many.
    pub fn binomial(&mut self, bits: u64, ber: f64) -> u64 {
        let mean = bits as f64 * ber;
        if mean > 200.0 {
            let drawn = mean + (mean * (1.0 - ber)).sqrt() * self.normal();
            return (drawn.round().max(0.0) as u64).min(bits);
        }
        let (mut at, mut errors) = (self.gap(ber), 0);
        while at <= bits as f64 {
            errors += 1;
            at += self.gap(ber);
        }
        errors
    }
    /// Bits up to and with the next error.
    pub(crate) fn gap(&mut self, ber: f64) -> f64 {
        (self.uniform().ln() / (-ber).ln_1p()).floor() + 1.0
    }
    /// Counts at the decision of a sequential rule.
    pub fn sequential(&mut self, rule: &PointRule, ber: f64) -> (u64, u64) {
        let (mut at, mut errors) = (0.0, 0u64);
        loop {
            let next = at + self.gap(ber);
            let pass_at = rule.pass_bits(errors);
            if next > pass_at as f64 {
                return (pass_at, errors);
            }
            (at, errors) = (next, errors + 1);
            if rule.decide(at as u64, errors).is_some() {
                return (at as u64, errors);
            }
        }
    }
}

/// An empty capture of `lanes` lanes: 2 ps a tap, 5 mV a step, 312.5 ps UI, 1200 mV VDDQ, operating in the middle.
pub fn capture(taps: u16, vref_steps: u16, lanes: u16, rule: PointRule) -> Capture {
    Capture {
        eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
        grid: Grid {
            taps,
            vref_steps,
            tap_step: Picoseconds(2.0),
            vref_start: Millivolts(600.0),
            vref_step: Millivolts(5.0),
            ui: Picoseconds(312.5),
            vddq: Millivolts(1200.0),
        },
        lanes: (0..lanes).collect(),
        operating: vec![LanePoint { tap: taps / 2, vref: vref_steps / 2 }; usize::from(lanes)],
        mode: CaptureMode::Raster,
        rule,
        visits: Vec::new(),
    }
}

/// One measuring visit.
pub fn visit(tap: u16, vref: u16, bits: u64, errors: &[u64]) -> Visit {
    Visit { point: Point { tap, vref }, kind: VisitKind::Measure, bits, errors: errors.to_vec() }
}

/// An eye bounded by Gaussian edges: BER = A [Q early + Q late + Q lower + Q upper], at most 0.5.
#[derive(Debug, Clone, Copy)]
pub struct GaussianEye {
    /// Amplitude A of every edge.
    pub amplitude: f64,
    /// Early edge mean, taps.
    pub early: f64,
    /// Late edge mean, taps.
    pub late: f64,
    /// Sigma of both, taps.
    pub sigma_taps: f64,
    /// Lower edge mean, Vref steps.
    pub lower: f64,
    /// Upper edge mean, Vref steps.
    pub upper: f64,
    /// Sigma of both, Vref steps.
    pub sigma_steps: f64,
}

impl GaussianEye {
    /// BER at a place of the grid.
    pub fn ber(&self, tap: f64, vref: f64) -> f64 {
        let sum = normal_sf((tap - self.early) / self.sigma_taps)
            + normal_sf((self.late - tap) / self.sigma_taps)
            + normal_sf((vref - self.lower) / self.sigma_steps)
            + normal_sf((self.upper - vref) / self.sigma_steps);
        (self.amplitude * sum).min(0.5)
    }
}

/// A full raster of `eyes`, one a lane. `bits`: a fixed length, or `None` for the capture's sequential rule.
pub fn raster(mut capture: Capture, eyes: &[GaussianEye], bits: Option<u64>, seed: u64) -> Capture {
    let mut draws = Draws::new(seed);
    let (taps, steps) = (capture.grid.taps, capture.grid.vref_steps);
    for vref in 0..steps {
        for tap in 0..taps {
            let bers: Vec<f64> = eyes.iter().map(|eye| eye.ber(f64::from(tap), f64::from(vref))).collect();
            let (bits, errors) = match bits {
                Some(bits) => (bits, bers.iter().map(|ber| draws.binomial(bits, *ber)).collect::<Vec<u64>>()),
                None => {
                    // All lanes run as long as the first lane's decision takes.
                    let (bits, first) = draws.sequential(&capture.rule, bers[0]);
                    let rest = bers[1..].iter().map(|ber| draws.binomial(bits, *ber));
                    (bits, std::iter::once(first).chain(rest).collect())
                }
            };
            capture.visits.push(visit(tap, vref, bits, &errors));
        }
    }
    capture
}
