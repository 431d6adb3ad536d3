//! Predicted verdicts in a judged run: a state of their own, never one of the verdicts, and the remarks that stand beside them.

use crate::judged::{JudgedCondition, JudgedRun};
use crate::prediction::{
    Audits, Block, Doubt, Field, Known, Measured, Point, Predicted, PredictedMargin, PredictedVerdict,
    Predictions, Prior, Quantity, Quarantine, Shared, Side, Terms, mandatory,
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
    /// Sum of the probability that two measurements would contradict each other.
    pub sum_p_contradicted: f64,
    /// What leaving them unmeasured is worth at the price, h: a wrong pass in full, a wrong fail in part.
    pub left_worth_hours: f64,
    /// Conditions measured whatever the price (cover and audits), and those that were chosen at it.
    pub measured: (usize, usize),
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
    /// Cover and audits take every block: none is left to be predicted.
    pub audits_everything: bool,
    /// Conditions that a measurement could not decide, whose guard band is wider than their limit: they are not predicted.
    pub undecidable: usize,
    /// What is not predicted, and why.
    pub quarantined: Vec<String>,
    /// Conditions of these.
    pub in_quarantine: usize,
    /// Setups without any measured condition, and blocks (setup and temperature) without one.
    pub unvisited: (usize, usize),
    /// Bench hours that measuring every condition takes by the forecast, and those of this run; where they are known.
    pub hours: Option<(f64, f64)>,
}

/// Largest share of wrong words that the blocks drawn at random may leave possible (95 % confidence), for predicted verdicts to count for a
/// release: eleven conditions, where no word is wrong.
pub const MOST_WRONG: f64 = 0.25;

impl PredictionNote {
    /// Do predicted verdicts count for release and exit code? Where the plan says so, and the audits bound how many are wrong.
    pub fn counts(&self) -> bool {
        self.counts_for_release && self.bound().is_some_and(|bound| bound <= MOST_WRONG)
    }

    /// What the blocks drawn at random bound the share of wrong words at; `None` where none of them was measured with a value.
    pub fn bound(&self) -> Option<f64> {
        self.drawn.bounds().map(|(conditions, _)| conditions)
    }

    /// Why they do not count though the plan says so.
    pub fn floor_words(&self) -> String {
        let found = match self.bound() {
            Some(bound) => format!(
                "{} audited in blocks drawn at random leave {:.1} % of wrong ones possible",
                counted(self.drawn.conditions, "condition"),
                100.0 * bound
            ),
            None => "no condition was audited in a block drawn at random".into(),
        };
        format!("{found}, and {:.0} % is the most (raise `audit_blocks`)", 100.0 * MOST_WRONG)
    }

