//! One stretch per mounting, each channel in one piece, with the least chamber travel: a rural postman on a
//! line.
//!
//! Between stretches the chamber stands at the touch-safe point nearest to the temperature just left, so
//! every stretch is an edge between two of a few positions in the band: it leaves the band at the point
//! nearest to its first temperature and comes back at the point nearest to its last. Stretches may be swept
//! upwards or downwards, and the cost of both ways differs only by a potential (ramps up and down telescope).
//! The least travel for a channel from position x to position y is then the least set of extra moves between
//! neighbouring positions that makes the crossings of every gap odd or even as x and y demand and keeps the
//! edges in one piece; Euler's theorem gives the sequence. A small dynamic program strings the channels
//! together.

use super::model::BenchTimes;
use nightbench_core::random::SplitMix64;

/// A stretch as the postman sees it: one or two ways through it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ends {
    /// First temperature of each way, degC.
    pub begin_c: [f64; 2],
    /// Last temperature of each way, degC.
    pub end_c: [f64; 2],
    /// Ramp minutes between them, inside the stretch.
    pub inner_min: [f64; 2],
    /// Ways allowed: 1 or 2.
    pub ways: u8,
}

impl Ends {
    /// A sweep over temperatures from `cold_c` to `hot_c`: upwards (way 0) or downwards (way 1).
    pub fn sweep(b: &BenchTimes, cold_c: f64, hot_c: f64, cold_first: bool) -> Ends {
        Ends {
            begin_c: [cold_c, hot_c],
            end_c: [hot_c, cold_c],
            inner_min: [b.ramp_min(cold_c, hot_c), b.ramp_min(hot_c, cold_c)],
            ways: if cold_first { 1 } else { 2 },
        }
    }
}

/// A stretch of a sequence: index and way.
pub(crate) type Leg = (u32, u8);

struct Line<'a> {
    bench: &'a BenchTimes,
    at_c: Vec<f64>,
    directed: bool,
}

impl Line<'_> {
    fn position(&self, t_c: f64) -> usize {
        let stop = self.bench.nearest_touch_safe_c(t_c);
        self.at_c.partition_point(|&p| p < stop).min(self.at_c.len() - 1)
    }

    fn gap_c(&self, k: usize) -> f64 {
        self.at_c[k + 1] - self.at_c[k]
    }
}

/// The edges of one channel: `(from, to)` positions along each edge's way.
struct Group {
    edges: Vec<(usize, usize)>,
    ways: Vec<u8>,
    ids: Vec<u32>,
    travel_min: f64,
}

/// Extra moves over each gap: upwards and downwards (undirected lines count all of them as upwards).
type Extra = Vec<(u32, u32)>;

fn find(root: &mut [usize], mut v: usize) -> usize {
    while root[v] != v {
        root[v] = root[root[v]];
        v = root[v];
    }
    v
}

/// Are x, y and all edge ends connected by the edges and the extra moves?
fn in_one_piece(
    edge_root: &[usize],
    touched: &[bool],
    extra: &Extra,
    double: u32,
    x: usize,
    y: usize,
) -> bool {
    let mut root = edge_root.to_vec();
    for (k, &(up, down)) in extra.iter().enumerate() {
        if up + down > 0 || (k < 32 && double >> k & 1 == 1) {
            let (a, b) = (find(&mut root, k), find(&mut root, k + 1));
            root[a] = b;
        }
    }
    let home = find(&mut root, x);
    find(&mut root, y) == home && (0..root.len()).all(|v| !touched[v] || find(&mut root, v) == home)
}

impl Group {
    fn roots(&self, n: usize, without: Option<usize>) -> (Vec<usize>, Vec<bool>) {
        let mut root: Vec<usize> = (0..n).collect();
        let mut touched = vec![false; n];
        for (k, &(a, b)) in self.edges.iter().enumerate() {
            if Some(k) != without {
                touched[a] = true;
                touched[b] = true;
                let (a, b) = (find(&mut root, a), find(&mut root, b));
                root[a] = b;
            }
        }
        (root, touched)
    }

