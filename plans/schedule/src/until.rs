//! The most valuable jobs that fit before an end, the way back to where hands are safe included.
//!
//! A visit is what is done in one mounting without a change. Within a visit jobs are taken by what they are worth an hour of
//! everything they cost: hands, ramps and soak first, then themselves. Over visits the same holds, each visit with its own
//! steps of falling worth an hour, so that a second temperature of one setup competes with the first of another. What is left
//! of the time is filled job by job. Everything is a function of its arguments alone.

use super::calendar::Calendar;
use super::cost::{Minutes, Standing, Walker};
use super::learned::{Learned, Work};
use super::model::{OrderError, Problem};
use super::observed::JobSeconds;
use std::collections::BTreeMap;

/// A job that may be chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Index into the problem's jobs.
    pub job: u32,
    /// Jobs of one number are done in one mounting, one after the other.
    pub visit: u32,
    /// What it is worth, in any unit; above 0.
    pub value: f64,
}

/// How long work takes in units of what the problem says, by kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    pub hands: f64,
    pub up: f64,
    pub down: f64,
    pub soak: f64,
    pub measure: f64,
}

impl From<&Learned> for Pace {
    fn from(learned: &Learned) -> Pace {
        Pace {
            hands: learned.factor(Work::Hands),
            up: learned.factor(Work::Up),
            down: learned.factor(Work::Down),
            soak: learned.factor(Work::Soak),
            measure: learned.factor(Work::Measure),
        }
    }
}

impl Problem {
    /// What a job is expected to take; `None` for one that the problem does not have.
    pub fn seconds(&self, job: u32) -> Option<JobSeconds> {
        let job = self.jobs.get(job as usize)?;
        Some(JobSeconds { measuring_s: f64::from(job.measure_s), training_s: f64::from(job.train_s) })
    }

    /// The same problem on a bench that is so much slower.
    pub fn paced(&self, pace: &Pace) -> Problem {
        let mut paced = self.clone();
        for job in &mut paced.jobs {
            job.measure_s *= pace.measure as f32;
            job.train_s *= pace.measure as f32;
        }
        let bench = &mut paced.bench;
        bench.ramp_up_c_per_min /= pace.up;
        bench.ramp_down_c_per_min /= pace.down;
        for soak in
            [&mut bench.soak_s, &mut bench.settle_s, &mut bench.supply_change_s, &mut bench.rate_change_s]
        {
            *soak *= pace.soak;
        }
        for minutes in [&mut bench.hands_module_min, &mut bench.hands_channel_min] {
            *minutes *= pace.hands;
        }
        bench.boot_s *= pace.hands;
        bench.mounting_check_s *= pace.hands;
        paced
    }
}

/// A bench walked job by job, with what each really took.
#[derive(Clone)]
pub struct Walk<'a> {
    walker: Walker<'a>,
    calendar: &'a Calendar,
    start_min: f64,
}

impl<'a> Walk<'a> {
    /// From where a run stands. `last`: the job that was just measured in what is mounted, whose condition still holds.
    pub fn new(p: &'a Problem, from: Standing, last: Option<u32>, calendar: &'a Calendar) -> Walk<'a> {
        let mut walker = Walker::standing(p, from);
        if let Some(job) = last.filter(|job| (*job as usize) < p.jobs.len()) {
            walker.stands_after(job);
        }
        Walk { walker, calendar, start_min: from.now_min }
    }

    /// Now, min.
    pub fn now_min(&self) -> f64 {
        self.start_min + self.walker.cost.minutes.total()
    }

    /// When the bench would be back where hands are safe if nothing more were done, min.
    pub fn home_min(&self) -> f64 {
        let mut home = self.walker.clone();
        home.leave();
        self.start_min + home.cost.minutes.total()
    }

    /// What the walk would have taken if it went back there now.
    pub fn minutes_home(&self) -> Minutes {
        let mut home = self.walker.clone();
        home.leave();
        home.cost.minutes
    }

    /// When it would be back there after one more job, min; infinite where hands that it needs never come. `seconds`: what the job
    /// takes, where that is known better than by the problem.
    pub fn home_after_min(&self, job: u32, seconds: Option<JobSeconds>) -> f64 {
        let mut next = self.clone();
        if next.take(job, seconds).is_err() { f64::INFINITY } else { next.home_min() }
    }

    /// Does a job, with whatever it needs before it.
    ///
    /// # Errors
    /// Attended hours that never come.
    pub fn take(&mut self, job: u32, seconds: Option<JobSeconds>) -> Result<(), OrderError> {
        let (calendar, start_min) = (self.calendar, self.start_min);
        let mut wait = |now: f64, need: f64| {
            let ready = start_min + now;
            Ok(calendar.next_attended(ready, need)?.0 - ready)
        };
        self.walker.step_taking(job, seconds, &mut wait)
    }

    /// Where it stands once it is back where hands are safe.
    pub fn standing_at_home(&self) -> Standing {
        let mut home = self.walker.clone();
        home.leave();
        Standing {
            now_min: self.start_min + home.cost.minutes.total(),
            mounted: home.mounted,
            chamber_c: home.chamber_c,
        }
    }
}

