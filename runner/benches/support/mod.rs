//! Analytic eyes with keyed counting noise, for the capture tests and the capture bench.
//!
//! The errors of a point are a fixed function of cumulative bits (an arrival process) for (seed, lane, tap, Vref,
//! series), so every strategy sees the same silicon whatever it visits, and in whatever parts.

use super::strategy::{Sampler, visit_cost};
use contract::{DriverError, EyeCapabilities, FaultKind, PointCounts, PointRequest};
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Direction, EyeName, Grid, LanePoint, LaneSet, Point};
use nightbench_core::units::{Millivolts, Picoseconds};
use std::collections::BTreeMap;

/// Upper tail of the normal distribution. Numerical approximation with relative error below 1.2e-7 (Chebyshev
/// fit of erfc, common practice).
pub fn tail(x: f64) -> f64 {
    let z = x.abs() / std::f64::consts::SQRT_2;
    let t = 1.0 / (1.0 + 0.5 * z);
    let series = [
        -1.26551223,
        1.00002368,
        0.37409196,
        0.09678418,
        -0.18628806,
        0.27886807,
        -1.13520398,
        1.48851587,
        -0.82215223,
        0.17087277,
    ];
    let sum = series.iter().rev().fold(0.0, |sum, c| sum * t + c);
    let erfc = t * (-z * z + sum).exp();
    if x >= 0.0 { 0.5 * erfc } else { 1.0 - 0.5 * erfc }
}

/// A rectangle of (tap, Vref step), both ends included.
#[derive(Debug, Clone, Copy)]
pub struct Patch {
    pub taps: (u16, u16),
    pub steps: (u16, u16),
    /// BER inside it.
    pub ber: f64,
}

/// One lane's eye: half-width shrinking with the distance from the centre Vref, Gaussian edges.
#[derive(Debug, Clone)]
pub struct LaneEye {
    pub tap: f64,
    pub vref: f64,
    /// Half-width at the centre Vref, taps from the centre to BER 0.25 of one edge.
    pub half_taps: f64,
    /// Half-height in Vref steps, where the width has shrunk to zero.
    pub half_steps: f64,
    /// Shape exponent: 1 diamond, 2 ellipse-like.
    pub shape: f64,
    /// Tilt of the eye, taps a Vref step.
    pub tilt: f64,
    /// Edge sigma, taps.
    pub sigma: f64,
    /// Weight and sigma (taps) of rare large jitter.
    pub rare: (f64, f64),
    /// BER that no point goes below.
    pub floor: f64,
    pub patches: Vec<Patch>,
}

impl LaneEye {
    pub fn new(tap: f64, vref: f64, half_taps: f64, half_steps: f64) -> LaneEye {
        LaneEye {
            tap,
            vref,
            half_taps,
            half_steps,
            shape: 2.0,
            tilt: 0.0,
            sigma: 1.3,
            rare: (0.0, 1.0),
            floor: 0.0,
            patches: Vec::new(),
        }
    }
    pub fn ber(&self, point: Point) -> f64 {
        let (tap, vref) = (point.tap, point.vref);
        for patch in &self.patches {
            if (patch.taps.0..=patch.taps.1).contains(&tap) && (patch.steps.0..=patch.steps.1).contains(&vref)
            {
                return patch.ber;
            }
        }
        self.smooth_ber(f64::from(tap), f64::from(vref))
    }
    /// The eye without its patches, between the points of the grid too.
    pub fn smooth_ber(&self, tap: f64, vref: f64) -> f64 {
        let up = vref - self.vref;
        let half = self.half_taps * (1.0 - (up.abs() / self.half_steps).powf(self.shape));
        let x = tap - self.tap - self.tilt * up;
        let edges = |sigma: f64| 0.5 * (tail((half + x) / sigma) + tail((half - x) / sigma));
        let ber = edges(self.sigma) + self.rare.0 * edges(self.rare.1) + self.floor;
        ber.clamp(0.0, 0.5)
    }
}

