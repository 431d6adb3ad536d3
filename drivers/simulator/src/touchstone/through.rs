//! A single-ended through path of a measured network, and which ports belong together.

use super::error::TouchstoneError;
use super::{REFERENCE_OHM, Touchstone};
use crate::physics::twoport::Scattering;
use crate::physics::{MeasuredCoupling, MeasuredTwoPort, PhysicsError};
use nightbench_core::devices::PortPairing;
use std::f64::consts::TAU;

/// Ports of a line, counted from 0.
fn ports(pairing: PortPairing, line: usize) -> (usize, usize) {
    match (pairing, line) {
        (PortPairing::OneTwo, 0) => (0, 1),
        (PortPairing::OneTwo, _) => (2, 3),
        (PortPairing::OneThree, 0) => (0, 2),
        (PortPairing::OneThree, _) => (1, 3),
        (PortPairing::OneFour, 0) => (0, 3),
        (PortPairing::OneFour, _) => (1, 2),
    }
}

/// One line of a network, the other ports terminated in [`REFERENCE_OHM`].
#[derive(Debug, Clone, PartialEq)]
pub struct Through {
    /// The port it starts at (module's side) and the port it ends at, counted from 1.
    pub ports: (usize, usize),
    /// Frequencies, Hz, ascending.
    pub frequency_hz: Vec<f64>,
    /// Scattering parameters on [`REFERENCE_OHM`], port 1 at the start.
    pub points: Vec<Scattering>,
}

impl Touchstone {
    /// Number of lines that a pairing finds: two in a four-port, one in a two- or three-port, else none.
    #[must_use]
    pub fn lines(&self) -> usize {
        match self.ports {
            4 => 2,
            2 | 3 => 1,
            _ => 0,
        }
    }

    /// Takes out line `line` (from 0). In a two-port it is port 1 to 2 whatever the pairing.
    ///
    /// # Errors
    /// A one-port has no line; a network has no more than [`lines`](Self::lines).
    pub fn through(&self, pairing: PortPairing, line: usize) -> Result<Through, TouchstoneError> {
        if self.ports < 2 {
            return Err(TouchstoneError::at(
                0,
                "the file holds one port, a reflection: a channel needs a file with two ports or more (.s2p, .s4p)",
            ));
        }
        if line >= self.lines() {
            return Err(TouchstoneError::at(
                0,
                format!("line {line} of a {}-port; lines 0 to {} exist", self.ports, self.lines() - 1),
            ));
        }
        let (from, to) = if self.ports == 2 { (0, 1) } else { ports(pairing, line) };
        // On a common reference, terminating the other ports in it means leaving their rows and columns out.
        let points = self.scattering.iter().map(|s| Scattering {
            s11: s.at(from, from),
            s12: s.at(from, to),
            s21: s.at(to, from),
            s22: s.at(to, to),
        });
        Ok(Through {
            ports: (from + 1, to + 1),
            frequency_hz: self.frequency_hz.clone(),
            points: points.collect(),
        })
    }
}

impl Touchstone {
    /// What a pairing passes at the lowest frequency: the smaller |S| of its lines; 0 where it has none.
    #[must_use]
    pub fn passes(&self, pairing: PortPairing) -> f64 {
        let of_line = |line: usize| {
            let (from, to) = if self.ports == 2 { (0, 1) } else { ports(pairing, line) };
            self.scattering.first().map_or(0.0, |s| s.at(to, from).norm())
        };
        (0..self.lines()).map(of_line).reduce(f64::min).unwrap_or(0.0)
    }

    /// The pairing that passes most at the lowest frequency; the usual one where none passes more.
    #[must_use]
    pub fn best_pairing(&self) -> PortPairing {
        let mut best = PortPairing::default();
        for (_, pairing) in PortPairing::ALL {
            if self.passes(pairing) > self.passes(best) {
                best = pairing;
            }
        }
        best
    }

    /// Coupling from the other line of a four-port into line `line` (from 0) at the data's point nearest to a frequency, |S|: at the
    /// end where the other line is driven, and at the far one.
    #[must_use]
    pub fn crosstalk(&self, pairing: PortPairing, line: usize, frequency_hz: f64) -> Option<(f64, f64)> {
        if self.ports != 4 {
            return None;
        }
        let ((from, to), (driven, _)) = (ports(pairing, line), ports(pairing, 1 - line.min(1)));
        let off = |f: &f64| (f - frequency_hz).abs();
        let points = self.frequency_hz.iter().zip(&self.scattering);
        let (_, point) = points.min_by(|a, b| off(a.0).total_cmp(&off(b.0)))?;
        Some((point.at(from, driven).norm(), point.at(to, driven).norm()))
    }

