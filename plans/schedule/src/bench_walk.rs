//! A bench walked job by job, as fast as a forecast says or as it has shown.

use super::calendar::{Calendar, DAY_MIN};
use super::cost::{Minutes, Standing, Walker};
use super::learned::{Learned, Work};
use super::model::{OrderError, Problem};
use super::observed::JobSeconds;

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

/// Hands that stay so long are always there.
const LASTING_MIN: f64 = 14.0 * DAY_MIN;

/// A bench walked job by job, with what each really took.
#[derive(Clone)]
pub struct Walk<'a> {
    walker: Walker<'a>,
    calendar: &'a Calendar,
    start_min: f64,
    last: Option<u32>,
}

impl<'a> Walk<'a> {
    /// From where a run stands. `last`: the job that was just measured in what is mounted, whose condition still holds.
    pub fn new(p: &'a Problem, from: Standing, last: Option<u32>, calendar: &'a Calendar) -> Walk<'a> {
        let mut walker = Walker::standing(p, from);
        if let Some(job) = last.filter(|job| (*job as usize) < p.jobs.len()) {
            walker.stands_after(job);
        }
        Walk { walker, calendar, start_min: from.now_min, last }
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

    /// Of the way here, waiting for attended hours, min.
    pub fn waited_min(&self) -> f64 {
        self.walker.cost.minutes.waiting
    }

    /// When hands that stay for a change of channel are there, so many minutes from now or later: from when, and until when at the
    /// latest such a change can begin, minutes from now; infinite where hands stay for two weeks.
    ///
    /// # Errors
    /// Attended hours that never come.
    pub fn hands_min(&self, after_min: f64) -> Result<(f64, f64), OrderError> {
        let need = self.walker.bench().attended_change_min(true);
        let now = self.now_min();
        let (from, end) = self.calendar.next_attended(now + after_min, need)?;
        let last = if end - from > LASTING_MIN { f64::INFINITY } else { end - need - now };
        Ok((from - now, last))
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
        self.walker.step_taking(job, seconds, &mut wait)?;
        self.last = Some(job);
        Ok(())
    }

    /// The job that was taken last, whose condition still holds.
    pub fn last(&self) -> Option<u32> {
        self.last
    }

    /// Where it stands.
    pub fn standing(&self) -> Standing {
        Standing { now_min: self.now_min(), mounted: self.walker.mounted, chamber_c: self.walker.chamber_c }
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
