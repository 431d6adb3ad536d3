//! Planning through the calendar: nights and weekends get the longest hands-free stretches, attended days are
//! filled with the rest, cut at temperatures where that pays.
//!
//! Day by day: the longest mountings are kept whole for the nights (as many as the bound says there will be); the attended time
//! before the night's insertion is filled from the others by a multiple-choice knapsack (each mounting whole, its colder or its
//! warmer temperatures, or not at all), so that the night's setup is inserted within the window. Many such plans with different
//! prices of a cut, reserves and picks are walked exactly, and the one with the lowest finish + small x mean start + price x
//! changes is kept. The given order itself is always among them.

use super::calendar::{Calendar, Scheduled, finish_bound, walk};
use super::cost::{keeps_rules, with_references};
use super::model::{OrderError, Problem};
use super::pieces::{Layout, Piece};
use super::postman::Leg;
use super::stretches::{Order, set_ways};
use nightbench_core::random::SplitMix64;

/// Weight of the mean start of the stretches in the objective: of plans that finish alike, prefer the one
/// that gets on sooner.
const MEAN_START_WEIGHT: f64 = 0.05;
/// Resolution of the knapsack and most mountings looked at for one day.
const BIN_MIN: f64 = 2.0;
const MOST_CANDIDATES: usize = 24;
/// Shorter gaps are not nights.
const NIGHT_MIN: f64 = 240.0;

/// How much work to put into planning through the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CalendarEffort {
    pub seed: u64,
    /// Most trial plans; fewer are made on large matrices so that planning stays within seconds.
    pub trials: usize,
}

impl Default for CalendarEffort {
    fn default() -> Self {
        CalendarEffort { seed: 1, trials: 300 }
    }
}

struct Planner<'a> {
    p: &'a Problem,
    layout: &'a Layout,
    calendar: &'a Calendar,
    /// Minutes of each cell: work, soak, settling and inner changes.
    cell_min: Vec<f64>,
    waits_for: Vec<Vec<u32>>,
    start_min: f64,
}

/// What varies between trials.
#[derive(Clone, Copy)]
struct Tuning {
    cut_price_min: f64,
    reserve: usize,
    margin_min: f64,
    odd: f64,
}

/// Plans an order through the calendar. Errors: attended hours that never come.
pub fn plan_calendar(
    p: &Problem,
    order: &Order,
    calendar: &Calendar,
    start_min: f64,
    effort: CalendarEffort,
) -> Result<Scheduled, OrderError> {
    let mut best = walk(p, &order.sequence, calendar, start_min)?;
    if best.cost.minutes.waiting < 1.0 || best.moments.len() < 2 {
        return Ok(best);
    }
    let layout = Layout::new(p);
    let planner = Planner::new(p, &layout, calendar, start_min);
    let bound = finish_bound(p, calendar, start_min)?;
    let nights = planner.nights_between(start_min, bound)?;
    let mut rng = SplitMix64::new(effort.seed);
    let mut score = objective(p, &best);
    // About 1e9 elementary steps in all, a few seconds.
    let cells = layout.of.iter().map(|(from, to)| (to - from) as usize).max().unwrap_or(0).max(12);
    let one = (nights + 1) * MOST_CANDIDATES * cells * 300 + p.jobs.len() * 40;
    let trials = effort.trials.min((1_000_000_000 / one).max(2));
    let mut tuning = Tuning { cut_price_min: 30.0, reserve: nights, margin_min: 2.0, odd: 0.0 };
    let mut good = tuning;
    for k in 0..trials {
        if k > 0 {
            // Around the best so far, sometimes far from it.
            let wide = if rng.unit() < 0.3 { 3.0 } else { 1.0 };
            tuning = Tuning {
                cut_price_min: (good.cut_price_min + wide * 20.0 * (rng.unit() - 0.5)).clamp(0.0, 180.0),
                reserve: ((good.reserve as f64) * (1.0 + wide * 0.3 * (rng.unit() - 0.5))).round() as usize,
                margin_min: 1.0 + 6.0 * rng.unit(),
                odd: 0.3 * rng.unit(),
            };
        }
        let legs = planner.plan(tuning, &mut rng)?;
        let mut sequence = Vec::with_capacity(p.jobs.len());
        for &(piece, way) in &legs {
            layout.emit(p, piece, way, &mut sequence);
        }
        if !keeps_rules(p, &sequence) {
            continue;
        }
        let trial = walk(p, &with_references(p, sequence), calendar, start_min)?;
        let s = objective(p, &trial);
        if s < score {
            (score, best, good) = (s, trial, tuning);
        }
    }
    Ok(best)
}

