//! The order of the jobs: one stretch per setup, strung together with the least chamber travel, improved
//! where rules or irregular matrices leave room, and never worse than any nesting of the loops as written.

use super::bound::{Bound, bound_with};
use super::cost::{Cost, Hours, cost_of, keeps_rules, with_references};
use super::exact::{Count, cheapest_cells, cheapest_legs};
use super::model::{OrderError, Problem};
use super::nestings::{Nesting, best_nesting};
use super::pieces::{Layout, Piece};
use super::postman::{Ends, Leg, string_together};
use super::search::{Before, Distances, improve_tour};

/// How much work to put into an order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Effort {
    /// Seed of the search.
    pub seed: u64,
    /// Kicks of the local search where it is used (rules, held training, irregular matrices); 0 for
    /// construction only.
    pub kicks: usize,
    /// Compare with all nestings of the loops as written (otherwise only the construction and the search are
    /// used).
    pub compare_nestings: bool,
}

impl Default for Effort {
    fn default() -> Self {
        Effort { seed: 1, kicks: 2000, compare_nestings: true }
    }
}

/// Jobs done in one insertion: positions `first..end` of the sequence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// Index into [`Problem::mountings`].
    pub mounting: u32,
    pub first: usize,
    pub end: usize,
}

/// Where an order comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Origin {
    /// Stretches strung together and searched.
    Stretches,
    /// Exact over all setup-temperature cells.
    Exact,
    /// A nesting of the loops as written was at least as cheap.
    Nesting(Nesting),
}

/// An order of the jobs with its cost and the bound it is held against.
#[derive(Debug, Clone)]
pub struct Order {
    /// Job indices in order; jobs measured again for drift control appear again.
    pub sequence: Vec<u32>,
    pub stretches: Vec<Stretch>,
    pub cost: Cost,
    pub bound: Bound,
    pub origin: Origin,
    /// Objective of the best nesting of the loops as written, min, where one was at or below the stretches'
    /// objective.
    pub best_nesting_min: Option<f64>,
}

impl Order {
    /// Hours by kind.
    pub fn hours(&self) -> Hours {
        Hours::from(&self.cost.minutes)
    }
}

/// The runs of jobs of one mounting each.
pub fn stretches_of(p: &Problem, sequence: &[u32]) -> Vec<Stretch> {
    let mut at = 0;
    let mounting = |j: u32| p.jobs.get(j as usize).map_or(u32::MAX, |j| j.mounting);
    sequence
        .chunk_by(|&a, &b| mounting(a) == mounting(b))
        .map(|run| {
            let first = at;
            at += run.len();
            Stretch { mounting: mounting(run[0]), first, end: at }
        })
        .collect()
}

/// Orders the jobs. Error: held jobs without a hold temperature.
pub fn plan_order(p: &Problem, effort: Effort) -> Result<Order, OrderError> {
    p.check_hold()?;
    let layout = Layout::new(p);
    let bound = bound_with(p, &layout);
    let price = p.bench.price_min;
    let mut best = finish(p, sequence_of(p, &layout, &whole_pieces(p, &layout), effort));
    let mut origin = Origin::Stretches;
    let limit = 1e-9 * best.1.objective_min(price);
    for pieces in split_options(p, &layout) {
        let trial = finish(p, sequence_of(p, &layout, &pieces, effort));
        if trial.1.objective_min(price) < best.1.objective_min(price) - limit {
            best = trial;
        }
    }
    if let Some((_, cells)) = cheapest_cells(p, &layout, Count::Everything) {
        let trial = finish(p, emit_cells(p, &layout, &cells));
        if trial.1.objective_min(price) < best.1.objective_min(price) - limit {
            best = trial;
            origin = Origin::Exact;
        }
    }
    let mut best_nesting_min = None;
    if effort.compare_nestings
        && let Some(n) = best_nesting(p, best.1.objective_min(price))
    {
        best_nesting_min = Some(n.objective_min);
        if n.objective_min < best.1.objective_min(price) - limit {
            best = finish(p, super::nestings::nested(p, n.loops, n.alternating));
            origin = Origin::Nesting(n);
        }
    }
    let (sequence, cost) = best;
    Ok(Order { stretches: stretches_of(p, &sequence), sequence, cost, bound, origin, best_nesting_min })
}

