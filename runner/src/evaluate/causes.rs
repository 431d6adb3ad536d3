//! Why the worst lanes have less margin than their neighbours: a model is asked once, and what came of it is kept with the run.
//!
//! `causes.json` in the run folder holds what was found, each bound to the counts it was found from. A report shows what fits
//! the counts that are there now, and needs no model.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::extra::{ExtraJob, ExtraJobs};
use crate::evaluate::judging::JudgedFolder;
use crate::evaluate::truth::{self, Measured};
use crate::evaluate::why::{ConditionWhy, EyeWhy, lanes_a_device, limits_of};
use crate::folder::output::Output;
use crate::folder::run_folder::keys_of;
use crate::inputs::plain_file::read_if_there;
use crate::run::execute::Executor;
use crate::store::{StoreReader, Target, hex};
use contract::{Setting, TrainingRequest};
use eye::counts::CaptureView;
use eye::shapes::Mask;
use judge::causes::{Job as CountedJob, LEAST_GAIN, LaneCauses, Trained, library};
use judge::judged::FoundCauses;
use judge::why::{LaneGain, lane_gains};
use nightbench_core::results::{Capture, EyeName};
use plan::expand::{Job, expand};
use plan::measure::TrainingPolicy;
use plan::selection::Selection;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use simulator::nominal::NominalLane;
use simulator::target::{MODEL_VERSION, SimulatedOptions};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;
use std::sync::Arc;

/// Name of the file in the run folder.
pub const FILE: &str = "causes.json";
/// Lanes looked into of an eye, the worst first.
const LANES: usize = 2;

/// What was found of one eye.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EyeCauses {
    /// Key of the job whose counts it was found from.
    pub job: String,
    /// Digest of what that job measured.
    pub counts: String,
    pub eye: EyeName,
    /// Width and height of the limit box, ps and mV.
    pub limit_box: (f64, f64),
    /// Digests of what the extra jobs beside it measured.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extra: Vec<String>,
    /// How many of them the causes rest on: all, or none where the model does not describe them.
    #[serde(default)]
    pub extra_used: usize,
    /// Which model was asked.
    pub model: String,
    /// Worst lane first.
    pub lanes: Vec<LaneCauses>,
    /// What every lane would gain at its best point.
    #[serde(default)]
    pub gains: Vec<LaneGain>,
    /// Why nothing can be said; empty where something can.
    pub nothing: String,
}

/// The text of the file; `None` where there is none.
///
/// # Errors
/// As [`read_if_there`].
pub fn text(dir: &Path) -> Result<Option<String>, Failure> {
    read_if_there(&dir.join(FILE), "the causes kept with the run")
}

/// What a run folder keeps; nothing where there is no file.
///
/// # Errors
/// Exit 74: the file cannot be read. Exit 2: it is damaged.
pub fn kept(dir: &Path) -> Result<Vec<EyeCauses>, Failure> {
    let Some(text) = text(dir)? else { return Ok(Vec::new()) };
    serde_json::from_str(&text).map_err(|error| {
        Failure::invalid(format!(
            "{}: {error}; remove the file, and run `nightbench why` again for what it held",
            dir.join(FILE).display()
        ))
    })
}

/// Of what is kept, what still stands: found from the counts that count now. With the index of its condition.
///
/// # Errors
/// As [`kept`]; exit 74: the store cannot be read.
pub fn standing(
    dir: &Path,
    reader: &StoreReader,
    jobs: &HashMap<[u8; 32], Job>,
) -> Result<Vec<(usize, EyeCauses)>, Failure> {
    let kept = kept(dir)?;
    let wanted: BTreeSet<&str> = kept.iter().map(|found| found.job.as_str()).collect();
    let mut counts: BTreeMap<String, (usize, String)> = BTreeMap::new();
    for (key, job) in jobs.iter().filter(|(key, _)| wanted.contains(hex(*key).as_str())) {
        if let Some(stored) = reader.job(key)? {
            counts.insert(hex(key), (job.condition as usize, hex(&stored.content_sha256)));
        }
    }
    // An archive made by an earlier version holds no extra jobs: what was found with them stands as it is.
    let extra: Option<BTreeSet<String>> = match kept.iter().all(|found| found.extra.is_empty()) {
        true => None,
        false => ExtraJobs::open(dir)?.map(|extra| extra.digests()).transpose()?.map(BTreeSet::from_iter),
    };
    let stands = |found: EyeCauses| {
        let (condition, now) = counts.get(&found.job)?;
        let whole = *now == found.counts
            && found.extra.iter().all(|digest| extra.as_ref().is_none_or(|known| known.contains(digest)));
        whole.then_some((*condition, found))
    };
    Ok(kept.into_iter().filter_map(stands).collect())
}

