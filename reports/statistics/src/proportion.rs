//! Exact interval of a probability from counts.

use super::error::{Result, check_probability, check_range};
use super::special::{beta_quantile, beta_upper_quantile};
use super::summary::Interval;

/// Two-sided interval of a probability at `confidence` with `events` in `trials` (Clopper and Pearson).
pub fn exact_interval(events: u64, trials: u64, confidence: f64) -> Result<Interval> {
    check_range("trials", trials as f64, trials > 0, "at least 1: no limit without a measurement")?;
    check_range("events", events as f64, events <= trials, "no more than the trials")?;
    check_probability("confidence", confidence)?;
    let tail = 0.5 - 0.5 * confidence;
    let (k, others) = (events as f64, (trials - events) as f64);
    Ok(Interval {
        lower: if events == 0 { 0.0 } else { beta_quantile(tail, k, others + 1.0)? },
        upper: if events == trials { 1.0 } else { beta_upper_quantile(tail, k + 1.0, others)? },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::special::binomial_sf;

    #[test]
    fn limits_meet_their_definition() {
        for (k, n) in [(1, 10), (4, 20), (9, 10), (300, 5000), (2, 400_000), (90_000, 100_000_000)] {
            let i = exact_interval(k, n, 0.9).unwrap();
            assert!(((1.0 - binomial_sf(k + 1, n, i.upper).unwrap()) / 0.05 - 1.0).abs() < 1e-8, "{k}/{n}");
            assert!((binomial_sf(k, n, i.lower).unwrap() / 0.05 - 1.0).abs() < 1e-8, "{k}/{n}");
        }
        assert_eq!(exact_interval(0, 5, 0.9).unwrap().lower, 0.0);
        assert_eq!(exact_interval(5, 5, 0.9).unwrap().upper, 1.0);
    }

    #[test]
    fn huge_counts_end_and_are_sensible() {
        for (k, n) in [
            (0, u64::MAX),
            (3, 10_000_000_000_000),
            (5_000_000_000, 10_000_000_000),
            (999_999_999, 1_000_000_000),
        ] {
            let i = exact_interval(k, n, 0.95).unwrap();
            let p = k as f64 / n as f64;
            assert!(i.lower <= p && p <= i.upper && i.upper <= 1.0, "{k}/{n} {i:?}");
        }
    }

    #[test]
    fn refusals() {
        assert!(exact_interval(0, 0, 0.95).is_err());
        assert!(exact_interval(3, 2, 0.95).is_err());
    }
}
