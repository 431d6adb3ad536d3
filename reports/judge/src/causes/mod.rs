//! Why a lane has less margin than the others of its eye: causes by name, each with the margin it costs.
//!
//! The healthy lanes of the same eye are the reference: a model is first fitted to their counts, so that it describes this
//! setup, whatever the model's own figures are. Then one figure at a time is changed until the lane's counts are met (its
//! signature), the lane's shift, copper, pads and delay line left free. What a cause costs is read from the lane's fitted eye
//! with and without it. What all lanes share is no cause here: it needs a healthy setup.

mod lane;
mod signatures;
pub mod surface;
#[cfg(test)]
mod tests;
mod truth;

pub use signatures::Cause;
pub use truth::{LaneTruth, TrueLane};

use eye::counts::CaptureView;
use eye::shapes::Mask;
use lane::{LaneCounts, LaneFit, chi_square, fit, fit_together};
use nightbench_core::lane_model::{Change, LaneModel};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use signatures::{Asked, FITTED, MIDDLE, Nominal, Signature};
use statistics::scoring::Prior;
use std::collections::BTreeMap;
use surface::{HalfBox, LEVEL, Place, Surface, quantile};

/// How far the model may be off in z: while a reference is looked for, and at the end.
const FLOORS: [(f64, usize); 2] = [(0.5, 6), (0.1, 14)];
const COARSE: f64 = FLOORS[0].0;
const FINE: f64 = FLOORS[1].0;
/// How far a figure goes at a time, as a standard deviation: the model is taken as straight that far.
const TRUST: f64 = 0.15;
/// How far a figure goes at all.
const FARTHEST: f64 = 0.7;
/// Steps of ln likelihood that are none.
const SETTLED: f64 = 0.5;
/// Steps that slopes serve while each gains much.
const SERVES: u32 = 3;
/// Lanes that a reference rests on: enough to average their own deviations, few enough to be quick.
const MOST_REFERENCE: usize = 4;
/// Fewest lanes beside the one asked about.
const FEWEST_REFERENCE: usize = 3;
/// A lane whose box is so much smaller than the median's is no reference.
const SICK: f64 = 0.25;
/// Least gain that is blamed on a cause, limit boxes.
pub const LEAST_GAIN: f64 = 0.2;
/// Gain from which one name is enough.
pub const STRONG: f64 = 0.5;
/// How much a cause must gain in ln likelihood to be one.
const EVIDENCE: f64 = 12.0;
/// How much a second one must.
const SECOND: f64 = 20.0;
/// Sizes that a cause is looked for from, in levels of its signature.
const STARTS: [f64; 2] = [1.0, 3.0];
/// How much a cause must promise in ln likelihood, its model taken as off by [`COARSE`], to be looked at closely.
const PROMISE: f64 = 1.0;
/// Descriptions that may get a second figure of their cause, and how much it must gain in ln likelihood.
const SIBLINGS: usize = 2;
const SIBLING: f64 = 6.0;
/// Signatures of a cause that are looked at closely, and how often one is made anew.
const CLOSELY: usize = 2;
const REFINED: usize = 2;
const CLOSINGS: usize = 4;
/// Causes that are fitted to the end.
const PROMISING: usize = 4;
/// Standard uncertainty of a gain from the model, limit boxes (counted: `cargo bench -p runner --bench why`).
const MODEL_U: f64 = 0.09;
/// Causes whose likelihoods lie closer than this cannot be told apart.
const APART: f64 = 6.0;
/// The same for a cause below [`STRONG`].
const WEAK_APART: f64 = 15.0;
/// Mean chi-square above which a fit is not believed, and how far a model may be off in the error ratio.
const GATE: (f64, f64) = (2.0, 0.1);
/// The same for the reference's own lanes: a model that is worse is no reference.
const REFERENCE_GATE: f64 = 8.0;
/// Mean chi-square up to which one cause is looked no further.
const WELL: f64 = 1.5;

