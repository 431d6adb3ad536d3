//! Plans that are kept, plans that change, setups given up, rules that go on holding.

use super::*;
use crate::JobInput;
use crate::calendar::{DAY_MIN, days_from_civil, walk};
use crate::stretches::stretches_of;

fn office() -> Calendar {
    let mut week: [Vec<(u16, u16)>; 7] = std::array::from_fn(|_| vec![(540, 1020)]);
    week[5].clear();
    week[6].clear();
    Calendar::new(week, Default::default()).unwrap()
}

fn monday() -> f64 {
    days_from_civil(2026, 11, 23).unwrap() as f64 * DAY_MIN + 540.0
}

fn problem(rules: Rules) -> Problem {
    let mut jobs = Vec::new();
    for module in 0..14u32 {
        for temperature in 0..3u16 {
            for rate in 0..(2 + module as u16 % 5) {
                jobs.push(JobInput {
                    module,
                    channel: module % 3,
                    mounting_number: 0,
                    temperature,
                    supply: 0,
                    rate,
                    measure_s: 900.0,
                    train_s: 20.0,
                    held: false,
                });
            }
        }
    }
    let p = Problem::new(BenchTimes::default(), vec![25.0, -40.0, 85.0], &jobs).unwrap();
    p.with_rules(rules).unwrap()
}

fn planned(p: &Problem) -> Scheduled {
    let order = plan_order(p, Effort::default()).unwrap();
    plan_calendar(p, &order, &office(), monday(), CalendarEffort { seed: 1, trials: 60 }).unwrap()
}

/// Where the planned run stands after so many stretches, and what is left of it.
fn after(p: &Problem, plan: &Scheduled, stretches: usize, late_min: f64) -> (Vec<u32>, Standing) {
    let all = stretches_of(p, &plan.sequence);
    let cut = all[stretches].first;
    let done = walk(p, &plan.sequence[..cut], &office(), monday()).unwrap();
    let last = plan.sequence[cut - 1];
    let standing = Standing {
        now_min: done.finish_min + late_min,
        mounted: Some(p.jobs[last as usize].mounting),
        chamber_c: p.temp_c(p.jobs[last as usize].temperature),
    };
    (plan.sequence[cut..].to_vec(), standing)
}

fn again(p: &Problem, left: &[u32], reality: &Reality<'_>) -> Replan {
    let nights = CalendarEffort { seed: 1, trials: 60 };
    replan(p, left, reality, &office(), Effort::default(), nights).unwrap()
}

#[test]
fn what_goes_as_planned_is_kept() {
    let p = problem(Rules::default());
    let plan = planned(&p);
    let (left, standing) = after(&p, &plan, 3, 0.0);
    let learned = Learned::new(0.25);
    let same = again(&p, &left, &Reality { given_up: &[], standing, learned: &learned });
    assert!((same.kept_finish_min - plan.finish_min).abs() < 1e-6);
    assert!(same.schedule.finish_min <= plan.finish_min + 1e-6);
    assert!(same.changed != same.words.is_empty());
}

#[test]
fn slow_work_and_a_missed_evening_are_planned_anew_and_never_end_later() {
    let p = problem(Rules::default());
    let plan = planned(&p);
    let (mut sooner, mut cases) = (0, 0);
    for stretches in [2, 4, 6, 8] {
        for (factor, late) in [(1.5, 0.0), (0.7, 0.0), (1.0, 420.0), (1.3, 200.0)] {
            let mut learned = Learned::new(0.25);
            for _ in 0..6 {
                learned.observe(Work::Measure, 100.0, 100.0 * factor);
            }
            let (left, standing) = after(&p, &plan, stretches, late);
            let new = again(&p, &left, &Reality { given_up: &[], standing, learned: &learned });
            assert!(new.schedule.finish_min <= new.kept_finish_min + p.bench.price_min * 14.0);
            let (mut a, mut b) = (new.schedule.sequence.clone(), left.clone());
            a.sort_unstable();
            b.sort_unstable();
            assert_eq!(a, b, "no job is lost or doubled");
            cases += 1;
            sooner += i32::from(new.schedule.finish_min < new.kept_finish_min - 15.0);
            assert_eq!(new.changed, new.schedule.sequence != left);
        }
    }
    // Planning again must be worth something: in a fair part of such departures the end moves forward.
    assert!(sooner * 4 >= cases, "{sooner} of {cases}");
}

#[test]
fn setups_given_up_are_left_out_and_said() {
    let p = problem(Rules::default());
    let plan = planned(&p);
    let (left, standing) = after(&p, &plan, 3, 0.0);
    let dead = p.jobs[left[0] as usize].mounting;
    let learned = Learned::new(0.25);
    let new = again(&p, &left, &Reality { given_up: &[dead], standing, learned: &learned });
    assert!(new.changed && new.words.contains("given up"), "{}", new.words);
    assert!(new.schedule.sequence.iter().all(|&j| p.jobs[j as usize].mounting != dead));
    assert!(new.schedule.finish_min <= plan.finish_min);
    let nothing = again(&p, &[], &Reality { given_up: &[], standing, learned: &learned });
    assert!(nothing.schedule.sequence.is_empty() && !nothing.changed);
}

#[test]
fn rules_hold_in_the_new_plan() {
    let rules = Rules {
        cold_first: true,
        baseline: Some(2),
        reference: Some((0, 40)),
        before: vec![(5, 1), (1, 0)],
        hold_temperature: None,
    };
    let p = problem(rules);
    let plan = planned(&p);
    let mut learned = Learned::new(0.25);
    for _ in 0..6 {
        learned.observe(Work::Measure, 100.0, 160.0);
    }
    for stretches in [1, 3, 5] {
        let (left, standing) = after(&p, &plan, stretches, 90.0);
        let new = again(&p, &left, &Reality { given_up: &[], standing, learned: &learned });
        let sequence = &new.schedule.sequence;
        let mounting = |j: &u32| p.jobs[*j as usize].mounting;
        assert_eq!(sequence.last().map(mounting), Some(2), "the baseline again at the end");
        let first = |m| sequence.iter().position(|j| mounting(j) == m && *j != 0);
        let last = |m| sequence.iter().rposition(|j| mounting(j) == m && *j != 0);
        for (a, b) in [(5, 1), (1, 0)] {
            if let (Some(a), Some(b)) = (last(a), first(b)) {
                assert!(a < b, "precedences hold");
            }
        }
        for &j in &left {
            assert!(sequence.contains(&j), "job {j} is lost");
        }
        let mut since = 0;
        for &j in sequence {
            since = if j == 0 { 0 } else { since + 1 };
            assert!(since <= 40, "the reference job comes back in time");
        }
    }
}
