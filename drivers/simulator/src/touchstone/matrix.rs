//! Small complex matrices: product, inverse, largest singular value.

use super::MOST_PORTS;
use rustfft::num_complex::Complex64;

/// A square complex matrix of one to [`MOST_PORTS`] rows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Matrix {
    size: usize,
    cells: [[Complex64; MOST_PORTS]; MOST_PORTS],
}

const ZERO: Complex64 = Complex64::new(0.0, 0.0);

impl Matrix {
    /// The zero matrix of `size` rows, at most [`MOST_PORTS`].
    #[must_use]
    pub fn zero(size: usize) -> Matrix {
        Matrix { size: size.min(MOST_PORTS), cells: [[ZERO; MOST_PORTS]; MOST_PORTS] }
    }

    /// The matrix whose cell at (row, column) is `cell(row, column)`.
    #[must_use]
    pub fn from_fn(size: usize, cell: impl Fn(usize, usize) -> Complex64) -> Matrix {
        let mut matrix = Matrix::zero(size);
        let size = matrix.size;
        for (i, row) in matrix.cells.iter_mut().enumerate().take(size) {
            for (j, place) in row.iter_mut().enumerate().take(size) {
                *place = cell(i, j);
            }
        }
        matrix
    }

    #[must_use]
    pub fn identity(size: usize) -> Matrix {
        Matrix::from_fn(size, |i, j| Complex64::from(if i == j { 1.0 } else { 0.0 }))
    }

    /// Rows.
    #[must_use]
    pub fn size(&self) -> usize {
        self.size
    }

    /// The cell at (row, column), counted from 0; 0 outside the matrix.
    #[must_use]
    pub fn at(&self, row: usize, column: usize) -> Complex64 {
        self.cells.get(row).and_then(|cells| cells.get(column)).copied().unwrap_or(ZERO)
    }

    /// Every cell is a number.
    #[must_use]
    pub fn is_finite(&self) -> bool {
        self.cells.iter().flatten().all(|cell| cell.is_finite())
    }

    pub(super) fn times(&self, right: &Matrix) -> Matrix {
        Matrix::from_fn(self.size, |i, j| (0..self.size).map(|k| self.at(i, k) * right.at(k, j)).sum())
    }

    /// Inverse by Gauss-Jordan elimination with row pivoting; `None` for a singular matrix.
    pub(super) fn inverse(&self) -> Option<Matrix> {
        let n = self.size;
        let (mut left, mut right) = (self.cells, Matrix::identity(n).cells);
        for column in 0..n {
            let pivot = (column..n)
                .max_by(|a, b| left[*a][column].norm_sqr().total_cmp(&left[*b][column].norm_sqr()))?;
            left.swap(column, pivot);
            right.swap(column, pivot);
            let scale = left[column][column].inv();
            if !scale.is_finite() {
                return None;
            }
            for j in 0..n {
                left[column][j] *= scale;
                right[column][j] *= scale;
            }
            for i in (0..n).filter(|i| *i != column) {
                let factor = left[i][column];
                for j in 0..n {
                    let (l, r) = (left[column][j], right[column][j]);
                    left[i][j] -= factor * l;
                    right[i][j] -= factor * r;
                }
            }
        }
        let inverse = Matrix { size: n, cells: right };
        inverse.is_finite().then_some(inverse)
    }

    /// Largest singular value, by one-sided Jacobi rotations of the columns. At most 1 for the scattering matrix of a
    /// passive network.
    #[must_use]
    pub fn largest_singular_value(&self) -> f64 {
        let n = self.size;
        let mut a = self.cells;
        let dot = |a: &[[Complex64; MOST_PORTS]; MOST_PORTS], p: usize, q: usize| -> Complex64 {
            (0..n).map(|i| a[i][p].conj() * a[i][q]).sum()
        };
        // Convergence is quadratic; a 4 x 4 matrix needs about five sweeps.
        for _ in 0..30 {
            let mut turned = false;
            for p in 0..n {
                for q in p + 1..n {
                    let (alpha, beta, gamma) = (dot(&a, p, p).re, dot(&a, q, q).re, dot(&a, p, q));
                    let size = gamma.norm();
                    if size == 0.0 || size <= 1e-15 * (alpha * beta).sqrt() || !size.is_finite() {
                        continue;
                    }
                    turned = true;
                    let turn = (gamma / size).conj();
                    let zeta = (beta - alpha) / (2.0 * size);
                    let tangent = zeta.signum() / (zeta.abs() + (1.0 + zeta * zeta).sqrt());
                    let cosine = 1.0 / (1.0 + tangent * tangent).sqrt();
                    let sine = cosine * tangent;
                    for row in a.iter_mut().take(n) {
                        let (x, y) = (row[p], row[q] * turn);
                        row[p] = x * cosine - y * sine;
                        row[q] = x * sine + y * cosine;
                    }
                }
            }
            if !turned {
                break;
            }
        }
        (0..n).map(|p| dot(&a, p, p).re.sqrt()).fold(0.0, f64::max)
    }
}
