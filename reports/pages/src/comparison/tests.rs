//! Tests of the comparison on invented runs: answers, false discovery, training, what cannot be compared.

use super::{RunSide, build};
use crate::report::tests::fixture::{Kind, demo};
use judge::comparison::{Answer, Comparison, Demands, Pair, compare};
use judge::judged::{JobNote, JudgedCondition, JudgedRun, Verdict};
use nightbench_core::condition::ConditionState;
use plan::limits::Metric;

fn demands() -> Demands {
    Demands { loss_ui: 0.02, loss_percent_vddq: 1.0, level: 0.05, same_chip: true }
}

/// An invented run in which every condition was measured, with these independent uncertainties.
fn run(u: f64) -> JudgedRun {
    let mut run = demo(60, Kind::Usual).run;
    for condition in &mut run.conditions {
        condition.metrics.iter_mut().for_each(|metric| {
            metric.at_least = false;
            metric.parts.independent = u;
            metric.parts.shared = u;
        });
    }
    run.conditions.retain(|condition| condition.verdict.is_some() && !condition.metrics.is_empty());
    run
}

/// Every lane of a condition gains this much in a metric.
fn shift(condition: &mut JudgedCondition, metric: Metric, by: f64) {
    for values in &mut condition.lanes {
        let list = if metric == Metric::Width { &mut values.width_ps } else { &mut values.height_mv };
        list.iter_mut().for_each(|value| *value += by as f32);
    }
    for judged in condition.metrics.iter_mut().filter(|judged| judged.metric == metric) {
        judged.value += by;
        judged.margin += by;
    }
}

fn pairs(run: &JudgedRun) -> Vec<Pair> {
    (0..run.conditions.len())
        .map(|index| Pair { before: index, after: index, ui_ps: 400.0, vddq_mv: 1200.0 })
        .collect()
}

#[test]
fn a_run_is_not_worse_than_itself_and_a_loss_is_found_where_it_is() {
    let before = run(1.0);
    let pairs = pairs(&before);
    let same = compare(&before, &before, &pairs, demands());
    assert_eq!(same.count(Answer::NotWorse), before.conditions.len());
    let mut after = before.clone();
    shift(&mut after.conditions[3], Metric::Width, -20.0);
    shift(&mut after.conditions[3], Metric::Height, -20.0);
    let lost = compare(&before, &after, &pairs, demands());
    assert_eq!((lost.count(Answer::Worse), lost.count(Answer::Undecided)), (1, 0));
    assert_eq!(lost.conditions[0].name, before.conditions[3].name);
    let worst = lost.conditions[0].worst.as_ref().unwrap();
    assert!((worst.difference + 20.0).abs() < 1e-4, "{worst:?}");
    // Allowed: 0.02 x 400 ps, or 1 % of 1200 mV; u of a difference: sqrt 2.
    assert!([8.0, 12.0].contains(&worst.allowed));
    assert!((worst.standard_uncertainty - 2f64.sqrt()).abs() < 1e-4);
    // Both ways round: what was worse is a gain.
    assert_eq!(compare(&after, &before, &pairs, demands()).count(Answer::Worse), 0);
}

#[test]
fn a_loss_within_the_uncertainty_is_undecided() {
    let before = run(20.0);
    let pairs = pairs(&before);
    let same = compare(&before, &before, &pairs, demands());
    assert_eq!(same.count(Answer::Undecided), before.conditions.len());
    assert!(same.conditions.iter().all(|condition| condition.adjusted_p.is_some()));
}

