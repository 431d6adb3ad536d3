//! The least of many values against closed forms, draws and planted bad values.

use super::spread::NODES;
use super::*;

fn alone(value: f64, u: f64) -> Noisy {
    Noisy { value, variance: u * u, about: 0.0, group: 0, alone: true }
}

/// One value is itself: the normal distribution comes back.
#[test]
fn a_single_value_is_normal() {
    let one = Minimum::new(&[alone(100.0, 3.0)], None, 7.0, 9.0).unwrap();
    let (middle, half) = one.interval(0.95).unwrap();
    assert!((middle - 100.0).abs() < 0.02, "{middle}");
    assert!((half / (1.959_964 * 5.0) - 1.0).abs() < 0.01, "{half}");
    for z in [-4.0, -2.0, -0.5, 0.0, 1.0, 3.0] {
        let found = one.deviations_above(100.0 - 5.0 * z).unwrap();
        assert!((found - z).abs() < 0.06, "{z}: {found}");
    }
}

/// The minimum of n equal normal values: P(min > z) = Phi(z)^n.
#[test]
fn the_least_of_equal_values() {
    let values = vec![alone(0.0, 1.0); 8];
    let found = Minimum::new(&values, None, 0.0, 0.0).unwrap();
    for z in [-3.0, -2.0, -1.424, -0.5] {
        let expected = normal_cdf(-z).powi(8);
        assert!((found.tails(z).1 - expected).abs() < 2e-3, "{z}: {} {expected}", found.tails(z).1);
    }
    // Expected value of the least of 8 normal values: -1.4236 (order statistics, Harter 1961).
    let mean: f64 = (1..400).map(|k| found.quantile(f64::from(k) / 400.0).unwrap()).sum::<f64>() / 399.0;
    assert!((mean + 1.4236).abs() < 0.01, "{mean}");
}

/// Readings that lie closer together than their noise lets expect (a coarse grid): the least of them is hardly below all of
/// them, where a flat prior of the spread put it a whole U below.
#[test]
fn alike_readings_have_a_least_near_them() {
    let values: Vec<Noisy> = (0..8)
        .map(|k| Noisy { value: 0.1 * f64::from(k % 3), variance: 1.0, about: 0.0, group: 0, alone: false })
        .collect();
    let spread = Spread::of(&[(7.0, 0.01, 1.0)], 0.5).unwrap();
    let (middle, half) = Minimum::new(&values, Some(&spread), 0.0, 0.0).unwrap().interval(0.95).unwrap();
    assert!(middle > -0.6 * half && half > 0.5, "{middle} {half}");
    let flat = Spread::of(&[(7.0, 0.01, 1.0)], 1e3).unwrap();
    let (low, _) = Minimum::new(&values, Some(&flat), 0.0, 0.0).unwrap().interval(0.95).unwrap();
    assert!(low < middle - 0.1, "{low} {middle}");
}

#[test]
fn outliers_are_told_and_stand_alone() {
    let mut values = vec![100.0, 101.0, 99.0, 100.5, 99.5, 100.2, 99.8, 90.0];
    assert_eq!(low_outliers(&values, 0.05), [7]);
    values[7] = 98.9;
    assert!(low_outliers(&values, 0.05).is_empty());
    // Two that hide each other.
    values[6] = 90.0;
    values[7] = 90.2;
    assert_eq!(low_outliers(&values, 0.05), [6, 7]);
    let spread = Spread::of(&[(60.0, 5.0, 4.0)], 1.0).unwrap();
    let of = |alone: bool| {
        let mut all: Vec<Noisy> = (0..7)
            .map(|k| Noisy {
                value: 100.0 + f64::from(k % 3),
                variance: 4.0,
                about: 0.0,
                group: 0,
                alone: false,
            })
            .collect();
        all.push(Noisy { value: 85.0, variance: 4.0, about: 0.0, group: 0, alone });
        Minimum::new(&all, Some(&spread), 0.0, 0.0).unwrap()
    };
    assert!((of(true).quantile(0.5).unwrap() - 85.0).abs() < 0.1);
    // Too far off to be one of them, even where nobody told.
    assert!((of(false).quantile(0.5).unwrap() - 85.0).abs() < 2.0);
}

