//! From any network parameter on any real reference to scattering parameters on one reference.
//!
//! Every parameter states port voltages and currents as linear functions of some variables x: V = P x, I = Q x.
//! With the waves a = (V + z I)/(2 sqrt z) and b = (V - z I)/(2 sqrt z), S = (P - z Q)(P + z Q)^-1 up to the diagonal
//! factors 1/(2 sqrt z), which cancel when z is the same at all ports. Renormalisation is the case where x are the
//! waves on the old reference: V = sqrt(r)(1 + S), I = (1 - S)/sqrt(r).

use super::header::Parameter;
use super::matrix::Matrix;
use rustfft::num_complex::Complex64;

/// Brings one matrix to scattering parameters on `target_ohm`. `matrix` is in ohm and siemens where its parameter has a
/// unit; `reference_ohm` counts for scattering parameters. `None` where the network has no scattering parameters.
pub(super) fn to_scattering(
    parameter: Parameter,
    matrix: &Matrix,
    reference_ohm: &[f64],
    target_ohm: f64,
) -> Option<Matrix> {
    let n = matrix.size();
    let one = Matrix::identity(n);
    let reference = |port: usize| reference_ohm.get(port).copied().unwrap_or(target_ohm);
    if parameter == Parameter::S && (0..n).all(|port| reference(port) == target_ohm) {
        return matrix.is_finite().then_some(*matrix);
    }
    let cell = |value: f64| Complex64::from(value);
    let (voltage, current) = match parameter {
        Parameter::S => (
            Matrix::from_fn(n, |i, j| (one.at(i, j) + matrix.at(i, j)) * reference(i).sqrt()),
            Matrix::from_fn(n, |i, j| (one.at(i, j) - matrix.at(i, j)) / reference(i).sqrt()),
        ),
        Parameter::Z => (*matrix, one),
        Parameter::Y => (one, *matrix),
        // x = (I1, V2): V1 = h11 I1 + h12 V2, I2 = h21 I1 + h22 V2.
        Parameter::H => (
            Matrix::from_fn(n, |i, j| if i == 0 { matrix.at(0, j) } else { cell(j as f64) }),
            Matrix::from_fn(n, |i, j| if i == 1 { matrix.at(1, j) } else { cell(1.0 - j as f64) }),
        ),
        // x = (V1, I2): I1 = g11 V1 + g12 I2, V2 = g21 V1 + g22 I2.
        Parameter::G => (
            Matrix::from_fn(n, |i, j| if i == 1 { matrix.at(1, j) } else { cell(1.0 - j as f64) }),
            Matrix::from_fn(n, |i, j| if i == 0 { matrix.at(0, j) } else { cell(j as f64) }),
        ),
    };
    let incident = Matrix::from_fn(n, |i, j| voltage.at(i, j) + current.at(i, j) * target_ohm);
    let leaving = Matrix::from_fn(n, |i, j| voltage.at(i, j) - current.at(i, j) * target_ohm);
    let scattering = leaving.times(&incident.inverse()?);
    scattering.is_finite().then_some(scattering)
}

/// Takes the normalisation of version 1.x off one matrix: there, Z, Y, G and H are ratios to the reference resistance.
pub(super) fn denormalised(parameter: Parameter, matrix: &Matrix, reference_ohm: f64) -> Matrix {
    let (ohm, siemens) = (reference_ohm, 1.0 / reference_ohm);
    Matrix::from_fn(matrix.size(), |i, j| {
        let unit = match (parameter, i, j) {
            (Parameter::S, ..) => 1.0,
            (Parameter::Z, ..) => ohm,
            (Parameter::Y, ..) => siemens,
            (Parameter::H, 0, 0) | (Parameter::G, 1, 1) => ohm,
            (Parameter::H, 1, 1) | (Parameter::G, 0, 0) => siemens,
            _ => 1.0,
        };
        matrix.at(i, j) * unit
    })
}
