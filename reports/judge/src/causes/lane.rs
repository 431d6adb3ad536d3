//! One lane's counts held against a nominal lane with some causes at work.

use super::Job;
use super::signatures::{Mode, Nominal, Signature};
use super::surface::{Place, Surface};
use eye::counts::CaptureView;
use nightbench_core::results::Point;
use statistics::scoring::{Counts, Prior, Said, Scored, score};
use statistics::special::normal_sf;

/// Points with a higher observed error ratio tell little of where an eye ends.
const HIGHEST_RATIO: f64 = 0.05;
/// Columns either side of the operating one that a level that never changes is read from.
const LEVEL_COLUMNS: u16 = 2;
/// How well a place of the eye is known beforehand, taps and Vref steps: hardly.
const SHIFT: f64 = 6.0;
/// How far a cause may go beyond its signature's levels: they are wide enough.
const SIZE: f64 = 4.0;

/// What one lane's counts are: points and weights, job after job.
#[derive(Debug, Clone)]
pub struct LaneCounts {
    /// Sheet and place of each point.
    pub places: Vec<(usize, Place)>,
    pub counts: Vec<Counts>,
    /// Middle of what passes, of each job.
    pub middles: Vec<Option<Place>>,
}

impl LaneCounts {
    /// Of a lane by position over the jobs. `floor`: how far a model may be off in z.
    pub fn of(jobs: &[Job<'_>], lane: usize, floor: f64) -> LaneCounts {
        let mut all = LaneCounts { places: Vec::new(), counts: Vec::new(), middles: Vec::new() };
        for (sheet, job) in jobs.iter().enumerate() {
            all.add(sheet, job.view, lane, floor);
        }
        all
    }

    fn add(&mut self, sheet: usize, view: &CaptureView<'_>, lane: usize, floor: f64) {
        let grid = view.grid();
        let (mut passing, mut tap, mut step) = (0.0, 0.0, 0.0);
        let map = &view.maps()[lane];
        let at = view.capture().operating[lane];
        // A level that never changes is the same at every tap: a few columns tell all of it.
        let row = |tap| map.passes(Point { tap, vref: at.vref });
        let columns = match row(0) && row(grid.taps - 1) {
            true => at.tap.saturating_sub(LEVEL_COLUMNS)..=at.tap + LEVEL_COLUMNS,
            false => 0..=grid.taps,
        };
        for index in 0..grid.len() {
            let point: Point = grid.point(index);
            if map.passes(point) {
                passing += 1.0;
                tap += f64::from(point.tap);
                step += f64::from(point.vref);
            }
            let Some((bits, errors)) = view.count(lane, point) else { continue };
            let (bits, errors) = (bits as f64, errors as f64);
            if errors > HIGHEST_RATIO * bits || !columns.contains(&point.tap) {
                continue;
            }
            self.places.push((sheet, Place { tap: point.tap.into(), step: point.vref.into() }));
            self.counts.push(Counts::new(bits, errors, floor));
        }
        self.middles.push((passing > 0.0).then(|| Place { tap: tap / passing, step: step / passing }));
    }
}

/// Parameters of a lane beside its causes: two shifts a job and what is its own.
fn own_priors(nominal: &Nominal) -> impl Iterator<Item = Prior> + '_ {
    let shift = Prior { mean: 0.0, sd: SHIFT, held: false };
    let own = nominal.own.iter().map(|mode| Prior { mean: 0.0, sd: mode.sd, held: false });
    std::iter::repeat_n(shift, 2 * nominal.base.sheets()).chain(own)
}

/// How z of a point hangs on the shifts of every job: on its own job's only.
fn along_shifts(sheets: usize, sheet: usize, (taps, steps): (f64, f64)) -> impl Iterator<Item = f64> {
    (0..sheets).flat_map(move |one| if one == sheet { [-taps, -steps] } else { [0.0, 0.0] })
}

/// A fit of one lane.
#[derive(Debug, Clone)]
pub struct LaneFit {
    pub scored: Scored,
    /// Causes in it: the first parameters.
    pub causes: usize,
    /// Jobs in it: two shifts each come next.
    pub sheets: usize,
}

impl LaneFit {
    /// Shifts of the lane from the nominal one, taps and Vref steps of each job.
    pub fn shifts(&self) -> &[f64] {
        &self.scored.parameters[self.causes..self.causes + 2 * self.sheets]
    }

    /// The same of the job asked about.
    pub fn shift(&self) -> Place {
        Place { tap: self.shifts()[0], step: self.shifts()[1] }
    }

    /// Size of a cause, in levels of its signature.
    pub fn size(&self, cause: usize) -> f64 {
        self.scored.parameters[cause]
    }

