//! Pictures of a judged folder's eyes: their counts are read one after the other, and drawn on every core.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::judging::JudgedFolder;
use crate::store::{PackedCounts, StoreReader, hex};
use judge::judged::EyePicture;
use judge::{outline_picture, picture};
use nightbench_core::results::EyeName;
use plan::keys::short_key;
use plan::limits::Metric;
use rayon::prelude::*;

/// How much of an eye is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// Error classes of every point, outlines and the table of details.
    Whole,
    /// The outlines of worst lane and all lanes.
    Outline,
}

/// An eye with what is known of it before its counts are unpacked.
struct Order {
    index: usize,
    eye: EyeName,
    depth: Depth,
    key: [u8; 32],
    counts: PackedCounts,
}

/// Draws eyes of conditions (index), in the order given; those that were not captured are left out.
///
/// # Errors
/// Exit 74: the store cannot be read, or holds counts that contradict themselves.
pub fn draw(
    folder: &JudgedFolder,
    reader: &StoreReader,
    wanted: impl IntoIterator<Item = (usize, EyeName, Depth)>,
) -> Result<Vec<(usize, EyePicture)>, Failure> {
    let mut orders = Vec::new();
    for (index, eye, depth) in wanted {
        let Some(key) = folder.first_key(index) else { continue };
        let Some(stored) = reader.job(&key)? else { continue };
        let counts = reader.counts(&stored)?;
        orders.push(Order { index, eye, depth, key, counts });
    }
    let drawn: Vec<Option<EyePicture>> =
        orders.par_iter().map(|order| draw_one(folder, order)).collect::<Result<_, _>>()?;
    Ok(orders.iter().zip(drawn).filter_map(|(order, picture)| Some((order.index, picture?))).collect())
}

/// The first eye of a job as a picture, with the index of its condition; `None` where it captured none.
///
/// # Errors
/// As [`draw`].
pub fn of_job(
    folder: &JudgedFolder,
    reader: &StoreReader,
    key: &[u8; 32],
) -> Result<Option<(usize, EyePicture)>, Failure> {
    let (Some(job), Some(stored)) = (folder.jobs.get(key), reader.job(key)?) else { return Ok(None) };
    let (index, counts) = (job.condition as usize, reader.counts(&stored)?);
    let Some(eye) = counts.first_eye() else { return Ok(None) };
    let order = Order { index, eye, depth: Depth::Whole, key: *key, counts };
    Ok(draw_one(folder, &order)?.map(|picture| (index, picture)))
}

fn draw_one(folder: &JudgedFolder, order: &Order) -> Result<Option<EyePicture>, Failure> {
    let damaged = |words: String| {
        Failure::new(Exit::Store, format!("job {} in the store is damaged: {words}", hex(&order.key)))
    };
    let judged = &folder.run.conditions[order.index];
    let metrics = &judged.metrics;
    let captures = order.counts.captures().map_err(damaged)?;
    let Some(capture) = captures.into_iter().find(|capture| capture.eye == order.eye) else {
        return Ok(None);
    };
    let lane = judged.worst_lane(order.eye).or_else(|| capture.lanes.first().copied()).unwrap_or(0);
    let drawn = match order.depth {
        Depth::Outline => outline_picture(&capture, lane),
        Depth::Whole => {
            let half_limit = |metric: Metric| {
                let found = metrics.iter().find(|known| known.eye == order.eye && known.metric == metric);
                found.map(|known| known.limit / 2.0)
            };
            picture(&capture, lane, half_limit(Metric::Width).zip(half_limit(Metric::Height)))
        }
    };
    let drawn = drawn.map_err(|error| damaged(error.to_string()))?;
    Ok(Some(EyePicture { job: short_key(&order.key), ..drawn }))
}
