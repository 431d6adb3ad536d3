//! What room temperature predicts of the corners: the look at sound units, the regression, its residual.

use super::refusal::Refusal;
use super::sample::{Sample, Sound};
use super::test::{Feature, LaneRange, Straightening, SupplyReading};
use eye::short::{short_eyes, visits_needed};
use nightbench_core::line::{ShortLook, UnitOutcome};
use nightbench_core::results::EyeName;
use statistics::StatisticsError;
use statistics::predicted_risk::Item;
use statistics::regression::{Fit, correlation, least_squares};
use statistics::summary::{mean, quantile, standard_deviation};

/// Fewest sound units that a test is derived from (common practice in correlating test stations, no source).
pub(super) const FEWEST_SOUND: usize = 60;
/// Least correlation of predicted and measured corner values of sound units (rule of thumb).
pub(super) const LEAST_CORRELATION: f64 = 0.95;
/// Error ratios that edges may be looked for at.
pub const DEPTHS: [f64; 2] = [1e-3, 1e-4];
/// Columns more than double the test: they are looked at where they take this share off the residual.
const COLUMNS_GAIN: f64 = 0.25;
/// Units whose visits are counted for the time of a test.
const TIMED: usize = 40;

/// A prediction from a unit's numbers: a regression, and what still has to be bent.
pub(super) struct Model {
    pub fit: Fit,
    pub straightening: Straightening,
    /// Predicted and measured, each unit by fits without it.
    pub pairs: Vec<(f64, f64)>,
    /// Standard deviation of the residuals of these, and their correlation.
    pub residual_sd: f64,
    pub r: f64,
}

impl Model {
    /// Fits rows of numbers to corner values.
    ///
    /// # Errors
    /// Too few rows, or no spread.
    pub fn new(rows: &[Vec<f64>], corners: &[f64]) -> Result<Model, StatisticsError> {
        let fit = least_squares(rows, corners)?;
        let (straightening, pairs) = straighten(&fit, corners)?;
        let (predicted, measured): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
        let squares: f64 = pairs.iter().map(|(p, m)| (m - p) * (m - p)).sum();
        let residual_sd = (squares / pairs.len() as f64).sqrt();
        let r = correlation(&predicted, &measured)?;
        Ok(Model { fit, straightening, pairs, residual_sd, r })
    }

    /// Predictions and residuals, each unit by fits without it.
    pub fn items(&self) -> Vec<Item> {
        let item = |(predicted, corner): &(f64, f64)| Item {
            predicted: *predicted,
            residual: corner - predicted,
            set_apart: false,
        };
        self.pairs.iter().map(item).collect()
    }

    pub fn predict(&self, row: &[f64]) -> f64 {
        self.straightening.of(self.fit.predict(row))
    }
}

/// A look, and how well it predicts.
pub(super) struct Fitted {
    pub look: ShortLook,
    pub terms: Vec<(String, Feature)>,
    /// The sound units' numbers.
    pub rows: Vec<Vec<f64>>,
    pub model: Model,
    pub test_s: f64,
}

fn row(terms: &[(String, Feature)], readings: &[SupplyReading]) -> Option<Vec<f64>> {
    terms
        .iter()
        .map(|(supply, of)| of.of(readings.iter().find(|reading| reading.supply == *supply)?))
        .collect()
}

/// Every look tried, and which one is taken: the deepest that predicts best, columns only where they are worth their time.
///
/// # Errors
/// Nothing can be fitted: too few units, or no spread.
pub(super) fn looks(sample: &Sample) -> Result<(Vec<Fitted>, usize), Refusal> {
    let mut fitted = Vec::new();
    for limit in DEPTHS {
        for columns in [false, true] {
            if columns && !sample.look.columns {
                continue;
            }
            fitted.push(fit(sample, ShortLook { limit, columns, ..sample.look })?);
        }
    }
    let best = |columns: bool| {
        let of_kind = fitted.iter().enumerate().filter(|(_, one)| one.look.columns == columns);
        of_kind.min_by(|a, b| a.1.model.residual_sd.total_cmp(&b.1.model.residual_sd)).map(|(at, _)| at)
    };
    let sd = |at: usize| fitted[at].model.residual_sd;
    let chosen = match (best(false), best(true)) {
        (Some(rows), Some(columns)) if sd(columns) < (1.0 - COLUMNS_GAIN) * sd(rows) => columns,
        (Some(rows), _) => rows,
        (None, _) => return Err(Refusal::NoFit("no unit was measured".into())),
    };
    Ok((fitted, chosen))
}

