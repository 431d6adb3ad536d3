//! Runs of an invented chip, kept as digests so that they can be judged again and again.

use crate::truth::{METRICS, Truth};
use judge::eye_summary::{EyeSummary, JobSummary};
use judge::judged::JudgedRun;
use judge::{JobFacts, Judge};
use nightbench_core::results::{Direction, Identity, JobOutcome, JobTimes, Readback};
use nightbench_core::units::{Celsius, Seconds, Volts};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Expansion, Job, expand};
use plan::selection::Selection;
use serde::{Deserialize, Serialize};

/// Place of a mask among the metrics that truth has.
const MASK: usize = METRICS.len() - 1;

/// A lane that is worse than measured: by so many taps and Vref steps of its width and height, and masks smaller by a share of what is true of it.
#[derive(Clone, Copy)]
pub struct Planted {
    pub lane: usize,
    pub taps: f64,
    pub steps: f64,
    pub share: f64,
}

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

    /// A tap and a Vref step of a direction at a condition, ps and mV.
    pub fn steps(&self, direction: Direction, condition: &plan::expand::Condition) -> (f64, f64) {
        let sweep = self.plan.interface.sweep(direction);
        let vddq_mv = 1000.0 * condition.supply(&self.plan).vddq().0;
        let ui_ps = condition.rate(&self.plan).ui().0;
        (ui_ps / f64::from(sweep.taps_per_ui), vddq_mv * sweep.vref_step_percent / 100.0)
    }

    pub fn expansion(&self) -> Expansion {
        expand(&self.plan, &Selection::default())
    }

    /// A run judged by some criteria, a lane planted in every capture.
    pub fn judge(&self, run: usize, criteria: &AcceptanceCriteria, planted: Option<Planted>) -> JudgedRun {
        self.judge_changed(run, criteria, |condition, capture| self.plant(planted, condition, capture))
    }

    /// A run judged by some criteria, a lane planted, and a lane's eye smaller by so many ps and mV at a condition.
    pub fn judge_less(
        &self,
        run: usize,
        criteria: &AcceptanceCriteria,
        planted: Option<Planted>,
        less: impl Fn(usize, usize) -> (f64, f64),
    ) -> JudgedRun {
        self.judge_changed(run, criteria, |condition, capture| {
            self.plant(planted, condition, capture);
            let grid = capture.grid;
            for (lane, edges) in capture.edges.iter_mut().enumerate() {
                let (ps, mv) = less(condition, lane);
                let taps = (0.5 * ps / grid.tap_step.0) as f32;
                let steps = (0.5 * mv / grid.vref_step.0) as f32;
                edges
                    .reach
                    .iter_mut()
                    .zip([taps, taps, steps, steps])
                    .for_each(|(reach, less)| *reach -= less);
            }
        })
    }

    fn plant(&self, planted: Option<Planted>, condition: usize, capture: &mut EyeSummary) {
        let Some(planted) = planted else { return };
        if let Some(edges) = capture.edges.get_mut(planted.lane) {
            let less = [planted.taps, planted.taps, planted.steps, planted.steps];
            edges.reach.iter_mut().zip(less).for_each(|(reach, less)| *reach -= (0.5 * less) as f32);
        }
        let directions = &self.plan.capture.directions;
        for mask in &mut capture.masks {
            // It scatters as before: what training and the delay line do to it is no smaller.
            let truths = &self.truths[condition];
            let place = directions.iter().position(|one| *one == capture.eye.direction).unwrap_or(0);
            let truth = truths[place * truths.len() / directions.len() + planted.lane][MASK];
            let less = planted.share * truth / (2.0 * mask.mask.half_width.0);
            mask.lanes.iter_mut().skip(planted.lane).take(1).for_each(|lane| lane.0 -= less as f32);
        }
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
