//! Deterministic local search on tours with asymmetric distances, and the exact method for small ones.
//!
//! [`improve_tour`] is iterated local search (or-opt in its general form, the insertion of a segment of any
//! length; 2-opt by reversal) with a true double bridge as the kick. A plain exchange of two neighbouring
//! segments is itself one 3-opt move and would be undone at once; the double bridge cannot be undone by one
//! such move.

use nightbench_core::random::SplitMix64;

/// Square matrix of distances from row to column.
#[derive(Debug, Clone, PartialEq)]
pub struct Distances {
    n: usize,
    d: Vec<f64>,
}

impl Distances {
    /// Matrix of `n` places from a function `(from, to)`.
    pub fn new(n: usize, mut f: impl FnMut(usize, usize) -> f64) -> Distances {
        let mut d = Vec::with_capacity(n * n);
        for i in 0..n {
            for j in 0..n {
                d.push(if i == j { 0.0 } else { f(i, j) });
            }
        }
        Distances { n, d }
    }

    pub fn len(&self) -> usize {
        self.n
    }

    pub fn is_empty(&self) -> bool {
        self.n == 0
    }

    /// Distance from `a` to `b`.
    pub fn get(&self, a: usize, b: usize) -> f64 {
        self.d[a * self.n + b]
    }

    /// Length of the closed tour.
    pub fn tour_length(&self, tour: &[u32]) -> f64 {
        let Some(&first) = tour.first() else { return 0.0 };
        let steps: f64 = tour.windows(2).map(|w| self.get(w[0] as usize, w[1] as usize)).sum();
        steps + self.get(tour[tour.len() - 1] as usize, first as usize)
    }
}

/// Which place must come before which; the tour is read from its first place on.
#[derive(Debug, Clone, Default)]
pub struct Before {
    after: Vec<Vec<u32>>,
}

impl Before {
    /// Pairs `(a, b)`: `a` before `b`. Pairs naming places that do not exist are left out.
    pub fn new(n: usize, pairs: &[(u32, u32)]) -> Before {
        if pairs.is_empty() {
            return Before::default();
        }
        let mut after = vec![Vec::new(); n];
        for &(a, b) in pairs {
            if (b as usize) < n
                && let Some(list) = after.get_mut(a as usize)
            {
                list.push(b);
            }
        }
        Before { after }
    }

    /// Does the sequence keep all pairs?
    pub fn kept(&self, tour: &[u32]) -> bool {
        if self.after.is_empty() {
            return true;
        }
        let mut at = vec![0usize; self.after.len()];
        for (k, &v) in tour.iter().enumerate() {
            at[v as usize] = k;
        }
        self.after.iter().enumerate().all(|(a, list)| list.iter().all(|&b| at[a] < at[b as usize]))
    }
}

/// Nearest places looked at from each place, longest segment tried, and width of a kick.
const NEAR: usize = 12;
const REACH: usize = 100;
const WINDOW: usize = 50;
const EPS: f64 = 1e-9;

struct Tour<'a> {
    d: &'a Distances,
    before: &'a Before,
    t: Vec<u32>,
    at: Vec<u32>,
    near: &'a [Vec<u32>],
    scratch: Vec<u32>,
}

