//! Which jobs a search for the highest rates asks next, of those that were selected.

use crate::console::exit::Failure;
use crate::run::known::{Known, Told};
use crate::run::pending::PendingJob;
use crate::run::progress::Progress;
use crate::store::StoreReader;
use judge::highest_rate::{Answer, next, start};
use nightbench_core::results::JobResult;
use plan::Plan;
use plan::expand::Expansion;
use plan::highest_rate::{RateSeries, rate_series};
use std::collections::{HashMap, HashSet};
use std::path::Path;

/// What the search says of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    Now,
    /// Perhaps: its series, or the one that it follows, is not finished.
    Later,
    /// Its series is finished without it.
    Never,
}

/// A search for the highest rates of a plan, narrowed to the jobs selected.
pub struct RateSearch<'p> {
    plan: &'p Plan,
    expansion: &'p Expansion,
    known: Known<'p>,
    /// Conditions with jobs that are heard and not yet asked what they say.
    heard: HashSet<u32>,
    series: Vec<RateSeries>,
    /// Series and place in it of each condition that is sought.
    places: HashMap<u32, (usize, usize)>,
    /// Conditions that are measured whatever the search says: they are measured again and again as a reference.
    always: HashSet<u32>,
    answers: Vec<Vec<Option<Answer>>>,
}

impl<'p> RateSearch<'p> {
    /// The search of a plan; `None` where it measures every rate. `selected`: its jobs in the order they run.
    pub fn new(plan: &'p Plan, expansion: &'p Expansion, selected: &[PendingJob]) -> Option<RateSearch<'p>> {
        plan.highest_rate?;
        let series = rate_series(plan, expansion, selected.iter().map(|one| one.job.condition));
        let places = series.iter().enumerate().flat_map(|(number, one)| {
            one.conditions.iter().enumerate().map(move |(place, condition)| (*condition, (number, place)))
        });
        let again = selected.iter().filter(|one| one.job.repeat >= plan.repeats.repeats);
        Some(RateSearch {
            plan,
            expansion,
            known: Known::new(plan, expansion),
            heard: HashSet::new(),
            places: places.collect(),
            always: again.map(|one| one.job.condition).collect(),
            answers: series.iter().map(|one| vec![None; one.conditions.len()]).collect(),
            series,
        })
    }

    /// Takes everything that a folder holds.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn read(&mut self, dir: &Path, reader: &StoreReader, jobs: &[PendingJob]) -> Result<(), Failure> {
        self.known.read(dir, reader, jobs)?;
        self.heard.clear();
        for (series, answers) in self.series.iter().zip(&mut self.answers) {
            for (condition, answer) in series.conditions.iter().zip(answers) {
                *answer = self.known.answer(*condition);
            }
        }
        Ok(())
    }

    /// Takes a job; [`RateSearch::settle`] has to follow before anything is asked.
    pub fn hear(&mut self, told: Told<'_>) {
        self.known.hear(told);
        self.heard.insert(told.job.job.condition);
    }

    /// Takes a job that is at hand as a whole, and works out what it says.
    pub fn hear_whole(&mut self, one: &PendingJob, result: &JobResult) {
        let summary = self.known.summary(one, result);
        self.hear(Told { job: one, result, summary: &summary });
        self.settle();
    }

    /// Works out what the jobs heard say.
    pub fn settle(&mut self) {
        if self.heard.is_empty() {
            return;
        }
        self.known.settle();
        for condition in std::mem::take(&mut self.heard) {
            if let Some((number, place)) = self.places.get(&condition) {
                self.answers[*number][*place] = self.known.answer(condition);
            }
        }
    }

    /// The result of a job does not count any more.
    pub fn forget(&mut self, one: &PendingJob) {
        self.known.forget(one);
    }

    /// Takes the jobs out that no series needs any more, which `progress` hears of.
    pub fn drop_unneeded(&self, left: &mut Vec<PendingJob>, progress: &mut Progress<'_>) {
        let mut never = Vec::new();
        left.retain(|one| {
            let needed = self.wants(one, false) != Wanted::Never;
            if !needed {
                never.push(one.position);
            }
            needed
        });
        progress.not_needed(&never);
    }

    /// Takes the jobs out that are asked now, and those that no series needs any more, which `progress` hears of. Where all wait
    /// for jobs that are not among them, the first questions are asked without.
    pub fn take(&self, left: &mut Vec<PendingJob>, progress: &mut Progress<'_>) -> Vec<PendingJob> {
        let mut now = Vec::new();
        for alone in [false, true] {
            let mut never = Vec::new();
            left.retain(|one| match self.wants(one, alone) {
                Wanted::Now => {
                    now.push(*one);
                    false
                }
                Wanted::Later => true,
                Wanted::Never => {
                    never.push(one.position);
                    false
                }
            });
            progress.not_needed(&never);
            if !now.is_empty() || left.is_empty() {
                break;
            }
        }
        now
    }

    /// Places that a series asks next; empty when it is finished. `waits`: for the series that it follows.
    fn asked(&self, number: usize, waits: bool) -> Option<Vec<usize>> {
        let (series, answers) = (&self.series[number], &self.answers[number]);
        let before = series.follows.map(|before| (&self.series[before], &self.answers[before][..]));
        let begun = answers.iter().any(Option::is_some);
        if !begun && waits && series.follows.is_some_and(|before| !self.is_finished(before)) {
            return None;
        }
        Some(next(answers, start(self.plan, self.expansion, series, before)))
    }

    fn is_finished(&self, number: usize) -> bool {
        let answers = &self.answers[number];
        answers.iter().any(Option::is_some) && next(answers, 0).is_empty()
    }

    /// What is to become of a job that is not done. `alone`: nothing else can be run before it, so that nothing is waited for.
    pub fn wants(&self, one: &PendingJob, alone: bool) -> Wanted {
        let condition = one.job.condition;
        let Some((number, place)) = self.places.get(&condition).copied() else { return Wanted::Now };
        if self.always.contains(&condition) {
            return Wanted::Now;
        }
        let answered = self.answers[number][place].is_some();
        match self.asked(number, !alone) {
            // Further mountings repeat what was asked.
            Some(asked) if asked.is_empty() => {
                if answered {
                    Wanted::Now
                } else {
                    Wanted::Never
                }
            }
            Some(asked) if asked.contains(&place) && (one.job.mounting == 0 || alone) => Wanted::Now,
            _ => Wanted::Later,
        }
    }
}
