//! Margins as the fitted model has them, beside the measured ones.

use super::engine::FARTHEST;
use super::frames::Frame;
use super::lanes::LaneEye;
use super::problem::{Problem, State, What};
use crate::causes::surface::{Place, Surface, quantile};
use crate::eye_summary::{EyeSummary, digest};
use eye::counts::CaptureView;
use nightbench_core::results::{Direction, EyeName, Point};
use plan::limits::Metric;
use statistics::nonnegative::Symmetric;
use std::collections::{BTreeMap, BTreeSet};

/// Parts of a place of the model's grid in which an edge is looked for.
const PART: f64 = 0.25;
/// By how much the figures are moved to see how a margin follows, logarithm.
const STEP: f64 = 0.02;
/// How far measured edges lie off where too few fitted eyes say it, taps and Vref steps.
const FEW_U: [f64; 2] = [0.1, 0.15];
const FEWEST_EYES: f64 = 3.0;
/// Taps or Vref steps from the end of the grid within which an edge is not compared: of lanes that end there, those would be left that
/// happen to read small.
const BORDER: f64 = 1.0;

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
    /// Lanes without a value on one side: closed, off the grid, or within a step of its end.
    pub without: usize,
}

/// Contacts that no fitted eye has seen, of one source: place of the slope in its frame, and the standard deviation.
type Contacts = Vec<(usize, f64)>;

/// How far fitted margins are off, root mean square in taps or Vref steps, by direction and metric.
type ReadingOff = BTreeMap<(Direction, bool), f64>;

/// Predicts every eye that was fitted, and every one that was held out; `frames` are those of the fit.
///
/// # Errors
/// A model without an answer, damaged counts.
pub fn predict(
    problem: &Problem<'_>,
    frames: &[Option<Frame>],
    state: &State,
    covariance: &Symmetric,
) -> Result<(Vec<Prediction>, Vec<Prediction>), String> {
    let none = vec![Contacts::new(); problem.lanes.sources.len()];
    let unseen = unseen_eyes(problem, frames, state);
    let mut what = Predicting {
        problem,
        unseen: &unseen,
        state,
        covariance,
        frames,
        contacts: &none,
        offsets: offsets(problem, state),
        off: ReadingOff::new(),
    };
    let fitted = what.eyes(false)?;
    // Where everything is known, what is left is how edges are read, and what the model has wrong of all lanes alike.
    let mut sums: BTreeMap<(Direction, bool), (f64, f64)> = BTreeMap::new();
    for one in &fitted {
        for (height, values) in [(false, &one.width), (true, &one.height)] {
            if let Some(values) = values {
                let sum = sums.entry((one.eye.direction, height)).or_default();
                let off = (values.predicted - values.measured) / values.step;
                *sum = (sum.0 + off * off, sum.1 + 1.0);
            }
        }
    }
    let told = |n: f64, height: bool, off: f64| {
        if n < FEWEST_EYES { off.max(FEW_U[usize::from(height)]) } else { off }
    };
    what.off =
        sums.into_iter().map(|(which, (sum, n))| (which, told(n, which.1, (sum / n).sqrt()))).collect();
    let lanes: Vec<usize> = (0..problem.lanes.lanes.len())
        .filter(|at| problem.asked.eyes[problem.lanes.lanes[*at].eye].held_out)
        .collect();
    let sources = problem.sources_of(&lanes);
    let mut more = problem.frames(&sources, &state.theta)?;
    let contacts = unseen_contacts(problem, state, &sources, &mut more)?;
    (what.frames, what.contacts) = (&more, &contacts);
    Ok((fitted, what.eyes(true)?))
}

/// By how much the shared unknowns would move, to first order, had the fit not seen one eye: by eye.
fn unseen_eyes(problem: &Problem<'_>, frames: &[Option<Frame>], state: &State) -> BTreeMap<usize, Vec<f64>> {
    let k = state.theta.len();
    let stacks = problem.stacks(frames, None, k);
    let eyes: BTreeSet<usize> = problem.used.iter().map(|at| problem.lanes.lanes[*at].eye).collect();
    let without = |eye: usize| {
        let mut normal = problem.system(&stacks, state, &vec![0.0; k], k, Some(eye)).normal;
        (0..k).for_each(|at| normal.known(at, state.theta[at], problem.column_sd(at)));
        let moved = normal.solve()?;
        Some((eye, moved.into_iter().map(|by| by.clamp(-FARTHEST, FARTHEST)).collect()))
    };
    eyes.into_iter().filter_map(without).collect()
}