impl Tour<'_> {
    fn next(&self, k: usize) -> usize {
        if k + 1 == self.t.len() { 0 } else { k + 1 }
    }

    fn dist(&self, i: usize, j: usize) -> f64 {
        self.d.get(self.t[i] as usize, self.t[j] as usize)
    }

    fn renumber(&mut self, from: usize, to: usize) {
        for k in from..to {
            self.at[self.t[k] as usize] = k as u32;
        }
    }

    /// Exchanges the neighbouring segments [i+1..=j] and [j+1..=k] (i < j < k): the pure or-3opt move.
    fn exchange(&mut self, i: usize, j: usize, k: usize) -> bool {
        if !self.before.after.is_empty() {
            // The second segment moves ahead of the first: nothing in the first may be due before something
            // in the second.
            for a in i + 1..=j {
                for &b in &self.before.after[self.t[a] as usize] {
                    if (j + 1..=k).contains(&(self.at[b as usize] as usize)) {
                        return false;
                    }
                }
            }
        }
        self.t[i + 1..=k].rotate_left(j - i);
        self.renumber(i + 1, k + 1);
        true
    }

    /// Best improving or-3opt move (segment insertion of any length) with a new arc from `v` to one of its
    /// near places.
    fn try_or(&mut self, v: u32) -> Option<[u32; 6]> {
        let n = self.t.len();
        let p = self.at[v as usize] as usize;
        let (mut gain, mut found) = (EPS, (0, 0, 0));
        for &w in &self.near[v as usize] {
            let q = self.at[w as usize] as usize;
            let after = self.next(p);
            let saved = self.dist(p, after) - self.dist(p, q);
            if saved <= EPS {
                break; // near places are sorted by distance
            }
            if q >= p + 2 {
                // v = t[i], w = t[j + 1]
                let (i, j) = (p, q - 1);
                let base = saved + self.dist(j, q);
                for k in q..n.min(q + REACH) {
                    let kn = self.next(k);
                    let g = base + self.dist(k, kn) - self.dist(k, i + 1) - self.dist(j, kn);
                    if g > gain {
                        (gain, found) = (g, (i, j, k));
                    }
                }
            } else if q >= 1 && q < p {
                // v = t[k], w = t[i + 1]
                let (i, k) = (q - 1, p);
                let base = saved + self.dist(i, q);
                for j in q.max(k.saturating_sub(REACH))..k {
                    let g = base + self.dist(j, j + 1) - self.dist(i, j + 1) - self.dist(j, after);
                    if g > gain {
                        (gain, found) = (g, (i, j, k));
                    }
                }
            }
        }
        let (i, j, k) = found;
        if k == 0 {
            return None;
        }
        let ends = [self.t[i], self.t[i + 1], self.t[j], self.t[j + 1], self.t[k], self.t[self.next(k)]];
        self.exchange(i, j, k).then_some(ends)
    }

    /// Reversal of [i+1..=j] (2-opt) where it shortens the tour; without precedences only, and over at most
    /// 50 places.
    fn try_reverse(&mut self, v: u32) -> Option<[u32; 6]> {
        if !self.before.after.is_empty() {
            return None;
        }
        let n = self.t.len();
        let i = self.at[v as usize] as usize;
        let mut there = 0.0;
        let mut back = 0.0;
        for j in i + 2..n.min(i + 52) {
            there += self.dist(j - 1, j);
            back += self.dist(j, j - 1);
            let jn = self.next(j);
            if jn == i {
                break;
            }
            let gain = self.dist(i, i + 1) + there + self.dist(j, jn)
                - self.dist(i, j)
                - back
                - self.dist(i + 1, jn);
            if gain > EPS {
                let ends = [self.t[i], self.t[i + 1], self.t[j], self.t[jn], self.t[i], self.t[j]];
                self.t[i + 1..=j].reverse();
                self.renumber(i + 1, j + 1);
                return Some(ends);
            }
        }
        None
    }

    /// Descends until no move helps, starting from the places in `queue`.
    fn descend(&mut self, queue: &mut Vec<u32>, queued: &mut [bool]) {
        while let Some(v) = queue.pop() {
            queued[v as usize] = false;
            while let Some(ends) = self.try_or(v).or_else(|| self.try_reverse(v)) {
                for e in ends {
                    if !std::mem::replace(&mut queued[e as usize], true) {
                        queue.push(e);
                    }
                }
            }
        }
    }

    /// Double bridge A B C D -> A D C B on three neighbouring segments within a window, so that the descent
    /// stays local: four arcs change (with only two segments exchanged three would). Gives the ends of the
    /// new arcs.
    fn kick(&mut self, rng: &mut SplitMix64) -> Option<[u32; 8]> {
        let n = self.t.len();
        if n < 8 {
            return None;
        }
        let width = n.min(WINDOW);
        let from = rng.below(n - width + 1);
        let mut cut = [0usize; 4];
        for c in &mut cut {
            *c = from + rng.below(width);
        }
        cut.sort_unstable();
        let [i, j, k, l] = cut;
        if i == j || j == k || k == l {
            return None;
        }
        self.scratch.clear();
        self.scratch.extend_from_slice(&self.t[k + 1..=l]);
        self.scratch.extend_from_slice(&self.t[j + 1..=k]);
        self.scratch.extend_from_slice(&self.t[i + 1..=j]);
        if !self.before.after.is_empty() {
            for a in i + 1..=k {
                let from = if a <= j { j + 1 } else { k + 1 };
                for &b in &self.before.after[self.t[a] as usize] {
                    if (from..=l).contains(&(self.at[b as usize] as usize)) {
                        return None;
                    }
                }
            }
        }
        let ends = [
            self.t[i],
            self.t[i + 1],
            self.t[j],
            self.t[j + 1],
            self.t[k],
            self.t[k + 1],
            self.t[l],
            self.t[self.next(l)],
        ];
        self.t[i + 1..=l].copy_from_slice(&self.scratch);
        self.renumber(i + 1, l + 1);
        Some(ends)
    }
}

