//! Tolerance factors, capability, counts of errors, sequential test, Q scale.

use super::Mark::{C, M, R};
use super::Table;
use crate::capability::{capability, centred_reject_rate, cp_interval, cpk_interval};
use crate::conformity::Tolerance;
use crate::sequential::{
    SequentialTest, TailConvention, better_than_factor, error_interval, q_scale, total_jitter,
    worse_than_factor,
};
use crate::special::{chi2_quantile, studentized_range_quantile};
use crate::summary::mean_interval_from;
use crate::tolerance::{
    one_sided_factor, one_sided_factor_approximate, two_sided_factor, two_sided_factor_howe,
    wilks_sample_size,
};

pub fn rows(table: &mut Table) {
    handbook_tolerance(table);
    iso_tolerance(table);
    wilks(table);
    capability_rows(table);
    counts(table);
    sequential(table);
    q_rows(table);
    pins(table);
}

fn handbook_tolerance(table: &mut Table) {
    let mut s = table.section("e-Handbook 7.2.6.3", R);
    let k2 = two_sided_factor_howe(43, 0.90, 0.99).unwrap();
    let k1 = one_sided_factor_approximate(43, 0.90, 0.99).unwrap();
    s.digits("chi2(0.01, 42)", chi2_quantile(0.01, 42.0).unwrap(), 23.650, 3);
    s.digits("k2 (Howe)", k2, 2.2173, 4);
    s.digits("k1 approximate", k1, 1.8752, 4);
    s.digits("wafer lower", 97.07 - k2 * 0.0268, 97.0106, 4);
    s.digits("wafer upper", 97.07 + k2 * 0.0268, 97.1294, 4);
    s.digits("wafer one-sided upper", 97.07 + k1 * 0.0268, 97.1203, 4);
    let exact = one_sided_factor(43, 0.90, 0.99).unwrap();
    table.section("e-Handbook 7.2.6.3", M).digits("k1 noncentral t", exact, 1.8740, 4);
    let exact = two_sided_factor(43, 0.90, 0.99).unwrap();
    table.section("e-Handbook 7.2.6.3", C).digits("k2 exact", exact, 2.22283, 5);
    let mut s = table.section("e-Handbook 1.3.5.2", M);
    let i = mean_interval_from(9.261460, 0.022789, 195, 0.95).unwrap();
    s.absolute("interval of the mean, lower", i.lower, 9.258242, 1e-6);
    s.absolute("interval of the mean, upper", i.upper, 9.264679, 1e-6);
}

fn iso_tolerance(table: &mut Table) {
    let k = |n, p, c| one_sided_factor(n, p, c).unwrap();
    // n, then the columns .95/.95 and .99/.95 (published), .90/.95, .95/.99, .99/.99.
    let printed = [
        (5, 4.203, 5.741, 3.407, 6.578, 8.939),
        (10, 2.911, 3.981, 2.355, 3.738, 5.074),
        (20, 2.396, 3.295, 1.926, 2.808, 3.832),
        (30, 2.220, 3.064, 1.777, 2.5155, 3.447),
        (50, 2.065, 2.862, 1.646, 2.269, 3.125),
        (100, 1.927, 2.684, 1.527, 2.056, 2.850),
    ];
    for (n, a, b, c, d, e) in printed {
        let mut s = table.section("ISO 16269-6 one-sided", M);
        s.absolute(format!("n {n}, .95/.95"), k(n, 0.95, 0.95), a, 1e-3);
        s.absolute(format!("n {n}, .99/.95"), k(n, 0.99, 0.95), b, 1e-3);
        let mark = if n == 10 { M } else { C };
        table.section("ISO 16269-6 one-sided", mark).absolute(
            format!("n {n}, .90/.95"),
            k(n, 0.90, 0.95),
            c,
            1e-3,
        );
        let mark = if n == 10 || n == 20 { M } else { C };
        table.section("ISO 16269-6 one-sided", mark).absolute(
            format!("n {n}, .95/.99"),
            k(n, 0.95, 0.99),
            d,
            1e-3,
        );
        table.section("ISO 16269-6 one-sided", C).absolute(
            format!("n {n}, .99/.99"),
            k(n, 0.99, 0.99),
            e,
            1e-3,
        );
    }
    let mut s = table.section("two-sided exact, confidence .95", R);
    let printed = [
        (4, [5.37, 6.34, 8.22]),
        (5, [4.29, 5.08, 6.60]),
        (10, [2.86, 3.39, 4.44]),
        (20, [2.32, 2.76, 3.62]),
        (30, [2.15, 2.55, 3.35]),
    ];
    for (n, factors) in printed {
        for (content, factor) in [0.90, 0.95, 0.99].into_iter().zip(factors) {
            let got = two_sided_factor(n, content, 0.95).unwrap();
            s.absolute(format!("n {n}, content {content}"), got, factor, 0.0105);
        }
    }
}

