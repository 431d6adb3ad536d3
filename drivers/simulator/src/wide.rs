//! Sums, logarithms and exponentials of whole rows, on vectors as wide as the processor's.
//!
//! Whatever the width, each place takes the same operations in the same order and nothing is fused: the bits are the same on every
//! processor.

use fearless_simd::{Level, Simd};

/// Places that are summed at a time.
pub const BLOCK: usize = 8;

/// Runs `work` compiled for the widest vectors that this processor has. What is computed is the same to the last bit: no sum is taken in
/// another order, and nothing is fused.
#[inline]
pub fn wide<R>(work: impl FnOnce() -> R) -> R {
    fearless_simd::dispatch!(Level::new(), simd => simd.vectorize(work))
}

/// Sums of `source` under the kernel, for [`BLOCK`] places one after the other: `source` is that much longer than the
/// kernel, less one.
#[inline(always)]
pub fn weighted_sums(kernel: &[f64], source: &[f64]) -> [f64; BLOCK] {
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
