//! Error-ratio surface of one lane over delay taps and reference steps.
//!
//! Columns are computed when asked for: a tap needs the error ratio without jitter only at the phases its jitter reaches.

use super::channel::Dfe;
use super::dfe;
use super::edges::Seen;
use super::jitter::GRID_PER_UI;
use super::kernels::Kernels;
use super::link::{Link, Shared};
use super::pulse::{CURSORS, Response, SAMPLES_PER_UI};
use super::rows::{self, Work};
use super::stateye::FLOOR_BER;
use super::variation::BitVariation;
use crate::wide::{exp, ln, two_sums_of_rows, wide};
use std::sync::Arc;

/// Phases reach this many sixty-fourths of a unit interval either side of the pulse's maximum (1.5 UI).
const LAST_PHASE: isize = 96;
/// Jitter grid points between two phases.
const PER_PHASE: isize = (GRID_PER_UI / SAMPLES_PER_UI) as isize;
const _: () = assert!(PER_PHASE == 4);
/// Thresholds that a row is a multiple of.
const PER_VECTOR: usize = 8;
/// Logarithms of the error ratio about a limit within which a place is open in part.
const OPEN_WITHIN: f64 = 12.0;
/// Last jitter grid point.
const LAST_POINT: isize = LAST_PHASE * PER_PHASE;

/// Error ratio of one lane at every tap and reference step.
#[derive(Clone)]
pub struct LaneSurface {
    shared: Arc<Shared>,
    response: Response,
    amplitude_v: f64,
    middle_v: f64,
    feedback_v: [f64; 4],
    /// Thresholds less the middle level, V; the last one again and again, so that rows are whole vectors.
    thresholds: Vec<f64>,
    /// Tap instants, unit intervals.
    instants: Vec<f64>,
    /// What is added to every instant, unit intervals.
    shift_ui: f64,
    vref_steps: usize,
    columns: Vec<Option<Box<[f64]>>>,
    /// Error ratio without jitter, one row of thresholds for each place of the jitter grid that was asked for, as they came.
    rows: Vec<f64>,
    /// Which row a place of the jitter grid has; none yet below 1.
    numbers: Vec<u32>,
    work: Work,
    /// Sums of a column and of the one behind it.
    sums: Vec<f64>,
    /// Rows that they are of, and their weights.
    summed: Vec<(usize, [f64; 2])>,
    /// Error ratio of the path that what arrived is read back through.
    read_back: f64,
}

impl LaneSurface {
    /// Takes over the memory of what another lane computed before the jitter; that lane keeps its columns. So large a piece, given back and
    /// asked for anew, costs more than the copying.
    pub fn take_memory_of(&mut self, other: &mut LaneSurface) {
        if self.rows.is_empty() {
            self.rows = std::mem::take(&mut other.rows);
            self.rows.clear();
            other.numbers.clear();
            self.work = std::mem::take(&mut other.work);
        }
    }

    /// Error ratios that there is memory for before the jitter.
    #[cfg(test)]
    pub fn kept_rows(&self) -> usize {
        self.rows.capacity()
    }

    /// Nothing computed yet; `levels_v`: amplitude and middle.
    pub(super) fn new(
        link: &Link,
        response: Response,
        (amplitude_v, middle_v): (f64, f64),
        feedback_v: [f64; 4],
        mut thresholds: Vec<f64>,
        instants: Vec<f64>,
    ) -> LaneSurface {
        let vref_steps = thresholds.len();
        if let Some(last) = thresholds.last() {
            thresholds.resize(vref_steps.next_multiple_of(PER_VECTOR), *last);
        }
        LaneSurface {
            shared: link.shared(),
            vref_steps,
            columns: vec![None; instants.len()],
            thresholds,
            instants,
            shift_ui: 0.0,
            amplitude_v,
            middle_v,
            feedback_v,
            response,
            rows: Vec::new(),
            numbers: Vec::new(),
            work: Work::default(),
            sums: Vec::new(),
            summed: Vec::new(),
            read_back: 0.0,
        }
    }

    /// What its noise is tabulated in.
    pub(super) fn kernels(&self) -> &Arc<Kernels> {
        &self.shared.kernels
    }

    #[must_use]
    pub fn taps(&self) -> usize {
        self.instants.len()
    }

    /// Number of reference steps.
    #[must_use]
    pub fn vref_steps(&self) -> usize {
        self.vref_steps
    }

