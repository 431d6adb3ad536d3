//! Civil time, attended hours, and plans through the calendar against the proven finish.

use super::*;
use crate::nights::{CalendarEffort, plan_calendar};
use crate::stretches::{Effort, plan_order};
use crate::{BenchTimes, JobInput};

fn office() -> Calendar {
    let day: DayHours = vec![(540, 1020)];
    let mut week: [DayHours; 7] = std::array::from_fn(|_| day.clone());
    week[5].clear();
    week[6].clear();
    Calendar::new(week, BTreeMap::new()).unwrap()
}

/// Monday 2026-11-23 09:00.
fn monday() -> f64 {
    days_from_civil(2026, 11, 23).unwrap() as f64 * DAY_MIN + 540.0
}

fn matrix(modules: u32, channels: u32, temps: &[f64], each: u16, measure_s: f64) -> Problem {
    let mut jobs = Vec::new();
    for module in 0..modules {
        for channel in 0..channels {
            for temperature in 0..temps.len() as u16 {
                for rate in 0..each {
                    if (module * 5 + channel * 3 + u32::from(temperature) * 7 + u32::from(rate) * 11) % 4 != 0
                    {
                        jobs.push(JobInput {
                            module,
                            channel,
                            mounting_number: 0,
                            temperature,
                            supply: 0,
                            rate,
                            measure_s,
                            train_s: 20.0,
                            held: false,
                        });
                    }
                }
            }
        }
    }
    Problem::new(BenchTimes::default(), temps.to_vec(), &jobs).unwrap()
}

// Well-known dates: 1970-01-01 is day 0 and a Thursday; 2000-02-29 is day 11016 (from memory, checked by both
// directions).
#[test]
fn civil_dates_go_both_ways() {
    assert_eq!(days_from_civil(1970, 1, 1).unwrap(), 0);
    assert_eq!(weekday(0), 3);
    assert_eq!(days_from_civil(2000, 2, 29).unwrap(), 11_016);
    assert_eq!(weekday(days_from_civil(2024, 2, 29).unwrap()), 3);
    for days in (-800_000..800_000).step_by(173) {
        let (y, m, d) = civil_from_days(days);
        assert_eq!(days_from_civil(y, m, d).unwrap(), days);
    }
    for (y, m, d) in [(2026, 2, 29), (2100, 2, 29), (2026, 13, 1), (2026, 4, 31), (2026, 1, 0)] {
        assert!(matches!(days_from_civil(y, m, d), Err(OrderError::BadDate { .. })));
    }
}

#[test]
fn attended_hours_are_found_and_malformed_or_missing_ones_refused() {
    let c = office();
    let m = monday();
    assert_eq!(c.next_attended(m - 100.0, 10.0).unwrap(), (m, m + 480.0));
    assert_eq!(c.next_attended(m + 475.0, 10.0).unwrap().0, m + DAY_MIN);
    assert_eq!(
        c.next_attended(m + 4.0 * DAY_MIN + 475.0, 10.0).unwrap().0,
        m + 7.0 * DAY_MIN,
        "Friday to Monday"
    );
    let e = c.next_attended(m, 600.0).unwrap_err();
    assert!(matches!(e, OrderError::NeverAttended { need_min, .. } if need_min == 600.0), "{e}");
    let never = Calendar::new(Default::default(), BTreeMap::new()).unwrap();
    let p = matrix(2, 1, &[25.0], 2, 60.0);
    assert!(matches!(walk(&p, &[0], &never, m), Err(OrderError::NeverAttended { .. })));
    assert!(matches!(finish_bound(&p, &never, m), Err(OrderError::NeverAttended { .. })));
    let night: DayHours = vec![(0, 120), (1320, 1440)];
    let round: [DayHours; 7] = std::array::from_fn(|_| night.clone());
    let c = Calendar::new(round, BTreeMap::new()).unwrap();
    assert_eq!(c.next_attended(m, 200.0).unwrap(), (m + 780.0, m + 1020.0), "joined over midnight");
    for hours in [vec![(600, 600)], vec![(600, 700), (650, 800)], vec![(0, 1441)]] {
        let mut week: [DayHours; 7] = Default::default();
        week[0] = hours;
        assert!(matches!(Calendar::new(week, BTreeMap::new()), Err(OrderError::BadHours { .. })));
    }
    let holiday = BTreeMap::from([((m / DAY_MIN) as i64, Vec::new())]);
    let c = Calendar { exceptions: holiday, ..office() };
    assert_eq!(c.next_attended(m, 10.0).unwrap().0, m + DAY_MIN);
}

