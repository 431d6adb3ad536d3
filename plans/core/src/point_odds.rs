//! Operating characteristic of a point rule: probability to pass and expected bits at a true bit error ratio.

use crate::point_rule::PointRule;

/// What a rule does to a point of a given true bit error ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointOdds {
    /// Probability that the point is decided a pass.
    pub pass: f64,
    /// Expected bits until it is decided.
    pub bits: f64,
}

impl PointOdds {
    /// Exact for errors that arrive as a Poisson process of `ber` errors per bit (0 <= ber, far below 1),
    /// with the point decided as soon as the rule allows.
    ///
    /// Between the lengths at which the rule's bounds change, the error count is a pure birth process with an
    /// absorbing bound; its probabilities are carried from bound to bound.
    pub fn of(rule: &PointRule, ber: f64) -> PointOdds {
        let table = rule.table();
        let looks = table.looks();
        let Some(&clean) = looks.first() else {
            return PointOdds { pass: 0.0, bits: 0.0 };
        };
        if ber <= 0.0 {
            return PointOdds { pass: 1.0, bits: clean as f64 };
        }
        let mut times: Vec<u64> = looks.to_vec();
        times.extend((0..looks.len()).map(|errors| table.rejected_upto(errors)));
        times.sort_unstable();
        times.dedup();
        let mut open = vec![0.0; looks.len()];
        open[0] = 1.0;
        let (mut start, mut pass, mut bits) = (0u64, 0.0, 0.0);
        for end in times.into_iter().filter(|&time| time > 0) {
            let length = (end - start) as f64;
            let mean = ber * length;
            // More errors than this are rejected at once.
            let most =
                (0..looks.len()).rev().find(|&errors| table.rejected_upto(errors) <= start).unwrap_or(0);
            let mut next = vec![0.0; looks.len()];
            for (errors, &share) in open.iter().enumerate().filter(|&(errors, &s)| s > 0.0 && errors <= most)
            {
                let mut term = (-mean).exp();
                let mut beyond = -(-mean).exp_m1();
                for more in 0..=most - errors {
                    next[errors + more] += share * term;
                    bits += share * beyond.max(0.0) / ber;
                    term *= mean / (more + 1) as f64;
                    beyond -= term;
                }
            }
            for (errors, share) in next.iter_mut().enumerate() {
                if looks[errors] <= end {
                    pass += std::mem::take(share);
                }
            }
            open = next;
            start = end;
        }
        PointOdds { pass, bits }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: f64 = 1e-7;

    fn check(rule: &PointRule, expected: [(f64, f64, f64); 4], slack_pass: f64, slack_bits: f64) {
        for (r, pass, bits) in expected {
            let odds = PointOdds::of(rule, r * LIMIT);
            assert!((odds.pass - pass).abs() <= slack_pass, "r {r}: pass {} expected {pass}", odds.pass);
            let units = odds.bits * LIMIT;
            assert!((units - bits).abs() <= slack_bits, "r {r}: bits {units} expected {bits}");
        }
    }

    /// No error in 3.0 / L: exp(-3 r) and (1 - exp(-3 r)) / r, printed as .970 2.95, .741 2.59, .407 1.98,
    /// .050 .95.
    #[test]
    fn the_zero_error_rule() {
        let rule = PointRule::Fixed { bits: 30_000_000, errors: 0 };
        check(
            &rule,
            [(0.01, 0.970, 2.95), (0.1, 0.741, 2.59), (0.3, 0.407, 1.98), (1.0, 0.050, 0.95)],
            6e-4,
            6e-3,
        );
    }

    /// At most 2 errors in 6.3 / L: N L = 6.296 for two errors at 95 % (source: bit-error-tester confidence
    /// tables). The expected bits are figures of a simulation.
    #[test]
    fn the_two_error_rule() {
        let rule = PointRule::Fixed { bits: 63_000_000, errors: 2 };
        check(
            &rule,
            [(0.01, 1.0, 6.30), (0.1, 0.974, 6.25), (0.3, 0.707, 5.68), (1.0, 0.050, 2.94)],
            6e-4,
            1e-2,
        );
    }

    /// Wald's test without a cap, L / 10 against L at 5 % / 5 %: figures of a simulation (three digits).
    #[test]
    fn the_sequential_rule_without_cap() {
        let rule = PointRule::Sequential { limit: LIMIT, ratio: 10.0, alpha: 0.05, beta: 0.05, cap: 60.0 };
        check(
            &rule,
            [(0.01, 0.9998, 3.36), (0.1, 0.976, 4.17), (0.3, 0.728, 5.46), (1.0, 0.051, 2.47)],
            2e-3,
            0.08,
        );
    }

    /// With the cap at 8 / L, where doubt is a fail: a pass takes no error in 3.27 / L or one in 5.83 / L.
    /// Closed form: exp(-a r) (1 + a r exp(-b r)), a = ln 19 / 0.9, b = ln 10 / 0.9.
    #[test]
    fn the_sequential_rule_with_cap() {
        let rule = PointRule::sequential(LIMIT, 0.95);
        let (a, b) = (19f64.ln() / 0.9, 10f64.ln() / 0.9);
        for r in [0.01, 0.1, 0.3, 1.0, 3.0] {
            let expected = (-a * r).exp() * (1.0 + a * r * (-b * r).exp());
            let odds = PointOdds::of(&rule, r * LIMIT);
            assert!((odds.pass - expected).abs() < 1e-5, "r {r}: {} {expected}", odds.pass);
        }
        let odds = PointOdds::of(&rule, 0.1 * LIMIT);
        assert!((odds.pass - 0.9036).abs() < 1e-3, "{}", odds.pass);
        assert!(PointOdds::of(&rule, LIMIT).pass <= 0.05);
        assert_eq!(PointOdds::of(&rule, 0.0).pass, 1.0);
    }
}
