//! Predictions over an invented bench whose margins are known.

use super::*;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::Direction;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Expansion, expand};
use plan::limits::Metric;
use plan::selection::Selection;
use std::cell::Cell;
use std::collections::BTreeSet;

const LIBRARY: &str = include_str!("../../../../plans/library/highest-rate.toml");
pub(super) const WIDTH: Quantity = Quantity { metric: Metric::Width, direction: Direction::Read };
pub(super) const HEIGHT: Quantity = Quantity { metric: Metric::Height, direction: Direction::Read };
/// Unit interval in ps and VDDQ in mV, as far as these tests go.
const UI: f64 = 400.0;
pub(super) const VDDQ: f64 = 1200.0;

fn text() -> String {
    LIBRARY.replace("[highest_rate]\nat_least = 2133\n", "")
}

/// What a model expects that knows rates and temperatures and nothing else.
fn expected(plan: &Plan, expansion: &Expansion) -> Prior {
    let of = |(index, condition): (u32, &plan::expand::Condition)| {
        let rate = (condition.rate(plan).mega_transfers() - 1600.0) / 1600.0;
        let heat = (condition.temperature(plan).0 - 25.0) / 70.0;
        Expected {
            condition: index,
            direction: Direction::Read,
            width: Size { share: 0.62 - 0.35 * rate - 0.03 * heat, scatter: 0.002 },
            height: Size { share: 0.22 - 0.1 * rate - 0.01 * heat, scatter: 0.003 },
            ui_ps: UI,
            tap_ps: 10.0,
            vddq_mv: VDDQ,
            step_mv: 8.0,
        }
    };
    Prior { expected: (0..).zip(&expansion.conditions).map(of).collect() }
}

pub(super) fn field_of(text: &str, change: impl FnOnce(&mut Prior)) -> Field {
    let plan = Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let expansion = expand(&plan, &Selection::default());
    let mut prior = expected(&plan, &expansion);
    change(&mut prior);
    Field::new(&plan, &expansion, &AcceptanceCriteria::of(&plan), &prior)
}

pub(super) fn field() -> Field {
    field_of(&text(), |_| {})
}

fn reading(quantity: Quantity, value: f64) -> Reading {
    Reading { quantity, value, u: 1.0, at_least: false, closed: false }
}

/// The bench: everything narrower than expected, modules and channels each by their own, and a little noise.
pub(super) fn truth(field: &Field) -> Measured {
    let of = |point: &Point| {
        let mut noise = SplitMix64::new(u64::from(point.condition) + 7);
        let mut draw = || noise.unit() + noise.unit() + noise.unit() - 1.5;
        let asked = |quantity| {
            let one = field.asked[point.condition as usize].iter().find(|one| one.quantity == quantity);
            one.map_or(0.5, |one| one.expected.share)
        };
        let own = 0.02 * f64::from(point.module % 3) + 0.015 * f64::from(point.channel % 3);
        let width = (asked(WIDTH) - 0.05 - own + 0.008 * draw()).max(0.0);
        let height = (asked(HEIGHT) - 0.02 - 0.4 * own + 0.003 * draw()).max(0.0);
        (point.condition, Known::Read(vec![reading(WIDTH, width * UI), reading(HEIGHT, height * VDDQ)]))
    };
    field.points.iter().map(of).collect()
}

/// A bench on which a condition takes so long, another temperature a minute and another setup a quarter of an hour.
struct Bench<'f> {
    field: &'f Field,
    stands: Cell<Option<u32>>,
    gone: Cell<f64>,
    each: f64,
}

