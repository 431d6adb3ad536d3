//! The lines of a budget for what differs between starts and between mountings: measured by repeats and re-seats, else estimates.

use super::{Inputs, Row};
use plan::limits::Metric;

/// Repeatability where neither repeats nor the captures themselves say anything, taps and Vref steps (estimate).
const UNKNOWN_REPEATABILITY: f64 = 0.25;
/// Degrees of freedom of the scatter of training as the captures show it: known to a quarter (GUM G.4.2: 1/2 (u / du)^2).
const TRAINING_FREEDOM: f64 = 8.0;
/// Re-seating of an edge and of a span of two where a run has no re-seats, taps and Vref steps (estimates until a study
/// replaces them), and their degrees of freedom: known to a third.
const UNKNOWN_RESEATING: ([f64; 2], [f64; 2]) = ([0.15, 0.15], [0.25, 0.5]);
const RESEATING_FREEDOM: f64 = 4.0;
/// Bit time these hold down to, ps: of shorter bits contacts change more, as the square (invented DDR5 chips at 4000 to 4800 MT/s: 0.9
/// to 1.3 Vref steps of a height).
const RESEATING_UI_PS: f64 = 375.0;

/// Repeatability: the scatter of training as the captures show it, with the run's own repeats where there are any.
pub fn repeatability(
    inputs: &Inputs<'_>,
    step: f64,
    words: bool,
    row: &impl Fn(&'static str, f64, String) -> Row,
) -> Row {
    let say = |text: &dyn Fn() -> String| if words { text() } else { String::new() };
    let sensitivity = 1.0 / f64::from(inputs.jobs.max(1)).sqrt();
    if inputs.training > 0.0 {
        const BESIDE: &str = "changes beside the operating points";
        return match inputs.scatter.of_training {
            Some((ratio, freedom)) => {
                let all = TRAINING_FREEDOM + freedom;
                let deviation = inputs.training * ((TRAINING_FREEDOM + freedom * ratio) / all).sqrt();
                let source = say(&|| {
                    format!(
                        "this run's repeats, with {BESIDE} as {TRAINING_FREEDOM} more; mean of {}",
                        inputs.jobs
                    )
                });
                Row { kind: 'A', sensitivity, freedom: Some(all), ..row("repeatability", deviation, source) }
            }
            None => {
                const HALF: &str = "half a tap and half a Vref step of training's scatter (estimate), times what each eye loses that far beside \
                                    its operating point: a steep eye has more";
                let source = say(&|| HALF.into());
                let freedom = Some(TRAINING_FREEDOM);
                Row { sensitivity, freedom, assumed: true, ..row("repeatability", inputs.training, source) }
            }
        };
    }
    // Identical repeats say that the grid is too coarse to see the scatter, not that there is none.
    match inputs.scatter.repeatability.filter(|(deviation, _)| *deviation > 0.0) {
        Some((deviation, freedom)) => Row {
            kind: 'A',
            sensitivity,
            freedom: Some(freedom),
            ..row("repeatability", deviation, say(&|| format!("this run's repeats, mean of {}", inputs.jobs)))
        },
        None => {
            let why = if inputs.scatter.repeatability.is_some() {
                "the repeats are identical (zero variance)"
            } else if inputs.jobs > 1 {
                "no repeat has a value within the grid"
            } else {
                "no repeats in this run"
            };
            let source = say(&|| format!("{why}: {UNKNOWN_REPEATABILITY} of a step, estimate"));
            Row { assumed: true, ..row("repeatability", UNKNOWN_REPEATABILITY * step, source) }
        }
    }
}

/// Re-seating: an estimate, with the run's own re-seats where there are any.
pub fn reseating(
    inputs: &Inputs<'_>,
    step: f64,
    words: bool,
    row: &impl Fn(&'static str, f64, String) -> Row,
) -> Row {
    let say = |text: &dyn Fn() -> String| if words { text() } else { String::new() };
    let (taps, vref_steps) = UNKNOWN_RESEATING;
    let span = usize::from(matches!(inputs.metric, Metric::Width | Metric::Height));
    let faster = (RESEATING_UI_PS / inputs.grid.ui.0).powi(2).max(1.0);
    let steps = faster * if inputs.metric.is_time() { taps[span] } else { vref_steps[span] };
    let (deviation, freedom, kind, source) = match inputs.scatter.reseating {
        Some((deviation, freedom)) => {
            let all = RESEATING_FREEDOM + freedom;
            let squares = RESEATING_FREEDOM * (steps * step).powi(2) + freedom * deviation * deviation;
            let source = say(&|| {
                format!(
                    "this run's re-seats, with {steps:.2} of a step as {RESEATING_FREEDOM} more; mountings averaged: {}",
                    inputs.mountings
                )
            });
            ((squares / all).sqrt(), all, 'A', source)
        }
        None => {
            let source = say(&|| format!("no re-seats in this run: {steps:.2} of a step, estimate"));
            (steps * step, RESEATING_FREEDOM, 'B', source)
        }
    };
    Row {
        kind,
        assumed: kind == 'B',
        sensitivity: inputs.mounting_weight,
        freedom: Some(freedom),
        ..row("re-seating", deviation, source)
    }
}