    /// Least extra moves for trails from every x to every y over all edges (but one). Row-major `x * n + y`.
    fn trails(
        &self,
        line: &Line,
        without: Option<usize>,
        only_to: Option<usize>,
    ) -> Vec<Option<(f64, Extra)>> {
        let n = line.at_c.len();
        let (root, touched) = self.roots(n, without);
        let mut up = vec![0i64; n];
        let mut down = vec![0i64; n];
        for (k, &(a, b)) in self.edges.iter().enumerate() {
            if Some(k) != without {
                (a..b).for_each(|g| up[g] += 1);
                (b..a).for_each(|g| down[g] += 1);
            }
        }
        let mut out = vec![None; n * n];
        for x in 0..n {
            for y in 0..n {
                if only_to.is_some_and(|t| t != y) {
                    continue;
                }
                let mut extra: Extra = vec![(0, 0); n - 1];
                for g in 0..n - 1 {
                    let net = i64::from(x <= g && g < y) - i64::from(y <= g && g < x);
                    if line.directed {
                        let need = net - (up[g] - down[g]);
                        extra[g] = (need.max(0) as u32, (-need).max(0) as u32);
                    } else {
                        extra[g].0 = ((up[g] + down[g] + net).rem_euclid(2)) as u32;
                    }
                }
                connect(line, &root, &touched, &mut extra, x, y);
                out[x * n + y] = Some((cost(line, &extra, x, y), extra));
            }
        }
        out
    }
}

/// Adds the cheapest there-and-back moves that connect everything.
fn connect(line: &Line, root: &[usize], touched: &[bool], extra: &mut Extra, x: usize, y: usize) {
    let gaps = extra.len();
    if in_one_piece(root, touched, extra, 0, x, y) {
        return;
    }
    let free: Vec<usize> = (0..gaps).filter(|&g| extra[g] == (0, 0)).collect();
    let mut best: Option<(f64, u32)> = None;
    if free.len() <= 12 {
        for pick in 1u32..1 << free.len() {
            let chosen = || free.iter().enumerate().filter(move |(i, _)| pick >> i & 1 == 1).map(|(_, &g)| g);
            let length: f64 = chosen().map(|g| line.gap_c(g)).sum();
            if best.is_none_or(|(l, _)| length < l) && gaps <= 32 {
                let double = chosen().fold(0u32, |m, g| m | 1 << g);
                if in_one_piece(root, touched, extra, double, x, y) {
                    best = Some((length, double));
                }
            }
        }
    }
    for g in free {
        // Many in-band temperatures: cover the whole stretch, which is always enough.
        if best.is_none_or(|(_, double)| double >> g & 1 == 1) {
            extra[g] = if line.directed { (1, 1) } else { (2, 0) };
        }
    }
}

fn cost(line: &Line, extra: &Extra, x: usize, y: usize) -> f64 {
    let b = line.bench;
    let (up, down) = (1.0 / b.ramp_up_c_per_min, 1.0 / b.ramp_down_c_per_min);
    let moves: f64 = extra
        .iter()
        .enumerate()
        .map(|(g, &(u, d))| {
            let each = if line.directed { (up, down) } else { ((up + down) / 2.0, (up + down) / 2.0) };
            line.gap_c(g) * (f64::from(u) * each.0 + f64::from(d) * each.1)
        })
        .sum();
    if line.directed { moves } else { moves + (line.at_c[y] - line.at_c[x]) * (up - down) / 2.0 }
}

/// Travel of a stretch from its band position back to the band. On undirected lines the mean of both ways
/// (they differ by the potential, which the trail accounts for).
fn travel(line: &Line, e: &Ends, way: u8) -> f64 {
    let b = line.bench;
    let one = |w: usize| {
        b.ramp_min(b.nearest_touch_safe_c(e.begin_c[w]), e.begin_c[w])
            + e.inner_min[w]
            + b.ramp_min(e.end_c[w], b.nearest_touch_safe_c(e.end_c[w]))
    };
    if line.directed { one(usize::from(way)) } else { (one(0) + one(1)) / 2.0 }
}

