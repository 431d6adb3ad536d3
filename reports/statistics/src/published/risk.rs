//! JCGM 106, ILAC-G8, ISO 14253-1: conformance probability, decision rules, global risk.

use super::Mark::{C, M, R};
use super::Table;
use crate::conformity::{DecisionRule, Measured, Tolerance, conformance};
use crate::global_risk::{Prior, global_risk};
use crate::reliability::{Brier, Forecasts};
use crate::special::{normal_quantile, normal_upper_quantile};

pub fn rows(table: &mut Table) {
    conformance_rows(table);
    rule_rows(table);
    global_rows(table);
    process_rows(table);
    forecast_rows(table);
}

/// Rain (more than 0.2 mm a day) forecast a day ahead in 2003 by the Finnish Meteorological Institute: probability, days, days with rain, as counted from
/// the 346 days that have both; score and parts as the vignette of the R package verification prints them.
fn forecast_rows(table: &mut Table) {
    const RAIN: [(u32, u64, u64); 11] = [
        (0, 46, 1),
        (10, 55, 1),
        (20, 59, 5),
        (30, 41, 5),
        (40, 19, 4),
        (50, 22, 8),
        (60, 22, 6),
        (70, 34, 16),
        (80, 24, 16),
        (90, 11, 8),
        (100, 13, 11),
    ];
    let forecasts = RAIN.map(|(percent, number, events)| Forecasts {
        probability: f64::from(percent) / 100.0,
        number,
        events,
    });
    let found = Brier::of(&forecasts).unwrap();
    let mut s = table.section("R package verification, vignette, section 2", R);
    s.digits("Brier score", found.score, 0.1445, 4);
    s.digits("reliability", found.reliability, 0.02536, 5);
    s.digits("resolution", found.resolution, 0.06017, 5);
    s.digits("uncertainty", found.uncertainty, 0.1793, 4);
    s.digits("skill", found.skill(), 0.1942, 4);
}

fn conformance_rows(table: &mut Table) {
    let mut s = table.section("JCGM 106 table 1", M);
    for (p, z, digits) in
        [(0.80, 0.84, 2), (0.90, 1.28, 2), (0.95, 1.645, 3), (0.99, 2.33, 2), (0.999, 3.09, 2)]
    {
        s.digits(format!("z for p_c = {p}"), normal_quantile(p).unwrap(), z, digits);
    }
    let p = |value, u, t| conformance(&Measured::normal(value, u), &t).unwrap().conforming;
    let mut s = table.section("JCGM 106 7.3.3", M);
    s.digits("example 1, z", (-5.40 - -5.47) / 0.05, 1.40, 2);
    s.digits("example 1, breakdown voltage", p(-5.47, 0.05, Tolerance::Upper(-5.40)), 0.92, 2);
    s.digits("example 2, burst pressure", p(509.7, 8.6, Tolerance::Lower(490.0)), 0.99, 2);
    let viscosity = Tolerance::Both { lower: 12.5, upper: 16.3 };
    table.section("JCGM 106 7.4", M).digits("oil viscosity, two-sided", p(13.6, 1.8, viscosity), 0.66, 2);
    let mut s = table.section("JCGM 106 clause 7", C);
    s.digits("example 1", p(-5.47, 0.05, Tolerance::Upper(-5.40)), 0.919243, 6);
    s.digits("example 2", p(509.7, 8.6, Tolerance::Lower(490.0)), 0.989010, 6);
    s.digits("oil viscosity", p(13.6, 1.8, viscosity), 0.662630, 6);

    // Guarded rejection: smallest reading v with p(speed > 100) >= 0.999 when u = 2 % of v.
    let z = normal_upper_quantile(0.001).unwrap();
    table.section("JCGM 106 8.3.3", M).digits(
        "speed limit, guarded rejection",
        100.0 / (1.0 - z * 0.02),
        106.6,
        1,
    );
    let just = 100.0 / (1.0 - z * 0.02);
    let c = conformance(&Measured::normal(just, 0.02 * just), &Tolerance::Upper(100.0)).unwrap();
    table.section("JCGM 106 8.3.3", C).relative("speed limit, probability", c.nonconforming, 0.999, 1e-9);
}

fn rule_rows(table: &mut Table) {
    // (rule, k, printed worst-case PFA, tolerance)
    let read = [
        (DecisionRule::SixSigma, 2.0, 9.866e-10, 5e-13),
        // The reference page gives 2.06e-9; the exact value is 2.051e-9, the rule's bound is 1 ppm either way.
        (DecisionRule::SixSigma, 1.96, 2.06e-9, 1e-11),
        (DecisionRule::ThreeSigma, 2.0, 0.001350, 5e-7),
        (DecisionRule::ThreeSigma, 1.96, 0.001641, 5e-7),
        (DecisionRule::IlacG8, 2.0, 0.02275, 5e-6),
        (DecisionRule::IlacG8, 1.96, 0.02500, 5e-6),
        (DecisionRule::SimpleAcceptance, 2.0, 0.5, 0.0),
    ];
    let mut s = table.section("ILAC-G8:09/2019 table 1", R);
    for (rule, k, pfa, tolerance) in read {
        s.absolute(format!("{rule}, k = {k}"), rule.worst_case_false_accept(k), pfa, tolerance);
    }
    s.relative("w of 3 sigma in U", DecisionRule::ThreeSigma.guard_band(0.5, 2.0), 1.5, 1e-15);
    s.relative("w of 6 sigma in U", DecisionRule::SixSigma.guard_band(0.5, 2.0), 3.0, 1e-15);
    let mut s = table.section("ISO 14253-1:2017", M);
    s.digits("w in U at k = 2", DecisionRule::Iso14253.guard_band(0.5, 2.0), 0.83, 2);
    s.digits("0.83 U, k = 2", DecisionRule::Multiple { r: 0.83 }.worst_case_false_accept(2.0), 0.04846, 5);
    s.digits("0.83 U, k = 1.96", DecisionRule::Multiple { r: 0.83 }.worst_case_false_accept(1.96), 0.0519, 4);
    let mut s = table.section("ILAC-G8 uncritical", M);
    let uncritical = DecisionRule::Uncritical;
    s.digits("PFR, k = 2", 1.0 - uncritical.worst_case_false_accept(2.0), 0.02275, 5);
    s.digits("PFR, k = 1.96", 1.0 - uncritical.worst_case_false_accept(1.96), 0.025, 4);
}

