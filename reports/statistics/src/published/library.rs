//! Values of general-purpose libraries, stored by `stored.py`.

use super::Mark::{C, M};
use super::{Table, scipy_fits, stored};
use crate::clustered::ln_beta_binomial;
use crate::comparisons::{Difference, non_inferiority, power};
use crate::multiplicity::{Correction, adjusted_p};
use crate::nonnegative::{Symmetric, solve_held};
use crate::proportion::exact_interval;
use crate::scoring::{Counts, Prior, score};
use crate::special::noncentral_t_sf;
use crate::summary::{mean, standard_deviation};

/// Boys among the first twelve children of 6115 families (Saxony, 1876-1885; Geissler's counts as Sokal and Rohlf's
/// Biometry and Lindsey print them).
const SAXONY: [u64; 13] = [3, 24, 104, 286, 670, 1033, 1343, 1112, 829, 478, 181, 45, 7];

pub fn rows(table: &mut Table) {
    saxony(table);
    fits(table);
    let mut s = table.section("scipy betabinom", C);
    for (k, n, alpha, beta, expected) in stored::BETA_BINOMIAL {
        let (p, rho) = (alpha / (alpha + beta), 1.0 / (1.0 + alpha + beta));
        let found = ln_beta_binomial((*k, *n), p, rho).exp();
        s.relative(format!("{k} of {n}, {alpha}, {beta}"), found, *expected, 1e-9);
    }
    let mut s = table.section("statsmodels proportion_confint", C);
    for (k, n, confidence, lower, upper) in stored::EXACT_INTERVALS {
        let found = exact_interval(*k, *n, *confidence).unwrap();
        s.absolute(format!("{k} of {n}, lower at {confidence}"), found.lower, *lower, 1e-10);
        s.absolute(format!("{k} of {n}, upper at {confidence}"), found.upper, *upper, 1e-10);
    }
    let mut s = table.section("statsmodels multipletests", C);
    for (p, holm, hochberg) in stored::ADJUSTED {
        for (correction, expected) in [(Correction::Holm, holm), (Correction::BenjaminiHochberg, hochberg)] {
            let found = adjusted_p(p, correction).unwrap();
            for ((found, expected), p) in found.iter().zip(*expected).zip(*p) {
                s.absolute(format!("{correction:?} of {p}"), *found, *expected, 1e-12);
            }
        }
    }
    let mut s = table.section("statsmodels ttost_mean", C);
    for (sample, allowed, above, below, both) in stored::EQUIVALENCE {
        let n = sample.len() as f64;
        let u = standard_deviation(sample).unwrap() / n.sqrt();
        let of = |value: f64| Difference { value, standard_uncertainty: u, dof: n - 1.0 };
        let mean = mean(sample).unwrap();
        // Not worse is one of two equivalence tests; the other is the same of the difference turned round.
        let not_lower = non_inferiority(&of(mean), *allowed, 0.05).unwrap().p_not_worse;
        let not_higher = non_inferiority(&of(-mean), *allowed, 0.05).unwrap().p_not_worse;
        s.absolute(format!("{n} values about {mean}, above"), not_lower, *above, 1e-10);
        s.absolute(format!("{n} values about {mean}, below"), not_higher, *below, 1e-10);
        s.absolute(format!("{n} values about {mean}, both"), not_lower.max(not_higher), *both, 1e-10);
    }
    let mut s = table.section("scipy nct", C);
    for (t, dof, shift, expected) in stored::NONCENTRAL {
        let found = noncentral_t_sf(*t, *dof, *shift).unwrap();
        s.absolute(format!("t {t}, {dof} degrees, shift {shift}"), found, *expected, 1e-8);
    }
    let mut s = table.section("statsmodels TTestPower", C);
    for (effect, count, alpha, expected) in stored::POWER {
        // A difference of `effect` standard deviations above the allowed loss.
        let n = *count as f64;
        let found = power(*effect, 1.0 / n.sqrt(), n - 1.0, *alpha).unwrap();
        s.absolute(format!("effect {effect}, {count} values, level {alpha}"), found, *expected, 1e-6);
    }
}

/// Non-negative least squares and a scored fit against scipy's general optimizers.
fn fits(table: &mut Table) {
    let mut s = table.section("scipy nnls", C);
    for (columns, matrix, right, expected) in scipy_fits::NONNEGATIVE {
        let mut normal = Symmetric::zero(*columns);
        let mut pull = vec![0.0; *columns];
        for (row, value) in matrix.chunks_exact(*columns).zip(*right) {
            normal.add_outer(row, 1.0);
            pull.iter_mut().zip(row).for_each(|(sum, entry)| *sum += entry * value);
        }
        let found = solve_held(&normal, &pull, &vec![true; *columns]).unwrap();
        for (place, (found, expected)) in found.iter().zip(*expected).enumerate() {
            s.absolute(format!("{columns} columns, unknown {place}"), *found, *expected, 1e-9);
        }
    }
    let mut s = table.section("scipy minimize", C);
    for (places, bits, errors, expected, value) in scipy_fits::SCORED {
        let counts: Vec<Counts> =
            bits.iter().zip(*errors).map(|(bits, errors)| Counts::new(*bits, *errors, 0.0)).collect();
        let priors = [false, false, true].map(|held| Prior { mean: 0.0, sd: 5.0, held });
        let found = score(&counts, &priors, &[2.0, 0.0, 0.0], 50, |x, said| {
            said.z = places.iter().map(|place| x[0] + x[1] * place + x[2] * place * place).collect();
            said.slopes = places.iter().flat_map(|place| [1.0, *place, place * place]).collect();
        })
        .unwrap();
        for (place, (found, expected)) in found.parameters.iter().zip(expected).enumerate() {
            s.absolute(format!("parameter {place}"), *found, *expected, 1e-3);
        }
        s.absolute("ln posterior", found.ln_posterior, *value, 1e-4);
    }
}

/// Maximum likelihood of the beta-binomial: alpha = 34.09558, beta = 31.5715, ln L = -12492.9; moments give 34.1350 and
/// 31.6085.
fn saxony(table: &mut Table) {
    let mut s = table.section("boys in Saxony", M);
    let ln = |alpha: f64, beta: f64| {
        let (p, rho) = (alpha / (alpha + beta), 1.0 / (1.0 + alpha + beta));
        let of = |(boys, count): (usize, &u64)| *count as f64 * ln_beta_binomial((boys as u64, 12), p, rho);
        SAXONY.iter().enumerate().map(of).sum::<f64>()
    };
    s.digits("ln L at its maximum", ln(34.095_58, 31.571_5), -12_492.9, 1);
    let (total, n) = (SAXONY.iter().sum::<u64>() as f64, 12.0);
    let moment = |power: i32| {
        let of = |(boys, count): (usize, &u64)| *count as f64 * (boys as f64).powi(power);
        SAXONY.iter().enumerate().map(of).sum::<f64>() / total
    };
    let (first, second) = (moment(1), moment(2));
    s.digits("families", total, 6115.0, 0);
    s.digits("first moment", first, 6.23, 2);
    s.digits("second moment", second, 42.31, 2);
    let below = n * (second / first - first - 1.0) + first;
    s.digits("alpha by moments", (n * first - second) / below, 34.1350, 4);
    s.digits("beta by moments", (n - first) * (n - second / first) / below, 31.6085, 4);
}
