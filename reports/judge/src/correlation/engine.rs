//! The fit: figures shared by all eyes, and beside them what each lane has of its own, by scoring.
//!
//! Each step takes the surfaces as straight in the figures (Gauss-Newton); it counts only if the surfaces made anew at its end
//! make the counts likelier, else it is taken shorter.

use super::MEETS;
use super::frames::Frame;
use super::lanes::SHARES;
use super::problem::{OWN, Problem, State};
use super::residuals::residuals;
use super::stack::Stack;
use crate::causes::surface::quantile;
use rayon::prelude::*;

/// How far a figure goes at a time, as a standard deviation.
const TRUST: f64 = 0.15;
/// How far it goes at all.
pub const FARTHEST: f64 = 1.2;
/// Gain of the logarithm of the likelihood that is none.
const SETTLED: f64 = 0.05;
/// Steps with the model's figures free, at each of [`SHARES`].
const STEPS: [usize; 3] = [8, 8, 12];
/// How much of their spread lanes are given at each of [`SHARES`].
const GIVEN: [f64; 3] = [0.2, 1.0, 1.0];
/// Figures that move less than this end a stage that others follow.
const NEAR: f64 = 0.03;
/// Places in time that are tried at the start, taps from where the middles meet.
const STARTS: [f64; 5] = [0.0, -2.0, 2.0, -4.0, 4.0];
const Z_AT_MIDDLE: f64 = 1e-5;
/// How far the figures may go before what lanes have of their own, and the figures' slopes, are looked at anew.
const OWN_HOLDS: f64 = 0.1;
const SLOPES_HOLD: f64 = 0.03;
/// Further starts of a fit that ended in a wrong place, and how far off they are.
const MORE_STARTS: u32 = 3;
const APART: f64 = 0.3;

fn farthest(now: &[f64], then: &[f64]) -> f64 {
    now.iter().zip(then).fold(0.0, |most, (now, then)| most.max((now - then).abs()))
}

fn apart(now: &[f64], then: &[f64]) -> Vec<f64> {
    now.iter().zip(then).map(|(now, then)| now - then).collect()
}