/// Attended minutes between two times, counted minute by minute.
fn attended(c: &Calendar, from: f64, to: f64) -> bool {
    let mut t = from;
    while t < to {
        let day = (t / DAY_MIN).floor();
        let at = t - day * DAY_MIN;
        if !c.hours_on(day as i64).iter().any(|&(a, b)| f64::from(a) <= at + 1e-6 && at < f64::from(b)) {
            return false;
        }
        t += 0.5;
    }
    true
}

#[test]
fn plans_keep_hands_inside_attended_hours_and_beat_the_blind_walk() {
    let temps = [25.0, -40.0, 0.0, 85.0, 105.0];
    for (p, c) in [(matrix(12, 4, &temps, 18, 165.0), office()), (matrix(5, 3, &temps, 30, 240.0), office())]
    {
        let order = plan_order(&p, Effort { kicks: 200, ..Effort::default() }).unwrap();
        let blind = walk(&p, &order.sequence, &c, monday()).unwrap();
        let effort = CalendarEffort { seed: 1, trials: 40 };
        let planned = plan_calendar(&p, &order, &c, monday(), effort).unwrap();
        let bound = finish_bound(&p, &c, monday()).unwrap();
        let days = |t: f64| (t - monday()) / DAY_MIN;
        eprintln!(
            "{} setups: blind {:.2} d / {}, planned {:.2} d / {}, bound {:.2} d",
            p.mountings().len(),
            days(blind.finish_min),
            blind.cost.changes,
            days(planned.finish_min),
            planned.cost.changes,
            days(bound)
        );
        assert!(bound <= planned.finish_min && planned.finish_min < blind.finish_min);
        assert!((planned.finish_min - planned.start_min - planned.cost.minutes.total()).abs() < 1e-6);
        let mut jobs = planned.sequence.clone();
        jobs.sort_unstable();
        assert!(jobs.into_iter().eq(0..p.job_count() as u32));
        for (k, m) in planned.moments.iter().enumerate() {
            assert!(attended(&c, m.start_min, m.leave_min - 0.01), "{m:?}");
            assert!(m.ready_min <= m.start_min && m.leave_min <= m.hands_free_until_min);
            if let Some(next) = planned.moments.get(k + 1) {
                assert_eq!(m.hands_free_until_min, next.ready_min);
            }
        }
        assert_eq!(planned, plan_calendar(&p, &order, &c, monday(), effort).unwrap());
    }
}

/// Rules hold through the calendar too: cold first, precedences, baseline, held training, lunch breaks.
#[test]
fn calendar_plans_keep_the_rules() {
    use crate::cost::keeps_rules;
    let mut week: [DayHours; 7] = std::array::from_fn(|_| vec![(540, 720), (780, 1020)]);
    week[5].clear();
    week[6].clear();
    let c = Calendar::new(week, BTreeMap::new()).unwrap();
    for held in [false, true] {
        let mut jobs = Vec::new();
        for (module, temperature) in (0..9u32).flat_map(|m| (0..4u16).map(move |t| (m, t))) {
            for rate in 0..6 {
                jobs.push(JobInput {
                    module,
                    channel: module % 2,
                    mounting_number: 0,
                    temperature,
                    supply: 0,
                    rate,
                    measure_s: 600.0,
                    train_s: 20.0,
                    held,
                });
            }
        }
        let p = Problem::new(BenchTimes::default(), vec![25.0, -40.0, 85.0, 0.0], &jobs).unwrap();
        let rules = crate::Rules {
            cold_first: !held,
            baseline: Some(3),
            before: vec![(7, 1), (1, 0)],
            hold_temperature: Some(0),
            ..Default::default()
        };
        let p = p.with_rules(rules).unwrap();
        let order = plan_order(&p, Effort { kicks: 200, ..Effort::default() }).unwrap();
        let plan = plan_calendar(&p, &order, &c, monday(), CalendarEffort { seed: 1, trials: 30 }).unwrap();
        let (end, body) = plan.sequence.split_last().unwrap();
        assert_eq!(Some(end), body.first(), "baseline again at the end");
        assert!(keeps_rules(&p, body));
        let mut seen = body.to_vec();
        seen.sort_unstable();
        assert!(seen.into_iter().eq(0..p.job_count() as u32));
        assert!(plan.moments.iter().all(|m| attended(&c, m.start_min, m.leave_min - 0.01)));
        assert!(finish_bound(&p, &c, monday()).unwrap() <= plan.finish_min);
    }
}

