//! The normal distribution with accurate tails.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use libm::erfc;

use crate::error::{Result, check_probability};

/// Standard normal density.
pub fn normal_pdf(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// Standard normal cumulative probability P(Z <= z); accurate in the lower tail.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * FRAC_1_SQRT_2)
}

/// Standard normal upper tail P(Z > z) (the "Q function"); accurate for large z.
pub fn normal_sf(z: f64) -> f64 {
    0.5 * erfc(z * FRAC_1_SQRT_2)
}

/// Natural logarithm of the standard normal cumulative probability, also where the probability underflows.
pub(crate) fn ln_normal_cdf(z: f64) -> f64 {
    if z > 0.0 {
        // ln(1 - sf) keeps the digits when the probability is close to 1.
        (-normal_sf(z)).ln_1p()
    } else if z > -37.0 {
        normal_cdf(z).ln()
    } else {
        // The asymptotic series, Abramowitz & Stegun 26.2.12.
        let square = 1.0 / (z * z);
        -0.5 * z * z - (-z).ln() - 0.5 * (2.0 * PI).ln()
            + (-square * (1.0 - square * (3.0 - 15.0 * square))).ln_1p()
    }
}

/// Standard normal quantile: the z with P(Z <= z) = `p`.
///
/// Errors when `p` is not strictly between 0 and 1.
pub fn normal_quantile(p: f64) -> Result<f64> {
    check_probability("probability of a normal quantile", p)?;
    Ok(if p <= 0.5 { -upper_quantile(p) } else { upper_quantile(1.0 - p) })
}

/// The z with P(Z > z) = `q`; keeps full accuracy for tiny `q` (the inverse Q function).
///
/// Errors when `q` is not strictly between 0 and 1.
pub fn normal_upper_quantile(q: f64) -> Result<f64> {
    check_probability("tail probability of a normal quantile", q)?;
    Ok(if q <= 0.5 { upper_quantile(q) } else { -upper_quantile(1.0 - q) })
}

/// Quotient of two polynomials, coefficients from the highest power down.
fn quotient(x: f64, over: [f64; 8], under: [f64; 8]) -> f64 {
    let at = |of: [f64; 8]| of.into_iter().fold(0.0, |sum, c| sum * x + c);
    at(over) / at(under)
}

/// Upper quantile for q in (0, 0.5]: algorithm AS 241, PPND16 (Wichura, Applied Statistics 37 (1988) 477-484); coefficients from memory,
/// held against the survival function in the tests.
#[allow(clippy::excessive_precision)]
fn upper_quantile(q: f64) -> f64 {
    let away = 0.5 - q;
    if away <= 0.425 {
        let over = [
            2509.0809287301226727,
            33430.575583588128105,
            67265.770927008700853,
            45921.953931549871457,
            13731.693765509461125,
            1971.5909503065514427,
            133.14166789178437745,
            3.387132872796366608,
        ];
        let under = [
            5226.495278852545925,
            28729.085735721942674,
            39307.89580009271061,
            21213.794301586595867,
            5394.1960214247511077,
            687.1870074920579083,
            42.313330701600911252,
            1.0,
        ];
        return away * quotient(0.180625 - away * away, over, under);
    }
    let r = (-q.ln()).sqrt();
    if r <= 5.0 {
        let over = [
            7.7454501427834140764e-4,
            0.0227238449892691845833,
            0.24178072517745061177,
            1.27045825245236838258,
            3.64784832476320460504,
            5.7694972214606914055,
            4.6303378461565452959,
            1.42343711074968357734,
        ];
        let under = [
            1.05075007164441684324e-9,
            5.475938084995344946e-4,
            0.0151986665636164571966,
            0.14810397642748007459,
            0.68976733498510000455,
            1.6763848301838038494,
            2.05319162663775882187,
            1.0,
        ];
        return quotient(r - 1.6, over, under);
    }
    let over = [
        2.01033439929228813265e-7,
        2.71155556874348757815e-5,
        0.0012426609473880784386,
        0.026532189526576123093,
        0.29656057182850489123,
        1.7848265399172913358,
        5.4637849111641143699,
        6.6579046435011037772,
    ];
    let under = [
        2.04426310338993978564e-15,
        1.4215117583164458887e-7,
        1.8463183175100546818e-5,
        7.868691311456132591e-4,
        0.0148753612908506148525,
        0.13692988092273580531,
        0.59983220655588793769,
        1.0,
    ];
    quotient(r - 5.0, over, under)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The quantile undoes the survival function over every branch, in relative measure of the tail.
    #[test]
    fn a_quantile_leads_back_to_its_tail() {
        for step in 1..=3600 {
            let z = f64::from(step) * 0.01;
            let q = normal_sf(z);
            let back = normal_upper_quantile(q).expect("a probability");
            // ln sf changes by about z for each unit of z: an error in z and in the tail's own figure.
            assert!((back - z).abs() < 4e-15 * z.max(1.0) + 4e-16 / z.min(1.0), "{z}: {back}");
        }
        assert_eq!(normal_upper_quantile(0.5).expect("a probability"), 0.0);
    }
}
