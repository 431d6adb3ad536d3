//! From a sample whose corners are known to a test, or to the reasons why there is none.
//!
//! Sound units give the regression, its residual (each unit judged by a fit that leaves it out) and the spread; faulty ones,
//! known or planted, enter the population that the risks are drawn from and nothing else. Where room temperature cannot sort,
//! that is the finding.

use super::test::{
    CornerMetric, Decision, Feature, LaneRange, LineTest, Straightening, SupplyReading, Term, readings,
};
use eye::short::{short_eyes, visits_needed};
use nightbench_core::line::{ShortLook, UnitOutcome};
use nightbench_core::results::EyeName;
use statistics::StatisticsError;
use statistics::gauge::{GaugeStudy, Pooling, gauge_study};
use statistics::predicted_risk::{Item, PredictedRisk, Sampled, Thresholds};
use statistics::regression::{Fit, correlation, least_squares};
use statistics::summary::{Interval, mean, quantile, standard_deviation};
use statistics::tolerance::one_sided_factor;

/// Fewest sound units that a test is derived from (common practice in correlating test stations, no source).
pub const FEWEST_SOUND: usize = 60;
/// Least correlation of predicted and measured corner values of sound units (rule of thumb).
pub const LEAST_CORRELATION: f64 = 0.95;
/// Below the limit by so many residual standard deviations a prediction is a no-go without a corner test.
const NO_GO_SDS: f64 = 2.5;
/// Guard bands tried: from 0 to so many residual standard deviations, in steps of this.
const WIDEST_SDS: f64 = 4.0;
const STEP_SDS: f64 = 0.25;
/// Error ratios that edges may be looked for at.
pub const DEPTHS: [f64; 2] = [1e-3, 1e-4];
/// Columns are looked at where they take this share off the residual.
const COLUMNS_GAIN: f64 = 0.1;
/// Samples drawn again for the intervals, their seed and confidence.
const BOOTSTRAP: (usize, u64, f64) = (1000, 1, 0.95);
/// Units whose visits are counted for the time of a test.
const TIMED: usize = 40;
/// Golden units chosen from the gauge study.
const GOLDEN: usize = 3;

/// One unit of the sample.
#[derive(Debug, Clone, PartialEq)]
pub struct SampleUnit {
    pub name: String,
    /// What is known to be wrong with it, or was planted.
    pub fault: Option<String>,
    /// Worst lane over the corners, in the metric's unit; 0 where a corner's training failed or its eye is closed.
    pub corner: f64,
    /// Worst and mean lane of each room condition's eyes, where the run has them: a yardstick.
    pub room: Vec<f64>,
    /// What the line's short test showed.
    pub line: UnitOutcome,
}

/// The sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    pub units: Vec<SampleUnit>,
    /// How the line looked at it: its limit is the shallowest of the depths tried.
    pub look: ShortLook,
    /// Units of a gauge study: name, and outcomes by mounting and repeat.
    pub gauge: Vec<(String, Vec<Vec<UnitOutcome>>)>,
    /// Seconds of a visit.
    pub visit_s: f64,
}

/// Costs in one currency: a bad unit that is shipped, a corner test, a good unit that is thrown away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    pub escape: f64,
    pub corner: f64,
    pub overkill: f64,
}

/// What the test has to keep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    pub metric: CornerMetric,
    pub limit: f64,
    /// Most escapes (share of all units), most overkill (share of the good ones), most corner tests (share of all units).
    pub escapes: f64,
    pub overkill: f64,
    pub sent_on: f64,
    pub costs: Option<Costs>,
    /// Share of faulty units on the line; `None` takes the sample's.
    pub faulty_share: Option<f64>,
}

/// Why there is no test.
#[derive(Debug, Clone, PartialEq)]
pub enum Refusal {
    TooFew { sound: usize, need: usize },
    Correlation { r: f64, r_all_eyes: Option<f64> },
    NoGuardBand { escapes: f64, overkill: f64, sent_on: f64, guard_sds: f64 },
    NoFit(String),
}

