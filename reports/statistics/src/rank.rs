//! Correlation of ranks (Spearman): do two lists put things in the same order?

/// Ranks from 1; equal values share the mean of theirs.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut first = 0;
    while first < order.len() {
        let same = order[first..].iter().take_while(|at| values[**at] == values[order[first]]).count();
        for at in &order[first..first + same] {
            ranks[*at] = first as f64 + 0.5 * (same as f64 + 1.0);
        }
        first += same;
    }
    ranks
}

/// Spearman's rank correlation; `None` for fewer than three pairs, a list of equal values, or values that are not finite.
pub fn spearman(pairs: &[(f64, f64)]) -> Option<f64> {
    if pairs.len() < 3 || pairs.iter().any(|(a, b)| !a.is_finite() || !b.is_finite()) {
        return None;
    }
    let (a, b): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    let (a, b) = (ranks(&a), ranks(&b));
    let mean = 0.5 * (pairs.len() as f64 + 1.0);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in a.iter().zip(&b) {
        ab += (a - mean) * (b - mean);
        aa += (a - mean) * (a - mean);
        bb += (b - mean) * (b - mean);
    }
    (aa > 0.0 && bb > 0.0).then(|| ab / (aa * bb).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::published::scipy_fits::SPEARMAN;

    #[test]
    fn correlations_of_ranks_are_those_of_scipy() {
        for (a, b, expected) in SPEARMAN {
            let pairs: Vec<(f64, f64)> = a.iter().copied().zip(b.iter().copied()).collect();
            let found = spearman(&pairs).unwrap();
            assert!((found - expected).abs() < 1e-12, "{found} {expected}");
        }
        assert_eq!(spearman(&[(1.0, 2.0), (2.0, 1.0)]), None);
        assert_eq!(spearman(&[(1.0, 2.0), (1.0, 3.0), (1.0, 4.0)]), None);
        assert_eq!(spearman(&[(1.0, 2.0), (2.0, f64::NAN), (3.0, 4.0)]), None);
    }
}
