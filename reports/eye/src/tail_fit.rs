//! Poisson maximum-likelihood fit of a Gaussian tail, BER = A Q(a + b x), to error counts along one line.
//!
//! x grows into the eye, so b > 0; mu = -a / b and sigma = 1 / b are the usual dual-Dirac parameters. For a fixed
//! A the log-likelihood is concave wherever Q's argument is positive (both ln Q and -Q are), so damped Newton
//! steps find the one maximum. Counts at BER <= 1e-2 are binomial with variance within 1 % of Poisson's.

use serde::{Deserialize, Serialize};
use statistics::special::{normal_pdf, normal_sf, normal_upper_quantile};

/// Counts of one measured point on a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Count {
    /// Place along the line in grid steps, growing into the eye.
    pub x: f64,
    /// Bits compared.
    pub bits: f64,
    /// Errors found.
    pub errors: f64,
}

/// What is known of the amplitude A.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Amplitude {
    /// A = 0.5: half the bits are transitions that reach this edge; conservative on average.
    Half,
    /// A is fitted too, held loosely to 0.5 by [`LN_AMPLITUDE_SPREAD`].
    Free,
}

/// Standard deviation of the weak prior on ln A when A is free: one decade. Without it, counts stopped after two
/// errors leave A without an upper or lower bound. An eye whose worst pattern has weight 1/16 is 0.9 decades off.
pub(crate) const LN_AMPLITUDE_SPREAD: f64 = std::f64::consts::LN_10;

/// Widest sigma accepted, in grid steps; a flatter line has no edge to speak of.
const WIDEST_SIGMA: f64 = 100.0;
pub(crate) const LN_HALF: f64 = -std::f64::consts::LN_2;
pub(crate) const LN_SQRT_TWO_PI: f64 = 0.918_938_533_204_672_8;

/// A fitted tail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TailFit {
    /// Centre of x used for conditioning.
    centre: f64,
    /// Argument of Q at the centre.
    argument: f64,
    /// Its slope, 1 / sigma, per grid step.
    slope: f64,
    ln_amplitude: f64,
    /// Covariance of (argument, slope, ln A), scaled up where the model fits badly.
    covariance: [[f64; 3]; 3],
    /// Points used.
    points: usize,
}

/// Position on a line with its standard uncertainty, both in grid steps.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Position {
    /// Position in grid steps.
    pub position: f64,
    /// Standard uncertainty in grid steps.
    pub u: f64,
}

impl TailFit {
    /// Gaussian spread in grid steps.
    pub fn sigma(&self) -> f64 {
        1.0 / self.slope
    }
    pub fn amplitude(&self) -> f64 {
        self.ln_amplitude.exp()
    }
    /// Number of points the fit rests on.
    pub fn points(&self) -> usize {
        self.points
    }

    /// Where the fitted BER equals `ber`, on the fit's x axis; `None` when `ber` is not below A / 2.
    pub fn edge(&self, ber: f64) -> Option<Position> {
        let ln_tail = ber.ln() - self.ln_amplitude;
        if ln_tail >= LN_HALF {
            return None;
        }
        let q = normal_upper_quantile(ln_tail.exp()).ok()?;
        let offset = (q - self.argument) / self.slope;
        let gradient = [-1.0 / self.slope, -offset / self.slope, mills(q) / self.slope];
        let mut variance = 0.0;
        for (row, left) in self.covariance.iter().zip(gradient) {
            for (cell, right) in row.iter().zip(gradient) {
                variance += left * cell * right;
            }
        }
        let position = self.centre + offset;
        (position.is_finite() && variance.is_finite() && variance >= 0.0)
            .then(|| Position { position, u: variance.sqrt() })
    }
}