/// Shortens a closed tour. `tour` lists every place once; its first place stays first (with precedences, the
/// tour is read from there). `kicks` bounds the work; the result is never longer than the input, and the same
/// for the same arguments. A tour that is not a permutation, or breaks a precedence, comes back unchanged.
pub fn improve_tour(d: &Distances, tour: &[u32], before: &Before, seed: u64, kicks: usize) -> Vec<u32> {
    let n = d.len();
    let mut seen = vec![false; n];
    let whole = tour.len() == n
        && tour.iter().all(|&v| seen.get_mut(v as usize).is_some_and(|s| !std::mem::replace(s, true)));
    if n < 4 || !whole || !before.kept(tour) {
        return tour.to_vec();
    }
    let near: Vec<Vec<u32>> = (0..n)
        .map(|v| {
            let mut list: Vec<u32> = (0..n as u32).filter(|&w| w as usize != v).collect();
            list.sort_by(|&a, &b| d.get(v, a as usize).total_cmp(&d.get(v, b as usize)));
            list.truncate(NEAR);
            list
        })
        .collect();
    let mut at = vec![0u32; n];
    for (k, &v) in tour.iter().enumerate() {
        at[v as usize] = k as u32;
    }
    let mut work = Tour { d, before, t: tour.to_vec(), at, near: &near, scratch: Vec::new() };
    let mut queued = vec![true; n];
    let mut queue: Vec<u32> = tour.iter().rev().copied().collect();
    work.descend(&mut queue, &mut queued);
    let (mut kept, mut kept_at) = (work.t.clone(), work.at.clone());
    let mut length = d.tour_length(&kept);
    let (mut best, mut best_length) = (kept.clone(), length);
    let mut rng = SplitMix64::new(seed);
    let mut stale = 0;
    for round in 0..kicks {
        stale += 1;
        let Some(ends) = work.kick(&mut rng) else { continue };
        for e in ends {
            if !std::mem::replace(&mut queued[e as usize], true) {
                queue.push(e);
            }
        }
        work.descend(&mut queue, &mut queued);
        let now = d.tour_length(&work.t);
        // A little worse is accepted early on, less and less towards the end.
        let slack = 0.01 * best_length * (1.0 - round as f64 / kicks as f64).powi(2) / n as f64;
        // After long without progress go on from wherever this kick led; the best is kept apart.
        if now <= length + slack * rng.unit() || stale > 50 + 10 * n {
            if now < length - EPS || stale > 50 + 10 * n {
                stale = 0;
            }
            length = now;
            kept.copy_from_slice(&work.t);
            kept_at.copy_from_slice(&work.at);
            if now < best_length - EPS {
                best_length = now;
                best.copy_from_slice(&kept);
            }
        } else {
            work.t.copy_from_slice(&kept);
            work.at.copy_from_slice(&kept_at);
        }
    }
    best
}

#[cfg(test)]
#[path = "search_tests.rs"]
mod tests;
