//! Tests of judging on invented digests: suspects, release, rules, bounds, scatter, bad numbers.

use super::eye_summary::{EyeSummary, LaneSummary, packed_u};
use super::*;
use crate::judged::{Obstacle, ReleaseDecision};
use nightbench_core::results::{Direction, EyeName, Grid};
use nightbench_core::units::{Millivolts, Picoseconds};
use plan::expand::{expand, jobs};
use plan::selection::Selection;
use statistics::special::{normal_sf, t_quantile};

const PLAN: &str = r#"
title = "Invented"
[interface]
generation = "DDR4"
lanes = 4
[[module]]
name = "M"
kind = "UDIMM"
rated = 2400
[[channel]]
name = "C"
fits = ["UDIMM"]
[matrix]
rate = [2133, 2400]
temperature_degc = [25, 40, 55]
[repeats]
repeats = 2
[[limit]]
metric = "width"
minimum = 100
unit = "ps"
source = "invented"
"#;

fn grid() -> Grid {
    Grid {
        taps: 64,
        vref_steps: 40,
        tap_step: Picoseconds(10.0),
        vref_start: Millivolts(400.0),
        vref_step: Millivolts(10.0),
        ui: Picoseconds(416.7),
        vddq: Millivolts(1200.0),
    }
}

/// Four lanes; the first is 1 ps narrower than `width_ps`, with a thousandth of a tap of counting noise.
fn capture(width_ps: f64) -> EyeSummary {
    let lane = |less: f64| {
        let half = ((width_ps - less) / 20.0) as f32;
        LaneSummary { reach: [half, half, 8.0, 8.0], u: [packed_u(0.001); 4], ..LaneSummary::default() }
    };
    EyeSummary {
        eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
        mode: nightbench_core::results::CaptureMode::Exact,
        grid: grid(),
        lanes: [0, 1, 2, 3].into(),
        edges: vec![lane(1.0), lane(0.0), lane(0.0), lane(0.0)],
        masks: Vec::new(),
        slopes: Default::default(),
        spans: Vec::new(),
    }
}

fn identity() -> Identity {
    Identity {
        chip_serial: "K1".into(),
        firmware_build: "1".into(),
        firmware_hash: "0".into(),
        settings_hash: "0".into(),
        agent_version: "1".into(),
    }
}

/// Judges a plan whose jobs give these captures, in the order of the list.
fn judged(text: &str, simulated: bool, mut give: impl FnMut(&Job, u64) -> EyeSummary) -> JudgedRun {
    judged_of(text, simulated, |job, position| Some(give(job, position)))
}

/// The same of the jobs that give one.
fn judged_of(
    text: &str,
    simulated: bool,
    mut give: impl FnMut(&Job, u64) -> Option<EyeSummary>,
) -> JudgedRun {
    let plan = Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let expansion = expand(&plan, &Selection::default());
    let mut judge = Judge::new(&plan, &expansion, simulated);
    let mut list = jobs(&plan, &expansion);
    if let Some(condition) = reference_condition(&plan, &expansion) {
        // The reference once more after every three jobs, as a further repeat.
        let condition = condition as u32;
        let mut with = Vec::new();
        for (index, job) in list.into_iter().enumerate() {
            if index % 3 == 0 {
                let repeat = 2 + (index / 3) as u16;
                with.push(Job { condition, mounting: 0, repeat, start: 0 });
            }
            with.push(job);
        }
        list = with;
    }
    let (identity, outcome) = (identity(), JobOutcome::Measured);
    for (position, job) in list.iter().enumerate() {
        let facts = JobFacts {
            position: position as u64,
            outcome: &outcome,
            identity: &identity,
            readback: None,
            times: JobTimes::default(),
        };
        let Some(capture) = give(job, position as u64) else { continue };
        let digest = JobSummary { trainings: Vec::new(), captures: vec![Ok(capture)] };
        judge.add(job, &[position as u8; 32], &facts, digest);
    }
    judge.seal();
    judge.judge(&AcceptanceCriteria::of(&plan))
}

/// A little scatter that repeats on every machine.
fn scatter(position: u64) -> f64 {
    ((position * 37 + 11) % 17) as f64 / 17.0 - 0.5
}