impl Refusal {
    /// In words, with the remedy.
    pub fn words(&self, asked: &Asked) -> String {
        let percent = |share: f64| format!("{:.3} %", 100.0 * share);
        match self {
            Refusal::TooFew { sound, need } => format!(
                "{sound} sound units; {need} are needed, from several lots: characterize {} more. Faulty units do not count",
                need - sound
            ),
            Refusal::Correlation { r, r_all_eyes } => {
                let eyes = match r_all_eyes {
                    Some(r) => format!(" (full eyes at room temperature: {r:.3})"),
                    None => String::new(),
                };
                format!(
                    "the correlation of predicted and measured corner {} is {r:.3}{eyes}; {LEAST_CORRELATION} is needed. Room \
                     temperature cannot sort these units against that limit: if all of them lie far above it, that is the finding; \
                     else test hot, or find more margin",
                    asked.metric.name()
                )
            }
            Refusal::NoGuardBand { escapes, overkill, sent_on, guard_sds } => format!(
                "no guard band up to {WIDEST_SDS} residual standard deviations keeps escapes to {}, overkill to {} and corner \
                 tests to {}: the nearest, {guard_sds} of them, gives {}, {} and {}. Allow more, or test hot",
                percent(asked.escapes),
                percent(asked.overkill),
                percent(asked.sent_on),
                percent(*escapes),
                percent(*overkill),
                percent(*sent_on)
            ),
            Refusal::NoFit(words) => format!("no prediction: {words}"),
        }
    }
}

/// A way to test, and how well it would predict.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    pub words: String,
    /// Residual standard deviation, each unit by a fit without it.
    pub residual_sd: f64,
    pub r: f64,
    /// Seconds of test a unit; `None` for what is not a line test.
    pub test_s: Option<f64>,
    pub chosen: bool,
}

/// Risks at one guard band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Guard band in residual standard deviations, and in the metric's unit.
    pub sds: f64,
    pub guard_band: f64,
    pub risk: PredictedRisk,
    pub escapes: Interval,
    pub sent_on: Interval,
    pub overkill_alone: Interval,
    /// Cost a unit.
    pub cost: Option<f64>,
}

/// A faulty unit, and what the test would say of it.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultyUnit {
    pub name: String,
    pub fault: String,
    pub corner: f64,
    pub predicted: Option<f64>,
    pub decision: Decision,
    pub bad: bool,
}

/// A unit of the sample to be measured again and again.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Golden {
    pub name: String,
    /// Mean of its predictions in the gauge study.
    pub predicted: f64,
}

/// What a sample gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Derivation {
    pub test: LineTest,
    pub refusals: Vec<Refusal>,
    pub sound: usize,
    pub faulty: Vec<FaultyUnit>,
    pub faulty_share: f64,
    /// Predicted and measured corner values of the sound units, each predicted by a fit without it.
    pub pairs: Vec<(f64, f64)>,
    pub r: f64,
    /// Mean and standard deviation of the sound units at the corners.
    pub mean: f64,
    pub sd: f64,
    pub candidates: Vec<Candidate>,
    pub curve: Vec<CurvePoint>,
    /// The point of the curve that was taken.
    pub chosen: usize,
    pub gauge: Option<GaugeStudy>,
    pub gauge_shape: (usize, usize, usize),
    pub golden: Vec<Golden>,
    /// Standard deviation of a golden unit's prediction about its mean of the study.
    pub golden_sd: Option<f64>,
    /// One-sided tolerance factors of so many units at 95 % confidence: content, factor.
    pub tolerance: Vec<(f64, f64)>,
    pub test_s: f64,
}

impl Derivation {
    /// Distinct categories as of a gauge study, 1.41 sd / s.
    pub fn categories(&self) -> f64 {
        1.41 * self.sd / self.test.residual_sd
    }
    /// Bad at the corners, and a go at room temperature.
    pub fn unseen(&self) -> impl Iterator<Item = &FaultyUnit> {
        self.faulty.iter().filter(|unit| unit.bad && unit.decision == Decision::Go)
    }
}

/// One sound unit with its readings.
struct Sound<'a> {
    unit: &'a SampleUnit,
    readings: Vec<SupplyReading>,
}

struct Fitted {
    look: ShortLook,
    terms: Vec<(String, Feature)>,
    fit: Fit,
    straightening: Straightening,
    /// Predicted and measured, each unit by fits without it.
    pairs: Vec<(f64, f64)>,
    residual_sd: f64,
    r: f64,
    test_s: f64,
}