/// The same as a page shows it.
pub fn shown(standing: Vec<(usize, EyeCauses)>) -> Vec<FoundCauses> {
    let shown = |(condition, found): (usize, EyeCauses)| FoundCauses {
        condition,
        eye: found.eye,
        model: found.model,
        lanes: found.lanes,
        gains: found.gains,
        extra_jobs: found.extra_used,
        unused_jobs: found.extra.len() - found.extra_used.min(found.extra.len()),
        nothing: found.nothing,
    };
    standing.into_iter().map(shown).collect()
}

/// What came of asking.
pub struct Found {
    /// With the index of each eye's condition.
    pub eyes: Vec<(usize, EyeCauses)>,
    /// Why it could not be kept with the run.
    pub not_kept: Option<String>,
}

/// The causes of the worst lanes of some conditions: as kept, or found now with the model's help and kept.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub fn of_conditions(
    folder: &JudgedFolder,
    dir: &Path,
    reader: &StoreReader,
    conditions: &[ConditionWhy],
) -> Result<Found, Failure> {
    let plan = &folder.file.plan;
    let expansion = expand(plan, &Selection::default());
    let meta = reader.meta()?;
    let keys = keys_of(plan, &meta.target)?;
    let executor = Executor::new(plan, &expansion, &keys);
    let extra_jobs = ExtraJobs::open(dir)?;
    let options = (meta.target == Target::Simulated).then(|| {
        Arc::new(SimulatedOptions {
            interface: plan.interface.clone(),
            model: plan.model.clone(),
            directions: plan.capture.directions.clone(),
            measured: folder.file.measured.clone(),
            seed: meta.seed,
        })
    });
    let before: Vec<EyeCauses> =
        standing(dir, reader, &folder.jobs)?.into_iter().map(|(_, found)| found).collect();
    let mut all = before.clone();
    let mut found = Vec::new();
    for condition in conditions {
        let mut jobs: Vec<_> =
            folder.jobs.iter().filter(|(_, job)| job.condition as usize == condition.index).collect();
        jobs.sort_unstable_by_key(|(key, _)| **key);
        let Some((key, job, stored)) = jobs
            .into_iter()
            .find_map(|(key, job)| match reader.job(key) {
                Ok(Some(stored)) => Some(Ok((key, job, stored))),
                Ok(None) => None,
                Err(error) => Some(Err(error)),
            })
            .transpose()?
        else {
            continue;
        };
        let damaged = |words: String| {
            Failure::new(Exit::Store, format!("job {} in the store is damaged: {words}", hex(key)))
        };
        let levels = &expansion.conditions[condition.index];
        let extra = extra_jobs.as_ref().map_or(Ok(Vec::new()), |extra| extra.of(plan, levels))?;
        let one = OneJob {
            folder,
            condition: condition.index,
            gains: &condition.eyes,
            key: hex(key),
            counts: hex(&stored.content_sha256),
            setting: executor.setting(levels, job, stored.attempt),
            training: executor.training_request(),
            extra: &extra,
            options: options.as_ref(),
        };
        let captures = reader.counts(&stored)?.captures().map_err(damaged)?;
        let eyes: Vec<EyeCauses> =
            captures.par_iter().filter_map(|capture| one.causes(capture, &before)).collect();
        for eye in eyes {
            if !before.contains(&eye) {
                all.retain(|known| (&known.job, known.eye) != (&eye.job, eye.eye));
                all.push(eye.clone());
            }
            found.push((condition.index, eye));
        }
    }
    // A medium that cannot be written keeps nothing: what was found is told all the same.
    let not_kept = if all == before { None } else { keep(dir, &all).err().map(|failure| failure.words) };
    Ok(Found { eyes: found, not_kept })
}

/// A condition's job with everything that explains it.
struct OneJob<'a> {
    folder: &'a JudgedFolder,
    condition: usize,
    gains: &'a [EyeWhy],
    key: String,
    counts: String,
    setting: Setting,
    training: TrainingRequest,
    extra: &'a [ExtraJob],
    /// The target, where it is a simulated one.
    options: Option<&'a Arc<SimulatedOptions>>,
}

