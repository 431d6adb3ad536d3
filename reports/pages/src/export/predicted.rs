//! Fields of predicted conditions, in the exports of plans that ask for predicted verdicts and in no others.

use judge::judged::{JudgedCondition, JudgedRun, PredictedMargin};
use nightbench_core::condition::ConditionState;

/// Their names in the order they are written; of each unit the margin that decides.
pub(super) const FIELDS: [&str; 9] = [
    "class",
    "predicted_verdict",
    "predicted_margin_ps",
    "interval_low_ps",
    "interval_high_ps",
    "predicted_margin_mv",
    "interval_low_mv",
    "interval_high_mv",
    "p_wrong",
];

/// Are they written?
pub(super) fn are_written(run: &JudgedRun) -> bool {
    run.audit.predictions.is_some()
}

/// How the verdict of a condition is known.
pub(super) fn class(judged: &JudgedCondition) -> &'static str {
    match (judged.state, judged.verdict) {
        (ConditionState::Predicted, _) => "predicted",
        (ConditionState::TrainingFailed, _) => "training",
        (_, Some(_)) => judged.evidence().name(),
        (_, None) => "none",
    }
}

/// What is predicted; `None` where nothing is.
pub(super) fn verdict(judged: &JudgedCondition) -> Option<&'static str> {
    judged.predicted.as_ref().map(|predicted| predicted.verdict.words())
}

/// The numbers of a condition, in the order of the fields after the first two.
pub(super) fn numbers(judged: &JudgedCondition) -> [Option<f64>; 7] {
    let Some(predicted) = &judged.predicted else { return [None; 7] };
    let deciding = |time: bool| {
        let of = predicted.margins.iter().filter(|one| one.quantity.metric.is_time() == time);
        of.min_by(|a, b| b.p_fail.total_cmp(&a.p_fail).then(share(a).total_cmp(&share(b))))
    };
    let three = |one: Option<&PredictedMargin>| {
        [one.map(|one| one.margin), one.map(|one| one.low), one.and_then(|one| one.high)]
    };
    let ([a, b, c], [d, e, f]) = (three(deciding(true)), three(deciding(false)));
    [a, b, c, d, e, f, Some(predicted.p_wrong)]
}

fn share(margin: &PredictedMargin) -> f64 {
    margin.margin / margin.limit
}
