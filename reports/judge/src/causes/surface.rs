//! A lane's eye as a model says it: the error ratio on the scale on which a Gaussian tail is straight, over the grid. Eyes of
//! extra jobs lie behind it as further sheets, so that one sum or difference serves all.

use eye::shapes::Mask;
use nightbench_core::results::Grid;
use statistics::special::normal_upper_quantile;
use std::sync::Arc;

/// Parts of a Vref step at which a box meets the eye.
const PARTS: usize = 4;
/// The middle of what ends at one Vref alone moves half as far as its end.
pub const LEVEL: f64 = 2.0;
/// Half of the range of z in which a point counts as partly inside.
const EDGE: f64 = 1.5;

/// One job's grid within a surface.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sheet {
    taps: usize,
    steps: usize,
    /// Place of its first value.
    start: usize,
    /// Rows that lie below the grid's first one, and as many above its last.
    fringe: u16,
}

/// Values of z over the grid, row by row, sheet after sheet: the error ratio is Q(z).
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    sheets: Arc<[Sheet]>,
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
    pub points: [usize; 16],
    pub value: [f64; 16],
    pub taps: [f64; 16],
    pub steps: [f64; 16],
}

impl Stencil {
    /// Where a place reads a grid of one sheet without a fringe; outside the grid at its border.
    pub fn of(taps: usize, steps: usize, place: Place) -> Stencil {
        let (x, weights_x, slopes_x) = cubic(place.tap, taps);
        let (y, weights_y, slopes_y) = cubic(place.step, steps);
        let mut stencil = Stencil { points: [0; 16], value: [0.0; 16], taps: [0.0; 16], steps: [0.0; 16] };
        for at in 0..16 {
            let (row, column) = (at / 4, at % 4);
            stencil.points[at] = y[row] * taps + x[column];
            stencil.value[at] = weights_y[row] * weights_x[column];
            stencil.taps[at] = weights_y[row] * slopes_x[column];
            stencil.steps[at] = slopes_y[row] * weights_x[column];
        }
        stencil
    }
}

/// Half sizes of the limit box in taps and Vref steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalfBox {
    pub taps: f64,
    pub steps: f64,
}

impl HalfBox {
    /// Of a box in ps and mV.
    pub fn of(grid: &Grid, limits: &Mask) -> HalfBox {
        HalfBox {
            taps: limits.half_width.0 / grid.tap_step.0,
            steps: limits.half_height.0 / grid.vref_step.0,
        }
    }
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
    /// Of error ratios over `taps` times `steps` places, row by row; `None` where they are not as many, or too few to lie between.
    pub fn new(taps: usize, steps: usize, ratios: &[f64]) -> Option<Surface> {
        Surface::with_fringe(taps, steps, 0, ratios)
    }

    /// The same with rows below and above the grid's own.
    pub fn with_fringe(taps: usize, steps: usize, fringe: u16, ratios: &[f64]) -> Option<Surface> {
        let steps = steps + 2 * usize::from(fringe);
        (ratios.len() == taps * steps && taps > 3 && steps > 3).then(|| Surface {
            sheets: Arc::new([Sheet { taps, steps, start: 0, fringe }]),
            z: ratios.iter().map(|ratio| pressed(quantile(*ratio))).collect(),
        })
    }

    /// The eye of the first sheet as a lane shows it that is shifted so: over the grid alone, in its own taps and steps.
    pub fn shown(&self, shift: Place) -> Surface {
        let Sheet { taps, steps, fringe, .. } = self.sheets[0];
        let steps = steps - 2 * usize::from(fringe);
        let at = |place: usize| Place {
            tap: (place % taps) as f64 - shift.tap,
            step: (place / taps) as f64 - shift.step,
        };
        let z = (0..taps * steps).map(|place| self.at(0, at(place))).collect();
        Surface { sheets: Arc::new([Sheet { taps, steps, start: 0, fringe: 0 }]), z }
    }

