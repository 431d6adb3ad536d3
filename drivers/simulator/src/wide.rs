//! Sums, logarithms, exponentials and sines of whole rows, on vectors as wide as the processor's.
//!
//! Whatever the width, each place takes the same operations in the same order and nothing is fused: the bits are the same on every
//! processor.

use fearless_simd::{Level, Simd};

/// Places that are summed at a time: so many that no sum waits for the one before it.
pub const BLOCK: usize = 32;

/// Runs `work` compiled for the widest vectors that this processor has. What is computed is the same to the last bit: no sum is taken in
/// another order, and nothing is fused.
#[inline]
pub fn wide<R>(work: impl FnOnce() -> R) -> R {
    fearless_simd::dispatch!(Level::new(), simd => simd.vectorize(work))
}

/// What a symmetric noise moves across [`BLOCK`] places that follow each other: the sum over n = 1, 2, ... of `tails`\[n\] times what
/// stands n before a place less what stands n behind it. `source` begins as many places before the first as there are tails, less one.
#[inline(always)]
pub fn moved_sums(tails: &[f64], source: &[f64]) -> [f64; BLOCK] {
    let mut sums = [0.0; BLOCK];
    let reach = tails.len().saturating_sub(1);
    let part = |at: usize| source.get(at..).and_then(|rest| rest.first_chunk::<BLOCK>());
    for (n, weight) in tails.iter().enumerate().skip(1) {
        // A length that is known lets the sums stay in registers.
        let (Some(before), Some(behind)) = (part(reach - n), part(reach + n)) else { break };
        for place in 0..BLOCK {
            sums[place] += weight * (before[place] - behind[place]);
        }
    }
    sums
}

/// Places of rows that are summed at a time.
pub const ROW_BLOCK: usize = 16;

/// Two weighted sums of rows, place by place. `rows`: where each begins in `source`, and its two weights.
#[inline(always)]
pub fn two_sums_of_rows(rows: &[(usize, [f64; 2])], source: &[f64], [one, two]: [&mut [f64]; 2]) {
    let length = one.len().min(two.len());
    if length < ROW_BLOCK {
        for (at, (one, two)) in one.iter_mut().zip(two).enumerate() {
            for (begin, weights) in rows {
                let value = source.get(begin + at).copied().unwrap_or(0.0);
                *one += weights[0] * value;
                *two += weights[1] * value;
            }
        }
        return;
    }
    // The last block ends with the rows, and takes places of the one before it again.
    for at in (0..length).step_by(ROW_BLOCK).map(|at| at.min(length - ROW_BLOCK)) {
        let mut sums = [[0.0; ROW_BLOCK]; 2];
        for (begin, weights) in rows {
            let Some(part) = source.get(begin + at..).and_then(|rest| rest.first_chunk::<ROW_BLOCK>()) else {
                break;
            };
            for place in 0..ROW_BLOCK {
                sums[0][place] += weights[0] * part[place];
                sums[1][place] += weights[1] * part[place];
            }
        }
        one[at..at + ROW_BLOCK].copy_from_slice(&sums[0]);
        two[at..at + ROW_BLOCK].copy_from_slice(&sums[1]);
    }
}

/// Adds `weight` times `from` to `to`, place by place.
#[inline(always)]
pub fn add_scaled(to: &mut [f64], from: &[f64], weight: f64) {
    for (t, f) in to.iter_mut().zip(from) {
        *t += weight * f;
    }
}

/// 2^52 and half as much again: the last bits of a sum with it are a whole number.
pub const TO_WHOLE: f64 = 6_755_399_441_055_744.0;
/// ln 2 in two parts, the first with zeros at its end.
const LN_2: [f64; 2] = [6.931_471_803_691_238e-1, 1.908_214_929_270_587_7e-10];

