//! Gauge study, critical values of means, multiplicity.

use super::Mark::{C, M, R};
use super::Table;
use super::data::gauge_cells;
use crate::gauge::{Pooling, gauge_study};
use crate::multiplicity::{Correction, adjusted_p};
use crate::special::t_quantile;

pub fn rows(table: &mut Table) {
    gauge(table);
    means(table);
    multiplicity(table);
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
}

fn means(table: &mut Table) {
    let mut s = table.section("e-Handbook 1.3.5.3, 7.2.2", M);
    s.digits("critical t, 326 dof", t_quantile(0.975, 326.0).unwrap(), 1.9673, 4);
    s.digits("t 0.95 (9)", t_quantile(0.95, 9.0).unwrap(), 1.833, 3);
}

fn multiplicity(table: &mut Table) {
    let p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
        0.6528, 0.7590, 1.0,
    ];
    let mut s = table.section("Benjamini and Hochberg 1995", R);
    let rejected = |correction| adjusted_p(&p, correction).unwrap().iter().filter(|v| **v <= 0.05).count();
    s.exact("rejected", rejected(Correction::BenjaminiHochberg) as f64, 4.0);
    s.exact("Holm", rejected(Correction::Holm) as f64, 3.0);
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
