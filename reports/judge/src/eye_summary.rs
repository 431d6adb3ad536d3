//! What judging needs of one job's captures and trainings, computed once from the counts: every lane's reach to its
//! four edges, scaled masks, and what each training stage showed.
//!
//! A digest depends on nothing but one job: it may be computed on any thread and kept as a cache
//! ([`SUMMARY_VERSION`] changes whenever the same counts would give another digest).

use super::verge::{ONE_BESIDE, closes_elsewhere};
use eye::counts::CaptureView;
use eye::edges::EdgeMethod;
use eye::metrics::{Wanted, lane_metrics};
use eye::shapes::{Mask, MaskShape};
use eye::slopes::{MaskSlopes, Slopes, is_waist, slopes};
use eye::tap_size::span;
use eye::value::EyeState;
use eye::verge::{closed_in_doubt, on_the_verge};
use nightbench_core::rates::DataRate;
use nightbench_core::results::{Capture, CaptureMode, EyeName, Grid, TrainingResult, VisitKind};
use nightbench_core::text::lane_list;
use nightbench_core::units::{Millivolts, Picoseconds};
use plan::limits::{Limit, Metric};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Version of the digest: part of a cache's header.
pub const SUMMARY_VERSION: u32 = 9;

/// How far training lands from its middle, taps and Vref steps, as standard deviation (estimate: half a place; a run's
/// repeats or a study take over).
pub const TRAINING_SCATTER: f64 = 0.5;

const OFF_GRID: u16 = 0b1111;
const OFF_ROW: u16 = 0b11;
const STEPWISE: u16 = 1 << 4;
const CLOSED: u16 = 1 << 8;
const OFF_CENTRE: u16 = 1 << 9;
const ON_THE_VERGE: u16 = 1 << 10;
const IN_DOUBT: u16 = 1 << 11;

/// Parts of a grid step that uncertainties are kept in: four of them in a lane, and lanes by the million.
const U_PARTS: f32 = 1024.0;

/// A standard uncertainty in grid steps as it is kept: rounded up to a part of 1024, at most 63 steps.
pub fn packed_u(steps: f32) -> u16 {
    (steps * U_PARTS).ceil() as u16
}

/// Parts of a grid step that changes beside the operating point are kept in, and what stands for one that was not seen.
const BESIDE_PARTS: f32 = 256.0;
const UNSEEN: i16 = i16::MIN;

/// A change as it is kept: to a part of 256, at most 127 steps.
fn packed_change(steps: f32) -> i16 {
    if steps.is_nan() { UNSEEN } else { (steps * BESIDE_PARTS).round().clamp(-32_767.0, 32_767.0) as i16 }
}

/// One lane: reach from the operating point to the early, late, lower and upper edge, in taps and Vref steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LaneSummary {
    pub reach: [f32; 4],
    /// Its standard uncertainty from counting or from the step, as [`packed_u`].
    pub u: [u16; 4],
    /// Bits 0-3: that side ends on the grid's border; bits 4-7: known to a step only; 8: the operating point fails;
    /// 9: although an eye exists elsewhere; 10: although another start may pass ([`eye::verge`]); 11: on errors that do not show a ratio above the limit.
    pub flags: u16,
    /// How far each edge lies further out on the line before and after ([`eye::slopes::Beside`]), parts of 256 of a step.
    pub beside: [[i16; 2]; 4],
}

impl Default for LaneSummary {
    /// Of no reach, and nothing seen beside.
    fn default() -> LaneSummary {
        LaneSummary { reach: [0.0; 4], u: [0; 4], flags: 0, beside: [[UNSEEN; 2]; 4] }
    }
}

impl LaneSummary {
    /// Centre of the eye as seen from the operating point, taps and Vref steps; `None` for an eye that is closed there
    /// or runs off the grid on any side.
    pub fn centre(&self) -> Option<(f64, f64)> {
        let [early, late, lower, upper] = self.reach.map(f64::from);
        (self.flags & (OFF_GRID | CLOSED) == 0).then_some(((late - early) / 2.0, (upper - lower) / 2.0))
    }

    fn closes_elsewhere(&self) -> f64 {
        if self.flags & CLOSED == 0 { closes_elsewhere(&self.reach) } else { 0.0 }
    }

    /// Middle of the operating row from the operating point, taps, where both ends were seen.
    fn middle(&self) -> Option<f64> {
        let [early, late, ..] = self.reach.map(f64::from);
        (self.flags & (OFF_ROW | CLOSED) == 0).then_some((late - early) / 2.0)
    }
}