impl<'f> Bench<'f> {
    fn new(field: &'f Field, each: f64) -> Bench<'f> {
        Bench { field, stands: Cell::new(None), gone: Cell::new(0.0), each }
    }

    fn take(&self, condition: u32) {
        self.gone.set(self.gone.get() + self.hours(&[condition]));
        self.stands.set(Some(condition));
    }
}

impl Clock for Bench<'_> {
    fn hours(&self, conditions: &[u32]) -> f64 {
        let mut hours = 0.0;
        let mut before = self.stands.get().map(|one| self.field.points[one as usize]);
        for condition in conditions {
            let point = self.field.points[*condition as usize];
            let from = before.filter(|one| one.setup == point.setup).map_or(25.0, |one| one.temperature_c);
            hours += self.each + (point.temperature_c - from).abs() / 60.0;
            hours += if before.is_none_or(|one| one.setup != point.setup) { 0.25 } else { 0.0 };
            before = Some(point);
        }
        hours
    }

    fn spent(&self) -> f64 {
        self.gone.get()
    }

    fn full(&self) -> f64 {
        1e6
    }
}

pub(super) fn terms(price_hours: f64) -> Terms {
    Terms { price_hours, audit_share: 0.03, audit_blocks: 4, seed: 5 }
}

/// Walks to the end: what was measured, visit by visit, and the predictions.
fn walked(field: &Field, truth: &Measured, price: f64, each: f64) -> (Vec<Visit>, Predictions) {
    let mut walk = Walk::new(field, terms(price), &[]);
    let bench = Bench::new(field, each);
    let (mut visits, mut stands) = (Vec::new(), None);
    let mut seen = BTreeSet::new();
    while let Some(visit) = walk.next(stands, &bench) {
        assert!(!visit.conditions.is_empty());
        for condition in &visit.conditions {
            assert!(seen.insert(*condition), "asked twice");
            bench.take(*condition);
            walk.took(*condition, truth.get(condition).cloned());
            stands = Some(*condition);
        }
        visits.push(visit);
    }
    (visits, walk.predictions())
}

#[test]
fn a_walk_measures_what_decides_and_its_predictions_come_true() {
    let field = field();
    let truth = truth(&field);
    let (visits, found) = walked(&field, &truth, 2.0, 0.002);
    let measured: usize = visits.iter().map(|visit| visit.conditions.len()).sum();
    assert_eq!(measured + found.predicted.len(), field.points.len());
    assert!(found.predicted.len() > 20, "{} predicted", found.predicted.len());
    assert!(found.quarantined.is_empty(), "{:?}", found.quarantined);
    let (mut wrong, mut held, mut margins) = (0, 0, 0);
    for one in &found.predicted {
        let mut passes = true;
        for margin in &one.margins {
            let is = truth[&one.condition].reading(margin.quantity).unwrap().value - margin.limit;
            passes &= is >= 0.0;
            margins += 1;
            held += usize::from(is >= margin.low && margin.high.is_none_or(|high| is <= high));
            assert!(margin.low <= margin.margin && margin.high.is_none_or(|high| high >= margin.margin));
        }
        wrong += usize::from(passes != (one.verdict == PredictedVerdict::Pass));
        assert!(one.p_wrong <= 0.5 || one.verdict == PredictedVerdict::Fail);
    }
    assert!(wrong <= 1, "{wrong} of {} are wrong", found.predicted.len());
    assert!(held as f64 >= 0.9 * margins as f64, "{held} of {margins}");
    // Mandatory blocks are all there, whole.
    let walk = Walk::new(&field, terms(2.0), &[]);
    for point in &field.points {
        let block = Block { setup: point.setup, temperature: point.temperature };
        let done = visits.iter().any(|visit| visit.conditions.contains(&point.condition));
        assert!(done || !walk.mandatory().contains(block));
    }
    // The same again, bit for bit.
    assert_eq!(walked(&field, &truth, 2.0, 0.002), (visits, found));
}

#[test]
fn a_verdict_worth_any_time_leaves_nothing_and_one_worth_none_only_what_must_be() {
    let field = field();
    let truth = truth(&field);
    let (_, found) = walked(&field, &truth, 1e9, 0.002);
    assert_eq!(found.predicted, []);
    let (visits, _) = walked(&field, &truth, 1e-9, 0.002);
    let walk = Walk::new(&field, terms(1e-9), &[]);
    for visit in &visits {
        assert!(visit.why == Why::Begin || walk.mandatory().contains(visit.block), "{visit:?}");
    }
    // Where a condition is dear, a setup is begun with three rates.
    let (visits, _) = walked(&field, &truth, 1.0, 0.5);
    assert_eq!(visits[0].conditions.len(), 3);
}