/// Contacts of mountings that no fitted eye has: their slopes are added to the frames.
fn unseen_contacts(
    problem: &Problem<'_>,
    state: &State,
    sources: &[usize],
    frames: &mut [Option<Frame>],
) -> Result<Vec<Contacts>, String> {
    let mut contacts = vec![Contacts::new(); problem.lanes.sources.len()];
    for source in sources {
        let (model, setup, _) = problem.lanes.sources[*source];
        let is_known = |what: What| matches!(what, What::Contact(of, _) if of == setup);
        if problem.columns.iter().any(|column| is_known(column.what)) {
            continue;
        }
        let deviations = problem.asked.models[model].contacts();
        let what: Vec<What> = (0..deviations.len()).map(|which| What::Contact(setup, which)).collect();
        problem.add(&[*source], &state.theta, frames, &what)?;
        contacts[*source] = (problem.columns.len()..).zip(deviations).collect();
    }
    Ok(contacts)
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
        let ideal = place / self.frame.scale.per_tap + shift;
        let mut tap = ideal;
        for _ in 0..6 {
            tap = ideal - self.late(tap);
        }
        tap
    }

    /// Row through a Vref step: edges in taps, and the shift they were read with.
    fn row(&self, surface: &Surface, step: f64, shift: Option<f64>) -> Option<(f64, f64, f64)> {
        let (taps, _) = surface.size_of();
        let y = self.frame.scale.place(0.0, step - self.place[1]).step;
        let z = |tap: f64| surface.at(0, Place { tap, step: y });
        let limit = quantile(self.lane.limit);
        let operating = f64::from(self.lane.operating.tap);
        let from = match shift {
            Some(shift) => self.frame.scale.per_tap * (operating + self.late(operating) - shift),
            // The deepest of the row.
            None => {
                let best = (0..taps).max_by(|a, b| z(*a as f64).total_cmp(&z(*b as f64)))?;
                best as f64
            }
        };
        let (early, late) = self.run(z, from, taps, limit)?;
        let shift = shift.unwrap_or_else(|| {
            let (first, last) = self.seen.unwrap_or((operating, operating));
            0.5 * (first + self.late(first) + last + self.late(last)
                - (early + late) / self.frame.scale.per_tap)
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
        let grid = &self.problem.asked.eyes[self.lane.eye].capture.grid;
        let inside =
            |low: f64, high: f64, places: u16| low >= BORDER && high <= f64::from(places) - 1.0 - BORDER;
        let (_, steps) = surface.size_of();
        let tap = f64::from(at.tap) + self.late(f64::from(at.tap)) - shift;
        let Place { tap: x, step: y } = self.frame.scale.place(tap, f64::from(at.vref) - self.place[1]);
        let run = self.run(|step| surface.at(0, Place { tap: x, step }), y, steps, quantile(self.lane.limit));
        let ends = |place: f64| self.frame.scale.step(place) + self.place[1];
        let run = run.map(|(lower, upper)| (ends(lower), ends(upper)));
        let run = run.filter(|(lower, upper)| inside(*lower, *upper, grid.vref_steps));
        let width = inside(early, late, grid.taps).then_some(late - early);
        (width, run.map(|(lower, upper)| upper - lower), Some(shift))
    }
}

/// What predictions are made from.
struct Predicting<'p> {
    problem: &'p Problem<'p>,
    /// By how much the shared unknowns move where one eye is left out, by eye.
    unseen: &'p BTreeMap<usize, Vec<f64>>,
    state: &'p State,
    covariance: &'p Symmetric,
    frames: &'p [Option<Frame>],
    contacts: &'p [Contacts],
    offsets: Vec<f64>,
    off: ReadingOff,
}

/// One metric of one eye as it is gathered lane by lane.
#[derive(Default)]
struct Gathered {
    /// Lane, predicted, measured.
    lanes: Vec<(u16, f64, f64)>,
    /// Each one's delay line.
    lines: Vec<usize>,
    /// How their sum follows the shared unknowns, and unseen contacts.
    follow: Vec<f64>,
    contacts: Vec<f64>,
}

