//! Jobs laid out by mounting and temperature, and the emission of whole stretches with alternating inner
//! loops.

use super::model::Problem;
use super::postman::Ends;

/// All jobs of one mounting at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cell {
    pub mounting: u32,
    pub temp_c: f64,
    /// Range in the layout's job list.
    pub jobs: (u32, u32),
    /// Measuring and training, min.
    pub work_min: f64,
}

/// The jobs sorted by mounting, temperature (cold to hot), outer and inner loop.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    pub jobs: Vec<u32>,
    /// Cells sorted by mounting, cold to hot.
    pub cells: Vec<Cell>,
    /// Range of cells of each mounting.
    pub of: Vec<(u32, u32)>,
    /// Whether a mounting's jobs hold their training.
    pub held: Vec<bool>,
}

/// A run of temperatures of one mounting, measured in one insertion: a range of the layout's cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Piece {
    pub mounting: u32,
    pub cells: (u32, u32),
}

/// One rate of a held mounting: its stops (temperature in degC, jobs there) in order.
pub(crate) type HeldRate = (u16, Vec<(f64, Vec<u32>)>);

/// Supply and rate as they stand.
type Levels = (Option<u16>, Option<u16>);

impl Layout {
    pub fn new(p: &Problem) -> Layout {
        let mut rank: Vec<usize> = (0..p.temperatures_c.len()).collect();
        rank.sort_by(|&a, &b| p.temperatures_c[a].total_cmp(&p.temperatures_c[b]));
        let mut place = vec![0u16; rank.len()];
        for (k, &t) in rank.iter().enumerate() {
            place[t] = k as u16;
        }
        let supply_outer = p.bench.supply_change_s >= p.bench.rate_change_s;
        let mut jobs: Vec<u32> = (0..p.jobs.len() as u32).collect();
        jobs.sort_unstable_by_key(|&k| {
            let j = &p.jobs[k as usize];
            let inner = if supply_outer { (j.supply, j.rate) } else { (j.rate, j.supply) };
            (j.mounting, place[usize::from(j.temperature)], inner, k)
        });
        let mut cells: Vec<Cell> = Vec::new();
        let mut of = vec![(0u32, 0u32); p.mountings.len()];
        let mut held = vec![false; p.mountings.len()];
        let mut at: u32 = 0;
        for run in jobs.chunk_by(|&a, &b| {
            let (a, b) = (&p.jobs[a as usize], &p.jobs[b as usize]);
            (a.mounting, a.temperature) == (b.mounting, b.temperature)
        }) {
            let first = &p.jobs[run[0] as usize];
            let minutes = |j: &u32| {
                let j = &p.jobs[*j as usize];
                (f64::from(j.measure_s) + if j.held { 0.0 } else { f64::from(j.train_s) }) / 60.0
            };
            let m = first.mounting as usize;
            if of[m].1 == 0 {
                of[m].0 = cells.len() as u32;
            }
            held[m] = first.held;
            cells.push(Cell {
                mounting: first.mounting,
                temp_c: p.temp_c(first.temperature),
                jobs: (at, at + run.len() as u32),
                work_min: run.iter().map(minutes).sum(),
            });
            at += run.len() as u32;
            of[m].1 = cells.len() as u32;
        }
        Layout { jobs, cells, of, held }
    }

    pub fn whole(&self, mounting: u32) -> Piece {
        Piece { mounting, cells: self.of[mounting as usize] }
    }

    pub fn cells_of(&self, piece: Piece) -> &[Cell] {
        &self.cells[piece.cells.0 as usize..piece.cells.1 as usize]
    }

    /// How the ordering sees a piece.
    pub fn ends(&self, p: &Problem, piece: Piece) -> Ends {
        let cells = self.cells_of(piece);
        let (cold, hot) = match (cells.first(), cells.last()) {
            (Some(a), Some(b)) => (a.temp_c, b.temp_c),
            _ => (p.bench.start_c, p.bench.start_c),
        };
        let Some(hold) = self.hold_c(p, piece) else {
            return Ends::sweep(&p.bench, cold, hot, p.rules.cold_first);
        };
        let mut ends = Ends {
            begin_c: [hold; 2],
            end_c: [hold; 2],
            inner_min: [0.0; 2],
            ways: if p.rules.cold_first { 1 } else { 2 },
        };
        for way in 0..2u8 {
            let w = usize::from(way);
            let mut at = hold;
            for (_, stops) in self.held_walk(p, piece, way) {
                for t in std::iter::once(hold).chain(stops.iter().map(|&(t, _)| t)) {
                    ends.inner_min[w] += p.bench.ramp_min(at, t);
                    at = t;
                }
            }
            ends.end_c[w] = at;
        }
        ends
    }