    /// Why nothing is predicted, where it lies in the plan; else empty.
    pub fn nothing_left_words(&self) -> &'static str {
        match self.audits_everything {
            true => {
                "cover and audits take every block of this plan (`audit_blocks`, `audit_share`), so that none is left"
            }
            false => "",
        }
    }

    /// Do they count, and if not, why?
    pub fn admission_words(&self) -> String {
        match (self.counts(), self.counts_for_release) {
            (true, _) => "they count, as the plan says".into(),
            (false, true) => format!("they decide nothing, since {}", self.floor_words()),
            (false, false) => "they decide nothing (`counts_for_release` in [predicted])".into(),
        }
    }
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
    note.audits_everything = (field.points.iter())
        .all(|point| blocks.contains(point.block()) || field.side(point.condition).is_none());
    let setups =
        |blocks: &BTreeSet<Block>| blocks.iter().map(|one| one.setup).collect::<BTreeSet<u32>>().len();
    note.unvisited = (setups(&all) - setups(&visited), all.len() - visited.len());
    let at_any_price =
        measured.keys().filter(|index| blocks.contains(field.points[**index as usize].block())).count();
    note.measured = (at_any_price, measured.len() - at_any_price);
    if measured.is_empty() {
        return note;
    }
    let found = Predictions::of(&field, &measured, &blocks, inputs.seed);
    let Predictions { predicted, factors, factors_near, drawn, mandatory, quarantined, .. } = found;
    let known: BTreeSet<u32> = predicted.iter().map(|one| one.condition).collect();
    let guard = guard_bands(run);
    for mut one in predicted {
        if inputs.asked.contains(&one.condition) {
            continue;
        }
        if !is_decidable(&mut one, &guard) {
            note.undecidable += usize::from(leave_undecided(run, one.condition));
            continue;
        }
        one.beyond_guard = one.verdict == PredictedVerdict::Pass
            && one.margins.iter().all(|margin| {
                let band = guard.get(&margin.quantity).copied().unwrap_or(f64::INFINITY);
                band == 0.0 || margin.low >= band
            });
        let (p_wrong, p_contradicted, loss) = (one.p_wrong, one.p_contradicted, one.loss());
        if mark(run, one) {
            note.sum_p_wrong += p_wrong;
            note.sum_p_contradicted += p_contradicted;
            note.left_worth_hours += loss * asked.wrong_verdict_hours;
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

/// The guard band that nine of ten measured margins of a quantity do not exceed, ps or mV; those too wide to be judged by among them.
fn guard_bands(run: &JudgedRun) -> BTreeMap<Quantity, f64> {
    let mut all: BTreeMap<Quantity, Vec<f64>> = BTreeMap::new();
    for judged in &run.conditions {
        let wide = judged.unjudged.iter().filter_map(|one| Some((one.metric, one.eye, one.guard_band?)));
        let metrics = judged.metrics.iter().map(|one| (one.metric, one.eye, one.guard_band));
        for (metric, eye, band) in metrics.chain(wide) {
            all.entry(Quantity { metric, direction: eye.direction }).or_default().push(band);
        }
    }
    let of = |(quantity, mut bands): (Quantity, Vec<f64>)| {
        bands.sort_by(f64::total_cmp);
        (quantity, bands[(bands.len() * 9 / 10).min(bands.len() - 1)])
    };
    all.into_iter().map(of).collect()
}

/// Would a measurement decide as well? Not a quantity whose guard band is wider than its limit: only a fail of another one stands then,
/// with the probability that this one would not be read below its limit.
fn is_decidable(one: &mut Predicted, guard: &BTreeMap<Quantity, f64>) -> bool {
    let decides = |margin: &&PredictedMargin| {
        guard.get(&margin.quantity).is_some_and(|band| margin.limit <= 0.0 || band.abs() <= margin.limit)
    };
    if one.margins.iter().all(|margin| decides(&margin)) {
        return true;
    }
    let pass: f64 = one.margins.iter().filter(decides).map(|margin| 1.0 - margin.p_fail).product();
    one.p_wrong = one.p_wrong.max(pass);
    one.verdict == PredictedVerdict::Fail && pass < 0.5
}

/// Says of a condition that nothing was measured of why it is not predicted; says whether it did.
fn leave_undecided(run: &mut JudgedRun, condition: u32) -> bool {
    let judged = run.conditions.get_mut(condition as usize);
    let Some(judged) = judged.filter(|one| one.state == ConditionState::NotRun) else { return false };
    judged.detail = "not predicted either, since a measurement would be undecided: the guard band of what was measured is wider than \
                     the limit itself"
        .into();
    true
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

/// A number of conditions that is no whole number, such as a sum of probabilities, with its noun, so that no reader takes it for a share.
pub fn expected_in_words(conditions: f64) -> String {
    format!("{} conditions", expected_number(conditions))
}

/// The same without the noun, for a sentence that has it.
pub fn expected_number(conditions: f64) -> String {
    match conditions {
        few if few < 0.01 => "fewer than 0.01".into(),
        some if some < 10.0 => format!("{some:.2}"),
        many => format!("{many:.1}"),
    }
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

#[cfg(test)]
mod tests {
    use super::{MOST_WRONG, PredictionNote, expected_in_words, is_decidable};
    use crate::prediction::{Audits, Predicted, PredictedMargin, PredictedVerdict, Quantity, share_bound};
    use nightbench_core::results::Direction;
    use plan::limits::Metric;
    use std::collections::BTreeMap;

    const WIDTH: Quantity = Quantity { metric: Metric::Width, direction: Direction::Read };
    const HEIGHT: Quantity = Quantity { metric: Metric::Height, direction: Direction::Read };

    fn predicted(verdict: PredictedVerdict, p_fail: [f64; 2]) -> Predicted {
        let of = |(quantity, p_fail): (Quantity, f64)| PredictedMargin {
            quantity,
            limit: 10.0,
            margin: 50.0,
            low: 40.0,
            high: None,
            p_fail,
        };
        let pass = (1.0 - p_fail[0]) * (1.0 - p_fail[1]);
        Predicted {
            condition: 0,
            verdict,
            p_fail: 1.0 - pass,
            p_wrong: if verdict == PredictedVerdict::Pass { 1.0 - pass } else { pass },
            margins: [WIDTH, HEIGHT].into_iter().zip(p_fail).map(of).collect(),
            p_contradicted: 0.0,
            beyond_guard: false,
        }
    }

    /// Beyond doubt the margin that is smaller as a share decides, as of measured ones: else a cell of a sure pass named whichever quantity's
    /// chance of a fail was larger in the ninth digit, and showed a larger margin than the measured cells beside it.
    #[test]
    fn beyond_doubt_the_smaller_share_decides() {
        let decides = |p_fail: [f64; 2]| {
            let mut one = predicted(PredictedVerdict::Pass, p_fail);
            one.margins[0].margin = 12.0;
            one.margins[1].margin = 20.0;
            one.worst().map(|worst| worst.quantity)
        };
        assert_eq!(decides([1e-9, 1e-8]), Some(WIDTH));
        assert_eq!(decides([1e-9, 0.01]), Some(HEIGHT));
        assert_eq!(decides([0.9995, 0.99991]), Some(WIDTH));
    }

    /// A measurement whose guard band is wider than its limit decides nothing, but for a fail of another quantity: nor does a prediction.
    #[test]
    fn a_prediction_says_no_more_than_a_measurement_would() {
        let guard = |width: f64, height: f64| BTreeMap::from([(WIDTH, width), (HEIGHT, height)]);
        let pass = || predicted(PredictedVerdict::Pass, [0.001, 0.001]);
        assert!(is_decidable(&mut pass(), &guard(10.0, 10.0)));
        assert!(!is_decidable(&mut pass(), &guard(10.1, 5.0)));
        // A rule that accepts within the guard band leaves as much open.
        assert!(!is_decidable(&mut pass(), &guard(5.0, -10.1)));
        // Nothing measured tells how wide it is.
        assert!(!is_decidable(&mut pass(), &BTreeMap::from([(WIDTH, 5.0)])));
        let fail = || predicted(PredictedVerdict::Fail, [0.98, 0.6]);
        let mut kept = fail();
        assert!(is_decidable(&mut kept, &guard(5.0, 11.0)));
        assert!(
            (kept.p_wrong - 0.02).abs() < 1e-12,
            "what the other quantity adds is left out: {}",
            kept.p_wrong
        );
        assert!(!is_decidable(&mut predicted(PredictedVerdict::Fail, [0.98, 0.1]), &guard(11.0, 5.0)));
    }

    /// Eleven conditions without a wrong word: 1 - 0.05^(1/11) is 23.8 %, and of ten 25.9 % (Clopper and Pearson, one-sided).
    #[test]
    fn predictions_count_only_where_the_audits_bound_how_many_are_wrong() {
        let note = |conditions: usize, wrong: usize| PredictionNote {
            counts_for_release: true,
            drawn: Audits { blocks: 4, conditions, wrong, ..Audits::default() },
            ..PredictionNote::default()
        };
        assert!(
            (share_bound(0, 11).unwrap() - 0.238).abs() < 5e-4 && share_bound(0, 10).unwrap() > MOST_WRONG
        );
        assert!(note(11, 0).counts() && !note(10, 0).counts() && !note(0, 0).counts());
        assert!(!note(11, 1).counts() && note(40, 2).counts());
        assert!(!PredictionNote { counts_for_release: false, ..note(40, 0) }.counts());
        assert!(
            note(1, 0)
                .admission_words()
                .contains("leave 95.0 % of wrong ones possible, and 25 % is the most")
        );
        let none = PredictionNote { drawn: Audits::default(), ..note(0, 0) };
        assert!(none.admission_words().contains("no condition was audited"), "{}", none.admission_words());
    }

    #[test]
    fn a_sum_of_probabilities_is_never_nothing_and_never_a_share() {
        assert_eq!(expected_in_words(0.0), "fewer than 0.01 conditions");
        assert_eq!(expected_in_words(0.0049), "fewer than 0.01 conditions");
        assert_eq!(expected_in_words(0.12), "0.12 conditions");
        assert_eq!(expected_in_words(12.34), "12.3 conditions");
    }
}
