//! Error ratio without jitter: probability mass function of the interference, then the noise.
//!
//! Interference terms are split over neighbouring bins of a 2 mV grid so that their mean is kept; the variance this adds
//! is taken off the Gaussian. Terms below half a bin go to the Gaussian whole. The mass function is cumulated first and
//! the Gaussian, convolved with the bounded noise, is applied only at the bins that the thresholds need.

use super::kernels::Kernels;
use super::pattern::CodedEvent;
use crate::wide::{BLOCK, TO_WHOLE, add_scaled, exp, ln, moved_sums, wide};

/// Bin width of the mass function, V.
pub const BIN_V: f64 = 2e-3;
/// Smallest error ratio that is told apart; anything below reads as this.
pub const FLOOR_BER: f64 = 1e-100;

/// Thresholds that a tail is looked up for at a time.
const AT_ONCE: usize = 8;

/// Probability mass function on bins of `bin` volts, with the moments that belong to the Gaussian.
#[derive(Debug, Clone)]
pub struct Mass {
    bin: f64,
    /// Zeros but for the `size` values from `first` on: a pass reads beyond both ends.
    values: Vec<f64>,
    first: usize,
    size: usize,
    /// As long, and zeros where `values` has none but zeros.
    spare: Vec<f64>,
    /// Bin number of the first value.
    start: isize,
    /// Mean of the terms too small for the grid.
    shift: f64,
    /// Variance of the terms too small for the grid, less what splitting added.
    variance: f64,
    /// Alike on both sides of zero.
    symmetric: bool,
}

impl Mass {
    /// All mass at zero.
    #[must_use]
    pub fn new(bin_v: f64) -> Self {
        let (values, spare) = (vec![1.0], vec![0.0]);
        Mass {
            bin: bin_v,
            values,
            first: 0,
            size: 1,
            spare,
            start: 0,
            shift: 0.0,
            variance: 0.0,
            symmetric: true,
        }
    }

    fn values(&self) -> &[f64] {
        &self.values[self.first..][..self.size]
    }

    /// Back to all mass at zero, keeping the memory.
    pub fn reset(&mut self) {
        self.take(&[1.0]);
        self.start = 0;
        self.shift = 0.0;
        self.variance = 0.0;
        self.symmetric = true;
    }

    /// Takes over another mass function.
    pub fn copy_from(&mut self, other: &Mass) {
        self.take(other.values());
        (self.bin, self.start, self.shift) = (other.bin, other.start, other.shift);
        (self.variance, self.symmetric) = (other.variance, other.symmetric);
    }

    /// These values in place of its own.
    fn take(&mut self, values: &[f64]) {
        for memory in [&mut self.values, &mut self.spare] {
            memory[self.first..][..self.size].fill(0.0);
        }
        self.size = values.len();
        if self.values.len() < self.size {
            self.values.resize(self.size, 0.0);
            self.spare.resize(self.size, 0.0);
        }
        self.first = (self.values.len() - self.size) / 2;
        self.values[self.first..][..self.size].copy_from_slice(values);
    }

    /// Room for so many zeros on both sides of the values.
    fn make_room(&mut self, zeros: usize) {
        if self.first >= zeros && self.values.len() - self.first - self.size >= zeros {
            return;
        }
        // Twice as many: the next term asks for as many more.
        let mut wider = vec![0.0; self.size + 4 * zeros];
        wider[2 * zeros..][..self.size].copy_from_slice(self.values());
        self.spare = vec![0.0; wider.len()];
        (self.values, self.first) = (wider, 2 * zeros);
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
        // The zeros on both sides let one pass gather the four shifted copies.
        let more = reach + 1;
        self.make_room(2 * more);
        let count = self.size + 2 * more;
        let from = self.first - 2 * more;
        let copy = |shift: usize| &self.values[from + shift..][..count];
        let (low, low_near, high_near, high) = (copy(0), copy(1), copy(2 * more - 1), copy(2 * more));
        let spare = &mut self.spare[self.first - more..][..count];
        wide(
            #[inline(always)]
            || {
                for place in 0..count {
                    spare[place] =
                        far * (low[place] + high[place]) + near * (low_near[place] + high_near[place]);
                }
            },
        );
        (self.first, self.size) = (self.first - more, count);
        self.start -= more as isize;
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
        self.symmetric = false;
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
        let mut sum = vec![0.0; self.size + count - 1];
        for (offset, weight) in kernel.iter().enumerate() {
            if *weight > 0.0 {
                add_scaled(&mut sum[offset..][..self.size], self.values(), *weight);
            }
        }
        self.start += first;
        self.take(&sum);
    }

