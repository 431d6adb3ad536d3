//! Go/no-go: what a short test at room temperature says about a unit's margin at the corners.
//!
//! [`derive()`] makes a [`LineTest`] from a sample whose corners are known; [`LineTest::judge`] judges the counts of one unit;
//! [`LotSummary`] tells how a lot went and whether the test still holds. Everything is computed from counts.

mod derivation;
mod lot;
mod test;
#[cfg(test)]
mod tests;

pub use derivation::{
    Asked, Candidate, Costs, CurvePoint, DEPTHS, Derivation, FaultyUnit, Golden, Refusal, Sample, SampleUnit,
    derive,
};
pub use lot::{
    Chart, CornerResult, Drift, GoldenResult, LotSummary, LotUnit, NoGoReason, StopReason, chart_of,
    stop_reason,
};
pub use test::{
    CornerMetric, Decision, Feature, Judgement, LaneRange, LineTest, Reason, Straightening, SupplyReading,
    Term, readings,
};

pub use statistics::summary::Interval;
