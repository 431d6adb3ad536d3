//! Eigenvalues and eigenvectors of a symmetric matrix, by Jacobi's rotations; checked against numpy.
//!
//! Golub and Van Loan, Matrix Computations, section 8.5 (from memory). Slow for large matrices, exact for the few figures of a fit.

use crate::nonnegative::Symmetric;

/// Eigenvalues in rising order, each with its vector of length 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Eigen {
    pub values: Vec<f64>,
    pub vectors: Vec<Vec<f64>>,
}

/// Sweeps over all pairs: ten suffice for any matrix of a size that fits on a page.
const SWEEPS: usize = 60;

/// Decomposes a symmetric matrix; `None` where an entry is not finite.
pub fn eigen(matrix: &Symmetric) -> Option<Eigen> {
    let n = matrix.size;
    if matrix.entries.iter().any(|entry| !entry.is_finite()) {
        return None;
    }
    let mut a = matrix.entries.clone();
    let mut vectors: Vec<Vec<f64>> =
        (0..n).map(|row| (0..n).map(|column| f64::from(u8::from(row == column))).collect()).collect();
    let scale: f64 = a.iter().map(|entry| entry * entry).sum::<f64>().sqrt();
    for _ in 0..SWEEPS {
        let off: f64 =
            (0..n).flat_map(|p| (p + 1..n).map(move |q| (p, q))).map(|(p, q)| a[p * n + q].powi(2)).sum();
        if off.sqrt() <= 1e-15 * scale {
            break;
        }
        for p in 0..n {
            for q in p + 1..n {
                if a[p * n + q] == 0.0 {
                    continue;
                }
                // The rotation that makes this entry zero, by the smaller angle.
                let theta = 0.5 * (a[q * n + q] - a[p * n + p]) / a[p * n + q];
                let t = theta.signum() / (theta.abs() + theta.hypot(1.0));
                let t = if theta == 0.0 { 1.0 } else { t };
                let c = 1.0 / t.hypot(1.0);
                let s = t * c;
                for k in 0..n {
                    let (left, right) = (a[k * n + p], a[k * n + q]);
                    (a[k * n + p], a[k * n + q]) = (c * left - s * right, s * left + c * right);
                }
                for k in 0..n {
                    let (left, right) = (a[p * n + k], a[q * n + k]);
                    (a[p * n + k], a[q * n + k]) = (c * left - s * right, s * left + c * right);
                }
                let (first, second) = vectors.split_at_mut(q);
                for (left, right) in first[p].iter_mut().zip(&mut second[0]) {
                    (*left, *right) = (c * *left - s * *right, s * *left + c * *right);
                }
            }
        }
    }
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|left, right| a[left * n + left].total_cmp(&a[right * n + right]));
    Some(Eigen {
        values: order.iter().map(|at| a[at * n + at]).collect(),
        vectors: order.iter().map(|at| vectors[*at].clone()).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::published::scipy_fits::EIGEN;

    #[test]
    fn values_are_those_of_numpy_and_vectors_are_theirs() {
        for (size, entries, values) in EIGEN {
            let matrix = Symmetric { size: *size, entries: entries.to_vec() };
            let found = eigen(&matrix).unwrap();
            for (found, expected) in found.values.iter().zip(*values) {
                assert!((found - expected).abs() < 1e-10 * (1.0 + expected.abs()), "{found} {expected}");
            }
            for (value, vector) in found.values.iter().zip(&found.vectors) {
                let length: f64 = vector.iter().map(|part| part * part).sum();
                assert!((length - 1.0).abs() < 1e-12);
                for row in 0..*size {
                    let there: f64 = (0..*size).map(|column| matrix.at(row, column) * vector[column]).sum();
                    assert!((there - value * vector[row]).abs() < 1e-9 * (1.0 + value.abs()));
                }
            }
        }
        assert_eq!(eigen(&Symmetric { size: 1, entries: vec![f64::NAN] }), None);
        let own = eigen(&Symmetric { size: 2, entries: vec![3.0, 0.0, 0.0, 1.0] }).unwrap();
        assert_eq!((own.values, own.vectors[0].clone()), (vec![1.0, 3.0], vec![0.0, 1.0]));
    }
}