/// A mask scaled in every lane.
#[derive(Debug, Clone, PartialEq)]
pub struct MaskSummary {
    /// The mask at scale 1.
    pub mask: Mask,
    /// Scale, standard uncertainty and "at least" of each lane.
    pub lanes: Vec<(f32, f32, bool)>,
    /// Changes of the scale a tap and a Vref step.
    pub slopes: MaskSlopes,
}

/// One captured eye.
#[derive(Debug, Clone, PartialEq)]
pub struct EyeSummary {
    /// Which eye.
    pub eye: EyeName,
    /// How its points were chosen.
    pub mode: CaptureMode,
    /// Its axes.
    pub grid: Grid,
    /// The captured lanes' numbers; captures by the thousand share one list.
    pub lanes: Arc<[u16]>,
    /// Each lane.
    pub edges: Vec<LaneSummary>,
    pub masks: Vec<MaskSummary>,
    /// How much the lanes change beside their operating points.
    pub slopes: Slopes,
    /// Taps between the crossings of each lane's eye, and their standard uncertainty, where a sweep for the size of a tap saw
    /// both; empty without a sweep.
    pub spans: Vec<Option<(f32, f32)>>,
}

/// A lane's value of one metric, in ps or mV.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LaneReading {
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
    /// The operating point fails, but so narrowly that another start may pass.
    pub on_the_verge: bool,
    /// And so on errors that do not show a ratio above the limit: it may be open.
    pub in_doubt: bool,
    /// Mean square by which other starts differ that close the lane, as far as its nearest edge lets fear, or that lie where its row is cut
    /// at a waist, or is not.
    pub elsewhere: f64,
    /// How much more it is at the place before and the place after, ps or mV, where that was seen.
    pub beside: [Option<f64>; 2],
    /// The middle of the lane's eye from the operating point, taps, where both ends of its row were seen.
    pub off: Option<f64>,
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
pub fn digest(capture: &Capture, masks: &[Mask]) -> Result<EyeSummary, String> {
    let view =
        CaptureView::new(capture).map_err(|error| format!("stored counts contradict themselves: {error}"))?;
    // Rows and columns say nothing of a mask's corners.
    let masks = if capture.mode == CaptureMode::RowAndColumn { &[] } else { masks };
    let wanted = Wanted { masks: masks.to_vec(), ..Wanted::margins() };
    let lanes = lane_metrics(&view, &wanted);
    let mut scaled: Vec<MaskSummary> = masks
        .iter()
        .filter(|mask| mask.is_valid())
        .map(|mask| MaskSummary { mask: *mask, lanes: Vec::with_capacity(lanes.len()), slopes: (0.0, 0.0) })
        .collect();
    let valid: Vec<Mask> = scaled.iter().map(|mask| mask.mask).collect();
    let (beside, lanes_beside, masks_beside) = slopes(&view, &lanes, &valid);
    for (mask, slopes) in scaled.iter_mut().zip(masks_beside) {
        mask.slopes = slopes;
    }
    let mut edges = Vec::with_capacity(lanes.len());
    for (number, (lane, beside)) in lanes.iter().zip(lanes_beside).enumerate() {
        let beside = beside.map(|edge| edge.map(packed_change));
        let mut digest = LaneSummary { beside, ..LaneSummary::default() };
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
        if lane.state != EyeState::Open && on_the_verge(&view, number) {
            digest.flags |= ON_THE_VERGE;
            if closed_in_doubt(&view, number) {
                digest.flags |= IN_DOUBT;
            }
        }
        edges.push(digest);
        for (mask, fit) in scaled.iter_mut().zip(&lane.masks) {
            mask.lanes.push((fit.scale as f32, fit.u as f32, fit.at_least));
        }
    }
    Ok(EyeSummary {
        eye: capture.eye,
        mode: capture.mode,
        grid: capture.grid,
        lanes: capture.lanes.as_slice().into(),
        edges,
        masks: scaled,
        slopes: beside,
        spans: spans(capture),
    })
}

fn spans(capture: &Capture) -> Vec<Option<(f32, f32)>> {
    if !capture.visits.iter().any(|visit| visit.kind == VisitKind::Sweep) {
        return Vec::new();
    }
    let of = |lane| span(capture, lane).map(|span| (span.taps as f32, span.u as f32));
    (0..capture.lanes.len()).map(of).collect()
}

