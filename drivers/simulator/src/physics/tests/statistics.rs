//! Normal tail, levels, and the statistical error ratio against tables, enumeration and Monte Carlo.

use super::super::gauss::{normal_plus_uniform_tail, q};
use super::super::jitter;
use super::super::kernels::Kernels;
use super::super::pattern::data_bus_inversion_events;
use super::super::stateye::{Interference, Mass, Tail, fill_coded, fill_random};
use super::super::timing::levels_v;
use super::{close, near};
use crate::wide::{BLOCK, moved_sums, wide};
use nightbench_core::generations::Signalling;

const MAIN: f64 = 0.62;
const OTHERS: [f64; 10] = [0.02, -0.05, 0.21, -0.08, 0.055, -0.03, 0.018, 0.012, -0.009, 0.004];

/// Check (f). Source: Gaussian Q function, standard tables.
#[test]
fn q_function() {
    let table = [
        (0.0, 5.000000000000e-01),
        (0.5, 3.085375387260e-01),
        (1.0, 1.586552539315e-01),
        (2.0, 2.275013194818e-02),
        (3.0, 1.349898031630e-03),
        (3.0902323062, 9.999999998916e-04),
        (4.0, 3.167124183312e-05),
        (4.7534243088, 1.000000000113e-06),
        (5.0, 2.866515718792e-07),
        (6.0, 9.865876450377e-10),
        (6.3613409024, 1.000000000026e-10),
        (7.0, 1.279812543886e-12),
        (7.0344838253, 1.000000000008e-12),
        (8.0, 6.220960574272e-16),
    ];
    for (z, want) in table {
        close("Q", q(z), want, 2e-12);
        close("Q(-z)", q(-z), 1.0 - want, 1e-13);
    }
}

/// Source: numeric integration here (midpoint rule) of the defining convolution.
#[test]
fn bounded_plus_gaussian_tail() {
    let (sigma, half) = (4e-3, 16e-3);
    for u in [-0.03, -0.01, 0.0, 0.012, 0.02, 0.035, 0.05] {
        let n = 20_000;
        let sum: f64 =
            (0..n).map(|i| q((u - half + 2.0 * half * (f64::from(i) + 0.5) / f64::from(n)) / sigma)).sum();
        close("tail", normal_plus_uniform_tail(u, sigma, half), sum / f64::from(n), 1e-6);
    }
    close("no box", normal_plus_uniform_tail(0.02, sigma, 0.0), q(5.0), 1e-14);
}

/// Check (c). Source: divider VOL = VDDQ Ron/(Ron + Rtt), JESD8-24 signalling, stored values.
#[test]
fn levels_of_a_line_terminated_to_the_supply() {
    let stored = [
        (1.2, 34.0, 50.0, 0.485714286, 0.842857143, 0.714285714),
        (1.2, 34.0, 60.0, 0.434042553, 0.817021277, 0.765957447),
        (1.2, 34.3, 48.0, 0.500121507, 0.850060753, 0.699878493),
        (1.2, 240.0 / 7.0, 60.0, 0.436363636, 0.818181818, 0.763636364),
        (1.2, 40.0, 48.0, 0.545454545, 0.872727273, 0.654545455),
        (1.2, 48.0, 60.0, 0.533333333, 0.866666667, 0.666666667),
        (1.2, 34.0, 120.0, 0.264935065, 0.732467532, 0.935064935),
        (1.2, 48.0, 34.0, 0.702439024, 0.951219512, 0.497560976),
        (1.1, 34.0, 50.0, 0.445238095, 0.772619048, 0.654761905),
        (1.1, 34.0, 60.0, 0.397872340, 0.748936170, 0.702127660),
        (1.1, 34.3, 48.0, 0.458444714, 0.779222357, 0.641555286),
        (1.1, 240.0 / 7.0, 60.0, 0.400000000, 0.750000000, 0.700000000),
        (1.1, 40.0, 48.0, 0.500000000, 0.800000000, 0.600000000),
        (1.1, 48.0, 60.0, 0.488888889, 0.794444444, 0.611111111),
        (1.1, 34.0, 120.0, 0.242857143, 0.671428571, 0.857142857),
        (1.1, 48.0, 34.0, 0.643902439, 0.871951220, 0.456097561),
    ];
    for (vddq, ron, rtt, low, middle, swing) in stored {
        let h0 =
            super::super::twoport::Abcd::<super::super::twoport::Complex>::identity().transfer(ron, rtt).re;
        let (got_low, got_middle) = levels_v(Signalling::Pod, vddq, h0);
        near("VOL", got_low, low, 6e-10);
        near("middle", got_middle, middle, 6e-10);
        near("swing", vddq - got_low, swing, 6e-10);
    }
}

