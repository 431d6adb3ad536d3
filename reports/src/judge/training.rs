//! What training showed over a whole run: attempts and failures by stage, and every failed attempt.

use crate::judged::{FailedTraining, StageNote};
use plans::plan::text::lane_list;
use plans::results::TrainingResult;

/// Notes on every training attempt.
#[derive(Debug, Default)]
pub struct TrainingNotes {
    stages: Vec<StageNote>,
    failed: Vec<FailedTraining>,
}

impl TrainingNotes {
    /// Adds an attempt of a condition (index).
    pub fn add(&mut self, condition: usize, training: &TrainingResult) {
        for stage in &training.stages {
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
            note.end_stops += u32::from(stage.lanes.iter().any(|lane| lane.end_stop));
            let least = |known: Option<f64>, seen: Option<f64>| match (known, seen) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            for lane in &stage.lanes {
                note.narrowest_taps = least(note.narrowest_taps, lane.width_taps);
                note.lowest_steps = least(note.lowest_steps, lane.height_steps);
            }
            if !stage.passed() {
                note.failed += 1;
                self.failed.push(FailedTraining {
                    condition,
                    stage: stage.name.clone(),
                    lanes: lane_list(stage.failed_lanes()),
                    causes: stage.causes.clone(),
                });
            }
        }
    }

    /// The notes, failed attempts in the plan's order.
    pub fn finish(&mut self) -> (Vec<StageNote>, Vec<FailedTraining>) {
        self.failed.sort_by(|a, b| (a.condition, &a.stage, &a.lanes).cmp(&(b.condition, &b.stage, &b.lanes)));
        (std::mem::take(&mut self.stages), std::mem::take(&mut self.failed))
    }
}
