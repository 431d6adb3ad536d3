//! What is true of the eyes that rows and columns read: of one start, and of a condition over many.

use crate::simulated::Crossings;
use nightbench_core::results::Grid;
use statistics::special::t_quantile;

/// The least true width and height over the lanes of one start, ps and mV.
pub fn true_worst(lanes: &[Crossings], grid: &Grid) -> Option<[f64; 2]> {
    let mut worst = [f64::INFINITY; 2];
    for lane in lanes {
        let value = values(lane, grid)?;
        worst = [worst[0].min(value[0]), worst[1].min(value[1])];
    }
    Some(worst)
}

/// Width and height of a lane, ps and mV.
pub fn values([early, late, lower, upper]: &Crossings, grid: &Grid) -> Option<[f64; 2]> {
    Some([((*early)? + (*late)?) * grid.tap_step.0, ((*lower)? + (*upper)?) * grid.vref_step.0])
}

/// What is true of a metric at a condition: of each lane the mean over starts, of them the least; and between what bounds it lies for what so few
/// starts leave unsure (95 %, Student's).
#[derive(Clone, Copy)]
pub struct Truth {
    pub least: f64,
    pub bounds: [f64; 2],
}

/// Of width and height.
pub fn truths(starts: &[Vec<Crossings>], grid: &Grid) -> Option<[Truth; 2]> {
    let count = starts.len() as f64;
    let t = t_quantile(0.975, count - 1.0).ok()?;
    let mut found = [Truth { least: f64::INFINITY, bounds: [f64::INFINITY; 2] }; 2];
    for lane in 0..starts.first()?.len() {
        let all: Option<Vec<[f64; 2]>> = starts.iter().map(|start| values(start.get(lane)?, grid)).collect();
        let all = all?;
        for (metric, truth) in found.iter_mut().enumerate() {
            let mean = all.iter().map(|one| one[metric]).sum::<f64>() / count;
            let squares: f64 = all.iter().map(|one| (one[metric] - mean).powi(2)).sum();
            let unsure = t * (squares / (count - 1.0) / count).sqrt();
            truth.least = truth.least.min(mean);
            truth.bounds = [truth.bounds[0].min(mean - unsure), truth.bounds[1].min(mean + unsure)];
        }
    }
    Some(found)
}
