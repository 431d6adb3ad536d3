//! A lane's eye as a model says it: the error ratio on the scale on which a Gaussian tail is straight, over the grid.

use nightbench_core::results::Grid;
use statistics::special::normal_upper_quantile;

/// Parts of a Vref step at which a box meets the eye.
const PARTS: usize = 4;
/// Half of the range of z in which a point counts as partly inside.
const EDGE: f64 = 1.5;

/// Values of z over the grid, row by row: the error ratio is Q(z).
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    taps: usize,
    steps: usize,
    z: Vec<f64>,
}

/// A place between taps and Vref steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    pub tap: f64,
    pub step: f64,
}

/// The grid's points and their weights that give a value between them, and its slopes.
#[derive(Debug, Clone)]
pub struct Stencil {
    points: [usize; 16],
    value: [f64; 16],
    taps: [f64; 16],
    steps: [f64; 16],
}

/// Half sizes of the limit box in taps and Vref steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalfBox {
    pub taps: f64,
    pub steps: f64,
}

/// z of an error ratio.
pub fn quantile(ratio: f64) -> f64 {
    normal_upper_quantile(ratio.clamp(1e-90, 1.0 - 1e-6)).unwrap_or(0.0)
}

/// From here inwards z is pressed together, to at most twice the width more: no count tells of error ratios that small, and
/// what a change of a figure does to them is no more than the model's rounding.
const DEEP: (f64, f64) = (8.0, 2.0);

fn pressed(z: f64) -> f64 {
    let (from, width) = DEEP;
    if z <= from { z } else { from + 2.0 * width * (1.0 - (-(z - from) / (2.0 * width)).exp()) }
}

impl Surface {
    /// Of error ratios over a grid, row by row; `None` where they are not as many as its points.
    pub fn new(grid: &Grid, ratios: &[f64]) -> Option<Surface> {
        (ratios.len() == grid.len()).then(|| Surface {
            taps: grid.taps.into(),
            steps: grid.vref_steps.into(),
            z: ratios.iter().map(|ratio| pressed(quantile(*ratio))).collect(),
        })
    }

    /// This surface plus shares of others.
    pub fn plus<'s>(&self, parts: impl IntoIterator<Item = (f64, &'s Surface)>) -> Surface {
        let mut sum = self.clone();
        for (share, other) in parts {
            sum.z.iter_mut().zip(&other.z).for_each(|(sum, part)| *sum += share * part);
        }
        sum
    }

    /// (this - other) x `by`.
    pub fn less(&self, other: &Surface, by: f64) -> Surface {
        let z = self.z.iter().zip(&other.z).map(|(a, b)| by * (a - b)).collect();
        Surface { z, ..*self }
    }

    /// Largest value either way.
    pub fn size(&self) -> f64 {
        self.z.iter().fold(0.0, |most, z| z.abs().max(most))
    }

    /// Where a place reads surfaces of this size; outside the grid at its border.
    pub fn stencil(&self, place: Place) -> Stencil {
        let (x, weights_x, slopes_x) = cubic(place.tap, self.taps);
        let (y, weights_y, slopes_y) = cubic(place.step, self.steps);
        let mut stencil = Stencil { points: [0; 16], value: [0.0; 16], taps: [0.0; 16], steps: [0.0; 16] };
        for at in 0..16 {
            let (row, column) = (at / 4, at % 4);
            stencil.points[at] = y[row] * self.taps + x[column];
            stencil.value[at] = weights_y[row] * weights_x[column];
            stencil.taps[at] = weights_y[row] * slopes_x[column];
            stencil.steps[at] = slopes_y[row] * weights_x[column];
        }
        stencil
    }

    /// Value where a stencil reads.
    pub fn read(&self, stencil: &Stencil) -> f64 {
        self.summed(stencil, &stencil.value)
    }

    /// Slopes along taps and Vref steps where a stencil reads.
    pub fn slopes(&self, stencil: &Stencil) -> (f64, f64) {
        (self.summed(stencil, &stencil.taps), self.summed(stencil, &stencil.steps))
    }

    fn summed(&self, stencil: &Stencil, weights: &[f64; 16]) -> f64 {
        stencil.points.iter().zip(weights).map(|(point, weight)| weight * self.z[*point]).sum()
    }

    /// Value at a place.
    pub fn at(&self, place: Place) -> f64 {
        self.read(&self.stencil(place))
    }

    /// Between two rows, straight.
    fn row(&self, step: f64) -> impl Fn(usize) -> f64 + '_ {
        let below = (step.floor().max(0.0) as usize).min(self.steps - 1);
        let above = (below + 1).min(self.steps - 1);
        let part = (step - below as f64).clamp(0.0, 1.0);
        move |tap| {
            let (low, high) = (self.z[below * self.taps + tap], self.z[above * self.taps + tap]);
            low + part * (high - low)
        }
    }

    /// Scale of the largest box about a place inside z = `limit`; 0 where the place itself lies outside.
    pub fn box_about(&self, place: Place, half: HalfBox, limit: f64) -> f64 {
        if self.at(place) < limit {
            return 0.0;
        }
        let mut least = f64::INFINITY;
        let mut meets = |step: f64| {
            let away = (step - place.step).abs() / half.steps;
            if away < least {
                let reach = match run_about(&self.row(step), self.taps, place.tap, limit) {
                    Some((early, late)) => (place.tap - early).min(late - place.tap).max(0.0) / half.taps,
                    None => 0.0,
                };
                least = least.min(away.max(reach));
            }
        };
        for part in 0..=(self.steps - 1) * PARTS {
            meets(part as f64 / PARTS as f64);
        }
        // Nothing is known beyond the grid.
        least.min((place.step + 1.0) / half.steps).min((self.steps as f64 - place.step) / half.steps)
    }

    /// Where firmware would train to: the middle of the widest row's run, then the middle of the column's run there; rows
    /// within a tap of the widest count alike. `None` where nothing is open.
    pub fn trained(&self, limit: f64) -> Option<Place> {
        let widest = |step: usize| {
            let row = self.row(step as f64);
            let mut best: Option<(f64, f64)> = None;
            let mut tap = 0;
            while tap < self.taps {
                if row(tap) < limit {
                    tap += 1;
                    continue;
                }
                let run = run_about(&row, self.taps, tap as f64, limit)?;
                if best.is_none_or(|best| run.1 - run.0 > best.1 - best.0) {
                    best = Some(run);
                }
                tap = run.1.floor() as usize + 1;
            }
            best
        };
        let rows: Vec<(usize, (f64, f64))> =
            (0..self.steps).filter_map(|step| widest(step).map(|run| (step, run))).collect();
        let width = |run: &(f64, f64)| run.1 - run.0;
        let most = rows.iter().map(|(_, run)| width(run)).fold(0.0, f64::max);
        let equals: Vec<&(usize, (f64, f64))> =
            rows.iter().filter(|(_, run)| width(run) >= most - 1.0).collect();
        let count = equals.len() as f64;
        let tap = equals.iter().map(|(_, run)| 0.5 * (run.0 + run.1)).sum::<f64>() / count;
        let step = (equals.iter().map(|(step, _)| *step as f64).sum::<f64>() / count).round() as usize;
        let column = |at: usize| self.at(Place { tap, step: at as f64 });
        let (lower, upper) = run_about(&column, self.steps, step as f64, limit)?;
        Some(Place { tap, step: 0.5 * (lower + upper) })
    }

    /// Middle of what lies inside z = `limit`, a point at the edge counting in part; of the most open places where nothing does.
    pub fn middle(&self, limit: f64) -> Option<Place> {
        let most = self.z.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let limit = if most > limit + EDGE { limit } else { most - 2.0 * EDGE };
        let (mut count, mut tap, mut step) = (0.0, 0.0, 0.0);
        for (place, z) in self.z.iter().enumerate() {
            let share = (0.5 + 0.5 * (z - limit) / EDGE).clamp(0.0, 1.0);
            count += share;
            tap += share * (place % self.taps) as f64;
            step += share * (place / self.taps) as f64;
        }
        (count > 0.0).then(|| Place { tap: tap / count, step: step / count })
    }

    /// The same eye moved so that its middle lies in the middle of the grid: where a model puts it says nothing.
    pub fn centred(&self, limit: f64) -> Surface {
        let Some(middle) = self.middle(limit) else { return self.clone() };
        let by = Place {
            tap: middle.tap - 0.5 * (self.taps as f64 - 1.0),
            step: middle.step - 0.5 * (self.steps as f64 - 1.0),
        };
        let z = (0..self.z.len())
            .map(|place| {
                let (tap, step) = ((place % self.taps) as f64, (place / self.taps) as f64);
                self.at(Place { tap: tap + by.tap, step: step + by.step })
            })
            .collect();
        Surface { z, ..*self }
    }
}

