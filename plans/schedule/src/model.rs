//! What the ordering works on: the times of a bench, the jobs in compact form, and the rules an order must
//! keep.

use std::collections::BTreeMap;

/// Everything that can be wrong with an ordering problem. Each message names the thing, its value, the limit
/// and the remedy.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OrderError {
    /// A value of the bench that no bench can have.
    #[error("{name} is {value} {unit}; it must be {limit}: correct it in [bench_times]")]
    BenchValue {
        /// The quantity, in plain words.
        name: &'static str,
        value: f64,
        unit: &'static str,
        /// The limit it breaks.
        limit: &'static str,
    },
    /// The touch-safe band is upside down.
    #[error(
        "the touch-safe band runs from {lo_c} °C to {hi_c} °C; the lower edge must not be above the upper edge"
    )]
    BandInverted { lo_c: f64, hi_c: f64 },
    /// A temperature the bench cannot reach (or not a number).
    #[error(
        "{what} of {value_c} °C is outside the bench's range of {lo_c} to {hi_c} °C: \
         drop the level or use another bench"
    )]
    OutsideRange {
        what: &'static str,
        value_c: f64,
        /// Lowest temperature of the bench, degC.
        lo_c: f64,
        /// Highest temperature of the bench, degC.
        hi_c: f64,
    },
    /// A job names a level or a mounting that does not exist.
    #[error("job {job} names {what} {index}, but there are only {count}")]
    BadIndex {
        /// Position of the job in the input.
        job: usize,
        what: &'static str,
        index: usize,
        count: usize,
    },
    /// A duration that is negative or not a number.
    #[error("job {job} has {what} of {value_s} s; it must be 0 s or more and at most 30 days")]
    BadDuration {
        /// Position of the job in the input.
        job: usize,
        what: &'static str,
        value_s: f64,
    },
    /// Held and retrained jobs in one mounting.
    #[error(
        "mounting {mounting} mixes jobs with held training and jobs trained at every condition: \
         give them separate mountings"
    )]
    MixedHold { mounting: usize },
    /// Held jobs without the temperature their training is held from.
    #[error("jobs hold their training, but the temperature to train at is not named")]
    NoHoldTemperature,
    /// Precedences that contradict each other.
    #[error("the precedences form a circle over the mountings {mountings:?}: remove one of them")]
    Cycle {
        /// Mountings on the circle, in order.
        mountings: Vec<u32>,
    },
    /// More than the compact form can number.
    #[error("{count} {what} are more than {limit}: split the plan")]
    TooMany { what: &'static str, count: usize, limit: usize },
    /// Attended hours that are malformed.
    #[error(
        "attended hours from minute {from} to minute {to} of the day: need 0 <= from < to <= 1440, without overlap"
    )]
    BadHours { from: u16, to: u16 },
    /// Nobody ever comes for long enough.
    #[error(
        "a hands-on change needs {need_min:.1} min of attended time in one piece, and none comes within {days} days: \
         widen the attended hours"
    )]
    NeverAttended {
        /// Minutes needed at a stretch.
        need_min: f64,
        days: i64,
    },
    /// A date that does not exist.
    #[error("there is no day {year}-{month:02}-{day:02}")]
    BadDate {
        year: i64,
        /// Month 1 to 12.
        month: u32,
        day: u32,
    },
    /// A coverage request that cannot be met.
    #[error("coverage: {0}")]
    Coverage(String),
}

/// Times and limits of one bench. Defaults are estimates, to be replaced by measured values in the plan's `[bench_times]`.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchTimes {
    /// Chamber ramp upwards, degC/min.
    pub ramp_up_c_per_min: f64,
    /// Chamber ramp downwards, degC/min (positive number).
    pub ramp_down_c_per_min: f64,
    /// Soak after each arrival at a temperature, s.
    pub soak_s: f64,
    /// Wait until readings are within tolerance after each arrival, s.
    pub settle_s: f64,
    /// Minutes of hands when only the module changes (or is re-seated).
    pub hands_module_min: f64,
    /// Minutes of hands when the channel changes, the mounting of the module included.
    pub hands_channel_min: f64,
    /// Boot after each insertion, s.
    pub boot_s: f64,
    /// A change of supply levels, s.
    pub supply_change_s: f64,
    /// A change of data rate, s.
    pub rate_change_s: f64,
    /// Lower edge of the touch-safe band, degC.
    pub touch_safe_lo_c: f64,
    /// Upper edge of the touch-safe band, degC.
    pub touch_safe_hi_c: f64,
    /// Mounting check after each hands-on change, s; the operator stays until it ends.
    pub mounting_check_s: f64,
    /// Price of one hands-on change in the objective, min (not a duration).
    pub price_min: f64,
    /// Chamber temperature when the run begins, degC.
    pub start_c: f64,
    /// Lowest temperature the bench may be driven to, degC.
    pub range_lo_c: f64,
    /// Highest temperature the bench may be driven to, degC.
    pub range_hi_c: f64,
}

