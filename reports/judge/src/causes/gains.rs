//! What a lane gains without a cause: by every description of its counts that does as well, since none of them is the lane itself.

use super::lane::LaneCounts;
use super::search::Closed;
use super::signatures::Cause;
use super::surface::Place;
use super::{ACCEPTED, Library, OWN_AT_MOST};
use nightbench_core::lane_model::Change;

/// How much ln likelihood takes a factor e from a description's weight: the model is off by more than counting is.
const SOFTENED: f64 = 4.0;
/// How much less likely (ln) a description may be to be one, and how many are looked at.
const FARTHEST: f64 = 20.0;
const MOST: usize = 8;

/// Where a lane is sampled.
#[derive(Debug, Clone, Copy)]
pub struct Sampled {
    pub trained: Place,
    /// The step that it has no choice of.
    pub only_step: Option<f64>,
}

/// A gain over descriptions, limit boxes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    pub mean: f64,
    /// Standard deviation between the descriptions.
    pub spread: f64,
}

impl Library<'_> {
    /// What a lane gains without a cause as one description has it, trained as far off as it is.
    fn gain_of(&self, one: &Closed, cause: Cause, at: Sampled) -> Option<f64> {
        let limit = self.asked.limit;
        let Closed { described, changes, .. } = one;
        let fit = &described.fit;
        let now = one.surface().shown(fit.shift());
        let rule = now.retrained(limit, at.only_step).unwrap_or(at.trained);
        let others = changes.iter().zip(&described.signatures).filter(|(_, one)| one.cause != cause);
        let left: Vec<Change> = others.map(|(change, _)| *change).collect();
        let nominal = self.asked.nominal(&left).ok()?;
        // Without the cause the eye lies at other levels: under a Vref that other lanes share, and nearer or farther from the grid's end.
        let mut shift = fit.shift();
        shift.step += self.asked.middle(&left)?.step - self.asked.middle(changes)?.step;
        let surface = fit.surface_without(&nominal, OWN_AT_MOST).shown(shift);
        let there = surface.retrained(limit, at.only_step)?;
        let point = Place {
            tap: there.tap + at.trained.tap - rule.tap,
            step: there.step + at.trained.step - rule.step,
        };
        Some(surface.box_about(point, self.half, limit) - now.box_about(at.trained, self.half, limit))
    }

    /// The gain by what was found and by every other description with the cause that meets the counts, each weighted by its likelihood.
    /// One that does not meet them itself is held against no other.
    pub fn gain(
        &self,
        counts: &LaneCounts,
        found: &Closed,
        all: &[Closed],
        cause: Cause,
        at: Sampled,
    ) -> Option<Gain> {
        let own = self.gain_of(found, cause, at)?;
        let mut weighted = vec![(1.0, own)];
        let is_one = |one: &&Closed| {
            let behind = found.value() - one.value();
            behind < FARTHEST
                && behind != 0.0
                && one.causes().contains(&cause)
                && one.chi_square(counts) < ACCEPTED
        };
        if found.chi_square(counts) < ACCEPTED {
            let others = all.iter().filter(is_one).take(MOST);
            weighted.extend(others.filter_map(|one| {
                let weight = ((one.value() - found.value()) / SOFTENED).exp().min(1.0);
                Some((weight, self.gain_of(one, cause, at)?))
            }));
        }
        let sum: f64 = weighted.iter().map(|(weight, _)| weight).sum();
        let mean = weighted.iter().map(|(weight, gain)| weight * gain).sum::<f64>() / sum;
        let squares = weighted.iter().map(|(weight, gain)| weight * (gain - mean).powi(2)).sum::<f64>();
        Some(Gain { mean, spread: (squares / sum).sqrt() })
    }
}
