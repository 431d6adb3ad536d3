//! Where the margin of some conditions went, from what is stored: lane by lane, and by factor.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::judging::JudgedFolder;
use crate::store::{StoreReader, hex};
use eye::shapes::Mask;
use judge::eye_summary::masks_for;
use judge::why::{LaneGain, lane_gains, limit_box};
use nightbench_core::devices::Module;
use nightbench_core::results::{Capture, Direction, EyeName, MOST_LANES};
use plan::Plan;
use plan::limits::Metric;
use plan::selection::Selection;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// One eye of a condition.
pub struct EyeWhy {
    pub eye: EyeName,
    /// Worst lane first.
    pub lanes: Vec<LaneGain>,
    /// Lanes of a device share one Vref.
    pub shared_vref: bool,
    /// Why nothing can be said, in words; empty where something can.
    pub nothing: String,
}

/// One condition.
pub struct ConditionWhy {
    /// Its index in the judged run.
    pub index: usize,
    pub eyes: Vec<EyeWhy>,
}

/// Conditions with a margin, by index, worst first; what counts comes before what lies beyond a rating.
pub fn worst_first(folder: &JudgedFolder, selection: &Selection) -> Vec<usize> {
    let conditions = &folder.run.conditions;
    let mut chosen: Vec<usize> = (0..conditions.len())
        .filter(|index| {
            selection.contains(&conditions[*index].condition) && conditions[*index].worst().is_some()
        })
        .collect();
    let aside = |index: usize| conditions[index].beyond_rating && !folder.run.beyond_rating_counts;
    chosen.sort_by(|a, b| {
        aside(*a).cmp(&aside(*b)).then(match (conditions[*a].worst(), conditions[*b].worst()) {
            (Some(one), Some(other)) => one.compare_worst(other),
            _ => std::cmp::Ordering::Equal,
        })
    });
    chosen
}

/// Lane by lane, for conditions by index.
///
/// # Errors
/// Exit 74: the store cannot be read, or holds counts that contradict themselves.
pub fn conditions(
    folder: &JudgedFolder,
    reader: &StoreReader,
    wanted: &[usize],
) -> Result<Vec<ConditionWhy>, Failure> {
    wanted.iter().map(|index| condition(folder, reader, *index)).collect()
}

fn condition(folder: &JudgedFolder, reader: &StoreReader, index: usize) -> Result<ConditionWhy, Failure> {
    let mut keys: Vec<&[u8; 32]> =
        folder.jobs.iter().filter(|(_, job)| job.condition as usize == index).map(|(key, _)| key).collect();
    keys.sort_unstable();
    let mut by_eye: BTreeMap<EyeName, Vec<Capture>> = BTreeMap::new();
    for key in keys {
        let Some(stored) = reader.job(key)? else { continue };
        let damaged = |words: String| {
            Failure::new(Exit::Store, format!("job {} in the store is damaged: {words}", hex(key)))
        };
        for capture in reader.counts(&stored)?.captures().map_err(damaged)? {
            by_eye.entry(capture.eye).or_default().push(capture);
        }
    }
    let eyes: Vec<(EyeName, Vec<Capture>)> = by_eye.into_iter().collect();
    let eyes = eyes.into_par_iter().map(|(eye, captures)| eye_why(folder, index, eye, &captures)).collect();
    Ok(ConditionWhy { index, eyes })
}

fn eye_why(folder: &JudgedFolder, index: usize, eye: EyeName, captures: &[Capture]) -> EyeWhy {
    let plan = &folder.file.plan;
    let judged = &folder.run.conditions[index];
    let lanes_a_device = lanes_a_device(plan, judged.condition.module(plan), eye);
    let shared_vref = lanes_a_device.is_some();
    let nothing = |words: &str| EyeWhy { eye, lanes: Vec::new(), shared_vref, nothing: words.into() };
    let Some(limits) = limits_of(folder, index, eye, captures) else {
        return nothing(
            "no width and height, and no mask, is judged of this eye: there is no box to be enlarged",
        );
    };
    match lane_gains(captures, &limits, lanes_a_device) {
        Ok(mut lanes) => {
            lanes.sort_by(|a, b| a.trained.total_cmp(&b.trained));
            EyeWhy { eye, lanes, shared_vref, nothing: String::new() }
        }
        Err(words) => nothing(&words),
    }
}

/// Lanes that share one Vref; `None` where each has its own. Only what the device can set is recoverable.
pub(super) fn lanes_a_device(plan: &Plan, module: &Module, eye: EyeName) -> Option<u16> {
    let shared = plan.interface.generation.facts().shared_write_vref;
    match eye.direction {
        Direction::Read => None,
        Direction::Write => shared.map(|shared| shared.lanes(module.device_width)),
        // One reference for all command lines.
        Direction::Command => Some(MOST_LANES),
    }
}

/// The box of width and height where both are judged, else the mask.
pub(super) fn limits_of(
    folder: &JudgedFolder,
    index: usize,
    eye: EyeName,
    captures: &[Capture],
) -> Option<Mask> {
    let judged = &folder.run.conditions[index];
    let of = |metric: Metric| {
        let found = judged.metrics.iter().find(|known| known.eye == eye && known.metric == metric);
        found.map(|known| known.limit)
    };
    if let (Some(width), Some(height)) = (of(Metric::Width), of(Metric::Height)) {
        return Some(limit_box(width, height));
    }
    let grid = &captures.first()?.grid;
    let rate = judged.condition.rate(&folder.file.plan);
    masks_for(&folder.facts.limits, eye, grid, rate).into_iter().next()
}