impl Default for BenchTimes {
    fn default() -> Self {
        BenchTimes {
            ramp_up_c_per_min: 3.0,
            ramp_down_c_per_min: 1.5,
            soak_s: 600.0,
            settle_s: 30.0,
            hands_module_min: 4.0,
            hands_channel_min: 8.0,
            boot_s: 90.0,
            supply_change_s: 5.0,
            rate_change_s: 2.0,
            touch_safe_lo_c: 15.0,
            touch_safe_hi_c: 45.0,
            mounting_check_s: 150.0,
            price_min: 15.0,
            start_c: 25.0,
            range_lo_c: -55.0,
            range_hi_c: 150.0,
        }
    }
}

impl BenchTimes {
    /// Checks every value. Error: the first that no bench can have.
    pub fn check(&self) -> Result<(), OrderError> {
        let bad = |name, value, unit, limit| Err(OrderError::BenchValue { name, value, unit, limit });
        for (name, v) in
            [("the upward ramp", self.ramp_up_c_per_min), ("the downward ramp", self.ramp_down_c_per_min)]
        {
            if !(v.is_finite() && (1e-3..=1e3).contains(&v)) {
                return bad(name, v, "°C/min", "between 0.001 and 1000 °C/min");
            }
        }
        for (name, v) in [
            ("soak", self.soak_s),
            ("settling", self.settle_s),
            ("boot", self.boot_s),
            ("a supply change", self.supply_change_s),
            ("a rate change", self.rate_change_s),
            ("the mounting check", self.mounting_check_s),
        ] {
            if !(v.is_finite() && (0.0..=86_400.0).contains(&v)) {
                return bad(name, v, "s", "between 0 and 86400 s");
            }
        }
        for (name, v) in [
            ("hands for a module", self.hands_module_min),
            ("hands for a channel", self.hands_channel_min),
            ("the price of a hands-on change", self.price_min),
        ] {
            if !(v.is_finite() && (0.0..=1440.0).contains(&v)) {
                return bad(name, v, "min", "between 0 and 1440 min");
            }
        }
        if self.hands_channel_min < self.hands_module_min {
            return bad(
                "hands for a channel",
                self.hands_channel_min,
                "min",
                "at least the hands for a module, which is mounted again with it",
            );
        }
        for (name, v) in
            [("the bench's lowest temperature", self.range_lo_c), ("its highest", self.range_hi_c)]
        {
            if !(v.is_finite() && (-273.15..=1000.0).contains(&v)) {
                return bad(name, v, "°C", "between -273.15 and 1000 °C");
            }
        }
        if self.range_lo_c >= self.range_hi_c {
            return bad("the bench's lowest temperature", self.range_lo_c, "°C", "below its highest");
        }
        self.check_temperature("the touch-safe band's lower edge", self.touch_safe_lo_c)?;
        self.check_temperature("the touch-safe band's upper edge", self.touch_safe_hi_c)?;
        self.check_temperature("the start temperature", self.start_c)?;
        if self.touch_safe_lo_c > self.touch_safe_hi_c {
            return Err(OrderError::BandInverted { lo_c: self.touch_safe_lo_c, hi_c: self.touch_safe_hi_c });
        }
        Ok(())
    }

    fn check_temperature(&self, what: &'static str, value_c: f64) -> Result<(), OrderError> {
        if value_c.is_finite() && (self.range_lo_c..=self.range_hi_c).contains(&value_c) {
            return Ok(());
        }
        Err(OrderError::OutsideRange { what, value_c, lo_c: self.range_lo_c, hi_c: self.range_hi_c })
    }

