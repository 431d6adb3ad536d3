//! The frozen test of a line, and its decision on one unit.

use eye::short::{ShortEye, short_eyes};
use nightbench_core::line::{ShortLook, SupplyCounts, UnitOutcome};
use nightbench_core::results::{Direction, EyeName};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A lane so many of the sample's standard deviations away from its mean lies outside what the test was derived for.
const FAR: f64 = 5.0;

/// What is predicted of the corners.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CornerMetric {
    /// Width of the worst lane, UI.
    Width,
    /// Height of the worst lane, % of VDDQ.
    Height,
}

impl CornerMetric {
    pub fn name(self) -> &'static str {
        match self {
            CornerMetric::Width => "width",
            CornerMetric::Height => "height",
        }
    }
    pub fn unit(self) -> &'static str {
        match self {
            CornerMetric::Width => "UI",
            CornerMetric::Height => "% VDDQ",
        }
    }
    /// Decimals that a value is printed with.
    pub fn digits(self) -> usize {
        match self {
            CornerMetric::Width => 4,
            CornerMetric::Height => 2,
        }
    }
}

/// A number that the short test gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Feature {
    WorstWidth,
    MeanWidth,
    WorstHeight,
    MeanHeight,
}

impl Feature {
    /// Those of rows, then those of columns.
    pub const ALL: [Feature; 4] =
        [Feature::WorstWidth, Feature::MeanWidth, Feature::WorstHeight, Feature::MeanHeight];

    pub fn words(self) -> &'static str {
        match self {
            Feature::WorstWidth => "width of the worst lane, UI",
            Feature::MeanWidth => "width, mean of the lanes, UI",
            Feature::WorstHeight => "height of the worst lane, % VDDQ",
            Feature::MeanHeight => "height, mean of the lanes, % VDDQ",
        }
    }

    /// Its value over the lanes of all eyes; `None` where no columns were looked at.
    pub fn of(self, reading: &SupplyReading) -> Option<f64> {
        let lanes = || reading.eyes.iter().flat_map(|(_, lanes)| lanes);
        let values: Option<Vec<f64>> = match self {
            Feature::WorstWidth | Feature::MeanWidth => Some(lanes().map(|lane| lane.width_ui).collect()),
            _ => lanes().map(|lane| lane.height_percent).collect(),
        };
        let values = values.filter(|values| !values.is_empty())?;
        Some(match self {
            Feature::WorstWidth | Feature::WorstHeight => {
                values.iter().copied().fold(f64::INFINITY, f64::min)
            }
            _ => values.iter().sum::<f64>() / values.len() as f64,
        })
    }
}

/// One term of the prediction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Term {
    pub supply: String,
    pub of: Feature,
    pub coefficient: f64,
}

/// What the sum of the terms still has to be bent by: at the ends of a population the worst lane's noise draws a prediction out, and
/// the corners follow less. A cubic over the sample's range; beyond it the correction stays what it is at the end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Straightening {
    pub centre: f64,
    pub scale: f64,
    /// Ends of the sample's predictions, in scales from the centre.
    pub from: f64,
    pub to: f64,
    /// Of 1, z, z^2 and z^3.
    pub coefficients: [f64; 4],
}

impl Straightening {
    /// The prediction that belongs to a sum of terms.
    pub fn of(&self, sum: f64) -> f64 {
        let z = (sum - self.centre) / self.scale;
        let held = z.clamp(self.from, self.to);
        let [a, b, c, d] = self.coefficients;
        a + held * (b + held * (c + held * d)) + (z - held) * self.scale
    }
}

/// Where the lanes of one eye lay in the sample, UI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LaneRange {
    pub supply: String,
    pub direction: Direction,
    pub rank: u8,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sub_channel: Option<u8>,
    pub lanes: Vec<u16>,
    pub mean_width_ui: Vec<f64>,
    pub sd_ui: f64,
}

impl LaneRange {
    fn eye(&self) -> EyeName {
        EyeName { direction: self.direction, rank: self.rank, sub_channel: self.sub_channel }
    }
}

/// The test: everything a decision needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineTest {
    pub metric: CornerMetric,
    /// Tolerance limit at the corners; this and what follows in the metric's unit.
    pub limit: f64,
    /// Go from `limit` + `guard_band` on.
    pub guard_band: f64,
    /// No-go below; between the two a corner test decides.
    pub no_go_below: f64,
    /// Standard deviation of what a prediction is off by.
    pub residual_sd: f64,
    /// Standard deviation of what the regression itself is off by, common to all units.
    pub regression_sd: f64,
    pub intercept: f64,
    pub straightening: Straightening,
    pub look: ShortLook,
    pub term: Vec<Term>,
    pub range: Vec<LaneRange>,
}

/// The lanes of a unit at one supply.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyReading {
    pub supply: String,
    pub eyes: Vec<(EyeName, Vec<ShortEye>)>,
}

/// Widths and heights from a unit's counts; `None` where the counts leave an edge open.
pub fn readings(counts: &[SupplyCounts], look: &ShortLook) -> Option<Vec<SupplyReading>> {
    counts
        .iter()
        .map(|supply| {
            let eyes = supply.eyes.iter().map(|eye| Some((eye.eye, short_eyes(eye, look)?)));
            Some(SupplyReading { supply: supply.supply.clone(), eyes: eyes.collect::<Option<_>>()? })
        })
        .collect()
}

/// What the line says of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    Go,
    NoGo,
    ToCorner,
    /// A fault of the line, not of the unit.
    NotMeasured,
}

