//! A run that is given hours: which jobs it does, when it has to be home, and what is noted of it.
//!
//! The choice is a function of plan, stored results and hours. On a bench the clock decides with it; a simulated run walks its own
//! bench time, job by job in the order chosen, so that a job that would not end in time is not kept whatever this computer did.

use crate::console::exit::{Exit, Failure};
use crate::console::terminal::duration;
use crate::forecast::Forecast;
use crate::forecast::walked_nights::{WalkedNight, next_begin_min};
use crate::run::held::{Held, held};
pub use crate::run::held::{seconds_of, spent};
use crate::run::known::Told;
use crate::run::pending::PendingJob;
use crate::run::simulated_run::Kept;
use crate::store::{Store, StoreReader};
use judge::judged::JudgedRun;
use judge::{Decides, Worth, worths};
use nightbench_core::events::Event;
use plan::Plan;
use plan::matrix::Factor;
use schedule::{
    Calendar, Candidate, JobSeconds, Pace, Problem, Rest, Standing, Until, Walk, Work, most_valuable,
};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap, HashSet};

const NOTE: &str = "hours";
/// Simulated runs of given hours before the last one.
const EARLIER: &str = "earlier runs of hours";

/// The hours a run is given: by the command line, by its plan, or the fewer of both; `None` where neither says any.
pub fn given(plan: &Plan, asked: Option<f64>) -> Option<f64> {
    match (asked, plan.bench_limits.most_hours) {
        (Some(asked), Some(most)) => Some(asked.min(most)),
        (asked, most) => asked.or(most),
    }
}

/// Where a plan allows fewer hours than are asked for, in words.
pub fn fewer_words(plan: &Plan, asked: Option<f64>) -> Option<String> {
    let (asked, most) = (asked?, plan.bench_limits.most_hours?);
    (most < asked)
        .then(|| format!("{asked} h are asked for, and `most_hours` of the plan allows {most} h: these hold"))
}

/// Jobs chosen together, in their order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Round {
    /// How long measuring takes in units of the forecast.
    pace: f64,
    /// Their places in the plan's order.
    jobs: Vec<u64>,
}

/// What a folder notes of the last run that was given hours.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct HoursNote {
    pub hours: f64,
    /// Where it began; a simulated run only.
    begin: Option<Begin>,
    rounds: Vec<Round>,
    /// It came to its end.
    over: bool,
    /// Places of the jobs that no time was left for.
    left: Vec<u64>,
    /// Of jobs that it measures again: their places, and the numbers of its attempts.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    again: BTreeMap<u64, u32>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Begin {
    now_min: f64,
    mounted: Option<u32>,
    chamber_c: f64,
}

impl HoursNote {
    /// Of a folder; `None` where its last run was given none.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn of(reader: &StoreReader) -> Result<Option<HoursNote>, Failure> {
        let noted = reader.noted(NOTE)?.filter(|text| !text.is_empty());
        noted
            .map(|text| {
                serde_json::from_str(&text).map_err(|error| {
                    Failure::new(Exit::Store, format!("the note of {NOTE} is damaged: {error}"))
                })
            })
            .transpose()
    }

    /// Of a run on a bench that begins.
    pub fn on_bench(hours: f64) -> HoursNote {
        HoursNote { hours, ..HoursNote::default() }
    }

    /// Notes it in the folder.
    ///
    /// # Errors
    /// Exit 74.
    pub fn keep(&self, store: &mut Store) -> Result<(), Failure> {
        let text =
            serde_json::to_string(self).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        store.note(NOTE, &text).map_err(Failure::from)
    }

    /// The run is over; these jobs (places) are left for want of time.
    ///
    /// # Errors
    /// Exit 74.
    pub fn end(mut self, store: &mut Store, mut left: Vec<u64>) -> Result<(), Failure> {
        left.sort_unstable();
        (self.over, self.left) = (true, left);
        self.keep(store)
    }

    /// A run without hours follows: what is left is left for another reason.
    ///
    /// # Errors
    /// Exit 74.
    pub fn forget(store: &mut Store, forecast: &Forecast) -> Result<(), Failure> {
        keep_as_earlier(store, forecast)?;
        match store.reader().noted(NOTE)? {
            Some(text) if !text.is_empty() => store.note(NOTE, "").map_err(Failure::from),
            _ => Ok(()),
        }
    }

    /// What its run's jobs took, by place, of what a folder holds; `None` where an earlier attempt still counts.
    fn took(&self, held: &[Option<Held>]) -> Vec<Option<JobSeconds>> {
        let own =
            |place: u64, one: &Held| self.again.get(&place).is_none_or(|attempt| one.attempt >= *attempt);
        let places = (0..).zip(held);
        places.map(|(place, one)| one.filter(|one| own(place, one)).map(|one| one.seconds)).collect()
    }

    /// Has its run come to its end?
    pub fn is_over(&self) -> bool {
        self.over
    }

    /// Where a simulated run of it began, min as the forecast counts; `None` on a bench.
    pub fn begin_min(&self) -> Option<f64> {
        self.begin.map(|begin| begin.now_min)
    }

    /// Were jobs left for want of time?
    pub fn leaves_something(&self) -> bool {
        !self.left.is_empty()
    }

    /// Marks the conditions of a judged run that no time was left for.
    pub fn mark(&self, run: &mut JudgedRun, forecast: &Forecast) {
        for place in &self.left {
            let job = usize::try_from(*place).ok().and_then(|place| forecast.jobs.get(place));
            if let Some(judged) = job.and_then(|job| run.conditions.get_mut(job.condition as usize)) {
                judged.leave_for_want_of_time(self.hours);
            }
        }
    }
}