#[test]
fn a_measured_run_that_passes_everywhere_may_be_released_and_a_simulated_one_never() {
    let wide = |_: &Job, position| capture(200.0 + scatter(position));
    let run = judged(PLAN, false, wide);
    assert_eq!(run.release.decision, ReleaseDecision::Yes, "{:?}", run.release);
    assert!(run.release.reasons.iter().any(|reason| reason.contains("items tested only")));
    let dry = judged(PLAN, true, wide);
    assert_eq!(dry.release.decision, ReleaseDecision::Undecided);
    assert_eq!((run.release.open, dry.release.open), (None, Some(Obstacle::Simulated)));
    // What keeps it open is what a reader must know first.
    let part = judged_of(PLAN, true, |job, p| (job.condition > 1).then(|| wide(job, p)));
    assert_eq!(part.release.open, Some(Obstacle::NotMeasured));
    let nothing = judged_of(PLAN, true, |_, _| None);
    assert_eq!(nothing.release.open, Some(Obstacle::NothingMeasured));
    let near = judged(PLAN, true, |_, p| capture(if p == 0 || p == 1 { 103.0 } else { 200.0 + scatter(p) }));
    assert_eq!((near.verdicts.conditional_pass, near.release.open), (1, Some(Obstacle::Conditional)));
    // One repeat: the repeatability is a guess.
    let once = judged(&PLAN.replace("repeats = 2", "repeats = 1"), false, wide);
    assert_eq!(once.release.decision, ReleaseDecision::Undecided);
    assert_eq!(once.release.open, Some(Obstacle::NotReleasable));
    assert!(once.release.reasons.iter().any(|reason| reason.contains("would be an estimate")));
    let narrow =
        judged(PLAN, false, |job, p| capture(if job.condition == 4 { 50.0 } else { 200.0 + scatter(p) }));
    assert_eq!(narrow.release.decision, ReleaseDecision::No);
    assert_eq!(narrow.verdicts.fail, 1);
    assert!(narrow.release.reasons.contains(&"1 condition fails".to_string()), "{:?}", narrow.release);
    let two = judged(PLAN, false, |job, p| {
        capture(if [3, 4].contains(&job.condition) { 50.0 } else { 200.0 + scatter(p) })
    });
    assert!(two.release.reasons.contains(&"2 conditions fail".to_string()), "{:?}", two.release);
}

#[test]
fn units_need_their_number_and_their_tolerance_limit() {
    let mut plan = PLAN.replace("[matrix]", "[release]\nunits = 5\n[matrix]");
    for chip in 0..5 {
        plan += &format!("[[chip]]\nname = \"K{chip}\"\n");
    }
    let tight = judged(&plan, false, |job, p| capture(200.0 + scatter(p) + f64::from(job.condition / 6)));
    let units = tight.audit.units.as_ref().unwrap();
    assert!(units.holds && units.measured == 5, "{units:?}");
    assert_eq!(tight.release.decision, ReleaseDecision::Yes, "{:?}", tight.release);
    let words = "the tolerance limit over units holds. Margin that 95 % of units exceed with 95 % confidence, from 5 of 5 \
                 units: width +";
    assert!(tight.release.reasons.iter().any(|reason| reason.starts_with(words)), "{:?}", tight.release);
    // One unit has no spread: short sentences, and why.
    let alone = judged(&PLAN.replace("[matrix]", "[release]\nunits = 5\n[matrix]"), false, |_, p| {
        capture(200.0 + scatter(p))
    });
    let reason = "the tolerance limit over units does not hold. Margin that 95 % of units exceed with 95 % confidence, from 1 \
                  of 5 units: none can be given. No limit for width: a spread takes at least 2 units.";
    assert!(alone.release.reasons.contains(&reason.to_string()), "{:?}", alone.release);
    // The same mean, spread wide. Minima are skewed: k is 6.04 for a Gumbel distribution (computed for this file; a normal one
    // has 4.203, ISO 16269-6) and puts the limit below zero.
    let loose =
        judged(&plan, false, |job, p| capture(160.0 + scatter(p) + 20.0 * f64::from(job.condition / 6)));
    let units = loose.audit.units.as_ref().unwrap();
    let expected = 99.0 - 6.04 * (1000.0f64).sqrt();
    assert!((units.limits[0].1 - expected).abs() < 2.5, "{units:?}");
    assert!(!units.holds);
    assert_eq!(loose.release.decision, ReleaseDecision::Undecided);
    // Off the grid, or identical: nobody saw how units spread.
    let off = judged(&plan, false, |job, p| {
        let mut wide = capture(200.0 + scatter(p) + f64::from(job.condition / 6));
        if job.condition / 6 == 3 {
            wide.edges.iter_mut().for_each(|lane| lane.flags = 1);
        }
        wide
    });
    let units = off.audit.units.as_ref().unwrap();
    assert!(
        !units.holds && units.words.contains("No limit for width: runs off the grid in 1 unit."),
        "{units:?}"
    );
    assert_ne!(off.release.decision, ReleaseDecision::Yes);
    let equal = judged(&plan, false, |_, _| capture(200.0));
    let units = equal.audit.units.as_ref().unwrap();
    assert!(!units.holds && units.words.contains("identical"), "{units:?}");
    // A chip with a process-corner label is a fixed level, no unit.
    let corner = plan.replacen("name = \"K0\"", "name = \"K0\"\ncorner = \"slow\"", 1);
    let four = judged(&corner, false, |_, p| capture(200.0 + scatter(p)));
    assert_eq!(four.audit.units.as_ref().unwrap().measured, 4);
    assert_eq!(four.release.decision, ReleaseDecision::Undecided);
}

