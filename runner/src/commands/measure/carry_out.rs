//! Has the jobs measured: on a bench, or by the simulated target.

use crate::console::exit::Failure;
use crate::console::terminal::Terminal;
use crate::forecast::Forecast;
use crate::run::bench_run::{BenchEnd, BenchRun, BenchSession, Choosing, bench_hours};
use crate::run::execute::Executor;
use crate::run::hours::HoursNote;
use crate::run::known::Known;
use crate::run::mountings::check_mountings;
use crate::run::pending::PendingJob;
use crate::run::prediction::choosing::Visiting;
use crate::run::progress::Progress;
use crate::run::rate_search::RateSearch;
use crate::run::simulated_rounds::SimulatedRounds;
use crate::run::simulated_run::Night;
use crate::store::{Store, utc_text};
use contract::{CancelToken, Driver};
use plan::Plan;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::path::Path;
use std::sync::Arc;
use std::time::SystemTime;

/// What is measured.
pub struct Work<'a> {
    pub terminal: &'a Terminal,
    pub dir: &'a Path,
    pub plan: &'a Plan,
    pub forecast: &'a Forecast,
    /// Every job of the plan.
    pub all: &'a [PendingJob],
    /// Those that are to be done.
    pub pending: &'a [PendingJob],
    /// How far it has come.
    pub progress: Progress<'a>,
    /// Which jobs are asked for, where the plan searches.
    pub search: Option<RateSearch<'a>>,
    /// The bench hours it is given, if any.
    pub hours: Option<f64>,
    /// Chooses what is measured, where the plan predicts the rest.
    pub visiting: Option<Visiting<'a>>,
}

impl<'a> Work<'a> {
    /// On the bench of the session.
    ///
    /// # Errors
    /// Exit 5 when the bench refuses before the first job; exit 74.
    pub fn on_bench(
        self,
        session: BenchSession,
        executor: Executor<'a>,
        store: &mut Store,
        cancel: &CancelToken,
    ) -> Result<BenchEnd, Failure> {
        if let Some(hours) = self.hours {
            HoursNote::on_bench(hours).keep(store)?;
        }
        let before = bench_hours(store.reader())?;
        let at_work_s = 3600.0 * (before.total - before.waiting);
        let mut progress = self.progress;
        if let Some(hours) = self.hours {
            progress.in_hours(hours, Some(at_work_s));
        }
        let mut progress = progress.announced(None, Some(at_work_s));
        let choosing = match (self.search, self.hours, self.visiting) {
            (None, None, None) => None,
            (mut search, hours, visiting) => {
                let mut known = Known::new(self.plan, &self.forecast.expansion);
                known.read(self.dir, store.reader(), self.all)?;
                known.forget_all(self.pending);
                if let Some(search) = &mut search {
                    search.begin(&known);
                }
                Some(Choosing { known, search, hours, visiting })
            }
        };
        let run =
            BenchRun { plan: self.plan, forecast: self.forecast, executor, pending: self.pending, choosing };
        let ended = session.run(run, store, cancel, &mut progress);
        progress.finish();
        ended
    }

    /// By the simulated target. Says in words what no time was left for.
    ///
    /// # Errors
    /// Exit 74.
    pub fn simulated(
        self,
        options: SimulatedOptions,
        mut executor: Executor<'a>,
        threads: usize,
        store: &mut Store,
        cancel: &CancelToken,
    ) -> Result<Option<String>, Failure> {
        let checked = check_mountings(self.plan, &executor, &options, self.pending, threads, cancel)?;
        for note in &checked.notes {
            self.terminal.note(&format!("mounting check: {note}"));
        }
        executor.give_up(checked.given_up);
        let options = Arc::new(options);
        let open = || -> Box<dyn Driver> { Box::new(SimulatedTarget::new(Arc::clone(&options))) };
        let guess_s = self.guess_s(threads);
        let mut progress = self.progress;
        if let Some(hours) = self.hours {
            progress.in_hours(hours, None);
        }
        let mut progress = progress.announced(Some(guess_s), None);
        let night = Night { dir: self.dir, plan: self.plan, executor: &executor, open: &open, threads };
        let rounds = SimulatedRounds {
            forecast: self.forecast,
            all: self.all,
            pending: self.pending,
            search: self.search,
            hours: self.hours,
            visiting: self.visiting,
        };
        let left = rounds.run(&night, store, cancel, &mut progress, || utc_text(SystemTime::now()));
        progress.finish();
        left
    }

    /// Seconds that the jobs may take on this computer, before the first is done.
    fn guess_s(&self, threads: usize) -> f64 {
        let directions = self.plan.capture.directions.len() as f64;
        let lanes = |todo: &PendingJob| {
            let module = todo.condition.module(self.plan);
            module.lanes().iter().count() as f64 * f64::from(module.ranks) * directions
        };
        self.pending.iter().map(lanes).sum::<f64>() * LANE_S / threads.max(1) as f64
    }
}

/// Seconds of one core for a lane of one eye, where it was measured: before the first job is done there is nothing better.
const LANE_S: f64 = 0.004;
