//! From stored results to verdicts: feed every job to a [`Judge`], then let it [`Judge::finish`].

pub mod budget;
mod details;
mod gather;
mod picture;
mod training;
mod verdict;

pub use picture::picture;

use crate::judged::{JobNote, JudgedCondition, JudgedRun, LaneValues, LeftOut, Release, ReleaseDecision};
use crate::judged::{Verdict, VerdictCounts};
use budget::Repeatability;
use gather::{ConditionTally, EyeTally};
use plans::expand::{Expansion, Job, short_key};
use plans::plan::Plan;
use plans::plan::judge::{DecisionRule, Limit, Metric};
use plans::plan::text::lane_list;
use plans::results::{Identity, JobOutcome, JobResult};
use std::collections::BTreeMap;
use training::TrainingNotes;

/// Judges the jobs of a run as they are read from the store. Captures are not kept: memory grows with the number
/// of conditions only.
pub struct Judge<'p> {
    plan: &'p Plan,
    expansion: &'p Expansion,
    limits: &'p [Limit],
    rule: &'p DecisionRule,
    simulated: bool,
    tallies: BTreeMap<u32, ConditionTally>,
    training: TrainingNotes,
    identities: Vec<Identity>,
    jobs_done: usize,
}

impl<'p> Judge<'p> {
    /// A judge by the plan's own limits and rule.
    pub fn new(plan: &'p Plan, expansion: &'p Expansion, simulated: bool) -> Judge<'p> {
        Judge::with_limits(plan, expansion, simulated, &plan.limits, &plan.decision)
    }

    /// A judge by other limits and another rule on the same counts.
    pub fn with_limits(
        plan: &'p Plan,
        expansion: &'p Expansion,
        simulated: bool,
        limits: &'p [Limit],
        rule: &'p DecisionRule,
    ) -> Judge<'p> {
        Judge {
            plan,
            expansion,
            limits,
            rule,
            simulated,
            tallies: BTreeMap::new(),
            training: TrainingNotes::default(),
            identities: Vec::new(),
            jobs_done: 0,
        }
    }

    /// Adds a job's result.
    pub fn add(&mut self, job: &Job, key: &[u8; 32], result: &JobResult) {
        self.jobs_done += 1;
        let condition = self.expansion.conditions[job.condition as usize];
        let rate = condition.rate(self.plan);
        let tally = self.tallies.entry(job.condition).or_default();
        let mut trouble = String::new();
        let mut valid = true;
        match &result.outcome {
            JobOutcome::Measured => {}
            JobOutcome::TrainingFailed => {
                tally.failed_trainings += 1;
                let failed = result.trainings.iter().find_map(|training| training.failed_stage());
                trouble = match failed {
                    Some(stage) => format!("{}: lanes {}", stage.name, lane_list(stage.failed_lanes())),
                    None => "training failed".into(),
                };
            }
            JobOutcome::NotMeasured { reason } => {
                trouble = reason.clone();
                valid = false;
                tally.faults.push(reason.clone());
            }
        }
        for training in &result.trainings {
            self.training.add(job.condition as usize, training);
        }
        for capture in &result.captures {
            let mut judged: Vec<Metric> = self
                .limits
                .iter()
                .filter(|limit| limit.applies(capture.eye.direction, rate))
                .map(|limit| limit.metric)
                .collect();
            judged.sort();
            judged.dedup();
            if let Err(error) = tally.add(capture, &judged) {
                let words = format!("stored counts contradict themselves: {error}");
                tally.faults.push(words.clone());
                trouble = words;
                valid = false;
            }
        }
        if !result.identity.chip_serial.is_empty() && !self.identities.contains(&result.identity) {
            self.identities.push(result.identity.clone());
        }
        let vddq = |rails: &[(String, plans::units::Volts)]| {
            rails.iter().find(|(name, _)| name == "VDDQ").map(|(_, volts)| volts.0)
        };
        tally.notes.push(JobNote {
            key: short_key(key),
            mounting: job.mounting,
            repeat: job.repeat,
            start: job.start,
            trained: result.outcome == JobOutcome::Measured,
            valid,
            trouble,
            temperature_degc: result.readback.as_ref().map(|readback| readback.temperature.0),
            vddq_v: result.readback.as_ref().and_then(|readback| vddq(&readback.rails)),
            times: result.times,
        });
    }

    /// Judges everything added.
    pub fn finish(mut self) -> JudgedRun {
        let jobs_per_condition = self.plan.repeats.jobs() as usize;
        let repeatability = self.repeatability();
        let mut conditions = Vec::with_capacity(self.expansion.conditions.len());
        let (mut verdicts, mut beyond, mut not_measured) =
            (VerdictCounts::default(), VerdictCounts::default(), 0);
        let mut typical = verdict::Typical::default();
        for (index, condition) in self.expansion.conditions.iter().enumerate() {
            let mut tally = self.tallies.remove(&(index as u32)).unwrap_or_default();
            // Any order of arrival gives the same page.
            tally.notes.sort_by_key(|note| (note.mounting, note.repeat, note.start));
            tally.faults.sort();
            let counts = !condition.beyond_rating(self.plan) || self.rule.beyond_rating_counts;
            let judged = verdict::judge_condition(
                &verdict::Bench {
                    plan: self.plan,
                    limits: self.limits,
                    rule: self.rule,
                    repeatability: &repeatability,
                    jobs_per_condition,
                },
                condition,
                &tally,
                &mut typical,
            );
            match judged.verdict {
                Some(verdict) if counts => verdicts.add(verdict),
                Some(verdict) => beyond.add(verdict),
                None if counts => not_measured += 1,
                None => {}
            }
            conditions.push(JudgedCondition { lanes: lane_values(&tally.eyes), jobs: tally.notes, ..judged });
        }
        let left_out = self
            .expansion
            .skipped
            .iter()
            .map(|skipped| LeftOut {
                condition: skipped.condition,
                reason: self.expansion.reasons[skipped.reason as usize].clone(),
            })
            .collect();
        let release = self.release(&conditions, verdicts, not_measured);
        let (stages, failed_trainings) = self.training.finish();
        self.identities.sort_by(|a, b| {
            (&a.chip_serial, &a.firmware_build, &a.firmware_hash).cmp(&(
                &b.chip_serial,
                &b.firmware_build,
                &b.firmware_hash,
            ))
        });
        JudgedRun {
            level_names: self.plan.level_names().to_vec(),
            planned: self.expansion.conditions.len(),
            jobs_planned: self.expansion.conditions.len() * jobs_per_condition,
            jobs_done: self.jobs_done,
            left_out,
            verdicts,
            beyond_rating: beyond,
            not_measured,
            stages,
            failed_trainings,
            budgets: typical.budgets(self.plan, self.rule, &repeatability),
            rule_words: rule_words(self.rule),
            capture_mode: self.plan.capture.mode,
            point_rule: self.plan.capture.rule,
            release,
            identities: self.identities,
            conditions,
        }
    }

    /// Standard deviation of one measurement, pooled within conditions, for each metric that has repeats.
    fn repeatability(&self) -> BTreeMap<Metric, Repeatability> {
        let mut pooled: BTreeMap<Metric, (f64, f64)> = BTreeMap::new();
        for tally in self.tallies.values() {
            for eye in &tally.eyes {
                for (metric, lanes) in &eye.metrics {
                    let slot = pooled.entry(*metric).or_default();
                    for lane in lanes {
                        let (squares, freedom) = lane.scatter();
                        slot.0 += squares;
                        slot.1 += freedom;
                    }
                }
            }
        }
        pooled
            .into_iter()
            .filter(|(_, (_, freedom))| *freedom > 0.0)
            .map(|(metric, (squares, freedom))| {
                (metric, Repeatability { deviation: (squares / freedom).sqrt(), freedom })
            })
            .collect()
    }

    fn release(
        &self,
        conditions: &[JudgedCondition],
        verdicts: VerdictCounts,
        not_measured: usize,
    ) -> Release {
        let mut reasons = Vec::new();
        let bad = verdicts.fail + verdicts.conditional_fail;
        if verdicts.fail > 0 {
            reasons.push(format!("{} fail", conditions_word(verdicts.fail)));
        }
        if verdicts.conditional_fail > 0 {
            reasons.push(format!("{} fail conditionally", conditions_word(verdicts.conditional_fail)));
        }
        if verdicts.conditional_pass > 0 {
            reasons.push(format!("{} pass only conditionally", conditions_word(verdicts.conditional_pass)));
        }
        if not_measured > 0 {
            reasons.push(format!("{} not measured", conditions_word(not_measured)));
        }
        if verdicts.total() == 0 {
            reasons.push("no condition within rating has a verdict".into());
        }
        if self.simulated {
            reasons.push("simulated, not measured: a dry run releases nothing".into());
        }
        let beyond = conditions.iter().filter(|condition| condition.beyond_rating).count();
        if beyond > 0 && !self.rule.beyond_rating_counts {
            reasons.push(format!("{} beyond rating: informative, not counted", conditions_word(beyond)));
        }
        let open = verdicts.conditional_pass + not_measured > 0 || verdicts.total() == 0 || self.simulated;
        let decision = match (bad > 0, open) {
            (true, _) => ReleaseDecision::No,
            (false, true) => ReleaseDecision::Undecided,
            (false, false) => {
                reasons
                    .insert(0, "every condition that counts was measured and passes under the rule".into());
                ReleaseDecision::Yes
            }
        };
        Release { decision, reasons }
    }
}

