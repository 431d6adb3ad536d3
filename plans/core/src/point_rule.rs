//! When a measured point is decided: sequential and fixed-length rules on (bits, errors).

use serde::{Deserialize, Serialize};

/// What a point's counts say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// The bit error ratio is below the limit at the stated confidence.
    Pass,
    /// It is not, or the cap was reached undecided (counted as fail, so that doubt never opens an eye).
    Fail,
}

/// A rule that decides a point from its counts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum PointRule {
    /// Wald's sequential probability ratio test of BER = `limit` / `ratio` against BER = `limit`.
    Sequential {
        /// Highest acceptable bit error ratio, 0 < limit < 0.5.
        limit: f64,
        /// Ratio of the two hypotheses, > 1 (default 10).
        ratio: f64,
        /// Risk of failing a point at `limit / ratio`, 0 < alpha < 0.5.
        alpha: f64,
        /// Risk of passing a point at `limit`, 0 < beta < 0.5.
        beta: f64,
        /// Bits, in units of 1 / `limit`, after which an undecided point is counted as fail.
        cap: f64,
    },
    /// At most `errors` errors in `bits` bits.
    Fixed {
        /// Bits to compare.
        bits: u64,
        /// Errors allowed in them.
        errors: u64,
    },
}

impl PointRule {
    /// The default rule at a BER limit and a one-sided confidence (for example 0.95): Wald's test of
    /// limit / 10 against limit, both risks 1 - confidence, capped at 8 / limit.
    pub fn sequential(limit: f64, confidence: f64) -> PointRule {
        let risk = 1.0 - confidence;
        PointRule::Sequential { limit, ratio: 10.0, alpha: risk, beta: risk, cap: 8.0 }
    }

    /// The zero-error rule: -ln(1 - confidence) / limit bits without an error.
    pub fn error_free(limit: f64, confidence: f64) -> PointRule {
        PointRule::Fixed { bits: (-(1.0 - confidence).ln() / limit).ceil() as u64, errors: 0 }
    }

    /// Log-likelihood bounds and increments of the sequential form:
    /// (accept at or below, reject at or above, step of an error, step of a correct bit).
    fn wald(limit: f64, ratio: f64, alpha: f64, beta: f64) -> (f64, f64, f64, f64) {
        let good = limit / ratio;
        (
            (beta / (1.0 - alpha)).ln(),
            ((1.0 - beta) / alpha).ln(),
            ratio.ln(),
            (-limit).ln_1p() - (-good).ln_1p(),
        )
    }

    /// The decision on `errors` errors in `bits` bits, or `None` while the point is open.
    pub fn decide(&self, bits: u64, errors: u64) -> Option<Decision> {
        match *self {
            PointRule::Sequential { limit, ratio, alpha, beta, .. } => {
                let (accept, reject, step_error, step_bit) = Self::wald(limit, ratio, alpha, beta);
                let errors = errors.min(bits);
                let likelihood = errors as f64 * step_error + (bits - errors) as f64 * step_bit;
                let most = self.most_bits();
                // Curtailment: a point that could not pass even without another error up to the cap has
                // failed already.
                let best = errors as f64 * step_error + most.saturating_sub(errors) as f64 * step_bit;
                if likelihood >= reject || best > accept {
                    Some(Decision::Fail)
                } else if likelihood <= accept {
                    Some(Decision::Pass)
                } else if bits >= most {
                    Some(Decision::Fail)
                } else {
                    None
                }
            }
            PointRule::Fixed { bits: wanted, errors: allowed } => {
                if errors > allowed {
                    Some(Decision::Fail)
                } else if bits >= wanted {
                    Some(Decision::Pass)
                } else {
                    None
                }
            }
        }
    }

    /// Fewest bits at which a point with `errors` errors and no further one passes or reaches the cap: how
    /// far a device may run before it must look again.
    pub fn pass_bits(&self, errors: u64) -> u64 {
        match *self {
            PointRule::Sequential { limit, ratio, alpha, beta, .. } => {
                let (accept, _, step_error, step_bit) = Self::wald(limit, ratio, alpha, beta);
                let correct = (accept - errors as f64 * step_error) / step_bit;
                let mut bits = errors + correct.ceil().max(0.0) as u64;
                // The division may land one bit early or late of the comparison in `decide`.
                while bits < self.most_bits() && self.decide(bits, errors).is_none() {
                    bits += 1;
                }
                bits.min(self.most_bits())
            }
            PointRule::Fixed { bits, .. } => bits,
        }
    }

    /// Bits after which every point is decided.
    pub fn most_bits(&self) -> u64 {
        match *self {
            PointRule::Sequential { limit, cap, .. } => (cap / limit).ceil() as u64,
            PointRule::Fixed { bits, .. } => bits,
        }
    }

    /// Bits a clean point (no errors) takes.
    pub fn clean_bits(&self) -> u64 {
        self.pass_bits(0)
    }

