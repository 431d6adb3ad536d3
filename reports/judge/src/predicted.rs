//! Predicted verdicts in a judged run: a state of their own, never one of the verdicts, and the remarks that stand beside them.

use crate::judged::{JudgedCondition, JudgedRun};
use crate::prediction::{
    Audits, Block, Doubt, Field, Known, Measured, Point, Predicted, PredictedVerdict, Predictions, Prior,
    Quantity, Quarantine, Shared, Side, Terms, mandatory,
};
use nightbench_core::condition::ConditionState;
use nightbench_core::text::counted;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::Expansion;
use plan::predicted::Predicted as Asked;
use serde::ser::SerializeStruct;
use serde::{Serialize, Serializer};
use std::collections::{BTreeMap, BTreeSet};

/// What predictions are made from, beside the results.
#[derive(Debug, Clone, PartialEq)]
pub struct PredictionInputs {
    /// What the channel model expects.
    pub prior: Prior,
    /// Blocks are drawn by it.
    pub seed: u64,
    /// Conditions that a run chose to measure, or has measured once: they are never predicted.
    pub asked: BTreeSet<u32>,
    /// The choice of what is measured has come to its end: what is left is predicted.
    pub finished: bool,
}

impl PredictedVerdict {
    pub const ALL: [PredictedVerdict; 2] = [PredictedVerdict::Pass, PredictedVerdict::Fail];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            PredictedVerdict::Pass => "predicted pass",
            PredictedVerdict::Fail => "predicted fail",
        }
    }
}

/// Counts of predicted conditions.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct PredictedCounts {
    pub pass: usize,
    pub fail: usize,
}

impl PredictedCounts {
    pub fn add(&mut self, verdict: PredictedVerdict) {
        match verdict {
            PredictedVerdict::Pass => self.pass += 1,
            PredictedVerdict::Fail => self.fail += 1,
        }
    }

    pub fn of(self, verdict: PredictedVerdict) -> usize {
        match verdict {
            PredictedVerdict::Pass => self.pass,
            PredictedVerdict::Fail => self.fail,
        }
    }

    pub fn total(self) -> usize {
        self.pass + self.fail
    }
}

/// What is to be said of a run's predictions as a whole.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct PredictionNote {
    /// Bench hours that one wrong verdict is worth.
    pub price_hours: f64,
    /// The plan lets predicted verdicts count for release and exit code.
    pub counts_for_release: bool,
    /// The choice of what is measured has come to its end; before it nothing is predicted.
    pub finished: bool,
    /// Sum over the predicted conditions of the probability that the word is wrong.
    pub sum_p_wrong: f64,
    /// By which standard deviations were multiplied, so that predictions of measured blocks hold: metric and direction, factor.
    pub factors: Vec<(String, f64)>,
    /// The same near the limit, where it is larger.
    pub factors_near_limit: Vec<(String, f64)>,
    /// What the blocks drawn at random said; and these with those of the cover.
    #[serde(serialize_with = "audits")]
    pub drawn: Audits,
    #[serde(serialize_with = "audits")]
    pub mandatory: Audits,
    /// Predicted passes that count and may lie within the guard band: measured, some would be conditional.
    pub perhaps_conditional: usize,
    /// What is not predicted, and why.
    pub quarantined: Vec<String>,
    /// Conditions of these.
    pub in_quarantine: usize,
    /// Setups without any measured condition, and blocks (setup and temperature) without one.
    pub unvisited: (usize, usize),
    /// Bench hours that measuring every condition takes by the forecast, and those of this run; where they are known.
    pub hours: Option<(f64, f64)>,
}