fn fit(sample: &Sample, look: ShortLook) -> Result<Fitted, Refusal> {
    let sound = sample.sound(&look);
    let supplies: Vec<String> =
        sound.first().map_or(Vec::new(), |one| one.readings.iter().map(|one| one.supply.clone()).collect());
    let features = if look.columns { &Feature::ALL[..] } else { &Feature::ALL[..2] };
    let terms: Vec<(String, Feature)> = supplies
        .iter()
        .flat_map(|supply| features.iter().map(move |feature| (supply.clone(), *feature)))
        .collect();
    // Fewer than a fit needs: the words for that are the same.
    if sound.len() < terms.len() + 10 {
        return Err(Refusal::TooFew { sound: sound.len(), need: FEWEST_SOUND });
    }
    let rows: Option<Vec<Vec<f64>>> = sound.iter().map(|one| row(&terms, &one.readings)).collect();
    let rows = rows.ok_or_else(|| Refusal::NoFit("a unit was not measured at every supply".into()))?;
    let corners: Vec<f64> = sound.iter().map(|one| one.unit.corner).collect();
    let model = Model::new(&rows, &corners).map_err(|error| Refusal::NoFit(error.to_string()))?;
    let look = ShortLook {
        start_taps: start(&sound, Side::Row, look),
        start_steps: start(&sound, Side::Column, look),
        ..look
    };
    let visits = |one: &Sound<'_>| match &one.unit.line {
        UnitOutcome::Measured(counts) => {
            counts.iter().flat_map(|supply| &supply.eyes).map(|eye| visits_needed(eye, &look)).sum::<usize>()
                as f64
        }
        _ => 0.0,
    };
    let visits: Vec<f64> = sound.iter().take(TIMED).map(visits).collect();
    let test_s = mean(&visits).unwrap_or(0.0) * sample.visit_s;
    Ok(Fitted { look, terms, rows, model, test_s })
}

/// Bends predictions to what was measured, by a cubic of the predictions that leave each unit out; and the pairs of predicted and
/// measured values, each by a cubic without it.
fn straighten(fit: &Fit, corners: &[f64]) -> Result<(Straightening, Vec<(f64, f64)>), StatisticsError> {
    let sums: Vec<f64> =
        corners.iter().zip(&fit.left_out).map(|(corner, residual)| corner - residual).collect();
    let (centre, scale) = (mean(&sums)?, standard_deviation(&sums)?);
    let z: Vec<f64> = sums.iter().map(|sum| (sum - centre) / scale).collect();
    let rows: Vec<Vec<f64>> = z.iter().map(|z| vec![*z, z * z, z * z * z]).collect();
    let cubic = least_squares(&rows, corners)?;
    let straightening = Straightening {
        centre,
        scale,
        from: z.iter().copied().fold(f64::INFINITY, f64::min),
        to: z.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        coefficients: [cubic.intercept, cubic.coefficients[0], cubic.coefficients[1], cubic.coefficients[2]],
    };
    let pairs =
        corners.iter().zip(&cubic.left_out).map(|(corner, residual)| (corner - residual, *corner)).collect();
    Ok((straightening, pairs))
}

/// What full eyes at room temperature would predict.
pub(super) fn room_yardstick(sample: &Sample) -> Option<Model> {
    let sound = || sample.units.iter().filter(|unit| unit.is_sound() && !unit.room.is_empty());
    let columns = sound().next()?.room.len();
    let (rows, corners): (Vec<Vec<f64>>, Vec<f64>) = sound()
        .filter(|unit| unit.room.len() == columns)
        .map(|unit| (unit.room.clone(), unit.corner))
        .unzip();
    Model::new(&rows, &corners).ok()
}

#[derive(Clone, Copy, PartialEq)]
enum Side {
    Row,
    Column,
}

/// First place looked at: nineteen edges in twenty lie further out.
fn start(sound: &[Sound<'_>], side: Side, look: ShortLook) -> u16 {
    let known = if side == Side::Row { look.start_taps } else { look.start_steps };
    if side == Side::Column && !look.columns {
        return known;
    }
    let mut halves = Vec::new();
    for unit in sound {
        let UnitOutcome::Measured(counts) = &unit.unit.line else { continue };
        for eye in counts.iter().flat_map(|supply| &supply.eyes) {
            let (tap, step) =
                (eye.grid.tap_step.0 / eye.grid.ui.0, 100.0 * eye.grid.vref_step.0 / eye.grid.vddq.0);
            for lane in short_eyes(eye, &look).into_iter().flatten() {
                halves.push(match side {
                    Side::Row => 0.5 * lane.width_ui / tap,
                    Side::Column => 0.5 * lane.height_percent.unwrap_or(0.0) / step,
                });
            }
        }
    }
    // Half a width is the mean of two reaches: one of them is shorter.
    quantile(&halves, 0.05).map_or(known, |half| (half - 1.0).floor().clamp(1.0, 1000.0) as u16)
}

/// Where each lane lay in the sample.
pub(super) fn ranges(sound: &[Sound<'_>]) -> Vec<LaneRange> {
    let Some(first) = sound.first() else { return Vec::new() };
    let mut ranges = Vec::new();
    for (at_supply, reading) in first.readings.iter().enumerate() {
        for (at_eye, (eye, lanes)) in reading.eyes.iter().enumerate() {
            let EyeName { direction, rank, sub_channel } = *eye;
            let width = |one: &Sound<'_>, lane: usize| {
                Some(one.readings.get(at_supply)?.eyes.get(at_eye)?.1.get(lane)?.width_ui)
            };
            let mut means = Vec::new();
            let (mut squares, mut count) = (0.0, 0usize);
            for lane in 0..lanes.len() {
                let widths: Vec<f64> = sound.iter().filter_map(|one| width(one, lane)).collect();
                let centre = mean(&widths).unwrap_or(0.0);
                squares += widths.iter().map(|width| (width - centre) * (width - centre)).sum::<f64>();
                count += widths.len().saturating_sub(1);
                means.push(centre);
            }
            ranges.push(LaneRange {
                supply: reading.supply.clone(),
                direction,
                rank,
                sub_channel,
                lanes: lanes.iter().map(|lane| lane.lane).collect(),
                mean_width_ui: means,
                sd_ui: (squares / count.max(1) as f64).sqrt(),
            });
        }
    }
    ranges
}