fn global_rows(table: &mut Table) {
    let prior = Prior::Gamma { shape: 4.0, rate: 4.0 };
    let t = Tolerance::Upper(2.0);
    let simple = global_risk(&prior, 0.25, &t, &t).unwrap();
    let guarded = global_risk(&prior, 0.25, &t, &Tolerance::Upper(1.671829)).unwrap();
    let mut s = table.section("JCGM 106 9.5.4 ball bearing", R);
    s.digits("P(nonconforming)", simple.nonconforming, 0.042, 3);
    s.digits("R_C", simple.consumer, 0.008, 3);
    s.digits("R_C at A_U = 1.67", guarded.consumer, 0.001, 4);
    let mut s = table.section("JCGM 106 9.5.4 ball bearing", C);
    s.digits("P(nonconforming)", simple.nonconforming, 0.0423801, 7);
    s.digits("R_C", simple.consumer, 0.00801911, 8);
    s.relative("R_C at A_U", guarded.consumer, 0.001, 1e-5);
    s.digits("R_P, simple acceptance", simple.producer, 0.0174446, 7);
    s.absolute("R_P, guarded", guarded.producer, 0.0754939, 2e-7);

    let prior = Prior::Normal { mean: 1500.0, sd: 0.12 };
    let t = Tolerance::Both { lower: 1499.8, upper: 1500.2 };
    let a = Tolerance::Both { lower: 1499.82, upper: 1500.18 };
    let guarded = global_risk(&prior, 0.04, &t, &a).unwrap();
    let simple = global_risk(&prior, 0.04, &t, &t).unwrap();
    let mut s = table.section("JCGM 106 9.5 resistors", M);
    s.digits("P(nonconforming)", guarded.nonconforming, 0.096, 3);
    s.digits("R_C", guarded.consumer, 0.01, 2);
    s.digits("R_P", guarded.producer, 0.07, 2);
    let mut s = table.section("JCGM 106 9.5 resistors", C);
    s.digits("P(nonconforming)", guarded.nonconforming, 0.0955807, 7);
    s.digits("R_C", guarded.consumer, 0.00987829, 8);
    s.digits("R_P", guarded.producer, 0.0690265, 7);
    s.digits("R_C, simple acceptance", simple.consumer, 0.0189422, 7);
    s.digits("R_P, simple acceptance", simple.producer, 0.0372078, 7);
}

fn process_rows(table: &mut Table) {
    let t = Tolerance::Both { lower: -1.0, upper: 1.0 };
    // In-tolerance probability, joint PFA %, PFA % given accepted. Printed from a coarse integral: 1e-6 and 2e-6 %.
    let printed = [
        (0.60, 4.83860326, 8.26008199),
        (0.70, 3.92234109, 5.72322042),
        (0.80, 2.85583037, 3.63227145),
        (0.90, 1.59995312, 1.79880430),
        (0.95, 0.87100925, 0.92389664),
        (0.99, 0.19991684, 0.20243866),
    ];
    for (itp, joint, conditional) in printed {
        let sd = 1.0 / normal_quantile(0.5 + 0.5 * itp).unwrap();
        let r = global_risk(&Prior::Normal { mean: 0.0, sd }, sd / 4.0, &t, &t).unwrap();
        let mut s = table.section("NCSLI RP-19 draft", R);
        s.absolute(format!("joint PFA %, itp {itp}"), 100.0 * r.consumer, joint, 1e-6);
        s.absolute(
            format!("PFA % given accepted, itp {itp}"),
            100.0 * r.nonconforming_given_accepted,
            conditional,
            2e-6,
        );
        let exact = if itp == 0.95 {
            Some(0.87101019)
        } else if itp == 0.99 {
            Some(0.19991696)
        } else {
            None
        };
        if let Some(exact) = exact {
            table.section("NCSLI RP-19, exact integral", C).digits(
                format!("itp {itp}"),
                100.0 * r.consumer,
                exact,
                8,
            );
        }
    }
    let t = Tolerance::Both { lower: -8.0, upper: 8.0 };
    let r = global_risk(&Prior::Normal { mean: 0.0, sd: 4.0 }, 1.0, &t, &t).unwrap();
    let mut s = table.section("Deaver", R);
    s.digits("false accept", r.consumer, 0.008, 3);
    s.digits("false reject", r.producer, 0.015, 3);
    let mut s = table.section("Deaver", C);
    s.digits("false accept", r.consumer, 0.00800608, 8);
    s.digits("false reject", r.producer, 0.0148509, 7);
}
