//! The search for the causes that describe a lane's counts: one figure at a time, then a second one beside it, then each anew beside
//! the other.

use super::lane::{LaneCounts, LaneFit, chi_square, fit};
use super::reference::{SETTLED, aligned};
use super::signatures::{Cause, INWARDS, MIDDLE, Nominal, Signature};
use super::surface::Surface;
use super::{ACCEPTED, Library, MODEL_SHARE};
use nightbench_core::lane_model::Change;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

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
/// Pairs whose causes are each looked for anew beside the other.
const EXCHANGED: usize = 6;
/// Shares of their sizes that the two causes of a pair begin anew from: what one of them took too much the other one lacks.
const ANEW_FROM: [[f64; 2]; 2] = [[0.6, 1.3], [1.3, 0.6]];
/// How much likelier (ln) a pair must have become for that to be done again.
const ANEW: f64 = 20.0;

/// A nominal lane with what is at work in it, and what may be added.
pub struct Ground {
    pub nominal: Nominal,
    pub changes: Vec<Change>,
    pub addable: Vec<Signature>,
}

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
    /// At these sizes, which its signatures were made about.
    pub at: Vec<Change>,
    pub described: Described,
    /// The causes as changes of figures.
    pub changes: Vec<Change>,
}

impl Closed {
    pub fn value(&self) -> f64 {
        self.described.value()
    }

    /// Its causes, each once.
    pub fn causes(&self) -> BTreeSet<Cause> {
        self.described.signatures.iter().map(|signature| signature.cause).collect()
    }

    /// The lane's surface in the nominal lane's coordinates.
    pub fn surface(&self) -> Surface {
        self.described.fit.surface(&self.nominal, &self.described.signatures, &self.described.sizes())
    }

    pub fn chi_square(&self, counts: &LaneCounts) -> f64 {
        chi_square(counts, self.described.fit.shifts(), &self.surface(), MODEL_SHARE)
    }
}

