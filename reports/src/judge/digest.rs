//! What judging needs of one job's captures and trainings, computed once from the counts: every lane's reach to its
//! four edges, scaled masks, and what each training stage showed.
//!
//! A digest depends on nothing but one job: it may be computed on any thread and kept as a cache
//! ([`DIGEST_VERSION`] changes whenever the same counts would give another digest).

use crate::eye::counts::CaptureView;
use crate::eye::edges::EdgeMethod;
use crate::eye::metrics::{Wanted, lane_metrics};
use crate::eye::shapes::{Mask, MaskShape};
use crate::eye::value::EyeState;
use plans::plan::judge::{Limit, Metric};
use plans::plan::text::lane_list;
use plans::rates::DataRate;
use plans::results::{Capture, EyeName, Grid, TrainingResult};
use plans::units::{Millivolts, Picoseconds};
use serde::{Deserialize, Serialize};

/// Version of the digest: part of a cache's header.
pub const DIGEST_VERSION: u32 = 1;

const STEPWISE: u16 = 1 << 4;
const CLOSED: u16 = 1 << 8;
const OFF_CENTRE: u16 = 1 << 9;

/// Parts of a grid step that uncertainties are kept in: four of them in a lane, and lanes by the million.
const U_PARTS: f32 = 1024.0;

/// A standard uncertainty in grid steps as it is kept: rounded up to a part of 1024, at most 63 steps.
pub fn packed_u(steps: f32) -> u16 {
    (steps * U_PARTS).ceil() as u16
}

/// One lane: reach from the operating point to the left, right, lower and upper edge, in taps and Vref steps.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct LaneDigest {
    /// Reach.
    pub reach: [f32; 4],
    /// Its standard uncertainty from counting or from the step, as [`packed_u`].
    pub u: [u16; 4],
    /// Bits 0-3: that side ends on the grid's border; bits 4-7: known to a step only; 8: the operating point fails;
    /// 9: although an eye exists elsewhere.
    pub flags: u16,
}

/// A mask scaled in every lane.
#[derive(Debug, Clone, PartialEq)]
pub struct MaskDigest {
    /// The mask at scale 1.
    pub mask: Mask,
    /// Scale, standard uncertainty and "at least" of each lane.
    pub lanes: Vec<(f32, f32, bool)>,
}

/// One captured eye.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureDigest {
    /// Which eye.
    pub eye: EyeName,
    /// Its axes.
    pub grid: Grid,
    /// The captured lanes' numbers.
    pub lanes: Vec<u16>,
    /// Each lane.
    pub edges: Vec<LaneDigest>,
    /// Masks.
    pub masks: Vec<MaskDigest>,
}

/// A lane's value of one metric, in ps or mV.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LaneReading {
    /// Value.
    pub value: f64,
    /// Variance from counting errors at edges that were fitted.
    pub sampling: f64,
    /// Variance of edges that are known to a grid step only.
    pub step: f64,
    /// A lower bound.
    pub at_least: bool,
    /// The operating point fails.
    pub closed: bool,
    /// The operating point fails although an eye exists elsewhere.
    pub off_centre: bool,
}

/// The mask a limit asks for; `None` for other metrics.
pub fn mask_of(limit: &Limit, grid: &Grid) -> Option<Mask> {
    let size = limit.mask?;
    let width = limit.in_base_unit(grid.ui, grid.tap_step, grid.vddq, grid.vref_step);
    Some(Mask {
        shape: if size.flat >= 1.0 { MaskShape::Rectangle } else { MaskShape::Hexagon { flat: size.flat } },
        half_width: Picoseconds(0.5 * width),
        half_height: Millivolts(0.5 * size.height_mv),
    })
}

/// Every mask that some limits ask for at a capture's rate and direction, each once.
pub fn masks_for<'l>(
    limits: impl IntoIterator<Item = &'l Limit>,
    eye: EyeName,
    grid: &Grid,
    rate: DataRate,
) -> Vec<Mask> {
    let mut masks = Vec::new();
    for limit in limits {
        if limit.applies(eye.direction, rate)
            && let Some(mask) = mask_of(limit, grid)
            && !masks.contains(&mask)
        {
            masks.push(mask);
        }
    }
    masks
}

