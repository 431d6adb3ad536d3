//! Gauge study, comparisons of means, multiplicity, ranks.

use super::Mark::{C, M, R};
use super::Table;
use super::data::gauge_cells;
use crate::anova::tukey;
use crate::comparisons::{Difference, Sample, equivalence, pooled_sd};
use crate::gauge::{Pooling, average_and_range, gauge_study};
use crate::multiplicity::{Correction, adjusted_p, rejected};
use crate::ranks::{mann_whitney, signed_rank};
use crate::special::{f_quantile, t_quantile};

pub fn rows(table: &mut Table) {
    gauge(table);
    means(table);
    multiplicity(table);
    ranks(table);
}

fn gauge(table: &mut Table) {
    let cells = gauge_cells();
    let g = gauge_study(&cells, Pooling::ByRule).unwrap();
    let mut s = table.section("AIAG MSA 4th ed., sums of squares", M);
    for (what, got, expected) in [
        ("part", g.sums_of_squares[0], 88.3619),
        ("appraiser", g.sums_of_squares[1], 3.1673),
        ("interaction", g.sums_of_squares[2], 0.3590),
        ("equipment", g.sums_of_squares[3], 2.7589),
        ("total", g.sums_of_squares.iter().sum(), 94.6471),
    ] {
        s.digits(what, got, expected, 4);
    }
    s.digits("F appraiser", g.appraiser_f, 39.617, 3);
    s.digits("F part", g.part_f, 245.614, 3);
    s.digits("F interaction", g.interaction_f, 0.434, 3);
    let v = g.variation;
    let mut s = table.section("AIAG MSA 4th ed., analysis of variance", R);
    for (what, got, expected) in [
        ("dof part", g.dof[0], 9.0),
        ("dof appraiser", g.dof[1], 2.0),
        ("dof interaction", g.dof[2], 18.0),
        ("dof equipment", g.dof[3], 60.0),
        ("ndc", f64::from(v.distinct_categories), 4.0),
    ] {
        s.exact(what, got, expected);
    }
    s.digits("interaction p", g.interaction_p, 0.9741, 4);
    s.digits("EV", v.repeatability, 0.199933, 6);
    s.digits("AV", v.reproducibility, 0.226838, 6);
    s.absolute("GRR, printed .302373", v.gauge, 0.302373, 2e-6);
    s.digits("PV", v.parts, 1.042327, 6);
    s.digits("TV", v.total, 1.085, 3);
    for (what, part, of_total, contribution) in [
        ("EV", v.repeatability, 18.4, 3.4),
        ("AV", v.reproducibility, 20.9, 4.4),
        ("GRR", v.gauge, 27.9, 7.8),
        ("PV", v.parts, 96.0, 92.2),
    ] {
        s.digits(format!("% of TV, {what}"), 100.0 * v.of_total(part), of_total, 1);
        s.digits(format!("% contribution, {what}"), 100.0 * v.contribution(part), contribution, 1);
    }
    s.digits(
        "unpooled EV",
        gauge_study(&cells, Pooling::Never).unwrap().variation.repeatability,
        0.214435,
        6,
    );
    let mut s = table.section("AIAG MSA, unrounded", C);
    s.digits("GRR", v.gauge, 0.3023715, 7);
    s.digits("TV", v.total, 1.085300, 6);
    s.digits("1.41 PV/GRR", 1.41 * v.parts / v.gauge, 4.861, 3);
    let a = average_and_range(&cells).unwrap();
    let v = a.variation;
    let mut s = table.section("AIAG MSA 4th ed., average and range", M);
    s.digits("mean range", a.mean_range, 0.3417, 4);
    s.digits("range of appraisers", a.range_of_appraisers, 0.4447, 4);
    s.digits("range of parts", a.range_of_parts, 3.511, 3);
    // The book carries rounded intermediates.
    for (what, got, printed, unrounded) in [
        ("EV", v.repeatability, 0.20188, 0.20186),
        ("AV", v.reproducibility, 0.22963, 0.22967),
        ("GRR", v.gauge, 0.30575, 0.30577),
        ("PV", v.parts, 1.10456, 1.10460),
        ("TV", v.total, 1.14610, 1.14613),
    ] {
        table.section("AIAG MSA 4th ed., average and range", M).absolute(what, got, printed, 6e-5);
        table.section("AIAG MSA, average and range unrounded", C).digits(what, got, unrounded, 5);
    }
    let mut s = table.section("AIAG MSA 4th ed., average and range", M);
    s.digits("% GRR", 100.0 * v.of_total(v.gauge), 26.68, 2);
    s.digits("1.41 PV/GRR", 1.41 * v.parts / v.gauge, 5.094, 3);
    s.exact("ndc", f64::from(v.distinct_categories), 5.0);
}