    /// Minutes to move the chamber from `a_c` to `b_c`, degC.
    pub fn ramp_min(&self, a_c: f64, b_c: f64) -> f64 {
        if b_c >= a_c { (b_c - a_c) / self.ramp_up_c_per_min } else { (a_c - b_c) / self.ramp_down_c_per_min }
    }

    /// The point of the touch-safe band nearest to `t_c`. No other stop in the band takes less time: this one
    /// is on the way to the next temperature, or the shortest detour.
    pub fn nearest_touch_safe_c(&self, t_c: f64) -> f64 {
        t_c.max(self.touch_safe_lo_c).min(self.touch_safe_hi_c)
    }

    /// Minutes of ramps from `a_c` through the touch-safe band to `b_c`.
    pub fn ramp_through_band_min(&self, a_c: f64, b_c: f64) -> f64 {
        let stop = self.nearest_touch_safe_c(a_c);
        self.ramp_min(a_c, stop) + self.ramp_min(stop, b_c)
    }

    /// Minutes during which an operator must be there for one change: hands, boot and mounting check.
    pub fn attended_change_min(&self, channel: bool) -> f64 {
        self.hands_min(channel) + (self.boot_s + self.mounting_check_s) / 60.0
    }

    /// Minutes of hands for a change of channel or only of module.
    pub fn hands_min(&self, channel: bool) -> f64 {
        if channel { self.hands_channel_min } else { self.hands_module_min }
    }
}

/// One job as the caller knows it. Levels are indices in the order in which the plan writes them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JobInput {
    pub module: u32,
    pub channel: u32,
    /// Which mounting of its setup, from 0: a re-seat is a mounting of its own.
    pub mounting_number: u32,
    /// Index into the temperatures.
    pub temperature: u16,
    pub supply: u16,
    pub rate: u16,
    pub measure_s: f64,
    /// Training time, s. Held jobs: the time to train their rate, counted once per mounting and rate, where
    /// it is trained.
    pub train_s: f64,
    /// Training is held over temperature: trained once per rate, at the hold temperature.
    pub held: bool,
}

/// One job in 20 bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Job {
    pub(crate) mounting: u32,
    pub(crate) measure_s: f32,
    pub(crate) train_s: f32,
    pub(crate) temperature: u16,
    pub(crate) supply: u16,
    pub(crate) rate: u16,
    pub(crate) held: bool,
}

/// A setup (module and channel) under one mounting number; the calendar may insert it more than once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Mounting {
    pub channel: u32,
    pub module: u32,
    /// Which mounting of its setup, from 0.
    pub number: u32,
}

/// What an order must keep.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Rules {
    /// Within each mounting, colder temperatures come first.
    pub cold_first: bool,
    /// This mounting comes first, and its first job is measured again, newly mounted, as the last of all.
    pub baseline: Option<u32>,
    /// `(job, n)`: this job is measured again after at most `n` other jobs.
    pub reference: Option<(u32, u32)>,
    /// `(a, b)`: everything of mounting `a` comes before anything of mounting `b`.
    pub before: Vec<(u32, u32)>,
    /// Index of the temperature at which held jobs are trained.
    pub hold_temperature: Option<u16>,
}

/// A checked ordering problem.
#[derive(Debug, Clone)]
pub struct Problem {
    pub(crate) bench: BenchTimes,
    pub(crate) temperatures_c: Vec<f64>,
    pub(crate) mountings: Vec<Mounting>,
    pub(crate) jobs: Vec<Job>,
    pub(crate) rules: Rules,
}

const MOST_JOBS: usize = 10_000_000;

