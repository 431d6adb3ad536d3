//! A proven lower bound on ramps, hands (with mounting checks) and price of any order, by Lagrangian duality
//! of a flow model.
//!
//! Every order is a chain of insertions. Insertion i happens with the chamber at a position x(i) of the
//! touch-safe band and leaves it at y(i) = x(i + 1); without loss x and y are the band points nearest to some
//! test temperature or to the start ([`super::model::BenchTimes::nearest_touch_safe_c`]). An insertion that
//! measures temperatures with extremes m and M costs at least h + min(D(x,m) + D(m,M) + D(M,y), D(x,M) +
//! D(M,m) + D(m,y)), D being the ramp minutes and h the hands, mounting check and price of a change of
//! module. For any numbers pi(x), the sum over the chain of pi(x(i)) - pi(y(i)) is pi(x(1)), because
//! positions balance and the last insertion does not come back. So
//!
//! cost >= D(start, x(1)) - pi(x(1)) + sum over mountings of the cheapest plan at reduced costs + channels x
//! extra
//!
//! where extra is the extra minutes of a channel change and a plan splits the mounting's temperatures into
//! one or more insertions. Splits into ranges suffice: reduced costs grow with the range, and are never
//! negative once pi(y) <= pi(x) + D(x,y), which is enforced. Only connectivity and contiguity of channels are
//! given up. Every pi gives a valid bound; the best is sought by the ellipsoid method.

use super::cost::Cost;
use super::model::Problem;
use super::pieces::Layout;

/// Most temperatures of a mounting in the bound, since work grows with more than their square. A finer grid
/// is thinned, its extremes kept. The bound still holds: an order that measures all temperatures measures
/// these, and leaving some out costs nothing (ramps keep the triangle inequality).
const MOST_TEMPERATURES: usize = 24;
/// Elementary steps spent on one bound, about a second. Many irregular mountings get fewer rounds; the value
/// of each round is a bound.
const MOST_STEPS: usize = 400_000_000;

/// The proven bound for one problem.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// Least ramps + hands + mounting checks + price, min.
    pub change_over_min: f64,
    /// The same when changes have no price, min: a bound for any order at any price.
    pub ramps_and_hands_min: f64,
    /// Fewest hands-on changes.
    pub changes: u32,
    /// Least total working minutes: `ramps_and_hands_min` and the measuring, training, boots, soaks and
    /// settling that no order avoids.
    pub total_min: f64,
}

impl Bound {
    /// Ramps + hands + price of an order over the bound; 1 when there is nothing to do.
    pub fn ratio(&self, cost: &Cost, price_min: f64) -> f64 {
        let have = cost.change_over_min(price_min);
        if self.change_over_min > 0.0 { have / self.change_over_min } else { 1.0 }
    }
}

/// Mountings with the same temperatures (and hold pattern) are one type.
#[derive(Debug, Clone, PartialEq)]
struct Type {
    /// Distinct temperatures cold to hot (indices into the temperature list); empty for held types.
    temps: Vec<usize>,
    /// Held: hull of each rate, hold temperature included.
    held: Vec<(usize, usize)>,
    count: u32,
}

/// Temperatures and held hulls, as in [`Type`].
type TypeKey = (Vec<usize>, Vec<(usize, usize)>);

struct Model {
    temps_c: Vec<f64>,
    at_c: Vec<f64>,
    /// Ramp minutes position -> temperature and back, `[position * temps + temperature]`.
    to: Vec<f64>,
    from: Vec<f64>,
    between: Vec<f64>,
    types: Vec<Type>,
    hold: Option<usize>,
    start: usize,
    start_min: f64,
    channel_extra_min: f64,
    once_min: f64,
    cold_first: bool,
    /// Temperatures of the baseline mounting, which is measured again at the end; empty (any will do) where
    /// they were thinned out.
    again: Option<Vec<usize>>,
}

/// One insertion: its reduced cost and the positions used.
#[derive(Clone, Copy)]
struct Way {
    cost: f64,
    x: usize,
    y: Option<usize>,
}

/// Best plan of a type: insertions, one of which may end the run.
#[derive(Clone)]
struct Plan {
    cost: f64,
    ways: Vec<(Way, u32)>,
}

struct Reduced<'a> {
    m: &'a Model,
    enter: Vec<(f64, usize)>,
    leave: Vec<(f64, usize)>,
}