/// A device with one analytic eye a lane.
pub struct Eyes {
    pub capabilities: EyeCapabilities,
    pub operating: Vec<LanePoint>,
    pub seed: u64,
    ber: Vec<f64>,
    lanes: usize,
    /// Bench seconds spent.
    pub clock_s: f64,
    pub visits: u64,
    /// Longest list so far, seconds.
    pub longest_list_s: f64,
    last_vref: Option<u16>,
    /// Errors added to a series of a point, from bit 1 on: glitches. Key (tap, Vref, lane, series).
    pub glitches: BTreeMap<(u16, u16, u16, u32), u64>,
    /// The call that fails, and how.
    pub fail_at_call: Option<(u32, FaultKind)>,
    pub calls: u32,
    /// Shift of the eye, taps a bench second.
    pub drift_taps_a_second: f64,
    pub eyes: Vec<LaneEye>,
}

impl Eyes {
    pub fn new(taps: u16, steps: u16, eyes: Vec<LaneEye>, seed: u64) -> Eyes {
        let grid = Grid {
            taps,
            vref_steps: steps,
            tap_step: Picoseconds(10.0),
            vref_start: Millivolts(300.0),
            vref_step: Millivolts(8.0),
            ui: Picoseconds(320.0),
            vddq: Millivolts(1200.0),
        };
        let lanes = eyes.len();
        let mut ber = Vec::with_capacity(grid.len() * lanes);
        for index in 0..grid.len() {
            ber.extend(eyes.iter().map(|eye| eye.ber(grid.point(index))));
        }
        let place = |at: f64, length: u16| (at.round().max(0.0) as u16).min(length - 1);
        let operating =
            eyes.iter().map(|eye| LanePoint { tap: place(eye.tap, taps), vref: place(eye.vref, steps) });
        Eyes {
            capabilities: EyeCapabilities {
                eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
                grid,
                lanes: LaneSet::first(lanes as u16),
                compared_bits_per_second: 5e9,
                visit_overhead_s: 0.5e-3,
                vref_settle_s: 0.2e-3,
                early_stop: true,
                fewest_bits: 64,
            },
            operating: operating.collect(),
            seed,
            ber,
            lanes,
            clock_s: 0.0,
            visits: 0,
            longest_list_s: 0.0,
            last_vref: None,
            glitches: BTreeMap::new(),
            fail_at_call: None,
            calls: 0,
            drift_taps_a_second: 0.0,
            eyes,
        }
    }

    pub fn lane_numbers(&self) -> Vec<u16> {
        (0..self.lanes as u16).collect()
    }

    /// The same eyes with a fresh clock.
    pub fn reset(&mut self) {
        (self.clock_s, self.visits, self.longest_list_s) = (0.0, 0, 0.0);
        (self.last_vref, self.calls) = (None, 0);
    }

    fn arrivals(&self, point: Point, lane: u16, series: u32) -> Arrivals {
        let ber = if self.drift_taps_a_second == 0.0 {
            self.ber[self.capabilities.grid.index(point) * self.lanes + usize::from(lane)]
        } else {
            let mut eye = self.eyes[usize::from(lane)].clone();
            eye.tap += self.drift_taps_a_second * self.clock_s;
            eye.ber(point)
        };
        let key = [u64::from(point.tap), u64::from(point.vref), u64::from(lane), u64::from(series)]
            .iter()
            .fold(self.seed, |key, part| mix(key ^ part.wrapping_mul(0x9e37_79b9_7f4a_7c15)));
        let burst = self.glitches.get(&(point.tap, point.vref, lane, series)).copied().unwrap_or(0);
        Arrivals { key, ber, burst }
    }

    /// Seconds of one visit now, and moves the clock on.
    fn spend(&mut self, point: Point, bits: u64) {
        let changes = self.last_vref != Some(point.vref);
        self.last_vref = Some(point.vref);
        self.clock_s += visit_cost(&self.capabilities).seconds(bits, changes);
        self.visits += 1;
    }

    /// Visits one point as the device does: until the lanes asked for are decided.
    pub fn visit(&mut self, request: &PointRequest) -> PointCounts {
        let table = request.rule.table();
        let most = request.bits_before + request.most_bits;
        let before = |lane: usize| request.errors_before.get(lane).copied().unwrap_or(0);
        let mut end = if self.capabilities.early_stop { request.bits_before + 1 } else { most };
        if self.capabilities.early_stop {
            for lane in request.lanes.iter() {
                let arrivals = self.arrivals(request.point, lane, request.series);
                let decided =
                    arrivals.decided_at(&table, request.bits_before, before(usize::from(lane)), most);
                end = end.max(decided.min(most));
                if end >= most {
                    break;
                }
            }
        }
        let errors = (0..self.lanes)
            .map(|lane| {
                let arrivals = self.arrivals(request.point, lane as u16, request.series);
                let total = arrivals.upto(end);
                let old = before(lane);
                if request.bits_before > 0 && self.drift_taps_a_second == 0.0 {
                    assert_eq!(
                        arrivals.upto(request.bits_before),
                        old,
                        "counts before must be the device's own: {request:?}"
                    );
                }
                total.saturating_sub(old).min(end - request.bits_before)
            })
            .collect();
        let bits = end - request.bits_before;
        self.spend(request.point, bits);
        PointCounts { bits, errors }
    }
}

