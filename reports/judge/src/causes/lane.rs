//! One lane's counts held against a nominal lane with some causes at work.

use super::signatures::{Mode, Nominal, Signature};
use super::surface::{Place, Surface};
use eye::counts::CaptureView;
use nightbench_core::results::Point;
use statistics::scoring::{Counts, Prior, Said, Scored, score};
use statistics::special::normal_sf;

/// Points with a higher observed error ratio tell little of where an eye ends.
const HIGHEST_RATIO: f64 = 0.05;
/// How well a place of the eye is known beforehand, taps and Vref steps: hardly.
const SHIFT: f64 = 6.0;
/// How far a cause may go beyond its signature's levels: they are wide enough.
const SIZE: f64 = 4.0;

/// What one lane's counts are: points and weights.
#[derive(Debug, Clone)]
pub struct LaneCounts {
    pub places: Vec<Place>,
    pub counts: Vec<Counts>,
    /// Middle of what passes.
    pub middle: Option<Place>,
}

impl LaneCounts {
    /// Of a lane by position. `floor`: how far a model may be off in z.
    pub fn of(view: &CaptureView<'_>, lane: usize, floor: f64) -> LaneCounts {
        let grid = view.grid();
        let (mut places, mut counts) = (Vec::new(), Vec::new());
        let (mut passing, mut tap, mut step) = (0.0, 0.0, 0.0);
        let map = &view.maps()[lane];
        for index in 0..grid.len() {
            let point: Point = grid.point(index);
            if map.passes(point) {
                passing += 1.0;
                tap += f64::from(point.tap);
                step += f64::from(point.vref);
            }
            let Some((bits, errors)) = view.count(lane, point) else { continue };
            let (bits, errors) = (bits as f64, errors as f64);
            if errors > HIGHEST_RATIO * bits {
                continue;
            }
            places.push(Place { tap: point.tap.into(), step: point.vref.into() });
            counts.push(Counts::new(bits, errors, floor));
        }
        let middle = (passing > 0.0).then(|| Place { tap: tap / passing, step: step / passing });
        LaneCounts { places, counts, middle }
    }
}

/// Parameters of a lane beside its causes: two shifts and what is its own.
fn own_priors(own: &[Mode]) -> impl Iterator<Item = Prior> + '_ {
    let shift = Prior { mean: 0.0, sd: SHIFT, held: false };
    [shift, shift].into_iter().chain(own.iter().map(|mode| Prior { mean: 0.0, sd: mode.sd, held: false }))
}

/// A fit of one lane.
#[derive(Debug, Clone)]
pub struct LaneFit {
    pub scored: Scored,
    /// Causes in it: the first parameters.
    pub causes: usize,
}

impl LaneFit {
    /// Shift of the lane from the nominal one, taps and Vref steps.
    pub fn shift(&self) -> Place {
        Place { tap: self.scored.parameters[self.causes], step: self.scored.parameters[self.causes + 1] }
    }

    /// Size of a cause, in levels of its signature.
    pub fn size(&self, cause: usize) -> f64 {
        self.scored.parameters[cause]
    }

    /// What is the lane's own, in the order of the modes.
    pub fn own(&self) -> &[f64] {
        &self.scored.parameters[self.causes + 2..]
    }

    /// The lane's surface in the nominal lane's coordinates, each cause at a size.
    pub fn surface(&self, nominal: &Nominal, signatures: &[Signature], sizes: &[f64]) -> Surface {
        let own = self.own().iter().zip(&nominal.own).map(|(by, mode)| (*by, &mode.slope));
        let causes = signatures.iter().zip(sizes).flat_map(|(signature, size)| signature.surface(*size));
        nominal.base.plus(own.chain(causes))
    }
}