/// A simulated run of given hours, as it is kept when another follows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Earlier {
    begin: Begin,
    jobs: Vec<u64>,
}

impl Earlier {
    /// What a note tells of its run; `None` on a bench, or where it did nothing.
    fn of(note: &HoursNote, held: &[Option<Held>]) -> Option<Earlier> {
        let seconds = note.took(held);
        let done = |place: &u64| usize::try_from(*place).ok().and_then(|at| *seconds.get(at)?).is_some();
        let jobs: Vec<u64> = note.rounds.iter().flat_map(|round| &round.jobs).copied().filter(done).collect();
        note.begin.filter(|_| !jobs.is_empty()).map(|begin| Earlier { begin, jobs })
    }
}

fn earlier(reader: &StoreReader) -> Result<Vec<Earlier>, Failure> {
    let noted = reader.noted(EARLIER)?;
    noted.map_or(Ok(Vec::new()), |text| {
        serde_json::from_str(&text)
            .map_err(|error| Failure::new(Exit::Store, format!("the note of {EARLIER} is damaged: {error}")))
    })
}

/// The run that a folder notes is over: another one follows, and its way out and home still counts.
fn keep_as_earlier(store: &mut Store, forecast: &Forecast) -> Result<(), Failure> {
    let Some(note) = HoursNote::of(store.reader())? else { return Ok(()) };
    let Some(one) = Earlier::of(&note, &held(forecast, store.reader())?) else { return Ok(()) };
    let mut all = earlier(store.reader())?;
    // It is kept once, whenever the next run was cut.
    if all.last() != Some(&one) {
        all.push(one);
    }
    let text = serde_json::to_string(&all).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
    store.note(EARLIER, &text).map_err(Failure::from)
}

/// Every simulated run of given hours in a folder, oldest first.
///
/// # Errors
/// Exit 74: the store cannot be read, or holds something else.
pub fn walked_nights(reader: &StoreReader, forecast: &Forecast) -> Result<Vec<WalkedNight>, Failure> {
    let (mut all, note) = (earlier(reader)?, HoursNote::of(reader)?);
    if let Some(note) = note {
        let last = Earlier::of(&note, &held(forecast, reader)?);
        all.extend(last.filter(|one| all.last() != Some(one)));
    }
    Ok(all.into_iter().map(|Earlier { begin, jobs }| WalkedNight { begin: standing(begin), jobs }).collect())
}

/// Jobs chosen for some hours.
pub struct Chosen {
    /// In the order to be done.
    pub jobs: Vec<PendingJob>,
    /// Where the bench would stand once it is back where hands are safe.
    pub home: Standing,
}

/// What a choice is made from.
#[derive(Clone, Copy)]
pub struct Choice<'a> {
    pub plan: &'a Plan,
    pub forecast: &'a Forecast,
    /// The forecast's problem on a bench as fast as this one.
    pub problem: &'a Problem,
    pub calendar: &'a Calendar,
    pub from: Standing,
    /// The job that was done last in what is mounted, whose condition still holds.
    pub last: Option<u32>,
    pub end_min: f64,
    /// Somebody can change what is mounted.
    pub hands: bool,
}

