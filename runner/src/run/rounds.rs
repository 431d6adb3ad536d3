//! A simulated run, round by round: everything at once, or what a search asks next, or what fits into the hours that are left.

use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::run::hours::SimulatedHours;
use crate::run::known::{Known, Told};
use crate::run::pending::PendingJob;
use crate::run::progress::Progress;
use crate::run::rate_search::{RateSearch, Wanted};
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
        if let Some(search) = &mut self.search {
            search.read(night.dir, store.reader(), self.all)?;
        }
        let mut known = Known::new(night.plan, &self.forecast.expansion);
        let mut hours = match self.hours {
            Some(hours) => {
                known.read(night.dir, store.reader(), self.all)?;
                Some(SimulatedHours::begin(night.plan, self.forecast, hours, store, self.pending)?)
            }
            None => None,
        };
        while !cancel.is_cancelled() {
            let now = match &mut hours {
                None => self.next(&mut left, progress),
                Some(hours) => self.next_that_fits(&mut left, hours, &mut known, store, progress)?,
            };
            if now.is_empty() {
                break;
            }
            let mut kept: HashSet<u64> = HashSet::new();
            let in_order = hours.is_some();
            let mut hear = |told: Told<'_>| {
                let verdict = hours.as_mut().map_or(Kept::Yes, |hours| hours.hear(told));
                if verdict == Kept::Yes {
                    kept.insert(told.job.position);
                    if let Some(search) = &mut self.search {
                        search.hear(told);
                    }
                    if in_order {
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
        match hours {
            Some(hours) if !cancel.is_cancelled() => {
                progress.not_needed(&left.iter().map(|one| one.position).collect::<Vec<u64>>());
                hours.end(store, &left, &utc())
            }
            _ => Ok(None),
        }
    }

    fn next(&mut self, left: &mut Vec<PendingJob>, progress: &mut Progress<'_>) -> Vec<PendingJob> {
        match &mut self.search {
            None => std::mem::take(left),
            Some(search) => {
                search.settle();
                search.take(left, progress)
            }
        }
    }

    fn next_that_fits(
        &mut self,
        left: &mut Vec<PendingJob>,
        hours: &mut SimulatedHours<'_>,
        known: &mut Known<'_>,
        store: &mut Store,
        progress: &mut Progress<'_>,
    ) -> Result<Vec<PendingJob>, Failure> {
        known.settle();
        if let Some(search) = &mut self.search {
            search.settle();
            search.drop_unneeded(left, progress);
        }
        let mut chosen = Vec::new();
        // Where a search waits for what does not fit any more, its first questions are asked without.
        for alone in [false, true] {
            let search = self.search.as_ref();
            let asked =
                |one: &&PendingJob| search.is_none_or(|search| search.wants(one, alone) == Wanted::Now);
            let candidates: Vec<PendingJob> = left.iter().filter(asked).copied().collect();
            chosen = hours.choose(&candidates, store, || known.judged())?;
            if !chosen.is_empty() || search.is_none() {
                break;
            }
        }
        let places: HashSet<u64> = chosen.iter().map(|one| one.position).collect();
        left.retain(|one| !places.contains(&one.position));
        Ok(chosen)
    }
}
