//! A source's surface with everything that it changes with, place by place: what a point reads lies together in memory.

use super::frames::{Frame, Scale};
use super::problem::OWN;
use crate::causes::surface::{Place, Stencil, Surface};

/// Values of all surfaces of one source, laid behind each other place by place.
pub struct Stack {
    taps: usize,
    steps: usize,
    pub scale: Scale,
    /// The shared unknowns that change anything here.
    pub columns: Vec<usize>,
    /// Which of a lane's own do.
    pub own: Vec<usize>,
    width: usize,
    values: Vec<f64>,
}

/// What a point reads: the value and its slopes along taps and Vref steps.
pub struct Reading {
    pub z: f64,
    pub taps: f64,
    pub steps: f64,
}

impl Stack {
    /// Of a frame whose surface itself is `base`, with its first `figures` slopes.
    pub fn of(frame: &Frame, base: &Surface, figures: usize) -> Stack {
        let columns: Vec<usize> =
            (0..figures.min(frame.slopes.len())).filter(|at| frame.slopes[*at].is_some()).collect();
        let own: Vec<usize> = (0..OWN).filter(|which| frame.own[*which].is_some()).collect();
        let surfaces: Vec<&[f64]> = std::iter::once(base)
            .chain(columns.iter().filter_map(|at| frame.slopes[*at].as_ref()))
            .chain(own.iter().filter_map(|which| frame.own[*which].as_ref()).flatten())
            .map(Surface::z)
            .collect();
        let (taps, steps) = base.size_of();
        let width = surfaces.len();
        let mut values = vec![0.0; width * taps * steps];
        for (place, row) in values.chunks_exact_mut(width).enumerate() {
            row.iter_mut().zip(&surfaces).for_each(|(value, surface)| *value = surface[place]);
        }
        Stack { taps, steps, scale: frame.scale, columns, own, width, values }
    }

    /// How much of each surface a lane has, where the shared unknowns are moved by `by`.
    pub fn shares(&self, by: &[f64], own: [f64; OWN]) -> Vec<f64> {
        let mut shares = vec![1.0];
        shares.extend(self.columns.iter().map(|at| by.get(*at).copied().unwrap_or(0.0)));
        shares.extend(self.own.iter().flat_map(|which| [own[*which], own[*which] * own[*which]]));
        shares
    }

    /// Sums of all surfaces under the weights.
    fn sums(&self, points: &[usize; 16], weights: &[f64; 16], sums: &mut [f64]) {
        sums.fill(0.0);
        for (point, weight) in points.iter().zip(weights) {
            let row = &self.values[point * self.width..(point + 1) * self.width];
            sums.iter_mut().zip(row).for_each(|(sum, value)| *sum += weight * value);
        }
    }

    /// z at a place for a lane with these shares; `sums` is as long as they are, and holds what each surface has there.
    pub fn z(&self, place: Place, shares: &[f64], sums: &mut [f64]) -> f64 {
        let stencil = Stencil::of(self.taps, self.steps, place);
        self.sums(&stencil.points, &stencil.value, sums);
        along(sums, shares)
    }

    /// The same with the slopes.
    pub fn read(&self, place: Place, shares: &[f64], sums: &mut [f64]) -> Reading {
        let stencil = Stencil::of(self.taps, self.steps, place);
        self.sums(&stencil.points, &stencil.taps, sums);
        let taps = along(sums, shares) * self.scale.per_tap;
        self.sums(&stencil.points, &stencil.steps, sums);
        let steps = along(sums, shares) * self.scale.per_step;
        self.sums(&stencil.points, &stencil.value, sums);
        Reading { z: along(sums, shares), taps, steps }
    }
}

fn along(sums: &[f64], shares: &[f64]) -> f64 {
    sums.iter().zip(shares).map(|(sum, share)| sum * share).sum()
}
