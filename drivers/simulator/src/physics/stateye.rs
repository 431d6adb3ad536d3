//! Error ratio without jitter: probability mass function of the interference, then the noise.
//!
//! Interference terms are split over neighbouring bins of a 2 mV grid so that their mean is kept; the variance this adds
//! is taken off the Gaussian. Terms below half a bin go to the Gaussian whole. The mass function is cumulated first and
//! the Gaussian, convolved with the bounded noise, is applied only at the bins that the thresholds need.

use super::kernels::Kernels;
use super::pattern::CodedEvent;
use fearless_simd::{Level, Simd};

/// Bin width of the mass function, V.
pub const BIN_V: f64 = 2e-3;
/// Smallest error ratio that is told apart; anything below reads as this.
pub const FLOOR_BER: f64 = 1e-100;
/// Places that are summed at a time.
pub(super) const BLOCK: usize = 8;

/// Probability mass function on bins of `bin` volts, with the moments that belong to the Gaussian.
#[derive(Debug, Clone)]
pub struct Mass {
    bin: f64,
    values: Vec<f64>,
    spare: Vec<f64>,
    padded: Vec<f64>,
    /// Bin number of the first value.
    start: isize,
    /// Mean of the terms too small for the grid.
    shift: f64,
    /// Variance of the terms too small for the grid, less what splitting added.
    variance: f64,
}

impl Mass {
    /// All mass at zero.
    #[must_use]
    pub fn new(bin_v: f64) -> Self {
        Mass {
            bin: bin_v,
            values: vec![1.0],
            spare: Vec::new(),
            padded: Vec::new(),
            start: 0,
            shift: 0.0,
            variance: 0.0,
        }
    }

    /// Back to all mass at zero, keeping the memory.
    pub fn reset(&mut self) {
        self.values.clear();
        self.values.push(1.0);
        self.start = 0;
        self.shift = 0.0;
        self.variance = 0.0;
    }

    /// Takes over another mass function.
    pub fn copy_from(&mut self, other: &Mass) {
        self.values.clear();
        self.values.extend_from_slice(&other.values);
        (self.bin, self.start, self.shift, self.variance) =
            (other.bin, other.start, other.shift, other.variance);
    }

    /// Adds a term that is +`size` or -`size` volts with equal probability.
    pub fn add_pair(&mut self, size: f64) {
        let size = size.abs();
        if size < 0.5 * self.bin {
            self.variance += size * size;
            return;
        }
        let scaled = size / self.bin;
        let reach = scaled as usize;
        let part = scaled - reach as f64;
        self.variance -= part * (1.0 - part) * self.bin * self.bin;
        let (near, far) = (0.5 * (1.0 - part), 0.5 * part);
        let old = self.values.len();
        // Zeros on both sides let one pass gather the four shifted copies.
        let span = 2 * (reach + 1);
        self.padded.clear();
        self.padded.resize(old + 2 * span, 0.0);
        self.padded[span..span + old].copy_from_slice(&self.values);
        let count = old + span;
        let (outer, inner) = (&self.padded[..count], &self.padded[1..]);
        let (outer_far, inner_far) = (&self.padded[span..span + count], &self.padded[span - 1..]);
        self.spare.clear();
        self.spare.resize(count, 0.0);
        let spare = self.spare.as_mut_slice();
        wide(
            #[inline(always)]
            || {
                let outer = outer.iter().zip(outer_far).map(|(a, b)| far * (a + b));
                let inner = inner.iter().zip(inner_far).map(|(a, b)| near * (a + b));
                for (out, (a, b)) in spare.iter_mut().zip(outer.zip(inner)) {
                    *out = a + b;
                }
            },
        );
        self.start -= reach as isize + 1;
        std::mem::swap(&mut self.values, &mut self.spare);
    }

    /// Adds a term that takes the values (volts, probability) of `atoms`; probabilities add up to 1.
    pub fn add_atoms(&mut self, atoms: impl Iterator<Item = (f64, f64)> + Clone) {
        let (mut mean, mut square, mut low, mut high) = (0.0, 0.0, 0.0_f64, 0.0_f64);
        for (value, probability) in atoms.clone() {
            mean += probability * value;
            square += probability * value * value;
            low = low.min(value);
            high = high.max(value);
        }
        if high.max(-low) < 0.5 * self.bin {
            self.shift += mean;
            self.variance += square - mean * mean;
            return;
        }
        let first = (low / self.bin).floor() as isize;
        let count = ((high / self.bin).floor() as isize - first + 2) as usize;
        let mut kernel = vec![0.0; count];
        for (value, probability) in atoms {
            let scaled = value / self.bin;
            let whole = scaled.floor();
            let part = scaled - whole;
            let at = (whole as isize - first) as usize;
            kernel[at] += probability * (1.0 - part);
            kernel[at + 1] += probability * part;
            self.variance -= probability * part * (1.0 - part) * self.bin * self.bin;
        }
        let old = self.values.len();
        self.spare.clear();
        self.spare.resize(old + count - 1, 0.0);
        for (offset, weight) in kernel.iter().enumerate() {
            if *weight > 0.0 {
                add_scaled(&mut self.spare[offset..offset + old], &self.values, *weight);
            }
        }
        self.start += first;
        std::mem::swap(&mut self.values, &mut self.spare);
    }