#[test]
fn chance_alone_makes_no_condition_worse() {
    // Every condition at the border of the allowed loss, give or take normal quantiles: p is uniform, and without
    // correction one in twenty would be called worse.
    let before = run(1.0);
    let pairs = pairs(&before);
    let mut after = before.clone();
    let count = after.conditions.len();
    for (index, condition) in after.conditions.iter_mut().enumerate() {
        condition.metrics.truncate(1);
        let allowed = if condition.metrics[0].metric.is_time() { 8.0 } else { 12.0 };
        let p = (index as f64 + 0.5) / count as f64;
        let z = statistics::special::normal_quantile(p).unwrap();
        let metric = condition.metrics[0].metric;
        shift(condition, metric, 2f64.sqrt() * z - allowed);
    }
    let mut old = before.clone();
    old.conditions.iter_mut().for_each(|condition| condition.metrics.truncate(1));
    let result = compare(&old, &after, &pairs, demands());
    assert_eq!(result.count(Answer::Worse), 0);
    // Each answer "not worse" for itself: one in twenty at the border.
    assert!(result.count(Answer::NotWorse) <= count.div_ceil(20), "{}", result.count(Answer::NotWorse));
}

/// One lane of 72 that lost 30 mV at every condition is named, and no other; the means over lanes do not call it.
#[test]
fn one_lane_that_got_worse_is_named_and_no_other() {
    let before = run(1.0);
    let pairs = pairs(&before);
    let mut after = before.clone();
    for (number, condition) in after.conditions.iter_mut().enumerate() {
        for values in &mut condition.lanes {
            for (lane, value) in values.height_mv.iter_mut().enumerate() {
                // Training scatters every lane by some mV.
                let scatter = ((number * 31 + lane * 17) % 13) as f32 - 6.0;
                *value += 0.5 * scatter - if lane == 9 { 30.0 } else { 0.0 };
            }
        }
    }
    let found = compare(&before, &after, &pairs, demands());
    let worse: Vec<_> =
        found.by_lanes.changes.iter().filter(|change| change.answer == Answer::Worse).collect();
    assert!(!worse.is_empty() && worse.iter().all(|change| change.lane == 9), "{worse:?}");
    assert!(
        worse.iter().all(|change| change.metric == Metric::Height && change.interval.1 < -change.allowed)
    );
    assert!(found.by_lanes.pooled.iter().any(|line| line.of == "byte lane 1"));
    assert!(!found.by_lanes.none_is_worse());
    let same = compare(&before, &before, &pairs, demands());
    assert_eq!(same.by_lanes.worse, 0);
}

#[test]
fn training_that_fails_now_is_worse_and_what_was_not_measured_is_undecided() {
    let before = run(1.0);
    let pairs = pairs(&before);
    let mut after = before.clone();
    let fail = |condition: &mut JudgedCondition| {
        condition.verdict = Some(Verdict::Fail);
        condition.state = ConditionState::TrainingFailed;
        condition.metrics.clear();
        condition.jobs.iter_mut().for_each(|job| job.trained = false);
    };
    fail(&mut after.conditions[0]);
    after.conditions[1].verdict = None;
    after.conditions[1].state = ConditionState::NotMeasured;
    after.conditions[1].detail = "time-out".into();
    let result = compare(&before, &after, &pairs, demands());
    assert_eq!(result.conditions[0].reason, "training fails now");
    assert_eq!(result.count(Answer::Worse), 1);
    assert!(result.conditions.iter().any(|c| c.answer == Answer::Undecided && c.reason.contains("time-out")));
    assert_eq!(result.training.len(), 1);
    assert!(result.training[0].appeared && result.failure_rates.1.failed > 0);
    let back = compare(&after, &before, &pairs, demands());
    assert_eq!(back.count(Answer::Worse), 0);
    assert!(!back.training[0].appeared);
}