fn wilks(table: &mut Table) {
    let rows = [
        (0.90, 0.90, [22.0, 38.0, 52.0], [C, C, C]),
        (0.95, 0.90, [45.0, 77.0, 105.0], [C, C, C]),
        (0.90, 0.95, [29.0, 46.0, 61.0], [C, C, C]),
        (0.95, 0.95, [59.0, 93.0, 124.0], [M, M, M]),
        (0.99, 0.95, [299.0, 473.0, 628.0], [M, M, C]),
        (0.95, 0.99, [90.0, 130.0, 165.0], [C, C, C]),
        (0.99, 0.99, [459.0, 662.0, 838.0], [C, C, C]),
        (0.999, 0.95, [2995.0, 4742.0, 6294.0], [C, C, C]),
    ];
    for (content, confidence, sizes, marks) in rows {
        for (order, (n, mark)) in (1..).zip(sizes.into_iter().zip(marks)) {
            let got = wilks_sample_size(content, confidence, order).unwrap();
            let what = format!("{content}/{confidence}, order {order}");
            table.section("Wilks", mark).exact(what, got as f64, n);
        }
    }
}

fn capability_rows(table: &mut Table) {
    let c = capability(16.0, 2.0, &Tolerance::Both { lower: 8.0, upper: 20.0 }).unwrap();
    let mut s = table.section("e-Handbook 6.1.6", R);
    s.digits("Cp", c.cp.unwrap(), 1.0, 4);
    s.digits("Cpu", c.cpu.unwrap(), 0.6667, 4);
    s.digits("Cpl", c.cpl.unwrap(), 1.3333, 4);
    s.digits("Cpk", c.cpk, 0.6667, 4);
    s.digits("reject rate, Cp 1.00, %", 100.0 * centred_reject_rate(1.0), 0.27, 2);
    s.digits("reject rate, Cp 1.33, ppm", 1e6 * centred_reject_rate(1.33), 66.0, 0);
    s.digits("reject rate, Cp 1.66, ppm", 1e6 * centred_reject_rate(1.66), 0.6, 1);
    s.digits("reject rate, Cp 2.00, ppb", 1e9 * centred_reject_rate(2.0), 2.0, 0);
    let mut s = table.section("e-Handbook 6.1.6, exact", C);
    s.digits("ppm at 1.33", 1e6 * centred_reject_rate(1.33), 66.07, 2);
    s.digits("ppm at 4/3", 1e6 * centred_reject_rate(4.0 / 3.0), 63.34, 2);
    let cp = capability(50.0, 1.75, &Tolerance::Both { lower: 38.0, upper: 62.0 }).unwrap().cp.unwrap();
    let i = cp_interval(cp, 20, 0.95).unwrap();
    let mut s = table.section("Montgomery, Cp", M);
    s.digits("Cp", cp, 2.29, 2);
    s.absolute("lower", i.lower, 1.57, 0.0051);
    s.digits("upper", i.upper, 3.01, 2);
    let mut s = table.section("Montgomery, Cp unrounded", C);
    s.digits("lower", i.lower, 1.565, 3);
    s.digits("upper", i.upper, 3.006, 3);
    let i = cpk_interval(1.33, 20, 0.95).unwrap();
    let mut s = table.section("Bissell, Cpk", M);
    s.digits("lower", i.lower, 0.88, 2);
    s.digits("upper", i.upper, 1.78, 2);
}

