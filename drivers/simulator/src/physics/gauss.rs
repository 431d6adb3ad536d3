//! Normal distribution, and its convolution with a uniform one.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Upper tail of the standard normal distribution, Q(z) = P(Z > z).
#[must_use]
pub fn q(z: f64) -> f64 {
    0.5 * libm::erfc(z * FRAC_1_SQRT_2)
}

/// Mean excess E[(N - x)+] of a zero-mean normal N with deviation `sigma`: sigma phi(x/sigma) - x Q(x/sigma).
#[must_use]
pub fn mean_excess(x: f64, sigma: f64) -> f64 {
    let z = x / sigma;
    let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
    (sigma * density - x * q(z)).max(0.0)
}

/// P(N + U > u), N normal with deviation `sigma`, U uniform on +-`half_width` (same unit as u).
///
/// Written with [`mean_excess`] so that the far tail keeps its relative precision: the tail's integral over the box.
#[must_use]
pub fn normal_plus_uniform_tail(u: f64, sigma: f64, half_width: f64) -> f64 {
    if half_width < 1e-3 * sigma {
        return q(u / sigma);
    }
    if u < 0.0 {
        return 1.0 - normal_plus_uniform_tail(-u, sigma, half_width);
    }
    (mean_excess(u - half_width, sigma) - mean_excess(u + half_width, sigma)) / (2.0 * half_width)
}