impl Predicting<'_> {
    fn eyes(&self, held_out: bool) -> Result<Vec<Prediction>, String> {
        let mut by_eye: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (at, lane) in self.problem.lanes.lanes.iter().enumerate() {
            if self.problem.asked.eyes[lane.eye].held_out == held_out {
                by_eye.entry(lane.eye).or_default().push(at);
            }
        }
        by_eye.into_iter().map(|(eye, lanes)| self.of_eye(eye, &lanes, held_out)).collect()
    }

    fn of_eye(&self, eye: usize, lanes: &[usize], held_out: bool) -> Result<Prediction, String> {
        let (problem, state) = (self.problem, self.state);
        let of = &problem.asked.eyes[eye];
        let measured = digest(of.capture, &[])?;
        let figures = state.theta.len();
        let mut gathered: [Gathered; 2] = Default::default();
        let mut deviations = Vec::new();
        let mut without = 0;
        let mut worst: Option<(f64, usize, f64)> = None;
        for at in lanes {
            let lane = &problem.lanes.lanes[*at];
            let Some(frame) = &self.frames[lane.source] else { continue };
            let mut place = state.place[*at];
            if held_out {
                place[1] = self.offsets[lane.who];
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
            let contacts = &self.contacts[lane.source];
            deviations = contacts.iter().map(|(_, sd)| *sd).collect();
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
                gathered[which].lanes.push((lane.lane, size * unit, reading.value));
                gathered[which].lines.push(lane.line);
                if which == 0 {
                    let off = (size * unit - reading.value).abs();
                    if worst.is_none_or(|(most, ..)| off > most) {
                        worst = Some((off, *at, shift.unwrap_or(0.0)));
                    }
                }
            }
            without += usize::from(!whole);
            for one in &mut gathered {
                one.follow.resize(figures, 0.0);
                one.contacts.resize(contacts.len(), 0.0);
            }
            for (figure, slope) in frame.slopes.iter().enumerate() {
                let Some(slope) = slope else { continue };
                let contact = contacts.iter().position(|(place, _)| *place == figure);
                let (wider, higher, _) = predicted.size(&surface.plus([(STEP, slope)]));
                let sizes = [(width, wider, Metric::Width), (height, higher, Metric::Height)];
                for (one, (now, then, metric)) in gathered.iter_mut().zip(sizes) {
                    let (Some(now), Some(then)) = (now, then) else { continue };
                    let by = (then - now) / STEP * unit(&measured, metric);
                    match contact {
                        Some(contact) => one.contacts[contact] += by,
                        None if figure < figures => one.follow[figure] += by,
                        None => {}
                    }
                }
            }
        }
        let outline = match worst {
            Some((_, at, shift)) if held_out => {
                outline(problem, state, self.frames, at, shift, &self.offsets)?
            }
            _ => None,
        };
        let [width, height] = [(Metric::Width, 0), (Metric::Height, 1)].map(|(metric, which)| {
            let step = unit(&measured, metric);
            let known = self.off.get(&(of.capture.eye.direction, which == 1));
            let off = known.copied().unwrap_or(FEW_U[which]);
            self.summed(std::mem::take(&mut gathered[which]), &deviations, step, off)
        });
        Ok(Prediction { condition: of.condition, eye: of.capture.eye, width, height, outline, without })
    }

    fn summed(&self, gathered: Gathered, contacts: &[f64], step: f64, off_steps: f64) -> Option<Values> {
        let lanes = gathered.lanes;
        let n = lanes.len() as f64;
        if lanes.is_empty() {
            return None;
        }
        let mean = |of: fn(&(u16, f64, f64)) -> f64| lanes.iter().map(of).sum::<f64>() / n;
        let (predicted, measured) = (mean(|lane| lane.1), mean(|lane| lane.2));
        let off = predicted - measured;
        let away: Vec<f64> = lanes.iter().map(|lane| lane.1 - lane.2 - off).collect();
        let alone = away.iter().map(|off| off * off).sum::<f64>() / (n - 1.0).max(1.0) / n;
        // Lanes of one delay line are off together.
        let mut by_line: BTreeMap<usize, f64> = BTreeMap::new();
        gathered.lines.iter().zip(&away).for_each(|(line, off)| *by_line.entry(*line).or_default() += off);
        let groups = by_line.len() as f64;
        let together =
            by_line.values().map(|sum| sum * sum).sum::<f64>() * groups / (groups - 1.0).max(1.0) / (n * n);
        let covariance = self.covariance;
        let follow = &gathered.follow;
        let figures: f64 = (0..follow.len())
            .map(|row| {
                let parts = (0..follow.len()).map(|column| covariance.at(row, column) * follow[column]);
                follow[row] * parts.sum::<f64>()
            })
            .sum::<f64>();
        let contacts: f64 =
            gathered.contacts.iter().zip(contacts).map(|(follow, sd)| (follow * sd).powi(2)).sum();
        // By as much as what is shared moves with one eye more or less (jackknife): few eyes and many contacts meet their own counts however
        // wrong they are, so that the scatter of what eyes pull at says too little.
        let eyes = self.unseen.len() as f64;
        let follows = |moved: &Vec<f64>| follow.iter().zip(moved).map(|(a, b)| a * b).sum::<f64>();
        let eye_by_eye = self.unseen.values().map(|moved| follows(moved).powi(2)).sum::<f64>() * (eyes - 1.0)
            / eyes.max(1.0);
        let shared = (figures.max(0.0) + eye_by_eye + contacts) / (n * n);
        let u = (shared + alone.max(together) + (off_steps * step).powi(2)).sqrt();
        Some(Values { predicted, measured, u, step, lanes })
    }
}

fn unit(summary: &EyeSummary, metric: Metric) -> f64 {
    if metric.is_time() { summary.grid.tap_step.0 } else { summary.grid.vref_step.0 }
}

fn position(lanes: &[u16], lane: u16) -> Option<usize> {
    lanes.iter().position(|known| *known == lane)
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