fn finish(p: &Problem, sequence: Vec<u32>) -> (Vec<u32>, Cost) {
    debug_assert!(keeps_rules(p, &sequence));
    let sequence = with_references(p, sequence);
    let cost = cost_of(p, &sequence);
    (sequence, cost)
}

fn whole_pieces(p: &Problem, layout: &Layout) -> Vec<Piece> {
    (0..p.mountings.len() as u32).map(|m| layout.whole(m)).collect()
}

/// Mountings cut in two between cold and hot where that saves the way through the touch-safe band: worthwhile
/// only where changes are cheap. All that reach beyond both edges, or every second of them (the others carry
/// the chamber across).
fn split_options(p: &Problem, layout: &Layout) -> Vec<Vec<Piece>> {
    let b = &p.bench;
    let width = b.touch_safe_hi_c - b.touch_safe_lo_c;
    let most =
        b.ramp_min(b.touch_safe_lo_c, b.touch_safe_hi_c) + b.ramp_min(b.touch_safe_hi_c, b.touch_safe_lo_c);
    let once = b.attended_change_min(false) + b.price_min;
    if width <= 0.0 || once >= most {
        return Vec::new();
    }
    let cut = |m: u32| {
        let piece = layout.whole(m);
        let cells = layout.cells_of(piece);
        let at = cells.partition_point(|c| c.temp_c < (b.touch_safe_lo_c + b.touch_safe_hi_c) / 2.0) as u32;
        let (lo, hi) = piece.cells;
        let spans = cells.first().is_some_and(|c| c.temp_c < b.touch_safe_hi_c)
            && cells.last().is_some_and(|c| c.temp_c > b.touch_safe_lo_c);
        (spans && at > 0 && lo + at < hi && !layout.held[m as usize]).then_some(lo + at)
    };
    let pieces = |every: u32| -> Vec<Piece> {
        let mut seen = 0;
        let mut out = Vec::new();
        for m in 0..p.mountings.len() as u32 {
            let (lo, hi) = layout.of[m as usize];
            match cut(m) {
                Some(at)
                    if {
                        seen += 1;
                        seen % every == 0
                    } =>
                {
                    out.push(Piece { mounting: m, cells: (lo, at) });
                    out.push(Piece { mounting: m, cells: (at, hi) });
                }
                _ => out.push(layout.whole(m)),
            }
        }
        out
    };
    vec![pieces(1), pieces(2)]
}

/// Strings pieces together and searches where there is room.
fn sequence_of(p: &Problem, layout: &Layout, pieces: &[Piece], effort: Effort) -> Vec<u32> {
    let ends: Vec<Ends> = pieces.iter().map(|&q| layout.ends(p, q)).collect();
    let mut groups: std::collections::BTreeMap<u32, Vec<u32>> = Default::default();
    for (k, q) in pieces.iter().enumerate() {
        groups.entry(p.mountings[q.mounting as usize].channel).or_default().push(k as u32);
    }
    let groups: Vec<Vec<u32>> = groups.into_values().collect();
    let mut legs = string_together(&p.bench, &ends, &groups, effort.seed);
    let pairs = piece_pairs(p, pieces);
    if !pairs.is_empty() {
        legs = by_precedence(pieces, &legs, &pairs);
    }
    set_ways(p, &ends, &mut legs);
    let plain =
        pairs.is_empty() && ends.iter().all(|e| e.ways == 2 && e.begin_c[0] != e.begin_c[1] || e.ways == 1);
    let room = !pairs.is_empty() || !plain || pieces.len() <= 300;
    if effort.kicks > 0 && room && pieces.len() <= 2000 {
        search_legs(p, pieces, &ends, &pairs, &mut legs, effort);
    }
    let step = |before: Option<Leg>, l: Leg| {
        leg_step(p, pieces, &ends, before, l) + ends[l.0 as usize].inner_min[usize::from(l.1)]
    };
    if let Some(exact) = cheapest_legs(pieces.len(), |k| ends[k as usize].ways, &pairs, step)
        && leg_cost(p, pieces, &ends, &exact) < leg_cost(p, pieces, &ends, &legs) - 1e-9
    {
        legs = exact;
    }
    let mut out = Vec::with_capacity(p.jobs.len());
    for &(k, way) in &legs {
        layout.emit(p, pieces[k as usize], way, &mut out);
    }
    out
}