#[test]
fn a_report_says_the_same_in_whatever_order_conditions_were_measured() {
    let field = field();
    let truth = truth(&field);
    let blocks = mandatory(&field, &terms(5.0));
    let some: Vec<u32> = (0..field.points.len() as u32).filter(|one| one % 3 != 1).collect();
    let forwards: Measured = some.iter().map(|one| (*one, truth[one].clone())).collect();
    let backwards: Measured = some.iter().rev().map(|one| (*one, truth[one].clone())).collect();
    let found = Predictions::of(&field, &forwards, &blocks, 5);
    assert_eq!(found, Predictions::of(&field, &backwards, &blocks, 5));
    assert_eq!(found.predicted.len(), field.points.len() - some.len());
    assert!(found.predicted.windows(2).all(|pair| pair[0].condition < pair[1].condition));
    let sum: f64 = found.predicted.iter().map(|one| one.p_wrong).sum();
    assert_eq!(sum, found.sum_p_wrong);
}

#[test]
fn every_module_and_channel_is_covered_cold_and_hot_and_audits_are_drawn() {
    let field = field();
    let blocks = mandatory(&field, &terms(5.0));
    for (coldest, celsius) in [(true, 0.0), (false, 85.0)] {
        let there: Vec<&Point> = field
            .points
            .iter()
            .filter(|one| blocks.cover.contains(&Block { setup: one.setup, temperature: one.temperature }))
            .filter(|one| one.temperature_c == celsius)
            .collect();
        for point in &field.points {
            assert!(there.iter().any(|one| one.module == point.module), "module {} {coldest}", point.module);
            assert!(
                there.iter().any(|one| one.channel == point.channel),
                "channel {} {coldest}",
                point.channel
            );
        }
    }
    assert_eq!(blocks.audits.len(), 4);
    assert!(blocks.audits.iter().all(|block| !blocks.cover.contains(block)));
    assert_eq!(mandatory(&field, &terms(5.0)), blocks);
    assert!((0..9).any(|seed| mandatory(&field, &Terms { seed, ..terms(5.0) }) != blocks));
}

#[test]
fn closed_eyes_lower_bounds_and_failed_trainings_are_taken_in() {
    let field = field();
    let mut measured = truth(&field);
    let blocks = mandatory(&field, &terms(5.0));
    let fast = |point: &Point| point.rate > 0.9;
    for point in field.points.iter().filter(|point| fast(point)) {
        let closed = Reading { closed: true, ..reading(WIDTH, 0.0) };
        let known = if point.channel % 2 == 0 { Known::TrainingFailed } else { Known::Read(vec![closed]) };
        measured.insert(point.condition, known);
    }
    for point in field.points.iter().filter(|point| point.rate < 0.1) {
        let high = Reading { at_least: true, ..reading(HEIGHT, 0.05 * VDDQ) };
        let width = *measured[&point.condition].reading(WIDTH).unwrap();
        measured.insert(point.condition, Known::Read(vec![width, high]));
    }
    measured.retain(|condition, _| condition % 4 != 2);
    let found = Predictions::of(&field, &measured, &blocks, 5);
    let mut seen = 0;
    for one in found.predicted.iter().filter(|one| fast(&field.points[one.condition as usize])) {
        assert_eq!(one.verdict, PredictedVerdict::Fail, "{one:?}");
        // A closed eye is within the interval.
        assert!(one.margins.iter().any(|margin| margin.low == -margin.limit), "{one:?}");
        seen += 1;
    }
    // A bound below what is expected pulls nothing down.
    for one in found.predicted.iter().filter(|one| field.points[one.condition as usize].rate < 0.1) {
        assert_eq!(one.verdict, PredictedVerdict::Pass, "{one:?}");
        seen += 1;
    }
    assert!(seen > 0);
    let finite = |one: &Predicted| {
        one.p_wrong.is_finite() && one.margins.iter().all(|margin| margin.margin.is_finite())
    };
    assert!(found.predicted.iter().all(finite));
}

