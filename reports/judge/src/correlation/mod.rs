//! Does the channel model describe this hardware? Its figures fitted to the counts of ordinary runs, what they rest on, and how well
//! they predict conditions that were held out.
//!
//! Chi-square alone is blind: the points of a capture hug one contour, and a wrong model meets them with other figures. What
//! sees it are held-out margins and the likelihood that a figure left out would gain; a fit without both is never called
//! correlated.

mod engine;
mod equations;
mod frames;
mod identify;
mod lanes;
mod left_out;
mod normal;
mod predict;
mod problem;
mod residuals;
mod stack;
#[cfg(test)]
mod tests;

pub use identify::{Direction, Fixed, Identified};
pub use left_out::LeftOut;
pub use predict::{Outline, Prediction, Values};
pub use problem::PRIOR_SD;
pub use residuals::{Residuals, SIDES};

use crate::agreement::{Agreement, Both, agreements};
use nightbench_core::figure_model::{Figure, FigureModel};
use nightbench_core::results::Capture;
use plan::limits::Metric;
use problem::Problem;
use serde::Serialize;

/// Fewest held-out margins that say anything.
pub const FEWEST_HELD_OUT: usize = 3;
/// Largest root mean square of held-out widths and heights that is agreement, taps and Vref steps: what fits with the right figures
/// free reached (0.04 to 0.27 taps, 0.05 to 0.37 steps), and below what wrong ones did (0.8 and 0.9).
pub const AGREES: [f64; 2] = [0.3, 0.5];

/// What no scatter shows of a figure, standard uncertainty of its logarithm: what the model has wrong of all lanes alike (by counting: with
/// forty lanes of default spreads the scatter alone covered three figures of six).
pub const FIGURE_U: f64 = 0.03;

/// Mean chi-square up to which a fit meets its counts: with the right figures free it is below 1, in a wrong place it was 500.
pub const MEETS: f64 = 4.0;

/// One captured eye to be fitted, or held out.
#[derive(Debug, Clone)]
pub struct EyeOf<'c> {
    pub capture: &'c Capture,
    /// Index in [`Asked::models`].
    pub model: usize,
    /// Index in [`Asked::conditions`].
    pub condition: usize,
    /// Chip and module: equal numbers are the same part.
    pub chip: usize,
    pub module: usize,
    /// Chip, module, channel and mounting: equal numbers are the same contacts.
    pub setup: usize,
    pub device_width: u16,
    /// Lanes that have figures of their own, and stay out.
    pub skip: Vec<u16>,
    /// Predicted, not fitted.
    pub held_out: bool,
}

/// A condition's name and levels.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedCondition {
    pub name: String,
    /// Factor and level.
    pub levels: Vec<(String, String)>,
}

/// What is to be fitted.
pub struct Asked<'a> {
    /// One for each condition.
    pub models: Vec<&'a dyn FigureModel>,
    /// Every figure that can be fitted.
    pub figures: &'a [Figure],
    /// Those that are, by index.
    pub free: Vec<usize>,
    pub conditions: Vec<NamedCondition>,
    pub eyes: Vec<EyeOf<'a>>,
}

/// What can be said of the model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// Held-out margins agree, and nothing left out gains more than chance.
    Correlated,
    /// No, or too few, held-out margins, or none that the fit knows well enough.
    NotShown,
    /// Held-out margins are off by more than their U explains, or a figure left out gains more than chance.
    Misfit,
}

/// A figure that was fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedFigure {
    pub figure: Figure,
    pub value: f64,
    /// Standard uncertainty of its logarithm, from the scatter between lanes and eyes, and [`FIGURE_U`].
    pub u: f64,
    /// Interval that holds it in 95 of 100 cases.
    pub interval: (f64, f64),
    /// It ran into the end of what was allowed.
    pub at_end: bool,
}

/// A fit, and what it is worth.
#[derive(Debug, Clone)]
pub struct Correlation {
    pub figures: Vec<FittedFigure>,
    pub identified: Identified,
    /// Points, lanes and eyes that were fitted.
    pub points: usize,
    pub lanes: usize,
    pub eyes: usize,
    /// Mean of (errors - expected)^2 / variance over the points.
    pub chi_square: f64,
    pub residuals: Vec<Residuals>,
    /// Most gained first.
    pub left_out: Vec<LeftOut>,
    /// Gain that chance and the model's rounding give one of them in 20 fits.
    pub chance: f64,
    /// Margins of the conditions that were fitted, and of those held out.
    pub fitted: Vec<Prediction>,
    pub held_out: Vec<Prediction>,
    pub agreement: Vec<Agreement>,
    pub held_out_agreement: Vec<Agreement>,
    pub finding: Finding,
    pub reasons: Vec<String>,
}

impl Correlation {
    /// Figures left out that gain more than chance.
    pub fn told(&self) -> impl Iterator<Item = &LeftOut> {
        self.left_out.iter().filter(|left| left.told)
    }
}

fn both(asked: &Asked<'_>, predictions: &[Prediction]) -> Vec<Both> {
    let mut all = Vec::new();
    for one in predictions {
        let condition = &asked.conditions[one.condition];
        for (metric, values) in [(Metric::Width, &one.width), (Metric::Height, &one.height)] {
            let Some(values) = values else { continue };
            all.push(Both {
                condition: format!("{}, {}", condition.name, one.eye),
                levels: condition.levels.clone(),
                direction: one.eye.direction,
                metric,
                predicted: values.predicted,
                measured: values.measured,
                u: Some(values.u),
                step: values.step,
            });
        }
    }
    all
}

