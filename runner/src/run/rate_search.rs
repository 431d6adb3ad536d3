//! Which jobs a search for the highest rates asks next, of those that were selected.
//!
//! It goes by what conditions say by their own jobs. Where a series seems finished, [`RateSearch::ask_again`] has the verdicts asked
//! that the whole run stands behind; where they say something else, jobs that were laid aside are needed again.

use crate::run::known::Known;
use crate::run::pending::PendingJob;
use judge::highest_rate::{Answer, is_finished, next, start};
use plan::Plan;
use plan::expand::{Condition, Expansion};
use plan::highest_rate::{RateSeries, rate_series};
use std::collections::{HashMap, HashSet};

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
    /// Conditions with jobs that are heard and not yet asked what they say.
    heard: HashSet<u32>,
    series: Vec<RateSeries>,
    /// Series and place in it of each condition that is sought.
    places: HashMap<u32, (usize, usize)>,
    /// Conditions that are measured whatever the search says: they are measured again and again as a reference.
    always: HashSet<u32>,
    answers: Vec<Vec<Option<Answer>>>,
    /// Jobs that no series needed when they were looked at.
    aside: Vec<PendingJob>,
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
            heard: HashSet::new(),
            places: places.collect(),
            always: again.map(|one| one.job.condition).collect(),
            answers: series.iter().map(|one| vec![None; one.conditions.len()]).collect(),
            series,
            aside: Vec::new(),
        })
    }

    /// Takes everything that is known.
    pub fn begin(&mut self, known: &Known<'_>) {
        self.heard.clear();
        for (series, answers) in self.series.iter().zip(&mut self.answers) {
            for (condition, answer) in series.conditions.iter().zip(answers) {
                *answer = known.answer(*condition);
            }
        }
    }

    /// A job is known; [`RateSearch::settle`] has to follow before anything is asked.
    pub fn hear(&mut self, one: &PendingJob) {
        self.heard.insert(one.job.condition);
    }

    /// Works out what the jobs heard say.
    pub fn settle(&mut self, known: &Known<'_>) {
        for condition in std::mem::take(&mut self.heard) {
            if let Some((number, place)) = self.places.get(&condition) {
                self.answers[*number][*place] = known.answer(condition);
            }
        }
    }

    /// Takes the jobs heard to say what their series is begun by: rates up to its first one pass, faster ones fail. Returns the conditions
    /// with their answers.
    pub fn foretell(&mut self) -> Vec<(u32, Answer)> {
        let mut told = Vec::new();
        for condition in std::mem::take(&mut self.heard) {
            let Some((number, place)) = self.places.get(&condition).copied() else { continue };
            let answer = if place <= self.start(number) { Answer::Pass } else { Answer::Fail };
            told.push((condition, *self.answers[number][place].get_or_insert(answer)));
        }
        told
    }

    /// Has the verdicts asked that the whole run stands behind, of every series that seems finished and whose conditions are `of` some
    /// kind.
    pub fn ask_again(&mut self, known: &Known<'_>, of: impl Fn(&Condition) -> bool) {
        let meant = |number: &usize| {
            let first = self.series[*number].conditions[0];
            self.is_finished(*number) && of(&self.expansion.conditions[first as usize])
        };
        let numbers: Vec<usize> = (0..self.series.len()).filter(meant).collect();
        self.take_pooled(known, &numbers);
    }

    /// As [`RateSearch::ask_again`], of the series of a job alone.
    pub fn ask_again_of(&mut self, known: &Known<'_>, one: &PendingJob) {
        let number = self.places.get(&one.job.condition).map(|(number, _)| *number);
        if let Some(number) = number.filter(|number| self.is_finished(*number)) {
            self.take_pooled(known, &[number]);
        }
    }

    /// Takes the verdicts that the whole run stands behind for these series.
    fn take_pooled(&mut self, known: &Known<'_>, numbers: &[usize]) {
        let conditions: Vec<u32> =
            numbers.iter().flat_map(|number| &self.series[*number].conditions).copied().collect();
        if conditions.is_empty() {
            return;
        }
        let mut answers = known.pooled_answers(&conditions).into_iter();
        for number in numbers {
            self.answers[*number].iter_mut().zip(&mut answers).for_each(|(slot, answer)| *slot = answer);
        }
    }

    /// These jobs are not done, because no series needs them so far.
    pub fn lay_aside(&mut self, jobs: impl IntoIterator<Item = PendingJob>) {
        self.aside.extend(jobs);
    }

    /// The jobs laid aside that are asked for now after all, in the plan's order.
    pub fn take_up_again(&mut self) -> Vec<PendingJob> {
        let aside = std::mem::take(&mut self.aside);
        let (mut again, aside): (Vec<PendingJob>, Vec<PendingJob>) =
            aside.into_iter().partition(|one| self.wants(one, false) == Wanted::Now);
        self.aside = aside;
        again.sort_by_key(|one| one.position);
        again
    }

    /// Lays the jobs aside that no series needs any more; returns their places.
    pub fn drop_unneeded(&mut self, left: &mut Vec<PendingJob>) -> Vec<u64> {
        let (never, needed): (Vec<PendingJob>, Vec<PendingJob>) =
            left.iter().partition(|one| self.wants(one, false) == Wanted::Never);
        *left = needed;
        let places = positions(&never);
        self.lay_aside(never);
        places
    }

    /// Takes the jobs out that are asked now. Where all wait for jobs that are not among them, the first questions are asked without.
    pub fn take(&mut self, left: &mut Vec<PendingJob>) -> Vec<PendingJob> {
        for alone in [false, true] {
            let (now, later): (Vec<PendingJob>, Vec<PendingJob>) =
                left.iter().partition(|one| self.wants(one, alone) == Wanted::Now);
            *left = later;
            if !now.is_empty() {
                return now;
            }
        }
        Vec::new()
    }

    /// Places that a series asks next; empty when it is finished. `waits`: for the series that it follows.
    fn asked(&self, number: usize, waits: bool) -> Option<Vec<usize>> {
        let (series, answers) = (&self.series[number], &self.answers[number]);
        let begun = answers.iter().any(Option::is_some);
        if !begun && waits && series.follows.is_some_and(|before| !self.is_finished(before)) {
            return None;
        }
        Some(next(answers, self.start(number)))
    }

    /// The place that a series begins at.
    fn start(&self, number: usize) -> usize {
        let series = &self.series[number];
        let before = series.follows.map(|before| (&self.series[before], &self.answers[before][..]));
        start(self.plan, self.expansion, series, before)
    }

    fn is_finished(&self, number: usize) -> bool {
        is_finished(&self.answers[number])
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

/// Their places in the plan's order.
pub fn positions(jobs: &[PendingJob]) -> Vec<u64> {
    jobs.iter().map(|one| one.position).collect()
}
