//! From stored results to verdicts: feed every job to a [`Judge`], then let it [`Judge::judge`], by as many sets of
//! limits as wanted.
//!
//! One job's counts become an eye summary ([`eye_summary`], on any thread), the jobs of a condition are aggregated, each
//! metric of each lane is judged with its budget ([`budget`]), and the worst lane gives the verdict. [`judged`] is what
//! pages and exports are made from; [`audit`] is what a reviewer asks beyond the verdicts.

#![warn(clippy::print_stdout, clippy::print_stderr)]

mod aggregate;
pub mod agreement;
mod as_read;
mod assumed;
pub mod audit;
mod between_lanes;
pub mod budget;
pub mod causes;
mod centring;
mod chart;
pub mod comparison;
pub mod correlation;
mod details;
mod distributions;
mod doubt;
mod effects;
pub mod eye_summary;
pub mod gonogo;
pub mod highest_rate;
pub mod judged;
mod picture;
mod predicted;
pub mod prediction;
mod ranking;
mod release;
mod risk;
mod run_facts;
mod sample;
pub mod study;
mod summary_bytes;
pub mod tap_size;
mod training;
mod verdict;
mod verge;
pub mod why;
mod worth;

pub use as_read::passes_in_words;
pub use assumed::{Assumption, assumptions};
pub use chart::{Series, reference_condition};
pub use doubt::{LeftOpen, judged_alone, judged_of, left_open};
pub use picture::{extrapolated, lane_pictures, outline_picture, picture};
pub use predicted::{counts_in_words, expected_in_words, expected_number, terms};
pub use release::limit_of as unit_limit;
pub use worth::{Decides, Foreseen, Worth, worths, worths_foreseen};

use crate::audit::{Audit, EyeBudget, HighestRateNote};
use crate::highest_rate::Answer;
use crate::judged::{
    JobNote, JudgedCondition, JudgedRun, LeftOut, OutsidePlan, PredictedCounts, PredictionInputs,
};
use crate::judged::{Verdict, VerdictCounts};
use aggregate::{ConditionTally, Part, Pooled, Scatter};
use between_lanes::BetweenLanes;
use budget::Coverage;
use eye_summary::{JobSummary, mask_of, masks_for};
use nightbench_core::condition::ConditionState;
use nightbench_core::faults::{Fault, FaultKind};
use nightbench_core::results::{Identity, JobOutcome, JobResult, JobTimes, Readback};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Condition, Expansion, Job};
use plan::highest_rate::rate_series;
use plan::keys::short_key;
use plan::limits::{DecisionRule, Metric};
use plan::matrix::Factor;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;
use tap_size::TapSizes;
use training::TrainingNotes;

/// Conditions judged at a time, on every core.
const TOGETHER: usize = 1024;

/// What is known of a job beside its captures and trainings.
#[derive(Debug, Clone, Copy)]
pub struct JobFacts<'a> {
    /// Place in the order of the run.
    pub position: u64,
    /// How it ended.
    pub outcome: &'a JobOutcome,
    /// Who answered.
    pub identity: &'a Identity,
    /// The condition as achieved.
    pub readback: Option<&'a Readback>,
    /// Bench time.
    pub times: JobTimes,
}

/// Judges the jobs of a run as they are read from the store. Of a capture only its digest is kept.
pub struct Judge<'p> {
    plan: &'p Plan,
    expansion: &'p Expansion,
    simulated: bool,
    tallies: BTreeMap<u32, ConditionTally>,
    training: TrainingNotes,
    identities: Vec<Identity>,
    jobs_done: usize,
    earlier: Vec<Series>,
    /// Every list of lanes seen, once.
    lanes: Vec<Arc<[u16]>>,
    outside_plan: OutsidePlan,
    predictions: Option<PredictionInputs>,
}