/// Precedences between pieces: the rules' pairs, the baseline before all, colder pieces of a mounting before
/// warmer ones.
fn piece_pairs(p: &Problem, pieces: &[Piece]) -> Vec<(u32, u32)> {
    let mut of: Vec<Vec<u32>> = vec![Vec::new(); p.mountings.len()];
    for (k, q) in pieces.iter().enumerate() {
        of[q.mounting as usize].push(k as u32);
    }
    let mut pairs = Vec::new();
    let mut all = |a: usize, b: usize| {
        for &x in &of[a] {
            pairs.extend(of[b].iter().map(|&y| (x, y)));
        }
    };
    for &(a, b) in &p.rules.before {
        all(a as usize, b as usize);
    }
    if let Some(base) = p.rules.baseline {
        (0..p.mountings.len()).filter(|&m| m != base as usize).for_each(|m| all(base as usize, m));
    }
    if p.rules.cold_first {
        for list in &of {
            pairs.extend(list.windows(2).map(|w| (w[0], w[1])));
        }
    }
    pairs
}

/// The sequence rearranged as little as needed: always the earliest piece that is free, staying in a channel
/// while possible.
fn by_precedence(pieces: &[Piece], legs: &[Leg], pairs: &[(u32, u32)]) -> Vec<Leg> {
    let mut waits = vec![0u32; pieces.len()];
    let mut frees: Vec<Vec<u32>> = vec![Vec::new(); pieces.len()];
    for &(a, b) in pairs {
        waits[b as usize] += 1;
        frees[a as usize].push(b);
    }
    let mut place = vec![0usize; pieces.len()];
    for (k, l) in legs.iter().enumerate() {
        place[l.0 as usize] = k;
    }
    let mut free: std::collections::BTreeSet<usize> =
        (0..pieces.len()).filter(|&k| waits[k] == 0).map(|k| place[k]).collect();
    let mut out = Vec::with_capacity(legs.len());
    let mut now = 0;
    while let Some(k) = free.range(now..).next().or_else(|| free.first()).copied() {
        free.remove(&k);
        out.push(legs[k]);
        now = k;
        for &b in &frees[legs[k].0 as usize] {
            waits[b as usize] -= 1;
            if waits[b as usize] == 0 {
                free.insert(place[b as usize]);
            }
        }
    }
    out
}

/// Chamber minutes between two legs, through the band.
fn between(p: &Problem, ends: &[Ends], a: Leg, b: Leg) -> f64 {
    let from = ends[a.0 as usize].end_c[usize::from(a.1)];
    p.bench.ramp_through_band_min(from, ends[b.0 as usize].begin_c[usize::from(b.1)])
}

/// The best way through every stretch of a given sequence, by dynamic programming.
pub(super) fn set_ways(p: &Problem, ends: &[Ends], legs: &mut [Leg]) {
    let mut cost = [0.0, 0.0];
    let mut from: Vec<[u8; 2]> = Vec::with_capacity(legs.len());
    for k in 0..legs.len() {
        let e = &ends[legs[k].0 as usize];
        let mut next = [f64::INFINITY; 2];
        let mut back = [0u8; 2];
        for way in 0..e.ways {
            let w = usize::from(way);
            for before in 0..2u8 {
                let there = if k == 0 {
                    p.bench.ramp_through_band_min(p.bench.start_c, e.begin_c[w])
                } else if before < ends[legs[k - 1].0 as usize].ways {
                    between(p, ends, (legs[k - 1].0, before), (legs[k].0, way))
                } else {
                    continue;
                };
                let c = cost[usize::from(before)] + there + e.inner_min[w];
                if c < next[w] - 1e-12 {
                    next[w] = c;
                    back[w] = before;
                }
            }
        }
        cost = next;
        from.push(back);
    }
    let mut way = u8::from(cost[1] < cost[0]);
    for k in (0..legs.len()).rev() {
        legs[k].1 = way;
        way = from[k][usize::from(way)];
    }
}