/// Sides that a metric adds up: the numbers of a [`LaneSummary`]'s edges.
fn sides(metric: Metric) -> &'static [usize] {
    match metric {
        Metric::Width => &[0, 1],
        Metric::Height => &[2, 3],
        Metric::EarlyMargin => &[0],
        Metric::LateMargin => &[1],
        Metric::LowerMargin => &[2],
        Metric::UpperMargin | Metric::Mask => &[3],
    }
}

/// A lane's value over some sides, steps of `unit`.
#[inline]
fn over_sides(edges: &LaneSummary, sides: &[usize], unit: f64) -> LaneReading {
    let mut reading = LaneReading {
        value: 0.0,
        sampling: 0.0,
        step: 0.0,
        at_least: false,
        closed: edges.flags & CLOSED != 0,
        off_centre: edges.flags & OFF_CENTRE != 0,
        on_the_verge: edges.flags & ON_THE_VERGE != 0,
        in_doubt: edges.flags & IN_DOUBT != 0,
        elsewhere: 0.0,
        beside: [Some(0.0); 2],
        off: edges.middle(),
    };
    let row = f64::from(edges.reach[0] + edges.reach[1]);
    let waists = [0, 1].map(|line| {
        let changes = [0, 1].map(|side| edges.beside[side][line]);
        let longer = changes.map(|change| f64::from(f32::from(change) / BESIDE_PARTS)).iter().sum::<f64>();
        !changes.contains(&UNSEEN) && is_waist(longer, row)
    });
    for &side in sides {
        for (sum, change) in reading.beside.iter_mut().zip(edges.beside[side]) {
            let seen = sum.filter(|_| change != UNSEEN);
            *sum = seen.map(|sum| sum + f64::from(f32::from(change) / BESIDE_PARTS) * unit);
        }
        reading.value += f64::from(edges.reach[side]) * unit;
        let u = f64::from(f32::from(edges.u[side]) / U_PARTS) * unit;
        if edges.flags & (STEPWISE << side) != 0 {
            reading.step += u * u;
        } else {
            reading.sampling += u * u;
        }
        reading.at_least |= edges.flags & (1 << side) != 0;
    }
    reading.elsewhere = edges.closes_elsewhere() * reading.value * reading.value;
    // What a row has beside a waist is no slope.
    if sides.iter().all(|side| *side < 2) {
        for (change, _) in reading.beside.iter_mut().zip(waists).filter(|(_, waist)| *waist) {
            reading.elsewhere += ONE_BESIDE * change.take().unwrap_or(0.0).powi(2);
        }
    }
    reading
}

impl EyeSummary {
    /// A lane's value of a metric (`mask` says which mask); `None` where it was not summarised.
    pub fn reading(&self, lane: usize, metric: Metric, mask: Option<&Mask>) -> Option<LaneReading> {
        let edges = self.edges.get(lane)?;
        if metric == Metric::Mask {
            return self.scaled(self.mask_summary(mask)?, lane);
        }
        Some(over_sides(edges, sides(metric), self.unit(metric)))
    }

    /// Every lane's value of a metric, with its place; nothing where it was not summarised.
    pub fn each_reading(&self, metric: Metric, mask: Option<&Mask>, take: impl FnMut((usize, LaneReading))) {
        if metric == Metric::Mask {
            let Some(mask) = self.mask_summary(mask) else { return };
            let lanes = 0..self.edges.len();
            return lanes.filter_map(|lane| Some((lane, self.scaled(mask, lane)?))).for_each(take);
        }
        let (sides, unit) = (sides(metric), self.unit(metric));
        self.edges.iter().map(|edges| over_sides(edges, sides, unit)).enumerate().for_each(take);
    }

    /// Standard deviation that the scatter of training gives a lane's value of a metric from job to job, ps or mV: half a
    /// tap and half a Vref step on the slopes seen beside the operating points (calibrated by counting: REPORT.md).
    pub fn training_scatter(&self, metric: Metric, mask: Option<&Mask>) -> f64 {
        let Slopes { along_taps, along_vref } = self.slopes;
        // Changes a tap and a Vref step, in steps of the metric's own axis.
        let (tap, vref) = match metric {
            Metric::EarlyMargin => (1.0, along_taps[0]),
            Metric::LateMargin => (1.0, along_taps[1]),
            Metric::Width => (0.0, along_taps[2]),
            Metric::LowerMargin => (along_vref[0], 1.0),
            Metric::UpperMargin => (along_vref[1], 1.0),
            Metric::Height => (along_vref[2], 0.0),
            Metric::Mask => {
                let Some(mask) = self.mask_summary(mask) else { return 0.0 };
                let width = 2.0 * mask.mask.half_width.0;
                let (tap, vref) = mask.slopes;
                return TRAINING_SCATTER * width * f64::from(tap).hypot(f64::from(vref));
            }
        };
        TRAINING_SCATTER * self.unit(metric) * f64::from(tap).hypot(f64::from(vref))
    }