#[test]
fn jobs_round_a_bad_reference_are_suspect_and_the_others_keep_their_verdict() {
    let plan = PLAN.to_string()
        + "[order]\nreference_every_jobs = 3\n[order.reference]\nrate = 2133\ntemperature_degc = 25\n";
    let steady = |job: &Job, p: u64| {
        let drift = if job.condition == 0 { 0.3 * scatter(p) } else { scatter(p) };
        capture(200.0 + drift)
    };
    let good = judged(&plan, false, steady);
    assert_eq!(good.audit.charts[0].suspect_jobs, 0, "{:?}", good.audit.charts);
    assert_eq!(good.verdicts.pass, 6);
    // Reference jobs stand at positions 0, 4, 8 and 12 (and the condition's own jobs at 1 and 2).
    let bad = judged(&plan, false, |job, p| if p == 12 { capture(150.0) } else { steady(job, p) });
    let chart = &bad.audit.charts[0];
    assert!(chart.signals.iter().any(|(_, rule)| rule.contains("3-sigma")), "{chart:?}");
    // Since the last good one at 8: to the end.
    assert_eq!(chart.suspect_jobs, 7, "{chart:?}");
    let suspect: Vec<bool> =
        bad.conditions.iter().map(|condition| condition.reason().contains("suspect")).collect();
    assert_eq!(suspect, [true, false, false, true, true, true]);
    assert!(bad.conditions.iter().all(|c| c.verdict.is_none() == c.reason().contains("suspect")));
    assert_eq!(bad.release.decision, ReleaseDecision::Undecided);
}

#[test]
fn rules_move_the_verdict_and_say_their_guard_band() {
    let just = |_: &Job, p| capture(104.0 + 0.1 * scatter(p));
    let four = judged(PLAN, false, just);
    let metric = four.conditions[0].worst().unwrap();
    assert_eq!(metric.verdict, Verdict::ConditionalPass);
    assert!((metric.guard_band - metric.expanded_uncertainty).abs() < 1e-12);
    assert!((metric.wrong_decision_risk - (1.0 - metric.conformance_probability)).abs() < 1e-12);
    assert_eq!((metric.lane, metric.lanes), (0, 4));
    let by = |rule: &str| judged(&format!("{PLAN}[decision]\n{rule}\n"), false, just);
    assert_eq!(by("rule = \"simple acceptance\"").verdicts.pass, 6);
    assert_eq!(by("words = \"two\"").verdicts.fail, 6);
    let uncritical = judged(&format!("{PLAN}[decision]\nrule = \"uncritical\"\n"), false, |_, p| {
        capture(98.0 + 0.1 * scatter(p))
    });
    assert_eq!(uncritical.verdicts.fail, 0, "within U below the limit: not proved to fail");
    let iso = by("rule = \"ISO 14253-1\"");
    let metric = iso.conditions[0].worst().unwrap();
    // 1.65 u of a normal distribution is the same share of Student's with U's own degrees of freedom.
    let freedom = metric.parts.degrees_of_freedom.unwrap();
    let factor = t_quantile(1.0 - normal_sf(1.65), freedom).unwrap();
    assert!(factor > 1.65 && (metric.guard_band - factor * metric.standard_uncertainty).abs() < 1e-12);
    assert!(iso.rule_words.contains("w = 1.65 u"));
}