/// The stretches in an order with each group in one piece. `groups` lists stretch indices by channel. Exact
/// (least ramps among such orders) when every stretch has both ways or every stretch has one, for at most 12
/// groups and 13 positions; otherwise good.
pub(crate) fn string_together(bench: &BenchTimes, ends: &[Ends], groups: &[Vec<u32>], seed: u64) -> Vec<Leg> {
    let mut at_c = vec![bench.nearest_touch_safe_c(bench.start_c)];
    for e in ends {
        for w in 0..2 {
            at_c.push(bench.nearest_touch_safe_c(e.begin_c[w]));
            at_c.push(bench.nearest_touch_safe_c(e.end_c[w]));
        }
    }
    at_c.sort_by(f64::total_cmp);
    at_c.dedup();
    let swept = |e: &Ends| e.ways == 2 && e.begin_c[0] == e.end_c[1] && e.begin_c[1] == e.end_c[0];
    let line = Line { bench, at_c, directed: !ends.iter().all(swept) };
    let groups: Vec<Group> = groups
        .iter()
        .filter(|g| !g.is_empty())
        .map(|ids| {
            let pick = |e: &Ends| {
                u8::from(e.ways == 2 && (e.end_c[1] - e.begin_c[1]).abs() < (e.end_c[0] - e.begin_c[0]).abs())
            };
            let ways: Vec<u8> = ids.iter().map(|&i| pick(&ends[i as usize])).collect();
            let of = |(&i, &w): (&u32, &u8)| {
                let e = &ends[i as usize];
                (line.position(e.begin_c[usize::from(w)]), line.position(e.end_c[usize::from(w)]))
            };
            let edges = ids.iter().zip(&ways).map(of).collect();
            let travel_min = ids.iter().zip(&ways).map(|(&i, &w)| travel(&line, &ends[i as usize], w)).sum();
            Group { edges, ways, ids: ids.clone(), travel_min }
        })
        .collect();
    if groups.is_empty() {
        return Vec::new();
    }
    let n = line.at_c.len();
    let inside: Vec<Vec<Option<(f64, Extra)>>> = groups.iter().map(|g| g.trails(&line, None, None)).collect();
    let table: Vec<Vec<f64>> = groups
        .iter()
        .zip(&inside)
        .map(|(g, t)| t.iter().map(|c| c.as_ref().map_or(f64::INFINITY, |c| c.0 + g.travel_min)).collect())
        .collect();
    let last: Vec<Vec<Finish>> = groups.iter().map(|g| finishes(&line, g, ends)).collect();
    let start = line.position(bench.start_c);
    let (order, cuts) = chain(n, start, &table, &last, seed);

    let mut legs = Vec::with_capacity(ends.len());
    for (i, &g) in order.iter().enumerate() {
        let (x, group) = (cuts[i], &groups[g]);
        if i + 1 == order.len() {
            let f = &last[g][x];
            if let Some(extra) = &f.extra {
                euler(group, Some(f.edge), extra, x, line.directed, &mut legs);
            }
            legs.push((group.ids[f.edge], f.way));
        } else if let Some((_, extra)) = &inside[g][x * n + cuts[i + 1]] {
            euler(group, None, extra, x, line.directed, &mut legs);
        }
    }
    legs
}

/// The best way to end the run in a group when it is entered at a position: all other stretches, then this
/// one, without return.
#[derive(Clone)]
struct Finish {
    cost_min: f64,
    edge: usize,
    way: u8,
    extra: Option<Extra>,
}

fn finishes(line: &Line, group: &Group, ends: &[Ends]) -> Vec<Finish> {
    let n = line.at_c.len();
    let mut best = vec![Finish { cost_min: f64::INFINITY, edge: 0, way: 0, extra: None }; n];
    let mut seen: Vec<(usize, usize, f64, f64)> = Vec::new();
    for (k, &(a, b)) in group.edges.iter().enumerate() {
        let e = &ends[group.ids[k] as usize];
        let fixed = usize::from(group.ways[k]);
        let kind = (a, b, e.begin_c[fixed], e.end_c[fixed]);
        if seen.contains(&kind) {
            continue;
        }
        seen.push(kind);
        for way in 0..2u8 {
            if line.directed && way != group.ways[k] {
                continue;
            }
            let w = usize::from(way);
            let from = line.position(e.begin_c[w]);
            let trails = group.trails(line, Some(k), Some(from));
            let own = line.bench.ramp_min(line.at_c[from], e.begin_c[w]) + e.inner_min[w];
            let rest = group.travel_min - travel(line, e, way);
            for x in 0..n {
                if let Some((c, extra)) = &trails[x * n + from] {
                    let cost_min = c + rest + own;
                    if cost_min < best[x].cost_min {
                        best[x] = Finish { cost_min, edge: k, way, extra: Some(extra.clone()) };
                    }
                }
            }
        }
    }
    best
}

/// Order of the groups and the position at which each is entered.
fn chain(
    n: usize,
    start: usize,
    table: &[Vec<f64>],
    last: &[Vec<Finish>],
    seed: u64,
) -> (Vec<usize>, Vec<usize>) {
    let c = table.len();
    if c <= 12 {
        return chain_exact(n, start, table, last);
    }
    let mut order: Vec<usize> = (0..c).collect();
    let mut now = chain_given(n, start, table, last, &order);
    let mut rng = SplitMix64::new(seed);
    for _ in 0..(4_000_000 / (c * n * n)).clamp(200, 20_000) {
        let (a, b) = (rng.below(c), rng.below(c));
        let mut next = order.clone();
        let moved = next.remove(a);
        next.insert(b.min(next.len()), moved);
        let trial = chain_given(n, start, table, last, &next);
        if trial.0 <= now.0 {
            (order, now) = (next, trial);
        }
    }
    (order, now.1)
}