impl Problem<'_> {
    /// Fits what the lanes have of their own, and the figures where `trust` says how far; the surfaces taken as straight. Answers the state
    /// and the logarithm of the posterior.
    fn inner(
        &self,
        stacks: &[Option<Stack>],
        from: &State,
        trust: Option<f64>,
        steps: usize,
    ) -> Option<(State, f64)> {
        let figures = if trust.is_some() { from.theta.len() } else { 0 };
        let trusted = |state: &State| -> f64 {
            let Some(trust) = trust else { return 0.0 };
            let moved = apart(&state.theta, &from.theta);
            self.prior(&state.theta) - moved.iter().map(|by| 0.5 * (by / trust).powi(2)).sum::<f64>()
        };
        let value_of =
            |state: &State| self.value(stacks, state, &apart(&state.theta, &from.theta)) + trusted(state);
        let mut state = from.clone();
        let mut value = value_of(&state);
        for _ in 0..steps {
            let by = apart(&state.theta, &from.theta);
            let mut solved = self.system(stacks, &state, &by, figures, None);
            let x = match trust {
                Some(trust) => {
                    for (at, by) in by.iter().enumerate() {
                        solved.normal.known(at, state.theta[at], self.column_sd(at));
                        solved.normal.known(at, *by, trust);
                    }
                    solved.normal.solve()?
                }
                None => Vec::new(),
            };
            let mut gained = 0.0;
            for share in [1.0, 0.5, 0.25, 0.1] {
                let there = self.moved(&state, &solved, &x, share);
                let whole = value_of(&there);
                if whole.is_finite() && whole > value {
                    gained = whole - value;
                    (state, value) = (there, whole);
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
    fn begin(&mut self, frames: &[Option<Frame>], theta: Vec<f64>) -> State {
        let mut state = State {
            theta,
            line: vec![[0.0; 2]; self.lanes.lines],
            own: vec![[0.0; OWN]; self.lanes.whos],
            place: vec![[0.0; 2]; self.lanes.lanes.len()],
        };
        for at in self.used.clone() {
            let lane = &self.lanes.lanes[at];
            let Some(frame) = &frames[lane.source] else { continue };
            if let (Some(seen), Some(said)) = (lane.middle, frame.base.middle(0, quantile(Z_AT_MIDDLE))) {
                state.place[at] =
                    [seen.tap - said.tap / frame.scale.per_tap, seen.step - frame.scale.step(said.step)];
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
        let mut best = self.fit_from(vec![0.0; self.columns.len()])?;
        let mut least = residuals(self, &best.1, &best.0).1;
        let free = self.asked.free.len();
        let chosen = |problem: &Self| problem.lanes.clone();
        let mut lanes = chosen(self);
        for start in 1..=MORE_STARTS {
            if least < MEETS {
                break;
            }
            // Spread over the cube by the golden ratio.
            let share = |at: usize| {
                2.0 * (0.618_033_988_749_895 * (at as f64 + 1.0) * f64::from(start)).fract() - 1.0
            };
            let theta = (0..self.columns.len()).map(|at| if at < free { APART * share(at) } else { 0.0 });
            let theta = theta.collect();
            let Ok(found) = self.fit_from(theta) else { continue };
            let chi_square = residuals(self, &found.1, &found.0).1;
            if chi_square < least {
                (best, least) = (found, chi_square);
                lanes = chosen(self);
            }
        }
        self.lanes = lanes;
        Ok(best)
    }

    fn fit_from(&mut self, theta: Vec<f64>) -> Result<(State, Vec<Option<Frame>>), String> {
        let failed = "the counts leave the figures undetermined";
        let sources = self.sources_of(&self.used);
        let mut frames = self.frames(&sources, &theta)?;
        let mut state = self.begin(&frames, theta);
        let (mut slopes_at, mut own_at) = (state.theta.clone(), state.theta.clone());
        for (stage, (share, steps)) in SHARES.into_iter().zip(STEPS).enumerate() {
            let last = stage + 1 == SHARES.len();
            self.given = GIVEN[stage];
            if stage > 0 {
                self.choose(&frames, &state, share);
            }
            let (settled, value) =
                self.inner(&self.stacks(&frames, None, 0), &state, None, 8).ok_or(failed)?;
            let mut value = value + self.prior(&settled.theta);
            state = settled;
            let mut trust = TRUST;
            for _ in 0..steps {
                let stacks = self.stacks(&frames, None, self.columns.len());
                let (mut there, _) = self.inner(&stacks, &state, Some(trust), 4).ok_or(failed)?;
                there.theta.iter_mut().for_each(|theta| *theta = theta.clamp(-FARTHEST, FARTHEST));
                let tried = self.bases(&sources, &there.theta).ok().and_then(|bases| {
                    let stacks = self.stacks(&frames, Some(&bases), 0);
                    let (there, value) = self.inner(&stacks, &there, None, 4)?;
                    let whole = value + self.prior(&there.theta);
                    Some((there, whole, bases))
                });
                match tried {
                    Some((there, better, bases)) if better > value => {
                        let gained = better - value;
                        let far = farthest(&there.theta, &state.theta);
                        (state, value) = (there, better);
                        for (frame, base) in frames.iter_mut().zip(bases) {
                            frame.iter_mut().zip(base).for_each(|(frame, base)| frame.base = base);
                        }
                        if farthest(&state.theta, &slopes_at) >= SLOPES_HOLD {
                            let own = farthest(&state.theta, &own_at) >= OWN_HOLDS;
                            if own {
                                own_at.clone_from(&state.theta);
                            }
                            slopes_at.clone_from(&state.theta);
                            self.renew(&sources, &state.theta, &mut frames, own)?;
                        }
                        if gained < 10.0 * SETTLED && far < 0.01 || !last && far < NEAR {
                            break;
                        }
                        trust = (2.0 * trust).min(2.0 * TRUST);
                    }
                    _ if trust < 0.003 => break,
                    _ => trust *= 0.35,
                }
            }
        }
        Ok((state, frames))
    }
}
