//! Counts that a uniform draw selects: binomial and hypergeometric quantiles, fast rather than exact to the last digit.

use crate::wide::ln;

/// Variance from which a binomial quantile is taken by expansion instead of summing.
const EXPANDED_FROM: f64 = 30.0;
/// Variance from which half of a block's errors are taken as a rounded normal value.
const NORMAL_FROM: f64 = 16.0;
/// Bits an error from which the halves of a block are independent coins (variance true to a five-hundredth).
const SPARSE_FROM: u64 = 512;
/// Most errors that one word of coins serves.
const COINS: u64 = 64;

/// A word as a number within (0, 1), its least and largest value equally far from the ends.
#[inline(always)]
pub fn unit(word: u64) -> f64 {
    ((word >> 11) as f64 + 0.5) * (1.0 / (1u64 << 53) as f64)
}

/// To the nearest whole number, 0 at least.
fn rounded(value: f64) -> u64 {
    (value + 0.5) as u64
}

/// Standard-normal quantile, relative error below 1e-6 (Wichura, Algorithm AS 241, PPND7, Applied Statistics 37, 1988).
#[inline(always)]
pub fn normal_quantile(p: f64) -> f64 {
    let q = p - 0.5;
    let r = 0.180_625 - q * q;
    let central = q * (((59.109_374_720 * r + 159.291_132_02) * r + 50.434_271_938) * r + 3.387_132_717_9)
        / (((67.187_563_600 * r + 78.757_757_664) * r + 17.895_169_469) * r + 1.0);
    let root = (-ln(p.min(1.0 - p))).sqrt();
    let r = root - 1.6;
    let tail = (((0.170_238_210_3 * r + 1.306_728_481_6) * r + 2.756_815_390_0) * r + 1.423_437_277_7)
        / ((0.120_211_329_75 * r + 0.737_001_640_25) * r + 1.0);
    let r = root - 5.0;
    let far = (((0.017_337_203_997 * r + 0.428_682_943_37) * r + 3.081_226_386_0) * r + 6.657_905_115_0)
        / ((0.012_258_202_635 * r + 0.241_978_942_25) * r + 1.0);
    let outer = if root <= 5.0 { tail } else { far };
    if q.abs() <= 0.425 { central } else { outer.copysign(q) }
}

/// The number of errors in `bits` bits of error ratio `ber` that the uniform draw selects, whose normal quantile is `z`.
pub fn binomial(bits: u64, ber: f64, draw: f64, z: f64) -> u64 {
    // A little above a half, where closed eyes lie: the last bit of their ratio must decide nothing.
    if ber > 0.5 + 1e-9 {
        return bits - binomial(bits, 1.0 - ber, draw, z);
    }
    let mean = bits as f64 * ber;
    let variance = mean * (1.0 - ber);
    if variance < EXPANDED_FROM {
        return summed(bits, ber, draw);
    }
    // Cornish and Fisher's expansion (Abramowitz & Stegun 26.2.49, third and fourth cumulant), rounded.
    let spread = variance.sqrt();
    let skew = (1.0 - 2.0 * ber) / spread;
    let excess = (1.0 - 6.0 * ber * (1.0 - ber)) / variance;
    let value = z + skew * (z * z - 1.0) / 6.0 + excess * (z * z - 3.0) * z / 24.0
        - skew * skew * (2.0 * z * z - 5.0) * z / 36.0;
    // Sheppard: a lattice of whole counts widens what is rounded by 1/12.
    let narrowed = (variance - 1.0 / 12.0).max(0.0).sqrt();
    rounded(mean + narrowed * value).min(bits)
}

/// The binomial quantile by adding up probabilities from 0.
fn summed(bits: u64, ber: f64, draw: f64) -> u64 {
    let odds = ber / (1.0 - ber);
    let mut probability = (bits as f64 * (-ber).ln_1p()).exp();
    let (mut errors, mut rest) = (0, draw - probability);
    while rest > 0.0 && errors < bits && probability > 0.0 {
        probability *= (bits - errors) as f64 / (errors + 1) as f64 * odds;
        errors += 1;
        rest -= probability;
    }
    errors
}

/// Errors in the first `half` of `length` bits that hold `count` errors, where `half` is half of `length`, give or take
/// a bit; `z` is the normal quantile of the word. Whatever the word, both halves can hold their share.
pub fn first_half(length: u64, count: u64, half: u64, word: u64, z: f64) -> u64 {
    if count == 0 {
        return 0;
    }
    if count > length - count {
        return half - first_half(length, length - count, half, word, z);
    }
    let (total, marked, sample) = (length as f64, count as f64, half as f64);
    let variance = marked * (1.0 - marked / total) * 0.25;
    if variance >= NORMAL_FROM {
        let mean = marked * sample / total;
        let narrowed = (variance * total / (total - 1.0) - 1.0 / 12.0).sqrt();
        let least = (count + half).saturating_sub(length);
        return rounded(mean + narrowed * z).clamp(least, count.min(half));
    }
    if count <= COINS && length >= SPARSE_FROM * count {
        return u64::from((word & (u64::MAX >> (COINS - count))).count_ones());
    }
    hypergeometric(length, count, half, unit(word))
}

