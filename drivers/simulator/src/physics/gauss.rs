//! Normal distribution, and its convolution with a uniform one.
//!
//! erf/erfc: W. J. Cody, "Rational Chebyshev approximations for the error function", Math. Comp. 23 (1969) 631-637.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

const SMALL_NUM: [f64; 5] = [
    3.161_123_743_870_565_6e0,
    1.138_641_541_510_501_6e2,
    3.774_852_376_853_02e2,
    3.209_377_589_138_469_5e3,
    1.857_777_061_846_031_5e-1,
];
const SMALL_DEN: [f64; 4] =
    [2.360_129_095_234_412e1, 2.440_246_379_344_441_7e2, 1.282_616_526_077_372_3e3, 2.844_236_833_439_171e3];
const MID_NUM: [f64; 9] = [
    5.641_884_969_886_701e-1,
    8.883_149_794_388_376,
    6.611_919_063_714_163e1,
    298.635_138_197_400_1,
    881.952_221_241_769,
    1.712_047_612_634_070_6e3,
    2.051_078_377_826_071_5e3,
    1.230_339_354_797_997_2e3,
    2.153_115_354_744_038_5e-8,
];
const MID_DEN: [f64; 8] = [
    1.574_492_611_070_983_5e1,
    1.176_939_508_913_125e2,
    5.371_811_018_620_099e2,
    1.621_389_574_566_690_2e3,
    3.290_799_235_733_46e3,
    4.362_619_090_143_247e3,
    3.439_367_674_143_721_6e3,
    1.230_339_354_803_749_4e3,
];
const FAR_NUM: [f64; 6] = [
    3.053_266_349_612_323_4e-1,
    3.603_448_999_498_044_4e-1,
    1.257_817_261_112_292_5e-1,
    0.016_083_785_148_742_28,
    6.587_491_615_298_378e-4,
    1.631_538_713_730_209_8e-2,
];
const FAR_DEN: [f64; 5] = [
    2.568_520_192_289_822,
    1.872_952_849_923_467_2,
    5.279_051_029_514_284e-1,
    6.051_834_131_244_132e-2,
    2.335_204_976_268_691_8e-3,
];

/// Complementary error function.
#[must_use]
pub fn erfc(x: f64) -> f64 {
    let y = x.abs();
    if y <= 0.46875 {
        let z = y * y;
        let mut num = SMALL_NUM[4] * z;
        let mut den = z;
        for i in 0..3 {
            num = (num + SMALL_NUM[i]) * z;
            den = (den + SMALL_DEN[i]) * z;
        }
        return 1.0 - x * (num + SMALL_NUM[3]) / (den + SMALL_DEN[3]);
    }
    let tail = if y <= 4.0 {
        let mut num = MID_NUM[8] * y;
        let mut den = y;
        for i in 0..7 {
            num = (num + MID_NUM[i]) * y;
            den = (den + MID_DEN[i]) * y;
        }
        (num + MID_NUM[7]) / (den + MID_DEN[7])
    } else if y < 27.0 {
        let z = 1.0 / (y * y);
        let mut num = FAR_NUM[5] * z;
        let mut den = z;
        for i in 0..4 {
            num = (num + FAR_NUM[i]) * z;
            den = (den + FAR_DEN[i]) * z;
        }
        let ratio = z * (num + FAR_NUM[4]) / (den + FAR_DEN[4]);
        (1.0 / PI.sqrt() - ratio) / y
    } else {
        0.0
    };
    // exp(-y^2) in two factors keeps the relative precision far out.
    let head = (y * 16.0).trunc() / 16.0;
    let rest = (y - head) * (y + head);
    let value = (-head * head).exp() * (-rest).exp() * tail;
    if x < 0.0 { 2.0 - value } else { value }
}

/// Upper tail of the standard normal distribution, Q(z) = P(Z > z).
#[must_use]
pub fn q(z: f64) -> f64 {
    0.5 * erfc(z * FRAC_1_SQRT_2)
}

/// Mean excess E[(N - x)+] of a zero-mean normal N with deviation `sigma`: sigma phi(x/sigma) - x Q(x/sigma).
#[must_use]
pub fn mean_excess(x: f64, sigma: f64) -> f64 {
    let z = x / sigma;
    let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
    (sigma * density - x * q(z)).max(0.0)
}

/// P(N + U > u), N normal with deviation `sigma`, U uniform on +-`half_width` (same unit as u).
///
/// Written with [`mean_excess`] so that the far tail keeps its relative precision: the tail's integral over the box.
#[must_use]
pub fn normal_plus_uniform_tail(u: f64, sigma: f64, half_width: f64) -> f64 {
    if half_width < 1e-3 * sigma {
        return q(u / sigma);
    }
    if u < 0.0 {
        return 1.0 - normal_plus_uniform_tail(-u, sigma, half_width);
    }
    (mean_excess(u - half_width, sigma) - mean_excess(u + half_width, sigma)) / (2.0 * half_width)
}