    /// The rule as a table of bit counts: the same decisions as [`PointRule::decide`], in a few comparisons.
    pub fn table(&self) -> DecisionTable {
        let most = self.most_bits();
        let mut pass_from = Vec::new();
        let mut fail_upto = Vec::new();
        // Points with more errors than the table has rows fail at any length.
        for errors in 0..MOST_TABLE_ERRORS {
            let from = self.pass_bits(errors);
            if self.decide(from, errors) != Some(Decision::Pass) {
                break;
            }
            // Rejection at a fixed error count holds for short lengths only: bisect its end.
            let (mut low, mut high) = (errors.saturating_sub(1), from);
            while high - low > 1 {
                let middle = low + (high - low) / 2;
                if self.decide(middle, errors) == Some(Decision::Fail) { low = middle } else { high = middle }
            }
            pass_from.push(from);
            fail_upto.push(low);
        }
        DecisionTable { pass_from, fail_upto, most }
    }

    /// The rule made ready for many decisions.
    pub fn prepare(&self) -> PreparedRule {
        match *self {
            PointRule::Sequential { .. } => PreparedRule::Table(self.table()),
            PointRule::Fixed { bits, errors } => PreparedRule::Fixed { bits, errors },
        }
    }

    /// In words, for the report.
    pub fn describe(&self) -> String {
        match *self {
            PointRule::Sequential { limit, ratio, alpha, beta, cap } => format!(
                "Wald sequential test of BER {:.1e} against {limit:.1e}, risks {:.1} % and {:.1} %, capped at \
                 {:.1e} bits (undecided at the cap counts as fail)",
                limit / ratio,
                alpha * 100.0,
                beta * 100.0,
                cap / limit
            ),
            PointRule::Fixed { bits, errors } => format!("at most {errors} errors in {bits} bits"),
        }
    }
}

/// Longest table of [`PointRule::table`]; rules that pass with more errors than this are not sensible.
const MOST_TABLE_ERRORS: u64 = 4096;

/// A [`PointRule`] as bit counts by number of errors.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DecisionTable {
    /// Fewest bits that pass, for 0, 1, ... errors.
    pass_from: Vec<u64>,
    /// Most bits that still fail, for 0, 1, ... errors (fewer bits than errors do not occur).
    fail_upto: Vec<u64>,
    /// Cap, bits.
    most: u64,
}

impl DecisionTable {
    /// The same as [`PointRule::decide`].
    pub fn decide(&self, bits: u64, errors: u64) -> Option<Decision> {
        let row = usize::try_from(errors).unwrap_or(usize::MAX);
        match (self.pass_from.get(row), self.fail_upto.get(row)) {
            (Some(&pass_from), Some(&fail_upto)) => {
                if bits >= pass_from {
                    Some(Decision::Pass)
                } else if bits <= fail_upto && errors > 0 || bits >= self.most {
                    Some(Decision::Fail)
                } else {
                    None
                }
            }
            _ => Some(Decision::Fail),
        }
    }

    /// What [`DecisionTable::decide`] says of every number of errors after `bits`: fewer than the first
    /// number is a pass, the second or more a fail, anything between is open. One look-up for all lanes of a
    /// visit.
    pub fn bounds(&self, bits: u64) -> (u64, u64) {
        let passing = self.pass_from.partition_point(|from| *from <= bits);
        let failing = if bits >= self.most {
            passing
        } else {
            self.fail_upto.partition_point(|upto| *upto < bits).max(1).max(passing)
        };
        (passing as u64, failing as u64)
    }

    /// Bits at which a point can pass, ascending. Looked at there, a point is decided alike however its bits
    /// were split into visits.
    pub fn looks(&self) -> &[u64] {
        &self.pass_from
    }

    /// Most bits at which `errors` errors are still rejected at once (0: only the cap rejects them).
    pub fn rejected_upto(&self, errors: usize) -> u64 {
        self.fail_upto.get(errors).copied().unwrap_or(self.most)
    }
}

/// A [`PointRule`] made ready: the same answers without its logarithms.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PreparedRule {
    /// A sequential rule.
    Table(DecisionTable),
    /// As [`PointRule::Fixed`].
    Fixed {
        /// Bits to compare.
        bits: u64,
        /// Errors allowed in them.
        errors: u64,
    },
}

impl PreparedRule {
    fn fixed(bits: u64, errors: u64) -> PointRule {
        PointRule::Fixed { bits, errors }
    }

    /// As [`PointRule::decide`].
    pub fn decide(&self, bits: u64, errors: u64) -> Option<Decision> {
        match self {
            PreparedRule::Table(table) => table.decide(bits, errors),
            PreparedRule::Fixed { bits: wanted, errors: allowed } => {
                Self::fixed(*wanted, *allowed).decide(bits, errors)
            }
        }
    }

    /// As [`PointRule::pass_bits`].
    pub fn pass_bits(&self, errors: u64) -> u64 {
        match self {
            PreparedRule::Table(table) => {
                let row = usize::try_from(errors).unwrap_or(usize::MAX);
                table.pass_from.get(row).copied().unwrap_or(table.most)
            }
            PreparedRule::Fixed { bits, .. } => *bits,
        }
    }

