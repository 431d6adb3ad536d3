//! Tolerance factors, capability, counts of errors, Q scale.

use super::Mark::{C, M, R};
use super::Table;
use crate::capability::{capability, cpk_interval};
use crate::conformity::Tolerance;
use crate::proportion::exact_interval;
use crate::special::{chi2_quantile, normal_upper_quantile};
use crate::tolerance::{one_sided_factor, two_sided_factor, two_sided_factor_howe, wilks_order};

pub fn rows(table: &mut Table) {
    handbook_tolerance(table);
    iso_tolerance(table);
    wilks(table);
    capability_rows(table);
    counts(table);
    q_rows(table);
    pins(table);
}

fn handbook_tolerance(table: &mut Table) {
    let mut s = table.section("e-Handbook 7.2.6.3", R);
    let k2 = two_sided_factor_howe(43, 0.90, 0.99).unwrap();
    s.digits("chi2(0.01, 42)", chi2_quantile(0.01, 42.0).unwrap(), 23.650, 3);
    s.digits("k2 (Howe)", k2, 2.2173, 4);
    s.digits("wafer lower", 97.07 - k2 * 0.0268, 97.0106, 4);
    s.digits("wafer upper", 97.07 + k2 * 0.0268, 97.1294, 4);
    let exact = one_sided_factor(43, 0.90, 0.99).unwrap();
    table.section("e-Handbook 7.2.6.3", M).digits("k1 noncentral t", exact, 1.8740, 4);
    let exact = two_sided_factor(43, 0.90, 0.99).unwrap();
    table.section("e-Handbook 7.2.6.3", C).digits("k2 exact", exact, 2.22283, 5);
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
        for (order, (n, mark)) in (1u32..).zip(sizes.into_iter().zip(marks)) {
            let smallest = |n: f64| wilks_order(n as u64, content, confidence).unwrap().unwrap_or(0) as f64;
            let what = format!("{content}/{confidence}, order {order}");
            let mut s = table.section("Wilks", mark);
            s.exact(what.clone(), smallest(n), f64::from(order));
            s.exact(format!("{what}, one fewer"), smallest(n - 1.0), f64::from(order - 1));
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
    let i = cpk_interval(1.33, 20, 0.95).unwrap();
    let mut s = table.section("Bissell, Cpk", M);
    s.digits("lower", i.lower, 0.88, 2);
    s.digits("upper", i.upper, 1.78, 2);
}

fn counts(table: &mut Table) {
    // Limits of bits x BER with k errors: chi2(CL; 2k+2)/2 above, chi2(1-CL; 2k)/2 below.
    let factor_of = |p: f64, half_dof: u32| 0.5 * chi2_quantile(p, 2.0 * f64::from(half_dof)).unwrap();
    let mut s = table.section("bit-error-tester user guide", R);
    let better = [(2.996, 3), (4.744, 3), (6.296, 3), (7.754, 3), (9.154, 3), (10.51, 2), (11.84, 2)];
    for (k, (factor, digits)) in (0..).zip(better) {
        s.digits(format!("better than, {k} errors"), factor_of(0.95, k + 1), factor, digits);
    }
    // The guide prints 0.8117 for k = 3, a misprint of 0.8177.
    let worse = [(0.05129, 5), (0.3554, 4), (0.8177, 4), (1.366, 3), (1.970, 3), (2.613, 3), (3.285, 3)];
    for (k, (factor, digits)) in (1..).zip(worse) {
        s.digits(format!("worse than, {k} errors"), factor_of(0.05, k), factor, digits);
    }
    for (confidence, factor) in [(0.90, 2.303), (0.95, 2.996), (0.99, 4.605), (0.999, 6.908)] {
        s.digits(format!("no errors, {confidence}"), factor_of(confidence, 1), factor, 3);
    }
    let mut s = table.section("chi-squared factors, 99 %", C);
    for (k, factor, digits) in [(1, 6.638, 3), (2, 8.406, 3), (3, 10.045, 3)] {
        s.digits(format!("{k} errors"), factor_of(0.99, k + 1), factor, digits);
    }
    let i = exact_interval(4, 20, 0.90).unwrap();
    let mut s = table.section("e-Handbook 7.2.4.2", R);
    s.digits("4 of 20, lower", i.lower, 0.071354, 6);
    s.digits("4 of 20, upper", i.upper, 0.401028, 6);
    let mut s = table.section("Clopper-Pearson", C);
    s.digits("90 %, lower", i.lower, 0.0713539, 7);
    s.digits("90 %, upper", i.upper, 0.4010281, 7);
    let i = exact_interval(4, 20, 0.95).unwrap();
    s.digits("95 %, lower", i.lower, 0.0573340, 7);
    s.digits("95 %, upper", i.upper, 0.4366140, 7);
}

fn q_rows(table: &mut Table) {
    let two_q = |tail: f64| 2.0 * normal_upper_quantile(tail).unwrap();
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
        s.digits(format!("1e{exponent}"), two_q(10_f64.powi(exponent)), value, 3);
    }
    let mut s = table.section("Q scale, tail = 2 BER", C);
    for (exponent, value) in [(-9, 11.7684), (-12, 13.8744), (-15, 15.7099), (-16, 16.2771)] {
        s.digits(format!("1e{exponent}"), two_q(2.0 * 10_f64.powi(exponent)), value, 4);
    }
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
}