fn chain_given(
    n: usize,
    start: usize,
    table: &[Vec<f64>],
    last: &[Vec<Finish>],
    order: &[usize],
) -> (f64, Vec<usize>) {
    let mut cost = vec![f64::INFINITY; n];
    cost[start] = 0.0;
    let mut from: Vec<Vec<usize>> = Vec::new();
    let inner = order.len().saturating_sub(1);
    for &g in &order[..inner] {
        let mut next = vec![f64::INFINITY; n];
        let mut back = vec![0; n];
        for x in 0..n {
            for y in 0..n {
                let v = cost[x] + table[g][x * n + y];
                if v < next[y] {
                    next[y] = v;
                    back[y] = x;
                }
            }
        }
        from.push(back);
        cost = next;
    }
    let end = order.last().copied().unwrap_or(0);
    let total = |x: usize| cost[x] + last[end][x].cost_min;
    let mut x = (0..n).min_by(|&a, &b| total(a).total_cmp(&total(b))).unwrap_or(start);
    let best = total(x);
    let mut cuts = vec![x];
    for back in from.iter().rev() {
        x = back[x];
        cuts.push(x);
    }
    cuts.reverse();
    (best, cuts)
}

fn chain_exact(n: usize, start: usize, table: &[Vec<f64>], last: &[Vec<Finish>]) -> (Vec<usize>, Vec<usize>) {
    let c = table.len();
    let full = (1usize << c) - 1;
    let mut cost = vec![f64::INFINITY; (full + 1) * n];
    let mut from = vec![(0u8, 0u32); (full + 1) * n];
    cost[start] = 0.0;
    let mut best = (f64::INFINITY, 0usize, 0usize, start);
    for done in 0..=full {
        for x in 0..n {
            let here = cost[done * n + x];
            if !here.is_finite() {
                continue;
            }
            for g in (0..c).filter(|g| done >> g & 1 == 0) {
                let with = done | 1 << g;
                if with == full {
                    let v = here + last[g][x].cost_min;
                    if v < best.0 {
                        best = (v, g, done, x);
                    }
                    continue;
                }
                for y in 0..n {
                    let v = here + table[g][x * n + y];
                    if v < cost[with * n + y] {
                        cost[with * n + y] = v;
                        from[with * n + y] = (g as u8, x as u32);
                    }
                }
            }
        }
    }
    let (_, g, mut done, mut x) = best;
    let (mut order, mut cuts) = (vec![g], vec![x]);
    while done != 0 {
        let (g, before) = from[done * n + x];
        order.push(usize::from(g));
        cuts.push(before as usize);
        done &= !(1 << g);
        x = before as usize;
    }
    order.reverse();
    cuts.reverse();
    (order, cuts)
}

/// Hierholzer's algorithm from `x` over the group's edges (but one) and the extra moves.
fn euler(
    group: &Group,
    without: Option<usize>,
    extra: &Extra,
    x: usize,
    directed: bool,
    legs: &mut Vec<Leg>,
) {
    // Each arc: (to, stretch or none, way); undirected edges are listed at both ends and used once.
    let n = extra.len() + 1;
    let mut arcs: Vec<Vec<(usize, u32, Option<Leg>)>> = vec![Vec::new(); n];
    let mut id = 0u32;
    let mut add = |a: usize, b: usize, forth: Option<Leg>, back: Option<Leg>, both: bool| {
        arcs[a].push((b, id, forth));
        if both {
            arcs[b].push((a, id, back));
        }
        id += 1;
    };
    for (g, &(up, down)) in extra.iter().enumerate() {
        (0..up).for_each(|_| add(g, g + 1, None, None, !directed));
        (0..down).for_each(|_| add(g + 1, g, None, None, !directed));
    }
    for k in (0..group.edges.len()).rev() {
        if Some(k) != without {
            let ((a, b), v, w) = (group.edges[k], group.ids[k], group.ways[k]);
            add(a, b, Some((v, w)), Some((v, 1 - w)), !directed && a != b);
        }
    }
    let mut used = vec![false; id as usize];
    let mut stack: Vec<(usize, Option<Leg>)> = vec![(x, None)];
    let from = legs.len();
    while let Some(&(v, by)) = stack.last() {
        match arcs[v].pop() {
            Some((to, id, leg)) => {
                if !used[id as usize] {
                    used[id as usize] = true;
                    stack.push((to, leg));
                }
            }
            None => {
                stack.pop();
                legs.extend(by);
            }
        }
    }
    legs[from..].reverse();
}
