//! Least squares whose solution may be held at or above zero, on the normal equations.
//!
//! Lawson and Hanson, Solving Least Squares Problems (1974), chapter 23 (from memory); checked against scipy.

/// A symmetric matrix of normal equations, row by row.
#[derive(Debug, Clone, PartialEq)]
pub struct Symmetric {
    pub size: usize,
    /// `size * size` entries.
    pub entries: Vec<f64>,
}

impl Symmetric {
    pub fn zero(size: usize) -> Symmetric {
        Symmetric { size, entries: vec![0.0; size * size] }
    }

    pub fn at(&self, row: usize, column: usize) -> f64 {
        self.entries[row * self.size + column]
    }

    /// Adds `by` times the outer product of a vector with itself.
    pub fn add_outer(&mut self, vector: &[f64], by: f64) {
        for (row, left) in self.entries.chunks_exact_mut(self.size).zip(vector) {
            if *left != 0.0 {
                row.iter_mut().zip(vector).for_each(|(entry, right)| *entry += by * left * right);
            }
        }
    }

    /// Solves for the unknowns in `among`, the others being zero; `None` where the matrix is not positive definite there.
    pub fn solve(&self, right: &[f64], among: &[usize]) -> Option<Vec<f64>> {
        let n = among.len();
        let mut factor = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let before: f64 = (0..j).map(|k| factor[i * n + k] * factor[j * n + k]).sum();
                let rest = self.at(among[i], among[j]) - before;
                if i == j {
                    if rest <= 1e-14 * self.at(among[i], among[i]) || !rest.is_finite() {
                        return None;
                    }
                    factor[i * n + i] = rest.sqrt();
                } else {
                    factor[i * n + j] = rest / factor[j * n + j];
                }
            }
        }
        let mut found: Vec<f64> = among.iter().map(|place| right[*place]).collect();
        for i in 0..n {
            let before: f64 = (0..i).map(|k| factor[i * n + k] * found[k]).sum();
            found[i] = (found[i] - before) / factor[i * n + i];
        }
        for i in (0..n).rev() {
            let after: f64 = (i + 1..n).map(|k| factor[k * n + i] * found[k]).sum();
            found[i] = (found[i] - after) / factor[i * n + i];
        }
        Some(found)
    }

    /// The inverse; `None` where the matrix is not positive definite.
    pub fn inverse(&self) -> Option<Symmetric> {
        let all: Vec<usize> = (0..self.size).collect();
        let mut entries = Vec::with_capacity(self.size * self.size);
        for row in 0..self.size {
            let mut unit = vec![0.0; self.size];
            unit[row] = 1.0;
            entries.extend(self.solve(&unit, &all)?);
        }
        Some(Symmetric { size: self.size, entries })
    }
}

/// Minimises x'Hx/2 - g'x with x at or above zero wherever `held` says so; `None` where H is not positive definite.
///
/// With H = A'A and g = A'y this is the least-squares solution of Ax = y.
pub fn solve_held(matrix: &Symmetric, right: &[f64], held: &[bool]) -> Option<Vec<f64>> {
    let size = matrix.size;
    let mut inside: Vec<bool> = held.iter().map(|held| !held).collect();
    let mut x = vec![0.0; size];
    let scale = right.iter().fold(0.0f64, |most, value| most.max(value.abs())).max(f64::MIN_POSITIVE);
    // Each pass frees one unknown; cycles end by the count.
    for _ in 0..3 * size + 3 {
        loop {
            let among: Vec<usize> = (0..size).filter(|place| inside[*place]).collect();
            let wanted = matrix.solve(right, &among)?;
            // The way to it ends at the first unknown that meets zero.
            let mut share = 1.0f64;
            let mut first = None;
            for (place, value) in among.iter().zip(&wanted) {
                if held[*place] && *value < 0.0 {
                    let until = x[*place] / (x[*place] - value);
                    if until < share || first.is_none() {
                        (share, first) = (until.min(share), Some(*place));
                    }
                }
            }
            for (place, value) in among.iter().zip(&wanted) {
                x[*place] += share * (value - x[*place]);
            }
            let Some(first) = first else { break };
            for place in among {
                if held[place] && (place == first || x[place] <= 0.0) {
                    (x[place], inside[place]) = (0.0, false);
                }
            }
        }
        let pull = |place: usize| {
            right[place] - (0..size).map(|other| matrix.at(place, other) * x[other]).sum::<f64>()
        };
        let outside = (0..size).filter(|place| !inside[*place]).map(|place| (place, pull(place)));
        let strongest = outside.max_by(|a, b| a.1.total_cmp(&b.1)).filter(|(_, pull)| *pull > 1e-10 * scale);
        match strongest {
            Some((place, _)) => inside[place] = true,
            None => break,
        }
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_would_be_negative_is_zero() {
        // x = (1, -1) without the bound; with it the first alone: (1*2 + 0*1) / 5 ... by hand: H = [[2, 1], [1, 2]], g = (1, -1).
        let matrix = Symmetric { size: 2, entries: vec![2.0, 1.0, 1.0, 2.0] };
        let free = solve_held(&matrix, &[1.0, -1.0], &[false, false]).unwrap();
        assert!((free[0] - 1.0).abs() < 1e-12 && (free[1] + 1.0).abs() < 1e-12, "{free:?}");
        let held = solve_held(&matrix, &[1.0, -1.0], &[true, true]).unwrap();
        assert!((held[0] - 0.5).abs() < 1e-12 && held[1] == 0.0, "{held:?}");
        let flat = Symmetric { size: 2, entries: vec![1.0, 1.0, 1.0, 1.0] };
        assert_eq!(solve_held(&flat, &[1.0, 1.0], &[false, false]), None);
    }
}