#[test]
fn what_is_no_number_is_left_out() {
    let odd = 3;
    let field = field_of(&text(), |prior| prior.expected[odd as usize].width.share = f64::NAN);
    assert!(!field.is_predictable(odd));
    let mut measured = truth(&field);
    measured.retain(|condition, _| condition % 2 == 0);
    let blocks = mandatory(&field, &terms(5.0));
    let clean = Predictions::of(&field, &measured, &blocks, 5);
    assert!(clean.predicted.iter().all(|one| one.condition != odd && one.p_wrong.is_finite()));
    let none = |value| Known::Read(vec![reading(WIDTH, value), reading(HEIGHT, value)]);
    let mut without = measured.clone();
    without.insert(8, Known::Read(Vec::new()));
    measured.insert(8, none(f64::NAN));
    assert_eq!(Predictions::of(&field, &measured, &blocks, 5), Predictions::of(&field, &without, &blocks, 5));
    // It is measured in its turn.
    let (visits, _) = walked(&field, &truth(&field), 1e-9, 0.002);
    assert!(visits.iter().any(|visit| visit.conditions.contains(&odd)));
}

#[test]
fn what_the_model_says_nothing_of_is_measured_and_never_predicted() {
    let all = field();
    let silent = all.points[0].setup;
    let skipped: Vec<u32> =
        all.points.iter().filter(|one| one.setup == silent).map(|one| one.condition).collect();
    let field = field_of(&text(), |prior| prior.expected.retain(|one| !skipped.contains(&one.condition)));
    let (visits, found) = walked(&field, &truth(&field), 1e-9, 0.002);
    let asked = |one: &u32| visits.iter().any(|visit| visit.conditions.contains(one));
    assert!(skipped.iter().all(asked));
    assert!(found.predicted.iter().all(|one| !skipped.contains(&one.condition)));
    // A margin to one side is no size: nothing of such a plan is predicted.
    let early = text().replace("metric = \"height\"", "metric = \"upper margin\"");
    assert!(field_of(&early, |_| {}).asked.iter().all(Vec::is_empty));
}

#[test]
fn a_plan_of_one_condition_is_measured_and_nothing_is_predicted() {
    let one = text()
        .replace(
            "rate = [1600, 1867, 2133, 2400, 2667, 2933, 3200]",
            "rate = [1600]\nmodule = [\"Larch 1Rx8 3200\"]\nchannel = [\"direct\"]",
        )
        .replace("temperature_degc = [0, 25, 85]", "temperature_degc = [85]");
    let field = field_of(&one, |_| {});
    assert_eq!(field.points.len(), 1);
    let (visits, found) = walked(&field, &truth(&field), 5.0, 0.002);
    assert_eq!(visits.len(), 1);
    assert_eq!((found.predicted.len(), found.sum_p_wrong), (0, 0.0));
    // Nothing measured at all: everything is in doubt, and no number is missing.
    let blind = Predictions::of(&field, &Measured::new(), &mandatory(&field, &terms(5.0)), 5);
    assert!(blind.predicted.iter().all(|one| one.p_wrong.is_finite()));
    assert_eq!(blind.drawn.bounds(), None);
}

/// 1 - 0.05^(1/n): 5 % at 58 and 1 % at 298.
#[test]
fn the_bound_of_wrong_words_falls_with_the_audits() {
    assert!((share_bound(0, 58).unwrap() - 0.0503).abs() < 1e-4);
    assert!((share_bound(0, 298).unwrap() - 0.01).abs() < 1e-4);
    assert!(share_bound(1, 58).unwrap() > share_bound(0, 58).unwrap());
    assert_eq!(share_bound(0, 0), None);
}

