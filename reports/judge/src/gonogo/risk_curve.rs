//! Risks against the guard band, and which guard band is taken.

use super::guard_bands::{steps, thresholds};
use super::prediction::Fitted;
use super::sample::{Asked, Sample, SampleUnit, readings_of};
use super::test::{Decision, LineTest};
use super::uncertainty::spread;
use statistics::StatisticsError;
use statistics::predicted_risk::{Item, Known, PredictedRisk, Sampled};
use statistics::summary::Interval;

/// Intervals: 95 % of what would be counted over 20,000 units; a guard band is taken where escapes keep what is asked at 90 %.
const KNOWN: Known = Known { confidence: 0.95, counted: 20_000.0, sure: 0.9, seed: 1 };

/// Risks at one guard band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Guard band in residual standard deviations, and in the metric's unit.
    pub sds: f64,
    pub guard_band: f64,
    pub risk: PredictedRisk,
    /// 95 % of what would be counted over 20,000 units.
    pub escapes: Interval,
    /// Escapes lie below at 90 % confidence, one-sided.
    pub escapes_below: f64,
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

/// The sample's faulty units under a test.
pub(super) fn faulty_units(sample: &Sample, test: &LineTest) -> Vec<FaultyUnit> {
    let judged = |unit: &SampleUnit| {
        let judged = test.judge(&unit.line);
        let unknown = || "failed at a corner, not known to be faulty".into();
        FaultyUnit {
            name: unit.name.clone(),
            fault: unit.fault.clone().unwrap_or_else(unknown),
            corner: unit.corner,
            predicted: judged.predicted,
            decision: judged.decision,
            bad: unit.corner < test.limit,
        }
    };
    sample.units.iter().filter(|unit| !unit.is_sound()).map(judged).collect()
}

/// The sample's faulty units as items of the population. It does not depend on the guard band.
fn faulty_items(sample: &Sample, test: &LineTest) -> Vec<Item> {
    let item = |unit: &SampleUnit| {
        let judged = test.judge(&unit.line);
        if judged.decision == Decision::NotMeasured {
            return None;
        }
        // Who failed in training is a no-go whatever the guard band.
        let predicted = judged.predicted.unwrap_or(test.no_go_below - 5.0 * test.residual_sd);
        let far = readings_of(unit, &test.look).is_some_and(|readings| test.far_outside(&readings).is_some());
        let set_apart = far && predicted >= test.no_go_below;
        Some(Item { predicted, residual: unit.corner - predicted, set_apart })
    };
    sample.units.iter().filter(|unit| !unit.is_sound()).filter_map(item).collect()
}

/// The share of faulty units, and the curve.
///
/// # Errors
/// No spread.
pub(super) fn risk_curve(
    sample: &Sample,
    fitted: &Fitted,
    test: &LineTest,
    asked: &Asked,
) -> Result<(f64, Vec<CurvePoint>), StatisticsError> {
    let mut sound = fitted.model.items();
    for (item, unit) in sound.iter_mut().zip(sample.sound(&fitted.look)) {
        item.set_apart = test.far_outside(&unit.readings).is_some();
    }
    let faulty = faulty_items(sample, test);
    let own_share = faulty.len() as f64 / (faulty.len() + sound.len()) as f64;
    let faulty_share = asked.faulty_share.unwrap_or(own_share);
    let sampled = Sampled { sound: &sound, faulty: &faulty, faulty_share };
    let (at, guards) = thresholds(asked.limit, test.residual_sd);
    let parts = sampled.parts(at, &guards)?;
    let known = parts.intervals(&spread(&fitted.rows, &fitted.model, asked.limit)?, KNOWN)?;
    let curve =
        steps().zip(guards).zip(parts.risks()).zip(known).map(|(((sds, guard_band), risk), known)| {
            let cost = asked.costs.map(|costs| {
                let good = 1.0 - risk.bad;
                costs.escape * risk.escapes
                    + costs.corner * risk.sent_on
                    + costs.overkill * risk.overkill * good
            });
            CurvePoint {
                sds,
                guard_band,
                risk,
                escapes: known.escapes,
                escapes_below: known.escapes_below,
                sent_on: known.sent_on,
                overkill_alone: known.overkill_alone,
                cost,
            }
        });
    Ok((faulty_share, curve.collect()))
}

