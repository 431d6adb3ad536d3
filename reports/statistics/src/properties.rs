//! Invariants on arbitrary input: a finite answer or an error, never a NaN and never a panic.

use proptest::num::f64::ANY;
use proptest::prelude::*;

use super::conformity::{DecisionRule, Measured, Tolerance, Verdict, judge};
use super::multiplicity::{Correction, adjusted_p};
use super::outliers::{Side, generalised_esd, grubbs};
use super::proportion::exact_interval;
use super::special::{beta_quantile, chi2_quantile, t_quantile, t_tails};
use super::summary::{mean, standard_deviation};

fn any_tolerance() -> impl Strategy<Value = Tolerance> {
    prop_oneof![
        ANY.prop_map(Tolerance::Lower),
        ANY.prop_map(Tolerance::Upper),
        (ANY, ANY).prop_map(|(lower, upper)| Tolerance::Both { lower, upper }),
    ]
}

proptest! {
    #[test]
    fn a_judgement_is_a_probability_or_an_error(
        value in ANY,
        u in ANY,
        dof in prop_oneof![Just(f64::INFINITY), ANY, 1.0..1e6],
        tolerance in any_tolerance(),
        r in -4.0..4.0_f64,
    ) {
        let measured = Measured { value, standard_uncertainty: u, dof };
        if let Ok(j) = judge(&measured, &tolerance, &DecisionRule::Multiple { r }, 2.0) {
            let c = j.conformance;
            prop_assert!((0.0..=1.0).contains(&c.conforming) && (0.0..=1.0).contains(&c.nonconforming));
            prop_assert!((c.conforming + c.nonconforming - 1.0).abs() < 1e-12);
            // With a guard band only "pass" is accepted; with a relaxed limit a conditional pass is, too.
            let accepted = if r < 0.0 { j.verdict <= Verdict::ConditionalPass } else { j.verdict == Verdict::Pass };
            prop_assert_eq!(accepted, j.accepted);
        }
    }

    #[test]
    fn error_limits_enclose_the_estimate(trials in 1..100_000_000_u64, share in 0.0..=1.0_f64, confidence in 0.01..0.9999_f64) {
        let errors = ((trials as f64 * share * share * share) as u64).min(trials);
        let i = exact_interval(errors, trials, confidence).unwrap();
        let p = errors as f64 / trials as f64;
        prop_assert!(0.0 <= i.lower && i.lower <= p * (1.0 + 1e-9) && p <= i.upper * (1.0 + 1e-9) && i.upper <= 1.0);
    }

    #[test]
    fn quantiles_are_finite_or_refused(p in ANY, a in ANY, b in ANY) {
        let answers = [t_quantile(p, a), chi2_quantile(p, a), beta_quantile(p, a, b)];
        for answer in answers.into_iter().flatten() {
            prop_assert!(!answer.is_nan());
        }
        let (p, a, b) = (p.abs().fract(), 0.1 + a.abs() % 1e4, 0.1 + b.abs() % 1e4);
        if p > 1e-9 && a.is_finite() && b.is_finite() {
            prop_assert!(t_quantile(p, a).unwrap().is_finite());
            prop_assert!((0.0..=1.0).contains(&beta_quantile(p, a, b).unwrap()));
        }
    }

    #[test]
    fn t_tails_add_up(t in -1e3..1e3_f64, dof in 0.5..1e9_f64) {
        let (below, above) = t_tails(t, dof).unwrap();
        prop_assert!((below + above - 1.0).abs() < 1e-14 && below >= 0.0 && above >= 0.0);
    }

    #[test]
    fn summaries_never_give_nan(values in prop::collection::vec(prop_oneof![ANY, -1e3..1e3_f64], 0..20)) {
        let results = [
            mean(&values),
            standard_deviation(&values),
            grubbs(&values, 0.05, Side::Both).map(|g| g.statistic),
            generalised_esd(&values, 2, 0.05).map(|g| g.outliers as f64),
        ];
        // Squares of values beyond 1e150 overflow; below that every answer is a number.
        if values.iter().all(|v| v.abs() < 1e150) {
            for answer in results.into_iter().flatten() {
                prop_assert!(answer.is_finite(), "{answer}");
            }
        }
    }

    #[test]
    fn adjusted_p_keep_the_order(p in prop::collection::vec(0.0..=1.0_f64, 1..30)) {
        for correction in [Correction::Holm, Correction::BenjaminiHochberg] {
            let adjusted = adjusted_p(&p, correction).unwrap();
            for (i, a) in p.iter().enumerate() {
                prop_assert!(adjusted[i] >= *a - 1e-15 && adjusted[i] <= 1.0);
                for (j, b) in p.iter().enumerate() {
                    prop_assert!(a > b || adjusted[i] <= adjusted[j] + 1e-15);
                }
            }
        }
    }
}