    /// What is the lane's own, in the order of the modes.
    pub fn own(&self) -> &[f64] {
        &self.scored.parameters[self.causes + 2 * self.sheets..]
    }

    /// The same place and deviations beside causes of these sizes, not fitted again.
    pub fn with_causes(&self, sizes: Vec<f64>) -> LaneFit {
        let mut other = LaneFit { causes: sizes.len(), ..self.clone() };
        other.scored.parameters = sizes;
        other.scored.parameters.extend(&self.scored.parameters[self.causes..]);
        other
    }

    /// The lane's surface in the nominal lane's coordinates without any cause, with at most so many standard deviations of its own.
    pub fn surface_without(&self, nominal: &Nominal, most: f64) -> Surface {
        let own = self.own().iter().zip(&nominal.own);
        nominal.base.plus(own.map(|(by, mode)| (by.clamp(-most * mode.sd, most * mode.sd), &mode.slope)))
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
    let (causes, sheets) = (signatures.len(), nominal.base.sheets());
    let mut priors = vec![Prior { mean: 0.0, sd: SIZE, held: true }; causes];
    priors.extend(own_priors(nominal));
    let mut from = start.to_vec();
    from.resize(priors.len(), 0.0);
    let size = priors.len();
    let scored = score(&lane.counts, &priors, &from, steps, |x, said: &mut Said| {
        said.z.clear();
        said.slopes.clear();
        said.slopes.reserve(size * lane.places.len());
        // One surface a cause for all points: signatures are sums of many.
        let changes: Vec<(Surface, Surface)> =
            signatures.iter().zip(x).map(|(signature, x)| signature.change(*x)).collect();
        let whole = nominal.base.plus(changes.iter().map(|(change, _)| (1.0, change)));
        for (sheet, place) in &lane.places {
            let stencil = whole.stencil(*sheet, moved(*place, &x[causes + 2 * sheet..]));
            let mut z = whole.read(&stencil);
            said.slopes.extend(changes.iter().map(|(_, slope)| slope.read(&stencil)));
            said.slopes.extend(along_shifts(sheets, *sheet, whole.slopes(&stencil)));
            for (mode, by) in nominal.own.iter().zip(&x[causes + 2 * sheets..]) {
                let slope = mode.slope.read(&stencil);
                z += by * slope;
                said.slopes.push(slope);
            }
            said.z.push(z);
        }
    })?;
    Some(LaneFit { scored, causes, sheets })
}

/// A place as the nominal lane counts it, its job's two shifts given first.
fn moved(place: Place, shifts: &[f64]) -> Place {
    Place { tap: place.tap - shifts[0], step: place.step - shifts[1] }
}

/// Mean over points of (errors - expected)^2 / (expected + (share x expected)^2): 1 for a model that is right.
pub fn chi_square(lane: &LaneCounts, shifts: &[f64], surface: &Surface, share: f64) -> f64 {
    let terms = lane.places.iter().zip(&lane.counts).map(|((sheet, place), counts)| {
        let z = surface.at(*sheet, moved(*place, &shifts[2 * sheet..]));
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
    let (common, sheets) = (shared.len(), nominal.base.sheets());
    let own = nominal.own.len() + 2 * sheets;
    let mut priors = shared_priors.to_vec();
    lanes.iter().for_each(|_| priors.extend(own_priors(nominal)));
    let size = priors.len();
    let counts: Vec<Counts> = lanes.iter().flat_map(|lane| lane.counts.iter().copied()).collect();
    score(&counts, &priors, start, steps, |x, said: &mut Said| {
        said.z.clear();
        said.slopes.clear();
        for (number, lane) in lanes.iter().enumerate() {
            let first = common + number * own;
            let mine = &x[first..first + own];
            for (sheet, place) in &lane.places {
                let stencil = nominal.base.stencil(*sheet, moved(*place, &mine[2 * sheet..]));
                let (along_taps, along_steps) = nominal.base.slopes(&stencil);
                let mut z = nominal.base.read(&stencil);
                let row = said.slopes.len();
                said.slopes.resize(row + size, 0.0);
                let slopes = &mut said.slopes[row..];
                for (place, (mode, by)) in shared.iter().zip(x).enumerate() {
                    slopes[place] = mode.slope.read(&stencil);
                    z += by * slopes[place];
                }
                (slopes[first + 2 * sheet], slopes[first + 2 * sheet + 1]) = (-along_taps, -along_steps);
                let own = first + 2 * sheets;
                for (place, (mode, by)) in nominal.own.iter().zip(&mine[2 * sheets..]).enumerate() {
                    slopes[own + place] = mode.slope.read(&stencil);
                    z += by * slopes[own + place];
                }
                said.z.push(z);
            }
        }
    })
}
