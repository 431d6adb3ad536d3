//! Margins as the fitted model has them, beside the measured ones.

use super::engine::{Frame, Problem, State};
use super::lanes::LaneEye;
use crate::causes::surface::{Place, Surface, quantile};
use crate::eye_summary::{EyeSummary, digest};
use eye::counts::CaptureView;
use nightbench_core::results::{EyeName, Point};
use plan::limits::Metric;
use statistics::nonnegative::Symmetric;
use std::collections::BTreeMap;

/// Parts of a place of the model's grid in which an edge is looked for.
const PART: f64 = 0.25;
/// By how much the figures are moved to see how a margin follows, logarithm.
const STEP: f64 = 0.02;
/// What no fit knows better, taps or Vref steps: bias of measured edges, contacts of a mounting (an estimate; the bench counts how often U holds).
const LEAST_U: f64 = 0.1;

/// One metric of one eye: means over its lanes, ps or mV.
#[derive(Debug, Clone, PartialEq)]
pub struct Values {
    pub predicted: f64,
    pub measured: f64,
    /// Standard uncertainty of the difference.
    pub u: f64,
    /// A tap or a Vref step.
    pub step: f64,
    /// Each lane, predicted and measured.
    pub lanes: Vec<(u16, f64, f64)>,
}

impl Values {
    /// Root mean square of the lanes' differences, taps or Vref steps.
    pub fn lanes_rms(&self) -> f64 {
        let sum: f64 = self.lanes.iter().map(|(_, predicted, measured)| (predicted - measured).powi(2)).sum();
        (sum / self.lanes.len().max(1) as f64).sqrt() / self.step
    }
}

/// Edges of one lane row by row, for a drawing: Vref step, early and late tap.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    pub lane: u16,
    pub predicted: Vec<(f64, f64, f64)>,
    pub measured: Vec<(f64, f64, f64)>,
}

/// One eye, predicted and measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    pub condition: usize,
    pub eye: EyeName,
    pub width: Option<Values>,
    pub height: Option<Values>,
    /// The lane whose width is furthest off, of eyes that were held out.
    pub outline: Option<Outline>,
    /// Lanes without a value on one side: closed, or off the grid.
    pub without: usize,
}

/// Predicts every eye that was fitted, or that was held out.
///
/// # Errors
/// A model without an answer, damaged counts.
pub fn predict(
    problem: &Problem<'_>,
    state: &State,
    covariance: &Symmetric,
    held_out: bool,
) -> Result<Vec<Prediction>, String> {
    let lanes: Vec<usize> = (0..problem.lanes.lanes.len())
        .filter(|at| problem.asked.eyes[problem.lanes.lanes[*at].eye].held_out == held_out)
        .collect();
    let frames = problem.frames(&problem.sources_of(&lanes), &state.theta, &[], None)?;
    let mut by_eye: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    lanes.iter().for_each(|at| by_eye.entry(problem.lanes.lanes[*at].eye).or_default().push(*at));
    let offsets = offsets(problem, state);
    by_eye
        .into_iter()
        .map(|(eye, lanes)| of_eye(problem, state, covariance, &frames, (eye, &lanes), &offsets, held_out))
        .collect()
}

/// Mean Vref offset of each piece of copper over the eyes that were fitted.
fn offsets(problem: &Problem<'_>, state: &State) -> Vec<f64> {
    let mut sums = vec![(0.0, 0.0); problem.lanes.whos];
    for at in &problem.used {
        let sum = &mut sums[problem.lanes.lanes[*at].who];
        *sum = (sum.0 + state.place[*at][1], sum.1 + 1.0);
    }
    let all: (f64, f64) = sums.iter().fold((0.0, 0.0), |all, one| (all.0 + one.0, all.1 + one.1));
    let mean = |sum: (f64, f64)| sum.0 / sum.1;
    sums.iter().map(|sum| if sum.1 > 0.0 { mean(*sum) } else { mean(all) }).collect()
}

/// One lane as the model has it.
struct Predicted<'p> {
    problem: &'p Problem<'p>,
    lane: &'p LaneEye,
    frame: &'p Frame,
    line: [f64; 2],
    /// Taps and Vref steps later and higher than the model.
    place: [f64; 2],
    /// Where the fit does not say: the measured edges of the operating row, taps, whose middle places the eye. That says nothing of its
    /// size, and hangs on what the strobe does at each condition.
    seen: Option<(f64, f64)>,
}

