//! Why a lane has less margin than the others of its eye: causes by name, each with the margin it costs.
//!
//! The healthy lanes of the same eye are the reference: a model is first fitted to their counts, so that it describes this
//! setup, whatever the model's own figures are. Then one figure at a time is changed until the lane's counts are met (its
//! signature), the lane's shift, copper, pads and delay line left free. What a cause costs is read from the lane's fitted eye
//! with and without it. What all lanes share is no cause here: it needs a healthy setup.

mod found;
mod gains;
mod lane;
mod reference;
mod search;
mod signatures;
pub mod surface;
#[cfg(test)]
mod tests;
mod truth;

pub use found::{Blamed, Finding, LaneCauses, rests_on};
pub use signatures::Cause;
pub use truth::{LaneTruth, TrueLane};

use eye::counts::CaptureView;
use eye::shapes::Mask;
use gains::Sampled;
use lane::{LaneCounts, fit};
use nightbench_core::lane_model::LaneModel;
use nightbench_core::results::EyeName;
use rayon::prelude::*;
use reference::{FEWEST_REFERENCE, Reference, aligned, healthy};
use search::{Closed, Described, Further, Ground};
use signatures::{Asked, AskedJob, Signature};
use surface::{HalfBox, Place, quantile};

/// How far the model may be off in z: while a reference is looked for, and at the end.
const FLOORS: [(f64, usize); 2] = [(0.5, 6), (0.1, 14)];
const COARSE: f64 = FLOORS[0].0;
const FINE: f64 = FLOORS[1].0;
/// Least gain that is blamed on a cause, limit boxes.
pub const LEAST_GAIN: f64 = 0.2;
/// Gain from which one name is enough.
pub const STRONG: f64 = 0.5;
/// How much a cause must gain in ln likelihood to be one.
const EVIDENCE: f64 = 12.0;
/// How much a second one must.
const SECOND: f64 = 20.0;
/// Standard uncertainty of a gain from the model, limit boxes (counted: `cargo bench -p runner --bench why`).
const MODEL_U: f64 = 0.06;
/// The same where two causes are at work: each may take of the other's work.
const TWO_MODEL_U: f64 = 0.2;
/// What a lane keeps of its own without a cause, in standard deviations: more than that is the cause's work, too.
const OWN_AT_MOST: f64 = 1.5;
/// Causes whose likelihoods lie closer than this cannot be told apart.
const APART: f64 = 6.0;
/// The same for a cause below [`STRONG`].
const WEAK_APART: f64 = 15.0;
/// Mean chi-square above which a fit is not believed, and how far a model may be off in the error ratio.
const ACCEPTED: f64 = 1.5;
const MODEL_SHARE: f64 = 0.1;
/// The same for the reference's own lanes: a model that is worse is no reference.
const REFERENCE_GATE: f64 = 8.0;

/// The reference and the signatures of one eye.
pub struct Library<'m> {
    asked: Asked<'m>,
    /// The lane that was fitted to the reference.
    reference: Ground,
    /// Which of the jobs given it can rest on.
    used: Vec<usize>,
    /// What is asked of them beside the first.
    further: Vec<AskedJob<'m>>,
    /// Mean chi-square of the reference's own lanes in the eye asked about.
    pub chi_square: f64,
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

/// Makes the reference for some lanes of an eye, by position: fits the model to healthy lanes beside it, of each job for itself, since
/// what a model has wrong of one rate or pattern is no matter of another. The first job is the one asked about, further ones the extra
/// jobs of its condition, of the same lanes; those that the model cannot describe are left out, one by one. `best` is each lane's largest
/// limit box, by position; `limits` the box at scale 1.
///
/// # Errors
/// Too few healthy lanes, a model without an answer for the first job, or one that does not describe it, in words.
pub fn library<'m>(
    jobs: &[Job<'m>],
    limits: &Mask,
    best: &[f64],
    lanes: &[usize],
) -> Result<Library<'m>, String> {
    let view = jobs.first().ok_or("no job was given")?.view;
    let (eye, limit) = (view.capture().eye, quantile(view.ber_limit()));
    let chosen = healthy(best, lanes).ok_or_else(|| {
        format!("fewer than {FEWEST_REFERENCE} healthy lanes of the same eye: there is no reference to hold it against")
    })?;
    let fitted: Vec<Result<Fitted<'m>, String>> =
        jobs.par_iter().map(|job| fitted(job, eye, limit, &chosen)).collect();
    let mut used = Vec::new();
    let mut described = Vec::new();
    for (number, fitted) in fitted.into_iter().enumerate() {
        match fitted {
            Err(words) if number == 0 => return Err(words),
            Ok(one) if number == 0 || one.chi_square < REFERENCE_GATE => {
                used.push(number);
                described.push(one);
            }
            _ => {}
        }
    }
    let half = HalfBox::of(view.grid(), limits);
    let mut described = described.into_iter();
    let Fitted { job, chi_square } = described.next().ok_or("no job was given")?;
    let further = described.map(|one| one.job).collect();
    Library::of(Asked { jobs: vec![job], eye, limit }, used, further, chi_square, half)
}

