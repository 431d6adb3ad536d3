//! When each job ran: clock time on a bench, composed bench time on the simulated target, which keeps no common clock.

use crate::forecast::Forecast;
use crate::store::{StoredJob, Target};
use judge::judged::{HandsMoment, TimelineStep};
use nightbench_core::results::JobOutcome;
use plan::expand::Job;
use plan::keys::{JobKeys, short_key};
use rayon::prelude::*;
use schedule::change_overs;
use std::collections::HashMap;

/// What of a stored job the time line needs.
pub struct Ran {
    key: [u8; 32],
    condition: u32,
    setup: (u16, u16, u16, u16),
    from_s: f64,
    to_s: f64,
    spent_s: f64,
    set_degc: f64,
    achieved_degc: Option<f64>,
    fault: bool,
}

impl Ran {
    /// Keeps what is needed of a stored job.
    pub fn new(stored: &StoredJob, job: &Job, forecast: &Forecast) -> Ran {
        let setup = forecast.expansion.conditions[job.condition as usize].setup();
        Ran {
            key: stored.row.key,
            condition: job.condition,
            setup: (setup.0, setup.1, setup.2, job.mounting),
            from_s: stored.row.started_bench_s,
            to_s: stored.row.ended_bench_s,
            spent_s: stored.times.training_s + stored.times.measuring_s,
            set_degc: stored.row.temperature_set_degc,
            achieved_degc: stored.readback.as_ref().map(|readback| readback.temperature.0),
            fault: matches!(stored.outcome, JobOutcome::NotMeasured(_)),
        }
    }
}

/// The jobs in the order they ran, and where the hours come from. `chosen`: places in the plan's order, where a simulated run chose its
/// own.
pub fn compose(
    mut ran: Vec<Ran>,
    target: &Target,
    forecast: &Forecast,
    keys: &JobKeys<'_>,
    chosen: Option<&[u64]>,
) -> (Vec<TimelineStep>, String) {
    let step = |ran: &Ran, from_s: f64, begin_s: f64, end_s: f64, hands: Option<HandsMoment>| TimelineStep {
        condition: ran.condition as usize,
        key: short_key(&ran.key),
        from_h: from_s / 3600.0,
        begin_h: begin_s / 3600.0,
        end_h: end_s / 3600.0,
        hands,
        set_degc: ran.set_degc,
        achieved_degc: ran.achieved_degc,
        fault: ran.fault,
    };
    let mut steps = Vec::with_capacity(ran.len());
    if *target != Target::Simulated {
        ran.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
        let (mut last_s, mut fitted) = (0.0f64, None);
        for ran in &ran {
            // The job begins once what it needs is fitted and checked.
            let hands = (fitted != Some(ran.setup))
                .then_some(HandsMoment { hour_h: ran.from_s / 3600.0, chamber_degc: None });
            fitted = Some(ran.setup);
            // Training and measuring come last; before them the bench was switched, ramped and soaked.
            let begin_s = (ran.to_s - ran.spent_s).clamp(ran.from_s, ran.to_s);
            let begin_s = if ran.spent_s > 0.0 { begin_s } else { ran.from_s };
            steps.push(step(ran, last_s.min(ran.from_s), begin_s, ran.to_s, hands));
            last_s = ran.to_s;
        }
        return (steps, String::new());
    }
    let places: HashMap<[u8; 32], usize> = forecast
        .jobs
        .par_iter()
        .enumerate()
        .map(|(place, job)| (keys.key(&forecast.expansion.conditions[job.condition as usize], job), place))
        .collect();
    let place = |ran: &Ran| places.get(&ran.key).copied().unwrap_or(usize::MAX);
    let turns: Option<HashMap<u64, usize>> =
        chosen.map(|chosen| chosen.iter().enumerate().map(|(turn, place)| (*place, turn)).collect());
    ran.sort_by_key(|ran| match &turns {
        None => place(ran),
        Some(turns) => turns.get(&(place(ran) as u64)).copied().unwrap_or(usize::MAX),
    });
    let sequence: Vec<u32> = ran
        .iter()
        .map(|ran| forecast.schedule.sequence.get(place(ran)).copied().unwrap_or(u32::MAX))
        .collect();
    let mut now_s = 0.0;
    for (ran, change) in ran.iter().zip(change_overs(&forecast.problem, &sequence)) {
        let begin_s = now_s + 60.0 * change.minutes;
        let end_s = begin_s + ran.spent_s;
        let hands = change.hands.map(|hands| HandsMoment {
            hour_h: (now_s + 60.0 * hands.after_min) / 3600.0,
            chamber_degc: Some(hands.chamber_c),
        });
        steps.push(step(ran, now_s, begin_s, end_s, hands));
        now_s = end_s;
    }
    let order = if chosen.is_some() { "the order in which they were chosen" } else { "the plan's order" };
    let words = format!(
        "Hours are composed: each job's own bench time in {order}, with the change-overs of the plan's bench times between them."
    );
    (steps, words)
}
