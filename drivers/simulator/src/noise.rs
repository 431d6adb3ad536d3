//! Counting noise: the errors of a point are a fixed function of the bits compared so far.
//!
//! Errors of one lane at one point form a Bernoulli process of the point's bit error ratio, keyed by (seed, job,
//! direction, rank, lane, tap, Vref step, series). However the bits are cut into visits, by whichever thread and in
//! whichever order, the count after n bits is the same. The first errors are placed one by one (geometric gaps), so
//! that a sequential rule ends at the exact bit; beyond them the process starts anew and is counted in blocks of
//! doubling length, which keeps a dirty lane cheap beside a clean one.

use nightbench_core::point_rule::PointRule;
use rand_chacha::ChaCha8Rng;
use rand_core::SeedableRng;
use rand_distr::{Binomial, Distribution, Open01, StandardNormal};
use std::sync::OnceLock;

/// Errors that are placed one by one.
const PLACED: usize = 48;
/// Bits of the first block after the placed errors.
const FIRST_BLOCK: u64 = 8;
/// Largest population the exact hypergeometric draw is used for; beyond it a rounded normal with the same mean and
/// variance (its error is far below one count's effect on any decision, which the placed errors have taken by then).
const EXACT_POPULATION: u64 = 1 << 14;

/// The noise of one captured eye.
#[derive(Clone)]
pub struct Noise {
    base: ChaCha8Rng,
}

/// Errors of one lane at one point.
pub struct LaneErrors {
    rng: ChaCha8Rng,
    ber: f64,
    /// ln(1 - BER): every gap needs it.
    ln_good: f64,
    /// Bit numbers (from 1) of the first errors, ascending.
    placed: Vec<u64>,
    /// No further error is placed: the next would lie beyond any count asked for, or `PLACED` are there.
    closed: bool,
}

impl Noise {
    /// The noise that belongs to a key (see [`super::draws::key`]).
    pub fn new(key: [u8; 32]) -> Noise {
        Noise { base: ChaCha8Rng::from_seed(key) }
    }

    /// Errors of a lane at (tap, Vref step) in a series (0 = measuring, above = re-tests).
    pub fn lane(&self, lane: u16, tap: u16, vref: u16, series: u32, ber: f64) -> LaneErrors {
        let mut rng = self.base.clone();
        let place = u64::from(lane & 0xff) | u64::from(tap & 0xfff) << 8 | u64::from(vref & 0xfff) << 20;
        rng.set_stream(place | u64::from(series) << 32);
        rng.set_word_pos(0);
        let ber = ber.clamp(0.0, 1.0);
        LaneErrors { rng, ber, ln_good: (-ber).ln_1p(), placed: Vec::new(), closed: false }
    }
}

impl LaneErrors {
    /// Places the next error; `false` when all single errors are placed.
    fn place(&mut self) -> bool {
        if self.closed || self.placed.len() >= PLACED || self.ber <= 0.0 {
            self.closed = true;
            return false;
        }
        let draw: f64 = Open01.sample(&mut self.rng);
        let gap = if self.ber >= 1.0 { 1.0 } else { (draw.ln() / self.ln_good).floor() + 1.0 };
        let last = self.placed.last().copied().unwrap_or(0);
        let next = if gap < 9e18 { last.saturating_add(gap as u64) } else { u64::MAX };
        if self.placed.len() == 4 {
            self.placed.reserve_exact(PLACED - 4);
        }
        self.placed.push(next);
        true
    }

    /// Bit number of the error after `errors` errors, if it is one of the placed ones.
    fn arrival(&mut self, errors: usize) -> Option<u64> {
        while self.placed.len() <= errors {
            if !self.place() {
                return None;
            }
        }
        Some(self.placed[errors])
    }

    /// Errors in the first `bits` bits.
    pub fn count(&mut self, bits: u64) -> u64 {
        let mut errors = 0;
        while let Some(at) = self.arrival(errors) {
            if at > bits {
                return errors as u64;
            }
            errors += 1;
        }
        match self.placed.last().copied() {
            Some(last) if self.ber > 0.0 => errors as u64 + self.blocks(bits - last),
            _ => errors as u64,
        }
    }