fn objective(p: &Problem, s: &Scheduled) -> f64 {
    let n = s.moments.len().max(1) as f64;
    let mean = s.moments.iter().map(|m| m.start_min - s.start_min).sum::<f64>() / n;
    s.finish_min - s.start_min + MEAN_START_WEIGHT * mean + p.bench.price_min * f64::from(s.cost.changes)
}

impl<'a> Planner<'a> {
    fn new(p: &'a Problem, layout: &'a Layout, calendar: &'a Calendar, start_min: f64) -> Planner<'a> {
        let b = &p.bench;
        let cell_min = layout
            .cells
            .iter()
            .map(|c| {
                let jobs = &layout.jobs[c.jobs.0 as usize..c.jobs.1 as usize];
                let changes = jobs.windows(2).map(|w| {
                    let (x, y) = (&p.jobs[w[0] as usize], &p.jobs[w[1] as usize]);
                    f64::from(u8::from(x.supply != y.supply)) * b.supply_change_s
                        + f64::from(u8::from(x.rate != y.rate)) * b.rate_change_s
                });
                c.work_min + (b.soak_s + b.settle_s + changes.sum::<f64>()) / 60.0
            })
            .collect();
        let mut waits_for = vec![Vec::new(); p.mountings.len()];
        for &(a, c) in &p.rules.before {
            waits_for[c as usize].push(a);
        }
        if let Some(base) = p.rules.baseline {
            (0..p.mountings.len()).filter(|&m| m != base as usize).for_each(|m| waits_for[m].push(base));
        }
        Planner { p, layout, calendar, cell_min, waits_for, start_min }
    }

    fn nights_between(&self, from: f64, to: f64) -> Result<usize, OrderError> {
        let (mut t, mut nights) = (from, 0);
        while t < to {
            let (_, end) = self.calendar.next_attended(t, self.p.bench.attended_change_min(true))?;
            nights += 1;
            t = end + 1.0;
        }
        Ok(nights)
    }

    /// Minutes of a piece from its insertion's end until the chamber is back in the band, the mean of both
    /// ways.
    fn minutes(&self, piece: Piece) -> f64 {
        let b = &self.p.bench;
        let e = self.layout.ends(self.p, piece);
        let ways = usize::from(e.ways);
        let ramps: f64 = (0..ways)
            .map(|w| {
                b.ramp_min(b.nearest_touch_safe_c(e.begin_c[w]), e.begin_c[w])
                    + e.inner_min[w]
                    + b.ramp_min(e.end_c[w], b.nearest_touch_safe_c(e.end_c[w]))
            })
            .sum();
        ramps / ways as f64 + self.work(piece)
    }

    fn work(&self, piece: Piece) -> f64 {
        self.cell_min[piece.cells.0 as usize..piece.cells.1 as usize].iter().sum()
    }

    /// One plan, day by day.
    fn plan(&self, tuning: Tuning, rng: &mut SplitMix64) -> Result<Vec<(Piece, u8)>, OrderError> {
        let b = &self.p.bench;
        let most = b.attended_change_min(true);
        let mut left: Vec<(u32, u32)> = self.layout.of.clone();
        let mut legs: Vec<(Piece, u8)> = Vec::new();
        let (mut t, mut chamber) = (self.start_min, b.nearest_touch_safe_c(b.start_c));
        let mut mounted: Option<u32> = None;
        let mut nights_done = 0usize;
        loop {
            let open = |m: &u32| {
                let (lo, hi) = left[*m as usize];
                lo < hi
                    && self.waits_for[*m as usize].iter().all(|&a| left[a as usize].0 >= left[a as usize].1)
            };
            let mut free: Vec<(f64, u32)> = (0..left.len() as u32)
                .filter(open)
                .map(|m| (self.minutes(Piece { mounting: m, cells: left[m as usize] }), m))
                .collect();
            if free.is_empty() {
                break;
            }
            free.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
            let (now, end, gap) = self.window(t, most)?;
            // The night gets the shortest mounting that is longer than its gap, else the longest; now and
            // then the next best.
            let fits = free.partition_point(|c| c.0 <= gap);
            let mut pick = if fits > 0 { fits - 1 } else { 0 };
            if fits > 0 && fits < free.len() {
                pick = fits;
            }
            if pick > 0 && rng.unit() < tuning.odd {
                pick -= 1;
            }
            let night = free.remove(pick).1;
            let reserve = tuning.reserve.saturating_sub(nights_done + 1).min(free.len());
            let keep = free.len() - reserve;
            let mut pool: Vec<u32> = free[..keep].iter().map(|c| c.1).collect();
            if pool.len() < 3 {
                pool = free.iter().map(|c| c.1).collect();
            }
            self.narrow(&mut pool, &left, mounted, night, rng, tuning);
            let latest = end - b.attended_change_min(true);
            let mut capacity = latest - now - tuning.margin_min;
            let mut day = Vec::new();
            for _ in 0..6 {
                day = self.fill(&pool, &left, capacity, tuning, night);
                self.arrange(&mut day, mounted, night);
                let (ready, _) = self.simulate(&mut day.clone(), t, chamber, mounted)?;
                let over = ready - latest;
                if day.is_empty() || over <= 0.0 {
                    break;
                }
                capacity -= over.max(BIN_MIN);
            }
            let (ready, at) = self.simulate(&mut day, t, chamber, mounted)?;
            for &(piece, _) in &day {
                cut(&mut left[piece.mounting as usize], piece.cells);
            }
            let mut last = vec![(Piece { mounting: night, cells: left[night as usize] }, 0)];
            let before = day.last().map(|d| d.0.mounting).or(mounted);
            let (done, end_c) = self.simulate(&mut last, ready, at, before)?;
            left[night as usize].0 = left[night as usize].1;
            legs.append(&mut day);
            legs.append(&mut last);
            (t, chamber, mounted) = (done, end_c, Some(night));
            nights_done += 1;
        }
        self.best_ways(&mut legs);
        Ok(legs)
    }

    /// Start and end of the next attended window, and how long nobody is there after it. Short breaks do not
    /// end a window.
    fn window(&self, t: f64, need: f64) -> Result<(f64, f64, f64), OrderError> {
        let (now, mut end) = self.calendar.next_attended(t, need)?;
        for _ in 0..8 {
            let (next, to) = self.calendar.next_attended(end + 1e-6, need)?;
            if next - end >= NIGHT_MIN {
                return Ok((now, end, next - end));
            }
            end = to;
        }
        Ok((now, end, NIGHT_MIN))
    }

    /// Partly done mountings first, then those of the mounted and of the night's channel; each group
    /// shuffled.
    fn narrow(
        &self,
        pool: &mut Vec<u32>,
        left: &[(u32, u32)],
        mounted: Option<u32>,
        night: u32,
        rng: &mut SplitMix64,
        tuning: Tuning,
    ) {
        let channel = |m: u32| self.p.mountings[m as usize].channel;
        let near = [mounted.map(channel), Some(channel(night))];
        let mut keyed: Vec<(u8, u64, u32)> = pool
            .iter()
            .map(|&m| {
                let begun = left[m as usize] != self.layout.of[m as usize];
                let class = if begun { 0 } else { 1 + u8::from(!near.contains(&Some(channel(m)))) };
                let key = if tuning.odd > 0.0 { rng.next_u64() } else { u64::from(m) };
                (class, key, m)
            })
            .collect();
        keyed.sort_unstable();
        keyed.truncate(MOST_CANDIDATES);
        *pool = keyed.into_iter().map(|k| k.2).collect();
    }

    /// Multiple-choice knapsack over the pool: the pieces with the most work that fit into `capacity`
    /// minutes.
    fn fill(
        &self,
        pool: &[u32],
        left: &[(u32, u32)],
        capacity: f64,
        tuning: Tuning,
        night: u32,
    ) -> Vec<(Piece, u8)> {
        let bins = (capacity / BIN_MIN).floor();
        if bins < 1.0 {
            return Vec::new();
        }
        let bins = (bins as usize).min(2000);
        let change = self.p.bench.attended_change_min(false);
        let extra = self.p.bench.hands_channel_min - self.p.bench.hands_module_min;
        let channel = |m: u32| self.p.mountings[m as usize].channel;
        let mut value = vec![0.0f64; bins + 1];
        let mut chosen: Vec<Vec<u16>> = Vec::with_capacity(pool.len());
        let mut options: Vec<Vec<(Piece, usize, f64)>> = Vec::with_capacity(pool.len());
        for &m in pool {
            let (lo, hi) = left[m as usize];
            let mut list = vec![(lo, hi)];
            if !self.layout.held[m as usize] {
                list.extend((lo + 1..hi).map(|k| (lo, k)));
                if !self.p.rules.cold_first {
                    list.extend((lo + 1..hi).map(|k| (k, hi)));
                }
            }
            let other = if channel(m) == channel(night) { 0.0 } else { extra };
            let list: Vec<(Piece, usize, f64)> = list
                .into_iter()
                .map(|cells| {
                    let piece = Piece { mounting: m, cells };
                    let minutes = change + other + self.minutes(piece);
                    let whole = cells == (lo, hi);
                    let worth = self.work(piece) - other - if whole { 0.0 } else { tuning.cut_price_min };
                    (piece, (minutes / BIN_MIN).ceil() as usize, worth)
                })
                .filter(|o| o.1 <= bins && o.2 > 0.0)
                .collect();
            let mut pick = vec![0u16; bins + 1];
            let mut next = value.clone();
            for (k, &(_, size, worth)) in list.iter().enumerate() {
                for space in size..=bins {
                    let v = value[space - size] + worth;
                    if v > next[space] {
                        next[space] = v;
                        pick[space] = k as u16 + 1;
                    }
                }
            }
            value = next;
            chosen.push(pick);
            options.push(list);
        }
        let mut space = bins;
        let mut out = Vec::new();
        for (pick, list) in chosen.iter().zip(&options).rev() {
            if let Some(&(piece, size, _)) = usize::from(pick[space]).checked_sub(1).and_then(|k| list.get(k))
            {
                out.push((piece, 0));
                space -= size;
            }
        }
        out
    }

    /// Pieces of the channel mounted first, those of the night's channel last.
    fn arrange(&self, day: &mut [(Piece, u8)], mounted: Option<u32>, night: u32) {
        let channel = |m: u32| self.p.mountings[m as usize].channel;
        let here = mounted.map(channel);
        day.sort_by_key(|(q, _)| {
            let c = channel(q.mounting);
            let class = if Some(q.mounting) == mounted {
                0
            } else if Some(c) == here {
                1
            } else if c == channel(night) {
                3
            } else {
                2
            };
            (class, c, q.mounting)
        });
    }

    /// Walks pieces through the calendar, choosing their ways; gives when the chamber is back in the band,
    /// and where.
    fn simulate(
        &self,
        legs: &mut [(Piece, u8)],
        mut t: f64,
        mut chamber: f64,
        mut mounted: Option<u32>,
    ) -> Result<(f64, f64), OrderError> {
        let b = &self.p.bench;
        let channel = |m: u32| self.p.mountings[m as usize].channel;
        for (piece, way) in legs.iter_mut() {
            let e = self.layout.ends(self.p, *piece);
            if mounted != Some(piece.mounting) {
                let need =
                    b.attended_change_min(mounted.is_none_or(|f| channel(f) != channel(piece.mounting)));
                t = self.calendar.next_attended(t, need)?.0 + need;
                mounted = Some(piece.mounting);
            }
            let ramps = |w: usize| {
                b.ramp_min(chamber, e.begin_c[w])
                    + e.inner_min[w]
                    + b.ramp_min(e.end_c[w], b.nearest_touch_safe_c(e.end_c[w]))
            };
            *way = u8::from(e.ways == 2 && ramps(1) < ramps(0));
            let w = usize::from(*way);
            t += ramps(w) + self.work(*piece);
            chamber = b.nearest_touch_safe_c(e.end_c[w]);
        }
        Ok((t, chamber))
    }

    /// Least ramps over the whole plan.
    fn best_ways(&self, legs: &mut [(Piece, u8)]) {
        let ends: Vec<_> = legs.iter().map(|l| self.layout.ends(self.p, l.0)).collect();
        let mut ways: Vec<Leg> = legs.iter().enumerate().map(|(k, l)| (k as u32, l.1)).collect();
        set_ways(self.p, &ends, &mut ways);
        for (leg, w) in legs.iter_mut().zip(ways) {
            leg.1 = w.1;
        }
    }
}

/// Takes a range off the cold or the warm side.
fn cut(left: &mut (u32, u32), cells: (u32, u32)) {
    if cells.0 == left.0 {
        left.0 = cells.1;
    } else {
        left.1 = cells.0;
    }
}