/// Derives a test.
///
/// # Errors
/// Nothing can be fitted at all: too few units, or no spread.
pub fn derive(sample: &Sample, asked: &Asked) -> Result<Derivation, Refusal> {
    let mut fitted = Vec::new();
    for limit in DEPTHS {
        for columns in [false, true] {
            if columns && !sample.look.columns {
                continue;
            }
            let look = ShortLook { limit, columns, ..sample.look };
            fitted.push(fit(sample, look)?);
        }
    }
    let rows_best = best(&fitted, false);
    let columns_best = best(&fitted, true);
    let chosen = match (rows_best, columns_best) {
        (Some(rows), Some(columns))
            if fitted[columns].residual_sd < (1.0 - COLUMNS_GAIN) * fitted[rows].residual_sd =>
        {
            columns
        }
        (Some(rows), _) => rows,
        (None, _) => return Err(Refusal::NoFit("no unit was measured".into())),
    };
    let mut candidates: Vec<Candidate> = fitted
        .iter()
        .enumerate()
        .map(|(at, one)| Candidate {
            words: format!(
                "{} to an error ratio of {:.0e}",
                if one.look.columns { "rows and columns" } else { "rows" },
                one.look.limit
            ),
            residual_sd: one.residual_sd,
            r: one.r,
            test_s: Some(one.test_s),
            chosen: at == chosen,
        })
        .collect();
    let yardstick = room_yardstick(sample);
    let r_all_eyes = yardstick.as_ref().map(|one| one.r);
    candidates.extend(yardstick);
    let one = &fitted[chosen];
    let sound = sound_units(sample, &one.look);
    let (mut refusals, s) = (Vec::new(), one.residual_sd);
    if sound.len() < FEWEST_SOUND {
        refusals.push(Refusal::TooFew { sound: sound.len(), need: FEWEST_SOUND });
    }
    if one.r < LEAST_CORRELATION {
        refusals.push(Refusal::Correlation { r: one.r, r_all_eyes });
    }
    let mut test = LineTest {
        metric: asked.metric,
        limit: asked.limit,
        guard_band: 0.0,
        no_go_below: asked.limit - NO_GO_SDS * s,
        residual_sd: s,
        intercept: one.fit.intercept,
        straightening: one.straightening,
        look: one.look,
        term: one
            .terms
            .iter()
            .zip(&one.fit.coefficients)
            .map(|((supply, of), coefficient)| Term {
                supply: supply.clone(),
                of: *of,
                coefficient: *coefficient,
            })
            .collect(),
        range: ranges(&sound),
    };
    let no_fit = |error: StatisticsError| Refusal::NoFit(error.to_string());
    let corners: Vec<f64> = sound.iter().map(|one| one.unit.corner).collect();
    let pairs = one.pairs.clone();
    let items: Vec<Item> = pairs
        .iter()
        .zip(&sound)
        .map(|((predicted, corner), one)| Item {
            predicted: *predicted,
            residual: corner - predicted,
            set_apart: test.far_outside(&one.readings).is_some(),
        })
        .collect();
    // The population does not depend on the guard band: the decision of each faulty unit waits for it.
    let judged = |test: &LineTest, look: &ShortLook| -> Vec<FaultyUnit> {
        let test = LineTest { look: *look, ..test.clone() };
        sample.units.iter().filter(|unit| !is_sound(unit)).map(|unit| faulty_unit(unit, &test)).collect()
    };
    let faulty_items: Vec<Item> = judged(&test, &one.look)
        .iter()
        .filter(|unit| unit.decision != Decision::NotMeasured)
        .map(|unit| {
            // Who failed in training is a no-go whatever the guard band.
            let predicted = unit.predicted.unwrap_or(test.no_go_below - 5.0 * s);
            let of_sample = sample.units.iter().find(|known| known.name == unit.name);
            let far = of_sample.and_then(|known| match &known.line {
                UnitOutcome::Measured(counts) => test.far_outside(&readings(counts, &one.look)?),
                _ => None,
            });
            Item {
                predicted,
                residual: unit.corner - predicted,
                set_apart: far.is_some() && predicted >= test.no_go_below,
            }
        })
        .collect();
    let own_share = faulty_items.len() as f64 / (faulty_items.len() + items.len()) as f64;
    let faulty_share = asked.faulty_share.unwrap_or(own_share);
    let sampled = Sampled { sound: &items, faulty: &faulty_items, faulty_share };
    let steps = (WIDEST_SDS / STEP_SDS).round() as usize;
    let sds: Vec<f64> = (0..=steps).map(|step| step as f64 * STEP_SDS).collect();
    let guards: Vec<f64> = sds.iter().map(|sds| sds * s).collect();
    let at = Thresholds { limit: asked.limit, reject_below: test.no_go_below };
    let curve: Vec<CurvePoint> = sampled
        .with_intervals(at, &guards, BOOTSTRAP)
        .map_err(no_fit)?
        .into_iter()
        .zip(&sds)
        .map(|((risk, [escapes, sent_on, overkill_alone]), sds)| CurvePoint {
            sds: *sds,
            guard_band: sds * s,
            risk,
            escapes,
            sent_on,
            overkill_alone,
            cost: asked.costs.map(|costs| {
                let good = 1.0 - risk.bad;
                costs.escape * risk.escapes
                    + costs.corner * risk.sent_on
                    + costs.overkill * risk.overkill * good
            }),
        })
        .collect();
    let chosen = match choose(&curve, asked) {
        Ok(at) => at,
        Err(at) => {
            let CurvePoint { risk, sds, .. } = curve[at];
            let (escapes, overkill, sent_on) = (risk.escapes, risk.overkill, risk.sent_on);
            refusals.push(Refusal::NoGuardBand { escapes, overkill, sent_on, guard_sds: sds });
            at
        }
    };
    test.guard_band = curve[chosen].guard_band;
    let (cells, names) = gauge_cells(&sample.gauge, &LineTest { look: one.look, ..test.clone() });
    let gauge = gauge_study(&cells, Pooling::Never).ok();
    let shape = (
        cells.len(),
        cells.first().map_or(0, Vec::len),
        cells.first().and_then(|one| one.first()).map_or(0, Vec::len),
    );
    let n = sound.len();
    Ok(Derivation {
        refusals,
        sound: n,
        faulty: judged(&test, &one.look),
        faulty_share,
        r: one.r,
        mean: mean(&corners).map_err(no_fit)?,
        sd: standard_deviation(&corners).map_err(no_fit)?,
        pairs,
        candidates,
        curve,
        chosen,
        golden: golden(&cells, &names),
        // A mean over mountings and repeats has an error of its own.
        golden_sd: gauge.map(|study| study.variation.gauge * (1.0 + 1.0 / shape.1.max(1) as f64).sqrt()),
        gauge,
        gauge_shape: shape,
        tolerance: [0.95, 0.99, 0.999]
            .into_iter()
            .filter_map(|content| Some((content, one_sided_factor(n, content, 0.95).ok()?)))
            .collect(),
        test_s: one.test_s,
        test,
    })
}

