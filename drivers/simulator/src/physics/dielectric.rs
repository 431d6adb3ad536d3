//! Wide-band Debye dielectric (Djordjevic and Sarkar, IEEE Trans. EMC 43 (2001) 662-667): causal, with a loss tangent
//! that is nearly flat over the decades between its corner frequencies.

use super::twoport::Complex;

/// Lower corner, Hz.
pub const LOW_CORNER_HZ: f64 = 1e3;
/// Upper corner, Hz.
pub const HIGH_CORNER_HZ: f64 = 1e12;
/// Frequency at which permittivity and loss tangent are stated, Hz.
pub const REFERENCE_HZ: f64 = 1e9;

/// Complex relative permittivity (imaginary part negative) at `frequency_hz` >= 0 of a material with relative
/// permittivity `er` and loss tangent `tand` at 1 GHz.
#[must_use]
pub fn permittivity(frequency_hz: f64, er: f64, tand: f64) -> Complex {
    let log_ratio = |f: f64| (Complex::new(HIGH_CORNER_HZ, f) / Complex::new(LOW_CORNER_HZ, f)).ln();
    let k = log_ratio(REFERENCE_HZ);
    let m = -er * tand / k.im;
    Complex::from(er * (1.0 + tand * k.re / k.im)) + log_ratio(frequency_hz) * m
}
