//! What is left of a run: kept where it goes as planned, planned anew where it does not, and no job is ever lost.

use super::*;
use plans::expand::JobKeys;
use plans::plan::Plan;

/// Eight modules, office hours, half a day of measuring each.
const OFFICE: &str = r#"
title = "Office"

[interface]
generation = "DDR4"
lanes = 8

[[channel]]
name = "direct"
fits = ["unbuffered"]

[matrix]
rate = [2133, 2400, 2666]
temperature_degc = [25, 60]

[capture]
mode = "raster"
ber_limit = 1e-10

[attended]
monday = "09:00-17:00"
tuesday = "09:00-17:00"
wednesday = "09:00-17:00"
thursday = "09:00-17:00"
friday = "09:00-17:00"
start = "2026-11-23 09:00"

[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"
"#;

fn plan() -> Plan {
    let modules: String = (0..8)
        .map(|index| format!("[[module]]\nname = \"M{index}\"\nkind = \"unbuffered\"\nrated = 2666\n\n"))
        .collect();
    Plan::read(&format!("{OFFICE}\n{modules}")).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

fn jobs(plan: &Plan, forecast: &Forecast) -> Vec<Todo> {
    let keys = JobKeys::new(plan, "bench");
    (0..)
        .zip(&forecast.jobs)
        .map(|(position, job)| {
            let condition = forecast.expansion.conditions[job.condition as usize];
            Todo { job: *job, condition, key: keys.key(&condition, job), position, attempt: 1 }
        })
        .collect()
}

fn keys(rest: &Rest<'_>) -> Vec<[u8; 32]> {
    rest.jobs().map(|todo| todo.key).collect()
}

fn start(forecast: &Forecast) -> Standing {
    Standing { now_min: forecast.schedule.start_min, fitted: None, chamber_c: 23.0 }
}

/// Takes the first visit; where the run stands after it, by the plan.
fn first_visit(rest: &mut Rest<'_>) -> (u32, usize) {
    let mounting = rest.first().and_then(|first| rest.mounting(first)).unwrap();
    let mut taken = 0;
    while rest.first().and_then(|first| rest.mounting(first)) == Some(mounting) {
        rest.take(|_| true).unwrap();
        taken += 1;
    }
    (mounting, taken)
}

#[test]
fn what_goes_as_planned_is_left_alone() {
    let plan = plan();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let todo = jobs(&plan, &forecast);
    let mut rest = Rest::new(&forecast, &todo, start(&forecast));
    let (mounting, taken) = first_visit(&mut rest);
    let done: Vec<u32> = forecast.schedule.sequence[..taken].to_vec();
    let expected = predicted_visits(&forecast.problem, &done, start(&forecast)).remove(0);
    let now = Standing {
        now_min: forecast.schedule.start_min + expected.total(),
        fitted: Some(mounting),
        chamber_c: 60.0,
    };
    let seconds = VisitSeconds {
        hands: 60.0 * (expected.hands_on + expected.boot),
        ramps: 60.0 * expected.ramps(),
        soak: 60.0 * (expected.soak + expected.settle),
        training: 60.0 * expected.training,
        measuring: 60.0 * expected.measuring,
    };
    rest.visited(seconds, now);
    let before = keys(&rest);
    assert_eq!(rest.plan_anew(now, &forecast.calendar).unwrap(), None);
    assert_eq!(keys(&rest), before);
    assert_eq!(before.len(), todo.len() - taken);
}

#[test]
fn a_slow_bench_is_planned_anew_and_nothing_is_lost() {
    let plan = plan();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let todo = jobs(&plan, &forecast);
    let mut rest = Rest::new(&forecast, &todo, start(&forecast));
    let (mounting, _) = first_visit(&mut rest);
    // Measuring takes twelve times as long as was thought: the evening comes before the next fitting.
    let measuring: f64 = 9.0 * 3600.0;
    let now = Standing {
        now_min: forecast.schedule.start_min + 60.0 * 9.5,
        fitted: Some(mounting),
        chamber_c: 60.0,
    };
    rest.visited(VisitSeconds { measuring, hands: 600.0, ramps: 1200.0, soak: 600.0, training: 60.0 }, now);
    assert!(rest.departed);
    let before = keys(&rest);
    let words = rest.plan_anew(now, &forecast.calendar).unwrap();
    let after = keys(&rest);
    println!("{words:?}");
    assert_eq!(words.is_some(), before != after, "a change is told, and only a change: {words:?}");
    let sorted = |mut list: Vec<[u8; 32]>| {
        list.sort_unstable();
        list
    };
    assert_eq!(sorted(before), sorted(after));
    // Once told, it is no news any more.
    assert_eq!(rest.plan_anew(now, &forecast.calendar).unwrap(), None);
}

#[test]
fn fittings_given_up_leave_the_plan_and_are_told() {
    let plan = plan();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let todo = jobs(&plan, &forecast);
    let mut rest = Rest::new(&forecast, &todo, start(&forecast));
    let mounting = rest.first().and_then(|first| rest.mounting(first));
    let forecast_of =
        |todo: &Todo| forecast.problem.mounting_of(forecast.schedule.sequence[todo.position as usize]);
    let out = rest.give_up(|todo| forecast_of(todo) == mounting);
    assert_eq!(out.len(), 6);
    let words = rest.plan_anew(start(&forecast), &forecast.calendar).unwrap().expect("a change is told");
    assert!(words.contains("left out") || words.contains("planned anew"), "{words}");
    assert_eq!(rest.jobs().count(), todo.len() - 6);
}

#[test]
fn a_new_order_keeps_jobs_that_its_sequence_forgets() {
    let plan = plan();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let todo = jobs(&plan, &forecast);
    let mut rest = Rest::new(&forecast, &todo, start(&forecast));
    let mut backwards: Vec<u32> = forecast.schedule.sequence.iter().rev().copied().collect();
    let forgotten = backwards.pop().unwrap();
    rest.follow(&backwards);
    let order: Vec<u32> =
        rest.jobs().map(|todo| forecast.schedule.sequence[todo.position as usize]).collect();
    assert_eq!(order[..backwards.len()], backwards);
    assert_eq!(order[backwards.len()..], [forgotten]);
}
