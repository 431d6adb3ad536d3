//! How fast and how good the ordering is: the two reference matrices, 10,000 jobs over 500 setups, and 100 random irregular ones,
//! beside the loops as written and the best of their 120 nestings. Figures are printed before the timing runs.

#![allow(clippy::disallowed_types)]

#[path = "../../../tests/speed/stopwatch.rs"]
mod stopwatch;

use nightbench_core::random::SplitMix64;
use schedule::calendar::{DAY_MIN, days_from_civil};
use schedule::{
    BenchTimes, Calendar, CalendarEffort, Effort, JobInput, Loop, Problem, best_nesting, cost_of,
    finish_bound, nested, plan_calendar, plan_order, walk,
};
use std::time::Instant;
use stopwatch::time;

/// A crossed matrix with a share of its jobs (or of its setup-temperature cells) left out by a fixed seed.
struct Matrix {
    modules: u32,
    channels: u32,
    temperatures_c: Vec<f64>,
    supplies: u16,
    rates: u16,
    skipped: f64,
    by_cell: bool,
    measure_s: f64,
}

fn problem(m: &Matrix, seed: u64) -> Problem {
    let mut rng = SplitMix64::new(seed);
    let mut jobs = Vec::new();
    for module in 0..m.modules {
        for channel in 0..m.channels {
            for temperature in 0..m.temperatures_c.len() as u16 {
                if m.by_cell && rng.unit() < m.skipped {
                    continue;
                }
                for supply in 0..m.supplies {
                    for rate in 0..m.rates {
                        if !m.by_cell && rng.unit() < m.skipped {
                            continue;
                        }
                        let (measure_s, train_s) = (m.measure_s, 20.0);
                        jobs.push(JobInput {
                            module,
                            channel,
                            mounting_number: 0,
                            temperature,
                            supply,
                            rate,
                            measure_s,
                            train_s,
                            held: false,
                        });
                    }
                }
            }
        }
    }
    Problem::new(BenchTimes::default(), m.temperatures_c.clone(), &jobs).expect("a sound matrix")
}

fn matrix_a() -> Matrix {
    Matrix {
        modules: 12,
        channels: 4,
        temperatures_c: vec![25.0, -40.0, 0.0, 85.0, 105.0],
        supplies: 3,
        rates: 6,
        skipped: 0.25,
        by_cell: false,
        measure_s: 165.0,
    }
}

fn matrix_b() -> Matrix {
    Matrix {
        modules: 40,
        channels: 8,
        temperatures_c: vec![25.0, -40.0, -10.0, 0.0, 55.0, 85.0, 105.0],
        supplies: 2,
        rates: 3,
        skipped: 0.3,
        by_cell: false,
        measure_s: 112.0,
    }
}

fn large() -> Matrix {
    Matrix {
        modules: 50,
        channels: 10,
        temperatures_c: vec![25.0, -40.0, 85.0, 105.0],
        supplies: 1,
        rates: 5,
        skipped: 0.0,
        by_cell: false,
        measure_s: 240.0,
    }
}

fn irregular(seed: u64) -> Matrix {
    let mut rng = SplitMix64::new(seed);
    let levels = [-40.0, -20.0, 0.0, 20.0, 25.0, 35.0, 55.0, 70.0, 85.0, 105.0];
    let mut temperatures_c: Vec<f64> = levels.to_vec();
    while temperatures_c.len() > 4 + rng.below(4) {
        temperatures_c.remove(rng.below(temperatures_c.len()));
    }
    Matrix {
        modules: 4 + rng.below(30) as u32,
        channels: 2 + rng.below(7) as u32,
        temperatures_c,
        supplies: 2,
        rates: 3,
        skipped: 0.4 + 0.2 * rng.unit(),
        by_cell: true,
        measure_s: 240.0,
    }
}

fn report(name: &str, p: &Problem) {
    let price = p.bench().price_min;
    let begin = Instant::now();
    let order = plan_order(p, Effort::default()).expect("an order");
    let took = begin.elapsed().as_secs_f64();
    let written = [Loop::Module, Loop::Channel, Loop::Temperature, Loop::Supply, Loop::Rate];
    let as_written = cost_of(p, &nested(p, written, false));
    let best = best_nesting(p, f64::INFINITY).expect("a nesting");
    let b = &order.bound;
    println!(
        "{name}: {} jobs, {} setups, planned in {took:.3} s\n  as written {:.1} h / {}; best of 120 nestings {:.1} h / {}; \
         stretches {:.1} h / {} ({:?})\n  total bound {:.1} h; ramps + hands + price over the bound {:.5} \
         (as written {:.5}, best nesting {:.5})",
        p.job_count(),
        p.mountings().len(),
        as_written.minutes.total() / 60.0,
        as_written.changes,
        best.cost.minutes.total() / 60.0,
        best.cost.changes,
        order.hours().total,
        order.cost.changes,
        order.origin,
        b.total_min / 60.0,
        b.ratio(&order.cost, price),
        b.ratio(&as_written, price),
        b.ratio(&best.cost, price),
    );
}