    /// Adds a small term of this variance.
    pub fn add_variance(&mut self, variance: f64) {
        self.variance += variance;
    }

    /// Mirrors the mass function at zero.
    pub fn mirror(&mut self) {
        self.values.reverse();
        self.start = -(self.start + self.values.len() as isize - 1);
        self.shift = -self.shift;
    }

    /// Deviation of the Gaussian that goes with this mass function for receiver noise `noise_v`: the noise plus the
    /// small terms less the splitting, at least half the noise.
    #[must_use]
    pub fn sigma(&self, noise_v: f64) -> f64 {
        (noise_v * noise_v + self.variance).max(0.25 * noise_v * noise_v).sqrt()
    }
}

/// Runs `work` compiled for the widest vectors that this processor has. What is computed is the same to the last bit: no sum is taken in
/// another order, and nothing is fused.
#[inline]
pub(super) fn wide<R>(work: impl FnOnce() -> R) -> R {
    fearless_simd::dispatch!(Level::new(), simd => simd.vectorize(work))
}

/// Sums of `source` under the kernel, for [`BLOCK`] places one after the other: `source` is that much longer than the
/// kernel, less one.
#[inline(always)]
pub(super) fn weighted_sums(kernel: &[f64], source: &[f64]) -> [f64; BLOCK] {
    let mut sums = [0.0; BLOCK];
    for (at, weight) in kernel.iter().enumerate() {
        // A length that is known lets the sums stay in registers.
        let Some(part) = source.get(at..).and_then(|rest| rest.first_chunk::<BLOCK>()) else { break };
        for place in 0..BLOCK {
            sums[place] += weight * part[place];
        }
    }
    sums
}

/// Adds `weight` times `from` to `to`, place by place.
pub(super) fn add_scaled(to: &mut [f64], from: &[f64], weight: f64) {
    for (t, f) in to.iter_mut().zip(from) {
        *t += weight * f;
    }
}

/// Natural logarithm of the upper tail P(X + noise > u) on the bins of a [`Mass`].
#[derive(Debug, Clone, Default)]
pub struct Tail {
    bin: f64,
    shift: f64,
    /// Bin number of the first value.
    start: isize,
    logs: Vec<f64>,
    /// Tail at the last bin.
    beyond: f64,
    upper: Vec<f64>,
    kernel: Vec<f64>,
    /// The mass around the bins wanted, with zeros where there is none.
    padded: Vec<f64>,
}

impl Tail {
    /// Fills the tail for arguments between `low` and `high` volts. The noise is that of `kernels`, whose Gaussian the
    /// mass function corrects; their bins are the mass function's.
    pub fn fill(&mut self, mass: &Mass, kernels: &Kernels, low: f64, high: f64) {
        let bin = mass.bin;
        let half = kernels.half(mass.sigma(kernels.noise_v()));
        let reach = half.len() as isize - 1;
        let last = mass.start + mass.values.len() as isize - 1;
        self.bin = bin;
        self.shift = mass.shift;
        // Four neighbours serve the cubic; beyond the support the tail is 0 or 1 and needs no bins.
        let first_needed = ((low - mass.shift) / bin).floor() as isize - 1;
        let last_needed = ((high - mass.shift) / bin).floor() as isize + 2;
        let from = first_needed.clamp(mass.start - reach - 2, last + reach + 2);
        let to = last_needed.clamp(from, last + reach + 2);
        self.start = from;

        // P(X >= bin) summed from the top.
        self.upper.clear();
        self.upper.resize(mass.values.len() + 1, 0.0);
        let mut sum = 0.0;
        for (slot, value) in self.upper.iter_mut().zip(&mass.values).rev() {
            sum += value;
            *slot = sum;
        }
        self.kernel.clear();
        // kernel[n + reach] = P(noise > -n bins)
        self.kernel.extend(half.iter().rev().take(reach as usize));
        self.kernel.extend(half.iter().map(|tail| 1.0 - tail));
        if let Some(middle) = self.kernel.get_mut(reach as usize) {
            *middle = 0.5;
        }

        self.logs.clear();
        for bin_number in from..=to {
            // Everything above the kernel's reach exceeds for certain.
            let index = (bin_number + reach + 1 - mass.start).clamp(0, mass.values.len() as isize) as usize;
            self.logs.push(self.upper[index]);
        }
        // Bin j takes mass bin j + n: the window of a block of bins is one run of the mass with zeros around it.
        let count = self.logs.len();
        self.padded.clear();
        self.padded.resize(count.next_multiple_of(BLOCK) + 2 * reach as usize, 0.0);
        let (first, end) = ((from - reach).max(mass.start), (to + reach).min(last));
        if first <= end {
            let length = (end - first + 1) as usize;
            let (at, source) = ((first - from + reach) as usize, (first - mass.start) as usize);
            self.padded[at..at + length].copy_from_slice(&mass.values[source..source + length]);
        }
        let (kernel, padded, logs) = (&self.kernel, &self.padded, &mut self.logs);
        wide(
            #[inline(always)]
            || {
                for (block, out) in logs.chunks_mut(BLOCK).enumerate() {
                    let sums = weighted_sums(kernel, &padded[block * BLOCK..]);
                    for (out, sum) in out.iter_mut().zip(sums) {
                        *out += sum;
                    }
                }
            },
        );
        for value in &mut self.logs {
            *value = value.clamp(FLOOR_BER, 1.0).ln();
        }
        self.beyond = self.logs.last().map_or(FLOOR_BER, |log| log.exp());
    }