fn is_sound(unit: &SampleUnit) -> bool {
    unit.fault.is_none() && unit.corner > 0.0
}

fn sound_units<'a>(sample: &'a Sample, look: &ShortLook) -> Vec<Sound<'a>> {
    let read = |unit: &'a SampleUnit| match &unit.line {
        UnitOutcome::Measured(counts) => Some(Sound { unit, readings: readings(counts, look)? }),
        _ => None,
    };
    sample.units.iter().filter(|unit| is_sound(unit)).filter_map(read).collect()
}

fn fit(sample: &Sample, look: ShortLook) -> Result<Fitted, Refusal> {
    let sound = sound_units(sample, &look);
    let supplies: Vec<String> =
        sound.first().map_or(Vec::new(), |one| one.readings.iter().map(|one| one.supply.clone()).collect());
    let features = if look.columns { &Feature::ALL[..] } else { &Feature::ALL[..2] };
    let terms: Vec<(String, Feature)> = supplies
        .iter()
        .flat_map(|supply| features.iter().map(move |feature| (supply.clone(), *feature)))
        .collect();
    let need = FEWEST_SOUND;
    // Fewer than a fit needs: the words for that are the same.
    if sound.len() < terms.len() + 10 {
        return Err(Refusal::TooFew { sound: sound.len(), need });
    }
    let row = |one: &Sound<'_>| -> Option<Vec<f64>> {
        terms
            .iter()
            .map(|(supply, of)| of.of(one.readings.iter().find(|reading| reading.supply == *supply)?))
            .collect()
    };
    let rows: Option<Vec<Vec<f64>>> = sound.iter().map(row).collect();
    let rows = rows.ok_or_else(|| Refusal::NoFit("a unit was not measured at every supply".into()))?;
    let corners: Vec<f64> = sound.iter().map(|one| one.unit.corner).collect();
    let no_fit = |error: StatisticsError| Refusal::NoFit(error.to_string());
    let fit = least_squares(&rows, &corners).map_err(no_fit)?;
    let (straightening, pairs) = straighten(&fit, &corners).map_err(no_fit)?;
    let (residual_sd, r) = quality(&pairs).map_err(no_fit)?;
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
    Ok(Fitted { look, terms, fit, straightening, pairs, residual_sd, r, test_s })
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

/// Standard deviation of the residuals and correlation.
fn quality(pairs: &[(f64, f64)]) -> Result<(f64, f64), StatisticsError> {
    let (predicted, measured): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    let squares: f64 = pairs.iter().map(|(p, m)| (m - p) * (m - p)).sum();
    Ok(((squares / pairs.len() as f64).sqrt(), correlation(&predicted, &measured)?))
}

