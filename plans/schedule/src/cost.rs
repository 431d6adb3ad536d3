//! The exact cost of a sequence of jobs: one walk, used for every order, every bound check and the calendar
//! alike.

use super::model::{BenchTimes, Job, OrderError, Problem};
use super::observed::JobSeconds;

/// Where a run stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// Now, minutes since 1970-01-01 local.
    pub now_min: f64,
    /// What is mounted and checked, if anything.
    pub mounted: Option<u32>,
    pub chamber_c: f64,
}

/// Minutes by kind of work, as the walk adds them up.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Minutes {
    pub measuring: f64,
    pub training: f64,
    pub ramps_up: f64,
    pub ramps_down: f64,
    pub soak: f64,
    /// Settling after arrivals, supply and rate changes.
    pub settle: f64,
    /// Hands and the mounting check that follows them.
    pub hands_on: f64,
    pub boot: f64,
    /// Waiting for attended hours.
    pub waiting: f64,
}

impl Minutes {
    /// Sum of all parts, min.
    pub fn total(&self) -> f64 {
        self.measuring
            + self.training
            + self.ramps_up
            + self.ramps_down
            + self.soak
            + self.settle
            + self.hands_on
            + self.boot
            + self.waiting
    }

    /// Both ramps, min.
    pub fn ramps(&self) -> f64 {
        self.ramps_up + self.ramps_down
    }

    pub(crate) fn minus(&self, b: &Minutes) -> Minutes {
        Minutes {
            measuring: self.measuring - b.measuring,
            training: self.training - b.training,
            ramps_up: self.ramps_up - b.ramps_up,
            ramps_down: self.ramps_down - b.ramps_down,
            soak: self.soak - b.soak,
            settle: self.settle - b.settle,
            hands_on: self.hands_on - b.hands_on,
            boot: self.boot - b.boot,
            waiting: self.waiting - b.waiting,
        }
    }
}

impl std::ops::Add for Minutes {
    type Output = Minutes;

    fn add(self, other: Minutes) -> Minutes {
        let zero = Minutes::default();
        // a - (0 - b) is a + b.
        self.minus(&zero.minus(&other))
    }
}

/// Hours by kind of work. `total` is the sum of the other fields in the order written, so the parts add up to
/// it exactly.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Hours {
    pub total: f64,
    pub measuring: f64,
    pub training: f64,
    /// Ramps in both directions.
    pub ramps: f64,
    pub soak: f64,
    /// Settling, supply and rate changes.
    pub settle: f64,
    /// Hands and mounting checks.
    pub hands_on: f64,
    pub boot: f64,
    /// Waiting for attended hours.
    pub waiting: f64,
}

impl From<&Minutes> for Hours {
    fn from(m: &Minutes) -> Hours {
        let mut h = Hours {
            total: 0.0,
            measuring: m.measuring / 60.0,
            training: m.training / 60.0,
            ramps: m.ramps() / 60.0,
            soak: m.soak / 60.0,
            settle: m.settle / 60.0,
            hands_on: m.hands_on / 60.0,
            boot: m.boot / 60.0,
            waiting: m.waiting / 60.0,
        };
        h.total = h.measuring + h.training + h.ramps + h.soak + h.settle + h.hands_on + h.boot + h.waiting;
        h
    }
}

/// What a sequence of jobs costs.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cost {
    pub minutes: Minutes,
    /// Hands-on changes, the first insertion included.
    pub changes: u32,
    /// Of these, changes of channel.
    pub channel_changes: u32,
}

impl Cost {
    /// The objective: working minutes (waiting left out) and the price of the hands-on changes.
    pub fn objective_min(&self, price_min: f64) -> f64 {
        self.minutes.total() - self.minutes.waiting + price_min * f64::from(self.changes)
    }

    /// Ramps, hands (with mounting checks) and price: the part the proven bound speaks of, min.
    pub fn change_over_min(&self, price_min: f64) -> f64 {
        self.minutes.ramps() + self.minutes.hands_on + price_min * f64::from(self.changes)
    }
}

/// A bench walked through jobs one by one.
///
/// Conventions. Before hands the chamber is driven to the nearest point of the touch-safe band and waits
/// there. Arriving at a temperature (also the first after an insertion) costs ramp, soak and settling. The
/// first supply and rate after an insertion are set like any other. A held job whose rate is not the one
/// trained in this mounting first goes to the hold temperature to train. The run ends with its last job.
#[derive(Debug, Clone)]
pub(crate) struct Walker<'a> {
    p: &'a Problem,
    pub chamber_c: f64,
    pub mounted: Option<u32>,
    at: Option<u16>,
    supply: Option<u16>,
    rate: Option<u16>,
    trained: Option<u16>,
    pub cost: Cost,
}