fn ber(bin: f64, sigma: f64, vref: f64) -> f64 {
    let mut mass = Mass::new(bin);
    fill_random(&mut mass, &mut OTHERS.to_vec());
    let mut tail = Tail::default();
    tail.fill(&mass, &Kernels::new(sigma, 0.0, bin), MAIN - vref.abs(), MAIN + vref.abs());
    0.5 * (tail.at(MAIN - vref) + tail.at(MAIN + vref))
}

fn enumerate() -> impl Iterator<Item = f64> {
    (0..1024u32).map(|signs| {
        OTHERS.iter().enumerate().map(|(i, c)| if (signs >> i) & 1 == 1 { *c } else { -c }).sum()
    })
}

/// Check (d). Source: peak distortion against brute force over all patterns (formed here), stored values.
#[test]
fn worst_case_is_the_peak_distortion() {
    let worst = enumerate().fold(0.0, f64::max);
    near("sum of magnitudes", worst, 0.488, 1e-12);
    near("worst one", MAIN - worst, 0.132, 1e-12);
    near("eye height", 2.0 * (MAIN - worst), 0.264, 1e-12);
    let mut mass = Mass::new(1e-3);
    fill_random(&mut mass, &mut OTHERS.to_vec());
    let mut tail = Tail::default();
    tail.fill(&mass, &Kernels::new(2e-5, 0.0, 1e-3), 0.0, 0.6);
    close("one pattern in 1024 beyond 487 mV", tail.at(0.487), 1.0 / 1024.0, 1e-6);
    assert!(tail.at(0.489) < 1e-12, "nothing beyond the peak distortion: {}", tail.at(0.489));
}

/// Check (e). Source: exact enumeration (again formed here) and Monte Carlo of 2e7 bits, stored values.
#[test]
fn error_ratio_matches_enumeration_and_monte_carlo() {
    let stored = [
        (0.06, 0.0, 5.9751568828e-05, 5.97453156e-05, 5.870000e-05, 1.7e-06),
        (0.0716, 0.0, 2.1155261332e-04, 2.11545809e-04, 2.123500e-04, 3.3e-06),
        (0.06, 0.12, 2.5762332496e-03, 2.57623270e-03, 2.564050e-03, 1.1e-05),
    ];
    for (sigma, vref, exact, coarse, monte_carlo, sd) in stored {
        let here = enumerate()
            .map(|x| 0.5 * (q((MAIN + x - vref) / sigma) + q((MAIN + x + vref) / sigma)))
            .sum::<f64>()
            / 1024.0;
        close("enumeration", here, exact, 1e-9);
        // The noise's deviation is taken from a table in steps of 0.05 % (physics/kernels.rs): 0.002 of a decade here.
        close("1 mV grid", ber(1e-3, sigma, vref), exact, 5e-3);
        close("5 mV grid, compensated", ber(5e-3, sigma, vref), coarse, 5e-3);
        near("Monte Carlo", ber(1e-3, sigma, vref), monte_carlo, 3.0 * sd);
    }
}

