//! Go/no-go: what a short test at room temperature says about a unit's margin at the corners.
//!
//! [`derive()`] makes a [`LineTest`] from a sample whose corners are known; [`LineTest::judge`] judges the counts of one unit;
//! [`LotSummary`] tells how a lot went and whether the test still holds. Everything is computed from counts.

mod derivation;
mod golden;
mod guard_bands;
mod lot;
mod prediction;
mod refusal;
mod risk_curve;
mod sample;
mod test;
#[cfg(test)]
mod tests;
mod uncertainty;

pub use derivation::{Candidate, Derivation, derive};
pub use golden::Golden;
pub use lot::{
    Chart, CornerResult, Drift, GoldenResult, LotSummary, LotUnit, NoGoReason, StopReason, chart_of,
    stop_reason,
};
pub use prediction::DEPTHS;
pub use refusal::Refusal;
pub use risk_curve::{CurvePoint, FaultyUnit};
pub use sample::{Asked, Costs, Sample, SampleUnit};
pub use test::{
    CornerMetric, Decision, Feature, Judgement, LaneRange, LineTest, Reason, Straightening, SupplyReading,
    Term, readings,
};

pub use statistics::summary::Interval;