/// Fits the figures and looks at what they are worth.
///
/// # Errors
/// A model without an answer, damaged counts, or nothing to be fitted, in words.
pub fn correlate(asked: &Asked<'_>) -> Result<Correlation, String> {
    let mut problem = Problem::new(asked)?;
    if problem.used.is_empty() {
        return Err("no read or write eye is left to be fitted".into());
    }
    let (state, frames) = problem.fit()?;
    let identified = identify::identify(&problem, &frames, &state)?;
    let (left_out, chance) = left_out::left_out(&problem, &frames, &state)?;
    let (residuals, chi_square, points) = residuals::residuals(&problem, &frames, &state);
    let (fitted, held_out) = predict::predict(&problem, &frames, &state, &identified.all)?;
    let figures: Vec<FittedFigure> = asked
        .free
        .iter()
        .enumerate()
        .map(|(at, figure)| {
            let figure = asked.figures[*figure].clone();
            let u = identified.covariance.at(at, at).max(0.0).sqrt().hypot(FIGURE_U);
            let value = (figure.value * state.theta[at].exp()).clamp(figure.range.0, figure.range.1);
            let reach = (identified.k * u).exp();
            let at_end = state.theta[at].abs() > 0.99 * engine::FARTHEST;
            FittedFigure { value, u, interval: (value / reach, value * reach), at_end, figure }
        })
        .collect();
    let agreement = agreements(&both(asked, &fitted));
    let held_out_agreement = agreements(&both(asked, &held_out));
    let beyond: Vec<f64> = held_out_agreement.iter().map(|of| beyond_u(&held_out, of)).collect();
    let (finding, mut reasons) = judge(&figures, &left_out, &held_out_agreement, &beyond, chance);
    let met = chi_square < MEETS;
    if !met {
        reasons.insert(
            0,
            format!(
                "The fitted model does not meet its own counts (mean chi-square {chi_square:.1}, {MEETS} is most): the fit ended in a wrong \
                 place, or the model is far off. Its figures say nothing; free others, or begin nearer."
            ),
        );
    }
    let finding = if met { finding } else { Finding::Misfit };
    Ok(Correlation {
        figures,
        identified,
        points,
        lanes: problem.used.len(),
        eyes: residuals.len(),
        chi_square,
        residuals,
        left_out,
        chance,
        fitted,
        held_out,
        agreement,
        held_out_agreement,
        finding,
        reasons,
    })
}

/// How far held-out margins are off beyond their U (twice the standard uncertainty): what a fit says that it does not know speaks neither for
/// the model nor against it. Root mean square, taps or Vref steps.
fn beyond_u(held_out: &[Prediction], of: &Agreement) -> f64 {
    let eyes = held_out.iter().filter(|one| one.eye.direction == of.direction);
    let margins =
        eyes.filter_map(|one| if of.metric.is_time() { one.width.as_ref() } else { one.height.as_ref() });
    let beyond = |values: &Values| {
        let off = (values.predicted - values.measured).powi(2) - (2.0 * values.u).powi(2);
        off.max(0.0) / values.step.powi(2)
    };
    (margins.map(beyond).sum::<f64>() / of.number.max(1) as f64).sqrt()
}

fn judge(
    figures: &[FittedFigure],
    left_out: &[LeftOut],
    held_out: &[Agreement],
    beyond: &[f64],
    chance: f64,
) -> (Finding, Vec<String>) {
    let mut reasons = Vec::new();
    let told: Vec<String> = left_out
        .iter()
        .filter(|left| left.told)
        .take(4)
        .map(|left| format!("{} ({:+.0} %, gain {:.0})", left.name, 100.0 * left.change.exp_m1(), left.gain))
        .collect();
    if !told.is_empty() {
        reasons.push(format!(
            "Freeing a figure that was left out gains more than chance ({chance:.1}): {}. The figures that were fitted may have \
             taken up what is theirs.",
            told.join(", ")
        ));
    }
    let mut unsure = Vec::new();
    for (agreement, beyond) in held_out.iter().zip(beyond) {
        let limit = AGREES[usize::from(!agreement.metric.is_time())];
        if agreement.rms_steps <= limit {
            continue;
        }
        let off = format!(
            "Held-out {} of the {} eyes are off by {:.2} {} (root mean square; agreement is {limit} or less), the worst by {:+.2} at {}",
            if agreement.metric.is_time() { "widths" } else { "heights" },
            agreement.direction,
            agreement.rms_steps,
            agreement.step_unit(),
            agreement.worst_steps,
            agreement.worst
        );
        if *beyond > limit {
            reasons.push(format!("{off}."));
        } else {
            unsure.push(format!(
                "{off}; beyond their U that is {beyond:.2}. The fit does not know them well enough to say: fit more conditions, or other \
                 mountings of these."
            ));
        }
    }
    for fitted in figures.iter().filter(|fitted| fitted.at_end) {
        reasons.push(format!("{} ran to the end of what a fit allows.", fitted.figure.name));
    }
    if !reasons.is_empty() {
        reasons.extend(unsure);
        return (Finding::Misfit, reasons);
    }
    if !unsure.is_empty() {
        return (Finding::NotShown, unsure);
    }
    let fewest = held_out.iter().map(|agreement| agreement.number).min().unwrap_or(0);
    if fewest < FEWEST_HELD_OUT {
        let more = if fewest > 0 { "more " } else { "" };
        reasons.push(format!(
            "Held-out margins of one kind: {fewest}; {FEWEST_HELD_OUT} at least are asked for: a fit that meets its own counts \
             shows nothing. Hold {more}conditions out with --hold-out."
        ));
        return (Finding::NotShown, reasons);
    }
    (Finding::Correlated, reasons)
}