    /// Adds a small term of this variance.
    pub fn add_variance(&mut self, variance: f64) {
        self.variance += variance;
    }

    /// Mirrors the mass function at zero.
    pub fn mirror(&mut self) {
        self.values[self.first..][..self.size].reverse();
        self.start = -(self.start + self.size as isize - 1);
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
    /// The tail itself, of the bins that were summed.
    tails: Vec<f64>,
    /// The mass around these, with zeros where there is none.
    padded: Vec<f64>,
}

impl Tail {
    /// Fills the tail for arguments between `low` and `high` volts. The noise is that of `kernels`, whose Gaussian the
    /// mass function corrects; their bins are the mass function's.
    pub fn fill(&mut self, mass: &Mass, kernels: &Kernels, low: f64, high: f64) {
        let bin = mass.bin;
        let half = kernels.half(mass.sigma(kernels.noise_v()));
        let reach = half.len() as isize - 1;
        let last = mass.start + mass.size as isize - 1;
        self.bin = bin;
        self.shift = mass.shift;
        // Four neighbours serve the cubic; beyond the support the tail is 0 or 1 and needs no bins.
        let first_needed = ((low - mass.shift) / bin).floor() as isize - 1;
        let last_needed = ((high - mass.shift) / bin).floor() as isize + 2;
        let from = first_needed.clamp(mass.start - reach - 2, last + reach + 2);
        let to = last_needed.clamp(from, last + reach + 2).max(from + 1);
        self.start = from;
        // Below zero a symmetric tail is one less that above.
        let (begin, end) = match mass.symmetric {
            true if to < 0 => (-to, -from),
            true => (from.max(0), to.max(-from)),
            false => (from, to),
        };
        self.sum(mass, &half, begin, end);
        let (tails, logs) = (&self.tails, &mut self.logs);
        logs.clear();
        logs.push(NO_VALUE);
        let mirrored = if mass.symmetric { (-from).clamp(0, to - from + 1) } else { 0 };
        let at = |bin: isize| (bin - begin) as usize;
        if mirrored > 0 {
            let least = -from - mirrored + 1;
            logs.extend(tails[at(least)..=at(-from)].iter().rev().map(|tail| 1.0 - tail));
        }
        if from + mirrored <= to {
            logs.extend_from_slice(&tails[at(from + mirrored)..=at(to)]);
        }
        let values = &mut logs[1..];
        wide(
            #[inline(always)]
            || values.iter_mut().for_each(|value| *value = ln(value.clamp(FLOOR_BER, 1.0))),
        );
        logs.push(NO_VALUE);
    }

