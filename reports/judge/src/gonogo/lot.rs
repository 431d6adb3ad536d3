//! How a lot went, and whether the test still holds: yield, what the corner draws prove, golden units, drift.

use super::test::{Decision, Judgement, LineTest, Reason};
use nightbench_core::line::UnitTimes;
use statistics::control::{ControlLimits, ControlRule, signals};
use statistics::proportion::exact_interval;
use statistics::summary::{Interval, mean};
use std::collections::BTreeMap;

/// Confidence of every interval and bound of a lot.
const CONFIDENCE: f64 = 0.95;
/// The mean residual of the corner tests may leave 0 by so many of its standard deviations.
const DRIFT_SDS: f64 = 3.0;

/// One unit of a lot; the last measurement of its serial number counts.
#[derive(Debug, Clone, PartialEq)]
pub struct LotUnit {
    pub serial: String,
    pub judgement: Judgement,
    pub times: UnitTimes,
    /// A go that was drawn for the corner test.
    pub drawn: bool,
}

/// What the corners of a unit came to.
#[derive(Debug, Clone, PartialEq)]
pub struct CornerResult {
    pub serial: String,
    pub value: f64,
}

/// One measurement of a golden unit.
#[derive(Debug, Clone, PartialEq)]
pub struct GoldenResult {
    pub name: String,
    /// Prediction less the study's mean.
    pub deviation: f64,
}

/// What a no-go failed by.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum NoGoReason {
    Predicted,
    Training(String),
}

impl NoGoReason {
    pub fn words(&self) -> String {
        match self {
            NoGoReason::Predicted => "predicted far below the limit".into(),
            NoGoReason::Training(stage) => format!("training: {stage}"),
        }
    }
}

/// Why a lot stops.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StopReason {
    /// Which measurement of a golden unit, from 1.
    pub measurement: usize,
    pub rule: ControlRule,
}

impl StopReason {
    pub fn words(&self) -> String {
        format!("golden unit, measurement {}: {}", self.measurement, self.rule.words())
    }
}

/// The golden units' chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    pub values: Vec<(String, f64)>,
    pub limits: Option<ControlLimits>,
    /// Position of each signal and its rule.
    pub signals: Vec<(usize, ControlRule)>,
}

/// The mean residual of a lot's corner tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    pub tested: usize,
    pub mean: f64,
    /// It may lie so far from 0.
    pub allowed: f64,
}

impl Drift {
    /// The regression is to be renewed.
    pub fn seen(&self) -> bool {
        self.mean.abs() > self.allowed
    }
}

/// A lot.
#[derive(Debug, Clone, PartialEq)]
pub struct LotSummary {
    /// In the order of [`Decision::ALL`].
    pub counts: [usize; 4],
    /// Share that was a go at once, of the units measured.
    pub go: Option<(f64, Interval)>,
    /// Go at once, or by the corner test; a drawn unit that failed there is none. Of the units whose fate is known.
    pub settled: Option<(usize, usize, Interval)>,
    pub no_go: Vec<(NoGoReason, usize)>,
    /// Units sent to the corner test because a lane lay far outside the sample.
    pub far_outside: usize,
    /// Go units drawn for the corner: drawn, tested, bad among them, upper bound of the share of bad ones among go units.
    pub drawn: (usize, usize, usize, Option<f64>),
    pub drift: Option<Drift>,
    pub chart: Chart,
    /// Mean times of the units measured.
    pub times: UnitTimes,
}

/// The chart of golden units since the last restart: limits of three standard deviations about the study's mean.
pub fn chart_of(golden: &[GoldenResult], sd: Option<f64>) -> Chart {
    let values: Vec<(String, f64)> = golden.iter().map(|one| (one.name.clone(), one.deviation)).collect();
    let limits = sd.filter(|sd| *sd > 0.0).map(|sigma| ControlLimits {
        centre: 0.0,
        sigma,
        lower: -3.0 * sigma,
        upper: 3.0 * sigma,
        // Units of the chart take turns: their differences say nothing.
        moving_range_centre: f64::INFINITY,
        moving_range_upper: f64::INFINITY,
        n: 0,
    });
    let numbers: Vec<f64> = values.iter().map(|(_, value)| *value).collect();
    let found = limits.and_then(|limits| signals(&numbers, &limits).ok()).unwrap_or_default();
    let stops = |rule: ControlRule| matches!(rule, ControlRule::BeyondLimit | ControlRule::EightOnOneSide);
    let signals = found.iter().filter(|one| stops(one.rule)).map(|one| (one.index, one.rule)).collect();
    Chart { values, limits, signals }
}

