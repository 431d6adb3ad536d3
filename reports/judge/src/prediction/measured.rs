//! What a judged condition says to the model.

use super::field::Quantity;
use crate::judged::JudgedCondition;
use nightbench_core::condition::ConditionState;
use std::collections::BTreeMap;

/// The worst eye of a direction in one metric.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    pub quantity: Quantity,
    /// Value, ps or mV; 0 where the eye is closed.
    pub value: f64,
    /// Standard uncertainty of what another run of the same chip does not share, ps or mV.
    pub u: f64,
    /// The eye runs off the grid: the value is a lower bound.
    pub at_least: bool,
    /// The operating point fails.
    pub closed: bool,
}

/// What was found at a condition.
#[derive(Debug, Clone, PartialEq)]
pub enum Known {
    /// A start failed in training: every quantity fails.
    TrainingFailed,
    /// What was read. A quantity without a value is left out.
    Read(Vec<Reading>),
}

/// Measured conditions by their index in the expansion.
pub type Measured = BTreeMap<u32, Known>;

impl Known {
    /// `None` where a condition was not measured, or what was measured is not to be trusted.
    pub fn of(judged: &JudgedCondition) -> Option<Known> {
        match judged.state {
            ConditionState::TrainingFailed => return Some(Known::TrainingFailed),
            ConditionState::Judged | ConditionState::Undecided => {}
            ConditionState::NotJudged
            | ConditionState::NotMeasured
            | ConditionState::NotRun
            | ConditionState::NoTime
            | ConditionState::NoHands
            | ConditionState::NotNeeded
            | ConditionState::Predicted => return None,
        }
        let mut worst: BTreeMap<Quantity, (f64, Reading)> = BTreeMap::new();
        for metric in &judged.metrics {
            let quantity = Quantity { metric: metric.metric, direction: metric.eye.direction };
            let share =
                if metric.closed { -1.0 } else { metric.margin / metric.limit.abs().max(f64::MIN_POSITIVE) };
            let reading = Reading {
                quantity,
                value: if metric.closed { 0.0 } else { metric.value },
                u: metric.parts.independent,
                at_least: metric.at_least && !metric.closed,
                closed: metric.closed,
            };
            if !share.is_finite() || !reading.value.is_finite() {
                continue;
            }
            let slot = worst.entry(quantity).or_insert((share, reading));
            if share < slot.0 {
                *slot = (share, reading);
            }
        }
        Some(Known::Read(worst.into_values().map(|(_, reading)| reading).collect()))
    }

    /// The reading of a quantity.
    pub fn reading(&self, quantity: Quantity) -> Option<&Reading> {
        match self {
            Known::TrainingFailed => None,
            Known::Read(readings) => readings.iter().find(|one| one.quantity == quantity),
        }
    }
}