    fn unit(&self, metric: Metric) -> f64 {
        if metric.is_time() { self.grid.tap_step.0 } else { self.grid.vref_step.0 }
    }

    fn mask_summary(&self, mask: Option<&Mask>) -> Option<&MaskSummary> {
        self.masks.iter().find(|known| Some(&known.mask) == mask)
    }

    fn scaled(&self, mask: &MaskSummary, lane: usize) -> Option<LaneReading> {
        let edges = self.edges.get(lane)?;
        let flags = edges.flags;
        let closed = flags & CLOSED != 0;
        let (scale, u, at_least) = *mask.lanes.get(lane)?;
        let width = 2.0 * mask.mask.half_width.0;
        let u = f64::from(u) * width;
        Some(LaneReading {
            value: f64::from(scale) * width,
            sampling: if closed { 0.0 } else { u * u },
            step: if closed { u * u } else { 0.0 },
            at_least,
            closed,
            off_centre: flags & OFF_CENTRE != 0,
            on_the_verge: flags & ON_THE_VERGE != 0,
            in_doubt: flags & IN_DOUBT != 0,
            elsewhere: edges.closes_elsewhere() * (f64::from(scale) * width).powi(2),
            beside: [None; 2],
            off: edges.middle(),
        })
    }

    /// Does the digest hold exactly these masks?
    pub fn holds(&self, masks: &[Mask]) -> bool {
        let none = self.mode == CaptureMode::RowAndColumn;
        none || masks
            .iter()
            .filter(|mask| mask.is_valid())
            .all(|mask| self.masks.iter().any(|known| known.mask == *mask))
    }
}

/// What one stage of a training attempt showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageSummary {
    /// Stage name.
    pub name: String,
    /// A lane's pass window reached the end of the delay or Vref range.
    pub end_stop: bool,
    /// Narrowest pass window, taps.
    pub narrowest_taps: Option<f64>,
    /// Lowest pass window, Vref steps.
    pub lowest_steps: Option<f64>,
    /// Lanes that failed, as ranges, and likely causes; `None` where the stage passed.
    pub failed: Option<(String, Vec<String>)>,
}

/// The stages of a training attempt.
pub fn training_summary(training: &TrainingResult) -> Vec<StageSummary> {
    let least = |known: Option<f64>, seen: Option<f64>| match (known, seen) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    let stages = training.stages.iter();
    stages
        .map(|stage| StageSummary {
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
pub struct JobSummary {
    /// Stages of each training attempt.
    pub trainings: Vec<Vec<StageSummary>>,
    /// Each captured eye, or what is wrong with its counts.
    pub captures: Vec<Result<EyeSummary, String>>,
}

impl JobSummary {
    /// Of trainings and captures; `masks` names the masks of a capture.
    pub fn of(
        trainings: &[TrainingResult],
        captures: &[Capture],
        masks: impl Fn(&Capture) -> Vec<Mask>,
    ) -> JobSummary {
        JobSummary {
            trainings: trainings.iter().map(training_summary).collect(),
            captures: captures.iter().map(|capture| digest(capture, &masks(capture))).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A row beside that is cut is what other starts may have, and no slope; one that is a little shorter is a slope.
    #[test]
    fn a_cut_row_beside_is_no_slope() {
        let of = |changes: [[f32; 2]; 2]| {
            let mut lane = LaneSummary { reach: [9.0, 9.0, 2.7, 3.0], ..LaneSummary::default() };
            for (beside, change) in lane.beside.iter_mut().zip(changes) {
                *beside = change.map(packed_change);
            }
            over_sides(&lane, sides(Metric::Width), 10.0)
        };
        let cut = of([[-8.0, -0.1], [-0.2, -0.1]]);
        assert_eq!(cut.beside[0], None);
        assert!((cut.beside[1].unwrap() + 2.0).abs() < 0.1, "{:?}", cut.beside);
        assert!((cut.elsewhere / (0.135 * 82.0 * 82.0) - 1.0).abs() < 0.02, "{}", cut.elsewhere);
        let slope = of([[-1.0, -0.1], [-0.8, -0.1]]);
        assert!(slope.elsewhere == 0.0 && (slope.beside[0].unwrap() + 18.0).abs() < 0.1, "{slope:?}");
    }
}
