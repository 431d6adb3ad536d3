//! The training rule of the simulated firmware, and margins around a setting, over any error-ratio function.

use super::surface::LaneSurface;
use std::fmt;

/// A contiguous run of passing settings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// First passing index.
    pub first: usize,
    /// Last passing index.
    pub last: usize,
    /// The run reaches index 0: its true end may lie beyond.
    pub censored_low: bool,
    /// The run reaches the last index.
    pub censored_high: bool,
}

impl Run {
    /// Passing settings in the run.
    #[must_use]
    pub fn len(&self) -> usize {
        self.last - self.first + 1
    }

    /// Never: a run holds at least one setting.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }

    /// Middle setting; the lower of two.
    #[must_use]
    pub fn middle(&self) -> usize {
        self.first + (self.last - self.first) / 2
    }
}

/// Where training put a lane.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trained {
    /// Delay tap.
    pub tap: usize,
    /// Reference step.
    pub vref: usize,
    /// The widest run of taps, which fixed the tap.
    pub tap_run: Run,
    /// The run of reference steps at that tap, which fixed the step.
    pub vref_run: Run,
}

/// Why training did not settle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TrainingFailure {
    /// No setting passes.
    NothingPasses,
    /// The widest run has fewer taps than needed.
    TooFewTaps {
        /// Taps found.
        found: usize,
        /// Taps needed.
        needed: usize,
    },
    /// The run of reference steps at the chosen tap is shorter than needed.
    TooFewVrefSteps {
        /// Steps found.
        found: usize,
        /// Steps needed.
        needed: usize,
    },
}

impl fmt::Display for TrainingFailure {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            TrainingFailure::NothingPasses => out.write_str("no tap and reference step passes"),
            TrainingFailure::TooFewTaps { found, needed } => {
                write!(out, "the widest run has {found} taps, {needed} needed")
            }
            TrainingFailure::TooFewVrefSteps { found, needed } => {
                write!(out, "the run at the chosen tap has {found} reference steps, {needed} needed")
            }
        }
    }
}

/// Fewest passing taps and reference steps for a lane to train.
pub const FEWEST: usize = 5;
/// Error ratio at which a setting passes in training.
pub const PASS_BER: f64 = 1e-6;

/// Fewest settings that a lane's runs must have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Needed {
    pub taps: usize,
    /// Reference steps.
    pub steps: usize,
}

impl Default for Needed {
    fn default() -> Self {
        Needed { taps: FEWEST, steps: FEWEST }
    }
}

/// Trains one lane: the reference step with the widest contiguous passing run of taps gives the tap (its middle), the
/// contiguous passing run of reference steps at that tap gives the step (its middle).
///
/// Among equally wide reference steps the middle one counts, so that neither end of a flat eye is favoured. `ber(tap,
/// vref)` passes at `pass_ber` or below.
///
/// # Errors
/// [`TrainingFailure`] when nothing passes or a run has fewer settings than `needed`.
pub fn train_over(
    taps: usize,
    vref_steps: usize,
    pass_ber: f64,
    needed: Needed,
    mut ber: impl FnMut(usize, usize) -> f64,
) -> Result<Trained, TrainingFailure> {
    let mut widest: Vec<(usize, Run)> = Vec::new();
    for vref in 0..vref_steps {
        let Some(run) = longest_run(taps, |tap| ber(tap, vref) <= pass_ber) else { continue };
        match widest.first() {
            Some((_, best)) if run.len() < best.len() => {}
            Some((_, best)) if run.len() == best.len() => widest.push((vref, run)),
            _ => widest = vec![(vref, run)],
        }
    }
    let Some(&(start, tap_run)) = widest.get(widest.len().saturating_sub(1) / 2) else {
        return Err(TrainingFailure::NothingPasses);
    };
    if tap_run.len() < needed.taps {
        return Err(TrainingFailure::TooFewTaps { found: tap_run.len(), needed: needed.taps });
    }
    let tap = tap_run.middle();
    let vref_run = run_through(vref_steps, start, |vref| ber(tap, vref) <= pass_ber)
        .ok_or(TrainingFailure::NothingPasses)?;
    if vref_run.len() < needed.steps {
        return Err(TrainingFailure::TooFewVrefSteps { found: vref_run.len(), needed: needed.steps });
    }
    Ok(Trained { tap, vref: vref_run.middle(), tap_run, vref_run })
}

