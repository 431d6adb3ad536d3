//! A measured two-port: scattering parameters over frequency, brought to the model's frequencies.

use super::error::PhysicsError;
use super::twoport::{Abcd, Complex, Scattering};
use std::f64::consts::{PI, TAU};

/// Scattering parameters of a passive two-port, port 1 on the module's side.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredTwoPort {
    frequency_hz: Vec<f64>,
    /// Reflections as real and imaginary part.
    reflections: Vec<(Complex, Complex)>,
    /// Transmissions 2 -> 1 and 1 -> 2 as magnitude and unwrapped phase.
    transmissions: Vec<[(f64, f64); 2]>,
    z0_ohm: f64,
}

impl MeasuredTwoPort {
    /// Takes a measurement: at least two ascending frequencies in Hz, one [`Scattering`] each, on `z0_ohm`.
    ///
    /// A missing point at 0 Hz is extrapolated from the two lowest: magnitude on a straight line (at most 1), phase 0.
    /// The phase is unwrapped from point to point, so neighbouring points must lie less than half a turn apart.
    ///
    /// # Errors
    /// [`PhysicsError`] for unordered or too few frequencies, non-finite numbers, no transmission at some frequency, or
    /// gain beyond 1.05 (not a passive two-port).
    pub fn new(frequency_hz: Vec<f64>, points: Vec<Scattering>, z0_ohm: f64) -> Result<Self, PhysicsError> {
        PhysicsError::check_range("reference impedance", z0_ohm, 1.0, 1000.0, "ohm")?;
        if frequency_hz.len() != points.len() || points.len() < 2 {
            return Err(PhysicsError::Inconsistent(format!(
                "the measured two-port has {} frequencies and {} points; give one point for each of at least two \
                 frequencies",
                frequency_hz.len(),
                points.len()
            )));
        }
        let mut last = -1.0;
        for (f, s) in frequency_hz.iter().zip(&points) {
            if !f.is_finite() || *f <= last || *f < 0.0 {
                return Err(PhysicsError::Inconsistent(format!(
                    "the measured two-port's frequencies have to ascend from 0 Hz or more; {f} Hz follows {last} Hz"
                )));
            }
            last = *f;
            for (name, value) in [("S11", s.s11), ("S12", s.s12), ("S21", s.s21), ("S22", s.s22)] {
                PhysicsError::check_range(&format!("|{name}| at {f} Hz"), value.norm(), 0.0, 1.05, "")?;
            }
            if s.s21.norm() < 1e-9 || s.s12.norm() < 1e-9 {
                return Err(PhysicsError::Inconsistent(format!(
                    "the measured two-port passes nothing at {f} Hz (below -180 dB); check the port order"
                )));
            }
        }
        Ok(Self::prepare(frequency_hz, &points, z0_ohm))
    }

    /// Highest measured frequency, Hz.
    #[must_use]
    pub fn highest_hz(&self) -> f64 {
        self.frequency_hz.last().copied().unwrap_or(0.0)
    }

    fn prepare(mut frequency_hz: Vec<f64>, points: &[Scattering], z0_ohm: f64) -> Self {
        let mut reflections: Vec<_> = points.iter().map(|s| (s.s11, s.s22)).collect();
        let mut transmissions: Vec<[(f64, f64); 2]> = Vec::with_capacity(points.len() + 1);
        for s in points {
            let before = transmissions.last().copied();
            let polar = |z: Complex, i: usize| {
                let phase = z.arg();
                let near = before.map_or(phase, |b| b[i].1);
                (z.norm(), phase - TAU * ((phase - near) / TAU).round())
            };
            transmissions.push([polar(s.s12, 0), polar(s.s21, 1)]);
        }
        if let (Some(f1), Some(f2)) = (frequency_hz.first().copied(), frequency_hz.get(1).copied())
            && f1 > 0.0
            && let (Some(t1), Some(t2)) = (transmissions.first().copied(), transmissions.get(1).copied())
            && let (Some(r1), Some(r2)) = (reflections.first().copied(), reflections.get(1).copied())
        {
            let back = f1 / (f2 - f1);
            let mut start = [(1.0, 0.0); 2];
            for (i, slot) in start.iter_mut().enumerate() {
                // The phase at 0 Hz is a whole number of half turns (here: zero, a wire does not invert).
                let turns = ((t1[i].1 - back * (t2[i].1 - t1[i].1)) / TAU).round();
                transmissions.iter_mut().for_each(|t| t[i].1 -= TAU * turns);
                slot.0 = (t1[i].0 - back * (t2[i].0 - t1[i].0)).clamp(1e-9, 1.0);
            }
            let real = |one: Complex, two: Complex| {
                Complex::new((one.re - back * (two.re - one.re)).clamp(-1.0, 1.0), 0.0)
            };
            frequency_hz.insert(0, 0.0);
            transmissions.insert(0, start);
            reflections.insert(0, (real(r1.0, r2.0), real(r1.1, r2.1)));
        }
        MeasuredTwoPort { frequency_hz, reflections, transmissions, z0_ohm }
    }

    /// Scattering parameters at `frequency_hz`: transmissions linear in magnitude and unwrapped phase, reflections in
    /// real and imaginary part. Above the highest measured frequency magnitudes are held and the transmission phase
    /// keeps its last slope.
    #[must_use]
    pub fn at(&self, frequency_hz: f64) -> Scattering {
        let upper =
            self.frequency_hz.partition_point(|f| *f <= frequency_hz).clamp(1, self.frequency_hz.len() - 1);
        let lower = upper - 1;
        let (f0, f1) = (self.frequency_hz[lower], self.frequency_hz[upper]);
        let along = (frequency_hz - f0) / (f1 - f0);
        let held = along.clamp(0.0, 1.0);
        let (r0, r1) = (self.reflections[lower], self.reflections[upper]);
        let (t0, t1) = (self.transmissions[lower], self.transmissions[upper]);
        let polar = |i: usize| {
            let size = t0[i].0 + held * (t1[i].0 - t0[i].0);
            let phase = t0[i].1 + along * (t1[i].1 - t0[i].1);
            Complex::from_polar(size, phase.rem_euclid(2.0 * PI))
        };
        Scattering {
            s11: r0.0 + (r1.0 - r0.0) * held,
            s12: polar(0),
            s21: polar(1),
            s22: r0.1 + (r1.1 - r0.1) * held,
        }
    }

    /// Determinant of the chain matrix at `frequency_hz`: S12/S21, 1 where the two directions are alike.
    #[must_use]
    pub fn determinant_at(&self, frequency_hz: f64) -> Complex {
        let here = self.at(frequency_hz);
        here.s12 / here.s21
    }

    /// Chain matrix at `frequency_hz`, port 1 first.
    #[must_use]
    pub fn abcd_at(&self, frequency_hz: f64) -> Abcd {
        // Transmission never vanishes (checked in `new`), so the chain matrix exists.
        self.at(frequency_hz).to_abcd(self.z0_ohm).unwrap_or_else(Abcd::identity)
    }
}