/// Which guard band is taken.
pub(super) enum Choice {
    /// It keeps what is asked, escapes at 90 % confidence.
    Sure(usize),
    /// It keeps it by estimate: no other one that does is surer.
    Estimated(usize),
    /// None does: the nearest.
    None(usize),
}

/// The guard band to take: of those that keep what is asked the smallest, or the cheapest. An estimate alone is half of the time
/// too low, so escapes are to keep it at 90 % confidence; where corner tests leave no room for that, the widest is taken.
pub(super) fn choose(curve: &[CurvePoint], asked: &Asked) -> Choice {
    let keeps = |point: &CurvePoint| {
        point.risk.escapes <= asked.escapes
            && point.risk.overkill <= asked.overkill
            && point.risk.sent_on <= asked.sent_on
    };
    let kept: Vec<(usize, &CurvePoint)> =
        curve.iter().enumerate().filter(|(_, point)| keeps(point)).collect();
    let sure = kept.iter().filter(|(_, point)| point.escapes_below <= asked.escapes);
    // Where costs are stated the cheapest, else the smallest.
    let weight = |point: &CurvePoint| point.cost.unwrap_or(point.sds);
    if let Some((at, _)) = sure.min_by(|a, b| weight(a.1).total_cmp(&weight(b.1))) {
        return Choice::Sure(*at);
    }
    if let Some((at, _)) = kept.last() {
        return Choice::Estimated(*at);
    }
    // How far the worst of the three is beyond what is asked.
    let beyond = |point: &CurvePoint| {
        let over = |is: f64, most: f64| is / most.max(1e-6);
        over(point.risk.escapes, asked.escapes)
            .max(over(point.risk.sent_on, asked.sent_on))
            .max(over(point.risk.overkill, asked.overkill))
    };
    let nearest = curve.iter().enumerate().min_by(|a, b| beyond(a.1).total_cmp(&beyond(b.1)));
    Choice::None(nearest.map_or(0, |(at, _)| at))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gonogo::{CornerMetric, Costs};

    /// Escapes fall and corner tests rise with the guard band; at 90 % escapes lie below twice the estimate.
    fn curve(costs: Option<Costs>) -> Vec<CurvePoint> {
        let point = |sds: f64| {
            let risk = PredictedRisk {
                escapes: 0.01 * (-2.0 * sds).exp(),
                sent_on: 0.05 + 0.05 * sds,
                ..PredictedRisk::default()
            };
            let about = |value: f64| Interval { lower: 0.5 * value, upper: 2.0 * value };
            CurvePoint {
                sds,
                guard_band: 0.01 * sds,
                risk,
                escapes: about(risk.escapes),
                escapes_below: 2.0 * risk.escapes,
                sent_on: about(risk.sent_on),
                overkill_alone: about(0.1),
                cost: costs.map(|costs| costs.escape * risk.escapes + costs.corner * risk.sent_on),
            }
        };
        steps().map(point).collect()
    }

    fn asked(escapes: f64, sent_on: f64, costs: Option<Costs>) -> Asked {
        Asked {
            metric: CornerMetric::Width,
            limit: 0.2,
            escapes,
            overkill: 0.01,
            sent_on,
            costs,
            faulty_share: None,
        }
    }

    #[test]
    fn the_smallest_sure_guard_band_is_taken_else_the_widest_by_estimate() {
        let taken = |escapes, sent_on| choose(&curve(None), &asked(escapes, sent_on, None));
        // 0.002 is reached at 0.80 by estimate, at 1.15 at 90 %.
        assert!(matches!(taken(0.002, 1.0), Choice::Sure(5)));
        // Corner tests end at 1.0: no room for more.
        assert!(matches!(taken(0.002, 0.1), Choice::Estimated(4)));
        // At 0.5 nothing keeps it: the nearest is told.
        assert!(matches!(taken(0.002, 0.075), Choice::None(_)));
        let costs = Some(Costs { escape: 1e4, corner: 1.0, overkill: 1.0 });
        // 100 e^(-2 g) + 0.05 g is least at g = ln(4000) / 2 = 4.15: beyond the widest.
        assert!(matches!(choose(&curve(costs), &asked(0.002, 1.0, costs)), Choice::Sure(16)));
        // Escapes that cost little do not lead below what is asked.
        let costs = Some(Costs { escape: 1.0, corner: 1.0, overkill: 1.0 });
        assert!(matches!(choose(&curve(costs), &asked(0.002, 1.0, costs)), Choice::Sure(5)));
    }
}