/// One cause and what it costs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Blamed {
    pub cause: Cause,
    /// Where the counts cannot tell it from another one.
    pub or: Option<Cause>,
    /// Margin without it, less the margin now, limit boxes.
    pub gain: f64,
    /// Expanded uncertainty of the gain (95 %).
    pub expanded_uncertainty: f64,
}

impl Blamed {
    /// One name, or two that cannot be told apart.
    fn name(&self) -> String {
        match self.or {
            Some(or) => format!("{} or {}", self.cause.words(), or.words()),
            None => self.cause.words().to_string(),
        }
    }

    /// The name with its gain and U.
    pub fn words(&self) -> String {
        format!("{}: {} \u{b1} {:.2}", self.name(), signed(self.gain), self.expanded_uncertainty)
    }
}

/// What can be said of a lane.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// A cause costs enough to be named.
    Named,
    /// No cause costs [`LEAST_GAIN`].
    NothingDominant,
    /// More than two causes describe the counts alike.
    CannotTell,
    /// No cause known to the model describes the counts.
    NotDescribed,
}

/// A lane's causes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LaneCauses {
    pub lane: u16,
    pub finding: Finding,
    /// Costliest first.
    pub causes: Vec<Blamed>,
    /// Limit box about the trained point on the fitted eye.
    pub trained: f64,
    /// Mean chi-square of the fit.
    pub chi_square: f64,
    /// Gains are estimates (the fit is believed), not a ranking only.
    pub accepted: bool,
    /// What the simulated target knows; `None` of a bench.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub truth: Option<LaneTruth>,
}

impl LaneCauses {
    /// What is found, in words; a gain stands with its interval, or not at all.
    pub fn words(&self) -> String {
        let list = |with: &dyn Fn(&Blamed) -> String| -> String {
            self.causes.iter().map(with).collect::<Vec<_>>().join("; ")
        };
        match self.finding {
            Finding::Named if self.accepted => list(&Blamed::words),
            Finding::Named => format!(
                "{} (a ranking only: the model meets the counts with chi-square {:.1})",
                list(&Blamed::name),
                self.chi_square
            ),
            Finding::NothingDominant => "no dominant cause".into(),
            Finding::CannotTell => "cannot tell: more than two causes describe the counts alike".into(),
            Finding::NotDescribed => "cannot tell: no cause that the model knows describes the counts".into(),
        }
    }
}

/// The reference and the signatures of one eye.
pub struct Library<'m> {
    asked: Asked<'m>,
    nominal: Nominal,
    signatures: Vec<Signature>,
    /// Mean chi-square of the reference's own lanes.
    pub chi_square: f64,
    /// What was fitted to the reference.
    changes: Vec<Change>,
    half: HalfBox,
}

/// The counts of one job's eye, and the model of a nominal lane at its condition.
#[derive(Clone, Copy)]
pub struct Job<'a> {
    pub view: &'a CaptureView<'a>,
    pub model: &'a dyn LaneModel,
}

/// How the lane asked about came to its sampling point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Trained {
    /// It still runs with a training at another condition.
    pub held: bool,
    /// Its Vref serves the other lanes of its device as well: training the lane anew moves it in time only.
    pub shared_vref: bool,
}

/// A gain with its sign.
fn signed(gain: f64) -> String {
    format!("{gain:+.2}")
}

/// The lanes, by position, that stand for healthy ones: those nearest above the median of what each could be at best.
fn healthy(best: &[f64], asked: &[usize]) -> Option<Vec<usize>> {
    let mut others: Vec<usize> =
        (0..best.len()).filter(|lane| !asked.contains(lane) && best[*lane].is_finite()).collect();
    others.sort_by(|a, b| best[*b].total_cmp(&best[*a]));
    let median = best[*others.get(others.len() / 2)?];
    others.retain(|lane| best[*lane] > median - SICK);
    others.sort_by(|a, b| (best[*a] - median).abs().total_cmp(&(best[*b] - median).abs()));
    others.truncate(MOST_REFERENCE);
    (others.len() >= FEWEST_REFERENCE).then_some(others)
}