    /// As [`PointRule::most_bits`].
    pub fn most_bits(&self) -> u64 {
        match self {
            PreparedRule::Table(table) => table.most,
            PreparedRule::Fixed { bits, .. } => *bits,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Wald's thresholds: ln(19) = 2.944 for 5 %/5 %; a clean point takes 2.944 / (0.9 L) bits (computed).
    #[test]
    fn a_clean_point_takes_walds_number_of_bits() {
        let rule = PointRule::sequential(1e-6, 0.95);
        let bits = rule.clean_bits();
        assert!((bits as f64 / 3.2716e6 - 1.0).abs() < 1e-3, "{bits}");
        assert_eq!(rule.decide(bits, 0), Some(Decision::Pass));
        assert_eq!(rule.decide(bits - 1, 0), None);
        assert_eq!(rule.decide(4, 1), None);
        assert_eq!(rule.decide(4, 2), Some(Decision::Fail));
        assert_eq!(rule.decide(rule.most_bits(), 5), Some(Decision::Fail));
    }

    /// -ln(0.05) = 2.9957: 2.996 at 95 %, 4.605 at 99 % (source: bit-error-tester confidence tables).
    #[test]
    fn the_zero_error_rule_has_the_published_length() {
        let PointRule::Fixed { bits, errors } = PointRule::error_free(1e-9, 0.95) else { panic!("fixed") };
        assert_eq!(errors, 0);
        assert!((bits as f64 / 1e9 - 2.996).abs() < 5e-4);
        let PointRule::Fixed { bits, .. } = PointRule::error_free(1e-9, 0.99) else { panic!("fixed") };
        assert!((bits as f64 / 1e9 - 4.605).abs() < 5e-4);
    }

    #[test]
    fn the_table_decides_as_the_rule() {
        for rule in [
            PointRule::sequential(1e-3, 0.95),
            PointRule::Sequential { limit: 1e-2, ratio: 10.0, alpha: 0.05, beta: 0.1, cap: 40.0 },
            PointRule::error_free(1e-3, 0.95),
            PointRule::Fixed { bits: 6300, errors: 2 },
        ] {
            let table = rule.table();
            let prepared = rule.prepare();
            assert_eq!(prepared.most_bits(), rule.most_bits());
            for errors in 0..12u64 {
                assert_eq!(prepared.pass_bits(errors), rule.pass_bits(errors), "{rule:?} {errors}");
                for bits in (errors.max(1)..9000).step_by(7) {
                    assert_eq!(
                        table.decide(bits, errors),
                        rule.decide(bits, errors),
                        "{rule:?} {bits} {errors}"
                    );
                    assert_eq!(prepared.decide(bits, errors), rule.decide(bits, errors));
                    let (passing, failing) = table.bounds(bits);
                    let bounded = match errors {
                        errors if errors < passing => Some(Decision::Pass),
                        errors if errors >= failing => Some(Decision::Fail),
                        _ => None,
                    };
                    assert_eq!(bounded, table.decide(bits, errors), "{rule:?} {bits} {errors}");
                }
            }
        }
    }

    /// p1 = .01, p2 = .10, alpha = .05, beta = .10 gives acceptance at x <= -0.939 + 0.0397 n and rejection
    /// at x >= 1.205 + 0.0397 n (source: NIST/SEMATECH e-Handbook 6.2.3.6).
    #[test]
    fn the_handbook_lines_are_reproduced() {
        let rule = PointRule::Sequential { limit: 0.1, ratio: 10.0, alpha: 0.05, beta: 0.10, cap: 1e6 };
        for n in 1..400u64 {
            for x in 0..=n.min(20) {
                let (accept, reject) = (-0.939 + 0.0397 * n as f64, 1.205 + 0.0397 * n as f64);
                let x_real = x as f64;
                // The printed lines carry three digits: leave out what lies within their rounding.
                let slack = 5e-4 + 5e-5 * n as f64;
                if (x_real - accept).abs() < slack || (x_real - reject).abs() < slack {
                    continue;
                }
                let expected = if x_real <= accept {
                    Some(Decision::Pass)
                } else if x_real >= reject {
                    Some(Decision::Fail)
                } else {
                    None
                };
                assert_eq!(rule.decide(n, x), expected, "n {n} x {x}");
            }
        }
    }

    /// With the cap at 8 / limit a second error can no longer be made good (it would take 8.39 / limit bits).
    #[test]
    fn a_hopeless_point_is_not_measured_to_the_cap() {
        let rule = PointRule::sequential(1e-6, 0.95);
        assert_eq!(rule.decide(3_000_000, 1), None);
        assert_eq!(rule.decide(3_000_000, 2), Some(Decision::Fail));
        assert_eq!(rule.table().looks().len(), 2);
    }

    #[test]
    fn pass_bits_is_the_first_passing_length() {
        let rule = PointRule::sequential(1e-4, 0.95);
        for errors in 0..3 {
            let bits = rule.pass_bits(errors);
            if bits < rule.most_bits() {
                assert_eq!(rule.decide(bits, errors), Some(Decision::Pass));
                assert_eq!(rule.decide(bits - 1, errors), None);
            }
        }
    }
}