/// Mills' ratio Q(z) / pdf(z), relative error below 2e-9 for z >= 0: the fit's inner loop needs it, its slope and
/// its logarithm thousands of times a capture. Chebyshev expansion of (z + 3) Q / pdf in (z - 3) / (z + 3),
/// computed for this file; checked against the distribution functions in the tests.
pub(crate) fn mills(z: f64) -> f64 {
    const SERIES: [f64; 13] = [
        1.827_541_793_018_825,
        -1.276_705_952_970_714_3,
        0.576_568_845_307_795_4,
        -0.118_470_683_115_330_96,
        -0.026_225_294_347_768_602,
        0.017_476_720_828_894_843,
        0.002_568_281_428_500_185_4,
        -0.002_618_867_554_532_222_6,
        -0.000_620_980_288_210_226_7,
        0.000_385_685_702_324_778_4,
        0.000_163_409_449_551_470_9,
        -3.810_947_921_323_304_4e-5,
        -2.484_929_308_366_190_5e-5,
    ];
    if z < 0.0 {
        return normal_sf(z) / normal_pdf(z);
    }
    let scale = 1.0 / (z + 3.0);
    let s = (z - 3.0) * scale;
    SERIES.iter().rev().fold(0.0, |sum, term| sum * s + term) * scale
}

/// Fits the tail to points ordered from inside the eye outwards; `None` without at least two (A free: three)
/// points with errors, or when the counts do not fall into the eye.
///
/// Where the counts contradict one Gaussian (deviance beyond its expectation by four standard deviations), the
/// outermost point is dropped and the rest fitted again: the edge at low BER is what is asked for. What
/// contradiction remains widens the covariance (deviance over degrees of freedom).
pub(crate) fn fit_tail(points: &[Count], amplitude: Amplitude) -> Option<TailFit> {
    let least = match amplitude {
        Amplitude::Half => 2,
        Amplitude::Free => 3,
    };
    let mut used = points;
    let mut best = None;
    let mut start = None;
    loop {
        if used.iter().filter(|point| point.errors > 0.0).count() < least {
            return best.map(|solution: Solution| solution.fit);
        }
        if let Some(solution) = solve(used, amplitude, start) {
            if !solution.contradicted() {
                return Some(solution.fit);
            }
            let fit = &solution.fit;
            start = Some([fit.centre, fit.argument, fit.slope, fit.ln_amplitude]);
            best = Some(solution);
        }
        (_, used) = used.split_last()?;
    }
}

struct Solution {
    fit: TailFit,
    deviance: f64,
    freedom: f64,
}

impl Solution {
    fn contradicted(&self) -> bool {
        self.freedom >= 1.0 && self.deviance > self.freedom + 4.0 * (2.0 * self.freedom).sqrt()
    }
}

/// Log-likelihood, gradient and information at one parameter triple (argument, slope, ln A).
struct Sums {
    likelihood: f64,
    gradient: [f64; 3],
    information: [[f64; 3]; 3],
}

/// `expected`: Fisher's information (always positive) instead of the observed one.
fn sums(points: &[Count], centre: f64, at: [f64; 3], amplitude: Amplitude, expected: bool) -> Sums {
    let mut sums = Sums { likelihood: 0.0, gradient: [0.0; 3], information: [[0.0; 3]; 3] };
    for point in points {
        let x = point.x - centre;
        let z = (at[0] + at[1] * x).clamp(-4.0, 37.0);
        let ratio = mills(z);
        let ln_density = at[2] - 0.5 * z * z - LN_SQRT_TWO_PI;
        let (hazard, mean) = (1.0 / ratio, point.bits * ln_density.exp() * ratio);
        sums.likelihood -= mean;
        if point.errors > 0.0 {
            sums.likelihood += point.errors * (ln_density + ratio.ln());
        }
        let slope = hazard * (mean - point.errors);
        let weight = if expected || z <= 0.0 {
            hazard * hazard * mean
        } else {
            hazard * (mean * z + point.errors * (hazard - z))
        };
        sums.gradient[0] += slope;
        sums.gradient[1] += slope * x;
        sums.gradient[2] += point.errors - mean;
        sums.information[0][0] += weight;
        sums.information[0][1] += weight * x;
        sums.information[1][1] += weight * x * x;
        sums.information[0][2] -= hazard * mean;
        sums.information[1][2] -= hazard * mean * x;
        sums.information[2][2] += mean;
    }
    match amplitude {
        Amplitude::Half => {
            sums.gradient[2] = 0.0;
            (sums.information[0][2], sums.information[1][2], sums.information[2][2]) = (0.0, 0.0, 1.0);
        }
        Amplitude::Free => {
            let precision = 1.0 / (LN_AMPLITUDE_SPREAD * LN_AMPLITUDE_SPREAD);
            let away = at[2] - LN_HALF;
            sums.likelihood -= 0.5 * precision * away * away;
            sums.gradient[2] -= precision * away;
            sums.information[2][2] += precision;
        }
    }
    sums.information[1][0] = sums.information[0][1];
    sums.information[2][0] = sums.information[0][2];
    sums.information[2][1] = sums.information[1][2];
    sums
}

