//! Which job comes next on a bench: what is mounted first, then what hands can mount, then what can go on without them.

use super::record::StretchSeconds;
use super::remaining::Remaining;
use crate::forecast::Forecast;
use crate::run::known::Known;
use crate::run::pending::{MountingId, PendingJob};
use crate::run::progress::Progress;
use crate::run::rate_search::{RateSearch, Wanted, positions};
use nightbench_core::events::Event;
use plan::Plan;
use schedule::{Calendar, Learned, Standing};

/// Who could change what is mounted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Staff {
    /// Nobody, for the whole run.
    Nobody,
    /// Somebody, but not at this hour.
    Away,
    /// Somebody, now.
    There,
}

/// What comes next.
pub(super) enum Step {
    /// A job of what is mounted.
    Job(Box<PendingJob>),
    /// A job of what is mounted that faulted before, once more.
    Again(Box<PendingJob>),
    /// The mounting of this job is to be made.
    Mount(Box<PendingJob>),
    /// So many jobs wait for hands, and nobody is there.
    WaitForHands(usize),
    /// Nothing is left.
    End,
}

/// The jobs that are left, and what is mounted.
pub(super) struct Queue<'f> {
    plan: &'f Plan,
    remaining: Remaining<'f>,
    mounted: Option<Mounted>,
    /// Jobs of what is mounted that faulted: they are tried once more before it is taken out.
    second_round: Vec<PendingJob>,
    /// Jobs of what is mounted go on out of their turn, because nobody is there to change it.
    out_of_turn: bool,
    /// Which jobs are asked for, where the plan searches for highest rates.
    search: Option<RateSearch<'f>>,
    /// Places of the jobs that the search left out, and took up again, since they were last told.
    not_needed: Vec<u64>,
    needed_again: Vec<u64>,
}

/// What is mounted, in the plan and in the ordering problem.
#[derive(Clone, Copy)]
struct Mounted {
    id: MountingId,
    scheduled: Option<u32>,
}

