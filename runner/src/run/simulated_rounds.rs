//! The rounds of a simulated run: jobs are done by targets, and what they say decides what is asked next.

use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::run::held::held;
use crate::run::hours::{HandsNote, HoursNote, HoursWalk, keep_as_earlier, seconds_of, spent};
use crate::run::known::{Known, Told};
use crate::run::pending::PendingJob;
use crate::run::prediction::choosing::Visiting;
use crate::run::progress::Progress;
use crate::run::rate_search::{RateSearch, positions};
use crate::run::rounds::{Heard, Rounds, Worker};
use crate::run::simulated_run::{Hearer, Kept, Night, simulate_heard};
use crate::store::Store;
use contract::CancelToken;
use judge::{Worth, worths};
use nightbench_core::events::Event;
use schedule::JobSeconds;
use std::collections::HashSet;

/// What a simulated run does.
pub struct SimulatedRounds<'a, 'p> {
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

impl<'p> SimulatedRounds<'_, 'p> {
    /// Runs them. `utc` is asked for the time at the end. Says in words what was left of its hours' work.
    ///
    /// # Errors
    /// As [`simulate_heard`].
    pub fn run(
        self,
        night: &Night<'p>,
        store: &mut Store,
        cancel: &CancelToken,
        progress: &mut Progress<'_>,
        utc: impl FnOnce() -> String,
    ) -> Result<Option<String>, Failure> {
        let SimulatedRounds { forecast, all, pending, mut search, hours, visiting } = self;
        let mut known = Known::new(night.plan, &forecast.expansion);
        let chooses = search.is_some() || hours.is_some() || visiting.is_some();
        if chooses {
            known.read(night.dir, store.reader(), all)?;
            known.forget_all(pending);
        }
        if let Some(search) = &mut search {
            search.begin(&known);
        }
        let mut hours = match hours {
            Some(hours) => {
                let before = (HoursNote::of(store.reader())?, &held(forecast, store.reader())?[..]);
                let walk = HoursWalk::begin((night.plan, forecast), hours, before, pending);
                if !walk.goes_on() {
                    keep_as_earlier(store, forecast)?;
                    walk.note().keep(store)?;
                }
                Some(walk)
            }
            None => None,
        };
        let said = hours.as_ref().map(|hours| progress.in_hours(hours.note().hours, None));
        let mut rounds = Rounds { search, hours: hours.as_mut(), left: pending.to_vec(), said };
        let mut worker = OnTargets { night, forecast, store, cancel, progress, known, visiting, chooses };
        rounds.run(&mut worker)?;
        let OnTargets { store, progress, known, visiting, .. } = worker;
        let (mut left, mut still_to_come) = (rounds.left, None);
        if let Some(visiting) = &visiting {
            let predicted = visiting.not_chosen();
            if visiting.is_finished() {
                progress.not_needed(&positions(&predicted));
                let places: HashSet<u64> = predicted.iter().map(|one| one.position).collect();
                left.retain(|one| !places.contains(&one.position));
            } else {
                // The rest is predicted, as far as it is known now.
                still_to_come = Some(visiting.still_to_come(&known).len());
            }
        }
        let Some(hours) = hours.filter(|_| !cancel.is_cancelled()) else { return Ok(None) };
        progress.not_needed(&positions(&left));
        let waits = hours.waits_for_hands(&left, &worths(night.plan, &known.judged()));
        let waits = waits.map(|waits| HandsNote::new(forecast.clock(night.plan, waits.come_min), &waits));
        let given = hours.note().hours;
        hours.note().clone().end(store, positions(&left), waits.as_ref())?;
        if left.is_empty() {
            return Ok(None);
        }
        let jobs = still_to_come.unwrap_or(left.len()) as u64;
        let event = Event::NoTimeLeft { hours: given, jobs, hands: waits.map(|waits| waits.come) };
        store.append_event(&utc(), &event)?;
        Ok(Some(event.to_string()))
    }
}

/// Targets, one a thread, and the folder that their results go into.
struct OnTargets<'a, 'b, 'p, 'f> {
    night: &'a Night<'p>,
    forecast: &'p Forecast,
    store: &'a mut Store,
    cancel: &'a CancelToken,
    progress: &'a mut Progress<'f>,
    known: Known<'p>,
    visiting: Option<Visiting<'b>>,
    /// Something is chosen by what is known.
    chooses: bool,
}

impl Worker for OnTargets<'_, '_, '_, '_> {
    fn is_stopped(&self) -> bool {
        self.cancel.is_cancelled()
    }

    fn answer(&mut self, search: &mut RateSearch<'_>) {
        self.known.settle();
        search.settle(&self.known);
    }

    fn answer_again(&mut self, search: &mut RateSearch<'_>) {
        search.ask_again(&self.known, |_| true);
    }

    fn visit(&mut self) -> Result<Option<Vec<PendingJob>>, Failure> {
        self.known.settle();
        let Some(visiting) = &mut self.visiting else { return Ok(None) };
        visiting.next(&self.known, self.store).map(Some)
    }

    fn worths(&self) -> Vec<Worth> {
        worths(self.night.plan, &self.known.judged())
    }

    fn seconds(&self) -> Result<Vec<Option<JobSeconds>>, Failure> {
        seconds_of(self.forecast, self.store.reader())
    }

    fn keep(&mut self, note: &HoursNote) -> Result<(), Failure> {
        note.keep(self.store)
    }

    fn needs(&mut self, places: &[u64], needed: bool) {
        match needed {
            true => self.progress.needed_again(places),
            false => self.progress.not_needed(places),
        }
    }

    fn does(&mut self, jobs: &[PendingJob], in_order: bool, heard: &mut Heard<'_>) -> Result<(), Failure> {
        let OnTargets { night, store, cancel, progress, known, visiting, chooses, .. } = self;
        let mut hear = |told: Told<'_>| {
            let verdict = heard(told.job, Some(spent(told.result.times)));
            if verdict == Kept::Yes {
                if let Some(visiting) = visiting {
                    visiting.hear(told.job, told.result.times);
                }
                if *chooses {
                    known.hear(told);
                }
            }
            verdict
        };
        let hearer = Hearer { in_order, hear: &mut hear };
        simulate_heard(**night, jobs, store, cancel, progress, hearer).map(|_| ())
    }
}
