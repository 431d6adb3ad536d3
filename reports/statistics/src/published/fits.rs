//! Maximum likelihood fits, tests of normality, outliers.

use super::Mark::{C, M, R};
use super::Table;
use super::data::{CONOVER, MICHELSO, PORT_PIRIE, ROSNER};
use crate::distributions::{Model, fit_gumbel_minima, fit_weibull};
use crate::normality::{anderson_darling, shapiro_wilk};
use crate::outliers::{Side, generalised_esd, grubbs};

pub fn rows(table: &mut Table) {
    weibull(table);
    extremes(table);
    normality(table);
    outliers(table);
}

fn weibull(table: &mut Table) {
    let observed = [54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0];
    let fit = fit_weibull(&observed, &[500.0; 10]).unwrap();
    let Model::Weibull { shape, scale } = fit.model else { panic!("{:?}", fit.model) };
    let mut s = table.section("e-Handbook 8.4.1.3", R);
    s.digits("shape", shape, 1.7208, 4);
    // The printed 606.5280 stopped short of the optimum 606.5276.
    s.absolute("scale", scale, 606.5280, 6e-4);
    s.digits("ln likelihood", fit.ln_likelihood, -75.135, 3);
    s.digits("AIC", fit.aic(), 154.27, 2);
    table.section("e-Handbook 8.4.1.3", C).digits("scale at the optimum", scale, 606.5276, 4);
}

fn extremes(table: &mut Table) {
    let mirrored: Vec<f64> = PORT_PIRIE.iter().map(|v| -v).collect();
    let fit = fit_gumbel_minima(&mirrored).unwrap();
    let Model::GumbelMinima { location, scale } = fit.model else { panic!("{:?}", fit.model) };
    let mut s = table.section("Coles 2001, Gumbel, the negated maxima", M);
    s.digits("mu", -location, 3.87, 2);
    s.digits("beta", scale, 0.195, 3);
    s.digits("ln likelihood", fit.ln_likelihood, 4.22, 2);
    let mut s = table.section("Port Pirie, Gumbel", C);
    s.digits("mu", -location, 3.86944, 5);
    s.digits("beta", scale, 0.194889, 6);
}

fn normality(table: &mut Table) {
    let t = anderson_darling(&CONOVER).unwrap();
    let mut s = table.section("Conover 1980, Anderson-Darling", M);
    s.digits("A2", t.statistic, 0.3339, 4);
    s.digits("p", t.p, 0.5024, 4);
    let michelso: Vec<f64> = MICHELSO.iter().map(|x| 299.0 + f64::from(*x) / 100.0).collect();
    let mut s = table.section("Anderson-Darling, peer values", C);
    s.digits("Michelso", anderson_darling(&michelso).unwrap().statistic, 0.460763856, 9);
    s.digits("Rosner", anderson_darling(&ROSNER).unwrap().statistic, 1.735689163, 9);
    let w =
        shapiro_wilk(&[148.0, 154.0, 158.0, 160.0, 161.0, 162.0, 166.0, 170.0, 182.0, 195.0, 236.0]).unwrap();
    let mut s = table.section("Shapiro-Wilk, scipy", C);
    s.digits("W", w.statistic, 0.7888147, 7);
    s.digits("p", w.p, 0.0067038, 7);
    let small = [1.0, 2.0, 4.0, 9.0, 10.0, 10.5, 30.0];
    for (values, w, p) in [
        (CONOVER.as_slice(), 0.9744386510, 0.3473021029),
        (ROSNER.as_slice(), 0.9060621369, 0.0004614984),
        (michelso.as_slice(), 0.9880743300, 0.5137039300),
        (&small[..3], 0.9642857143, 0.6368868450),
        (&small[..4], 0.8946862709, 0.4051472112),
        (&small[..5], 0.8809646040, 0.3137050004),
        (&small[..], 0.7957420793, 0.0371681228),
    ] {
        let t = shapiro_wilk(values).unwrap();
        s.absolute(format!("W of {} values", values.len()), t.statistic, w, 1e-8);
        s.absolute(format!("p of {} values", values.len()), t.p, p, 1e-6);
    }
}

fn outliers(table: &mut Table) {
    let masses = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
    let one = grubbs(&masses, 0.05, Side::Highest).unwrap();
    // Printed truncated: the exact value is 2.46876.
    table.section("e-Handbook 1.3.5.17.1", R).absolute("G", one.statistic, 2.4687, 1e-4);
    table.section("e-Handbook 1.3.5.17.1", M).digits("one-sided critical value", one.critical, 2.032, 3);
    let both = grubbs(&masses, 0.05, Side::Both).unwrap();
    table.section("e-Handbook 1.3.5.17.1", C).digits("two-sided critical value", both.critical, 2.1266, 4);
    let esd = generalised_esd(&ROSNER, 10, 0.05).unwrap();
    let printed = [
        (3.118, 3.158),
        (2.942, 3.151),
        (3.179, 3.143),
        (2.810, 3.136),
        (2.815, 3.128),
        (2.848, 3.120),
        (2.279, 3.111),
        (2.310, 3.103),
        (2.101, 3.094),
        (2.067, 3.085),
    ];
    let mut s = table.section("e-Handbook 1.3.5.17.3", R);
    for (i, (step, (statistic, critical))) in esd.steps.iter().zip(printed).enumerate() {
        // The printed digits are truncated.
        s.absolute(format!("R{}", i + 1), step.statistic, statistic, 1e-3);
        s.absolute(format!("lambda{}", i + 1), step.critical, critical, 1e-3);
    }
    s.exact("outliers", esd.outliers as f64, 3.0);
}