/// What a choice has to keep.
#[derive(Debug, Clone, Copy)]
pub struct Until<'a> {
    /// Where the run stands.
    pub from: Standing,
    /// When the bench is to be back where hands are safe, min.
    pub end_min: f64,
    pub calendar: &'a Calendar,
    /// Somebody can change what is mounted, in attended hours.
    pub hands: bool,
}

/// Most jobs that are tried one by one for what is left of the time.
const MOST_FILLED: usize = 400;

/// Most steps that exchanges may walk.
const MOST_EXCHANGED: usize = 200_000;
/// Most visits of which each is tried as the first, and left out.
const MOST_TRIED: usize = 60;

/// Jobs of one visit that are taken together.
struct Increment {
    visit: usize,
    jobs: Vec<usize>,
    value: f64,
    minutes: f64,
}

impl Increment {
    fn worth(&self) -> f64 {
        self.value / self.minutes.max(1e-9)
    }
}

/// Which candidates to do, in the order to do them. `candidates`: in the order in which the plan would do them; jobs that the
/// problem does not have are left out. What the rules ask to come first is chosen whole before anything that follows it.
pub fn most_valuable(p: &Problem, candidates: &[Candidate], until: &Until<'_>) -> Vec<usize> {
    let empty = Choice::new(p, candidates, until);
    let mut steps: Vec<Increment> = (0..empty.visits.len()).flat_map(|visit| empty.steps(visit)).collect();
    // Stable: equal steps stay in the plan's order, and those of one visit in their own.
    steps.sort_by(|a, b| b.worth().total_cmp(&a.worth()));
    let mut best = empty.clone().by_worth(&steps, None, None);
    // What is worth most an hour may leave a gap that nothing fits into: another first visit, or none of it, may do better.
    if best.order.len() < candidates.len() && empty.visits.len() <= MOST_TRIED {
        for visit in 0..empty.visits.len() {
            for (first, without) in [(Some(visit), None), (None, Some(visit))] {
                let other = empty.clone().by_worth(&steps, first, without);
                if other.value() > best.value() * (1.0 + 1e-9) {
                    best = other;
                }
            }
        }
    }
    best.order
}

#[derive(Clone)]
struct Choice<'a> {
    p: &'a Problem,
    candidates: &'a [Candidate],
    until: &'a Until<'a>,
    /// Candidates of each visit, in order.
    visits: Vec<Vec<usize>>,
    /// The visit of each candidate; `None`: it cannot be chosen.
    visit_of: Vec<Option<usize>>,
    chosen: Vec<bool>,
    /// The chosen ones in order.
    order: Vec<usize>,
    /// The visit that is done last, where that is not the plan's.
    last: Option<usize>,
}