/// Fits a lane with causes; `start` holds their sizes, then the shifts and what is the lane's own.
pub fn fit(
    lane: &LaneCounts,
    nominal: &Nominal,
    signatures: &[Signature],
    start: &[f64],
    steps: usize,
) -> Option<LaneFit> {
    let causes = signatures.len();
    let mut priors = vec![Prior { mean: 0.0, sd: SIZE, held: true }; causes];
    priors.extend(own_priors(&nominal.own));
    let mut from = start.to_vec();
    from.resize(priors.len(), 0.0);
    let size = priors.len();
    let scored = score(&lane.counts, &priors, &from, steps, |x, said: &mut Said| {
        let shift = Place { tap: x[causes], step: x[causes + 1] };
        said.z.clear();
        said.slopes.clear();
        said.slopes.reserve(size * lane.places.len());
        // One surface a cause for all points: signatures are sums of many.
        let changes: Vec<(Surface, Surface)> =
            signatures.iter().zip(x).map(|(signature, x)| signature.change(*x)).collect();
        let whole = nominal.base.plus(changes.iter().map(|(change, _)| (1.0, change)));
        for place in &lane.places {
            let at = Place { tap: place.tap - shift.tap, step: place.step - shift.step };
            let stencil = whole.stencil(at);
            let mut z = whole.read(&stencil);
            let (along_taps, along_steps) = whole.slopes(&stencil);
            said.slopes.extend(changes.iter().map(|(_, slope)| slope.read(&stencil)));
            said.slopes.push(-along_taps);
            said.slopes.push(-along_steps);
            for (mode, by) in nominal.own.iter().zip(&x[causes + 2..]) {
                let slope = mode.slope.read(&stencil);
                z += by * slope;
                said.slopes.push(slope);
            }
            said.z.push(z);
        }
    })?;
    Some(LaneFit { scored, causes })
}

/// Mean over points of (errors - expected)^2 / (expected + (share x expected)^2): 1 for a model that is right.
pub fn chi_square(lane: &LaneCounts, shift: Place, surface: &Surface, share: f64) -> f64 {
    let terms = lane.places.iter().zip(&lane.counts).map(|(place, counts)| {
        let z = surface.at(Place { tap: place.tap - shift.tap, step: place.step - shift.step });
        let expected = (counts.bits() * normal_sf(z)).max(0.05);
        (counts.errors() - expected).powi(2) / (expected + (share * expected).powi(2))
    });
    terms.sum::<f64>() / lane.counts.len().max(1) as f64
}

/// Several lanes of one kind: the figures that they share, and each lane's own, fitted together.
pub fn fit_together(
    lanes: &[LaneCounts],
    nominal: &Nominal,
    shared: &[Mode],
    shared_priors: &[Prior],
    start: &[f64],
    steps: usize,
) -> Option<Scored> {
    let (common, own) = (shared.len(), nominal.own.len() + 2);
    let mut priors = shared_priors.to_vec();
    lanes.iter().for_each(|_| priors.extend(own_priors(&nominal.own)));
    let size = priors.len();
    let counts: Vec<Counts> = lanes.iter().flat_map(|lane| lane.counts.iter().copied()).collect();
    score(&counts, &priors, start, steps, |x, said: &mut Said| {
        said.z.clear();
        said.slopes.clear();
        for (number, lane) in lanes.iter().enumerate() {
            let first = common + number * own;
            let mine = &x[first..first + own];
            for place in &lane.places {
                let at = Place { tap: place.tap - mine[0], step: place.step - mine[1] };
                let stencil = nominal.base.stencil(at);
                let (along_taps, along_steps) = nominal.base.slopes(&stencil);
                let mut z = nominal.base.read(&stencil);
                let row = said.slopes.len();
                said.slopes.resize(row + size, 0.0);
                let slopes = &mut said.slopes[row..];
                for (place, (mode, by)) in shared.iter().zip(x).enumerate() {
                    slopes[place] = mode.slope.read(&stencil);
                    z += by * slopes[place];
                }
                (slopes[first], slopes[first + 1]) = (-along_taps, -along_steps);
                for (place, (mode, by)) in nominal.own.iter().zip(&mine[2..]).enumerate() {
                    slopes[first + 2 + place] = mode.slope.read(&stencil);
                    z += by * slopes[first + 2 + place];
                }
                said.z.push(z);
            }
        }
    })
}