impl Predicted<'_> {
    /// The run along a line of places about `from`, in places; `None` where it is closed there or meets the border.
    fn run(&self, z: impl Fn(f64) -> f64, from: f64, length: usize, limit: f64) -> Option<(f64, f64)> {
        if z(from) < limit {
            return None;
        }
        let last = length as f64 - 1.0;
        let edge = |sign: f64| {
            let (mut at, mut before) = (from, z(from));
            while (0.0..=last).contains(&(at + sign * PART)) {
                let next = z(at + sign * PART);
                if next < limit {
                    return Some(at + sign * PART * (before - limit) / (before - next).max(1e-12));
                }
                (at, before) = (at + sign * PART, next);
            }
            None
        };
        Some((edge(-1.0)?, edge(1.0)?))
    }

    /// Late taps by the nonlinearity at a tap.
    fn late(&self, tap: f64) -> f64 {
        let model = self.problem.asked.models[self.problem.lanes.sources[self.lane.source].0];
        model.nonlinearity(tap, self.line).0
    }

    /// The tap that reads a place.
    fn tap(&self, place: f64, shift: f64) -> f64 {
        let ideal = place / self.frame.per_tap + shift;
        let mut tap = ideal;
        for _ in 0..6 {
            tap = ideal - self.late(tap);
        }
        tap
    }

    /// Row through a Vref step: edges in taps, and the shift they were read with.
    fn row(&self, surface: &Surface, step: f64, shift: Option<f64>) -> Option<(f64, f64, f64)> {
        let (taps, _) = surface.size_of();
        let y = self.frame.per_step * (step - self.place[1]);
        let z = |tap: f64| surface.at(0, Place { tap, step: y });
        let limit = quantile(self.lane.limit);
        let operating = f64::from(self.lane.operating.tap);
        let from = match shift {
            Some(shift) => self.frame.per_tap * (operating + self.late(operating) - shift),
            // The deepest of the row.
            None => {
                let best = (0..taps).max_by(|a, b| z(*a as f64).total_cmp(&z(*b as f64)))?;
                best as f64
            }
        };
        let (early, late) = self.run(z, from, taps, limit)?;
        let shift = shift.unwrap_or_else(|| {
            let (first, last) = self.seen.unwrap_or((operating, operating));
            0.5 * (first + self.late(first) + last + self.late(last) - (early + late) / self.frame.per_tap)
        });
        Some((self.tap(early, shift), self.tap(late, shift), shift))
    }

    /// Width and height at the operating point, taps and Vref steps.
    fn size(&self, surface: &Surface) -> (Option<f64>, Option<f64>, Option<f64>) {
        let at = self.lane.operating;
        let shift = self.seen.is_none().then_some(self.place[0]);
        let Some((early, late, shift)) = self.row(surface, f64::from(at.vref), shift) else {
            return (None, None, None);
        };
        let (_, steps) = surface.size_of();
        let x = self.frame.per_tap * (f64::from(at.tap) + self.late(f64::from(at.tap)) - shift);
        let y = self.frame.per_step * (f64::from(at.vref) - self.place[1]);
        let run = self.run(|step| surface.at(0, Place { tap: x, step }), y, steps, quantile(self.lane.limit));
        let height = run.map(|(lower, upper)| (upper - lower) / self.frame.per_step);
        (Some(late - early), height, Some(shift))
    }
}

