//! The fit: figures shared by all eyes, and beside them what each lane has of its own, by scoring.
//!
//! Each step takes the surfaces as straight in the figures (Gauss-Newton); it counts only if the surfaces made anew at its end
//! make the counts likelier, else it is taken shorter.

use super::Asked;
use super::lanes::{LaneEye, Lanes, SHARES, Spot, surface};
use super::normal::{Eliminated, Normal};
use crate::causes::surface::{Place, Surface, quantile};
use nightbench_core::figure_model::{LaneOwn, LaneSpread};
use rayon::prelude::*;
use statistics::scoring::Counts;

/// Standard deviation of the logarithm of a figure whose value is an estimate.
pub const PRIOR_SD: f64 = 0.3;
/// How far a figure goes at a time, as a standard deviation.
const TRUST: f64 = 0.15;
/// How far it goes at all.
pub const FARTHEST: f64 = 1.2;
/// By how much a figure, and a lane's own copper and pads, are changed to see the slope.
const STEP: f64 = 0.02;
/// Gain of the logarithm of the likelihood that is none.
const SETTLED: f64 = 0.05;
/// Steps with the model's figures free, at each of [`SHARES`].
const STEPS: [usize; 3] = [6, 8, 12];
/// A lane's place in time is not known beforehand, taps; its offset as far as receivers and a bench's Vref go, steps.
const TIME_SD: f64 = 30.0;
const VREF_SD: f64 = 1.0;
/// Least size of a nonlinearity that is thought of, taps.
const LEAST_NONLINEARITY: f64 = 0.3;
/// Least spread of copper and pads: that of lanes that are alike.
const LEAST_SPREAD: f64 = 1e-4;
/// Places in time that are tried at the start, taps from where the middles meet.
const STARTS: [f64; 5] = [0.0, -2.0, 2.0, -4.0, 4.0];
const Z_AT_MIDDLE: f64 = 1e-5;
/// What a lane has of its own on whatever channel: impedance, capacitance, length.
pub const OWN: usize = 3;
/// Standard deviations either way at which their effect is looked at: it bends.
const OWN_STEP: f64 = 1.5;
/// How far the figures may go before that, and their own slopes, are looked at anew.
const OWN_HOLDS: f64 = 0.1;
const SLOPES_HOLD: f64 = 0.03;
/// Unknowns of a delay line and of a place.
const LINE: usize = 2;
const PLACE: usize = 2;

/// Everything that is fitted.
#[derive(Debug, Clone)]
pub struct State {
    /// The shared unknowns, as [`Problem::columns`] has them.
    pub theta: Vec<f64>,
    /// Each delay line's nonlinearity: size times cosine and sine.
    pub line: Vec<[f64; 2]>,
    /// Each lane's impedance, capacitance and length, in their standard deviations.
    pub own: Vec<[f64; OWN]>,
    /// Each lane's place in its eye, taps and Vref steps later and higher than the model has it.
    pub place: Vec<[f64; 2]>,
}

/// The surfaces of one source.
pub struct Frame {
    pub base: Surface,
    /// Change with each figure asked for; `None` where it changes nothing.
    pub slopes: Vec<Option<Surface>>,
    /// Change with a lane's impedance, capacitance and length: a standard deviation, and its square.
    pub own: [[Surface; 2]; OWN],
    pub per_tap: f64,
    pub per_step: f64,
}

/// What one of the shared unknowns changes: the logarithm of a figure, everywhere or in the contacts of one setup.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Index in [`Asked::figures`].
    pub figure: usize,
    pub setup: Option<usize>,
    /// What is known beforehand, as a standard deviation.
    pub sd: f64,
}

/// What is fitted to what.
pub struct Problem<'a> {
    pub asked: &'a Asked<'a>,
    pub lanes: Lanes,
    /// Places in [`Lanes::lanes`] of those that are fitted.
    pub used: Vec<usize>,
    /// The free figures, then the contacts of each setup that is fitted.
    pub columns: Vec<Column>,
    spreads: Vec<LaneSpread>,
}

/// The normal equations of all lanes, as far as they are eliminated, and the way back.
pub struct Solved {
    pub normal: Normal,
    /// Of each piece of copper: what it says of the figures and of its delay line.
    pub whos: Vec<Normal>,
    pub line_of: Vec<usize>,
    pub lines: Vec<Eliminated>,
    /// What each lane of each eye pulls at, its place eliminated; as [`Problem::used`].
    pub pulls: Vec<Vec<f64>>,
    pub who_back: Vec<Eliminated>,
    lane_back: Vec<Eliminated>,
}

