//! A simulated run, round by round: everything at once, or what a search asks next, or what fits into the hours that are left.

use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::run::hours::SimulatedHours;
use crate::run::known::{Known, Told};
use crate::run::pending::PendingJob;
use crate::run::prediction::choosing::Visiting;
use crate::run::progress::Progress;
use crate::run::rate_search::{RateSearch, Wanted, positions};
use crate::run::simulated_run::{Hearer, Kept, Night, simulate_heard};
use crate::store::Store;
use contract::CancelToken;
use std::collections::HashSet;

/// What a simulated run does.
pub struct Rounds<'a, 'p> {
    pub forecast: &'p Forecast,
    /// Every job of the plan.
    pub all: &'a [PendingJob],
    /// Those that are to be done.
    pub pending: &'a [PendingJob],
    pub search: Option<RateSearch<'p>>,
    /// The hours it is given, if any.
    pub hours: Option<f64>,
    /// Chooses what is measured, where the plan predicts the rest.
    pub visiting: Option<Visiting<'a>>,
}

impl<'p> Rounds<'_, 'p> {
    /// Runs them. `utc` is asked for the time at the end. Says in words what no time was left for.
    ///
    /// # Errors
    /// As [`simulate_heard`].
    pub fn run(
        mut self,
        night: &Night<'p>,
        store: &mut Store,
        cancel: &CancelToken,
        progress: &mut Progress<'_>,
        utc: impl FnOnce() -> String,
    ) -> Result<Option<String>, Failure> {
        let mut left = self.pending.to_vec();
        let mut known = Known::new(night.plan, &self.forecast.expansion);
        let chooses = self.search.is_some() || self.hours.is_some() || self.visiting.is_some();
        if chooses {
            known.read(night.dir, store.reader(), self.all)?;
            known.forget_all(self.pending);
        }
        if let Some(search) = &mut self.search {
            search.begin(&known);
        }
        let mut hours = match self.hours {
            Some(hours) => {
                Some(SimulatedHours::begin(night.plan, self.forecast, hours, store, self.pending)?)
            }
            None => None,
        };
        let tonight = self.hours.map(|hours| progress.in_hours(hours, None));
        let tell = |hours: &Option<SimulatedHours<'_>>| {
            if let (Some(tonight), Some(hours)) = (&tonight, hours) {
                tonight.set(&hours.words());
            }
        };
        while !cancel.is_cancelled() {
            known.settle();
            if let Some(search) = &mut self.search {
                search.settle(&known);
                take_up_again(search, &mut left, progress);
            }
            let mut now = self.next(&mut left, &mut hours, &known, store, progress)?;
            if let Some(search) = self.search.as_mut().filter(|_| now.is_empty()) {
                search.ask_again(&known, |_| true);
                if take_up_again(search, &mut left, progress) {
                    now = self.next(&mut left, &mut hours, &known, store, progress)?;
                }
            }
            if now.is_empty() {
                break;
            }
            let mut kept: HashSet<u64> = HashSet::new();
            let in_order = hours.is_some();
            let mut hear = |told: Told<'_>| {
                let verdict = hours.as_mut().map_or(Kept::Yes, |hours| hours.hear(told));
                tell(&hours);
                if verdict == Kept::Yes {
                    kept.insert(told.job.position);
                    if let Some(search) = &mut self.search {
                        search.hear(told.job);
                    }
                    if let Some(visiting) = &mut self.visiting {
                        visiting.hear(told.job, told.result.times);
                    }
                    if chooses {
                        known.hear(told);
                    }
                }
                verdict
            };
            let hearer = Hearer { in_order, hear: &mut hear };
            simulate_heard(*night, &now, store, cancel, progress, hearer)?;
            if hours.is_some() {
                left.extend(now.iter().filter(|one| !kept.contains(&one.position)));
                left.sort_by_key(|one| one.position);
            }
        }
        if let Some(visiting) = self.visiting.filter(Visiting::is_finished) {
            let predicted = visiting.not_chosen();
            progress.not_needed(&positions(&predicted));
            let places: HashSet<u64> = predicted.iter().map(|one| one.position).collect();
            left.retain(|one| !places.contains(&one.position));
        }
        match hours {
            Some(hours) if !cancel.is_cancelled() => {
                progress.not_needed(&positions(&left));
                hours.end(store, &left, &known.judged(), &utc())
            }
            _ => Ok(None),
        }
    }

    /// What is done next: everything that is asked for, or what fits of it.
    fn next(
        &mut self,
        left: &mut Vec<PendingJob>,
        hours: &mut Option<SimulatedHours<'_>>,
        known: &Known<'_>,
        store: &mut Store,
        progress: &mut Progress<'_>,
    ) -> Result<Vec<PendingJob>, Failure> {
        let Some(hours) = hours else {
            if let Some(visiting) = &mut self.visiting {
                let now = visiting.next(known, store)?;
                take_out(left, &now);
                return Ok(now);
            }
            return Ok(match &mut self.search {
                None => std::mem::take(left),
                Some(search) => search.take(left, progress),
            });
        };
        if let Some(search) = &mut self.search {
            search.drop_unneeded(left, progress);
        }
        if let Some(visiting) = &mut self.visiting {
            // Of what is chosen only what fits, and nothing else in its place.
            let due = visiting.next(known, store)?;
            let now =
                if due.is_empty() { due } else { hours.choose((&due, false), store, || known.judged())? };
            take_out(left, &now);
            return Ok(now);
        }
        let mut chosen = Vec::new();
        // Where a search waits for what does not fit any more, its first questions are asked without.
        for alone in [false, true] {
            let search = self.search.as_ref();
            let asked =
                |one: &&PendingJob| search.is_none_or(|search| search.wants(one, alone) == Wanted::Now);
            let candidates: Vec<PendingJob> = left.iter().filter(asked).copied().collect();
            chosen = hours.choose((&candidates, search.is_some()), store, || known.judged())?;
            if !chosen.is_empty() || search.is_none() {
                break;
            }
        }
        take_out(left, &chosen);
        Ok(chosen)
    }
}

/// Takes the jobs out of what is left that are done now.
fn take_out(left: &mut Vec<PendingJob>, now: &[PendingJob]) {
    let places: HashSet<u64> = now.iter().map(|one| one.position).collect();
    left.retain(|one| !places.contains(&one.position));
}

/// Puts the jobs back among those that are left that a search needs again; says whether there are any.
fn take_up_again(
    search: &mut RateSearch<'_>,
    left: &mut Vec<PendingJob>,
    progress: &mut Progress<'_>,
) -> bool {
    let again = search.take_up_again();
    progress.needed_again(&positions(&again));
    left.extend_from_slice(&again);
    left.sort_by_key(|one| one.position);
    !again.is_empty()
}