impl Reduced<'_> {
    /// One insertion over temperatures `a..=b` (indices), with return to the band or ending the run.
    fn stretch(&self, a: usize, b: usize, ends: bool) -> Way {
        let t = self.m.temps_c.len();
        let one = |first: usize, last: usize| {
            let inner = self.m.once_min + self.enter[first].0 + self.m.between[first * t + last];
            let x = self.enter[first].1;
            if ends {
                Way { cost: inner, x, y: None }
            } else {
                Way { cost: inner + self.leave[last].0, x, y: Some(self.leave[last].1) }
            }
        };
        let up = one(a, b);
        if self.m.cold_first {
            return up;
        }
        let down = one(b, a);
        if down.cost < up.cost { down } else { up }
    }

    /// Cheapest plan of a type without and with the end of the run in it.
    fn plans(&self, t: &Type) -> (Plan, Plan) {
        if !t.held.is_empty() {
            return self.held_plans(t);
        }
        let n = t.temps.len();
        // Prefix covers: (cost, cut, stretch); the second row has the ending insertion already used.
        let none = Way { cost: f64::INFINITY, x: 0, y: None };
        let mut plain: Vec<(f64, usize, Way)> = vec![(0.0, 0, none)];
        let mut ending: Vec<(f64, usize, Way, bool)> = vec![(f64::INFINITY, 0, none, false)];
        for k in 1..=n {
            let mut best = (f64::INFINITY, 0, none);
            let mut last = (f64::INFINITY, 0, none, false);
            for j in 0..k {
                let (a, b) = (t.temps[j], t.temps[k - 1]);
                let back = self.stretch(a, b, false);
                let stay = self.stretch(a, b, true);
                if plain[j].0 + back.cost < best.0 {
                    best = (plain[j].0 + back.cost, j, back);
                }
                if plain[j].0 + stay.cost < last.0 {
                    last = (plain[j].0 + stay.cost, j, stay, true);
                }
                if ending[j].0 + back.cost < last.0 {
                    last = (ending[j].0 + back.cost, j, back, false);
                }
            }
            plain.push(best);
            ending.push(last);
        }
        let trace = |mut k: usize, mut in_end: bool| {
            let mut ways = Vec::new();
            while k > 0 {
                if in_end {
                    let (_, j, w, used) = ending[k];
                    ways.push((w, 1));
                    in_end = !used;
                    k = j;
                } else {
                    ways.push((plain[k].2, 1));
                    k = plain[k].1;
                }
            }
            ways
        };
        let normal = Plan { cost: plain[n].0, ways: trace(n, false) };
        let mut end = Plan { cost: ending[n].0, ways: trace(n, true) };
        // The ending insertion may also repeat what other insertions cover already.
        for &b in &t.temps {
            let w = self.stretch(b, b, true);
            if normal.cost + w.cost < end.cost {
                end = Plan { cost: normal.cost + w.cost, ways: normal.ways.clone() };
                end.ways.push((w, 1));
            }
        }
        (normal, end)
    }

    /// Held training: each rate is a walk from the hold temperature over its hull; all but an insertion's
    /// last one come back to the hold temperature, which costs the full round trip.
    fn held_plans(&self, t: &Type) -> (Plan, Plan) {
        let Some(hold) = self.m.hold else {
            return (Plan { cost: 0.0, ways: vec![] }, Plan { cost: 0.0, ways: vec![] });
        };
        let n = self.m.temps_c.len();
        let d = |a: usize, b: usize| self.m.between[a * n + b];
        let loops: f64 = t.held.iter().map(|&(a, b)| d(a, b) + d(b, a)).sum();
        let best = |ends: bool| {
            let mut best = Way { cost: f64::INFINITY, x: self.enter[hold].1, y: None };
            for &(a, b) in &t.held {
                let round = d(a, b) + d(b, a);
                for (first, last) in [(a, b), (b, a)] {
                    let open = self.m.once_min + self.enter[hold].0 + d(hold, first) + d(first, last) - round;
                    let cost = if ends { open } else { open + self.leave[last].0 };
                    if cost < best.cost {
                        best.cost = cost;
                        best.y = if ends { None } else { Some(self.leave[last].1) };
                    }
                }
            }
            best
        };
        // A way of negative cost is used at most once per rate, since an insertion holds at least one rate.
        let most = |w: Way, most: u32| if w.cost < 0.0 { most } else { 0 };
        let (back, stay) = (best(false), best(true));
        let rates = t.held.len() as u32;
        let times = most(back, rates).max(1);
        let normal = Plan { cost: loops + back.cost * f64::from(times), ways: vec![(back, times)] };
        let more = most(back, rates - 1);
        let end = Plan {
            cost: loops + stay.cost + back.cost * f64::from(more),
            ways: vec![(stay, 1), (back, more)],
        };
        (normal, end)
    }
}