fn means(table: &mut Table) {
    let us = Sample { mean: 20.14458, standard_deviation: 6.41470, n: 249 };
    let japan = Sample { mean: 30.48101, standard_deviation: 6.10771, n: 79 };
    let pooled = Difference::pooled(&us, &japan).unwrap();
    let welch = Difference::welch(&us, &japan).unwrap();
    let mut s = table.section("e-Handbook 1.3.5.3", M);
    s.digits("pooled sd", pooled_sd(&us, &japan).unwrap(), 6.34260, 5);
    s.absolute("T", pooled.t(0.0), -12.62059, 1e-5);
    s.exact("dof", pooled.dof, 326.0);
    s.digits("critical t", t_quantile(0.975, 326.0).unwrap(), 1.9673, 4);
    s.absolute("Welch T", welch.t(0.0), -12.94627, 1e-5);
    s.digits("Welch dof", welch.dof, 136.875, 3);
    let counts = [50.0, 48.0, 44.0, 56.0, 61.0, 52.0, 53.0, 55.0, 67.0, 51.0];
    let sample = Sample::of(&counts).unwrap();
    let one = Difference::from_reference(&sample, 50.0).unwrap();
    let mut s = table.section("e-Handbook 7.2.2", M);
    s.digits("mean", sample.mean, 53.7, 1);
    s.digits("s", sample.standard_deviation, 6.567, 3);
    s.digits("t", one.t(0.0), 1.782, 3);
    s.digits("t 0.95 (9)", t_quantile(0.95, one.dof).unwrap(), 1.833, 3);

    let a = Sample { mean: 5.25, standard_deviation: 0.95, n: 95 };
    let b = Sample { mean: 5.22, standard_deviation: 0.83, n: 89 };
    let sd_average = ((0.95_f64.powi(2) + 0.83_f64.powi(2)) / 2.0).sqrt();
    let bound = 0.43 * sd_average;
    let d = Difference::welch(&a, &b).unwrap();
    let e = equivalence(&d, -bound, bound, 0.05).unwrap();
    let mut s = table.section("two one-sided tests", R);
    s.digits("bound", bound, 0.384, 3);
    s.digits("t upper", e.upper.0, -2.69, 2);
    s.digits("p upper", e.upper.1, 0.004, 3);
    let mut s = table.section("two one-sided tests", C);
    s.digits("sd average", sd_average, 0.892, 3);
    s.digits("dof", d.dof, 181.13, 2);
    s.digits("p upper", e.upper.1, 0.003876, 6);
    s.digits("t lower", e.lower.0, 3.15, 2);
    s.digits("p lower", e.lower.1, 0.001, 3);
    s.digits("90 % lower", e.interval.lower, -0.187, 3);
    s.digits("90 % upper", e.interval.upper, 0.247, 3);
    s.exact("equivalent", f64::from(u8::from(e.equivalent)), 1.0);
    let groups: [&[f64]; 3] =
        [&[24.5, 23.5, 26.4, 27.1, 29.9], &[28.4, 34.2, 29.5, 32.2, 30.1], &[26.1, 28.3, 24.3, 26.2, 27.8]];
    let pairs = tukey(&groups, 0.95).unwrap();
    let mut s = table.section("Tukey, scipy", C);
    for (pair, (p, upper)) in
        pairs.iter().zip([(0.01444833, 8.249159), (0.98031072, 3.909159), (0.02033114, -0.690841)])
    {
        s.absolute(format!("p {:?}", pair.groups), pair.p, p, 1e-7);
        s.absolute(format!("upper end {:?}", pair.groups), pair.interval.upper, upper, 1e-5);
    }
    table.section("F quantile", C).digits("F .95 (9, 40)", f_quantile(0.95, 9.0, 40.0).unwrap(), 2.1240, 4);
}

fn multiplicity(table: &mut Table) {
    let p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
        0.6528, 0.7590, 1.0,
    ];
    let mut s = table.section("Benjamini and Hochberg 1995", R);
    s.exact("rejected", rejected(&p, Correction::BenjaminiHochberg, 0.05).unwrap() as f64, 4.0);
    s.exact("Bonferroni", rejected(&p, Correction::Bonferroni, 0.05).unwrap() as f64, 3.0);
    s.exact("Holm", rejected(&p, Correction::Holm, 0.05).unwrap() as f64, 3.0);
    let printed = [
        (0.0015, 4),
        (0.0030, 4),
        (0.0095, 4),
        (0.035625, 6),
        (0.0603, 4),
        (0.063857, 6),
        (0.063857, 6),
        (0.0645, 4),
        (0.0765, 4),
        (0.4860, 4),
        (0.58118, 5),
        (0.714875, 6),
        (0.75323, 5),
        (0.81321, 5),
        (1.0, 4),
    ];
    let adjusted = adjusted_p(&p, Correction::BenjaminiHochberg).unwrap();
    let mut s = table.section("adjusted p", C);
    for (i, ((value, digits), got)) in printed.into_iter().zip(adjusted).enumerate() {
        s.digits(format!("number {}", i + 1), got, value, digits);
    }
}

fn ranks(table: &mut Table) {
    let x = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
    let y = [1.15, 0.88, 0.90, 0.74, 1.21];
    let t = mann_whitney(&x, &y).unwrap();
    let mut s = table.section("Hollander and Wolfe, Mann-Whitney", M);
    s.exact("U", t.statistic, 35.0);
    s.digits("p greater", t.p_greater, 0.1272, 4);
    // Twice the exact 0.12720 prints as .2544.
    s.digits("p two-sided", t.p_two_sided, 0.2544, 4);
    s.digits("shift", t.shift, 0.305, 3);
    let before = [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30];
    let after = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 314.0 / 100.0, 1.29];
    let d: Vec<f64> = before.iter().zip(after).map(|(a, b)| a - b).collect();
    let t = signed_rank(&d).unwrap();
    let mut s = table.section("Hollander and Wolfe, signed rank", M);
    s.exact("V", t.statistic, 40.0);
    s.digits("p greater", t.p_greater, 0.01953, 5);
    s.digits("shift", t.shift, 0.46, 2);
}
