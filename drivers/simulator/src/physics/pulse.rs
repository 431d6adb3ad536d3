//! Pulse and coupling response at the capture flop, on a periodic window of 32 unit intervals.
//!
//! S(f) = H sinc^2(f ta) sinc(f aperture) sinc(f UI), ta = t2080/0.735: S-shaped driver edge, aperture of the flop, pulse
//! of one unit interval. The coupling response carries the further factor j 2 pi f Tx: forward coupling is the time
//! derivative of the aggressor, Tx = line part + connectors x connector part.

use super::channel::Channel;
use super::twoport::Complex;
use rustfft::{Fft, FftPlanner};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

/// Samples in a unit interval.
pub const SAMPLES_PER_UI: usize = 64;
/// Window length, unit intervals.
pub const WINDOW_UI: usize = 32;
/// Frequencies: 0 to 16/UI in steps of 1/(32 UI).
pub const BINS: usize = 513;
pub const LENGTH: usize = SAMPLES_PER_UI * WINDOW_UI;
/// A step lies half a unit interval before the middle of its bit, in samples.
const HALF_UI: isize = (SAMPLES_PER_UI / 2) as isize;
/// So long before the pulse's maximum nothing has arrived, unit intervals.
const QUIET_UI: usize = 6;
/// First and last cursor, unit intervals from the main one.
pub const CURSORS: std::ops::RangeInclusive<isize> = -4..=25;

/// Frequencies in Hz at which the transfer function is needed at `data_rate_bps`.
#[must_use]
pub fn frequencies(data_rate_bps: f64) -> Vec<f64> {
    let step = data_rate_bps / WINDOW_UI as f64;
    (0..BINS).map(|i| i as f64 * step).collect()
}

/// sin(pi x)/(pi x).
#[must_use]
pub fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Turns transfer functions of one setup into responses; holds what its bits share.
#[derive(Clone)]
pub struct Shaper {
    inverse: Arc<dyn Fft<f64>>,
    shape: Vec<f64>,
    coupling: Vec<f64>,
    grid: Vec<f64>,
    aperture_s: f64,
    ui_s: f64,
}

/// How one kind of edge gets through: its transfer function, its 20 % to 80 % time in s, and the factor that brings it to the
/// swing that both kinds share.
#[derive(Debug, Clone, PartialEq)]
pub struct Edge {
    pub transfer: Vec<Complex>,
    pub t2080_s: f64,
    pub level: f64,
}

/// Rising and falling edges of one bit, and what they make of its levels.
#[derive(Debug, Clone, PartialEq)]
pub struct Edges {
    pub rise: Edge,
    pub fall: Edge,
    /// Transfer at zero frequency that the swing has.
    pub h0: f64,
    /// Move of the middle level, as a share of VDDQ.
    pub middle_shift: f64,
}

/// Response of one bit, time origin at the pulse's maximum; volts per volt of VDDQ.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    pulse: Vec<f64>,
    coupled: Vec<f64>,
    /// Transfer at zero frequency.
    pub h0: f64,
    /// Delay of the pulse's maximum from the centre of the sent bit, unit intervals.
    pub delay_ui: f64,
    /// Move of the middle level, as a share of VDDQ.
    pub middle_shift: f64,
    /// Slopes of a rising and a falling step by unit interval, and what a rising step has more than the mean of both kinds; empty
    /// where they are not asked for.
    slopes: Vec<(f64, f64)>,
    uneven: Vec<f64>,
}

