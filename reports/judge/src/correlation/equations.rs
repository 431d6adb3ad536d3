//! The likelihood of everything, and the normal equations of a step.

use super::frames::Frame;
use super::lanes::{LaneEye, Spot};
use super::normal::{Eliminated, Normal};
use super::problem::{OWN, Problem, State};
use super::stack::Stack;
use crate::causes::surface::{Place, Surface};
use rayon::prelude::*;

/// Unknowns of a delay line and of a place.
const LINE: usize = 2;
const PLACE: usize = 2;
/// Standard deviations that a lane's own may be away: what was looked at near the middle holds no further.
const OWN_MOST: f64 = 4.0;

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

fn place_of(stack: &Stack, spot: &Spot, late: f64, place: [f64; 2]) -> Place {
    stack.scale.place(spot.tap + late - place[0], spot.step - place[1])
}

impl Problem<'_> {
    /// The sources' surfaces as points read them, with the first `figures` slopes (none: figures held); `bases` in place of the frames'
    /// own ones.
    pub fn stacks(
        &self,
        frames: &[Option<Frame>],
        bases: Option<&[Option<Surface>]>,
        figures: usize,
    ) -> Vec<Option<Stack>> {
        let of = |(source, frame): (usize, &Option<Frame>)| {
            let frame = frame.as_ref()?;
            let base = match bases {
                Some(bases) => bases[source].as_ref()?,
                None => &frame.base,
            };
            Some(Stack::of(frame, base, figures))
        };
        frames.par_iter().enumerate().map(of).collect()
    }

    /// Logarithm of the posterior, the shared unknowns' prior left out; they are moved by `by` from where the surfaces were made.
    pub fn value(&self, stacks: &[Option<Stack>], state: &State, by: &[f64]) -> f64 {
        let late = self.late(state);
        let of_lane = |at: &usize| {
            let lane = &self.lanes.lanes[*at];
            let Some(stack) = &stacks[lane.source] else { return 0.0 };
            let shares = stack.shares(by, state.own[lane.who]);
            let (mut sums, late, place) = (vec![0.0; shares.len()], &late[lane.line], state.place[*at]);
            let counted = lane.spots.iter().zip(&lane.counts).map(|(spot, counts)| {
                let read = place_of(stack, spot, late[spot.tap as usize].0, place);
                counts.value(stack.z(read, &shares, &mut sums))
            });
            let counted: f64 = counted.sum();
            let sd = self.place_sd(lane);
            counted + place.iter().zip(sd).map(|(x, sd)| -0.5 * (x / sd).powi(2)).sum::<f64>()
        };
        let parts: Vec<f64> = self.used.par_iter().map(of_lane).collect();
        let mut value: f64 = parts.iter().sum();
        let (mut whos, mut lines) = (vec![false; self.lanes.whos], vec![false; self.lanes.lines]);
        for at in &self.used {
            let lane = &self.lanes.lanes[*at];
            if !std::mem::replace(&mut whos[lane.who], true) {
                value -= 0.5 * state.own[lane.who].iter().map(|x| (x / self.given).powi(2)).sum::<f64>();
            }
            if !std::mem::replace(&mut lines[lane.line], true) {
                let sd = self.line_sd(lane);
                value -= 0.5 * state.line[lane.line].iter().map(|x| (x / sd).powi(2)).sum::<f64>();
            }
        }
        value
    }

    fn lane_normal(
        &self,
        at: usize,
        stack: &Stack,
        state: &State,
        by: &[f64],
        late: &[(f64, [f64; 2])],
        figures: usize,
    ) -> Normal {
        let lane: &LaneEye = &self.lanes.lanes[at];
        let size = figures + LINE + OWN + PLACE;
        let mut normal = Normal::zero(size);
        let (own, place) = (state.own[lane.who], state.place[at]);
        let shares = stack.shares(by, own);
        let (mut sums, mut row) = (vec![0.0; shares.len()], vec![0.0; size]);
        let first_own = 1 + stack.columns.len();
        for (spot, counts) in lane.spots.iter().zip(&lane.counts) {
            let (late, by_part) = late[spot.tap as usize];
            let read = stack.read(place_of(stack, spot, late, place), &shares, &mut sums);
            let (_, pull, hold) = counts.likelihood(read.z);
            if pull == 0.0 && hold == 0.0 {
                continue;
            }
            stack.columns.iter().zip(&sums[1..]).for_each(|(column, slope)| row[*column] = *slope);
            row[figures] = read.taps * by_part[0];
            row[figures + 1] = read.taps * by_part[1];
            for (which, parts) in stack.own.iter().zip(sums[first_own..].chunks_exact(2)) {
                row[figures + LINE + which] = parts[0] + 2.0 * own[*which] * parts[1];
            }
            row[figures + LINE + OWN] = -read.taps;
            row[figures + LINE + OWN + 1] = -read.steps;
            normal.point(&row, pull, hold);
        }
        normal.mirror();
        normal
    }

    /// The normal equations where the surfaces are those of the stacks, the shared unknowns moved by `by`, with the first `figures` of them
    /// (none: held), and one eye left out if asked for.
    pub fn system(
        &self,
        stacks: &[Option<Stack>],
        state: &State,
        by: &[f64],
        figures: usize,
        without: Option<usize>,
    ) -> Solved {
        let late = self.late(state);
        let of_lane = |at: &usize| {
            let lane = &self.lanes.lanes[*at];
            let mut normal = match &stacks[lane.source] {
                Some(stack) if without != Some(lane.eye) => {
                    self.lane_normal(*at, stack, state, by, &late[lane.line], figures)
                }
                _ => Normal::zero(figures + LINE + OWN + PLACE),
            };
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
                    whos[lane.who].known(figures + LINE + which, *own, self.given);
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
    pub fn moved(&self, state: &State, solved: &Solved, x: &[f64], share: f64) -> State {
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
            for (own, by) in next.own[who].iter_mut().zip(&by) {
                *own = (*own + share * by).clamp(-OWN_MOST, OWN_MOST);
            }
            kept.extend(by);
            whos.push(kept);
        }
        for (at, back) in self.used.iter().zip(&solved.lane_back) {
            let by = back.back(&whos[self.lanes.lanes[*at].who]);
            (0..2).for_each(|which| next.place[*at][which] += share * by[which]);
        }
        next
    }
}