#[test]
fn bad_numbers_and_bounds_are_words() {
    let nan =
        judged(PLAN, false, |job, p| capture(if job.condition == 2 { f64::NAN } else { 200.0 + scatter(p) }));
    assert_eq!((nan.undecided, nan.not_measured), (1, 0));
    assert!(nan.conditions[2].reason().contains("is no number"), "{}", nan.conditions[2].reason());
    let off = judged(PLAN, false, |job, p| {
        let mut capture = capture(if job.condition == 1 { 101.0 } else { 300.0 + scatter(p) });
        capture.edges.iter_mut().for_each(|lane| lane.flags = 1);
        capture
    });
    // At least 300 ps decides against 100 ps; at least 100 ps does not.
    assert_eq!((off.verdicts.pass, off.undecided, off.not_measured), (5, 1, 0));
    assert!(off.conditions[1].reason().contains("runs off the grid"));
    assert!(off.audit.words.iter().any(|words| words.contains("no prior")), "{:?}", off.audit.words);
}

#[test]
fn what_fails_fails_whatever_cannot_be_judged_beside_it() {
    // The first limit is missed by far; the second is more than any grid can show.
    let unreachable =
        "\n[[limit]]\nmetric = \"height\"\nminimum = 5000\nunit = \"mV\"\nsource = \"invented\"\n";
    let plan = format!("{PLAN}{unreachable}");
    let run =
        judged(&plan, false, |job, p| capture(if job.condition == 3 { 20.0 } else { 300.0 } + scatter(p)));
    assert_eq!(run.conditions[3].verdict, Some(Verdict::Fail));
    assert_eq!(run.conditions[3].unjudged.len(), 1);
    // Where nothing fails, nothing is said, and that is no missing measurement.
    assert_eq!((run.verdicts.fail, run.undecided, run.not_measured), (1, run.conditions.len() - 1, 0));
    let open: Vec<String> = run.conditions[0].open_questions().into_iter().collect();
    assert_eq!(open, ["the height limit is more than the grid can show: sweep a wider range"]);
    assert!(run.conditions[3].open_questions().is_empty());
}

#[test]
fn scatter_within_and_between_mountings_is_told_apart() {
    let plan = PLAN.replace("repeats = 2", "repeats = 2\nre_seats = 3");
    // Within a mounting +-1 ps: variance 2 at one degree of freedom; mountings at 0, 6, 12, 18 ps: 60 between means.
    let run = judged(&plan, false, |job, _| {
        let within = if job.repeat == 0 { -1.0 } else { 1.0 };
        capture(200.0 + within + 6.0 * f64::from(job.mounting))
    });
    let budget = &run.budgets[0];
    let row = |name: &str| budget.rows.iter().find(|row| row.name == name).unwrap();
    assert!((row("repeatability").input - 2f64.sqrt()).abs() < 1e-3, "{budget:?}");
    // The mountings are the same four at every condition: of 60, 59 are theirs with 3 degrees of freedom, the rest has 6 x 3.
    let freedom = 60.0 * 60.0 / ((60.0 * 60.0 - 59.0 * 59.0) / 18.0 + 59.0 * 59.0 / 3.0);
    // Beside the estimate of 0.15 taps of 10 ps with four degrees of freedom.
    let seat = ((freedom * (60.0f64 - 1.0) + 4.0 * 1.5 * 1.5) / (freedom + 4.0)).sqrt();
    assert!((row("re-seating").input - seat).abs() < 1e-3, "{budget:?}");
    // 6 conditions x 4 mountings.
    assert_eq!(row("repeatability").degrees_of_freedom, Some(24.0));
    assert!((row("re-seating").degrees_of_freedom.unwrap() - freedom - 4.0).abs() < 1e-3, "{budget:?}");
    assert!((row("re-seating").sensitivity - 0.5).abs() < 1e-12);
}

