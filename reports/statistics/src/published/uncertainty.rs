//! GUM examples and tables.

use super::Mark::{C, M, R};
use super::Table;
use crate::anova::nested_from_summary;
use crate::gum::{
    Distribution, Line, combine, combine_correlated, correlation_of_observations, coverage_factor,
    effective_dof,
};
use crate::special::{f_quantile, t_upper_quantile};
use crate::summary;

pub fn rows(table: &mut Table) {
    end_gauge(table);
    impedance(table);
    nested(table);
    small_examples(table);
    t_factors(table);
}

/// GUM H.1.3.2, the difference: three lines, in nm.
fn difference_lines() -> [Line; 3] {
    let systematic = Distribution::Standard { standard_uncertainty: 6.7 };
    [
        Line::type_a("repeated observations", 0.0, 5.8, 24.0),
        Line::type_a("comparator, random", 0.0, 3.9, 5.0),
        Line::type_b("comparator, systematic", 0.0, systematic).with_dof(8.0),
    ]
}

/// GUM H.1, all in nm; the difference enters as the rounded 9.7 nm with 25.6 degrees of freedom, as printed.
pub fn end_gauge_lines() -> Vec<Line> {
    vec![
        Line::type_b("standard", 50_000_623.0, Distribution::Normal { expanded: 75.0, coverage_factor: 3.0 })
            .with_dof(18.0),
        Line::type_a("difference", 215.0, 9.7, 25.6),
        Line::type_b(
            "difference in expansion",
            0.0,
            Distribution::Standard { standard_uncertainty: 0.58e-6 },
        )
        .with_sensitivity(50e6 * 0.1)
        .with_dof(50.0),
        Line::type_b(
            "difference in temperature",
            0.0,
            Distribution::Standard { standard_uncertainty: 0.029 },
        )
        .with_sensitivity(-50e6 * 11.5e-6)
        .with_dof(2.0),
        Line::type_b("expansion", 11.5e-6, Distribution::Standard { standard_uncertainty: 1.2e-6 })
            .with_sensitivity(0.0),
        Line::type_b("temperature", -0.1, Distribution::Standard { standard_uncertainty: 0.41 })
            .with_sensitivity(0.0),
    ]
}

fn end_gauge(table: &mut Table) {
    let lines = end_gauge_lines();
    let r = combine(&lines, 0.99).unwrap();
    let part = |i: usize| r.contributions[i].contribution.abs();
    let mut s = table.section("GUM H.1 end gauge", R);
    s.digits("u(lS)", part(0), 25.0, 0);
    let difference = combine(&difference_lines(), 0.99).unwrap();
    s.digits("u(d)", difference.standard_uncertainty, 9.7, 1);
    // The printed 25.6 is 9.7^4 over the sum, with the rounded 9.7.
    s.absolute("dof of u(d)", difference.effective_dof, 25.6, 0.2);
    let rounded = difference.effective_dof * (9.7 / difference.standard_uncertainty).powi(4);
    s.digits("dof of u(d) from the rounded u(d)", rounded, 25.6, 1);
    s.digits("expansion term", part(2), 2.9, 1);
    s.digits("temperature term", part(3), 16.675, 3);
    s.digits("l", lines[0].value + lines[1].value, 50_000_838.0, 0);
    s.digits("u_c", r.standard_uncertainty, 32.0, 0);
    s.digits("nu_eff", r.effective_dof, 16.7, 1);
    s.digits("t99", r.coverage_factor, 2.92, 2);
    s.digits("U99", r.expanded, 93.0, 0);
    table.section("GUM H.1 end gauge", C).digits("u_c unrounded", r.standard_uncertainty, 31.71, 2);
    let mut with_second_order = lines;
    with_second_order.push(Line::second_order("expansion x temperature", 50e6, 0.58e-6, 0.41));
    with_second_order.push(Line::second_order("expansion x difference", 50e6, 1.2e-6, 0.029));
    let second = combine(&with_second_order, 0.99).unwrap();
    let mut s = table.section("GUM H.1.7 second order", M);
    // The printed 11.7 is rounded from unprinted digits: 11.89 from the figures given.
    s.absolute("first term", second.contributions[6].contribution, 11.7, 0.2);
    s.digits("second term", second.contributions[7].contribution, 1.7, 1);
    s.digits("u_c with second order", second.standard_uncertainty, 34.0, 0);
    table.section("GUM H.1.7", C).digits("first term", second.contributions[6].contribution, 11.89, 2);
}

