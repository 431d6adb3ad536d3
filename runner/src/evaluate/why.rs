//! Where the margin of some conditions went, from what is stored: lane by lane, and by factor.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::judging::JudgedFolder;
use crate::folder::eye_summaries::{CacheUse, SummarisedFolder, each_summary};
use crate::store::{StoreReader, hex};
use eye::shapes::Mask;
use judge::eye_summary::masks_for;
use judge::why::{EdgeMeans, EdgeShift, LaneGain, lane_gains, limit_box};
use nightbench_core::results::{Capture, Direction, EyeName, MOST_LANES};
use plan::expand::expand;
use plan::limits::Metric;
use plan::selection::Selection;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;

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
    // Only what the device can set is recoverable.
    let shared = plan.interface.generation.facts().shared_write_vref;
    let lanes_a_device = match eye.direction {
        Direction::Read => None,
        Direction::Write => shared.map(|shared| shared.lanes(judged.condition.module(plan).device_width)),
        // One reference for all command lines.
        Direction::Command => Some(MOST_LANES),
    };
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

/// Which factor moves which edge, over every condition of the run.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub fn by_factor(folder: &JudgedFolder, dir: &Path, reader: &StoreReader) -> Result<Vec<EdgeShift>, Failure> {
    let plan = &folder.file.plan;
    let expansion = expand(plan, &Selection::default());
    let summarised = SummarisedFolder {
        dir,
        reader,
        limits: &folder.facts.limits,
        plan,
        expansion: &expansion,
        cache_use: CacheUse::Look,
    };
    let mut means = EdgeMeans::default();
    each_summary(
        &summarised,
        |stored| folder.jobs.get(&stored.row.key).copied(),
        |_, job, summary| {
            let condition = &expansion.conditions[job.condition as usize];
            summary.captures.iter().flatten().for_each(|eye| means.add(condition, eye));
        },
    )?;
    Ok(means.shifts())
}