/// Puts predictions into a run, where nothing of their conditions was measured, and says what is to be said of them.
pub(crate) fn predict(
    run: &mut JudgedRun,
    (plan, expansion): (&Plan, &Expansion),
    criteria: &AcceptanceCriteria,
    asked: Asked,
    inputs: Option<&PredictionInputs>,
) -> PredictionNote {
    let mut note = PredictionNote {
        price_hours: asked.wrong_verdict_hours,
        counts_for_release: asked.counts_for_release,
        ..PredictionNote::default()
    };
    let Some(inputs) = inputs.filter(|inputs| inputs.finished) else { return note };
    note.finished = true;
    let own = AcceptanceCriteria::of(plan);
    let field = Field::new(plan, expansion, criteria, &inputs.prior);
    // What was measured whatever the model said was chosen by the plan's own limits.
    let chosen = |field: &Field| mandatory(field, &terms(asked, inputs.seed));
    let blocks = match *criteria == own {
        true => chosen(&field),
        false => chosen(&Field::new(plan, expansion, &own, &inputs.prior)),
    };
    let measured: Measured = (0..)
        .zip(&run.conditions)
        .filter_map(|(index, judged)| Known::of(judged).map(|known| (index, known)))
        .collect();
    let visited: BTreeSet<Block> =
        measured.keys().map(|index| field.points[*index as usize].block()).collect();
    let all: BTreeSet<Block> = field.points.iter().map(Point::block).collect();
    let setups =
        |blocks: &BTreeSet<Block>| blocks.iter().map(|one| one.setup).collect::<BTreeSet<u32>>().len();
    note.unvisited = (setups(&all) - setups(&visited), all.len() - visited.len());
    if measured.is_empty() {
        return note;
    }
    let found = Predictions::of(&field, &measured, &blocks, inputs.seed);
    let Predictions { predicted, factors, factors_near, drawn, mandatory, quarantined, .. } = found;
    let known: BTreeSet<u32> = predicted.iter().map(|one| one.condition).collect();
    let guard = guard_bands(run);
    for mut one in predicted {
        let p_wrong = one.p_wrong;
        one.beyond_guard = one.verdict == PredictedVerdict::Pass
            && one.margins.iter().all(|margin| {
                let band = guard.get(&margin.quantity).copied().unwrap_or(f64::INFINITY);
                band == 0.0 || margin.low >= band
            });
        if !inputs.asked.contains(&one.condition) && mark(run, one) {
            note.sum_p_wrong += p_wrong;
        }
    }
    let perhaps = |judged: &&JudgedCondition| {
        let pass = |one: &Predicted| one.verdict == PredictedVerdict::Pass && !one.beyond_guard;
        (!judged.beyond_rating || run.beyond_rating_counts) && judged.predicted.as_ref().is_some_and(pass)
    };
    note.perhaps_conditional = run.conditions.iter().filter(perhaps).count();
    let named = |factors: Vec<(Quantity, f64)>| -> Vec<(String, f64)> {
        let name = |of: Quantity| format!("{} {}", of.metric.name(), of.direction.name());
        factors.into_iter().map(|(of, factor)| (name(of), factor)).collect()
    };
    (note.factors, note.factors_near_limit) = (named(factors), named(factors_near));
    (note.drawn, note.mandatory) = (drawn, mandatory);
    note.quarantined = quarantined.iter().map(|one| words(one, &field, (plan, expansion))).collect();
    let left_open = (0..)
        .zip(&run.conditions)
        .filter(|(index, judged)| {
            judged.state == ConditionState::NotRun && !known.contains(index) && field.is_predictable(*index)
        })
        .count();
    note.in_quarantine = if quarantined.is_empty() { 0 } else { left_open };
    note
}

/// What a plan says of predictions.
pub fn terms(asked: Asked, seed: u64) -> Terms {
    Terms {
        price_hours: asked.wrong_verdict_hours,
        audit_share: asked.audit_share,
        audit_blocks: usize::from(asked.audit_blocks),
        seed,
    }
}

/// The guard band that nine of ten measured margins of a quantity do not exceed, ps or mV.
fn guard_bands(run: &JudgedRun) -> BTreeMap<Quantity, f64> {
    let mut all: BTreeMap<Quantity, Vec<f64>> = BTreeMap::new();
    for metric in run.conditions.iter().flat_map(|judged| &judged.metrics) {
        let quantity = Quantity { metric: metric.metric, direction: metric.eye.direction };
        all.entry(quantity).or_default().push(metric.guard_band);
    }
    let of = |(quantity, mut bands): (Quantity, Vec<f64>)| {
        bands.sort_by(f64::total_cmp);
        (quantity, bands[(bands.len() * 9 / 10).min(bands.len() - 1)])
    };
    all.into_iter().map(of).collect()
}