/// Eyes of some strobes, each with an error of its own, drawn again and again: how often does the interval hold the true least?
fn covered(groups: usize, apart: f64, error: f64, runs: u64) -> (u64, f64) {
    use crate::special::normal_quantile;
    let (tau, noise) = (2.5, 2.0);
    let (mut held, mut width) = (0, 0.0);
    for run in 0..runs {
        let draw = |at: u64| normal_quantile(crate::tolerance::uniform(run * 1_000_003 + at)).unwrap();
        let (mut values, mut least) = (Vec::new(), f64::INFINITY);
        for group in 0..groups {
            let (own, off) = (apart * draw(500 + group as u64), error * draw(700 + group as u64));
            for lane in 0..8 {
                let at = (group * 8 + lane) as u64;
                let truth = 100.0 + own + tau * draw(at);
                least = truth.min(least);
                let value = truth + off + noise * draw(1000 + at);
                values.push(Noisy {
                    value,
                    variance: noise * noise,
                    about: 0.0,
                    group: group as u16,
                    alone: false,
                });
            }
        }
        let freedom = 7.0 * groups as f64;
        let spread = Spread::of(&[(freedom, tau * tau + noise * noise, noise * noise)], 1.0).unwrap();
        let found = Minimum::new(&values, Some(&spread), error * error, 0.0).unwrap();
        let (middle, half) = found.interval(0.95).unwrap();
        held += u64::from((middle - least).abs() <= half);
        width += half / runs as f64;
    }
    (held, width)
}

/// What a strobe puts off together is told from what its lanes truly have where there are strobes enough.
#[test]
fn errors_of_groups_are_told_from_their_values() {
    for (groups, apart, error) in [
        (1, 0.0, 4.0),
        (9, 0.0, 4.0),
        (9, 2.5, 4.0),
        (9, 2.5, 1.0),
        (9, 8.0, 0.0),
        (2, 8.0, 0.0),
        (1, 0.0, 0.0),
    ] {
        let (held, _) = covered(groups, apart, error, 400);
        // 95 % of 400: 380, standard deviation 4.4; more is safe.
        assert!(held >= 366, "{groups} groups, {apart} apart, error {error}: {held} of 400");
    }
    let (few, many) = (covered(1, 0.0, 4.0, 100).1, covered(9, 0.0, 4.0, 100).1);
    assert!(many < 0.75 * few, "{many} {few}");
}

/// No strobe is drawn up to the others where it lies further below than its error explains.
#[test]
fn a_bad_group_stays_below() {
    let values: Vec<Noisy> = (0..72u16)
        .map(|lane| Noisy {
            value: 100.0 + f64::from(lane % 5) - if lane / 8 == 4 { 20.0 } else { 0.0 },
            variance: 4.0,
            about: 0.0,
            group: lane / 8,
            alone: false,
        })
        .collect();
    let spread = Spread::of(&[(63.0, 6.0, 4.0)], 1.0).unwrap();
    let (middle, half) = Minimum::new(&values, Some(&spread), 9.0, 0.0).unwrap().interval(0.95).unwrap();
    assert!(middle < 82.0 && half > 4.0, "{middle} {half}");
}

/// Best estimates with the truth about them are not drawn to each other, and truth that lies about them lowers the least.
#[test]
fn best_estimates_are_not_drawn() {
    let of = |variance: f64, about: f64| {
        let values: Vec<Noisy> =
            (0..8).map(|k| Noisy { value: f64::from(k), variance, about, group: 0, alone: false }).collect();
        let spread = Spread::of(&[(7.0, 6.0, variance)], 1.0).unwrap();
        Minimum::new(&values, Some(&spread), 0.0, 0.0).unwrap().interval(0.95).unwrap()
    };
    let (drawn, _) = of(4.0, 0.0);
    let (middle, half) = of(0.01, 4.0);
    // The least of normal values 0, 1, 2 ... with deviation 2: -4.17 to 1.70 by 200,000 draws.
    assert!(drawn > 0.5 && (middle + 1.235).abs() < 0.25, "{drawn} {middle}");
    assert!((half - 2.93).abs() < 0.25, "{half}");
}

/// The deviation's posterior: with many degrees of freedom it is the variance seen less that of a reading.
#[test]
fn the_spread_is_found() {
    let spread = Spread::of(&[(10_000.0, 25.0, 16.0)], 2.0).unwrap();
    assert!((spread.middle() - 3.0).abs() < 0.15, "{spread:?}");
    let little = Spread::of(&[(7.0, 12.0, 16.0)], 2.0).unwrap();
    assert!(little.nodes[0] > 0.0 && little.nodes[0] < 1.0 && little.nodes[NODES - 1] > 2.5, "{little:?}");
    assert!(Spread::of(&[], 1.0).is_none());
}
