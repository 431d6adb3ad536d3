//! Linear regression by least squares, and what it says of values it has not seen.

use super::error::{Result, StatisticsError, check_values};
use super::summary::mean_unchecked;

const WHAT: &str = "linear regression";

/// A column whose length falls to this share of itself, once the columns before are taken out of it, says nothing of its own.
const DEPENDENT: f64 = 1e-9;

/// A fit of y = intercept + coefficients . x.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    pub intercept: f64,
    /// One a column of x.
    pub coefficients: Vec<f64>,
    /// Residual of each row, and what it would be of a fit that leaves this row out.
    pub residuals: Vec<f64>,
    pub left_out: Vec<f64>,
    /// Rows less figures fitted.
    pub dof: usize,
    /// Standard deviation of the residuals with that many degrees of freedom.
    pub residual_sd: f64,
}

impl Fit {
    /// The fitted value of a row.
    pub fn predict(&self, x: &[f64]) -> f64 {
        self.intercept + self.coefficients.iter().zip(x).map(|(factor, x)| factor * x).sum::<f64>()
    }
}

/// Fits `y` by the columns of `rows` and an intercept: columns centred, then made orthogonal one after the other, twice
/// (modified Gram-Schmidt with reorthogonalization). A row's residual without itself is e / (1 - h), h its leverage.
pub fn least_squares(rows: &[Vec<f64>], y: &[f64]) -> Result<Fit> {
    let n = y.len();
    let columns = rows.first().map_or(0, Vec::len);
    check_values(WHAT, y, columns + 3)?;
    if rows.len() != n {
        return Err(StatisticsError::Shape { what: WHAT, have: rows.len(), need: n });
    }
    if let Some(row) = rows.iter().find(|row| row.len() != columns) {
        return Err(StatisticsError::Shape { what: WHAT, have: row.len(), need: columns });
    }
    let column = |at: usize| -> Vec<f64> { rows.iter().map(|row| row[at]).collect() };
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let mut means = Vec::with_capacity(columns);
    let mut orthogonal: Vec<Vec<f64>> = Vec::with_capacity(columns);
    // By column: the shares of the orthogonal columns before it, then its own length.
    let mut triangle: Vec<Vec<f64>> = Vec::with_capacity(columns);
    for at in 0..columns {
        let mut x = column(at);
        check_values(WHAT, &x, 1)?;
        let mean = mean_unchecked(&x);
        x.iter_mut().for_each(|x| *x -= mean);
        let length = dot(&x, &x).sqrt();
        let mut shares = vec![0.0; orthogonal.len()];
        for _ in 0..2 {
            for (share, q) in shares.iter_mut().zip(&orthogonal) {
                let more = dot(q, &x);
                *share += more;
                x.iter_mut().zip(q).for_each(|(x, q)| *x -= more * q);
            }
        }
        let left = dot(&x, &x).sqrt();
        if length <= 0.0 || left <= DEPENDENT * length {
            let why = "a column is constant or follows from the others; leave it out";
            return Err(StatisticsError::NotDetermined { what: WHAT, why });
        }
        x.iter_mut().for_each(|x| *x /= left);
        shares.push(left);
        triangle.push(shares);
        means.push(mean);
        orthogonal.push(x);
    }
    let mean_y = mean_unchecked(y);
    let mut residuals: Vec<f64> = y.iter().map(|y| y - mean_y).collect();
    let mut shares = vec![0.0; columns];
    for _ in 0..2 {
        for (share, q) in shares.iter_mut().zip(&orthogonal) {
            let more = dot(q, &residuals);
            *share += more;
            residuals.iter_mut().zip(q).for_each(|(e, q)| *e -= more * q);
        }
    }
    let mut coefficients = vec![0.0; columns];
    for at in (0..columns).rev() {
        let known: f64 = (at + 1..columns).map(|later| triangle[later][at] * coefficients[later]).sum();
        coefficients[at] = (shares[at] - known) / triangle[at][at];
    }
    let intercept = mean_y - coefficients.iter().zip(&means).map(|(factor, mean)| factor * mean).sum::<f64>();
    let leverage = |row: usize| 1.0 / n as f64 + orthogonal.iter().map(|q| q[row] * q[row]).sum::<f64>();
    let mut left_out = Vec::with_capacity(n);
    for (row, residual) in residuals.iter().enumerate() {
        let rest = 1.0 - leverage(row);
        if rest <= DEPENDENT {
            let why = "one row alone settles a coefficient; give more rows";
            return Err(StatisticsError::NotDetermined { what: WHAT, why });
        }
        left_out.push(residual / rest);
    }
    let dof = n - columns - 1;
    let residual_sd = (dot(&residuals, &residuals) / dof as f64).sqrt();
    Ok(Fit { intercept, coefficients, residuals, left_out, dof, residual_sd })
}

/// Correlation of two lists of values (Pearson).
pub fn correlation(one: &[f64], other: &[f64]) -> Result<f64> {
    const WHAT: &str = "correlation";
    check_values(WHAT, one, 3)?;
    check_values(WHAT, other, 3)?;
    if one.len() != other.len() {
        return Err(StatisticsError::Shape { what: WHAT, have: other.len(), need: one.len() });
    }
    let (a, b) = (mean_unchecked(one), mean_unchecked(other));
    let sum =
        |f: &dyn Fn(f64, f64) -> f64| -> f64 { one.iter().zip(other).map(|(x, y)| f(x - a, y - b)).sum() };
    let (aa, bb, ab) = (sum(&|x, _| x * x), sum(&|_, y| y * y), sum(&|x, y| x * y));
    if aa <= 0.0 || bb <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    Ok(ab / (aa * bb).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a row's residual is without itself, by leaving it out.
    #[test]
    fn leaving_a_row_out_is_what_the_leverage_says() {
        let x = |k: usize| vec![(k as f64 * 1.7).sin(), (k * k % 7) as f64, k as f64];
        let rows: Vec<Vec<f64>> = (0..12).map(x).collect();
        let y: Vec<f64> = (0..12).map(|k| (k as f64 * 0.9).cos() + 0.3 * k as f64).collect();
        let fit = least_squares(&rows, &y).unwrap();
        for out in 0..12 {
            let without = |k: &usize| *k != out;
            let rest: Vec<Vec<f64>> = (0..12).filter(without).map(|k| rows[k].clone()).collect();
            let values: Vec<f64> = (0..12).filter(without).map(|k| y[k]).collect();
            let fresh = least_squares(&rest, &values).unwrap();
            assert!((y[out] - fresh.predict(&rows[out]) - fit.left_out[out]).abs() < 1e-10, "{out}");
        }
    }

    #[test]
    fn what_settles_nothing_is_refused() {
        let rows: Vec<Vec<f64>> = (0..9).map(|k| vec![f64::from(k), 2.0 * f64::from(k) + 1.0]).collect();
        let y: Vec<f64> = (0..9).map(f64::from).collect();
        assert!(matches!(least_squares(&rows, &y), Err(StatisticsError::NotDetermined { .. })));
        assert!(matches!(least_squares(&rows[..4], &y[..4]), Err(StatisticsError::TooFewValues { .. })));
        assert!(correlation(&[1.0; 4], &[1.0, 2.0, 3.0, 4.0]).is_err());
        assert!((correlation(&[1.0, 2.0, 3.0], &[6.0, 4.0, 2.0]).unwrap() + 1.0).abs() < 1e-15);
    }
}