/// Computes the digest of a capture.
///
/// # Errors
/// Counts that contradict themselves, in words.
pub fn digest(capture: &Capture, masks: &[Mask]) -> Result<CaptureDigest, String> {
    let view =
        CaptureView::new(capture).map_err(|error| format!("stored counts contradict themselves: {error}"))?;
    let wanted = Wanted { masks: masks.to_vec(), ..Wanted::margins() };
    let lanes = lane_metrics(&view, &wanted);
    let mut scaled: Vec<MaskDigest> = masks
        .iter()
        .filter(|mask| mask.is_valid())
        .map(|mask| MaskDigest { mask: *mask, lanes: Vec::with_capacity(lanes.len()) })
        .collect();
    let mut edges = Vec::with_capacity(lanes.len());
    for lane in &lanes {
        let mut digest = LaneDigest::default();
        for (side, reach) in lane.reach.iter().enumerate() {
            digest.reach[side] = reach.sub_tap as f32;
            digest.u[side] = packed_u(reach.u as f32);
            digest.flags |= u16::from(reach.at_least()) << side;
            if matches!(reach.method, EdgeMethod::Interval | EdgeMethod::Inferred) {
                digest.flags |= STEPWISE << side;
            }
        }
        match lane.state {
            EyeState::Open => {}
            EyeState::Closed => digest.flags |= CLOSED,
            EyeState::OffCentre => digest.flags |= CLOSED | OFF_CENTRE,
        }
        edges.push(digest);
        for (mask, fit) in scaled.iter_mut().zip(&lane.masks) {
            mask.lanes.push((fit.scale as f32, fit.u as f32, fit.at_least));
        }
    }
    Ok(CaptureDigest {
        eye: capture.eye,
        grid: capture.grid,
        lanes: capture.lanes.clone(),
        edges,
        masks: scaled,
    })
}

impl CaptureDigest {
    /// A lane's value of a metric (`mask` says which mask); `None` where it was not digested.
    pub fn reading(&self, lane: usize, metric: Metric, mask: Option<&Mask>) -> Option<LaneReading> {
        let edges = self.edges.get(lane)?;
        let (closed, off_centre) = (edges.flags & CLOSED != 0, edges.flags & OFF_CENTRE != 0);
        if metric == Metric::Mask {
            let scaled = self.masks.iter().find(|known| Some(&known.mask) == mask)?;
            let (scale, u, at_least) = *scaled.lanes.get(lane)?;
            let width = 2.0 * scaled.mask.half_width.0;
            let u = f64::from(u) * width;
            return Some(LaneReading {
                value: f64::from(scale) * width,
                sampling: if closed { 0.0 } else { u * u },
                step: if closed { u * u } else { 0.0 },
                at_least,
                closed,
                off_centre,
            });
        }
        let sides: &[usize] = match metric {
            Metric::Width => &[0, 1],
            Metric::Height => &[2, 3],
            Metric::LeftMargin => &[0],
            Metric::RightMargin => &[1],
            Metric::DownMargin => &[2],
            Metric::UpMargin | Metric::Mask => &[3],
        };
        let unit = if metric.is_time() { self.grid.tap_step.0 } else { self.grid.vref_step.0 };
        let mut reading =
            LaneReading { value: 0.0, sampling: 0.0, step: 0.0, at_least: false, closed, off_centre };
        for side in sides {
            reading.value += f64::from(edges.reach[*side]) * unit;
            let u = f64::from(f32::from(edges.u[*side]) / U_PARTS) * unit;
            if edges.flags & (STEPWISE << side) != 0 {
                reading.step += u * u;
            } else {
                reading.sampling += u * u;
            }
            reading.at_least |= edges.flags & (1 << side) != 0;
        }
        Some(reading)
    }

    /// Does the digest hold exactly these masks?
    pub fn holds(&self, masks: &[Mask]) -> bool {
        masks
            .iter()
            .filter(|mask| mask.is_valid())
            .all(|mask| self.masks.iter().any(|known| known.mask == *mask))
    }
}

/// What one stage of a training attempt showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageDigest {
    /// Stage name.
    pub name: String,
    /// A lane ended at the stop of its range.
    pub end_stop: bool,
    /// Narrowest pass window, taps.
    pub narrowest_taps: Option<f64>,
    /// Lowest pass window, Vref steps.
    pub lowest_steps: Option<f64>,
    /// Lanes that failed, as ranges, and likely causes; `None` where the stage passed.
    pub failed: Option<(String, Vec<String>)>,
}

/// The stages of a training attempt.
pub fn training_digest(training: &TrainingResult) -> Vec<StageDigest> {
    let least = |known: Option<f64>, seen: Option<f64>| match (known, seen) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    let stages = training.stages.iter();
    stages
        .map(|stage| StageDigest {
            name: stage.name.clone(),
            end_stop: stage.lanes.iter().any(|lane| lane.end_stop),
            narrowest_taps: stage.lanes.iter().fold(None, |known, lane| least(known, lane.width_taps)),
            lowest_steps: stage.lanes.iter().fold(None, |known, lane| least(known, lane.height_steps)),
            failed: (!stage.passed()).then(|| (lane_list(stage.failed_lanes()), stage.causes.clone())),
        })
        .collect()
}

/// Everything judged of one job that comes from its captures and trainings.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct JobDigest {
    /// Stages of each training attempt.
    pub trainings: Vec<Vec<StageDigest>>,
    /// Each captured eye, or what is wrong with its counts.
    pub captures: Vec<Result<CaptureDigest, String>>,
}

impl JobDigest {
    /// Of trainings and captures; `masks` names the masks of a capture.
    pub fn of(
        trainings: &[TrainingResult],
        captures: &[Capture],
        masks: impl Fn(&Capture) -> Vec<Mask>,
    ) -> JobDigest {
        JobDigest {
            trainings: trainings.iter().map(training_digest).collect(),
            captures: captures.iter().map(|capture| digest(capture, &masks(capture))).collect(),
        }
    }
}

