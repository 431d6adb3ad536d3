//! The surfaces of each source at some figures, and how they change with what is unknown.

use super::lanes::surface;
use super::problem::{Column, LEAST_SPREAD, OWN, PRIOR_SD, Problem, What};
use crate::causes::surface::{Place, Surface};
use nightbench_core::figure_model::{FineEye, LaneOwn};
use rayon::prelude::*;

/// By how much a figure is changed to see the slope, logarithm.
const STEP: f64 = 0.02;
/// Standard deviations either way at which the effect of a lane's own copper and pads is looked at: it bends.
const OWN_STEP: f64 = 1.5;

/// How a surface's places lie to taps and Vref steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    pub per_tap: f64,
    pub per_step: f64,
    pub first_step: f64,
}

impl Scale {
    fn of(eye: &FineEye) -> Scale {
        Scale { per_tap: eye.per_tap, per_step: eye.per_step, first_step: eye.first_step }
    }

    /// The place of a tap and a Vref step.
    pub fn place(self, tap: f64, step: f64) -> Place {
        Place { tap: self.per_tap * tap, step: self.per_step * (step - self.first_step) }
    }

    /// The Vref step of a place.
    pub fn step(self, place: f64) -> f64 {
        self.first_step + place / self.per_step
    }
}

/// The surfaces of one source.
#[derive(Clone)]
pub struct Frame {
    pub base: Surface,
    /// Change with each figure asked for; `None` where it changes nothing.
    pub slopes: Vec<Option<Surface>>,
    /// Change with a lane's impedance, capacitance and length: a standard deviation, and its square; `None` where lanes are alike.
    pub own: [Option<[Surface; 2]>; OWN],
    pub scale: Scale,
}

/// One surface that is asked of a model.
#[derive(Clone, Copy)]
enum Ask {
    Base,
    /// With a shared unknown changed, by its place in [`Problem::columns`].
    Shared(usize),
    /// With a figure or a contact changed that is not fitted.
    More(What),
    /// With a lane's own impedance, capacitance or length at some standard deviations.
    Own(usize, f64),
}

/// A surface, and by how much what was asked for was changed.
struct Made {
    surface: Surface,
    by: f64,
    scale: Scale,
}

/// Slope and bend from surfaces on either side.
fn bent(base: &Surface, more: &Surface, less: &Surface) -> Option<[Surface; 2]> {
    let slope = more.less(less, 0.5 / OWN_STEP);
    let bend = more.plus([(1.0, less), (-2.0, base)]).times(0.5 * OWN_STEP.powi(-2));
    (slope.size() > 1e-9).then_some([slope, bend])
}