fn conditions_word(count: usize) -> String {
    if count == 1 { "1 condition".into() } else { format!("{count} conditions") }
}

fn lane_values(eyes: &[EyeTally]) -> Vec<LaneValues> {
    eyes.iter()
        .map(|eye| {
            let mean = |index: usize| {
                eye.sizes[index].iter().map(|lane| lane.value().unwrap_or(0.0) as f32).collect::<Vec<f32>>()
            };
            let centre = eye.centre();
            LaneValues {
                eye: eye.eye,
                lanes: eye.lanes.clone(),
                width_ps: mean(0),
                height_mv: mean(1),
                centre_ps: centre.map(|(ps, _)| ps as f32),
                centre_mv: centre.map(|(_, mv)| mv as f32),
            }
        })
        .collect()
}

fn rule_words(rule: &DecisionRule) -> String {
    let words = if rule.four_words {
        "pass at or beyond limit + w, conditional pass from the limit to there, conditional fail down to limit - w, \
         fail below (ILAC-G8:09/2019, 4.2.3)"
    } else {
        "pass at or beyond limit + w, else fail (ILAC-G8:09/2019, 4.2.2)"
    };
    format!(
        "{}: guard band w = {} U, U at {} % coverage; {words}. A condition is judged on its worst lane.",
        rule.name,
        rule.guard_band_factor,
        rule.coverage * 100.0
    )
}

/// Verdict of a whole run for the exit code: does every condition that counts pass?
pub fn every_verdict_passes(run: &JudgedRun) -> bool {
    run.verdicts.total() == run.verdicts.of(Verdict::Pass)
}
