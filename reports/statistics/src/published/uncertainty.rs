//! GUM examples and tables.

use super::Mark::{C, M, R};
use super::Table;
use crate::gum::{combine, coverage_factor, effective_dof};
use crate::special::t_upper_quantile;

pub fn rows(table: &mut Table) {
    end_gauge(table);
    small_examples(table);
    t_factors(table);
}

/// GUM H.1, contributions in nm with their degrees of freedom; the difference enters as the rounded 9.7 nm with 25.6,
/// as printed.
pub(super) fn end_gauge_lines() -> Vec<(f64, f64)> {
    let standard = 75.0 / 3.0;
    let expansion = 50e6 * 0.1 * 0.58e-6;
    let temperature = 50e6 * 11.5e-6 * 0.029;
    vec![(standard, 18.0), (9.7, 25.6), (expansion, 50.0), (temperature, 2.0)]
}

fn end_gauge(table: &mut Table) {
    let mut lines = end_gauge_lines();
    let r = combine(&lines, 0.99).unwrap();
    let mut s = table.section("GUM H.1 end gauge", R);
    // Repeated observations, comparator random and systematic (H.1.3.2).
    let difference = combine(&[(5.8, 24.0), (3.9, 5.0), (6.7, 8.0)], 0.99).unwrap();
    s.digits("u(d)", difference.standard_uncertainty, 9.7, 1);
    // The printed 25.6 is 9.7^4 over the sum, with the rounded 9.7.
    s.absolute("dof of u(d)", difference.effective_dof, 25.6, 0.2);
    let rounded = difference.effective_dof * (9.7 / difference.standard_uncertainty).powi(4);
    s.digits("dof of u(d) from the rounded u(d)", rounded, 25.6, 1);
    s.digits("u_c", r.standard_uncertainty, 32.0, 0);
    s.digits("nu_eff", r.effective_dof, 16.7, 1);
    s.digits("t99", r.coverage_factor, 2.92, 2);
    s.digits("U99", r.expanded, 93.0, 0);
    table.section("GUM H.1 end gauge", C).digits("u_c unrounded", r.standard_uncertainty, 31.71, 2);
    let second_order = [50e6 * 0.58e-6 * 0.41, 50e6 * 1.2e-6 * 0.029].map(|u| (u, f64::INFINITY));
    lines.extend(second_order);
    let second = combine(&lines, 0.99).unwrap();
    table.section("GUM H.1.7 second order", M).digits("u_c", second.standard_uncertainty, 34.0, 0);
}

fn small_examples(table: &mut Table) {
    let r = combine(&[(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)], 0.95).unwrap();
    let mut s = table.section("GUM G.4.1", M);
    s.digits("u_c", r.standard_uncertainty, 1.03, 2);
    s.digits("nu_eff", r.effective_dof, 19.0, 1);
    s.digits("t95", r.coverage_factor, 2.09, 2);
    s.digits("U", r.expanded, 2.2, 1);
    let equal = effective_dof(&[(2.0, 10.0), (2.0, 10.0), (2.0, 10.0), (2.0, 10.0)]);
    table.section("GUM G.4", R).relative("four equal terms", equal, 40.0, 1e-14);
    let four = combine(&[(1.0, f64::INFINITY); 4], 0.95).unwrap();
    table.section("GUM Suppl. 1, 9.2", R).digits("four normal inputs", four.expanded, 3.92, 2);
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
