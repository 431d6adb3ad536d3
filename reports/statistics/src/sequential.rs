//! Decisions about an error probability from counts: exact limits, fixed-length rules, the sequential probability
//! ratio test, and the Q scale of dual-Dirac jitter.

use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::roots::find_root;
use super::special::{
    beta_quantile, beta_upper_quantile, binomial_cdf, chi2_quantile, chi2_upper_quantile,
    normal_upper_quantile,
};
use super::summary::Interval;

/// From this number of trials on, with at most one error in a thousand, binomial limits are taken as Poisson limits
/// (Garwood); they are wider by less than 0.05 % of themselves.
const POISSON_TRIALS: u64 = 1_000_000;

/// Upper limit of N x BER at `confidence` with `errors` errors ("better than" factor): chi2(CL; 2k+2)/2.
pub fn better_than_factor(errors: u64, confidence: f64) -> Result<f64> {
    check_probability("confidence", confidence)?;
    if errors == 0 {
        return Ok(-(-confidence).ln_1p());
    }
    Ok(0.5 * chi2_quantile(confidence, 2.0 * errors as f64 + 2.0)?)
}

/// Lower limit of N x BER at `confidence` with `errors` errors ("worse than" factor): chi2(1-CL; 2k)/2; 0 for k = 0.
pub fn worse_than_factor(errors: u64, confidence: f64) -> Result<f64> {
    check_probability("confidence", confidence)?;
    if errors == 0 {
        return Ok(0.0);
    }
    Ok(0.5 * chi2_upper_quantile(confidence, 2.0 * errors as f64)?)
}

fn check_counts(errors: u64, trials: u64) -> Result<()> {
    check_range("trials", trials as f64, trials > 0, "at least 1: no limit without a measurement")?;
    check_range("errors", errors as f64, errors <= trials, "no more than the trials")
}

fn few_of_many(errors: u64, trials: u64) -> bool {
    trials >= POISSON_TRIALS && errors <= trials / 1000
}

/// Exact upper limit of an error probability, one-sided at `confidence` (Clopper and Pearson).
pub fn upper_error_limit(errors: u64, trials: u64, confidence: f64) -> Result<f64> {
    check_counts(errors, trials)?;
    check_probability("confidence", confidence)?;
    if errors == trials {
        return Ok(1.0);
    }
    let n = trials as f64;
    if errors == 0 {
        // 1 - (1-CL)^(1/n) without cancellation.
        return Ok(-((-confidence).ln_1p() / n).exp_m1());
    }
    if few_of_many(errors, trials) {
        return Ok((better_than_factor(errors, confidence)? / n).min(1.0));
    }
    beta_upper_quantile(1.0 - confidence, errors as f64 + 1.0, (trials - errors) as f64)
}

/// Exact lower limit of an error probability, one-sided at `confidence`.
pub fn lower_error_limit(errors: u64, trials: u64, confidence: f64) -> Result<f64> {
    check_counts(errors, trials)?;
    check_probability("confidence", confidence)?;
    if errors == 0 {
        return Ok(0.0);
    }
    let n = trials as f64;
    if errors == trials {
        return Ok(((-confidence).ln_1p() / n).exp());
    }
    if few_of_many(errors, trials) {
        return Ok(worse_than_factor(errors, confidence)? / n);
    }
    beta_quantile(1.0 - confidence, errors as f64, (trials - errors) as f64 + 1.0)
}

/// Two-sided Clopper-Pearson interval at `confidence`.
pub fn error_interval(errors: u64, trials: u64, confidence: f64) -> Result<Interval> {
    check_probability("confidence", confidence)?;
    let one_sided = 0.5 + 0.5 * confidence;
    Ok(Interval {
        lower: lower_error_limit(errors, trials, one_sided)?,
        upper: upper_error_limit(errors, trials, one_sided)?,
    })
}

/// Smallest number of error-free trials that shows an error probability below `limit` at `confidence`.
pub fn zero_error_trials(limit: f64, confidence: f64) -> Result<f64> {
    check_probability("error probability limit", limit)?;
    check_probability("confidence", confidence)?;
    Ok(((-confidence).ln_1p() / (-limit).ln_1p()).ceil())
}

/// A rule of fixed length: pass with at most `max_errors` errors in `trials`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixedLengthRule {
    /// Trials (compared bits).
    pub trials: u64,
    /// Errors allowed.
    pub max_errors: u64,
}

impl FixedLengthRule {
    /// The shortest rule with `max_errors` that shows an error probability below `limit` at `confidence` (Poisson, on
    /// the safe side of the binomial).
    pub fn for_limit(limit: f64, max_errors: u64, confidence: f64) -> Result<Self> {
        check_probability("error probability limit", limit)?;
        let trials = (better_than_factor(max_errors, confidence)? / limit).ceil();
        check_range("trials of a fixed-length rule", trials, trials < 9e15, "below 9e15; raise the limit")?;
        Ok(Self { trials: trials as u64, max_errors })
    }

