//! A run, round by round: everything at once, or what a search asks next, or what fits into the hours that are left. Simulated runs and
//! forecasts of hours go through the same rounds; who does the jobs differs.

use crate::console::exit::Failure;
use crate::run::hours::{HoursNote, HoursWalk};
use crate::run::pending::PendingJob;
use crate::run::progress::Doing;
use crate::run::rate_search::{RateSearch, Wanted, positions};
use crate::run::simulated_run::Kept;
use judge::Worth;
use schedule::JobSeconds;
use std::collections::HashSet;

/// Hears of a job that was done, with what it took (`None`: what was expected), and says what becomes of it.
pub type Heard<'h> = dyn FnMut(&PendingJob, Option<JobSeconds>) -> Kept + 'h;

/// Does what rounds ask for, and knows what came of it.
pub trait Worker {
    /// Was a stop asked for?
    fn is_stopped(&self) -> bool {
        false
    }

    /// Tells a search what the jobs say that it heard of.
    fn answer(&mut self, search: &mut RateSearch<'_>);

    /// Tells a search what the whole run says of its series that seem finished.
    fn answer_again(&mut self, search: &mut RateSearch<'_>);

    /// Jobs of the visit that is chosen now, empty at the end; `None` where the plan predicts nothing.
    ///
    /// # Errors
    /// Exit 74.
    fn visit(&mut self) -> Result<Option<Vec<PendingJob>>, Failure>;

    /// What conditions are worth by what is known.
    fn worths(&self) -> Vec<Worth>;

    /// What jobs took, by place.
    ///
    /// # Errors
    /// Exit 74.
    fn seconds(&self) -> Result<Vec<Option<JobSeconds>>, Failure>;

    /// A round of a run of hours begins.
    ///
    /// # Errors
    /// Exit 74.
    fn keep(&mut self, note: &HoursNote) -> Result<(), Failure>;

    /// The jobs at these places are not needed after all, or needed again.
    fn needs(&mut self, places: &[u64], needed: bool);

    /// Does jobs; where `in_order`, `heard` is told of them in their order.
    ///
    /// # Errors
    /// Exit 74; exit 6 where a target could not be made safe.
    fn does(&mut self, jobs: &[PendingJob], in_order: bool, heard: &mut Heard<'_>) -> Result<(), Failure>;
}

/// What is left to do, and by what it is chosen.
pub struct Rounds<'r, 'p> {
    pub search: Option<RateSearch<'p>>,
    pub hours: Option<&'r mut HoursWalk<'p>>,
    /// In the plan's order.
    pub left: Vec<PendingJob>,
    /// Where it is told how far the hours are used.
    pub said: Option<Doing>,
}

impl Rounds<'_, '_> {
    /// Goes through them until nothing is asked for, or nothing more ends in time.
    ///
    /// # Errors
    /// What the worker returns.
    pub fn run(&mut self, worker: &mut dyn Worker) -> Result<(), Failure> {
        while !worker.is_stopped() {
            if let Some(search) = &mut self.search {
                worker.answer(search);
            }
            self.take_up_again(worker);
            let mut now = self.next(worker)?;
            if let Some(search) = self.search.as_mut().filter(|_| now.is_empty()) {
                worker.answer_again(search);
                if self.take_up_again(worker) {
                    now = self.next(worker)?;
                }
            }
            if now.is_empty() {
                break;
            }
            let mut kept: HashSet<u64> = HashSet::new();
            let Rounds { hours, search, said, .. } = self;
            let in_order = hours.is_some();
            worker.does(&now, in_order, &mut |one, took| {
                let verdict = hours.as_mut().map_or(Kept::Yes, |hours| hours.hear(one, took));
                if let (Some(said), Some(hours)) = (&said, &hours) {
                    said.set(&hours.words());
                }
                if verdict == Kept::Yes {
                    kept.insert(one.position);
                    if let Some(search) = search {
                        search.hear(one);
                    }
                }
                verdict
            })?;
            if in_order {
                self.left.extend(now.iter().filter(|one| !kept.contains(&one.position)));
                self.left.sort_by_key(|one| one.position);
            }
        }
        Ok(())
    }

    /// What is done next: everything that is asked for, or what fits of it.
    fn next(&mut self, worker: &mut dyn Worker) -> Result<Vec<PendingJob>, Failure> {
        if let Some(search) = &mut self.search {
            worker.needs(&search.drop_unneeded(&mut self.left), false);
        }
        let visit = worker.visit()?;
        let now = match (visit, self.hours.is_some()) {
            (Some(visit), false) => visit,
            // Of what is chosen only what fits, and nothing else in its place.
            (Some(visit), true) if visit.is_empty() => visit,
            (Some(visit), true) => self.fitting((&visit, false), worker)?,
            (None, false) => {
                return Ok(match &mut self.search {
                    None => std::mem::take(&mut self.left),
                    Some(search) => search.take(&mut self.left),
                });
            }
            (None, true) => self.asked_and_fitting(worker)?,
        };
        let places: HashSet<u64> = now.iter().map(|one| one.position).collect();
        self.left.retain(|one| !places.contains(&one.position));
        Ok(now)
    }

    /// What is asked for now and fits.
    fn asked_and_fitting(&mut self, worker: &mut dyn Worker) -> Result<Vec<PendingJob>, Failure> {
        // Where a search waits for what does not fit any more, its first questions are asked without.
        for alone in [false, true] {
            let search = self.search.as_ref();
            let asked =
                |one: &&PendingJob| search.is_none_or(|search| search.wants(one, alone) == Wanted::Now);
            let candidates: Vec<PendingJob> = self.left.iter().filter(asked).copied().collect();
            let searches = search.is_some();
            let chosen = self.fitting((&candidates, searches), worker)?;
            if !chosen.is_empty() || !searches {
                return Ok(chosen);
            }
        }
        Ok(Vec::new())
    }

    fn fitting(
        &mut self,
        jobs: (&[PendingJob], bool),
        worker: &mut dyn Worker,
    ) -> Result<Vec<PendingJob>, Failure> {
        let Some(hours) = &mut self.hours else { return Ok(Vec::new()) };
        let known = (&worker.seconds()?[..], &worker.worths()[..]);
        hours.choose(jobs, known, |note| worker.keep(note))
    }

    /// Puts the jobs back among those that are left that a search needs again; says whether there are any.
    fn take_up_again(&mut self, worker: &mut dyn Worker) -> bool {
        let again = self.search.as_mut().map_or(Vec::new(), RateSearch::take_up_again);
        worker.needs(&positions(&again), true);
        self.left.extend_from_slice(&again);
        self.left.sort_by_key(|one| one.position);
        !again.is_empty()
    }
}