    /// Values of the DFE's taps, V.
    #[must_use]
    pub fn feedback_v(&self) -> [f64; 4] {
        self.feedback_v
    }

    /// Has this lane a DFE?
    #[must_use]
    pub fn is_equalized(&self) -> bool {
        self.shared.channel.setup().dfe == Dfe::FourTap
    }

    /// Is a feedback tap at the end of its range, with more than half a step of its post-cursor left?
    #[must_use]
    pub fn feedback_at_end(&self) -> bool {
        let setup = self.shared.channel.setup();
        let half_step_v = 0.5 * dfe::Taps::of(&setup.parameters, setup.direction).step_v;
        (1isize..).zip(self.feedback_v).any(|(cursor, tap)| {
            (self.amplitude_v * self.response.pulse(0, cursor) + tap).abs() > 1.001 * half_step_v
        })
    }

    /// Eye height at the pulse's maximum by peak distortion with the feedback taps as they are, V; negative where the
    /// worst pattern closes the eye.
    #[must_use]
    pub fn worst_height_v(&self) -> f64 {
        let interference: f64 = CURSORS
            .filter(|cursor| *cursor != 0)
            .map(|cursor| {
                let tap = usize::try_from(cursor - 1).ok().and_then(|tap| self.feedback_v.get(tap));
                (self.amplitude_v * self.response.pulse(0, cursor) + tap.copied().unwrap_or(0.0)).abs()
            })
            .sum();
        2.0 * (self.amplitude_v * self.response.pulse(0, 0) - interference)
    }

    /// Middle of the signal at the receiver, V.
    #[must_use]
    pub fn middle_v(&self) -> f64 {
        self.middle_v
    }

    /// Delay of the pulse's maximum from the centre of the sent bit, unit intervals.
    #[must_use]
    pub fn delay_ui(&self) -> f64 {
        self.response.delay_ui
    }

    /// Amplitude of an alternating pattern (a strobe) at the receiver, V: half its swing.
    #[must_use]
    pub fn strobe_amplitude_v(&self) -> f64 {
        let sign = |k: isize| if k % 2 == 0 { 1.0 } else { -1.0 };
        let sum: f64 = CURSORS.map(|k| sign(k) * self.response.pulse(0, k)).sum();
        (self.amplitude_v * sum).abs()
    }

    /// When a tap samples, unit intervals from the pulse's maximum, where the strobe is now.
    #[must_use]
    pub fn instant_ui(&self, tap: usize) -> Option<f64> {
        self.instants.get(tap).map(|instant| instant + self.shift_ui)
    }

    /// What is added to every instant now, unit intervals.
    #[must_use]
    pub fn shift_ui(&self) -> f64 {
        self.shift_ui
    }

    /// Taps whose error ratios were computed so far: nothing is computed before it is asked for.
    #[must_use]
    pub fn computed_taps(&self) -> usize {
        self.columns.iter().filter(|column| column.is_some()).count()
    }

    /// Moves every tap instant by `shift_ui` unit intervals from its nominal place: a start that found the strobe
    /// elsewhere. What was computed before the jitter stays.
    pub fn set_shift(&mut self, shift_ui: f64) {
        if shift_ui != self.shift_ui {
            self.shift_ui = shift_ui;
            self.columns.fill(None);
        }
    }

    /// Every bit is read back through a path with this error ratio: it adds its errors, and undoes one in as many.
    pub fn set_read_back(&mut self, error_ratio: f64) {
        if error_ratio != self.read_back {
            self.read_back = error_ratio;
            self.columns.fill(None);
        }
    }

    /// The same lane with another jitter and delay line: what was computed before the jitter stays. `link` and `bit` differ from
    /// this lane's own in nothing else.
    #[must_use]
    pub fn retimed(&self, link: &Link, bit: &BitVariation) -> LaneSurface {
        let instants = link.instants_ui(bit);
        let columns = vec![None; instants.len()];
        LaneSurface { shared: link.shared(), columns, instants, ..self.clone() }
    }

    /// Error ratios of one tap over the reference steps, or `None` when every one of them is proven to be above
    /// `limit` (then most of the work is saved).
    ///
    /// The proof: the error ratio with jitter is a weighted sum of error ratios without, so a single term of it is a
    /// lower bound.
    pub fn passing_column(&mut self, tap: usize, limit: f64) -> Option<&[f64]> {
        let column = self.columns.get(tap)?;
        if column.is_none() {
            if self.fails_everywhere(tap, limit) {
                return None;
            }
            self.fill(tap);
        }
        self.columns.get(tap).and_then(|column| column.as_deref())
    }

