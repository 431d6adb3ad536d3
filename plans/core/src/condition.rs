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
    /// None of its jobs has run, and none will: the highest rate of its series is known without it.
    NotNeeded,
    /// None of its jobs has run: measuring it was not worth its hours, and its verdict is predicted.
    Predicted,
}