/// ln n!: from a table, beyond it by Stirling's series (Abramowitz & Stegun 6.1.41; error below 1e-12 there).
fn ln_factorial(n: u64) -> f64 {
    const LENGTH: usize = 256;
    static TABLE: std::sync::OnceLock<[f64; LENGTH]> = std::sync::OnceLock::new();
    let table = TABLE.get_or_init(|| {
        let mut table = [0.0; LENGTH];
        for n in 1..LENGTH {
            table[n] = table[n - 1] + (n as f64).ln();
        }
        table
    });
    match table.get(n as usize) {
        Some(value) => *value,
        None => {
            let n = n as f64;
            const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_7;
            (n + 0.5) * n.ln() - n + HALF_LN_TWO_PI + 1.0 / (12.0 * n) - 1.0 / (360.0 * n * n * n)
        }
    }
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

    /// Published quantiles: z(0.975) = 1.959964, z(0.25) = -0.674490, z(1e-9) = -5.997807 (NIST/SEMATECH e-Handbook and
    /// tables of the normal distribution).
    #[test]
    fn normal_quantiles_are_the_published_ones() {
        for (p, z) in [(0.975, 1.959_964), (0.25, -0.674_490), (1e-9, -5.997_807), (0.5, 0.0)] {
            assert!((normal_quantile(p) - z).abs() < 5e-6, "{p}: {}", normal_quantile(p));
        }
    }

    /// Over a fine grid of draws the share of each count is its binomial probability: the distribution function
    /// differs by less than 1 in 500 anywhere, on both sides of every change of method (computed from the definition).
    #[test]
    fn binomial_quantiles_are_those_of_the_distribution() {
        for (bits, ber) in [
            (8u64, 0.3),
            (20, 0.97),
            (5_000, 1e-4),
            (40_000, 5e-4),
            (1_000, 0.031),
            (1_000, 0.033),
            (120, 0.5),
            (124, 0.5),
            (4_000, 0.2),
            (1_000_000, 1e-3),
        ] {
            let draws = 40_000u32;
            let unit = |i: u32| (f64::from(i) + 0.5) / f64::from(draws);
            let count = |draw: f64| binomial(bits, ber, draw, normal_quantile(draw));
            let counts: Vec<u64> = (0..draws).map(|i| count(unit(i))).collect();
            let odds = f64::ln(ber) - (-ber).ln_1p();
            let (mut below, mut worst) = (0.0, 0.0f64);
            let mut sorted = counts.clone();
            sorted.sort_unstable();
            let spread = (bits as f64 * ber * (1.0 - ber)).sqrt();
            let (low, high) = (
                (bits as f64 * ber - 9.0 * spread - 9.0).max(0.0) as u64,
                ((bits as f64 * ber + 9.0 * spread + 9.0) as u64).min(bits),
            );
            for k in low..=high {
                let ln = ln_factorial(bits) - ln_factorial(k) - ln_factorial(bits - k)
                    + k as f64 * odds
                    + bits as f64 * (-ber).ln_1p();
                below += ln.exp();
                let share = sorted.partition_point(|count| *count <= k) as f64 / f64::from(draws);
                worst = worst.max((share - below).abs());
            }
            assert!(worst < 2e-3, "{bits} bits at {ber}: {worst}");
        }
    }

    /// Against the closed form: mean K n / N, variance and support, for every way a half is drawn.
    #[test]
    fn halves_have_the_right_moments_and_support() {
        for (length, count) in [
            (16u64, 5u64),
            (16, 16),
            (16, 0),
            (17, 9),
            (1000, 999),
            (16_384, 40),
            (60_000, 30),
            (60_000, 59_970),
            (11, 7),
            (100_000, 64),
            (4096, 900),
            (1 << 40, 3),
            (1 << 40, 1 << 30),
        ] {
            let half = length / 2;
            let draws = 20_000u64;
            let values: Vec<f64> = (1..=draws)
                .map(|i| {
                    let word = super::super::philox::philox([i as u32, 7, 7, 7], [1, 2]);
                    let word = u64::from(word[0]) << 32 | u64::from(word[1]);
                    first_half(length, count, half, word, normal_quantile(unit(word))) as f64
                })
                .collect();
            let (t, m, n) = (length as f64, count as f64, half as f64);
            let mean = values.iter().sum::<f64>() / draws as f64;
            let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / draws as f64;
            let expected = n * m / t * (1.0 - m / t) * (t - n) / (t - 1.0);
            let error = (expected / draws as f64).sqrt();
            assert!((mean - n * m / t).abs() < 4.5 * error + 1e-9, "{length} {count}: mean {mean}");
            assert!(
                (variance - expected).abs() < 0.05 * expected + 1e-9,
                "{length} {count}: {variance} for {expected}"
            );
            assert!(values.iter().all(|value| *value <= m.min(n) && *value >= (m + n - t).max(0.0)));
        }
    }
}