fn office() -> Calendar {
    let mut week: [Vec<(u16, u16)>; 7] = std::array::from_fn(|_| vec![(540, 1020)]);
    week[5].clear();
    week[6].clear();
    Calendar::new(week, Default::default()).expect("office hours")
}

/// Weekdays whose morning lies between the two times.
fn working_days(from: f64, to: f64) -> usize {
    let day = |t: f64| (t / DAY_MIN).floor() as i64;
    (day(from) + 1..=day(to)).filter(|&d| schedule::calendar::weekday(d) < 5).count()
}

fn calendar_report(name: &str, p: &Problem) {
    let start = days_from_civil(2026, 11, 23).expect("a Monday") as f64 * DAY_MIN + 540.0;
    let order = plan_order(p, Effort::default()).expect("an order");
    let written =
        nested(p, [Loop::Module, Loop::Channel, Loop::Temperature, Loop::Supply, Loop::Rate], false);
    let written = walk(p, &written, &office(), start).expect("a walk");
    let blind = walk(p, &order.sequence, &office(), start).expect("a walk");
    let bound = finish_bound(p, &office(), start).expect("a bound");
    let begin = Instant::now();
    let plan = plan_calendar(p, &order, &office(), start, CalendarEffort::default()).expect("a plan");
    let days = |t: f64| (t - start) / DAY_MIN;
    println!(
        "calendar {name}: as written {:.2} d, calendar-blind {:.2} d / {}, planned {:.2} d / {} in {:.2} s, bound {:.2} d: \
         {} working days above",
        days(written.finish_min),
        days(blind.finish_min),
        blind.cost.changes,
        days(plan.finish_min),
        plan.cost.changes,
        begin.elapsed().as_secs_f64(),
        days(bound),
        working_days(bound, plan.finish_min)
    );
}

fn figures() {
    let small = Matrix { modules: 7, channels: 3, measure_s: 300.0, ..matrix_a() };
    let long = Matrix { modules: 5, channels: 2, rates: 12, measure_s: 420.0, ..matrix_a() };
    let short = Matrix {
        modules: 20,
        channels: 5,
        supplies: 1,
        rates: 4,
        by_cell: true,
        measure_s: 100.0,
        ..matrix_a()
    };
    calendar_report("(a)", &problem(&matrix_a(), 1));
    calendar_report("7 x 3, 6 to 9 h a setup", &problem(&small, 2));
    calendar_report("5 x 2, over 15 h a setup", &problem(&long, 3));
    calendar_report("20 x 5, short setups, a quarter of the cells skipped", &problem(&short, 4));
    calendar_report("(b)", &problem(&matrix_b(), 1));
    report("(a) 12 x 4 x 5 x 3 x 6", &problem(&matrix_a(), 1));
    report("(b) 40 x 8 x 7 x 2 x 3", &problem(&matrix_b(), 1));
    report("10,000 jobs, 500 setups", &problem(&large(), 1));
    let million = Matrix { modules: 100, rates: 50, supplies: 5, channels: 10, ..large() };
    report("a million jobs", &problem(&million, 1));
    for (what, kicks) in [("constructed", 0), ("with search", 2000)] {
        let mut ratios = Vec::new();
        let mut slowest = 0.0f64;
        for seed in 0..100 {
            let p = problem(&irregular(seed), seed + 1000);
            let begin = Instant::now();
            let order = plan_order(&p, Effort { kicks, ..Effort::default() }).expect("an order");
            slowest = slowest.max(begin.elapsed().as_secs_f64());
            ratios.push(order.bound.ratio(&order.cost, p.bench().price_min));
        }
        ratios.sort_by(f64::total_cmp);
        println!(
            "100 irregular matrices, {what}: ratio median {:.5}, worst {:.5}; slowest {slowest:.3} s",
            ratios[50], ratios[99]
        );
    }
}

fn main() {
    figures();
    let (a, large, irregular) = (problem(&matrix_a(), 1), problem(&large(), 1), problem(&irregular(3), 1003));
    time("matrix a", || plan_order(&a, Effort::default()));
    time("10,000 jobs, 500 setups", || plan_order(&large, Effort::default()));
    time("irregular", || plan_order(&irregular, Effort::default()));
}