/// Puts a prediction into a run, where nothing of its condition was measured; says whether it did.
fn mark(run: &mut JudgedRun, predicted: Predicted) -> bool {
    let place = predicted.condition as usize;
    let Some(judged) = run.conditions.get_mut(place).filter(|one| one.state == ConditionState::NotRun) else {
        return false;
    };
    judged.state = ConditionState::Predicted;
    if !judged.beyond_rating || run.beyond_rating_counts {
        run.predicted.add(predicted.verdict);
        run.not_measured -= 1;
    } else {
        run.predicted_beyond_rating.add(predicted.verdict);
    }
    judged.predicted = Some(predicted);
    true
}

fn audits<S: Serializer>(audits: &Audits, to: S) -> Result<S::Ok, S::Error> {
    let bounds = audits.bounds();
    let mut map = to.serialize_struct("Audits", 11)?;
    map.serialize_field("blocks", &audits.blocks)?;
    map.serialize_field("conditions", &audits.conditions)?;
    map.serialize_field("wrong", &audits.wrong)?;
    map.serialize_field("false_passes", &audits.false_passes)?;
    map.serialize_field("expected_wrong", &audits.expected_wrong)?;
    map.serialize_field("share_wrong_at_most", &bounds.map(|bounds| bounds.0))?;
    map.serialize_field("share_of_blocks_wrong_at_most", &bounds.map(|bounds| bounds.1))?;
    map.serialize_field("margins", &audits.margins)?;
    map.serialize_field("margins_within_interval", &audits.held)?;
    map.serialize_field("margins_near_limit", &audits.near_margins)?;
    map.serialize_field("margins_near_limit_within_interval", &audits.near_held)?;
    map.end()
}

/// What lies in quarantine, in words.
fn words(one: &Quarantine, field: &Field, (plan, expansion): (&Plan, &Expansion)) -> String {
    let of = |found: &dyn Fn(&Point) -> bool| {
        field
            .points
            .iter()
            .find(|point| found(point))
            .map(|point| &expansion.conditions[point.condition as usize])
    };
    let module = |condition: &plan::expand::Condition| {
        let chip = match plan.matrix.chips.len() {
            0 | 1 => String::new(),
            _ => format!("chip {}, ", condition.chip(plan).name),
        };
        format!("{chip}module {}", condition.module(plan).name)
    };
    let what = match one.shared {
        Shared::Module(number) => of(&|point| point.module == number).map(module),
        Shared::Channel(number) => {
            of(&|point| point.channel == number).map(|one| format!("channel {}", one.channel(plan).name))
        }
        Shared::Setup(number) => of(&|point| point.setup == number)
            .map(|one| format!("{} on {}", module(one), one.channel(plan).name)),
    };
    let side = match one.side {
        Some(Side::Cold) => "colder than where it is measured first",
        Some(Side::Hot) => "hotter than where it is measured first",
        None => "of which nothing was measured",
    };
    let because = of(&|point| point.block() == one.because);
    let how = match one.doubt {
        Doubt::Far => "lay far from what was predicted of it",
        Doubt::NotCovered => "was to cover it and was not measured",
    };
    let because = because.map_or_else(String::new, |condition| {
        format!(
            ": {} on {} at {} \u{b0}C {how}",
            module(condition),
            condition.channel(plan).name,
            condition.temperature(plan).0
        )
    });
    format!("{}, {side}{because}", what.unwrap_or_else(|| "a part of the matrix".into()))
}

/// How many conditions are predicted, in a few words; empty without any.
pub fn counts_in_words(counts: PredictedCounts) -> String {
    let parts = [(counts.pass, "predicted pass"), (counts.fail, "predicted fail")];
    let parts: Vec<String> = parts
        .into_iter()
        .filter(|(many, _)| *many > 0)
        .map(|(many, words)| format!("{}: {words}", counted(many, "condition")))
        .collect();
    parts.join(", ")
}