/// Makes the reference for some lanes of an eye, by position: fits the model to healthy lanes beside it. The first job is the one asked
/// about, further ones the extra jobs of its condition, of the same lanes. `best` is each lane's largest limit box, by position;
/// `limits` the box at scale 1.
///
/// # Errors
/// Too few healthy lanes, a model without an answer, or one that does not describe them, in words.
pub fn library<'m>(
    jobs: &[Job<'m>],
    limits: &Mask,
    best: &[f64],
    lanes: &[usize],
) -> Result<Library<'m>, String> {
    let all = of_jobs(jobs, limits, best, lanes)?;
    // A model that cannot say of healthy lanes what the extra jobs counted is asked about the eye alone.
    if jobs.len() > 1 && all.chi_square > REFERENCE_GATE {
        of_jobs(&jobs[..1], limits, best, lanes)
    } else {
        Ok(all)
    }
}

fn of_jobs<'m>(
    jobs: &[Job<'m>],
    limits: &Mask,
    best: &[f64],
    lanes: &[usize],
) -> Result<Library<'m>, String> {
    let view = jobs.first().ok_or("no job was given")?.view;
    let limit = quantile(view.ber_limit());
    let models = jobs.iter().map(|job| (job.model, *job.view.grid()));
    let asked = Asked::new(models, view.capture().eye, limit)?;
    let chosen = healthy(best, lanes).ok_or_else(|| {
        format!("fewer than {FEWEST_REFERENCE} healthy lanes of the same eye: there is no reference to hold it against")
    })?;
    let mut reference = Reference::new(&asked)?;
    for (floor, rounds) in FLOORS {
        let counts: Vec<LaneCounts> = chosen.iter().map(|lane| LaneCounts::of(jobs, *lane, floor)).collect();
        reference.fit(&asked, &counts, rounds)?;
    }
    let nominal = asked.nominal(&reference.changes)?;
    let signatures = asked.signatures(&nominal, &reference.changes);
    let Reference { changes, chi_square, .. } = reference;
    Ok(Library { asked, nominal, signatures, chi_square, changes, half: HalfBox::of(view.grid(), limits) })
}

/// The model as it is fitted to healthy lanes.
struct Reference {
    nominal: Nominal,
    changes: Vec<Change>,
    /// Each lane's shifts and what is its own.
    own: Vec<f64>,
    chi_square: f64,
}

impl Reference {
    fn new(asked: &Asked<'_>) -> Result<Reference, String> {
        let changes = FITTED.iter().map(|(knob, _)| Change { knob: *knob, by: 0.0 }).collect();
        Ok(Reference { nominal: asked.nominal(&[])?, changes, own: Vec::new(), chi_square: f64::INFINITY })
    }

    /// The lanes alone, the model's figures as they are; with the ln posterior of both.
    fn lanes(&self, counts: &[LaneCounts], limit: f64) -> Option<(Vec<f64>, f64)> {
        let each = self.nominal.own.len() + 2 * self.nominal.base.sheets();
        let mut own = Vec::with_capacity(each * counts.len());
        let mut value = 0.0;
        for (number, counts) in counts.iter().enumerate() {
            let start = match self.own.get(number * each..(number + 1) * each) {
                Some(before) => before.to_vec(),
                None => aligned(counts, &self.nominal.base, limit),
            };
            let scored = fit(counts, &self.nominal, &[], &start, 8)?.scored;
            own.extend(scored.parameters);
            value += scored.ln_posterior;
        }
        let known: f64 =
            self.changes.iter().zip(FITTED).map(|(change, (_, sd))| -0.5 * (change.by / sd).powi(2)).sum();
        Some((own, value + known))
    }