    /// Probability to pass at error probability `p`.
    pub fn pass_probability(&self, p: f64) -> Result<f64> {
        binomial_cdf(self.max_errors, self.trials, p)
    }
}

/// Sequential probability ratio test of "p <= p1" (accept) against "p >= p2" (reject), Wald.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SequentialTest {
    p1: f64,
    p2: f64,
    /// ln((1-beta)/alpha): reject above.
    ln_reject: f64,
    /// ln(beta/(1-alpha)): accept below.
    ln_accept: f64,
    /// Log likelihood ratio of one error.
    step_error: f64,
    /// Log likelihood ratio of one good trial (negative).
    step_good: f64,
}

/// State of a sequential test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SequentialState {
    /// p1 accepted: pass.
    Accept,
    /// p2 accepted: fail.
    Reject,
    /// Go on.
    Continue,
}

impl SequentialTest {
    /// Test with probability `alpha` to reject at p1 and `beta` to accept at p2.
    pub fn new(p1: f64, p2: f64, alpha: f64, beta: f64) -> Result<Self> {
        check_probability("acceptable error probability p1", p1)?;
        check_probability("unacceptable error probability p2", p2)?;
        if p1 >= p2 {
            return Err(StatisticsError::LimitOrder {
                what: "error probabilities of a sequential test",
                lower: p1,
                upper: p2,
            });
        }
        check_probability("alpha", alpha)?;
        check_probability("beta", beta)?;
        check_range("alpha + beta", alpha + beta, alpha + beta < 1.0, "below 1")?;
        Ok(Self {
            p1,
            p2,
            ln_reject: ((1.0 - beta) / alpha).ln(),
            ln_accept: (beta / (1.0 - alpha)).ln(),
            step_error: (p2 / p1).ln(),
            step_good: (-p2).ln_1p() - (-p1).ln_1p(),
        })
    }

    /// log10 of the odds ratio, the k of the e-Handbook (6.2.3.6).
    pub fn k(&self) -> f64 {
        (self.step_error - self.step_good) / std::f64::consts::LN_10
    }

    /// Intercept of the acceptance line: accept when errors <= -h1 + s n.
    pub fn h1(&self) -> f64 {
        -self.ln_accept / (self.step_error - self.step_good)
    }

    /// Intercept of the rejection line: reject when errors >= h2 + s n.
    pub fn h2(&self) -> f64 {
        self.ln_reject / (self.step_error - self.step_good)
    }

    /// Slope s of both lines.
    pub fn slope(&self) -> f64 {
        -self.step_good / (self.step_error - self.step_good)
    }

    /// State after `errors` in `trials`.
    pub fn state(&self, errors: u64, trials: u64) -> Result<SequentialState> {
        check_range("errors", errors as f64, errors <= trials, "no more than the trials")?;
        let (x, good) = (errors as f64, (trials - errors) as f64);
        let ratio = x * self.step_error + good * self.step_good;
        Ok(if ratio <= self.ln_accept {
            SequentialState::Accept
        } else if ratio >= self.ln_reject {
            SequentialState::Reject
        } else {
            SequentialState::Continue
        })
    }

    /// Mean log likelihood ratio of one trial at p.
    fn drift(&self, p: f64) -> f64 {
        p * self.step_error + (1.0 - p) * self.step_good
    }

    /// Whether p is so close to the slope that Wald's formulas need their limit.
    fn at_slope(&self, p: f64) -> bool {
        self.drift(p).abs() < 1e-7 * p * self.step_error
    }

    /// Probability to accept at error probability `p` (Wald's approximation, no overshoot).
    pub fn acceptance_probability(&self, p: f64) -> Result<f64> {
        check_range("error probability", p, (0.0..=1.0).contains(&p), "between 0 and 1")?;
        if p == 0.0 || p == 1.0 {
            return Ok(1.0 - p);
        }
        if self.at_slope(p) {
            return Ok(self.ln_reject / (self.ln_reject - self.ln_accept));
        }
        // Nonzero root h of E[exp(h z)] = 1; it has the sign opposite to the drift.
        let sign = -self.drift(p).signum();
        let f = |ln_h: f64| {
            let h = sign * ln_h.exp();
            (p * (h * self.step_error).exp_m1() + (1.0 - p) * (h * self.step_good).exp_m1()) / h.abs()
        };
        let mut lo = -1.0;
        while f(lo) > 0.0 && lo > -40.0 {
            lo -= 1.0;
        }
        let mut hi = lo + 1.0;
        while f(hi) < 0.0 && hi < 40.0 {
            hi += 0.5;
        }
        let h = sign * find_root("operating characteristic", lo, hi, 1e-13, f)?.exp();
        // (A^h - 1)/(A^h - B^h), written so that nothing overflows.
        let (a, b) = (h * self.ln_reject, h * self.ln_accept);
        let l = if h > 0.0 {
            -(-a).exp_m1() / -(b - a).exp_m1()
        } else {
            a.exp_m1() / (b.exp() * (a - b).exp_m1())
        };
        Ok(l.clamp(0.0, 1.0))
    }