/// An eye whose error ratio falls by a decade each place from its edge on.
#[test]
fn an_eye_of_the_model_is_read_between_its_places() {
    let (taps, steps) = (40_usize, 50_usize);
    let ratio = |tap: usize, step: usize| {
        let across = (tap as f64 - 19.3).abs() - 8.25;
        let up = (step as f64 - 24.6).abs() - 11.5;
        10_f64.powf(-6.0 + across.max(up)).min(0.5)
    };
    let grid: Vec<f64> = (0..taps * steps).map(|at| ratio(at % taps, at / taps)).collect();
    let eye = eye_size(&grid, taps, 1e-6);
    assert!((eye.width_taps - 16.5).abs() < 1e-6, "{eye:?}");
    assert!((eye.height_steps - 23.0).abs() < 1e-6, "{eye:?}");
    assert!(eye.width_scatter_taps < 1e-9 && eye.height_scatter_steps < 1e-9);
    assert_eq!(eye_size(&grid, taps, 1e-30), EyeSize::default());
    assert_eq!(eye_size(&[], 0, 1e-6), EyeSize::default());
    assert_eq!(eye_size(&[f64::NAN; 4], 2, 1e-6), EyeSize::default());
}

#[test]
fn what_the_cover_was_to_tell_and_did_not_is_not_predicted() {
    let field = field();
    let blocks = mandatory(&field, &terms(5.0));
    let cold = |point: &Point| point.temperature_c < 25.0;
    let mut measured = truth(&field);
    measured.retain(|condition, _| !cold(&field.points[*condition as usize]));
    let found = Predictions::of(&field, &measured, &blocks, 5);
    assert!(
        found.quarantined.iter().all(|one| (one.doubt, one.side) == (Doubt::NotCovered, Some(Side::Cold)))
    );
    assert!(!found.quarantined.is_empty());
    assert!(found.predicted.iter().all(|one| !cold(&field.points[one.condition as usize])));
}

#[test]
fn a_training_that_fails_where_limits_are_loose_speaks_for_itself_alone() {
    // Widths and heights of a fiftieth of what is expected: all that train are cut off as expected.
    let loose = |prior: &mut Prior| {
        for one in &mut prior.expected {
            one.width.share *= 50.0;
            one.height.share *= 50.0;
        }
    };
    let field = field_of(&text(), loose);
    let mut measured: Measured = truth(&field)
        .into_iter()
        .map(|(condition, known)| match known {
            Known::Read(mut readings) => {
                readings.iter_mut().for_each(|one| one.value *= 50.0);
                (condition, Known::Read(readings))
            }
            known => (condition, known),
        })
        .collect();
    measured.retain(|condition, _| condition % 2 == 0);
    measured.insert(0, Known::TrainingFailed);
    let found = Predictions::of(&field, &measured, &mandatory(&field, &terms(5.0)), 5);
    let others = found.predicted.iter().filter(|one| field.points[one.condition as usize].setup > 0);
    let mut seen = 0;
    for one in others {
        assert_eq!(one.verdict, PredictedVerdict::Pass, "{one:?}");
        seen += 1;
    }
    assert!(seen > 0);
}

#[test]
fn the_word_is_the_likelier_one() {
    let field = field();
    let mut measured = truth(&field);
    measured.retain(|condition, _| condition % 5 == 0);
    let found = Predictions::of(&field, &measured, &mandatory(&field, &terms(5.0)), 5);
    assert!(found.predicted.iter().any(|one| one.p_fail > 0.25 && one.p_fail < 0.5));
    assert!(found.predicted.iter().all(|one| one.p_wrong <= 0.5), "{:?}", found.predicted);
}