    fn fails_everywhere(&mut self, tap: usize, limit: f64) -> bool {
        let (base, _) = self.place(tap);
        let phase = (base + PER_PHASE / 2).div_euclid(PER_PHASE).clamp(-LAST_PHASE, LAST_PHASE);
        let at = phase * PER_PHASE;
        let half = (self.shared.jitter.len() / 2) as isize;
        let weight = |point: isize| {
            usize::try_from(at - point + half)
                .ok()
                .and_then(|i| self.shared.jitter.get(i))
                .copied()
                .unwrap_or(0.0)
        };
        // The column lies between the two grid points beside the instant: the smaller bound holds for it.
        let share = weight(base).min(weight(base + 1));
        if share <= 0.0 {
            return false;
        }
        self.need_phase(phase);
        self.row(at).is_some_and(|row| row.iter().all(|ber| share * ber > limit))
    }

    /// Bit-error ratio at `tap` and reference step `vref`; 0.5 where there is no such tap or step.
    pub fn ber(&mut self, tap: usize, vref: usize) -> f64 {
        if tap >= self.instants.len() || vref >= self.vref_steps {
            return 0.5;
        }
        self.fill(tap);
        self.columns[tap].as_ref().and_then(|column| column.get(vref)).copied().unwrap_or(0.5)
    }