impl Model {
    fn new(p: &Problem, layout: &Layout, price_min: f64, most: usize) -> Model {
        let b = &p.bench;
        let mut temps_c: Vec<f64> = p.temperatures_c.clone();
        temps_c.sort_by(f64::total_cmp);
        temps_c.dedup();
        let thin = temps_c.len() > most;
        if thin {
            temps_c = thinned(p, layout, &temps_c, most);
        }
        let index = |t: f64| temps_c.partition_point(|&x| x < t);
        let mut at_c: Vec<f64> = temps_c.iter().map(|&t| b.nearest_touch_safe_c(t)).collect();
        at_c.push(b.nearest_touch_safe_c(b.start_c));
        at_c.sort_by(f64::total_cmp);
        at_c.dedup();
        let hold = p.rules.hold_temperature.map(|t| index(p.temp_c(t)));
        let mut types: Vec<Type> = Vec::new();
        let mut known: std::collections::BTreeMap<TypeKey, usize> = Default::default();
        for m in 0..layout.of.len() as u32 {
            let piece = layout.whole(m);
            let mut temps: Vec<usize> = layout
                .cells_of(piece)
                .iter()
                .map(|c| (c.temp_c, index(c.temp_c)))
                .filter(|(temp_c, at)| temps_c.get(*at) == Some(temp_c))
                .map(|(_, at)| at)
                .collect();
            temps.dedup();
            let mut held = Vec::new();
            if let (true, Some(h)) = (layout.held[m as usize], hold) {
                for (_, stops) in layout.held_groups(p, piece) {
                    let ends = stops.iter().map(|s| index(s.0)).chain([h]);
                    held.push(ends.fold((h, h), |(a, b), t| (a.min(t), b.max(t))));
                }
                held.sort_unstable();
                temps = Vec::new();
            }
            let k = *known.entry((temps.clone(), held.clone())).or_insert(types.len());
            if k == types.len() {
                types.push(Type { temps, held, count: 0 });
            }
            types[k].count += 1;
        }
        let mut channels: Vec<u32> = p.mountings.iter().map(|m| m.channel).collect();
        channels.sort_unstable();
        channels.dedup();
        let grid = |a: &[f64], c: &[f64]| -> Vec<f64> {
            a.iter().flat_map(|&x| c.iter().map(move |&y| (x, y))).map(|(x, y)| b.ramp_min(x, y)).collect()
        };
        let again = p.rules.baseline.filter(|_| layout.of.len() > 1).map(|m| match thin {
            true => Vec::new(),
            false => layout.cells_of(layout.whole(m)).iter().map(|c| index(c.temp_c)).collect(),
        });
        Model {
            to: grid(&at_c, &temps_c),
            from: grid(&temps_c, &at_c),
            between: grid(&temps_c, &temps_c),
            types,
            hold,
            start: at_c.partition_point(|&x| x < b.nearest_touch_safe_c(b.start_c)),
            start_min: b.ramp_min(b.start_c, b.nearest_touch_safe_c(b.start_c)),
            channel_extra_min: channels.len() as f64 * (b.hands_channel_min - b.hands_module_min),
            once_min: b.hands_module_min + b.mounting_check_s / 60.0 + price_min,
            cold_first: p.rules.cold_first,
            again,
            temps_c,
            at_c,
        }
    }