/// The mass function of correlated events against plain enumeration formed here.
#[test]
fn coded_interference_matches_enumeration() {
    let weights = [1.0, 1.0, 0.35, 0.35, 0.15, 0.15, 0.15];
    let events = data_bus_inversion_events(&weights, false);
    let ones: f64 = events.iter().filter(|e| e.victim > 0.0).map(|e| e.probability).sum();
    let seen = Interference { main: 0.3, own: vec![0.05, -0.031], coupled: vec![0.0123, -0.017, 0.0041] };
    let (mut one, mut zero) = (Mass::new(2e-3), Mass::new(2e-3));
    fill_coded(&mut one, &mut zero, &seen, &events, ones);
    let (sigma, d) = (6e-3, 0.13);
    let (mut tail_one, mut tail_zero) = (Tail::default(), Tail::default());
    let kernels = Kernels::new(sigma, 0.0, 2e-3);
    tail_one.fill(&one, &kernels, 0.0, 0.5);
    tail_zero.fill(&zero, &kernels, 0.0, 0.5);
    let got = ones * tail_one.at(seen.main - d) + (1.0 - ones) * tail_zero.at(seen.main + d);
    let mut want = 0.0;
    for a in &events {
        for b in &events {
            for c in &events {
                let isi = seen.coupled[0] * a.coupled
                    + seen.own[0] * b.victim
                    + seen.coupled[1] * b.coupled
                    + seen.own[1] * c.victim
                    + seen.coupled[2] * c.coupled;
                let margin = seen.main + a.victim * (isi - d);
                want += a.probability * b.probability * c.probability * q(margin / sigma);
            }
        }
    }
    close("coded error ratio", got, want, 0.01);
}

/// Source: combinatorics. 163 of 256 bytes have at most four zeros; the mean number of ones of a sent byte follows.
#[test]
fn inversion_leaves_at_most_four_zeros() {
    let events = data_bus_inversion_events(&[1.0; 7], false);
    near("total", events.iter().map(|e| e.probability).sum(), 1.0, 1e-12);
    let choose = [1.0, 8.0, 28.0, 56.0, 70.0];
    // Zeros 0 to 3 occur twice as often as before, because the complement is sent too; 4 once.
    let zeros: f64 = (0..5).map(|n| n as f64 * choose[n] * if n < 4 { 2.0 } else { 1.0 } / 256.0).sum();
    let ones: f64 = events.iter().filter(|e| e.victim > 0.0).map(|e| e.probability).sum();
    near("ones", ones, 1.0 - zeros / 8.0, 1e-12);
    for event in &events {
        let zeros = (7.0 - event.coupled) / 2.0 + if event.victim < 0.0 { 1.0 } else { 0.0 };
        assert!(zeros <= 4.0 + 1e-9, "{event:?}");
    }
}

/// Weights against the moments of the parts: variance rj^2 + (dcd/2)^2 + dj^2/12, plus grid step^2/12 for the bins.
#[test]
fn jitter_weights_have_the_right_moments() {
    let ui = 312.5e-12;
    let w = jitter::weights(ui, 4.5e-12, 14e-12, 18e-12, 0.0);
    let half = (w.len() / 2) as f64;
    near("sum", w.iter().sum(), 1.0, 1e-12);
    let step = ui / 256.0;
    let variance: f64 = w.iter().enumerate().map(|(i, w)| w * ((i as f64 - half) * step).powi(2)).sum();
    let want = 4.5e-12f64.powi(2) + 7e-12f64.powi(2) + 18e-12f64.powi(2) / 12.0 + step * step / 12.0;
    close("variance", variance, want, 1e-6);
    assert!(w.iter().zip(w.iter().rev()).all(|(a, b)| a == b), "symmetric");
}

/// Whatever the width of the processor's vectors, every sum is what one product after the other gives, to the last bit: numbers over two
/// hundred decades, so that another order, or a product fused with a sum, would show.
#[test]
fn wide_sums_are_those_of_one_product_after_the_other() {
    let number = |at: usize| {
        let turn = (at as f64 * 0.618_033_988_749_894_9).fract();
        10f64.powf(-200.0 * turn) * (1.0 + turn / 3.0)
    };
    let tails: Vec<f64> = (0..151).map(number).collect();
    let source: Vec<f64> = (1000..1000 + 300 + BLOCK).map(number).collect();
    let found = wide(
        #[inline(always)]
        || moved_sums(&tails, &source),
    );
    for (place, found) in found.into_iter().enumerate() {
        let one_by_one = (1..tails.len()).fold(0.0f64, |sum, n| {
            let moved = source[place + 150 - n] - source[place + 150 + n];
            sum + std::hint::black_box(std::hint::black_box(tails[n]) * std::hint::black_box(moved))
        });
        assert_eq!(found.to_bits(), one_by_one.to_bits(), "{place}: {found:e}, {one_by_one:e}");
    }
}