fn farthest(now: &[f64], then: &[f64]) -> f64 {
    now.iter().zip(then).fold(0.0, |most, (now, then)| most.max((now - then).abs()))
}

impl<'a> Problem<'a> {
    /// Gathers the lanes.
    ///
    /// # Errors
    /// Damaged counts, in words.
    pub fn new(asked: &'a Asked<'a>) -> Result<Problem<'a>, String> {
        let lanes = Lanes::of(asked)?;
        let spreads = lanes.sources.iter().map(|(model, _, eye)| asked.models[*model].spread(*eye)).collect();
        let used: Vec<usize> =
            (0..lanes.lanes.len()).filter(|lane| !asked.eyes[lanes.lanes[*lane].eye].held_out).collect();
        let everywhere = |figure: &usize| Column { figure: *figure, setup: None, sd: PRIOR_SD };
        let mut columns: Vec<Column> = asked.free.iter().map(everywhere).collect();
        let mut setups: Vec<(usize, usize)> = used
            .iter()
            .map(|lane| &asked.eyes[lanes.lanes[*lane].eye])
            .map(|eye| (eye.setup, eye.model))
            .collect();
        setups.sort_unstable();
        setups.dedup_by_key(|(setup, _)| *setup);
        for (setup, model) in setups {
            for (name, sd) in asked.models[model].contacts() {
                let known = asked.figures.iter().position(|figure| figure.name == name);
                columns.extend(known.map(|figure| Column { figure, setup: Some(setup), sd }));
            }
        }
        Ok(Problem { asked, lanes, used, columns, spreads })
    }

    /// What is known of the shared unknowns beforehand.
    pub fn prior(&self, theta: &[f64]) -> f64 {
        theta.iter().zip(&self.columns).map(|(theta, column)| -0.5 * (theta / column.sd).powi(2)).sum()
    }

    /// The figures' values of one source, by name: those that some columns speak of.
    fn values(&self, source: usize, columns: &[Column], theta: &[f64]) -> Vec<(&'a str, f64)> {
        let setup = self.lanes.sources[source].1;
        let mut sums: Vec<(usize, f64)> = Vec::new();
        for (column, ln) in columns.iter().zip(theta) {
            if column.setup.is_none_or(|of| of == setup) {
                match sums.iter_mut().find(|(figure, _)| *figure == column.figure) {
                    Some((_, sum)) => *sum += ln,
                    None => sums.push((column.figure, *ln)),
                }
            }
        }
        let value = |(at, ln): (usize, f64)| {
            let figure = &self.asked.figures[at];
            (figure.name.as_str(), (figure.value * ln.exp()).clamp(figure.range.0, figure.range.1))
        };
        sums.into_iter().map(value).collect()
    }

    fn made(
        &self,
        source: usize,
        values: &[(&str, f64)],
        own: LaneOwn,
    ) -> Result<(Surface, f64, f64), String> {
        let (model, _, eye) = self.lanes.sources[source];
        let made = self.asked.models[model].eye(eye, values, own)?;
        Ok((surface(&made)?, made.per_tap, made.per_step))
    }

    /// Sources that some lanes need.
    pub fn sources_of(&self, lanes: &[usize]) -> Vec<usize> {
        let mut sources: Vec<usize> = lanes.iter().map(|lane| self.lanes.lanes[*lane].source).collect();
        sources.sort_unstable();
        sources.dedup();
        sources
    }

    /// The surfaces at some figures alone, those of `sources`; others are `None`.
    pub fn bases(&self, sources: &[usize], theta: &[f64]) -> Result<Vec<Option<Surface>>, String> {
        let values = |source: usize| self.values(source, &self.columns, theta);
        let made: Vec<(usize, Surface)> = sources
            .par_iter()
            .map(|source| Ok((*source, self.made(*source, &values(*source), LaneOwn::default())?.0)))
            .collect::<Result<_, String>>()?;
        let mut bases: Vec<Option<Surface>> = vec![None; self.lanes.sources.len()];
        made.into_iter().for_each(|(source, surface)| bases[source] = Some(surface));
        Ok(bases)
    }

    /// The surfaces of `sources` at some figures, with their changes by the free figures and by `more` of them; `None` for others.
    /// What a lane's own copper and pads change is taken from `kept`, frames of the same sources, where there are some.
    pub fn frames(
        &self,
        sources: &[usize],
        theta: &[f64],
        more: &[usize],
        kept: Option<&[Option<Frame>]>,
    ) -> Result<Vec<Option<Frame>>, String> {
        let more = more.iter().map(|figure| Column { figure: *figure, setup: None, sd: PRIOR_SD });
        let columns: Vec<Column> = self.columns.iter().copied().chain(more).collect();
        let mut at = theta.to_vec();
        at.resize(columns.len(), 0.0);
        let count = columns.len();
        let tasks: Vec<(usize, usize)> = sources
            .iter()
            .flat_map(|source| (0..count + 2 * OWN + 1).map(move |what| (*source, what)))
            .collect();
        let made: Vec<Option<(Surface, f64, f64, f64)>> = tasks
            .par_iter()
            .map(|(source, what)| {
                let (model, setup, _) = self.lanes.sources[*source];
                let (mut there, mut own) = (at.clone(), LaneOwn::default());
                let mut by = STEP;
                if *what < count {
                    let column = &columns[*what];
                    let figure = &self.asked.figures[column.figure];
                    if self.asked.models[model].is_own(&figure.name)
                        || column.setup.is_some_and(|of| of != setup)
                    {
                        return Ok(None);
                    }
                    // Away from the end of its range.
                    if figure.value * (at[*what] + STEP).exp() > figure.range.1 {
                        by = -STEP;
                    }
                    there[*what] += by;
                } else if *what < count + 2 * OWN {
                    let sign = if (*what - count).is_multiple_of(2) { OWN_STEP } else { -OWN_STEP };
                    let sd = self.own_sd(*source);
                    if kept.is_some() || sd[(*what - count) / 2] <= LEAST_SPREAD {
                        return Ok(None);
                    }
                    match (*what - count) / 2 {
                        0 => own.impedance = sign * sd[0],
                        1 => own.capacitance = sign * sd[1],
                        _ => own.length_mm = sign * sd[2],
                    }
                }
                // What is not fitted keeps the plan's value unsaid: saying it may mean more (terminations by table).
                let spoken: Vec<usize> =
                    (0..count).filter(|at| *at < self.columns.len() || at == what).collect();
                let named: Vec<Column> = spoken.iter().map(|at| columns[*at]).collect();
                let there: Vec<f64> = spoken.iter().map(|at| there[*at]).collect();
                let values = self.values(*source, &named, &there);
                let (surface, tap, step) = self.made(*source, &values, own)?;
                Ok(Some((surface, by, tap, step)))
            })
            .collect::<Result<_, String>>()?;
        let mut frames: Vec<Option<Frame>> = (0..self.lanes.sources.len()).map(|_| None).collect();
        for (source, made) in sources.iter().zip(made.chunks_exact(count + 2 * OWN + 1)) {
            let Some((base, _, per_tap, per_step)) = made[count + 2 * OWN].clone() else { continue };
            let change = |what: usize| {
                let (surface, by, ..) = made[what].as_ref()?;
                let change = surface.less(&base, by.recip());
                (change.size() > 1e-9).then_some(change)
            };
            let own = |which: usize| -> [Surface; 2] {
                let side = |what: usize| made[count + what].as_ref().map_or(&base, |made| &made.0);
                let (more, less) = (side(2 * which), side(2 * which + 1));
                let slope = more.less(less, 0.5 / OWN_STEP);
                let bend = more
                    .less(&base, 0.5 * OWN_STEP.powi(-2))
                    .plus([(-0.5 * OWN_STEP.powi(-2), &base.less(less, 1.0))]);
                [slope, bend]
            };
            let before = kept.and_then(|kept| kept[*source].as_ref());
            frames[*source] = Some(Frame {
                slopes: (0..count).map(change).collect(),
                own: before.map_or_else(|| [own(0), own(1), own(2)], |frame| frame.own.clone()),
                per_tap,
                per_step,
                base,
            });
        }
        Ok(frames)
    }

    fn nonlinearity(&self, lane: &LaneEye, tap: f64, parts: [f64; 2]) -> (f64, [f64; 2]) {
        self.asked.models[self.lanes.sources[lane.source].0].nonlinearity(tap, parts)
    }

    /// Where a lane's point reads its source's surfaces.
    fn read_at(&self, lane: &LaneEye, frame: &Frame, spot: &Spot, line: [f64; 2], place: [f64; 2]) -> Place {
        let late = self.nonlinearity(lane, spot.tap, line).0;
        Place {
            tap: frame.per_tap * (spot.tap + late - place[0]),
            step: frame.per_step * (spot.step - place[1]),
        }
    }

    /// A lane's surface: its source's with its own copper and pads.
    pub fn lane_surface(&self, base: &Surface, frame: &Frame, own: [f64; OWN]) -> Surface {
        let parts = own.iter().zip(&frame.own);
        base.plus(parts.flat_map(|(by, [slope, bend])| [(*by, slope), (by * by, bend)]))
    }

    /// Calls for each of a lane's points: what it is and z there.
    pub fn each_z(
        &self,
        at: usize,
        frame: &Frame,
        whole: &Surface,
        state: &State,
        mut take: impl FnMut(&Spot, &Counts, f64),
    ) {
        let lane = &self.lanes.lanes[at];
        let surface = self.lane_surface(whole, frame, state.own[lane.who]);
        for (spot, counts) in lane.spots.iter().zip(&lane.counts) {
            let place = self.read_at(lane, frame, spot, state.line[lane.line], state.place[at]);
            take(spot, counts, surface.at(0, place));
        }
    }

    fn likelihood(&self, at: usize, frame: &Frame, whole: &Surface, state: &State) -> f64 {
        let mut sum = 0.0;
        self.each_z(at, frame, whole, state, |_, counts, z| sum += counts.likelihood(z).0);
        sum
    }

    fn place_sd(&self, lane: &LaneEye) -> [f64; 2] {
        [TIME_SD, VREF_SD.hypot(self.spreads[lane.source].offset_steps)]
    }

    fn own_sd(&self, source: usize) -> [f64; OWN] {
        let spread = &self.spreads[source];
        [spread.impedance, spread.capacitance, spread.length_mm].map(|sd| sd.max(LEAST_SPREAD))
    }

    fn line_sd(&self, lane: &LaneEye) -> f64 {
        self.spreads[lane.source].nonlinearity_taps.max(LEAST_NONLINEARITY) * 0.5f64.sqrt()
    }

    /// Logarithm of the posterior, the figures' prior left out; `wholes` are the surfaces by source.
    fn value(&self, frames: &[Option<Frame>], wholes: &[Option<Surface>], state: &State) -> f64 {
        let parts: Vec<f64> = self
            .used
            .par_iter()
            .map(|at| {
                let lane = &self.lanes.lanes[*at];
                let (Some(frame), Some(whole)) = (&frames[lane.source], &wholes[lane.source]) else {
                    return 0.0;
                };
                let sd = self.place_sd(lane);
                let known: f64 = state.place[*at].iter().zip(sd).map(|(x, sd)| -0.5 * (x / sd).powi(2)).sum();
                self.likelihood(*at, frame, whole, state) + known
            })
            .collect();
        let mut value: f64 = parts.iter().sum();
        let (mut whos, mut lines) = (vec![false; self.lanes.whos], vec![false; self.lanes.lines]);
        for at in &self.used {
            let lane = &self.lanes.lanes[*at];
            if !std::mem::replace(&mut whos[lane.who], true) {
                value -= 0.5 * state.own[lane.who].iter().map(|x| x * x).sum::<f64>();
            }
            if !std::mem::replace(&mut lines[lane.line], true) {
                let sd = self.line_sd(lane);
                value -= 0.5 * state.line[lane.line].iter().map(|x| (x / sd).powi(2)).sum::<f64>();
            }
        }
        value
    }

    /// The normal equations where the surfaces are `wholes`, with the first `figures` slopes of the frames (none: figures held).
    pub fn system(
        &self,
        frames: &[Option<Frame>],
        wholes: &[Option<Surface>],
        state: &State,
        figures: usize,
    ) -> Solved {
        let size = figures + LINE + OWN + PLACE;
        let of_lane = |at: &usize| {
            let lane = &self.lanes.lanes[*at];
            let mut normal = Normal::zero(size);
            if let (Some(frame), Some(whole)) = (&frames[lane.source], &wholes[lane.source]) {
                let surface = self.lane_surface(whole, frame, state.own[lane.who]);
                let mut row = vec![0.0; size];
                for (spot, counts) in lane.spots.iter().zip(&lane.counts) {
                    let parts = state.line[lane.line];
                    let read = self.read_at(lane, frame, spot, parts, state.place[*at]);
                    let stencil = surface.stencil(0, read);
                    let (_, pull, hold) = counts.likelihood(surface.read(&stencil));
                    let (taps, steps) = surface.slopes(&stencil);
                    let (taps, steps) = (taps * frame.per_tap, steps * frame.per_step);
                    for (slot, slope) in row.iter_mut().zip(&frame.slopes[..figures]) {
                        *slot = slope.as_ref().map_or(0.0, |slope| slope.read(&stencil));
                    }
                    let by_part = self.nonlinearity(lane, spot.tap, parts).1;
                    row[figures] = taps * by_part[0];
                    row[figures + 1] = taps * by_part[1];
                    let own = frame.own.iter().zip(state.own[lane.who]);
                    for (slot, ([slope, bend], by)) in row[figures + LINE..].iter_mut().zip(own) {
                        *slot = slope.read(&stencil) + 2.0 * by * bend.read(&stencil);
                    }
                    row[figures + LINE + OWN] = -taps;
                    row[figures + LINE + OWN + 1] = -steps;
                    normal.point(&row, pull, hold);
                }
            }
            normal.mirror();
            for (which, sd) in self.place_sd(lane).into_iter().enumerate() {
                normal.known(figures + LINE + OWN + which, state.place[*at][which], sd);
            }
            normal.eliminate(PLACE)
        };
        let lanes: Vec<(Normal, Eliminated)> = self.used.par_iter().map(of_lane).collect();
        let mut whos: Vec<Normal> =
            (0..self.lanes.whos).map(|_| Normal::zero(figures + LINE + OWN)).collect();
        let mut line_of = vec![usize::MAX; self.lanes.whos];
        let mut lane_back = Vec::with_capacity(lanes.len());
        let mut pulls = Vec::with_capacity(lanes.len());
        let mut line_sd = vec![f64::INFINITY; self.lanes.lines];
        for (at, (normal, back)) in self.used.iter().zip(lanes) {
            let lane = &self.lanes.lanes[*at];
            if line_of[lane.who] == usize::MAX {
                line_of[lane.who] = lane.line;
                for (which, own) in state.own[lane.who].iter().enumerate() {
                    whos[lane.who].known(figures + LINE + which, *own, 1.0);
                }
            }
            line_sd[lane.line] = self.line_sd(lane);
            whos[lane.who].add(&normal);
            pulls.push(normal.g);
            lane_back.push(back);
        }
        let mut lines: Vec<Normal> = (0..self.lanes.lines).map(|_| Normal::zero(figures + LINE)).collect();
        let (mut who_normal, mut who_back) = (Vec::new(), Vec::new());
        for (who, line) in whos.iter().zip(&line_of) {
            // What only a held-out eye has is held by nothing.
            let (normal, back) = who.eliminate(OWN);
            if *line != usize::MAX {
                lines[*line].add(&normal);
            }
            who_normal.push(normal);
            who_back.push(back);
        }
        let mut whole = Normal::zero(figures);
        let mut line_back = Vec::new();
        for (number, (mut line, sd)) in lines.into_iter().zip(line_sd).enumerate() {
            let sd = if sd.is_finite() { sd } else { 1.0 };
            (0..2).for_each(|which| line.known(figures + which, state.line[number][which], sd));
            let (normal, back) = line.eliminate(LINE);
            whole.add(&normal);
            line_back.push(back);
        }
        Solved { normal: whole, whos: who_normal, line_of, lines: line_back, pulls, who_back, lane_back }
    }

    /// A state moved by a share of the step that solves a system; `x` is the figures' part of it.
    fn moved(&self, state: &State, solved: &Solved, x: &[f64], share: f64) -> State {
        let mut next = state.clone();
        next.theta.iter_mut().zip(x).for_each(|(theta, by)| *theta += share * by);
        let lines: Vec<Vec<f64>> = solved.lines.iter().map(|line| line.back(x)).collect();
        for (line, by) in next.line.iter_mut().zip(&lines) {
            (0..2).for_each(|which| line[which] += share * by[which]);
        }
        let mut whos = Vec::new();
        for (who, back) in solved.who_back.iter().enumerate() {
            let mut kept = x.to_vec();
            let Some(line) = lines.get(solved.line_of[who]) else {
                whos.push(kept);
                continue;
            };
            kept.extend(line);
            let by = back.back(&kept);
            next.own[who].iter_mut().zip(&by).for_each(|(own, by)| *own += share * by);
            kept.extend(by);
            whos.push(kept);
        }
        for (at, back) in self.used.iter().zip(&solved.lane_back) {
            let by = back.back(&whos[self.lanes.lanes[*at].who]);
            (0..2).for_each(|which| next.place[*at][which] += share * by[which]);
        }
        next
    }

    /// Fits what the lanes have of their own, and the figures where `trust` says how far; the surfaces taken as straight. Answers the state
    /// and the logarithm of the posterior.
    fn inner(
        &self,
        frames: &[Option<Frame>],
        bases: &[Option<Surface>],
        from: &State,
        trust: Option<f64>,
        steps: usize,
    ) -> Option<(State, f64)> {
        let figures = if trust.is_some() { from.theta.len() } else { 0 };
        let wholes = |state: &State| -> Vec<Option<Surface>> {
            let whole = |(base, frame): (&Option<Surface>, &Option<Frame>)| {
                let (base, frame) = (base.as_ref()?, frame.as_ref()?);
                let by = state.theta.iter().zip(&from.theta).map(|(now, then)| now - then);
                let parts = frame.slopes.iter().zip(by).filter_map(|(slope, by)| Some((by, slope.as_ref()?)));
                Some(base.plus(parts))
            };
            bases.par_iter().zip(frames).map(whole).collect()
        };
        let trusted = |state: &State| -> f64 {
            let Some(trust) = trust else { return 0.0 };
            state
                .theta
                .iter()
                .zip(&from.theta)
                .map(|(now, then)| -0.5 * ((now - then) / trust).powi(2))
                .sum::<f64>()
                + self.prior(&state.theta)
        };
        let mut state = from.clone();
        let mut surfaces = if figures > 0 { wholes(&state) } else { bases.to_vec() };
        let mut value = self.value(frames, &surfaces, &state) + trusted(&state);
        for _ in 0..steps {
            let mut solved = self.system(frames, &surfaces, &state, figures);
            let x = match trust {
                Some(trust) => {
                    for at in 0..figures {
                        solved.normal.known(at, state.theta[at], self.columns[at].sd);
                        solved.normal.known(at, state.theta[at] - from.theta[at], trust);
                    }
                    solved.normal.solve()?
                }
                None => Vec::new(),
            };
            let mut gained = 0.0;
            for share in [1.0, 0.5, 0.25, 0.1] {
                let there = self.moved(&state, &solved, &x, share);
                let seen = if figures > 0 { wholes(&there) } else { surfaces.clone() };
                let whole = self.value(frames, &seen, &there) + trusted(&there);
                if whole.is_finite() && whole > value {
                    gained = whole - value;
                    (state, value, surfaces) = (there, whole, seen);
                    break;
                }
            }
            if gained < SETTLED {
                break;
            }
        }
        Some((state, value))
    }

    /// Uses the points that tell something where the surfaces are now.
    fn choose(&mut self, frames: &[Option<Frame>], state: &State, share: f64) {
        let used = self.used.clone();
        let mut lanes = std::mem::take(&mut self.lanes.lanes);
        for at in used {
            let mut lane = lanes[at].clone();
            if let Some(frame) = &frames[lane.source] {
                let surface = self.lane_surface(&frame.base, frame, state.own[lane.who]);
                let like = lanes[at].clone();
                lane.choose(share, |spot| {
                    surface.at(0, self.read_at(&like, frame, spot, state.line[like.line], state.place[at]))
                });
            }
            lanes[at] = lane;
        }
        self.lanes.lanes = lanes;
    }

    /// Lays each lane where its middle meets the model's, and tries places beside it.
    fn begin(&mut self, frames: &[Option<Frame>]) -> State {
        let mut state = State {
            theta: vec![0.0; self.columns.len()],
            line: vec![[0.0; 2]; self.lanes.lines],
            own: vec![[0.0; OWN]; self.lanes.whos],
            place: vec![[0.0; 2]; self.lanes.lanes.len()],
        };
        for at in self.used.clone() {
            let lane = &self.lanes.lanes[at];
            let Some(frame) = &frames[lane.source] else { continue };
            if let (Some(seen), Some(said)) = (lane.middle, frame.base.middle(0, quantile(Z_AT_MIDDLE))) {
                state.place[at] =
                    [seen.tap - said.tap / frame.per_tap, seen.step - said.step / frame.per_step];
            }
        }
        self.choose(frames, &state, SHARES[0]);
        // All points count while places are compared.
        let begun = state.clone();
        let better: Vec<(usize, f64)> = self
            .used
            .par_iter()
            .filter_map(|at| {
                let frame = frames[self.lanes.lanes[*at].source].as_ref()?;
                let tried = STARTS.iter().map(|by| {
                    let mut there = begun.place[*at];
                    there[0] += by;
                    let lane = &self.lanes.lanes[*at];
                    let sum: f64 = lane
                        .spots
                        .iter()
                        .zip(&lane.counts)
                        .map(|(spot, counts)| {
                            let read = self.read_at(lane, frame, spot, [0.0; 2], there);
                            counts.likelihood(frame.base.at(0, read)).0
                        })
                        .sum();
                    (there[0], sum)
                });
                let best = tried.max_by(|a, b| a.1.total_cmp(&b.1))?;
                Some((*at, best.0))
            })
            .collect();
        better.into_iter().for_each(|(at, tap)| state.place[at][0] = tap);
        self.choose(frames, &state, SHARES[0]);
        state
    }

    /// Fits everything. Answers the state and the surfaces there.
    ///
    /// # Errors
    /// A model without an answer, or figures that the counts leave undetermined, in words.
    pub fn fit(&mut self) -> Result<(State, Vec<Option<Frame>>), String> {
        let failed = "the counts leave the figures undetermined";
        let sources = self.sources_of(&self.used);
        let mut frames = self.frames(&sources, &vec![0.0; self.columns.len()], &[], None)?;
        let mut state = self.begin(&frames);
        let (mut slopes_at, mut own_at) = (state.theta.clone(), state.theta.clone());
        let bases = |frames: &[Option<Frame>]| -> Vec<Option<Surface>> {
            frames.iter().map(|frame| frame.as_ref().map(|frame| frame.base.clone())).collect()
        };
        for (stage, (share, steps)) in SHARES.into_iter().zip(STEPS).enumerate() {
            if stage > 0 {
                self.choose(&frames, &state, share);
            }
            let (settled, value) = self.inner(&frames, &bases(&frames), &state, None, 8).ok_or(failed)?;
            let mut value = value + self.prior(&settled.theta);
            state = settled;
            let mut trust = TRUST;
            for _ in 0..steps {
                let (mut there, _) =
                    self.inner(&frames, &bases(&frames), &state, Some(trust), 4).ok_or(failed)?;
                there.theta.iter_mut().for_each(|theta| *theta = theta.clamp(-FARTHEST, FARTHEST));
                let tried = self.bases(&sources, &there.theta).ok().and_then(|bases| {
                    let (there, value) = self.inner(&frames, &bases, &there, None, 4)?;
                    let whole = value + self.prior(&there.theta);
                    Some((there, whole, bases))
                });
                match tried {
                    Some((there, better, bases)) if better > value => {
                        let gained = better - value;
                        let far = farthest(&there.theta, &state.theta);
                        (state, value) = (there, better);
                        if farthest(&state.theta, &slopes_at) < SLOPES_HOLD {
                            for (frame, base) in frames.iter_mut().zip(bases) {
                                frame.iter_mut().zip(base).for_each(|(frame, base)| frame.base = base);
                            }
                        } else {
                            let kept = farthest(&state.theta, &own_at) < OWN_HOLDS;
                            if !kept {
                                own_at.clone_from(&state.theta);
                            }
                            slopes_at.clone_from(&state.theta);
                            let before = kept.then_some(frames.as_slice());
                            frames = self.frames(&sources, &state.theta, &[], before)?;
                        }
                        if gained < 10.0 * SETTLED && far < 0.01 {
                            break;
                        }
                        trust = (2.0 * trust).min(2.0 * TRUST);
                    }
                    _ if trust < 0.003 => break,
                    _ => trust *= 0.35,
                }
            }
        }
        if slopes_at != state.theta {
            frames = self.frames(&sources, &state.theta, &[], None)?;
        }
        Ok((state, frames))
    }
}
