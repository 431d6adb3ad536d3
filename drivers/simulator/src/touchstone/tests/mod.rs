//! Tests of the Touchstone reader.

mod arbitrary;
mod format;
mod quality;
mod reference;

use super::{Format, Matrix, Parameter, Touchstone};
use rustfft::num_complex::Complex64;
use std::fmt::Write;

fn complex(re: f64, im: f64) -> Complex64 {
    Complex64::new(re, im)
}

fn read(text: &str, ports: usize) -> Touchstone {
    super::read(text.as_bytes(), Some(ports)).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

fn refused(text: &str, ports: usize) -> super::TouchstoneError {
    super::read(text.as_bytes(), Some(ports)).expect_err(text)
}

fn close(a: Complex64, b: Complex64, tolerance: f64) -> bool {
    (a - b).norm() <= tolerance
}

/// Writes scattering parameters on 50 ohm as a version 1 file in Hz.
fn written(frequency_hz: &[f64], scattering: &[Matrix], format: Format) -> String {
    let mut text = format!("# Hz S {} R 50\n", format.name());
    for (f, s) in frequency_hz.iter().zip(scattering) {
        let _ = write!(text, "{f}");
        let n = s.size();
        for (i, j) in (0..n).flat_map(|i| (0..n).map(move |j| (i, j))) {
            // Two-ports are written by columns.
            let cell = if n == 2 { s.at(j, i) } else { s.at(i, j) };
            let (first, second) = match format {
                Format::RealImaginary => (cell.re, cell.im),
                Format::MagnitudeAngle => (cell.norm(), cell.arg().to_degrees()),
                Format::DecibelAngle => (20.0 * cell.norm().max(1e-30).log10(), cell.arg().to_degrees()),
            };
            let _ = write!(text, " {first} {second}");
            if n > 2 && j + 1 == n {
                text.push('\n');
            }
        }
        text.push('\n');
    }
    text
}

/// A matched line of `delay_s` with `loss` in magnitude at 1 GHz growing with the square root of the frequency.
fn matched_line(frequency_hz: &[f64], delay_s: f64, loss: f64) -> Vec<Matrix> {
    let through = |f: f64| {
        // Minimum-phase companion of a sqrt(f) loss in nepers: the same in radians.
        let alpha = loss * (f / 1e9).sqrt();
        Complex64::from_polar((-alpha).exp(), -std::f64::consts::TAU * f * delay_s - alpha)
    };
    frequency_hz
        .iter()
        .map(|f| Matrix::from_fn(2, |i, j| if i == j { complex(0.0, 0.0) } else { through(*f) }))
        .collect()
}

fn grid(first: f64, step: f64, count: usize) -> Vec<f64> {
    (0..count).map(|i| first + step * i as f64).collect()
}

#[test]
fn facts_name_the_file() {
    let data = read("# MHz Y RI R 75\n100 1 0\n200 1 0\n", 1);
    let facts: Vec<String> =
        data.facts().into_iter().map(|(name, value)| format!("{name}: {value}")).collect();
    assert_eq!(facts[1], "parameter: Y as RI");
    assert_eq!(facts[3], "frequencies: 2 from 0.1 GHz to 0.2 GHz");
    assert_eq!(facts[4], "reference: 75 ohm in the file, brought to 50 ohm");
    assert_eq!(data.parameter, Parameter::Y);
}
