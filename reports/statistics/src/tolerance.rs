//! Statistical tolerance intervals: normal (exact and Howe) and distribution-free (Wilks). ISO 16269-6.

use super::error::{Result, StatisticsError, check_probability, check_range};
use super::special::quadrature::integrate;
use super::special::roots::{bracket_increasing, find_root};
use super::special::{
    binomial_sf, chi2_quantile, chi2_sf, noncentral_t_quantile, normal_cdf, normal_pdf, normal_quantile,
    normal_upper_quantile,
};
use super::summary::{Interval, mean, quantile_of_sorted, standard_deviation};

fn check(n: usize, content: f64, confidence: f64) -> Result<()> {
    if n < 2 {
        return Err(StatisticsError::TooFewValues { what: "tolerance factor", have: n, need: 2 });
    }
    check_probability("content of a tolerance interval", content)?;
    check_probability("confidence of a tolerance interval", confidence)
}

/// Exact one-sided factor k: mean + k s covers at least `content` with `confidence`, for n normal values.
/// k = t'(confidence; n-1, z sqrt(n))/sqrt(n).
pub fn one_sided_factor(n: usize, content: f64, confidence: f64) -> Result<f64> {
    check(n, content, confidence)?;
    let root = (n as f64).sqrt();
    Ok(noncentral_t_quantile(confidence, (n - 1) as f64, normal_quantile(content)? * root)? / root)
}

/// Howe's two-sided factor k2 (e-Handbook 7.2.6.3), within about 1 % of the exact one.
pub(crate) fn two_sided_factor_howe(n: usize, content: f64, confidence: f64) -> Result<f64> {
    check(n, content, confidence)?;
    let dof = (n - 1) as f64;
    let z = normal_upper_quantile(0.5 * (1.0 - content))?;
    Ok(z * (dof * (1.0 + 1.0 / n as f64) / chi2_quantile(1.0 - confidence, dof)?).sqrt())
}

/// Exact two-sided factor k: mean +- k s covers at least `content` with `confidence`, by integrating over the mean.
pub(crate) fn two_sided_factor(n: usize, content: f64, confidence: f64) -> Result<f64> {
    check(n, content, confidence)?;
    let dof = (n - 1) as f64;
    let root = (n as f64).sqrt();
    let z_two = normal_upper_quantile(0.5 * (1.0 - content))?;
    let z_one = normal_quantile(content)?;
    // Half width r(x) that covers `content` when the mean is off by x standard deviations.
    let half_width = |x: f64| {
        let f = |r: f64| (normal_cdf(x + r) - normal_cdf(x - r)) - content;
        let lo = z_two.max(x + z_one);
        find_root("tolerance half width", lo * (1.0 - 1e-12), x + z_two + 1e-12, 1e-13, f).unwrap_or(f64::NAN)
    };
    // The nodes do not depend on k: compute the half widths once.
    let mut nodes = Vec::with_capacity(96);
    integrate(0.0, 9.0, 6, |v| {
        nodes.push(half_width(v / root));
        0.0
    });
    let probability = |k: f64| {
        let mut next = nodes.iter();
        2.0 * integrate(0.0, 9.0, 6, |v| {
            let r = next.next().copied().unwrap_or(f64::NAN);
            normal_pdf(v) * chi2_sf(dof * (r / k) * (r / k), dof).unwrap_or(f64::NAN)
        })
    };
    let f = |ln_k: f64| probability(ln_k.exp()) - confidence;
    let start = two_sided_factor_howe(n, content, confidence)?.ln();
    let (lo, hi) = bracket_increasing("two-sided tolerance factor", start, 0.02, f)?;
    Ok(find_root("two-sided tolerance factor", lo, hi, 1e-13, f)?.exp())
}

/// Two-sided normal tolerance interval of raw values.
pub fn two_sided_interval(values: &[f64], content: f64, confidence: f64) -> Result<Interval> {
    let (m, s) = (mean(values)?, standard_deviation(values)?);
    let k = two_sided_factor(values.len(), content, confidence)?;
    Ok(Interval { lower: m - k * s, upper: m + k * s })
}

/// Lower one-sided normal tolerance limit of raw values: with `confidence`, at least `content` of the population is
/// above it.
pub fn lower_limit(values: &[f64], content: f64, confidence: f64) -> Result<f64> {
    let (m, s) = (mean(values)?, standard_deviation(values)?);
    Ok(m - one_sided_factor(values.len(), content, confidence)? * s)
}