fn impedance(table: &mut Table) {
    let v = [5.007, 4.994, 5.005, 4.990, 4.999];
    let i = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
    let phi = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
    let r = |a: &[f64], b: &[f64]| correlation_of_observations(a, b).unwrap();
    let (r_vi, r_vp, r_ip) = (r(&v, &i), r(&v, &phi), r(&i, &phi));
    let mean = |x: &[f64]| summary::mean(x).unwrap();
    let (mv, mi, mp) = (mean(&v), mean(&i), mean(&phi));
    let correlation = vec![vec![1.0, r_vi, r_vp], vec![r_vi, 1.0, r_ip], vec![r_vp, r_ip, 1.0]];
    let lines = |c: [f64; 3]| -> Vec<Line> {
        [("V", &v), ("I", &i), ("phi", &phi)]
            .into_iter()
            .zip(c)
            .map(|((name, data), c)| Line::from_observations(name, data).unwrap().with_sensitivity(c))
            .collect()
    };
    let (re, im, z) = (mv / mi * mp.cos(), mv / mi * mp.sin(), mv / mi);
    let c_re = [re / mv, -re / mi, -im];
    let c_im = [im / mv, -im / mi, re];
    let c_z = [z / mv, -z / mi, 0.0];
    let u = |c| combine_correlated(&lines(c), &correlation, 0.95).unwrap().standard_uncertainty;
    let mut s = table.section("GUM H.2 correlated inputs", R);
    s.digits("r(V, I)", r_vi, -0.36, 2);
    s.digits("r(V, phi)", r_vp, 0.86, 2);
    s.digits("r(I, phi)", r_ip, -0.65, 2);
    s.digits("R", re, 127.732, 3);
    s.digits("u(R)", u(c_re), 0.071, 3);
    s.digits("X", im, 219.847, 3);
    s.absolute("u(X), printed truncated", u(c_im), 0.295, 7e-4);
    s.digits("Z", z, 254.260, 3);
    s.digits("u(Z)", u(c_z), 0.236, 3);
    let plain = |c| combine(&lines(c), 0.95).unwrap().standard_uncertainty;
    s.digits("u(R) without correlation", plain(c_re), 0.195, 3);
    s.digits("u(X) without correlation", plain(c_im), 0.201, 3);
    table.section("GUM H.2", C).digits("u(X) exact", u(c_im), 0.29558, 5);
}

fn nested(table: &mut Table) {
    let means = [172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0];
    let sds = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
    let n = nested_from_summary(&means, &sds, 5).unwrap();
    let mut s = table.section("GUM H.5 nested", M);
    s.digits("mean", n.mean, 97.0, 0);
    s.digits("s of means", n.sd_of_means, 57.0, 0);
    s.digits("s_a", n.sd_a, 128.0, 0);
    s.digits("s_b", n.sd_b, 85.0, 0);
    s.absolute("F", n.f, 2.25, 0.03);
    s.digits("F 0.95", f_quantile(0.95, n.dof.0, n.dof.1).unwrap(), 2.12, 2);
    s.digits("F 0.975", f_quantile(0.975, n.dof.0, n.dof.1).unwrap(), 2.45, 2);
    s.digits("u pooled", n.u_pooled, 13.0, 0);
    s.exact("dof pooled", n.dof_pooled, 49.0);
    s.digits("u of means", n.u_of_means, 18.0, 0);
    s.exact("dof of means", n.dof_of_means, 9.0);
    table.section("GUM H.5", C).digits("F unrounded", n.f, 2.262, 3);
}

