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

    /// NIST StRD, Longley (higher difficulty): certified values, from memory with the data, which they confirm.
    #[test]
    fn longley_meets_its_certified_values() {
        let y = [
            60323.0, 61122.0, 60171.0, 61187.0, 63221.0, 63639.0, 64989.0, 63761.0, 66019.0, 67857.0,
            68169.0, 66513.0, 68655.0, 69564.0, 69331.0, 70551.0,
        ];
        let x = [
            [83.0, 234289.0, 2356.0, 1590.0, 107608.0],
            [88.5, 259426.0, 2325.0, 1456.0, 108632.0],
            [88.2, 258054.0, 3682.0, 1616.0, 109773.0],
            [89.5, 284599.0, 3351.0, 1650.0, 110929.0],
            [96.2, 328975.0, 2099.0, 3099.0, 112075.0],
            [98.1, 346999.0, 1932.0, 3594.0, 113270.0],
            [99.0, 365385.0, 1870.0, 3547.0, 115094.0],
            [100.0, 363112.0, 3578.0, 3350.0, 116219.0],
            [101.2, 397469.0, 2904.0, 3048.0, 117388.0],
            [104.6, 419180.0, 2822.0, 2857.0, 118734.0],
            [108.4, 442769.0, 2936.0, 2798.0, 120445.0],
            [110.8, 444546.0, 4681.0, 2637.0, 121950.0],
            [112.6, 482704.0, 3813.0, 2552.0, 123366.0],
            [114.2, 502601.0, 3931.0, 2514.0, 125368.0],
            [115.7, 518173.0, 4806.0, 2572.0, 127852.0],
            [116.9, 554894.0, 4007.0, 2827.0, 130081.0],
        ];
        let rows: Vec<Vec<f64>> = x
            .iter()
            .zip(1947..)
            .map(|(x, year)| x.iter().copied().chain([f64::from(year)]).collect())
            .collect();
        let fit = least_squares(&rows, &y).unwrap();
        let certified = [
            15.0618722713733,
            -0.358191792925910E-01,
            -2.02022980381683,
            -1.03322686717359,
            -0.511041056535807E-01,
            1829.15146461355,
        ];
        for (got, certified) in fit.coefficients.iter().zip(certified) {
            assert!((got / certified - 1.0).abs() < 1e-8, "{got} {certified}");
        }
        assert!((fit.intercept / -3482258.63459582 - 1.0).abs() < 1e-9, "{}", fit.intercept);
        assert!((fit.residual_sd / 304.854073561965 - 1.0).abs() < 1e-9, "{}", fit.residual_sd);
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