fn solve(points: &[Count], amplitude: Amplitude, start: Option<[f64; 4]>) -> Option<Solution> {
    let (mut weight, mut centre) = (0.0, 0.0);
    for point in points.iter().filter(|point| point.errors > 0.0) {
        weight += 1.0;
        centre += point.x;
    }
    centre /= weight;
    let mut at = match start {
        Some([old, argument, slope, ln_amplitude]) => {
            [argument + slope * (centre - old), slope, ln_amplitude]
        }
        None => start_values(points, centre),
    };
    let free = amplitude == Amplitude::Free;
    let mut now = sums(points, centre, at, amplitude, false);
    let (mut converged, mut careful) = (false, false);
    for _ in 0..60 {
        // Far from the maximum the observed information of a free A may be indefinite or mislead; Fisher's is
        // always positive, but takes more steps.
        let observed = if careful { None } else { inverse(&now.information) };
        let inverse = observed.or_else(|| inverse(&sums(points, centre, at, amplitude, true).information))?;
        let mut step = product(&inverse, now.gradient);
        let gain: f64 = step.iter().zip(now.gradient).map(|(step, gradient)| step * gradient).sum();
        if gain < 1e-9 {
            converged = true;
            break;
        }
        // Far from the maximum a full step may leave the region where the quadratic holds.
        let reach = points
            .iter()
            .map(|point| (step[0] + step[1] * (point.x - centre)).abs())
            .fold(step[2].abs(), f64::max);
        if reach > 2.0 {
            step = step.map(|part| part * 2.0 / reach);
        }
        let mut accepted = false;
        let was_careful = careful;
        for halvings in 0..12 {
            careful = free && halvings >= 2;
            let next = [at[0] + step[0], at[1] + step[1], at[2] + step[2]];
            if next[1] > 0.5 / WIDEST_SIGMA {
                let there = sums(points, centre, next, amplitude, false);
                if there.likelihood >= now.likelihood {
                    (at, now, accepted) = (next, there, true);
                    break;
                }
            }
            step = step.map(|part| 0.5 * part);
        }
        if !accepted && (was_careful || !free) {
            // No uphill step is left within rounding; a large remaining gain means a stuck start.
            converged = gain < 1e-3;
            break;
        }
    }
    if !converged || at[1] < 1.0 / WIDEST_SIGMA {
        return None;
    }
    let covariance = inverse(&now.information)
        .or_else(|| inverse(&sums(points, centre, at, amplitude, true).information))?;
    let mut deviance = 0.0;
    let mut freedom = if free { -3.0 } else { -2.0 };
    for point in points {
        let z = (at[0] + at[1] * (point.x - centre)).clamp(-4.0, 37.0);
        let mean = point.bits * (at[2] - 0.5 * z * z - LN_SQRT_TWO_PI).exp() * mills(z);
        if point.errors > 0.0 {
            deviance += 2.0 * (point.errors * (point.errors / mean).ln() - (point.errors - mean));
            freedom += 1.0;
        } else {
            deviance += 2.0 * mean;
            // A zero where none was expected says nothing about the fit.
            freedom += if mean > 0.3 { 1.0 } else { 0.0 };
        }
    }
    if !deviance.is_finite() {
        return None;
    }
    let spread = if freedom >= 1.0 { (deviance / freedom).max(1.0) } else { 1.0 };
    let mut covariance = covariance.map(|row| row.map(|cell| cell * spread));
    if !free {
        covariance[2] = [0.0; 3];
        covariance.iter_mut().for_each(|row| row[2] = 0.0);
    }
    let fit = TailFit {
        centre,
        argument: at[0],
        slope: at[1],
        ln_amplitude: at[2],
        covariance,
        points: points.len(),
    };
    Some(Solution { fit, deviance, freedom })
}