    /// Several jobs' surfaces, one behind the other.
    pub fn stacked(parts: Vec<Surface>) -> Surface {
        let mut z = Vec::with_capacity(parts.iter().map(|part| part.z.len()).sum());
        let mut sheets = Vec::new();
        for part in parts {
            sheets.extend(part.sheets.iter().map(|sheet| Sheet { start: sheet.start + z.len(), ..*sheet }));
            z.extend(part.z);
        }
        Surface { sheets: sheets.into(), z }
    }

    /// Jobs in it.
    pub fn sheets(&self) -> usize {
        self.sheets.len()
    }

    fn values(&self, sheet: usize) -> (Sheet, &[f64]) {
        let sheet = self.sheets[sheet];
        (sheet, &self.z[sheet.start..sheet.start + sheet.taps * sheet.steps])
    }

    /// Taps and Vref steps of its first sheet.
    pub fn size_of(&self) -> (usize, usize) {
        let (sheet, _) = self.values(0);
        (sheet.taps, sheet.steps)
    }

    /// This surface plus shares of others.
    pub fn plus<'s>(&self, parts: impl IntoIterator<Item = (f64, &'s Surface)>) -> Surface {
        let mut sum = self.clone();
        for (share, other) in parts {
            sum.z.iter_mut().zip(&other.z).for_each(|(sum, part)| *sum += share * part);
        }
        sum
    }

    /// This surface, so many times.
    pub fn times(&self, by: f64) -> Surface {
        Surface { z: self.z.iter().map(|z| by * z).collect(), sheets: Arc::clone(&self.sheets) }
    }

    /// (this - other) x `by`.
    pub fn less(&self, other: &Surface, by: f64) -> Surface {
        let z = self.z.iter().zip(&other.z).map(|(a, b)| by * (a - b)).collect();
        Surface { z, sheets: Arc::clone(&self.sheets) }
    }

    /// Every value, row by row, sheet after sheet.
    pub fn z(&self) -> &[f64] {
        &self.z
    }

    /// Largest value either way.
    pub fn size(&self) -> f64 {
        self.z.iter().fold(0.0, |most, z| z.abs().max(most))
    }

    /// Where a place of a sheet reads surfaces of this size; outside the grid at its border.
    pub fn stencil(&self, sheet: usize, place: Place) -> Stencil {
        let Sheet { taps, steps, start, fringe } = self.sheets[sheet];
        let place = Place { step: place.step + f64::from(fringe), ..place };
        let mut stencil = Stencil::of(taps, steps, place);
        stencil.points.iter_mut().for_each(|point| *point += start);
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

    /// Value at a place of a sheet.
    pub fn at(&self, sheet: usize, place: Place) -> f64 {
        self.read(&self.stencil(sheet, place))
    }

    /// Between two rows of the first sheet, straight. Boxes and training are asked of an eye as a lane shows it: without a fringe.
    fn row(&self, step: f64) -> impl Fn(usize) -> f64 + '_ {
        let (Sheet { taps, steps, .. }, z) = self.values(0);
        let below = (step.floor().max(0.0) as usize).min(steps - 1);
        let above = (below + 1).min(steps - 1);
        let part = (step - below as f64).clamp(0.0, 1.0);
        move |tap| {
            let (low, high) = (z[below * taps + tap], z[above * taps + tap]);
            low + part * (high - low)
        }
    }

    /// Scale of the largest box about a place inside z = `limit`; 0 where the place itself lies outside.
    pub fn box_about(&self, place: Place, half: HalfBox, limit: f64) -> f64 {
        let Sheet { taps, steps, .. } = self.sheets[0];
        if self.at(0, place) < limit {
            return 0.0;
        }
        let mut least = f64::INFINITY;
        let mut meets = |step: f64| {
            let away = (step - place.step).abs() / half.steps;
            if away < least {
                let reach = match run_about(&self.row(step), taps, place.tap, limit) {
                    Some((early, late)) => (place.tap - early).min(late - place.tap).max(0.0) / half.taps,
                    None => 0.0,
                };
                least = least.min(away.max(reach));
            }
        };
        for part in 0..=(steps - 1) * PARTS {
            meets(part as f64 / PARTS as f64);
        }
        // Nothing is known beyond the grid.
        least.min((place.step + 1.0) / half.steps).min((steps as f64 - place.step) / half.steps)
    }

    /// Where firmware would train to: the middle of the widest row's run, then the middle of the column's run there; rows
    /// within a tap of the widest count alike. `None` where nothing is open.
    pub fn trained(&self, limit: f64) -> Option<Place> {
        let Sheet { taps, steps, .. } = self.sheets[0];
        let widest = |step: usize| {
            let row = self.row(step as f64);
            let mut best: Option<(f64, f64)> = None;
            let mut tap = 0;
            while tap < taps {
                if row(tap) < limit {
                    tap += 1;
                    continue;
                }
                let run = run_about(&row, taps, tap as f64, limit)?;
                if best.is_none_or(|best| run.1 - run.0 > best.1 - best.0) {
                    best = Some(run);
                }
                tap = run.1.floor() as usize + 1;
            }
            best
        };
        let rows: Vec<(usize, (f64, f64))> =
            (0..steps).filter_map(|step| widest(step).map(|run| (step, run))).collect();
        let width = |run: &(f64, f64)| run.1 - run.0;
        let most = rows.iter().map(|(_, run)| width(run)).fold(0.0, f64::max);
        let equals: Vec<&(usize, (f64, f64))> =
            rows.iter().filter(|(_, run)| width(run) >= most - 1.0).collect();
        let count = equals.len() as f64;
        let tap = equals.iter().map(|(_, run)| 0.5 * (run.0 + run.1)).sum::<f64>() / count;
        let step = (equals.iter().map(|(step, _)| *step as f64).sum::<f64>() / count).round() as usize;
        let column = |at: usize| self.at(0, Place { tap, step: at as f64 });
        let (lower, upper) = run_about(&column, steps, step as f64, limit)?;
        Some(Place { tap, step: 0.5 * (lower + upper) })
    }

    /// Where training would go: as [`Surface::trained`], or in the row of a Vref step that the lane has no choice of.
    pub fn retrained(&self, limit: f64, only_step: Option<f64>) -> Option<Place> {
        let Some(step) = only_step else { return self.trained(limit) };
        let Sheet { taps, .. } = self.sheets[0];
        let row = self.row(step);
        let mut best: Option<(f64, f64)> = None;
        let mut tap = 0;
        while tap < taps {
            let run = run_about(&row, taps, tap as f64, limit);
            if let Some(run) = run.filter(|run| best.is_none_or(|best| run.1 - run.0 > best.1 - best.0)) {
                best = Some(run);
            }
            tap = run.map_or(tap, |run| run.1.floor() as usize) + 1;
        }
        best.map(|(early, late)| Place { tap: 0.5 * (early + late), step })
    }

    /// Does what lies inside z = `limit` on a sheet reach from the first tap to the last, as under a level that never changes? Then it
    /// ends at one Vref alone.
    pub fn is_level(&self, sheet: usize, limit: f64) -> bool {
        let (Sheet { taps, .. }, values) = self.values(sheet);
        let inside = |row: &[f64]| row.first() >= Some(&limit) && row.last() >= Some(&limit);
        values.chunks_exact(taps).any(inside)
    }

    /// Middle of what lies inside z = `limit` on a sheet, a point at the edge counting in part; of the most open places where nothing does.
    pub fn middle(&self, sheet: usize, limit: f64) -> Option<Place> {
        let (Sheet { taps, fringe, .. }, values) = self.values(sheet);
        middle_of(values, taps, limit).map(|middle| Place { step: middle.step - f64::from(fringe), ..middle })
    }

    /// The same of the grid's own rows, as counts would see it.
    pub fn seen_middle(&self, sheet: usize, limit: f64) -> Option<Place> {
        let (Sheet { taps, fringe, .. }, values) = self.values(sheet);
        let beyond = taps * usize::from(fringe);
        middle_of(&values[beyond..values.len() - beyond], taps, limit)
    }

    /// One job's eye moved so that its middle lies at a place: where a model puts it says nothing. The place should be near: what moves in over a border is
    /// made up of it.
    pub fn centred(&self, limit: f64, place: Place) -> Surface {
        let Some(middle) = self.middle(0, limit) else { return self.clone() };
        let Sheet { taps, steps, .. } = self.sheets[0];
        let mut by = Place { tap: middle.tap - place.tap, step: middle.step - place.step };
        if self.is_level(0, limit) {
            by = Place { tap: 0.0, step: LEVEL * by.step };
        }
        // Every place is moved alike: the weights along each axis are the same for a whole column or row.
        let along: Vec<_> = (0..taps).map(|tap| cubic(tap as f64 + by.tap, taps)).collect();
        let mut rows = vec![0.0; self.z.len()];
        for (row, z) in rows.chunks_exact_mut(taps).zip(self.z.chunks_exact(taps)) {
            for (out, (places, weights, _)) in row.iter_mut().zip(&along) {
                *out = places.iter().zip(weights).map(|(place, weight)| weight * z[*place]).sum();
            }
        }
        let mut moved = vec![0.0; self.z.len()];
        for (step, row) in moved.chunks_exact_mut(taps).enumerate() {
            let (places, weights, _) = cubic(step as f64 + by.step, steps);
            for (place, weight) in places.iter().zip(weights) {
                let from = &rows[place * taps..(place + 1) * taps];
                row.iter_mut().zip(from).for_each(|(out, value)| *out += weight * value);
            }
        }
        Surface { z: moved, sheets: Arc::clone(&self.sheets) }
    }
}

