//! The signatures of causes: what a nominal lane's eye would be with one figure changed, made by a model.

use super::surface::{Place, Surface, cubic};
use nightbench_core::lane_model::{Change, FRINGE, Knob, LaneModel};
use nightbench_core::results::{EyeName, Grid};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// What takes margin, in the field's words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// ISI by reflections.
    Reflection,
    /// ISI by loss.
    Loss,
    Crosstalk,
    RandomJitter,
    /// Bounded jitter or duty-cycle distortion: of these only the sum is seen.
    BoundedJitter,
    Noise,
    Nonlinearity,
    /// The trained point lies off the middle of the eye.
    Centring,
    /// The eye moved since the training it still runs with.
    Drift,
}

impl Cause {
    /// What a change of a figure is called.
    pub fn of(knob: Knob) -> Cause {
        match knob {
            Knob::BoardImpedance
            | Knob::ModuleImpedance
            | Knob::RiserImpedance
            | Knob::LineImpedance
            | Knob::ConnectorCapacitance
            | Knob::ViaCapacitance
            | Knob::PadCapacitance
            | Knob::Termination
            | Knob::Driver
            | Knob::DriverEdge => Cause::Reflection,
            Knob::LossTangent | Knob::BoardLoss | Knob::Resistivity => Cause::Loss,
            Knob::Coupling => Cause::Crosstalk,
            Knob::RandomJitter => Cause::RandomJitter,
            Knob::BoundedJitter | Knob::DutyCycle => Cause::BoundedJitter,
            Knob::Noise | Knob::BoundedNoise => Cause::Noise,
            Knob::Nonlinearity(_) => Cause::Nonlinearity,
        }
    }

    /// As a page prints it.
    pub fn words(self) -> &'static str {
        match self {
            Cause::Reflection => "ISI (reflection)",
            Cause::Loss => "ISI (loss)",
            Cause::Crosstalk => "crosstalk",
            Cause::RandomJitter => "RJ",
            Cause::BoundedJitter => "DJ/DCD",
            Cause::Noise => "receiver noise",
            Cause::Nonlinearity => "delay line INL",
            Cause::Centring => "offset from the middle of the eye",
            Cause::Drift => "drift since training",
        }
    }
}

/// One figure changed one way, at several sizes.
struct Variant {
    cause: Cause,
    knob: Knob,
    /// Natural logarithms of the factors (taps, of the nonlinearity).
    sizes: [f64; 4],
}

/// Figures by cause, with the largest change that is thought of (estimates: what a bad joint, a wrong part or a defect does).
fn variants() -> Vec<Variant> {
    let mut all = Vec::new();
    let mut add = |knob, most: f64| {
        let sizes = [0.15, 0.35, 0.65, 1.0].map(|part| part * most);
        all.push(Variant { cause: Cause::of(knob), knob, sizes });
    };
    for knob in [Knob::BoardImpedance, Knob::ModuleImpedance, Knob::RiserImpedance] {
        add(knob, 0.8);
        add(knob, -0.8);
    }
    // Beyond what lanes differ by.
    add(Knob::LineImpedance, 0.4);
    add(Knob::LineImpedance, -0.4);
    add(Knob::ConnectorCapacitance, 1.6);
    add(Knob::ViaCapacitance, 2.4);
    add(Knob::PadCapacitance, 1.1);
    add(Knob::Termination, 1.1);
    add(Knob::Termination, -1.1);
    add(Knob::LossTangent, 2.4);
    add(Knob::BoardLoss, 2.4);
    add(Knob::Resistivity, 3.2);
    add(Knob::Coupling, 1.6);
    add(Knob::RandomJitter, 2.0);
    add(Knob::BoundedJitter, 2.4);
    add(Knob::DutyCycle, 2.4);
    add(Knob::Noise, 2.2);
    add(Knob::BoundedNoise, 2.2);
    (0..8).for_each(|phase| add(Knob::Nonlinearity(phase), 6.0));
    all
}

/// Figures that a reference is fitted by, with what is known of them beforehand (relative, as a standard deviation).
pub const FITTED: [(Knob, f64); 13] = [
    (Knob::BoardImpedance, 0.1),
    (Knob::ModuleImpedance, 0.1),
    (Knob::ConnectorCapacitance, 0.3),
    (Knob::PadCapacitance, 0.3),
    (Knob::Termination, 0.2),
    (Knob::Driver, 0.2),
    (Knob::DriverEdge, 0.3),
    (Knob::LossTangent, 0.3),
    (Knob::Coupling, 0.3),
    (Knob::RandomJitter, 0.3),
    (Knob::BoundedJitter, 0.4),
    (Knob::Noise, 0.3),
    (Knob::BoundedNoise, 0.3),
];

