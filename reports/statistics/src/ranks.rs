//! Rank tests with exact p values: Mann-Whitney and Wilcoxon's signed rank test, with Hodges-Lehmann estimates.
//!
//! Ties get mid-ranks; the exact distribution is then that of all permutations of the observed mid-ranks.

use super::error::{Result, StatisticsError, check_range, check_values};
use super::special::normal_sf;
use super::summary::quantile_of_sorted;

/// Exact distributions are computed up to this number of values in total; beyond it the normal approximation with
/// tie and continuity correction is accurate to three digits.
const MAX_EXACT: usize = 120;

/// Most pairwise differences formed for an estimate.
const MAX_PAIRS: usize = 4_000_000;

/// Result of a rank test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RankTest {
    /// U of the first sample (Mann-Whitney) or V, the sum of positive ranks (signed rank).
    pub statistic: f64,
    /// p of "first greater than second" (greater).
    pub p_greater: f64,
    /// p of "first less than second" (less).
    pub p_less: f64,
    /// Two-sided p, twice the smaller one, at most 1.
    pub p_two_sided: f64,
    /// Hodges-Lehmann estimate of the shift of the first against the second.
    pub shift: f64,
    /// Whether p is exact.
    pub exact: bool,
}

/// Twice the mid-ranks (whole numbers), and the sum of t^3 - t over ties. Values closer than rounding are ties.
fn doubled_ranks(values: &[f64]) -> (Vec<usize>, f64) {
    let mut order: Vec<(usize, f64)> = values.iter().copied().enumerate().collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1));
    let scale = values.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    let mut ranks = vec![0; values.len()];
    let mut ties = 0.0;
    let mut first = 0;
    for group in order.chunk_by(|a, b| b.1 - a.1 <= 1e-13 * scale) {
        let t = group.len();
        // Ranks first+1 ..= first+t: their mean, doubled, is 2 first + t + 1.
        for (index, _) in group {
            if let Some(slot) = ranks.get_mut(*index) {
                *slot = 2 * first + t + 1;
            }
        }
        let t = t as f64;
        ties += t * t * t - t;
        first += group.len();
    }
    (ranks, ties)
}

/// Tails P(S >= s), P(S <= s) of a distribution of weights over sums 0..len.
fn tails(weights: &[f64], s: usize) -> (f64, f64) {
    let total: f64 = weights.iter().sum();
    let upper: f64 = weights.iter().skip(s).sum();
    let lower: f64 = weights.iter().take(s + 1).sum();
    ((upper / total).min(1.0), (lower / total).min(1.0))
}

fn result(statistic: f64, tails: (f64, f64), shift: f64, exact: bool) -> RankTest {
    let (p_greater, p_less) = tails;
    RankTest {
        statistic,
        p_greater,
        p_less,
        p_two_sided: (2.0 * p_greater.min(p_less)).min(1.0),
        shift,
        exact,
    }
}

/// Normal tails with continuity correction.
fn normal_tails(statistic: f64, mean: f64, variance: f64) -> (f64, f64) {
    let sd = variance.sqrt();
    (normal_sf((statistic - mean - 0.5) / sd), normal_sf((mean - statistic - 0.5) / sd))
}

