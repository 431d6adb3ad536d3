//! Error ratio without jitter: probability mass function of the interference, then the noise.
//!
//! Interference terms are split over neighbouring bins of a 2 mV grid so that their mean is kept; the variance this adds
//! is taken off the Gaussian. Terms below half a bin go to the Gaussian whole. The mass function is cumulated first and
//! the Gaussian, convolved with the bounded noise, is applied only at the bins that the thresholds need.

use super::kernels::Kernels;
use super::pattern::CodedEvent;
use crate::wide::{BLOCK, TO_WHOLE, add_scaled, exp, ln, weighted_sums, wide};

/// Bin width of the mass function, V.
pub const BIN_V: f64 = 2e-3;
/// Smallest error ratio that is told apart; anything below reads as this.
pub const FLOOR_BER: f64 = 1e-100;

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
        let count = old + span;
        self.padded.clear();
        self.padded.resize(span, 0.0);
        self.padded.extend_from_slice(&self.values);
        self.padded.resize(old + 2 * span, 0.0);
        self.spare.resize(count, 0.0);
        let (outer, inner) = (&self.padded[..count], &self.padded[1..][..count]);
        let (outer_far, inner_far) = (&self.padded[span..][..count], &self.padded[span - 1..][..count]);
        let spare = &mut self.spare[..count];
        wide(
            #[inline(always)]
            || {
                for place in 0..spare.len() {
                    spare[place] =
                        far * (outer[place] + outer_far[place]) + near * (inner[place] + inner_far[place]);
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

/// Natural logarithm of the upper tail P(X + noise > u) on the bins of a [`Mass`].
#[derive(Debug, Clone, Default)]
pub struct Tail {
    bin: f64,
    shift: f64,
    /// Bin number of the first value.
    start: isize,
    /// Behind a place in front of the first bin; another place follows the last one. Neither has a value.
    logs: Vec<f64>,
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
        let size = mass.values.len();
        let last = mass.start + size as isize - 1;
        self.bin = bin;
        self.shift = mass.shift;
        // Four neighbours serve the cubic; beyond the support the tail is 0 or 1 and needs no bins.
        let first_needed = ((low - mass.shift) / bin).floor() as isize - 1;
        let last_needed = ((high - mass.shift) / bin).floor() as isize + 2;
        let from = first_needed.clamp(mass.start - reach - 2, last + reach + 2);
        let to = last_needed.clamp(from, last + reach + 2).max(from + 1);
        self.start = from;

        self.kernel.clear();
        // kernel[n + reach] = P(noise > -n bins)
        self.kernel.extend(half.iter().rev().take(reach as usize));
        self.kernel.extend(half.iter().map(|tail| 1.0 - tail));
        if let Some(middle) = self.kernel.get_mut(reach as usize) {
            *middle = 0.5;
        }

        // Everything above the kernel's reach exceeds for certain: bin j begins with the mass from bin j + reach + 1 on.
        cumulate(&mass.values, &mut self.upper);
        let count = (to - from + 1) as usize;
        let first = from + reach + 1 - mass.start;
        let before = ((-first).max(0) as usize).min(count);
        let source = (first.max(0) as usize).min(size);
        let within = (size - source).min(count - before);
        self.logs.clear();
        self.logs.push(NO_VALUE);
        self.logs.resize(1 + before, self.upper[0]);
        self.logs.extend_from_slice(&self.upper[source..source + within]);
        self.logs.resize(1 + count, 0.0);
        self.logs.push(NO_VALUE);

        // Bin j takes mass bin j + n: the window of a block of bins is one run of the mass with zeros around it.
        self.padded.clear();
        self.padded.resize(count.next_multiple_of(BLOCK) + 2 * reach as usize, 0.0);
        let (first, end) = ((from - reach).max(mass.start), (to + reach).min(last));
        if first <= end {
            let length = (end - first + 1) as usize;
            let (at, source) = ((first - from + reach) as usize, (first - mass.start) as usize);
            self.padded[at..at + length].copy_from_slice(&mass.values[source..source + length]);
        }
        let (kernel, padded, logs) = (&self.kernel, &self.padded, &mut self.logs[1..=count]);
        wide(
            #[inline(always)]
            || {
                for (block, out) in logs.chunks_mut(BLOCK).enumerate() {
                    let sums = weighted_sums(kernel, &padded[block * BLOCK..]);
                    for (out, sum) in out.iter_mut().zip(sums) {
                        *out += sum;
                    }
                }
                for value in logs {
                    *value = ln(value.clamp(FLOOR_BER, 1.0));
                }
            },
        );
    }

    /// Adds `share` of P(X + noise > u) to a row, u of each of its thresholds. Between bins the logarithm is a cubic, linear next to the floor.
    pub fn add(&mut self, row: &mut [f64], share: f64, thresholds: &[f64], u: impl Fn(f64) -> f64) {
        let logs = self.logs.as_slice();
        let (per_bin, start, last) = (1.0 / self.bin, self.start as f64, (logs.len() - 3) as f64);
        let shift = self.shift;
        wide(
            #[inline(always)]
            || {
                for (row, thresholds) in row.chunks_mut(BLOCK).zip(thresholds.chunks(BLOCK)) {
                    let mut places = [0.0; BLOCK];
                    for (place, threshold) in places.iter_mut().zip(thresholds) {
                        *place = ((u(*threshold) - shift) * per_bin - start).clamp(0.0, last);
                    }
                    // The bin below: half a bin less, to the nearest.
                    let below = places.map(|place| (place - 0.5).clamp(0.0, last - 1.0) + TO_WHOLE);
                    let (mut a, mut b, mut c, mut d) =
                        ([0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK]);
                    for place in 0..BLOCK {
                        let bin = (below[place].to_bits() & 0xffff_ffff) as usize;
                        if let Some(four) = logs.get(bin..).and_then(|rest| rest.first_chunk()) {
                            [a[place], b[place], c[place], d[place]] = *four;
                        }
                    }
                    let mut tails = [0.0; BLOCK];
                    for place in 0..BLOCK {
                        let t = places[place] - (below[place] - TO_WHOLE);
                        let [a, b, c, d] = [a[place], b[place], c[place], d[place]];
                        let linear = b + t * (c - b);
                        let log = if d.min(a) > LINEAR_BELOW { cubic(a, b, c, d, t) } else { linear };
                        tails[place] = share * exp(log.min(0.0));
                    }
                    for (out, tail) in row.iter_mut().zip(tails) {
                        *out += tail;
                    }
                }
            },
        );
    }

    /// P(X + noise > u).
    #[must_use]
    pub fn at(&mut self, u: f64) -> f64 {
        let mut one = [0.0];
        self.add(&mut one, 1.0, &[u], |u| u);
        one[0]
    }
}

/// P(X >= bin) of every bin, summed from the top, and a zero behind the last one. Four parts are summed side by side: one sum alone waits for
/// each addition.
fn cumulate(mass: &[f64], upper: &mut Vec<f64>) {
    const PARTS: usize = 4;
    let size = mass.len();
    upper.clear();
    upper.resize(size + 1, 0.0);
    let part = size / PARTS;
    let mut sums = [0.0; PARTS];
    for step in (0..part).rev() {
        for (number, sum) in sums.iter_mut().enumerate() {
            *sum += mass[number * part + step];
            upper[number * part + step] = *sum;
        }
    }
    let mut above = 0.0;
    for place in (PARTS * part..size).rev() {
        above += mass[place];
        upper[place] = above;
    }
    for (number, sum) in sums.iter().enumerate().rev() {
        for value in &mut upper[number * part..(number + 1) * part] {
            *value += above;
        }
        above += sum;
    }
}

/// Stands beside the first and the last bin.
const NO_VALUE: f64 = f64::NEG_INFINITY;
/// Next to the floor the logarithm jumps and a cubic would overshoot: ln 1e-60.
const LINEAR_BELOW: f64 = -138.155_105_579_642_74;

/// Lagrange cubic through four equidistant points, between the middle two.
#[inline(always)]
fn cubic(a: f64, b: f64, c: f64, d: f64, t: f64) -> f64 {
    const SIXTH: f64 = 1.0 / 6.0;
    let (t1, t2, t3) = (t + 1.0, t - 1.0, t - 2.0);
    let (inner, outer) = (0.5 * t1 * t3, SIXTH * t * t2);
    inner * (b * t2 - c * t) + outer * (d * t1 - a * t3)
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
