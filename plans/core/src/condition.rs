//! What is known of a condition after its jobs.

use serde::Serialize;

/// How far a condition has come. Only the first two carry a verdict; the others are states of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ConditionState {
    /// Measured completely and judged by its margins.
    Judged,
    /// A start failed in training: the verdict is fail, and there is no margin.
    TrainingFailed,
    /// Measured, but no limit applies.
    NotJudged,
    /// Measured, and nothing can be said.
    Undecided,
    /// Not measured, incomplete, or not to be trusted.
    NotMeasured,
    /// None of its jobs has run.
    NotRun,
    /// None of its jobs has run, and no time was left for them in the hours that the last run was given.
    NoTime,
    /// None of its jobs has run: they would have ended in those hours, had somebody been there to change what is mounted.
    NoHands,
    /// None of its jobs has run, and none will: the highest rate of its series is known without it.
    NotNeeded,
    /// None of its jobs has run: measuring it was not worth its hours, and its verdict is predicted.
    Predicted,
}

impl ConditionState {
    /// None of its jobs has run, whatever the reason.
    pub fn is_untouched(self) -> bool {
        self.is_left() || matches!(self, ConditionState::NotNeeded | ConditionState::Predicted)
    }

    /// None of its jobs has run, and they are still to be done.
    pub fn is_left(self) -> bool {
        matches!(self, ConditionState::NotRun | ConditionState::NoTime | ConditionState::NoHands)
    }
}
