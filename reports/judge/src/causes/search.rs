//! The search for the causes that describe a lane's counts: one figure at a time, then a second one.

use super::Library;
use super::lane::{LaneCounts, LaneFit, fit};
use super::reference::{SETTLED, aligned};
use super::signatures::{Cause, INWARDS, MIDDLE, Nominal, Signature};
use nightbench_core::lane_model::Change;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Sizes that a cause is looked for from, in levels of its signature.
const STARTS: [f64; 2] = [1.0, 3.0];
/// How much a cause must promise in ln likelihood, its model taken as off by [`COARSE`], to be looked at closely.
const PROMISE: f64 = 1.0;
/// Descriptions that may get a second figure of their cause, and how much it must gain in ln likelihood.
const SIBLINGS: usize = 2;
const SIBLING: f64 = 6.0;
/// Signatures of a cause that are looked at closely, and how often one is made anew.
const CLOSELY: usize = 4;
const REFINED: usize = 2;
const CLOSINGS: usize = 4;
/// Causes that are fitted to the end.
const PROMISING: usize = 4;

/// What a description may get beside what it has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Further {
    OtherCause,
    /// Another figure of the last cause.
    SameCause,
}

/// One way to describe a lane.
#[derive(Clone)]
pub struct Described {
    pub signatures: Vec<Signature>,
    pub fit: LaneFit,
}

impl Described {
    pub fn value(&self) -> f64 {
        self.fit.scored.ln_posterior
    }

    pub fn sizes(&self) -> Vec<f64> {
        (0..self.signatures.len()).map(|cause| self.fit.size(cause)).collect()
    }

    fn changes(&self) -> Vec<Change> {
        let sizes = self.signatures.iter().zip(self.sizes());
        sizes.map(|(signature, size)| Change { knob: signature.knob, by: signature.by(size) }).collect()
    }

    pub fn last(&self) -> Option<Cause> {
        self.signatures.last().map(|signature| signature.cause)
    }
}

/// A description with everything made anew about it.
#[derive(Clone)]
pub struct Closed {
    /// The nominal lane with the causes at work.
    pub nominal: Nominal,
    pub described: Described,
    /// The causes as changes of figures.
    pub changes: Vec<Change>,
}

