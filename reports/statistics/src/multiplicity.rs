//! Many tests at once: adjusted p values of Holm and of Benjamini and Hochberg.

use super::error::{Result, StatisticsError};

/// Which error rate is held over the family of tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Correction {
    /// Family-wise error rate.
    Holm,
    /// False discovery rate (Benjamini and Hochberg 1995), for independent or positively dependent tests.
    BenjaminiHochberg,
}

/// Adjusted p values in the order given; a test is significant when its adjusted p is at most the level.
///
/// Errors on an empty family or a p outside 0..1.
pub fn adjusted_p(p: &[f64], correction: Correction) -> Result<Vec<f64>> {
    if p.is_empty() {
        return Err(StatisticsError::TooFewValues { what: "adjusted p values", have: 0, need: 1 });
    }
    for (index, value) in p.iter().enumerate() {
        if value.is_nan() {
            return Err(StatisticsError::NotFinite { what: "adjusted p values", index });
        }
        if !(0.0..=1.0).contains(value) {
            return Err(StatisticsError::OutOfRange {
                name: "p value",
                value: *value,
                allowed: "between 0 and 1",
            });
        }
    }
    let n = p.len() as f64;
    let mut order: Vec<(usize, f64)> = p.iter().copied().enumerate().collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut adjusted = vec![1.0; p.len()];
    let mut set = |index: usize, value: f64| {
        if let Some(slot) = adjusted.get_mut(index) {
            *slot = value;
        }
    };
    match correction {
        Correction::Holm => {
            let mut running: f64 = 0.0;
            for (rank, &(i, v)) in order.iter().enumerate() {
                running = running.max((n - rank as f64) * v);
                set(i, running.min(1.0));
            }
        }
        Correction::BenjaminiHochberg => {
            let mut running: f64 = 1.0;
            for (rank, &(i, v)) in order.iter().enumerate().rev() {
                running = running.min(n * v / (rank + 1) as f64);
                set(i, running);
            }
        }
    }
    Ok(adjusted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn order_is_kept_and_bad_p_refused() {
        let a = adjusted_p(&[0.04, 0.01], Correction::Holm).unwrap();
        assert_eq!(a, [0.04, 0.02]);
        assert!(adjusted_p(&[], Correction::Holm).is_err());
        assert!(adjusted_p(&[0.1, f64::NAN], Correction::BenjaminiHochberg).is_err());
        assert!(adjusted_p(&[1.2], Correction::Holm).is_err());
    }
}