    /// P(X + noise > bin) of the bins from `begin` to `end`; `half`: P(noise > n bins).
    fn sum(&mut self, mass: &Mass, half: &[f64], begin: isize, end: isize) {
        let reach = half.len() as isize - 1;
        let (values, size) = (mass.values(), mass.size);
        let count = (end - begin + 1) as usize;
        // The mass above a bin, and half of that in it; noise then moves mass across.
        cumulate(values, &mut self.upper);
        let first = begin + 1 - mass.start;
        let before = ((-first).max(0) as usize).min(count);
        let source = (first.max(0) as usize).min(size);
        let within = (size - source).min(count - before);
        let rounded = count.next_multiple_of(BLOCK);
        self.tails.clear();
        self.tails.resize(before, self.upper[0]);
        self.tails.extend_from_slice(&self.upper[source..source + within]);
        self.tails.resize(rounded, 0.0);
        // The window of a block of bins is one run of the mass with zeros around it.
        self.padded.clear();
        self.padded.resize(rounded + 2 * reach as usize, 0.0);
        let last = mass.start + size as isize - 1;
        let (first, end) = ((begin - reach).max(mass.start), (end + reach).min(last));
        if first <= end {
            let length = (end - first + 1) as usize;
            let (at, source) = ((first - begin + reach) as usize, (first - mass.start) as usize);
            self.padded[at..at + length].copy_from_slice(&values[source..source + length]);
        }
        let (padded, tails) = (&self.padded, &mut self.tails);
        wide(
            #[inline(always)]
            || {
                for (block, out) in tails.chunks_exact_mut(BLOCK).enumerate() {
                    let window = &padded[block * BLOCK..];
                    let sums = moved_sums(half, window);
                    let own = &window[reach as usize..][..BLOCK];
                    for place in 0..BLOCK {
                        out[place] += 0.5 * own[place] + sums[place];
                    }
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
                let mut ends = [0.0; AT_ONCE];
                ends[1] = last;
                let ends = shares(logs, share, last, &ends);
                for (row, thresholds) in row.chunks_mut(AT_ONCE).zip(thresholds.chunks(AT_ONCE)) {
                    // The last few thresholds are filled up by the first of them.
                    let few =
                        || std::array::from_fn(|at| thresholds.get(at).copied().unwrap_or(thresholds[0]));
                    let eight: [f64; AT_ONCE] = thresholds.first_chunk().copied().unwrap_or_else(few);
                    let mut places = eight;
                    for place in &mut places {
                        *place = ((u(*place) - shift) * per_bin - start).clamp(0.0, last);
                    }
                    // Most thresholds lie beyond the bins on one side.
                    let all_at = |end: f64| places.iter().fold(true, |all, place| all & (*place == end));
                    let tails = match () {
                        () if all_at(0.0) => [ends[0]; AT_ONCE],
                        () if all_at(last) => [ends[1]; AT_ONCE],
                        () => shares(logs, share, last, &places),
                    };
                    match row.first_chunk_mut::<AT_ONCE>() {
                        Some(eight) => {
                            for place in 0..AT_ONCE {
                                eight[place] += tails[place];
                            }
                        }
                        None => row.iter_mut().zip(tails).for_each(|(out, tail)| *out += tail),
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

/// `share` of the tail at places of `logs`, 0 to `last`.
#[inline(always)]
fn shares(logs: &[f64], share: f64, last: f64, places: &[f64; AT_ONCE]) -> [f64; AT_ONCE] {
    // The bin below: half a bin less, to the nearest.
    let mut below = *places;
    below.iter_mut().for_each(|place| *place = (*place - 0.5).clamp(0.0, last - 1.0) + TO_WHOLE);
    let (mut a, mut b, mut c, mut d) = ([0.0; AT_ONCE], [0.0; AT_ONCE], [0.0; AT_ONCE], [0.0; AT_ONCE]);
    for place in 0..AT_ONCE {
        let bin = (below[place].to_bits() & 0xffff_ffff) as usize;
        if let Some(four) = logs.get(bin..).and_then(|rest| rest.first_chunk()) {
            [a[place], b[place], c[place], d[place]] = *four;
        }
    }
    let mut tails = [0.0; AT_ONCE];
    for place in 0..AT_ONCE {
        let t = places[place] - (below[place] - TO_WHOLE);
        let [a, b, c, d] = [a[place], b[place], c[place], d[place]];
        let linear = b + t * (c - b);
        let log = if d.min(a) > LINEAR_BELOW { cubic(a, b, c, d, t) } else { linear };
        tails[place] = share * exp(log.min(0.0));
    }
    tails
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

/// Adds to `terms` the coupling terms of every cursor, of lines with these weights; gives the variance of those cursors that have none but
/// terms too small for bins of `bin_v`.
pub fn add_coupling(terms: &mut Vec<f64>, coupled: &[f64], weights: &[f64], bin_v: f64) -> f64 {
    let (mut largest, mut square) = (0.0_f64, 0.0);
    for weight in weights {
        largest = largest.max(weight.abs());
        square += weight * weight;
    }
    let mut small = 0.0;
    for x in coupled {
        if x.abs() * largest < 0.5 * bin_v {
            small += x * x;
        } else {
            terms.extend(weights.iter().map(|weight| weight * x));
        }
    }
    small * square
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