#[test]
fn what_a_measurement_would_hardly_settle_is_worth_little() {
    let of = |verdict, p_contradicted| {
        let (p_wrong, margins) = (0.3, Vec::new());
        let p_fail = if verdict == PredictedVerdict::Pass { p_wrong } else { 1.0 - p_wrong };
        let one = Predicted {
            condition: 0,
            verdict,
            p_fail,
            p_wrong,
            p_contradicted,
            margins,
            beyond_guard: false,
        };
        one.loss()
    };
    let near =
        |found: f64, expected: f64| assert!((found - expected).abs() < 1e-12, "{found}, not {expected}");
    // A measurement that repeats itself mends all of it; a false fail is worth a third of a false pass.
    near(of(PredictedVerdict::Pass, 0.0), 0.3);
    near(of(PredictedVerdict::Fail, 0.0), 0.1);
    // One that is contradicted every fifth time leaves a tenth of false passes and a tenth of false fails.
    near(of(PredictedVerdict::Pass, 0.2), 0.3 - 0.1 - 0.1 / 3.0);
    // It is evidence all the same.
    near(of(PredictedVerdict::Pass, 0.42), 0.03);
    near(of(PredictedVerdict::Fail, 0.42), 0.01);
    // Of a bench nobody is told that a measurement contradicts itself more often than a coin.
    let field = field();
    let mut measured = truth(&field);
    measured.retain(|condition, _| condition % 5 == 0);
    let found = Predictions::of(&field, &measured, &mandatory(&field, &terms(5.0)), 5).predicted;
    assert!(found.iter().any(|one| one.p_contradicted > 0.05));
    assert!(found.iter().all(|one| (0.0..=0.5).contains(&one.p_contradicted)));
}

const SUPPLIES: &str = "[[supply]]\nname = \"low\"\nvdd_v = 1.15\nvddq_v = 1.15\n\n[[supply]]\nname = \"nominal\"\nvdd_v = 1.2\n\
                        vddq_v = 1.2\n\n[[supply]]\nname = \"high\"\nvdd_v = 1.25\nvddq_v = 1.25\n\n";

pub(super) fn with_supplies() -> String {
    text()
        .replace("[matrix]", &format!("{SUPPLIES}[matrix]"))
        .replace("temperature_degc = [0, 25, 85]", "temperature_degc = [-20, 0, 25, 60, 85]")
}

#[test]
fn the_cover_takes_each_module_to_its_lowest_and_highest_supply() {
    // At the coldest there is the middle supply alone.
    let skip =
        "[[skip]]\nreason = \"not cold\"\nsupply = [\"low\", \"high\"]\ntemperature_degc = -20\n\n[capture]";
    let field = field_of(&with_supplies().replace("[capture]", skip), |_| {});
    let cover = mandatory(&field, &terms(5.0)).cover;
    for point in &field.points {
        let corner = |celsius: f64, supply: f64| {
            let like = |one: &&Point| one.module == point.module && (one.supply - supply).abs() < 0.1;
            let own = field.points.iter().filter(like);
            own.filter(|one| one.temperature_c == celsius).any(|one| cover.contains(&one.block()))
        };
        assert!(corner(-20.0, 0.0) && corner(0.0, -1.0) && corner(0.0, 1.0), "module {}", point.module);
        assert!(corner(85.0, -1.0) && corner(85.0, 1.0));
    }
}

/// Where cover and audits take as long as everything, the plan's own order is the shortest.
#[test]
fn a_plan_too_small_for_predictions_is_measured_in_its_order() {
    struct Small<'f>(Bench<'f>);
    impl Clock for Small<'_> {
        fn hours(&self, conditions: &[u32]) -> f64 {
            self.0.hours(conditions)
        }
        fn spent(&self) -> f64 {
            self.0.spent()
        }
        fn full(&self) -> f64 {
            0.5
        }
    }
    let field = field();
    let order: Vec<u32> = (0..field.points.len() as u32).rev().collect();
    let bench = Small(Bench::new(&field, 0.002));
    let mut walk = Walk::new(&field, terms(2.0), &order);
    let mut took = Vec::new();
    while let Some(visit) = walk.next(took.last().copied(), &bench) {
        for condition in visit.conditions {
            bench.0.take(condition);
            walk.took(condition, truth(&field).remove(&condition));
            took.push(condition);
        }
    }
    assert_eq!(took.len(), field.points.len());
    let blocks = |conditions: &[u32]| -> Vec<Block> {
        let mut seen = BTreeSet::new();
        let all = conditions.iter().map(|one| field.points[*one as usize].block());
        all.filter(|block| seen.insert(*block)).collect()
    };
    assert_eq!(blocks(&took), blocks(&order));
}

