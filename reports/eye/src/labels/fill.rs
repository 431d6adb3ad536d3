//! The points that decide an eye, and the fill between them.

use nightbench_core::results::{CaptureMode, Grid, Point};

/// The lattice a capture certifies: every pass/fail pair of neighbours *on the lattice* is measured on both sides.
///
/// It is the whole grid for `exact` and `raster`, every second tap and step (and the last of each) for `fast`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lattice {
    taps: Vec<u16>,
    steps: Vec<u16>,
    /// Column of each tap of the grid, where it is on the lattice.
    column_of: Vec<Option<usize>>,
    /// Row of each Vref step of the grid, where it is on the lattice.
    row_of: Vec<Option<usize>>,
}

impl Lattice {
    pub fn of_mode(mode: CaptureMode, grid: &Grid) -> Lattice {
        match mode {
            CaptureMode::Fast => Lattice::every(2, grid),
            CaptureMode::Exact | CaptureMode::Raster | CaptureMode::RowAndColumn => Lattice::every(1, grid),
        }
    }

    /// Every `stride`-th tap and step from 0, and the last of each.
    pub fn every(stride: u16, grid: &Grid) -> Lattice {
        let (taps, column_of) = axis(stride.max(1), grid.taps);
        let (steps, row_of) = axis(stride.max(1), grid.vref_steps);
        Lattice { taps, steps, column_of, row_of }
    }

    /// Taps on the lattice, ascending.
    pub fn taps(&self) -> &[u16] {
        &self.taps
    }
    /// Vref steps on the lattice, ascending.
    pub fn steps(&self) -> &[u16] {
        &self.steps
    }
    /// Number of lattice points.
    pub fn len(&self) -> usize {
        self.taps.len() * self.steps.len()
    }
    /// A lattice without points?
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
    /// The grid point of a lattice index (row by row).
    pub fn point(&self, index: usize) -> Point {
        let columns = self.taps.len();
        Point { tap: self.taps[index % columns], vref: self.steps[index / columns] }
    }
    /// The lattice index of a grid point, where it is on the lattice.
    pub fn index(&self, point: Point) -> Option<usize> {
        let column = (*self.column_of.get(usize::from(point.tap))?)?;
        let row = (*self.row_of.get(usize::from(point.vref))?)?;
        Some(row * self.taps.len() + column)
    }
    /// The lattice point nearest to a grid point (the lower one of two).
    pub fn nearest(&self, point: Point) -> usize {
        nearest(&self.steps, point.vref) * self.taps.len() + nearest(&self.taps, point.tap)
    }
    /// Is the lattice point on the border of the grid?
    pub fn on_border(&self, index: usize) -> bool {
        let (column, row) = (index % self.taps.len(), index / self.taps.len());
        column == 0 || row == 0 || column + 1 == self.taps.len() || row + 1 == self.steps.len()
    }
    /// Lattice indices of the up to four neighbours.
    pub fn neighbours(&self, index: usize) -> impl Iterator<Item = usize> + use<> {
        let columns = self.taps.len();
        let rows = self.steps.len();
        let (column, row) = (index % columns, index / columns);
        let around = [
            (column > 0).then(|| index - 1),
            (column + 1 < columns).then(|| index + 1),
            (row > 0).then(|| index - columns),
            (row + 1 < rows).then(|| index + columns),
        ];
        around.into_iter().flatten()
    }
}

fn axis(stride: u16, length: u16) -> (Vec<u16>, Vec<Option<usize>>) {
    let mut places: Vec<u16> = (0..length).step_by(usize::from(stride)).collect();
    if length > 0 && places.last() != Some(&(length - 1)) {
        places.push(length - 1);
    }
    let mut slots = vec![None; usize::from(length)];
    for (slot, &place) in places.iter().enumerate() {
        slots[usize::from(place)] = Some(slot);
    }
    (places, slots)
}

fn nearest(places: &[u16], wanted: u16) -> usize {
    let upper = places.partition_point(|&place| place < wanted);
    match (upper.checked_sub(1).and_then(|lower| places.get(lower)), places.get(upper)) {
        (Some(&low), Some(&high)) if wanted - low <= high - wanted => upper - 1,
        (_, Some(_)) => upper,
        _ => places.len().saturating_sub(1),
    }
}

/// Cell of one coordinate: lower and upper slot, offset into the cell, width of the cell.
fn cells(places: &[u16], length: u16) -> Vec<(usize, usize, u32, u32)> {
    (0..length)
        .map(|place| {
            let upper = places.partition_point(|&p| p < place).min(places.len() - 1);
            if places[upper] <= place {
                return (upper, upper, 0, 1);
            }
            let lower = upper - 1;
            (lower, upper, u32::from(place - places[lower]), u32::from(places[upper] - places[lower]))
        })
        .collect()
}

/// Fills the whole grid from pass planes on a lattice: bilinear interpolation of pass = 1 and fail = 0, a point
/// passing when the value is above 1/2. Exactly 1/2 is a fail: doubt never opens an eye.
///
/// `corner` holds one bit a lane for each lattice point, row by row; so does the result for each grid point.
pub fn bilinear_fill(lattice: &Lattice, grid: &Grid, corner: &[u128]) -> Vec<u128> {
    if lattice.is_empty() {
        return Vec::new();
    }
    let across = cells(&lattice.taps, grid.taps);
    let along = cells(&lattice.steps, grid.vref_steps);
    let columns = lattice.taps.len();
    let mut filled = Vec::with_capacity(grid.len());
    for &(row_low, row_high, dy, height) in &along {
        for &(column_low, column_high, dx, width) in &across {
            let corners = [
                corner[row_low * columns + column_low],
                corner[row_low * columns + column_high],
                corner[row_high * columns + column_low],
                corner[row_high * columns + column_high],
            ];
            let all = corners[0] & corners[1] & corners[2] & corners[3];
            let any = corners[0] | corners[1] | corners[2] | corners[3];
            let mut pass = all;
            if all != any {
                let weights = [(width - dx) * (height - dy), dx * (height - dy), (width - dx) * dy, dx * dy];
                for combination in 1u32..15 {
                    let held = |place: usize| combination >> place & 1 == 1;
                    let sum: u32 = (0..4).filter(|&place| held(place)).map(|place| weights[place]).sum();
                    if 2 * sum > width * height {
                        pass |= (0..4).fold(u128::MAX, |mask, place| {
                            mask & if held(place) { corners[place] } else { !corners[place] }
                        });
                    }
                }
            }
            filled.push(pass);
        }
    }
    filled
}
