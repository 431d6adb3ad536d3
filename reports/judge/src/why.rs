//! Where the margin went: what each lane would gain at a better sampling point, and which factor moves which edge.

use crate::eye_summary::EyeSummary;
use eye::best_point::best_points;
use eye::counts::CaptureView;
use eye::edges::Side;
use eye::shapes::{Mask, MaskShape};
use nightbench_core::results::{Capture, EyeName};
use nightbench_core::units::{Millivolts, Picoseconds};
use plan::expand::Condition;
use plan::matrix::{FACTORS, Factor};
use serde::{Deserialize, Serialize};
use statistics::special::t_quantile;
use std::collections::BTreeMap;

/// A single capture's counts say less about a best point than their own scatter: what is chosen as best is partly so by
/// chance. Found by counting (`cargo bench -p runner --bench audit -- only gain`).
const CHOSEN: f64 = 3.0;

/// What one lane of one eye would gain by being sampled elsewhere. Sizes are those of the limit box: 1 is as wide and as high
/// as the limits ask.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LaneGain {
    /// Lane number (DQ).
    pub lane: u16,
    /// The box about the trained point.
    pub trained: f64,
    /// The box about the best point.
    pub best: f64,
    /// Expanded uncertainty of their difference (95 %).
    pub expanded_uncertainty: f64,
    /// The same of each box.
    #[serde(default)]
    pub box_expanded_uncertainty: [f64; 2],
    /// From the trained point to the best one, taps; later is positive.
    pub taps: f64,
    /// The same, Vref steps; upwards is positive.
    pub vref_steps: f64,
    /// The edge that the box about the trained point meets; `None` where that point fails.
    pub bound_by: Option<Side>,
    /// Jobs behind it.
    pub jobs: usize,
}

impl LaneGain {
    /// What is recoverable, limit boxes.
    pub fn gain(&self) -> f64 {
        self.best - self.trained
    }

    /// The edge in the way, in words.
    pub fn bound_words(&self) -> String {
        self.bound_by
            .map_or_else(|| "trained point, which fails".into(), |side| format!("{} edge", side.name()))
    }

    /// Where the best point lies from the trained one, in words.
    pub fn best_point_words(&self) -> String {
        let part = |by: f64, unit: &str, words: [&str; 2]| {
            (by.abs() >= 0.05).then(|| format!("{:.1} {unit} {}", by.abs(), words[usize::from(by > 0.0)]))
        };
        let parts = [
            part(self.taps, "taps", ["earlier", "later"]),
            part(self.vref_steps, "steps", ["lower", "higher"]),
        ];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        if parts.is_empty() { "where it is".into() } else { parts.join(", ") }
    }

    /// Is the gain more than chance?
    pub fn is_certain(&self) -> bool {
        self.gain() > self.expanded_uncertainty
    }
}

/// The box that limits of width (ps) and height (mV) span.
pub fn limit_box(width_ps: f64, height_mv: f64) -> Mask {
    Mask {
        shape: MaskShape::Rectangle,
        half_width: Picoseconds(width_ps / 2.0),
        half_height: Millivolts(height_mv / 2.0),
    }
}