#[test]
fn the_finish_bound_holds_for_any_order() {
    let p = matrix(4, 2, &[25.0, -40.0, 85.0], 6, 900.0);
    let mut rng = nightbench_core::random::SplitMix64::new(5);
    let bound = finish_bound(&p, &office(), monday()).unwrap();
    let always = finish_bound(&p, &Calendar::always(), monday()).unwrap();
    for round in 0..60 {
        let mut seq: Vec<u32> = (0..p.job_count() as u32).collect();
        for k in (1..seq.len()).rev() {
            seq.swap(k, rng.below(k + 1));
        }
        if round % 2 == 0 {
            seq.sort_by_key(|&j| (p.jobs[j as usize].mounting, p.jobs[j as usize].temperature));
        }
        assert!(walk(&p, &seq, &office(), monday()).unwrap().finish_min >= bound);
        assert!(walk(&p, &seq, &Calendar::always(), monday()).unwrap().finish_min >= always);
    }
}

/// A plan that takes years still has attended hours: its bound is at least the look-ahead.
#[test]
fn plans_longer_than_the_look_ahead_have_a_bound() {
    let mut week: [DayHours; 7] = Default::default();
    week[0] = vec![(540, 600)];
    let weekly = Calendar::new(week, BTreeMap::new()).unwrap();
    let p = matrix(40, 5, &[25.0, 85.0], 4, 900.0);
    let bound = finish_bound(&p, &weekly, monday()).unwrap();
    assert!(bound > monday() + 700.0 * DAY_MIN);
    let order = plan_order(&p, Effort { kicks: 0, ..Effort::default() }).unwrap();
    let plan = plan_calendar(&p, &order, &weekly, monday(), CalendarEffort { seed: 1, trials: 4 }).unwrap();
    assert!(plan.finish_min >= bound);
}

#[test]
fn a_bench_says_when_hands_are_there_next() {
    let (p, calendar) = (matrix(2, 2, &[25.0, 85.0], 2, 30.0), office());
    let need = p.bench().attended_change_min(true);
    let from = Standing { now_min: monday() + 60.0, mounted: None, chamber_c: 25.0 };
    let walk = crate::Walk::new(&p, from, None, &calendar);
    assert_eq!(walk.hands_min(0.0).unwrap(), (0.0, 7.0 * 60.0 - need));
    // Too late for a change of channel: the next morning, 23 hours from now. Friday evening: Monday.
    assert_eq!(walk.hands_min(7.0 * 60.0 - need + 1.0).unwrap(), (23.0 * 60.0, 31.0 * 60.0 - need));
    let friday = 4.0 * DAY_MIN + 7.5 * 60.0;
    assert_eq!(walk.hands_min(friday).unwrap().0, 7.0 * DAY_MIN - 60.0);
    let (always, never) = (Calendar::always(), Calendar::new(Default::default(), BTreeMap::new()).unwrap());
    let bench = |calendar| crate::Walk::new(&p, from, None, calendar).hands_min(90.0);
    assert_eq!(bench(&always).unwrap(), (90.0, f64::INFINITY));
    assert!(bench(&never).is_err());
}