    /// P(X + noise > u): cubic in the logarithm between bins, linear next to the floor.
    #[must_use]
    pub fn at(&self, u: f64) -> f64 {
        let place = (u - self.shift) / self.bin - self.start as f64;
        let last = self.logs.len() as f64 - 1.0;
        if place <= 0.0 {
            return self.logs.first().map_or(1.0, |log| log.exp());
        }
        if place >= last {
            return self.beyond;
        }
        let i = place as usize;
        let t = place - i as f64;
        let (b, c) = (self.logs[i], self.logs[i + 1]);
        let log = match (i.checked_sub(1).and_then(|before| self.logs.get(before)), self.logs.get(i + 2)) {
            (Some(a), Some(d)) if d.min(*a) > LINEAR_BELOW => cubic(*a, b, c, *d, t),
            _ => b + t * (c - b),
        };
        log.min(0.0).exp()
    }
}

/// Next to the floor the logarithm jumps and a cubic would overshoot: ln 1e-60.
const LINEAR_BELOW: f64 = -138.155_105_579_642_74;

/// Lagrange cubic through four equidistant points, between the middle two.
fn cubic(a: f64, b: f64, c: f64, d: f64, t: f64) -> f64 {
    let (t1, t2, t3) = (t + 1.0, t - 1.0, t - 2.0);
    -a * t * t2 * t3 / 6.0 + b * t1 * t2 * t3 / 2.0 - c * t1 * t * t3 / 2.0 + d * t1 * t * t2 / 6.0
}

/// Interference of one phase in volts (amplitude already applied).
#[derive(Debug, Clone, Default)]
pub struct Interference {
    /// Main cursor.
    pub main: f64,
    /// The lane's own other cursors.
    pub own: Vec<f64>,
    /// Coupling response at all cursors for weight 1, the main one first.
    pub coupled: Vec<f64>,
}

/// Fills `mass` with the sum of equally likely +- terms, smallest first so that the support stays short for longest.
/// Leaves in `terms` only those that went on the grid: most coupling terms are small, and sorting them would take
/// longer than the rest.
pub fn fill_random(mass: &mut Mass, terms: &mut Vec<f64>) {
    mass.reset();
    terms.retain(|term| {
        let small = term.abs() < 0.5 * mass.bin;
        if small {
            mass.add_pair(*term);
        }
        !small
    });
    terms.sort_unstable_by(|a, b| a.abs().total_cmp(&b.abs()));
    for term in terms {
        mass.add_pair(*term);
    }
}

/// Fills the mass functions of the interference for a sent 1 (mirrored, so that positive closes the eye) and a sent 0
/// under a coded byte, where the victim and its aggressors depend on each other within a unit interval.
///
/// `interference.own[i]` and `interference.coupled[i + 1]` have to belong to the same unit interval.
pub fn fill_coded(
    one: &mut Mass,
    zero: &mut Mass,
    interference: &Interference,
    events: &[CodedEvent],
    probability_one: f64,
) {
    zero.reset();
    let others = interference.coupled.iter().skip(1);
    for (own, coupled) in interference.own.iter().zip(others) {
        zero.add_atoms(events.iter().map(|e| (own * e.victim + coupled * e.coupled, e.probability)));
    }
    one.copy_from(zero);
    one.mirror();
    let now = interference.coupled.first().copied().unwrap_or(0.0);
    let given = |sign: f64, probability: f64| {
        events
            .iter()
            .filter(move |e| e.victim * sign > 0.0)
            .map(move |e| (-sign * now * e.coupled, e.probability / probability))
    };
    one.add_atoms(given(1.0, probability_one));
    zero.add_atoms(given(-1.0, 1.0 - probability_one));
}