/// Gains of every lane of an eye over the jobs of a condition. `limits` is the box or mask at scale 1;
/// `lanes_a_device` where the lanes of a device share one Vref.
///
/// # Errors
/// Limits without a size, or counts that contradict themselves, in words.
pub fn lane_gains(
    captures: &[Capture],
    limits: &Mask,
    lanes_a_device: Option<u16>,
) -> Result<Vec<LaneGain>, String> {
    if !limits.is_valid() {
        return Err("the limits span no box".into());
    }
    let half = (limits.half_width.0, limits.half_height.0);
    let mut lanes: BTreeMap<u16, Vec<(LaneGain, [f64; 2])>> = BTreeMap::new();
    for capture in captures {
        let view = CaptureView::new(capture).map_err(|error| error.to_string())?;
        for found in best_points(&view, limits, lanes_a_device) {
            let (at, lane) = (capture.operating[found.lane], capture.lanes[found.lane]);
            let grid = &capture.grid;
            let bound_by = found.trained.binding.map(|rim| {
                let x = (f64::from(rim.tap) - f64::from(at.tap)) * grid.tap_step.0 / half.0;
                let y = (f64::from(rim.vref) - f64::from(at.vref)) * grid.vref_step.0 / half.1;
                match (x.abs() >= y.abs(), x < 0.0, y < 0.0) {
                    (true, true, _) => Side::Early,
                    (true, false, _) => Side::Late,
                    (false, _, true) => Side::Lower,
                    (false, _, false) => Side::Upper,
                }
            });
            let gain = LaneGain {
                lane,
                trained: found.trained.scale,
                best: found.best.scale,
                expanded_uncertainty: 0.0,
                box_expanded_uncertainty: [0.0; 2],
                taps: f64::from(found.point.tap) - f64::from(at.tap),
                vref_steps: f64::from(found.point.vref) - f64::from(at.vref),
                bound_by,
                jobs: 1,
            };
            lanes.entry(lane).or_default().push((gain, [found.trained.u, found.best.u]));
        }
    }
    Ok(lanes.into_values().filter_map(|jobs| mean(&jobs)).collect())
}

/// The mean over jobs, each with the standard uncertainties of its two boxes from counting.
fn mean(jobs: &[(LaneGain, [f64; 2])]) -> Option<LaneGain> {
    let count = jobs.len() as f64;
    let of = |value: fn(&LaneGain) -> f64| jobs.iter().map(|(gain, _)| value(gain)).sum::<f64>() / count;
    let mut gain = jobs.first()?.0;
    gain.trained = of(|gain| gain.trained);
    gain.best = of(|gain| gain.best);
    gain.taps = of(|gain| gain.taps);
    gain.vref_steps = of(|gain| gain.vref_steps);
    gain.jobs = jobs.len();
    // The job whose trained point is worst says which edge is in the way.
    gain.bound_by = jobs.iter().min_by(|a, b| a.0.trained.total_cmp(&b.0.trained))?.0.bound_by;
    let expanded = |value: fn(&LaneGain) -> f64, u: fn(&[f64; 2]) -> f64| {
        let mean = of(value);
        let counted = 2.0 * CHOSEN * (jobs.iter().map(|(_, one)| u(one).powi(2)).sum::<f64>()).sqrt() / count;
        let between = match jobs.len() {
            1 => 0.0,
            _ => {
                let squares = jobs.iter().map(|(one, _)| (value(one) - mean).powi(2)).sum::<f64>();
                let spread = (squares / (count - 1.0) / count).sqrt();
                t_quantile(0.975, count - 1.0).unwrap_or(f64::INFINITY) * spread
            }
        };
        counted.max(between)
    };
    gain.expanded_uncertainty = expanded(LaneGain::gain, |[trained, best]| trained.hypot(*best));
    gain.box_expanded_uncertainty =
        [expanded(|gain| gain.trained, |u| u[0]), expanded(|gain| gain.best, |u| u[1])];
    Some(gain)
}

/// How far a factor moves the edges of the eyes as seen from their operating points, between two of its levels that follow
/// each other, everything else alike.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EdgeShift {
    #[serde(skip)]
    pub factor: Factor,
    /// From this level ...
    pub from: usize,
    /// ... to this one.
    pub to: usize,
    pub eye: EyeName,
    /// Pairs of conditions that differ in nothing else.
    pub pairs: usize,
    /// Change of the mean lane's reach to the early, late, lower and upper edge, ps and mV; negative is lost margin.
    pub change: [f64; 4],
    /// Expanded uncertainty of each (95 %, from the scatter between pairs); `None` with a single pair.
    pub expanded_uncertainty: Option<[f64; 4]>,
}

/// Mean reaches of the eyes of each condition, to be compared.
#[derive(Debug, Default)]
pub struct EdgeMeans {
    eyes: BTreeMap<(EyeName, [u16; FACTORS]), ([f64; 4], f64)>,
}