    /// Fits the model's figures, as far as each step makes the counts likelier.
    fn fit(&mut self, asked: &Asked<'_>, counts: &[LaneCounts], rounds: usize) -> Result<(), String> {
        let failed = "the model could not be fitted to the healthy lanes of the same eye";
        let (own, mut value) = self.lanes(counts, asked.limit).ok_or(failed)?;
        self.own = own;
        let mut trust = TRUST;
        let mut shared = asked.fitted(&self.nominal.base, &self.changes)?;
        // Steps since the slopes were taken: they serve more than one.
        let mut stale = 0;
        for _ in 0..rounds {
            let priors: Vec<Prior> = self
                .changes
                .iter()
                .zip(FITTED)
                .map(|(change, (_, sd))| {
                    let (known, trusted) = (sd.powi(-2), trust.powi(-2));
                    let precision = known + trusted;
                    Prior { mean: -change.by * known / precision, sd: precision.powf(-0.5), held: false }
                })
                .collect();
            let mut start = vec![0.0; shared.len()];
            start.extend(&self.own);
            let scored = fit_together(counts, &self.nominal, &shared, &priors, &start, 6).ok_or(failed)?;
            let (common, own) = scored.parameters.split_at(shared.len());
            let changes: Vec<Change> = self
                .changes
                .iter()
                .zip(common)
                .map(|(change, by)| Change { by: (change.by + by).clamp(-FARTHEST, FARTHEST), ..*change })
                .collect();
            let tried = asked.surface(&changes).ok().and_then(|base| {
                let nominal = Nominal { base, own: self.nominal.own.clone() };
                let mut there = Reference { nominal, changes, own: own.to_vec(), chi_square: f64::INFINITY };
                let (own, value) = there.lanes(counts, asked.limit)?;
                there.own = own;
                Some((there, value))
            });
            match tried {
                Some((there, better)) if better > value => {
                    let gained = better - value;
                    (*self, value) = (there, better);
                    if gained < SETTLED && stale == 0 {
                        break;
                    }
                    stale += 1;
                    trust = (1.5 * trust).min(2.0 * TRUST);
                    if stale < SERVES && gained > 0.1 * value.abs() {
                        continue;
                    }
                }
                _ if stale > 0 => {}
                _ => {
                    trust *= 0.35;
                    continue;
                }
            }
            self.nominal = asked.nominal(&self.changes)?;
            shared = asked.fitted(&self.nominal.base, &self.changes)?;
            stale = 0;
        }
        let shifts = 2 * self.nominal.base.sheets();
        let each = self.nominal.own.len() + shifts;
        let chi = counts.iter().zip(self.own.chunks_exact(each)).map(|(counts, mine)| {
            let modes = mine[shifts..].iter().zip(&self.nominal.own).map(|(by, mode)| (*by, &mode.slope));
            let surface = self.nominal.base.plus(modes);
            chi_square(counts, &mine[..shifts], &surface, GATE.1)
        });
        self.chi_square = chi.sum::<f64>() / counts.len() as f64;
        Ok(())
    }
}

/// Shifts that lay the middle of each job's surface on the middle of what passes.
fn aligned(counts: &LaneCounts, surface: &Surface, limit: f64) -> Vec<f64> {
    let of_sheet = |(sheet, seen): (usize, &Option<Place>)| match (seen, surface.middle(sheet, limit)) {
        (Some(seen), Some(said)) if surface.is_level(sheet, limit) => [0.0, LEVEL * (seen.step - said.step)],
        (Some(seen), Some(said)) => [seen.tap - said.tap, seen.step - said.step],
        _ => [0.0; 2],
    };
    counts.middles.iter().enumerate().flat_map(of_sheet).collect()
}

/// What a description may get beside what it has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Further {
    OtherCause,
    /// Another figure of the last cause.
    SameCause,
}

/// One way to describe a lane.
#[derive(Clone)]
struct Described {
    signatures: Vec<Signature>,
    fit: LaneFit,
}

impl Described {
    fn value(&self) -> f64 {
        self.fit.scored.ln_posterior
    }

    fn sizes(&self) -> Vec<f64> {
        (0..self.signatures.len()).map(|cause| self.fit.size(cause)).collect()
    }

