//! Analysis of variance of a factorial with main effects and two-way interactions by least squares; the numbers of
//! runs per cell may differ.

use super::anova::{AnovaLine, ErrorLine, line};
use super::error::{Result, StatisticsError, check_range, check_values};
use super::summary::{compensated_sum, mean_unchecked};

/// Most columns (degrees of freedom of the model) that are accepted; larger models belong into separate analyses.
const MAX_COLUMNS: usize = 800;

/// A column counts as a combination of the others when what is left of it is below this share of its square.
const RANK_TOLERANCE: f64 = 1e-9;

/// A factor: its name and its level in each run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor<'a> {
    pub name: &'a str,
    /// Level of each run, any numbering.
    pub levels: &'a [usize],
}

/// Which terms a factorial analysis contains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Terms {
    /// Main effects only.
    MainEffects,
    /// Main effects and all two-way interactions.
    WithTwoWayInteractions,
}

/// Result of a factorial analysis.
#[derive(Debug, Clone, PartialEq)]
pub struct FactorialTable {
    /// One line a term, main effects first.
    pub lines: Vec<AnovaLine>,
    pub error: ErrorLine,
    /// Total sum of squares about the mean.
    pub total_sum_of_squares: f64,
    /// R^2.
    pub r_squared: f64,
    /// Terms that could not be estimated: factors with one level, interactions aliased by empty cells.
    pub left_out: Vec<String>,
}

struct Term {
    name: String,
    factors: Vec<usize>,
    columns: std::ops::Range<usize>,
}

