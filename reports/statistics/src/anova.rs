//! Analysis of variance: one-way, and the sums of squares of a balanced two-way layout.

use super::error::{Result, StatisticsError, check_values};
use super::special::f_sf;
use super::summary::{compensated_sum, mean_unchecked, squared_deviations};

/// One line of an analysis of variance.
#[derive(Debug, Clone, PartialEq)]
pub struct AnovaLine {
    /// Term, for example "rate" or "rate x module".
    pub term: String,
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub dof: f64,
    pub mean_square: f64,
    /// F ratio against the error term.
    pub f: f64,
    /// P(F > f).
    pub p: f64,
    /// Share of the total sum of squares, eta^2.
    pub eta_squared: f64,
    /// omega^2 = (SS - dof MS_error)/(SS_total + MS_error), less biased; can be slightly negative.
    pub omega_squared: f64,
}

/// Error (residual) part of an analysis of variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ErrorLine {
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub dof: f64,
    pub mean_square: f64,
}

impl ErrorLine {
    pub(super) fn new(what: &'static str, sum_of_squares: f64, dof: f64) -> Result<Self> {
        if dof < 1.0 {
            return Err(StatisticsError::NotDetermined {
                what,
                why: "no degrees of freedom are left for the error; repeat measurements or drop a term",
            });
        }
        if sum_of_squares <= 0.0 {
            return Err(StatisticsError::ZeroVariance { what });
        }
        Ok(Self { sum_of_squares, dof, mean_square: sum_of_squares / dof })
    }
}

/// Builds a line tested against `error`.
pub(super) fn line(term: String, ss: f64, dof: f64, error: &ErrorLine, total_ss: f64) -> Result<AnovaLine> {
    let mean_square = ss / dof;
    let f = mean_square / error.mean_square;
    Ok(AnovaLine {
        term,
        sum_of_squares: ss,
        dof,
        mean_square,
        f,
        p: f_sf(f, dof, error.dof)?,
        eta_squared: ss / total_ss,
        omega_squared: (ss - dof * error.mean_square) / (total_ss + error.mean_square),
    })
}

/// One-way analysis of variance.
#[derive(Debug, Clone, PartialEq)]
pub struct OneWay {
    /// Between groups, tested against within.
    pub between: AnovaLine,
    /// Within groups.
    pub within: ErrorLine,
    pub total_sum_of_squares: f64,
    /// R^2 = SS between / SS total.
    pub r_squared: f64,
    /// Residual standard deviation.
    pub residual_sd: f64,
}

/// One-way analysis of variance of at least two groups (any sizes, at least one group with two values).
///
/// Each pass is centred, so that a large common offset does not destroy the digits (NIST StRD SmLs04..09).
pub fn one_way(groups: &[&[f64]]) -> Result<OneWay> {
    const WHAT: &str = "one-way analysis of variance";
    if groups.len() < 2 {
        return Err(StatisticsError::TooFewValues { what: WHAT, have: groups.len(), need: 2 });
    }
    for group in groups {
        check_values(WHAT, group, 1)?;
    }
    let all: Vec<f64> = groups.iter().flat_map(|g| g.iter().copied()).collect();
    let centre = mean_unchecked(&all);
    // Deviations from the grand mean first; their own means are small and exact.
    let centred: Vec<Vec<f64>> = groups.iter().map(|g| g.iter().map(|v| v - centre).collect()).collect();
    let rest = compensated_sum(centred.iter().flatten().copied()) / all.len() as f64;
    let between = compensated_sum(centred.iter().map(|g| {
        let m = mean_unchecked(g) - rest;
        g.len() as f64 * m * m
    }));
    let within = compensated_sum(centred.iter().map(|g| squared_deviations(g)));
    let dof_between = (groups.len() - 1) as f64;
    let within = ErrorLine::new(WHAT, within, (all.len() - groups.len()) as f64)?;
    let total = between + within.sum_of_squares;
    Ok(OneWay {
        between: line("between groups".to_owned(), between, dof_between, &within, total)?,
        within,
        total_sum_of_squares: total,
        r_squared: between / total,
        residual_sd: within.mean_square.sqrt(),
    })
}

/// Sums of squares of a balanced two-way layout `cells[row][column][repeat]`.
pub(super) struct TwoWaySums {
    pub(super) rows: usize,
    pub(super) columns: usize,
    pub(super) repeats: usize,
    pub(super) first: f64,
    pub(super) second: f64,
    pub(super) interaction: f64,
    pub(super) error: f64,
}

pub(super) fn two_way_sums(what: &'static str, cells: &[Vec<Vec<f64>>]) -> Result<TwoWaySums> {
    let rows = cells.len();
    if rows < 2 {
        return Err(StatisticsError::TooFewValues { what, have: rows, need: 2 });
    }
    let columns = cells.first().map_or(0, Vec::len);
    let repeats = cells.first().and_then(|r| r.first()).map_or(0, Vec::len);
    if columns < 2 {
        return Err(StatisticsError::TooFewValues { what, have: columns, need: 2 });
    }
    if repeats < 2 {
        return Err(StatisticsError::TooFewValues { what, have: repeats, need: 2 });
    }
    for row in cells {
        if row.len() != columns {
            return Err(StatisticsError::Shape { what, have: row.len(), need: columns });
        }
        for cell in row {
            if cell.len() != repeats {
                return Err(StatisticsError::Shape { what, have: cell.len(), need: repeats });
            }
            check_values(what, cell, 2)?;
        }
    }
    let all: Vec<f64> = cells.iter().flatten().flatten().copied().collect();
    let centre = mean_unchecked(&all);
    let means: Vec<Vec<f64>> =
        cells.iter().map(|row| row.iter().map(|cell| mean_unchecked(cell) - centre).collect()).collect();
    let row_means: Vec<f64> = means.iter().map(|row| mean_unchecked(row)).collect();
    let column_means: Vec<f64> =
        (0..columns).map(|j| means.iter().filter_map(|row| row.get(j)).sum::<f64>() / rows as f64).collect();
    let squares = |v: &[f64]| compensated_sum(v.iter().map(|m| m * m));
    let interaction = compensated_sum(means.iter().zip(&row_means).flat_map(|(row, row_mean)| {
        row.iter().zip(&column_means).map(move |(m, column_mean)| (m - row_mean - column_mean).powi(2))
    }));
    let n = repeats as f64;
    Ok(TwoWaySums {
        rows,
        columns,
        repeats,
        first: columns as f64 * n * squares(&row_means),
        second: rows as f64 * n * squares(&column_means),
        interaction: n * interaction,
        error: compensated_sum(cells.iter().flatten().map(|cell| squared_deviations(cell))),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_what_it_cannot_decide() {
        assert!(one_way(&[&[1.0, 2.0]]).is_err());
        assert!(matches!(one_way(&[&[1.0], &[2.0]]), Err(StatisticsError::NotDetermined { .. })));
        assert!(matches!(one_way(&[&[1.0, 1.0], &[2.0, 2.0]]), Err(StatisticsError::ZeroVariance { .. })));
        assert!(one_way(&[&[1.0, f64::NAN], &[2.0, 3.0]]).is_err());
    }
}