impl EdgeMeans {
    /// Takes one job's eye of a condition.
    pub fn add(&mut self, condition: &Condition, eye: &EyeSummary) {
        let lanes = eye.edges.len() as f64;
        if lanes == 0.0 {
            return;
        }
        let step = [eye.grid.tap_step.0, eye.grid.tap_step.0, eye.grid.vref_step.0, eye.grid.vref_step.0];
        let (sum, jobs) = self.eyes.entry((eye.eye, condition.levels)).or_insert(([0.0; 4], 0.0));
        for side in 0..4 {
            let mean = eye.edges.iter().map(|lane| f64::from(lane.reach[side])).sum::<f64>() / lanes;
            sum[side] += mean * step[side];
        }
        *jobs += 1.0;
    }

    /// Changes between neighbouring levels of every factor that varies, in the order of factors and levels.
    pub fn shifts(&self) -> Vec<EdgeShift> {
        let mut shifts = Vec::new();
        let mut eyes: Vec<EyeName> = self.eyes.keys().map(|(eye, _)| *eye).collect();
        eyes.dedup();
        for (_, factor) in Factor::ALL {
            let place = factor as usize;
            let mut levels: Vec<u16> = self.eyes.keys().map(|(_, levels)| levels[place]).collect();
            levels.sort_unstable();
            levels.dedup();
            for pair in levels.windows(2) {
                for eye in &eyes {
                    shifts.extend(self.shift(factor, (pair[0], pair[1]), *eye));
                }
            }
        }
        shifts
    }

    fn shift(&self, factor: Factor, (from, to): (u16, u16), eye: EyeName) -> Option<EdgeShift> {
        let place = factor as usize;
        let mean = |(sum, jobs): &([f64; 4], f64)| sum.map(|sum| sum / jobs);
        let mut changes: Vec<[f64; 4]> = Vec::new();
        for ((name, levels), before) in &self.eyes {
            if *name != eye || levels[place] != from {
                continue;
            }
            let mut other = *levels;
            other[place] = to;
            if let Some(after) = self.eyes.get(&(eye, other)) {
                let (before, after) = (mean(before), mean(after));
                changes.push(std::array::from_fn(|side| after[side] - before[side]));
            }
        }
        let pairs = changes.len();
        let count = pairs as f64;
        let change: [f64; 4] =
            std::array::from_fn(|side| changes.iter().map(|change| change[side]).sum::<f64>() / count);
        let expanded_uncertainty = (pairs > 1).then(|| {
            let t = t_quantile(0.975, count - 1.0).unwrap_or(f64::INFINITY);
            std::array::from_fn(|side| {
                let squares = changes.iter().map(|one| (one[side] - change[side]).powi(2)).sum::<f64>();
                t * (squares / (count - 1.0) / count).sqrt()
            })
        });
        (pairs > 0).then_some(EdgeShift {
            factor,
            from: from.into(),
            to: to.into(),
            eye,
            pairs,
            change,
            expanded_uncertainty,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gain(trained: f64, best: f64) -> LaneGain {
        LaneGain {
            lane: 3,
            trained,
            best,
            expanded_uncertainty: 0.0,
            box_expanded_uncertainty: [0.0; 2],
            taps: 2.0,
            vref_steps: -1.0,
            bound_by: Some(Side::Late),
            jobs: 1,
        }
    }

    /// Mean, and the half width of Student's interval, by hand: gains 0.2, 0.3, 0.4 have s = 0.1, t(2; 0.975) = 4.303.
    #[test]
    fn jobs_are_averaged_with_students_interval() {
        let jobs = [1.2, 1.3, 1.4].map(|best| (gain(1.0, best), [0.0, 0.001]));
        let mean = mean(&jobs).expect("three jobs");
        assert!((mean.gain() - 0.3).abs() < 1e-12);
        assert!((mean.expanded_uncertainty - 4.3027 * 0.1 / 3f64.sqrt()).abs() < 1e-4, "{mean:?}");
        assert!(mean.is_certain());
        let single = super::mean(&jobs[..1]).expect("one job");
        assert!((single.expanded_uncertainty - 0.006).abs() < 1e-12);
        // The trained box is 1.0 in all three; the best one scatters as the gain does.
        assert_eq!(mean.box_expanded_uncertainty, [0.0, mean.expanded_uncertainty]);
    }
}