    /// Bits (of all visits together, at least `from`) after which the rule decides this lane, given nothing else
    /// than its errors. A lane that was decided at fewer bits and is open again at `from`, because the visit ran on
    /// and met an error, is followed from `from`.
    pub fn decided_at(&mut self, rule: &PointRule, from: u64) -> u64 {
        let most = rule.most_bits().max(from);
        let mut errors = if from == 0 { 0 } else { self.count(from) };
        if from > 0 && rule.decide(from, errors).is_some() {
            return from;
        }
        loop {
            let passes = rule.pass_bits(errors).clamp(from, most);
            match self.arrival(errors as usize) {
                Some(at) if at <= passes => {
                    errors += 1;
                    if at > from && rule.decide(at, errors).is_some() {
                        return at;
                    }
                }
                Some(_) => return passes,
                None => break,
            }
        }
        if self.ber <= 0.0 {
            return rule.pass_bits(errors).clamp(from, most);
        }
        // More errors than are placed one by one: the count is monotone, so a bisection finds the decision.
        let (mut low, mut high) = (self.placed.last().copied().unwrap_or(0).max(from), most);
        while low + 1 < high {
            let middle = low + (high - low) / 2;
            let errors = self.count(middle);
            if rule.decide(middle, errors).is_some() { high = middle } else { low = middle }
        }
        high
    }

    /// The generator at a node's place. All single errors are placed by now: nothing else draws from it.
    fn node(&mut self, block: u32, index: u64) -> &mut ChaCha8Rng {
        // Placed errors use the first words of the stream; every node gets 64 words of its own far behind them.
        let node = (u128::from(block) + 1) << 48 | u128::from(index);
        self.rng.set_word_pos(node << 6 & ((1 << 68) - 1));
        &mut self.rng
    }

    /// Errors in the first `bits` bits behind the placed errors.
    fn blocks(&mut self, bits: u64) -> u64 {
        let (mut start, mut length, mut block, mut errors) = (0u64, FIRST_BLOCK, 0u32, 0u64);
        while start < bits {
            let ber = self.ber;
            let rng = self.node(block, 0);
            let count = Binomial::new(length, ber).map_or(0, |draw| draw.sample(rng));
            if start + length <= bits {
                errors += count;
            } else {
                errors += self.part(block, length, count, bits - start);
                break;
            }
            start += length;
            length = start;
            block += 1;
        }
        errors
    }

    /// Errors in the first `bits` of a block of `length` bits with `count` errors, by halving.
    fn part(&mut self, block: u32, mut length: u64, mut count: u64, mut bits: u64) -> u64 {
        let (mut index, mut errors) = (1u64, 0u64);
        while bits > 0 && count > 0 && bits < length {
            if count == length {
                return errors + bits;
            }
            let half = length / 2;
            let first = half_of(length, count, half, self.node(block, index));
            if bits >= half {
                errors += first;
                bits -= half;
                count -= first;
                length -= half;
                index = index * 2 + 1;
            } else {
                count = first;
                length = half;
                index *= 2;
            }
        }
        if bits >= length { errors + count } else { errors }
    }
}

/// Errors in the first `half` of `length` bits that hold `count` errors.
fn half_of(length: u64, count: u64, half: u64, rng: &mut ChaCha8Rng) -> u64 {
    let (least, most) = ((count + half).saturating_sub(length), count.min(half));
    if length <= EXACT_POPULATION {
        let draw: f64 = Open01.sample(rng);
        return hypergeometric(length, count, half, draw);
    }
    let (n, c, h) = (length as f64, count as f64, half as f64);
    let mean = c * h / n;
    let variance = mean * (1.0 - c / n) * (n - h) / (n - 1.0);
    let draw: f64 = StandardNormal.sample(rng);
    ((mean + draw * variance.sqrt()).round().max(0.0) as u64).clamp(least, most)
}

/// ln n! for n up to [`EXACT_POPULATION`].
fn ln_factorial(n: u64) -> f64 {
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        let mut sum = 0.0;
        std::iter::once(0.0)
            .chain((1..=EXACT_POPULATION).map(|n| {
                sum += (n as f64).ln();
                sum
            }))
            .collect()
    });
    table.get(n as usize).copied().unwrap_or(f64::INFINITY)
}