    fn changes(&self) -> Vec<Change> {
        let sizes = self.signatures.iter().zip(self.sizes());
        sizes.map(|(signature, size)| Change { knob: signature.knob, by: signature.by(size) }).collect()
    }

    fn last(&self) -> Option<Cause> {
        self.signatures.last().map(|signature| signature.cause)
    }
}

/// A description with everything made anew about it.
#[derive(Clone)]
struct Closed {
    /// The nominal lane with the causes at work.
    nominal: Nominal,
    described: Described,
    /// The causes as changes of figures.
    changes: Vec<Change>,
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
    fn finalists(
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
            let all = self.with_but(&closed.changes, usize::MAX);
            let nominal = self.asked.nominal(&all).ok()?;
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
    fn closest(&self, counts: &LaneCounts, finalists: &[Described]) -> Vec<Closed> {
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

    /// Jobs that it rests on: all that were given, or the first alone where the model does not describe the others.
    pub fn jobs(&self) -> usize {
        self.asked.jobs.len()
    }

    /// Names the causes of one lane, by position. `jobs`: those that the library was made of.
    pub fn causes(&self, jobs: &[Job<'_>], lane: usize, by: Trained) -> Option<LaneCauses> {
        let view = jobs.first()?.view;
        let jobs = jobs.get(..self.jobs())?;
        let (fine, coarse) = (LaneCounts::of(jobs, lane, FINE), LaneCounts::of(jobs, lane, COARSE));
        let start = aligned(&fine, &self.nominal.base, self.asked.limit);
        let rough = fit(&coarse, &self.nominal, &[], &start, 8)?;
        let exact = fit(&fine, &self.nominal, &[], &rough.scored.parameters, 12)?;
        let rough = Described { signatures: Vec::new(), fit: rough };
        let nothing = Described { signatures: Vec::new(), fit: exact };
        let base = nothing.value();
        let mut found = Closed { nominal: self.nominal.clone(), described: nothing, changes: Vec::new() };
        let mut rivals: Vec<(Cause, f64)> = Vec::new();
        let mut alone = self.closest(&fine, &self.finalists(&coarse, &fine, &rough, Further::OtherCause));
        self.add_siblings(&coarse, &fine, &mut alone);
        if let Some(best) = alone.first().filter(|best| best.described.value() - base > EVIDENCE) {
            let behind = |other: &Closed| best.described.value() - other.described.value();
            rivals.extend(alone.iter().filter_map(|other| Some((other.described.last()?, behind(other)))));
            found = best.clone();
            let value = best.described.value();
            // Where one cause describes the counts well, another beside it is looked for only there.
            let surface = best.described.fit.surface(
                &best.nominal,
                &best.described.signatures,
                &best.described.sizes(),
            );
            let well = chi_square(&fine, best.described.fit.shifts(), &surface, GATE.1) < WELL;
            let begun = &alone[..if well { 1 } else { alone.len() }];
            let mut two: Vec<Closed> = begun
                .par_iter()
                .flat_map(|one| {
                    let open = self.open(&fine, one);
                    self.closest(&fine, &self.finalists(&coarse, &fine, &open, Further::OtherCause))
                })
                .collect();
            two.sort_by(|a, b| b.described.value().total_cmp(&a.described.value()));
            if let Some(second) = two.into_iter().next()
                && second.described.value() - value > SECOND
            {
                found = second;
            }
        }
        Some(self.told(view, lane, &fine, &found, &rivals, by))
    }

    /// A second figure of the same cause where the counts ask for it: a bad joint is no single figure of a model. Likeliest first again.
    fn add_siblings(&self, coarse: &LaneCounts, fine: &LaneCounts, alone: &mut [Closed]) {
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
    fn open(&self, counts: &LaneCounts, closed: &Closed) -> Described {
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

    fn told(
        &self,
        view: &CaptureView<'_>,
        lane: usize,
        counts: &LaneCounts,
        found: &Closed,
        rivals: &[(Cause, f64)],
        by: Trained,
    ) -> LaneCauses {
        let limit = self.asked.limit;
        let Closed { nominal, described, changes } = found;
        let fit = &described.fit;
        let sizes = described.sizes();
        let now = fit.surface(nominal, &described.signatures, &sizes);
        let shift = fit.shift();
        let at = view.capture().operating[lane];
        let trained = Place { tap: f64::from(at.tap) - shift.tap, step: f64::from(at.vref) - shift.step };
        let box_now = now.box_about(trained, self.half, limit);
        let only_step = by.shared_vref.then_some(trained.step);
        let rule = now.retrained(limit, only_step).unwrap_or(trained);
        let off = Place { tap: trained.tap - rule.tap, step: trained.step - rule.step };
        let without = |cause: Cause| {
            let others = changes.iter().zip(&described.signatures).filter(|(_, one)| one.cause != cause);
            let left: Vec<Change> =
                self.changes.iter().copied().chain(others.map(|(change, _)| *change)).collect();
            let nominal = self.asked.nominal(&left).ok()?;
            let surface = fit.surface(&nominal, &[], &[]);
            let there = surface.retrained(limit, only_step)?;
            let point = Place { tap: there.tap + off.tap, step: there.step + off.step };
            Some(surface.box_about(point, self.half, limit) - box_now)
        };
        let chi_square = chi_square(counts, fit.shifts(), &now, GATE.1);
        let accepted = chi_square < GATE.0 && self.chi_square < REFERENCE_GATE;
        let covariance = fit.scored.curvature.inverse();
        let mut causes: Vec<Blamed> = Vec::new();
        for (place, signature) in described.signatures.iter().enumerate() {
            let first = described.signatures.iter().position(|one| one.cause == signature.cause);
            let Some(gain) = without(signature.cause).filter(|_| first == Some(place)) else { continue };
            let alike = (0..described.signatures.len())
                .filter(|other| described.signatures[*other].cause == signature.cause);
            let variance: f64 = alike
                .map(|at| covariance.as_ref().map_or(1.0, |covariance| covariance.at(at, at).max(0.0)))
                .sum();
            // A level of a signature made anew is a fifth of its size.
            let u = (0.2 * variance.sqrt() * gain).hypot(MODEL_U);
            // A weak cause gets a second name.
            let apart = if gain < STRONG { WEAK_APART } else { APART };
            let rival = rivals.iter().find(|(cause, behind)| *cause != signature.cause && *behind < apart);
            let or = rival.filter(|_| place == 0).map(|(cause, _)| *cause);
            causes.push(Blamed { cause: signature.cause, or, gain, expanded_uncertainty: 2.0 * u });
        }
        // What the model cannot say of healthy lanes it cannot say of this one.
        if self.chi_square > REFERENCE_GATE {
            causes.clear();
        }
        causes.push(Blamed {
            cause: if by.held { Cause::Drift } else { Cause::Centring },
            or: None,
            gain: now.box_about(rule, self.half, limit) - box_now,
            expanded_uncertainty: 2.0 * MODEL_U,
        });
        causes.sort_by(|a, b| b.gain.total_cmp(&a.gain));
        // Every training lands a step off here and there.
        let landing = LEAST_GAIN.max(1.0 / self.half.taps).max(1.0 / self.half.steps);
        causes.retain(|blamed| {
            let least =
                if matches!(blamed.cause, Cause::Centring | Cause::Drift) { landing } else { LEAST_GAIN };
            blamed.gain >= least
        });
        let alike = rivals.iter().filter(|(_, behind)| *behind < APART).count();
        let finding = match causes.first() {
            None if self.chi_square > REFERENCE_GATE || chi_square > GATE.0 => Finding::NotDescribed,
            None => Finding::NothingDominant,
            Some(first) if alike > 2 && rivals.iter().any(|(cause, _)| *cause == first.cause) => {
                Finding::CannotTell
            }
            Some(_) => Finding::Named,
        };
        LaneCauses {
            lane: view.capture().lanes[lane],
            finding,
            causes,
            trained: box_now,
            chi_square,
            accepted,
            truth: None,
        }
    }
}