#[test]
fn what_a_walk_expects_follows_what_it_has_seen() {
    let field = field();
    let truth = truth(&field);
    let mut walk = Walk::new(&field, terms(2.0), &[]);
    let bench = Bench::new(&field, 0.002);
    let last = field.points.len() as u32 - 1;
    let width = |walk: &Walk<'_>| walk.expects(&[last])[0].1.reading(WIDTH).unwrap().value / UI;
    let before = width(&walk);
    assert!((before - field.asked[last as usize][0].expected.share).abs() < 1e-9);
    for condition in 0..last / 2 {
        walk.took(condition, truth.get(&condition).cloned());
    }
    walk.next(None, &bench);
    // Everything is narrower than the model has it, by 0.05 of the unit interval at least.
    assert!(width(&walk) < before - 0.03, "{before} {}", width(&walk));
}

/// Hands from 0 to 8 of every 24 hours. `told`: the walk is told so.
struct Days<'f> {
    bench: Bench<'f>,
    told: bool,
}

impl Days<'_> {
    fn next(now: f64) -> (f64, f64) {
        let day = 24.0 * (now / 24.0).floor();
        if now - day <= 7.75 { (now, day + 7.75) } else { (day + 24.0, day + 31.75) }
    }
}

impl Clock for Days<'_> {
    fn hours(&self, conditions: &[u32]) -> f64 {
        let bench = Bench::new(self.bench.field, self.bench.each);
        bench.stands.set(self.bench.stands.get());
        bench.gone.set(self.bench.gone.get());
        let setup = |one: u32| self.bench.field.points[one as usize].setup;
        for condition in conditions {
            if bench.stands.get().is_none_or(|one| setup(one) != setup(*condition)) {
                bench.gone.set(Days::next(bench.gone.get()).0);
            }
            bench.take(*condition);
        }
        bench.gone.get() - self.bench.gone.get()
    }

    fn spent(&self) -> f64 {
        self.bench.gone.get()
    }

    fn full(&self) -> f64 {
        1e6
    }

    fn work(&self, conditions: &[u32]) -> f64 {
        if self.told { self.bench.hours(conditions) } else { self.hours(conditions) }
    }

    fn hands(&self, after_h: f64) -> (f64, f64) {
        let now = self.bench.gone.get();
        let (from, last) = Days::next(now + after_h);
        if self.told { (from - now, last - now) } else { (after_h, f64::INFINITY) }
    }
}

#[test]
fn a_walk_that_knows_when_hands_come_keeps_long_setups_for_nights() {
    let field = field();
    let truth = truth(&field);
    let mut ends = Vec::new();
    for told in [false, true] {
        let clock = Days { bench: Bench::new(&field, 0.05), told };
        let mut walk = Walk::new(&field, terms(1e-3), &[]);
        let mut begun: Vec<u32> = Vec::new();
        while let Some(visit) = walk.next(clock.bench.stands.get(), &clock) {
            for condition in visit.conditions {
                let hours = clock.hours(&[condition]);
                clock.bench.gone.set(clock.bench.gone.get() + hours);
                clock.bench.stands.set(Some(condition));
                walk.took(condition, truth.get(&condition).cloned());
                let setup = field.points[condition as usize].setup;
                begun.retain(|one| *one != setup);
                begun.push(setup);
            }
        }
        // Everything that must be was measured either way.
        assert_eq!(walk.must(), Vec::<u32>::new());
        ends.push(clock.spent());
    }
    assert!(ends[1] < ends[0] - 1.0, "{ends:?}");
}
