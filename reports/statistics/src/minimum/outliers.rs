//! Values too far below the others for chance to have put them there.

use crate::special::t_upper_quantile;

/// Which values lie so far below the others that chance would hardly put them there: generalised extreme studentized
/// deviates on the lower side (Rosner, Technometrics 25 (1983) 165), at most a quarter of them, with a family-wise
/// `alpha`. Of fewer than four values none can be told.
pub fn low_outliers(values: &[f64], alpha: f64) -> Vec<usize> {
    let n = values.len();
    if n < 4 {
        return Vec::new();
    }
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut found = 0;
    for gone in 0..(n / 4).max(1) {
        let rest = &order[gone..];
        let count = rest.len() as f64;
        let mean = rest.iter().map(|at| values[*at]).sum::<f64>() / count;
        let squares: f64 = rest.iter().map(|at| (values[*at] - mean).powi(2)).sum();
        let deviation = (squares / (count - 1.0)).sqrt();
        let Ok(t) = t_upper_quantile(alpha / count, count - 2.0) else { break };
        let critical = (count - 1.0) * t / (count * (count - 2.0 + t * t)).sqrt();
        if deviation > 0.0 && (mean - values[order[gone]]) / deviation > critical {
            found = gone + 1;
        }
    }
    order.truncate(found);
    order
}