impl Problem {
    /// Builds and checks a problem without rules. `temperatures_c` lists the temperature levels as written,
    /// degC. Jobs keep their input positions. Errors: any value outside its limits, an unknown level, mixed
    /// training in a mounting.
    pub fn new(
        bench: BenchTimes,
        temperatures_c: Vec<f64>,
        input: &[JobInput],
    ) -> Result<Problem, OrderError> {
        bench.check()?;
        for &t in &temperatures_c {
            bench.check_temperature("a temperature level", t)?;
        }
        if input.len() > MOST_JOBS {
            return Err(OrderError::TooMany { what: "jobs", count: input.len(), limit: MOST_JOBS });
        }
        let mut numbers: BTreeMap<Mounting, u32> = BTreeMap::new();
        let mut mountings = Vec::new();
        let mut jobs = Vec::with_capacity(input.len());
        let mut hold: Vec<bool> = Vec::new();
        for (n, j) in input.iter().enumerate() {
            if usize::from(j.temperature) >= temperatures_c.len() {
                return Err(OrderError::BadIndex {
                    job: n,
                    what: "temperature",
                    index: usize::from(j.temperature),
                    count: temperatures_c.len(),
                });
            }
            for (what, value_s) in [("measuring time", j.measure_s), ("training time", j.train_s)] {
                if !(value_s.is_finite() && (0.0..=2_592_000.0).contains(&value_s)) {
                    return Err(OrderError::BadDuration { job: n, what, value_s });
                }
            }
            let key = Mounting { channel: j.channel, module: j.module, number: j.mounting_number };
            let next = mountings.len() as u32;
            let mounting = *numbers.entry(key).or_insert(next);
            if mounting == next {
                mountings.push(key);
                hold.push(j.held);
            }
            if hold[mounting as usize] != j.held {
                return Err(OrderError::MixedHold { mounting: mounting as usize });
            }
            jobs.push(Job {
                mounting,
                measure_s: j.measure_s as f32,
                train_s: j.train_s as f32,
                temperature: j.temperature,
                supply: j.supply,
                rate: j.rate,
                held: j.held,
            });
        }
        Ok(Problem { bench, temperatures_c, mountings, jobs, rules: Rules::default() })
    }

    /// Adds rules. Errors: unknown mountings or jobs, precedences in a circle, held jobs without a hold
    /// temperature.
    pub fn with_rules(mut self, rules: Rules) -> Result<Problem, OrderError> {
        let n = self.mountings.len();
        let bad =
            |what, index: u32, count| OrderError::BadIndex { job: 0, what, index: index as usize, count };
        for &(a, b) in &rules.before {
            for m in [a, b] {
                if m as usize >= n {
                    return Err(bad("mounting", m, n));
                }
            }
        }
        if let Some(m) = rules.baseline.filter(|&m| m as usize >= n) {
            return Err(bad("baseline mounting", m, n));
        }
        if let Some((j, every)) = rules.reference {
            if j as usize >= self.jobs.len() {
                return Err(bad("reference job", j, self.jobs.len()));
            }
            if every == 0 {
                return Err(OrderError::BenchValue {
                    name: "the number of jobs between reference jobs",
                    value: 0.0,
                    unit: "jobs",
                    limit: "at least 1",
                });
            }
        }
        if let Some(t) = rules.hold_temperature.filter(|&t| usize::from(t) >= self.temperatures_c.len()) {
            return Err(bad("hold temperature", u32::from(t), self.temperatures_c.len()));
        }
        let mut pairs = rules.before.clone();
        if let Some(base) = rules.baseline {
            pairs.extend((0..n as u32).filter(|&m| m != base).map(|m| (base, m)));
        }
        if let Some(mountings) = circle(n, &pairs) {
            return Err(OrderError::Cycle { mountings });
        }
        self.rules = rules;
        self.check_hold()?;
        Ok(self)
    }

    pub(crate) fn check_hold(&self) -> Result<(), OrderError> {
        if self.rules.hold_temperature.is_none() && self.jobs.iter().any(|j| j.held) {
            return Err(OrderError::NoHoldTemperature);
        }
        Ok(())
    }

    pub fn bench(&self) -> &BenchTimes {
        &self.bench
    }

    /// The mountings, in order of first appearance in the input; the order's stretches index this list.
    pub fn mountings(&self) -> &[Mounting] {
        &self.mountings
    }

    pub fn mounting_of(&self, job: u32) -> Option<u32> {
        self.jobs.get(job as usize).map(|job| job.mounting)
    }

    /// Temperature of a job, degC; `None` for one that the problem does not have.
    pub fn temperature_of(&self, job: u32) -> Option<f64> {
        self.jobs.get(job as usize).map(|job| self.temp_c(job.temperature))
    }