    fn hold_c(&self, p: &Problem, piece: Piece) -> Option<f64> {
        let held = self.held.get(piece.mounting as usize).copied().unwrap_or(false);
        p.rules.hold_temperature.filter(|_| held).map(|t| p.temp_c(t))
    }

    /// Jobs of each rate of a held piece by cell, cold to hot.
    pub fn held_groups(&self, p: &Problem, piece: Piece) -> Vec<HeldRate> {
        let mut groups: std::collections::BTreeMap<u16, Vec<(f64, Vec<u32>)>> = Default::default();
        for c in self.cells_of(piece) {
            for &j in &self.jobs[c.jobs.0 as usize..c.jobs.1 as usize] {
                let stops = groups.entry(p.jobs[j as usize].rate).or_default();
                match stops.last_mut() {
                    Some((t, list)) if *t == c.temp_c => list.push(j),
                    _ => stops.push((c.temp_c, vec![j])),
                }
            }
        }
        groups.into_iter().collect()
    }

    /// Temperature inside rate: for each rate the stops after training at the hold temperature. The rate
    /// whose open end saves the longest way back to the hold temperature comes last.
    fn held_walk(&self, p: &Problem, piece: Piece, way: u8) -> Vec<HeldRate> {
        let Some(hold) = self.hold_c(p, piece) else { return Vec::new() };
        let mut groups = self.held_groups(p, piece);
        for (_, stops) in &mut groups {
            if p.rules.cold_first {
                continue;
            }
            let all = std::mem::take(stops);
            let (cold, mut warm): (Vec<_>, Vec<_>) = all.into_iter().partition(|&(t, _)| t < hold);
            let here =
                if warm.first().is_some_and(|&(t, _)| t == hold) { Some(warm.remove(0)) } else { None };
            stops.extend(here);
            let cold = cold.into_iter().rev();
            if way == 0 {
                stops.extend(cold);
                stops.extend(warm);
            } else {
                stops.extend(warm);
                stops.extend(cold);
            }
        }
        let saved = |g: &HeldRate| g.1.last().map_or(0.0, |&(t, _)| p.bench.ramp_min(t, hold));
        let last = (0..groups.len()).max_by(|&a, &b| saved(&groups[a]).total_cmp(&saved(&groups[b])));
        if let Some(k) = last {
            let g = groups.remove(k);
            groups.push(g);
        }
        groups
    }

    pub fn emit(&self, p: &Problem, piece: Piece, way: u8, out: &mut Vec<u32>) {
        let mut levels: Levels = (None, None);
        if self.hold_c(p, piece).is_some() {
            for (_, stops) in self.held_walk(p, piece, way) {
                for (_, jobs) in stops {
                    self.emit_run(p, &jobs, &mut levels, out);
                }
            }
            return;
        }
        let cells = self.cells_of(piece);
        let mut one = |c: &Cell| {
            self.emit_run(p, &self.jobs[c.jobs.0 as usize..c.jobs.1 as usize], &mut levels, out);
        };
        if way == 0 {
            cells.iter().for_each(&mut one);
        } else {
            cells.iter().rev().for_each(&mut one);
        }
    }

    /// One temperature: outer and inner loop each begin at the end nearer to the level that stands.
    fn emit_run(&self, p: &Problem, jobs: &[u32], levels: &mut Levels, out: &mut Vec<u32>) {
        let supply_outer = p.bench.supply_change_s >= p.bench.rate_change_s;
        let key = |j: u32| {
            let j = &p.jobs[j as usize];
            if supply_outer { (j.supply, j.rate) } else { (j.rate, j.supply) }
        };
        let (mut outer, mut inner) = if supply_outer { *levels } else { (levels.1, levels.0) };
        let back = |now: Option<u16>, first: u16, last: u16| {
            now.is_some_and(|n| n.abs_diff(last) < n.abs_diff(first))
        };
        let groups: Vec<&[u32]> = jobs.chunk_by(|&a, &b| key(a).0 == key(b).0).collect();
        let (Some(&first), Some(&last)) = (jobs.first(), jobs.last()) else { return };
        let turn = back(outer, key(first).0, key(last).0);
        for k in 0..groups.len() {
            let g = groups[if turn { groups.len() - 1 - k } else { k }];
            let (a, b) = (key(g[0]), key(g[g.len() - 1]));
            let runs = g.chunk_by(|&a, &b| key(a).1 == key(b).1);
            if back(inner, a.1, b.1) {
                runs.rev().for_each(|r| out.extend_from_slice(r));
                inner = Some(a.1);
            } else {
                runs.for_each(|r| out.extend_from_slice(r));
                inner = Some(b.1);
            }
            outer = Some(a.0);
        }
        *levels = if supply_outer { (outer, inner) } else { (inner, outer) };
    }
}