    /// What the other line of a four-port couples into line `line` (from 0); `None` for fewer ports. `reversed`: port 1 is on
    /// the chip's side.
    ///
    /// # Errors
    /// As [`through`](Self::through), or fewer than two frequencies.
    pub fn coupling(
        &self,
        pairing: PortPairing,
        line: usize,
        reversed: bool,
    ) -> Result<Option<MeasuredCoupling>, PhysicsError> {
        if self.ports != 4 {
            return Ok(None);
        }
        let turned = |(from, to): (usize, usize)| if reversed { (to, from) } else { (from, to) };
        let (own, other) = (turned(ports(pairing, line)), turned(ports(pairing, 1 - line.min(1))));
        let order = [own.0, own.1, other.0, other.1];
        let points = self.scattering.iter().map(|s| order.map(|i| order.map(|j| s.at(i, j)))).collect();
        let delay = self.through(pairing, line).ok().and_then(|through| through.delay_s()).unwrap_or(0.0);
        MeasuredCoupling::new(self.frequency_hz.clone(), points, delay, REFERENCE_OHM).map(Some)
    }
}

impl Through {
    /// The same line from its other end, for a file measured with port 1 on the board's side.
    #[must_use]
    pub fn reversed(mut self) -> Through {
        self.ports = (self.ports.1, self.ports.0);
        for s in &mut self.points {
            *s = Scattering { s11: s.s22, s12: s.s21, s21: s.s12, s22: s.s11 };
        }
        self
    }

    /// The two-port that the physics cascades. Between points and below the first one it interpolates and extrapolates as
    /// [`MeasuredTwoPort`] says: transmissions in magnitude and unwrapped phase, reflections in real and imaginary part,
    /// to 0 Hz on straight lines.
    ///
    /// # Errors
    /// Fewer than two frequencies, no transmission, or gain (beyond 1.05) at some frequency.
    pub fn to_measured(&self) -> Result<MeasuredTwoPort, PhysicsError> {
        MeasuredTwoPort::new(self.frequency_hz.clone(), self.points.clone(), REFERENCE_OHM)
    }

    /// Phase of each step of the transmission in (-pi, pi], with the step's width in Hz and its weight, the smaller
    /// magnitude of its ends.
    pub(super) fn phase_steps(&self) -> Vec<(f64, f64, f64)> {
        let pairs = self.frequency_hz.windows(2).zip(self.points.windows(2));
        pairs
            .filter_map(|(f, s)| match (f, s) {
                ([f0, f1], [s0, s1]) => {
                    let weight = s0.s21.norm().min(s1.s21.norm());
                    Some(((s1.s21 * s0.s21.conj()).arg(), f1 - f0, weight))
                }
                _ => None,
            })
            .collect()
    }

    /// Delay of the line, s: the weighted mean of the phase slope over the finest steps, magnitudes as weights. `None`
    /// below two frequencies or without transmission.
    #[must_use]
    pub fn delay_s(&self) -> Option<f64> {
        let steps = self.phase_steps();
        let finest = steps.iter().map(|(_, width, _)| *width).fold(f64::INFINITY, f64::min);
        let (mut turned, mut span) = (0.0, 0.0);
        for (phase, width, weight) in steps.iter().filter(|(_, width, _)| *width <= 1.5 * finest) {
            turned += phase * weight;
            span += TAU * width * weight;
        }
        (span > 0.0).then(|| -turned / span)
    }

    /// Facts for a person: name and value of each, with the loss at `frequency_hz` (half a data rate).
    ///
    /// # Errors
    /// As [`to_measured`](Self::to_measured).
    pub fn facts(&self, frequency_hz: f64) -> Result<Vec<(&'static str, String)>, PhysicsError> {
        let measured = self.to_measured()?;
        let decibel = |size: f64| 20.0 * size.max(1e-12).log10();
        let here = measured.at(frequency_hz);
        let reflection = self.points.iter().map(|s| s.s11.norm().max(s.s22.norm())).fold(0.0, f64::max);
        Ok(vec![
            ("line", format!("port {} to port {}", self.ports.0, self.ports.1)),
            ("delay", self.delay_s().map_or("unknown".into(), |delay| format!("{:.1} ps", delay * 1e12))),
            ("loss at 0 Hz", format!("{:.2} dB", -decibel(measured.at(0.0).s21.norm()))),
            (
                "loss at half the data rate",
                format!("{:.2} dB at {} GHz", -decibel(here.s21.norm()), frequency_hz / 1e9),
            ),
            ("largest reflection", format!("{:.1} dB", decibel(reflection))),
        ])
    }
}