impl<'a> Walker<'a> {
    pub fn new(p: &'a Problem) -> Walker<'a> {
        Walker {
            p,
            chamber_c: p.bench.start_c,
            mounted: None,
            at: None,
            supply: None,
            rate: None,
            trained: None,
            cost: Cost::default(),
        }
    }

    /// Starts from where a run stands. Values that the problem's bench cannot have are replaced by those of a
    /// fresh start.
    pub fn standing(p: &'a Problem, from: Standing) -> Walker<'a> {
        let mut w = Walker::new(p);
        w.mounted = from.mounted.filter(|&m| (m as usize) < p.mountings.len());
        if from.chamber_c.is_finite() {
            w.chamber_c = from.chamber_c;
        }
        w
    }

    pub fn bench(&self) -> &BenchTimes {
        &self.p.bench
    }

    fn ramp_to(&mut self, to_c: f64) {
        let min = self.p.bench.ramp_min(self.chamber_c, to_c);
        if to_c >= self.chamber_c {
            self.cost.minutes.ramps_up += min;
        } else {
            self.cost.minutes.ramps_down += min;
        }
        self.chamber_c = to_c;
    }

    fn arrive(&mut self, t: u16) {
        if self.at != Some(t) {
            self.ramp_to(self.p.temp_c(t));
            self.cost.minutes.soak += self.p.bench.soak_s / 60.0;
            self.cost.minutes.settle += self.p.bench.settle_s / 60.0;
            self.at = Some(t);
        }
    }

    /// Drives the chamber to where hands are safe.
    pub fn leave(&mut self) {
        let stop = self.p.bench.nearest_touch_safe_c(self.chamber_c);
        self.ramp_to(stop);
        self.at = None;
    }

    /// Whether mounting this next changes the channel.
    pub fn changes_channel(&self, mounting: u32) -> bool {
        let channel = |m: u32| self.p.mountings[m as usize].channel;
        self.mounted.is_none_or(|f| channel(f) != channel(mounting))
    }

    /// Hands, boot and mounting check.
    pub fn fit(&mut self, mounting: u32) {
        let channel = self.changes_channel(mounting);
        let b = &self.p.bench;
        self.cost.minutes.hands_on += b.hands_min(channel) + b.mounting_check_s / 60.0;
        self.cost.minutes.boot += b.boot_s / 60.0;
        self.cost.changes += 1;
        self.cost.channel_changes += u32::from(channel);
        self.mounted = Some(mounting);
        self.at = None;
        self.supply = None;
        self.rate = None;
        self.trained = None;
    }

    /// Stands as if a job of the mounted mounting had just been measured.
    pub fn stands_after(&mut self, job: u32) {
        let j = self.p.jobs[job as usize];
        if self.mounted == Some(j.mounting) {
            self.at = Some(j.temperature);
            self.supply = Some(j.supply);
            self.rate = Some(j.rate);
            self.trained = Some(j.rate);
        }
    }

    /// Measures one job of the mounted mounting.
    pub fn measure(&mut self, job: u32) {
        let j = self.p.jobs[job as usize];
        self.measure_as(j);
    }

    fn measure_as(&mut self, j: Job) {
        let b = &self.p.bench;
        let train = j.held && self.trained != Some(j.rate);
        if train && let Some(hold) = self.p.rules.hold_temperature {
            self.arrive(hold);
        }
        if self.rate != Some(j.rate) {
            self.cost.minutes.settle += b.rate_change_s / 60.0;
            self.rate = Some(j.rate);
        }
        if train || !j.held {
            self.cost.minutes.training += f64::from(j.train_s) / 60.0;
            self.trained = Some(j.rate);
        }
        self.arrive(j.temperature);
        if self.supply != Some(j.supply) {
            self.cost.minutes.settle += b.supply_change_s / 60.0;
            self.supply = Some(j.supply);
        }
        self.cost.minutes.measuring += f64::from(j.measure_s) / 60.0;
    }

    /// Does one job and whatever it needs before it; `wait(now_min, need_min)` gives the minutes to wait
    /// before hands.
    pub fn step(
        &mut self,
        job: u32,
        wait: &mut impl FnMut(f64, f64) -> Result<f64, OrderError>,
    ) -> Result<(), OrderError> {
        self.step_taking(job, None, wait)
    }

    /// As [`Walker::step`], with what the job really took.
    pub fn step_taking(
        &mut self,
        job: u32,
        seconds: Option<JobSeconds>,
        wait: &mut impl FnMut(f64, f64) -> Result<f64, OrderError>,
    ) -> Result<(), OrderError> {
        let mut j = self.p.jobs[job as usize];
        if self.mounted != Some(j.mounting) {
            self.leave();
            let need = self.p.bench.attended_change_min(self.changes_channel(j.mounting));
            self.cost.minutes.waiting += wait(self.cost.minutes.total(), need)?;
            self.fit(j.mounting);
        }
        if let Some(took) = seconds {
            (j.measure_s, j.train_s) = (took.measuring_s as f32, took.training_s as f32);
        }
        self.measure_as(j);
        Ok(())
    }
}

/// Exact cost of doing the jobs in this sequence, without waiting. Out-of-range indices are left out.
pub fn cost_of(p: &Problem, sequence: &[u32]) -> Cost {
    cost_below(p, sequence, f64::INFINITY).unwrap_or_default()
}

/// As [`cost_of`], but gives up with `None` once the objective exceeds `limit_min`.
pub(crate) fn cost_below(p: &Problem, sequence: &[u32], limit_min: f64) -> Option<Cost> {
    let mut w = Walker::new(p);
    let mut wait = |_, _| Ok(0.0);
    for chunk in sequence.chunks(256) {
        for &j in chunk.iter().filter(|&&j| (j as usize) < p.jobs.len()) {
            w.step(j, &mut wait).ok()?;
        }
        if w.cost.objective_min(p.bench.price_min) > limit_min {
            return None;
        }
    }
    Some(w.cost)
}

/// Does the sequence keep the problem's rules? References are not checked here, but on the finished order.
pub(crate) fn keeps_rules(p: &Problem, sequence: &[u32]) -> bool {
    let n = p.mountings.len();
    if p.rules.cold_first {
        // Held jobs walk the temperatures once per rate, so for them the rule holds within each rate.
        let mut warmest = vec![(f64::NEG_INFINITY, 0u16); n];
        for &j in sequence {
            let job = &p.jobs[j as usize];
            let t = p.temp_c(job.temperature);
            let seen = &mut warmest[job.mounting as usize];
            if t < seen.0 && !(job.held && seen.1 != job.rate) {
                return false;
            }
            *seen = (t, job.rate);
        }
    }
    if !p.rules.before.is_empty() || p.rules.baseline.is_some() {
        let mut first = vec![usize::MAX; n];
        let mut last = vec![0usize; n];
        for (k, &j) in sequence.iter().enumerate() {
            let m = p.jobs[j as usize].mounting as usize;
            first[m] = first[m].min(k);
            last[m] = k;
        }
        if p.rules.before.iter().any(|&(a, b)| first[b as usize] < last[a as usize]) {
            return false;
        }
        if let Some(base) = p.rules.baseline {
            let end = last[base as usize];
            return (0..n).all(|m| m == base as usize || first[m] > end);
        }
    }
    true
}

/// Adds the measurements that drift control asks for: the baseline's first job again at the end, the
/// reference job at least every `n` jobs. The reference comes early, between mountings, where that keeps the
/// next mounting in one piece.
pub(crate) fn with_references(p: &Problem, sequence: Vec<u32>) -> Vec<u32> {
    let mut out = sequence;
    if let Some(base) = p.rules.baseline
        && let Some(first) = out.iter().copied().find(|&j| p.jobs[j as usize].mounting == base)
        && out.last().is_some_and(|&j| p.jobs[j as usize].mounting != base)
    {
        out.push(first);
    }
    if let Some((reference, every)) = p.rules.reference {
        let every = every as usize;
        let mounting = |j: u32| p.jobs[j as usize].mounting;
        let mut with = Vec::with_capacity(out.len() + out.len() / every + 1);
        let mut since = 0usize;
        let mut k = 0usize;
        while k < out.len() {
            let m = mounting(out[k]);
            let run = out[k..].iter().take_while(|&&j| mounting(j) == m).count();
            if since > 0 && since + run > every && (run <= every || since >= every) {
                with.push(reference);
                since = 0;
            }
            for &j in &out[k..k + run] {
                if since >= every {
                    with.push(reference);
                    since = 0;
                }
                with.push(j);
                since = if j == reference { 0 } else { since + 1 };
            }
            k += run;
        }
        out = with;
    }
    out
}