impl Shaper {
    /// Prepares the window for a channel made at [`frequencies`] of its own data rate.
    #[must_use]
    pub fn new(channel: &Channel) -> Self {
        let setup = channel.setup();
        let p = &setup.parameters;
        let edge_s = channel.drifted().t2080_s / 0.735;
        let aperture_s = p.receiver(setup.direction).aperture_s;
        let coupling_s = 1e-12 * setup.path.coupling_ps(p);
        let ui_s = setup.operating_point.unit_interval_s();
        let grid = frequencies(setup.operating_point.data_rate_bps);
        let scale = 1.0 / WINDOW_UI as f64;
        let shape = grid
            .iter()
            .map(|f| scale * sinc(f * edge_s).powi(2) * sinc(f * aperture_s) * sinc(f * ui_s))
            .collect();
        Shaper {
            inverse: FftPlanner::new().plan_fft_inverse(LENGTH),
            shape,
            coupling: grid.iter().map(|f| TAU * f * coupling_s).collect(),
            grid,
            aperture_s,
            ui_s,
        }
    }

    /// Pulse and coupling response of one transfer function, time origin at the source's bit centre.
    #[must_use]
    pub fn raw(&self, transfer: &[Complex]) -> Vec<Complex> {
        self.transform(transfer, &self.shape, None, 0.0)
    }

    /// The two real responses by one complex transform (pulse in the real part, coupling in the imaginary part),
    /// advanced by `advance_ui`.
    fn transform(
        &self,
        transfer: &[Complex],
        shape: &[f64],
        coupled: Option<&[Complex]>,
        advance_ui: f64,
    ) -> Vec<Complex> {
        let turn = |k: usize| match advance_ui {
            0.0 => Complex::new(1.0, 0.0),
            _ => Complex::from_polar(1.0, TAU * k as f64 * advance_ui / WINDOW_UI as f64),
        };
        let mut spectrum = vec![Complex::new(0.0, 0.0); LENGTH];
        for (k, ((h, shape), coupling)) in transfer.iter().zip(shape).zip(&self.coupling).enumerate() {
            let pulse = h * turn(k) * *shape;
            // coupling spectrum j w Tx P; added as j times itself: P + j (j w Tx P) = P (1 - w Tx)
            spectrum[k] = pulse * (1.0 - coupling);
            if k > 0 {
                spectrum[LENGTH - k] = pulse.conj() * (1.0 + coupling);
            }
        }
        for (k, (x, shape)) in coupled.unwrap_or_default().iter().zip(&self.shape).enumerate() {
            let pulse = x * turn(k) * *shape;
            spectrum[k] += Complex::I * pulse;
            if k > 0 {
                spectrum[LENGTH - k] += Complex::I * pulse.conj();
            }
        }
        self.inverse.process(&mut spectrum);
        spectrum
    }

    /// Spectrum of the slope of a step of this kind.
    fn slope(&self, edge: &Edge) -> Vec<Complex> {
        let scale = edge.level / WINDOW_UI as f64;
        let shaped = |(h, f): (&Complex, &f64)| {
            h * (scale * sinc(f * edge.t2080_s / 0.735).powi(2) * sinc(f * self.aperture_s))
        };
        edge.transfer.iter().zip(&self.grid).map(shaped).collect()
    }

