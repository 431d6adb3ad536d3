//! The hours of a simulated run, or of one that is foreseen, walked job by job until nothing more ends in time.

use super::choice::{Choice, ForHands, measuring_at, scheduled};
use super::note::{HoursNote, Round};
use crate::console::exit::Failure;
use crate::console::terminal::duration;
use crate::forecast::Forecast;
use crate::forecast::walked_nights::next_begin_min;
use crate::run::held::Held;
use crate::run::pending::PendingJob;
use crate::run::simulated_run::Kept;
use judge::Worth;
use plan::Plan;
use plan::matrix::Factor;
use schedule::{JobSeconds, Problem, Rest, Standing, Walk, Work};
use std::collections::{HashMap, HashSet};

/// Hours and how far they are walked.
pub struct HoursWalk<'f> {
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
    /// The same run was cut, and goes on.
    goes_on: bool,
}

impl<'f> HoursWalk<'f> {
    /// Begins, or goes on where the same run was cut. `before`: what the folder notes of its last run of hours; `held`: its results;
    /// `pending`: what is still to be done.
    pub fn begin(
        (plan, forecast): (&'f Plan, &'f Forecast),
        hours: f64,
        (before, held): (Option<HoursNote>, &[Option<Held>]),
        pending: &[PendingJob],
    ) -> HoursWalk<'f> {
        let same = |note: &&HoursNote| !note.is_over() && note.hours.total_cmp(&hours).is_eq();
        if let Some(note) = before.as_ref().filter(same) {
            let mut done = note.took(held);
            // What is measured again counts as not done, whatever an earlier attempt took.
            for one in pending {
                if let Some(slot) = usize::try_from(one.position).ok().and_then(|at| done.get_mut(at)) {
                    *slot = None;
                }
            }
            if let Some(night) = note.night(&done) {
                let open: HashSet<u64> = pending.iter().map(|one| one.position).collect();
                let mut resumed = note.not_reached(&done);
                resumed.retain(|place| open.contains(place));
                let pace = note.rounds.last().map_or(1.0, |round| round.pace);
                return HoursWalk {
                    from: night.begin,
                    walk: night.walk(forecast, &done),
                    paced: forecast.problem.paced(&measuring_at(pace)),
                    resumed: Some(resumed).filter(|places| !places.is_empty()),
                    goes_on: true,
                    ..HoursWalk::new((plan, forecast), note.clone(), night.begin)
                };
            }
        }
        let from = begin_after(plan, forecast, before.as_ref(), held);
        let again = pending.iter().filter(|one| one.attempt > 1).map(|one| (one.position, one.attempt));
        let note =
            HoursNote { begin: Some(from.into()), again: again.collect(), ..HoursNote::on_bench(hours) };
        HoursWalk::new((plan, forecast), note, from)
    }

    fn new((plan, forecast): (&'f Plan, &'f Forecast), note: HoursNote, from: Standing) -> HoursWalk<'f> {
        HoursWalk {
            plan,
            forecast,
            note,
            from,
            walk: Walk::new(&forecast.problem, from, None, &forecast.calendar),
            paced: forecast.problem.clone(),
            over: false,
            dropped: HashSet::new(),
            expected: HashMap::new(),
            left_min: 0.0,
            resumed: None,
            goes_on: false,
        }
    }

    /// Was the same run cut, and goes on?
    pub fn goes_on(&self) -> bool {
        self.goes_on
    }

    /// What a folder keeps of it.
    pub fn note(&self) -> &HoursNote {
        &self.note
    }

    /// Where it began.
    pub fn from(&self) -> Standing {
        self.from
    }

    /// Where it stands, its last job's condition still holding.
    pub fn standing(&self) -> Standing {
        self.walk.standing()
    }

    /// The forecast's problem on a bench as fast as this one.
    pub fn problem(&self) -> &Problem {
        &self.paced
    }

    /// When the bench has to be home, min.
    pub fn end_min(&self) -> f64 {
        self.from.now_min + 60.0 * self.note.hours
    }

    /// When it is back where hands are safe, if nothing more is done, min.
    pub fn home_min(&self) -> f64 {
        self.walk.home_min()
    }

    /// Of the way so far, waiting for attended hours, h.
    pub fn waited_h(&self) -> f64 {
        self.walk.waited_min() / 60.0
    }

    /// The jobs of the next round, in their order; empty where nothing fits any more. `seconds`: what jobs took, by place, as far as it is
    /// known; with `stretch_alone` the round ends with the first mounting and temperature. `keep` is handed what is to be noted before the
    /// round begins.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come; what `keep` returns.
    pub fn choose(
        &mut self,
        (jobs, stretch_alone): (&[PendingJob], bool),
        (seconds, worths): (&[Option<JobSeconds>], &[Worth]),
        keep: impl FnOnce(&HoursNote) -> Result<(), Failure>,
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
        let pace =
            self.forecast.observed(seconds, None, Rest::AfterStop, None)?.learned.factor(Work::Measure);
        self.paced = self.forecast.problem.paced(&measuring_at(pace));
        let mut chosen = self.choice().choose(&open, worths);
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
            keep(&self.note)?;
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

    /// Hears of a job's result, in the order of the jobs. `took`: `None` where the job takes what it is expected to.
    pub fn hear(&mut self, one: &PendingJob, took: Option<JobSeconds>) -> Kept {
        let job = scheduled(self.forecast, one);
        let end_min = self.end_min();
        self.left_min = self.expected.get(&one.position).copied().unwrap_or(self.left_min);
        // It is begun where it is expected to end in time.
        let expected = self.paced.seconds(job);
        if self.walk.home_after_min(job, expected) > end_min {
            self.dropped.insert(one.position);
            return Kept::No;
        }
        let took = took.or(expected);
        if self.walk.home_after_min(job, took) > end_min {
            // Cut: the time is used up, and it leaves nothing behind.
            self.over = true;
            return Kept::NoMore;
        }
        // What was just walked can be walked again.
        let _ = self.walk.take(job, took);
        Kept::Yes
    }

    /// What is left because nobody is there; `None` where that is not what it is left for.
    pub fn waits_for_hands(&self, left: &[PendingJob], worths: &[Worth]) -> Option<ForHands> {
        self.choice().waits_for_hands(left, worths)
    }

    /// The fewest hours in which something of what is left would be done, from where it stands, to a hundredth.
    pub fn least_hours(&self, left: &[PendingJob], worths: &[Worth]) -> Option<f64> {
        self.choice().least_hours(left, worths)
    }
}

/// Where the next simulated run of a folder begins, by the note of the one before.
fn begin_after(
    plan: &Plan,
    forecast: &Forecast,
    before: Option<&HoursNote>,
    held: &[Option<Held>],
) -> Standing {
    let night = before.and_then(|note| {
        let seconds = note.took(held);
        Some((note.night(&seconds)?, seconds))
    });
    match night {
        None => Standing {
            now_min: forecast.schedule.start_min,
            mounted: None,
            chamber_c: forecast.problem.bench().start_c,
        },
        Some((night, seconds)) => {
            let home = night.walk(forecast, &seconds).standing_at_home();
            Standing { now_min: next_begin_min(plan, night.begin.now_min, home.now_min), ..home }
        }
    }
}