#[test]
fn the_audit_names_the_factor_and_the_headroom() {
    let run = judged(PLAN, false, |job, p| {
        // Conditions: rate outermost, three temperatures each; 20 ps a rate, 3 ps a temperature.
        let (rate, temperature) = (f64::from(job.condition / 3), f64::from(job.condition % 3));
        capture(180.0 - 20.0 * rate - 3.0 * temperature + scatter(p))
    });
    let table = &run.audit.effects[0];
    assert_eq!(table.lines[0].term, "rate");
    assert!(table.lines[0].eta_squared > 0.8, "{table:?}");
    let headroom = &run.audit.headroom[0];
    assert_eq!((headroom.passing_mts, headroom.percent, headroom.at_least), (Some(2400.0), Some(0.0), true));
    let risk = &run.audit.global_risks[0];
    assert!(risk.consumer < 1e-6 && risk.producer < 0.01, "{risk:?}");
    assert!(run.audit.distributions.iter().any(|note| note.fits.len() >= 2), "{:?}", run.audit.distributions);
}

/// What was not measured neither passes nor fails: up to where a setup passes is not known, or at least so much.
#[test]
fn a_rate_that_was_not_measured_is_not_said_to_fail() {
    let up_to = |measured: &dyn Fn(u32) -> bool, narrow: u32| {
        let run = judged_of(PLAN, false, |job, p| {
            let width = if job.condition == narrow { 50.0 } else { 180.0 + scatter(p) };
            measured(job.condition).then(|| capture(width))
        });
        (run.audit.headroom[0].passing_mts, run.audit.headroom[0].at_least)
    };
    // Conditions: rate outermost, three temperatures each.
    assert_eq!(up_to(&|_| true, 9), (Some(2400.0), true));
    assert_eq!(up_to(&|one| one != 5, 9), (Some(2133.0), true));
    assert_eq!(up_to(&|one| one != 1, 9), (None, true));
    assert_eq!(up_to(&|one| one > 2, 9), (None, true));
    // A fail is known whatever is not.
    assert_eq!(up_to(&|one| one != 5, 4), (Some(2133.0), false));
    assert_eq!(up_to(&|one| one != 1, 2), (None, false));
}

/// Of a mean over unequal mountings, the scatter between mountings weighs sqrt(sum of (jobs of a mounting / jobs)^2):
/// GUM 5.1.2 with each mounting's effect as an input of sensitivity n_i / n. Three jobs in one and one in another:
/// sqrt(10) / 4, not 1 / sqrt(2).
#[test]
fn unequal_mountings_weigh_as_many_jobs_as_they_have() {
    let plan = PLAN.replace("repeats = 2", "repeats = 3\nre_seats = 1");
    let reseating = |run: &JudgedRun| {
        let rows = &run.budgets[0].rows;
        rows.iter().find(|row| row.name == "re-seating").map(|row| (row.sensitivity, row.input))
    };
    let give = |job: &Job, p| capture(200.0 + scatter(p) + 8.0 * f64::from(job.mounting));
    let equal = reseating(&judged(&plan, false, give)).unwrap();
    assert!((equal.0 - 0.5f64.sqrt()).abs() < 1e-12, "{equal:?}");
    let half = |job: &Job, p| (job.mounting == 0 || job.repeat == 0).then(|| give(job, p));
    let unequal = reseating(&judged_of(&plan, false, half)).unwrap();
    assert!((unequal.0 - 10f64.sqrt() / 4.0).abs() < 1e-12, "{unequal:?}");
    // Two mountings 8 ps apart at every condition: 32 ps^2 between them with one degree of freedom, less what scatter within
    // leaves there, beside the estimate of 1.5 ps with four.
    for (_, deviation) in [equal, unequal] {
        assert!((deviation - 8.2f64.sqrt()).abs() < 0.1, "{deviation}");
    }
}

