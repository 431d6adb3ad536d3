//! Known traps, one test each.

use super::data::{ROSNER, gauge_cells, pi_digits};
use super::reference_sets::{numacc, pi_digits_as_distributed};
use super::uncertainty::end_gauge_lines;
use crate::conformity::Tolerance;
use crate::gauge::{Pooling, gauge_study};
use crate::global_risk::{Prior, global_risk};
use crate::gum::combine;
use crate::outliers::generalised_esd;
use crate::special::{chi2_quantile, t_upper_quantile};
use crate::summary::{mean, standard_deviation};

#[test]
fn effective_dof_are_truncated_before_the_t_lookup() {
    let r = combine(&end_gauge_lines(), 0.99).unwrap();
    assert!(r.effective_dof.fract() > 0.1, "{}", r.effective_dof);
    let truncated = t_upper_quantile(0.005, r.effective_dof.floor()).unwrap();
    assert!((r.coverage_factor - truncated).abs() < 1e-12);
    assert!(r.coverage_factor > t_upper_quantile(0.005, r.effective_dof).unwrap());
}

#[test]
fn esd_takes_the_largest_step_not_the_first_failure() {
    let r = generalised_esd(&ROSNER, 10, 0.05).unwrap();
    assert!(r.steps[0].statistic < r.steps[0].critical && r.steps[1].statistic < r.steps[1].critical);
    assert_eq!(r.outliers, 3);
    let values: Vec<f64> = r.outlier_indices().map(|i| ROSNER[i]).collect();
    assert_eq!(values, [6.01, 5.42, 5.34]);
}

#[test]
fn one_pass_variance_breaks_on_numacc4_and_ours_does_not() {
    let v = numacc(1e7);
    let (sum, squares) = v.iter().fold((0.0, 0.0), |(s, q), x| (s + x, q + x * x));
    let n = v.len() as f64;
    let one_pass = ((squares - sum * sum / n) / (n - 1.0)).sqrt();
    assert!(one_pass.is_nan() || (one_pass - 0.1).abs() > 1e-3, "the trap is gone: {one_pass}");
    assert!((standard_deviation(&v).unwrap() - 0.1).abs() < 1e-9);
}

#[test]
fn global_risk_is_joint() {
    let t = Tolerance::Both { lower: -1.0, upper: 1.0 };
    let r = global_risk(&Prior::Normal { mean: 0.0, sd: 1.0 }, 0.25, &t, &t).unwrap();
    assert!(r.consumer < r.nonconforming_given_accepted);
    assert!((r.consumer / r.accepted - r.nonconforming_given_accepted).abs() < 1e-15);
    // Joint parts of the population add up.
    assert!((r.accepted - (1.0 - r.nonconforming - r.producer + r.consumer)).abs() < 1e-12);
}

#[test]
fn pooling_the_interaction_changes_the_repeatability() {
    let cells = gauge_cells();
    let by_rule = gauge_study(&cells, Pooling::ByRule).unwrap();
    let never = gauge_study(&cells, Pooling::Never).unwrap();
    assert!(by_rule.pooled && !never.pooled);
    assert!((by_rule.variation.repeatability - 0.1999).abs() < 5e-5);
    assert!((never.variation.repeatability - 0.2144).abs() < 5e-5);
    assert_eq!(by_rule, gauge_study(&cells, Pooling::Always).unwrap());
}

#[test]
fn digit_957_of_the_distributed_pi_is_wrong() {
    let pi = pi_digits(5000);
    assert_eq!(pi[..10], [3, 1, 4, 1, 5, 9, 2, 6, 5, 3]);
    // Digits 762 to 767 after the point are six nines.
    assert_eq!(pi[762..768], [9; 6]);
    assert_eq!(pi[956], 8);
    let true_pi: Vec<f64> = pi.into_iter().map(f64::from).collect();
    assert!((mean(&true_pi).unwrap() - 4.5358).abs() < 1e-12);
    assert!((mean(&pi_digits_as_distributed()).unwrap() - 4.5348).abs() < 1e-12);
}

#[test]
fn misprints_are_not_reproduced() {
    assert!((0.5 * chi2_quantile(0.05, 6.0).unwrap() - 0.8117).abs() > 5e-3);
    // ESD's printed digits are truncated: rounding would give a larger last digit somewhere.
    let r = generalised_esd(&ROSNER, 10, 0.05).unwrap();
    let rounded_up =
        r.steps.iter().filter(|s| (s.statistic * 1e3).fract() > 0.5 || (s.critical * 1e3).fract() > 0.5);
    assert!(rounded_up.count() > 0);
}