fn counts(table: &mut Table) {
    let mut s = table.section("bit-error-tester user guide", R);
    let better = [(2.996, 3), (4.744, 3), (6.296, 3), (7.754, 3), (9.154, 3), (10.51, 2), (11.84, 2)];
    for (k, (factor, digits)) in (0..).zip(better) {
        s.digits(format!("better than, {k} errors"), better_than_factor(k, 0.95).unwrap(), factor, digits);
    }
    // The guide prints 0.8117 for k = 3, a misprint of 0.8177.
    let worse = [(0.05129, 5), (0.3554, 4), (0.8177, 4), (1.366, 3), (1.970, 3), (2.613, 3), (3.285, 3)];
    for (k, (factor, digits)) in (1..).zip(worse) {
        s.digits(format!("worse than, {k} errors"), worse_than_factor(k, 0.95).unwrap(), factor, digits);
    }
    for (confidence, factor) in [(0.90, 2.303), (0.95, 2.996), (0.99, 4.605), (0.999, 6.908)] {
        s.digits(format!("no errors, {confidence}"), better_than_factor(0, confidence).unwrap(), factor, 3);
    }
    let mut s = table.section("chi-squared factors, 99 %", C);
    for (k, factor, digits) in [(1, 6.638, 3), (2, 8.406, 3), (3, 10.045, 3)] {
        s.digits(format!("{k} errors"), better_than_factor(k, 0.99).unwrap(), factor, digits);
    }
    let i = error_interval(4, 20, 0.90).unwrap();
    let mut s = table.section("e-Handbook 7.2.4.2", R);
    s.digits("4 of 20, lower", i.lower, 0.071354, 6);
    s.digits("4 of 20, upper", i.upper, 0.401028, 6);
    let mut s = table.section("Clopper-Pearson", C);
    s.digits("90 %, lower", i.lower, 0.0713539, 7);
    s.digits("90 %, upper", i.upper, 0.4010281, 7);
    let i = error_interval(4, 20, 0.95).unwrap();
    s.digits("95 %, lower", i.lower, 0.0573340, 7);
    s.digits("95 %, upper", i.upper, 0.4366140, 7);
}

fn sequential(table: &mut Table) {
    let t = SequentialTest::new(0.01, 0.10, 0.05, 0.10).unwrap();
    let mut s = table.section("e-Handbook 6.2.3.6", M);
    s.digits("k", t.k(), 1.0414, 4);
    s.digits("h1", t.h1(), 0.939, 3);
    s.digits("h2", t.h2(), 1.205, 3);
    s.digits("s", t.slope(), 0.0397, 4);
    let mut s = table.section("Wald average sample number", C);
    s.digits("at p1", t.average_trials(0.01).unwrap(), 27.957, 3);
    s.digits("at p2", t.average_trials(0.10).unwrap(), 16.447, 3);
    s.digits("at s", t.average_trials(t.slope()).unwrap(), 29.650, 3);
    s.digits("beside s", t.average_trials(t.slope() * (1.0 + 1e-5)).unwrap(), 29.650, 3);
    s.absolute("L(p1)", t.acceptance_probability(0.01).unwrap(), 0.95, 1e-9);
    s.absolute("L(p2)", t.acceptance_probability(0.10).unwrap(), 0.10, 1e-9);
}

fn q_rows(table: &mut Table) {
    let two_q = |exponent: i32, convention| 2.0 * q_scale(10_f64.powi(exponent), convention).unwrap();
    let printed = [
        (-3, 6.180),
        (-4, 7.438),
        (-5, 8.530),
        (-6, 9.507),
        (-7, 10.399),
        (-8, 11.224),
        (-9, 11.996),
        (-10, 12.723),
        (-11, 13.412),
        (-12, 14.069),
        (-13, 14.698),
        (-14, 15.301),
        (-15, 15.883),
        (-16, 16.444),
    ];
    for (exponent, value) in printed {
        let mark = if exponent <= -9 { M } else { C };
        let mut s = table.section("Q scale, tail = BER", mark);
        s.digits(format!("1e{exponent}"), two_q(exponent, TailConvention::TailIsBer), value, 3);
    }
    let mut s = table.section("Q scale, tail = 2 BER", C);
    for (exponent, value) in [(-9, 11.7684), (-12, 13.8744), (-15, 15.7099), (-16, 16.2771)] {
        s.digits(format!("1e{exponent}"), two_q(exponent, TailConvention::DiracWeightHalf), value, 4);
    }
    let tj = total_jitter(10.0, 1.0, 1e-12, TailConvention::TailIsBer).unwrap();
    table.section("dual-Dirac TJ", C).digits("DJ 10, RJ 1", tj, 24.069, 3);
}

fn pins(table: &mut Table) {
    let mut s = table.section("tolerance factors, scipy", C);
    for (n, p, c, k) in [
        (43, 0.90, 0.99, 1.8739536),
        (10, 0.95, 0.95, 2.9109634),
        (5, 0.99, 0.95, 5.7410845),
        (30, 0.9987, 0.95, 3.9229858),
    ] {
        s.digits(format!("n {n}, {p}/{c}"), one_sided_factor(n, p, c).unwrap(), k, 7);
    }
    let mut s = table.section("studentized range, scipy", C);
    s.digits("q(.95; 3, 10)", studentized_range_quantile(0.95, 3, 10.0).unwrap(), 3.8767768, 7);
    s.digits("q(.95; 5, 20)", studentized_range_quantile(0.95, 5, 20.0).unwrap(), 4.2318567, 7);
}