impl OneJob<'_> {
    fn model(&self, setting: &Setting) -> Result<NominalLane, String> {
        let plan = &self.folder.file.plan;
        // A folder keeps a measured channel's digest, not its data: a model without it would be of another channel.
        if let Some(data) = &setting.channel.measured {
            return Err(format!(
                "channel {} is measured data ({}), which the model has no figures of",
                setting.channel.name, data.file
            ));
        }
        NominalLane::new(&plan.interface, setting, &plan.model, None).map_err(|error| error.to_string())
    }

    /// The causes of one eye: as known, or found now; `None` where no box is judged.
    fn causes(&self, capture: &Capture, before: &[EyeCauses]) -> Option<EyeCauses> {
        let limits = limits_of(self.folder, self.condition, capture.eye, std::slice::from_ref(capture))?;
        // The same eye and lanes in each extra job.
        let beside: Vec<(&ExtraJob, &Capture)> = self
            .extra
            .iter()
            .filter_map(|extra| {
                let same = |one: &&Capture| one.eye == capture.eye && one.lanes == capture.lanes;
                Some((extra, extra.captures.iter().find(same)?))
            })
            .collect();
        let mut eye = EyeCauses {
            job: self.key.clone(),
            counts: self.counts.clone(),
            eye: capture.eye,
            limit_box: (2.0 * limits.half_width.0, 2.0 * limits.half_height.0),
            extra: beside.iter().map(|(extra, _)| extra.counts.clone()).collect(),
            extra_used: 0,
            model: MODEL_VERSION.into(),
            lanes: Vec::new(),
            gains: self
                .gains
                .iter()
                .find(|why| why.eye == capture.eye)
                .map_or(Vec::new(), |why| why.lanes.clone()),
            nothing: String::new(),
        };
        let same = |known: &&EyeCauses| {
            (&known.job, known.eye, known.limit_box, &known.model, &known.extra, &known.gains)
                == (&eye.job, eye.eye, eye.limit_box, &eye.model, &eye.extra, &eye.gains)
        };
        if let Some(known) = before.iter().find(same) {
            return Some(known.clone());
        }
        match self.lanes(capture, &beside, &limits) {
            Ok((lanes, jobs)) => (eye.lanes, eye.extra_used) = (lanes, jobs.saturating_sub(1)),
            Err(words) => eye.nothing = words,
        }
        Some(eye)
    }

    fn lanes(
        &self,
        capture: &Capture,
        beside: &[(&ExtraJob, &Capture)],
        limits: &Mask,
    ) -> Result<(Vec<LaneCauses>, usize), String> {
        let plan = &self.folder.file.plan;
        let by = Trained {
            held: matches!(plan.training.policy, TrainingPolicy::Held { .. }),
            shared_vref: lanes_a_device(plan, &self.setting.module, capture.eye).is_some(),
        };
        let gains = lane_gains(std::slice::from_ref(capture), limits, None)?;
        let of = |lane: &u16| gains.iter().find(|gain| gain.lane == *lane);
        let best: Vec<f64> =
            capture.lanes.iter().map(|lane| of(lane).map_or(f64::NAN, |gain| gain.best)).collect();
        let asked = worst(&gains, &capture.lanes);
        let base = self.model(&self.setting)?;
        let view = CaptureView::new(capture).map_err(|error| error.to_string())?;
        let mut models = vec![base];
        let mut views = vec![view];
        for (extra, capture) in beside {
            models.push(self.model(&extra.setting)?);
            views.push(CaptureView::new(capture).map_err(|error| error.to_string())?);
        }
        let jobs: Vec<CountedJob<'_>> =
            views.iter().zip(&models).map(|(view, model)| CountedJob { view, model }).collect();
        let library = library(&jobs, limits, &best, &asked)?;
        let mut lanes: Vec<LaneCauses> =
            asked.iter().filter_map(|lane| library.causes(&jobs, *lane, by)).collect();
        if let Some(options) = self.options {
            let measured = Measured {
                setting: &self.setting,
                training: self.training,
                eye: capture.eye,
                grid: capture.grid,
                ber_limit: views[0].ber_limit(),
                limits,
                by,
            };
            for lane in &mut lanes {
                let place = capture.lanes.iter().position(|known| *known == lane.lane);
                let Some(operating) = place.and_then(|place| capture.operating.get(place)) else { continue };
                lane.truth = truth::of_lane(options, &measured, lane.lane, *operating)
                    .map_err(|error| error.to_string())?;
            }
        }
        Ok((lanes, library.jobs()))
    }
}

/// Positions of the lanes to be looked into: the worst, and others that lag as far behind their neighbours.
fn worst(gains: &[LaneGain], lanes: &[u16]) -> Vec<usize> {
    let mut trained: Vec<(f64, usize)> = gains
        .iter()
        .filter_map(|gain| Some((gain.trained, lanes.iter().position(|lane| *lane == gain.lane)?)))
        .collect();
    trained.sort_by(|a, b| a.0.total_cmp(&b.0));
    let median = trained.get(trained.len() / 2).map_or(0.0, |(trained, _)| *trained);
    let behind =
        |(place, (box_now, _)): &(usize, &(f64, usize))| *place == 0 || *box_now < median - LEAST_GAIN;
    trained.iter().enumerate().filter(behind).take(LANES).map(|(_, (_, lane))| *lane).collect()
}

fn keep(dir: &Path, all: &[EyeCauses]) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(all)
        .map_err(|error| Failure::new(Exit::Store, format!("{}: {error}", dir.join(FILE).display())))?;
    Output::page(dir, FILE)?.put(&text)
}