/// An outlier is named with its condition, and stays in the sample.
#[test]
fn outliers_are_flagged_and_never_dropped() {
    let temperatures: Vec<String> = (0..30).map(|step| (2 * step).to_string()).collect();
    let plan = PLAN.replace("[25, 40, 55]", &format!("[{}]", temperatures.join(", ")));
    let give = |odd: f64| {
        move |job: &Job, p| capture(180.0 + scatter(p) - if job.condition == 17 { odd } else { 0.0 })
    };
    let over = |run: &JudgedRun| {
        let notes = &run.audit.distributions;
        notes.iter().find(|note| note.sample.contains("over conditions")).cloned().unwrap()
    };
    let (even, odd) = (over(&judged(&plan, false, give(0.0))), over(&judged(&plan, false, give(12.0))));
    assert!(even.outliers.is_empty(), "{even:?}");
    let name = judged(&plan, false, give(12.0)).conditions[17].name.clone();
    assert_eq!(odd.outliers.len(), 2, "{odd:?}");
    assert!(odd.outliers.iter().all(|words| words.starts_with(&name)), "{odd:?} has not {name}");
    assert_eq!((odd.n, even.n), (60, 60));
    // A worst lane's value is by quadrature: to a hundredth of a ps of each.
    assert!((even.mean - odd.mean - 12.0 / 60.0).abs() < 5e-4, "{} and {}", even.mean, odd.mean);
}

/// Whatever the rule: an operating point that fails in every job, or in one of them, does not pass.
#[test]
fn no_rule_accepts_a_closed_eye() {
    let close = |capture: &mut EyeSummary, lane: usize| {
        capture.edges[lane] = LaneSummary { u: [packed_u(0.3); 4], flags: 1 << 8, ..LaneSummary::default() };
    };
    for rule in ["", "guard_band_factor = -3\nwords = \"two\"", "rule = \"uncritical\""] {
        // A limit so low that three U below it lies under zero.
        let plan = format!("{}\n[decision]\n{rule}\n", PLAN.replace("minimum = 100", "minimum = 10"));
        let shut = judged(&plan, false, |_, p| {
            let mut capture = capture(200.0 + scatter(p));
            (0..4).for_each(|lane| close(&mut capture, lane));
            capture
        });
        assert_eq!(shut.verdicts.pass + shut.verdicts.conditional_pass, 0, "{rule}: {:?}", shut.verdicts);
        let once = judged(&plan, false, |job, p| {
            let mut capture = capture(200.0 + scatter(p));
            if job.repeat == 1 {
                close(&mut capture, 2);
            }
            capture
        });
        assert_eq!(once.verdicts.pass + once.verdicts.conditional_pass, 0, "{rule}: {:?}", once.verdicts);
        let judged: Vec<_> = once.conditions.iter().filter_map(|condition| condition.worst()).collect();
        assert!(judged.iter().all(|metric| metric.lane == 2 && metric.closed), "{rule}: {judged:?}");
    }
}

/// An operating point that fails where another start may pass fails, but not for sure below what the other lanes have; a lane that fails for sure
/// comes first; and a lane within half a tap of its edge is no sure pass.
#[test]
fn where_training_lands_decides_nothing_for_sure() {
    let lane = |half: f32, flags: u16| {
        let reach = if flags == 0 { [half, half, 8.0, 8.0] } else { [0.0; 4] };
        LaneSummary { reach, u: [packed_u(0.001); 4], flags, ..LaneSummary::default() }
    };
    let (shut, verge) = (lane(0.0, 1 << 8), lane(0.0, 1 << 8 | 1 << 10));
    let of = |limit: &str, other: LaneSummary| {
        let plan = PLAN.replace("minimum = 100", &format!("minimum = {limit}"));
        let run = judged(&plan, false, move |_, _| {
            let mut capture = capture(200.0);
            capture.lanes = (0..6).collect();
            capture.edges = vec![lane(10.0, 0); 6];
            capture.edges[3] = other;
            capture
        });
        let metric = run.conditions[0].worst().unwrap().clone();
        (metric.verdict, metric.lane, metric.margin.abs() < metric.expanded_uncertainty)
    };
    assert_eq!(of("100", shut), (Verdict::Fail, 3, false));
    assert_eq!(of("100", verge), (Verdict::ConditionalFail, 3, true));
    assert_eq!(of("190", verge).0, Verdict::Fail);
    // Wide, but one step high.
    let mut narrow = lane(10.0, 0);
    narrow.reach = [10.0, 10.0, 0.2, 0.8];
    assert_eq!(of("100", narrow), (Verdict::ConditionalPass, 3, true));
    assert_eq!(of("100", lane(4.0, 0)), (Verdict::Fail, 3, false));
}