fn leg_cost(p: &Problem, pieces: &[Piece], ends: &[Ends], legs: &[Leg]) -> f64 {
    let mut total = 0.0;
    for (k, &l) in legs.iter().enumerate() {
        let before = k.checked_sub(1).map(|i| legs[i]);
        total += leg_step(p, pieces, ends, before, l) + ends[l.0 as usize].inner_min[usize::from(l.1)];
    }
    total
}

fn leg_step(p: &Problem, pieces: &[Piece], ends: &[Ends], before: Option<Leg>, l: Leg) -> f64 {
    let m = |l: Leg| pieces[l.0 as usize].mounting;
    let change = |channel: bool| p.bench.attended_change_min(channel) + p.bench.price_min;
    match before {
        None => {
            p.bench.ramp_through_band_min(p.bench.start_c, ends[l.0 as usize].begin_c[usize::from(l.1)])
                + change(true)
        }
        Some(b) if m(b) == m(l) => p.bench.ramp_min(
            ends[b.0 as usize].end_c[usize::from(b.1)],
            ends[l.0 as usize].begin_c[usize::from(l.1)],
        ),
        Some(b) => {
            let channel = |l: Leg| p.mountings[m(l) as usize].channel;
            between(p, ends, b, l) + change(channel(b) != channel(l))
        }
    }
}

/// Alternates between the tour search with the ways fixed and the best ways for the tour.
fn search_legs(
    p: &Problem,
    pieces: &[Piece],
    ends: &[Ends],
    pairs: &[(u32, u32)],
    legs: &mut Vec<Leg>,
    effort: Effort,
) {
    let n = legs.len();
    let shifted: Vec<(u32, u32)> = pairs.iter().map(|&(a, b)| (a + 1, b + 1)).collect();
    let before = Before::new(n + 1, &shifted);
    let mut best = leg_cost(p, pieces, ends, legs);
    for round in 0..4u64 {
        let mut way = vec![0u8; n];
        legs.iter().for_each(|l| way[l.0 as usize] = l.1);
        let leg = |k: usize| (k as u32 - 1, way[k - 1]);
        // Place 0 is the beginning and the end of the run.
        let d = Distances::new(n + 1, |i, j| match (i, j) {
            (_, 0) => 0.0,
            (0, j) => leg_step(p, pieces, ends, None, leg(j)),
            (i, j) => leg_step(p, pieces, ends, Some(leg(i)), leg(j)),
        });
        let tour: Vec<u32> = std::iter::once(0).chain(legs.iter().map(|l| l.0 + 1)).collect();
        let tour = improve_tour(&d, &tour, &before, effort.seed.wrapping_add(round), effort.kicks);
        let mut trial: Vec<Leg> = tour.iter().skip(1).map(|&k| leg(k as usize)).collect();
        set_ways(p, ends, &mut trial);
        let cost = leg_cost(p, pieces, ends, &trial);
        if cost >= best - 1e-9 {
            break;
        }
        best = cost;
        *legs = trial;
    }
}

/// Jobs of a sequence of cells.
fn emit_cells(p: &Problem, layout: &Layout, cells: &[u32]) -> Vec<u32> {
    let mut out = Vec::with_capacity(p.jobs.len());
    for &c in cells {
        let mounting = layout.cells[c as usize].mounting;
        layout.emit(p, Piece { mounting, cells: (c, c + 1) }, 0, &mut out);
    }
    out
}

#[cfg(test)]
#[path = "stretches_tests.rs"]
mod tests;
