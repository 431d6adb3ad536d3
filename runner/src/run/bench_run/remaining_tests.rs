//! What is left of a run: kept where it goes as planned, planned anew where it does not, and no job is ever lost.

use super::*;
use crate::run::pending::every_job;
use plan::Plan;
use plan::keys::JobKeys;

/// Eight modules, office hours, half a day of measuring each.
const OFFICE: &str = r#"
title = "Office"

[interface]
generation = "DDR4"
lanes = 8

[[channel]]
name = "direct"
fits = ["UDIMM"]

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
        .map(|index| format!("[[module]]\nname = \"M{index}\"\nkind = \"UDIMM\"\nrated = 2666\n\n"))
        .collect();
    Plan::read(&format!("{OFFICE}\n{modules}")).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"))
}

fn jobs(plan: &Plan, forecast: &Forecast) -> Vec<PendingJob> {
    every_job(forecast, &JobKeys::new(plan, "bench").expect("finite numbers"))
}

fn keys(rest: &Remaining<'_>) -> Vec<[u8; 32]> {
    rest.jobs().map(|pending| pending.key).collect()
}

fn start(forecast: &Forecast) -> Standing {
    Standing { now_min: forecast.schedule.start_min, mounted: None, chamber_c: 23.0 }
}

/// Takes the first visit; where the run stands after it, by the plan.
fn first_stretch(rest: &mut Remaining<'_>) -> (u32, usize) {
    let mounting = rest.first().and_then(|first| rest.scheduled_mounting(first)).unwrap();
    let mut taken = 0;
    while rest.first().and_then(|first| rest.scheduled_mounting(first)) == Some(mounting) {
        rest.take(|_| true).unwrap();
        taken += 1;
    }
    (mounting, taken)
}

#[test]
fn what_goes_as_planned_is_left_alone() {
    let plan = plan();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let pending = jobs(&plan, &forecast);
    let mut rest = Remaining::new(&forecast, &pending, start(&forecast));
    let (mounting, taken) = first_stretch(&mut rest);
    let done: Vec<u32> = forecast.schedule.sequence[..taken].to_vec();
    let expected = predicted_stretches(&forecast.problem, &done, start(&forecast)).remove(0);
    let now = Standing {
        now_min: forecast.schedule.start_min + expected.total(),
        mounted: Some(mounting),
        chamber_c: 60.0,
    };
    let seconds = StretchSeconds {
        hands: 60.0 * (expected.hands_on + expected.boot),
        ramps: 60.0 * expected.ramps(),
        soak: 60.0 * (expected.soak + expected.settle),
        training: 60.0 * expected.training,
        measuring: 60.0 * expected.measuring,
    };
    rest.stretch_ended(seconds, now);
    let before = keys(&rest);
    assert_eq!(rest.plan_anew(now, &forecast.calendar).unwrap(), None);
    assert_eq!(keys(&rest), before);
    assert_eq!(before.len(), pending.len() - taken);
}

/// Modules with two to six rates each, so that it matters what stands through a night.
fn uneven() -> Plan {
    let text = OFFICE.replace("rate = [2133, 2400, 2666]", "rate = [1600, 1866, 2133, 2400, 2666, 2933]");
    let mut more = String::new();
    for index in 0..10 {
        more.push_str(&format!("[[module]]\nname = \"M{index}\"\nkind = \"UDIMM\"\nrated = 2933\n\n"));
        let left_out: Vec<&str> =
            ["1600", "1866", "2133", "2400"].into_iter().take(4 - (index % 5).min(4)).collect();
        if !left_out.is_empty() {
            more.push_str(&format!(
                "[[skip]]\nmodule = [\"M{index}\"]\nrate = [{}]\nreason = \"not asked for\"\n\n",
                left_out.join(", ")
            ));
        }
    }
    Plan::read(&format!("{text}\n{more}")).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"))
}

#[test]
fn a_bench_that_is_slow_or_late_is_planned_anew_and_nothing_is_lost() {
    let plan = uneven();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let pending = jobs(&plan, &forecast);
    let mut told = Vec::new();
    for (slow, late_h) in [1.0, 3.0, 10.0].into_iter().flat_map(|slow| (2..10).map(move |late| (slow, late)))
    {
        let mut rest = Remaining::new(&forecast, &pending, start(&forecast));
        let (mounting, taken) = first_stretch(&mut rest);
        let done: Vec<u32> = forecast.schedule.sequence[..taken].to_vec();
        let expected = predicted_stretches(&forecast.problem, &done, start(&forecast)).remove(0);
        let now_min =
            forecast.schedule.start_min + slow * expected.total() + 180.0 * f64::from(late_h) + 11.0;
        let now = Standing { now_min, mounted: Some(mounting), chamber_c: 60.0 };
        let seconds = StretchSeconds {
            hands: 60.0 * (expected.hands_on + expected.boot) + 180.0 * 60.0 * f64::from(late_h) + 660.0,
            ramps: 60.0 * expected.ramps() * slow,
            soak: 60.0 * (expected.soak + expected.settle) * slow,
            training: 60.0 * expected.training * slow,
            measuring: 60.0 * expected.measuring * slow,
        };
        rest.stretch_ended(seconds, now);
        assert!(rest.departed, "slow {slow}, late {late_h}");
        let before = keys(&rest);
        let words = rest.plan_anew(now, &forecast.calendar).unwrap();
        let after = keys(&rest);
        assert_eq!(words.is_some(), before != after, "a change is told, and only a change: {words:?}");
        let sorted = |mut list: Vec<[u8; 32]>| {
            list.sort_unstable();
            list
        };
        assert_eq!(sorted(before), sorted(after));
        told.extend(words);
        // Once told, it is no news any more.
        assert_eq!(rest.plan_anew(now, &forecast.calendar).unwrap(), None);
    }
    println!("{} of 24 departures change the order: {:?}", told.len(), told.first());
    assert!(told.iter().any(|words| words.contains("planned anew: the end moves by")), "{told:?}");
}

#[test]
fn fittings_given_up_leave_the_plan_and_are_told() {
    let plan = plan();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let pending = jobs(&plan, &forecast);
    let mut rest = Remaining::new(&forecast, &pending, start(&forecast));
    let mounting = rest.first().and_then(|first| rest.scheduled_mounting(first));
    let forecast_of = |pending: &PendingJob| {
        forecast.problem.mounting_of(forecast.schedule.sequence[pending.position as usize])
    };
    let out = rest.give_up(|pending| forecast_of(pending) == mounting);
    assert_eq!(out.len(), 6);
    let words = rest.plan_anew(start(&forecast), &forecast.calendar).unwrap().expect("a change is told");
    assert!(words.contains("left out") || words.contains("planned anew"), "{words}");
    assert_eq!(rest.jobs().count(), pending.len() - 6);
}

#[test]
fn a_new_order_keeps_jobs_that_its_sequence_forgets() {
    let plan = plan();
    let forecast = Forecast::new(&plan, &[]).unwrap();
    let pending = jobs(&plan, &forecast);
    let mut rest = Remaining::new(&forecast, &pending, start(&forecast));
    let mut backwards: Vec<u32> = forecast.schedule.sequence.iter().rev().copied().collect();
    let forgotten = backwards.pop().unwrap();
    rest.follow(&backwards);
    let order: Vec<u32> =
        rest.jobs().map(|pending| forecast.schedule.sequence[pending.position as usize]).collect();
    assert_eq!(order[..backwards.len()], backwards);
    assert_eq!(order[backwards.len()..], [forgotten]);
}