    /// Response with the time origin on the parabolic vertex of the pulse's maximum: of the transfer function `own`, of an
    /// aggressor's measured one besides what is modelled, and of the two kinds of edges where they are asked for.
    #[must_use]
    pub fn response(&self, own: &[Complex], coupled: Option<&[Complex]>, edges: Option<&Edges>) -> Response {
        let Some(edges) = edges else { return self.placed(own, &self.shape, coupled) };
        let (rise, fall) = (self.slope(&edges.rise), self.slope(&edges.fall));
        let mean: Vec<Complex> = rise.iter().zip(&fall).map(|(rise, fall)| 0.5 * (rise + fall)).collect();
        let bit: Vec<f64> = self.grid.iter().map(|f| sinc(f * self.ui_s)).collect();
        let mut response = self.placed(&mean, &bit, coupled);
        let mut spectrum = vec![Complex::new(0.0, 0.0); LENGTH];
        for (k, (rise, fall)) in rise.iter().zip(&fall).enumerate() {
            let turn = Complex::from_polar(1.0, TAU * k as f64 * response.delay_ui / WINDOW_UI as f64);
            let (rise, fall) = (rise * turn, fall * turn);
            spectrum[k] = rise + Complex::I * fall;
            if k > 0 {
                spectrum[LENGTH - k] = rise.conj() + Complex::I * fall.conj();
            }
        }
        self.inverse.process(&mut spectrum);
        response.slopes = spectrum.iter().map(|both| (both.re, both.im)).collect();
        // Summed from before the first cursor, where nothing has arrived yet, by the trapezoidal rule.
        let half = 0.25 / SAMPLES_PER_UI as f64;
        let mut sum = 0.0;
        response.uneven = vec![0.0; LENGTH];
        let mut before = 0.0;
        for n in 0..LENGTH {
            let place = (n + LENGTH - QUIET_UI * SAMPLES_PER_UI) % LENGTH;
            let more = spectrum[place].re - spectrum[place].im;
            sum += half * (before + more);
            before = more;
            response.uneven[place] = sum;
        }
        (response.h0, response.middle_shift) = (edges.h0, edges.middle_shift);
        response
    }

    fn placed(&self, transfer: &[Complex], shape: &[f64], coupled: Option<&[Complex]>) -> Response {
        let raw = self.transform(transfer, shape, coupled, 0.0);
        let mut top = 0;
        for (i, value) in raw.iter().enumerate() {
            if value.re > raw[top].re {
                top = i;
            }
        }
        let (before, at, after) =
            (raw[(top + LENGTH - 1) % LENGTH].re, raw[top].re, raw[(top + 1) % LENGTH].re);
        let bend = before - 2.0 * at + after;
        let vertex = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
        let delay_ui = (top as f64 + vertex) / SAMPLES_PER_UI as f64;
        let moved = self.transform(transfer, shape, coupled, delay_ui);
        Response {
            pulse: moved.iter().map(|z| z.re).collect(),
            coupled: moved.iter().map(|z| z.im).collect(),
            h0: transfer.first().map_or(0.0, |h| h.re),
            delay_ui,
            middle_shift: 0.0,
            slopes: Vec::new(),
            uneven: Vec::new(),
        }
    }
}

impl Response {
    /// Pulse `phase` sixty-fourths of a unit interval plus `cursor` unit intervals after the origin.
    #[must_use]
    pub fn pulse(&self, phase: isize, cursor: isize) -> f64 {
        self.pulse[Self::index(phase, cursor)]
    }

    /// Coupling response at the same place, for weight 1.
    #[must_use]
    pub fn coupled(&self, phase: isize, cursor: isize) -> f64 {
        self.coupled[Self::index(phase, cursor)]
    }

    /// Slopes of a rising and of a falling step before bit `edge` at the same place, by unit interval; both positive while the
    /// step is under way.
    #[must_use]
    pub fn slopes(&self, phase: isize, edge: isize) -> (f64, f64) {
        self.slopes.get(Self::index(phase + HALF_UI, edge)).copied().unwrap_or_default()
    }

    /// What a rising step before bit `edge` has more than the mean of rising and falling ones, and a falling one less.
    #[must_use]
    pub fn uneven(&self, phase: isize, edge: isize) -> f64 {
        self.uneven.get(Self::index(phase + HALF_UI, edge)).copied().unwrap_or(0.0)
    }

    /// Largest magnitude of pulse and coupling response; not a number when any value is none.
    #[must_use]
    pub fn largest(&self) -> f64 {
        self.pulse.iter().chain(&self.coupled).fold(0.0, |most: f64, value| {
            if value.is_nan() || most.is_nan() { f64::NAN } else { most.max(value.abs()) }
        })
    }

    fn index(phase: isize, cursor: isize) -> usize {
        (phase + cursor * SAMPLES_PER_UI as isize).rem_euclid(LENGTH as isize) as usize
    }
}