/// Middle of what lies inside z = `limit`, row by row.
fn middle_of(values: &[f64], taps: usize, limit: f64) -> Option<Place> {
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let limit = if most > limit + EDGE { limit } else { most - 2.0 * EDGE };
    let (mut count, mut tap, mut step) = (0.0, 0.0, 0.0);
    for (place, z) in values.iter().enumerate() {
        let share = (0.5 + 0.5 * (z - limit) / EDGE).clamp(0.0, 1.0);
        count += share;
        tap += share * (place % taps) as f64;
        step += share * (place / taps) as f64;
    }
    (count > 0.0).then(|| Place { tap: tap / count, step: step / count })
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

#[cfg(test)]
mod tests {
    use super::*;
    use statistics::special::normal_sf;

    /// z = 2 + 0.1 step over a grid of six rows with three more at each end: a lane that lies two steps higher shows at its row 0 what the
    /// model says two steps below the grid, and z is straight there as well.
    #[test]
    fn a_shifted_lane_shows_what_lies_beyond_the_grid() {
        let z = |step: f64| 2.0 + 0.1 * step;
        let ratios: Vec<f64> = (0..5 * 12).map(|place| normal_sf(z(f64::from(place / 5) - 3.0))).collect();
        let surface = Surface::with_fringe(5, 6, 3, &ratios).expect("as many ratios");
        for step in [-2.0, 0.5, 7.0] {
            let at = surface.at(0, Place { tap: 2.0, step });
            assert!((at - z(step)).abs() < 1e-3, "{step}: {at}");
        }
        let shown = surface.shown(Place { tap: 0.0, step: 2.0 });
        assert_eq!(shown.size_of(), (5, 6));
        for step in [0.0, 3.0, 5.0] {
            let at = shown.at(0, Place { tap: 2.0, step });
            assert!((at - z(step - 2.0)).abs() < 1e-3, "{step}: {at}");
        }
        assert_eq!(Surface::new(5, 6, &ratios), None);
    }
}
