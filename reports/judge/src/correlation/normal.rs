//! The normal equations of a fit whose lanes have unknowns of their own: those are eliminated level by level (a lane's place in one eye,
//! its copper, its delay line), so that what is left is as small as the figures are few.

use statistics::nonnegative::Symmetric;

/// Normal equations `h x = g`, the last unknowns those to be eliminated next.
#[derive(Debug, Clone)]
pub struct Normal {
    pub size: usize,
    pub h: Vec<f64>,
    pub g: Vec<f64>,
}

/// What finds the eliminated unknowns again once the others are known.
#[derive(Debug, Clone)]
pub struct Eliminated {
    /// Inverse of their own part, row by row.
    inverse: Vec<f64>,
    /// Their rows in the others' columns.
    rows: Vec<Vec<f64>>,
    g: Vec<f64>,
}

impl Normal {
    pub fn zero(size: usize) -> Normal {
        Normal { size, h: vec![0.0; size * size], g: vec![0.0; size] }
    }

    /// Adds a point: its slopes, how much it pulls and how strongly it holds.
    pub fn point(&mut self, slopes: &[f64], pull: f64, hold: f64) {
        for (at, (row, slope)) in self.h.chunks_exact_mut(self.size).zip(slopes).enumerate() {
            let by = hold * slope;
            // Below the diagonal only: the rest is its mirror.
            row[..=at].iter_mut().zip(slopes).for_each(|(entry, other)| *entry += by * other);
        }
        self.g.iter_mut().zip(slopes).for_each(|(sum, slope)| *sum += pull * slope);
    }

    /// Mirrors what [`Normal::point`] added below the diagonal.
    pub fn mirror(&mut self) {
        for row in 0..self.size {
            for column in row + 1..self.size {
                self.h[row * self.size + column] = self.h[column * self.size + row];
            }
        }
    }

    /// Adds what is known beforehand of an unknown: zero with a standard deviation, where it stands at `value`.
    pub fn known(&mut self, at: usize, value: f64, sd: f64) {
        self.h[at * self.size + at] += sd.powi(-2);
        self.g[at] -= value * sd.powi(-2);
    }

    pub fn add(&mut self, other: &Normal) {
        self.h.iter_mut().zip(&other.h).for_each(|(sum, part)| *sum += part);
        self.g.iter_mut().zip(&other.g).for_each(|(sum, part)| *sum += part);
    }

    /// Eliminates the last `count` unknowns; those that nothing holds stay where they are.
    pub fn eliminate(&self, count: usize) -> (Normal, Eliminated) {
        let (n, kept) = (self.size, self.size - count);
        let at = |row: usize, column: usize| self.h[row * n + column];
        let own = (kept..n).flat_map(|row| (kept..n).map(move |column| (row, column)));
        let own = Symmetric { size: count, entries: own.map(|(row, column)| at(row, column)).collect() };
        let inverse = own.inverse().map_or_else(|| vec![0.0; count * count], |inverse| inverse.entries);
        let rows: Vec<Vec<f64>> =
            (kept..n).map(|row| (0..kept).map(|column| at(row, column)).collect()).collect();
        let eliminated = Eliminated { inverse, rows, g: self.g[kept..].to_vec() };
        let mut left = Normal::zero(kept);
        for row in 0..kept {
            let shares = eliminated.shares(row);
            for column in 0..kept {
                let taken: f64 = shares.iter().zip(&eliminated.rows).map(|(by, row)| by * row[column]).sum();
                left.h[row * kept + column] = at(row, column) - taken;
            }
            left.g[row] = self.g[row] - shares.iter().zip(&eliminated.g).map(|(by, g)| by * g).sum::<f64>();
        }
        (left, eliminated)
    }

    /// Solves for all unknowns; `None` where they are not determined.
    pub fn solve(&self) -> Option<Vec<f64>> {
        let all: Vec<usize> = (0..self.size).collect();
        self.matrix().solve(&self.g, &all)
    }

    pub fn matrix(&self) -> Symmetric {
        Symmetric { size: self.size, entries: self.h.clone() }
    }
}

impl Eliminated {
    /// How much of each eliminated equation goes into that of an unknown which is kept.
    fn shares(&self, column: usize) -> Vec<f64> {
        let count = self.g.len();
        let of =
            |which: usize| (0..count).map(|k| self.inverse[which * count + k] * self.rows[k][column]).sum();
        (0..count).map(of).collect()
    }

    /// The eliminated unknowns where the others are `kept`.
    pub fn back(&self, kept: &[f64]) -> Vec<f64> {
        let count = self.g.len();
        let rest = |which: usize| {
            self.g[which] - self.rows[which].iter().zip(kept).map(|(row, x)| row * x).sum::<f64>()
        };
        let rest: Vec<f64> = (0..count).map(rest).collect();
        (0..count).map(|which| (0..count).map(|k| self.inverse[which * count + k] * rest[k]).sum()).collect()
    }

    /// What a part of `g` for the eliminated unknowns is for the unknown `column` once they are eliminated.
    pub fn passed_on(&self, column: usize, g: &[f64]) -> f64 {
        -self.shares(column).iter().zip(g).map(|(by, g)| by * g).sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eliminating_and_going_back_solves_the_whole() {
        let mut normal = Normal::zero(5);
        // Nothing special: points of mixed slopes.
        for k in 0..9 {
            let slopes: Vec<f64> = (0..5).map(|i| f64::sin(f64::from(k * 5 + i).powi(2) * 0.7)).collect();
            normal.point(&slopes, f64::cos(f64::from(k)), 1.0 + f64::from(k));
        }
        normal.mirror();
        normal.known(4, 0.3, 2.0);
        let whole = normal.solve().unwrap();
        let (left, eliminated) = normal.eliminate(2);
        let kept = left.solve().unwrap();
        let back = eliminated.back(&kept);
        for (found, expected) in kept.iter().chain(&back).zip(&whole) {
            assert!((found - expected).abs() < 1e-10, "{found} {expected}");
        }
        let passed: f64 = normal.g[0] + eliminated.passed_on(0, &normal.g[3..]);
        assert!((passed - left.g[0]).abs() < 1e-12);
    }
}
