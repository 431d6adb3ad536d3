//! What training showed over a whole run: attempts and failures by stage, and every failed attempt.

use super::eye_summary::StageSummary;
use crate::judged::{FailedTraining, StageNote};

/// Notes on every training attempt.
#[derive(Debug, Default)]
pub struct TrainingNotes {
    stages: Vec<StageNote>,
    failed: Vec<FailedTraining>,
}

impl TrainingNotes {
    /// Adds an attempt of a condition (index).
    pub fn add(&mut self, condition: usize, training: &[StageSummary]) {
        for stage in training {
            let index = match self.stages.iter().position(|note| note.stage == stage.name) {
                Some(index) => index,
                None => {
                    self.stages.push(StageNote {
                        stage: stage.name.clone(),
                        attempts: 0,
                        failed: 0,
                        end_stops: 0,
                        narrowest_taps: None,
                        lowest_steps: None,
                    });
                    self.stages.len() - 1
                }
            };
            let note = &mut self.stages[index];
            note.attempts += 1;
            note.end_stops += u32::from(stage.end_stop);
            let least = |known: Option<f64>, seen: Option<f64>| match (known, seen) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            note.narrowest_taps = least(note.narrowest_taps, stage.narrowest_taps);
            note.lowest_steps = least(note.lowest_steps, stage.lowest_steps);
            if let Some((lanes, causes)) = &stage.failed {
                note.failed += 1;
                self.failed.push(FailedTraining {
                    condition,
                    stage: stage.name.clone(),
                    lanes: lanes.clone(),
                    causes: causes.clone(),
                });
            }
        }
    }

    /// Puts failed attempts into the plan's order.
    pub fn sort(&mut self) {
        self.failed.sort_by(|a, b| (a.condition, &a.stage, &a.lanes).cmp(&(b.condition, &b.stage, &b.lanes)));
    }

    pub fn notes(&self) -> (Vec<StageNote>, Vec<FailedTraining>) {
        (self.stages.clone(), self.failed.clone())
    }
}
