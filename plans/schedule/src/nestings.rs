//! Loops as written: every nesting of the five factors, straight or with alternating direction, costed
//! exactly.

use super::cost::{Cost, cost_below, keeps_rules, with_references};
use super::model::Problem;

/// One factor of the nesting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loop {
    Module,
    Channel,
    Temperature,
    Supply,
    Rate,
}

const LOOPS: [Loop; 5] = [Loop::Module, Loop::Channel, Loop::Temperature, Loop::Supply, Loop::Rate];

/// A nesting and what it costs.
#[derive(Debug, Clone, PartialEq)]
pub struct Nesting {
    /// Outermost loop first.
    pub loops: [Loop; 5],
    /// Every loop turns round at its end instead of starting again.
    pub alternating: bool,
    pub cost: Cost,
    pub objective_min: f64,
}

fn key(p: &Problem, l: Loop, job: u32) -> u32 {
    let j = &p.jobs[job as usize];
    match l {
        Loop::Module => p.mountings[j.mounting as usize].module,
        Loop::Channel => p.mountings[j.mounting as usize].channel,
        Loop::Temperature => u32::from(j.temperature),
        Loop::Supply => u32::from(j.supply),
        Loop::Rate => u32::from(j.rate),
    }
}

fn mounting_number(p: &Problem, job: u32) -> u32 {
    p.mountings[p.jobs[job as usize].mounting as usize].number
}

fn sort_stable(list: &mut [u32], key: impl Fn(u32) -> u32) {
    let most = list.iter().map(|&j| key(j)).max().unwrap_or(0) as usize;
    if most > list.len() + 65_536 {
        list.sort_by_key(|&j| key(j));
        return;
    }
    // Counting sort: levels are small integers.
    let mut start = vec![0usize; most + 2];
    for &j in list.iter() {
        start[key(j) as usize + 1] += 1;
    }
    for k in 1..start.len() {
        start[k] += start[k - 1];
    }
    let mut out = vec![0u32; list.len()];
    for &j in list.iter() {
        let slot = &mut start[key(j) as usize];
        out[*slot] = j;
        *slot += 1;
    }
    list.copy_from_slice(&out);
}

/// The jobs in the order of one nesting, outermost loop first; levels as written. Re-seats turn inside the
/// inner of module and channel; repeats stay together.
pub fn nested(p: &Problem, loops: [Loop; 5], alternating: bool) -> Vec<u32> {
    let mut list: Vec<u32> = (0..p.jobs.len() as u32).collect();
    let mut seated = false;
    for &l in loops.iter().rev() {
        pass(p, &mut list, l, &mut seated);
    }
    if alternating { alternate(p, &list, &loops) } else { list }
}

fn pass(p: &Problem, list: &mut [u32], l: Loop, seated: &mut bool) {
    if !*seated && matches!(l, Loop::Module | Loop::Channel) {
        sort_stable(list, |j| mounting_number(p, j));
        *seated = true;
    }
    sort_stable(list, |j| key(p, l, j));
}

fn alternate(p: &Problem, list: &[u32], loops: &[Loop; 5]) -> Vec<u32> {
    let mut out = Vec::with_capacity(list.len());
    let mut back = [false; 5];
    turn(p, list, loops, 0, &mut back, &mut out);
    out
}

fn turn(
    p: &Problem,
    list: &[u32],
    loops: &[Loop; 5],
    depth: usize,
    back: &mut [bool; 5],
    out: &mut Vec<u32>,
) {
    let Some(&l) = loops.get(depth) else {
        out.extend_from_slice(list);
        return;
    };
    let groups = list.chunk_by(|&a, &b| key(p, l, a) == key(p, l, b));
    if back[depth] {
        groups.rev().for_each(|g| turn(p, g, loops, depth + 1, back, out));
    } else {
        groups.for_each(|g| turn(p, g, loops, depth + 1, back, out));
    }
    back[depth] = !back[depth];
}

/// The nesting with the lowest objective among all 120 orders of the loops, straight and alternating, of
/// those that keep the rules. Sequences that already cost more than `limit_min` are dropped early; `None` if
/// nothing at or below it is left.
pub fn best_nesting(p: &Problem, limit_min: f64) -> Option<Nesting> {
    let mut best: Option<Nesting> = None;
    let list: Vec<u32> = (0..p.jobs.len() as u32).collect();
    dig(p, &list, &mut Vec::new(), false, limit_min, &mut best);
    best
}

/// Sorts from the innermost loop outwards, so that nestings with the same inner loops share the work.
fn dig(
    p: &Problem,
    list: &[u32],
    inner: &mut Vec<Loop>,
    seated: bool,
    limit: f64,
    best: &mut Option<Nesting>,
) {
    if let [a, b, c, d, e] = inner[..] {
        let loops = [e, d, c, b, a];
        for alternating in [false, true] {
            let turned = if alternating { alternate(p, list, &loops) } else { Vec::new() };
            let sequence = if alternating { &turned[..] } else { list };
            let limit = best.as_ref().map_or(limit, |b| b.objective_min.min(limit));
            if !keeps_rules(p, sequence) {
                continue;
            }
            let repeats = p.rules.reference.is_some() || p.rules.baseline.is_some();
            let with = if repeats { with_references(p, sequence.to_vec()) } else { Vec::new() };
            if let Some(cost) = cost_below(p, if repeats { &with } else { sequence }, limit) {
                let objective_min = cost.objective_min(p.bench.price_min);
                if best.as_ref().is_none_or(|b| objective_min < b.objective_min) {
                    *best = Some(Nesting { loops, alternating, cost, objective_min });
                }
            }
        }
        return;
    }
    for l in LOOPS {
        if !inner.contains(&l) {
            let mut sorted = list.to_vec();
            let mut seated = seated;
            pass(p, &mut sorted, l, &mut seated);
            inner.push(l);
            dig(p, &sorted, inner, seated, limit, best);
            inner.pop();
        }
    }
}