impl Sampler for Eyes {
    fn sample(&mut self, points: &[PointRequest]) -> Result<Vec<PointCounts>, DriverError> {
        self.calls += 1;
        if let Some((call, kind)) = self.fail_at_call
            && call == self.calls
        {
            return Err(DriverError::new(kind, "as the test asked for"));
        }
        let start = self.clock_s;
        let answers = points.iter().map(|request| self.visit(request)).collect();
        self.longest_list_s = self.longest_list_s.max(self.clock_s - start);
        Ok(answers)
    }
}

/// A hash of 64 bits.
fn mix(z: u64) -> u64 {
    SplitMix64::new(z).next_u64()
}

/// Errors of one lane at one point as a function of bits.
struct Arrivals {
    key: u64,
    ber: f64,
    burst: u64,
}

/// Arrivals drawn one by one; beyond them whole blocks are drawn.
const SINGLE: u64 = 40;

impl Arrivals {
    fn uniform(&self, k: u64) -> f64 {
        (mix(self.key ^ mix(k)) >> 11) as f64 / (1u64 << 53) as f64 + 0.5 / (1u64 << 53) as f64
    }
    fn gap(&self, k: u64) -> u64 {
        if self.ber <= 0.0 {
            return u64::MAX / 128;
        }
        (-self.uniform(k).ln() / self.ber).ceil().clamp(1.0, 1e17) as u64
    }
    /// Errors in the first `bits` bits.
    fn upto(&self, bits: u64) -> u64 {
        let (mut at, mut errors) = (0u64, 0u64);
        while errors < SINGLE {
            at = at.saturating_add(self.gap(errors));
            if at > bits {
                return (errors + self.burst).min(bits);
            }
            errors += 1;
        }
        // Blocks of doubling length with a rounded normal count, filled evenly.
        let (mut start, mut length, mut block) = (at, at.max(64), 1000u64);
        loop {
            let mean = self.ber * length as f64;
            let normal = (-2.0 * self.uniform(block).ln()).sqrt()
                * (std::f64::consts::TAU * self.uniform(block + 1)).cos();
            let count =
                (mean + (mean * (1.0 - self.ber)).sqrt() * normal).round().max(0.0).min(length as f64);
            if bits - start < length {
                let share = (bits - start) as f64 / length as f64;
                return (errors + (count * share) as u64 + self.burst).min(bits);
            }
            errors += count as u64;
            start += length;
            length *= 2;
            block += 2;
        }
    }
    /// First length above `bits` at which the counts are decided; at most `most`.
    fn decided_at(
        &self,
        table: &nightbench_core::point_rule::DecisionTable,
        bits: u64,
        before: u64,
        most: u64,
    ) -> u64 {
        let mut errors = before;
        let mut at = bits;
        if bits == 0 && self.burst > 0 {
            errors = self.burst;
            at = self.burst;
            if table.decide(at, errors).is_some() {
                return at;
            }
        }
        // The arrivals up to `bits` are in `before`.
        let mut next = 0u64;
        let mut arrival = self.gap(0);
        while arrival <= bits && next < SINGLE {
            next += 1;
            arrival = arrival.saturating_add(self.gap(next));
        }
        loop {
            if at > 0 && table.decide(at, errors).is_some() {
                return at;
            }
            if let Some(&look) = usize::try_from(errors).ok().and_then(|row| table.looks().get(row))
                && look < arrival
            {
                return look.max(at).min(most);
            }
            if arrival > most || next >= SINGLE {
                return most;
            }
            at = arrival;
            errors += 1;
            next += 1;
            arrival = arrival.saturating_add(self.gap(next));
        }
    }
}