    /// Computes everything and returns it, `taps x vref_steps`, the steps of one tap next to each other. Frees the
    /// intermediate results.
    pub fn surface(&mut self) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.instants.len() * self.vref_steps);
        for tap in 0..self.instants.len() {
            self.fill(tap);
            if let Some(column) = &self.columns[tap] {
                out.extend_from_slice(column);
            }
        }
        self.rows = Vec::new();
        self.numbers = Vec::new();
        self.work = Work::default();
        out
    }

    /// Error ratio without jitter at `phase` sixty-fourths of a unit interval, one value for each reference step.
    pub fn without_jitter(&mut self, phase: isize) -> Vec<f64> {
        let phase = phase.clamp(-LAST_PHASE, LAST_PHASE);
        self.need_phase(phase);
        self.row(phase * PER_PHASE).map_or(Vec::new(), <[f64]>::to_vec)
    }

    /// Middle in time of what is open at `limit` without jitter, unit intervals from the pulse's maximum; a phase counts by how much of it is
    /// open, and a place at the edge in part, so that nothing jumps when a figure changes a little.
    pub fn middle_ui(&mut self, limit: f64) -> f64 {
        let last = SAMPLES_PER_UI as isize;
        let (mut sum, mut weight) = (0.0, 0.0);
        for phase in -last..=last {
            self.need_phase(phase);
            let Some(row) = self.row(phase * PER_PHASE) else { continue };
            let open: f64 =
                row.iter().map(|ratio| (0.5 + (limit.ln() - ratio.ln()) / OPEN_WITHIN).clamp(0.0, 1.0)).sum();
            sum += open * phase as f64;
            weight += open;
        }
        if weight > 0.0 { sum / weight / SAMPLES_PER_UI as f64 } else { 0.0 }
    }

    fn fill(&mut self, tap: usize) {
        if self.columns[tap].is_some() {
            return;
        }
        let (base, part) = self.place(tap);
        let both = part > 1e-9;
        let mut sums = std::mem::take(&mut self.sums);
        self.jittered(base, both, &mut sums);
        let (here, next) = sums.split_at_mut(self.thresholds.len());
        let read_back = self.read_back;
        wide(
            #[inline(always)]
            || {
                if both {
                    for (value, next) in here.iter_mut().zip(next) {
                        let log = ln(*value);
                        *value = exp(log + part * (ln(*next) - log));
                    }
                }
                for value in here.iter_mut() {
                    *value = value.clamp(FLOOR_BER, 1.0);
                    if read_back > 0.0 {
                        *value += read_back * (1.0 - 2.0 * *value);
                    }
                }
            },
        );
        self.columns[tap] = Some(here[..self.vref_steps].into());
        self.sums = sums;
    }

    /// Jitter grid point at or before a tap's instant, and the part of a grid step behind it.
    fn place(&self, tap: usize) -> (isize, f64) {
        let instant = self.instants.get(tap).copied().unwrap_or(0.0) + self.shift_ui;
        // Far outside the window the error ratio is flat: holding the edge keeps the numbers small.
        let place = (instant * GRID_PER_UI as f64).clamp(-(LAST_POINT as f64), LAST_POINT as f64);
        let base = place.floor();
        (base as isize, place - base)
    }

    /// Error ratio with jitter at a grid point and, if `both`, behind it that at the next one.
    fn jittered(&mut self, point: isize, both: bool, sums: &mut Vec<f64>) {
        let half = (self.shared.jitter.len() / 2) as isize;
        let clamp = |at: isize| at.clamp(-LAST_POINT, LAST_POINT);
        let (low, high) = (clamp(point - half), clamp(point + half + isize::from(both)));
        let (first, last) = (low.div_euclid(PER_PHASE), -(-high).div_euclid(PER_PHASE));
        for phase in first..=last {
            self.need_phase(phase);
        }
        for phase in first..last {
            self.need_between(phase);
        }
        let jitter = &self.shared.jitter;
        let weight = |place: Option<usize>| place.and_then(|place| jitter.get(place)).copied().unwrap_or(0.0);
        let steps = self.thresholds.len();
        let mut summed = std::mem::take(&mut self.summed);
        summed.clear();
        summed.extend((point - half..=point + half + isize::from(both)).enumerate().filter_map(
            |(place, at)| {
                let number = self.number(clamp(at))?;
                Some((number * steps, [weight(Some(place)), weight(place.checked_sub(1))]))
            },
        ));
        sums.clear();
        sums.resize(2 * steps, 0.0);
        let (here, next) = sums.split_at_mut(steps);
        wide(
            #[inline(always)]
            || two_sums_of_rows(&summed, &self.rows, [here, next]),
        );
        self.summed = summed;
    }

    /// Number of a row of the jitter grid, once it is there.
    fn number(&self, at: isize) -> Option<usize> {
        (*self.numbers.get(grid_index(at))? as usize).checked_sub(1)
    }

    fn row(&self, at: isize) -> Option<&[f64]> {
        let row = self.rows.chunks_exact(self.thresholds.len().max(1)).nth(self.number(at)?)?;
        row.get(..self.vref_steps)
    }

    /// Room behind the last row for `count` places of the grid from `at` on; where it begins.
    fn room(&mut self, at: isize, count: usize) -> usize {
        let begin = self.rows.len();
        self.rows.resize(begin + count * self.thresholds.len(), 0.0);
        let first = begin / self.thresholds.len().max(1);
        for place in 0..count {
            self.numbers[grid_index(at) + place] = (first + place + 1) as u32;
        }
        begin
    }

    fn need_phase(&mut self, phase: isize) {
        if self.numbers.is_empty() {
            self.numbers = vec![0; grid_index(LAST_POINT) + 1];
            // Grown step by step it would be copied over and over; what is not used is not touched.
            self.rows.reserve_exact(self.numbers.len() * self.thresholds.len());
        }
        let at = phase * PER_PHASE;
        if self.numbers[grid_index(at)] == 0 {
            let begin = self.room(at, 1);
            let seen = Seen {
                response: &self.response,
                amplitude: self.amplitude_v,
                feedback: &self.feedback_v,
                phase,
            };
            rows::fill(&self.shared, &seen, &self.thresholds, &mut self.work, &mut self.rows[begin..]);
        }
    }

    /// Rows between a phase and the next: linear in the logarithm. Three, by geometric means (half, then quarters).
    fn need_between(&mut self, phase: isize) {
        let (at, steps) = (phase * PER_PHASE, self.thresholds.len());
        let (Some(a), Some(b), None) = (self.number(at), self.number(at + PER_PHASE), self.number(at + 1))
        else {
            return;
        };
        let begin = self.room(at + 1, 3);
        let (known, new) = self.rows.split_at_mut(begin);
        let (a, b) = (&known[a * steps..][..steps], &known[b * steps..][..steps]);
        let (first, rest) = new.split_at_mut(steps);
        let (middle, third) = rest.split_at_mut(steps);
        let mean = |out: &mut [f64], a: &[f64], b: &[f64]| {
            for (out, (a, b)) in out.iter_mut().zip(a.iter().zip(b)) {
                *out = (a * b).sqrt();
            }
        };
        wide(
            #[inline(always)]
            || {
                mean(middle, a, b);
                mean(first, a, middle);
                mean(third, middle, b);
            },
        );
    }
}

/// Place on the jitter grid, counted from its first.
fn grid_index(at: isize) -> usize {
    (at + LAST_POINT) as usize
}
