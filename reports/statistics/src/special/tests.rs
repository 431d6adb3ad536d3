//! Distribution functions against values computed with mpmath (40 digits) or scipy 1.17.1.

use super::beta::incomplete_beta;
use super::gamma::incomplete_gamma;
use super::noncentral::noncentral_tail;
use super::*;
use std::f64::consts::SQRT_2;

fn near(name: &str, got: f64, expected: f64, relative: f64) {
    let error = ((got - expected) / expected).abs();
    assert!(error <= relative, "{name}: got {got:e}, expected {expected:e}, relative error {error:e}");
}

#[test]
fn error_function_and_normal_tails() {
    // computed with mpmath
    let table = [
        (-3.0, 1.999_977_909_503_001_4),
        (0.1, 0.887_537_083_981_715),
        (0.46, 0.515_344_609_998_320_3),
        (0.5, 0.479_500_122_186_953_5),
        (1.0, 0.157_299_207_050_285_13),
        (2.5, 4.069_520_174_449_589e-4),
        (4.0, 1.541_725_790_028_002e-8),
        (4.5, 1.966_160_441_542_887_5e-10),
        (8.0, 1.122_429_717_298_292_7e-29),
        (20.0, 5.395_865_611_607_901e-176),
        (26.0, 5.663_192_408_856_143e-296),
    ];
    for (x, expected) in table {
        near("tail", normal_sf(x * SQRT_2), 0.5 * expected, 1e-12);
    }
    let logs = [
        (-38.0, -726.557_216_018_820_1),
        (-10.0, -53.231_285_150_512_47),
        (-5.5, -17.779_376_352_625_26),
        (-1.0, -1.841_021_645_009_263_5),
    ];
    for (z, expected) in logs {
        near("ln cdf", ln_normal_cdf(z), expected, 1e-13);
    }
    let quantiles = [
        (0.4, 0.253_347_103_135_799_7),
        (0.025, 1.959_963_984_540_054),
        (1e-3, 3.090_232_306_167_813_5),
        (1e-9, 5.997_807_015_007_687),
        (1e-16, 8.222_082_216_130_436),
        (1e-100, 21.273_453_560_965_324),
        (1e-300, 37.047_096_299_361_2),
    ];
    for (q, expected) in quantiles {
        near("normal quantile", normal_upper_quantile(q).unwrap(), expected, 2e-15);
        near("normal lower quantile", normal_quantile(q).unwrap(), -expected, 2e-15);
    }
    assert_eq!(normal_quantile(0.5).unwrap(), 0.0);
    assert!(normal_sf(f64::NAN).is_nan());
    assert_eq!((normal_sf(f64::INFINITY), normal_sf(f64::NEG_INFINITY)), (0.0, 1.0));
}

#[test]
fn gamma_family() {
    // (a, x, P, Q) computed with mpmath; the large shapes with scipy
    let table = [
        (0.5, 0.1, 0.345_279_153_981_423, 0.654_720_846_018_577, 1e-13),
        (3.0, 10.0, 0.997_230_604_284_488_4, 0.002_769_395_715_511_576, 1e-13),
        (50.0, 30.0, 5.188_914_625_480_343e-4, 0.999_481_108_537_452, 1e-12),
        (1000.0, 1100.0, 0.998_940_676_746_07, 0.001_059_323_253_929_977, 1e-12),
        (1e5, 100_300.0, 0.828_636_311_251_207_6, 0.171_363_688_748_792_4, 1e-11),
        (0.5, 200.0, 1.0, 5.507_248_237_212_467e-89, 1e-12),
        (2e6, 2_003_000.0, 0.983_017_892_682_111_6, 0.016_982_107_317_888_48, 1e-9),
        (1e9, 999_940_000.0, 0.028_887_978_217_009_693, 0.971_112_021_782_990_3, 1e-8),
    ];
    for (a, x, p, q, tolerance) in table {
        let (got_p, got_q) = incomplete_gamma(a, x);
        near("P", got_p, p, tolerance);
        near("Q", got_q, q, tolerance);
    }
    let quantiles = [
        (0.95, 3.0, 7.814_727_903_251_179),
        (0.01, 42.0, 23.650_094_677_826_19),
        (1e-8, 10.0, 0.132_327_944_584_381_46),
        (0.5, 1e6, 999_999.333_333_412_3),
        (0.999, 1.0, 10.827_566_170_662_733),
    ];
    for (p, dof, expected) in quantiles {
        near("chi2 quantile", chi2_quantile(p, dof).unwrap(), expected, 1e-12);
    }
    near("tiny tail", chi2_sf(chi2_upper_quantile(1e-200, 5.0).unwrap(), 5.0).unwrap(), 1e-200, 1e-10);
}

#[test]
fn beta_family() {
    // computed with mpmath; shapes of 1e4 and more with scipy
    let table = [
        (2.0, 3.0, 0.4, 0.5248, 1e-14),
        (0.5, 50.0, 0.01, 0.682_695_602_125_802_4, 1e-13),
        (5.0, 1e7, 1e-6, 0.970_747_444_339_299_6, 1e-13),
        (300.0, 700.0, 0.32, 0.915_037_428_128_722_6, 1e-12),
        (1e4, 2e4, 0.34, 0.992_713_748_010_027_8, 1e-11),
    ];
    for (a, b, x, expected, tolerance) in table {
        near("I_x", incomplete_beta(a, b, x, 1.0 - x).0, expected, tolerance);
    }
    let quantiles = [
        (0.95, 3.0, 7.0, 0.549_641_649_506_610_1),
        (0.05, 0.5, 20.0, 9.953_491_192_326_218e-5),
        (0.999, 200.0, 3.0, 0.999_052_513_703_620_8),
    ];
    for (p, a, b, expected) in quantiles {
        near("beta quantile", beta_quantile(p, a, b).unwrap(), expected, 1e-12);
        near("mirrored", 1.0 - beta_upper_quantile(p, b, a).unwrap(), expected, 1e-11);
    }
    // F quantiles 2.1240, 2.4519 of 9 and 40 degrees of freedom (GUM H.5) by their tails.
    for (p, x) in [(0.95, 2.124_029_264_016_695_3), (0.975, 2.451_939_217_029_926_3)] {
        near("F tail", f_sf(x, 9.0, 40.0).unwrap(), 1.0 - p, 1e-11);
    }
    // b = 1e12 ends, at the value of the limiting gamma distribution.
    let q = beta_quantile(0.95, 4.0, 1e12).unwrap() * 1e12;
    near("huge b", q, chi2_quantile(0.95, 8.0).unwrap() / 2.0, 1e-11);
}