impl<'p> Judge<'p> {
    /// A judge of a plan's jobs.
    pub fn new(plan: &'p Plan, expansion: &'p Expansion, simulated: bool) -> Judge<'p> {
        Judge {
            plan,
            expansion,
            simulated,
            tallies: BTreeMap::new(),
            training: TrainingNotes::default(),
            identities: Vec::new(),
            jobs_done: 0,
            earlier: Vec::new(),
            lanes: Vec::new(),
            outside_plan: OutsidePlan::default(),
            predictions: None,
        }
    }

    /// Stored jobs that the plan does not have any more: they are not judged, and the release decision says so.
    pub fn set_outside_plan(&mut self, outside: OutsidePlan) {
        self.outside_plan = outside;
    }

    /// The reference condition's values in earlier run folders, oldest first.
    pub fn set_earlier(&mut self, series: Vec<Series>) {
        self.earlier = series;
    }

    /// Verdicts of conditions that were not measured are predicted from this and the results.
    pub fn set_predictions(&mut self, inputs: PredictionInputs) {
        self.predictions = Some(inputs);
    }

    pub fn add(&mut self, job: &Job, key: &[u8; 32], facts: &JobFacts<'_>, digest: JobSummary) {
        self.jobs_done += 1;
        let tally = self.tallies.entry(job.condition).or_default();
        if tally.parts.is_empty() {
            // Exactly: there are tallies by the ten thousand.
            let jobs = self.plan.repeats.jobs() as usize;
            tally.parts.reserve_exact(jobs);
            tally.notes.reserve_exact(jobs);
        }
        let mut trouble = String::new();
        let mut valid = true;
        match facts.outcome {
            JobOutcome::Measured => {}
            JobOutcome::TrainingFailed => {
                tally.failed_trainings += 1;
                let failed = digest.trainings.iter().flatten().find_map(|stage| {
                    stage.failed.as_ref().map(|(lanes, _)| format!("{}: lanes {lanes}", stage.name))
                });
                trouble = failed.unwrap_or_else(|| "training failed".into());
            }
            JobOutcome::NotMeasured(fault) => {
                trouble = fault.to_string();
                valid = false;
                tally.faults.push(fault.clone());
            }
        }
        for training in &digest.trainings {
            self.training.add(job.condition as usize, training);
        }
        let mut captures = Vec::with_capacity(digest.captures.len());
        for capture in digest.captures {
            match capture {
                Ok(mut capture) => {
                    match self.lanes.iter().find(|known| **known == capture.lanes) {
                        Some(known) => capture.lanes = known.clone(),
                        None => self.lanes.push(capture.lanes.clone()),
                    }
                    captures.push(capture);
                }
                Err(words) => {
                    let fault = Fault::new(FaultKind::ImpossibleAnswer, words);
                    trouble = fault.to_string();
                    tally.faults.push(fault);
                    valid = false;
                }
            }
        }
        let place = (job.mounting, job.repeat, job.start);
        tally.parts.push(Part { place, position: facts.position, captures });
        if !facts.identity.chip_serial.is_empty() && !self.identities.contains(facts.identity) {
            self.identities.push(facts.identity.clone());
        }
        let vddq = |rails: &[(String, nightbench_core::units::Volts)]| {
            rails.iter().find(|(name, _)| name == "VDDQ").map(|(_, volts)| volts.0)
        };
        tally.notes.push(JobNote {
            key: short_key(key),
            mounting: job.mounting,
            repeat: job.repeat,
            start: job.start,
            trained: *facts.outcome == JobOutcome::Measured,
            valid,
            trouble,
            temperature_degc: facts.readback.map(|readback| readback.temperature.0),
            vddq_v: facts.readback.and_then(|readback| vddq(&readback.rails)),
            times: facts.times,
        });
    }

    /// Takes a job out again.
    pub fn forget(&mut self, job: &Job, key: &[u8; 32]) {
        let Some(tally) = self.tallies.get_mut(&job.condition) else { return };
        let key = short_key(key);
        self.jobs_done -= usize::from(tally.notes.iter().any(|note| note.key == key));
        tally.notes.retain(|note| note.key != key);
        tally.parts.retain(|part| part.place != (job.mounting, job.repeat, job.start));
        tally.failed_trainings = tally.notes.iter().filter(|note| note.valid && !note.trained).count() as u16;
        if tally.notes.iter().all(|note| note.valid) {
            tally.faults.clear();
        }
    }

    /// Adds a job that is at hand as a whole, with the masks of the plan's own limits.
    pub fn add_result(&mut self, job: &Job, key: &[u8; 32], position: u64, result: &JobResult) {
        let rate = self.expansion.conditions[job.condition as usize].rate(self.plan);
        let limits = &self.plan.limits;
        let digest = JobSummary::of(&result.trainings, &result.captures, |capture| {
            masks_for(limits, capture.eye, &capture.grid, rate)
        });
        let facts = JobFacts {
            position,
            outcome: &result.outcome,
            identity: &result.identity,
            readback: result.readback.as_ref(),
            times: result.times,
        };
        self.add(job, key, &facts, digest);
    }

    /// Puts everything added into the plan's order: any order of arrival then gives the same page.
    pub fn seal(&mut self) {
        for tally in self.tallies.values_mut() {
            tally.notes.sort_by_key(|note| (note.mounting, note.repeat, note.start));
            tally.parts.sort_by_key(|part| part.place);
            tally.faults.sort();
        }
        self.training.sort();
        self.identities.sort_by(|a, b| {
            (&a.chip_serial, &a.firmware_build, &a.firmware_hash).cmp(&(
                &b.chip_serial,
                &b.firmware_build,
                &b.firmware_hash,
            ))
        });
    }

    /// Judges everything added and [sealed](Judge::seal) by a set of limits.
    pub fn judge(&self, criteria: &AcceptanceCriteria) -> JudgedRun {
        let scatter = self.scatter(criteria);
        let bench = self.bench(criteria, &scatter, self.tap_sizes());
        let jobs_per_condition = bench.jobs_per_condition;
        let between = BetweenLanes::of(&bench, self.measured());
        let mut conditions = Vec::with_capacity(self.expansion.conditions.len());
        let (mut verdicts, mut beyond) = (VerdictCounts::default(), VerdictCounts::default());
        let (mut not_measured, mut not_judged, mut undecided) = (0, 0, 0);
        let mut typical = verdict::Typical::new(self.expansion.conditions.len(), self.plan);
        let (charts, suspects) = self.charts(criteria);
        let nothing = ConditionTally::default();
        let judge = |(index, condition): (usize, &Condition)| {
            let tally = self.tallies.get(&(index as u32)).unwrap_or(&nothing);
            let suspect = suspects.words(&tally.parts);
            let (mut judged, seen) = verdict::judge_condition(&bench, &between, condition, tally, suspect);
            judged.jobs = tally.notes.clone();
            (judged, seen)
        };
        for (number, some) in self.expansion.conditions.chunks(TOGETHER).enumerate() {
            let places =
                some.par_iter().enumerate().map(|(at, condition)| (number * TOGETHER + at, condition));
            for (judged, seen) in places.map(judge).collect::<Vec<_>>() {
                typical.add(seen);
                let counts = !judged.beyond_rating || criteria.decision.beyond_rating_counts;
                match judged.verdict {
                    Some(verdict) if counts => verdicts.add(verdict),
                    Some(verdict) => beyond.add(verdict),
                    None if counts && judged.state == ConditionState::NotJudged => not_judged += 1,
                    None if counts && judged.state == ConditionState::Undecided => undecided += 1,
                    None if counts => not_measured += 1,
                    None => {}
                }
                conditions.push(judged);
            }
        }
        let left_out = self
            .expansion
            .skipped
            .iter()
            .map(|skipped| LeftOut {
                condition: skipped.condition,
                reason: self.expansion.reasons[skipped.reason as usize].clone(),
                needs_hands: self.expansion.needs_hands(skipped),
            })
            .collect();
        let (stages, failed_trainings) = self.training.notes();
        let mut run = JudgedRun {
            level_names: self.plan.level_names().to_vec(),
            planned: self.expansion.conditions.len(),
            jobs_planned: self.expansion.conditions.len() * jobs_per_condition,
            jobs_each: jobs_per_condition,
            jobs_done: self.jobs_done,
            outside_plan: self.outside_plan,
            left_out,
            verdicts,
            beyond_rating_counts: criteria.decision.beyond_rating_counts,
            beyond_rating: beyond,
            not_measured,
            not_needed: 0,
            predicted: PredictedCounts::default(),
            predicted_beyond_rating: PredictedCounts::default(),
            undecided,
            not_judged,
            stages,
            failed_trainings,
            budgets: typical.budgets(&bench),
            rule_words: rule_words(&criteria.decision),
            capture_mode: self.plan.capture.mode,
            point_rule: self.plan.capture.rule,
            release: release::undecided(),
            audit: Audit { charts, ..Audit::default() },
            identities: self.identities.clone(),
            conditions,
        };
        run.audit.highest_rates = self.highest_rates(&mut run);
        if let Some(asked) = self.plan.predicted {
            let of = (self.plan, self.expansion);
            run.audit.predictions =
                Some(predicted::predict(&mut run, of, criteria, asked, self.predictions.as_ref()));
        }
        let mut words = Vec::new();
        run.audit.global_risks = risk::risks(&run, criteria, &mut words);
        run.audit.distributions = distributions::distributions(&run, &mut words);
        run.audit.effects = effects::effects(&run, self.plan, &mut words);
        run.audit.headroom = effects::headroom(&run, self.plan);
        run.audit.units = release::units(&run, self.plan, criteria);
        run.audit.words = words;
        run.release = release::release(&run, self.plan, criteria, self.simulated);
        run
    }

    /// A condition (index) by its own jobs alone and the plan's own limits, so that nothing hangs on what else was measured, or in which
    /// order; `None` where some of its jobs are still to be done.
    pub fn alone(&self, index: u32) -> Option<JudgedCondition> {
        let tally = self.tallies.get(&index)?;
        if tally.notes.len() < self.plan.repeats.jobs() as usize {
            return None;
        }
        Some(self.by_own_jobs(index, tally, self.plan.repeats.jobs() as usize))
    }

    fn by_own_jobs(&self, index: u32, tally: &ConditionTally, jobs: usize) -> JudgedCondition {
        let criteria = AcceptanceCriteria::of(self.plan);
        let scatter = self.scatter_of(&criteria, [(&index, tally)]);
        // What other conditions say of a tap comes with the whole run.
        let bench = self.bench(&criteria, &scatter, TapSizes::default());
        let bench = verdict::Bench { jobs_per_condition: jobs, ..bench };
        let condition = &self.expansion.conditions[index as usize];
        let between = BetweenLanes::of(&bench, std::iter::once((condition, tally)));
        verdict::judge_condition(&bench, &between, condition, tally, None).0
    }

    /// What a condition (index) says of its rate by its own jobs in the first mounting and the plan's own limits; `None` where
    /// some of these jobs are still to be done.
    pub fn answer(&self, index: u32) -> Option<Answer> {
        let tally = self.tallies.get(&index)?.first_mounting();
        let jobs = self.first_mounting_jobs();
        if !self.is_answered(&tally) {
            return None;
        }
        Answer::of(&self.by_own_jobs(index, &tally, jobs))
    }

    /// What conditions (indices) say of their rates by the plan's own limits, each judged as the page judges it: by all its jobs, with
    /// what the whole run says of lanes, scatter and taps. `None` where jobs of its first mounting are still to be done.
    pub fn pooled_answers(&self, conditions: &[u32]) -> Vec<Option<Answer>> {
        let criteria = AcceptanceCriteria::of(self.plan);
        let scatter = self.scatter(&criteria);
        // Further mountings repeat what was answered, and may still be to do.
        let jobs_per_condition = self.first_mounting_jobs();
        let bench = self.bench(&criteria, &scatter, self.tap_sizes());
        let bench = verdict::Bench { jobs_per_condition, ..bench };
        let between = BetweenLanes::of(&bench, self.measured());
        let answer = |index: &u32| {
            let tally = self.tallies.get(index).filter(|tally| self.is_answered(&tally.first_mounting()))?;
            let condition = &self.expansion.conditions[*index as usize];
            Answer::of(&verdict::judge_condition(&bench, &between, condition, tally, None).0)
        };
        conditions.par_iter().map(answer).collect()
    }

    fn first_mounting_jobs(&self) -> usize {
        usize::from(self.plan.repeats.repeats) * usize::from(self.plan.repeats.starts)
    }

    /// Is everything done that the plan asks for of a first mounting?
    fn is_answered(&self, first_mounting: &ConditionTally) -> bool {
        let planned = first_mounting.notes.iter().filter(|note| note.repeat < self.plan.repeats.repeats);
        planned.count() >= self.first_mounting_jobs()
    }

    /// Every condition that jobs are known of, with them.
    fn measured(&self) -> impl ExactSizeIterator<Item = (&Condition, &ConditionTally)> {
        let places = self.tallies.iter();
        places.map(|(index, tally)| (&self.expansion.conditions[*index as usize], tally))
    }

    /// The highest rates, where the plan asks for them; what none of them needs any more is marked.
    fn highest_rates(&self, run: &mut JudgedRun) -> Vec<HighestRateNote> {
        if self.plan.highest_rate.is_none() {
            return Vec::new();
        }
        let all = rate_series(self.plan, self.expansion, 0..self.expansion.conditions.len() as u32);
        let conditions: Vec<u32> = all.iter().flat_map(|series| &series.conditions).copied().collect();
        let answers = self.pooled_answers(&conditions);
        let mut rest = &answers[..];
        let finished: Vec<bool> = all
            .iter()
            .map(|series| {
                let own;
                (own, rest) = rest.split_at(series.conditions.len());
                highest_rate::is_finished(own)
            })
            .collect();
        for (series, finished) in all.iter().zip(&finished) {
            for index in series.conditions.iter().filter(|_| *finished) {
                let judged = &mut run.conditions[*index as usize];
                if judged.state == ConditionState::NotRun {
                    judged.state = ConditionState::NotNeeded;
                    run.not_needed += 1;
                    let counted = !judged.beyond_rating || run.beyond_rating_counts;
                    run.not_measured -= usize::from(counted);
                }
            }
        }
        let finished = all.iter().zip(finished);
        finished.map(|(series, finished)| highest_rate::found(self.plan, run, series, finished)).collect()
    }

    /// The uncertainty budget of every judged metric of some conditions (indices), each at its own values.
    pub fn budgets_of(&self, criteria: &AcceptanceCriteria, conditions: &[usize]) -> Vec<EyeBudget> {
        let scatter = self.scatter(criteria);
        let bench = self.bench(criteria, &scatter, self.tap_sizes());
        let of = |index: usize| {
            let condition = self.expansion.conditions.get(index)?;
            let tally = self.tallies.get(&(index as u32))?;
            let budgets = verdict::own_budgets(&bench, condition, tally).into_iter();
            Some(budgets.map(move |(eye, budget)| EyeBudget { condition: index, eye, budget }))
        };
        conditions.iter().filter_map(|index| of(*index)).flatten().collect()
    }

    fn bench<'a>(
        &'a self,
        criteria: &'a AcceptanceCriteria,
        scatter: &'a BTreeMap<Metric, Scatter>,
        taps: TapSizes,
    ) -> verdict::Bench<'a> {
        let coverage = Coverage::new(criteria.decision.coverage);
        let jobs_per_condition = self.plan.repeats.jobs() as usize;
        verdict::Bench { plan: self.plan, criteria, scatter, taps, jobs_per_condition, coverage }
    }

    /// What sweeps of this run say of the size of a tap; nothing of a receiver with a DFE.
    pub fn tap_sizes(&self) -> TapSizes {
        let mut sizes = TapSizes::default();
        if self.plan.interface.dfe {
            return sizes;
        }
        for (index, tally) in &self.tallies {
            let condition = &self.expansion.conditions[*index as usize];
            let chip = condition.levels[Factor::Chip as usize];
            let strobe = verdict::strobe_lanes(self.plan, condition);
            for capture in tally.parts.iter().flat_map(|part| &part.captures) {
                sizes.add(chip, strobe, capture);
            }
        }
        sizes
    }

    /// Scatter within and between mountings, for each judged metric.
    fn scatter(&self, criteria: &AcceptanceCriteria) -> BTreeMap<Metric, Scatter> {
        self.scatter_of(criteria, &self.tallies)
    }

    fn scatter_of<'t>(
        &self,
        criteria: &AcceptanceCriteria,
        tallies: impl IntoIterator<Item = (&'t u32, &'t ConditionTally)>,
    ) -> BTreeMap<Metric, Scatter> {
        let mut pooled: BTreeMap<Metric, Pooled> = BTreeMap::new();
        for (index, tally) in tallies {
            if tally.parts.len() < 2 {
                continue;
            }
            let condition = &self.expansion.conditions[*index as usize];
            let rate = condition.rate(self.plan);
            let setup = [Factor::Chip, Factor::Module, Factor::Channel]
                .map(|factor| condition.levels[factor as usize]);
            for eye in tally.eyes() {
                let captures = tally.captures(eye);
                let Some((_, first)) = captures.first() else { continue };
                let mut done: Vec<Metric> = Vec::new();
                for limit in criteria.limits.iter().filter(|limit| limit.applies(eye.direction, rate)) {
                    if !done.contains(&limit.metric) {
                        done.push(limit.metric);
                        let mask = mask_of(limit, &first.grid);
                        let pooled = pooled.entry(limit.metric).or_default();
                        pooled.add(setup, &captures, limit.metric, mask.as_ref());
                    }
                }
            }
        }
        pooled.into_iter().map(|(metric, pooled)| (metric, pooled.scatter())).collect()
    }
}