impl<'f> Queue<'f> {
    /// Everything is left and nothing is known to be mounted.
    pub fn new(
        plan: &'f Plan,
        forecast: &'f Forecast,
        pending: &[PendingJob],
        from: Standing,
        search: Option<RateSearch<'f>>,
    ) -> Queue<'f> {
        Queue {
            plan,
            remaining: Remaining::new(forecast, pending, from),
            mounted: None,
            second_round: Vec::new(),
            out_of_turn: false,
            search,
            not_needed: Vec::new(),
            needed_again: Vec::new(),
        }
    }

    /// A job is done and known: what it says decides which of the others are asked for. A series that it finishes is asked again at once, while
    /// everything still stands as it is.
    pub fn learn(&mut self, one: &PendingJob, known: &Known<'_>) {
        if let Some(search) = &mut self.search {
            search.hear(one);
            search.settle(known);
            search.ask_again_of(known, one);
        }
        self.take_up_again();
    }

    /// Asks the series again that seem finished, those of what is mounted or all; are jobs needed for that?
    pub fn ask_again(&mut self, known: &Known<'_>, mounted: bool) -> bool {
        let setup = self.mounted.map(|mounted| mounted.id);
        if let Some(search) = &mut self.search {
            search.ask_again(known, |condition| !mounted || setup.is_some_and(|id| id.is_of(condition)));
        }
        self.take_up_again()
    }

    fn take_up_again(&mut self) -> bool {
        let again = self.search.as_mut().map_or(Vec::new(), RateSearch::take_up_again);
        self.needed_again.extend(positions(&again));
        let needed = !again.is_empty();
        let mounted = self.mounted.map(|mounted| mounted.id);
        self.remaining.take_in(again, |one| Some(one.mounting()) == mounted);
        needed
    }

    /// Takes everything out, with what waits elsewhere, in the plan's order; what a search does not need is left out.
    pub fn take_all(&mut self, waiting: Vec<PendingJob>, known: &Known<'_>) -> Vec<PendingJob> {
        self.remaining.put_back(waiting);
        self.ask_again(known, false);
        self.leave_out_unneeded();
        let mut all: Vec<PendingJob> = self.remaining.jobs().copied().collect();
        all.sort_by_key(|one| one.position);
        self.remaining.replace(Vec::new());
        all
    }

    /// These jobs are to be done as well, in this order.
    pub fn take_in(&mut self, jobs: Vec<PendingJob>) {
        self.remaining.put_back(jobs);
    }

    /// The mounting in place.
    pub fn mounted_id(&self) -> Option<MountingId> {
        self.mounted.map(|mounted| mounted.id)
    }

    /// Only these jobs are left, in this order.
    pub fn follow(&mut self, jobs: Vec<PendingJob>) {
        self.remaining.replace(jobs);
    }

    /// Is a job asked for now? `alone`: where nothing else can be run before it.
    pub fn asks_for(&self, one: &PendingJob, alone: bool) -> bool {
        self.search.as_ref().is_none_or(|search| search.wants(one, alone) == Wanted::Now)
    }

    /// Is a job one of what is mounted?
    pub fn is_mounted(&self, one: &PendingJob) -> bool {
        self.mounted.is_some_and(|mounted| mounted.id == one.mounting())
    }

    /// Is the next job one of what is mounted?
    pub fn goes_on_mounted(&self) -> bool {
        let next = self.remaining.first().map(PendingJob::mounting);
        next.is_some() && next == self.mounted.map(|mounted| mounted.id)
    }

    /// How fast this bench has been.
    pub fn learned(&self) -> &Learned {
        self.remaining.learned()
    }

    /// Tells `progress` which jobs turned out not to be needed, and which are needed after all.
    pub fn tell_needs(&mut self, progress: &mut Progress<'_>) {
        progress.not_needed(&std::mem::take(&mut self.not_needed));
        progress.needed_again(&std::mem::take(&mut self.needed_again));
    }

    fn leave_out_unneeded(&mut self) {
        if let Some(search) = self.search.take() {
            let out = self.remaining.leave_out(|one| search.wants(one, false) == Wanted::Never);
            self.search = Some(search);
            self.lay_aside(out);
        }
    }

    fn lay_aside(&mut self, out: Vec<PendingJob>) {
        self.not_needed.extend(positions(&out));
        if let Some(search) = &mut self.search {
            search.lay_aside(out);
        }
    }

    /// The mounting in place, as the ordering problem counts it.
    pub fn scheduled(&self) -> Option<u32> {
        self.mounted.and_then(|mounted| mounted.scheduled)
    }

    /// The first job that is left of a setup.
    pub fn first_of_setup(&self, chip: &str, module: &str, channel: &str) -> Option<PendingJob> {
        let plan = self.plan;
        let same = |one: &&PendingJob| {
            one.condition.chip(plan).name == chip
                && one.condition.module(plan).name == module
                && one.condition.channel(plan).name == channel
        };
        self.remaining.jobs().find(same).copied()
    }

    /// The job of a mounting that asks least of it: slowest rate, touch-safe temperature, first supply.
    pub fn gentlest(&self, mounting: MountingId) -> Option<PendingJob> {
        let of_it = self.remaining.jobs().filter(|one| one.mounting() == mounting);
        of_it.min_by_key(|one| one.gentleness(self.plan)).copied()
    }

    /// The mounting of a job is in place.
    pub fn mounted(&mut self, one: &PendingJob) {
        self.mounted =
            Some(Mounted { id: one.mounting(), scheduled: self.remaining.scheduled_mounting(one) });
        self.out_of_turn = false;
    }

    /// What was mounted was taken out for something else.
    pub fn taken_out(&mut self) {
        self.mounted = None;
    }

    /// What is mounted is of no more use; its jobs that are left are taken out of the queue.
    pub fn unmount(&mut self) -> Vec<PendingJob> {
        self.second_round.clear();
        self.mounted.take().map_or(Vec::new(), |mounted| self.give_up(mounted.id))
    }

    /// Takes out every job of a mounting.
    pub fn give_up(&mut self, mounting: MountingId) -> Vec<PendingJob> {
        self.remaining.give_up(|one| one.mounting() == mounting)
    }

    /// A job that faulted is tried once more before what is mounted is taken out.
    pub fn try_later(&mut self, one: &PendingJob) {
        self.second_round.push(*one);
    }

    /// What comes next. `stretch` is what the present stretch took; `news` gets what is worth noting.
    pub fn next(
        &mut self,
        staff: Staff,
        standing: Standing,
        calendar: &Calendar,
        stretch: &mut StretchSeconds,
        news: &mut Vec<Event>,
    ) -> Step {
        self.leave_out_unneeded();
        let mounted = self.mounted.map(|mounted| mounted.id);
        let next = self.remaining.first().map(PendingJob::mounting);
        if mounted.is_some() && mounted == next {
            return self.take_mounted();
        }
        if let Some(mut one) = self.second_round.pop() {
            one.attempt += 1;
            return Step::Again(Box::new(one));
        }
        if next.is_none() {
            return Step::End;
        }
        if staff == Staff::Nobody {
            // Only what is mounted can be run: there is nothing to plan.
            if self.remaining.jobs().any(|one| Some(one.mounting()) == mounted) {
                return self.take_mounted();
            }
            return Step::WaitForHands(self.remaining.give_up(|_| true).len());
        }
        // A stretch ends here: what is left may be planned anew.
        self.remaining.stretch_ended(std::mem::take(stretch), standing);
        match self.remaining.plan_anew(standing, calendar) {
            Ok(None) => {}
            Ok(Some(change)) => news.push(Event::PlannedAnew { change }),
            // Hours that never come: what can be done without hands is done all the same, in the order as it is.
            Err(failure) => news.push(Event::OrderKept { why: failure.words }),
        }
        let Some(first) = self.remaining.first().copied() else { return Step::End };
        if mounted == Some(first.mounting()) {
            return self.take_mounted();
        }
        if staff == Staff::Away {
            // What is mounted goes on, wherever it stands in the order.
            let more = self
                .remaining
                .jobs()
                .any(|one| Some(one.mounting()) == mounted && !self.remaining.is_measured_again(one));
            if more {
                if !std::mem::replace(&mut self.out_of_turn, true) {
                    let wanted = first.mounting_by_name(self.plan);
                    let change = format!(
                        "outside attended hours: module {} on {} cannot be mounted now, what is mounted goes on",
                        wanted.module, wanted.channel
                    );
                    news.push(Event::PlannedAnew { change });
                }
                let again: Vec<[u8; 32]> = self
                    .remaining
                    .jobs()
                    .filter(|one| self.remaining.is_measured_again(one))
                    .map(|one| one.key)
                    .collect();
                return self.take_mounted_but(&again);
            }
        }
        Step::Mount(Box::new(first))
    }

    fn take_mounted(&mut self) -> Step {
        self.take_mounted_but(&[])
    }

    /// The first job of what is mounted that is asked for. Where all wait for others, the first that can be asked without them; what
    /// cannot is left out.
    fn take_mounted_but(&mut self, unwanted: &[[u8; 32]]) -> Step {
        let mounted = self.mounted.map(|mounted| mounted.id);
        let here = |one: &PendingJob| Some(one.mounting()) == mounted && !unwanted.contains(&one.key);
        let Some(search) = self.search.take() else { return self.take(here) };
        let mut step = Step::End;
        for alone in [false, true] {
            step = self.take(|one| here(one) && search.wants(one, alone) == Wanted::Now);
            if !matches!(step, Step::End) {
                break;
            }
        }
        self.search = Some(search);
        if matches!(step, Step::End) {
            let out = self.remaining.leave_out(|one| here(one));
            self.lay_aside(out);
        }
        step
    }

    fn take(&mut self, wanted: impl FnMut(&PendingJob) -> bool) -> Step {
        self.remaining.take(wanted).map_or(Step::End, |one| Step::Job(Box::new(one)))
    }
}