impl Library<'_> {
    /// Descriptions with one more signature than `with`, one for each that is `further`; likeliest first.
    fn more(
        &self,
        ground: &Ground,
        counts: &LaneCounts,
        with: &Described,
        further: Further,
        steps: usize,
    ) -> Vec<Described> {
        let is_further = |signature: &Signature| match further {
            Further::OtherCause => with.signatures.iter().all(|used| used.cause != signature.cause),
            Further::SameCause => {
                with.last() == Some(signature.cause)
                    && with.signatures.iter().all(|used| used.knob != signature.knob)
            }
        };
        let mut all: Vec<Described> = ground
            .addable
            .par_iter()
            .filter(|signature| is_further(signature))
            .filter_map(|signature| {
                let mut signatures = with.signatures.clone();
                signatures.push(signature.clone());
                let fits = STARTS.into_iter().filter_map(|start| {
                    let mut sizes = with.sizes();
                    sizes.push(start);
                    let surface = with.fit.surface(&ground.nominal, &signatures, &sizes);
                    let shifts = aligned(counts, &surface, self.asked.limit);
                    let mut start = sizes;
                    start.extend(shifts);
                    start.extend(with.fit.own());
                    fit(counts, &ground.nominal, &signatures, &start, steps)
                });
                let best = fits.max_by(|a, b| a.scored.ln_posterior.total_cmp(&b.scored.ln_posterior))?;
                Some(Described { signatures, fit: best })
            })
            .collect();
        all.sort_by(|a, b| b.value().total_cmp(&a.value()));
        all
    }

    /// The same description with the last signature made anew about the size found, and fitted to the end.
    fn refined(&self, ground: &Ground, counts: &LaneCounts, mut described: Described) -> Option<Described> {
        let Ground { nominal, changes, .. } = ground;
        described.fit = fit(counts, nominal, &described.signatures, &described.fit.scored.parameters, 12)?;
        for _ in 0..REFINED {
            let place = described.signatures.len() - 1;
            let size = described.fit.size(place);
            if size <= 0.0 {
                break;
            }
            let about = described.signatures[place].by(size);
            let Some(signature) = self.asked.about(nominal, changes, &described.signatures[place], about)
            else {
                break;
            };
            let mut start = described.fit.scored.parameters.clone();
            start[place] = MIDDLE;
            described.signatures[place] = signature;
            described.fit = fit(counts, nominal, &described.signatures, &start, 10)?;
        }
        Some(described)
    }

    /// The likeliest descriptions with one cause more, each fitted to the end; likeliest first.
    pub fn finalists(
        &self,
        ground: &Ground,
        coarse: &LaneCounts,
        fine: &LaneCounts,
        with: &Described,
        further: Further,
    ) -> Vec<Described> {
        let mut first = self.more(ground, coarse, with, further, 6);
        // A few of each cause: none is left out before it was looked at closely.
        let mut taken: BTreeMap<Cause, usize> = BTreeMap::new();
        let start = &with.fit.scored.parameters;
        let without = fit(coarse, &ground.nominal, &with.signatures, start, 6)
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
            first.into_par_iter().filter_map(|described| self.refined(ground, fine, described)).collect();
        all.sort_by(|a, b| b.value().total_cmp(&a.value()));
        all
    }

    /// Everything made anew about what was found: the lane's own deviations show elsewhere in an eye that a cause has closed.
    fn closed(&self, ground: &Ground, counts: &LaneCounts, described: &Described) -> Option<Closed> {
        self.settled(
            counts,
            Closed {
                nominal: ground.nominal.clone(),
                at: Vec::new(),
                described: described.clone(),
                changes: described.changes(),
            },
        )
    }

    /// A pair begun anew from other sizes of its two causes: between two causes there is more than one place where no small step leads
    /// on.
    fn begun_anew(&self, counts: &LaneCounts, pair: &Closed) -> Vec<Closed> {
        let causes: Vec<Cause> = pair.causes().into_iter().collect();
        let from = |shares: &[f64; 2]| {
            let mut start = pair.clone();
            for (change, signature) in start.changes.iter_mut().zip(&pair.described.signatures) {
                let cause = causes.iter().position(|cause| *cause == signature.cause);
                change.by *= cause.and_then(|cause| shares.get(cause)).copied().unwrap_or(1.0);
            }
            self.settled(counts, start)
        };
        ANEW_FROM.par_iter().filter_map(from).collect()
    }

    fn settled(&self, counts: &LaneCounts, mut closed: Closed) -> Option<Closed> {
        let mut value = f64::NEG_INFINITY;
        for _ in 0..CLOSINGS {
            // A size may have run beyond the model's range.
            let (nominal, at) = INWARDS.into_iter().find_map(|share| {
                let one = |change: &Change| Change { by: share * change.by, ..*change };
                let changes: Vec<Change> = closed.changes.iter().map(one).collect();
                Some((self.asked.nominal(&changes).ok()?, changes))
            })?;
            let signatures = self.about_each(&nominal, &at, &closed.described.signatures)?;
            let mut start = closed.described.fit.scored.parameters.clone();
            start[..signatures.len()].fill(MIDDLE);
            let fit = fit(counts, &nominal, &signatures, &start, 12)?;
            let described = Described { signatures, fit };
            closed = Closed { nominal, at, changes: described.changes(), described };
            if closed.value() - value < SETTLED && value > f64::NEG_INFINITY {
                break;
            }
            value = closed.value();
        }
        Some(closed)
    }

    /// Signatures made anew about a nominal lane with all of them at work.
    fn about_each(&self, nominal: &Nominal, at: &[Change], old: &[Signature]) -> Option<Vec<Signature>> {
        let one = |(place, signature)| {
            let others: Vec<Change> = [&at[..place], &at[place + 1..]].concat();
            self.asked.about(nominal, &others, signature, at[place].by)
        };
        old.iter().enumerate().map(one).collect()
    }

    /// The likeliest closed descriptions of the most promising causes, one a cause; likeliest first.
    pub fn closest(&self, ground: &Ground, counts: &LaneCounts, finalists: &[Described]) -> Vec<Closed> {
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
            chosen.into_par_iter().filter_map(|described| self.closed(ground, counts, described)).collect();
        likeliest_first(&mut closed);
        closed
    }

    /// A second figure of the same cause where the counts ask for it: a bad joint is no single figure of a model. Likeliest first again.
    pub fn add_siblings(&self, coarse: &LaneCounts, fine: &LaneCounts, alone: &mut [Closed]) {
        for one in alone.iter_mut().take(SIBLINGS) {
            let two = self.beside(coarse, fine, one, Further::SameCause);
            if let Some(two) = two.into_iter().next()
                && two.value() - one.value() > SIBLING
            {
                *one = two;
            }
        }
        likeliest_first(alone);
    }

    /// What may be added where these changes are at work in a nominal lane.
    fn ground(&self, nominal: Nominal, at: &[Change]) -> Ground {
        Ground { addable: self.asked.signatures(&nominal, at), nominal, changes: at.to_vec() }
    }

    /// Closed descriptions with one more cause or figure.
    fn beside(&self, coarse: &LaneCounts, fine: &LaneCounts, one: &Closed, further: Further) -> Vec<Closed> {
        let ground = self.ground(one.nominal.clone(), &one.at);
        self.closest(&ground, fine, &self.finalists(&ground, coarse, fine, &one.described, further))
    }

    /// The likeliest pairs of causes that begin with one of these; likeliest first. A second cause is added where the first one is at
    /// work, since an eye that it has closed changes differently. What the first one took of the second's work, while it stood alone, it
    /// gives back only where each is looked for anew beside the other: that is done where no pair describes the counts well.
    pub fn pairs(&self, coarse: &LaneCounts, fine: &LaneCounts, begun: &[Closed]) -> Vec<Closed> {
        let mut pairs: Vec<Closed> =
            begun.par_iter().flat_map(|one| self.beside(coarse, fine, one, Further::OtherCause)).collect();
        likeliest_first(&mut pairs);
        if pairs.first().is_some_and(|best| best.chi_square(fine) > ACCEPTED) {
            let mut known: BTreeSet<BTreeSet<Cause>> = BTreeSet::new();
            let likeliest: Vec<&Closed> =
                pairs.iter().filter(|pair| known.insert(pair.causes())).take(EXCHANGED).collect();
            let anew: Vec<Closed> =
                likeliest.into_par_iter().flat_map(|pair| self.begun_anew(fine, pair)).collect();
            pairs.extend(anew);
            likeliest_first(&mut pairs);
        }
        let mut done: Vec<(BTreeSet<Cause>, f64)> = Vec::new();
        while done.len() < EXCHANGED && pairs.first().is_some_and(|best| best.chi_square(fine) > ACCEPTED) {
            let is_new = |pair: &&Closed| {
                let causes = pair.causes();
                done.iter().all(|(known, value)| *known != causes || pair.value() > value + ANEW)
            };
            let Some(next) = pairs.iter().find(is_new) else { break };
            done.push((next.causes(), next.value()));
            let found: Vec<Closed> = next
                .causes()
                .into_par_iter()
                .flat_map(|cause| self.exchanged(coarse, fine, next, cause).unwrap_or_default())
                .collect();
            pairs.extend(found);
            likeliest_first(&mut pairs);
        }
        pairs
    }

    /// Pairs with a cause of this one, at the size it has here, and another beside it; `None` where the model has no answer.
    fn exchanged(
        &self,
        coarse: &LaneCounts,
        fine: &LaneCounts,
        pair: &Closed,
        kept: Cause,
    ) -> Option<Vec<Closed>> {
        let Described { signatures, fit } = &pair.described;
        let places: Vec<usize> =
            (0..signatures.len()).filter(|place| signatures[*place].cause == kept).collect();
        let at: Vec<Change> = places.iter().map(|place| pair.changes[*place]).collect();
        let old: Vec<Signature> = places.iter().map(|place| signatures[*place].clone()).collect();
        let nominal = self.asked.nominal(&at).ok()?;
        let with = Described {
            signatures: self.about_each(&nominal, &at, &old)?,
            fit: fit.with_causes(vec![MIDDLE; old.len()]),
        };
        let ground = self.ground(nominal, &at);
        let finalists = self.finalists(&ground, coarse, fine, &with, Further::OtherCause);
        Some(self.closest(&ground, fine, &finalists))
    }
}

fn likeliest_first(all: &mut [Closed]) {
    all.sort_by(|a, b| b.value().total_cmp(&a.value()));
}