fn small_examples(table: &mut Table) {
    let r = combine(
        &[
            Line::type_a("a", 0.0, 0.25, 9.0),
            Line::type_a("b", 0.0, 0.57, 4.0),
            Line::type_a("c", 0.0, 0.82, 14.0),
        ],
        0.95,
    )
    .unwrap();
    let mut s = table.section("GUM G.4.1", M);
    s.digits("u_c", r.standard_uncertainty, 1.03, 2);
    s.digits("nu_eff", r.effective_dof, 19.0, 1);
    s.digits("t95", r.coverage_factor, 2.09, 2);
    s.digits("U", r.expanded, 2.2, 1);
    let equal = effective_dof(&[(2.0, 10.0), (2.0, 10.0), (2.0, 10.0), (2.0, 10.0)]);
    table.section("GUM G.4", R).relative("four equal terms", equal, 40.0, 1e-14);
    let u = |d: Distribution| d.standard_uncertainty().unwrap();
    let mut s = table.section("GUM 4.3, F.2.2.1", M);
    s.digits("rectangular, a = 4", u(Distribution::Rectangular { half_width: 4.0 }), 2.3, 1);
    s.digits("triangular, a = 4", u(Distribution::Triangular { half_width: 4.0 }), 1.6, 1);
    s.digits("resolution step 1", u(Distribution::ResolutionStep { step: 1.0 }), 0.29, 2);
    s.digits("resolution step 1", u(Distribution::ResolutionStep { step: 1.0 }), 0.288675, 6);
    s.digits("4.4.3, n = 20, s = 1.49", 1.49 / 20_f64.sqrt(), 0.33, 2);
    let four =
        combine(&[1, 2, 3, 4].map(|i| Line::type_a(i.to_string(), 0.0, 1.0, f64::INFINITY)), 0.95).unwrap();
    table.section("GUM Suppl. 1, 9.2", R).digits("four normal inputs", four.expanded, 3.92, 2);
    let mut s = table.section("GUM table E.1", M);
    for (n, percent) in
        [(2, 76.0), (3, 52.0), (4, 42.0), (5, 36.0), (10, 24.0), (20, 16.0), (30, 13.0), (50, 10.0)]
    {
        s.digits(format!("n = {n}"), 100.0 * summary::relative_sd_of_sd(n).unwrap(), percent, 0);
    }
}

fn t_factors(table: &mut Table) {
    let coverages = [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973];
    let printed = [
        (1.0, [1.84, 6.31, 12.71, 13.97, 63.66, 235.80]),
        (2.0, [1.32, 2.92, 4.30, 4.53, 9.92, 19.21]),
        (5.0, [1.11, 2.02, 2.57, 2.65, 4.03, 5.51]),
        (10.0, [1.05, 1.81, 2.23, 2.28, 3.17, 3.96]),
        (16.0, [1.03, 1.75, 2.12, 2.17, 2.92, 3.54]),
        (20.0, [1.03, 1.72, 2.09, 2.13, 2.85, 3.42]),
        (50.0, [1.01, 1.68, 2.01, 2.05, 2.68, 3.16]),
        (100.0, [1.005, 1.660, 1.984, 2.025, 2.626, 3.077]),
    ];
    let mut s = table.section("GUM table G.2", M);
    for (dof, factors) in printed {
        for (coverage, t) in coverages.into_iter().zip(factors) {
            // The table was computed for 68.27 %, 95.45 %, 99.73 % with more digits: 0.01, but 0.02 % at 235.80.
            let tolerance = if t > 100.0 { 0.05 } else { 0.01 };
            let got = t_upper_quantile(0.5 * (1.0 - coverage), dof).unwrap();
            s.absolute(format!("t, {dof} dof, {coverage}"), got, t, tolerance);
            assert_eq!(got, coverage_factor(coverage, dof + 0.4).unwrap());
        }
    }
}