/// What differs from healthy lane to healthy lane, as standard deviations: copper, pads and the delay line (estimates). These phases of
/// the delay line together are any sum of its two waves; those a quarter of a turn apart leave one out.
const OWN: [(Knob, f64); 6] = [
    (Knob::LineImpedance, 0.025),
    (Knob::PadCapacitance, 0.05),
    (Knob::Nonlinearity(0), 0.6),
    (Knob::Nonlinearity(1), 0.6),
    (Knob::Nonlinearity(2), 0.6),
    (Knob::Nonlinearity(3), 0.6),
];

/// How z changes with a figure, for a unit of its change.
#[derive(Debug, Clone)]
pub struct Mode {
    /// Known beforehand to this standard deviation.
    pub sd: f64,
    pub slope: Surface,
}

/// One figure changed: what z changes by, at each size.
#[derive(Debug, Clone)]
pub struct Signature {
    pub cause: Cause,
    pub knob: Knob,
    /// Ascending, from the smallest.
    pub levels: Vec<(f64, Surface)>,
    /// Made anew about one size: three sizes close to each other.
    local: bool,
}

/// A nominal lane and what can be different about it.
#[derive(Debug, Clone)]
pub struct Nominal {
    pub base: Surface,
    pub own: Vec<Mode>,
}

/// A model's answers for one job.
#[derive(Clone)]
pub struct AskedJob<'m> {
    model: &'m dyn LaneModel,
    grid: Grid,
    /// Where its unchanged eye has its middle: a large eye runs off the grid, so that every surface is moved as little as can be.
    middle: Place,
    /// The figures as the job's healthy lanes show them: what the model has wrong of one rate or pattern it need not have of another.
    pub fitted: Vec<Change>,
}

/// A model's answers for one eye of each job.
pub struct Asked<'m> {
    pub jobs: Vec<AskedJob<'m>>,
    pub eye: EyeName,
    /// z of the BER limit.
    pub limit: f64,
}

/// Change of a figure that its slope is taken over.
const STEP: f64 = 0.05;

/// One job's eye as a model says it.
fn answer(model: &dyn LaneModel, eye: EyeName, grid: &Grid, changes: &[Change]) -> Result<Surface, String> {
    let ratios = model.error_ratios(eye, changes)?;
    Surface::with_fringe(grid.taps.into(), grid.vref_steps.into(), FRINGE, &ratios)
        .ok_or_else(|| format!("the model answered {} points for {eye}", ratios.len()))
}

impl<'m> Asked<'m> {
    /// The model of one eye of a job, nothing fitted.
    ///
    /// # Errors
    /// The model's own words.
    pub fn new(model: &'m dyn LaneModel, grid: Grid, eye: EyeName, limit: f64) -> Result<Asked<'m>, String> {
        let half = |count: u16| 0.5 * (f64::from(count) - 1.0);
        let middle = answer(model, eye, &grid, &[])?.middle(0, limit);
        let centre = Place { tap: half(grid.taps), step: half(grid.vref_steps) };
        let job = AskedJob { model, grid, middle: middle.unwrap_or(centre), fitted: Vec::new() };
        Ok(Asked { jobs: vec![job], eye, limit })
    }

    /// A job's answer with changes beside what was fitted to it.
    fn answer(&self, job: &AskedJob<'_>, changes: &[Change]) -> Result<Surface, String> {
        let all: Vec<Change> = job.fitted.iter().chain(changes).copied().collect();
        answer(job.model, self.eye, &job.grid, &all)
    }

    /// The nominal lane with changes.
    ///
    /// # Errors
    /// The model's own words.
    pub fn surface(&self, changes: &[Change]) -> Result<Surface, String> {
        let sheet = |job: &AskedJob<'_>| {
            self.answer(job, changes).map(|surface| surface.centred(self.limit, job.middle))
        };
        self.jobs.iter().map(sheet).collect::<Result<Vec<_>, String>>().map(Surface::stacked)
    }

    fn with(&self, changes: &[Change], knob: Knob, by: f64) -> Result<Surface, String> {
        let mut all = changes.to_vec();
        all.push(Change { knob, by });
        self.surface(&all)
    }

    fn modes(&self, base: &Surface, changes: &[Change], list: &[(Knob, f64)]) -> Result<Vec<Mode>, String> {
        list.par_iter()
            .map(|(knob, sd)| {
                let step = if matches!(knob, Knob::Nonlinearity(_)) { 10.0 * STEP } else { STEP };
                let slope = self.with(changes, *knob, step)?.less(base, 1.0 / step);
                Ok(Mode { sd: *sd, slope })
            })
            .collect()
    }

    /// The figures that a reference is fitted by.
    ///
    /// # Errors
    /// The model's own words.
    pub fn fitted(&self, base: &Surface, changes: &[Change]) -> Result<Vec<Mode>, String> {
        self.modes(base, changes, &FITTED)
    }