    /// Average number of trials to a decision at error probability `p` (Wald's approximation).
    pub fn average_trials(&self, p: f64) -> Result<f64> {
        let l = self.acceptance_probability(p)?;
        if self.at_slope(p) {
            let square = self.step_error * -self.step_good;
            return Ok(-self.ln_reject * self.ln_accept / square);
        }
        Ok((l * self.ln_accept + (1.0 - l) * self.ln_reject) / self.drift(p))
    }

    /// The two error probabilities p1 and p2.
    pub fn probabilities(&self) -> (f64, f64) {
        (self.p1, self.p2)
    }
}

/// How the tail of a dual-Dirac edge is related to the bit error ratio.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TailConvention {
    /// BER = 0.5 erfc(Q/sqrt 2).
    TailIsBer,
    /// Each Dirac peak has weight 1/2: 0.5 erfc(Q/sqrt 2) = 2 BER.
    DiracWeightHalf,
}

/// Q at a bit error ratio. Errors unless the tail lies strictly between 0 and 1.
pub fn q_scale(ber: f64, convention: TailConvention) -> Result<f64> {
    normal_upper_quantile(match convention {
        TailConvention::TailIsBer => ber,
        TailConvention::DiracWeightHalf => 2.0 * ber,
    })
}

/// Total jitter at a bit error ratio: TJ = DJ + 2 Q RJ, same unit as the inputs (dual-Dirac model).
pub fn total_jitter(
    deterministic: f64,
    random_rms: f64,
    ber: f64,
    convention: TailConvention,
) -> Result<f64> {
    check_range("deterministic jitter", deterministic, deterministic >= 0.0, "0 or more")?;
    check_range("random jitter", random_rms, random_rms >= 0.0, "0 or more")?;
    Ok(deterministic + 2.0 * q_scale(ber, convention)? * random_rms)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_meet_their_definition() {
        use crate::special::binomial_sf;
        for (k, n) in [(1, 10), (4, 20), (9, 10), (300, 5000), (2, 400_000), (90_000, 100_000_000)] {
            let i = error_interval(k, n, 0.9).unwrap();
            let tolerance = if few_of_many(k, n) { 2e-3 } else { 1e-9 };
            assert!((binomial_cdf(k, n, i.upper).unwrap() / 0.05 - 1.0).abs() < tolerance * 10.0, "{k}/{n}");
            assert!((binomial_sf(k, n, i.lower).unwrap() / 0.05 - 1.0).abs() < tolerance * 10.0, "{k}/{n}");
        }
        assert_eq!(error_interval(0, 5, 0.9).unwrap().lower, 0.0);
        assert_eq!(error_interval(5, 5, 0.9).unwrap().upper, 1.0);
    }

    #[test]
    fn huge_counts_end_and_are_sensible() {
        for (k, n) in [
            (0, u64::MAX),
            (3, 10_000_000_000_000),
            (5_000_000_000, 10_000_000_000),
            (999_999_999, 1_000_000_000),
        ] {
            let i = error_interval(k, n, 0.95).unwrap();
            let p = k as f64 / n as f64;
            assert!(i.lower <= p && p <= i.upper && i.upper <= 1.0, "{k}/{n} {i:?}");
        }
        // Half of 1e10: the normal interval is exact to many digits there.
        let i = error_interval(5_000_000_000, 10_000_000_000, 0.95).unwrap();
        assert!((i.upper - 0.5 - 1.959_964 * 0.5e-5).abs() < 1e-10, "{i:?}");
    }

    #[test]
    fn refusals() {
        assert!(upper_error_limit(0, 0, 0.95).is_err());
        assert!(upper_error_limit(3, 2, 0.95).is_err());
        assert!(SequentialTest::new(0.1, 0.01, 0.05, 0.05).is_err());
        assert!(SequentialTest::new(0.01, 0.1, 0.6, 0.6).is_err());
        assert!(q_scale(0.5, TailConvention::DiracWeightHalf).is_err());
    }

    #[test]
    fn operating_characteristic_passes_through_its_points() {
        let t = SequentialTest::new(1e-10, 1e-9, 0.05, 0.05).unwrap();
        assert!((t.acceptance_probability(1e-10).unwrap() - 0.95).abs() < 1e-9);
        assert!((t.acceptance_probability(1e-9).unwrap() - 0.05).abs() < 1e-9);
        let mut last = 1.0;
        for i in 0..200 {
            let p = 1e-12 * 1.05_f64.powi(i);
            let l = t.acceptance_probability(p).unwrap();
            assert!(l <= last + 1e-9, "{p} {l} {last}");
            let n = t.average_trials(p).unwrap();
            assert!(n.is_finite() && n > 0.0, "{p} {n}");
            last = l;
        }
    }

    #[test]
    fn fixed_length_rule_holds_its_confidence() {
        for k in [0, 1, 5] {
            let rule = FixedLengthRule::for_limit(1e-6, k, 0.95).unwrap();
            assert!(rule.pass_probability(1e-6).unwrap() <= 0.05);
            assert!(rule.pass_probability(0.99e-6).unwrap() > 0.05);
        }
    }
}
