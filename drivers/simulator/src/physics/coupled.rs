//! Measured coupling between two neighbouring lines: what a neighbour's driver puts on a line's receiver through a measured
//! four-port between modelled segments.
//!
//! Both lines are taken as alike outside the measurement: each of the four ports sees the modelled segments with their driver
//! or termination behind them, and the neighbour's driver is the only source. All of the four-port counts: near-end and far-end
//! coupling and what is reflected between them.

use super::error::PhysicsError;
use super::twoport::{Abcd, Complex};
use std::f64::consts::TAU;

/// Scattering matrix of four ports: the line's module side and chip side, the neighbour's module side and chip side.
pub type FourPort = [[Complex; 4]; 4];

/// A measured four-port over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredCoupling {
    frequency_hz: Vec<f64>,
    /// Scattering matrices; cells from side to side without the delay of the line, so that they change slowly.
    points: Vec<FourPort>,
    delay_s: f64,
    z0_ohm: f64,
}

/// Does this cell lead from one side of the measurement to the other?
fn crosses(i: usize, j: usize) -> bool {
    i % 2 != j % 2
}

impl MeasuredCoupling {
    /// Takes a measurement: ascending frequencies in Hz with one scattering matrix on `z0_ohm` each, and the delay of the lines in s.
    /// Where no point at 0 Hz exists, nothing couples there and the rest is that of the lowest point, real.
    ///
    /// # Errors
    /// [`PhysicsError::Inconsistent`] for less than two points, or another number of frequencies.
    pub fn new(
        mut frequency_hz: Vec<f64>,
        mut points: Vec<FourPort>,
        delay_s: f64,
        z0_ohm: f64,
    ) -> Result<Self, PhysicsError> {
        if frequency_hz.len() != points.len() || points.len() < 2 {
            return Err(PhysicsError::Inconsistent(format!(
                "the measured coupling has {} frequencies and {} points; give one point for each of at least two \
                 frequencies",
                frequency_hz.len(),
                points.len()
            )));
        }
        for (f, point) in frequency_hz.iter().zip(&mut points) {
            turn(point, TAU * f * delay_s);
        }
        if let (Some(lowest), Some(first)) = (frequency_hz.first().copied(), points.first().copied())
            && lowest > 0.0
        {
            let mut start = first;
            for (i, row) in start.iter_mut().enumerate() {
                for (j, cell) in row.iter_mut().enumerate() {
                    // Ports 0, 1 are one line and 2, 3 the other.
                    let same = i / 2 == j / 2;
                    let size = if crosses(i, j) { cell.norm() } else { cell.re };
                    *cell = Complex::from(if same { size } else { 0.0 });
                }
            }
            frequency_hz.insert(0, 0.0);
            points.insert(0, start);
        }
        Ok(MeasuredCoupling { frequency_hz, points, delay_s, z0_ohm })
    }

    /// Scattering matrix at a frequency: straight lines between points, held above the last one.
    #[must_use]
    pub fn at(&self, frequency_hz: f64) -> FourPort {
        let upper =
            self.frequency_hz.partition_point(|f| *f <= frequency_hz).clamp(1, self.frequency_hz.len() - 1);
        let (f0, f1) = (self.frequency_hz[upper - 1], self.frequency_hz[upper]);
        let along = ((frequency_hz - f0) / (f1 - f0)).clamp(0.0, 1.0);
        let (low, high) = (&self.points[upper - 1], &self.points[upper]);
        let mut out = *low;
        for (i, row) in out.iter_mut().enumerate() {
            for (j, cell) in row.iter_mut().enumerate() {
                *cell += (high[i][j] - *cell) * along;
            }
        }
        turn(&mut out, -TAU * frequency_hz * self.delay_s);
        out
    }

    /// Voltage at a line's receiver per volt of its neighbour's source. `ends`: the modelled segments on the driver's and on
    /// the receiver's side, each in the direction of the signal; `ohm`: driver and termination. `write`: the signal runs from
    /// the chip's side to the module's.
    #[must_use]
    pub fn transfer(&self, frequency_hz: f64, write: bool, ends: (Abcd, Abcd), ohm: (f64, f64)) -> Complex {
        let s = self.at(frequency_hz);
        let (front, back) = ends;
        // The driver's side as a source behind an impedance: Vs = (A + Ron C) V + (B + Ron D) I.
        let opened = front.a + front.c * ohm.0;
        let behind = (front.b + front.d * ohm.0) / opened;
        let load = Complex::from(1.0 / ohm.1);
        let ahead = back.input_admittance(load).inv();
        let one = Complex::from(1.0);
        let reflection = |z: Complex| (z / self.z0_ohm - one) / (z / self.z0_ohm + one);
        let (near, far) = if write { (1, 0) } else { (0, 1) };
        let mut ends = [Complex::from(0.0); 4];
        for line in [0, 2] {
            ends[line + near] = reflection(behind);
            ends[line + far] = reflection(ahead);
        }
        // Waves: b = S a, a = G b + c, with the neighbour's source in c; so (1 - S G) b = S c.
        let source = opened.inv() / (behind / self.z0_ohm + one);
        let mut system = [[Complex::from(0.0); 5]; 4];
        for (i, row) in system.iter_mut().enumerate() {
            for j in 0..4 {
                row[j] = Complex::from(f64::from(u8::from(i == j))) - s[i][j] * ends[j];
            }
            row[4] = s[i][2 + near] * source;
        }
        let b = solve(system);
        (one + ends[far]) * b[far] / (back.a + back.b * load)
    }
}

/// Turns the cells from side to side by a phase.
fn turn(point: &mut FourPort, phase_rad: f64) {
    let by = Complex::from_polar(1.0, phase_rad);
    for (i, row) in point.iter_mut().enumerate() {
        for (j, cell) in row.iter_mut().enumerate() {
            if crosses(i, j) {
                *cell *= by;
            }
        }
    }
}

/// Four equations by Gauss-Jordan elimination, the largest pivot first; a passive network between passive ends has a solution.
fn solve(mut m: [[Complex; 5]; 4]) -> [Complex; 4] {
    for column in 0..4 {
        let largest = (column..4)
            .max_by(|a, b| m[*a][column].norm_sqr().total_cmp(&m[*b][column].norm_sqr()))
            .unwrap_or(column);
        m.swap(column, largest);
        let scale = m[column][column].inv();
        for cell in &mut m[column] {
            *cell *= scale;
        }
        let pivot = m[column];
        for (i, row) in m.iter_mut().enumerate() {
            if i != column {
                let factor = row[column];
                for (cell, by) in row.iter_mut().zip(&pivot) {
                    *cell -= factor * by;
                }
            }
        }
    }
    [m[0][4], m[1][4], m[2][4], m[3][4]]
}