    pub fn job_count(&self) -> usize {
        self.jobs.len()
    }

    pub(crate) fn temp_c(&self, t: u16) -> f64 {
        self.temperatures_c[usize::from(t)]
    }
}

/// A circle in the precedences, if there is one (depth-first search without recursion).
fn circle(n: usize, pairs: &[(u32, u32)]) -> Option<Vec<u32>> {
    let mut next: Vec<Vec<u32>> = vec![Vec::new(); n];
    for &(a, b) in pairs {
        next[a as usize].push(b);
    }
    let mut state = vec![0u8; n];
    for root in 0..n {
        if state[root] != 0 {
            continue;
        }
        let mut path: Vec<(u32, usize)> = vec![(root as u32, 0)];
        state[root] = 1;
        while let Some(&(v, k)) = path.last() {
            if let Some(&w) = next[v as usize].get(k) {
                if let Some(top) = path.last_mut() {
                    top.1 += 1;
                }
                match state[w as usize] {
                    0 => {
                        state[w as usize] = 1;
                        path.push((w, 0));
                    }
                    1 => {
                        let from = path.iter().position(|&(p, _)| p == w).unwrap_or(0);
                        return Some(path[from..].iter().map(|&(p, _)| p).collect());
                    }
                    _ => {}
                }
            } else {
                state[v as usize] = 2;
                path.pop();
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn job(module: u32, temperature: u16) -> JobInput {
        JobInput {
            module,
            channel: 0,
            mounting_number: 0,
            temperature,
            supply: 0,
            rate: 0,
            measure_s: 60.0,
            train_s: 1.0,
            held: false,
        }
    }

    #[test]
    fn impossible_benches_are_refused_by_name() {
        for ramp in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let e = BenchTimes { ramp_up_c_per_min: ramp, ..Default::default() }.check().unwrap_err();
            assert!(e.to_string().contains("upward ramp"), "{e}");
        }
        let e = BenchTimes { touch_safe_lo_c: 50.0, ..Default::default() }.check().unwrap_err();
        assert_eq!(e, OrderError::BandInverted { lo_c: 50.0, hi_c: 45.0 });
        let e = BenchTimes { hands_channel_min: 1.0, ..Default::default() }.check().unwrap_err();
        assert!(e.to_string().contains("channel"), "{e}");
        let e = Problem::new(BenchTimes::default(), vec![200.0], &[]).unwrap_err();
        assert!(e.to_string().contains("-55 to 150 °C"), "{e}");
        let e = Problem::new(BenchTimes::default(), vec![25.0], &[job(0, 1)]).unwrap_err();
        assert!(matches!(e, OrderError::BadIndex { .. }));
        let late = JobInput { measure_s: -1.0, ..job(0, 0) };
        assert!(matches!(
            Problem::new(BenchTimes::default(), vec![25.0], &[late]),
            Err(OrderError::BadDuration { .. })
        ));
    }

    #[test]
    fn circles_and_missing_hold_temperature_are_refused() {
        let jobs = [job(0, 0), job(1, 0), job(2, 0)];
        let p = Problem::new(BenchTimes::default(), vec![25.0], &jobs).unwrap();
        let rules = Rules { before: vec![(0, 1), (1, 2), (2, 0)], ..Default::default() };
        let Err(OrderError::Cycle { mountings }) = p.clone().with_rules(rules) else {
            panic!("no circle found")
        };
        assert_eq!(mountings.len(), 3);
        let rules = Rules { baseline: Some(2), before: vec![(0, 2)], ..Default::default() };
        assert!(matches!(p.clone().with_rules(rules), Err(OrderError::Cycle { .. })));
        assert!(p.with_rules(Rules { before: vec![(0, 1), (0, 2), (1, 2)], ..Default::default() }).is_ok());
        let held = [JobInput { held: true, ..job(0, 0) }];
        let p = Problem::new(BenchTimes::default(), vec![25.0], &held).unwrap();
        assert_eq!(p.with_rules(Rules::default()).unwrap_err(), OrderError::NoHoldTemperature);
    }

    #[test]
    fn a_job_stays_compact() {
        assert!(size_of::<Job>() <= 20, "{}", size_of::<Job>());
    }
}