    /// Value and supergradient of the dual at pi (made consistent first).
    fn evaluate(&self, b: &super::model::BenchTimes, pi: &[f64]) -> (f64, Vec<f64>) {
        let (k, t) = (self.at_c.len(), self.temps_c.len());
        let closed: Vec<f64> = (0..k)
            .map(|y| {
                (0..k).map(|x| pi[x] + b.ramp_min(self.at_c[x], self.at_c[y])).fold(f64::INFINITY, f64::min)
            })
            .collect();
        let least = |f: &dyn Fn(usize) -> f64| {
            (0..k).map(|x| (f(x), x)).fold((f64::INFINITY, 0), |a, c| if c.0 < a.0 { c } else { a })
        };
        let r = Reduced {
            m: self,
            enter: (0..t).map(|c| least(&|x| self.to[x * t + c] + closed[x])).collect(),
            leave: (0..t).map(|c| least(&|y| self.from[c * k + y] - closed[y])).collect(),
        };
        let mut value = self.start_min - closed[self.start] + self.channel_extra_min;
        let mut grad = vec![0.0; k];
        grad[self.start] -= 1.0;
        let mut add = |ways: &[(Way, u32)], times: f64| {
            for &(w, n) in ways {
                grad[w.x] += times * f64::from(n);
                if let Some(y) = w.y {
                    grad[y] -= times * f64::from(n);
                }
            }
        };
        let mut end: Option<(f64, Plan, Plan)> = None;
        for ty in &self.types {
            let (normal, last) = r.plans(ty);
            value += normal.cost * f64::from(ty.count);
            add(&normal.ways, f64::from(ty.count));
            let more = last.cost - normal.cost;
            if end.as_ref().is_none_or(|e| more < e.0) {
                end = Some((more, normal, last));
            }
        }
        if let Some(again) = &self.again {
            // The run ends with the baseline measured again, in an insertion of its own.
            let mounted = |(cost, x): (f64, usize)| Way { cost: self.once_min + cost, x, y: None };
            let anywhere = again.is_empty().then(|| mounted(least(&|x| closed[x])));
            let somewhere = again.iter().map(|&c| r.stretch(c, c, true));
            if let Some(w) = somewhere.chain(anywhere).min_by(|a, b| a.cost.total_cmp(&b.cost)) {
                value += w.cost;
                add(&[(w, 1)], 1.0);
            }
        } else if let Some((more, normal, last)) = end {
            value += more;
            add(&normal.ways, -1.0);
            add(&last.ways, 1.0);
        }
        (value, grad)
    }

    /// Best value found over pi.
    fn best(&self, b: &super::model::BenchTimes) -> f64 {
        if self.types.is_empty() {
            return 0.0;
        }
        let k = self.at_c.len();
        let d = k - 1;
        let full = |c: &[f64]| -> Vec<f64> { std::iter::once(0.0).chain(c.iter().copied()).collect() };
        let reach = b.ramp_min(self.at_c[0], self.at_c[d]).max(b.ramp_min(self.at_c[d], self.at_c[0]));
        let mut best = self.evaluate(b, &vec![0.0; k]).0;
        if d == 0 || reach <= 0.0 {
            return best;
        }
        if d == 1 {
            let (mut lo, mut hi) = (-reach, reach);
            for _ in 0..60 {
                let c = (lo + hi) / 2.0;
                let (v, g) = self.evaluate(b, &[0.0, c]);
                best = best.max(v);
                if g[1] > 0.0 {
                    lo = c;
                } else {
                    hi = c;
                }
            }
            for c in [lo, hi, -reach, reach] {
                best = best.max(self.evaluate(b, &[0.0, c]).0);
            }
            return best;
        }
        // Ellipsoid method (source: Yudin, Nemirovski, Shor), deep enough for a relative gap of 1e-9 in few
        // dimensions.
        let n = d as f64;
        let mut c = vec![0.0; d];
        let mut a = vec![0.0; d * d];
        for i in 0..d {
            a[i * d + i] = n * reach * reach;
        }
        let cells: usize = self.types.iter().map(|t| 4 * t.temps.len() * t.temps.len()).sum();
        let steps = cells + 4 * k * k + 2 * k * self.temps_c.len();
        for _ in 0..(60 * d * (d + 1)).min(6000).min(MOST_STEPS / steps.max(1)) {
            let pi = full(&c);
            let (value, grad) = self.evaluate(b, &pi);
            best = best.max(value);
            // Half-space that keeps the optimum: towards consistency where pi is not, else along the
            // supergradient.
            let mut g = vec![0.0; d];
            let broken = (0..k * k)
                .map(|i| (i / k, i % k))
                .find(|&(x, y)| pi[y] > pi[x] + b.ramp_min(self.at_c[x], self.at_c[y]) + 1e-12);
            if let Some((x, y)) = broken {
                if x > 0 {
                    g[x - 1] += 1.0;
                }
                if y > 0 {
                    g[y - 1] -= 1.0;
                }
            } else {
                g.copy_from_slice(&grad[1..]);
            }
            let ag: Vec<f64> = (0..d).map(|i| (0..d).map(|j| a[i * d + j] * g[j]).sum()).collect();
            let size: f64 = (0..d).map(|i| g[i] * ag[i]).sum::<f64>();
            if size.is_nan() || size <= 1e-18 || (broken.is_none() && size.sqrt() < 1e-9 * best.abs()) {
                break;
            }
            let root = size.sqrt();
            for i in 0..d {
                c[i] += ag[i] / root / (n + 1.0);
            }
            let scale = n * n / (n * n - 1.0);
            for i in 0..d {
                for j in 0..d {
                    a[i * d + j] = scale * (a[i * d + j] - 2.0 / (n + 1.0) * ag[i] * ag[j] / size);
                }
            }
        }
        best
    }
}