/// More jobs that a plan asks for, and that were not measured yet, take no answer from those that were.
#[test]
fn jobs_that_were_added_and_not_measured_leave_the_answer() {
    let before = run(1.0);
    let pairs = pairs(&before);
    let mut after = before.clone();
    for (condition, lacks_jobs) in [(1, true), (2, false)] {
        let condition = &mut after.conditions[condition];
        condition.verdict = None;
        condition.state = ConditionState::NotMeasured;
        condition.detail = "1 of 5 jobs done".into();
        condition.lacks_jobs = lacks_jobs;
    }
    let result = compare(&before, &after, &pairs, demands());
    assert_eq!(result.count(Answer::Undecided), 1);
    let of = |index: usize| result.conditions.iter().find(|one| one.pair.after == index).unwrap();
    assert_eq!((of(1).answer, of(2).answer), (Answer::NotWorse, Answer::Undecided));
    assert!(of(1).reason.contains("run: 1 of 5 jobs done"), "{}", of(1).reason);
}

#[test]
fn no_uncertainty_is_no_certainty() {
    let before = run(0.0);
    let result = compare(&before, &before, &pairs(&before), demands());
    assert_eq!(result.count(Answer::Undecided), before.conditions.len());
    assert!(result.conditions[0].reason.contains("variance") || !result.conditions[0].reason.is_empty());
}

#[test]
fn training_that_fails_in_both_is_compared_by_its_starts() {
    let mut before = run(1.0);
    let pairs = pairs(&before);
    let fail = |condition: &mut JudgedCondition, failed: usize| {
        condition.verdict = Some(Verdict::Fail);
        condition.state = ConditionState::TrainingFailed;
        condition.metrics.clear();
        let job = condition.jobs[0].clone();
        // Each start in a mounting of its own.
        let note = |start: usize| JobNote { mounting: start as u16, trained: start >= failed, ..job.clone() };
        condition.jobs = (0..12).map(note).collect();
    };
    let mut after = before.clone();
    fail(&mut before.conditions[0], 1);
    fail(&mut after.conditions[0], 12);
    // One of twelve against twelve of twelve: p = 12 / C(24, 13) = 12 / 2496144 (hypergeometric, counted by hand): small
    // enough for every condition and metric together.
    let worse = compare(&before, &after, &pairs, demands());
    let found = worse.conditions.iter().find(|one| one.reason.contains("12 of 12 now")).unwrap();
    assert_eq!(found.answer, Answer::Worse);
    let better = compare(&after, &before, &pairs, demands());
    let found = better.conditions.iter().find(|one| one.reason.contains("1 of 12 now")).unwrap();
    assert_eq!(found.answer, Answer::NotWorse);
    let same = compare(&before, &before, &pairs, demands());
    assert_eq!(
        same.conditions.iter().find(|one| one.reason.contains("1 of 12 now")).unwrap().answer,
        Answer::Undecided
    );
    // The same starts in one mounting share its contacts: they answer nothing.
    let together = |run: &JudgedRun| {
        let mut run = run.clone();
        run.conditions[0].jobs.iter_mut().for_each(|job| job.mounting = 0);
        run
    };
    let one = compare(&together(&before), &together(&after), &pairs, demands());
    let found = one.conditions.iter().find(|one| one.reason.contains("12 of 12 now")).unwrap();
    assert_eq!(found.answer, Answer::Undecided);
}