/// What full eyes at room temperature would predict.
fn room_yardstick(sample: &Sample) -> Option<Candidate> {
    let sound = || sample.units.iter().filter(|unit| is_sound(unit) && !unit.room.is_empty());
    let columns = sound().next()?.room.len();
    let rows: Vec<Vec<f64>> =
        sound().filter(|unit| unit.room.len() == columns).map(|unit| unit.room.clone()).collect();
    let y: Vec<f64> = sound().filter(|unit| unit.room.len() == columns).map(|unit| unit.corner).collect();
    let fit = least_squares(&rows, &y).ok()?;
    let (residual_sd, r) = quality(&straighten(&fit, &y).ok()?.1).ok()?;
    let words = "yardstick: the run's own eyes at room temperature".into();
    Some(Candidate { words, residual_sd, r, test_s: None, chosen: false })
}

fn best(fitted: &[Fitted], columns: bool) -> Option<usize> {
    let of_kind = fitted.iter().enumerate().filter(|(_, one)| one.look.columns == columns);
    of_kind.min_by(|a, b| a.1.residual_sd.total_cmp(&b.1.residual_sd)).map(|(at, _)| at)
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
fn ranges(sound: &[Sound<'_>]) -> Vec<LaneRange> {
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

fn faulty_unit(unit: &SampleUnit, test: &LineTest) -> FaultyUnit {
    let judged = test.judge(&unit.line);
    FaultyUnit {
        name: unit.name.clone(),
        fault: unit.fault.clone().unwrap_or_else(|| "failed at a corner, not known to be faulty".into()),
        corner: unit.corner,
        predicted: judged.predicted,
        decision: judged.decision,
        bad: unit.corner < test.limit,
    }
}

/// The guard band to take; where none keeps what is asked, the nearest.
fn choose(curve: &[CurvePoint], asked: &Asked) -> Result<usize, usize> {
    let keeps = |point: &CurvePoint| {
        point.risk.escapes <= asked.escapes
            && point.risk.overkill <= asked.overkill
            && point.risk.sent_on <= asked.sent_on
    };
    let kept = curve.iter().enumerate().filter(|(_, point)| keeps(point));
    let taken = match asked.costs {
        Some(_) => kept.min_by(|a, b| a.1.cost.unwrap_or(0.0).total_cmp(&b.1.cost.unwrap_or(0.0))),
        None => kept.min_by(|a, b| a.1.sds.total_cmp(&b.1.sds)),
    };
    // How far the worst of the three is beyond what is asked.
    let beyond = |point: &CurvePoint| {
        let over = |is: f64, most: f64| is / most.max(1e-6);
        over(point.risk.escapes, asked.escapes).max(over(point.risk.sent_on, asked.sent_on))
    };
    taken.map(|(at, _)| at).ok_or_else(|| {
        let nearest = curve.iter().enumerate().min_by(|a, b| beyond(a.1).total_cmp(&beyond(b.1)));
        nearest.map_or(0, |(at, _)| at)
    })
}

/// Predictions of the gauge study's units by mounting and repeat, as far as they are whole; and their names.
fn gauge_cells(
    gauge: &[(String, Vec<Vec<UnitOutcome>>)],
    test: &LineTest,
) -> (Vec<Vec<Vec<f64>>>, Vec<String>) {
    let predicted = |outcome: &UnitOutcome| test.judge(outcome).predicted;
    let mut cells = Vec::new();
    let mut names = Vec::new();
    for (name, mountings) in gauge {
        let cell: Option<Vec<Vec<f64>>> =
            mountings.iter().map(|repeats| repeats.iter().map(predicted).collect()).collect();
        if let Some(cell) = cell {
            cells.push(cell);
            names.push(name.clone());
        }
    }
    (cells, names)
}

/// A low, a middling and a high unit of the study.
fn golden(cells: &[Vec<Vec<f64>>], names: &[String]) -> Vec<Golden> {
    let mut means: Vec<Golden> = cells
        .iter()
        .zip(names)
        .filter_map(|(cell, name)| {
            let values: Vec<f64> = cell.iter().flatten().copied().collect();
            Some(Golden { name: name.clone(), predicted: mean(&values).ok()? })
        })
        .collect();
    means.sort_by(|a, b| a.predicted.total_cmp(&b.predicted));
    if means.len() <= GOLDEN {
        return means;
    }
    let last = means.len() - 1;
    [0, last / 2, last].map(|at| means[at].clone()).to_vec()
}