impl Choice<'_> {
    /// Chooses among jobs, which are in the plan's order, by what their conditions are worth.
    pub fn choose(&self, jobs: &[PendingJob], worths: &[Worth]) -> Chosen {
        let visits = self.visits();
        let candidates: Vec<Candidate> = jobs
            .iter()
            .map(|one| {
                let place = one.position as usize;
                // A repeat is worth its share of the verdict that all of them give.
                let share = self.plan.repeats.jobs().max(1) as f64;
                let value = worths.get(one.job.condition as usize).map_or(0.0, |worth| worth.value / share);
                Candidate { job: self.job(one), visit: visits.get(place).copied().unwrap_or(u32::MAX), value }
            })
            .collect();
        let Choice { from, last, end_min, calendar, hands, .. } = *self;
        let order = most_valuable(self.problem, &candidates, &Until { from, last, end_min, calendar, hands });
        let mut walk = Walk::new(self.problem, from, last, calendar);
        for at in &order {
            // It was walked when it was chosen.
            let _ = walk.take(candidates[*at].job, None);
        }
        Chosen { jobs: order.iter().map(|at| jobs[*at]).collect(), home: walk.standing_at_home() }
    }

    /// When hands come, min, where some of what is left would fit in time if they were there at any hour; `None` where that is not what it
    /// is left for.
    pub fn waits_for_hands(&self, left: &[PendingJob], worths: &[Worth]) -> Option<f64> {
        let (come, _) = self.calendar.next_attended(self.from.now_min, 0.0).ok()?;
        let always = Calendar::always();
        let helped = || !Choice { calendar: &always, ..*self }.choose(left, worths).jobs.is_empty();
        (come > self.from.now_min && helped()).then_some(come)
    }

    fn job(&self, one: &PendingJob) -> u32 {
        scheduled(self.forecast, one)
    }

    /// The number of the stretch of each place of the order.
    fn visits(&self) -> Vec<u32> {
        let mut visits = vec![u32::MAX; self.forecast.jobs.len()];
        for (number, stretch) in (0..).zip(self.forecast.stretches()) {
            visits[stretch.first..stretch.end].iter_mut().for_each(|visit| *visit = number);
        }
        visits
    }
}

/// A job as the ordering problem numbers it.
pub fn scheduled(forecast: &Forecast, one: &PendingJob) -> u32 {
    let place = usize::try_from(one.position).unwrap_or(usize::MAX);
    forecast.schedule.sequence.get(place).copied().unwrap_or(u32::MAX)
}

/// A pace at which only measuring differs.
pub fn measuring_at(pace: f64) -> Pace {
    Pace { hands: 1.0, up: 1.0, down: 1.0, soak: 1.0, measure: pace }
}

/// The hours of a simulated run.
pub struct SimulatedHours<'f> {
    plan: &'f Plan,
    forecast: &'f Forecast,
    note: HoursNote,
    from: Standing,
    walk: Walk<'f>,
    /// The forecast's problem at the pace of the present round.
    paced: Problem,
    over: bool,
    dropped: HashSet<u64>,
    /// Minutes that are expected after each of the jobs chosen, by place, the way home included.
    expected: HashMap<u64, f64>,
    /// The same now.
    left_min: f64,
    /// What is left of the round that an interrupted run had begun.
    resumed: Option<Vec<u64>>,
}

/// Where the next simulated run of a folder begins, by the note of the one before.
fn begin_after(plan: &Plan, forecast: &Forecast, before: Option<(Begin, Standing)>) -> Begin {
    let start_min = forecast.schedule.start_min;
    match before {
        None => Begin { now_min: start_min, mounted: None, chamber_c: forecast.problem.bench().start_c },
        Some((begin, home)) => {
            let now_min = next_begin_min(plan, begin.now_min, home.now_min);
            Begin { now_min, mounted: home.mounted, chamber_c: home.chamber_c }
        }
    }
}

fn standing(begin: Begin) -> Standing {
    Standing { now_min: begin.now_min, mounted: begin.mounted, chamber_c: begin.chamber_c }
}

/// Walks what a noted run has done; says where the walk ends, and what its last round has not come to.
fn walked<'f>(
    forecast: &'f Forecast,
    note: &HoursNote,
    begin: Begin,
    seconds: &[Option<JobSeconds>],
) -> (Walk<'f>, Vec<u64>) {
    let mut walk = Walk::new(&forecast.problem, standing(begin), None, &forecast.calendar);
    let took = |place: u64| seconds.get(usize::try_from(place).unwrap_or(usize::MAX)).copied().flatten();
    let mut not_reached = Vec::new();
    for round in &note.rounds {
        let last = round.jobs.iter().rposition(|place| took(*place).is_some());
        not_reached = round.jobs[last.map_or(0, |last| last + 1)..].to_vec();
        for place in &round.jobs {
            let job = usize::try_from(*place).ok().and_then(|at| forecast.schedule.sequence.get(at));
            if let (Some(seconds), Some(job)) = (took(*place), job) {
                // It was walked when it was done.
                let _ = walk.take(*job, Some(seconds));
            }
        }
    }
    (walk, not_reached)
}

