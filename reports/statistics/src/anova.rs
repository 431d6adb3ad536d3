//! Analysis of variance: one-way, balanced two-way with interaction, nested (GUM H.5), Tukey's comparisons.

use super::error::{Result, StatisticsError, check_probability, check_range, check_values};
use super::special::{f_sf, studentized_range_cdf, studentized_range_quantile};
use super::summary::{Interval, compensated_sum, mean_unchecked, squared_deviations};

/// One line of an analysis of variance.
#[derive(Debug, Clone, PartialEq)]
pub struct AnovaLine {
    /// Term, for example "rate" or "rate x module".
    pub term: String,
    /// Sum of squares.
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Mean square.
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
    /// Sum of squares.
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Mean square.
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
    /// Total sum of squares.
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

/// Balanced two-way analysis of variance with interaction; both factors fixed.
#[derive(Debug, Clone, PartialEq)]
pub struct TwoWay {
    /// First factor (rows).
    pub first: AnovaLine,
    /// Second factor (columns).
    pub second: AnovaLine,
    /// Interaction.
    pub interaction: AnovaLine,
    /// Error within cells.
    pub error: ErrorLine,
    /// Total sum of squares.
    pub total_sum_of_squares: f64,
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

/// Balanced two-way analysis with interaction of `cells[first level][second level][repeat]`; every cell needs the
/// same number (at least 2) of repeats. For unbalanced data use [`super::factorial`].
pub fn two_way(cells: &[Vec<Vec<f64>>]) -> Result<TwoWay> {
    const WHAT: &str = "two-way analysis of variance";
    let s = two_way_sums(WHAT, cells)?;
    let (a, b) = ((s.rows - 1) as f64, (s.columns - 1) as f64);
    let error = ErrorLine::new(WHAT, s.error, (s.rows * s.columns * (s.repeats - 1)) as f64)?;
    let total = s.first + s.second + s.interaction + s.error;
    Ok(TwoWay {
        first: line("first factor".to_owned(), s.first, a, &error, total)?,
        second: line("second factor".to_owned(), s.second, b, &error, total)?,
        interaction: line("interaction".to_owned(), s.interaction, a * b, &error, total)?,
        error,
        total_sum_of_squares: total,
    })
}

/// Nested (random effects) analysis of groups of repeated observations, GUM H.5: is there a between-group component,
/// and what is the uncertainty of the grand mean?
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nested {
    /// Grand mean.
    pub mean: f64,
    /// Standard deviation of the group means.
    pub sd_of_means: f64,
    /// s_a: K^(1/2) times it, an estimate of sigma within if there is no between-group effect.
    pub sd_a: f64,
    /// s_b: pooled standard deviation within groups.
    pub sd_b: f64,
    /// F = s_a^2 / s_b^2.
    pub f: f64,
    /// P(F > f).
    pub p: f64,
    /// Degrees of freedom (groups - 1, groups (observations - 1)).
    pub dof: (f64, f64),
    /// Between-group standard deviation, 0 when F < 1.
    pub sd_between: f64,
    /// u of the mean when there is no between-group effect: all observations pooled.
    pub u_pooled: f64,
    /// Its degrees of freedom, groups x observations - 1.
    pub dof_pooled: f64,
    /// u of the mean from the group means only.
    pub u_of_means: f64,
    /// Its degrees of freedom, groups - 1.
    pub dof_of_means: f64,
}

/// Nested analysis of groups of equal size (at least 2 groups of at least 2).
pub fn nested(groups: &[&[f64]]) -> Result<Nested> {
    const WHAT: &str = "nested analysis of variance";
    let size = groups.first().map_or(0, |g| g.len());
    for group in groups {
        check_values(WHAT, group, 2)?;
        if group.len() != size {
            return Err(StatisticsError::Shape { what: WHAT, have: group.len(), need: size });
        }
    }
    let means: Vec<f64> = groups.iter().map(|g| mean_unchecked(g)).collect();
    let sds: Vec<f64> = groups.iter().map(|g| (squared_deviations(g) / (size - 1) as f64).sqrt()).collect();
    nested_from_summary(&means, &sds, size)
}

/// Nested analysis from group means, group standard deviations and the number of observations per group.
pub fn nested_from_summary(means: &[f64], sds: &[f64], observations: usize) -> Result<Nested> {
    const WHAT: &str = "nested analysis of variance";
    check_values(WHAT, means, 2)?;
    check_values(WHAT, sds, 2)?;
    if sds.len() != means.len() {
        return Err(StatisticsError::Shape { what: WHAT, have: sds.len(), need: means.len() });
    }
    if observations < 2 {
        return Err(StatisticsError::TooFewValues { what: WHAT, have: observations, need: 2 });
    }
    let (j, k) = (means.len() as f64, observations as f64);
    let variance_of_means = squared_deviations(means) / (j - 1.0);
    let a2 = k * variance_of_means;
    let b2 = sds.iter().map(|s| s * s).sum::<f64>() / j;
    if b2 <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    let dof = (j - 1.0, j * (k - 1.0));
    let f = a2 / b2;
    Ok(Nested {
        mean: mean_unchecked(means),
        sd_of_means: variance_of_means.sqrt(),
        sd_a: a2.sqrt(),
        sd_b: b2.sqrt(),
        f,
        p: f_sf(f, dof.0, dof.1)?,
        dof,
        sd_between: ((a2 - b2).max(0.0) / k).sqrt(),
        u_pooled: ((dof.0 * a2 + dof.1 * b2) / (j * k - 1.0) / (j * k)).sqrt(),
        dof_pooled: j * k - 1.0,
        u_of_means: (variance_of_means / j).sqrt(),
        dof_of_means: j - 1.0,
    })
}

/// One pairwise comparison of group means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairComparison {
    /// Positions of the two groups.
    pub groups: (usize, usize),
    /// Mean of the second minus mean of the first.
    pub difference: f64,
    /// Simultaneous confidence interval.
    pub interval: Interval,
    /// Adjusted p.
    pub p: f64,
}

/// Tukey-Kramer comparisons of all pairs of group means at a simultaneous `confidence`.
pub fn tukey(groups: &[&[f64]], confidence: f64) -> Result<Vec<PairComparison>> {
    check_probability("confidence", confidence)?;
    check_range(
        "number of groups",
        groups.len() as f64,
        groups.len() <= 200,
        "at most 200 for Tukey's comparisons",
    )?;
    let table = one_way(groups)?;
    let q_limit = studentized_range_quantile(confidence, groups.len(), table.within.dof)?;
    let means: Vec<f64> = groups.iter().map(|g| mean_unchecked(g)).collect();
    let mut pairs = Vec::new();
    for (i, (first, mean_i)) in groups.iter().zip(&means).enumerate() {
        for (j, (second, mean_j)) in groups.iter().zip(&means).enumerate().skip(i + 1) {
            let reciprocal = 1.0 / first.len() as f64 + 1.0 / second.len() as f64;
            let scale = (0.5 * table.within.mean_square * reciprocal).sqrt();
            let difference = mean_j - mean_i;
            let half = q_limit * scale;
            pairs.push(PairComparison {
                groups: (i, j),
                difference,
                interval: Interval { lower: difference - half, upper: difference + half },
                p: 1.0 - studentized_range_cdf(difference.abs() / scale, groups.len(), table.within.dof)?,
            });
        }
    }
    Ok(pairs)
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
        assert!(two_way(&[vec![vec![1.0, 2.0], vec![1.0]], vec![vec![1.0, 2.0], vec![1.0, 2.0]]]).is_err());
        assert!(nested(&[&[1.0, 2.0], &[1.0, 2.0, 3.0]]).is_err());
    }

    #[test]
    fn nested_from_data_equals_nested_from_summary() {
        let groups: [&[f64]; 3] = [&[1.0, 2.0, 3.5], &[2.0, 2.5, 4.0], &[1.5, 1.0, 2.0]];
        let a = nested(&groups).unwrap();
        let table = one_way(&groups).unwrap();
        assert!((a.f - table.between.f).abs() < 1e-12);
        assert!((a.u_pooled - (table.total_sum_of_squares / 8.0 / 9.0).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn tukey_with_two_groups_is_the_pooled_t_test() {
        // For two groups q = sqrt(2) t, so p must equal the F test's p.
        let groups: [&[f64]; 2] = [&[1.0, 2.0, 3.0, 2.5], &[3.0, 4.0, 3.5, 5.0]];
        let pair = tukey(&groups, 0.95).unwrap();
        let table = one_way(&groups).unwrap();
        assert_eq!(pair.len(), 1);
        assert!((pair[0].p - table.between.p).abs() < 1e-9);
        assert!(pair[0].interval.lower > 0.0);
    }
}