/// e^x for x from -700 to 700, smaller ones as -700, within a unit of the last place (reduction and coefficients of fdlibm 5.3, `e_exp.c`).
#[inline(always)]
pub fn exp(x: f64) -> f64 {
    let x = x.max(-700.0);
    let shifted = x * std::f64::consts::LOG2_E + TO_WHOLE;
    let k = shifted - TO_WHOLE;
    let (high, low) = (x - k * LN_2[0], k * LN_2[1]);
    let r = high - low;
    let t = r * r;
    let c = r - t
        * (1.666_666_666_666_660_2e-1
            + t * (-2.777_777_777_701_559_3e-3
                + t * (6.613_756_321_437_934e-5
                    + t * (-1.653_390_220_546_525_2e-6 + t * 4.138_136_797_057_238_5e-8))));
    let y = 1.0 - ((low - r * c / (2.0 - c)) - high);
    y * f64::from_bits((shifted.to_bits() << 52).wrapping_add(1023 << 52))
}

/// Half of pi in two parts, the first with zeros at its end.
const HALF_PI: [f64; 2] = [1.570_796_326_734_125_6, 6.077_100_506_506_192e-11];

/// Sine and cosine of x up to a million, within a unit of the last place (reduction and coefficients of fdlibm 5.3, `e_rem_pio2.c`,
/// `k_sin.c`, `k_cos.c`).
#[inline(always)]
pub fn sin_cos(x: f64) -> (f64, f64) {
    let shifted = x * std::f64::consts::FRAC_2_PI + TO_WHOLE;
    let quarters = shifted - TO_WHOLE;
    let (high, low) = (x - quarters * HALF_PI[0], quarters * HALF_PI[1]);
    let r = high - low;
    let rest = (high - r) - low;
    let z = r * r;
    let w = z * z;
    let v = z * r;
    let s = 8.333_333_333_322_49e-3
        + z * (-1.984_126_982_985_795e-4 + z * 2.755_731_370_707_006_8e-6)
        + z * w * (-2.505_076_025_340_686_3e-8 + z * 1.589_690_995_211_55e-10);
    let sin = r - ((z * (0.5 * rest - v * s) - rest) + v * 1.666_666_666_666_663_2e-1);
    let c = z * (4.166_666_666_666_66e-2 + z * (-1.388_888_888_887_411e-3 + z * 2.480_158_728_947_673e-5))
        + w * w
            * (-2.755_731_435_139_066_3e-7
                + z * (2.087_572_321_298_175e-9 + z * -1.135_964_755_778_819_5e-11));
    let half = 0.5 * z;
    let near = 1.0 - half;
    let cos = near + (((1.0 - near) - half) + (z * c - r * rest));
    let quarter = shifted.to_bits();
    let (one, other) = if quarter & 1 == 0 { (sin, cos) } else { (cos, sin) };
    let sign = |turned: u64| (turned & 2) << 62;
    (
        f64::from_bits(one.to_bits() ^ sign(quarter)),
        f64::from_bits(other.to_bits() ^ sign(quarter.wrapping_add(1))),
    )
}

/// ln x of a positive normal number, within a unit of the last place (fdlibm 5.3, `e_log.c`).
#[inline(always)]
pub fn ln(x: f64) -> f64 {
    const FRACTION: u64 = (1 << 52) - 1;
    // Fraction of the root of 2: from it on a number counts as below the next power of two.
    const ROOT: u64 = 0x6_a09e_667f_3bcd;
    let bits = x.to_bits();
    let up = ((bits & FRACTION) + (FRACTION + 1 - ROOT)) & (FRACTION + 1);
    let m = f64::from_bits((bits & FRACTION) | ((1023 << 52) - up));
    // A whole number below 2^52 behind this exponent is the fraction of a number.
    let exponent = (bits >> 52) + (up >> 52);
    let k = f64::from_bits(exponent | (1075 << 52)) - (4_503_599_627_370_496.0 + 1023.0);
    let f = m - 1.0;
    let s = f / (2.0 + f);
    let z = s * s;
    let w = z * z;
    let even =
        w * (3.999_999_999_940_942e-1 + w * (2.222_219_843_214_978_4e-1 + w * 1.531_383_769_920_937_3e-1));
    let odd = z
        * (6.666_666_666_666_735e-1
            + w * (2.857_142_874_366_239e-1
                + w * (1.818_357_216_161_805e-1 + w * 1.479_819_860_511_658_6e-1)));
    let half = 0.5 * f * f;
    k * LN_2[0] - ((half - (s * (half + even + odd) + k * LN_2[1])) - f)
}

