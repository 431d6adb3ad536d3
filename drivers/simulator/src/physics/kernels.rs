//! Tails of the noise on the bins of a mass function, tabulated over the Gaussian's deviation.
//!
//! The deviation differs a little from phase to phase and from lane to lane; it is rounded to a two-thousandth, which
//! moves an edge at six deviations by less than a three-hundredth of one.

use super::gauss::normal_plus_uniform_tail;
use std::borrow::Cow;
use std::sync::OnceLock;

/// The Gaussian is cut at this many deviations.
const CUT_SD: f64 = 9.0;
/// Deviations in the table for each factor of e.
const PER_E: f64 = 1000.0;
/// Length of the table: up to four times the receiver's noise; beyond it a kernel is computed each time.
const SLOTS: usize = 2048;

/// Tails of Gaussian plus bounded noise, filled as they are asked for.
#[derive(Debug)]
pub struct Kernels {
    noise_v: f64,
    bounded_v: f64,
    bin_v: f64,
    slots: Vec<OnceLock<Box<[f64]>>>,
}

impl Kernels {
    /// For receiver noise `noise_v` rms and bounded noise of half width `bounded_v`, on bins of `bin_v`, V.
    #[must_use]
    pub fn new(noise_v: f64, bounded_v: f64, bin_v: f64) -> Self {
        Kernels { noise_v, bounded_v, bin_v, slots: vec![OnceLock::new(); SLOTS] }
    }

    /// The receiver's own noise, V rms.
    #[must_use]
    pub fn noise_v(&self) -> f64 {
        self.noise_v
    }

    /// Half width of the bounded noise, V.
    #[must_use]
    pub fn bounded_v(&self) -> f64 {
        self.bounded_v
    }

    /// P(noise > n bins) for n = 0, 1, ... up to the cut, for a Gaussian of `sigma_v`, at least half the receiver's noise.
    #[must_use]
    pub fn half(&self, sigma_v: f64) -> Cow<'_, [f64]> {
        let least = 0.5 * self.noise_v;
        let slot = (PER_E * (sigma_v / least).ln()).round().max(0.0);
        match self.slots.get(slot as usize) {
            Some(known) => {
                Cow::Borrowed(known.get_or_init(|| self.tails(least * (slot / PER_E).exp()).into()))
            }
            None => Cow::Owned(self.tails(sigma_v)),
        }
    }

    fn tails(&self, sigma_v: f64) -> Vec<f64> {
        let reach = ((CUT_SD * sigma_v + self.bounded_v) / self.bin_v).ceil() as usize;
        let tail = |n: usize| normal_plus_uniform_tail(n as f64 * self.bin_v, sigma_v, self.bounded_v);
        (0..=reach).map(tail).collect()
    }
}
