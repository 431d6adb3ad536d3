//! Runs of an invented chip, kept as digests so that they can be judged again and again.

use crate::truth::Truth;
use judge::eye_summary::{EyeSummary, JobSummary};
use judge::judged::JudgedRun;
use judge::{JobFacts, Judge};
use nightbench_core::results::{Identity, JobOutcome, JobTimes, Readback};
use nightbench_core::units::{Celsius, Seconds, Volts};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Expansion, Job, expand};
use plan::selection::Selection;
use serde::{Deserialize, Serialize};

/// A job as it is kept.
#[derive(Serialize, Deserialize)]
pub struct Kept {
    pub job: (u32, u16, u16, u16),
    pub key: [u8; 32],
    pub measured: bool,
    pub temperature_degc: f64,
    pub rails_v: Vec<(String, f64)>,
    pub chip: String,
    pub digest: Vec<u8>,
}

#[derive(Serialize, Deserialize)]
pub struct Numbers {
    pub truths: Vec<Truth>,
    pub runs: Vec<Vec<Kept>>,
}

/// A chip with everything known of it.
pub struct Measured {
    pub plan: Plan,
    /// Of every condition, in the plan's order; lanes by eye, then number.
    pub truths: Vec<Truth>,
    pub runs: Vec<Vec<Kept>>,
}

impl Measured {
    /// Directions captured.
    pub fn directions(&self) -> usize {
        self.plan.capture.directions.len()
    }

    /// A Vref step at a condition, mV.
    pub fn vref_step_mv(&self, condition: &plan::expand::Condition) -> f64 {
        let vddq_mv = 1000.0 * condition.supply(&self.plan).vddq().0;
        vddq_mv * self.plan.interface.read.vref_step_percent / 100.0
    }

    pub fn expansion(&self) -> Expansion {
        expand(&self.plan, &Selection::default())
    }

    /// A run judged by some criteria; `low` makes one lane's height less by so many Vref steps in every capture.
    pub fn judge(&self, run: usize, criteria: &AcceptanceCriteria, low: Option<(usize, f32)>) -> JudgedRun {
        self.judge_changed(run, criteria, |_, capture| {
            if let Some((lane, steps)) = low
                && let Some(edges) = capture.edges.get_mut(lane)
            {
                edges.reach[2] -= 0.5 * steps;
                edges.reach[3] -= 0.5 * steps;
            }
        })
    }

    /// A run judged by some criteria, every lane's eye smaller by so many ps and mV at a condition.
    pub fn judge_less(
        &self,
        run: usize,
        criteria: &AcceptanceCriteria,
        less: impl Fn(usize) -> (f64, f64),
    ) -> JudgedRun {
        self.judge_changed(run, criteria, |condition, capture| {
            let (ps, mv) = less(condition);
            let taps = (0.5 * ps / capture.grid.tap_step.0) as f32;
            let steps = (0.5 * mv / capture.grid.vref_step.0) as f32;
            for edges in &mut capture.edges {
                edges
                    .reach
                    .iter_mut()
                    .zip([taps, taps, steps, steps])
                    .for_each(|(reach, less)| *reach -= less);
            }
        })
    }

    fn judge_changed(
        &self,
        run: usize,
        criteria: &AcceptanceCriteria,
        change: impl Fn(usize, &mut EyeSummary),
    ) -> JudgedRun {
        let expansion = self.expansion();
        let mut judge = Judge::new(&self.plan, &expansion, true);
        for (position, kept) in self.runs[run].iter().enumerate() {
            let outcome = if kept.measured { JobOutcome::Measured } else { JobOutcome::TrainingFailed };
            let identity = Identity {
                chip_serial: kept.chip.clone(),
                firmware_build: String::new(),
                firmware_hash: String::new(),
                settings_hash: String::new(),
                agent_version: String::new(),
            };
            let rails = kept.rails_v.iter().map(|(name, volts)| (name.clone(), Volts(*volts))).collect();
            let readback =
                Readback { temperature: Celsius(kept.temperature_degc), rails, settling: Seconds(0.0) };
            let facts = JobFacts {
                position: position as u64,
                outcome: &outcome,
                identity: &identity,
                readback: Some(&readback),
                times: JobTimes::default(),
            };
            let (condition, mounting, repeat, start) = kept.job;
            let job = Job { condition, mounting, repeat, start };
            let mut digest = JobSummary::from_bytes(&kept.digest).expect("a digest");
            digest.captures.iter_mut().flatten().for_each(|capture| change(condition as usize, capture));
            judge.add(&job, &kept.key, &facts, digest);
        }
        judge.seal();
        judge.judge(criteria)
    }
}