/// Mann-Whitney test of two independent samples (at least one value each, not all equal). Exact up to 120 values.
pub fn mann_whitney(first: &[f64], second: &[f64]) -> Result<RankTest> {
    const WHAT: &str = "Mann-Whitney test";
    check_values(WHAT, first, 1)?;
    check_values(WHAT, second, 1)?;
    let all: Vec<f64> = first.iter().chain(second).copied().collect();
    let (ranks, ties) = doubled_ranks(&all);
    let (m, n) = (first.len() as f64, second.len() as f64);
    let total = m + n;
    if ranks.iter().all(|r| Some(r) == ranks.first()) {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    let shift = pairwise_shift(first, second)?;
    let doubled_sum: usize = ranks.iter().take(first.len()).sum();
    let u = 0.5 * doubled_sum as f64 - 0.5 * m * (m + 1.0);
    if all.len() > MAX_EXACT {
        let variance = m * n / 12.0 * (total + 1.0 - ties / (total * (total - 1.0)));
        return Ok(result(u, normal_tails(u, 0.5 * m * n, variance), shift, false));
    }
    // Number of subsets of the size of the first sample with each doubled rank sum.
    let most: usize = ranks.iter().sum();
    let mut counts = vec![vec![0.0_f64; most + 1]; first.len() + 1];
    if let Some(start) = counts.first_mut().and_then(|row| row.first_mut()) {
        *start = 1.0;
    }
    for &rank in &ranks {
        for size in (1..=first.len()).rev() {
            let (smaller, larger) = counts.split_at_mut(size);
            if let (Some(from), Some(to)) = (smaller.last(), larger.first_mut()) {
                for (source, target) in from.iter().zip(to.iter_mut().skip(rank)) {
                    *target += source;
                }
            }
        }
    }
    let weights = counts.pop().unwrap_or_default();
    Ok(result(u, tails(&weights, doubled_sum), shift, true))
}

/// Median of all pairwise differences.
fn pairwise_shift(first: &[f64], second: &[f64]) -> Result<f64> {
    let pairs = first.len().saturating_mul(second.len());
    check_range("pairs of a Hodges-Lehmann estimate", pairs as f64, pairs <= MAX_PAIRS, "at most 4 million")?;
    let mut differences: Vec<f64> = first.iter().flat_map(|a| second.iter().map(move |b| a - b)).collect();
    differences.sort_by(f64::total_cmp);
    Ok(quantile_of_sorted(&differences, 0.5))
}

/// Wilcoxon's signed rank test of paired differences; zero differences are dropped (Wilcoxon's rule). Exact up to 120
/// differences. The shift is the median of the Walsh averages of all differences.
pub fn signed_rank(differences: &[f64]) -> Result<RankTest> {
    const WHAT: &str = "signed rank test";
    check_values(WHAT, differences, 1)?;
    let kept: Vec<f64> = differences.iter().copied().filter(|d| *d != 0.0).collect();
    if kept.is_empty() {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    let pairs = differences.len().saturating_mul(differences.len() + 1) / 2;
    check_range("Walsh averages", pairs as f64, pairs <= MAX_PAIRS, "at most 4 million")?;
    let mut walsh: Vec<f64> = differences
        .iter()
        .enumerate()
        .flat_map(|(i, a)| differences.iter().skip(i).map(move |b| 0.5 * (a + b)))
        .collect();
    walsh.sort_by(f64::total_cmp);
    let shift = quantile_of_sorted(&walsh, 0.5);

    let magnitudes: Vec<f64> = kept.iter().map(|d| d.abs()).collect();
    let (ranks, ties) = doubled_ranks(&magnitudes);
    let doubled: usize = ranks.iter().zip(&kept).filter(|(_, d)| **d > 0.0).map(|(r, _)| r).sum();
    let v = 0.5 * doubled as f64;
    let n = kept.len() as f64;
    if kept.len() > MAX_EXACT {
        let variance = n * (n + 1.0) * (2.0 * n + 1.0) / 24.0 - ties / 48.0;
        return Ok(result(v, normal_tails(v, 0.25 * n * (n + 1.0), variance), shift, false));
    }
    let most: usize = ranks.iter().sum();
    let mut weights = vec![0.0_f64; most + 1];
    if let Some(start) = weights.first_mut() {
        *start = 1.0;
    }
    for &rank in &ranks {
        // Halved each time so that the weights are probabilities and cannot overflow.
        let before = weights.clone();
        for (target, source) in weights.iter_mut().skip(rank).zip(&before) {
            *target += source;
        }
        weights.iter_mut().for_each(|w| *w *= 0.5);
    }
    Ok(result(v, tails(&weights, doubled), shift, true))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiny_cases_by_counting() {
        // x = {3, 4}, y = {1, 2}: the most extreme of 6 arrangements.
        let t = mann_whitney(&[3.0, 4.0], &[1.0, 2.0]).unwrap();
        assert_eq!((t.statistic, t.shift), (4.0, 2.0));
        assert!((t.p_greater - 1.0 / 6.0).abs() < 1e-15 && (t.p_less - 1.0).abs() < 1e-15);
        // Ties: values 1,1,2,2 against each other, ranks 1.5 1.5 3.5 3.5; P(sum >= 7) = 1/6.
        let tied = mann_whitney(&[2.0, 2.0], &[1.0, 1.0]).unwrap();
        assert!((tied.p_greater - 1.0 / 6.0).abs() < 1e-15);
        // Three positive differences: V = 6, p = 1/8.
        let s = signed_rank(&[1.0, 2.0, 3.0]).unwrap();
        assert_eq!((s.statistic, s.shift), (6.0, 2.0));
        assert!((s.p_greater - 0.125).abs() < 1e-15);
    }

    #[test]
    fn exact_and_normal_agree_for_many_values() {
        let x: Vec<f64> = (0..61).map(|i| f64::from(i) * 1.01 + 6.0).collect();
        let y: Vec<f64> = (0..59).map(|i| f64::from(i) + 0.3).collect();
        let exact = mann_whitney(&x, &y).unwrap();
        assert!(exact.exact);
        let mut longer = y.clone();
        longer.push(30.05);
        let normal = mann_whitney(&x, &longer).unwrap();
        assert!(!normal.exact);
        assert!((exact.p_greater - normal.p_greater).abs() < 5e-3);
    }

    #[test]
    fn refusals() {
        assert!(matches!(signed_rank(&[0.0, 0.0]), Err(StatisticsError::ZeroVariance { .. })));
        assert!(matches!(mann_whitney(&[1.0], &[1.0]), Err(StatisticsError::ZeroVariance { .. })));
        assert!(mann_whitney(&[], &[1.0]).is_err());
        assert!(signed_rank(&[f64::NAN]).is_err());
    }
}