impl Library<'_> {
    /// Descriptions with one more signature than `with`, one for each that is `further`; likeliest first.
    fn more(&self, counts: &LaneCounts, with: &Described, further: Further, steps: usize) -> Vec<Described> {
        let is_further = |signature: &Signature| match further {
            Further::OtherCause => with.signatures.iter().all(|used| used.cause != signature.cause),
            Further::SameCause => {
                with.last() == Some(signature.cause)
                    && with.signatures.iter().all(|used| used.knob != signature.knob)
            }
        };
        let mut all: Vec<Described> = self
            .signatures
            .par_iter()
            .filter(|signature| is_further(signature))
            .filter_map(|signature| {
                let mut signatures = with.signatures.clone();
                signatures.push(signature.clone());
                let fits = STARTS.into_iter().filter_map(|start| {
                    let mut sizes = with.sizes();
                    sizes.push(start);
                    let surface = with.fit.surface(&self.nominal, &signatures, &sizes);
                    let shifts = aligned(counts, &surface, self.asked.limit);
                    let mut start = sizes;
                    start.extend(shifts);
                    start.extend(with.fit.own());
                    fit(counts, &self.nominal, &signatures, &start, steps)
                });
                let best = fits.max_by(|a, b| a.scored.ln_posterior.total_cmp(&b.scored.ln_posterior))?;
                Some(Described { signatures, fit: best })
            })
            .collect();
        all.sort_by(|a, b| b.value().total_cmp(&a.value()));
        all
    }

    /// The same description with the last signature made anew about the size found, and fitted to the end.
    fn refined(&self, counts: &LaneCounts, mut described: Described) -> Option<Described> {
        described.fit =
            fit(counts, &self.nominal, &described.signatures, &described.fit.scored.parameters, 12)?;
        for _ in 0..REFINED {
            let place = described.signatures.len() - 1;
            let size = described.fit.size(place);
            if size <= 0.0 {
                break;
            }
            let about = described.signatures[place].by(size);
            let Some(signature) =
                self.asked.about(&self.nominal, &self.changes, &described.signatures[place], about)
            else {
                break;
            };
            let mut start = described.fit.scored.parameters.clone();
            start[place] = MIDDLE;
            described.signatures[place] = signature;
            described.fit = fit(counts, &self.nominal, &described.signatures, &start, 10)?;
        }
        Some(described)
    }

    /// The likeliest descriptions with one cause more, each fitted to the end; likeliest first.
    pub fn finalists(
        &self,
        coarse: &LaneCounts,
        fine: &LaneCounts,
        with: &Described,
        further: Further,
    ) -> Vec<Described> {
        let mut first = self.more(coarse, with, further, 6);
        // A few of each cause: none is left out before it was looked at closely.
        let mut taken: BTreeMap<Cause, usize> = BTreeMap::new();
        let start = &with.fit.scored.parameters;
        let without = fit(coarse, &self.nominal, &with.signatures, start, 6)
            .map_or(f64::NEG_INFINITY, |fit| fit.scored.ln_posterior);
        first.retain(|described| {
            let Some(cause) = described.last() else { return false };
            if described.value() < without + PROMISE {
                return false;
            }
            let number = taken.entry(cause).or_default();
            *number += 1;
            *number <= CLOSELY
        });
        let mut all: Vec<Described> =
            first.into_par_iter().filter_map(|described| self.refined(fine, described)).collect();
        all.sort_by(|a, b| b.value().total_cmp(&a.value()));
        all
    }

    /// The model's figures with these causes at work, but for one.
    fn with_but(&self, causes: &[Change], but: usize) -> Vec<Change> {
        let others = causes.iter().enumerate().filter(|(place, _)| *place != but);
        self.changes.iter().copied().chain(others.map(|(_, change)| *change)).collect()
    }

    /// Everything made anew about what was found: the lane's own deviations show elsewhere in an eye that a cause has closed.
    fn closed(&self, counts: &LaneCounts, described: &Described) -> Option<Closed> {
        let mut closed = Closed {
            nominal: self.nominal.clone(),
            described: described.clone(),
            changes: described.changes(),
        };
        let mut value = f64::NEG_INFINITY;
        for _ in 0..CLOSINGS {
            // A size may have run beyond the model's range.
            let (nominal, changes) = INWARDS.into_iter().find_map(|share| {
                let one = |change: &Change| Change { by: share * change.by, ..*change };
                let changes: Vec<Change> = closed.changes.iter().map(one).collect();
                Some((self.asked.nominal(&self.with_but(&changes, usize::MAX)).ok()?, changes))
            })?;
            closed.changes = changes;
            let signatures: Option<Vec<Signature>> = (0..closed.changes.len())
                .map(|place| {
                    let others = self.with_but(&closed.changes, place);
                    let signature = &closed.described.signatures[place];
                    self.asked.about(&nominal, &others, signature, closed.changes[place].by)
                })
                .collect();
            let signatures = signatures?;
            let mut start = closed.described.fit.scored.parameters.clone();
            start[..signatures.len()].fill(MIDDLE);
            let fit = fit(counts, &nominal, &signatures, &start, 12)?;
            closed.described = Described { signatures, fit };
            closed.changes = closed.described.changes();
            closed.nominal = nominal;
            if closed.described.value() - value < SETTLED && value > f64::NEG_INFINITY {
                break;
            }
            value = closed.described.value();
        }
        Some(closed)
    }

    /// The likeliest closed descriptions of the most promising causes, one a cause; likeliest first.
    pub fn closest(&self, counts: &LaneCounts, finalists: &[Described]) -> Vec<Closed> {
        let mut causes: Vec<Cause> = Vec::new();
        let mut chosen: Vec<&Described> = Vec::new();
        for described in finalists {
            let Some(cause) = described.last().filter(|cause| !causes.contains(cause)) else { continue };
            if chosen.len() < PROMISING {
                causes.push(cause);
                chosen.push(described);
            }
        }
        let mut closed: Vec<Closed> =
            chosen.into_par_iter().filter_map(|described| self.closed(counts, described)).collect();
        closed.sort_by(|a, b| b.described.value().total_cmp(&a.described.value()));
        closed
    }
    /// A second figure of the same cause where the counts ask for it: a bad joint is no single figure of a model. Likeliest first again.
    pub fn add_siblings(&self, coarse: &LaneCounts, fine: &LaneCounts, alone: &mut [Closed]) {
        for one in alone.iter_mut().take(SIBLINGS) {
            let open = self.open(fine, one);
            let two = self.closest(fine, &self.finalists(coarse, fine, &open, Further::SameCause));
            if let Some(two) = two.into_iter().next()
                && two.described.value() - one.described.value() > SIBLING
            {
                *one = two;
            }
        }
        alone.sort_by(|a, b| b.described.value().total_cmp(&a.described.value()));
    }

    /// A closed description in the terms of the signatures, to be added to.
    pub fn open(&self, counts: &LaneCounts, closed: &Closed) -> Described {
        let signatures: Vec<Signature> = closed
            .described
            .signatures
            .iter()
            .zip(&closed.changes)
            .filter_map(|(signature, change)| {
                self.asked.about(&self.nominal, &self.changes, signature, change.by)
            })
            .collect();
        let mut start = closed.described.fit.scored.parameters.clone();
        start[..closed.changes.len()].fill(MIDDLE);
        match fit(counts, &self.nominal, &signatures, &start, 12) {
            Some(fit) if signatures.len() == closed.changes.len() => Described { signatures, fit },
            _ => closed.described.clone(),
        }
    }
}