/// Why the lot stops, where the golden units say so.
pub fn stop_reason(chart: &Chart) -> Option<StopReason> {
    chart.signals.first().map(|(index, rule)| StopReason { measurement: index + 1, rule: *rule })
}

impl LotSummary {
    /// Of a lot's units, corner results and golden measurements since the last restart.
    pub fn of(
        test: &LineTest,
        units: &[LotUnit],
        corners: &[CornerResult],
        golden: &[GoldenResult],
        golden_sd: Option<f64>,
    ) -> LotSummary {
        let mut counts = [0; 4];
        let mut no_go: BTreeMap<NoGoReason, usize> = BTreeMap::new();
        let mut far_outside = 0;
        for unit in units {
            counts[unit.judgement.decision as usize] += 1;
            match (unit.judgement.decision, &unit.judgement.reason) {
                (Decision::NoGo, Reason::Training { stage, .. }) => {
                    *no_go.entry(NoGoReason::Training(stage.clone())).or_default() += 1;
                }
                (Decision::NoGo, _) => *no_go.entry(NoGoReason::Predicted).or_default() += 1,
                (Decision::ToCorner, Reason::FarOutside { .. }) => far_outside += 1,
                _ => {}
            }
        }
        let [go, rejected, to_corner, _] = counts;
        let measured = go + rejected + to_corner;
        let interval =
            |events: usize, trials: usize| exact_interval(events as u64, trials as u64, CONFIDENCE).ok();
        // The last result of a serial number counts.
        let corner: BTreeMap<&str, f64> =
            corners.iter().map(|one| (one.serial.as_str(), one.value)).collect();
        let value = |unit: &LotUnit| corner.get(unit.serial.as_str()).copied();
        let (mut good, mut known) = (0, 0);
        for unit in units {
            let fate = match (unit.judgement.decision, value(unit)) {
                (Decision::NotMeasured, _) | (Decision::ToCorner, None) => continue,
                (Decision::NoGo, _) => false,
                (Decision::Go, None) => true,
                (_, Some(value)) => value >= test.limit,
            };
            known += 1;
            good += usize::from(fate);
        }
        let drawn: Vec<&LotUnit> =
            units.iter().filter(|unit| unit.drawn && unit.judgement.decision == Decision::Go).collect();
        let tested: Vec<f64> = drawn.iter().filter_map(|unit| value(unit)).collect();
        let bad = tested.iter().filter(|value| **value < test.limit).count();
        // One-sided: none bad in n bounds by 1 - 0.05^(1/n).
        let bound = exact_interval(bad as u64, tested.len() as u64, 2.0 * CONFIDENCE - 1.0).ok();
        let residuals: Vec<f64> =
            units.iter().filter_map(|unit| Some(value(unit)? - unit.judgement.predicted?)).collect();
        let drift = mean(&residuals).ok().map(|mean| Drift {
            tested: residuals.len(),
            mean,
            // The regression's own error does not average out: without it 13 lots of 100 that had not drifted were told to have.
            allowed: DRIFT_SDS
                * (test.residual_sd / (residuals.len() as f64).sqrt()).hypot(test.regression_sd),
        });
        let timed: Vec<&LotUnit> =
            units.iter().filter(|unit| unit.judgement.decision != Decision::NotMeasured).collect();
        let average = |part: fn(&UnitTimes) -> f64| {
            timed.iter().map(|unit| part(&unit.times)).sum::<f64>() / timed.len().max(1) as f64
        };
        LotSummary {
            counts,
            go: interval(go, measured).map(|interval| (go as f64 / measured as f64, interval)),
            settled: interval(good, known).map(|interval| (good, known, interval)),
            no_go: no_go.into_iter().collect(),
            far_outside,
            drawn: (drawn.len(), tested.len(), bad, bound.map(|bound| bound.upper)),
            drift,
            chart: chart_of(golden, golden_sd),
            times: UnitTimes {
                boot_s: average(|times| times.boot_s),
                training_s: average(|times| times.training_s),
                supplies_s: average(|times| times.supplies_s),
                test_s: average(|times| times.test_s),
            },
        }
    }

    /// Units decided or not.
    pub fn units(&self) -> usize {
        self.counts.iter().sum()
    }
}