/// Eight lanes 2 ps apart that training scatters by 10 ps; lane 5 lacks `bad` ps.
fn scattered(plan: &str, bad: f32) -> JudgedRun {
    judged(plan, false, move |_, p| {
        let mut capture = capture(200.0);
        capture.lanes = (0..8).collect();
        capture.edges = (0..8u64)
            .map(|lane| {
                let half = (200.0 + 10.0 * scatter(8 * p + lane) + lane as f64) as f32 / 20.0;
                let half = if lane == 5 { half - bad / 20.0 } else { half };
                LaneSummary {
                    reach: [half, half, 8.0, 8.0],
                    u: [packed_u(0.001); 4],
                    ..LaneSummary::default()
                }
            })
            .collect();
        capture.slopes.along_taps[2] = 2.0;
        capture
    })
}

/// The lowest of eight noisy readings is not the lowest lane: with readings that scatter by 10 ps and lanes that are alike, the
/// estimate lies well above the reading; a lane that lacks 100 ps is taken as read, whatever the others show.
#[test]
fn the_worst_lane_is_a_minimum_and_a_bad_one_is_never_pooled() {
    let healthy = scattered(PLAN, 0.0);
    for condition in &healthy.conditions {
        let metric = condition.worst().unwrap();
        assert!(metric.value > metric.worst_lane.as_read - 0.5, "{metric:?}");
        assert!(metric.worst_lane.spread.is_some());
    }
    let planted = scattered(PLAN, 100.0);
    for condition in &planted.conditions {
        let metric = condition.worst().unwrap();
        assert_eq!((metric.lane, metric.worst_lane.alone), (5, 1), "{metric:?}");
        assert!((metric.value - metric.worst_lane.as_read).abs() < 1.0, "{metric:?}");
        assert_ne!(metric.verdict, Verdict::Pass, "{metric:?}");
    }
}

/// A pass that stands where its lane read below the limit is no silent one: the release says so, of those that count.
#[test]
fn a_pass_that_was_read_below_its_limit_is_told_with_the_release() {
    const SAID: &str = "where a lane read below its limit";
    let healthy = scattered(PLAN, 0.0);
    assert_eq!(healthy.passes_read_below(true).total(), 0);
    assert!(healthy.release.reasons.iter().all(|words| !words.contains(SAID)));
    let gap = |one: &JudgedCondition| one.worst().map_or(0.0, |worst| worst.value - worst.worst_lane.as_read);
    let wide = healthy.conditions.iter().max_by(|a, b| gap(a).total_cmp(&gap(b))).unwrap();
    let worst = wide.worst().unwrap();
    assert!(gap(wide) > 1.0, "{worst:?}");
    let between = format!("minimum = {:.2}", worst.worst_lane.as_read + 0.5 * gap(wide));
    let run = scattered(&PLAN.replace("minimum = 100", &between), 0.0);
    let found: Vec<&JudgedCondition> =
        run.conditions.iter().filter(|one| one.passes_read_below().is_some()).collect();
    assert!(!found.is_empty() && found.len() == run.passes_read_below(true).total());
    assert!(found.iter().all(|one| one.verdict <= Some(Verdict::ConditionalPass)));
    let reason = run.release.reasons.iter().find(|words| words.contains(SAID)).expect("it is told");
    assert!(reason.starts_with(&passes_in_words(run.passes_read_below(true))), "{reason}");
}

/// An estimate that grows with the eye's own slope says over what it ranges: one budget is of one eye alone.
#[test]
fn an_assumed_repeatability_has_its_range_over_the_eyes() {
    let plan = PLAN.replace("repeats = 2", "repeats = 1");
    let run = judged(&plan, false, |job, _| {
        let mut capture = capture(200.0);
        capture.slopes.along_taps[2] = 0.1 + job.condition as f32;
        capture
    });
    let row = run.budgets[0].rows.iter().find(|row| row.name == "repeatability").unwrap();
    let (least, most) = row.range.expect("it is assumed");
    assert!(row.assumed && least < row.standard_uncertainty && row.standard_uncertainty < most, "{row:?}");
    assert!(most > 5.0 * least, "{row:?}");
    let seat = run.budgets[0].rows.iter().find(|row| row.name == "re-seating").unwrap();
    assert_eq!(seat.range, Some((seat.standard_uncertainty, seat.standard_uncertainty)));
    assert!(run.budgets[0].rows.iter().all(|row| row.assumed || row.range.is_none()));
}