impl Decision {
    pub const ALL: [Decision; 4] = [Decision::Go, Decision::NoGo, Decision::ToCorner, Decision::NotMeasured];

    /// The word that is shown. Never "pass": nobody saw the corners.
    pub fn words(self) -> &'static str {
        match self {
            Decision::Go => "go",
            Decision::NoGo => "no-go",
            Decision::ToCorner => "to corner test",
            Decision::NotMeasured => "not measured",
        }
    }
}

/// Why.
#[derive(Debug, Clone, PartialEq)]
pub enum Reason {
    /// The prediction alone.
    Predicted,
    /// Training failed in a stage.
    Training { stage: String, lanes: Vec<u16> },
    /// A lane lies so many standard deviations from where the sample had it.
    FarOutside { supply: String, lane: u16, width_ui: f64, deviations: f64 },
    /// The line's own fault.
    Fault(String),
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reason::Predicted => f.write_str("by its prediction"),
            Reason::Training { stage, lanes } if lanes.is_empty() => write!(f, "training failed: {stage}"),
            Reason::Training { stage, lanes } => {
                let lanes = nightbench_core::text::lane_list(lanes.iter().copied());
                write!(f, "training failed: {stage}, lanes {lanes}")
            }
            Reason::FarOutside { supply, lane, width_ui, deviations } => write!(
                f,
                "lane {lane} at supply {supply} is {width_ui:.3} UI wide, {deviations:+.0} standard deviations from the sample"
            ),
            Reason::Fault(words) => f.write_str(words),
        }
    }
}

/// The decision on one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    pub decision: Decision,
    pub reason: Reason,
    /// Predicted margin metric at the corners; `None` where nothing was measured.
    pub predicted: Option<f64>,
}

impl LineTest {
    /// The smallest prediction that is a go.
    pub fn go_from(&self) -> f64 {
        self.limit + self.guard_band
    }

    /// The supplies it looks at, in order.
    pub fn supplies(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for range in &self.range {
            if !names.contains(&range.supply.as_str()) {
                names.push(&range.supply);
            }
        }
        names
    }

    /// Predicted value at the corners; `None` where a supply or lane is missing.
    pub fn predict(&self, readings: &[SupplyReading]) -> Option<f64> {
        let term = |term: &Term| {
            let reading = readings.iter().find(|reading| reading.supply == term.supply)?;
            Some(term.coefficient * term.of.of(reading)?)
        };
        let sum = self.intercept + self.term.iter().map(term).sum::<Option<f64>>()?;
        Some(self.straightening.of(sum))
    }

    /// The lane that lies furthest outside the sample, where one lies far outside.
    pub fn far_outside(&self, readings: &[SupplyReading]) -> Option<Reason> {
        let mut worst: Option<(f64, Reason)> = None;
        for range in &self.range {
            let lanes = readings
                .iter()
                .filter(|reading| reading.supply == range.supply)
                .flat_map(|reading| &reading.eyes)
                .filter(|(eye, _)| *eye == range.eye())
                .flat_map(|(_, lanes)| lanes);
            for lane in lanes {
                let known = range.lanes.iter().position(|known| *known == lane.lane);
                let deviations = known
                    .and_then(|at| range.mean_width_ui.get(at))
                    .map_or(f64::INFINITY, |mean| (lane.width_ui - mean) / range.sd_ui);
                if deviations.abs() > FAR && worst.as_ref().is_none_or(|(far, _)| deviations.abs() > *far) {
                    let (supply, width_ui) = (range.supply.clone(), lane.width_ui);
                    let reason = Reason::FarOutside { supply, lane: lane.lane, width_ui, deviations };
                    worst = Some((deviations.abs(), reason));
                }
            }
        }
        worst.map(|(_, reason)| reason)
    }

    /// The decision on a unit.
    pub fn judge(&self, outcome: &UnitOutcome) -> Judgement {
        let counts = match outcome {
            UnitOutcome::TrainingFailed { stage, lanes, .. } => {
                let reason = Reason::Training { stage: stage.clone(), lanes: lanes.clone() };
                return Judgement { decision: Decision::NoGo, reason, predicted: None };
            }
            UnitOutcome::NotMeasured(words) => return not_measured(words.clone()),
            UnitOutcome::Measured(counts) => counts,
        };
        let read = readings(counts, &self.look);
        let Some((readings, predicted)) = read
            .and_then(|read| Some((self.predict(&read)?, read)))
            .map(|(predicted, read)| (read, predicted))
            .filter(|(read, predicted)| predicted.is_finite() && self.has_every_lane(read))
        else {
            return not_measured("the counts do not hold every lane that the test looks at".into());
        };
        let (decision, reason) = match self.far_outside(&readings) {
            _ if predicted < self.no_go_below => (Decision::NoGo, Reason::Predicted),
            Some(reason) => (Decision::ToCorner, reason),
            None if predicted >= self.go_from() => (Decision::Go, Reason::Predicted),
            None => (Decision::ToCorner, Reason::Predicted),
        };
        Judgement { decision, reason, predicted: Some(predicted) }
    }

    fn has_every_lane(&self, readings: &[SupplyReading]) -> bool {
        self.range.iter().all(|range| {
            readings.iter().filter(|reading| reading.supply == range.supply).any(|reading| {
                reading.eyes.iter().any(|(eye, lanes)| {
                    *eye == range.eye()
                        && range.lanes.iter().all(|lane| lanes.iter().any(|one| one.lane == *lane))
                })
            })
        })
    }
}

fn not_measured(words: String) -> Judgement {
    Judgement { decision: Decision::NotMeasured, reason: Reason::Fault(words), predicted: None }
}