/// The hypergeometric value that a uniform draw selects when probabilities are laid out from the mode outwards:
/// marked ones among `sample` drawn of `total`, `marked` of them marked. Ends after at most the support's length.
fn hypergeometric(total: u64, marked: u64, sample: u64, draw: f64) -> u64 {
    let (least, most) = ((marked + sample).saturating_sub(total), marked.min(sample));
    let mode = ((sample + 1) * (marked + 1) / (total + 2)).clamp(least, most);
    let choose = |n: u64, k: u64| ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k);
    let at_mode =
        (choose(marked, mode) + choose(total - marked, sample - mode) - choose(total, sample)).exp();
    let mut rest = draw - at_mode;
    let (mut low, mut p_low) = (mode, at_mode);
    let (mut high, mut p_high) = (mode, at_mode);
    while rest > 0.0 && (low > least || high < most) {
        if high < most {
            let (k, n, m, t) = (high as f64, sample as f64, marked as f64, total as f64);
            p_high *= (m - k) * (n - k) / ((k + 1.0) * (t - m - n + k + 1.0));
            high += 1;
            rest -= p_high;
            if rest <= 0.0 {
                return high;
            }
        }
        if low > least {
            let (k, n, m, t) = (low as f64, sample as f64, marked as f64, total as f64);
            p_low *= k * (t - m - n + k) / ((m - k + 1.0) * (n - k + 1.0));
            low -= 1;
            rest -= p_low;
            if rest <= 0.0 {
                return low;
            }
        }
        if p_low + p_high < 1e-300 {
            break;
        }
    }
    mode
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn noise(seed: u8) -> Noise {
        Noise::new([seed; 32])
    }

    proptest! {
        /// Whatever the cuts, counts never fall, never rise by more than the bits added, and repeat exactly.
        #[test]
        fn the_count_is_a_fixed_monotone_function_of_bits(
            seed: u8, exponent in 0.4f64..7.0, cuts in proptest::collection::vec(1u64..200_000, 1..20)
        ) {
            let ber = 10f64.powf(-exponent);
            let mut lane = noise(seed).lane(3, 10, 20, 0, ber);
            let (mut bits, mut errors) = (0, 0);
            for cut in cuts {
                bits += cut;
                let now = lane.count(bits);
                prop_assert!(now >= errors && now - errors <= cut, "{errors} -> {now} in {cut} bits");
                prop_assert_eq!(now, noise(seed).lane(3, 10, 20, 0, ber).count(bits));
                errors = now;
            }
        }

        /// However a point is cut into visits, each ends where the rule decides the counts so far.
        #[test]
        fn a_continued_point_is_followed_from_where_it_stands(seed: u8, exponent in 2.5f64..4.5, from in 1u64..5_000) {
            let rule = PointRule::sequential(1e-3, 0.95);
            let mut lane = noise(seed).lane(0, 0, 0, 0, 10f64.powf(-exponent));
            let at = lane.decided_at(&rule, from);
            prop_assert!(at >= from);
            prop_assert!(rule.decide(at, lane.count(at)).is_some());
            for bits in from..at {
                prop_assert!(rule.decide(bits, lane.count(bits)).is_none(), "decided earlier, at {bits} of {at}");
            }
        }

        /// The decision falls exactly where the rule, fed bit by bit, would take it.
        #[test]
        fn the_decision_falls_at_the_exact_bit(seed: u8, exponent in 0.4f64..4.5) {
            let rule = PointRule::sequential(1e-3, 0.95);
            let mut lane = noise(seed).lane(0, 0, 0, 0, 10f64.powf(-exponent));
            let at = lane.decided_at(&rule, 0);
            prop_assert!(rule.decide(at, lane.count(at)).is_some());
            let open = (1..at).step_by(1 + at as usize / 200).chain([at - 1]);
            for bits in open.filter(|bits| *bits > 0) {
                prop_assert!(rule.decide(bits, lane.count(bits)).is_none(), "decided earlier, at {bits} of {at}");
            }
        }
    }

    /// Counts follow the binomial distribution: mean and variance of 4000 independent places within 5 standard errors,
    /// at counts below, around and far above the number of errors placed one by one.
    #[test]
    fn counts_are_binomial() {
        for (ber, bits) in [(1e-4, 5_000u64), (0.3, 8), (0.02, 3_000), (0.4, 3_000), (0.1, 100_003)] {
            let places = 4000u32;
            let counts: Vec<f64> = (0..places)
                .map(|i| noise(7).lane((i % 50) as u16, (i / 50) as u16, 1, 0, ber).count(bits) as f64)
                .collect();
            let mean = counts.iter().sum::<f64>() / f64::from(places);
            let variance =
                counts.iter().map(|count| (count - mean).powi(2)).sum::<f64>() / f64::from(places - 1);
            let (expected, spread) = (bits as f64 * ber, bits as f64 * ber * (1.0 - ber));
            assert!(
                (mean - expected).abs() < 5.0 * (spread / f64::from(places)).sqrt(),
                "mean at {ber}, {bits}"
            );
            assert!(
                (variance / spread - 1.0).abs()
                    < 5.0 * (2.0 / f64::from(places) + 1.0 / (spread * f64::from(places))).sqrt(),
                "variance at {ber}, {bits}: {variance} for {spread}"
            );
        }
    }

    /// Against the closed form: mean K n / N and variance, and the support, over all draws of a fine grid.
    #[test]
    fn the_hypergeometric_draw_has_the_right_moments_and_support() {
        for (total, marked, sample) in
            [(16, 5, 8), (16, 16, 8), (16, 0, 8), (1000, 999, 500), (16384, 40, 8192), (11, 7, 5)]
        {
            let draws = 20_000;
            let values: Vec<f64> = (0..draws)
                .map(|i| {
                    hypergeometric(total, marked, sample, (f64::from(i) + 0.5) / f64::from(draws)) as f64
                })
                .collect();
            let (t, m, n) = (total as f64, marked as f64, sample as f64);
            let mean = values.iter().sum::<f64>() / f64::from(draws);
            let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / f64::from(draws);
            let expected = n * m / t * (1.0 - m / t) * (t - n) / (t - 1.0);
            assert!((mean - n * m / t).abs() < 0.01, "{total} {marked} {sample}: mean {mean}");
            assert!(
                (variance - expected).abs() < 0.02 * (1.0 + expected),
                "{total} {marked} {sample}: {variance}"
            );
            assert!(values.iter().all(|value| *value <= m.min(n) && *value >= (m + n - t).max(0.0)));
        }
    }

    #[test]
    fn series_and_places_are_independent_and_extremes_hold() {
        let eye = noise(9);
        assert_ne!(eye.lane(0, 1, 2, 0, 0.01).count(100_000), eye.lane(0, 1, 2, 1, 0.01).count(100_000));
        assert_ne!(eye.lane(0, 1, 2, 0, 0.01).count(100_000), eye.lane(1, 1, 2, 0, 0.01).count(100_000));
        assert_eq!(eye.lane(0, 0, 0, 0, 0.0).count(u64::MAX), 0);
        assert_eq!(eye.lane(0, 0, 0, 0, 1.0).count(1_000_000), 1_000_000);
        let rule = PointRule::sequential(1e-6, 0.95);
        assert_eq!(eye.lane(0, 0, 0, 0, 0.0).decided_at(&rule, 0), rule.clean_bits());
    }

    /// Wald's test at the limit itself accepts 5 % and at a tenth of it rejects 5 % (approximately: Wald's bounds
    /// ignore the overshoot). Operating characteristic of the uncapped test: .051 at r = 1, .728 at .3, .976 at .1
    /// (computed elsewhere by simulation); the cap turns about a quarter of the doubtful r = .3 into fails.
    #[test]
    fn the_sequential_rule_keeps_its_risks() {
        let rule = PointRule::Sequential { limit: 1e-4, ratio: 10.0, alpha: 0.05, beta: 0.05, cap: 1000.0 };
        for (ratio, expected) in [(1.0, 0.051), (0.3, 0.728), (0.1, 0.976)] {
            let places = 6000u32;
            let passes = (0..places)
                .filter(|i| {
                    let mut lane = noise(3).lane((i % 64) as u16, (i / 64) as u16, 0, 0, ratio * 1e-4);
                    let at = lane.decided_at(&rule, 0);
                    rule.decide(at, lane.count(at)) == Some(nightbench_core::point_rule::Decision::Pass)
                })
                .count();
            let share = passes as f64 / f64::from(places);
            let error = (expected * (1.0 - expected) / f64::from(places)).sqrt();
            assert!((share - expected).abs() < 4.0 * error + 0.005, "{share} for {expected} at {ratio}");
        }
    }
}