/// [`train_over`] with the usual [`Needed`].
///
/// # Errors
/// As [`train_over`].
pub fn train(
    taps: usize,
    vref_steps: usize,
    pass_ber: f64,
    ber: impl FnMut(usize, usize) -> f64,
) -> Result<Trained, TrainingFailure> {
    train_over(taps, vref_steps, pass_ber, Needed::default(), ber)
}

/// Largest distance of the coarse search's taps.
const COARSEST: usize = 4;

/// Trains one lane as firmware does, coarse to fine, with the result of [`train_over`] over the whole surface.
///
/// Coarse taps lie no further apart than the fewest taps needed, so that every run long enough to count holds one of
/// them; from each coarse tap with a passing step the search walks outwards tap by tap until no step passes. Only where
/// nothing long enough is found, every tap is looked at, for the figures of the failure.
///
/// # Errors
/// As [`train_over`].
pub fn train_coarse_to_fine(
    lane: &mut LaneSurface,
    pass_ber: f64,
    needed: Needed,
) -> Result<Trained, TrainingFailure> {
    let (taps, steps) = (lane.taps(), lane.vref_steps());
    // Taps never looked at count as failing: no run that counts goes through them.
    let mut passes = vec![false; taps * steps];
    let mut seen = vec![None; taps];
    let mut look = |tap: usize, passes: &mut [bool]| -> bool {
        if let Some(any) = seen[tap] {
            return any;
        }
        let mut any = false;
        if let Some(column) = lane.passing_column(tap, pass_ber) {
            for (slot, ber) in passes[tap * steps..].iter_mut().zip(column) {
                *slot = *ber <= pass_ber;
                any |= *slot;
            }
        }
        seen[tap] = Some(any);
        any
    };
    for coarse in (0..taps).step_by(needed.taps.clamp(1, COARSEST)) {
        if look(coarse, &mut passes) {
            let mut tap = coarse;
            while tap > 0 && look(tap - 1, &mut passes) {
                tap -= 1;
            }
            tap = coarse;
            while tap + 1 < taps && look(tap + 1, &mut passes) {
                tap += 1;
            }
        }
    }
    let found = |passes: &[bool]| {
        let ber = |tap: usize, vref: usize| if passes[tap * steps + vref] { 0.0 } else { 1.0 };
        train_over(taps, steps, 0.5, needed, ber)
    };
    match found(&passes) {
        Err(TrainingFailure::NothingPasses | TrainingFailure::TooFewTaps { .. }) => {
            for tap in 0..taps {
                look(tap, &mut passes);
            }
            found(&passes)
        }
        decided => decided,
    }
}

/// Pass runs through one setting, in both directions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Margins {
    /// Run of taps through the setting; `None` when the setting itself fails.
    pub taps: Option<Run>,
    /// Run of reference steps through the setting; `None` when the setting itself fails.
    pub vref: Option<Run>,
}

/// Pass runs through (`tap`, `vref`): the eye's width and height as seen from there.
pub fn margins(
    (taps, vref_steps): (usize, usize),
    (tap, vref): (usize, usize),
    pass_ber: f64,
    mut ber: impl FnMut(usize, usize) -> f64,
) -> Margins {
    Margins {
        taps: run_through(taps, tap, |n| ber(n, vref) <= pass_ber),
        vref: run_through(vref_steps, vref, |m| ber(tap, m) <= pass_ber),
    }
}

fn run(first: usize, last: usize, count: usize) -> Run {
    Run { first, last, censored_low: first == 0, censored_high: last + 1 == count }
}

/// The longest run of passing indexes below `count`, the first of equals.
pub fn longest_run(count: usize, mut passes: impl FnMut(usize) -> bool) -> Option<Run> {
    let mut best: Option<(usize, usize)> = None;
    let mut start = None;
    for index in 0..=count {
        let pass = index < count && passes(index);
        match (pass, start) {
            (true, None) => start = Some(index),
            (false, Some(first)) => {
                if best.is_none_or(|(a, b)| index - first > b - a + 1) {
                    best = Some((first, index - 1));
                }
                start = None;
            }
            _ => {}
        }
    }
    best.map(|(first, last)| run(first, last, count))
}

/// The run of passing indexes below `count` that contains `at`.
pub fn run_through(count: usize, at: usize, mut passes: impl FnMut(usize) -> bool) -> Option<Run> {
    if at >= count || !passes(at) {
        return None;
    }
    let mut first = at;
    while first > 0 && passes(first - 1) {
        first -= 1;
    }
    let mut last = at;
    while last + 1 < count && passes(last + 1) {
        last += 1;
    }
    Some(run(first, last, count))
}
