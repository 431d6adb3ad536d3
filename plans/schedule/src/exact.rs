//! Exact orders of small problems by dynamic programming over subsets (source: Held and Karp, "A dynamic
//! programming approach to sequencing problems", J. SIAM 10 (1962) 196-210).

use super::model::Problem;
use super::pieces::Layout;
use super::postman::Leg;
use super::search::Distances;

/// Most setup-temperature cells solved exactly.
pub(crate) const MOST_CELLS: usize = 12;

/// Shortest closed tour from place 0 that keeps the pairs `(a, b)` (a before b), with its length; `None`
/// above 16 places or if the pairs contradict each other.
pub fn shortest_tour(d: &Distances, before: &[(u32, u32)]) -> Option<(f64, Vec<u32>)> {
    let n = d.len();
    if n == 0 || n > 16 {
        return None;
    }
    let mut needs = vec![0usize; n];
    for &(a, b) in before {
        if (a as usize) < n {
            *needs.get_mut(b as usize)? |= 1 << a;
        }
    }
    let (cost, path) = subsets(
        (n, n),
        |v| v,
        |v| if v == 0 && needs[0] == 0 { 0.0 } else { f64::INFINITY },
        |mask, u, v| if needs[v] & !mask == 0 { d.get(u, v) } else { f64::INFINITY },
        |v| d.get(v, 0),
    )?;
    Some((cost, path))
}

/// Cheapest sequence of `bits` places, each in one of its nodes (`bit_of` says whose node it is): cost of the
/// first node, of each next one given the set of places already done, and of ending.
fn subsets(
    (nodes, bits): (usize, usize),
    bit_of: impl Fn(usize) -> usize,
    first: impl Fn(usize) -> f64,
    step: impl Fn(usize, usize, usize) -> f64,
    end: impl Fn(usize) -> f64,
) -> Option<(f64, Vec<u32>)> {
    let full = (1usize << bits) - 1;
    let mut cost = vec![f64::INFINITY; (full + 1) * nodes];
    let mut from = vec![0u8; (full + 1) * nodes];
    for v in 0..nodes {
        cost[(1 << bit_of(v)) * nodes + v] = first(v);
    }
    for mask in 1..=full {
        for u in 0..nodes {
            let here = cost[mask * nodes + u];
            if !here.is_finite() {
                continue;
            }
            for v in (0..nodes).filter(|&v| mask >> bit_of(v) & 1 == 0) {
                let to = (mask | 1 << bit_of(v)) * nodes + v;
                let c = here + step(mask, u, v);
                if c < cost[to] {
                    cost[to] = c;
                    from[to] = u as u8;
                }
            }
        }
    }
    let total = |v: usize| cost[full * nodes + v] + end(v);
    let mut v = (0..nodes).min_by(|&a, &b| total(a).total_cmp(&total(b)))?;
    let best = total(v);
    if !best.is_finite() {
        return None;
    }
    let (mut mask, mut path) = (full, vec![v as u32]);
    while mask.count_ones() > 1 {
        let u = usize::from(from[mask * nodes + v]);
        mask &= !(1 << bit_of(v));
        v = u;
        path.push(v as u32);
    }
    path.reverse();
    Some((best, path))
}

/// Most stretches sequenced exactly, both ways through each considered.
pub(crate) const MOST_LEGS: usize = 10;

/// The cheapest sequence of `n` stretches (at most [`MOST_LEGS`]) and their ways, keeping the pairs `(a, b)`:
/// a before b. `step(before, leg)` gives the minutes of a leg with what comes before it.
pub(crate) fn cheapest_legs(
    n: usize,
    ways: impl Fn(u32) -> u8,
    pairs: &[(u32, u32)],
    step: impl Fn(Option<Leg>, Leg) -> f64,
) -> Option<Vec<Leg>> {
    if n == 0 || n > MOST_LEGS {
        return None;
    }
    let mut needs = vec![0usize; n];
    for &(a, b) in pairs {
        *needs.get_mut(b as usize)? |= 1 << a;
    }
    let leg = |v: usize| ((v / 2) as u32, (v % 2) as u8);
    let may = |mask: usize, v: usize| leg(v).1 < ways(leg(v).0) && needs[v / 2] & !mask == 0;
    let (_, path) = subsets(
        (2 * n, n),
        |v| v / 2,
        |v| if may(0, v) { step(None, leg(v)) } else { f64::INFINITY },
        |mask, u, v| if may(mask, v) { step(Some(leg(u)), leg(v)) } else { f64::INFINITY },
        |_| 0.0,
    )?;
    Some(path.into_iter().map(|v| leg(v as usize)).collect())
}

/// What is counted of a change-over: everything in the objective, or only what the bound covers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Count {
    /// Ramps, hands, mounting check, boot, soak, settling and price.
    Everything,
    /// Ramps, hands, mounting check and price.
    #[cfg_attr(not(test), allow(dead_code))]
    ChangeOver,
}

/// The cheapest sequence of setup-temperature cells (indices into the layout's cells), keeping the rules;
/// `None` above [`MOST_CELLS`] cells, with held training or where drift control repeats jobs. Rate and supply
/// changes inside cells are not part of it.
pub(crate) fn cheapest_cells(p: &Problem, layout: &Layout, count: Count) -> Option<(f64, Vec<u32>)> {
    let n = layout.cells.len();
    let repeated = p.rules.baseline.is_some() || p.rules.reference.is_some();
    if n == 0 || n > MOST_CELLS || repeated || p.jobs.iter().any(|j| j.held) {
        return None;
    }
    let b = &p.bench;
    let cells = &layout.cells;
    let once = |channel: bool| {
        let boot = if count == Count::Everything { b.boot_s / 60.0 } else { 0.0 };
        b.hands_min(channel) + b.mounting_check_s / 60.0 + b.price_min + boot
    };
    let arrive = if count == Count::Everything { (b.soak_s + b.settle_s) / 60.0 } else { 0.0 };
    let channel = |m: u32| p.mountings[m as usize].channel;
    let mut needs = vec![0usize; n];
    for (v, c) in cells.iter().enumerate() {
        for (u, e) in cells.iter().enumerate() {
            let colder = p.rules.cold_first && c.mounting == e.mounting && e.temp_c < c.temp_c;
            let earlier = p.rules.before.contains(&(e.mounting, c.mounting));
            if colder || earlier {
                needs[v] |= 1 << u;
            }
        }
    }
    let step = |from_c: f64, from: Option<u32>, v: usize| {
        let c = &cells[v];
        if from == Some(c.mounting) {
            return b.ramp_min(from_c, c.temp_c) + arrive;
        }
        let change = from.is_none_or(|m| channel(m) != channel(c.mounting));
        b.ramp_through_band_min(from_c, c.temp_c) + once(change) + arrive
    };
    subsets(
        (n, n),
        |v| v,
        |v| if needs[v] == 0 { step(b.start_c, None, v) } else { f64::INFINITY },
        |mask, u, v| {
            if needs[v] & !mask == 0 {
                step(cells[u].temp_c, Some(cells[u].mounting), v)
            } else {
                f64::INFINITY
            }
        },
        |_| 0.0,
    )
}