impl Problem<'_> {
    fn made(&self, source: usize, ask: Ask, theta: &[f64]) -> Result<Option<Made>, String> {
        let (model, setup, eye) = self.lanes.sources[source];
        let mut own = LaneOwn::default();
        let (mut columns, mut there) = (self.columns.clone(), theta.to_vec());
        // Away from the end of its range; `None` where the source does not know it.
        let step = |what: What, at: f64| match what {
            What::Figure(figure) => {
                let figure = &self.asked.figures[figure];
                let high = figure.value * (at + STEP).exp() > figure.range.1;
                (!self.asked.models[model].is_own(&figure.name)).then_some(if high { -STEP } else { STEP })
            }
            What::Contact(of, _) => (of == setup).then_some(STEP),
        };
        let mut by = 0.0;
        match ask {
            Ask::Base => {}
            Ask::Shared(at) => {
                let Some(step) = step(columns[at].what, there[at]) else { return Ok(None) };
                by = step;
                there[at] += by;
            }
            // What is not fitted keeps the plan's value unsaid elsewhere: saying it may mean more (terminations by table).
            Ask::More(what) => {
                let Some(step) = step(what, 0.0) else { return Ok(None) };
                by = step;
                columns.push(Column { what, sd: PRIOR_SD });
                there.push(by);
            }
            Ask::Own(which, deviations) => {
                let sd = self.own_sd(source)[which];
                if sd <= LEAST_SPREAD {
                    return Ok(None);
                }
                match which {
                    0 => own.impedance = deviations * sd,
                    1 => own.capacitance = deviations * sd,
                    _ => own.length_mm = deviations * sd,
                }
            }
        }
        let (figures, contacts) = self.values(source, &columns, &there);
        let made = self.asked.models[model].eye(eye, &figures, &contacts, own)?;
        Ok(Some(Made { surface: surface(&made)?, by, scale: Scale::of(&made) }))
    }

    /// Every source's answers to what is asked of each.
    fn answers(
        &self,
        sources: &[usize],
        asks: &[Ask],
        theta: &[f64],
    ) -> Result<Vec<Vec<Option<Made>>>, String> {
        let tasks: Vec<(usize, Ask)> =
            sources.iter().flat_map(|source| asks.iter().map(move |ask| (*source, *ask))).collect();
        let mut made = tasks
            .par_iter()
            .map(|(source, ask)| self.made(*source, *ask, theta))
            .collect::<Result<Vec<_>, String>>()?
            .into_iter();
        Ok(sources.iter().map(|_| made.by_ref().take(asks.len()).collect()).collect())
    }

    /// The surfaces at some figures alone, those of `sources`; others are `None`.
    pub fn bases(&self, sources: &[usize], theta: &[f64]) -> Result<Vec<Option<Surface>>, String> {
        let mut bases: Vec<Option<Surface>> = vec![None; self.lanes.sources.len()];
        for (source, made) in sources.iter().zip(self.answers(sources, &[Ask::Base], theta)?) {
            bases[*source] = made.into_iter().flatten().next().map(|made| made.surface);
        }
        Ok(bases)
    }

    /// The surfaces of `sources` at some figures, with everything that they change with; `None` for others.
    pub fn frames(&self, sources: &[usize], theta: &[f64]) -> Result<Vec<Option<Frame>>, String> {
        let mut frames: Vec<Option<Frame>> = vec![None; self.lanes.sources.len()];
        for (source, made) in sources.iter().zip(self.answers(sources, &[Ask::Base], theta)?) {
            frames[*source] = made.into_iter().flatten().next().map(|made| Frame {
                base: made.surface,
                slopes: Vec::new(),
                own: [None, None, None],
                scale: made.scale,
            });
        }
        self.renew(sources, theta, &mut frames, true)?;
        Ok(frames)
    }

    /// Makes the slopes of frames anew whose bases are at `theta`; what a lane's own copper and pads change only if `own`.
    pub fn renew(
        &self,
        sources: &[usize],
        theta: &[f64],
        frames: &mut [Option<Frame>],
        own: bool,
    ) -> Result<(), String> {
        let mut asks: Vec<Ask> = (0..self.columns.len()).map(Ask::Shared).collect();
        if own {
            asks.extend((0..OWN).flat_map(|which| [Ask::Own(which, OWN_STEP), Ask::Own(which, -OWN_STEP)]));
        }
        for (source, made) in sources.iter().zip(self.answers(sources, &asks, theta)?) {
            let Some(frame) = &mut frames[*source] else { continue };
            let (shared, owns) = made.split_at(self.columns.len());
            frame.slopes = shared.iter().map(|made| frame.change(made.as_ref())).collect();
            for (which, pair) in owns.chunks_exact(2).enumerate() {
                if let [Some(more), Some(less)] = pair {
                    frame.own[which] = bent(&frame.base, &more.surface, &less.surface);
                }
            }
        }
        Ok(())
    }

    /// Adds the slopes by what is not fitted, behind the others.
    pub fn add(
        &self,
        sources: &[usize],
        theta: &[f64],
        frames: &mut [Option<Frame>],
        more: &[What],
    ) -> Result<(), String> {
        let asks: Vec<Ask> = more.iter().copied().map(Ask::More).collect();
        for (source, made) in sources.iter().zip(self.answers(sources, &asks, theta)?) {
            let Some(frame) = &mut frames[*source] else { continue };
            let more: Vec<_> = made.iter().map(|made| frame.change(made.as_ref())).collect();
            frame.slopes.extend(more);
        }
        Ok(())
    }
}

impl Frame {
    fn change(&self, made: Option<&Made>) -> Option<Surface> {
        let made = made?;
        let change = made.surface.less(&self.base, made.by.recip());
        (change.size() > 1e-9).then_some(change)
    }
}