/// ln(1 + x) for x above -1, within two units of the last place.
#[inline(always)]
pub fn ln_1p(x: f64) -> f64 {
    let sum = 1.0 + x;
    ln(sum) + (x - (sum - 1.0)) / sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Distance in units of the last place of what is known.
    fn units(got: f64, known: f64) -> f64 {
        (got - known).abs() / (known.abs() * f64::EPSILON).max(f64::MIN_POSITIVE)
    }

    /// Both sums of rows that begin anywhere are those of one place after the other, whether blocks fit, overlap or are too long.
    #[test]
    fn sums_of_rows_are_those_of_each_place() {
        let source: Vec<f64> = (0..400).map(|at| f64::from(at * at % 97) * 0.37).collect();
        let rows = [(0, [0.3, 0.0]), (190, [-0.7, 1.1]), (55, [0.9, 0.2]), (55, [0.1, 0.8])];
        for length in [1, 15, 16, 17, 31, 64, 110, 200] {
            let (mut one, mut two) = (vec![0.0; length], vec![0.0; length]);
            wide(
                #[inline(always)]
                || two_sums_of_rows(&rows, &source, [&mut one, &mut two]),
            );
            for at in 0..length {
                let sum =
                    |part: usize| rows.iter().fold(0.0, |sum, (begin, w)| sum + w[part] * source[begin + at]);
                assert_eq!((one[at], two[at]), (sum(0), sum(1)), "{at} of {length}");
            }
        }
    }

    /// Against the standard library, over the range that error ratios take and beyond: within two units of the last place.
    #[test]
    fn exponentials_and_logarithms_are_those_of_the_standard_library() {
        for place in 0..200_000 {
            let x = -690.0 + f64::from(place) * 0.003_456_789;
            assert!(units(exp(x), x.exp()) < 2.0, "exp {x}: {} for {}", exp(x), x.exp());
            let y = 10f64.powf(-120.0 + f64::from(place) * 6.2e-4) * 1.234_567;
            assert!(units(ln(y), y.ln()) < 2.0, "ln {y}: {} for {}", ln(y), y.ln());
            let near = 0.6 + f64::from(place) * 5e-6;
            assert!(units(ln(near), near.ln()) < 2.0, "ln {near}: {} for {}", ln(near), near.ln());
            let below = -10f64.powf(-f64::from(place) * 1.5e-3) * 0.999_999;
            assert!(
                units(ln_1p(below), below.ln_1p()) < 4.0,
                "ln(1 + {below}): {} for {}",
                ln_1p(below),
                below.ln_1p()
            );
        }
        assert_eq!((exp(0.0), ln(1.0)), (1.0, 0.0));
        assert!(exp(-1e9) < 1e-300 && exp(f64::NEG_INFINITY) < 1e-300);
    }

    /// Against the standard library; next to a multiple of half of pi to what the argument's last place leaves.
    #[test]
    fn sines_and_cosines_are_those_of_the_standard_library() {
        for place in 0..300_000 {
            let x = (f64::from(place) - 150_000.0) * 0.012_345_678_9;
            let ((sin, cos), (known_sin, known_cos)) = (sin_cos(x), x.sin_cos());
            assert!(units(sin, known_sin) < 2.0, "sin {x}: {sin} for {known_sin}");
            assert!(units(cos, known_cos) < 2.0, "cos {x}: {cos} for {known_cos}");
        }
        assert_eq!(sin_cos(0.0), (0.0, 1.0));
    }

    /// Rows are the same to the last bit as place by place.
    #[test]
    fn rows_on_wide_vectors_are_the_same_to_the_last_bit() {
        let mut row: Vec<f64> = (1..100).map(|place| f64::from(place) * 0.01).collect();
        let one: Vec<f64> = row.iter().map(|value| exp(0.7 * ln(*value))).collect();
        wide(
            #[inline(always)]
            || row.iter_mut().for_each(|value| *value = exp(0.7 * ln(*value))),
        );
        assert_eq!(row, one);
    }
}