#[test]
fn conditions_without_a_partner_are_named_on_the_page_each_run_for_itself() {
    let facts = demo(60, Kind::Usual).facts;
    let before = run(1.0);
    let mut after = before.clone();
    let kept = pairs(&before).split_off(before.conditions.len() - 2);
    // One more in the run.
    let mut more = after.conditions[0].clone();
    more.name = "only here".into();
    after.conditions.push(more);
    let result = compare(&before, &after, &kept, demands());
    let (old, new) = &result.unmatched;
    assert_eq!((old.len(), new.len()), (before.conditions.len() - 2, before.conditions.len() - 1));
    assert_eq!(new.last().map(String::as_str), Some("only here"));
    assert_eq!(old[0], before.conditions[0].name);
    let html = |result: &Comparison| {
        let side = RunSide { facts: &facts, identities: &[] };
        build(result, &side, &side, &[], &[]).unwrap()
    };
    let shown = html(&result);
    assert!(shown.contains("<li dir=\"auto\">only here</li>") == (new.len() <= 50));
    let few = Comparison { unmatched: (vec!["<first>".into()], Vec::new()), ..result.clone() };
    let shown = html(&few);
    assert!(
        shown
            .contains("1 condition of the baseline has no partner; 0 conditions of the run have no partner.")
    );
    assert!(shown.contains("<li dir=\"auto\">&lt;first&gt;</li>") && !shown.contains("and 1 more"));
    let names: Vec<String> = (0..53).map(|number| format!("number {number}")).collect();
    let shown = html(&Comparison { unmatched: (Vec::new(), names), ..result.clone() });
    assert!(shown.contains("<li dir=\"auto\">number 49</li><li>and 3 more</li>"));
    assert!(!shown.contains("number 50") && !shown.contains("<h3>Baseline"));
    let none = html(&Comparison { unmatched: Default::default(), ..result });
    assert!(!none.contains("Conditions without a partner"));
}

#[test]
fn the_loss_allowed_is_that_of_the_slowest_and_fastest_pair() {
    let before = run(1.0);
    let mut pairs = pairs(&before);
    pairs[0].ui_ps = 500.0;
    let result = compare(&before, &before, &pairs, demands());
    // 0.02 x 400 and 500 ps, 1 % of 1200 mV.
    assert_eq!(result.allowed(), [(8.0, 10.0), (12.0, 12.0)]);
}

#[test]
fn a_lack_of_repeats_is_named_only_where_nothing_is_decided() {
    let jobs = |mut run: JudgedRun, jobs: usize| {
        for condition in &mut run.conditions {
            let job = condition.jobs[0].clone();
            condition.jobs = vec![job; jobs];
        }
        run
    };
    let (single, repeated) = (jobs(run(20.0), 1), jobs(run(20.0), 3));
    let pairs = pairs(&single);
    let undecided = compare(&single, &single, &pairs, demands());
    assert!(undecided.lacks_repeats(&single, &single));
    assert!(undecided.lacks_repeats(&repeated, &single) && undecided.lacks_repeats(&single, &repeated));
    assert!(!undecided.lacks_repeats(&repeated, &repeated));
    let sure = jobs(run(1.0), 1);
    let decided = compare(&sure, &sure, &pairs, demands());
    assert!(decided.count(Answer::NotWorse) > 0 && !decided.lacks_repeats(&sure, &sure));
}

#[test]
fn eyes_of_a_comparison_have_axes_units_and_the_limits_they_are_judged_by() {
    use super::EyePair;
    use crate::report::limits_of;
    use crate::report::tests::fixture::{EYE, picture};
    let demo = demo(60, Kind::Usual);
    let before = run(1.0);
    let comparison = compare(&before, &before, &pairs(&before), demands());
    let side = RunSide { facts: &demo.facts, identities: &[] };
    let eye = picture(&demo.run, 0, EYE);
    let limits = limits_of(&demo.run, &demo.facts, 0, &eye);
    let limit = |metric| demo.run.conditions[0].metrics.iter().find(|m| m.metric == metric).unwrap().limit;
    let (width, height) = (limit(Metric::Width), limit(Metric::Height));
    assert_eq!(limits[0][0], (-width / 2.0, height / 2.0), "half of each to either side");
    let pair = EyePair { name: "one".into(), pictures: (eye.clone(), eye), limits };
    let html = build(&comparison, &side, &side, &[pair], &[]).unwrap();
    let figure = html.split("<figure>").nth(1).unwrap().split("</figure>").next().unwrap();
    for words in
        ["from the operating point, ps", "from the operating point, mV", "the baseline&#x27;s limits"]
    {
        assert!(figure.contains(words), "no {words} in {figure}");
    }
    assert!(figure.contains("class=\"asked\"") && figure.matches("<text").count() > 8);
}