/// Thins many temperatures to every mounting's coldest and hottest, the one that training is held from, and
/// an even pick between.
fn thinned(p: &Problem, layout: &Layout, sorted_c: &[f64], most: usize) -> Vec<f64> {
    let mut kept: Vec<f64> = (0..most)
        .filter_map(|k| sorted_c.get(k * (sorted_c.len() - 1) / most.saturating_sub(1).max(1)).copied())
        .collect();
    for m in 0..layout.of.len() as u32 {
        let piece = layout.whole(m);
        let cells = layout.cells_of(piece);
        kept.extend(cells.first().into_iter().chain(cells.last()).map(|cell| cell.temp_c));
        if layout.held[m as usize] {
            // The hull of each rate is needed whole.
            kept.extend(cells.iter().map(|cell| cell.temp_c));
        }
    }
    kept.extend(p.rules.hold_temperature.map(|t| p.temp_c(t)));
    kept.sort_by(f64::total_cmp);
    kept.dedup();
    kept
}

/// The proven lower bound for a problem.
pub fn lower_bound(p: &Problem) -> Bound {
    bound_with(p, &Layout::new(p))
}

pub(crate) fn bound_with(p: &Problem, layout: &Layout) -> Bound {
    bound_thinned(p, layout, MOST_TEMPERATURES)
}

/// As [`bound_with`], looking at `most` temperatures and the extremes.
pub(crate) fn bound_thinned(p: &Problem, layout: &Layout, most: usize) -> Bound {
    let value = |price: f64| Model::new(p, layout, price, most).best(&p.bench);
    let ramps_and_hands_min = value(0.0);
    let change_over_min =
        if p.bench.price_min > 0.0 { value(p.bench.price_min) } else { ramps_and_hands_min };
    let again = p.rules.baseline.is_some() && p.mountings.len() > 1;
    let changes = p.mountings.len() as u32 + u32::from(again);
    let mut fixed = f64::from(changes) * p.bench.boot_s;
    for m in 0..p.mountings.len() as u32 {
        fixed += unavoidable_s(p, layout, m);
    }
    Bound { change_over_min, ramps_and_hands_min, changes, total_min: ramps_and_hands_min + fixed / 60.0 }
}

/// Measuring, training, soak and settling of a mounting that no order avoids, s.
pub(crate) fn unavoidable_s(p: &Problem, layout: &Layout, mounting: u32) -> f64 {
    let b = &p.bench;
    let piece = layout.whole(mounting);
    let cells = layout.cells_of(piece);
    let of = |c: &super::pieces::Cell| &layout.jobs[c.jobs.0 as usize..c.jobs.1 as usize];
    let mut rates: Vec<u16> = cells.iter().flat_map(of).map(|&j| p.jobs[j as usize].rate).collect();
    let mut supplies: Vec<u16> = cells.iter().flat_map(of).map(|&j| p.jobs[j as usize].supply).collect();
    for list in [&mut rates, &mut supplies] {
        list.sort_unstable();
        list.dedup();
    }
    let work: f64 = cells.iter().map(|c| c.work_min * 60.0).sum();
    let (mut arrivals, mut training) = (cells.len(), 0.0);
    if layout.held[mounting as usize] {
        let hold = p.rules.hold_temperature.map(|t| p.temp_c(t));
        arrivals = 1;
        for (_, stops) in layout.held_groups(p, piece) {
            let there = stops.iter().any(|s| Some(s.0) == hold);
            arrivals += stops.len() - usize::from(there);
            let train = |j: &u32| f64::from(p.jobs[*j as usize].train_s);
            training += stops.iter().flat_map(|s| &s.1).map(train).fold(f64::INFINITY, f64::min);
        }
    }
    work + training
        + arrivals as f64 * (b.soak_s + b.settle_s)
        + rates.len() as f64 * b.rate_change_s
        + supplies.len() as f64 * b.supply_change_s
}