impl<'a> Choice<'a> {
    fn new(p: &'a Problem, candidates: &'a [Candidate], until: &'a Until<'a>) -> Choice<'a> {
        let mut numbers: BTreeMap<u32, usize> = BTreeMap::new();
        let mut visits: Vec<Vec<usize>> = Vec::new();
        let mut visit_of = vec![None; candidates.len()];
        for (at, candidate) in candidates.iter().enumerate() {
            let Some(job) = p.jobs.get(candidate.job as usize) else { continue };
            let reachable = until.hands || until.from.mounted == Some(job.mounting);
            if !reachable || candidate.value <= 0.0 || !candidate.value.is_finite() {
                continue;
            }
            let visit = *numbers.entry(candidate.visit).or_insert_with(|| {
                visits.push(Vec::new());
                visits.len() - 1
            });
            visits[visit].push(at);
            visit_of[at] = Some(visit);
        }
        let chosen = vec![false; candidates.len()];
        Choice { p, candidates, until, visits, visit_of, chosen, order: Vec::new(), last: None }
    }

    /// Takes steps by their worth, those of one visit first or none of it, and fills what is left.
    fn by_worth(mut self, steps: &[Increment], first: Option<usize>, without: Option<usize>) -> Self {
        let mut blocked = vec![false; self.visits.len()];
        without.into_iter().for_each(|visit| blocked[visit] = true);
        let mut open: Vec<bool> = vec![true; steps.len()];
        loop {
            let may =
                |at: &usize| open[*at] && !blocked[steps[*at].visit] && self.may_begin(steps[*at].visit);
            let next = (0..steps.len())
                .find(|at| Some(steps[*at].visit) == first && may(at))
                .or_else(|| (0..steps.len()).find(may));
            let Some(at) = next else { break };
            open[at] = false;
            if !self.add(&steps[at].jobs) {
                blocked[steps[at].visit] = true;
            }
        }
        self.fill();
        self.exchange();
        self
    }

    /// Puts jobs in the place of one that is worth less, where that ends in time.
    fn exchange(&mut self) {
        let mut tries = MOST_EXCHANGED / self.order.len().max(1);
        let mut left: Vec<usize> = (0..self.candidates.len())
            .filter(|at| !self.chosen[*at] && self.visit_of[*at].is_some())
            .collect();
        left.sort_by(|a, b| self.candidates[*b].value.total_cmp(&self.candidates[*a].value).then(a.cmp(b)));
        for more in left {
            let mut less = self.order.clone();
            less.sort_by(|a, b| {
                self.candidates[*a].value.total_cmp(&self.candidates[*b].value).then(a.cmp(b))
            });
            less.retain(|at| self.candidates[*at].value < self.candidates[more].value);
            for out in less {
                if tries == 0 || self.rules_bind() {
                    return;
                }
                tries -= 1;
                self.chosen[out] = false;
                if self.add(&[more]) {
                    break;
                }
                self.chosen[out] = true;
            }
        }
    }

    fn value(&self) -> f64 {
        self.order.iter().map(|at| self.candidates[*at].value).sum()
    }

    fn job(&self, at: usize) -> &super::model::Job {
        &self.p.jobs[self.candidates[at].job as usize]
    }

    fn mounting(&self, visit: usize) -> u32 {
        self.job(self.visits[visit][0]).mounting
    }

    fn own_s(&self, at: usize) -> f64 {
        f64::from(self.job(at).measure_s) + f64::from(self.job(at).train_s)
    }

    /// Worth by its own seconds, the highest first, then the plan's order.
    fn by_own_worth(&self, places: &mut [usize]) {
        let worth = |at: usize| self.candidates[at].value / self.own_s(at).max(1e-3);
        places.sort_by(|a, b| worth(*b).total_cmp(&worth(*a)).then(a.cmp(b)));
    }

    fn rules_bind(&self) -> bool {
        !self.p.rules.before.is_empty() || self.p.rules.baseline.is_some()
    }

    /// Is everything chosen that has to come before a visit?
    fn may_begin(&self, visit: usize) -> bool {
        if !self.rules_bind() {
            return true;
        }
        let (mounting, first) = (self.mounting(visit), self.visits[visit][0]);
        let rules = &self.p.rules;
        let before = |other: u32| {
            other != mounting && rules.baseline == Some(other) || rules.before.contains(&(other, mounting))
        };
        (0..first).all(|at| {
            let known = self.p.jobs.get(self.candidates[at].job as usize);
            self.chosen[at] || !known.is_some_and(|job| before(job.mounting))
        })
    }

    /// The steps of a visit, each worth less an hour than the one before.
    fn steps(&self, visit: usize) -> Vec<Increment> {
        let own = &self.visits[visit];
        let mounting = self.mounting(visit);
        let bench = &self.p.bench;
        let from = Standing {
            now_min: 0.0,
            mounted: self.until.from.mounted.filter(|mounted| *mounted == mounting),
            chamber_c: bench.nearest_touch_safe_c(self.until.from.chamber_c),
        };
        let minutes = |taken: &[bool], more: &[usize]| {
            let mut walker = Walker::standing(self.p, from);
            let mut with = vec![false; own.len()];
            more.iter().for_each(|place| with[*place] = true);
            for (place, at) in own.iter().enumerate() {
                if taken[place] || with[place] {
                    // Nothing is waited for, so nothing can fail.
                    let _ = walker.step(self.candidates[*at].job, &mut |_, _| Ok(0.0));
                }
            }
            walker.leave();
            walker.cost.minutes.total()
        };
        let mut by_temperature: BTreeMap<u16, Vec<usize>> = BTreeMap::new();
        for (place, at) in own.iter().enumerate() {
            by_temperature.entry(self.job(*at).temperature).or_default().push(place);
        }
        let mut blocks: Vec<Vec<usize>> = by_temperature.into_values().collect();
        for block in &mut blocks {
            let mut places: Vec<usize> = block.iter().map(|place| own[*place]).collect();
            self.by_own_worth(&mut places);
            let place_of: BTreeMap<usize, usize> =
                own.iter().enumerate().map(|(place, at)| (*at, place)).collect();
            *block = places.iter().map(|at| place_of[at]).collect();
        }
        let mut taken = vec![false; own.len()];
        let (mut spent, mut steps) = (0.0, Vec::<Increment>::new());
        while blocks.iter().any(|block| !block.is_empty()) {
            let mut best: Option<(f64, usize, usize, f64)> = None;
            for (number, block) in blocks.iter().enumerate().filter(|(_, block)| !block.is_empty()) {
                let sizes = (0..).map(|power| 1usize << power).take_while(|size| *size < block.len());
                for size in sizes.chain([block.len()]) {
                    let value: f64 =
                        block[..size].iter().map(|place| self.candidates[own[*place]].value).sum();
                    let after = minutes(&taken, &block[..size]);
                    let worth = value / (after - spent).max(1e-9);
                    if best.is_none_or(|(known, ..)| worth >= known) {
                        best = Some((worth, number, size, after));
                    }
                }
            }
            let Some((_, number, size, after)) = best else { break };
            let places: Vec<usize> = blocks[number].drain(..size).collect();
            places.iter().for_each(|place| taken[*place] = true);
            let jobs: Vec<usize> = places.iter().map(|place| own[*place]).collect();
            let value = jobs.iter().map(|at| self.candidates[*at].value).sum();
            steps.push(Increment { visit, jobs, value, minutes: (after - spent).max(0.0) });
            spent = after;
            // What is worth more an hour than what it needs before it is one step with it.
            while let [.., before, last] = &mut steps[..] {
                if last.worth() <= before.worth() {
                    break;
                }
                before.jobs.append(&mut last.jobs);
                before.value += last.value;
                before.minutes += last.minutes;
                steps.pop();
            }
        }
        steps
    }

    /// Chooses some more where they fit.
    fn add(&mut self, more: &[usize]) -> bool {
        more.iter().for_each(|at| self.chosen[*at] = true);
        match self.arranged() {
            Some((order, last)) => {
                (self.order, self.last) = (order, last);
                true
            }
            None => {
                more.iter().for_each(|at| self.chosen[*at] = false);
                false
            }
        }
    }

    /// The chosen ones in an order that ends in time, and which visit is last in it where that is not the plan's.
    fn arranged(&self) -> Option<(Vec<usize>, Option<usize>)> {
        let mut visits: Vec<usize> = (0..self.visits.len())
            .filter(|visit| self.visits[*visit].iter().any(|at| self.chosen[*at]))
            .collect();
        if !self.rules_bind() {
            // What is mounted needs no hands.
            visits.sort_by_key(|visit| Some(self.mounting(*visit)) != self.until.from.mounted);
        }
        let in_order = |last: Option<usize>| -> Option<Vec<usize>> {
            let mut visits = visits.clone();
            if let Some(last) = last {
                let place = visits.iter().position(|visit| *visit == last)?;
                let last = visits.remove(place);
                visits.push(last);
            }
            let order: Vec<usize> = visits
                .iter()
                .flat_map(|visit| self.visits[*visit].iter().copied().filter(|at| self.chosen[*at]))
                .collect();
            self.ends_in_time(&order).then_some(order)
        };
        if let Some(order) = in_order(self.last) {
            return Some((order, self.last));
        }
        // Where hands come and go, the setup that stays longest alone may be better as the last.
        if self.rules_bind() || *self.until.calendar == Calendar::always() {
            return None;
        }
        visits.iter().find_map(|last| Some((in_order(Some(*last))?, Some(*last))))
    }

    fn ends_in_time(&self, order: &[usize]) -> bool {
        let mut walk = Walk::new(self.p, self.until.from, None, self.until.calendar);
        for at in order {
            if walk.take(self.candidates[*at].job, None).is_err() || walk.now_min() > self.until.end_min {
                return false;
            }
        }
        walk.home_min() <= self.until.end_min
    }

    /// Fills what is left of the time, job by job.
    fn fill(&mut self) {
        let mut left: Vec<usize> = (0..self.candidates.len())
            .filter(|at| !self.chosen[*at] && self.visit_of[*at].is_some())
            .collect();
        self.by_own_worth(&mut left);
        for at in left.into_iter().take(MOST_FILLED) {
            if self.visit_of[at].is_some_and(|visit| self.may_begin(visit)) {
                self.add(&[at]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calendar::DAY_MIN;
    use crate::model::{BenchTimes, JobInput, Rules};
    use nightbench_core::random::SplitMix64;

    fn problem(modules: u32, temperatures: &[f64], rates: u16, measure_s: f64) -> Problem {
        let levels = 0..temperatures.len() as u16;
        let jobs: Vec<JobInput> = (0..modules)
            .flat_map(|module| levels.clone().map(move |temperature| (module, temperature)))
            .flat_map(|(module, temperature)| (0..rates).map(move |rate| (module, temperature, rate)))
            .map(|(module, temperature, rate)| JobInput {
                module,
                channel: 0,
                mounting_number: 0,
                temperature,
                supply: 0,
                rate,
                measure_s,
                train_s: 3.0,
                held: false,
            })
            .collect();
        Problem::new(BenchTimes::default(), temperatures.to_vec(), &jobs).unwrap()
    }

    fn from(p: &Problem) -> Standing {
        Standing { now_min: 0.0, mounted: None, chamber_c: p.bench.start_c }
    }

    fn candidates(p: &Problem, value: impl Fn(usize) -> f64) -> Vec<Candidate> {
        let visit = |job: usize| p.jobs[job].mounting;
        (0..p.jobs.len())
            .map(|job| Candidate { job: job as u32, visit: visit(job), value: value(job) })
            .collect()
    }

    fn home(p: &Problem, candidates: &[Candidate], order: &[usize], calendar: &Calendar) -> f64 {
        let mut walk = Walk::new(p, from(p), None, calendar);
        order.iter().for_each(|at| walk.take(candidates[*at].job, None).unwrap());
        walk.home_min()
    }

    /// Against the best of all subsets of twelve jobs.
    #[test]
    fn it_is_near_the_best_of_all_subsets() {
        let always = Calendar::always();
        let (mut sum, mut count) = (0.0, 0);
        for seed in 0..60 {
            let mut random = SplitMix64::new(seed);
            let mut uniform = || (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
            let mut p = problem(3, &[25.0, 85.0], 2, 60.0);
            p.jobs.iter_mut().for_each(|job| job.measure_s = 60.0 + 1800.0 * uniform() as f32);
            let values: Vec<f64> = (0..12).map(|_| 0.05 + uniform().powi(3)).collect();
            let all = candidates(&p, |job| values[job]);
            let end_min = 40.0 + 200.0 * uniform();
            let until = Until { from: from(&p), end_min, calendar: &always, hands: true };
            let order = most_valuable(&p, &all, &until);
            assert!(order.is_empty() || home(&p, &all, &order, &always) <= end_min);
            let worth = |places: &mut dyn Iterator<Item = usize>| places.map(|at| values[at]).sum::<f64>();
            let found = worth(&mut order.iter().copied());
            let mut best: f64 = 0.0;
            for set in 1u32..1 << 12 {
                let places: Vec<usize> = (0..12).filter(|at| set >> at & 1 == 1).collect();
                let value = worth(&mut places.iter().copied());
                if value > best && home(&p, &all, &places, &always) <= end_min {
                    best = value;
                }
            }
            if best > 0.0 {
                // Few large pieces are the worst case of taking what is worth most an hour: half of the best.
                assert!(found >= 0.5 * best, "seed {seed}: {found} of {best}");
                (sum, count) = (sum + found / best, count + 1);
            }
        }
        let mean = sum / f64::from(count);
        assert!(count > 50 && mean > 0.95, "{mean} over {count}");
    }

    #[test]
    fn what_is_worth_more_is_done_first_and_the_end_is_kept() {
        let p = problem(4, &[-20.0, 25.0, 85.0], 5, 120.0);
        let always = Calendar::always();
        // The third module is worth ten times the others.
        let all = candidates(&p, |job| if p.jobs[job].mounting == 2 { 10.0 } else { 1.0 });
        for hours in [1.0, 2.0, 4.0, 8.0, 16.0] {
            let until = Until { from: from(&p), end_min: 60.0 * hours, calendar: &always, hands: true };
            let order = most_valuable(&p, &all, &until);
            assert!(!order.is_empty() && home(&p, &all, &order, &always) <= 60.0 * hours);
            let first = order.iter().filter(|at| p.jobs[**at].mounting == 2).count();
            assert!(first * 2 > order.len() || first == 15, "{hours} h: {first} of {}", order.len());
            assert_eq!(order, most_valuable(&p, &all, &until), "the same question, the same answer");
        }
        let until = Until { from: from(&p), end_min: 1e6, calendar: &always, hands: true };
        assert_eq!(most_valuable(&p, &all, &until).len(), all.len(), "everything fits");
        let until = Until { from: from(&p), end_min: 1.0, calendar: &always, hands: true };
        assert!(most_valuable(&p, &all, &until).is_empty());
    }

    #[test]
    fn nobody_changes_what_is_mounted_outside_attended_hours() {
        let p = problem(3, &[25.0, 85.0], 5, 600.0);
        let all = candidates(&p, |_| 1.0);
        // From 8 to 17 every day; the run begins at 16:30 and has 15 hours: until 7:30.
        let day = Calendar::new(std::array::from_fn(|_| vec![(480, 1020)]), BTreeMap::new()).unwrap();
        let start = 16.5 * 60.0;
        let standing = Standing { now_min: start, mounted: Some(1), chamber_c: 25.0 };
        let until = Until { from: standing, end_min: start + 900.0, calendar: &day, hands: true };
        let order = most_valuable(&p, &all, &until);
        let mut walk = Walk::new(&p, standing, None, &day);
        let mut mounted = Some(1);
        for at in &order {
            walk.take(all[*at].job, None).unwrap();
            if mounted != Some(p.jobs[*at].mounting) {
                mounted = Some(p.jobs[*at].mounting);
                let begun = walk.now_min() % DAY_MIN;
                assert!((480.0..1110.0).contains(&begun), "a change at minute {begun}");
            }
        }
        assert!(walk.home_min() <= until.end_min && order.len() >= 10);
        // With nobody there at all only what is mounted is measured.
        let alone = most_valuable(&p, &all, &Until { hands: false, ..until });
        assert!(!alone.is_empty() && alone.iter().all(|at| p.jobs[*at].mounting == 1));
    }

    #[test]
    fn what_must_come_first_is_chosen_whole_before_what_follows() {
        let p = problem(3, &[25.0, 85.0], 4, 600.0);
        let p = p.with_rules(Rules { before: vec![(0, 1)], ..Rules::default() }).unwrap();
        let all = candidates(&p, |job| [0.01, 5.0, 1.0][p.jobs[job].mounting as usize]);
        let always = Calendar::always();
        for hours in [1.0, 2.0, 3.0, 4.0, 5.0] {
            let until = Until { from: from(&p), end_min: 60.0 * hours, calendar: &always, hands: true };
            let order = most_valuable(&p, &all, &until);
            let of = |mounting| order.iter().filter(|at| p.jobs[**at].mounting == mounting).count();
            assert!(of(1) == 0 || of(0) == 8, "{hours} h: {} before {}", of(0), of(1));
        }
    }

    #[test]
    fn a_condition_that_still_holds_costs_no_second_soak() {
        let p = problem(1, &[85.0], 3, 60.0);
        let always = Calendar::always();
        let standing = Standing { now_min: 0.0, mounted: Some(0), chamber_c: 85.0 };
        let after = |last| Walk::new(&p, standing, last, &always).home_after_min(1, None);
        let soak = (p.bench.soak_s + p.bench.settle_s + p.bench.supply_change_s) / 60.0;
        assert!((after(None) - after(Some(0)) - soak).abs() < 1e-9, "{} {}", after(None), after(Some(0)));
        let twice = JobSeconds { measuring_s: 120.0, training_s: 3.0 };
        let walk = Walk::new(&p, standing, Some(0), &always);
        assert!((walk.home_after_min(1, Some(twice)) - walk.home_after_min(1, None) - 1.0).abs() < 1e-9);
    }
}