/// A job with the model fitted to its healthy lanes, and how well it describes them.
struct Fitted<'m> {
    job: AskedJob<'m>,
    chi_square: f64,
}

fn fitted<'m>(job: &Job<'m>, eye: EyeName, limit: f64, lanes: &[usize]) -> Result<Fitted<'m>, String> {
    let mut asked = Asked::new(job.model, *job.view.grid(), eye, limit)?;
    let mut reference = Reference::new(&asked)?;
    for (floor, rounds) in FLOORS {
        let one = std::slice::from_ref(job);
        let counts: Vec<LaneCounts> = lanes.iter().map(|lane| LaneCounts::of(one, *lane, floor)).collect();
        reference.fit(&asked, &counts, rounds)?;
    }
    let mut job = asked.jobs.remove(0);
    job.fitted = reference.changes;
    Ok(Fitted { job, chi_square: reference.chi_square })
}

impl<'m> Library<'m> {
    fn of(
        asked: Asked<'m>,
        used: Vec<usize>,
        further: Vec<AskedJob<'m>>,
        chi_square: f64,
        half: HalfBox,
    ) -> Result<Library<'m>, String> {
        let nominal = asked.nominal(&[])?;
        let addable = asked.signatures(&nominal, &[]);
        let reference = Ground { nominal, changes: Vec::new(), addable };
        Ok(Library { asked, reference, used, further, chi_square, half })
    }

    /// Jobs that it can rest on: the first one, and those of the others that the model describes.
    pub fn jobs(&self) -> usize {
        self.used.len()
    }

    /// The same with all jobs held against the counts at once; `None` where the model has no answer.
    fn of_all_jobs(&self) -> Option<Library<'m>> {
        let jobs = self.asked.jobs.iter().chain(&self.further).cloned().collect();
        let asked = Asked { jobs, ..self.asked };
        Library::of(asked, self.used.clone(), Vec::new(), self.chi_square, self.half).ok()
    }

    /// Names the causes of one lane, by position. `jobs`: those that the library was made of. The extra jobs are asked where the eye alone
    /// leaves something open, and believed where causes are found that meet all counts.
    pub fn causes(&self, jobs: &[Job<'_>], lane: usize, by: Trained) -> Option<LaneCauses> {
        let all: Vec<Job<'_>> = self.used.iter().filter_map(|place| jobs.get(*place).copied()).collect();
        let found = self.of_jobs(all.get(..1)?, lane, by);
        if self.further.is_empty() {
            return found;
        }
        if found.as_ref().is_none_or(LaneCauses::leaves_open) {
            let with = self.of_all_jobs().and_then(|library| library.of_jobs(&all, lane, by));
            if let Some(with) = with.filter(|with| with.accepted) {
                return Some(with);
            }
        }
        found.map(|found| LaneCauses { eye_alone: true, ..found })
    }

    fn of_jobs(&self, jobs: &[Job<'_>], lane: usize, by: Trained) -> Option<LaneCauses> {
        let view = jobs.first()?.view;
        let (fine, coarse) = (LaneCounts::of(jobs, lane, FINE), LaneCounts::of(jobs, lane, COARSE));
        let Ground { nominal, .. } = &self.reference;
        let start = aligned(&fine, &nominal.base, self.asked.limit);
        let rough = fit(&coarse, nominal, &[], &start, 8)?;
        let exact = fit(&fine, nominal, &[], &rough.scored.parameters, 12)?;
        let rough = Described { signatures: Vec::new(), fit: rough };
        let nothing = Described { signatures: Vec::new(), fit: exact };
        let base = nothing.value();
        let mut found =
            Closed { nominal: nominal.clone(), at: Vec::new(), described: nothing, changes: Vec::new() };
        let (mut rivals, mut all): (Vec<Closed>, Vec<Closed>) = (Vec::new(), Vec::new());
        let finalists = self.finalists(&self.reference, &coarse, &fine, &rough, Further::OtherCause);
        let mut alone = self.closest(&self.reference, &fine, &finalists);
        self.add_siblings(&coarse, &fine, &mut alone);
        if let Some(best) = alone.first().filter(|best| best.value() - base > EVIDENCE) {
            // Where one cause describes the counts well, another beside it is looked for only there.
            let begun = &alone[..if best.chi_square(&fine) < ACCEPTED { 1 } else { alone.len() }];
            let two = self.pairs(&coarse, &fine, begun);
            all = alone.iter().chain(&two).cloned().collect();
            let is_more = two.first().is_some_and(|pair| pair.value() - best.value() > SECOND);
            rivals = if is_more { two } else { alone };
            found = rivals.remove(0);
        }
        Some(self.told(view, lane, &fine, &found, (&rivals, &all), by))
    }

    fn told(
        &self,
        view: &CaptureView<'_>,
        lane: usize,
        counts: &LaneCounts,
        found: &Closed,
        (rivals, all): (&[Closed], &[Closed]),
        by: Trained,
    ) -> LaneCauses {
        let limit = self.asked.limit;
        let described = &found.described;
        let fit = &described.fit;
        let now = found.surface().shown(fit.shift());
        let at = view.capture().operating[lane];
        let trained = Place { tap: at.tap.into(), step: at.vref.into() };
        let box_now = now.box_about(trained, self.half, limit);
        let only_step = by.shared_vref.then_some(trained.step);
        let rule = now.retrained(limit, only_step).unwrap_or(trained);
        let sampled = Sampled { trained, only_step };
        let chi_square = found.chi_square(counts);
        let accepted = chi_square < ACCEPTED && self.chi_square < REFERENCE_GATE;
        let covariance = fit.scored.curvature.inverse();
        let is_other = |one: &Signature| one.cause != described.signatures[0].cause;
        let model_u = if described.signatures.iter().any(is_other) { TWO_MODEL_U } else { MODEL_U };
        let mut causes: Vec<Blamed> = Vec::new();
        for (place, signature) in described.signatures.iter().enumerate() {
            let first = described.signatures.iter().position(|one| one.cause == signature.cause);
            if first != Some(place) {
                continue;
            }
            let Some(found_gain) = self.gain(counts, found, all, signature.cause, sampled) else { continue };
            let gain = found_gain.mean;
            let alike = (0..described.signatures.len())
                .filter(|other| described.signatures[*other].cause == signature.cause);
            let variance: f64 = alike
                .map(|at| covariance.as_ref().map_or(1.0, |covariance| covariance.at(at, at).max(0.0)))
                .sum();
            // A level of a signature made anew is a fifth of its size.
            let u = (0.2 * variance.sqrt() * gain).hypot(model_u).hypot(found_gain.spread);
            // A weak cause gets a second name.
            let apart = if gain < STRONG { WEAK_APART } else { APART };
            let or = instead_of(found, signature.cause, rivals, apart).first().copied();
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
        let finding = match causes.first() {
            None if self.chi_square > REFERENCE_GATE || chi_square > ACCEPTED => Finding::NotDescribed,
            None => Finding::NothingDominant,
            Some(first) if instead_of(found, first.cause, rivals, APART).len() > 1 => Finding::CannotTell,
            Some(_) => Finding::Named,
        };
        LaneCauses {
            lane: view.capture().lanes[lane],
            finding,
            causes,
            trained: box_now,
            chi_square,
            accepted,
            eye_alone: false,
            truth: None,
        }
    }
}

/// Causes that describe the counts as well in place of one of those found, `apart` the ln likelihood that tells them apart; likeliest first.
fn instead_of(found: &Closed, cause: Cause, rivals: &[Closed], apart: f64) -> Vec<Cause> {
    let mut others = found.causes();
    if !others.remove(&cause) {
        return Vec::new();
    }
    let mut instead = Vec::new();
    for rival in rivals.iter().take_while(|rival| found.value() - rival.value() < apart) {
        let mut causes = rival.causes();
        let beside_the_others = others.iter().all(|other| causes.remove(other));
        if let (true, Some(one), 1) = (beside_the_others, causes.first(), causes.len())
            && *one != cause
            && !instead.contains(one)
        {
            instead.push(*one);
        }
    }
    instead
}
