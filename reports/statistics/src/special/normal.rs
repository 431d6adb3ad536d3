//! The error function and the normal distribution with accurate tails.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use crate::error::{Result, check_probability};

/// 1/sqrt(pi).
const INV_SQRT_PI: f64 = 0.564_189_583_547_756_3;

/// Complementary error function, relative error about 1e-15 down to underflow.
///
/// Source: W. J. Cody, Rational Chebyshev approximations for the error function, Math. Comp. 23 (1969).
pub fn erfc(x: f64) -> f64 {
    let y = x.abs();
    if y.is_nan() {
        return x;
    }
    if y <= 0.46875 {
        return 1.0 - erf_small(x);
    }
    // Beyond 28 the tail underflows (and the products below would be inf times 0).
    let tail = if y > 28.0 { 0.0 } else { scaled_erfc(y) * exp_minus_square(y) };
    if x < 0.0 { 2.0 - tail } else { tail }
}

/// exp(-y^2), with y split so that the square is exact where it matters.
fn exp_minus_square(y: f64) -> f64 {
    let head = (y * 16.0).trunc() / 16.0;
    let rest = (y - head) * (y + head);
    (-head * head).exp() * (-rest).exp()
}

/// erf for |x| <= 0.46875.
fn erf_small(x: f64) -> f64 {
    const A: [f64; 5] = [
        3.161_123_743_870_565_6,
        113.864_154_151_050_16,
        377.485_237_685_302,
        3_209.377_589_138_469_5,
        0.185_777_706_184_603_15,
    ];
    const B: [f64; 4] =
        [23.601_290_952_344_12, 244.024_637_934_444_17, 1_282.616_526_077_372_3, 2_844.236_833_439_171];
    let square = x * x;
    let (mut numerator, mut denominator) = (A[4] * square, square);
    for i in 0..3 {
        numerator = (numerator + A[i]) * square;
        denominator = (denominator + B[i]) * square;
    }
    x * (numerator + A[3]) / (denominator + B[3])
}

/// exp(y^2) erfc(y) for y > 0.46875.
fn scaled_erfc(y: f64) -> f64 {
    const C: [f64; 9] = [
        0.564_188_496_988_670_1,
        8.883_149_794_388_377,
        66.119_190_637_141_63,
        298.635_138_197_400_1,
        881.952_221_241_769,
        1_712.047_612_634_070_7,
        2_051.078_377_826_071_6,
        1_230.339_354_797_997_2,
        2.153_115_354_744_038_3e-8,
    ];
    const D: [f64; 8] = [
        15.744_926_110_709_835,
        117.693_950_891_312_5,
        537.181_101_862_009_9,
        1_621.389_574_566_690_3,
        3_290.799_235_733_459_7,
        4_362.619_090_143_247,
        3_439.367_674_143_721_6,
        1_230.339_354_803_749_5,
    ];
    const P: [f64; 6] = [
        0.305_326_634_961_232_36,
        0.360_344_899_949_804_45,
        0.125_781_726_111_229_26,
        0.016_083_785_148_742_275,
        6.587_491_615_298_378e-4,
        0.016_315_387_137_302_097,
    ];
    const Q: [f64; 5] = [
        2.568_520_192_289_822,
        1.872_952_849_923_460_4,
        0.527_905_102_951_428_5,
        0.060_518_341_312_441_32,
        0.002_335_204_976_268_691_8,
    ];
    if y <= 4.0 {
        let (mut numerator, mut denominator) = (C[8] * y, y);
        for i in 0..7 {
            numerator = (numerator + C[i]) * y;
            denominator = (denominator + D[i]) * y;
        }
        (numerator + C[7]) / (denominator + D[7])
    } else {
        let inverse = 1.0 / (y * y);
        let (mut numerator, mut denominator) = (P[5] * inverse, inverse);
        for i in 0..4 {
            numerator = (numerator + P[i]) * inverse;
            denominator = (denominator + Q[i]) * inverse;
        }
        let correction = inverse * (numerator + P[4]) / (denominator + Q[4]);
        (INV_SQRT_PI - correction) / y
    }
}

/// Standard normal density.
pub fn normal_pdf(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// Standard normal cumulative probability P(Z <= z); accurate in the lower tail.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * FRAC_1_SQRT_2)
}

/// Standard normal upper tail P(Z > z) (the "Q function"); accurate for large z.
pub fn normal_sf(z: f64) -> f64 {
    0.5 * erfc(z * FRAC_1_SQRT_2)
}

/// Natural logarithm of the standard normal cumulative probability, also where the probability underflows.
pub fn ln_normal_cdf(z: f64) -> f64 {
    if z > -5.0 {
        // ln(1 - sf) keeps the digits when the probability is close to 1.
        return if z > 0.0 { (-normal_sf(z)).ln_1p() } else { normal_cdf(z).ln() };
    }
    let y = -z * FRAC_1_SQRT_2;
    (0.5 * scaled_erfc(y)).ln() - y * y
}

/// Standard normal quantile: the z with P(Z <= z) = `p`.
///
/// Errors when `p` is not strictly between 0 and 1.
pub fn normal_quantile(p: f64) -> Result<f64> {
    check_probability("probability of a normal quantile", p)?;
    Ok(if p <= 0.5 { -upper_quantile(p) } else { upper_quantile(1.0 - p) })
}

/// The z with P(Z > z) = `q`; keeps full accuracy for tiny `q` (the inverse Q function).
///
/// Errors when `q` is not strictly between 0 and 1.
pub fn normal_upper_quantile(q: f64) -> Result<f64> {
    check_probability("tail probability of a normal quantile", q)?;
    Ok(if q <= 0.5 { upper_quantile(q) } else { -upper_quantile(1.0 - q) })
}

/// Upper quantile for q in (0, 0.5]: rational start, then Newton steps on ln(sf), which is nearly quadratic.
fn upper_quantile(q: f64) -> f64 {
    if q == 0.5 {
        return 0.0;
    }
    // Start: Abramowitz & Stegun 26.2.23, absolute error below 4.5e-4.
    let t = (-2.0 * q.ln()).sqrt();
    let mut z = t
        - (2.515_517 + 0.802_853 * t + 0.010_328 * t * t)
            / (1.0 + 1.432_788 * t + 0.189_269 * t * t + 0.001_308 * t * t * t);
    let ln_q = q.ln();
    for _ in 0..6 {
        // d ln sf / dz = -pdf/sf
        let (ln_sf, hazard) = if z > 5.0 {
            let scaled = scaled_erfc(z * FRAC_1_SQRT_2);
            ((0.5 * scaled).ln() - 0.5 * z * z, 2.0 * INV_SQRT_PI * FRAC_1_SQRT_2 / scaled)
        } else {
            let sf = normal_sf(z);
            (sf.ln(), normal_pdf(z) / sf)
        };
        let step = (ln_sf - ln_q) / hazard;
        z += step;
        if step.abs() < 1e-15 * z.abs().max(1e-3) {
            break;
        }
    }
    z
}