#[derive(Serialize, Deserialize)]
struct Header {
    trainings: Vec<Vec<StageDigest>>,
    captures: Vec<Result<CaptureHeader, String>>,
}

#[derive(Serialize, Deserialize)]
struct CaptureHeader {
    eye: EyeName,
    grid: Grid,
    lanes: Vec<u16>,
    masks: Vec<Mask>,
}

impl JobDigest {
    /// As bytes for a cache: a JSON header with its length before it, then the lanes' numbers, little-endian.
    pub fn to_bytes(&self) -> Vec<u8> {
        let header = Header {
            trainings: self.trainings.clone(),
            captures: self
                .captures
                .iter()
                .map(|capture| {
                    capture.as_ref().map_err(Clone::clone).map(|capture| CaptureHeader {
                        eye: capture.eye,
                        grid: capture.grid,
                        lanes: capture.lanes.clone(),
                        masks: capture.masks.iter().map(|mask| mask.mask).collect(),
                    })
                })
                .collect(),
        };
        let header = serde_json::to_vec(&header).unwrap_or_default();
        let mut bytes = (header.len() as u32).to_le_bytes().to_vec();
        bytes.extend(header);
        for capture in self.captures.iter().flatten() {
            for lane in &capture.edges {
                lane.reach.iter().for_each(|number| bytes.extend(number.to_le_bytes()));
                lane.u.iter().for_each(|number| bytes.extend(number.to_le_bytes()));
                bytes.extend(lane.flags.to_le_bytes());
            }
            for (scale, u, at_least) in capture.masks.iter().flat_map(|mask| &mask.lanes) {
                bytes.extend(scale.to_le_bytes());
                bytes.extend(u.to_le_bytes());
                bytes.push(u8::from(*at_least));
            }
        }
        bytes
    }

    /// From such bytes; `None` where they are no digest.
    pub fn from_bytes(bytes: &[u8]) -> Option<JobDigest> {
        let mut rest = Bytes(bytes);
        let length = u32::from_le_bytes(rest.take()?) as usize;
        let (header, numbers) = rest.0.split_at_checked(length)?;
        let header: Header = serde_json::from_slice(header).ok()?;
        let mut rest = Bytes(numbers);
        let mut captures = Vec::with_capacity(header.captures.len());
        for capture in header.captures {
            let head = match capture {
                Ok(head) => head,
                Err(words) => {
                    captures.push(Err(words));
                    continue;
                }
            };
            let mut edges = Vec::with_capacity(head.lanes.len());
            for _ in &head.lanes {
                let mut lane = LaneDigest::default();
                for number in &mut lane.reach {
                    *number = f32::from_le_bytes(rest.take()?);
                }
                for number in &mut lane.u {
                    *number = u16::from_le_bytes(rest.take()?);
                }
                lane.flags = u16::from_le_bytes(rest.take()?);
                edges.push(lane);
            }
            let mut masks = Vec::with_capacity(head.masks.len());
            for mask in head.masks {
                let mut lanes = Vec::with_capacity(head.lanes.len());
                for _ in &head.lanes {
                    let scale = f32::from_le_bytes(rest.take()?);
                    let u = f32::from_le_bytes(rest.take()?);
                    let [at_least] = rest.take::<1>()?;
                    lanes.push((scale, u, at_least != 0));
                }
                masks.push(MaskDigest { mask, lanes });
            }
            captures.push(Ok(CaptureDigest {
                eye: head.eye,
                grid: head.grid,
                lanes: head.lanes,
                edges,
                masks,
            }));
        }
        rest.0.is_empty().then_some(JobDigest { trainings: header.trainings, captures })
    }
}

struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (first, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*first)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::eye::cases::capture;
    use plans::point_rule::PointRule;

    #[test]
    fn a_digest_survives_its_bytes_and_nothing_else_is_taken_for_one() {
        let mut capture = capture(20, 16, 3, PointRule::error_free(1e-3, 0.95));
        capture.eye.sub_channel = Some(1);
        let mask =
            Mask { shape: MaskShape::Rectangle, half_width: Picoseconds(5.0), half_height: Millivolts(4.0) };
        let digest = JobDigest {
            trainings: vec![vec![StageDigest {
                name: "write levelling".into(),
                end_stop: true,
                narrowest_taps: Some(3.25),
                lowest_steps: None,
                failed: Some(("0-3".into(), vec!["a broken strobe".into()])),
            }]],
            captures: vec![digest(&capture, &[mask]), Err("contradiction".into())],
        };
        let bytes = digest.to_bytes();
        assert_eq!(JobDigest::from_bytes(&bytes).as_ref(), Some(&digest));
        for length in 0..bytes.len() {
            assert_eq!(JobDigest::from_bytes(&bytes[..length]), None, "{length} bytes");
        }
        assert!(digest.captures[0].as_ref().unwrap().holds(&[mask]));
    }
}