    /// The nominal lane about changes already made.
    ///
    /// # Errors
    /// The model's own words.
    pub fn nominal(&self, changes: &[Change]) -> Result<Nominal, String> {
        let base = self.surface(changes)?;
        // A delay line has one nonlinearity: what is small beside a large one is taken from a straight line.
        let straight: Vec<Change> =
            changes.iter().copied().filter(|change| !matches!(change.knob, Knob::Nonlinearity(_))).collect();
        let own = if straight.len() == changes.len() {
            self.modes(&base, changes, &OWN)?
        } else {
            self.modes(&self.surface(&straight)?, &straight, &OWN)?
        };
        Ok(Nominal { base, own })
    }

    /// Signatures about changes already made. A size beyond the model's range ends its figure's list; a figure that changes
    /// nothing is none (no riser is fitted).
    pub fn signatures(&self, nominal: &Nominal, changes: &[Change]) -> Vec<Signature> {
        variants()
            .into_par_iter()
            .filter_map(|variant| {
                let mut levels = Vec::new();
                for size in variant.sizes {
                    let Ok(surface) = self.with(changes, variant.knob, size) else { break };
                    levels.push((size, surface.less(&nominal.base, 1.0)));
                }
                let moves = levels.last().is_some_and(|(_, change)| change.size() > 0.1);
                moves.then_some(Signature { cause: variant.cause, knob: variant.knob, levels, local: false })
            })
            .collect()
    }

    /// A signature made anew about one size of it, or about the nearest smaller one that the model's range leaves room for; `None` where
    /// the model has no answer.
    pub fn about(
        &self,
        nominal: &Nominal,
        changes: &[Change],
        signature: &Signature,
        size: f64,
    ) -> Option<Signature> {
        let made = |size: f64| -> Option<Vec<(f64, Surface)>> {
            let level = |part: f64| {
                let surface = self.with(changes, signature.knob, part * size).ok()?;
                Some((part * size, surface.less(&nominal.base, 1.0)))
            };
            // The largest first: the likeliest to lie outside.
            let mut levels = [1.2, 1.0, 0.8].into_iter().map(level).collect::<Option<Vec<_>>>()?;
            levels.reverse();
            Some(levels)
        };
        let levels = INWARDS.into_iter().find_map(|share| made(share * size))?;
        Some(Signature { cause: signature.cause, knob: signature.knob, levels, local: true })
    }

    /// Where the model says that the eye asked about has its middle; `None` where it has no answer.
    pub fn middle(&self, changes: &[Change]) -> Option<Place> {
        self.answer(self.jobs.first()?, changes).ok()?.middle(0, self.limit)
    }
}

/// Shares of a size that are tried where the model ends.
pub const INWARDS: [f64; 3] = [1.0, 0.83, 0.69];

/// Where the middle of a signature made anew lies on its scale.
pub const MIDDLE: f64 = 2.0;

impl Signature {
    /// Each level's share in the change at `x`, and in its slope along `x`. `x` counts levels, 0 being no change.
    fn shares(&self, x: f64) -> Vec<(f64, f64)> {
        let count = self.levels.len();
        if self.local {
            // A parabola through the three sizes: no bend at the middle, where the fit begins.
            let t = x - MIDDLE;
            return vec![
                (0.5 * t * (t - 1.0), t - 0.5),
                (1.0 - t * t, -2.0 * t),
                (0.5 * t * (t + 1.0), t + 0.5),
            ];
        }
        let mut shares = vec![(0.0, 0.0); count];
        let last = count as f64;
        let (nodes, weights, slopes) = cubic(x, count + 1);
        for ((node, weight), slope) in nodes.iter().zip(weights).zip(slopes) {
            if let Some(share) = node.checked_sub(1).and_then(|level| shares.get_mut(level)) {
                share.0 += weight + (x - x.clamp(0.0, last)) * slope;
                share.1 += slope;
            }
        }
        shares
    }

    /// The change over the grid at `x`, as shares of surfaces; nothing at 0.
    pub fn surface(&self, x: f64) -> Vec<(f64, &Surface)> {
        if x == 0.0 {
            return Vec::new();
        }
        self.levels.iter().zip(self.shares(x)).map(|((_, surface), (share, _))| (share, surface)).collect()
    }

    /// The change over the grid at `x`, and its slope along `x`.
    pub fn change(&self, x: f64) -> (Surface, Surface) {
        let shares = self.shares(x);
        let none = self.levels[0].1.less(&self.levels[0].1, 0.0);
        let sum = |of: fn(&(f64, f64)) -> f64| {
            none.plus(self.levels.iter().zip(&shares).map(|((_, surface), share)| (of(share), surface)))
        };
        (sum(|share| share.0), sum(|share| share.1))
    }

    /// The figure's change at `x`.
    pub fn by(&self, x: f64) -> f64 {
        self.levels.iter().zip(self.shares(x)).map(|((by, _), (share, _))| share * by).sum()
    }
}