/// Straight line through the observed Q arguments, weighted by the errors they rest on.
fn start_values(points: &[Count], centre: f64) -> [f64; 3] {
    let (mut w0, mut w1, mut w2, mut v0, mut v1) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for point in points.iter().filter(|point| point.errors > 0.0) {
        let z = rough_upper_quantile((2.0 * point.errors / point.bits).min(0.5));
        let (weight, x) = (point.errors.min(100.0), point.x - centre);
        w0 += weight;
        w1 += weight * x;
        w2 += weight * x * x;
        v0 += weight * z;
        v1 += weight * x * z;
    }
    let spread = w0 * w2 - w1 * w1;
    let slope = if spread > 1e-9 * w0 * w0 { (w0 * v1 - w1 * v0) / spread } else { 0.0 };
    let slope = if slope > 0.02 { slope } else { 0.3 };
    [(v0 - slope * w1) / w0, slope, LN_HALF]
}

/// Abramowitz & Stegun 26.2.23, absolute error below 4.5e-4: enough for a start value.
fn rough_upper_quantile(q: f64) -> f64 {
    let t = (-2.0 * q.ln()).sqrt();
    t - (2.515_517 + t * (0.802_853 + t * 0.010_328))
        / (1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308)))
}

fn product(matrix: &[[f64; 3]; 3], vector: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row.iter().zip(vector).map(|(cell, part)| cell * part).sum())
}