#[test]
fn student_t_at_any_number_of_degrees_of_freedom() {
    // computed with mpmath; from 1e6 degrees of freedom by the expansion in 1/dof (Abramowitz & Stegun 26.7.5)
    let tails = [
        (2.0, 5.0, 0.050_969_739_414_929_18),
        (10.0, 3.0, 0.001_064_199_529_207_075),
        (1.96, 1000.0, 0.025_136_592_477_874_36),
        (8.0, 50.0, 8.316_483_014_160_692e-11),
    ];
    for (t, dof, expected) in tails {
        near("t tail", t_sf(t, dof).unwrap(), expected, 1e-13);
        near("t lower", t_tails(-t, dof).unwrap().0, expected, 1e-13);
    }
    let quantiles = [
        (0.025, 5.0, 2.570_581_835_636_315),
        (0.025, 16.0, 2.119_905_299_221_255),
        (1e-10, 7.0, 53.835_579_484_673_73),
        (0.05, 3.7, 2.182_493_803_914_602),
        (0.025, 1e6, 1.959_966_356_814_107),
        (0.025, 1e9, 1.959_963_986_912_325),
        (0.005, 1e12, 2.575_829_303_553_817),
    ];
    for (q, dof, expected) in quantiles {
        near("t quantile", t_upper_quantile(q, dof).unwrap(), expected, 1e-13);
    }
    // Closed forms at 1 and 2 degrees of freedom agree with the general tail.
    for dof in [1.0, 2.0] {
        for q in [0.4, 0.1, 1e-6] {
            near("closed form", t_sf(t_upper_quantile(q, dof).unwrap(), dof).unwrap(), q, 1e-13);
        }
    }
    near("normal limit", t_quantile(0.975, f64::INFINITY).unwrap(), 1.959_963_984_540_054, 1e-15);
}

#[test]
fn noncentral_t() {
    // computed with scipy
    let table = [
        (3.0, 9.0, 2.5, 0.631_521_508_528_230_7),
        (40.0, 200.0, 30.0, 0.999_997_644_887_982_5),
        (-1.0, 4.0, 1.0, 0.032_773_295_332_028),
    ];
    for (t, dof, delta, expected) in table {
        near("noncentral t", noncentral_tail(t, dof, delta, normal_cdf), expected, 1e-9);
    }
    // Without noncentrality it is Student's t, at 1 and at very many degrees of freedom too.
    for dof in [1.0, 4.0, 1e5] {
        near("central", noncentral_tail(1.3, dof, 0.0, normal_cdf), t_tails(1.3, dof).unwrap().0, 1e-12);
    }
}

#[test]
fn parameters_outside_the_domain_are_refused() {
    assert!(normal_quantile(0.0).is_err() && normal_quantile(f64::NAN).is_err());
    assert!(t_quantile(0.5, 0.0).is_err() && t_quantile(0.5, f64::NAN).is_err());
    assert!(t_sf(f64::NAN, 3.0).is_err());
    assert!(chi2_quantile(0.5, -1.0).is_err() && chi2_sf(f64::NAN, 1.0).is_err());
    assert!(beta_quantile(1.0, 1.0, 1.0).is_err() && beta_quantile(0.5, 0.0, 1.0).is_err());
    assert!(noncentral_t_quantile(0.5, 0.5, 0.0).is_err());
    assert!(binomial_sf(1, 5, 1.5).is_err());
}

/// Why the incomplete beta function is our own: the library's at a shape that counts of bits reach.
#[test]
fn the_librarys_incomplete_beta_loses_digits_at_large_shapes() {
    let theirs = statrs::function::beta::beta_reg(5.0, 1e7, 1e-6);
    let exact = 0.970_747_444_339_299_6;
    assert!((theirs / exact - 1.0).abs() > 1e-10, "now good enough: use it ({theirs:e})");
}

#[test]
fn quantiles_and_tails_are_inverse_over_a_wide_range() {
    for dof in [1.0, 2.5, 30.0, 1e4, 1e7] {
        for q in [1e-12, 1e-3, 0.3, 0.7, 0.999] {
            near("chi2", chi2_sf(chi2_upper_quantile(q, dof).unwrap(), dof).unwrap(), q, 1e-8);
            near("t", t_sf(t_upper_quantile(q, dof).unwrap(), dof).unwrap(), q, 1e-11);
        }
    }
    for (a, b) in [(0.5, 0.5), (1.0, 1e9), (40.0, 3.0), (1e6, 1e4)] {
        for q in [1e-9, 0.2, 0.9] {
            let x = beta_upper_quantile(q, a, b).unwrap();
            // Near x = 1 the value itself limits what can be inverted.
            if x < 1.0 - 1e-6 {
                near("beta", incomplete_beta(a, b, x, 1.0 - x).1, q, 1e-6);
            }
        }
    }
}