/// Analyses a response over factors with sums of squares of type II: each term after all terms that do not contain it,
/// so that empty cells do no harm. Errors on unequal lengths, a model without error degrees of freedom or a response
/// without residual spread.
pub fn factorial(factors: &[Factor<'_>], response: &[f64], terms: Terms) -> Result<FactorialTable> {
    const WHAT: &str = "factorial analysis of variance";
    check_values(WHAT, response, 3)?;
    let mut left_out = Vec::new();
    let mut coded: Vec<(&str, Vec<usize>, usize)> = Vec::new();
    for factor in factors {
        if factor.levels.len() != response.len() {
            return Err(StatisticsError::Shape {
                what: "levels of a factor",
                have: factor.levels.len(),
                need: response.len(),
            });
        }
        let mut used: Vec<usize> = factor.levels.to_vec();
        used.sort_unstable();
        used.dedup();
        if used.len() < 2 {
            left_out.push(factor.name.to_owned());
            continue;
        }
        let index = factor.levels.iter().map(|l| used.partition_point(|u| u < l)).collect();
        coded.push((factor.name, index, used.len()));
    }
    if coded.is_empty() {
        return Err(StatisticsError::NotDetermined { what: WHAT, why: "no factor has two levels" });
    }
    let list = term_list(&coded, terms);
    let columns = list.last().map_or(1, |t| t.columns.end);
    check_range(
        "columns of the model",
        columns as f64,
        columns <= MAX_COLUMNS,
        "at most 800; drop interactions",
    )?;
    let centre = mean_unchecked(response);
    let y: Vec<f64> = response.iter().map(|v| v - centre).collect();
    let design: Vec<Vec<(usize, f64)>> = (0..y.len()).map(|run| design_row(&list, &coded, run)).collect();
    let (cross, right) = cross_products(&design, &y, columns);

    let total = compensated_sum(y.iter().map(|v| v * v));
    let all: Vec<usize> = (0..columns).collect();
    let full = Elimination::new(&cross, &right, &all);
    let residual = full.residual_sum(&design, &y);
    let dof_error = y.len() as f64 - full.rank() as f64;
    // What rounding leaves of an exact fit is not an error estimate.
    let residual = if residual < 1e-24 * total { 0.0 } else { residual };
    let error = ErrorLine::new(WHAT, residual, dof_error)?;

    let mut lines = Vec::new();
    for term in &list {
        let contains = |other: &Term| term.factors.iter().all(|f| other.factors.contains(f));
        let mut order = vec![0];
        for other in &list {
            if !contains(other) {
                order.extend(other.columns.clone());
            }
        }
        let first_own = order.len();
        order.extend(term.columns.clone());
        let (ss, dof) = Elimination::new(&cross, &right, &order).gain_from(first_own);
        if dof == 0 {
            left_out.push(term.name.clone());
        } else {
            lines.push(line(term.name.clone(), ss, dof as f64, &error, total)?);
        }
    }
    Ok(FactorialTable {
        lines,
        error,
        total_sum_of_squares: total,
        r_squared: 1.0 - residual / total,
        left_out,
    })
}

fn term_list(coded: &[(&str, Vec<usize>, usize)], terms: Terms) -> Vec<Term> {
    let mut list = Vec::new();
    let mut next = 1;
    for (i, (name, _, levels)) in coded.iter().enumerate() {
        list.push(Term { name: (*name).to_owned(), factors: vec![i], columns: next..next + levels - 1 });
        next += levels - 1;
    }
    if terms == Terms::WithTwoWayInteractions {
        for (i, (a, _, levels_a)) in coded.iter().enumerate() {
            for (j, (b, _, levels_b)) in coded.iter().enumerate().skip(i + 1) {
                let width = (levels_a - 1) * (levels_b - 1);
                list.push(Term {
                    name: format!("{a} x {b}"),
                    factors: vec![i, j],
                    columns: next..next + width,
                });
                next += width;
            }
        }
    }
    list
}

/// Sum-to-zero coding of one level: (column, value) of the nonzero entries.
fn contrast(level: usize, levels: usize) -> Vec<(usize, f64)> {
    if level + 1 < levels { vec![(level, 1.0)] } else { (0..levels - 1).map(|c| (c, -1.0)).collect() }
}

fn design_row(list: &[Term], coded: &[(&str, Vec<usize>, usize)], run: usize) -> Vec<(usize, f64)> {
    let of = |factor: usize| {
        coded.get(factor).map_or((Vec::new(), 1), |(_, index, levels)| {
            (contrast(index.get(run).copied().unwrap_or(0), *levels), levels - 1)
        })
    };
    let mut row = vec![(0, 1.0)];
    for term in list {
        let start = term.columns.start;
        match *term.factors.as_slice() {
            [a] => row.extend(of(a).0.into_iter().map(|(c, v)| (start + c, v))),
            [a, b] => {
                let (second, width) = of(b);
                for (ca, va) in of(a).0 {
                    row.extend(second.iter().map(|&(cb, vb)| (start + ca * width + cb, va * vb)));
                }
            }
            _ => {}
        }
    }
    row
}

fn cross_products(design: &[Vec<(usize, f64)>], y: &[f64], columns: usize) -> (Vec<Vec<f64>>, Vec<f64>) {
    let mut cross = vec![vec![0.0; columns]; columns];
    let mut right = vec![0.0; columns];
    for (row, value) in design.iter().zip(y) {
        for &(i, vi) in row {
            if let Some(target) = right.get_mut(i) {
                *target += vi * value;
            }
            if let Some(cross_row) = cross.get_mut(i) {
                for &(j, vj) in row {
                    if let Some(target) = cross_row.get_mut(j) {
                        *target += vi * vj;
                    }
                }
            }
        }
    }
    (cross, right)
}

/// Cholesky factorisation of the cross products in a given column order; dependent columns are skipped. The entries
/// of design matrices in sum-to-zero coding are small whole numbers, so the cross products are exact.
struct Elimination {
    /// Lower factor rows of the kept columns.
    factor: Vec<Vec<f64>>,
    /// L^-1 X'y of the kept columns.
    gains: Vec<f64>,
    /// (position in the order, column) of the kept columns.
    kept: Vec<(usize, usize)>,
}

impl Elimination {
    fn new(cross: &[Vec<f64>], right: &[f64], order: &[usize]) -> Self {
        let mut this = Self { factor: Vec::new(), gains: Vec::new(), kept: Vec::new() };
        for (position, &column) in order.iter().enumerate() {
            let Some(cross_row) = cross.get(column) else { continue };
            let entry = |c: usize| cross_row.get(c).copied().unwrap_or(0.0);
            let mut row: Vec<f64> = Vec::with_capacity(this.kept.len() + 1);
            for (&(_, other), other_row) in this.kept.iter().zip(&this.factor) {
                let dot: f64 = row.iter().zip(other_row).map(|(a, b)| a * b).sum();
                let pivot = other_row.last().copied().unwrap_or(1.0);
                row.push((entry(other) - dot) / pivot);
            }
            let diagonal = entry(column);
            let left = diagonal - row.iter().map(|v| v * v).sum::<f64>();
            if left <= RANK_TOLERANCE * diagonal.max(1.0) {
                continue;
            }
            let pivot = left.sqrt();
            let projected: f64 = row.iter().zip(&this.gains).map(|(a, b)| a * b).sum();
            this.gains.push((right.get(column).copied().unwrap_or(0.0) - projected) / pivot);
            row.push(pivot);
            this.factor.push(row);
            this.kept.push((position, column));
        }
        this
    }

    fn rank(&self) -> usize {
        self.kept.len()
    }

    /// Sum of squares and degrees of freedom gained by the columns from `position` on.
    fn gain_from(&self, position: usize) -> (f64, usize) {
        let own: Vec<f64> = self
            .kept
            .iter()
            .zip(&self.gains)
            .filter(|((p, _), _)| *p >= position)
            .map(|(_, g)| g * g)
            .collect();
        (own.iter().sum(), own.len())
    }

    /// Residual sum of squares from the fitted values themselves (no difference of large sums).
    fn residual_sum(&self, design: &[Vec<(usize, f64)>], y: &[f64]) -> f64 {
        let columns = self.kept.iter().map(|(_, c)| c + 1).max().unwrap_or(0);
        let mut coefficients = vec![0.0; columns];
        let mut rest = self.gains.clone();
        for (i, row) in self.factor.iter().enumerate().rev() {
            let pivot = row.last().copied().unwrap_or(1.0);
            let b = rest.get(i).copied().unwrap_or(0.0) / pivot;
            for (target, value) in rest.iter_mut().zip(row).take(i) {
                *target -= b * value;
            }
            if let Some((_, column)) = self.kept.get(i)
                && let Some(target) = coefficients.get_mut(*column)
            {
                *target = b;
            }
        }
        compensated_sum(design.iter().zip(y).map(|(row, value)| {
            let fitted: f64 = row.iter().map(|&(c, v)| v * coefficients.get(c).copied().unwrap_or(0.0)).sum();
            (value - fitted) * (value - fitted)
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::super::anova::two_way_sums;
    use super::*;

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-9 * b.abs().max(1.0)
    }

    #[test]
    fn balanced_data_give_the_closed_form() {
        let cells = vec![
            vec![vec![4.1, 4.5], vec![5.0, 5.6], vec![7.2, 6.9]],
            vec![vec![3.0, 3.3], vec![6.1, 6.4], vec![9.5, 9.1]],
        ];
        let expected = two_way_sums("test", &cells).unwrap();
        let (mut a, mut b, mut y) = (Vec::new(), Vec::new(), Vec::new());
        for (i, row) in cells.iter().enumerate() {
            for (j, cell) in row.iter().enumerate() {
                for v in cell {
                    a.push(i * 10);
                    b.push(j);
                    y.push(*v);
                }
            }
        }
        let factors = [Factor { name: "a", levels: &a }, Factor { name: "b", levels: &b }];
        let t = factorial(&factors, &y, Terms::WithTwoWayInteractions).unwrap();
        assert!(close(t.lines[0].sum_of_squares, expected.first));
        assert!(close(t.lines[1].sum_of_squares, expected.second));
        assert!(close(t.lines[2].sum_of_squares, expected.interaction));
        assert!(close(t.error.sum_of_squares, expected.error));
        assert_eq!(t.lines[2].term, "a x b");
    }

    #[test]
    fn unbalanced_data_by_hand() {
        // Cell counts 1, 2, 2, 1. Centred sums by hand: Saa = Sbb = 3/2, Sab = -1/2, Say = 5, Sby = 3, total 40, so the
        // effects are 9/2 and 7/2, the model explains 33, SS(a|b) = 33 - 3^2/(3/2) and SS(b|a) = 33 - 5^2/(3/2).
        let a = [0, 0, 0, 1, 1, 1];
        let b = [0, 1, 1, 0, 0, 1];
        let y = [1.0, 2.0, 4.0, 3.0, 5.0, 9.0];
        let factors = [Factor { name: "a", levels: &a }, Factor { name: "b", levels: &b }];
        let t = factorial(&factors, &y, Terms::MainEffects).unwrap();
        assert!(close(t.lines[0].sum_of_squares, 27.0));
        assert!(close(t.lines[1].sum_of_squares, 49.0 / 3.0));
        assert!(close(t.error.sum_of_squares, 7.0) && t.error.dof == 3.0);
        assert!(close(t.total_sum_of_squares, 40.0) && close(t.r_squared, 33.0 / 40.0));
    }

    #[test]
    fn empty_cells_and_single_levels() {
        // Cell (1,1) is empty: the interaction of a 2 x 2 cannot be estimated.
        let a = [0, 0, 0, 0, 1, 1];
        let b = [0, 0, 1, 1, 0, 0];
        let c = [7; 6];
        let y = [1.0, 1.5, 2.0, 2.2, 3.0, 3.1];
        let factors = [
            Factor { name: "a", levels: &a },
            Factor { name: "b", levels: &b },
            Factor { name: "c", levels: &c },
        ];
        let terms = Terms::WithTwoWayInteractions;
        let t = factorial(&factors, &y, terms).unwrap();
        assert_eq!(t.left_out, ["c", "a x b"]);
        assert_eq!(t.lines.len(), 2);
    }

    #[test]
    fn exact_fits_and_empty_models_are_refused() {
        let a = [0, 0, 1, 1];
        let f = [Factor { name: "a", levels: &a }];
        let exact = factorial(&f, &[1.0, 1.0, 2.0, 2.0], Terms::MainEffects);
        assert!(matches!(exact, Err(StatisticsError::ZeroVariance { .. })));
        let one = [Factor { name: "a", levels: &[0, 0, 0, 0] }];
        assert!(factorial(&one, &[1.0, 2.0, 3.0, 4.0], Terms::MainEffects).is_err());
        assert!(factorial(&f, &[1.0, 2.0, 3.0], Terms::MainEffects).is_err());
    }
}