/// Inverse of a symmetric positive definite matrix by Cholesky; `None` when it is not (numerically) one.
fn inverse(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    // Scaling to a unit diagonal makes the test for definiteness independent of the parameters' units.
    let mut scale = [0.0; 3];
    for (index, row) in m.iter().enumerate() {
        scale[index] = row[index].sqrt().recip();
        if !(scale[index].is_finite() && scale[index] > 0.0) {
            return None;
        }
    }
    let b = m[0][1] * scale[0] * scale[1];
    let c = m[0][2] * scale[0] * scale[2];
    let e = m[1][2] * scale[1] * scale[2];
    let determinant = 1.0 + 2.0 * b * c * e - b * b - c * c - e * e;
    let minor = 1.0 - b * b;
    if !(determinant > 1e-13 && minor > 1e-13) {
        return None;
    }
    let cofactors = [
        [1.0 - e * e, c * e - b, b * e - c],
        [c * e - b, 1.0 - c * c, b * c - e],
        [b * e - c, b * c - e, minor],
    ];
    let mut out = [[0.0; 3]; 3];
    for (i, row) in cofactors.iter().enumerate() {
        for (j, cell) in row.iter().enumerate() {
            out[i][j] = cell / determinant * scale[i] * scale[j];
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use statistics::special::normal_sf;

    fn exact(mu: f64, sigma: f64, amplitude: f64, bits: f64) -> Vec<Count> {
        (0..40)
            .rev()
            .map(f64::from)
            .map(|x| (x, amplitude * normal_sf((x - mu) / sigma)))
            .filter(|(_, ber)| *ber <= 1e-2)
            .map(|(x, ber)| Count { x, bits, errors: if ber * bits < 1e-3 { 0.0 } else { ber * bits } })
            .collect()
    }

    /// Expected counts in place of drawn ones give the parameters back (computed: the likelihood's maximum).
    #[test]
    fn expected_counts_give_the_parameters_back() {
        for (mu, sigma) in [(10.0, 1.0), (7.3, 2.4), (3.9, 0.6)] {
            let points = exact(mu, sigma, 0.5, 3e9);
            let half = fit_tail(&points, Amplitude::Half).expect("fits");
            assert!((half.sigma() - sigma).abs() < 1e-3, "{half:?}");
            let points = exact(mu, sigma, 0.1, 3e9);
            let free = fit_tail(&points, Amplitude::Free).expect("fits");
            // The weak prior pulls A towards 0.5 by a share of what three or four points know of it.
            assert!((free.amplitude() / 0.1 - 1.0).abs() < 5e-2, "{} for {mu} {sigma}", free.amplitude());
            assert!((free.sigma() - sigma).abs() < 1e-2);
        }
    }

    /// Q scale: BER 1e-9 lies at Q = 5.998 and 1e-16 at 8.222 (2Q = 11.996 and 16.444) for A = 1; with A = 1/2 at
    /// 11.7684 / 2 and 16.2771 / 2.
    #[test]
    fn edges_lie_on_the_q_scale() {
        let fit = TailFit {
            centre: 0.0,
            argument: 0.0,
            slope: 1.0,
            ln_amplitude: 0.0,
            covariance: [[0.0; 3]; 3],
            points: 0,
        };
        for (ber, twice) in [(1e-3, 6.180), (1e-6, 9.507), (1e-9, 11.996), (1e-12, 14.069), (1e-16, 16.444)] {
            let edge = fit.edge(ber).expect("below A / 2").position;
            assert!((2.0 * edge - twice).abs() < 5.1e-4, "{ber} {edge}");
        }
        let half = TailFit { ln_amplitude: LN_HALF, ..fit };
        for (ber, twice) in [(1e-9, 11.7684), (1e-12, 13.8744), (1e-15, 15.7099), (1e-16, 16.2771)] {
            let edge = half.edge(ber).expect("below A / 2").position;
            assert!((2.0 * edge - twice).abs() < 5.1e-5, "{ber} {edge}");
        }
        assert!(half.edge(0.3).is_none());
        assert!(half.edge(f64::NAN).is_none() && half.edge(0.0).is_none());
    }

    /// One decade of likelihood information: with one parameter pair and two points the fit is exact, and its
    /// uncertainty is that of the counts, u(ln BER) = 1 / sqrt(k), carried through d ln Q / dz = -hazard.
    #[test]
    fn two_points_carry_their_count_uncertainty() {
        let (k, bits) = (100.0, 1e6);
        let z = normal_upper_quantile(2.0 * k / bits).expect("tail");
        let points = [
            Count { x: 1.0, bits: 1e10, errors: 0.5e10 * normal_sf(z + 1.0) },
            Count { x: 0.0, bits, errors: k },
        ];
        let fit = fit_tail(&points, Amplitude::Half).expect("fits");
        let edge = fit.edge(k / bits).expect("edge");
        let hazard = 1.0 / mills(z);
        assert!(edge.position.abs() < 1e-5, "{edge:?}");
        assert!((edge.u * hazard * fit.slope * k.sqrt() - 1.0).abs() < 1e-3, "{edge:?}");
    }

    #[test]
    fn counts_without_an_edge_are_refused() {
        let flat: Vec<Count> = (0..8).map(|x| Count { x: f64::from(x), bits: 1e6, errors: 50.0 }).collect();
        assert!(fit_tail(&flat, Amplitude::Half).is_none());
        let rising: Vec<Count> =
            (0..5).map(|x| Count { x: f64::from(x), bits: 1e6, errors: 5.0 * f64::from(x) + 1.0 }).collect();
        assert!(fit_tail(&rising, Amplitude::Half).is_none());
        assert!(fit_tail(&rising, Amplitude::Free).is_none());
        let one = [Count { x: 3.0, bits: 1e9, errors: 0.0 }, Count { x: 2.0, bits: 1e4, errors: 2.0 }];
        assert!(fit_tail(&one, Amplitude::Half).is_none());
        assert!(fit_tail(&[], Amplitude::Half).is_none());
    }

    /// Against the distribution functions, which have their own published check values.
    #[test]
    fn mills_ratio_is_the_tail_over_the_density() {
        for step in -80..=740 {
            let z = f64::from(step) * 0.05;
            let expected = normal_sf(z) / normal_pdf(z);
            assert!((mills(z) / expected - 1.0).abs() < 2e-9, "{z} {} {expected}", mills(z));
        }
    }

    #[test]
    fn the_inverse_is_an_inverse() {
        let m = [[4.0, 1.0, -2.0], [1.0, 3.0, 0.5], [-2.0, 0.5, 9.0]];
        let inv = inverse(&m).expect("positive definite");
        for (i, row) in m.iter().enumerate() {
            for j in 0..3 {
                let cell: f64 = row.iter().zip(&inv).map(|(left, right)| left * right[j]).sum();
                assert!((cell - f64::from(u8::from(i == j))).abs() < 1e-12);
            }
        }
        assert!(inverse(&[[1.0, 2.0, 0.0], [2.0, 1.0, 0.0], [0.0, 0.0, 1.0]]).is_none());
    }
}