/// Where a simulated run of a folder would begin now.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub fn next_begin(
    plan: &Plan,
    forecast: &Forecast,
    reader: Option<&StoreReader>,
) -> Result<Standing, Failure> {
    let note = reader.map(HoursNote::of).transpose()?.flatten();
    let before = match (note, reader) {
        (Some(note), Some(reader)) => match note.begin {
            Some(begin) => {
                let seconds = note.took(&held(forecast, reader)?);
                Some((begin, walked(forecast, &note, begin, &seconds).0.standing_at_home()))
            }
            None => None,
        },
        _ => None,
    };
    Ok(standing(begin_after(plan, forecast, before)))
}

impl<'f> SimulatedHours<'f> {
    /// Begins, or goes on where the same run was cut. `pending`: what is still to be done.
    ///
    /// # Errors
    /// Exit 74.
    pub fn begin(
        plan: &'f Plan,
        forecast: &'f Forecast,
        hours: f64,
        store: &mut Store,
        pending: &[PendingJob],
    ) -> Result<SimulatedHours<'f>, Failure> {
        let before = HoursNote::of(store.reader())?;
        let held = held(forecast, store.reader())?;
        if let Some(note) = before.clone().filter(|note| !note.over && note.hours.total_cmp(&hours).is_eq())
            && let Some(begin) = note.begin
        {
            let open: HashSet<u64> = pending.iter().map(|one| one.position).collect();
            let mut done = note.took(&held);
            // What is measured again counts as not done, whatever an earlier attempt took.
            for place in &open {
                done[usize::try_from(*place).unwrap_or(usize::MAX)] = None;
            }
            let (walk, mut resumed) = walked(forecast, &note, begin, &done);
            resumed.retain(|place| open.contains(place));
            let pace = note.rounds.last().map_or(1.0, |round| round.pace);
            return Ok(SimulatedHours {
                plan,
                forecast,
                from: standing(begin),
                walk,
                paced: forecast.problem.paced(&measuring_at(pace)),
                over: false,
                dropped: HashSet::new(),
                expected: HashMap::new(),
                left_min: 0.0,
                resumed: Some(resumed).filter(|places| !places.is_empty()),
                note,
            });
        }
        let before = before.and_then(|note| {
            let begin = note.begin?;
            Some((begin, walked(forecast, &note, begin, &note.took(&held)).0.standing_at_home()))
        });
        let begin = begin_after(plan, forecast, before);
        keep_as_earlier(store, forecast)?;
        let again = pending.iter().filter(|one| one.attempt > 1).map(|one| (one.position, one.attempt));
        let note = HoursNote { begin: Some(begin), again: again.collect(), ..HoursNote::on_bench(hours) };
        note.keep(store)?;
        Ok(SimulatedHours {
            plan,
            forecast,
            from: standing(begin),
            walk: Walk::new(&forecast.problem, standing(begin), None, &forecast.calendar),
            paced: forecast.problem.clone(),
            over: false,
            dropped: HashSet::new(),
            expected: HashMap::new(),
            left_min: 0.0,
            resumed: None,
            note,
        })
    }

    fn end_min(&self) -> f64 {
        self.from.now_min + 60.0 * self.note.hours
    }

    /// The jobs of the next round, in their order; empty where nothing fits any more. `judged` says what is known of the run; with
    /// `stretch_alone` the round ends with the first mounting and temperature.
    ///
    /// # Errors
    /// Exit 74.
    pub fn choose(
        &mut self,
        (jobs, stretch_alone): (&[PendingJob], bool),
        store: &mut Store,
        judged: impl FnOnce() -> JudgedRun,
    ) -> Result<Vec<PendingJob>, Failure> {
        if self.over {
            return Ok(Vec::new());
        }
        if let Some(places) = self.resumed.take() {
            let known: HashMap<u64, &PendingJob> = jobs.iter().map(|one| (one.position, one)).collect();
            let chosen: Vec<PendingJob> =
                places.iter().filter_map(|place| known.get(place).copied().copied()).collect();
            self.expect(&chosen);
            return Ok(chosen);
        }
        let open: Vec<PendingJob> =
            jobs.iter().filter(|one| !self.dropped.contains(&one.position)).copied().collect();
        let seconds = seconds_of(self.forecast, store.reader())?;
        let pace =
            self.forecast.observed(&seconds, None, Rest::AfterStop, None)?.learned.factor(Work::Measure);
        self.paced = self.forecast.problem.paced(&measuring_at(pace));
        let choice = self.choice();
        let mut chosen = choice.choose(&open, &worths(self.plan, &judged())).jobs;
        if stretch_alone {
            // What it finds may ask for more there, before what is mounted is taken out or its temperature left.
            let first = chosen.chunk_by(|a, b| {
                a.mounting() == b.mounting()
                    && a.condition.level(Factor::Temperature) == b.condition.level(Factor::Temperature)
            });
            let length = first.map(<[PendingJob]>::len).next().unwrap_or(0);
            chosen.truncate(length);
        }
        if !chosen.is_empty() {
            self.note.rounds.push(Round { pace, jobs: chosen.iter().map(|one| one.position).collect() });
            self.note.keep(store)?;
            self.expect(&chosen);
        }
        Ok(chosen)
    }

    /// From where it stands.
    fn choice(&self) -> Choice<'_> {
        Choice {
            plan: self.plan,
            forecast: self.forecast,
            problem: &self.paced,
            calendar: &self.forecast.calendar,
            from: self.walk.standing(),
            last: self.walk.last(),
            end_min: self.end_min(),
            hands: true,
        }
    }

    /// Works out what the jobs chosen are expected to take.
    fn expect(&mut self, chosen: &[PendingJob]) {
        let mut walk = self.walk.clone();
        let ends: Vec<(u64, f64)> = chosen
            .iter()
            .map(|one| {
                let job = scheduled(self.forecast, one);
                // It was walked when it was chosen.
                let _ = walk.take(job, self.paced.seconds(job));
                (one.position, walk.now_min())
            })
            .collect();
        let home_min = walk.home_min();
        self.left_min = home_min - self.walk.now_min();
        self.expected = ends.into_iter().map(|(place, end_min)| (place, home_min - end_min)).collect();
    }

    /// What is used of the hours, and what is left of what was chosen, in words.
    pub fn words(&self) -> String {
        format!(
            "bench time {} of the {} h of this run, about {} left of what is chosen, home by {} at the latest",
            duration((self.walk.now_min() - self.from.now_min) * 60.0),
            self.note.hours,
            duration(self.left_min * 60.0),
            self.forecast.clock(self.plan, self.end_min()),
        )
    }

    /// Hears of a job's result, in the order of the jobs.
    pub fn hear(&mut self, told: Told<'_>) -> Kept {
        let job = scheduled(self.forecast, told.job);
        let end_min = self.end_min();
        self.left_min = self.expected.get(&told.job.position).copied().unwrap_or(self.left_min);
        // It is begun where it is expected to end in time.
        let expected = self.paced.seconds(job);
        if self.walk.home_after_min(job, expected) > end_min {
            self.dropped.insert(told.job.position);
            return Kept::No;
        }
        let took = Some(spent(told.result.times));
        if self.walk.home_after_min(job, took) > end_min {
            // Cut: the time is used up, and it leaves nothing behind.
            self.over = true;
            return Kept::NoMore;
        }
        // What was just walked can be walked again.
        let _ = self.walk.take(job, took);
        Kept::Yes
    }

    /// The run is over, with jobs left for want of time; says so in words, where there are any.
    ///
    /// # Errors
    /// Exit 74.
    pub fn end(
        self,
        store: &mut Store,
        left: &[PendingJob],
        judged: &JudgedRun,
        utc: &str,
    ) -> Result<Option<String>, Failure> {
        let hours = self.note.hours;
        let choice = self.choice();
        let hands = choice
            .waits_for_hands(left, &worths(self.plan, judged))
            .map(|come| self.forecast.clock(self.plan, come));
        self.note.end(store, left.iter().map(|one| one.position).collect())?;
        if left.is_empty() {
            return Ok(None);
        }
        let event = Event::NoTimeLeft { hours, jobs: left.len() as u64, hands };
        store.append_event(utc, &event)?;
        Ok(Some(event.to_string()))
    }
}

/// What is learnt by some jobs: conditions by what they decide.
pub fn learnt(jobs: &[PendingJob], worths: &[Worth]) -> BTreeMap<Decides, usize> {
    let conditions: HashSet<u32> = jobs.iter().map(|one| one.job.condition).collect();
    let mut counts: BTreeMap<Decides, usize> = BTreeMap::new();
    for condition in conditions {
        if let Some(worth) = worths.get(condition as usize) {
            *counts.entry(worth.why).or_default() += 1;
        }
    }
    counts
}