/// Samples that the factor of a Gumbel distribution is counted from.
const SAMPLES: u64 = 10_000;

/// Lower one-sided tolerance limit of raw values that are minima of many, and so skewed to the left: by a Gumbel
/// distribution of minima. The factor on the standard deviation is that which holds in a share `confidence` of samples; it
/// does not depend on the distribution's place and size, and is counted over fixed samples.
pub fn lower_limit_of_minima(values: &[f64], content: f64, confidence: f64) -> Result<f64> {
    check_probability("content of a tolerance limit", content)?;
    check_probability("confidence of a tolerance limit", confidence)?;
    let (m, s) = (mean(values)?, standard_deviation(values)?);
    // P(X > q) = exp(-e^q) = content.
    let wanted = (-content.ln()).ln();
    let mut factors: Vec<f64> = (0..SAMPLES)
        .map(|sample| {
            let place = |k: usize| uniform(sample * values.len() as u64 + k as u64);
            let drawn: Vec<f64> = (0..values.len()).map(|k| (-place(k).ln()).ln()).collect();
            let (m, s) = (mean(&drawn)?, standard_deviation(&drawn)?);
            Ok((m - wanted) / s)
        })
        .collect::<Result<_>>()?;
    factors.sort_by(f64::total_cmp);
    Ok(m - quantile_of_sorted(&factors, confidence) * s)
}

/// A number in 0..1 that is a fixed function of its place (SplitMix64).
pub fn uniform(place: u64) -> f64 {
    let mut z = place.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^= z >> 31;
    ((z >> 11) as f64 + 0.5) / (1u64 << 53) as f64
}

/// Largest order (1 = the extreme itself) that is still a distribution-free tolerance limit for n values; `None` when
/// not even the extreme is.
pub fn wilks_order(n: u64, content: f64, confidence: f64) -> Result<Option<u64>> {
    check_probability("content of a tolerance limit", content)?;
    check_probability("confidence of a tolerance limit", confidence)?;
    check_range("number of values", n as f64, n >= 1, "at least 1")?;
    let enough = |order: u64| -> Result<bool> { Ok(binomial_sf(order, n, 1.0 - content)? >= confidence) };
    if !enough(1)? {
        return Ok(None);
    }
    let (mut lo, mut hi) = (1, n.saturating_add(1));
    while hi - lo > 1 {
        let mid = lo + (hi - lo) / 2;
        if enough(mid)? {
            lo = mid;
        } else {
            hi = mid;
        }
    }
    Ok(Some(lo))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten minima each of a Gumbel distribution of another place and size, 200 times: 95 % of the population lie above the
    /// limit in 95 % of the samples; the normal limit holds in fewer.
    #[test]
    fn limits_of_minima_hold_at_their_confidence() {
        let (place, size) = (80.0, 7.0);
        let truth = place + size * (-(0.95f64).ln()).ln();
        let (mut held, mut normal) = (0, 0);
        for sample in 0..200u64 {
            let values: Vec<f64> = (0..10)
                .map(|k| place + size * (-uniform(1_000_000_000 + sample * 10 + k).ln()).ln())
                .collect();
            held += u32::from(lower_limit_of_minima(&values, 0.95, 0.95).unwrap() <= truth);
            normal += u32::from(lower_limit(&values, 0.95, 0.95).unwrap() <= truth);
        }
        assert!((183..=197).contains(&held), "{held} of 200");
        assert!(normal <= held, "{normal} {held}");
    }

    /// scipy 1.17.1: nct.ppf(0.95, n - 1, norm.ppf(content) * sqrt(n)) / sqrt(n).
    #[test]
    fn factors_of_a_line_sample_meet_scipy() {
        for (n, factors) in [(60, [2.022159, 2.807055, 3.69533]), (240, [1.819244, 2.546817, 3.366551])] {
            for (content, factor) in [0.95, 0.99, 0.999].into_iter().zip(factors) {
                let got = one_sided_factor(n, content, 0.95).unwrap();
                assert!((got - factor).abs() < 2e-6, "{n} {content}: {got}");
            }
        }
    }

    #[test]
    fn limits_are_refused_without_data() {
        assert!(one_sided_factor(1, 0.9, 0.9).is_err());
        assert!(two_sided_factor(5, 1.0, 0.9).is_err());
        assert!(lower_limit(&[1.0], 0.9, 0.9).is_err());
    }
}