/// The run about a place along a line, to where it crosses the limit; `None` where the nearest value lies outside.
fn run_about(line: &impl Fn(usize) -> f64, length: usize, about: f64, limit: f64) -> Option<(f64, f64)> {
    let start = (about.round().max(0.0) as usize).min(length - 1);
    if line(start) < limit {
        return None;
    }
    let cross = |inside: usize, outside: usize| {
        let (a, b) = (line(inside), line(outside));
        inside as f64 + (outside as f64 - inside as f64) * (a - limit) / (a - b).max(1e-12)
    };
    let mut first = start;
    while first > 0 && line(first - 1) >= limit {
        first -= 1;
    }
    let mut last = start;
    while last + 1 < length && line(last + 1) >= limit {
        last += 1;
    }
    let early = if first == 0 { 0.0 } else { cross(first, first - 1) };
    let late = if last + 1 == length { last as f64 } else { cross(last, last + 1) };
    Some((early, late))
}

/// Places, weights and slopes of a cubic through four neighbours (Catmull-Rom), held at the borders.
pub(super) fn cubic(at: f64, length: usize) -> ([usize; 4], [f64; 4], [f64; 4]) {
    let last = length as f64 - 1.0;
    let held = at.clamp(0.0, last);
    let below = held.floor().min(last - 1.0).max(0.0);
    let t = held - below;
    let place = |offset: f64| (below + offset).clamp(0.0, last) as usize;
    let (t2, t3) = (t * t, t * t * t);
    let weights = [
        0.5 * (-t + 2.0 * t2 - t3),
        0.5 * (2.0 - 5.0 * t2 + 3.0 * t3),
        0.5 * (t + 4.0 * t2 - 3.0 * t3),
        0.5 * (-t2 + t3),
    ];
    let slopes = [
        0.5 * (-1.0 + 4.0 * t - 3.0 * t2),
        0.5 * (-10.0 * t + 9.0 * t2),
        0.5 * (1.0 + 8.0 * t - 9.0 * t2),
        0.5 * (-2.0 * t + 3.0 * t2),
    ];
    ([place(-1.0), place(0.0), place(1.0), place(2.0)], weights, slopes)
}