fn of_eye(
    problem: &Problem<'_>,
    state: &State,
    covariance: &Symmetric,
    frames: &[Option<Frame>],
    (eye, lanes): (usize, &[usize]),
    offsets: &[f64],
    held_out: bool,
) -> Result<Prediction, String> {
    let of = &problem.asked.eyes[eye];
    let measured = digest(of.capture, &[])?;
    let figures = state.theta.len();
    let mut values = [Vec::new(), Vec::new()];
    let mut follow = [vec![0.0; figures], vec![0.0; figures]];
    let mut without = 0;
    let mut worst: Option<(f64, usize, f64)> = None;
    for at in lanes {
        let lane = &problem.lanes.lanes[*at];
        let Some(frame) = &frames[lane.source] else { continue };
        let mut place = state.place[*at];
        if held_out {
            place[1] = offsets[lane.who];
        }
        let seen = held_out.then(|| {
            let edges =
                position(of.capture.lanes.as_slice(), lane.lane).and_then(|at| measured.edges.get(at));
            let [early, late] =
                edges.map_or([0.0; 2], |edges| [edges.reach[0], edges.reach[1]].map(f64::from));
            let at = f64::from(lane.operating.tap);
            (at - early, at + late)
        });
        let predicted = Predicted { problem, lane, frame, line: state.line[lane.line], place, seen };
        let surface = problem.lane_surface(&frame.base, frame, state.own[lane.who]);
        let (width, height, shift) = predicted.size(&surface);
        let mut whole = true;
        for (which, (metric, size)) in
            [(Metric::Width, width), (Metric::Height, height)].into_iter().enumerate()
        {
            let unit = unit(&measured, metric);
            let reading = position(of.capture.lanes.as_slice(), lane.lane)
                .and_then(|place| measured.reading(place, metric, None))
                .filter(|reading| !reading.at_least && !reading.closed);
            let (Some(size), Some(reading)) = (size, reading) else {
                whole = false;
                continue;
            };
            values[which].push((lane.lane, size * unit, reading.value));
            if which == 0 {
                let off = (size * unit - reading.value).abs();
                if worst.is_none_or(|(most, ..)| off > most) {
                    worst = Some((off, *at, shift.unwrap_or(0.0)));
                }
            }
        }
        without += usize::from(!whole);
        for (figure, slope) in frame.slopes.iter().enumerate().take(figures) {
            let Some(slope) = slope else { continue };
            let (wider, higher, _) = predicted.size(&surface.plus([(STEP, slope)]));
            let sizes = [(width, wider, Metric::Width), (height, higher, Metric::Height)];
            for (which, (now, then, metric)) in sizes.into_iter().enumerate() {
                if let (Some(now), Some(then)) = (now, then) {
                    follow[which][figure] += (then - now) / STEP * unit(&measured, metric);
                }
            }
        }
    }
    let outline = match worst {
        Some((_, at, shift)) if held_out => outline(problem, state, frames, at, shift, offsets)?,
        _ => None,
    };
    let [width, height] = [(Metric::Width, 0), (Metric::Height, 1)].map(|(metric, which)| {
        let step = unit(&measured, metric);
        summed(std::mem::take(&mut values[which]), &follow[which], covariance, step)
    });
    Ok(Prediction { condition: of.condition, eye: of.capture.eye, width, height, outline, without })
}

fn unit(summary: &EyeSummary, metric: Metric) -> f64 {
    if metric.is_time() { summary.grid.tap_step.0 } else { summary.grid.vref_step.0 }
}

fn position(lanes: &[u16], lane: u16) -> Option<usize> {
    lanes.iter().position(|known| *known == lane)
}

fn summed(lanes: Vec<(u16, f64, f64)>, follow: &[f64], covariance: &Symmetric, step: f64) -> Option<Values> {
    let n = lanes.len() as f64;
    if lanes.is_empty() {
        return None;
    }
    let mean = |of: fn(&(u16, f64, f64)) -> f64| lanes.iter().map(of).sum::<f64>() / n;
    let (predicted, measured) = (mean(|lane| lane.1), mean(|lane| lane.2));
    let off = predicted - measured;
    let scatter: f64 =
        lanes.iter().map(|lane| (lane.1 - lane.2 - off).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    let figures: f64 = (0..follow.len())
        .map(|row| {
            let parts = (0..follow.len()).map(|column| covariance.at(row, column) * follow[column]);
            follow[row] * parts.sum::<f64>()
        })
        .sum::<f64>()
        / (n * n);
    let u = (figures.max(0.0) + scatter / n + (LEAST_U * step).powi(2)).sqrt();
    Some(Values { predicted, measured, u, step, lanes })
}

/// Both eyes of one lane, row by row.
fn outline(
    problem: &Problem<'_>,
    state: &State,
    frames: &[Option<Frame>],
    at: usize,
    shift: f64,
    offsets: &[f64],
) -> Result<Option<Outline>, String> {
    let lane = &problem.lanes.lanes[at];
    let Some(frame) = &frames[lane.source] else { return Ok(None) };
    let place = [shift, offsets[lane.who]];
    let predicted = Predicted { problem, lane, frame, line: state.line[lane.line], place, seen: None };
    let surface = problem.lane_surface(&frame.base, frame, state.own[lane.who]);
    let capture = problem.asked.eyes[lane.eye].capture;
    let view = CaptureView::new(capture).map_err(|error| error.to_string())?;
    let Some(map) = position(&capture.lanes, lane.lane).and_then(|at| view.maps().get(at)) else {
        return Ok(None);
    };
    let mut found = Outline { lane: lane.lane, predicted: Vec::new(), measured: Vec::new() };
    for step in 0..capture.grid.vref_steps {
        if let Some((early, late, _)) = predicted.row(&surface, f64::from(step), Some(shift)) {
            found.predicted.push((f64::from(step), early, late));
        }
        let point = Point { tap: lane.operating.tap, vref: step };
        if let Some(run) = map.run_in_row(point) {
            // An edge lies between the last tap that passes and the first that fails.
            found.measured.push((f64::from(step), f64::from(run.first) - 0.5, f64::from(run.last) + 0.5));
        }
    }
    Ok(Some(found))
}