fn rule_words(rule: &DecisionRule) -> String {
    let words = if rule.guard_band_factor < 0.0 {
        "w is negative: pass at or beyond limit + w, although the limit may not be met; the risk is the customer's \
         (ILAC-G8:09/2019, 4.2.2, and its table of guard bands: uncritical)"
    } else if rule.four_words {
        "pass at or beyond limit + w, conditional pass from the limit to there, conditional fail down to limit - w, \
         fail below (ILAC-G8:09/2019, 4.2.3)"
    } else {
        "pass at or beyond limit + w, else fail (ILAC-G8:09/2019, 4.2.2)"
    };
    format!(
        "{}: guard band w = {}, U at {} % coverage; {words}. A condition is judged on its worst lane: the lowest of many noisy \
         readings is partly low by chance, so its value is what the lowest lane truly has, given how much healthy lanes \
         differ and how uncertain each reading is. Heights and masks are first brought to where training put the lanes of \
         their strobe on average. The reading stands beside it, and a lane that lies further below the \
         others than chance explains is taken as read.",
        rule.name,
        rule.formula(),
        rule.coverage * 100.0
    )
}

/// Verdict of a whole run for the exit code: does every condition that counts pass?
pub fn every_verdict_passes(run: &JudgedRun) -> bool {
    run.verdicts.total() == run.verdicts.of(Verdict::Pass)
}

#[cfg(test)]
mod tests;
