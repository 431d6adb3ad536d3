//! From a sample whose corners are known to a test, or to the reasons why there is none.
//!
//! Sound units give the regression, its residual (each unit judged by a fit that leaves it out) and the spread; faulty ones,
//! known or planted, enter the population that the risks are drawn from and nothing else. Where room temperature cannot sort,
//! that is the finding.

use super::golden::{Gauge, Golden, gauge};
use super::guard_bands::NO_GO_SDS;
use super::prediction::{FEWEST_SOUND, LEAST_CORRELATION, looks, ranges, room_yardstick};
use super::refusal::Refusal;
use super::risk_curve::{Choice, CurvePoint, FaultyUnit, choose, faulty_units, risk_curve};
use super::sample::{Asked, Sample};
use super::test::{Decision, LineTest, Term};
use statistics::StatisticsError;
use statistics::gauge::GaugeStudy;
use statistics::summary::{mean, standard_deviation};
use statistics::tolerance::one_sided_factor;

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
    /// Escapes keep what is asked at 90 % confidence, not by estimate alone.
    pub sure: bool,
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

/// Derives a test.
///
/// # Errors
/// Nothing can be fitted at all: too few units, or no spread.
pub fn derive(sample: &Sample, asked: &Asked) -> Result<Derivation, Refusal> {
    let no_fit = |error: StatisticsError| Refusal::NoFit(error.to_string());
    let (fitted, taken) = looks(sample)?;
    let candidates = fitted.iter().enumerate().map(|(at, one)| Candidate {
        words: format!(
            "{} to an error ratio of {:.0e}",
            if one.look.columns { "rows and columns" } else { "rows" },
            one.look.limit
        ),
        residual_sd: one.model.residual_sd,
        r: one.model.r,
        test_s: Some(one.test_s),
        chosen: at == taken,
    });
    let mut candidates: Vec<Candidate> = candidates.collect();
    let yardstick = room_yardstick(sample);
    let r_all_eyes = yardstick.as_ref().map(|model| model.r);
    candidates.extend(yardstick.map(|model| Candidate {
        words: "yardstick: the run's own eyes at room temperature".into(),
        residual_sd: model.residual_sd,
        r: model.r,
        test_s: None,
        chosen: false,
    }));
    let one = &fitted[taken];
    let sound = sample.sound(&one.look);
    let n = sound.len();
    let mut refusals = Vec::new();
    if n < FEWEST_SOUND {
        refusals.push(Refusal::TooFew { sound: n, need: FEWEST_SOUND });
    }
    if one.model.r < LEAST_CORRELATION {
        refusals.push(Refusal::Correlation { r: one.model.r, r_all_eyes });
    }
    let term = |((supply, of), coefficient): (&(String, _), &f64)| Term {
        supply: supply.clone(),
        of: *of,
        coefficient: *coefficient,
    };
    let mut test = LineTest {
        metric: asked.metric,
        limit: asked.limit,
        guard_band: 0.0,
        no_go_below: asked.limit - NO_GO_SDS * one.model.residual_sd,
        residual_sd: one.model.residual_sd,
        // Figures fitted: a constant, the terms, a cubic's three.
        regression_sd: one.model.residual_sd * ((one.terms.len() + 4) as f64 / n as f64).sqrt(),
        intercept: one.model.fit.intercept,
        straightening: one.model.straightening,
        look: one.look,
        term: one.terms.iter().zip(&one.model.fit.coefficients).map(term).collect(),
        range: ranges(&sound),
    };
    let (faulty_share, curve) = risk_curve(sample, one, &test, asked).map_err(no_fit)?;
    let (chosen, sure) = match choose(&curve, asked) {
        Choice::Sure(at) => (at, true),
        Choice::Estimated(at) => (at, false),
        Choice::None(at) => {
            let CurvePoint { risk, sds, .. } = curve[at];
            let (escapes, overkill, sent_on) = (risk.escapes, risk.overkill, risk.sent_on);
            refusals.push(Refusal::NoGuardBand { escapes, overkill, sent_on, guard_sds: sds });
            (at, false)
        }
    };
    test.guard_band = curve[chosen].guard_band;
    let corners: Vec<f64> = sound.iter().map(|one| one.unit.corner).collect();
    let Gauge { study, shape, golden, golden_sd } = gauge(&sample.gauge, &test);
    Ok(Derivation {
        refusals,
        sound: n,
        faulty: faulty_units(sample, &test),
        faulty_share,
        pairs: one.model.pairs.clone(),
        r: one.model.r,
        mean: mean(&corners).map_err(no_fit)?,
        sd: standard_deviation(&corners).map_err(no_fit)?,
        candidates,
        curve,
        chosen,
        sure,
        gauge: study,
        gauge_shape: shape,
        golden,
        golden_sd,
        tolerance: [0.95, 0.99, 0.999]
            .into_iter()
            .filter_map(|content| Some((content, one_sided_factor(n, content, 0.95).ok()?)))
            .collect(),
        test_s: one.test_s,
        test,
    })
}
